"""What the bench asks, refuses and says of the condition of the car."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from textual.widgets import OptionList

from advisor.advice.advice import CandidateReading, advise
from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.advice.situation import Situation
from advisor.bench.session import NotSo, Session, reopened
from advisor.case.case import Case
from advisor.case.condition import present, to_put_back
from advisor.case.entries import (
    CORRECTION,
    CUSTOMER,
    GONE,
    NOT_PRESENT,
    NOT_WAITED_FOR,
    SEEN_TODAY,
    Checked,
    Closed,
    Confirmed,
    Ended,
    Entry,
    Finished,
    Known,
    Prepared,
    Repaired,
    Seen,
    Stated,
    TakenBack,
)
from advisor.case.setups import minutes as planned_minutes
from advisor.checks.lint import checked
from advisor.cli.program import commands
from advisor.desk.booking import booking_sheet
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge, answers_of, tellers
from advisor.knowledge.vocabulary import Fact
from advisor.model.network import build
from advisor.policy import Policy
from advisor.screens.bench.card import Card, _wait, card
from advisor.screens.bench.task import TaskScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.pick import Select
from advisor.store.store import Store
from tests.test_condition import CAR, MORNING
from tests.test_screens import listed, running, settled, until, words

AT_THE_BENCH = CAR.replace(
    "    check_setup: hot\n",
    "    check: Drive it warm\n    check_setup: hot\n"
    "    confirm: {how: Hand at the middle vent, minutes: 6, setup: cooling}\n",
).replace(
    "readings:\n",
    "readings:\n"
    "  bleed:\n    name: Coolant rises\n    minutes: 4\n    setup: warming\n"
    "    outcomes: {full: It rises, low: It stays}\n"
    "    noisy_or: {leak: 5 of 100, causes: {belt: 80 of 100}}\n"
    "  told:\n    name: Noise told of\n    who: customer\n    ask: Does it squeal?\n    minutes: 1\n"
    "    outcomes: {quiet: Quiet, squeals: It squeals}\n"
    "    noisy_or: {leak: 10 of 100, causes: {belt: 50 of 100}}\n",
)


@pytest.fixture(scope="module")
def car(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    """The car of the rules, with a complaint that is looked for at full cooling."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    return checked([folder])


@dataclass
class Bench:
    """A job, and the time of day."""

    session: Session
    now: list[datetime]

    def after(self, minutes: float) -> Session:
        """The same job so many minutes later."""
        self.now[0] += timedelta(minutes=minutes)
        return self.session.refreshed()


