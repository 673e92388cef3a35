"""A backup of a SQLite database of cases that others may be writing to, and the way back from it.

A server's own commands back up its databases; `server_commands` names them.
"""

from __future__ import annotations

import os
import shlex
import shutil
import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from advisor.store import database
from advisor.store.database import CASES, ENTRIES, ERASED, LOCKED_SECONDS, LOGS, TABLES, trouble
from advisor.store.errors import CorruptRow, StoreError, sentence
from advisor.store.store import ERASING_ANNOUNCED, Store
from advisor.text import counted

_NUMBERS = {CASES.name: "id", ENTRIES.name: "case_id", ERASED.name: "number"}
"""The columns that hold the number of a job, by table."""
_BUSY = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


class Backup(NamedTuple):
    """How many jobs can be read in a backup, and what is wrong with the others."""

    jobs: int
    damaged: Sequence[CorruptRow]


class Restored(NamedTuple):
    """The backup that was restored, where what was there is kept, and which jobs it did not bring back.

    `kept` is None where nothing was there; `erased` are jobs of the backup that were erased after it.
    """

    backup: Backup
    kept: Path | None
    erased: Sequence[int]
    knows_erased: bool
    """Whether it could be read which jobs were erased since."""


def server_commands(url: str) -> tuple[str, str] | None:
    """Return PostgreSQL's commands that back up and restore its database; None for a SQLite file."""
    with trouble("opened"):
        meant = sa.make_url(url)
        if meant.get_backend_name() != "postgresql":
            return None
    place = shlex.quote(database.server_address(meant))
    return (
        f"pg_dump --format=custom --file=cases.dump {place}",
        f"pg_restore --clean --if-exists --no-owner --single-transaction --dbname={place} cases.dump",
    )


def back_up(url: str, target: Path, replace: bool = False) -> Backup:
    """Write all cases of a SQLite database, as they are at one moment, into one file.

    Others may go on writing. The file is whole or not there, and its owner's alone. Raises `StoreError` also
    where it is there already and not to be replaced.
    """
    file = _file_of(url)
    if target.is_dir():
        raise StoreError(f"{target} is a folder. Nothing was written. Name a file in it.")
    if target.exists() and not target.is_file():
        raise StoreError(f"{target} is a pipe or a device. Nothing was changed. Name a file.")
    if target.exists() and file.exists() and target.samefile(file):
        raise StoreError(f"{target} is the database itself. Nothing was changed. Name another file.")
    if target.exists() and not replace:
        raise StoreError(
            f"There is a file {target} already. Nothing was changed. Name another file, or add --replace."
        )
    if not target.parent.is_dir():
        raise StoreError(f"There is no folder {target.parent}. Nothing was written. Name one that is there.")
    place = target.resolve()
    part = place.with_name(f".{place.name}.part")
    Store(url, reading=True).close()  # refuses what is not ours, and finishes an erasing
    try:
        with trouble("copied"):
            _copy(file, part)
        backup = _looked_through(part)
        with trouble("copied"):
            part.replace(place)
    finally:
        _remove(part)
    return backup


def restore(
    url: str, source: Path, now: datetime, *, replace: bool = False, with_damaged: bool = False
) -> Restored:
    """Put the cases of a backup in place of those in a SQLite database, all of them or none.

    The backup is looked through first and stays as it is. What was there is kept beside the database. Jobs
    erased since the backup do not come back, and no number is given twice. Raises `StoreError` where the
    backup cannot be read, holds damaged jobs, or would replace jobs that it was not told to.
    """
    file = _file_of(url)
    _check_is_backup(source)
    if file.exists() and source.samefile(file):
        raise StoreError(f"{source} is the database itself. Nothing was changed. Name a backup.")
    if not file.parent.is_dir():
        raise StoreError(f"There is no folder {file.parent}. Nothing was changed. Make it, or name another.")
    part = file.with_name(f".{file.name}.part")
    try:
        with trouble("restored"):
            _copy(source, part)
        with closing(Store(f"sqlite:///{part}")) as store:  # brings an older one up to date
            if store.setting(ERASING_ANNOUNCED):
                store.set_to(ERASING_ANNOUNCED, "")  # what comes back is announced anew
        backup = _looked_through(part)
        if backup.damaged and not with_damaged:
            lines = "\n".join(map(str, backup.damaged))
            raise StoreError(
                f"{lines}\n{counted(len(backup.damaged), 'job')} of the backup cannot be read, "
                f"{backup.jobs} can. Nothing was changed. Use another backup, or add --with-damaged."
            )
        there = _jobs_there(file)
        if there is None:
            kept = _kept_as_it_is(file, now, replace)
            with trouble("restored"):
                part.replace(file)
            return Restored(backup, kept, (), kept is None)
        if there and not replace:
            raise StoreError(
                f"{file} holds {counted(there, 'job')} already. Nothing was changed. Add --replace to put "
                "the backup in its place; what is there is kept beside it."
            )
        with closing(Store(url)):  # brings it up to date, and finishes an erasing
            pass
        with trouble("restored"):
            return Restored(backup, *_exchanged(file, part, now), True)
    finally:
        _remove(part)
        _remove(_half_kept(file))


