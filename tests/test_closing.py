"""Closing a job, finding it again, and going on with it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from advisor.advice.rules import Workshop
from advisor.bench.customer import customer_sheet
from advisor.bench.jobcard import job_card
from advisor.bench.session import Engines, Session, reopened
from advisor.case.case import Case
from advisor.case.confirmed import Finding, before_repair, confirmed_causes, finding, gather
from advisor.case.entries import Checked, Closed, Entry, Known, Reopened, Repaired, Seen
from advisor.checks.lint import checked
from advisor.learning.summary import in_words_lines
from advisor.learning.track_record import judge
from advisor.papers.document import markdown
from advisor.screens.bench.card import card
from advisor.screens.bench.cause import CauseScreen
from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.bench.story import trail
from advisor.screens.bench.task import TaskScreen
from advisor.screens.start import StartScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.store.store import Store
from tests.test_screens import DOOR, entered, listed, opened, running, said, settled, text_of, until, words

AT = "2030-03-04T09:00:00+00:00"


@pytest.fixture
def door(tmp_path: Path) -> Path:
    """A folder with a small invented knowledge."""
    folder = tmp_path / "door"
    folder.mkdir()
    (folder / "door.yaml").write_text(DOOR, encoding="utf-8")
    return folder


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """The store of the program under test, seen by somebody else."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    yield store
    store.close()


def keys(pilot: Pilot[None]) -> list[str | None]:
    """What the list on top can be asked for."""
    return [one.id for one in pilot.app.screen.query_one(OptionList).options]


def asked(pilot: Pilot[None]) -> str:
    """The question of the list on top."""
    screen = pilot.app.screen
    return screen.heading if isinstance(screen, ChoiceScreen) else ""


async def choose(pilot: Pilot[None], key: str) -> None:
    """Choose a line of the list on top."""
    await settled(pilot)
    chosen = pilot.app.screen.query_one(OptionList)
    chosen.focus()
    chosen.highlighted = keys(pilot).index(key)
    await pilot.press("enter")
    await settled(pilot)


async def test_closing_asks_once_with_what_it_will_record(door: Path, tmp_path: Path, store: Store) -> None:
    """One key closes nothing: the question says what is recorded, and can be left."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("wiggle", "loose"))
        await pilot.press("c")
        await choose(pilot, "strap")
        shown = asked(pilot)
        assert "Close job 1, bay 2?" in shown
        assert "as found and repaired: Check strap loose. No remedy was entered for it." in shown
        assert store.cases()[0].case.closed is None
        await choose(pilot, "stay")
        assert pilot.app.screen is task
        assert store.cases()[0].case.closed is None
        await pilot.press("c")
        await choose(pilot, "strap")
        await choose(pilot, "close")
        await until(pilot, listed)
        assert store.cases()[0].case.closed == Closed("strap", "")


async def test_the_card_asks_before_it_closes(door: Path, tmp_path: Path, store: Store) -> None:
    """After a repair that helped the first line closes, and asks as well."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.repaired("strap"), lambda: task.session.checked(True))
        await pilot.press("1")
        await settled(pilot)
        assert isinstance(pilot.app.screen, ChoiceScreen)
        assert "repaired: Check strap loose. It then stands" in asked(pilot)
        assert store.cases()[0].case.closed is None
        await choose(pilot, "close")
        await until(pilot, listed)
        assert store.cases()[0].case.closed == Closed("strap", "")


async def test_another_cause_is_searched_in_the_list(door: Path, tmp_path: Path, store: Store) -> None:
    """Every cause that the complaint lists can be found and named."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("c")
        await choose(pilot, "another")
        assert isinstance(pilot.app.screen, CauseScreen)
        assert keys(pilot) == ["strap", "glass"]
        await pilot.press(*"run")
        await settled(pilot)
        assert keys(pilot) == ["glass", "in words"]
        await pilot.press("enter", "enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, CauseScreen)
        await pilot.press("down", "enter")
        await settled(pilot)
        assert "Glass loose in its run" in asked(pilot)
        await choose(pilot, "close")
        await until(pilot, listed)
        assert store.cases()[0].case.closed == Closed("glass", "")


async def test_another_cause_is_kept_as_written(door: Path, tmp_path: Path, store: Store) -> None:
    """What is not listed is written in words, and shown in the list, on both papers and by learning."""
    async with running(door, tmp_path, (100, 40)) as pilot:
        await opened(pilot)
        await pilot.press("c")
        await choose(pilot, "another")
        pilot.app.screen.query_one(Input).value = "coin in the [door] pocket"
        await choose(pilot, "in words")
        assert "as written: coin in the [door] pocket" in asked(pilot)
        await choose(pilot, "close")
        await until(pilot, lambda _: "closed: coin in the [door] pocket" in words(pilot))
    filed = store.cases()[0]
    knowledge = checked([door])
    assert filed.case.closed == Closed("unlisted:rattle", "coin in the [door] pocket")
    of = Engines(knowledge).of
    assert "coin in the" in markdown(job_card(knowledge, of, filed, {}, AT))
    assert "coin in the" in markdown(customer_sheet(knowledge, of, filed, {}, AT))
    gathered = gather(knowledge, [filed.case])
    assert gathered.findings == ()
    assert list(gathered.excluded.values()) == [1]
    assert "  Door rattles: coin in the [door] pocket" in list(in_words_lines(gathered.in_words))


async def test_no_cause_found_is_a_line_of_its_own(door: Path, tmp_path: Path, store: Store) -> None:
    """It says that nothing is learned."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("c")
        await choose(pilot, "none")
        assert "No fault found is recorded. Nothing is learned" in asked(pilot)
        await choose(pilot, "close")
        await until(pilot, listed)
        assert store.cases()[0].case.closed == Closed("", "")


