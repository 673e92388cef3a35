"""Which databases are opened: none that keeps nothing, none of another program, and no reader changes any."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from advisor.case.entries import Seen
from advisor.store.database import SCHEMA
from advisor.store.errors import StoreError
from advisor.store.store import Store
from tests.conftest import SHIPPED, Ran
from tests.databases import KINDS, Database, fresh, put_old

Runs = Callable[..., Ran]
EXAMPLE = SHIPPED / "example"
READERS = (
    ("report", "1"),
    ("track", "--knowledge", str(EXAMPLE)),
    ("learn", "--no-replay", "--knowledge", str(EXAMPLE)),
    ("case", "export", "1"),
    ("case", "scenario", "1"),
    ("case", "erase", "--yes", "77"),
)
"""Commands that have nothing to change: the last one names a job that is not there."""


@pytest.fixture(params=KINDS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """An empty database of each kind."""
    with fresh(request.param, tmp_path) as made:
        yield made


def lying(folder: Path) -> dict[str, bytes | None]:
    """Every name in a folder with what the file says, None for what is no file."""
    return {one.name: one.read_bytes() if one.is_file() else None for one in folder.iterdir()}


@pytest.mark.parametrize(
    "url",
    [
        "sqlite://",
        "sqlite:///",
        "sqlite:///:memory:",
        "sqlite+pysqlite:///:memory:",
        "sqlite:///file::memory:?uri=true",
        "sqlite:///file:cases?mode=memory&uri=true",
        "sqlite:///file:cases?mode=memory&cache=shared&uri=true",
        "sqlite:///cases.sqlite?mode=memory",
        "sqlite:///file:cases.sqlite?uri=true",
        "sqlite:///FILE:cases.sqlite",
        "sqlite:///cases.sqlite?vfs=memdb",
        "sqlite:///file:cases?vfs=memdb&uri=true",
        "sqlite:///%00",
        "sqlite:///\0",
        "sqlite+aiosqlite:///cases.sqlite",
    ],
)
@pytest.mark.parametrize("reading", [False, True], ids=["bench", "reader"])
def test_a_database_that_would_keep_nothing_is_refused(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, url: str, reading: bool
) -> None:
    """Memory in every spelling, and names that no file can have: a sentence, and no file is made."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(StoreError, match=r"Nothing was changed\. Name a file, such as sqlite:///") as told:
        Store(url, reading=reading)
    assert str(told.value).startswith("The database of cases cannot be opened: ")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="other systems have no such files")
