"""Backing up and restoring: whole or not at all, while others write; PostgreSQL by its own commands."""

from __future__ import annotations

import os
import re
import shlex
import signal
import sqlite3
import stat
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from advisor.case.entries import SaidByCustomer, Seen
from advisor.store import backup
from advisor.store.errors import StaleWrite
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests import postgresql
from tests.conftest import ROOT, Ran
from tests.databases import Database, forked, kills_itself, put_old

Runs = Callable[..., Ran]
README = (ROOT / "README.md").read_text(encoding="utf-8")
WORDS = SaidByCustomer("phone", "dead every morning")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Where the database is."""
    return tmp_path / "cases.sqlite"


@pytest.fixture
def there(file: Path) -> Database:
    """A database with three jobs."""
    database = Database(f"sqlite:///{file}")
    with database.opened() as store:
        for number in range(3):
            store.append(store.draft(f"bay {number}", "flat_battery"), Seen("key_near", "far"), WORDS)
    return database


def cases(url: str) -> list[StoredCase]:
    """Every job of a database."""
    with closing(Store(url, reading=True)) as store:
        jobs = store.jobs()
    assert jobs.damaged == []
    return jobs.filed


def test_a_backup_is_one_file_for_its_owner_and_brings_everything_back(
    there: Database, advisor: Runs, tmp_path: Path
) -> None:
    """Into a database that is not there yet, also from a folder that may not be written."""
    saved = tmp_path / "usb" / "jobs.sqlite"
    saved.parent.mkdir()
    before = cases(there.url)
    ran = advisor("backup", saved, "--store", there.url)
    assert (ran.code, ran.out, ran.err) == (0, f"Backed up 3 jobs to {saved}.\n", "")
    assert [one.name for one in saved.parent.iterdir()] == [saved.name]
    assert stat.S_IMODE(saved.stat().st_mode) == 0o600
    new = f"sqlite:///{tmp_path / 'new.sqlite'}"
    ran = advisor("restore", saved, "--store", new)
    assert (ran.code, ran.out, ran.err) == (0, f"Restored 3 jobs from {saved}.\n", "")
    assert cases(new) == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["cases.sqlite", "new.sqlite", "usb"]


def test_what_is_there_is_replaced_only_where_that_is_said_and_is_kept(
    there: Database, advisor: Runs, tmp_path: Path, file: Path
) -> None:
    """For both commands; what was entered since the backup is in the file that is named."""
    saved = tmp_path / "jobs.sqlite"
    before = cases(there.url)
    assert advisor("backup", saved, "--store", there.url).code == 0
    was = saved.read_bytes()
    with there.opened() as store:
        store.append(store.draft("later", "flat_battery"), WORDS)
    later = cases(there.url)
    ran = advisor("backup", saved, "--store", there.url)
    assert ran.code == 3
    assert ran.err.startswith(f"There is a file {saved} already. Nothing was changed.")
    ran = advisor("restore", saved, "--store", there.url)
    assert ran.code == 3
    assert ran.err.startswith(f"{file} holds 4 jobs already. Nothing was changed. Add --replace")
    assert cases(there.url) == later
    ran = advisor("restore", saved, "--store", there.url, "--replace")
    assert ran.code == 0
    assert cases(there.url) == before
    assert saved.read_bytes() == was
    (kept,) = tmp_path.glob("cases.before-*.sqlite")
    assert f"What was there is kept as {kept};" in ran.out
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert cases(f"sqlite:///{kept}") == later
    assert advisor("backup", saved, "--store", f"sqlite:///{kept}", "--replace").code == 0
    assert cases(f"sqlite:///{saved}") == later


def test_erased_jobs_stay_erased_and_no_number_is_given_twice(
    there: Database, advisor: Runs, tmp_path: Path
) -> None:
    """A restored backup is older than an erasing and than a job that was opened since."""
    saved = tmp_path / "jobs.sqlite"
    assert advisor("backup", saved, "--store", there.url).code == 0
    with there.opened() as store:
        store.erase(2)
        store.append(store.draft("later", "flat_battery"), WORDS)
    ran = advisor("restore", saved, "--store", there.url, "--replace")
    assert "Erased since that backup, and not brought back: 2.\n" in ran.out
    assert [one.number for one in cases(there.url)] == [3, 1]
    with there.opened() as store:
        assert store.erased(2) is not None
        assert store.append(store.draft("next", "flat_battery"), WORDS).number == 5


def test_a_bench_that_had_a_job_open_hears_that_an_older_copy_is_there(
    there: Database, advisor: Runs, tmp_path: Path
) -> None:
    """It neither overwrites what came back nor writes into the file that is kept."""
    saved = tmp_path / "jobs.sqlite"
    assert advisor("backup", saved, "--store", there.url).code == 0
    with there.opened() as bench:
        job = bench.case(1)
        assert job is not None
        job = bench.append(job, Seen("bus_active", "busy"))
        assert advisor("restore", saved, "--store", there.url, "--replace").code == 0
        with pytest.raises(StaleWrite, match="somebody has put an older copy in its place"):
            bench.append(job, Seen("key_near", "near"))
        now = bench.case(1)
        assert now is not None
        assert bench.append(now, Seen("key_near", "near")).entries == 3


def test_nothing_that_was_deleted_is_in_a_backup(there: Database, file: Path, tmp_path: Path) -> None:
    """Text of a job whose erasing could not clear the file yet."""
    with closing(sqlite3.connect(file)) as other:
        other.execute("PRAGMA secure_delete=OFF")
        other.execute("UPDATE entries SET said = 'Hidden-Words' || hex(zeroblob(9000)) WHERE case_id = 2")
        other.commit()
        other.execute("DELETE FROM entries WHERE case_id = 2")
        other.execute("DELETE FROM cases WHERE id = 2")
        other.commit()
    assert b"Hidden-Words" in file.read_bytes()
    assert backup.back_up(there.url, tmp_path / "jobs.sqlite").jobs == 2
    assert b"Hidden-Words" not in (tmp_path / "jobs.sqlite").read_bytes()


def test_what_is_no_file_is_neither_replaced_nor_read(there: Database, advisor: Runs, tmp_path: Path) -> None:
    """A pipe stays a pipe, and nobody waits for what comes out of it; the database is no backup of itself."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for command in ("backup", "restore"):
        ran = advisor(command, pipe, "--store", there.url, "--replace")
        assert ran.code == 3
        assert ran.err == f"{pipe} is a pipe or a device. Nothing was changed. Name a file.\n"
        assert pipe.is_fifo()
        ran = advisor(command, tmp_path / "cases.sqlite", "--store", there.url, "--replace")
        assert (ran.code, ran.out) == (3, "")
        assert "is the database itself. Nothing was changed." in ran.err
        ran = advisor(command, tmp_path, "--store", there.url, "--replace")
        assert (ran.code, ran.out) == (3, "")
        assert f"{tmp_path} is a folder." in ran.err
        ran = advisor(command, tmp_path / "jobs.sqlite", "--store", "nonsense")
        assert (ran.code, ran.out) == (3, "")
    assert len(cases(there.url)) == 3