async def test_closed_jobs_are_listed_searched_read_and_reopened(
    door: Path, tmp_path: Path, store: Store
) -> None:
    """Below the open ones, with card, customer's page and reopening; a search goes over both."""
    store.open_case("red van", "rattle")
    store.append(store.open_case("blue estate", "rattle"), Repaired("strap", AT), Closed("strap", ""))
    store.append(store.open_case("green van", "rattle"), Closed("glass", ""))
    async with running(door, tmp_path, (100, 40)) as pilot:
        await until(pilot, listed)
        await settled(pilot)
        assert keys(pilot) == [None, "job 1", None, "closed 3", "closed 2"]
        assert "Job 2 · closed: Check strap loose, not proved" in text_of(pilot)
        assert "closed: Check strap loose, not proved" in text_of(pilot)
        start = pilot.app.screen
        for typed, found in (
            ("van", [None, "job 1", None, "closed 3"]),
            ("strap estate", [None, "closed 2"]),
            ("nothing such", [None]),
        ):
            start.query_one("#search", Input).value = typed
            await settled(pilot)
            assert keys(pilot) == found
        start.query_one("#search", Input).value = "estate"
        start.query_one("#search").focus()
        await settled(pilot)
        await pilot.press("enter", "enter")
        await settled(pilot)
        assert keys(pilot) == ["card", "customer", "back", "correct"]
        for what, shown in (("card", "Job 2: blue estate"), ("customer", "Your car: blue estate")):
            await choose(pilot, what)
            await until(pilot, lambda screen: isinstance(screen, JobCardScreen))
            await until(pilot, lambda _, shown=shown: shown in text_of(pilot))  # type: ignore[misc]
            await pilot.press("escape")
            await until(pilot, lambda screen: screen is start)
            await choose(pilot, "closed 2")
        await choose(pilot, "back")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        assert "Now look for the complaint again" not in words(pilot)
        kept = store.case(2)
        assert kept is not None
        assert isinstance(kept.case.entries[-2], Reopened)
        assert kept.case.entries[1] == Closed("strap", "")
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, StartScreen) and listed(screen))
        start.query_one("#search", Input).value = ""
        await settled(pilot)
        assert keys(pilot) == [None, "job 2", "job 1", None, "closed 3"]


async def test_of_many_closed_jobs_the_newest_are_listed_and_all_are_searched(
    door: Path, tmp_path: Path, store: Store
) -> None:
    """The list stays short; a search finds the oldest as well."""
    for number in range(60):
        store.append(store.open_case(f"car {number:02}", "rattle"), Closed("strap", ""))
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await settled(pilot)
        assert len(keys(pilot)) == 2 + 50
        assert "CLOSED: 60, the newest 50 of them" in text_of(pilot)
        pilot.app.screen.query_one("#search", Input).value = "car 00"
        await settled(pilot)
        assert keys(pilot) == [None, "closed 1"]


def test_reopening_is_an_entry_and_happens_once(door: Path, store: Store) -> None:
    """Two who reopen the same job leave one entry, and the job is open."""
    filed = store.append(store.open_case("bay 2", "rattle"), Closed("strap", ""))
    first, second = reopened(store, filed.number), reopened(store, filed.number)
    assert first == second
    assert first is not None
    assert [type(one) for one in first.case.entries] == [Closed, Reopened]
    assert first.case.closed is None
    session = Session.opened(Engines(checked([door])), store, first, Workshop())
    assert session.closed("glass").case.closed == Closed("glass", "")


LOOSE = Seen("wiggle", "loose")
GONE = Checked("rattle", "gone")
STORIES: list[tuple[list[Entry], set[str], set[str], int]] = [
    # closed by a slip, reopened, closed: as if it had never been reopened
    (
        [LOOSE, Closed("", ""), Reopened("", AT), Seen("tap", "dull"), Closed("strap", "")],
        {"strap"}, set(), 2,
    ),
    # it came back: the first cause is unclear, the second confirmed; what was read later is after a repair
    (
        [LOOSE, Repaired("strap", AT), GONE, Closed("strap", ""), Reopened("", AT), Seen("tap", "dull"),
         Repaired("glass", AT), GONE, Closed("glass", "")],
        {"glass"}, {"strap"}, 1,
    ),
    # closed with a cause without a remedy entered
    (
        [LOOSE, Closed("strap", ""), Reopened("", AT), Seen("tap", "dull"), Closed("glass", "")],
        {"glass"}, {"strap"}, 1,
    ),
]  # fmt: skip


