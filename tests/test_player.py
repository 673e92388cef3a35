"""Many made-up jobs at once do what the advice does with one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from advisor.advice.advice import CandidateReading, advise
from advisor.advice.rules import Workshop
from advisor.advice.situation import Situation
from advisor.arrays import Floats
from advisor.case.case import Case
from advisor.case.condition import present
from advisor.case.entries import Known, Prepared, Seen, Skipped
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, ImpossibleEvidence, InferenceEngine
from advisor.knowledge.conditions import minutes_for
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.model.nodes import is_instrument_leaf, shown_by
from advisor.model.observation import seen_with
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import REASONS, PlayedRanking, Ranker, choose, compile_ranker, offers
from advisor.simulate.jobs import Cars, Jobs, draw_cars, play_many, starts_of
from advisor.simulate.rollout import candidates
from tests.conftest import complaint, faults

COMPLAINTS = [
    "no_heat",
    "heat_one_side",
    "poor_cooling",
    "uneven_vents",
    "no_air",
    "smell",
    "flat_battery",
    "water_inside",
    "misting_glass",
    "wind_noise",
]
RANKINGS: list[PlayedRanking] = ["bits", "bits for the time"]

Made = Callable[[str], Knowledge]

READINGS = """\
setups:
  open_wide: {name: Door wide open, hands_on_minutes: 4, waiting_minutes: 20}
readings:
  wiggle:
    name: Wiggle it
    minutes: 5
    setup: open_wide
    outcomes: {firm: Firm, loose: Loose}
    noisy_or: {leak: 0.0, causes: {a: 1.0}}
  look:
    name: Look at it
    minutes: 1
    setup: open_wide
    outcomes: {tight: Tight, slack: Slack}
    noisy_or: {leak: 0.0, causes: {b: 1.0}}
