"""The screens as a person meets them: open, press keys or tap, look."""

from __future__ import annotations

import gc
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from textual.events import Key
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widgets import Input, OptionList, Static
from textual.widgets._footer import FooterKey

from advisor.bench.session import Session
from advisor.case.entries import NOT_TRIED
from advisor.screens.app import AdvisorApp
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.help import HelpScreen
from advisor.screens.start import StartScreen
from advisor.screens.widgets.attention import Attention
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.pick import Select
from advisor.settings import Settings
from advisor.store.store import Store

KNOWLEDGE = Path(__file__).parent.parent / "knowledge"
NOTHING_SET = Settings()
SMALL = (80, 24)

DOOR = """
language: 1
standing: estimate
complaints:
  rattle:
    name: Door rattles
    family: doors
    any_of: {strap: 60, glass: 45}
    unlisted: 5
faults:
  strap: {name: Check strap loose, remedy: Tighten the strap, remedy_minutes: 10, price: low}
  glass: {name: Glass loose in its run, remedy: Reseat the glass, remedy_minutes: 40, price: low}
facts:
  frame: {name: Frame of the glass, ask: Has the glass a frame?, values: {framed: 80, frameless: 20}}
readings:
  wiggle:
    name: Wiggle the strap
    minutes: 2
    steps: [Open the door halfway, Wiggle the strap by hand]
    outcomes: {firm: Firm, loose: Loose}
    table:
      - when: {strap: present}
        gives: {loose: 0.97, firm: 0.03}
      - otherwise: {firm: 1.0, loose: 0.0}
  slam:
    name: Slam the door
    minutes: 5
    outcomes: {clack: Clack, thud: Thud}
    table:
      - when: {strap: present}
        gives: {thud: 1.0, clack: 0.0}
      - otherwise: {clack: 1.0, thud: 0.0}
  tap:
    name: Tap the glass
    minutes: 1
    outcomes: {dull: Dull, ringing: "Rings [bold]loudly[/] and long, longer than the other door"}
    table:
      - when: {glass: present, frame: frameless}
        gives: {ringing: 0.9, dull: 0.1}
      - when: {glass: present}
        gives: {ringing: 0.8, dull: 0.2}
      - when: {strap: present}
        gives: {ringing: 0.1, dull: 0.9}
      - otherwise: {dull: 0.0, ringing: 1.0}
"""


@pytest.fixture
def door(tmp_path: Path) -> Path:
    """A folder with a small invented knowledge."""
    folder = tmp_path / "door"
    folder.mkdir()
    (folder / "door.yaml").write_text(DOOR, encoding="utf-8")
    return folder


@asynccontextmanager
async def running(
    knowledge: Path,
    tmp_path: Path,
    size: tuple[int, int] = SMALL,
    url: str = "",
    settings: Settings = NOTHING_SET,
) -> AsyncIterator[Pilot[None]]:
    """The program on some knowledge, its cases in a file below tmp_path, or in another database."""
    url = url or f"sqlite:///{tmp_path / 'cases.sqlite'}"
    app = AdvisorApp([knowledge], frozenset(), url, looks_ahead=False, settings=settings)
    async with app.run_test(size=size, notifications=True) as pilot:
        yield pilot


async def until(pilot: Pilot[None], done: Callable[[Screen[Any]], bool]) -> None:
    """Let the program work until the screen on top is as wanted."""
    for _ in range(3000):
        if done(pilot.app.screen):
            await pilot.pause()
            return
        await pilot.pause(0.01)
    raise AssertionError(f"never came to it; the screen is {pilot.app.screen}")


async def settled(pilot: Pilot[None]) -> None:
    """Let the program finish what it is working on in the background."""
    await pilot.pause()
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


async def entered(pilot: Pilot[None], *makes: Callable[[], Session]) -> None:
    """Change the job on the bench, one step after the other."""
    for make in makes:
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        task.change(make)
        await settled(pilot)


