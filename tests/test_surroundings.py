"""What is around the program fails: it says what happened, what was kept and what to do, and loses nothing.

Tried through the commands, as processes of their own where the system has to refuse something, and on the
bench, where the answer waits on the screen and is saved when the trouble is over.
"""

from __future__ import annotations

import itertools
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from advisor.case.entries import Booked, Seen, Skipped, TakenBack
from advisor.learning.proposal import unified
from advisor.screens.desk.days import DeskScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.store.store import Store
from tests import postgresql, test_bench
from tests.conftest import ROOT, SHIPPED, Ran
from tests.databases import Database
from tests.test_desk import at_desk, called
from tests.test_screens import entered, opened, running, said, settled, text_of, until, words

JOBS = 150
"""So many jobs fill some pages of a file."""

hum = test_bench.hum


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of half a megabyte."""
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=512k,mode=700", "none", folder], capture_output=True, check=False
    )
    if done.returncode != 0:
        pytest.skip("only root may mount a small disk")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


@contextmanager
def full(folder: Path) -> Iterator[None]:
    """No room is left on a disk, for a time."""
    filler = folder / "filler"
    blocks = itertools.repeat(bytes(512))
    with filler.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space left"):
        file.writelines(blocks)
    yield
    filler.unlink()


@contextmanager
def locked(file: Path) -> Iterator[None]:
    """Another program is writing, for longer than anybody waits."""
    with closing(sqlite3.connect(file, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


@contextmanager
def moved(file: Path) -> Iterator[None]:
    """The file is taken away, and put back later."""
    away = file.rename(file.with_name("away.sqlite"))
    yield
    assert not file.exists()
    away.rename(file)


@contextmanager
def replaced(file: Path) -> Iterator[None]:
    """An empty database lies in the file's place, until the file is put back."""
    away = file.rename(file.with_name("away.sqlite"))
    with closing(sqlite3.connect(file)) as other:
        other.execute("CREATE TABLE other (one)")
    yield
    away.replace(file)


@contextmanager
def without_log(file: Path) -> Iterator[None]:
    """Somebody tidies away the log beside the file."""
    file.with_name(file.name + "-wal").unlink()
    yield


TROUBLES: dict[str, tuple[Callable[[Path], AbstractContextManager[None]], str]] = {
    "locked": (
        locked,
        "tried again every few seconds. The database of cases cannot be written: database is locked. Nothing "
        "of it was saved; what was saved before is kept.",
    ),
    "moved": (moved, "was deleted, moved or replaced while it was open here."),
    "replaced": (replaced, "was deleted, moved or replaced while it was open here."),
    "without its log": (without_log, "-wal was deleted, moved or replaced while it was open here."),
}


async def answered_in_trouble(
    hum: Path, file: Path, trouble: AbstractContextManager[None], told: str, url: str = ""
) -> None:
    """An answer before the trouble, one during it, which waits on the screen, one after: all are there."""
    database = Database(url or f"sqlite:///{file}")
    async with running(hum, file.parent, (110, 40), database.url) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("click", "silent"))
        with trouble:
            await entered(pilot, lambda: task.session.saw("glow", "glows"))
            assert "NOT SAVED YET" in words(pilot)
            assert told in said(pilot, "#news")
            assert task.session.case.taken == ("click",)
        for _ in range(2):  # at the first try it may be found that the log is gone as well
            task.look_around()
            await settled(pilot)
        assert task.unsaved is None
        await entered(pilot, lambda: task.session.saw("hiss", "silent"))
    with database.opened() as store:
        (filed,) = store.cases()
    assert filed.case.entries == (Seen("click", "silent"), Seen("glow", "glows"), Seen("hiss", "silent"))


@pytest.mark.parametrize("trouble", TROUBLES)
async def test_an_answer_waits_on_the_bench_until_the_trouble_with_the_file_is_over(
    hum: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, trouble: str
) -> None:
    """Locked, moved, replaced, or without its log: nothing is lost, and nothing goes to another file."""
    monkeypatch.setattr("advisor.store.database.LOCKED_SECONDS", 0.1)
    made, told = TROUBLES[trouble]
    await answered_in_trouble(hum, tmp_path / "cases.sqlite", made(tmp_path / "cases.sqlite"), told)