"""


@dataclass(frozen=True)
class Drawn(Case):
    """A case some of whose readings were seen as cells of an instrument."""

    cells: Mapping[str, Floats] = field(default_factory=dict)

    def evidence(self, knowledge: Knowledge, engine: InferenceEngine) -> dict[str, Floats]:
        """The evidence of the case, the cells instead of what the entries say."""
        return {**super().evidence(knowledge, engine), **self.cells}


def leaf_of(engine: Engine, proposal: CandidateReading) -> str:
    """The node that shows a proposed reading as its instrument shows it."""
    shown = shown_by(proposal.reading, proposal.instrument or "")
    return shown if shown in engine.entries else proposal.reading


def after(knowledge: Knowledge, engine: Engine, case: Drawn, proposal: CandidateReading, shown: int) -> Drawn:
    """The case after a proposed reading has shown an outcome, or a cell of its instrument."""
    reading = proposal.reading
    entries = (*case.entries, Seen(reading, engine.outcomes[reading][0]))
    if leaf_of(engine, proposal) == reading:
        likelihood = engine.one_hot(reading, engine.outcomes[reading][shown])
    else:
        table = seen_with(knowledge, reading, proposal.instrument or "")
        assert table is not None
        likelihood = table[:, shown]
    return Drawn(case.complaint, entries, {**case.cells, reading: likelihood})


def partial_cases(knowledge: Knowledge, engine: Engine, name: str, count: int) -> list[Case]:
    """Cases with a few random answers, facts and skipped readings that can be so together."""
    random = np.random.default_rng(len(name))
    readings = [reading for reading in engine.readings if not is_instrument_leaf(reading)]
    cases = [Case(name)]
    while len(cases) < count:
        case = Case(name)
        for reading in random.choice(readings, random.integers(1, 8), replace=False).tolist():
            answers = engine.outcomes[reading]
            answer = Seen(reading, answers[int(random.integers(len(answers)))])
            case = case.with_entry(answer if random.random() < 0.8 else Skipped(reading, "no room"))
        facts = [fact for fact in knowledge.facts if fact in engine.entries]
        if facts:
            fact = facts[int(random.integers(len(facts)))]
            values = list(knowledge.facts[fact].values)
            case = case.with_entry(Known(fact, values[int(random.integers(len(values)))]))
        try:
            engine.query(case.evidence(knowledge, engine))
        except ImpossibleEvidence:
            continue
        cases.append(case)
    return cases


def a_workshop_short_of_things(knowledge: Knowledge) -> Workshop:
    """Every second instrument is missing, and there is no certified person."""
    return Workshop(frozenset(sorted(knowledge.instruments)[::2]), frozenset({"customer", "technician"}))


def alike(minutes: tuple[float, ...]) -> str:
    """Equally likely faults, each with a reading of its own that tells as much as the others."""
    names = [f"f{at}" for at in range(len(minutes))]
    readings = "".join(
        f"  r{at}: {{name: Reading {at}, minutes: {long}, outcomes: {{no_: A, yes_: B}}, "
        f"noisy_or: {{leak: 0.11, causes: {{f{at}: 0.9}}}}}}\n"
        for at, long in enumerate(minutes)
    )
    shares = ", ".join(f"{name}: 27.5" for name in names)
    return complaint(f"any_of: {{{shares}}}") + faults(*names) + "readings:\n" + readings


@pytest.mark.parametrize("ranking", RANKINGS)
@pytest.mark.parametrize(
    ("minutes", "order"),
    [
        ((2, 2, 2, 2), ["r0", "r1", "r2", "r3"]),
        ((2, 1, 2, 3), ["r1", "r0", "r2", "r3"]),
        ((0.1, 0.1, 0.05, 0.1), ["r2", "r0", "r1", "r3"]),  # charged alike, as a tenth is the least
    ],
)
def test_round_off_decides_nothing(
    known: Made, minutes: tuple[float, ...], order: list[str], ranking: PlayedRanking
) -> None:
    """Readings that tell the same: fewer minutes first, then by name, in the advice and in its arrays."""
    knowledge = known(alike(minutes))
    engine, case = compile_tables(build(knowledge, "c").tables), Case("c")
    bits = engine.query(case.evidence(knowledge, engine)).expected_information_bits
    assert bits["r2"] != bits["r3"], "the sums differ in their last digits, else this shows nothing"
    assert bits["r2"] == pytest.approx(bits["r3"], abs=1e-14)
    advice = advise(Situation.of(knowledge, engine, case))
    ranked = advice.by_bits if ranking == "bits" else advice.proposals
    assert [one.reading for one in ranked] == order
    ranker = compile_ranker(knowledge, engine, "c", ranking=ranking)
    starts = starts_of(ranker, [case])
    beliefs, told = ranker.posteriors(starts.potentials)
    chosen = choose(
        ranker, beliefs, offers(ranker, starts.potentials, told, starts.gone, starts.condition, starts.left)
    ).reading
    assert [ranker.readings[at] for at in chosen] == order[:1]
    assert candidates(ranker, starts, told, 4)[0] == order[0]


@pytest.mark.parametrize("short", [False, True], ids=["all at hand", "short of things"])
@pytest.mark.parametrize("ranking", RANKINGS)
@pytest.mark.parametrize("name", COMPLAINTS)
def test_first_choice_and_stop_are_those_of_the_advice(
    shipped: Knowledge,
    shipped_engine: Callable[[str], Engine],
    name: str,
    ranking: PlayedRanking,
    short: bool,
) -> None:
    """On every shipped complaint, with random answers, facts and skipped readings, in either ranking."""
    engine = shipped_engine(name)
    workshop = a_workshop_short_of_things(shipped) if short else Workshop()
    ranker = compile_ranker(shipped, engine, name, workshop, ranking=ranking)
    cases = partial_cases(shipped, engine, name, 8)
    starts = starts_of(ranker, cases)
    beliefs, bits = ranker.posteriors(starts.potentials)
    offered = offers(ranker, starts.potentials, bits, starts.gone, starts.condition, starts.left)
    choices = choose(ranker, beliefs, offered)
    for at, case in enumerate(cases):
        advice = advise(Situation.of(shipped, engine, case), workshop)
        chosen = int(choices.reading[at])
        if advice.stop is not None:
            assert (chosen, REASONS[choices.reason[at]]) == (-1, advice.stop.reason)
            continue
        first = (advice.by_bits if ranking == "bits" else advice.proposals)[0]
        assert ranker.readings[chosen] == first.reading
        assert ranker.batch.readings[choices.seen_with[at]] == leaf_of(engine, first)
        assert offered.bits[at, chosen] == pytest.approx(first.expected_information_bits, abs=1e-9)
        assert offered.minutes[at, chosen] == pytest.approx(first.minutes, abs=1e-9)


BEGUN = [
    ("flat_battery", ("asleep",), 35.0),
    ("no_heat", ("engine_cold",), 100.0),
    ("poor_cooling", ("gauges_on", "soaked_gauges"), 40.0),
    ("no_air", ("ignition_on",), 0.0),
]
"""Complaints with setups that were begun, and the minutes left of the wait of the last one."""


@pytest.mark.parametrize(("name", "setups", "left"), BEGUN)
def test_while_a_wait_runs_everything_is_offered_as_the_advice_offers_it(
    shipped: Knowledge,
    shipped_engine: Callable[[str], Engine],
    name: str,
    setups: tuple[str, ...],
    left: float,
) -> None:
    """Minutes with what is left of the wait, and nothing that would disturb what is waited for."""
    engine, now = shipped_engine(name), datetime(2030, 1, 7, 9, tzinfo=UTC)
    wait = minutes_for(shipped, shipped.setups[setups[-1]].waiting_minutes, {})
    began = now - timedelta(minutes=wait - left)
    case = Case(name, tuple(Prepared(setup, began.isoformat()) for setup in setups))
    car = present(shipped, case, (began.isoformat(),) * len(setups), now)
    waiting = car.waiting_minutes(now)
    assert waiting[setups[-1]] == left
    ranker = compile_ranker(shipped, engine, name)
    starts = starts_of(ranker, [case], car.condition, waiting)
    _, bits = ranker.posteriors(starts.potentials)
    offered = offers(ranker, starts.potentials, bits, starts.gone, starts.condition, starts.left)
    advice = advise(Situation.of(shipped, engine, case), car=car, now=now)
    told = {one.reading: one for one in advice.proposals}
    assert {one for at, one in enumerate(ranker.readings) if offered.bits[0, at] > 1e-9} == {
        one.reading for one in advice.proposals if one.expected_information_bits > 1e-9
    }
    for at, reading in enumerate(ranker.readings):
        if reading in told:
            assert offered.minutes[0, at] == pytest.approx(told[reading].minutes, abs=1e-9)
            assert offered.hands_on_minutes[0, at] == pytest.approx(told[reading].hands_on_minutes, abs=1e-9)


@pytest.mark.parametrize(
    ("first", "minutes", "waited", "once_over"),
    [("tap", 3 + 5, 8 - 3, 0), ("wiggle", 5 + 3, 8, 0), ("rest", 2 + 3 + 5, 15, 15)],
)
def test_a_wait_that_has_begun_costs_what_is_left_of_it(
    known: Made, first: str, minutes: float, waited: float, once_over: float
) -> None:
    """Eight of 20 minutes are left: three fewer after three minutes of tapping, none after a longer wait."""
    knowledge = known(
        complaint("exactly_one_of: {a: 50, b: 40}", 10)
        + faults("a", "b")
        + READINGS.split("  look:")[0]
        + """\
  tap: {name: Tap it, minutes: 3, outcomes: {t: Tight, s: Slack}, noisy_or: {leak: 0.0, causes: {b: 1.0}}}
  rest:
    name: Leave it alone
    minutes: 2
    waiting_minutes: 15
    outcomes: {q: Quiet, h: Hums}
    noisy_or: {leak: 0.3, causes: {a: 0.5}}
