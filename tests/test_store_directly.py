"""The store by itself, on a SQLite file: answers that nobody heard of, erasing, and what is remembered."""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from advisor.case.case import Case
from advisor.case.entries import Prepared, Seen, Skipped
from advisor.store import store as stores
from advisor.store.errors import Erased, StaleWrite, StoreError
from advisor.store.records import StoredCase
from advisor.store.store import Store, default_url, papers_folder

NOON = datetime(2030, 1, 15, 12, 0, 0, 999_999, tzinfo=UTC)
FAR, NEAR = Seen("key_near", "far"), Seen("key_near", "near")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Where the database is."""
    return tmp_path / "cases.sqlite"


@pytest.fixture
def store(file: Path) -> Iterator[Store]:
    """A store whose clock is a minute later each time it is looked at."""
    minutes = iter(range(10_000))
    made = Store(f"sqlite:///{file}", lambda: NOON + timedelta(minutes=next(minutes)))
    yield made
    made.close()


@pytest.fixture
def other(file: Path, store: Store) -> Iterator[Store]:
    """Another program on the same database."""
    made = Store(f"sqlite:///{file}")
    yield made
    made.close()


@contextmanager
def losing(store: Store, done: bool) -> Iterator[None]:
    """What is written here comes about or does not, and the program hears of neither."""

    def lost(connection: sa.Connection) -> None:
        if done:
            connection.connection.commit()
        raise sa.exc.OperationalError("COMMIT", {}, OSError("no answer"))

    sa.event.listen(store._engine, "commit", lost)
    try:
        with pytest.raises(StoreError, match=r"cannot be written: no answer\."):
            yield
    finally:
        sa.event.remove(store._engine, "commit", lost)


def run(file: Path, *statements: str) -> list[tuple[Any, ...]]:
    """Do something to the database past the program; gives the rows of the last statement."""
    rows: list[tuple[Any, ...]] = []
    with closing(sqlite3.connect(file, isolation_level=None)) as past:
        for statement in statements:
            rows = past.execute(statement).fetchall()
    return rows


# ------------------------------------------------------------------------ answers that nobody heard of


def test_an_answer_said_again_is_entered_once_at_its_first_time(store: Store) -> None:
    """Two tries come about or not unheard, the third finds what there is; a fourth is one too many."""
    filed = store.open_case("bay", "flat_battery")
    with losing(store, done=False):
        store.append(filed, Prepared("asleep", "2030-01-15T12:00:00+00:00"))
    with losing(store, done=True):
        store.append(filed, Prepared("asleep", "2030-01-15T12:01:00+00:00"))
    again = store.append(filed, Prepared("asleep", "2030-01-15T12:09:00+00:00"))
    assert again.case.entries == (Prepared("asleep", "2030-01-15T12:01:00+00:00"),)
    assert store.case(filed.number) == again
    with pytest.raises(StaleWrite):
        store.append(filed, Prepared("asleep", "2030-01-15T12:09:00+00:00"))
    assert store.append(again, FAR).entries == 2


def test_an_answer_that_did_not_come_about_is_entered_when_it_is_said_again(store: Store) -> None:
    """Its time is then that of the second try, and nothing of the first is remembered."""
    filed = store.open_case("bay", "flat_battery")
    with losing(store, done=False):
        store.append(filed, FAR)
    assert store.case(filed.number) == filed
    again = store.append(filed, FAR)
    assert store.case(filed.number) == again
    with pytest.raises(StaleWrite):
        store.append(filed, FAR)


def test_others_may_go_on_with_an_answer_that_nobody_here_heard_of(store: Store, other: Store) -> None:
    """Said again it is found below what was entered since; from there one is told of the rest."""
    filed = store.open_case("bay", "flat_battery")
    with losing(store, done=True):
        store.append(filed, FAR)
    found = other.case(filed.number)
    assert found is not None
    other.append(found, Skipped("boot_lamp", "locked"))
    again = store.append(filed, FAR)
    assert again == found
    with pytest.raises(StaleWrite):
        store.append(again, NEAR)


def test_only_the_same_answer_of_ones_own_is_found_again(store: Store, other: Store) -> None:
    """Neither another answer after it, nor the same one that somebody else has given instead."""
    first, second = store.open_cases("bay", ("flat_battery", "no_heat"))
    with losing(store, done=True):
        store.append(first, FAR)
    with pytest.raises(StaleWrite):
        store.append(first, NEAR)
    with losing(store, done=False):
        store.append(second, FAR)
    other.append(second, FAR)
    with pytest.raises(StaleWrite):
        store.append(second, FAR)


def test_answers_to_two_jobs_are_found_again_on_both(store: Store) -> None:
    """One of them may have nothing new; both come back as they were saved."""
    first, second = store.open_cases("bay", ("flat_battery", "no_heat"))
    with losing(store, done=True):
        store.append_each((first, [FAR]), (second, [FAR, NEAR]))
    again = store.append_each((first, [FAR]), (second, [FAR, NEAR]))
    assert again == (store.case(first.number), store.case(second.number))
    assert [one.entries for one in again] == [1, 2]
    first, second = again
    with losing(store, done=True):
        store.append_each((first, []), (second, [FAR]))
    again = store.append_each((first, []), (second, [FAR]))
    assert [one.entries for one in again] == [1, 3]
    assert store.append_each((again[0], []), (again[1], [])) == again


def test_a_job_erased_after_an_answer_that_nobody_heard_of_is_told(store: Store, other: Store) -> None:
    """Both were saved and the second is gone: nothing is taken for entered."""
    first, second = store.open_cases("bay", ("flat_battery", "no_heat"))
    with losing(store, done=True):
        store.append_each((first, [FAR]), (second, [FAR]))
    other.erase(second.number)
    with pytest.raises(Erased) as told:
        store.append_each((first, [FAR]), (second, [FAR]))
    assert str(told.value) == (
        "This job was erased in the meantime. Your answer was not entered, and nothing more can be entered "
        "on it: go back to the list of jobs."
    )


def test_who_is_overtaken_is_told_by_whom_in_a_sentence(store: Store, other: Store, file: Path) -> None:
    """Somebody who was faster, or an older copy of the database, whichever job of several it is."""
    jobs = store.open_cases("bay", ("flat_battery", "no_heat"))
    ahead = other.append(jobs[1], FAR)
    with pytest.raises(StaleWrite) as told:
        store.append_each((jobs[0], [FAR]), (jobs[1], [NEAR]))
    assert str(told.value) == (
        "Somebody else has entered something on this job in the meantime. Your answer was not entered: look "
        "at the job as it is now, then answer again."
    )
    run(file, "DELETE FROM entries")
    with pytest.raises(StaleWrite) as told:
        store.append_each((jobs[0], [FAR]), (ahead, [NEAR]))
    assert str(told.value) == (
        "The database holds less of this job than was entered here: somebody has put an older copy in its "
        "place. Your answer was not entered: look at the job as it is there now, and enter again what is "
        "missing."
    )
    assert store.cases() == [*jobs[::-1]]


def test_nobody_gets_between_looking_at_a_job_and_writing_on_it(store: Store, file: Path) -> None:
    """The file is locked for other writers from the start, so that a number once counted stays right."""
    filed = store.open_case("bay", "flat_battery")
    tried: list[str] = []

    def meddle(_: object, __: object, statement: str, *___: object) -> None:
        if statement.startswith("SELECT count"):
            locked = pytest.raises(sqlite3.OperationalError, match="locked")
            with closing(sqlite3.connect(file, timeout=0)) as meddler, locked:
                meddler.execute("BEGIN IMMEDIATE")
            tried.append(statement)

    sa.event.listen(store._engine, "after_cursor_execute", meddle)
    assert store.append(filed, FAR).entries == 1
    assert len(tried) == 1


# ------------------------------------------------------------------------ openings that nobody heard of


def test_jobs_whose_opening_nobody_heard_of_are_found_again_once(store: Store) -> None:
    """Another car's and another complaint's are not taken for them; each waits for its own second try."""
    with losing(store, done=True):
        store.open_cases("bay 1", ("flat_battery", "no_heat"), "v1")
    with losing(store, done=True):
        store.open_case("bay 2", "flat_battery")
    there = store.cases()[::-1]
    assert [one.number for one in there] == [1, 2, 3]
    assert store.open_case("bay 2", "no_heat").number == 4
    assert store.open_cases("bay 1", ("no_heat", "flat_battery"), "v1") == (there[1], there[0])
    assert store.open_case("bay 2", "flat_battery") == there[2]
    assert [one.number for one in store.open_cases("bay 1", ("flat_battery", "no_heat"))] == [5, 6]
    assert store.open_case("bay 2", "flat_battery").number == 7


def test_a_job_that_was_opened_on_the_second_try_is_found_on_the_third(store: Store) -> None:
    """The first had not come about; one that had and has entries by now is somebody's work already."""
    with losing(store, done=False):
        store.open_case("bay", "flat_battery")
    with losing(store, done=True):
        store.open_case("bay", "flat_battery")
    (there,) = store.cases()
    assert store.open_case("bay", "flat_battery") == there
    with losing(store, done=True):
        store.open_case("bay", "no_heat")
    begun = store.cases()[0]
    store.append(begun, FAR)
    assert store.open_case("bay", "no_heat").number > begun.number


