"""Cases in a database, append-only: what was entered is never changed, taking back is an entry too.

The one thing that takes anything away is `Store.erase`, and it takes the whole case.
"""

from __future__ import annotations

import json
import math
import sqlite3
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from platformdirs import user_data_path
from sqlalchemy.exc import IntegrityError, OperationalError, SQLAlchemyError

from advisor import case as cases
from advisor.case import TECHNICIAN, Accounted, Case, Entry, Measured, Seen, TakenBack
from advisor.evidence import Measurement
from advisor.letters import clean
from advisor.trouble import Doing, sentence

SCHEMA = 3
"""Raised by one with every change of the tables below, together with a step in `_MIGRATIONS`."""
LOCKED_SECONDS = 2.0
"""How long a writer waits for another one before it says that the database is locked."""
OPENING_SECONDS = 10.0
"""How long a program that opens a SQLite file waits for others that open it at the same moment."""
SERVER_SECONDS = 5
"""How long a database server may say nothing before it is given up; libpq takes whole seconds, at least 2."""
EXPORT_VERSION = 1
"""Raised by one with every change of what `Store.export` returns."""


class _Words(sa.TypeDecorator[str]):
    """Text of any length, as every database can hold it.

    PostgreSQL knows no NUL, and nothing can hold half a surrogate pair: the one is left out, the other
    becomes a question mark.
    """

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: sa.Dialect) -> str | None:
        """The text on its way into the database."""
        return value and value.replace("\0", "").encode("utf-8", "replace").decode("utf-8")