def writing(url: str, jobs: int) -> None:
    """Write jobs of two entries each."""
    with closing(Store(url)) as store:
        for number in range(jobs):
            store.append(store.draft(f"busy {number}", "flat_battery"), Seen("key_near", "far"), WORDS)


def test_a_backup_while_others_write_holds_whole_jobs(there: Database, tmp_path: Path) -> None:
    """Each job has both of its entries, and none but the newest is missing."""
    saved = tmp_path / "jobs.sqlite"
    writer = forked().Process(target=writing, args=(there.url, 60))
    writer.start()
    seen = []
    try:
        while writer.is_alive():
            backup.back_up(there.url, saved, replace=True)
            found = cases(f"sqlite:///{saved}")
            assert {one.entries for one in found} == {2}
            assert [one.number for one in found] == [*range(len(found), 0, -1)]
            seen.append(len(found))
        writer.join()
        assert writer.exitcode == 0
    finally:
        writer.kill()
        writer.join()
    assert seen == sorted(seen)
    assert len(cases(there.url)) == 63


def killed(url: str, saved: Path, does: str, moment: str) -> None:
    """Back up or restore, and be killed when SQLite is told or a file is put in place."""

    class Killing(sqlite3.Connection):
        def execute(self, sql: str, *more: object) -> sqlite3.Cursor:
            if sql.startswith(moment):
                os.kill(os.getpid(), signal.SIGKILL)
            return super().execute(sql, *more)  # type: ignore[arg-type]

    def replace(*_: object) -> Path:
        os.kill(os.getpid(), signal.SIGKILL)
        raise AssertionError

    connect = sqlite3.connect
    monkey = pytest.MonkeyPatch()
    monkey.setattr(sqlite3, "connect", lambda *a, **k: connect(*a, **{**k, "factory": Killing}))
    if moment == "replace":
        monkey.setattr(Path, "replace", replace)
    if does == "backup":
        backup.back_up(url, saved, replace=True)
    else:
        backup.restore(url, saved, datetime.now(UTC), replace=True)