async def test_an_answer_waits_on_the_bench_until_there_is_room_on_the_disk(
    hum: Path, small_disk: Path
) -> None:
    """A disk without room: what was saved is kept, and the answer is saved when somebody has made room."""
    told = "database or disk is full. Nothing of it was saved; what was saved before is kept. Make room"
    await answered_in_trouble(hum, small_disk / "cases.sqlite", full(small_disk), told)


async def test_an_answer_waits_on_the_bench_until_the_server_is_back(hum: Path, tmp_path: Path) -> None:
    """PostgreSQL is stopped as by a power cut and started again: the answer is there once."""

    @contextmanager
    def stopped(server: postgresql.Server) -> Iterator[None]:
        server.stop()
        yield
        server.start()

    with postgresql.started() as server:
        told = "NOT SAVED YET: no connection. Your answer is kept. Wait: it is sent again."
        await answered_in_trouble(hum, tmp_path / "none", stopped(server), told, server.url)


async def test_a_call_goes_on_when_the_server_is_back(tmp_path: Path) -> None:
    """PostgreSQL is stopped in a call, and while its day is booked: both are there, each once."""
    kept = "NOT SAVED YET: no connection. Your answer is kept. Wait: it is sent again."
    with postgresql.started() as server:
        async with at_desk(tmp_path, (80, 24), server.url) as pilot:
            call = await called(pilot, "red van", "wet carpet")
            await pilot.press("1")
            await settled(pilot)
            (first,) = call.call.asked
            server.stop()
            await pilot.press("2")
            await settled(pilot)
            assert said(pilot, "#says") == kept
            assert kept in text_of(pilot)
            assert call.call.asked == (first,)
            await pilot.press("1")
            await settled(pilot)
            assert said(pilot, "#says").startswith("The last answer is not saved yet. It is kept here.")
            call.save_again()
            await settled(pilot)
            assert said(pilot, "#says") == kept
            server.start()
            call.save_again()
            await settled(pilot)
            assert said(pilot, "#says") == "Saved."
            asked = call.call.asked
            assert len(asked) == 2
            await pilot.press("b")
            await until(pilot, lambda screen: isinstance(screen, SheetScreen))
            sheet = pilot.app.screen
            assert isinstance(sheet, SheetScreen)
            await until(pilot, lambda _: sheet.so_far is None)
            server.stop()
            sheet.book_now(sheet.here_today, "first thing")
            await settled(pilot)
            assert kept in text_of(pilot)
            await pilot.press("escape")
            await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
            await pilot.press("escape")
            server.start()
            sheet.save_again()
            await until(pilot, lambda screen: isinstance(screen, DeskScreen))
            await settled(pilot)
        with Database(server.url).opened() as store:
            (filed,) = store.cases()
        answers = [one for one in filed.case.entries if isinstance(one, Seen | Skipped)]
        assert [one.reading for one in answers] == list(asked)
        booked = [one for one in filed.case.entries if isinstance(one, Booked)]
        assert [one.remark for one in booked] == ["first thing"]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A SQLite file with some pages of jobs, closed."""
    file = tmp_path / "cases.sqlite"
    with Database(f"sqlite:///{file}").opened() as store:
        for number in range(JOBS):
            store.open_case(f"bay {number}", "hum")
        store.append(store.cases()[0], Seen("glow", "glows"))
    return file


def damaged_head(file: Path) -> None:
    """The first letters of the file are others."""
    with file.open("r+b") as data:
        data.write(b"no longer one of these")


def damaged_middle(file: Path) -> None:
    """A sector in the middle of every page but the first has gone to another file."""
    page = 4096
    with file.open("r+b") as data:
        for start in range(page, file.stat().st_size, page):
            data.seek(start)
            data.write(b"\xa5" * 512)


def other_text(file: Path) -> None:
    """It is a text."""
    file.write_text("These are notes, and no database at all. " * 200, encoding="utf-8")


def cut(file: Path) -> None:
    """A copy that was broken off."""
    with file.open("r+b") as data:
        data.truncate(file.stat().st_size // 2)


@pytest.mark.parametrize(
    ("harm", "told"),
    [
        (damaged_head, "file is not a database. Nothing was changed. It is damaged, or no database of ours."),
        (damaged_middle, "database disk image is malformed. Nothing was changed. It is damaged."),
        (cut, "database disk image is malformed. Nothing was changed. It is damaged."),
        (other_text, "file is not a database. Nothing was changed. It is damaged, or no database of ours."),
    ],
)
@pytest.mark.parametrize("command", [["case", "export", str(JOBS)], ["track"]])
def test_a_damaged_file_is_told_and_left_as_it_is(
    file: Path, advisor: Callable[..., Ran], harm: Callable[[Path], None], told: str, command: list[str]
) -> None:
    """Commands that read say what it is, that nothing was changed and what to do, and end with 3."""
    harm(file)
    before = file.read_bytes()
    ran = advisor(*command, "--store", f"sqlite:///{file}")
    assert (ran.code, ran.out) == (3, "")
    assert told in ran.err
    assert "Keep a copy of the file and of those beside it" in ran.err
    assert ran.err.count("\n") == 1
    assert file.read_bytes() == before


def test_a_locked_file_is_told_by_commands(
    file: Path, advisor: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Erasing while another program writes: nothing is erased, and it says to wait for it."""
    monkeypatch.setattr("advisor.store.database.LOCKED_SECONDS", 0.1)
    with locked(file):
        ran = advisor("case", "erase", str(JOBS), "--yes", "--store", f"sqlite:///{file}")
    assert (ran.code, ran.out) == (3, "")
    assert ran.err == (
        "The database of cases cannot be written: database is locked. Nothing of it was saved; what was "
        "saved before is kept. Another program is writing: wait for it or close it, and try again.\n"
    )
    with Database(f"sqlite:///{file}").opened() as store:
        assert len(store.cases()) == JOBS


