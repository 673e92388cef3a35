"""The database of cases: its tables, how it is opened so that nothing is lost, and brought up to date."""

from __future__ import annotations

import os
import shlex
import sqlite3
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from advisor import logfile
from advisor.store.errors import Doing, StoreError, failure, sentence
from advisor.text import clean

SCHEMA = 7
"""Increased by one with every change of the tables below, and with kinds of entry that older programs would
take for damage, together with a step in `_MIGRATIONS`."""
LOCKED_SECONDS = 2.0
"""How long a writer waits for another one before it says that the database is locked."""
OPENING_SECONDS = 10.0
"""How long a program that opens a SQLite file waits for others that open it at the same moment."""
SERVER_SECONDS = 5
"""How long a database server may say nothing before it is given up; libpq takes whole seconds, at least 2."""

LOGS = ("-wal", "-journal")
"""What SQLite may keep beside a file and belongs to what is in it, by the end of its name."""

_DRIVERS = {"psycopg": "pip install 'psycopg[binary]'"}
"""Libraries that only some databases need, and how they are installed."""
_LOCK = 5_147_302
"""Which of PostgreSQL's advisory locks keeps two programs from making the tables at once."""


class _Words(sa.TypeDecorator[str]):
    """Text of any length, as every database can hold it.

    PostgreSQL knows no NUL, and nothing can hold half a surrogate pair: the one is left out, the other
    becomes a question mark.
    """

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: sa.Dialect) -> str | None:
        """Return the text as the database can hold it."""
        return value and value.replace("\0", "").encode("utf-8", "replace").decode("utf-8")