_metadata = sa.MetaData()
_schema = sa.Table("schema_version", _metadata, sa.Column("version", sa.Integer, primary_key=True))
_cases = sa.Table(
    "cases",
    _metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("tag", _Words, nullable=False),
    sa.Column("complaint", sa.String(200), nullable=False),
    sa.Column("opened", sa.String(40), nullable=False),
    sa.Column("knowledge", sa.String(40), nullable=False, server_default=""),
    sqlite_autoincrement=True,  # the number of an erased case is never given to another one
)
_preferences = sa.Table(
    "preferences",
    _metadata,
    sa.Column("kind", sa.String(40), primary_key=True),
    sa.Column("unit", sa.String(20), nullable=False),
)
_off_trolley = sa.Table("off_trolley", _metadata, sa.Column("instrument", sa.String(200), primary_key=True))
_entries = sa.Table(
    "entries",
    _metadata,
    sa.Column("case_id", sa.ForeignKey("cases.id"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("at", sa.String(40), nullable=False),
    sa.Column("kind", sa.String(20), nullable=False),
    sa.Column("about", _Words, nullable=False),
    sa.Column("said", _Words, nullable=False),
)

_KINDS: dict[str, type[Entry]] = {
    "known": cases.Known,
    "seen": cases.Seen,
    "measured": cases.Measured,
    "accounted": cases.Accounted,
    "skipped": cases.Skipped,
    "prepared": cases.Prepared,
    "ended": cases.Ended,
    "acknowledged": cases.Acknowledged,
    "repaired": cases.Repaired,
    "checked": cases.Checked,
    "booked": cases.Booked,
    "replayed": cases.Replayed,
    "taken back": cases.TakenBack,
    "closed": cases.Closed,
}
_UNSURE = "unsure"


class StoreTrouble(Exception):
    """The database cannot be reached, read or written: why, what was kept, and what to do."""


class Damaged(StoreTrouble):
    """A row of a case holds what this program never writes; nothing was changed."""


class Overtaken(StoreTrouble):
    """Somebody else has entered something on this case in the meantime; nothing was written."""


class Erased(Overtaken):
    """Somebody else has erased this case in the meantime; nothing was written, and nothing can be."""


@dataclass(frozen=True)
class Filed:
    """A case as it lies in the database: one row for each of its entries, at the times given (ISO 8601).

    `knowledge` is the version it was opened with, or "" where that is not known.
    """

    number: int
    tag: str
    opened: str
    case: Case
    times: tuple[str, ...] = ()
    knowledge: str = ""

    @property
    def entries(self) -> int:
        """How many rows there are."""
        return len(self.case.entries)

    @property
    def touched(self) -> str:
        """When something was last entered."""
        return self.times[-1] if self.times else self.opened

    def with_entry(self, entry: Entry, at: str) -> Filed:
        """With one more entry at a time."""
        return replace(self, case=self.case.with_entry(entry), times=(*self.times, at))


def default_url() -> str:
    """A SQLite file in the user's own data folder, which is made where it is missing; may raise `OSError`."""
    folder = user_data_path("advisor")
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=0o700, exist_ok=True)
    return f"sqlite:///{folder / 'cases.sqlite'}"


class Store:
    """The cases of a workshop in SQLite or PostgreSQL; SQLite files are made when missing."""

    def __init__(self, url: str, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self.clock = clock
        self._unheard: dict[int, list[Filed]] = {}
        self._unheard_openings: list[Filed] = []
        with _trouble("opened"):
            self._engine = sa.create_engine(url, **_careful(url))
            if self._engine.dialect.name == "sqlite":
                file = self._engine.url.database
                if file and file != ":memory:":
                    Path(file).touch(mode=0o600)
                    _watch(self._engine, Path(file))
                sa.event.listen(self._engine, "connect", _careful_sqlite)
                sa.event.listen(self._engine, "begin", _begin_sqlite)
            elif self._engine.driver == "psycopg":
                sa.event.listen(self._engine, "connect", _careful_postgresql)
            self._writing = self._engine.execution_options(writes=True)
            try:
                version = self._upgraded_at_last()
            except SQLAlchemyError:
                self._engine.dispose()
                raise
        if version > SCHEMA:
            self._engine.dispose()
            raise StoreTrouble(
                f"The database was written by a newer program (schema {version}, this one knows {SCHEMA}). "
                "Nothing was changed. Update this program."
            )

    def _upgraded_at_last(self) -> int:
        """As `_upgraded`, waiting for other programs that open the same SQLite file at the same moment."""
        patience = time.monotonic() + OPENING_SECONDS
        while True:
            try:
                return self._upgraded()
            except OperationalError as error:
                locked = "locked" in str(error.orig) and self._engine.dialect.name == "sqlite"
                if not locked or time.monotonic() > patience:
                    raise

    def _upgraded(self) -> int:
        """Make the tables or bring them up to date, in one transaction; returns the schema there is then."""
        with self._engine.connect() as connection:
            version = _version(connection)
        if version is not None and version >= SCHEMA:
            return version
        with self._writing.begin() as connection:
            if self._engine.dialect.name == "postgresql":
                connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_LOCK})"))
            version = _version(connection)  # another program may have been faster
            if version is None:
                _metadata.create_all(connection)
                connection.execute(_schema.insert().values(version=SCHEMA))
                return SCHEMA
            for step in _MIGRATIONS[version - 1 :]:
                step(connection)
            if version < SCHEMA:
                connection.execute(_schema.update().values(version=SCHEMA))
            return max(version, SCHEMA)

    def now(self) -> str:
        """The time, as entries carry it (ISO 8601, with zone)."""
        return self.clock().isoformat(timespec="seconds")

    def open_case(self, tag: str, complaint: str, knowledge: str = "") -> Filed:
        """Start a case for a vehicle, known by a tag of the workshop's own."""
        return self.open_cases(tag, (complaint,), knowledge)[0]

    def open_cases(self, tag: str, complaints: Iterable[str], knowledge: str = "") -> tuple[Filed, ...]:
        """Start a case for each complaint of a vehicle, all or none.

        An earlier try that was not heard of but did come about is found again, and not made twice.
        """
        at = self.now()
        new = [Filed(0, tag[:80], at, Case(complaint), (), knowledge) for complaint in complaints]
        known = [(one.tag, one.case.complaint) for one in new]
        before = [one for one in self._unheard_openings if (one.tag, one.case.complaint) in known]
        try:
            with _trouble("written"), self._writing.begin() as connection:
                made = tuple(_opened(connection, one, before) for one in new)
        except StoreTrouble:
            self._unheard_openings += new
            raise
        self._unheard_openings = [one for one in self._unheard_openings if one not in before]
        return made

    def append(self, filed: Filed, *entries: Entry) -> Filed:
        """Save entries on a case, all or none; see `append_each`."""
        return self.append_each((filed, entries))[0]

    def append_each(self, *jobs: tuple[Filed, Sequence[Entry]]) -> tuple[Filed, ...]:
        """Save entries on several cases, all or none; they are on disk when this returns.

        An earlier try of the same that was not heard of but did come about is not entered twice.
        Raises `Overtaken` where a case has grown in the meantime, so that nobody writes over another, and
        `Erased` where there is no such case any more.
        """
        after, rows = [], []
        for filed, entries in jobs:
            then = filed
            for entry in entries:
                then = then.with_entry(entry, self.now())
                kind, about, said = _row(entry)
                place = {"case_id": filed.number, "number": then.entries, "at": then.times[-1]}
                rows.append({**place, "kind": kind, "about": about, "said": said})
            after.append(then)
        if not rows:
            return tuple(after)
        try:
            with _trouble("written"), self._writing.begin() as connection:
                for filed, entries in jobs:
                    if entries and connection.scalar(_count(filed.number)) != filed.entries:
                        raise Overtaken("The case has another length.")
                connection.execute(_entries.insert(), rows)
        except StoreTrouble as error:
            if not isinstance(error, Overtaken) and not isinstance(error.__cause__, IntegrityError):
                for one in after:
                    self._unheard.setdefault(one.number, []).append(one)
                raise
            known = [found for one in after if (found := self._there_already(one)) is not None]
            if len(known) < len(after):
                raise self._overtaken(filed for filed, _ in jobs) from error
            after = known
        for one in after:
            self._unheard.pop(one.number, None)
        return tuple(after)

    def _there_already(self, wanted: Filed) -> Filed | None:
        """The case as an earlier try of the same has left it, or None where none has come about."""
        found = self.case(wanted.number)
        if found is None:
            return None
        for one in self._unheard.get(wanted.number, ()):
            there = found.case.entries[: one.entries], found.times[: one.entries]
            same = [*map(_but_for_time, one.case.entries)] == [*map(_but_for_time, wanted.case.entries)]
            if same and (one.case.entries, one.times) == there:
                return one
        return None

    def _overtaken(self, jobs: Iterable[Filed]) -> Overtaken:
        """Why entries do not fit the cases any more."""
        for filed in jobs:
            if not self._there(filed.number):
                return Erased(
                    "This job was erased in the meantime. Your answer was not entered, and nothing more "
                    "can be entered on it: go back to the list of jobs."
                )
            if self.length(filed) < filed.entries:
                return Overtaken(
                    "The database holds less of this job than was entered here: somebody has put an older "
                    "copy in its place. Your answer was not entered: look at the job as it is there now, and "
                    "enter again what is missing."
                )
        return Overtaken(
            "Somebody else has entered something on this job in the meantime. Your answer was not "
            "entered: look at the job as it is now, then answer again."
        )

    def take_back(self, filed: Filed, step: int | None = None, reason: str = "") -> Filed:
        """Take back a step that counts, the last one if none is named; the record of it stays."""
        last = max(filed.case.counting, default=0)
        return self.append(filed, TakenBack(last if step is None else step, reason))

    def cases(self) -> list[Filed]:
        """Every case, the newest first."""
        with _trouble("read"), self._engine.connect() as connection:
            heads = connection.execute(sa.select(_cases).order_by(_cases.c.id.desc())).all()
            rows = connection.execute(
                sa.select(_entries).order_by(_entries.c.case_id, _entries.c.number)
            ).all()
        by_case: dict[int, list[Any]] = defaultdict(list)
        for row in rows:
            by_case[row.case_id].append(row)
        return [_filed(head, by_case[head.id]) for head in heads]

    def case(self, number: int) -> Filed | None:
        """One case by its number, or None where there is none."""
        with _trouble("read"), self._engine.connect() as connection:
            head = connection.execute(sa.select(_cases).where(_cases.c.id == number)).one_or_none()
            rows = connection.execute(
                sa.select(_entries).where(_entries.c.case_id == number).order_by(_entries.c.number)
            ).all()
        return _filed(head, list(rows)) if head else None

    def export(self, number: int) -> dict[str, Any] | None:
        """Everything that is stored of a case, word for word, or None where there is none."""
        with _trouble("read"), self._engine.connect() as connection:
            head = connection.execute(sa.select(_cases).where(_cases.c.id == number)).one_or_none()
            rows = connection.execute(
                sa.select(_entries).where(_entries.c.case_id == number).order_by(_entries.c.number)
            ).all()
        if head is None:
            return None
        return {
            "version": EXPORT_VERSION,
            "number": head.id,
            "tag": head.tag,
            "complaint": head.complaint,
            "opened": head.opened,
            "knowledge": head.knowledge,
            "entries": [
                {"step": row.number, "at": row.at, "kind": row.kind, "about": row.about, "said": row.said}
                for row in rows
            ],
        }

    def erase(self, number: int) -> bool:
        """Delete a case with all its entries for good; False where there is none.

        In a SQLite file nothing of its text is left afterwards, nor in the log beside it; where another
        program keeps that from being so, `StoreTrouble` says it, and erasing again finishes it.
        """
        with _trouble("written"), self._writing.begin() as connection:
            # Locked first, so that on PostgreSQL no entry comes in between the two deletions.
            there = connection.scalar(sa.select(_cases.c.id).where(_cases.c.id == number).with_for_update())
            connection.execute(_entries.delete().where(_entries.c.case_id == number))
            connection.execute(_cases.delete().where(_cases.c.id == number))
        if self._engine.dialect.name == "sqlite":
            self._scrub(number)
        return there is not None

    def _scrub(self, number: int) -> None:
        """Write the SQLite file anew without what was deleted, and empty its log."""
        try:
            with self._engine.execution_options(bare=True).connect() as connection:
                connection.exec_driver_sql("VACUUM")
                busy = connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").scalar()
                why = "Another program is reading it." if busy else ""
        except (SQLAlchemyError, OSError) as error:
            why = f"It cannot be written anew: {_reason(error)}."
        if why:
            raise StoreTrouble(
                f"Job {number} is erased, but its text may still be in the file of the database or in the "
                f"-wal file beside it. {why} Close the other programs that have it open and erase job "
                f"{number} again: there is then no such job, and what is left of its text goes."
            )

    def _there(self, number: int) -> bool:
        """Whether there is such a case."""
        with _trouble("read"), self._engine.connect() as connection:
            return connection.scalar(sa.select(_cases.c.id).where(_cases.c.id == number)) is not None

    def length(self, filed: Filed) -> int:
        """How many entries the case has by now."""
        with _trouble("read"), self._engine.connect() as connection:
            return int(connection.scalar(_count(filed.number)) or 0)

    def preferences(self) -> dict[str, str]:
        """The units that people here prefer, by kind of quantity."""
        with _trouble("read"), self._engine.connect() as connection:
            return {row.kind: row.unit for row in connection.execute(sa.select(_preferences))}

    def prefer(self, kind: str, unit: str) -> None:
        """Remember a preferred unit."""
        with _trouble("written"), self._writing.begin() as connection:
            connection.execute(_preferences.delete().where(_preferences.c.kind == kind))
            connection.execute(_preferences.insert().values(kind=kind, unit=unit))

    def off_trolley(self) -> frozenset[str]:
        """The instruments that are in the workshop, but not on the trolley."""
        with _trouble("read"), self._engine.connect() as connection:
            return frozenset(connection.scalars(sa.select(_off_trolley.c.instrument)))

    def leave_off_trolley(self, instruments: Iterable[str]) -> None:
        """Remember which instruments are not on the trolley."""
        rows = [{"instrument": one} for one in sorted(set(instruments))]
        with _trouble("written"), self._writing.begin() as connection:
            connection.execute(_off_trolley.delete())
            if rows:
                connection.execute(_off_trolley.insert(), rows)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()