@pytest.fixture
def bench(car: Knowledge, tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    """Opens jobs in the morning, after entries of that moment."""
    opened: list[Store] = []

    def at_the_bench(*entries: Entry) -> Bench:
        now = [MORNING]
        store = Store(f"sqlite:///{tmp_path / f'{len(opened)}.sqlite'}", clock=lambda: now[0])
        opened.append(store)
        filed = store.open_case("bay", "c")
        filed = store.append(filed, *entries) if entries else filed
        return Bench(Session.opened(Engines(car), store, filed, Workshop()), now)

    try:
        yield at_the_bench
    finally:
        for store in opened:
            store.close()


def proposal_of(session: Session, reading: str) -> CandidateReading:
    """A reading as it is offered."""
    return next(one for one in session.advice.proposals if one.reading == reading)


def text_of(session: Session, reading: str | None = None) -> str:
    """A card as text, with its choices."""
    shown = card(session, proposal_of(session, reading) if reading else None, "certain")
    head = f"{shown.title} · {shown.minutes}" if reading else shown.minutes
    return "\n".join(
        [head, *(line.plain for line in shown.lines), *(f"[{one[0]}] {one[1]}" for one in shown.choices)]
    )


def test_a_caution_that_such_a_car_cannot_need_is_left_out_once_that_is_known(
    tmp_path: Path, bench: Callable[..., Bench]
) -> None:
    """High voltage: shown while nobody knows what drives it, and on an electric one; not with a belt."""
    text = AT_THE_BENCH.replace(
        "    minutes: 3\n    setup: cold\n", "    minutes: 3\n    setup: cold\n    cautions: [volts, burns]\n"
    )
    text += (
        "cautions:\n"
        "  burns: {name: Hot coolant, text: Let it cool down.}\n"
        "  volts: {name: High voltage, signal: danger, text: Keep off orange cables., "
        "given: {drive: {belt: impossible}}}\n"
    )
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    engines = Engines(checked([tmp_path]))
    for facts, shown in (
        ((), ("volts", "burns")),
        ((Known("drive", "electric"),), ("volts", "burns")),
        ((Known("drive", "belt"),), ("burns",)),
    ):
        job = bench(*facts).session
        session = Session.opened(engines, job.store, job.filed, Workshop())
        assert session.cautions(proposal_of(session, "level")) == shown
    assert "Keep off orange cables" not in text_of(session, "level")


def test_card_and_list_say_one_time_and_the_card_no_bits(bench: Callable[..., Bench]) -> None:
    """By hand: 3 + 2 + 5 minutes of work at the vents, and 12 + 8 to wait: half an hour, as in the list."""
    session = bench(Known("drive", "belt")).session.noted("outside", "20")
    shown = text_of(session, "vent")
    assert "At full cooling · work 5 min, wait 20 min" in shown
    assert "bits" not in shown
    assert proposal_of(session, "vent").minutes == 30


# --------------------------------------------------------------------------- waits nobody has entered


def test_a_short_wait_that_nobody_entered_is_asked_about_as_well(bench: Callable[..., Bench]) -> None:
    """Eight minutes of full cooling, with the engine hot already; and again once they were ended."""
    job = bench(Known("drive", "belt"), Stated("hot", (MORNING - timedelta(minutes=30)).isoformat()))
    assert job.session.not_waited_for("vent") == ("cooling",)
    asked = job.session.not_waited_words("vent")
    assert asked == (
        "This reading needs: At full cooling (8 min to wait). Nobody has entered that wait. "
        "Was the car like this for that long?"
    )
    begun = job.session.prepared(["cooling"])
    assert begun.not_waited_words("vent") == ""
    assert begun.ended("cooling", "no longer needed").not_waited_words("vent") == asked


def test_the_waiting_of_a_reading_itself_is_asked_about(bench: Callable[..., Bench]) -> None:
    """Five minutes that cannot have passed since the last entry; after them nothing is asked."""
    asleep = Stated("asleep", (MORNING - timedelta(minutes=600)).isoformat())
    job = bench(asleep)
    assert job.after(3).not_waited_words("draw") == (
        "This reading takes 5 min of waiting, and the last entry was 3 min ago. Was it waited for?"
    )
    assert job.after(2).not_waited_words("draw") == ""
    assert job.session.not_waited_words("tank") == ""


def test_what_hangs_on_no_wait_counts_in_full_before_it_is_over(
    tmp_path: Path, bench: Callable[..., Bench]
) -> None:
    """A glow seen on the way to a sleeping car is no guess, but the car is not asleep by that."""
    text = AT_THE_BENCH.replace(
        "readings:\n",
        "readings:\n"
        "  glow:\n    name: Glow behind the lid\n    minutes: 2\n    setup: asleep\n"
        "    shows_before_wait: lit\n    outcomes: {dark: Dark, lit: Lit}\n"
        "    noisy_or: {leak: 5 of 100, causes: {belt: 80 of 100}}\n",
    )
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    engines = Engines(checked([tmp_path]))
    job, other = bench(Known("drive", "belt")).session, bench(Known("drive", "belt")).session
    session = Session.opened(engines, job.store, job.filed, Workshop())
    assert "Nobody has entered that wait." in session.not_waited_words("glow", "dark")
    assert session.not_waited_words("glow", "lit") == ""
    seen = session.saw("glow", "lit")
    entries = [seen.case.counting[step] for step in sorted(seen.case.counting)][1:]
    assert entries == [Seen("glow", "lit"), Ended("asleep", NOT_WAITED_FOR)]
    assert "asleep" not in seen.waiting
    waits = Session.opened(engines, other.store, other.filed, Workshop()).prepared(["asleep"])
    assert "minutes are left" in waits.early("glow", "dark")
    assert waits.early("glow", "lit") == ""
    assert waits.saw("glow", "lit").running == ("asleep",), "the wait goes on"


# ------------------------------------------------------------------------------- what somebody states


def test_what_contradicts_a_timed_entry_is_refused_with_its_time(bench: Callable[..., Bench]) -> None:
    """The engine was run at 8 o'clock: the car has not slept since last night, but it may since then."""
    job = bench(Prepared("hot", MORNING.isoformat()))
    session = job.after(60)
    before = session.store.length(session.filed)
    with pytest.raises(NotSo, match="“Car asleep” cannot have been so since") as refused:
        session.stated("asleep", 600)
    told = str(refused.value)
    assert "was entered “Begun: Engine hot”. It can be so from then on." in told
    assert f"at {MORNING.astimezone():%a %H:%M}" in told
    assert session.store.length(session.filed) == before
    assert "asleep" in session.stated("asleep", 60).waiting


def test_a_wait_is_not_over_that_the_record_cannot_hold(bench: Callable[..., Bench]) -> None:
    """The car was woken half an hour ago: an hour of sleep cannot have passed, whoever says so."""
    job = bench(Known("drive", "belt"), Seen("clutch", "good"))
    with pytest.raises(NotSo, match="Clutch coil: Good"):
        job.after(30).saw("draw", "much", wait="over")
    assert job.after(31).saw("draw", "much", wait="over").waiting["asleep"] == 0


def test_an_answer_that_was_guessed_says_nothing_of_its_wait(bench: Callable[..., Bench]) -> None:
    """Nobody waited for the cold engine: that it has been hot all along is no contradiction."""
    session = bench().session.saw("level", "low", 0.7, wait="not waited")
    assert "hot" in session.stated("hot", 20).waiting


def test_any_condition_of_the_complaint_can_be_stated_those_of_the_card_first(
    bench: Callable[..., Bench],
) -> None:
    """With the vents on the card, also that the engine is cold or that the car sleeps."""
    session = bench(Known("drive", "belt")).session
    own, others = session.to_state(proposal_of(session, "vent"))
    assert own == ("filled", "hot", "cooling")
    assert {"cold", "asleep", "warming", "empty"} <= set(others)
    assert not set(own) & set(others)
    assert session.to_state(None)[0] == ()
    assert "asleep" not in session.stated("asleep", 600).to_state(None)[1]


def test_a_condition_that_no_reading_needs_any_more_is_not_offered(bench: Callable[..., Bench]) -> None:
    """Started from cold serves one reading alone: once that cannot be taken, nobody is asked about it."""
    session = bench(Known("drive", "belt")).session
    assert "warming" in session.to_state(None)[1]
    assert "warming" not in session.skipped("bleed", "no time now").to_state(None)[1]


async def test_no_condition_is_chosen_from_a_list_of_before(car: Knowledge, tmp_path: Path) -> None:
    """While an entry is saved the list does not open: its lines would stand elsewhere a moment later."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
        try:
            store.append(store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY))
        finally:
            store.close()
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        task.saving = True
        task.action_setups()
        assert not isinstance(pilot.app.screen, ChoiceScreen)
        assert "The last entry is being saved." in task.told
        task.saving = False
        await pilot.press("w")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))


def test_what_was_entered_by_mistake_leaves_nothing_behind(bench: Callable[..., Bench]) -> None:
    """No minutes, nothing to put back, and the condition is exactly the one before."""
    session = bench(Seen("level", "full")).session
    before = present(session.knowledge, session.case, session.filed.times)
    took = planned_minutes(session.knowledge, session.case)
    begun = session.prepared(["hot", "cooling"]).never_begun("hot")
    assert present(begun.knowledge, begun.case, begun.filed.times) == before
    session = bench(Seen("level", "full")).session
    slept = session.prepared(["asleep"])
    assert to_put_back(slept.knowledge, slept.case) == ("Release the latches",)
    undone = slept.never_begun("asleep")
    assert to_put_back(undone.knowledge, undone.case) == ()
    assert planned_minutes(undone.knowledge, undone.case) == took
    assert "Car asleep" not in undone.job_card("markdown", customer=False).split("## Setups")[1]


def test_a_setup_that_an_answer_relied_on_is_ended_instead(bench: Callable[..., Bench]) -> None:
    """The level was read with the engine cold, whoever began it: it is in place no more."""
    session = bench(Prepared("cold", MORNING.isoformat()), Seen("level", "full")).session
    ended = session.never_begun("cold")
    assert "cold" not in ended.waiting
    assert isinstance(ended.case.entries[-1], Ended)


def test_what_waits_for_a_wait_that_is_over_sooner_begins_sooner(bench: Callable[..., Bench]) -> None:
    """By hand: hot after 12, 2 of work, 8 at full cooling; hot after 5 already, so 10 are left then."""
    job = bench(Known("drive", "belt"))
    job.session = job.session.prepared(["hot", "cooling"])
    before = job.after(5)
    assert (before.waiting["hot"], before.waiting["cooling"]) == (7, 17)
    ready = before.ready_now("hot")
    assert (ready.waiting["hot"], ready.waiting["cooling"]) == (0, 10)
    assert "(ready sooner than planned)" in ready.job_card("markdown", customer=False)
    with pytest.raises(NotSo, match="Ready sooner than planned: Engine hot"):
        ready.stated("asleep", 2)


# ----------------------------------------------------------------------------- whether it is there today


def test_looking_for_the_complaint_in_no_time_is_asked_about(bench: Callable[..., Bench]) -> None:
    """Six minutes and the waits of its setups: 12 to get hot, 2 of work then, and 8 at full cooling."""
    job = bench(Seen("told", "quiet", 0.9, CUSTOMER))
    assert "About 6 min, and 20 min to wait\nHand at the middle vent." in text_of(job.session)
    told = "So soon? About 6 min, and 20 min to wait: Hand at the middle vent. Did you check it this way?"
    for found in (SEEN_TODAY, NOT_PRESENT):
        assert job.session.confirm_early_words(found) == told
    assert job.session.confirm_early_words("not tried yet") == ""
    assert job.after(30).confirm_early_words(SEEN_TODAY) == told, "nobody has entered the wait"
    job.session = job.session.prepared(["hot", "cooling"])
    assert "About 6 min, and 22 min to wait: " in job.session.confirm_early_words(SEEN_TODAY)
    assert job.after(21).confirm_early_words(SEEN_TODAY) != ""
    assert job.after(1).confirm_early_words(SEEN_TODAY) == ""


def test_a_complaint_that_is_not_there_puts_nothing_in_place(bench: Callable[..., Bench]) -> None:
    """Nobody has said that the engine was run: nothing is in place; but cold is it for sure no more."""
    cold = Stated("cold", MORNING.isoformat())
    session = bench(cold).session.confirmed(NOT_PRESENT)
    assert set(session.waiting) == set()
    assert "cold" not in session.car.condition.over
    assert planned_minutes(session.knowledge, session.case) == (6, 0)
    as_written = bench(cold).after(300).confirmed(NOT_PRESENT, wait="over")
    assert {"hot", "cooling"} <= set(as_written.waiting)
    seen = bench(cold).session.confirmed(SEEN_TODAY)
    assert {"hot", "cooling"} <= set(seen.waiting)
    all_the_same = bench(cold).session.confirmed(SEEN_TODAY, wait="not waited")
    assert not {"hot", "cooling", "cold"} & set(all_the_same.waiting)
    assert all_the_same.case.present_today == SEEN_TODAY


def test_the_customer_is_told_no_more_than_was_entered_of_the_look(bench: Callable[..., Bench]) -> None:
    """Seen after the waits, seen without them, and not seen."""
    usual, unusual = "We saw it while the car was with us.", "it was not looked for the way it should be."
    session = bench().session
    assert usual in session.confirmed(SEEN_TODAY, wait="as entered").job_card("markdown", customer=True)
    session = bench().session
    assert unusual in session.confirmed(SEEN_TODAY, wait="not waited").job_card("markdown", customer=True)
    session = bench().session
    page = session.confirmed(NOT_PRESENT).job_card("markdown", customer=True)
    assert "It was not there when the car was with us." in page


def test_a_fact_that_tells_another_is_asked_in_its_place(tmp_path: Path, bench: Callable[..., Bench]) -> None:
    """Which belt it is tells that there is one: one question, and what it leaves open beside its answers."""
    text = AT_THE_BENCH.replace(
        "measurands:\n",
        "  ribs:\n    name: Ribs\n    ask: How many ribs has the belt?\n    values: {four: 50, six: 50}\n"
        "    tells: {four: {drive: belt}, six: {drive: belt}}\nmeasurands:\n",
    ).replace(
        "given: {drive: {electric: impossible}}", "given: {drive: {electric: impossible}, ribs: {six: 1}}"
    )
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    engines = Engines(checked([tmp_path]))
    job = bench().session
    session = Session.opened(engines, job.store, job.filed, Workshop())
    assert proposal_of(session, "clutch").asks == ("drive", "ribs")
    asked = text_of(session, "clutch").splitlines()
    assert asked[:2] == ["Clutch coil · 14 min", "First, of this car: How many ribs has the belt?"]
    shown = card(session, proposal_of(session, "clutch"), "certain")
    assert [one[0] for one in shown.choices if one[0].startswith("known")] == [
        *("known ribs four", "known ribs six", "known drive electric")
    ]
    assert "First, of this car: How many ribs has the belt?" in [line.plain for line in shown.lines]
    told = session.knows({"ribs": "six"})
    assert told.case.facts == {"ribs": "six", "drive": "belt"}
    assert proposal_of(told, "clutch").asks == ()
    other = Session.opened(engines, told.store, bench().session.filed, Workshop())
    assert other.asked_as("ribs")[1] == (("ribs", "four"), ("ribs", "six"))


async def test_the_form_asks_once_for_two_facts_and_in_words(tmp_path: Path) -> None:
    """How many ribs tells that there is a belt; what it leaves open is an answer of the same question."""
    text = AT_THE_BENCH.replace(
        "measurands:\n",
        "  ribs:\n    name: Ribs\n    ask: How many ribs has the belt?\n    values: {four: 50, six: 50}\n"
        "    words: {four: four ribs}\n"
        "    tells: {four: {drive: belt}, six: {drive: belt}}\nmeasurands:\n",
    ).replace(
        "given: {drive: {electric: impossible}}", "given: {drive: {electric: impossible}, ribs: {six: 1}}"
    )
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.append(store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY))
    finally:
        store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        for key, expected in (("4", {"drive": "electric"}), ("2", {"ribs": "four", "drive": "belt"})):
            await pilot.press("f")
            await until(pilot, lambda screen: isinstance(screen, FactsScreen))
            (pick,) = pilot.app.screen.query(Select)
            pick.focus()
            await pilot.press("enter")
            await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
            await settled(pilot)
            assert all(one in words(pilot) for one in ("four ribs", "six", "electric"))
            await pilot.press(key)
            await until(pilot, lambda screen: isinstance(screen, FactsScreen))
            await pilot.press("f10")
            await until(pilot, lambda screen: isinstance(screen, TaskScreen))
            await settled(pilot)
            assert task.session.case.facts == expected
            await pilot.press("u")
            await settled(pilot)


def test_what_a_fact_has_answered_is_not_asked(tmp_path: Path, bench: Callable[..., Bench]) -> None:
    """A question of the same matter is left out, with what is known in its place; one that is open stays."""
    text = AT_THE_BENCH.replace(
        "    ask: Does it squeal?\n", "    ask: Does it squeal?\n    answered_by: drive\n"
    )
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    engines = Engines(checked([tmp_path]))
    job, known = bench().session, bench(Known("drive", "belt")).session
    session = Session.opened(engines, job.store, job.filed, Workshop())
    assert proposal_of(session, "told").asked_first
    session = Session.opened(engines, known.store, known.filed, Workshop())
    assert {one.reading: why for one, why in session.advice.unavailable}["told"].startswith(
        "answered already ("
    )


def test_a_fact_that_tells_another_at_times_is_asked_beside_it() -> None:
    """Electric tells that nothing stops at the lights; petrol leaves it open, so both are asked."""
    values: dict[str, float] = {"a": 50, "b": 50}
    told = Fact(name="Told", ask="?", values=values)
    at_times = Fact(name="At times", ask="?", values=values, tells={"a": {"told": "a"}})
    always = Fact(name="Always", ask="?", values=values, tells={"a": {"told": "a"}, "b": {"told": "a"}})
    assert tellers({"told": told, "one": at_times}) == {}
    assert tellers({"told": told, "one": at_times, "other": always}) == {"told": "other"}
    assert answers_of({"told": told, "other": always}, "other", ["told"]) == (
        ("other", "a"),
        ("other", "b"),
        ("told", "b"),
    )


def test_what_nobody_has_checked_is_taken_for_granted(bench: Callable[..., Bench]) -> None:
    """A reading that relies on the circuit as it came in does not make it a thing that somebody has seen."""
    session = bench(Known("drive", "belt")).session.noted("outside", "20")
    granted = "Taken for granted (key z): Circuit as it came"
    assert granted in text_of(session, "vent")
    relied = session.saw("vent", "warm", wait="over")
    assert "filled" in relied.waiting
    assert relied.taken_for_granted == {"filled"}
    stated = bench(Stated("filled", MORNING.isoformat())).session
    assert "filled" not in stated.taken_for_granted


def test_a_card_says_in_place_only_of_what_somebody_made(bench: Callable[..., Bench]) -> None:
    """After cooling was run the circuit is still only taken for granted; the engine was made hot."""
    begun = bench(Known("drive", "belt")).session.noted("outside", "20").prepared(["hot", "cooling"])
    shown = card(begun, proposal_of(begun, "vent"), "certain", was_made=True)
    (line,) = [line.plain for line in shown.lines if "Circuit as it came" in line.plain]
    assert "Taken for granted (key z): Circuit as it came" in line
    assert "✓" not in line


def test_what_is_left_before_the_car_leaves_is_said(tmp_path: Path, bench: Callable[..., Bench]) -> None:
    """On the card of the check, and before the job is closed; nothing before a repair."""
    text = AT_THE_BENCH.replace(
        "    check: Drive", "    before_leaving: Fill it up and weigh it\n    check: Drive"
    )
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    job = bench(Confirmed("c", SEEN_TODAY)).session
    session = Session.opened(Engines(checked([tmp_path])), job.store, job.filed, Workshop())
    assert "Fill it up" not in session.closing_words("")
    repaired = session.repaired("belt")
    assert "Before the car leaves: Fill it up and weigh it." in text_of(repaired)
    closing = repaired.closing_words("belt")
    assert (
        "Left to do before the car leaves:\n• Look for the complaint again (10 min): Drive it warm."
        in closing
    )
    assert closing.endswith("\n• Fill it up and weigh it."), "all of it at once"
    gone = repaired.checked(gone=True)
    assert "Left to do before the car leaves:\n• Fill it up and weigh it." in text_of(gone)
    assert "Fill it up" not in gone.closing_words("belt", not_done="")
    assert "because: no charger: Fill it up" in gone.closing_words("belt", not_done="no charger")
    for reason, said in (("", "done"), ("no charger", "not done, because: no charger")):
        closed = gone.finished(reason).closed("belt")
        assert closed.case.finished == Finished("Fill it up and weigh it", reason)
        assert f"Fill it up and weigh it: {said}" in closed.job_card("markdown", customer=False)
        assert closed.before_leaving == ""
        filed = reopened(closed.store, closed.filed.number, CORRECTION)
        assert filed is not None
        gone = Session.opened(closed.engines, closed.store, filed, Workshop()).repaired("belt")
        assert gone.before_leaving, "another repair asks again"


# ------------------------------------------------------------------------------------ what decides a wait


def test_what_decides_a_wait_is_asked_before_it_begins(bench: Callable[..., Bench]) -> None:
    """Whether the reading applies, and how long the engine takes to warm: only then is the wait offered."""
    session = bench().session
    plan = session.plan(proposal_of(session, "bleed"))
    assert plan is not None
    assert session.asks_before_wait(plan, proposal_of(session, "bleed")) == ("drive",)
    shown = text_of(session, "bleed")
    assert "[facts] f Say first, as the wait depends on it: What drives it?" in shown
    assert "the wait begins now" not in shown
    assert "drive" in session.facts
    known = session.knows({"drive": "belt"})
    assert text_of(known, "bleed").startswith("Started from cold · ")
    assert "w Prepared: the wait begins now" in text_of(known, "bleed")
    assert proposal_of(known, "vent").asks == ("outside",)
    assert "the wait begins now" not in text_of(known, "vent")
    assert text_of(known.noted("outside", "20"), "vent").startswith("At full cooling · ")


def test_a_wait_says_beside_its_key_what_it_ends(bench: Callable[..., Bench]) -> None:
    """The engine is hot now: whoever begins to let it cool is told on that very line."""
    session = bench(Known("drive", "belt"), Stated("hot", MORNING.isoformat())).after(20)
    shown = card(session, proposal_of(session, "level"), "certain")
    assert shown.title == "Engine cold"
    assert shown.choices[0] == ("made cold", "w Prepared: the wait begins now, 2 h 30", "→ ends: Engine hot")


# ---------------------------------------------------------------------------------------- on the screens


async def test_a_chosen_reading_stays_on_the_card_until_it_is_answered(
    car: Knowledge, tmp_path: Path
) -> None:
    """Its deciding fact is answered, and a condition stated: the card does not jump to another reading."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    store.append(store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY))
    store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        await settled(pilot)
        task.choose("clutch")
        await settled(pilot)
        assert "What drives it?" in words(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert task.session.case.facts == {"drive": "belt"}
        assert task.proposal is not None
        assert task.proposal.reading == "clutch"
        assert task.session.proposals[0].reading != "clutch"
        await pilot.press("w")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "Others of this complaint" in words(pilot)
        await pilot.press("escape")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert "clutch" in task.session.case.taken
        assert task.chosen is None


def test_taken_back_beginnings_are_kept_on_record(bench: Callable[..., Bench]) -> None:
    """What was entered by mistake is struck out, not erased."""
    session = bench().session.prepared(["asleep"]).never_begun("asleep")
    assert session.case.entries[-1] == TakenBack(1, "entered by mistake")


# --------------------------------------------------------------------------- what must not be done any more


def test_what_an_answer_forbids_is_said_until_it_is_lifted(bench: Callable[..., Bench]) -> None:
    """On the screen, on the job card; another answer lifts it."""
    wrong = bench(Seen("tank", "wrong")).session
    told = (
        "Not to be done any more: Started from cold, Engine hot (Fuel in the tank: Wrong; another answer to "
        "it lifts this)."
    )
    assert wrong.forbidden == (told,)
    assert told in wrong.job_card("markdown", customer=False)
    later = wrong.saw("level", "low").confirmed(NOT_PRESENT)
    assert later.forbidden == (told,)
    lifted = later.saw("tank", "right")
    assert lifted.forbidden == ()
    assert "Not to be done" not in lifted.job_card("markdown", customer=False)


async def test_what_is_forbidden_stays_in_view_at_80_by_24(tmp_path: Path) -> None:
    """Above the task, whatever is read on and whichever reading is chosen."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    store.append(store.open_case("bay", "c"), Seen("tank", "wrong", 0.7))
    store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        for keys in ((), ("pagedown",), ("pagedown",)):
            await pilot.press(*keys)
            await settled(pilot)
            assert "Not to be done any more: Started from cold, Engine hot" in words(pilot)


async def test_lines_to_choose_from_take_no_more_room_than_their_words(tmp_path: Path) -> None:
    """At 80 by 24 a long line that has no effect to tell leaves none empty below it."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.append(store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY))
    finally:
        store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        long = "1 A noise that the customer may have told of, on a line that is full (2 min)"
        choices = (("take told", long, ""), ("take level", long, "→ 60 % Belt slips"))
        task.show_card(Card("Title", "", (), choices))
        shown = [str(option.prompt) for option in task.query_one("#answers", OptionList).options]
        assert shown == [long, long], "no effect where it has no room"


async def test_only_what_is_waited_for_rings(tmp_path: Path) -> None:
    """A clamp that is put on in no time is no wait that is over a moment later."""
    text = AT_THE_BENCH.replace("    setup: asleep\n", "    setup: [clamp, asleep]\n")
    text = text.replace("setups:\n", "setups:\n  clamp: {name: Clamp on, hands_on_minutes: 1}\n", 1)
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.append(store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY))
    finally:
        store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        task.choose("draw")
        await settled(pilot)
        await pilot.press("w")
        await settled(pilot)
        assert {"clamp", "asleep"} <= set(task.session.waiting)
        assert task.ringing == {"asleep"}


def test_next_tells_what_is_forbidden_and_takes_what_was_seen_today(tmp_path: Path) -> None:
    """As text and as JSON; the reading that needs the complaint is worth nothing while it is not there."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    asked = ["next", "--knowledge", str(tmp_path), "--complaint", "c"]
    wrong = CliRunner().invoke(commands, [*asked, "--saw", "tank=wrong"])
    assert wrong.output.startswith("Not to be done any more: Started from cold, Engine hot (Fuel in the tank")
    found = json.loads(CliRunner().invoke(commands, [*asked, "--saw", "tank=wrong", "--json"]).output)
    assert found["forbidden"] == [{"after": "tank", "ids": ["hot", "warming"]}]
    worth = {}
    for today in ("seen", "not-present", "not-tried"):
        said = json.loads(CliRunner().invoke(commands, [*asked, "--today", today, "--json"]).output)
        worth[today] = {one["id"] for one in said["readings"] if one["worth_taking"]}
        assert said["forbidden"] == []
    assert "vent" in worth["seen"] & worth["not-tried"]
    assert "vent" not in worth["not-present"]
    assert "told" in worth["not-present"]


def test_a_cause_that_was_shown_is_named_though_the_complaint_is_not_there(
    car: Knowledge, bench: Callable[..., Bench]
) -> None:
    """The coil was seen to be burnt, twice; the belt is still open. It is no stop without a cause."""
    session = bench(Known("drive", "belt"), Confirmed("c", NOT_PRESENT)).session
    for _ in range(3):
        session = session.saw("tank", "wrong")
    policy = Policy(sure_at=0.75, settled_below=0.0)
    advice = advise(Situation.of(car, session.engines.one(session.case), session.case, policy))
    leading = advice.suspects[0]
    assert (leading.fault, leading.probability > 0.75) == ("fuel", True)
    worthless = Policy(sure_at=0.75, settled_below=0.0, least_bits=1.0)
    stop = advise(Situation.of(car, session.engines.one(session.case), session.case, worthless)).stop
    assert stop is not None
    assert (stop.reason, stop.fault) == ("nothing-left", "fuel")
    unsure = Policy(sure_at=0.99, settled_below=0.0, least_bits=1.0)
    stop = advise(Situation.of(car, session.engines.one(session.case), session.case, unsure)).stop
    assert stop is not None
    assert stop.reason == "not-present"


# ------------------------------------------------------------------------ put back, ended, asked of whom


def test_what_has_to_be_put_back_first_stands_on_the_card(bench: Callable[..., Bench]) -> None:
    """The latches were tricked shut for the car to sleep: before the engine is started they are released."""
    slept = bench(Known("drive", "belt"), Seen("draw", "much")).session.noted("outside", "20")
    assert "Put back first: Release the latches" in text_of(slept, "vent")
    assert "Put back first" not in text_of(slept, "tank")
    woken = slept.saw("clutch", "good")
    assert "Put back first" not in text_of(woken, "vent"), "it was said before the car was woken"


def test_an_ended_setup_is_on_the_job_card_with_its_end(bench: Callable[..., Bench]) -> None:
    """Needed by a reading and ended by hand, ended by another reading, stated and still there."""
    session = bench(Seen("level", "full"), Seen("tank", "right")).session.ended("cold", "the car was driven")
    paper = session.saw("draw", "much").saw("clutch", "good").stated("filled", 60).job_card("markdown", False)
    rows = [line for line in paper.split("## Setups")[1].splitlines() if line.startswith("| ")]
    told = {row.split("|")[1].strip(): row.split("|")[3].strip() for row in rows}
    assert told["Engine cold"].endswith("the car was driven")
    assert told["Car asleep"].endswith("Clutch coil: Good")
    assert told["Circuit as it came"] == "Not noted"
    assert any("(stated)" in row for row in rows)


def test_what_the_customer_is_asked_during_a_wait_is_marked(bench: Callable[..., Bench]) -> None:
    """In the list of what can be done meanwhile it does not look like work at the car."""
    session = bench(Confirmed("c", SEEN_TODAY), Prepared("asleep", MORNING.isoformat())).session
    session = replace(session, ranking="bits")
    awaited = next(one for one in session.proposals if one.reading == "draw")
    shown = _wait(session, awaited)
    assert any("Noise told of (ask the customer)" in words for _, words, _ in shown.choices)
    assert any("Coolant level (" in words for _, words, _ in shown.choices)


def test_booking_counts_what_looking_for_the_complaint_takes(car: Knowledge) -> None:
    """Six minutes, and the engine at full cooling; once it was seen nothing more is counted for it."""
    engine = compile_tables(build(car, "c").tables)
    assert isinstance(engine, Engine)
    case = Case("c", (Known("drive", "belt"),))
    seen = case.with_entry(Confirmed("c", SEEN_TODAY))
    before = booking_sheet(car, engine, case, cars=60)
    after = booking_sheet(car, engine, seen, cars=60)
    assert before.hands_on.expected == pytest.approx(after.hands_on.expected + 6 + 3 + 2)
    assert before.waiting.expected == pytest.approx(after.waiting.expected + 12 + 8)
    assert {"hot", "cooling"} <= {one.setup for one in before.setups if one.share == 1}


def test_what_cars_only_arrive_with_is_over_for_good_once_a_person_ends_it(
    shipped: Knowledge, tmp_path: Path
) -> None:
    """Whoever says that the carpet is no longer as it came in can pour water: no reading waits for it."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        job = store.draft("bay", "water_inside", shipped.version)
        session = Session.opened(Engines(shipped), store, job, Workshop())
        pour = "sunroof_front_pour"
        assert pour in {one.reading for one, _ in session.advice.unavailable}
        freed = session.ended("wet_as_found", "no longer needed")
        assert "wet_as_found" in freed.car.condition.for_good
        assert pour in {one.reading for one in freed.advice.proposals}
        assert pour in {one.reading for one, _ in freed.undone().advice.unavailable}
    finally:
        store.close()


async def test_the_closing_asks_once_for_what_is_done_to_every_such_car(tmp_path: Path) -> None:
    """Closed with a reason why it was not done: asked before the job is closed, and kept with it."""
    text = AT_THE_BENCH.replace(
        "    check: Drive", "    before_leaving: Fill it up and weigh it\n    check: Drive"
    )
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        filed = store.open_case("bay", "c")
        repair = Repaired("belt", store.now())
        filed = store.append(filed, Confirmed("c", SEEN_TODAY), repair, Checked("c", GONE))
        async with running(tmp_path, tmp_path, (80, 24)) as pilot:
            await until(pilot, listed)
            await pilot.press("down", "enter")
            await until(pilot, lambda screen: isinstance(screen, TaskScreen))
            await settled(pilot)
            task = pilot.app.screen
            await pilot.press("1")
            for question, key in (("Was it done?", "2"), ("Not done, because", "1"), ("Close job", "1")):
                await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
                await until(pilot, lambda screen, question=question: question in words(pilot))  # type: ignore[misc]
                await settled(pilot)
                await pilot.press(key)
            await until(pilot, lambda screen: screen is not task and not isinstance(screen, ChoiceScreen))
            await settled(pilot)
        read = store.case(filed.number)
        assert read is not None
        finished, closed = read.case.entries[-2:]
        assert finished == Finished("Fill it up and weigh it", "the repair makes it needless")
        assert closed == Closed("belt", "")
    finally:
        store.close()


def test_all_that_keeps_a_reading_from_being_taken_is_named_at_once(bench: Callable[..., Bench]) -> None:
    """What it waits for, by number and name; and it is offered to whoever wants it all the same."""
    session = bench(Known("drive", "belt")).session
    why = {one.reading: words for one, words in session.advice.unavailable}
    assert why["weighed"].startswith("later: it ends “Circuit as it came”, which ")
    both = session.skipped("weighed", "no time now").noted("outside", "-30").prepared(["empty"])
    reasons = {one.reading: words for one, words in both.advice.unavailable}
    assert "; " in reasons["vent"], "the day is too cold, and the circuit is empty for good"
    wanted = session.taking_all_the_same("weighed")
    assert "weighed" in {one.reading for one in wanted.proposals}
    assert "weighed" not in {one.reading for one in session.proposals}