@pytest.mark.parametrize("moment", ["PRAGMA journal_mode=DELETE", "PRAGMA integrity_check", "replace"])
def test_a_backup_that_is_killed_leaves_the_one_before(there: Database, tmp_path: Path, moment: str) -> None:
    """The next one puts it in place, and clears away what was left."""
    saved = tmp_path / "jobs.sqlite"
    backup.back_up(there.url, saved)
    was = saved.read_bytes()
    with there.opened() as store:
        store.append(store.draft("later", "flat_battery"), WORDS)
    kills_itself(killed, there.url, saved, "backup", moment)
    assert saved.read_bytes() == was
    assert backup.back_up(there.url, saved, replace=True).jobs == 4
    assert [one.name for one in tmp_path.glob(".*")] == []


RESTORING = (
    "PRAGMA journal_mode=DELETE",
    "BEGIN",
    "CREATE TEMP",
    "DELETE FROM main.entries",
    "INSERT INTO main.entries",
    "DELETE FROM main.sqlite_sequence",
    "COMMIT",
    "replace",
)


@pytest.mark.parametrize("moment", RESTORING)
def test_a_restoring_that_is_killed_has_changed_nothing(there: Database, tmp_path: Path, moment: str) -> None:
    """At any moment before its end everything is as it was, and the same command does it then."""
    saved = tmp_path / "jobs.sqlite"
    backup.back_up(there.url, saved)
    before = cases(there.url)
    with there.opened() as store:
        store.append(store.draft("later", "flat_battery"), WORDS)
    later = cases(there.url)
    kills_itself(killed, there.url, saved, "restore", moment)
    assert cases(there.url) == later
    writing(there.url, 1)
    kept = backup.restore(there.url, saved, Store(there.url).clock(), replace=True).kept
    assert cases(there.url) == before
    assert len(cases(f"sqlite:///{kept}")) == 5
    assert [one.name for one in tmp_path.glob(".*")] == []


def test_a_database_that_cannot_be_read_is_kept_and_replaced(
    there: Database, advisor: Runs, file: Path, tmp_path: Path
) -> None:
    """What restoring is for: the file is damaged. It is said that erased jobs may be back."""
    saved = tmp_path / "jobs.sqlite"
    backup.back_up(there.url, saved)
    before = cases(there.url)
    with file.open("r+b") as data:
        data.write(b"no longer one of these")
    broken = file.read_bytes()
    ran = advisor("restore", saved, "--store", there.url)
    assert ran.code == 3
    assert ran.err.startswith(f"{file} cannot be read. Nothing was changed. Add --replace")
    assert file.read_bytes() == broken
    kills_itself(killed, there.url, saved, "restore", "replace")
    assert file.read_bytes() == broken
    ran = advisor("restore", saved, "--store", there.url, "--replace")
    assert ran.code == 0
    (kept,) = tmp_path.glob("cases.before-*.sqlite")
    assert kept.read_bytes() == broken
    assert "Which jobs were erased since could not be read: erase them again" in ran.out
    assert cases(there.url) == before


