"""The complaint is looked for first, and what looks normal while it is not there clears nothing."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

import pytest
from textual.widgets import Input, OptionList

from advisor.advice.advice import advise, outcome_effects
from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.advice.situation import Situation
from advisor.bench.session import Session
from advisor.case.case import Case
from advisor.case.condition import present
from advisor.case.confirmed import Finding, confirmed_causes, finding
from advisor.case.entries import (
    CAME_BACK,
    CUSTOMER,
    GONE,
    NOT_PRESENT,
    NOT_TRIED,
    SEEN_TODAY,
    STILL_THERE,
    Acknowledged,
    Checked,
    Closed,
    Confirmed,
    Entry,
    Measured,
    Reopened,
    Repaired,
    Seen,
)
from advisor.case.setups import minutes
from advisor.checks.lint import checked
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.model.observation import Measurement
from advisor.screens.bench.card import card
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.story import last_move, trail
from advisor.screens.bench.task import TaskScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.store.store import Store
from tests.test_screens import listed, running, settled, until, words

MORNING = datetime(2030, 3, 4, 8, 0, tzinfo=UTC)
AT = MORNING.isoformat()

CAR = """\
language: 1
standing: estimate
complaints:
  warm:
    name: It blows warm
    family: f
    any_of: {gas: 60, fan: 50}
    unlisted: 2
    confirm: {how: "Hand at the middle vent after five minutes", minutes: 6, setup: running}
    come_back: On a day above 25 °C
families:
  f: {name: Cooling, ask: Does it not cool?}
faults:
  gas: {name: Gas lost, remedy: Fill it, remedy_minutes: 40, price: low}
  fan: {name: Fan stops, remedy: New fan, remedy_minutes: 30, price: middling}
setups:
  running:
    name: At full cooling
    kind: running
    hands_on_minutes: 2
    waiting_minutes: 5
    cautions: [belts]
  off: {name: Engine off, kind: running, hands_on_minutes: 0}
cautions:
  belts: {name: Belts, text: "Sleeves and hair away from belts.", signal: caution}
instruments:
  thermometer: {name: Thermometer, units: ["°C"], accuracy: {"°C": {absolute: 1, coverage: 2}}}
readings:
  blows:
    name: Fan behind the condenser
    minutes: 5
    outcomes: {turns: It turns, stands: It stands still}
    noisy_or: {leak: 5 of 100, causes: {fan: 80 of 100}}
  vent:
    name: Vent temperature
    minutes: 4
    setup: running
    instrument: thermometer
    quantity: {unit: "°C", range: [-10, 60], bands: {cold: Cold, warm: Warm}, limits: [12]}
    noisy_or: {leak: 10 of 100, causes: {gas: 90 of 100, fan: 60 of 100}}
  stain:
    name: Oily joint
    minutes: 6
    shows_at_rest: true
    outcomes: {dry: Dry, oily: Oily}
    noisy_or: {leak: 5 of 100, causes: {gas: 70 of 100}}
  topped_up:
    name: Filled up lately
    who: customer
    ask: Was it filled up lately?
    minutes: 1
    outcomes: {not_so: Never, filled: It was}
    noisy_or: {leak: 10 of 100, causes: {gas: 50 of 100}}