def test_a_job_whose_first_entries_nobody_heard_of_is_found_again_once(store: Store) -> None:
    """With all of them at their first times, and so is the other job of the call; a new job is a new one."""
    drafts = [store.draft("bay", one) for one in ("flat_battery", "no_heat")]
    with losing(store, done=False):
        store.append_each((drafts[0], [FAR]), (drafts[1], []))
    with losing(store, done=True):
        store.append_each((drafts[0], [FAR, NEAR]), (drafts[1], []))
    there = store.cases()[::-1]
    assert [one.case.entries for one in there] == [(FAR, NEAR), ()]
    assert store.append_each((drafts[0], [FAR, NEAR]), (drafts[1], [])) == (there[0], there[1])
    assert store.append(there[0], FAR).entries == 3
    made = store.append(store.draft("bay", "flat_battery"), FAR, NEAR)
    assert made.number == 3
    assert store.case(3) == made
    assert made.entries == 2


def test_a_job_is_opened_with_its_tag_cut_at_80_letters_and_at_the_stores_time(store: Store) -> None:
    """Seconds and zone are in the time; without a version of the knowledge it is empty."""
    made = store.open_case("x" * 81, "flat_battery")
    assert made == StoredCase(1, "x" * 80, "2030-01-15T12:00:00+00:00", Case("flat_battery"), (), "")
    assert store.case(1) == made
    later = store.open_case("bay", "no_heat", "abc")
    assert (later.opened, later.knowledge) == ("2030-01-15T12:01:00+00:00", "abc")
    later = store.append(later, FAR, NEAR)
    assert later.times == ("2030-01-15T12:02:00+00:00", "2030-01-15T12:03:00+00:00")
    assert [store.length(one) for one in (made, later)] == [0, 2]


