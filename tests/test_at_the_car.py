"""What technicians stumbled over at the bench: the customer's words, reasons, the history, typed numbers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from textual.widgets import Input, OptionList

from advisor.bench.wording import entry_words, lead_words, skip_reasons, to_end_words
from advisor.case.entries import (
    BENCH,
    NOT_KNOWN,
    PHONE,
    SEEN_TODAY,
    TOLD,
    Acknowledged,
    Confirmed,
    Prepared,
    SaidByCustomer,
    Seen,
    Warned,
)
from advisor.knowledge.knowledge import Knowledge
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.questions import state, steps
from advisor.screens.bench.since import SinceScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.pick import Select
from advisor.simulate.rollout import ToEnd
from advisor.store.store import Store
from tests.test_condition import MORNING
from tests.test_condition_at_the_bench import AT_THE_BENCH, Bench, bench, car, proposal_of
from tests.test_screens import listed, running, settled, until, words

__all__ = ["bench", "car"]
AT = MORNING.isoformat()
SECOND = (
    "complaints:\n  d:\n    name: It squeals\n    family: f\n"
    "    any_of: {belt: 90, fuel: 20}\n    unlisted: 3\n"
)
DANGER = (
    "dangers:\n  smoke:\n    name: Smoke\n    customer: [smoke]\n    ask: Is there smoke now?\n"
    "    tell: Leave the car.\n    do: Put it out\n"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the car of the rules, in two complaints, and a danger."""
    second = AT_THE_BENCH.replace("complaints:\n", SECOND, 1)
    folder = tmp_path / "knowledge"
    folder.mkdir()
    (folder / "car.yaml").write_text(f"language: 1\nstanding: estimate\n{second}{DANGER}", encoding="utf-8")
    return folder


