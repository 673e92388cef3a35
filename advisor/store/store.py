"""Cases in a database, append-only: entries are never changed, and taking back is an entry too.

Only `Store.erase` removes anything, and it removes the whole case.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import sqlalchemy as sa
from platformdirs import user_data_path, user_downloads_path
from sqlalchemy.exc import IntegrityError, SQLAlchemyError

from advisor.case.case import Case
from advisor.case.entries import Entry
from advisor.settings import Settings
from advisor.store import database
from advisor.store.database import (
    CASES,
    ENTRIES,
    ERASED,
    OFF_TROLLEY,
    PREFERENCES,
    SETTINGS,
    reason_of,
    trouble,
)
from advisor.store.errors import CorruptRow, Erased, StaleWrite, StoreError
from advisor.store.records import (
    LONGEST_TAG,
    StoredCase,
    but_for_time,
    in_one_line,
    row_of,
    stored_case_from,
)

ERASING_ANNOUNCED = "erasing announced"
"""The setting that says when jobs that are kept no longer will be erased."""
EXPORT_VERSION = 1
"""Increased by one with every change of what `Store.export` returns."""


def default_url(reading: bool = False) -> str:
    """Return the URL of a SQLite file in the user's own data folder; may raise `OSError`.

    The folder is made where it is missing, but not for `reading` alone.
    """
    folder = user_data_path("advisor")
    if reading:
        return f"sqlite:///{folder / 'cases.sqlite'}"
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=0o700, exist_ok=True)
    return f"sqlite:///{folder / 'cases.sqlite'}"


STRAY = 0
"""The number that stands for entries that name no job."""


def papers_folder() -> Path:
    """Return where papers are saved: the downloads folder, else the home folder, else the current one."""
    home = Path.home()
    folders = (user_downloads_path(), home, Path.cwd())
    return next((folder for folder in folders if folder.is_dir() and os.access(folder, os.W_OK)), home)


def paper_place(typed: str, name: str) -> Path:
    """Return the file that somebody means by a path: with a name of its own, or a folder for `name`.

    Raises `ValueError` where the folder is not there, or the file is there already.
    """
    try:
        place = Path(typed).expanduser()
    except RuntimeError:  # nobody of that name
        place = Path(typed)
    if place.is_dir() or typed.endswith("/"):
        place /= name
    if not place.parent.is_dir():
        raise ValueError(f"There is no folder {place.parent}. Nothing was saved. Name one that is there.")
    if place.exists():
        raise ValueError(f"There is a file {place} already. Nothing was saved. Give it another name.")
    return place


class StoredJobs(NamedTuple):
    """The cases that can be read, the newest first, and what is wrong with the others."""

    filed: list[StoredCase]
    damaged: list[CorruptRow]


class Store:
    """The cases of a workshop in SQLite or PostgreSQL; SQLite files are made when missing.

    `workshop` has what holds where nobody has chosen, and the name for papers.
    A store for `reading` alone makes and changes nothing, neither a file nor a table.
    """

    def __init__(
        self,
        url: str,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        *,
        reading: bool = False,
        workshop: Settings = Settings(),  # noqa: B008 - frozen
    ) -> None:
        self.clock, self.workshop = clock, workshop
        self._unheard: dict[int, list[StoredCase]] = {}
        self._engine = database.opened(url, reading)
        self._writing = self._engine.execution_options(writes=True)
        self.told = database.narrowed(url)
        """What people have to hear of the opening, in sentences."""
        try:
            if self._untidied() and reading:
                other = Store(url)
                other.close()
                self.told += other.told
            elif not reading:
                self._tidy()
        except StoreError as error:
            self.told.append(str(error))

    def now(self) -> str:
        """Return the time as entries carry it (ISO 8601, with zone)."""
        return self.clock().isoformat(timespec="seconds")

    def draft(self, tag: str, complaint: str, knowledge: str = "") -> StoredCase:
        """Return a new case in memory; it is stored with its first entry."""
        return StoredCase(0, in_one_line(tag)[:LONGEST_TAG], self.now(), Case(complaint), (), knowledge)

    def open_case(self, tag: str, complaint: str, knowledge: str = "") -> StoredCase:
        """Start a case for a vehicle, known by a tag of the workshop's own."""
        return self.open_cases(tag, (complaint,), knowledge)[0]

    def open_cases(self, tag: str, complaints: Iterable[str], knowledge: str = "") -> tuple[StoredCase, ...]:
        """Store a case for each complaint of a vehicle before anything is entered, all or none."""
        return self.append_each(*((self.draft(tag, complaint, knowledge), ()) for complaint in complaints))

    def append(self, filed: StoredCase, *entries: Entry) -> StoredCase:
        """Save entries on a case, all or none; see `append_each`."""
        return self.append_each((filed, entries))[0]

    def append_each(self, *jobs: tuple[StoredCase, Sequence[Entry]]) -> tuple[StoredCase, ...]:
        """Save entries on several cases, all or none; they are on disk when this returns.

        Those among them that are not stored yet get their numbers, also where the entries are on others.
        An earlier try of the same that was not heard of but did come about is not entered twice.
        Raises `StaleWrite` where a case has grown in the meantime, so that nobody writes over another, and
        `Erased` where there is no such case any more.
        """
        after = []
        for filed, entries in jobs:
            then = filed
            for entry in entries:
                then = then.with_entry(entry, self.now())
            after.append(then)
        if all(filed.number and not entries for filed, entries in jobs):
            return tuple(after)
        before = [one for one in self._unheard.get(0, ()) if any(_same(one, new) for new in after)]
        try:
            with trouble("written"), self._writing.begin() as connection:
                saved = []
                for (filed, _), then in zip(jobs, after, strict=True):
                    saved.append(then if filed.number else _opened(connection, then, before))
                    rows = _rows(then, filed.entries)
                    if rows and filed.number:
                        if connection.scalar(_count(filed.number)) != filed.entries:
                            raise StaleWrite("The case has another length.")
                        connection.execute(ENTRIES.insert(), rows)
        except StoreError as error:
            saved = self._saved_before(after, [filed for filed, _ in jobs], error)
        for one in saved:
            self._unheard.pop(one.number, None)
        if before:
            self._unheard[0] = [one for one in self._unheard[0] if one not in before]
        return tuple(saved)

    def _saved_before(
        self, after: Sequence[StoredCase], before: Sequence[StoredCase], error: StoreError
    ) -> list[StoredCase]:
        """Return the cases as an earlier, unheard try has saved them; raise where there was none."""
        if not isinstance(error, StaleWrite) and not isinstance(error.__cause__, IntegrityError):
            for one in after:
                self._unheard.setdefault(one.number, []).append(one)
            raise error
        known = [found for one in after if (found := self._there_already(one)) is not None]
        if len(known) < len(after):
            raise self._overtaken(before) from error
        return known

    def _there_already(self, wanted: StoredCase) -> StoredCase | None:
        """Return the case as an earlier try of the same write has left it, or None if none succeeded."""
        stored = self.case(wanted.number)
        if stored is None:
            return None
        for attempt in self._unheard.get(wanted.number, ()):
            there = stored.case.entries[: attempt.entries], stored.times[: attempt.entries]
            if _same(attempt, wanted) and (attempt.case.entries, attempt.times) == there:
                return attempt
        return None

    def _overtaken(self, jobs: Iterable[StoredCase]) -> StaleWrite:
        """Return the error that says why entries no longer fit the cases."""
        for filed in jobs:
            if not self._there(filed.number):
                return Erased(
                    "This job was erased in the meantime. Your answer was not entered, and nothing more "
                    "can be entered on it: go back to the list of jobs."
                )
            if self.length(filed) < filed.entries:
                return StaleWrite(
                    "The database holds less of this job than was entered here: somebody has put an older "
                    "copy in its place. Your answer was not entered: look at the job as it is there now, and "
                    "enter again what is missing."
                )
        return StaleWrite(
            "Somebody else has entered something on this job in the meantime. Your answer was not "
            "entered: look at the job as it is now, then answer again."
        )

    def cases(self) -> list[StoredCase]:
        """Return every readable case, the newest first."""
        return self.jobs().filed

    def jobs(self) -> StoredJobs:
        """Return every readable case, the newest first, and apart from them the damaged ones."""
        with trouble("read"), self._engine.connect() as connection:
            heads = connection.execute(sa.select(CASES).order_by(CASES.c.id.desc())).all()
            rows = connection.execute(sa.select(ENTRIES).order_by(ENTRIES.c.case_id, ENTRIES.c.number)).all()
        by_case: dict[int, list[Any]] = defaultdict(list)
        for row in rows:
            numbered = isinstance(row.case_id, int) and row.case_id > 0
            by_case[row.case_id if numbered else STRAY].append(row)
        by_number = {head.id: head for head in heads}
        jobs = StoredJobs([], [])
        for number in (*by_number, *(stray for stray in by_case if stray not in by_number)):
            try:
                jobs.filed.append(stored_case_from(number, by_number.get(number), by_case[number]))
            except CorruptRow as error:
                jobs.damaged.append(error)
        return jobs

    def case(self, number: int) -> StoredCase | None:
        """Return a case by its number, or None; may raise `CorruptRow`."""
        head, rows = self._rows(number)
        return stored_case_from(number, head, rows) if head or rows else None

    def _rows(self, number: int) -> tuple[Any, list[Any]]:
        """Return the row of a case, or None, and the rows of its entries."""
        with trouble("read"), self._engine.connect() as connection:
            head = connection.execute(sa.select(CASES).where(CASES.c.id == number)).one_or_none()
            rows = connection.execute(
                sa.select(ENTRIES).where(self._of(number)).order_by(ENTRIES.c.number)
            ).all()
        return head, list(rows)

    def _of(self, number: int) -> sa.ColumnElement[bool]:
        """Return the condition that selects the entries of a case."""
        if number == STRAY and self._engine.dialect.name == "sqlite":
            return (sa.func.typeof(ENTRIES.c.case_id) != "integer") | (ENTRIES.c.case_id <= STRAY)
        return ENTRIES.c.case_id == number

    def export(self, number: int) -> dict[str, Any] | None:
        """Return everything stored of a case, word for word, or None if there is none.

        What cannot be read is there as text with escapes, and None stands for what is missing.
        """
        head, rows = self._rows(number)
        if head is None and not rows:
            return None
        return {
            "version": EXPORT_VERSION,
            "number": number,
            **{
                name: _as_stored(getattr(head, name, None))
                for name in ("tag", "complaint", "opened", "knowledge")
            },
            "entries": [
                {
                    "step": _as_stored(row.number),
                    "at": _as_stored(row.at),
                    "kind": _as_stored(row.kind),
                    "about": _as_stored(row.about),
                    "said": _as_stored(row.said),
                }
                for row in rows
            ],
        }

    def erase(self, number: int) -> bool:
        """Delete a case with all its entries for good; return False if there is none.

        In a SQLite file nothing of its text is left afterwards, nor in the log beside it; where another
        program keeps that from being so, `StoreError` says it. Whoever opens the database next, or erases
        again, finishes what was cut off. What a server keeps is said by `left_on_server`.
        """
        with trouble("written"), self._writing.begin() as connection:
            existed = self._delete(connection, number)
        self._tidy()
        return existed

    def erase_unchanged(self, jobs: Iterable[StoredCase]) -> list[int]:
        """Erase, all at once, those cases on which nothing was entered since; return their numbers.

        What keeps their text in a SQLite file is added to `told`.
        """
        with trouble("written"), self._writing.begin() as connection:
            gone = [job.number for job in jobs if self._delete(connection, job.number, job.entries)]
        try:
            self._tidy()
        except StoreError as error:
            self.told.append(str(error))
        return gone

    def _delete(self, connection: sa.Connection, number: int, entries: int | None = None) -> bool:
        """Delete the rows of a case, if it has so many entries; return whether there was such a case."""
        # Locked first, so that on PostgreSQL no entry comes in between the two deletions.
        there = connection.scalar(sa.select(CASES.c.id).where(CASES.c.id == number).with_for_update())
        if entries is not None and (there is None or connection.scalar(_count(number)) != entries):
            return False
        gone = connection.execute(ENTRIES.delete().where(self._of(number))).rowcount
        connection.execute(CASES.delete().where(CASES.c.id == number))
        if there is None and not gone:
            return False
        tidied = 0 if self._engine.dialect.name == "sqlite" else 1
        connection.execute(ERASED.delete().where(ERASED.c.number == number))
        connection.execute(ERASED.insert().values(number=number, at=self.now(), tidied=tidied))
        return True

    def erased(self, number: int) -> str | None:
        """Return when a case was erased, or None if it was not."""
        with trouble("read"), self._engine.connect() as connection:
            return connection.scalar(sa.select(ERASED.c.at).where(ERASED.c.number == number))

    @property
    def left_on_server(self) -> str:
        """Return what the server keeps of erased cases and the command that clears it; "" for a file."""
        return database.left_on_server(self._engine)

    def _untidied(self) -> int | None:
        """Return the number of an erased case whose text may still be in the file, if any."""
        with trouble("read"), self._engine.connect() as connection:
            due = sa.select(ERASED.c.number).where(ERASED.c.tidied != 1).order_by(ERASED.c.number)
            return connection.scalar(due)

    def _tidy(self) -> None:
        """Rewrite the SQLite file without what was erased and empty its log, if that is still due."""
        number = self._untidied()
        if number is None:
            return
        try:
            with self._engine.execution_options(bare=True).connect() as connection:
                connection.exec_driver_sql("VACUUM")
                busy = connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").scalar()
                why = "Another program is reading it." if busy else ""
                if not busy:
                    connection.exec_driver_sql("UPDATE erased SET tidied = 1")
                    connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        except (SQLAlchemyError, OSError) as error:
            why = f"It cannot be written anew: {reason_of(error)}."
        if why:
            raise StoreError(
                f"Job {number} is erased, but its text may still be in the file of the database or in the "
                f"-wal file beside it. {why} Close the other programs that have it open and erase job "
                f"{number} again, or give any other command: what is left of its text goes."
            )

    def _there(self, number: int) -> bool:
        """Return whether there is such a case."""
        with trouble("read"), self._engine.connect() as connection:
            return connection.scalar(sa.select(CASES.c.id).where(CASES.c.id == number)) is not None

    def length(self, filed: StoredCase) -> int:
        """Return how many entries the stored case has now."""
        with trouble("read"), self._engine.connect() as connection:
            return int(connection.scalar(_count(filed.number)) or 0)

    def preferences(self) -> dict[str, str]:
        """Return the preferred units by kind of quantity: the workshop's where nobody has chosen."""
        with trouble("read"), self._engine.connect() as connection:
            chosen = {row.kind: row.unit for row in connection.execute(sa.select(PREFERENCES))}
        return {**self.workshop.units, **chosen}

    def prefer(self, kind: str, unit: str) -> None:
        """Remember a preferred unit."""
        with trouble("written"), self._writing.begin() as connection:
            connection.execute(PREFERENCES.delete().where(PREFERENCES.c.kind == kind))
            connection.execute(PREFERENCES.insert().values(kind=kind, unit=unit))

    def setting(self, name: str) -> str | None:
        """Return the value of a setting, or None."""
        with trouble("read"), self._engine.connect() as connection:
            return connection.scalar(sa.select(SETTINGS.c.value).where(SETTINGS.c.name == name))

    def set_to(self, name: str, value: str) -> None:
        """Remember the value of a setting."""
        with trouble("written"), self._writing.begin() as connection:
            connection.execute(SETTINGS.delete().where(SETTINGS.c.name == name))
            connection.execute(SETTINGS.insert().values(name=name, value=value))

    def off_trolley(self) -> frozenset[str]:
        """Return the instruments that the workshop has, but not on the trolley."""
        with trouble("read"), self._engine.connect() as connection:
            return frozenset(connection.scalars(sa.select(OFF_TROLLEY.c.instrument)))

    def leave_off_trolley(self, instruments: Iterable[str]) -> None:
        """Remember which instruments are not on the trolley."""
        rows = [{"instrument": instrument} for instrument in sorted(set(instruments))]
        with trouble("written"), self._writing.begin() as connection:
            connection.execute(OFF_TROLLEY.delete())
            if rows:
                connection.execute(OFF_TROLLEY.insert(), rows)

    def close(self) -> None:
        """Close the database."""
        self._engine.dispose()