"""
MEASURED = CAR.replace("setup: running}\n    come_back", "setup: running, shown_by: vent}\n    come_back")
ALONE = {"blows": {"fan": 0.8}, "stain": {"gas": 0.7}, "topped_up": {"gas": 0.5}}
LEAK = {"blows": 0.05, "stain": 0.05, "topped_up": 0.1}
REST = Confirmed("warm", NOT_PRESENT)
SEEN = Confirmed("warm", SEEN_TODAY)


@pytest.fixture(scope="module")
def car(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    """An invented car that blows warm."""
    folder = tmp_path_factory.mktemp("car")
    (folder / "car.yaml").write_text(CAR, encoding="utf-8")
    return checked([folder])


@pytest.fixture
def bench(car: Knowledge, tmp_path: Path) -> Iterator[Callable[..., Session]]:
    """Opens a job of the car after entries."""
    opened: list[Store] = []

    def at_the_bench(*entries: Entry) -> Session:
        store = Store(f"sqlite:///{tmp_path / f'{len(opened)}.sqlite'}", clock=lambda: MORNING)
        opened.append(store)
        filed = store.open_case("bay", "warm")
        filed = store.append(filed, *entries) if entries else filed
        return Session.opened(Engines(car), store, filed, Workshop())

    try:
        yield at_the_bench
    finally:
        for store in opened:
            store.close()


def beliefs(car: Knowledge, *entries: Entry) -> Mapping[str, float]:
    """What the program believes of the two faults."""
    case = Case("warm", entries)
    return Situation.of(car, Engines(car).of(case), case).beliefs


def by_hand(prior: Mapping[str, float], at_rest: float, *said: tuple[str, bool, bool]) -> dict[str, float]:
    """Enumerate the cars of the complaint: gas, fan and something not listed.

    Each answer is a reading, whether it looked abnormal, and whether it was taken while the complaint was
    not there: then, in a share `at_rest` of cars, it looks normal whatever is wrong.
    """
    weights: dict[tuple[bool, ...], float] = {}
    names = sorted(prior)
    for present_ones in itertools.product((False, True), repeat=len(names)):
        here = dict(zip(names, present_ones, strict=True))
        if not any(present_ones):
            continue
        weight = 1.0
        for name, there in here.items():
            weight *= prior[name] if there else 1 - prior[name]
        for reading, abnormal, resting in said:
            missed = 1 - LEAK[reading]
            for cause, strength in ALONE[reading].items():
                missed *= 1 - strength if here[cause] else 1
            shows = (1 - missed) * (1 - at_rest if resting else 1)
            weight *= shows if abnormal else 1 - shows
        weights[present_ones] = weight
    total = sum(weights.values())
    return {
        name: sum(weight for ones, weight in weights.items() if ones[at]) / total
        for at, name in enumerate(names)
    }


def priors(car: Knowledge) -> dict[str, float]:
    """The priors whose shares given the complaint are 60, 50 and 2 of 100: q·T, with T = 1 - Π(1 - q·T)."""
    shares = {"gas": 0.60, "fan": 0.50, next(one for one in beliefs(car) if one not in ("gas", "fan")): 0.02}
    low, high = 1e-6, 1.0
    for _ in range(200):
        t = (low + high) / 2
        none = 1.0
        for share in shares.values():
            none *= 1 - share * t
        low, high = (t, high) if 1 - none > t else (low, t)
    return {name: share * t for name, share in shares.items()}


# ---------------------------------------------------------------------------------- what counts, by hand


def test_a_normal_reading_while_the_complaint_is_not_there_clears_nothing(car: Knowledge) -> None:
    """The limit of an enumeration in which the fault rests in nearly every car; present, it clears a lot."""
    start = beliefs(car)
    resting = beliefs(car, REST, Seen("blows", "turns"))
    assert resting == pytest.approx(start, abs=1e-12)
    assert resting == pytest.approx(by_hand(priors(car), 1.0, ("blows", False, True)), abs=1e-9)
    for share in (0.2, 0.9, 0.999):
        assert by_hand(priors(car), share, ("blows", False, True))["fan"] < resting["fan"]
    seen = beliefs(car, SEEN, Seen("blows", "turns"))
    assert seen == pytest.approx(by_hand(priors(car), 0.0, ("blows", False, False)), abs=1e-9)
    assert seen["fan"] < start["fan"] - 0.2


@pytest.mark.parametrize("share", [0.1, 0.5, 0.99])
def test_an_abnormal_one_counts_in_full_however_often_the_fault_rests(car: Knowledge, share: float) -> None:
    """How often it rests cancels out: the enumeration gives the same for every share."""
    said = by_hand(priors(car), share, ("blows", True, True))
    assert beliefs(car, REST, Seen("blows", "stands")) == pytest.approx(said, abs=1e-9)


def test_traces_and_what_the_customer_tells_count_all_the_same(car: Knowledge) -> None:
    """A dry joint clears the gas, and so does a customer who never had it filled, in the same car."""
    said = beliefs(car, REST, Seen("stain", "dry"), Seen("topped_up", "not_so"), Seen("blows", "turns"))
    hand = by_hand(priors(car), 1.0, ("stain", False, False), ("topped_up", False, False))
    assert said == pytest.approx(hand, abs=1e-9)
    assert said["gas"] < beliefs(car)["gas"]


def test_it_counts_again_once_the_complaint_is_seen_and_never_backwards(car: Knowledge) -> None:
    """Readings of the time between stay without weight; an abnormal one of before is not washed away."""
    turns, stands = Seen("blows", "turns"), Seen("blows", "stands")
    assert beliefs(car, REST, turns, SEEN) == pytest.approx(beliefs(car), abs=1e-12)
    assert beliefs(car, REST, turns, SEEN, turns) == pytest.approx(beliefs(car, turns), abs=1e-12)
    assert beliefs(car, SEEN, stands, REST, turns) == pytest.approx(beliefs(car, stands), abs=1e-12)


def number(value: float) -> Measured:
    """A vent temperature."""
    return Measured("vent", (Measurement("vent", value, "thermometer", f"{value} °C"),))


def test_numbers_of_both_times_are_no_repeats_of_each_other(car: Knowledge) -> None:
    """8 °C while nothing was wrong and 25 °C while it was: not 16.5 °C, and the cold one clears nothing."""
    assert beliefs(car, REST, number(8)) == pytest.approx(beliefs(car), abs=1e-12)
    both = beliefs(car, REST, number(8), SEEN, number(25))
    assert both == pytest.approx(beliefs(car, number(25)), abs=1e-12)
    case = Case("warm", (REST, number(8), SEEN))
    assert case.takes_now(car, "vent") == ()
    assert Case("warm", (number(24), SEEN)).takes_now(car, "vent") == (number(24).take,)


def test_a_number_near_the_limit_never_speaks_against_a_fault_at_rest(car: Knowledge) -> None:
    """It may lean to abnormal and then counts, or to normal and then counts for nothing."""
    start = beliefs(car)
    for value in (11.0, 11.8, 12.0):
        assert beliefs(car, REST, number(value)) == pytest.approx(start, abs=1e-12)
    for value in (12.2, 13.0):
        assert beliefs(car, REST, number(value)) == pytest.approx(beliefs(car, number(value)), abs=1e-12)
    assert beliefs(car, REST, number(13.0))["gas"] > start["gas"]


# ------------------------------------------------------------------------------------------- the advice


def test_readings_that_need_the_complaint_are_not_advised_while_it_is_not_there(car: Knowledge) -> None:
    """The stain comes first; then nothing is left, the search ends with that, and no remedy is advised."""
    case = Case("warm", (REST,))
    situation = Situation.of(car, Engines(car).of(case), case)
    advice = advise(situation)
    assert {one.reading for one in advice.worth_taking} == {"stain", "topped_up"}
    assert {one.reading for one in advice.proposals if one.at_rest} == {"blows", "vent"}
    normal, abnormal = outcome_effects(situation, "blows")
    assert normal.after == pytest.approx(situation.beliefs)
    assert abnormal.after["fan"] > situation.beliefs["fan"]
    done = Case("warm", (REST, Seen("stain", "dry"), Seen("topped_up", "not_so")))
    stop = advise(Situation.of(car, Engines(car).of(done), done)).stop
    assert stop is not None
    assert (stop.reason, stop.fault) == ("not-present", None)


def test_looking_for_the_complaint_brings_its_setup_about_and_costs_its_minutes(car: Knowledge) -> None:
    """Six minutes and the setup; the vent is then read without making it again. Not tried costs nothing."""
    assert present(car, Case("warm", (SEEN,))).condition.in_place == {"running"}
    assert minutes(car, Case("warm", (SEEN,))) == (8, 5)
    assert minutes(car, Case("warm", (SEEN, number(8)))) == (12, 5)
    assert minutes(car, Case("warm", (Confirmed("warm", NOT_TRIED),))) == (0, 0)


# ------------------------------------------------------------------------------------------ after a repair


def test_a_check_proves_nothing_where_the_complaint_was_not_there_before(car: Knowledge) -> None:
    """Gone after the repair: seen before, the cause is confirmed; not present before, it is not."""
    entries = (Seen("stain", "oily"), Repaired("gas", AT))
    gone = Checked("warm", GONE)
    resting = Case("warm", (REST, *entries, gone))
    assert confirmed_causes(Case("warm", (SEEN, *entries, gone))) == {"gas"}
    assert confirmed_causes(resting) == frozenset()
    assert beliefs(car, REST, *entries, gone) == pytest.approx(beliefs(car, REST, *entries), abs=1e-12)
    assert beliefs(car, SEEN, *entries, gone) != pytest.approx(beliefs(car, SEEN, *entries), abs=1e-3)
    there = Case("warm", (REST, *entries, Checked("warm", STILL_THERE)))
    assert there.present_today == SEEN_TODAY


def test_the_check_after_a_repair_is_the_confirmation_unless_it_has_its_own(car: Knowledge) -> None:
    """What is written once serves both."""
    complaint = car.complaints["warm"]
    assert complaint.check_after_repair == complaint.looked_for
    own = complaint.model_copy(update={"check": "Drive it home", "check_minutes": 30.0})
    assert (own.check_after_repair.how, own.check_after_repair.minutes) == ("Drive it home", 30)
    assert own.looked_for == complaint.looked_for


# ---------------------------------------------------------------------------------------------- the bench


def shown(session: Session) -> str:
    """The first card of a job as text, with its choices."""
    proposal = None if session.confirm_is_due or session.advice.stop else session.proposals[0]
    found = card(session, proposal, "certain")
    can = (words for action, words, _ in found.choices if action)
    return "\n".join([found.title, *(line.plain for line in found.lines), *can])


def test_a_fresh_job_asks_first_whether_the_complaint_is_there(bench: Callable[..., Session]) -> None:
    """With what to do and what can hurt; once the caution was read, one key for each answer."""
    session = bench(Seen("topped_up", "filled", 0.9, CUSTOMER))
    assert session.confirm_is_due
    assert "First see whether it is there: It blows warm" in shown(session)
    assert "Hand at the middle vent after five minutes" in shown(session)
    assert "1 Seen today" not in shown(session)
    read = session.acknowledged(session.confirm_cautions)
    assert "1 Seen today\n2 Not present today\n3 Not tried yet: later, with key k" in shown(read)
    assert not bench(SEEN).confirm_is_due
    later = read.confirmed(NOT_TRIED)
    assert not later.confirm_is_due
    assert not later.case.is_at_rest
    assert later.undone().confirm_is_due


def test_the_customer_is_asked_before_anybody_goes_to_the_car(bench: Callable[..., Session]) -> None:
    """A question of a minute, then the look for the complaint, and only then tools."""
    session = bench()
    assert not session.confirm_is_due
    assert session.proposals[0].reading == "topped_up"
    assert session.proposals[0].asked_first
    asked = session.saw("topped_up", "not_so")
    assert asked.confirm_is_due
    looked = asked.confirmed(SEEN_TODAY)
    assert not looked.confirm_is_due
    assert looked.knowledge.readings[looked.proposals[0].reading].who == "technician"
    by_bits = session.ranked("bits")
    assert by_bits.proposals[0].reading != "topped_up"
    assert by_bits.confirm_is_due


@pytest.fixture(scope="module")
def measured_car(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    """The car whose complaint is shown by its vent temperature."""
    folder = tmp_path_factory.mktemp("measured")
    (folder / "car.yaml").write_text(MEASURED, encoding="utf-8")
    return checked([folder])


def test_a_number_says_whether_the_complaint_is_there(
    measured_car: Knowledge, bench: Callable[..., Session]
) -> None:
    """Well over the limit, well under it, and too near to tell; it is entered with the answer."""
    for typed, there, entered in (
        ("20", True, [Measured, Confirmed]),
        ("5", False, [Confirmed, Measured]),
        ("12.3", None, []),
    ):
        job = bench(Seen("topped_up", "not_so", 0.9, CUSTOMER), Acknowledged("belts", AT))
        session = Session.opened(Engines(measured_car), job.store, job.filed, Workshop())
        assert session.confirm_reading == "vent"
        assert "Vent temperature: not there if it is under 12 °C (cold)." in shown(session)
        understood = session.understand("vent", {"vent": typed}, {"vent": "thermometer"})
        assert session.shows_complaint(understood) is there
        if there is not None:
            found = SEEN_TODAY if there else NOT_PRESENT
            after = session.confirmed(found, understood=understood)
            assert [type(one) for one in after.case.entries[2:]] == entered
            assert after.case.clears_nothing(measured_car, len(after.case.entries)) is not there


async def test_the_number_of_the_check_is_typed_on_its_card(tmp_path: Path) -> None:
    """With its limit in view; one that may be either is asked about, the other recorded with its answer."""
    (tmp_path / "car.yaml").write_text(MEASURED, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.append(store.open_case("bay", "warm"), SEEN, Repaired("gas", AT))
    finally:
        store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        assert "Vent temperature: gone if it is under 12 °C (cold)." in words(pilot)
        await pilot.press("1", "2", "full_stop", "3", "enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "2 It is not there" in words(pilot)
        await pilot.press("escape")
        await settled(pilot)
        await pilot.press("backspace", "backspace", "backspace", "backspace", "4", "enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "looked for again and found gone?" in words(pilot)
        asked = pilot.app.screen
        assert isinstance(asked, ChoiceScreen)
        record = [key for key, _ in asked.lines].index("record")
        await settled(pilot)
        await pilot.press(str(record + 1))
        await settled(pilot)
        assert [type(one) for one in task.session.case.entries[-2:]] == [Measured, Checked]
        assert task.session.case.checked == GONE


def test_a_job_with_readings_is_not_asked_and_one_that_comes_back_is(bench: Callable[..., Session]) -> None:
    """Jobs of earlier versions go on where they were; nothing is known of their complaint."""
    old = bench(Seen("stain", "dry"))
    assert not old.confirm_is_due
    assert old.case.present_today is None
    told = Seen("topped_up", "not_so", 0.9, CUSTOMER)
    back = bench(SEEN, told, Seen("stain", "dry"), Closed("", ""), Reopened(CAME_BACK, AT))
    assert back.case.present_today is None
    assert back.confirm_is_due


def test_a_correction_holds_from_where_the_first_answer_stood(bench: Callable[..., Session]) -> None:
    """Readings in between are weighed by the right answer; undo leaves the first one taken back."""
    session = bench(SEEN, Seen("blows", "turns"))
    before = session.situation.beliefs
    put_right = session.confirmed(NOT_PRESENT, instead_of=1)
    assert put_right.case.clears_nothing(put_right.knowledge, 2)
    assert put_right.situation.beliefs == pytest.approx(bench().situation.beliefs, abs=1e-12)
    again = put_right.confirmed(SEEN_TODAY, instead_of=4)
    assert again.situation.beliefs == pytest.approx(before, abs=1e-12)
    assert again.undone().case.present_today is None


def test_the_technician_is_told_that_a_normal_result_clears_nothing(bench: Callable[..., Session]) -> None:
    """Before the answer on the card, and after it in the line for news, in the story and on the job card."""
    session = bench(REST)
    blows = next(one for one in session.advice.proposals if one.reading == "blows")
    lines = [line.plain for line in card(session, blows, "certain").lines]
    assert (
        "! The complaint is not there now: a normal result rules nothing out. An abnormal one counts in full."
        in lines
    )
    after = session.saw("blows", "turns")
    told = "The complaint was not there at this reading, so a normal result rules nothing out."
    assert told in last_move(after)
    assert told in trail(after).plain
    assert told in after.job_card("markdown", customer=False)
    assert told not in trail(bench(REST, Seen("blows", "stands"))).plain


def test_no_fault_found_closes_a_job_and_says_when_to_come_back(bench: Callable[..., Session]) -> None:
    """What was tested, under which conditions, what was missing, when to come back; nothing is learned."""
    session = bench(REST, Seen("stain", "dry"), Seen("topped_up", "not_so"), Seen("blows", "turns"))
    assert "1 Close the job: no fault found" in shown(session)
    assert "Come back: On a day above 25 °C" in shown(session)
    assert "No fault found is recorded." in session.closing_words("")
    closed = session.closed("")
    paper = closed.job_card("markdown", customer=False)
    assert "## No fault found" in paper
    assert "Looked for at the car: not present today." in paper
    assert "- Oily joint: Dry" in paper
    assert "- Fan behind the condenser: It turns (the complaint was not there)" in paper
    assert "- The complaint was not there." in paper
    assert "Come back: On a day above 25 °C" in paper
    customer = closed.job_card("markdown", customer=True)
    assert "We found no fault." in customer
    assert "Please come back: On a day above 25 °C" in customer
    assert confirmed_causes(closed.case) == frozenset()
    repaired = Case("warm", (SEEN, Repaired("gas", AT), Checked("warm", GONE), Closed("", "")))
    assert confirmed_causes(repaired) == frozenset()


def test_learning_takes_a_normal_reading_at_rest_for_missing(car: Knowledge) -> None:
    """It is no normal car in the count; the dry joint is."""
    case = Case("warm", (REST, Seen("blows", "turns"), Seen("stain", "dry"), Closed("fan", "")))
    found = finding(car, case)
    assert isinstance(found, Finding)
    assert set(found.read) == {"stain"}


def test_an_answer_lies_in_the_store_and_comes_back(bench: Callable[..., Session]) -> None:
    """Every answer; one that nobody could give is damage."""
    session = bench(SEEN, REST, Confirmed("warm", NOT_TRIED))
    filed = session.store.case(session.filed.number)
    assert filed is not None
    assert filed.case == session.case


# ------------------------------------------------------------------------------------------- the language


def test_only_a_number_shows_a_complaint(tmp_path: Path) -> None:
    """A reading that is answered in words has no number to type."""
    wrong = MEASURED.replace("shown_by: vent", "shown_by: stain")
    (tmp_path / "car.yaml").write_text(wrong, encoding="utf-8")
    with pytest.raises(ProblemsFound, match="There is no reading of a number 'stain'"):
        checked([tmp_path])


def test_slips_in_the_new_words_are_told(tmp_path: Path) -> None:
    """A setup that is not there, minutes of a check that there is not, and a word that says nothing."""
    wrong = CAR.replace("setup: running}", "setup: runing}").replace(
        "    come_back:", "    check_minutes: 5\n    come_back:"
    )
    (tmp_path / "car.yaml").write_text(wrong, encoding="utf-8")
    with pytest.raises(ProblemsFound, match="runing"):
        checked([tmp_path])
    fine = wrong.replace("runing", "running").replace(
        "who: customer", "who: customer\n    shows_at_rest: true"
    )
    (tmp_path / "car.yaml").write_text(fine, encoding="utf-8")
    with pytest.raises(ProblemsFound) as found:
        checked([tmp_path])
    told = [problem.what for problem in found.value.problems]
    assert "'warm' has 'check_minutes' and no 'check'." in told
    assert "'topped_up' is for the customer." in told


def test_every_shipped_complaint_says_how_it_is_seen_and_when_to_come_back(knowledge: Knowledge) -> None:
    """Both are common practice, no source."""
    for complaint in knowledge.complaints.values():
        assert complaint.confirm is not None
        assert complaint.come_back
        assert complaint.standing_of["confirm"] == "common practice"


# ------------------------------------------------------------------------------------------- the screens


async def test_the_complaint_is_confirmed_by_key_and_corrected_by_finger(tmp_path: Path) -> None:
    """At 80 by 24: cautions, then a key; the correction takes its place, and undo takes that back."""
    (tmp_path / "car.yaml").write_text(CAR, encoding="utf-8")
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        pilot.app.screen.query_one("#tag", Input).value = "bay 2"
        pilot.app.screen.query_one("#complaints", OptionList).highlighted = 0
        await pilot.press("enter", "enter", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        await settled(pilot)
        assert "Was it filled up lately?" in words(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert "First see whether it is there: It blows warm" in words(pilot)
        for _ in range(5):
            if task.session.case.acknowledged:
                break
            await pilot.press("y")
            await settled(pilot)
        await pilot.press("2")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "So soon? About 6 min, and 5 min to wait: Hand at the middle vent" in words(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert task.session.case.is_at_rest
        await pilot.press("s")
        await settled(pilot)
        await pilot.press("end", "enter")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert task.session.case.present_today == SEEN_TODAY
        await pilot.press("u")
        await settled(pilot)
        assert task.session.case.present_today is None
        await pilot.click("#answers", offset=(4, 0))
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        await pilot.press("2")
        await settled(pilot)
        assert task.session.case.present_today == SEEN_TODAY