def _opened(connection: sa.Connection, new: Filed, before: Iterable[Filed]) -> Filed:
    """A new case with its number; where one of those tried before has come about and is empty, that one."""
    for one in before:
        if one.case.complaint == new.case.complaint:
            same = (
                sa.select(_cases.c.id)
                .filter_by(**_head(one))
                .where(_cases.c.id.not_in(sa.select(_entries.c.case_id)))
            )
            number = connection.scalar(same)
            if number is not None:
                return replace(one, number=number)
    key = connection.execute(_cases.insert().values(_head(new))).inserted_primary_key
    return replace(new, number=int(key[0]) if key else 0)


def _head(filed: Filed) -> dict[str, str]:
    """What a case without its entries is in the database."""
    return {
        "tag": filed.tag,
        "complaint": filed.case.complaint,
        "opened": filed.opened,
        "knowledge": filed.knowledge,
    }


def _count(number: int) -> sa.Select[Any]:
    """Asks how many entries a case has."""
    return sa.select(sa.func.count()).select_from(_entries).where(_entries.c.case_id == number)


def _but_for_time(entry: Entry) -> tuple[type[Entry], dict[str, Any]]:
    """What an entry says, whenever it was said."""
    return type(entry), {name: said for name, said in vars(entry).items() if name != "at"}


