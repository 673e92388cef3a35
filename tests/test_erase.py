"""Erasing that is cut off, rights that are too wide, and papers that are there whole or not at all."""

from __future__ import annotations

import os
import signal
import stat
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from advisor.case.entries import Skipped
from advisor.cli.output import write_private
from advisor.diskcache import UNFINISHED_SECONDS, Cache
from advisor.store.store import Store
from tests.conftest import Ran
from tests.databases import Database, fresh, kills_itself

Runs = Callable[..., Ran]
SECRET = "Hidden-Words"
pytestmark = pytest.mark.skipif(os.name != "posix", reason="other systems have no such rights and signals")


@pytest.fixture
def sqlite(tmp_path: Path) -> Database:
    """An empty SQLite database."""
    return Database(f"sqlite:///{tmp_path / 'cases.sqlite'}")


@pytest.fixture
def postgresql(tmp_path: Path) -> Iterator[Database]:
    """An empty PostgreSQL database."""
    with fresh("postgresql", tmp_path) as made:
        yield made


def traces(folder: Path) -> int:
    """How often the words stand in any file."""
    return sum(file.read_bytes().count(SECRET.encode()) for file in folder.glob("cases.sqlite*"))


def killed_before(url: str, last: str) -> None:
    """Erase job 1, and be killed before a statement."""

    def kill(_: object, __: object, statement: str, *___: object) -> None:
        if statement.startswith(last):
            os.kill(os.getpid(), signal.SIGKILL)

    sa.event.listen(sa.Engine, "before_cursor_execute", kill)
    Store(url).erase(1)


@pytest.mark.parametrize("last", ["VACUUM", "PRAGMA wal_checkpoint", "UPDATE erased"])
@pytest.mark.parametrize(
    "words",
    [("track",), ("report", "2"), ("case", "export", "2"), ("case", "erase", "1", "--yes")],
    ids=" ".join,
)
def test_erasing_that_was_cut_off_is_finished_by_the_next_command(
    sqlite: Database, advisor: Runs, tmp_path: Path, last: str, words: tuple[str, ...]
) -> None:
    """Killed after the job was gone and before the file was written anew: no word of it is left then."""
    with sqlite.opened() as store:
        filed = store.open_case(f"{SECRET} tag", "flat_battery")
        store.append(filed, *(Skipped("key_near", SECRET + "x" * 300) for _ in range(20)))
        store.open_case("bay", "flat_battery")
        at = store.now()[:13]
    kills_itself(killed_before, sqlite.url, last)
    ran = advisor(*words, "--store", sqlite.url)
    assert ran.code == 0
    assert "may still be" not in ran.err
    assert traces(tmp_path) == 0
    again = advisor("case", "erase", "1", "--yes", "--store", sqlite.url)
    assert again.code == 0
    assert again.out.startswith(f"Job 1 is erased: it was erased at {at}")
    told = advisor("report", "1", "--store", sqlite.url)
    assert told.code == 1
    assert told.err.startswith(f"Job 1 was erased at {at}")


def test_what_a_server_keeps_is_said_with_the_command_that_clears_it(
    postgresql: Database, advisor: Runs
) -> None:
    """The text is still in the table's file after erasing; after the statement that is named it is not."""
    with postgresql.opened() as store:
        filed = store.append(store.open_case("bay", "flat_battery"), Skipped("key_near", SECRET))
        store.open_case("another", "flat_battery")

    def kept() -> bool:
        # What lies in memory is written to the file first; pg_read_binary_file then reads it as it is.
        postgresql.run("CHECKPOINT")
        ((found,),) = postgresql.rows(
            f"SELECT position('{SECRET}'::bytea in pg_read_binary_file(pg_relation_filepath('entries')))"
        )
        return bool(found)

    ran = advisor("case", "erase", filed.number, "--yes", "--store", postgresql.url)
    assert (ran.code, ran.err) == (0, "")
    assert kept()
    assert "write-ahead log, its archive and backups" in ran.out
    command = ran.out.splitlines()[-1]
    assert command.startswith("  psql postgresql://advisor@127.0.0.1:")
    engine = sa.create_engine(postgresql.url, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)
    try:
        with engine.connect() as connection:
            connection.exec_driver_sql(command.partition(" -c '")[2].rstrip("'"))
    finally:
        engine.dispose()
    assert not kept()


def test_a_database_that_others_can_read_is_narrowed_and_that_is_told_once(
    sqlite: Database, advisor: Runs, tmp_path: Path
) -> None:
    """By whatever command comes first; the second says nothing more of it."""
    file = tmp_path / "cases.sqlite"
    with sqlite.opened() as store:
        store.open_case("bay", "flat_battery")
        assert store.told == []
    file.chmod(0o664)
    ran = advisor("case", "export", "1", "--store", sqlite.url)
    assert (ran.code, ran.err) == (0, f"Others could read or write {file}; now only its owner can.\n")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert advisor("case", "export", "1", "--store", sqlite.url).err == ""
    file.chmod(0o644)
    with sqlite.opened() as store:
        assert store.told == [f"Others could read or write {file}; now only its owner can."]


def test_a_paper_is_put_in_place_whole_and_for_its_owner_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What others could read is narrowed; what breaks off leaves the old one and nothing beside it."""
    paper = tmp_path / "card.md"
    paper.write_text("old", encoding="utf-8")
    paper.chmod(0o644)
    (tmp_path / ".card.md.part").write_text("left by a killed run", encoding="utf-8")
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError("disk full")))
        with pytest.raises(OSError, match="disk full"):
            write_private(paper, "new")
    assert paper.read_text(encoding="utf-8") == "old"
    write_private(paper, "new")
    assert capsys.readouterr().err == f"Others could read or write {paper}; now only its owner can.\n"
    assert paper.read_text(encoding="utf-8") == "new"
    assert stat.S_IMODE(paper.stat().st_mode) == 0o600
    assert [one.name for one in tmp_path.iterdir()] == ["card.md"]
    write_private(paper, "newer")
    assert capsys.readouterr().err == ""


def test_half_written_cache_files_are_deleted_and_nothing_else(tmp_path: Path) -> None:
    """Those of killed writers; a writer at work, and files that are no cache's, keep theirs."""
    cache = Cache(tmp_path / "advisor", "this program")
    cache.keep(b"whole", "engine")
    old = time.time() - UNFINISHED_SECONDS - 60
    for name, at in (("killed.part", old), ("at_work.part", time.time()), ("note.txt", old)):
        (cache.folder / name).write_bytes(b"x")
        os.utime(cache.folder / name, (at, at))
    cache.tidy()
    assert {one.name for one in cache.folder.iterdir()} == {
        "at_work.part",
        "note.txt",
        cache.file("engine").name,
    }
    link = Cache(tmp_path / "link", "this program")
    link.folder.symlink_to(cache.folder)
    os.utime(cache.folder / "at_work.part", (old, old))
    link.tidy()
    assert (cache.folder / "at_work.part").exists()