def _file_of(url: str) -> Path:
    file = database.file_of(sa.make_url(url))
    assert file is not None, "a server has its own commands"
    return file


def _remove(part: Path) -> None:
    """Remove an unfinished copy and what SQLite left beside it."""
    for ending in ("", *LOGS, "-shm"):
        part.with_name(part.name + ending).unlink(missing_ok=True)


def _copy(file: Path, part: Path) -> None:
    """Write what a SQLite database holds at this moment into one new file."""
    patience = time.monotonic() + LOCKED_SECONDS

    def waits(status: int, *_: int) -> None:
        if status in _BUSY and time.monotonic() > patience:
            raise sqlite3.OperationalError("database is locked")

    _remove(part)
    os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    address = database.reading_address(file)
    with (
        closing(sqlite3.connect(address, uri=True, timeout=LOCKED_SECONDS)) as old,
        closing(sqlite3.connect(part)) as new,
    ):
        old.backup(new, progress=waits)
        new.execute("PRAGMA journal_mode=DELETE")  # one file, with nothing beside it
        new.execute("VACUUM")  # and nothing in it of what was deleted
    with part.open("rb") as written:
        os.fsync(written.fileno())


def _is_sound(file: Path) -> bool:
    """Return whether the pages of a SQLite file are as they should be."""
    address = database.reading_address(file)
    with closing(sqlite3.connect(address, uri=True, timeout=LOCKED_SECONDS)) as connection:
        return [row[0] for row in connection.execute("PRAGMA integrity_check")] == ["ok"]


def _looked_through(file: Path) -> Backup:
    """Read every job of a copy."""
    with trouble("copied"):
        if not _is_sound(file):
            raise sqlite3.DatabaseError("database disk image is malformed")
    with closing(Store(f"sqlite:///{file}", reading=True)) as store:
        jobs = store.jobs()
    return Backup(len(jobs.filed), jobs.damaged)


def _check_is_backup(source: Path) -> None:
    """Refuse what is no database of cases, or one of a newer program."""
    if not source.exists():
        raise StoreError(f"There is no file {source}. Nothing was changed. Name a backup.")
    if source.is_dir():
        raise StoreError(f"{source} is a folder. Nothing was changed. Name a backup in it.")
    if not source.is_file():
        raise StoreError(f"{source} is a pipe or a device. Nothing was changed. Name a file.")
    version, why = None, "it holds nothing of this program"
    try:
        tables, row = database.tables_of(database.reading_address(source))
        if row and isinstance(row[0], int) and row[0] > database.SCHEMA:
            raise database.newer(row[0])
        if {CASES.name, ENTRIES.name} <= tables:
            version = database.schema_of(tables, row)
    except sqlite3.DatabaseError as error:
        why = database.reason_of(error)
    if version is None:
        raise StoreError(
            f"{source} is no backup of ours: {why}. Nothing was changed. Name a file that `advisor backup` "
            "made."
        )