async def test_what_the_customer_said_is_kept_with_the_job_that_is_begun(
    folder: Path, tmp_path: Path
) -> None:
    """It stays typed until the car's facts are left; a danger in it is asked about; the facts stay too."""
    async with running(folder, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await pilot.press(*"bay?")
        assert pilot.app.screen.query_one("#tag", Input).value == "bay?", "a question mark is typed"
        pilot.app.screen.query_one("#said", Input).value = "Blows warm,  and there is smoke"
        for chosen in (0, 1):
            complaints = pilot.app.screen.query_one("#complaints", OptionList)
            complaints.focus()
            complaints.highlighted = chosen
            await pilot.press("enter")
            await until(pilot, lambda screen: isinstance(screen, FactsScreen))
            assert "Blows warm, and there is smoke" in words(pilot)
            (pick, *_) = pilot.app.screen.query(Select)
            if not chosen:
                pick.value = "electric"
                await pilot.press("escape")
                await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
                await settled(pilot)
                assert pilot.app.screen.query_one("#said", Input).value == "Blows warm, and there is smoke"
            else:
                assert pick.value == "electric", "the car is the same with another complaint"
        await pilot.press("f10")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "Smoke? Is there smoke now?" in words(pilot)
        await pilot.press("1")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        case = task.session.case
        assert case.entries[:2] == (
            Warned("smoke", TOLD),
            SaidByCustomer(BENCH, "Blows warm, and there is smoke"),
        )
        assert case.facts == {"drive": "electric"}
        assert not task.session.has_answers, "another complaint can still be chosen"
        for customer in (False, True):
            assert "Blows warm, and there is smoke" in task.session.job_card("markdown", customer=customer)
        number = task.session.filed.number
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.erase(number)
        assert store.case(number) is None
    finally:
        store.close()
    assert b"Blows warm" not in (tmp_path / "cases.sqlite").read_bytes()


def test_words_say_where_they_were_said(car: Knowledge, bench: Callable[..., Bench]) -> None:
    """By phone, or at the bench."""
    case = bench().session.case
    assert entry_words(car, case, SaidByCustomer(PHONE, "It hums")) == "Customer, by phone: “It hums”"
    assert entry_words(car, case, SaidByCustomer(BENCH, "It hums")) == "Customer: “It hums”"


def test_reasons_fit_the_kind_of_reading(bench: Callable[..., Bench]) -> None:
    """A question is not skipped for want of a tool, and a look at a hot engine not for the customer."""
    session = bench(Confirmed("c", SEEN_TODAY)).session
    asked = skip_reasons(session.knowledge, proposal_of(session, "told"))
    assert asked[:2] == (NOT_KNOWN, "the customer cannot be reached")
    assert "no instrument" not in asked
    looked = skip_reasons(session.knowledge, proposal_of(session, "level"))
    assert looked[0] == "no access"
    assert "the car cannot be brought into that state now" in looked
    assert NOT_KNOWN not in looked


def test_how_far_the_end_is_begins_with_the_time() -> None:
    """The median of minutes first, then how many readings half of such cars take at most."""
    assert to_end_words(ToEnd(6, 40, 0)) == "About 40 min more: 6 readings or fewer for half of such cars."
    assert (
        to_end_words(ToEnd(1, 5, 60))
        == "About 5 min more and 1 h of waiting: 1 reading for half of such cars."
    )


def test_the_leading_cause_is_told_before_and_after(car: Knowledge) -> None:
    """In the words of the bars; also where another cause has taken the lead, and where nothing moved."""
    before, after = {"gas": 0.5, "belt": 0.4}, {"gas": 0.2, "belt": 0.7}
    assert lead_words(car, before, after) == "Belt slips 40 % → 70 % (up 30); Gas lost led, now 20 %"
    assert lead_words(car, after, after) == ""


async def test_the_history_opens_at_its_newest_line_with_cautions_apart(folder: Path, tmp_path: Path) -> None:
    """Many entries on a small screen: the last is in view and gone to, with what it moved."""
    seen = [Seen("told", one) for one in ("squeals", "quiet") * 8]
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.append(
            store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY), *seen, Acknowledged("burns", store.now())
        )
    finally:
        store.close()
    async with running(folder, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        steps(task)
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await settled(pilot)
        screen = pilot.app.screen
        assert isinstance(screen, ChoiceScreen)
        assert screen.lines[0] == ("cautions", "Cautions read: 1 (list them)")
        assert screen.lines[-1][0] == "17"
        assert " → " in screen.lines[-1][1]
        listed_steps = screen.query_one(OptionList)
        await until(pilot, lambda _: listed_steps.highlighted == len(screen.lines) - 1)
        await until(pilot, lambda _: listed_steps.scroll_offset.y > 0)
        listed_steps.highlighted = 0
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen) and len(screen.lines) == 1)


async def test_a_number_typed_in_a_list_is_typed_and_chooses_no_line(folder: Path, tmp_path: Path) -> None:
    """Since when: "20" is twenty minutes and not the second line."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.append(store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY), Prepared("asleep", AT))
    finally:
        store.close()
    async with running(folder, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        state(task, "hot")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("2")
        await until(pilot, lambda screen: isinstance(screen, SinceScreen))
        await pilot.press("0")
        assert pilot.app.screen.query_one(Input).value == "20"
        assert task.session.filed.entries == 2, "nothing is entered before Enter"
        await pilot.press("escape")


async def test_the_last_question_of_the_vehicle_is_whole_at_80_by_24(tmp_path: Path) -> None:
    """The complaint with the most questions that ships: all of them stand there in full at once."""
    async with running(Path("knowledge"), tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        pilot.app.screen.query_one("#tag", Input).value = "bay"
        complaints = pilot.app.screen.query_one("#complaints", OptionList)
        complaints.focus()
        complaints.highlighted = complaints.get_option_index("flat_battery")
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        await settled(pilot)
        form = pilot.app.screen.query_one("#facts")
        assert form.virtual_size.height <= form.region.height