@pytest.mark.parametrize("story", STORIES)
def test_learning_counts_a_reopened_job_once(
    door: Path, store: Store, story: tuple[list[Entry], set[str], set[str], int]
) -> None:
    """By how it ended; while it is open again nothing is learned from it."""
    entries, causes, unclear, readings = story
    knowledge = checked([door])
    case = Case("rattle", (Known("frame", "framed"), *entries))
    found = finding(knowledge, case)
    assert isinstance(found, Finding)
    assert found.causes == confirmed_causes(case) == causes
    assert found.unclear == unclear
    assert len(found.read) == len(before_repair(case).entries) - 1 == readings
    assert len(gather(knowledge, [case]).findings) == 1
    filed = store.append(store.open_case("bay 2", "rattle"), *case.entries)
    judged, _ = judge(knowledge, Engines(knowledge).of, [filed])
    assert len(judged) == 1
    still_open = Case("rattle", case.entries[: [*map(type, case.entries)].index(Reopened) + 1])
    assert finding(knowledge, still_open) == "still open"


def test_the_card_tells_that_a_job_was_reopened(door: Path, store: Store) -> None:
    """The first closing and the reopening stand among the steps."""
    knowledge = checked([door])
    entries = (LOOSE, Closed("strap", ""), Reopened("it rattles again", AT), Closed("glass", ""))
    filed = store.append(store.open_case("bay 2", "rattle"), *entries)
    text = markdown(job_card(knowledge, Engines(knowledge).of, filed, {}, AT))
    assert "Reopened (it rattles again)" in text
    assert "Glass loose in its run" in text
    assert text.index("Check strap loose", text.index("in order")) < text.index("Reopened")


async def test_correcting_the_cause_does_not_ask_for_the_complaint_again(
    door: Path, tmp_path: Path, store: Store
) -> None:
    """It was found gone and nothing was repaired since; the earlier cause is said to be withdrawn."""
    ended = (LOOSE, Repaired("strap", AT), Checked("rattle", "gone"), Closed("glass", ""))
    store.append(store.open_case("blue estate", "rattle"), *ended)
    async with running(door, tmp_path, (120, 40)) as pilot:
        await until(pilot, listed)
        await choose(pilot, "closed 1")
        await choose(pilot, "correct")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        assert "The complaint is gone after the repair." in words(pilot)
        assert "withdrawn is “Glass loose in its run”" in said(pilot, "#story")
    kept = store.case(1)
    assert kept is not None
    assert kept.case.checked == "gone"
    again = kept.case.with_entry(Repaired("glass", AT))
    assert again.checked is None


def test_a_remedy_done_again_says_that_the_first_did_not_hold(door: Path, store: Store) -> None:
    """On the card of the bench, in the question, in the story and on the customer's page."""
    knowledge = checked([door])
    engines = Engines(knowledge)
    later = "2030-03-04T11:00:00+00:00"
    once = store.append(store.open_case("bay 2", "rattle"), LOOSE, Repaired("strap", AT))
    session = Session.opened(engines, store, once, Workshop())
    assert "did not hold" not in " ".join(one.plain for one in card(session, None, "certain").lines)
    assert "again? It was done before: the first did not hold." in session.repair_words("strap")
    filed = store.append(once, Checked("rattle", "still there"), Repaired("strap", later))
    session = Session.opened(engines, store, filed, Workshop())
    assert "the first did not hold" in " ".join(one.plain for one in card(session, None, "certain").lines)
    story = trail(session).plain
    assert story.count("Remedy done: Check strap loose") == 1
    assert story.count("Remedy done again, the first did not hold: Check strap loose") == 1
    page = markdown(customer_sheet(knowledge, engines.of, filed, {}, AT))
    assert page.count("again: the first did not hold") == 1


def test_the_customer_reads_that_no_repair_of_the_cause_was_recorded(door: Path, store: Store) -> None:
    """Closed with a cause that no remedy was entered for; with one that was, nothing is said."""
    knowledge = checked([door])
    for fault, says in (("glass", True), ("strap", False)):
        entries = (LOOSE, Repaired("strap", AT), Checked("rattle", "gone"), Closed(fault, ""))
        filed = store.append(store.open_case("bay 2", "rattle"), *entries)
        page = markdown(customer_sheet(knowledge, Engines(knowledge).of, filed, {}, AT))
        assert ("No repair of this was recorded on this job." in page) == says