def _opened(connection: sa.Connection, new: StoredCase, before: Iterable[StoredCase]) -> StoredCase:
    """Store a new case and return it with its number, or the one that an earlier try has stored."""
    for one in before:
        if _same(one, new):
            for number in connection.scalars(sa.select(CASES.c.id).filter_by(**_head(one))).all():
                there = sa.select(ENTRIES).where(ENTRIES.c.case_id == number).order_by(ENTRIES.c.number)
                found, tried = replace(one, number=number), [*connection.execute(there).mappings()]
                if tried == _rows(found, 0):
                    return found
    key = connection.execute(CASES.insert().values(_head(new))).inserted_primary_key
    made = replace(new, number=int(key[0]) if key else 0)
    if made.entries:
        connection.execute(ENTRIES.insert(), _rows(made, 0))
    return made


def _same(one: StoredCase, other: StoredCase) -> bool:
    """Return whether two cases agree in everything but times."""
    heads = (one.tag, one.case.complaint), (other.tag, other.case.complaint)
    entries = [*map(but_for_time, one.case.entries)], [*map(but_for_time, other.case.entries)]
    return heads[0] == heads[1] and entries[0] == entries[1]


def _rows(filed: StoredCase, after: int) -> list[dict[str, Any]]:
    """Return the entries of a case after the first `after`, as rows."""
    new = zip(filed.case.entries[after:], filed.times[after:], strict=True)
    return [
        {"case_id": filed.number, "number": step, "at": at}
        | dict(zip(("kind", "about", "said"), row_of(entry), strict=True))
        for step, (entry, at) in enumerate(new, start=after + 1)
    ]


def _head(filed: StoredCase) -> dict[str, str]:
    """Return the row of a case, without its entries."""
    return {
        "tag": filed.tag,
        "complaint": filed.case.complaint,
        "opened": filed.opened,
        "knowledge": filed.knowledge,
    }


def _as_stored(value: Any) -> str | int | None:
    """Return a stored value as readable text, whatever it is."""
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    return value if value is None or isinstance(value, str | int) else str(value)


def _count(number: int) -> sa.Select[Any]:
    """Return the query that counts the entries of a case."""
    return sa.select(sa.func.count()).select_from(ENTRIES).where(ENTRIES.c.case_id == number)