def _jobs_there(file: Path) -> int | None:
    """Return how many jobs a database holds, or None if it is not there, empty or cannot be read."""
    try:
        if not file.exists() or not file.stat().st_size or not _is_sound(file):
            return None
    except sqlite3.OperationalError as error:
        raise StoreError(sentence("restored", database.reason_of(error))) from error
    except sqlite3.DatabaseError:
        return None
    with closing(Store(f"sqlite:///{file}", reading=True)) as store:
        jobs = store.jobs()
    return len(jobs.filed) + len(jobs.damaged)


def _aside(file: Path, now: datetime) -> Path:
    """Return the name under which what was there is kept."""
    stem, number = f"{file.stem}.before-{now:%Y-%m-%d-%H%M%S}", 1
    place = file.with_name(stem + file.suffix)
    while place.exists():
        number += 1
        place = file.with_name(f"{stem}-{number}{file.suffix}")
    return place


def _half_kept(file: Path) -> Path:
    """Return where what was there is until the copy of it is whole; the next run clears away what is left."""
    return file.with_name(f".{file.name}.kept.part")


def _kept_as_it_is(file: Path, now: datetime, replace: bool) -> Path | None:
    """Move what cannot be read aside, with its logs, copied first; None where there is nothing to keep."""
    parts = [file.with_name(file.name + ending) for ending in ("", *LOGS)]
    full = [part for part in parts if part.exists() and part.stat().st_size]
    if full and not replace:
        raise StoreError(
            f"{file} cannot be read. Nothing was changed. Add --replace to put the backup in its place; what "
            "is there is kept beside it."
        )
    place = _aside(file, now)
    with trouble("restored"):
        for part in full:
            copy = place.with_name(place.name + part.name.removeprefix(file.name))
            beside = _half_kept(file)
            shutil.copyfile(part, beside)
            beside.chmod(0o600)
            with beside.open("rb") as written:
                os.fsync(written.fileno())
            beside.replace(copy)
        for ending in (*LOGS, "-shm"):
            file.with_name(file.name + ending).unlink(missing_ok=True)
    return place if full else None


def _exchanged(file: Path, part: Path, now: datetime) -> tuple[Path, list[int]]:
    """Put the rows of a copy in place of those of a database in one transaction; keep these in a file."""
    place, beside = _aside(file, now), _half_kept(file)
    with closing(
        sqlite3.connect(
            f"{file.absolute().as_uri()}?mode=rw", uri=True, timeout=LOCKED_SECONDS, isolation_level=None
        )
    ) as here:
        here.execute("PRAGMA synchronous=FULL")
        here.execute("PRAGMA secure_delete=ON")
        here.execute("ATTACH ? AS backup", (str(part),))
        here.execute("BEGIN IMMEDIATE")
        try:
            _copy(file, beside)
            beside.replace(place)
            here.execute("CREATE TEMP TABLE gone AS SELECT number, at, tidied FROM main.erased")
            back = [
                number
                for (number,) in here.execute(
                    "SELECT id FROM backup.cases WHERE id IN (SELECT number FROM gone) ORDER BY id"
                )
            ]
            (last,) = here.execute(
                "SELECT max(seq) FROM (SELECT seq FROM main.sqlite_sequence WHERE name = 'cases' "
                "UNION ALL SELECT seq FROM backup.sqlite_sequence WHERE name = 'cases')"
            ).fetchone()
            for table in reversed(TABLES):
                here.execute(f"DELETE FROM main.{table.name}")
            for table in TABLES:
                columns = ", ".join(column.name for column in table.columns)
                but = f" WHERE {_NUMBERS.get(table.name)} NOT IN (SELECT number FROM gone)"
                here.execute(
                    f"INSERT INTO main.{table.name} ({columns}) SELECT {columns} FROM backup.{table.name}"
                    f"{but if table.name in _NUMBERS else ''}"
                )
            here.execute("INSERT INTO main.erased (number, at, tidied) SELECT number, at, tidied FROM gone")
            here.execute("DELETE FROM main.sqlite_sequence WHERE name = 'cases'")
            if last is not None:
                here.execute("INSERT INTO main.sqlite_sequence (name, seq) VALUES ('cases', ?)", (last,))
            here.execute("COMMIT")
        except BaseException:
            place.unlink(missing_ok=True)
            raise
    return place, back