"""
    )
    engine = compile_tables(build(knowledge, "c").tables)
    ranker = compile_ranker(knowledge, engine, "c")
    case = Case("c", (Prepared("open_wide", "2030-01-07T09:00:00+00:00"),))
    starts = starts_of(ranker, [case], waiting={"open_wide": 8.0})
    cars = draw_cars(ranker, starts, np.zeros(200, dtype=np.intp), np.random.default_rng(1))
    jobs = play_many(ranker, starts, cars, first)
    both = [at for at in range(200) if set(jobs.readings(at)) == {first, "tap", "wiggle"}]
    assert both
    for at in both:
        assert (jobs.hands_on_minutes[at], jobs.waiting_minutes[at]) == (minutes, waited)
    over = play_many(ranker, starts_of(ranker, [case]), cars, first)
    assert over.waiting_minutes[both].tolist() == [once_over] * len(both)


def played(
    ranker: Ranker, case: Case, cars: int, seed: int = 1, first: str | None = None
) -> tuple[Jobs, Cars]:
    """Jobs on simulated cars of one case."""
    starts = starts_of(ranker, [case])
    drawn = draw_cars(ranker, starts, np.zeros(cars, dtype=np.intp), np.random.default_rng(seed))
    return play_many(ranker, starts, drawn, first), drawn


@pytest.mark.parametrize("ranking", RANKINGS)
@pytest.mark.parametrize("name", ["no_air", "flat_battery", "wind_noise"])
def test_a_job_is_the_one_that_the_advice_plays_step_by_step(
    shipped: Knowledge, shipped_engine: Callable[[str], Engine], name: str, ranking: PlayedRanking
) -> None:
    """The same car asked by `advise` gives the same readings, minutes, beliefs and reason to stop."""
    engine = shipped_engine(name)
    ranker = compile_ranker(shipped, engine, name, ranking=ranking)
    jobs, cars = played(ranker, Case(name), 5)
    for job in range(5):
        case, taken, minutes = Drawn(name), [], 0.0
        advice = advise(Situation.of(shipped, engine, case))
        while advice.stop is None:
            proposal = (advice.by_bits if ranking == "bits" else advice.proposals)[0]
            taken.append(proposal.reading)
            minutes += proposal.minutes
            column = ranker.batch.readings.index(leaf_of(engine, proposal))
            case = after(shipped, engine, case, proposal, int(cars.shows[job, column]))
            advice = advise(Situation.of(shipped, engine, case))
        assert jobs.readings(job) == tuple(taken)
        assert jobs.minutes[job] == pytest.approx(minutes, abs=1e-9)
        assert REASONS[jobs.reason[job]] == advice.stop.reason
        believed = {suspect.fault: suspect.probability for suspect in advice.suspects}
        assert dict(zip(ranker.faults, jobs.beliefs[job].tolist(), strict=True)) == pytest.approx(believed)


def small(known: Made, workshop: Workshop | None = None, policy: Policy = DEFAULT) -> Ranker:
    """Two faults of which exactly one is there (or an unlisted one), each with a reading that never errs."""
    knowledge = known(complaint("exactly_one_of: {a: 50, b: 45}", 5) + faults("a", "b") + READINGS)
    engine = compile_tables(build(knowledge, "c").tables)
    return compile_ranker(knowledge, engine, "c", workshop, policy)


def test_a_setup_is_paid_for_once_and_waiting_is_kept_apart(known: Made) -> None:
    """Both readings: 5 + 1 minutes and 4 to open, hands on; 20 minutes of waiting, once."""
    ranker = small(known, policy=Policy(sure_at=0.99))
    jobs, _ = played(ranker, Case("c"), 200)
    both = np.array([len(jobs.readings(job)) == 2 for job in range(200)])
    assert set(jobs.hands_on_minutes[both].tolist()) == {10.0}
    assert set(jobs.waiting_minutes.tolist()) == {20.0}


def test_a_setup_in_place_is_not_paid_for(known: Made) -> None:
    """After `look` was taken the door is open: `wiggle` takes its 5 minutes."""
    ranker = small(known)
    jobs, _ = played(ranker, Case("c", (Seen("look", "tight"),)), 10)
    assert jobs.readings(0) == ("wiggle",)
    assert (jobs.hands_on_minutes[0], jobs.waiting_minutes[0]) == (5.0, 0.0)


def test_a_job_can_be_made_to_begin_with_a_reading(known: Made) -> None:
    """The plain advice begins with `look`, which takes less; made to begin with `wiggle`, all do."""
    ranker = small(known)
    assert {played(ranker, Case("c"), 20)[0].readings(job)[0] for job in range(20)} == {"look"}
    jobs, _ = played(ranker, Case("c"), 20, first="wiggle")
    assert {jobs.readings(job)[0] for job in range(20)} == {"wiggle"}


def test_readings_without_error_find_the_fault_that_the_car_has(known: Made) -> None:
    """At the stop every car's own fault has probability 1."""
    jobs, cars = played(small(known), Case("c"), 100)
    assert np.all(jobs.beliefs[cars.faults] == pytest.approx(1.0))


