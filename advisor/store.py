"""Cases in a database, append-only: what was entered is never changed, taking back is an entry too."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from platformdirs import user_data_path
from sqlalchemy.exc import SQLAlchemyError

from advisor.case import Accounted, Case, Closed, Entry, Known, Measured, Seen, Skipped
from advisor.evidence import Measurement

SCHEMA = 1
"""Raised by one with every change of the tables below."""

_metadata = sa.MetaData()
_schema = sa.Table("schema_version", _metadata, sa.Column("version", sa.Integer, primary_key=True))
_cases = sa.Table(
    "cases",
    _metadata,
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("tag", sa.String(80), nullable=False),
    sa.Column("complaint", sa.String(200), nullable=False),
    sa.Column("opened", sa.String(40), nullable=False),
)
_preferences = sa.Table(
    "preferences",
    _metadata,
    sa.Column("kind", sa.String(40), primary_key=True),
    sa.Column("unit", sa.String(20), nullable=False),
)
_entries = sa.Table(
    "entries",
    _metadata,
    sa.Column("case_id", sa.ForeignKey("cases.id"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("at", sa.String(40), nullable=False),
    sa.Column("kind", sa.String(20), nullable=False),
    sa.Column("about", sa.String(200), nullable=False),
    sa.Column("said", sa.Text, nullable=False),
)

_KINDS: dict[str, type[Entry]] = {
    "known": Known,
    "seen": Seen,
    "measured": Measured,
    "accounted": Accounted,
    "skipped": Skipped,
    "closed": Closed,
}
_TAKEN_BACK = "taken back"


class StoreTrouble(Exception):
    """The database cannot be reached or written; the sentence says which and why."""


@dataclass(frozen=True)
class Filed:
    """A case as it lies in the database. `entries` counts every row, those taken back included."""

    number: int
    tag: str
    opened: str
    case: Case
    entries: int


def default_url() -> str:
    """A SQLite file in the user's own data folder."""
    return f"sqlite:///{user_data_path('advisor', ensure_exists=True) / 'cases.sqlite'}"


class Store:
    """The cases of a workshop in any database that SQLAlchemy knows; SQLite files are made when missing."""

    def __init__(self, url: str, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._clock = clock
        with _trouble("opened"):
            self._engine = sa.create_engine(url)
            if self._engine.dialect.name == "sqlite":
                file = self._engine.url.database
                if file and file != ":memory:":
                    Path(file).touch(mode=0o600)
                sa.event.listen(self._engine, "connect", _careful_sqlite)
            version = None
            if sa.inspect(self._engine).has_table(_schema.name):
                with self._engine.connect() as connection:
                    version = connection.scalar(sa.select(_schema.c.version))
            if version is None:
                _metadata.create_all(self._engine)
                with self._engine.begin() as connection:
                    connection.execute(_schema.insert().values(version=SCHEMA))
        if version is not None and version > SCHEMA:
            self._engine.dispose()
            raise StoreTrouble(
                f"The database was written by a newer program (schema {version}, this one knows {SCHEMA}). "
                "Nothing was changed. Update this program."
            )

    def open_case(self, tag: str, complaint: str) -> Filed:
        """Start a case for a vehicle, known by a tag of the workshop's own."""
        with _trouble("written"), self._engine.begin() as connection:
            row = {
                "tag": tag[:80],
                "complaint": complaint,
                "opened": self._clock().isoformat(timespec="seconds"),
            }
            key = connection.execute(_cases.insert().values(row)).inserted_primary_key
            number = int(key[0]) if key else 0
        return Filed(number, row["tag"], row["opened"], Case(complaint), 0)

    def append(self, filed: Filed, entry: Entry) -> Filed:
        """Save one entry; it is on disk when this returns."""
        kind = next(kind for kind, made in _KINDS.items() if made is type(entry))
        about, said = vars(entry).values()
        if isinstance(entry, Measured):
            said = json.dumps([vars(one) for one in entry.take], ensure_ascii=False)
        elif isinstance(entry, Accounted):
            said = json.dumps(vars(entry.measurement), ensure_ascii=False)
        return self._append(filed, kind, about, said, filed.case.with_entry(entry))

    def take_back(self, filed: Filed) -> Filed:
        """Take back the last entry that counts; the record of it stays."""
        return self._append(filed, _TAKEN_BACK, "", "", filed.case.undone())

    def _append(self, filed: Filed, kind: str, about: str, said: str, case: Case) -> Filed:
        number = filed.entries + 1
        row: dict[str, Any] = {
            "case_id": filed.number,
            "number": number,
            "kind": kind,
            "about": about,
            "said": said,
            "at": self._clock().isoformat(timespec="seconds"),
        }
        with _trouble("written"), self._engine.begin() as connection:
            connection.execute(_entries.insert().values(row))
        return Filed(filed.number, filed.tag, filed.opened, case, number)

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

    def preferences(self) -> dict[str, str]:
        """The units that people here prefer, by kind of quantity."""
        with _trouble("read"), self._engine.connect() as connection:
            return {row.kind: row.unit for row in connection.execute(sa.select(_preferences))}

    def prefer(self, kind: str, unit: str) -> None:
        """Remember a preferred unit."""
        with _trouble("written"), self._engine.begin() as connection:
            connection.execute(_preferences.delete().where(_preferences.c.kind == kind))
            connection.execute(_preferences.insert().values(kind=kind, unit=unit))

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()


def _entry(row: Any) -> Entry:
    """The entry that a row holds."""
    if row.kind == "measured":
        return Measured(row.about, tuple(Measurement(**one) for one in json.loads(row.said)))
    if row.kind == "accounted":
        return Accounted(row.about, Measurement(**json.loads(row.said)))
    made: Callable[[str, str], Entry] = _KINDS[row.kind]
    return made(row.about, row.said)


def _filed(head: Any, rows: list[Any]) -> Filed:
    case = Case(head.complaint)
    for row in rows:
        case = case.undone() if row.kind == _TAKEN_BACK else case.with_entry(_entry(row))
    return Filed(head.id, head.tag, head.opened, case, len(rows))


@contextmanager
def _trouble(what: str) -> Iterator[None]:
    try:
        yield
    except (SQLAlchemyError, OSError, ImportError) as error:
        reason = str(getattr(error, "orig", None) or error).splitlines()[0]
        raise StoreTrouble(f"The database of cases cannot be {what}: {reason}.") from error


def _careful_sqlite(connection: Any, _: Any) -> None:
    """Every commit is on disk before it is acknowledged; readers do not wait for writers."""
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()