def listed(screen: Screen[Any]) -> bool:
    """Whether the first screen has its list."""
    jobs = screen.query("#jobs").results(OptionList) if isinstance(screen, StartScreen) else ()
    return any(one.option_count > 0 for one in jobs)


async def opened(pilot: Pilot[None], tag: str = "bay 2", complaint: str = "flat_battery") -> TaskScreen:
    """A new job (a flat battery, where there is one), facts left open and the complaint not tried yet.

    It begins as the dialog for a new job ends; `test_tag_and_complaint_begin_a_job` fills the dialog in.
    """
    await until(pilot, listed)
    start = pilot.app.screen
    assert isinstance(start, StartScreen)
    complaints = list(start.engines.knowledge.complaints)
    wanted = complaint if complaint in complaints else complaints[0]
    start.open_job(lambda: start.store.draft(tag, wanted, start.engines.knowledge.version))
    await until(pilot, lambda screen: isinstance(screen, FactsScreen | TaskScreen))
    if isinstance(pilot.app.screen, FactsScreen):
        await pilot.press("f10")
    await until(pilot, lambda screen: isinstance(screen, TaskScreen))
    screen = pilot.app.screen
    assert isinstance(screen, TaskScreen)
    if screen.session.complaint.confirm is not None:
        await entered(pilot, lambda: screen.session.confirmed(NOT_TRIED))
    return screen


def text_of(pilot: Pilot[None]) -> str:
    """The characters on the screen."""
    width, height = pilot.app.size
    strips = pilot.app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in strip)[:width] for strip in strips[:height])


def words(pilot: Pilot[None]) -> str:
    """The words on the screen, whatever their lines."""
    return " ".join(text_of(pilot).split())


def said(pilot: Pilot[None], where: str) -> str:
    """The words of one part of the screen, whether they are in view or not."""
    return " ".join(str(pilot.app.screen.query_one(where, Static).content).split())


async def test_first_screen_offers_the_complaints_of_the_knowledge(door: Path, tmp_path: Path) -> None:
    """A technician sees what can be started, in the words of the knowledge."""
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        assert "Door rattles" in text_of(pilot)


async def test_tag_and_complaint_begin_a_job(door: Path, tmp_path: Path) -> None:
    """The tag is typed, Enter goes on to the words and to the complaints, and the one chosen is the job's."""
    squeak = "  squeak: {name: Door squeaks, family: doors, any_of: {strap: 60, glass: 45}, unlisted: 5}\n"
    (door / "door.yaml").write_text(DOOR.replace("faults:\n", f"{squeak}faults:\n", 1), encoding="utf-8")
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await pilot.press(*"bay", "enter", "enter", "down", "down", "enter")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        await pilot.press("f10")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        assert (task.session.filed.tag, task.session.case.complaint) == ("bay", "squeak")


async def test_a_finished_screen_closes_dialogs_above_it(door: Path, tmp_path: Path) -> None:
    """What was asked for is worked out while keys are read: both are gone then, and the next screen is up."""
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        new = pilot.app.screen
        assert isinstance(new, NewJobScreen)
        await pilot.app.push_screen(HelpScreen(new))
        new.dismiss(("bay 2", "rattle", ""))
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        assert not [one for one in pilot.app.screen_stack if isinstance(one, NewJobScreen | HelpScreen)]


async def test_an_answer_moves_the_suspicion_and_joins_the_story(door: Path, tmp_path: Path) -> None:
    """After an answer the trail tells it, the causes show its move, and the next reading is asked."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        first = task.proposal
        assert first is not None
        await pilot.press("1")
        await settled(pilot)
        assert list(task.session.filed.case.outcomes) == [first.reading]
        shown = text_of(pilot)
        assert first.name in shown
        assert "▲" in shown or "▼" in shown
        assert task.proposal is None or task.proposal.reading != first.reading


async def test_search_ends_with_the_remedy_once_the_cause_is_found(door: Path, tmp_path: Path) -> None:
    """When the cause is sure enough, the screen says so, and what puts it right."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("wiggle", "loose"))
        await entered(pilot, lambda: task.session.saw("tap", "dull"))
        await settled(pilot)
        shown = text_of(pilot)
        assert "Sure enough: Check strap loose." in shown
        assert "Tighten the strap" in shown