def test_the_same_generator_gives_the_same_jobs(known: Made) -> None:
    """Everything random comes from the generator."""
    ranker = small(known)
    (one, _), (other, _) = (played(ranker, Case("c"), 50, seed=7) for _ in range(2))
    np.testing.assert_array_equal(one.taken, other.taken)


def test_jobs_of_several_cases_begin_each_with_its_own(known: Made) -> None:
    """A car whose case has `look` seen already is not looked at again."""
    ranker = small(known)
    starts = starts_of(ranker, [Case("c"), Case("c", (Seen("look", "tight"),))])
    cars = draw_cars(ranker, starts, np.array([0, 1, 0, 1]), np.random.default_rng(1))
    jobs = play_many(ranker, starts, cars)
    assert [jobs.readings(job)[0] for job in range(4)] == ["look", "wiggle", "look", "wiggle"]


def test_a_case_that_cannot_be_is_refused(known: Made) -> None:
    """Both faults of an exactly-one gate were read: there is no such car."""
    both = Case("c", (Seen("look", "slack"), Seen("wiggle", "loose")))
    with pytest.raises(ImpossibleEvidence):
        starts_of(small(known), [both])


def test_where_nothing_can_be_read_every_job_ends_at_once(known: Made) -> None:
    """A workshop without people takes no reading, and the reason is that nothing is left."""
    ranker = small(known, Workshop(who=frozenset()))
    jobs, _ = played(ranker, Case("c"), 3)
    assert (jobs.minutes.tolist(), {REASONS[at] for at in jobs.reason}) == ([0.0] * 3, {"nothing-left"})