def _row(entry: Entry) -> tuple[str, str, str]:
    """What an entry is in the database: kind, what it is about, and what was said."""
    kind = next(kind for kind, made in _KINDS.items() if made is type(entry))
    if isinstance(entry, Measured):
        return kind, entry.reading, json.dumps([vars(one) for one in entry.take], ensure_ascii=False)
    if isinstance(entry, Accounted):
        return kind, entry.what, json.dumps(vars(entry.measurement), ensure_ascii=False)
    if isinstance(entry, Seen):
        if entry.confidence == 1.0 and entry.by == TECHNICIAN:
            return kind, entry.reading, entry.outcome
        said = [entry.outcome, entry.confidence, entry.by]
        return _UNSURE, entry.reading, json.dumps(said, ensure_ascii=False)
    about, said = vars(entry).values()
    return kind, str(about), said


def _entry(row: Any, case: Case) -> Entry:
    """The entry that a row holds, on a case that has come so far."""
    if row.kind == "measured":
        return Measured(row.about, tuple(map(_measurement, _listed(json.loads(row.said)))))
    if row.kind == "accounted":
        part = _measurement(json.loads(row.said))
        if isinstance(part.value, str):
            raise ValueError("no current")
        return Accounted(row.about, part)
    if row.kind == _UNSURE:
        match json.loads(row.said):
            case [str(outcome), float(confidence), str(by)] if 0 < confidence <= 1:
                return Seen(row.about, outcome, confidence, by)
        raise ValueError("no outcome with a confidence from 0 to 1")
    if row.kind == "taken back":
        # Schema 1 wrote no step: it was always the last one that counted.
        step = int(row.about) if row.about else max(case.counting, default=0)
        if not 0 <= step <= len(case.entries):
            raise ValueError("no step before this one")
        return TakenBack(step, row.said)
    if row.kind not in _KINDS:
        raise ValueError("no kind of entry that is known here")
    made: Callable[[str, str], Entry] = _KINDS[row.kind]
    return made(row.about, row.said)