@pytest.mark.parametrize("reading", [False, True], ids=["bench", "reader"])
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, reading: bool) -> None:
    """A pipe that nobody writes to, a device, a folder: a sentence, and nothing waits."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for name, why in ((pipe, "is a pipe"), (Path("/dev/zero"), "is a pipe"), (tmp_path, "is a directory")):
        with pytest.raises(StoreError, match=rf"{name} {why}.*\. Nothing was changed\. Name a file with"):
            Store(f"sqlite:///{name}", reading=reading)


def other_program(file: Path, *tables: str, journal: str = "DELETE") -> None:
    """A database that another program has made."""
    with closing(sqlite3.connect(file)) as made:
        made.execute(f"PRAGMA journal_mode={journal}")
        for table in tables:
            made.execute(table)
        made.commit()


@pytest.mark.parametrize("journal", ["DELETE", "WAL"])
@pytest.mark.parametrize(
    "tables",
    [
        ["CREATE TABLE bookmarks (address TEXT)"],
        ["CREATE TABLE schema_version (version INTEGER)", "INSERT INTO schema_version VALUES (2)"],
        ["CREATE TABLE schema_version (installed TEXT, at TEXT)", "CREATE TABLE cases (id INTEGER)"],
        ["CREATE TABLE schema_version (version TEXT)", "INSERT INTO schema_version VALUES ('3.1')"],
        ["CREATE TABLE cases (id INTEGER)", "CREATE TABLE entries (id INTEGER)"],
    ],
)
def test_a_database_of_another_program_is_refused_untouched(
    tmp_path: Path, advisor: Runs, tables: list[str], journal: str
) -> None:
    """Not a byte of it changes and nothing is left beside it, whoever asks."""
    file = tmp_path / "other.sqlite"
    other_program(file, *tables, journal=journal)
    before = lying(tmp_path)
    with pytest.raises(StoreError, match=r"holds the tables of another program\. Nothing was changed\. "):
        Store(f"sqlite:///{file}")
    assert lying(tmp_path) == before
    for words in READERS:
        ran = advisor(*words, "--store", f"sqlite:///{file}")
        assert (ran.code, ran.out) == (3, ""), words
        assert "holds the tables of another program" in ran.err
    assert lying(tmp_path) == before


def test_a_database_in_use_by_another_program_is_refused_untouched(tmp_path: Path) -> None:
    """Its tables stand in its log alone, and stay there."""
    file = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(file)) as other:
        other.execute("PRAGMA journal_mode=WAL")
        other.execute("CREATE TABLE bookmarks (address TEXT)")
        before = file.read_bytes(), (tmp_path / "other.sqlite-wal").read_bytes()
        with pytest.raises(StoreError, match=r"holds the tables of another program"):
            Store(f"sqlite:///{file}")
        assert (file.read_bytes(), (tmp_path / "other.sqlite-wal").read_bytes()) == before


def test_another_programs_schema_on_a_server_is_refused_untouched(database: Database) -> None:
    """No table of ours is put beside those of others."""
    database.run("CREATE TABLE bookmarks (address TEXT)")
    for reading in (False, True):
        with pytest.raises(StoreError, match=r"holds the tables of another program"):
            Store(database.url, reading=reading)
    assert database.tables == {"bookmarks"}


@pytest.mark.parametrize("journal", ["DELETE", "WAL"])
def test_a_newer_programs_file_keeps_every_byte(tmp_path: Path, advisor: Runs, journal: str) -> None:
    """Refused with its number; how it writes its journal is its own business too."""
    file = tmp_path / "newer.sqlite"
    other_program(
        file,
        "CREATE TABLE schema_version (version INTEGER PRIMARY KEY)",
        f"INSERT INTO schema_version VALUES ({SCHEMA + 1})",
        journal=journal,
    )
    before = lying(tmp_path)
    with pytest.raises(StoreError, match=rf"\(schema {SCHEMA + 1}, this one knows {SCHEMA}\)"):
        Store(f"sqlite:///{file}")
    assert advisor("report", 1, "--store", f"sqlite:///{file}").code == 3
    assert lying(tmp_path) == before


@pytest.mark.parametrize("words", READERS, ids=" ".join)
def test_a_reader_makes_no_file_on_a_typo(
    advisor: Runs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """Neither where --store says nor in the user's own folder, and an empty file stays empty."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    (tmp_path / "empty.sqlite").touch()
    for store in ([], ["--store", f"sqlite:///{tmp_path / 'typo.sqlite'}"]):
        ran = advisor(*words, *store)
        assert (ran.code, ran.out) == (3, "")
        assert "there is no file" in ran.err
        assert "none was made. Nothing was changed. Look at the name after --store" in ran.err
    ran = advisor(*words, "--store", f"sqlite:///{tmp_path / 'empty.sqlite'}")
    assert (ran.code, ran.out) == (3, "")
    assert "it is empty" in ran.err
    assert lying(tmp_path) == {"empty.sqlite": b""}


@pytest.mark.parametrize("schema", range(1, SCHEMA))
def test_a_reader_of_an_older_programs_database_changes_nothing(
    database: Database, advisor: Runs, schema: int
) -> None:
    """The card is written from it as it is: no table is made, no schema is raised, no journal changed."""
    put_old(database, schema)
    tables = database.tables
    journal = database.rows("PRAGMA journal_mode") if database.kind == "sqlite" else None
    assert advisor("report", 1, "--store", database.url).code == 0
    assert advisor("case", "export", 1, "--store", database.url).code == 0
    assert database.tables == tables
    assert database.rows("SELECT version FROM schema_version") == [(schema,)]
    assert journal == (database.rows("PRAGMA journal_mode") if database.kind == "sqlite" else None)


def test_a_reader_sees_what_the_bench_has_just_entered(database: Database, tmp_path: Path) -> None:
    """While the bench has the database open, and afterwards; the reader cannot write."""
    with database.opened() as bench:
        filed = bench.append(bench.open_case("bay", "flat_battery"), Seen("bus_active", "busy"))
        reader = Store(database.url, reading=True)
        try:
            assert reader.cases() == [filed]
            filed = bench.append(filed, Seen("key_near", "far"))
            assert reader.cases() == [filed]
        finally:
            reader.close()
    reader = Store(database.url, reading=True)
    try:
        assert reader.cases() == [filed]
        with pytest.raises(StoreError, match=r"cannot be written"):
            reader.open_case("bay", "flat_battery")
    finally:
        reader.close()