def test_playing_stops_when_asked_and_tells_how_far_it_came(known: Made) -> None:
    """Asked to stop after the first round, jobs not over end as halted; if not, progress ends at all."""
    ranker = small(known)
    starts = starts_of(ranker, [Case("c")])
    cars = draw_cars(ranker, starts, np.zeros(40, dtype=np.intp), np.random.default_rng(1))
    asked = iter([False, True])
    told: list[tuple[int, int]] = []
    halted = play_many(ranker, starts, cars, stop=lambda: next(asked))
    assert halted.halted
    over = play_many(ranker, starts, cars, progress=lambda done, of: told.append((done, of)))
    assert not over.halted
    assert told[-1] == (40, 40)


def test_jobs_played_in_blocks_are_those_played_together(
    known: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """How many jobs are in memory at a time changes nothing."""
    ranker = small(known)
    together, _ = played(ranker, Case("c"), 30)
    monkeypatch.setattr("advisor.simulate.jobs.NUMBERS_AT_ONCE", 7 * len(ranker.batch.kept))
    apart, _ = played(ranker, Case("c"), 30)
    np.testing.assert_array_equal(together.taken, apart.taken)
    np.testing.assert_array_equal(together.minutes, apart.minutes)


def test_instrument_errors_reach_the_made_up_numbers(
    shipped: Knowledge, shipped_engine: Callable[[str], Engine]
) -> None:
    """The cells that an instrument shows of simulated cars come as often as predicted, within 0.03."""
    engine = shipped_engine("flat_battery")
    ranker = compile_ranker(shipped, engine, "flat_battery")
    starts = starts_of(ranker, [Case("flat_battery")])
    cars = draw_cars(ranker, starts, np.zeros(4000, dtype=np.intp), np.random.default_rng(3))
    evidence = Case("flat_battery").evidence(shipped, engine)
    predicted = engine.query(evidence).predictive
    seen = [column for column, name in enumerate(ranker.batch.readings) if is_instrument_leaf(name)]
    assert seen
    for column in seen:
        expected = predicted[ranker.batch.readings[column]]
        found = np.bincount(cars.shows[:, column], minlength=len(expected)) / 4000
        np.testing.assert_allclose(found, expected, rtol=0, atol=0.03)