_FIRST_TABLES = ("cases", "entries", "preferences")
"""What every database of ours holds, beside its version, since the first schema."""
_metadata = sa.MetaData()
_schema = sa.Table("schema_version", _metadata, sa.Column("version", sa.Integer, primary_key=True))
CASES = sa.Table(
    "cases",
    _metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("tag", _Words, nullable=False),
    sa.Column("complaint", sa.String(200), nullable=False),
    sa.Column("opened", sa.String(40), nullable=False),
    sa.Column("knowledge", sa.String(40), nullable=False, server_default=""),
    sqlite_autoincrement=True,  # the number of an erased case is never given to another one
)
PREFERENCES = sa.Table(
    "preferences",
    _metadata,
    sa.Column("kind", sa.String(40), primary_key=True),
    sa.Column("unit", sa.String(20), nullable=False),
)
SETTINGS = sa.Table(
    "settings",
    _metadata,
    sa.Column("name", sa.String(40), primary_key=True),
    sa.Column("value", sa.String(40), nullable=False),
)
ERASED = sa.Table(
    "erased",
    _metadata,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("at", sa.String(40), nullable=False),
    sa.Column("tidied", sa.Integer, nullable=False),
)
"""The numbers of cases that were erased, when, and 1 once no text of them is left in the file."""
OFF_TROLLEY = sa.Table("off_trolley", _metadata, sa.Column("instrument", sa.String(200), primary_key=True))
ENTRIES = sa.Table(
    "entries",
    _metadata,
    sa.Column("case_id", sa.ForeignKey("cases.id"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("at", sa.String(40), nullable=False),
    sa.Column("kind", sa.String(20), nullable=False),
    sa.Column("about", _Words, nullable=False),
    sa.Column("said", _Words, nullable=False),
)

TABLES = _metadata.sorted_tables
"""Every table, those first that others point to."""


def opened(url: str, reading: bool = False) -> sa.Engine:
    """Open a database and upgrade or make its tables; may raise `StoreError`.

    For `reading` alone nothing is made, upgraded or changed: what an older program wrote is read from a copy
    in memory that is brought up to date.
    """
    with trouble("opened"):
        file = file_of(sa.make_url(url))
        if file is not None:
            _look_at(file, reading)
        engine = sa.create_engine(url, **_careful(url))
        if file is not None:
            if not reading:
                file.touch(mode=0o600)
            _watch(engine, file)
            sa.event.listen(engine, "connect", _reading_sqlite if reading else _careful_sqlite)
            sa.event.listen(engine, "begin", _begin_sqlite)
        elif engine.driver == "psycopg":
            sa.event.listen(engine, "connect", _careful_postgresql)
            if reading:
                sa.event.listen(engine, "connect", _reading_postgresql)
        try:
            version = _found(engine) if reading else _upgraded_at_last(engine)
            if version > SCHEMA:
                raise newer(version)
            return _copied(engine) if version < SCHEMA else engine
        except (SQLAlchemyError, StoreError):
            engine.dispose()
            raise


def file_of(url: sa.URL) -> Path | None:
    """Return the file of a SQLite database, or None for a server; refuse what would keep nothing."""
    if url.get_backend_name() != "sqlite":
        return None
    name = url.database or ""
    if name in ("", ":memory:") or name.casefold().startswith("file:") or url.query:
        raise StoreError(
            "The database of cases cannot be opened: the address has to name a file and nothing else; what "
            "is kept in memory is gone with the program. Nothing was changed. Name a file, such as "
            "sqlite:///cases.sqlite."
        )
    if url.get_driver_name() != "pysqlite":
        raise StoreError(
            "The database of cases cannot be opened: SQLite is used here without another driver. Nothing was "
            "changed. Name a file, such as sqlite:///cases.sqlite."
        )
    if "\0" in name or "%00" in name:
        raise StoreError(
            "The database of cases cannot be opened: no file has such a name. Nothing was changed. Name a "
            "file, such as sqlite:///cases.sqlite."
        )
    return Path(name)


def _look_at(file: Path, reading: bool) -> None:
    """Refuse anything but a file or a database of ours, before anything is touched."""
    try:
        mode = file.stat().st_mode
    except FileNotFoundError:
        if reading:
            raise StoreError(
                sentence("opened", f"there is no file {file}, so there is no job in it, and none was made")
            ) from None
        return
    if not S_ISREG(mode):
        what = "is a directory" if S_ISDIR(mode) else "is a pipe, a device or a socket"
        raise StoreError(sentence("opened", f"{file} {what}"))
    if not file.stat().st_size:
        return
    address = reading_address(file)
    patience = time.monotonic() + OPENING_SECONDS
    while True:
        try:
            schema_of(*tables_of(address))
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                return  # a writer was killed: opening it puts that right, or says what is wrong
            if time.monotonic() > patience:
                raise
            time.sleep(0.02)
        except sqlite3.DatabaseError as error:
            raise StoreError(sentence("opened", reason_of(error))) from error
        else:
            return


def reading_address(file: Path) -> str:
    """Return the address under which SQLite reads a file without making one beside it, if it can.

    Only SQLite may open and close a database: closing it by other means takes away the locks of this process.
    Without a log or a journal nobody is writing, and the files that a reader makes can be done without.
    """
    logs = (file.with_name(file.name + ending) for ending in LOGS)
    alone = not any(log.exists() and log.stat().st_size for log in logs)
    return f"{file.absolute().as_uri()}?{'immutable=1' if alone else 'mode=ro'}"


def tables_of(address: str) -> tuple[set[str], Sequence[Any] | None]:
    """Return the tables of a SQLite file and the row of its schema, if any, without changing it."""
    with closing(sqlite3.connect(address, uri=True, timeout=LOCKED_SECONDS)) as connection:
        tables = {
            name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        }
        if _schema.name not in tables:
            return tables, None
        return tables, connection.execute(f"SELECT * FROM {_schema.name}").fetchone()


def schema_of(tables: Collection[str], row: Sequence[Any] | None) -> int | None:
    """Return the schema of a database with these tables, or None if it is empty; refuse foreign ones."""
    if not tables:
        return None
    number = row[0] if row and len(row) == 1 else None
    if isinstance(number, int) and number > SCHEMA:
        raise newer(number)
    if not isinstance(number, int) or number < 1 or not all(table in tables for table in _FIRST_TABLES):
        raise StoreError(
            "The database of cases cannot be opened: it holds the tables of another program. Nothing was "
            "changed. Name another database with --store; one that is not there yet is made."
        )
    return number


def newer(version: int) -> StoreError:
    """Return the error for a database that a newer program has written."""
    return StoreError(
        f"The database was written by a newer program (schema {version}, this one knows {SCHEMA}). "
        "Nothing was changed. Update this program."
    )


def _found(engine: sa.Engine) -> int:
    """Return the schema; refuse a database without tables."""
    with engine.connect() as connection:
        version = _version(connection)
    if version is None:
        raise StoreError(sentence("opened", "it is empty, so there is no job in it, and none was made"))
    return version


def _copied(engine: sa.Engine) -> sa.Engine:
    """Return an upgraded copy in memory of an older program's database, and close the original."""
    copy = sa.create_engine("sqlite://", poolclass=sa.StaticPool, connect_args={"check_same_thread": False})
    old = sa.MetaData()
    with engine.connect() as source, copy.begin() as target:
        old.reflect(source, only=lambda name, _: name in _metadata.tables)
        for table in old.tables.values():
            for column in table.columns:
                column.server_default = None  # a sequence of the server is none here
        old.create_all(target)
        for table in old.sorted_tables:
            if rows := [dict(row) for row in source.execute(sa.select(table)).mappings()]:
                target.execute(table.insert(), rows)
    engine.dispose()
    _upgraded(copy)
    return copy


def narrowed(url: str) -> list[str]:
    """Take a database's files from everybody but their owner; what was done, in sentences."""
    file = file_of(sa.make_url(url))
    if file is None or os.name != "posix":
        return []
    told = []
    for part in (file, file.with_name(file.name + "-wal"), file.with_name(file.name + "-shm")):
        try:
            mode = part.stat()
            if mode.st_mode & 0o077 and mode.st_uid == os.geteuid():
                part.chmod(0o600)
                told.append(f"Others could read or write {file}; now only its owner can.")
        except FileNotFoundError:
            continue
        except OSError as error:
            told.append(f"Others may read or write {file}, and that cannot be changed: {error.strerror}.")
    return [*dict.fromkeys(told)]


def server_address(url: sa.URL) -> str:
    """Return the address of a PostgreSQL database for its own commands, without the password."""
    kept = {name: value for name, value in url.query.items() if name in ("host", "port", "sslmode")}
    place = sa.URL.create("postgresql", url.username, None, url.host, url.port, url.database, kept)
    return place.render_as_string()


def left_on_server(engine: sa.Engine) -> str:
    """Return what a server keeps of erased cases and the command that clears it, or ""."""
    if engine.dialect.name != "postgresql":
        return ""
    with trouble("read"), engine.connect() as connection:
        schema = connection.scalar(sa.text("SELECT quote_ident(current_schema())"))
    statement = f"VACUUM FULL {schema}.cases, {schema}.entries"
    return (
        "On the PostgreSQL server its text stays in the files of the tables until they are written anew, and "
        "in the write-ahead log, its archive and backups until these are deleted. This writes the tables "
        "anew; nobody can use them meanwhile:\n"
        f"  psql {shlex.quote(server_address(engine.url))} -c {shlex.quote(statement)}"
    )


def reason_of(error: Exception) -> str:
    """Return the reason that the database or the system gave, on one line."""
    told = str(getattr(error, "orig", None) or error).splitlines() or [type(error).__name__]
    return clean(told[0]).rstrip(".")


@contextmanager
def trouble(doing: Doing) -> Iterator[None]:
    """Turn what the database, its driver or the system raise into `StoreError`, in words."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, OSError, ImportError, UnicodeDecodeError) as error:
        logfile.log_error(f"the database could not be {doing}", error)
        reason = reason_of(error)
        if isinstance(error, ImportError) and error.name in _DRIVERS:
            reason = f"its driver {error.name} is not installed. Install it with: {_DRIVERS[error.name]}"
            raise StoreError(f"The database of cases cannot be {doing}: {reason}.") from error
        raise failure(doing, reason) from error


def _upgraded_at_last(engine: sa.Engine) -> int:
    """Call `_upgraded`, and wait for other programs that open the same SQLite file just now."""
    patience = time.monotonic() + OPENING_SECONDS
    while True:
        try:
            return _upgraded(engine)
        except OperationalError as error:
            locked = "locked" in str(error.orig) and engine.dialect.name == "sqlite"
            if not locked or time.monotonic() > patience:
                raise


def _upgraded(engine: sa.Engine) -> int:
    """Make or upgrade the tables in one transaction; return the schema afterwards."""
    with engine.connect() as connection:
        version = _version(connection)
    if version is not None and version >= SCHEMA:
        return version
    with engine.execution_options(writes=True).begin() as connection:
        if engine.dialect.name == "postgresql":
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


def _version(connection: sa.Connection) -> int | None:
    """Return the schema, or None if there are no tables at all; refuse foreign databases."""
    tables = sa.inspect(connection).get_table_names()
    row = None
    if _schema.name in tables:
        row = connection.execute(sa.select(sa.text("*")).select_from(_schema)).first()
    return schema_of(tables, row)


def _cases_know_their_knowledge(connection: sa.Connection) -> None:
    """Upgrade to schema 2: a case carries the version of the knowledge; the trolley is remembered."""
    connection.execute(sa.text("ALTER TABLE cases ADD COLUMN knowledge VARCHAR(40) NOT NULL DEFAULT ''"))
    OFF_TROLLEY.create(connection)


def _numbers_are_given_once(connection: sa.Connection) -> None:
    """Upgrade to schema 3: numbers are given once (as PostgreSQL always did); texts of any length."""
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


def _settings_have_their_own_place(connection: sa.Connection) -> None:
    """Upgrade to schema 4: settings such as the ranking are kept apart from preferred units."""
    SETTINGS.create(connection)
    connection.execute(
        sa.text(
            "INSERT INTO settings (name, value) SELECT kind, unit FROM preferences WHERE kind = 'ranking'"
        )
    )
    connection.execute(sa.text("DELETE FROM preferences WHERE kind = 'ranking'"))


def _erased_numbers_are_kept(connection: sa.Connection) -> None:
    """Upgrade to schema 5: erased numbers are kept, with whether the file was tidied since."""
    ERASED.create(connection)


def _more_kinds_of_entry(_: sa.Connection) -> None:
    """Upgrade to schema 6: kinds of entry that programs of schema 5 may not know; the tables stay."""


def _complaints_are_confirmed(_: sa.Connection) -> None:
    """Upgrade to schema 7: another kind of entry, for a complaint looked for at the car; the tables stay."""


_MIGRATIONS: tuple[Callable[[sa.Connection], None], ...] = (
    _cases_know_their_knowledge,
    _numbers_are_given_once,
    _settings_have_their_own_place,
    _erased_numbers_are_kept,
    _more_kinds_of_entry,
    _complaints_are_confirmed,
)


def _careful(url: str) -> Mapping[str, Any]:
    """Create an engine that notices lost connections and does not wait long for a locked SQLite file."""
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


def _text(stored: bytes) -> str | bytes:
    """Return a stored text; anything else stays bytes, so that only its row counts as damaged."""
    try:
        return stored.decode("utf-8")
    except UnicodeDecodeError:
        return stored


def _reading_sqlite(connection: Any, _: Any) -> None:
    """Set a SQLite connection up for reading: the file stays as it is."""
    connection.isolation_level = None
    connection.text_factory = _text
    cursor = connection.cursor()
    cursor.execute("PRAGMA query_only=ON")
    cursor.close()


def _careful_sqlite(connection: Any, _: Any) -> None:
    """Set a SQLite connection up: commits are on disk when acknowledged, readers do not wait for writers."""
    connection.isolation_level = None  # transactions begin below, not where the driver thinks fit
    connection.text_factory = _text
    cursor = connection.cursor()
    _write_ahead(cursor)
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA secure_delete=ON")
    cursor.close()


def _watch(engine: sa.Engine, file: Path) -> None:
    """Make sure that nothing is read from or written to another file than the one opened at first.

    Programs that have a file open go on using it after it is deleted, moved or replaced, and then it is lost.
    Where it is the log, the connections to it are closed, which saves what is in it, and new ones are made.
    """
    first = _identity(file)
    log = file.with_name(file.name + "-wal")

    def refused(gone: Path) -> StoreError:
        return StoreError(sentence("used", f"{gone} was deleted, moved or replaced while it was open here"))

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
    """Return which file on which disk has this name, or None."""
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
    """Set a PostgreSQL connection up: commits are on disk when acknowledged, nobody waits long for a lock."""
    cursor = connection.cursor()
    cursor.execute("SET synchronous_commit = on")
    cursor.execute(f"SET lock_timeout = {round(LOCKED_SECONDS * 1000)}")
    cursor.close()
    connection.commit()


def _reading_postgresql(connection: Any, _: Any) -> None:
    """Set a PostgreSQL connection up for reading."""
    with connection.cursor() as cursor:
        cursor.execute("SET default_transaction_read_only = on")
    connection.commit()


def _begin_sqlite(connection: sa.Connection) -> None:
    """Begin a transaction; a writer takes the lock at once, so that the file never changes under it.

    Statements about the whole file (`bare`) cannot be in a transaction.
    """
    options = connection.get_execution_options()
    if not options.get("bare"):
        connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get("writes") else "BEGIN")
