"""A technician's day at the bench: interrupted, corrected, waited for, repaired, shared, and never lost."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from textual.content import Content
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from advisor.advice.rules import Workshop
from advisor.bench.session import Engines, Session
from advisor.case.confirmed import finding
from advisor.case.entries import (
    Acknowledged,
    Booked,
    Cancelled,
    Checked,
    Closed,
    Ended,
    Prepared,
    Ready,
    Repaired,
    Replayed,
    Seen,
    Stated,
    TakenBack,
)
from advisor.checks.lint import checked
from advisor.desk.call import INSPECTION
from advisor.papers.format import clock_words
from advisor.screens.app import AdvisorApp
from advisor.screens.bench import questions
from advisor.screens.bench.card import card
from advisor.screens.bench.cause import CauseScreen
from advisor.screens.bench.changed import ChangedScreen
from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.bench.lookahead import LookAheadScreen
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.readings import ReadingsScreen
from advisor.screens.bench.since import SinceScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.help import HelpScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.paper import MarkdownView
from advisor.screens.widgets.ticks import TickList
from advisor.simulate.rollout import Candidate, LookAhead
from advisor.store.errors import StoreError
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.test_screens import SMALL, entered, listed, opened, running, said, settled, text_of, until, words

HUM = """
language: 1
standing: estimate
complaints:
  hum:
    name: Hums at night
    family: made_up
    any_of: {lamp: 50, radio: 40, relay: 30}
    unlisted: 4
    check: Listen again at night
    check_minutes: 5
faults:
  lamp: {name: Lamp stays lit, remedy: Adjust the switch, remedy_minutes: 5, price: none, cautions: [hot]}
  radio: {name: Radio stays awake, remedy: Update the radio, remedy_minutes: 60, price: middling}
  relay: {name: Relay sticks, remedy: Replace the relay, remedy_minutes: 40, price: low}
instruments:
  clamp: {name: Clamp meter}
  camera: {name: Thermal camera}
cautions:
  hot:
    name: Hot lamp
    signal: caution
    text: Let it cool first. Local rules and licensed practice come first.
  radio_code:
    name: Radio code
    signal: notice
    text: Note the code first. Local rules and licensed practice come first.
setups:
  asleep: {name: Car asleep, hands_on_minutes: 6, waiting_minutes: 40, steps: [Lock it, Walk away]}
readings:
  current:
    name: Current while asleep
    minutes: 5
    setup: asleep
    instrument: clamp
    cautions: [hot, radio_code]
    outcomes: {low: Low, high: High}
    noisy_or: {leak: 0.02, causes: {lamp: 0.97, radio: 0.97, relay: 0.3}}
  warm:
    name: Warm relay while asleep
    minutes: 3
    setup: asleep
    instrument: camera
    outcomes: {cold: Cold, warm: Warm}
    noisy_or: {leak: 0.02, causes: {relay: 0.95}}
  glow:
    name: Glow through the gap
    minutes: 1
    outcomes: {dark: Dark, glows: Glows}
    noisy_or: {leak: 0.02, causes: {lamp: 0.9}}
  hiss:
    name: Radio hisses
    minutes: 10
    outcomes: {silent: Silent, hisses: Hisses}
    noisy_or: {leak: 0.02, causes: {radio: 0.9}}
  click:
    name: Relay clicks
    minutes: 2
    outcomes: {silent: Silent, clicks: Clicks}
    noisy_or: {leak: 0.02, causes: {relay: 0.9}}
"""
GAS = """cautions:
  gas:
    name: Exhaust gas
    signal: danger
    text: Never indoors without extraction. Local rules and licensed practice come first.
  hot:"""
SNAPSHOTS = Path(__file__).parent / "snapshots"


@pytest.fixture
def hum(tmp_path: Path) -> Path:
    """A folder with a small invented knowledge that waits, warns and mends."""
    folder = tmp_path / "hum"
    folder.mkdir()
    (folder / "hum.yaml").write_text(HUM, encoding="utf-8")
    return folder


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """The store of the program under test, seen by somebody else."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    yield store
    store.close()


def same_as_kept(name: str, pilot: Pilot[None]) -> None:
    """Compare the screen with the one kept under a name; with ADVISOR_SNAPSHOTS=write, keep it anew."""
    file = SNAPSHOTS / f"{name}.txt"
    shown = "\n".join(line.rstrip() for line in text_of(pilot).splitlines()) + "\n"
    if os.environ.get("ADVISOR_SNAPSHOTS") == "write":
        file.write_text(shown, encoding="utf-8")
    assert shown == file.read_text(encoding="utf-8")


def stored(folder: Path) -> list[StoredCase]:
    """The jobs in the store of the program under test."""
    store = Store(f"sqlite:///{folder / 'cases.sqlite'}")
    try:
        return store.cases()
    finally:
        store.close()


async def ordered(pilot: Pilot[None], *keys: str) -> None:
    """Press keys in the list of all readings, and go back to the card."""
    task = pilot.app.screen
    await pilot.press("o")
    await until(pilot, lambda screen: isinstance(screen, ReadingsScreen))
    for key in keys:
        await pilot.press(key)
        await settled(pilot)
    await pilot.press("escape")
    await until(pilot, lambda screen: screen is task)


async def on_card(pilot: Pilot[None], reading: str) -> TaskScreen:
    """The bench with a reading on the card."""
    task = pilot.app.screen
    assert isinstance(task, TaskScreen)
    task.choose(reading)
    await settled(pilot)
    return task