async def test_undo_takes_back_the_last_answer_and_keeps_the_record(door: Path, tmp_path: Path) -> None:
    """Undo shows the older case again; the store still has both rows."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        before = task.session.advice.suspects[0].probability
        await pilot.press("1", "u")
        await settled(pilot)
        assert task.session.case.counting == {}
        assert task.session.advice.suspects[0].probability == pytest.approx(before, abs=1e-12)
        assert task.session.filed.entries == 2


async def test_skipping_a_reading_asks_why_and_proposes_another(door: Path, tmp_path: Path) -> None:
    """A skipped reading is told in the story with its reason, and is not asked again."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        first = task.proposal
        assert first is not None
        await pilot.press("x", "1")
        await settled(pilot)
        assert list(task.session.filed.case.skipped) == [first.reading]
        assert task.proposal is not None
        assert task.proposal.reading != first.reading


async def test_answers_that_clash_are_refused_and_nothing_is_lost(door: Path, tmp_path: Path) -> None:
    """Two answers that cannot be so together: the screen says which, and the case stays as it was."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("wiggle", "loose"))
        before = task.session
        await entered(pilot, lambda: task.session.saw("slam", "clack"))
        await until(pilot, lambda screen: "Not entered" in text_of(pilot))
        assert task.session is before
        shown = " ".join(text_of(pilot).split())
        assert "These answers contradict each other" in shown
        assert "The job is as it was." in shown
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    assert store.cases()[0].case.outcomes == {"wiggle": "loose"}
    store.close()


async def test_a_job_goes_on_where_it_was_left(door: Path, tmp_path: Path) -> None:
    """Leaving and starting the program again continues the same job with everything entered."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.press("2")
        await settled(pilot)
        entries = task.session.filed.case.entries
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        assert "Job 1 · Door rattles" in text_of(pilot)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        screen = pilot.app.screen
        assert isinstance(screen, TaskScreen)
        assert screen.session.filed.case.entries == entries


async def test_a_job_that_new_knowledge_contradicts_is_told_and_kept(door: Path, tmp_path: Path) -> None:
    """Changed knowledge may rule out what was entered: a message, the list stays, nothing is lost."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("wiggle", "loose"))
        await entered(pilot, lambda: task.session.saw("tap", "dull"))
    text = (door / "door.yaml").read_text(encoding="utf-8")
    stricter = text.replace("gives: {ringing: 0.1, dull: 0.9}", "gives: {ringing: 1.0, dull: 0.0}")
    stricter = stricter.replace("dull: 0.1}", "dull: 0.0}").replace("dull: 0.2}", "dull: 0.0}")
    stricter = stricter.replace("{ringing: 0.9, ", "{ringing: 1.0, ").replace(
        "{ringing: 0.8, ", "{ringing: 1.0, "
    )
    (door / "door.yaml").write_text(stricter, encoding="utf-8")
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: "By the new knowledge" in text_of(pilot))
        assert "Take back 2: Tap the glass: Dull" in text_of(pilot)
        await pilot.press("escape")
        await until(pilot, listed)
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    assert store.cases()[0].case.outcomes == {"wiggle": "loose", "tap": "dull"}
    store.close()


async def test_every_answer_can_be_tapped(door: Path, tmp_path: Path) -> None:
    """Touch works as keys do: tapping the first answer enters it."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.click("#answers", offset=(4, 1))
        await settled(pilot)
        assert len(task.session.filed.case.outcomes) == 1