def test_the_time_is_that_of_the_world_where_no_clock_is_given(other: Store) -> None:
    """In UTC, so that two workshops' jobs stand in order."""
    before = datetime.now(UTC).replace(microsecond=0)
    assert before <= datetime.fromisoformat(other.now()) <= datetime.now(UTC)
    assert other.now().endswith("+00:00")


# --------------------------------------------------------------------------------------------- erasing


def test_it_is_known_when_a_job_was_erased(store: Store, file: Path) -> None:
    """By its number, and at the last time where it came back from an older copy and was erased again."""
    filed = store.open_case("bay", "flat_battery")
    kept = store.open_case("bay", "no_heat")
    assert store.erased(filed.number) is None
    assert store.erase(filed.number)
    first = store.erased(filed.number)
    assert first == "2030-01-15T12:02:00+00:00"
    assert run(file, "SELECT number, at, tidied FROM erased") == [(filed.number, first, 1)]
    run(file, "INSERT INTO entries VALUES (1, 1, '', 'seen', '', '')")
    assert store.erase(filed.number)
    assert store.erased(filed.number) == "2030-01-15T12:03:00+00:00"
    assert not store.erase(77)
    assert store.erased(77) is None
    assert store.erased(kept.number) is None
    assert store.left_on_server == ""


def test_no_text_of_an_erased_job_is_left_when_erasing_returns(store: Store, file: Path) -> None:
    """Neither in the database nor in its log, where the words had been."""
    filed = store.append(store.open_case("bay", "flat_battery"), Skipped("key_near", "Hidden-Words"))

    def traces() -> int:
        return sum(one.read_bytes().count(b"Hidden-Words") for one in file.parent.glob("cases.sqlite*"))

    assert traces()
    store.erase(filed.number)
    assert not traces()


NOT_TIDIED = (
    "INSERT INTO erased VALUES (9, '2030-01-01T00:00:00+00:00', 0)",
    "INSERT INTO erased VALUES (4, '2030-01-02T00:00:00+00:00', 0)",
    "INSERT INTO erased VALUES (2, '2030-01-03T00:00:00+00:00', 1)",
)
"""Two jobs whose erasing was cut off, and one that is through."""
TOLD = (
    "Job 4 is erased, but its text may still be in the file of the database or in the -wal file beside it. "
    "{} Close the other programs that have it open and erase job 4 again, or give any other command: what is "
    "left of its text goes."
)