async def test_the_first_screen_tells_where_every_job_stands(hum: Path, tmp_path: Path) -> None:
    """Tag, next step and its minutes; number, complaint, and the leading cause with its probability."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot, "bay 2 blue estate")
        await entered(pilot, lambda: task.session.saw("glow", "glows"))
        await pilot.press("escape")
        await until(pilot, lambda screen: "likely Lamp stays lit" in text_of(pilot))
        shown = words(pilot)
        assert "READY FOR YOU bay 2 blue estate Relay clicks 2 min" in shown
        assert "Job 1 · Hums at night · likely Lamp stays lit, 98 %, not proved" in shown
        same_as_kept("open_jobs_with_where_they_stand", pilot)


def test_cautions_stand_first_until_they_are_read(hum: Path, store: Store) -> None:
    """The most severe in short, the others by name behind it; those read by name as well.

    Danger before warning and caution (severity as in ISO 3864-2), a notice last.
    """
    file = hum / "hum.yaml"
    setup = "hands_on_minutes: 6, waiting_minutes: 40"
    text = file.read_text(encoding="utf-8").replace(setup, f"{setup}, cautions: [gas, radio_code, hot]")
    text = text.replace("cautions:\n  hot:", GAS)
    file.write_text(text, encoding="utf-8")
    knowledge = checked([file])
    session = Session.opened(Engines(knowledge), store, store.open_case("bay 2", "hum"), Workshop())
    current = next(one for one in session.proposals if one.reading == "current")
    assert session.cautions(current) == ("gas", "hot", "radio_code")
    lines = [line.plain for line in card(session, current, "certain").lines]
    assert "▌ DANGER  Exhaust gas" in lines
    assert lines[lines.index("▌ DANGER  Exhaust gas") + 1] == "▌ also: Hot lamp; Radio code"
    session = session.acknowledged(["gas", "hot"])
    lines = [line.plain for line in card(session, current, "certain").lines]
    assert "▌ NOTICE  Radio code" in lines
    (read,) = [line for line in lines if line.startswith("✓ read")]
    assert read == "✓ read: Exhaust gas; Hot lamp (again: key y)"
    assert "Never indoors" not in read, "its words have been in view, and are one key away"


async def test_slow_entry_is_shown_as_under_way(hum: Path, tmp_path: Path) -> None:
    """While an entry is being saved and worked out the bench says so; then what it did."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        go_on = threading.Event()

        def slowly() -> Session:
            assert go_on.wait(60)
            return task.session.saw("glow", "glows")

        task.change(slowly)
        await until(pilot, lambda _: "is being saved" in said(pilot, "#news"))
        go_on.set()
        await settled(pilot)
        assert said(pilot, "#news").startswith("Glow through the gap: Glows ▲ Lamp stays lit")


async def test_a_search_finds_a_job_by_tag_complaint_or_cause(
    hum: Path, tmp_path: Path, store: Store
) -> None:
    """Typing narrows the list to the jobs that all words fit."""
    store.open_case("red van", "hum")
    seen = store.open_case("blue estate", "hum")
    store.append(seen, Seen("glow", "glows"))
    async with running(hum, tmp_path) as pilot:
        await until(pilot, lambda screen: "Lamp stays lit" in text_of(pilot))
        jobs = pilot.app.screen.query_one("#jobs", OptionList)
        for typed, count in (("van", 1), ("hums", 2), ("glow", 0), ("estate lamp", 1), ("", 2)):
            pilot.app.screen.query_one("#search", Input).value = typed
            await settled(pilot)
            if typed != "glow":
                found = [one.id for one in jobs.options if not one.disabled]
                assert len(found) == count, typed