async def test_text_from_the_knowledge_is_never_markup(door: Path, tmp_path: Path) -> None:
    """Square brackets in an outcome are shown as written."""
    async with running(door, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        task.chosen = "tap"
        task.show_session()
        await settled(pilot)
        assert "Rings [bold]loudly[/] and long" in text_of(pilot)


async def test_closing_records_the_cause_that_was_found(door: Path, tmp_path: Path) -> None:
    """A closed job carries its cause and leaves the list of open jobs."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("c", "1", "1")
        await until(pilot, listed)
        assert "CLOSED" in text_of(pilot)
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    closed = store.cases()[0].case.closed
    store.close()
    assert closed is not None
    assert closed.fault in {"strap", "glass"}


async def test_broken_knowledge_is_told_with_file_line_and_column(tmp_path: Path) -> None:
    """A mistake in the YAML is shown on the first screen; nothing prints a traceback."""
    file = tmp_path / "wrong.yaml"
    file.write_text("language: 1\nfalts: {}\n", encoding="utf-8")
    async with running(file, tmp_path, (120, 40)) as pilot:
        await until(pilot, lambda _: "is not a word of the language" in said(pilot, "#says"))
        assert "wrong.yaml:2:1: unknown-word" in said(pilot, "#says")


async def test_help_names_every_key_of_the_bench(door: Path, tmp_path: Path) -> None:
    """The question mark lists the keys with what they do, from the bindings themselves."""
    async with running(door, tmp_path, (100, 40)) as pilot:
        await opened(pilot)
        await pilot.press("question_mark")
        await settled(pilot)
        shown = text_of(pilot)
        for words in (
            "Take back the last step",
            "This reading cannot be taken here",
            "All readings: search, order and choose another",
        ):
            assert words in shown


async def test_the_vehicle_is_asked_for_every_fact_that_matters(tmp_path: Path) -> None:
    """Facts that only shift limits are asked as well; facts of other families are not."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        assert "battery_type" in task.session.facts
        assert "roof_glass" not in task.session.facts


async def cautions_read(pilot: Pilot[None], task: TaskScreen) -> None:
    """Read the cautions of the card in full, and confirm them once the last came into view."""
    for _ in range(4):
        proposal = task.proposal
        if proposal is not None and task.session.to_acknowledge(task.session.cautions(proposal)):
            await pilot.press("y")
            await settled(pilot)
    assert task.proposal is not None
    assert not task.session.to_acknowledge(task.session.cautions(task.proposal))


async def measuring(pilot: Pilot[None], *keys: str) -> TaskScreen:
    """A new drain job with the sleeping current on the card, and some keys pressed."""
    task = await opened(pilot)
    await entered(pilot, lambda: task.session.stated("asleep", 60.0))
    task.made = task.chosen = "sleeping_current"
    task.show_session()
    await settled(pilot)
    await cautions_read(pilot, task)
    for key in keys:
        await pilot.press(key)
    await settled(pilot)
    return task


async def test_a_number_is_understood_while_it_is_typed(tmp_path: Path) -> None:
    """Typing a number opens the entry; its unit, uncertainty and band are shown before it is entered."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await measuring(pilot, "0", *".43A", "enter", "1")
        await settled(pilot)
        assert "= 430 mA" in said(pilot, "#understood")
        assert "In the band: High" in said(pilot, "#understood")
        assert task.query_one("#answers", OptionList).highlighted == 2
        await pilot.press("enter")
        await settled(pilot)
        assert task.session.filed.case.measured["sleeping_current"][0][0].value == pytest.approx(430.0)
        assert "Quiescent current: 0.43A" in text_of(pilot)


async def test_a_number_that_comes_in_one_burst_is_entered_whole(tmp_path: Path) -> None:
    """A pasted number, or a meter that types like a keyboard: no digit is lost before the entry is up."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        await measuring(pilot)
        for letter in "430mA":
            pilot.app.post_message(Key(letter, letter))
        await until(pilot, lambda screen: screen.query_one("#typed", Input).value == "430mA")
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("1")
        await settled(pilot)
        assert "= 430 mA" in said(pilot, "#understood")


async def test_a_bounced_key_answers_one_card(tmp_path: Path) -> None:
    """Eight times "1" in one burst is one answer: the next card has not been read yet."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        readings = task.session.knowledge.readings
        plain = [one for one in task.session.proposals if not one.asks and not one.setups]
        reading = next(one.reading for one in plain if readings[one.reading].quantity is None)
        task.chosen = reading
        task.show_session()
        await settled(pilot)
        await cautions_read(pilot, task)
        assert isinstance(pilot.app, AdvisorApp)
        pilot.app.attention = Attention(60, lambda: 0.0)
        for _ in range(8):
            pilot.app.post_message(Key("1", "1"))
        await until(pilot, lambda screen: bool(task.session.filed.case.outcomes))
        assert list(task.session.filed.case.taken) == [reading]


async def test_what_a_number_was_taken_with_is_asked_once(tmp_path: Path) -> None:
    """Enter asks for it and enters nothing; the next number of the job counts as taken with the same."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await measuring(pilot, *"60", "enter")
        assert isinstance(pilot.app.screen, ChoiceScreen)
        await pilot.press("escape")
        await settled(pilot)
        assert "say then what it was taken with" in said(pilot, "#understood")
        assert task.session.case.taken == ()
        await pilot.press("enter", "2")
        await settled(pilot)
        assert "= 60 mA" in said(pilot, "#understood")
        await pilot.press("enter")
        await settled(pilot)
        used = task.session.case.measured["sleeping_current"][0][0].instrument
        assert used == task.session.knowledge.readings["sleeping_current"].instrument[1]
        task.measure("sleeping_current", "6")
        await settled(pilot)
        assert pilot.app.screen.query_one(Select).value == used
        await pilot.press("2", "enter")
        await settled(pilot)
        assert [take[0].instrument for take in task.session.case.measured["sleeping_current"]] == [used] * 2


async def test_a_fact_is_chosen_from_a_list_by_key_and_by_finger(tmp_path: Path) -> None:
    """Enter or a tap opens the list on what is said so far; its first line takes the fact away again."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.press("f")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        fact, said = next(iter(task.session.facts.items()))
        pick = pilot.app.screen.query_one(f"#fact-{fact}", Select)
        await pilot.press("enter", "2")
        await settled(pilot)
        kinds = list(said.values)
        assert pick.value == kinds[0]
        await pilot.click(f"#fact-{fact}")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert pick.value is None
        await pilot.press("space", "down", "down", "enter", "f10")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        assert task.session.case.facts == {fact: kinds[1]}


async def test_the_choice_that_has_the_focus_looks_different(tmp_path: Path) -> None:
    """Else nobody sees which of them Enter opens."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("f")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        choices = list(pilot.app.screen.query(Select))
        assert choices[0].has_focus
        looks = {one.styles.background for one in choices[1:]}
        assert len(looks) == 1
        assert choices[0].styles.background not in looks


async def test_back_on_the_vehicle_page_changes_nothing(tmp_path: Path) -> None:
    """Escape there means what it means everywhere else."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.press("f")
        await until(pilot, lambda screen: isinstance(screen, FactsScreen))
        pilot.app.screen.query_one("#fact-battery_type", Select).value = "agm"
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        assert task.session.filed.case.facts == {}


async def test_a_start_that_failed_ends_with_its_exit_code(tmp_path: Path) -> None:
    """Wrong knowledge is 1, a database that cannot be opened is 3; the message stays until it is read."""
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text("language: 1\nfalts: {}\n", encoding="utf-8")
    for knowledge, url, code in (
        (wrong, f"sqlite:///{tmp_path / 'cases.sqlite'}", 1),
        (KNOWLEDGE, f"sqlite:///{tmp_path / 'no' / 'such' / 'folder.sqlite'}", 3),
    ):
        app = AdvisorApp([knowledge], frozenset(), url)
        async with app.run_test(size=SMALL) as pilot:
            await until(pilot, lambda _: "start again" in said(pilot, "#says"))
            await pilot.press("escape")
            await settled(pilot)
        assert app.return_code == code


async def test_a_number_that_cannot_be_is_asked_again(tmp_path: Path) -> None:
    """A wrong kind stays on the screen with what is wanted; nothing is entered."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await measuring(pilot, "1", "2", "V", "enter")
        assert "A current is wanted" in said(pilot, "#understood")
        assert task.session.case.taken == ()


async def test_taking_a_reading_again_averages(tmp_path: Path) -> None:
    """A repeat is shown as such and joins the first take."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await measuring(pilot, "6", "0", "enter", "1", "enter")
        await pilot.press("a", "1")
        await settled(pilot)
        await pilot.press("6", "4")
        await settled(pilot)
        assert "= 62 mA" in text_of(pilot)
        assert "from 2 takes" in text_of(pilot)
        await pilot.press("enter")
        await settled(pilot)
        assert len(task.session.filed.case.measured["sleeping_current"]) == 2


async def test_account_subtracts_a_part_found_by_disconnecting(tmp_path: Path) -> None:
    """A part found by disconnecting is subtracted, and the account says whether there is another one."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await measuring(pilot, *"430", "enter", "1", "enter")
        await pilot.press("d")
        await settled(pilot)
        await pilot.press(*"lamp", "tab")
        await settled(pilot)
        await pilot.press(*"400mA", "enter")
        await settled(pilot)
        shown = text_of(pilot)
        assert "found: lamp: 400 mA" in shown
        assert "that is the whole draw" in shown
        await pilot.press("escape")
        await settled(pilot)
        assert len(task.session.filed.case.parts) == 1


async def test_a_part_behind_a_measured_fuse_is_chosen_from_those_measured(tmp_path: Path) -> None:
    """The account offers the fuses that were measured; none is chosen by itself."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await measuring(pilot, *"430", "enter", "1", "enter")
        filled = {"fuse_drop": "3mV", "fuse_size": "regular", "fuse_rating": "10 A"}
        understood = task.session.understand("fuse_interior", filled, {"fuse_drop": "millivoltmeter"})
        await entered(pilot, lambda: task.session.measured(understood))
        await pilot.press("d")
        await settled(pilot)
        behind = pilot.app.screen.query_one("#behind", Select)
        assert behind.value is None
        await pilot.press(*"lamp", "tab", *"380mA", "tab", "enter")
        await settled(pilot)
        await pilot.press("2", "tab", "enter")
        await settled(pilot)
        assert [one.behind for one in task.session.case.parts] == []
        assert "counted already in" in said(pilot, "#account")
        await pilot.press("escape")
        await settled(pilot)
        assert [one.behind for one in task.session.case.parts] == ["fuse_interior"]


async def test_preferred_units_are_remembered(tmp_path: Path) -> None:
    """°F chosen once is there when the program is started again."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.press("n", "down", "down", "enter")
        await settled(pilot)
        assert task.session.preferences == {"temperature": "°F"}
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        assert task.session.preferences == {"temperature": "°F"}


async def test_readings_that_disagree_are_pointed_out(tmp_path: Path) -> None:
    """When one reading stands against the rest, the card names it and what it should have shown."""
    async with running(KNOWLEDGE, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        for reading, outcome in (
            ("sleeping_current", "usual"),
            ("fuse_interior", "flows"),
            ("fuse_audio", "flows"),
            ("relay_pulled", "falls"),
            ("night_log", "over"),
        ):
            await entered(pilot, partial(task.session.saw, reading, outcome))
        await settled(pilot)
        found = task.session.disagreement
        assert found is not None
        repeated = task.session.knowledge.readings[found.repeat].name
        assert f"Repeat “{repeated}”" in " ".join(text_of(pilot).split())


async def test_a_coarse_clamp_is_said_to_tell_less(tmp_path: Path) -> None:
    """Without the low-current clamp the card says what the better instrument would tell."""
    url = f"sqlite:///{tmp_path / 'cases.sqlite'}"
    app = AdvisorApp([KNOWLEDGE], frozenset({"low_current_clamp"}), url, looks_ahead=False)
    async with app.run_test(size=(120, 40)) as pilot:
        await measuring(pilot)
        assert "Low-current DC clamp, 1 mA would tell" in said(pilot, "#task")


@pytest.mark.parametrize("size", [SMALL, (120, 40)])
async def test_the_shipped_knowledge_fits_the_screen(size: tuple[int, int], tmp_path: Path) -> None:
    """At 80x24 and 120x40 the task, its answers, the causes and the keys are all in view."""
    async with running(KNOWLEDGE, tmp_path, size) as pilot:
        await opened(pilot)
        await pilot.press("3")
        await settled(pilot)
        shown = text_of(pilot)
        for words in (
            "Battery flat after standing",
            "up 1",
            "x Cannot",
            "Keys",
        ):
            assert words in shown


async def test_old_garbage_is_looked_for_between_jobs_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a job only young objects are looked through, back at the list all; leaving restores what was set."""
    looked: list[int] = []
    usual = gc.get_threshold()
    async with running(KNOWLEDGE, tmp_path) as pilot:
        await opened(pilot)
        await settled(pilot)
        monkeypatch.setattr(gc, "collect", looked.append)
        assert gc.isenabled()
        assert gc.get_threshold() > usual
        await pilot.press("h", "escape")
        await settled(pilot)
        assert set(looked) == {1}
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, StartScreen) and 2 in looked)
    assert gc.get_threshold() == usual


async def test_keys_of_the_bottom_line_are_styled_no_second_time_for_their_width(
    door: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They come up as wide as Textual leaves them in the end, and no class of theirs changes on the way."""
    changed: list[bool] = []
    plain = FooterKey.set_class

    def set_class(key: FooterKey, add: bool, *names: str, update: bool = True) -> FooterKey:
        before = key.classes
        plain(key, add, *names, update=update)
        changed.append(key.classes != before)
        return key

    monkeypatch.setattr(FooterKey, "set_class", set_class)
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await settled(pilot)
        keys = list(pilot.app.screen.query(FooterKey))
        assert len(keys) > 3
        assert not any(key.compact or key.has_class("-compact") for key in keys)
    assert changed
    assert not any(changed)


async def test_an_answer_without_its_long_wait_is_asked_about(tmp_path: Path) -> None:
    """Nothing is entered by the first key; only a yes puts the setup in place."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        before = len(task.session.case.entries)
        task.measure("sleeping_current", "900")
        await settled(pilot)
        await pilot.press("enter", "1")
        await settled(pilot)
        await pilot.press("enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "Nobody has entered that wait." in " ".join(text_of(pilot).split())
        await pilot.press("3")
        await settled(pilot)
        assert len(task.session.case.entries) == before
        assert task.session.not_waited_for("sleeping_current")


async def test_the_one_number_left_of_several_is_typed_on_the_card(tmp_path: Path) -> None:
    """What the job remembers is not asked again; the field names what is asked, and the number counts."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot, complaint="poor_cooling")
        await entered(
            pilot,
            lambda: task.session.knows({"refrigerant": "r134a"}),
            lambda: task.session.noted("outside_air", "26"),
        )
        session = task.session
        one = next(one for one in session.advice.proposals if one.reading == "high_side_data")
        assert [field.key for field in session.fields(one.reading)] == ["shown_pressure"]
        await entered(pilot, lambda: task.session.acknowledged(task.session.cautions(one)))
        task.made = task.chosen = one.reading
        task.show_session()
        await settled(pilot)
        await pilot.press("1", "5", ".", "5")
        await settled(pilot)
        assert said(pilot, "#meter").endswith(":")
        assert "=" in said(pilot, "#understood")
        await pilot.press("enter")
        await until(pilot, lambda screen: screen is not task or one.reading in task.session.case.taken)