def _listed(said: Any) -> list[Any]:
    """A list as JSON gave it."""
    if not isinstance(said, list):
        raise ValueError("no list of measurements")
    return said


def _measurement(said: Any) -> Measurement:
    """What was measured, as JSON gave it."""
    match said:
        case {
            "measurand": str(measurand),
            "value": str() | float() | int() as value,
            "instrument": str(instrument),
            "typed": str(typed),
        } if len(said) == 4 and not isinstance(value, bool):
            if isinstance(value, str) or math.isfinite(value):
                return Measurement(measurand, value, instrument, typed)
    raise ValueError("no measurement")


def _filed(head: Any, rows: list[Any]) -> Filed:
    filed = Filed(head.id, head.tag, head.opened, Case(head.complaint), (), head.knowledge)
    for row in rows:
        try:
            if not all(isinstance(one, str) for one in (row.at, row.kind, row.about, row.said)):
                raise ValueError("no text")
            entry = _entry(row, filed.case)
        except (ValueError, OverflowError, RecursionError) as error:
            why = str(error).splitlines()[0]
            raise Damaged(
                f"Step {row.number} of job {head.id} is damaged in the database: {why}. This program has not "
                f"written it so, and nothing was changed. `advisor case export {head.id}` writes down what "
                f"there is of the job; after `advisor case erase {head.id} --yes` the other jobs can be used."
            ) from error
        filed = filed.with_entry(entry, row.at)
    return filed