async def test_a_job_needs_a_tag(hum: Path, tmp_path: Path, store: Store) -> None:
    """Without one nobody finds it again: the screen says so, and nothing is opened."""
    async with running(hum, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        pilot.app.screen.query_one("#complaints").focus()
        await pilot.press("down", "enter")
        await settled(pilot)
        assert "There is no tag. Give the car one" in text_of(pilot)
        assert store.cases() == []


async def test_enter_on_an_empty_tag_says_so_until_it_is_mended(hum: Path, tmp_path: Path) -> None:
    """It stays at the tag; typing one takes the message away, and Enter goes on."""
    async with running(hum, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await pilot.press("enter", "enter")
        await settled(pilot)
        assert "There is no tag. Give the car one" in said(pilot, "#says")
        assert pilot.app.screen.query_one("#tag").has_focus
        await pilot.press("b")
        await settled(pilot)
        assert said(pilot, "#says") == ""
        await pilot.press("enter", "enter", "enter")
        await settled(pilot)
        assert "Nothing is chosen yet." in said(pilot, "#says")
        await pilot.press("down")
        await settled(pilot)
        assert said(pilot, "#says") == ""


@pytest.mark.parametrize("dialog", ["choice", "cause"])
async def test_enter_with_nothing_chosen_is_answered_inside_the_dialog(
    hum: Path, tmp_path: Path, dialog: str
) -> None:
    """Not on the screen below it, where nobody looks."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        asked = ChoiceScreen("Which?", [("a", "A"), ("b", "B")]) if dialog == "choice" else None
        pilot.app.push_screen(asked or CauseScreen([("lamp", "Lamp stays lit")]))
        await settled(pilot)
        pilot.app.screen.query_one(OptionList).focus()
        await pilot.press("enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, ChoiceScreen | CauseScreen)
        assert "Nothing is chosen yet." in words(pilot)
        assert "Nothing is chosen yet." in said(pilot, "#says")


async def test_enter_leaves_the_help(hum: Path, tmp_path: Path) -> None:
    """Its one button need not be gone to first."""
    async with running(hum, tmp_path) as pilot:
        await until(pilot, listed)
        jobs = pilot.app.screen
        await pilot.press("question_mark")
        await settled(pilot)
        assert isinstance(pilot.app.screen, HelpScreen)
        await pilot.press("enter")
        await settled(pilot)
        assert pilot.app.screen is jobs


async def test_the_choice_of_units_says_what_is_set(hum: Path, tmp_path: Path) -> None:
    """What was chosen before is marked, and what was not is named."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("n")
        await settled(pilot)
        assert "set now" not in text_of(pilot)
        await pilot.press("2")
        await settled(pilot)
        await pilot.press("n")
        await settled(pilot)
        assert "temperature: °F  ← set now" in text_of(pilot)
        assert text_of(pilot).count("set now") == 1
        question = pilot.app.screen
        assert isinstance(question, ChoiceScreen)
        assert question.heading.endswith("Not set, so shown as each reading has it: pressure.")


async def test_the_tab_key_goes_from_the_tag_to_back(hum: Path, tmp_path: Path) -> None:
    """The order of the focus is that of reading."""
    async with running(hum, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        order = []
        for _ in range(4):
            focused = pilot.app.screen.focused
            order.append(type(focused).__name__)
            await pilot.press("tab")
        assert order == ["Input", "Input", "ChoiceList", "Button"]


async def test_a_caution_is_read_before_an_answer_counts(hum: Path, tmp_path: Path) -> None:
    """What can hurt has to be acknowledged once; a notice about property does not. It is recorded."""
    async with running(hum, tmp_path, (100, 30)) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "current")
        shown = text_of(pilot)
        assert "CAUTION  Hot lamp" in shown
        assert "also: Radio code" in shown
        await pilot.press("2")
        await settled(pilot)
        assert task.session.case.taken == ()
        await pilot.press("y")
        await settled(pilot)
        assert "CAUTION, Hot lamp" in text_of(pilot)
        assert not task.session.case.acknowledged
        await pilot.press("y")
        await settled(pilot)
        assert [type(entry) for entry in task.session.case.entries] == [Acknowledged]
        assert task.session.case.acknowledged == {"hot"}
        assert "✓ read: Hot lamp" in text_of(pilot)


async def test_a_wait_is_planned_begun_and_survives_a_restart(
    hum: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the wait and after it are named; once begun it tells when it is over, also after a restart."""
    now = datetime.now(UTC)
    async with running(hum, tmp_path, (100, 40)) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "warm")
        monkeypatch.setattr(task.session.store, "clock", lambda: now)
        shown = words(pilot)
        assert "Car asleep work 6 min, wait 40 min For: Warm relay while asleep" in shown
        assert "Before you wait (key o): " in shown
        assert "w Prepared: the wait begins now, 40 min" in shown
        await pilot.press("w")
        await settled(pilot)
        assert [type(entry) for entry in task.session.case.entries] == [Prepared]
    async with running(hum, tmp_path, (100, 40)) as pilot:
        await until(pilot, lambda screen: "WAITING" in text_of(pilot) and " min left" in text_of(pilot))
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        again = pilot.app.screen
        assert isinstance(again, TaskScreen)
        monkeypatch.setattr(again.session.store, "clock", lambda: now)
        await on_card(pilot, "warm")
        assert "Waiting: Car asleep. Ready at" in words(pilot)
        assert "in 40 min" in words(pilot)


async def test_before_a_long_wait_what_comes_first_is_in_view_and_a_key_away(
    hum: Path, tmp_path: Path
) -> None:
    """At 80 by 24: named right below the reading, and at the head of the list of readings."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "warm")
        assert task.proposal is not None
        plan = task.session.plan(task.proposal)
        assert plan is not None
        assert plan.before
        assert f"Before you wait (key o): {plan.before[0].name}" in text_of(pilot)
        await pilot.press("o")
        await until(pilot, lambda screen: isinstance(screen, ReadingsScreen))
        shown = pilot.app.screen
        assert isinstance(shown, ReadingsScreen)
        first = [line.reading for line, _ in shown.shown.values()][: len(plan.before)]
        assert first == [one.reading for one in plan.before]
        assert "BEST TAKEN BEFORE THE WAIT" in text_of(pilot)


async def test_while_a_wait_runs_the_card_says_until_when_and_offers_what_leaves_it_alone(
    hum: Path, tmp_path: Path
) -> None:
    """At 80 by 24: what is waited for, what can be read meanwhile, and the way out of the wait."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await ordered(pilot, "i")  # the reading that tells most needs the car asleep
        await entered(pilot, lambda: task.session.prepared(["asleep"]))
        assert task.proposal is None
        shown = task.query_one("#task", Static).content
        assert str(shown).startswith("… Waiting: Car asleep. Ready at ")
        assert "Then: Warm relay while asleep." in text_of(pilot)
        offered = [str(one.prompt).strip() for one in task.query_one("#answers", OptionList).options]
        assert offered == [
            "1 Glow through the gap (1 min)",
            "2 Radio hisses (10 min)",
            "3 Relay clicks (2 min)",
            "o Another reading",
            "w End the wait early",
        ]
        assert "w Done" in text_of(pilot).splitlines()[-1]
        await pilot.press("1")
        await settled(pilot)
        assert task.proposal is not None
        assert task.proposal.reading == "glow"
        await pilot.press("r")
        await settled(pilot)
        assert task.proposal is None
        await pilot.press("1")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert task.session.case.entries[-1] == Seen("glow", "dark")
        assert "Waiting: Car asleep" in text_of(pilot)


async def test_a_wait_that_is_cut_short_has_a_reason_that_fits(hum: Path, tmp_path: Path) -> None:
    """Whoever goes on without waiting to the end says so; once the wait is over that is no reason."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.prepared(["asleep"]))
        await pilot.press("w")
        await settled(pilot)
        assert "End the wait: Car asleep" in text_of(pilot)
        await pilot.press("1")
        await settled(pilot)
        await pilot.press("2")
        await settled(pilot)
        assert task.session.case.entries[-1] == Ended("asleep", "went on before the wait was over")
        hour_ago = (datetime.now(UTC) - timedelta(hours=1)).isoformat()
        task.session.store.append(task.session.filed, Prepared("asleep", hour_ago))
        task.look_for_others()
        await settled(pilot)
        await pilot.press("w")
        await settled(pilot)
        assert "No longer in place: Car asleep" in text_of(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert "before the wait was over" not in text_of(pilot)


async def test_a_wait_that_is_over_sooner_is_no_longer_waited_for(hum: Path, tmp_path: Path) -> None:
    """The car is asleep after a moment: what is read from then on counts in full, and nothing rings."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.prepared(["asleep"]))
        await pilot.press("w")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert "it is over already: the car was ready sooner" in words(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert isinstance(task.session.case.entries[-1], Ready)
        assert task.session.waiting == {"asleep": 0}
        assert not task.ringing
        assert task.session.early("warm") == task.session.not_waited_words("warm") == ""
        await entered(pilot, task.session.undone)
        assert task.session.running == ("asleep",)


async def test_since_when_is_typed_in_minutes_or_as_a_time(hum: Path, tmp_path: Path) -> None:
    """It is shown as it is understood, and nothing in the future is taken."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "warm")
        questions.state(task, "asleep")
        await settled(pilot)
        asked = pilot.app.screen
        assert isinstance(asked, ChoiceScreen)
        assert {"for 5 minutes", "for 15 minutes"} <= {said for _, said in asked.lines}
        await pilot.press("8")
        await until(pilot, lambda screen: isinstance(screen, SinceScreen))
        await pilot.press("backspace", "minus", "5", "enter")
        assert "That is in the future" in words(pilot)
        await pilot.press("backspace", "backspace", "4", "5")
        before = datetime.now(UTC) - timedelta(minutes=45)
        await until(pilot, lambda screen: f"Since {clock_words(before)}"[:-1] in words(pilot))
        await pilot.press("enter")
        await settled(pilot)
        stated = task.session.case.entries[-1]
        assert isinstance(stated, Stated)
        assert abs(datetime.fromisoformat(stated.since) - before) < timedelta(minutes=2)


async def test_when_a_wait_is_over_the_setup_is_in_place(hum: Path, tmp_path: Path, store: Store) -> None:
    """Begun an hour ago: the reading can be taken, and costs its own minutes only."""
    filed = store.open_case("bay 2", "hum")
    hour_ago = (datetime.now(UTC) - timedelta(hours=1)).isoformat()
    store.append(filed, Prepared("asleep", hour_ago))
    async with running(hum, tmp_path, (100, 40)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        task = await on_card(pilot, "warm")
        assert "✓ In place: Car asleep" in text_of(pilot)
        assert task.proposal is not None
        assert task.proposal.minutes == 3
        await pilot.press("w", "1", "1")
        await settled(pilot)
        assert "In place" not in text_of(pilot)
        assert task.session.case.prepared == {}


async def test_an_answer_before_the_wait_is_over_is_asked_about(hum: Path, tmp_path: Path) -> None:
    """With minutes left it is asked once: nothing is entered, or a guess; the wait goes on either way."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "warm")
        await pilot.press("w")
        await settled(pilot)
        await on_card(pilot, "warm")
        await pilot.press("2")
        await settled(pilot)
        question = pilot.app.screen
        assert isinstance(question, ChoiceScreen)
        assert "40 minutes are left (Car asleep). What is read now may not be" in question.heading
        assert [said for _, said in question.lines] == [
            "Wait on: the answer is not entered",
            "Enter it as a guess (it counts less); the wait goes on",
        ]
        assert [type(entry) for entry in task.session.case.entries] == [Prepared]
        await pilot.press("1")
        await settled(pilot)
        assert [type(entry) for entry in task.session.case.entries] == [Prepared]
        await pilot.press("2")
        await settled(pilot)
        await pilot.press("2")
        await settled(pilot)
        assert task.session.case.entries[1:] == (Seen("warm", "warm", 0.7),)
        task.look_at_waits()
        await settled(pilot)
        assert "The wait is over" not in text_of(pilot)
        assert "Ready:" not in text_of(pilot)
        assert task.session.waiting["asleep"] > 39


async def test_an_answer_can_be_a_guess(hum: Path, tmp_path: Path) -> None:
    """Less sure answers move less, and the story says how sure they were."""
    moved = []
    for presses in (0, 1, 2):
        async with running(hum, tmp_path / str(presses), (100, 30)) as pilot:
            await opened(pilot)
            task = await on_card(pilot, "glow")
            await pilot.press(*["g"] * presses)
            await settled(pilot)
            await pilot.press("2")
            await settled(pilot)
            entry = task.session.case.entries[0]
            assert isinstance(entry, Seen)
            assert entry.confidence == [1.0, 0.9, 0.7][presses]
            moved.append(task.session.stages[-1]["lamp"])
            if presses:
                assert f"({[100, 90, 70][presses]} % sure)" in words(pilot)
    assert moved[0] > moved[1] > moved[2]


@pytest.fixture(autouse=True)
def folders(tmp_path: Path) -> None:
    """Folders for programs that run one after the other."""
    for name in ("0", "1", "2"):
        (tmp_path / name).mkdir()


async def test_any_step_can_be_corrected_and_the_first_answer_stays_on_record(
    hum: Path, tmp_path: Path
) -> None:
    """The first of two answers is taken back and given again; both are in the story, one counts."""
    async with running(hum, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        await entered(
            pilot, lambda: task.session.saw("glow", "glows"), lambda: task.session.saw("hiss", "silent")
        )
        await pilot.press("s", "down", "enter")
        await until(pilot, lambda screen: "give another answer" in text_of(pilot))
        await pilot.press("1")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen) and "Dark" in text_of(pilot))
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert task.session.case.outcomes == {"hiss": "silent", "glow": "dark"}
        assert task.session.case.entries == (
            Seen("glow", "glows"),
            Seen("hiss", "silent"),
            TakenBack(1, "corrected"),
            Seen("glow", "dark"),
        )
        assert "(taken back)" in words(pilot)
        same_as_kept("a_corrected_answer_stays_in_the_story", pilot)


async def test_other_rankings_are_one_key_away(hum: Path, tmp_path: Path) -> None:
    """Most for the time, most informative, quick looks, and what is on the trolley."""
    async with running(hum, tmp_path, (100, 30)) as pilot:
        task = await opened(pilot)

        def first() -> str:
            assert task.proposal is not None
            return task.proposal.reading

        assert first() == "glow"
        await ordered(pilot, "i")
        assert first() == "warm"
        assert task.session.proposals == task.session.advice.by_bits
        await ordered(pilot, "q")
        assert {one.reading for one in task.session.proposals} == {"glow", "click"}
        await ordered(pilot, "t", "space", "f10")
        assert task.session.off_trolley == {"clamp"}
        assert "current" not in {one.reading for one in task.session.proposals}
        assert "warm" in {one.reading for one in task.session.proposals}
        await ordered(pilot, "p")
        assert first() == "glow"
        assert task.session.proposals == task.session.advice.proposals


async def test_a_likely_and_cheap_remedy_is_proposed_against_the_reading(hum: Path, tmp_path: Path) -> None:
    """With both expected minutes, so that a person can judge."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("click", "silent"))
        shown = said(pilot, "#task")
        assert "Or try the remedy at once (key e): “Lamp stays lit” (59 %). Expected to the end: " in shown


async def test_a_repair_is_checked_and_the_search_goes_on(hum: Path, tmp_path: Path) -> None:
    """Remedy done after its caution, still there, the next cause, done, gone, closed."""
    async with running(hum, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        await entered(
            pilot, lambda: task.session.saw("glow", "glows"), lambda: task.session.saw("hiss", "silent")
        )
        await entered(pilot, lambda: task.session.saw("click", "silent"))
        assert "Sure enough: Lamp stays lit." in words(pilot)
        same_as_kept("sure_enough_with_its_caution", pilot)
        await pilot.press("y")
        await settled(pilot)
        await pilot.press("y")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        question = pilot.app.screen
        assert isinstance(question, ChoiceScreen)
        recorded = "“Adjust the switch” (Lamp stays lit) was done just now"
        assert question.heading == f"Record on job 1, bay 2, that {recorded}?"
        await pilot.press("1")
        await settled(pilot)
        assert "Now look for the complaint again." in said(pilot, "#title")
        assert "How: Listen again at night" in said(pilot, "#task")
        same_as_kept("the_complaint_is_looked_for_again", pilot)
        await pilot.press("2")
        await settled(pilot)
        question = pilot.app.screen
        assert isinstance(question, ChoiceScreen)
        assert question.heading == (
            "After the repair, was “Hums at night” looked for again and found still there? "
            "This is recorded on job 1, bay 2."
        )
        await pilot.press("2")
        await settled(pilot)
        assert task.session.case.checked is None
        await pilot.press("2")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert task.session.advice.stop is None or task.session.advice.stop.reason != "check"
        await entered(pilot, lambda: task.session.repaired("radio"))
        await pilot.press("1")
        await settled(pilot)
        await pilot.press("2")  # it is early for a check: 1 is to record nothing
        await settled(pilot)
        assert "The complaint is gone after the repair." in words(pilot)
        await pilot.press("1", "1")
        await until(pilot, listed)
        kinds = [type(entry) for entry in task.session.case.entries]
        assert kinds.count(Repaired) == 2
        assert kinds.count(Checked) == 2
        closed = task.session.case.closed
        assert closed is not None
        assert closed.fault == "radio"


@pytest.mark.parametrize("slip", [("1",), ("e", "2")], ids=["on the stop card", "another remedy"])
async def test_a_remedy_is_recorded_only_after_a_question(
    hum: Path, tmp_path: Path, slip: tuple[str, ...]
) -> None:
    """It says in one sentence what will be recorded; left by Esc or by the second line it records nothing."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(
            pilot,
            lambda: task.session.saw("hiss", "hisses"),
            lambda: task.session.saw("click", "silent"),
            lambda: task.session.saw("glow", "dark"),
        )
        assert "Sure enough: Radio stays awake." in words(pilot)
        fault = "radio" if slip == ("1",) else task.session.advice.suspects[1].fault
        if fault == "lamp":
            await entered(pilot, lambda: task.session.acknowledged(["hot"]))
        before = task.session.case.entries
        for way_out in ("escape", "2"):
            for key in slip:
                await pilot.press(key)
                await settled(pilot)
            asked = pilot.app.screen
            assert isinstance(asked, ChoiceScreen)
            assert f"({task.session.knowledge.title(fault)}) was done just now?" in asked.heading
            await pilot.press("enter")
            assert pilot.app.screen is asked
            await pilot.press(way_out)
            await settled(pilot)
            assert pilot.app.screen is task
            assert task.session.case.entries == before
        await pilot.press(*slip, "1")
        await settled(pilot)
        assert [type(one) for one in task.session.case.entries[len(before) :]] == [Repaired]
        for answer, stays in (("escape", True), ("1", True), ("2", False)):
            await pilot.press("u")
            await settled(pilot)
            asked = pilot.app.screen
            assert isinstance(asked, ChoiceScreen)
            assert f"Take this back? Remedy done: {task.session.knowledge.title(fault)}" in asked.heading
            await pilot.press(answer)
            await settled(pilot)
            assert bool(task.session.case.repairs) == stays


async def test_one_cause_that_cannot_explain_everything_is_pointed_out(hum: Path, tmp_path: Path) -> None:
    """A glow and a clicking relay: the screen says that one cause hardly explains both."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot)
        await entered(
            pilot, lambda: task.session.saw("glow", "glows"), lambda: task.session.saw("click", "clicks")
        )
        assert "One cause alone hardly explains" in said(pilot, "#task")
        assert "Likely together: “Lamp stays lit” (94 %) and “Relay sticks” (" in said(pilot, "#task")


async def test_looking_ahead_compares_the_readings_to_the_end(hum: Path, tmp_path: Path) -> None:
    """Expected minutes for the best readings; choosing one puts it on the card."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot)
        await pilot.press("o", "l")
        await until(pilot, lambda screen: isinstance(screen, LookAheadScreen))
        await until(pilot, lambda screen: "Expected minutes to the end" in text_of(pilot))
        shown = said(pilot, "#says")
        assert "The plain advice stands" in shown or "It changes the advice" in shown or "mend" in shown
        await settled(pilot)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: screen is task)
        assert task.chosen is not None


async def test_the_end_says_whether_what_is_left_could_change_it(hum: Path, tmp_path: Path) -> None:
    """Worked out beside the event loop, and put on the card of the end."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot)
        await entered(
            pilot, lambda: task.session.saw("glow", "glows"), lambda: task.session.saw("current", "high")
        )
        assert "the same cause would" not in said(pilot, "#task")
        await entered(
            pilot, lambda: task.session.saw("hiss", "silent"), lambda: task.session.saw("click", "silent")
        )
        assert task.session.advice.stop is not None
        assert task.session.advice.proposals, "something is left to read"
        task.play_ahead(task.session)
        await until(pilot, lambda screen: "the same cause would" in said(pilot, "#task"))


async def test_the_second_technician_sees_the_job_and_writes_over_nothing(
    hum: Path, tmp_path: Path, store: Store
) -> None:
    """An answer given elsewhere in the meantime: mine is refused with a message, and theirs is shown."""
    async with running(hum, tmp_path, (100, 30)) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.acknowledged(["hot"]))
        store.append(store.cases()[0], Seen("glow", "glows"))
        await entered(pilot, lambda: task.session.saw("glow", "dark"))
        await settled(pilot)
        assert "Somebody else has entered something" in words(pilot)
        assert task.session.case.outcomes == {"glow": "glows"}
        store.append(store.cases()[0], Seen("hiss", "silent"))
        task.look_around()
        await settled(pilot)
        assert task.session.case.outcomes == {"glow": "glows", "hiss": "silent"}
    assert store.cases()[0].case.outcomes == {"glow": "glows", "hiss": "silent"}


async def test_an_answer_that_cannot_be_saved_is_kept_and_saved_later(
    hum: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, store: Store
) -> None:
    """The database is gone mid-answer: a plain message, nothing else is taken, then it is saved."""
    async with running(hum, tmp_path, (100, 30)) as pilot:
        task = await opened(pilot)
        with monkeypatch.context() as broken:
            trouble = StoreError("The database of cases cannot be written: disk full.")

            def append(*_: object) -> None:
                raise trouble

            broken.setattr(Store, "append", append)
            await entered(pilot, lambda: task.session.saw("glow", "glows"))
            assert "NOT SAVED YET. Your answer is kept here and tried again" in words(pilot)
            assert "The database of cases cannot be written: disk full." in words(pilot)
            await entered(pilot, lambda: task.session.saw("hiss", "silent"))
            assert task.session.case.taken == ()
            await pilot.press("escape")
            await settled(pilot)
            assert "The last answer is not saved yet." in words(pilot)
            await pilot.press("1")
            await settled(pilot)
        task.look_around()
        await settled(pilot)
        assert task.session.case.outcomes == {"glow": "glows"}
    assert store.cases()[0].case.outcomes == {"glow": "glows"}


async def test_changed_knowledge_is_told_and_the_job_replayed(hum: Path, tmp_path: Path) -> None:
    """The job says that the knowledge is another one, what counts for nothing now, and goes on under it."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(
            pilot, lambda: task.session.saw("glow", "glows"), lambda: task.session.saw("click", "silent")
        )
    file = hum / "hum.yaml"
    text = file.read_text(encoding="utf-8")
    file.write_text(
        text.replace("  click:\n    name: Relay clicks", "  clack:\n    name: Relay clacks"), "utf-8"
    )
    async with running(hum, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, ChangedScreen))
        assert "the knowledge has changed since it was opened" in said(pilot, "#text")
        assert "no longer in the knowledge: 2 click: silent" in said(pilot, "#text")
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        screen = pilot.app.screen
        assert isinstance(screen, TaskScreen)
        assert isinstance(screen.session.case.entries[-1], Replayed)
        assert screen.session.knowledge_before is None


async def test_everything_can_be_done_by_finger(hum: Path, tmp_path: Path) -> None:
    """The list of everything is a tap away, and holds every action that a key has."""
    async with running(hum, tmp_path, (100, 50)) as pilot:
        task = await opened(pilot)
        footer = text_of(pilot).splitlines()[-1]
        await pilot.click("Footer", offset=(footer.index("Keys") + 1, 0))
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        choices = pilot.app.screen.query_one(OptionList)
        offered = {choices.get_option_at_index(at).id for at in range(choices.option_count)}
        keys = {one.action for some in task._bindings.key_to_bindings.values() for one in some if one.tooltip}
        assert offered == keys - {"more", "picture"} | {"app.light", "app.quit", "app.command_palette"}


async def test_the_job_card_is_read_on_the_screen_and_saved(
    hum: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Key b shows the job card, key c the customer's page, key s saves it as a page to print."""
    monkeypatch.setattr("advisor.store.store.user_downloads_path", lambda: tmp_path)
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot, "bay 7")
        await entered(pilot, lambda: task.session.saw("glow", "glows"))
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, JobCardScreen) and "bay 7" in text_of(pilot))
        await pilot.press("s")
        await until(pilot, lambda screen: "Saved as" in text_of(pilot))
        assert "bay 7" in (tmp_path / "job-1.html").read_text(encoding="utf-8")


async def test_a_paper_begins_at_its_beginning_and_keeps_to_the_width(hum: Path, tmp_path: Path) -> None:
    """The other page is seen from its top, however far the first was read; narrower, nothing is cut off."""
    async with running(hum, tmp_path, (100, 20)) as pilot:
        await opened(pilot, "bay 7")
        await pilot.press("b")
        await settled(pilot)
        paper = pilot.app.screen.query_one(MarkdownView)
        assert "New job: bay 7" in text_of(pilot)
        await pilot.press("pagedown")
        assert "New job: bay 7" not in text_of(pilot)
        await pilot.press("c")
        await settled(pilot)
        assert "Your car: bay 7" in text_of(pilot)
        letters = "".join(one for line in paper.lines for one in line.text if one.isalnum())
        await pilot.resize_terminal(60, 20)
        await settled(pilot)
        assert max(line.cell_length for line in paper.lines) <= paper.size.width < 60
        assert "".join(one for line in paper.lines for one in line.text if one.isalnum()) == letters


async def test_dark_and_light_show_the_same_words(hum: Path, tmp_path: Path) -> None:
    """No meaning depends on colour: the characters are the same in both."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        dark = text_of(pilot)
        await pilot.press("f2")
        await settled(pilot)
        assert pilot.app.theme == "workshop-light"
        assert text_of(pilot) == dark


async def test_long_names_wrap_instead_of_being_cut(hum: Path, tmp_path: Path) -> None:
    """A reading with a name of eighty letters is readable to its end at 80 columns."""
    text = HUM.replace(
        "name: Glow through the gap", "name: " + "Glow through the narrow gap " * 2 + "of the lid"
    )
    (hum / "hum.yaml").write_text(text, encoding="utf-8")
    async with running(hum, tmp_path, SMALL) as pilot:
        await opened(pilot)
        await on_card(pilot, "glow")
        name = "Glow through the narrow gap Glow through the narrow gap of the lid"
        assert name in words(pilot)


async def test_the_reading_that_tells_most_is_first_behind_its_key(hum: Path, tmp_path: Path) -> None:
    """The card names it with the key o: there it is not looked for down the list."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("click", "silent"))
        assert "Tells most of all: “Radio hisses” (10 min): key o." in words(pilot)
        await pilot.press("o")
        await settled(pilot)
        listed_now = pilot.app.screen
        assert isinstance(listed_now, ReadingsScreen)
        line, group = next(iter(listed_now.shown.values()))
        assert (line.reading, group.heading) == ("hiss", "Tells most of all")


async def test_what_stands_on_the_bench_at_80_by_24(hum: Path, tmp_path: Path) -> None:
    """Task, why, facts, answers with what they would do, story and suspicion: as a technician sees them."""
    async with running(hum, tmp_path, SMALL) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("click", "silent"))
        same_as_kept("the_bench_at_80_by_24", pilot)


async def test_killed_at_any_moment_the_job_goes_on_at_the_same_step(hum: Path, tmp_path: Path) -> None:
    """Whatever was acknowledged is in the file: a program that starts anew shows the same card."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("click", "silent"))
        before = task.proposal
        app = AdvisorApp([hum], frozenset(), f"sqlite:///{tmp_path / 'cases.sqlite'}")
        async with app.run_test(size=SMALL) as other:
            await until(other, listed)
            await other.press("down", "enter")
            await until(other, lambda screen: isinstance(screen, TaskScreen))
            screen = other.app.screen
            assert isinstance(screen, TaskScreen)
            assert screen.proposal == before


async def test_another_reading_that_saves_minutes_is_pointed_out(hum: Path, tmp_path: Path) -> None:
    """The most informative reading waits for the car to sleep; played out, another one ends sooner."""
    app = AdvisorApp([hum], frozenset(), f"sqlite:///{tmp_path / 'cases.sqlite'}")
    async with app.run_test(size=(100, 40)) as pilot:
        task = await opened(pilot)
        await ordered(pilot, "i")
        await until(pilot, lambda screen: task.ahead is not None)
        await settled(pilot)
        assert task.ahead is not None
        assert task.proposal is not None
        assert task.ahead.winner != task.proposal.reading
        assert "Looking ahead: “" in said(pilot, "#task")
        assert "to the end (key o)." in said(pilot, "#task")
        await pilot.press("o")
        await until(pilot, lambda screen: isinstance(screen, ReadingsScreen))
        assert "SAVES MOST TIME TO THE END OF THE REPAIR" in text_of(pilot)


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ("lamp", "mending now saves about 25 min to the end. Begin with “Lamp stays lit” (50 %; key e)."),
        ("", "no reading is worth its time. Asking somebody senior now saves about 25 min."),
        (None, ""),
    ],
)
async def test_mending_now_is_pointed_out_where_it_saves_minutes_and_may_be_done(
    hum: Path, tmp_path: Path, plan: str | None, words: str
) -> None:
    """Played out, mending at once beats every reading: said in bold, and the card stays."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot)
        assert task.proposal is not None
        session, name = task.session, task.proposal.reading
        session.__dict__["mended_first"] = plan
        task.show_ahead(session, LookAhead((Candidate(name, 60.0, 1.0),), 35.0, name))
        await settled(pilot)
        assert task.proposal.reading == name
        assert ("Looking ahead: " + words in said(pilot, "#task")) == bool(words)
        assert ("Looking ahead" in said(pilot, "#task")) == bool(words)


async def test_a_job_whose_remedy_was_done_twice_can_be_closed(hum: Path, tmp_path: Path) -> None:
    """It did not take the first time: the cause is listed once, and the job closes with it."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        for _ in range(2):
            await entered(
                pilot, lambda: task.session.repaired("lamp"), lambda: task.session.checked(gone=False)
            )
        await pilot.press("c")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        lines = pilot.app.screen.query_one(OptionList).options
        assert [one.id for one in lines].count("lamp") == 1
        await pilot.press("1", "1")
        await until(pilot, listed)
    closed = [filed.case.closed for filed in stored(tmp_path)]
    assert [one.fault for one in closed if one] == ["lamp"]


async def test_lists_accept_an_item_named_twice(hum: Path, tmp_path: Path) -> None:
    """Choices and ticks show it once, with the words that came first."""
    async with running(hum, tmp_path) as pilot:
        await until(pilot, listed)
        chosen: list[str | None] = []
        pilot.app.push_screen(
            ChoiceScreen("Which?", [("a", "A"), ("b", "B"), ("a", "A again")]), chosen.append
        )
        await settled(pilot)
        lines = pilot.app.screen.query_one(OptionList).options
        assert [str(one.prompt) for one in lines] == ["1 A", "2 B"]
        await pilot.press("2")
        await settled(pilot)
        assert chosen == ["b"]
        ticks = TickList([("a", Content("A")), ("a", Content("A again"))], ["a"])
        assert [str(one.prompt) for one in ticks.options] == ["[x] A"]


async def test_a_job_is_not_stored_before_something_is_entered(hum: Path, tmp_path: Path) -> None:
    """Opened, looked at and left: nothing is kept. The first answer gives it its number."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot, "looked at")
        await ordered(pilot, "p", "i")
        await pilot.press("escape")
        await until(pilot, listed)
        assert stored(tmp_path) == []
        task = await opened(pilot, "answered")
        await entered(pilot, lambda: task.session.saw("glow", "glows"))
        await entered(pilot, lambda: task.session.saw("hiss", "silent"))
        (filed,) = stored(tmp_path)
        assert (filed.tag, filed.entries) == ("answered", 2)
        assert task.session.filed == filed


async def test_keys_take_nothing_that_nobody_has_chosen(hum: Path, tmp_path: Path) -> None:
    """Enter on lists that have just come up, a sentence in the place of the tag: said, not done."""
    async with running(hum, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await pilot.press(*"no heat in the morning", "enter", "enter", "enter", "enter")
        await settled(pilot)
        assert isinstance(pilot.app.screen, NewJobScreen)
        assert "Nothing is chosen yet" in words(pilot)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        await pilot.press("enter")
        await settled(pilot)
        assert task.session.case.entries == ()
        for key in ("x", "e", "c", "h"):
            await pilot.press(key)
            await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
            await pilot.press("enter")
            await settled(pilot)
            assert isinstance(pilot.app.screen, ChoiceScreen), key
            await pilot.press("escape")
            await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        assert stored(tmp_path) == []


async def test_an_open_job_can_be_cancelled(hum: Path, tmp_path: Path) -> None:
    """One question says what it does: kept in the record, out of the list, and nothing is learned from it."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot, "mistaken")
        await pilot.press("delete")
        await settled(pilot)
        assert pilot.app.screen is task
        await entered(pilot, lambda: task.session.saw("glow", "glows"))
        await pilot.press("delete")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "It leaves the list of open jobs." in text_of(pilot)
        await pilot.press("escape")
        await settled(pilot)
        assert task.session.case.is_open
        await pilot.press("delete")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("1")
        await settled(pilot)
        assert "because: opened by mistake?" in words(pilot)
        await pilot.press("1")
        await until(pilot, lambda screen: "cancelled. It stays on record." in text_of(pilot))
        jobs = pilot.app.screen.query_one("#jobs", OptionList)
        assert [one.id for one in jobs.options] == [None, None, "cancelled 1"]
        assert "No open job. n begins one." in text_of(pilot)
        assert jobs.highlighted == 2
        await pilot.press("enter")
        await settled(pilot)
        assert "Reopen the job" in text_of(pilot)
        await pilot.press("escape")
        await settled(pilot)
    (filed,) = stored(tmp_path)
    assert filed.case.entries == (Seen("glow", "glows"), Cancelled("opened by mistake", ""))
    assert finding(checked([hum]), filed.case) == "cancelled"
    assert not filed.case.is_open
    assert filed.case.with_entry(TakenBack(2, "")).is_open


async def test_the_page_about_the_vehicle_is_left_out_where_nothing_is_asked(
    hum: Path, tmp_path: Path
) -> None:
    """No fact matters to this complaint: the bench comes at once, and key f says so."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.press("f")
        await settled(pilot)
        assert pilot.app.screen is task
        assert "No facts about the vehicle matter" in words(pilot)


async def test_the_story_folds_cautions_and_numbers_nothing(hum: Path, tmp_path: Path) -> None:
    """Two cautions are one line; what the headline counts, readings, is not counted otherwise below it."""
    async with running(hum, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        assert "Esc keeps nothing" in said(pilot, "#story")
        await entered(pilot, lambda: task.session.acknowledged(["hot", "radio_code"]))
        assert "Del lets you choose another" in said(pilot, "#story")
        await entered(pilot, lambda: task.session.saw("glow", "dark"))
        assert said(pilot, "#story").startswith(
            "The story so far • 2 cautions read • Glow through the gap: Dark"
        )
        assert "Del" not in said(pilot, "#story")


async def test_a_wrong_complaint_is_left_for_another(hum: Path, tmp_path: Path) -> None:
    """Cancelled for that reason, the job makes way for the form of a new one with the same tag."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot, "bay 4")
        await entered(pilot, lambda: task.session.acknowledged(["hot"]))
        await pilot.press("delete")
        await settled(pilot)
        await pilot.press("2")
        await settled(pilot)
        await pilot.press("1")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        assert pilot.app.screen.query_one("#tag", Input).value == "bay 4"
    (filed,) = stored(tmp_path)
    assert filed.case.entries[-1] == Cancelled("wrong complaint", "")


async def test_the_question_about_a_step_names_it(hum: Path, tmp_path: Path) -> None:
    """Which step it is, and two ways that differ."""
    async with running(hum, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("glow", "glows"))
        await pilot.press("s", "down", "enter")
        await settled(pilot)
        shown = pilot.app.screen
        assert isinstance(shown, ChoiceScreen)
        assert shown.heading == "Glow through the gap: Glows. What about it?"
        assert [key for key, _ in shown.lines] == ["again", "wrong"]


async def test_every_answer_says_what_it_would_do(hum: Path, tmp_path: Path) -> None:
    """Below its words where there is no room beside them; also where it changes little."""
    file = hum / "hum.yaml"
    text = file.read_text(encoding="utf-8")
    long = "Falls with a door, and comes back as soon as it is shut"
    text = text.replace("{silent: Silent, clicks: Clicks}", f'{{silent: "{long}", clicks: Clicks}}')
    text = text.replace("{leak: 0.02, causes: {radio: 0.9}}", "{leak: 0.02, causes: {radio: 0.03}}")
    file.write_text(text, encoding="utf-8")
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        for reading in ("click", "hiss"):
            task = await on_card(pilot, reading)
            answers = [str(one.prompt) for one in task.query_one("#answers", OptionList).options]
            assert all("→ " in one for one in answers if one[0].isdigit()), answers
        assert any(one.startswith("1 Silent  ") and one.endswith("  → little changes") for one in answers)


async def test_a_closed_inspection_is_listed_and_can_be_reopened(
    hum: Path, tmp_path: Path, store: Store
) -> None:
    """It stands among the closed jobs with what was done, and has no card."""
    filed = store.append(store.draft("red van", INSPECTION, "v"), Booked("2030-01-16", ""))
    store.append(filed, Closed("", "general inspection done"))
    async with running(hum, tmp_path) as pilot:
        await until(pilot, lambda screen: "CLOSED" in text_of(pilot))
        assert "red van General inspection" in words(pilot)
        assert "closed: general inspection done" in text_of(pilot)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        offered = pilot.app.screen
        assert isinstance(offered, ChoiceScreen)
        assert [key for key, _ in offered.lines] == ["note", "reopen"]
        await pilot.press("2")
        await until(pilot, lambda screen: listed(screen) and "CLOSED" not in text_of(pilot))
    (again,) = stored(tmp_path)
    assert again.case.is_open