def test_a_full_disk_is_told_by_commands(
    file: Path, small_disk: Path, advisor: Callable[..., Ran], hum: Path
) -> None:
    """Erasing and writing a card where there is no room: 3, what to do, and the jobs are as they were."""
    there = small_disk / "cases.sqlite"
    shutil.copy(file, there)
    url = f"sqlite:///{there}"
    with full(small_disk):
        ran = advisor("case", "erase", str(JOBS), "--yes", "--store", url)
        assert (ran.code, ran.out) == (3, "")
        assert "Make room on the disk" in ran.err or "Look whether the disk is full" in ran.err
        output = ["--knowledge", hum, "--output", small_disk / "card.md"]
        ran = advisor("report", "1", "--store", f"sqlite:///{file}", *output)
        assert ran.code == 3
        assert "No space left on device" in ran.err
    with Database(url).opened() as store:
        assert len(store.cases()) == JOBS


def test_a_disk_without_room_and_a_lock_keep_a_backup_from_changing_anything(
    file: Path, small_disk: Path, advisor: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is not whole is not left, and the jobs that are there stay; afterwards it can be done."""
    url, saved = f"sqlite:///{file}", small_disk / "jobs.sqlite"
    with full(small_disk):
        ran = advisor("backup", saved, "--store", url)
        assert ran.code == 3
        assert "disk is full. Nothing was changed. Make room" in ran.err
        assert [one.name for one in small_disk.iterdir()] == ["filler"]
    assert advisor("backup", saved, "--store", url).code == 0
    monkeypatch.setattr("advisor.store.backup.LOCKED_SECONDS", 0.1)
    with locked(file):
        ran = advisor("restore", saved, "--store", url, "--replace")
        assert ran.code == 3
        assert "is locked. Nothing was changed. Another program is writing" in ran.err
    here = small_disk / "here.sqlite"
    shutil.copy(file, here)
    with full(small_disk):
        ran = advisor("restore", saved, "--store", f"sqlite:///{here}", "--replace")
        assert ran.code == 3
        assert "disk is full. Nothing was changed. Make room" in ran.err
    assert here.read_bytes() == file.read_bytes()
    assert list(file.parent.glob("*before*")) == list(small_disk.glob("*before*")) == []
    assert advisor("restore", saved, "--store", url, "--replace").code == 0


def test_a_patch_that_finds_no_room_changes_no_knowledge(
    small_disk: Path, advisor: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The files of the knowledge are replaced at once or not at all: none is left half written."""
    monkeypatch.chdir(small_disk)
    mine = Path("door_rattle.yaml")
    before = (SHIPPED / "example" / mine).read_text(encoding="utf-8")
    mine.write_text(before, encoding="utf-8")
    after = before.replace("striker_loose: 34", "striker_loose: 33")
    Path("proposal.patch").write_text(unified({mine.name: before}, {mine.name: after}), encoding="utf-8")
    with full(small_disk):
        ran = advisor("learn", "--knowledge", mine, "--apply", "proposal.patch")
        assert ran.code == 3
        assert "No space left on device" in ran.err
        assert mine.read_text(encoding="utf-8") == before
        assert [one.name for one in small_disk.iterdir() if "advisor" in one.name] == []
    assert advisor("learn", "--knowledge", mine, "--apply", "proposal.patch").code == 0
    assert mine.read_text(encoding="utf-8") == after


def without_privileges(*words: str) -> subprocess.CompletedProcess[str]:
    """A command as a process that permissions hold for, whoever runs the tests."""
    plain = ["setpriv", "--inh-caps=-all", "--bounding-set=-all"] if os.geteuid() == 0 else []
    return subprocess.run(
        [*plain, sys.executable, "-m", "advisor", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("there", [True, False], ids=["a file", "no file yet"])
def test_a_folder_that_may_not_be_written_is_told(file: Path, tmp_path: Path, there: bool) -> None:
    """No log can be written beside the file, and none is made where there is nothing to erase: 3, and why."""
    folder = tmp_path / "kept"
    folder.mkdir()
    kept = folder / "cases.sqlite"
    if there:
        shutil.copy(file, kept)
        kept.chmod(0o400)
    with ExitStack() as after:
        folder.chmod(0o500)
        after.callback(folder.chmod, 0o700)
        ran = without_privileges("case", "erase", str(JOBS), "--yes", "--store", f"sqlite:///{kept}")
        assert (ran.returncode, ran.stdout) == (3, "")
        assert ran.stderr.startswith("The database of cases cannot be ")
        assert "Nothing" in ran.stderr
        what = "Let this program write the file and in its folder" if there else "there is no file"
        assert what in ran.stderr
        assert [one.name for one in folder.iterdir()] == (["cases.sqlite"] if there else [])


def test_output_that_cannot_be_written_ends_with_3() -> None:
    """Standard output is a disk without room: a message on standard error, and no traceback."""
    with Path("/dev/full").open("w") as nowhere:
        ran = subprocess.run(
            [sys.executable, "-m", "advisor", "schema"],
            cwd=ROOT,
            stdout=nowhere,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ran.returncode == 3
    assert ran.stderr.startswith("Cannot read or write a file: No space left on device. ")
    assert ran.stderr.count("\n") == 1


def test_a_clock_that_is_set_back_changes_no_order(tmp_path: Path) -> None:
    """Steps stand in the order in which they were entered, and what is taken back is what was meant."""
    hours = iter([12, 12, 9, 3])
    store = Store(
        f"sqlite:///{tmp_path / 'cases.sqlite'}", lambda: datetime(2030, 1, 1, next(hours), tzinfo=UTC)
    )
    filed = store.open_case("bay", "hum")
    for outcome in ("glows", "dark"):
        filed = store.append(filed, Seen("glow", outcome))
    filed = store.append(filed, TakenBack(2, ""))
    assert store.cases() == [filed]
    assert [at[11:13] for at in filed.times] == ["12", "09", "03"]
    assert filed.case.outcomes == {"glow": "glows"}
    store.close()