# Opening and upgrading

_DRIVERS = {"psycopg": "pip install 'psycopg[binary]'"}
"""Libraries that only some databases need, and how they are installed."""
_LOCK = 5_147_302
"""Which of PostgreSQL's advisory locks keeps two programs from making the tables at once."""


def _version(connection: sa.Connection) -> int | None:
    if not sa.inspect(connection).has_table(_schema.name):
        return None
    return connection.scalar(sa.select(_schema.c.version))


def _cases_know_their_knowledge(connection: sa.Connection) -> None:
    """Schema 2: a case carries the version of the knowledge; the trolley is remembered."""
    connection.execute(sa.text("ALTER TABLE cases ADD COLUMN knowledge VARCHAR(40) NOT NULL DEFAULT ''"))
    _off_trolley.create(connection)


def _numbers_are_given_once(connection: sa.Connection) -> None:
    """Schema 3: an erased case's number is not given again (PostgreSQL never did); texts of any length."""
    if connection.dialect.name != "sqlite":
        for column in ("cases ALTER COLUMN tag", "entries ALTER COLUMN about"):
            connection.execute(sa.text(f"ALTER TABLE {column} TYPE TEXT"))
        return
    for step in (
        "ALTER TABLE entries RENAME TO old_entries",
        "ALTER TABLE cases RENAME TO old_cases",
        "CREATE TABLE cases (id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, tag TEXT NOT NULL, "
        "complaint VARCHAR(200) NOT NULL, opened VARCHAR(40) NOT NULL, "
        "knowledge VARCHAR(40) NOT NULL DEFAULT '')",
        "CREATE TABLE entries (case_id INTEGER NOT NULL REFERENCES cases (id), number INTEGER NOT NULL, "
        "at VARCHAR(40) NOT NULL, kind VARCHAR(20) NOT NULL, about TEXT NOT NULL, said TEXT NOT NULL, "
        "PRIMARY KEY (case_id, number))",
        "INSERT INTO cases SELECT id, tag, complaint, opened, knowledge FROM old_cases",
        "INSERT INTO entries SELECT case_id, number, at, kind, about, said FROM old_entries",
        "DROP TABLE old_entries",
        "DROP TABLE old_cases",
    ):
        connection.execute(sa.text(step))


_MIGRATIONS: tuple[Callable[[sa.Connection], None], ...] = (
    _cases_know_their_knowledge,
    _numbers_are_given_once,
)