@pytest.mark.parametrize("reading", [False, True], ids=["bench", "reader"])
def test_whoever_opens_the_database_next_finishes_an_erasing(store: Store, file: Path, reading: bool) -> None:
    """The file is written anew and its log is empty, also for one who only reads; nothing is told then."""
    store.close()
    run(file, *NOT_TIDIED, "CREATE TABLE gone (text)", f"INSERT INTO gone VALUES ('{'x' * 50_000}')")
    run(file, "DROP TABLE gone")
    large = file.stat().st_size
    assert large > 50_000
    with closing(Store(f"sqlite:///{file}", reading=reading)) as opened:
        assert opened.told == []
        assert file.stat().st_size < large - 40_000
        log = file.with_name(file.name + "-wal")
        assert not log.exists() or log.stat().st_size == 0
    assert run(file, "SELECT number, tidied FROM erased ORDER BY number") == [(2, 1), (4, 1), (9, 1)]


@pytest.mark.parametrize("reading", [False, True], ids=["bench", "reader"])
def test_an_erasing_that_cannot_be_finished_yet_is_told(
    store: Store, file: Path, reading: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The jobs can be used all the same; the first that is due is named, and why it does not go."""
    monkeypatch.setattr("advisor.store.database.LOCKED_SECONDS", 0.05)
    run(file, *NOT_TIDIED)
    with closing(sqlite3.connect(file, isolation_level=None)) as busy:
        busy.execute("BEGIN")
        busy.execute("SELECT count(*) FROM entries").fetchone()
        with closing(Store(f"sqlite:///{file}", reading=reading)) as opened:
            assert opened.told == [TOLD.format("Another program is reading it.")]
            assert opened.cases() == []
        busy.execute("COMMIT")
        busy.execute("BEGIN IMMEDIATE")
        with closing(Store(f"sqlite:///{file}", reading=reading)) as opened:
            assert opened.told == [TOLD.format("It cannot be written anew: database is locked.")]
        busy.execute("ROLLBACK")
    assert run(file, "SELECT max(tidied), min(tidied) FROM erased") == [(1, 0)]
    with closing(Store(f"sqlite:///{file}", reading=reading)) as opened:
        assert opened.told == []


def test_a_reader_whose_database_is_tidy_leaves_it_alone(store: Store, file: Path) -> None:
    """It opens no second store and writes nothing."""
    store.erase(store.open_case("bay", "flat_battery").number)
    store.close()
    before = file.read_bytes()
    refused = pytest.raises(StoreError, match="cannot be written")
    with closing(Store(f"sqlite:///{file}", reading=True)) as reader, refused:
        reader.prefer("temperature", "°F")
    assert file.read_bytes() == before


# ----------------------------------------------------------------------------- rows of another's making


def test_entries_that_name_no_job_are_numbered_0(store: Store, file: Path) -> None:
    """Text, 0 and less in the place of a number: found, exported and erased under 0, and no job suffers."""
    whole = store.append(store.open_case("whole", "flat_battery"), FAR)
    row = "INSERT INTO entries VALUES ({}, {}, '2030-01-15T12:00:00+00:00', 'seen', 'glow', 'dark')"
    run(
        file,
        row.format(-3, 3),
        row.format("'what'", 1),
        row.format(0, 2),
        row.format(77, 2),
        row.format(78, 1),
    )
    found = store.jobs()
    assert found.filed == [whole]
    assert [one.number for one in found.damaged] == [0, 77, 78]
    kept = store.export(0)
    assert kept is not None
    assert (kept["number"], kept["tag"], [one["step"] for one in kept["entries"]]) == (0, None, [1, 2, 3])
    assert store.erase(0)
    assert [one.number for one in store.jobs().damaged] == [77, 78]
    assert store.cases() == [whole]


def test_what_cannot_be_read_is_exported_as_text(store: Store, file: Path) -> None:
    """Bytes that are no letters with escapes, numbers in digits, and None for what is missing."""
    filed = store.append(store.open_case("bay", "flat_battery", "abc"), FAR)
    run(
        file,
        "UPDATE entries SET kind = CAST(X'ff61' AS TEXT), about = X'c3bcff', said = 1.5, at = X'00'",
        "UPDATE cases SET tag = X'fe'",
    )
    assert store.export(filed.number) == {
        "version": 1,
        "number": filed.number,
        "tag": "\\xfe",
        "complaint": "flat_battery",
        "opened": filed.opened,
        "knowledge": "abc",
        "entries": [{"step": 1, "at": "\0", "kind": "\\xffa", "about": "ü\\xff", "said": "1.5"}],
    }
    run(file, "DELETE FROM cases")
    kept = store.export(filed.number)
    assert kept is not None
    assert [kept[name] for name in ("tag", "complaint", "opened", "knowledge")] == [None] * 4
    assert store.export(2) is None


# ------------------------------------------------------------------------------------ what is remembered


def test_what_is_remembered_is_the_last_that_was_said(store: Store, other: Store) -> None:
    """One unit for a quantity, one value for a setting, one list for the trolley; the rest stays."""
    assert (other.preferences(), other.setting("ranking"), other.off_trolley()) == ({}, None, frozenset())
    for unit in ("°F", "°C"):
        store.prefer("temperature", unit)
        store.prefer("pressure", "psi")
    assert other.preferences() == {"temperature": "°C", "pressure": "psi"}
    for value in ("bits", "quick looks"):
        store.set_to("ranking", value)
        store.set_to("page", "wide")
    assert (other.setting("ranking"), other.setting("page")) == ("quick looks", "wide")
    assert other.setting("colour") is None
    store.leave_off_trolley(["clamp", "camera", "clamp"])
    assert other.off_trolley() == {"clamp", "camera"}
    store.leave_off_trolley(iter(["scope"]))
    assert other.off_trolley() == {"scope"}
    store.leave_off_trolley([])
    assert other.off_trolley() == frozenset()


def test_it_is_told_whether_writing_or_reading_fails(store: Store, file: Path) -> None:
    """Whichever table has gone: a sentence that says what could not be done."""
    filed = store.open_case("bay", "flat_battery")
    run(file, "DROP TABLE erased")
    with closing(Store(f"sqlite:///{file}")) as opened:
        (told,) = opened.told
        assert told.startswith("The database of cases cannot be read: no such table: erased.")
    run(file, *(f"DROP TABLE {one}" for one in ("preferences", "settings", "off_trolley", "entries")))
    for reads in (
        store.preferences,
        store.off_trolley,
        store.cases,
        lambda: store.setting("ranking"),
        lambda: store.erased(1),
        lambda: store.case(1),
        lambda: store.export(1),
        lambda: store.length(filed),
    ):
        with pytest.raises(StoreError, match=r"^The database of cases cannot be read: no such table"):
            reads()
    for writes in (
        lambda: store.prefer("temperature", "°F"),
        lambda: store.set_to("ranking", "bits"),
        lambda: store.leave_off_trolley([]),
        lambda: store.append(filed, FAR),
        lambda: store.erase(1),
    ):
        with pytest.raises(StoreError, match=r"^The database of cases cannot be written: no such table"):
            writes()
    run(file, "DROP TABLE cases")
    with pytest.raises(StoreError, match=r"cannot be written: no such table"):
        store.open_case("bay", "flat_battery")


# ----------------------------------------------------------------------------------------------- places


def test_jobs_lie_in_the_users_own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Made for its owner alone with what is above it, but not where somebody only reads; twice is fine."""
    asked: list[str] = []

    def data_path(name: str) -> Path:
        asked.append(name)
        return tmp_path / "share" / "data" / name

    monkeypatch.setattr(stores, "user_data_path", data_path)
    folder = tmp_path / "share" / "data" / "advisor"
    assert default_url(reading=True) == f"sqlite:///{folder / 'cases.sqlite'}"
    assert list(tmp_path.iterdir()) == []
    for _ in range(2):
        assert default_url() == f"sqlite:///{folder / 'cases.sqlite'}"
    assert set(asked) == {"advisor"}
    if os.name == "posix":
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_papers_go_where_they_can_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder for downloads, else the home folder, else the one we are in; home where none will do."""
    downloads, home, here = tmp_path / "downloads", tmp_path / "home", tmp_path / "here"
    locked: set[Path] = set()
    monkeypatch.setattr(stores, "user_downloads_path", lambda: downloads)
    monkeypatch.setattr(Path, "home", lambda: home)
    monkeypatch.setattr(Path, "cwd", lambda: here)
    monkeypatch.setattr(os, "access", lambda one, how: how == os.W_OK and one not in locked)
    assert papers_folder() == home
    here.mkdir()
    assert papers_folder() == here
    home.mkdir()
    downloads.write_text("no folder", encoding="utf-8")
    assert papers_folder() == home
    downloads.unlink()
    downloads.mkdir()
    assert papers_folder() == downloads
    locked |= {downloads, home}
    assert papers_folder() == here
    locked.add(here)
    assert papers_folder() == home