def test_a_backup_is_looked_through_before_anything_is_changed(
    there: Database, advisor: Runs, file: Path, tmp_path: Path
) -> None:
    """Not there, another program's, empty, cut off, newer: said in a sentence, and the jobs stay."""
    other, cut, empty, newer = (tmp_path / f"{name}.sqlite" for name in ("other", "cut", "empty", "newer"))
    with closing(sqlite3.connect(other)) as made:
        made.execute("CREATE TABLE songs (name)")
    backup.back_up(there.url, cut)
    with cut.open("r+b") as data:
        data.truncate(cut.stat().st_size // 2)
    empty.touch()
    backup.back_up(there.url, newer)
    Database(f"sqlite:///{newer}").run("UPDATE schema_version SET version = 999")
    before = file.read_bytes()
    for source, told in {
        tmp_path / "none.sqlite": "There is no file",
        tmp_path: f"{tmp_path} is a folder.",
        other: f"{other} is no backup of ours",
        empty: f"{empty} is no backup of ours",
        cut: "malformed",
        newer: "The database was written by a newer program (schema 999",
        file: "is the database itself.",
        ROOT / "README.md": "is no backup of ours: file is not a database.",
    }.items():
        ran = advisor("restore", source, "--store", there.url, "--replace")
        assert ran.code == 3
        assert told in ran.err
        assert "Nothing was changed." in ran.err
    assert file.read_bytes() == before
    assert list(tmp_path.glob("*.before-*")) == []


def test_a_damaged_job_is_told_and_restored_only_where_that_is_said(
    there: Database, advisor: Runs, tmp_path: Path
) -> None:
    """Backing up tells it and goes on; restoring asks for a word."""
    saved, new = tmp_path / "jobs.sqlite", f"sqlite:///{tmp_path / 'new.sqlite'}"
    there.run("UPDATE entries SET kind = 'nonsense' WHERE case_id = 2 AND number = 2")
    ran = advisor("backup", saved, "--store", there.url)
    assert (ran.code, ran.out) == (1, f"Backed up 2 jobs to {saved}.\n")
    assert ran.err.startswith("Step 2 of job 2 is damaged in the database")
    ran = advisor("restore", saved, "--store", new)
    assert ran.code == 3
    assert "1 job of the backup cannot be read, 2 can. Nothing was changed." in ran.err
    assert not (tmp_path / "new.sqlite").exists()
    ran = advisor("restore", saved, "--store", new, "--with-damaged")
    assert (ran.code, ran.out) == (0, f"Restored 2 jobs from {saved}.\n")
    with closing(Store(new)) as store:
        assert len(store.jobs().damaged) == 1


@pytest.mark.parametrize("old", [1, 3, 5])
def test_the_backup_of_an_older_program_is_brought_up_to_date(
    there: Database, tmp_path: Path, old: int
) -> None:
    """The file itself stays as it is."""
    saved = tmp_path / "jobs.sqlite"
    put_old(Database(f"sqlite:///{saved}"), old)
    was = saved.read_bytes()
    told = cases(f"sqlite:///{saved}")
    backup.restore(there.url, saved, Store(there.url).clock(), replace=True)
    assert cases(there.url) == told
    assert saved.read_bytes() == was


@pytest.fixture
def server() -> Iterator[postgresql.Server]:
    """A server of its own, with PostgreSQL's programs beside it."""
    if postgresql.installed() is None:
        pytest.skip("needs PostgreSQL's programs")
    with postgresql.started() as server:
        yield server


def shell(command: str) -> str:
    """Run a command with PostgreSQL's programs on the path, and return what it prints."""
    programs = postgresql.installed()
    path = f"{programs}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        shlex.split(command), env={**os.environ, "PATH": path}, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_commands_named_for_postgresql_bring_everything_back(
    server: postgresql.Server, advisor: Runs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made as the README says; restored over what was entered since, and into an empty database."""
    monkeypatch.chdir(tmp_path)
    (create,) = re.findall("`(createdb .*?)`", README)
    create = create.replace("-h host -U user", f"-h 127.0.0.1 -p {server.port} -U advisor")
    (url,) = re.findall("`--store (postgresql.*?)`", README)
    url = url.replace("user@host", f"advisor@127.0.0.1:{server.port}")
    assert url == server.url.replace("/postgres", "/cases")
    shell(create)
    writing(url, 3)
    before = cases(url)
    ran = advisor("backup", tmp_path / "jobs.sqlite", "--store", url)
    assert ran.code == 2
    assert ran.err.startswith("These jobs are on a PostgreSQL server. Nothing was changed.")
    assert not (tmp_path / "jobs.sqlite").exists()
    save, bring_back = (line for line in ran.err.splitlines() if line.startswith("  pg_"))
    assert advisor("restore", tmp_path / "jobs.sqlite", "--store", url).err == ran.err
    shell(save)
    writing(url, 2)
    shell(bring_back)
    assert cases(url) == before
    with closing(Store(url)) as store:
        assert store.append(store.draft("next", "flat_battery"), WORDS).number == 4
    shell(create.replace(" cases", " other"))
    shell(bring_back.replace("/cases ", "/other "))
    assert cases(url.replace("/cases", "/other")) == before