def _reason(error: Exception) -> str:
    """What the database or the system has said, on one line."""
    told = str(getattr(error, "orig", None) or error).splitlines() or [type(error).__name__]
    return clean(told[0]).rstrip(".")


@contextmanager
def _trouble(doing: Doing) -> Iterator[None]:
    try:
        yield
    except (SQLAlchemyError, OSError, ImportError, UnicodeDecodeError) as error:
        reason = _reason(error)
        if isinstance(error, ImportError) and error.name in _DRIVERS:
            reason = f"its driver {error.name} is not installed. Install it with: {_DRIVERS[error.name]}"
            raise StoreTrouble(f"The database of cases cannot be {doing}: {reason}.") from error
        raise StoreTrouble(sentence(doing, reason)) from error


def _careful(url: str) -> Mapping[str, Any]:
    """How a database is opened: a lost connection is noticed, a locked SQLite file not waited for long."""
    meant = sa.make_url(url)
    if meant.get_backend_name() == "sqlite":
        return {"connect_args": {"timeout": LOCKED_SECONDS}}
    silence = {}
    if meant.get_backend_name() == "postgresql" and meant.get_driver_name() == "psycopg":
        silence = {
            "connect_timeout": SERVER_SECONDS,
            "tcp_user_timeout": SERVER_SECONDS * 1000,
            "keepalives_idle": SERVER_SECONDS,
        }
    return {"pool_pre_ping": True, "connect_args": silence}


def _careful_sqlite(connection: Any, _: Any) -> None:
    """Every commit is on disk before it is acknowledged; readers do not wait for writers."""
    connection.isolation_level = None  # transactions begin below, not where the driver thinks fit
    cursor = connection.cursor()
    _write_ahead(cursor)
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA secure_delete=ON")
    cursor.close()


def _watch(engine: sa.Engine, file: Path) -> None:
    """See to it that nothing is read from or written to a file that is not the one opened at first.

    Who deletes, moves or replaces a file that is open leaves its programs with one that nobody finds again.
    Where it is the log, the connections to it are closed, which saves what is in it, and new ones are made.
    """
    first = _identity(file)
    log = file.with_name(file.name + "-wal")

    def refused(gone: Path) -> StoreTrouble:
        return StoreTrouble(sentence("used", f"{gone} was deleted, moved or replaced while it was open here"))

    def connecting(*_: object) -> None:
        if _identity(file) != first:
            raise refused(file)

    def beginning(connection: sa.Connection) -> None:
        connecting()
        now = _identity(log)
        if connection.info.setdefault("log", now) is None:  # a new file has its log from the first entry on
            connection.info["log"] = now
        if connection.info["log"] != now:
            connection.invalidate()
            engine.dispose()
            raise refused(log)

    sa.event.listen(engine, "do_connect", connecting)
    sa.event.listen(engine, "begin", beginning)


def _identity(file: Path) -> tuple[int, int] | None:
    """Which file on which disk lies under a name, or None where none does."""
    try:
        stat = file.stat()
    except FileNotFoundError:
        return None
    return stat.st_dev, stat.st_ino


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """Turn the write-ahead log on; SQLite does not wait by itself for another program that is at it."""
    patience = time.monotonic() + OPENING_SECONDS
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError:
            if time.monotonic() > patience:
                raise
            time.sleep(0.02)
        else:
            return


def _careful_postgresql(connection: Any, _: Any) -> None:
    """Every commit is on disk before it is acknowledged; nobody waits for long for a lock."""
    cursor = connection.cursor()
    cursor.execute("SET synchronous_commit = on")
    cursor.execute(f"SET lock_timeout = {round(LOCKED_SECONDS * 1000)}")
    cursor.close()
    connection.commit()


def _begin_sqlite(connection: sa.Connection) -> None:
    """A writer takes the lock at once, so that it never finds the file changed half-way.

    What is about the file as a whole (`bare`) cannot be in a transaction.
    """
    options = connection.get_execution_options()
    if not options.get("bare"):
        connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get("writes") else "BEGIN")
