"""Around a wait: which readings before it and which after, chosen for what they add to each other."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from advisor.advice.advice import (
    CandidateReading,
    advise,
    least_single_fault_probability,
    single_fault_probability,
)
from advisor.advice.situation import Situation
from advisor.advice.waits import WaitPlan, plan
from advisor.case.case import Case
from advisor.case.condition import present
from advisor.case.entries import Ended, Prepared, Seen
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, Evidence, InferenceEngine, Posterior
from advisor.inference.tables import DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from tests import oracle
from tests.conftest import faults

HUM = """\
complaints:
  c: {name: Hums at night, family: made_up, any_of: {lamp: 40, radio: 40, relay: 35}, unlisted: 5}
faults:
  lamp: {name: Lamp, remedy: Mend it, remedy_minutes: 5, price: low}
  radio: {name: Radio, remedy: Mend it, remedy_minutes: 5, price: low}
  relay: {name: Relay, remedy: Mend it, remedy_minutes: 5, price: low}
setups:
  shut: {name: All shut, hands_on_minutes: 4}
  asleep: {name: Car asleep, hands_on_minutes: 6, waiting_minutes: 40, needs: [shut]}
readings:
  current:
    name: Current while asleep
    minutes: 5
    setup: asleep
    outcomes: {low: Low, high: High}
    noisy_or: {leak: 0.02, causes: {lamp: 0.9, radio: 0.95}}
  warm:
    name: Warm relay while asleep
    minutes: 3
    setup: asleep
    outcomes: {cold: Cold, warm: Warm}
    noisy_or: {leak: 0.05, causes: {relay: 0.9}}
  glow:
    name: Glow through the gap
    minutes: 1
    outcomes: {dark: Dark, glows: Glows}
    noisy_or: {leak: 0.01, causes: {lamp: 0.98}}
  glow_again:
    name: Glow seen by a second person
    minutes: 1
    outcomes: {dark: Dark, glows: Glows}
    noisy_or: {leak: 0.01, causes: {lamp: 0.97}}
  click:
    name: Relay clicks
    minutes: 2
    outcomes: {silent: Silent, clicks: Clicks}
    noisy_or: {leak: 0.1, causes: {relay: 0.6}}
"""
START = datetime(2030, 1, 1, 18, 0, tzinfo=UTC)


@pytest.fixture
def hum(known: Callable[[str], Knowledge]) -> tuple[Knowledge, Engine]:
    """A small invented drain with a setup that waits, and its engine."""
    return engine_of(known(HUM))


def engine_of(knowledge: Knowledge) -> tuple[Knowledge, Engine]:
    """A knowledge with the engine of its complaint."""
    return knowledge, compile_tables(build(knowledge, "c").tables)


def planned(knowledge: Knowledge, engine: Engine, case: Case, towards: str) -> WaitPlan | None:
    """The plan when a reading is gone for."""
    advice = advise(Situation.of(knowledge, engine, case))
    return plan(Situation.of(knowledge, engine, case), advice, proposed(advice.proposals, towards))


def proposed(proposals: tuple[CandidateReading, ...], reading: str) -> CandidateReading:
    """The proposal of a reading."""
    return next(one for one in proposals if one.reading == reading)


def test_a_wait_is_planned_on_both_sides(hum: tuple[Knowledge, Engine]) -> None:
    """Before it what needs no wait, after it what it serves; the minutes of its setups once."""
    found = planned(*hum, Case("c"), "current")
    assert found is not None
    assert found.setups == ("shut", "asleep")
    assert (found.hands_on_minutes, found.waiting_minutes) == (10, 40)
    assert {one.reading for one in found.before} <= {"glow", "glow_again", "click"}
    assert found.after[0].reading == "current"
    assert {one.reading for one in found.after} == {"current", "warm"}


def test_the_second_reading_is_chosen_for_what_it_adds(hum: tuple[Knowledge, Engine]) -> None:
    """Two looks at the same glow tell nearly the same: after one, the click of the relay adds more."""
    knowledge, engine = hum
    advice = advise(Situation.of(knowledge, engine, Case("c")))
    told = {one.reading: one.expected_information_bits for one in advice.proposals}
    assert told["glow_again"] > told["click"]
    found = planned(knowledge, engine, Case("c"), "current")
    assert found is not None
    assert [one.reading for one in found.before][:2] == ["glow", "click"]


def test_the_worth_of_the_pair_is_that_of_enumeration(hum: tuple[Knowledge, Engine]) -> None:
    """No pair without a wait tells more together than the one planned; informations by brute force."""
    knowledge, engine = hum
    tables = build(knowledge, "c").tables
    present = {"c": [0.0, 1.0]}

    def together(pair: tuple[str, ...]) -> float:
        first, second = pair
        total = oracle.enumerate_answers(tables, present).expected_information_bits[first]
        probabilities = oracle.enumerate_answers(tables, present).predictive[first]
        for at, probability in enumerate(probabilities):
            seen = {**present, first: [float(at == other) for other in range(len(probabilities))]}
            total += probability * oracle.enumerate_answers(tables, seen).expected_information_bits[second]
        return float(total)

    pairs = itertools.combinations(("glow", "glow_again", "click"), 2)
    best = max(pairs, key=together)
    found = planned(knowledge, engine, Case("c"), "current")
    assert found is not None
    assert {one.reading for one in found.before[:2]} == set(best)


class Enumerated:
    """The whole joint distribution of some tables, for what sets of readings tell about the causes."""

    def __init__(self, tables: DiscreteNetwork, evidence: oracle.Evidence) -> None:
        joint = oracle.enumerate_joint(tables, evidence)
        self.joint, self.targets = joint / joint.sum(), tables.targets
        self.names = [table.child for table in tables.tables]

    def over(self, kept: Sequence[str]) -> oracle.Floats:
        """The distribution of some nodes, axes in their order."""
        summed = self.joint.sum(axis=tuple(at for at, name in enumerate(self.names) if name not in kept))
        left = [name for name in self.names if name in kept]
        return np.transpose(summed, [left.index(name) for name in kept])

    def bits(self, readings: Sequence[str]) -> float:
        """What a set of readings tells about the causes together."""
        return oracle.information(self.over([*self.targets, *readings]), last_axes=len(readings))

    def chosen(self, first: Sequence[str], among: Sequence[str], most: int) -> list[str]:
        """At most so many, each the one that adds most to `first` and those before it: 0.05 bits or more."""
        chosen: list[str] = []
        while len(chosen) < most and len(chosen) < len(among):
            so_far = [*first, *chosen]
            known = self.bits(so_far) if so_far else 0.0
            adds = {one: self.bits([*so_far, one]) - known for one in among if one not in chosen}
            best = max(adds, key=lambda one: adds[one])
            if adds[best] < 0.05:
                break
            chosen.append(best)
        return chosen


def drawn_knowledge(seed: int) -> str:
    """Twelve readings of three causes, drawn at random, behind waits of 0, 9.5, 10 and 40 minutes."""
    draw = np.random.default_rng(seed)
    text = "complaints:\n  c: {name: Hums, family: made_up, any_of: {a: 45, b: 40, d: 30}, unlisted: 5}\n"
    text += faults("a", "b", "d")
    text += """\
setups:
  shut: {name: All shut, hands_on_minutes: 4}
  asleep: {name: Car asleep, hands_on_minutes: 6, waiting_minutes: 40, needs: [shut]}
  rested: {name: Battery rested, hands_on_minutes: 1, waiting_minutes: 9.5}
  cooled: {name: Fan cooled, hands_on_minutes: 1, waiting_minutes: 10}
  lifted: {name: Asleep on the lift, hands_on_minutes: 3, needs: [asleep]}
readings:
"""
    for setup, count in (("", 3), ("shut", 1), ("rested", 1), ("cooled", 1), ("asleep", 5), ("lifted", 1)):
        for number in range(count):
            causes = ", ".join(
                f"{one}: {probability:.3f}"
                for one, probability in zip("abd", draw.beta(0.6, 0.6, 3), strict=True)
            )
            text += f"  {setup or 'open'}{number}:\n    name: {setup or 'Open'} {number}\n    minutes: 1\n"
            text += f"    setup: {setup}\n" if setup else ""
            text += "    outcomes: {n: No, y: Yes}\n"
            text += f"    noisy_or: {{leak: {draw.uniform(0.01, 0.3):.3f}, causes: {{{causes}}}}}\n"
    return text


@pytest.mark.parametrize("seed", range(6))
def test_both_sides_of_a_wait_are_those_of_enumeration(known: Callable[[str], Knowledge], seed: int) -> None:
    """Up to three readings before the wait and four after it, each for what it adds; one was taken already.

    A wait of 10 minutes is a long one, one of 9.5 is not. A reading without a setup, or with one that this
    wait does not make, is not among those afterwards; the reading that the wait is for always is.
    """
    knowledge = known(drawn_knowledge(seed))
    tables = build(knowledge, "c").tables
    engine = compile_tables(tables)
    case = Case("c", (Seen("open0", "y"),))
    found = planned(knowledge, engine, case, "asleep0")
    assert found is not None
    whole = Enumerated(tables, {"c": [0.0, 1.0], "open0": [0.0, 1.0]})
    before = whole.chosen((), ("open1", "open2", "shut0", "rested0"), 3)
    served = [*(f"asleep{number}" for number in range(5)), *({"shut0"} - set(before))]
    after = whole.chosen(before, served, 4)
    if "asleep0" not in after:
        after = ["asleep0", *after][:4]
    assert [one.reading for one in found.before] == before
    assert [one.reading for one in found.after] == after
    assert found.setups == ("shut", "asleep")


def test_a_wait_of_ten_minutes_is_planned_and_a_shorter_one_is_not(
    known: Callable[[str], Knowledge],
) -> None:
    """The limit itself is a long wait."""
    knowledge = known(drawn_knowledge(0))
    engine = compile_tables(build(knowledge, "c").tables)
    found = planned(knowledge, engine, Case("c"), "cooled0")
    assert found is not None
    assert (found.setups, found.hands_on_minutes, found.waiting_minutes) == (("cooled",), 1, 10)
    assert planned(knowledge, engine, Case("c"), "rested0") is None
    assert (
        plan(
            Situation.of(knowledge, engine, Case("c")),
            advise(Situation.of(knowledge, engine, Case("c"))),
            None,
        )
        is None
    )


def test_of_two_readings_that_add_the_same_the_shorter_one_is_named(
    known: Callable[[str], Knowledge],
) -> None:
    """The same table twice, ten minutes or two; the ids alone would put the dearer one first."""
    knowledge = known(
        HUM.replace("causes: {lamp: 0.97}", "causes: {lamp: 0.98}")
        .replace("Glow seen by a second person\n    minutes: 1", "Glow in the dark\n    minutes: 10")
        .replace("Glow through the gap\n    minutes: 1", "Glow through the gap\n    minutes: 2")
    )
    for first, second in (("glow", "glow_again"), ("glow_again", "glow")):
        swapped = replace(
            knowledge,
            readings={
                **knowledge.readings,
                "glow": knowledge.readings[first],
                "glow_again": knowledge.readings[second],
            },
        )
        engine = compile_tables(build(swapped, "c").tables)
        found = planned(swapped, engine, Case("c"), "current")
        assert found is not None
        assert found.before[0].minutes == 2


class Recording(InferenceEngine):
    """An engine that keeps what it was asked."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.outcomes, self.targets, self.readings = engine.outcomes, engine.targets, engine.readings
        self.asked: list[Sequence[Evidence]] = []

    def query_batch(self, cases: Sequence[Evidence]) -> tuple[Posterior, ...]:
        """The engine's answer, and the question kept."""
        self.asked.append(list(cases))
        return self.engine.query_batch(cases)

    def log2_evidence_probability(self, cases: Sequence[Evidence]) -> oracle.Floats:
        """The engine's."""
        return self.engine.log2_evidence_probability(cases)


def five_ways(faint: float) -> str:
    """Three looks with five outcomes each; behind the wait the current tells next to nothing."""
    looks = "".join(
        f"""\
  look{at}:
    name: Look {at}
    minutes: 1
    outcomes: {{o: O, p: P, q: Q, r: R, s: S}}
    table:
      - when: {{{cause}: present}}
        gives: {{o: 0.42, p: 0.3, q: 0.15, r: 0.08, s: 0.05}}
      - otherwise: {{o: 0.05, p: 0.08, q: 0.15, r: 0.3, s: 0.42}}
"""
        for at, cause in enumerate(("lamp", "radio", "relay"))
    )
    head, _, tail = HUM.partition("  glow:\n")
    assert tail
    weak = head.replace("lamp: 0.9, radio: 0.95", "lamp: 0.1, radio: 0.1")
    return weak.replace("relay: 0.9}", f"relay: {faint}}}") + looks


@pytest.mark.parametrize(("faint", "named"), [(0.28, False), (0.335, True)])
def test_the_likeliest_ninety_six_sets_of_answers_are_looked_at(
    known: Callable[[str], Knowledge], faint: float, named: bool
) -> None:
    """Of 125 sets of answers the 29 least likely are left out, and the rest count as all there is.

    The chances of the sets and what the warm relay tells after each are enumerated.
    """
    knowledge = known(five_ways(faint))
    tables = build(knowledge, "c").tables
    engine = Recording(compile_tables(tables))
    advice = advise(Situation.of(knowledge, engine.engine, Case("c")))
    found = plan(Situation.of(knowledge, engine, Case("c")), advice, proposed(advice.proposals, "current"))
    assert found is not None
    looks = [one.reading for one in found.before]
    assert sorted(looks) == ["look0", "look1", "look2"]

    whole = Enumerated(tables, {"c": [0.0, 1.0]})
    probabilities, split = whole.over(looks), whole.over([*looks, *whole.targets, "warm"])
    likeliest = sorted(np.ndindex(5, 5, 5), key=lambda at: -probabilities[at])[:96]
    after = next(one for one in engine.asked if len(one) == 96)
    assert {tuple(int(np.argmax(world[name])) for name in looks) for world in after} == set(likeliest)

    kept = sum(probabilities[at] for at in likeliest)
    told = {at: oracle.information(split[at] / probabilities[at], last_axes=1) for at in likeliest}
    adds = sum(probabilities[at] * told[at] for at in likeliest) / kept
    assert named == (adds >= 0.05)
    assert adds * kept**2 < 0.05
    assert [one.reading for one in found.after] == ["current", *(["warm"] if named else [])]


def test_a_reading_has_to_add_a_twentieth_of_a_bit(known: Callable[[str], Knowledge]) -> None:
    """By enumeration of the pair: a hair more is named before the wait, a hair less is not."""
    for click, named in ((0.26, True), (0.24, False)):
        knowledge = known(HUM.replace("causes: {relay: 0.6}", f"causes: {{relay: {click}}}"))
        tables = build(knowledge, "c").tables
        whole = Enumerated(tables, {"c": [0.0, 1.0]})
        first = whole.chosen((), ("glow", "glow_again"), 1)
        adds = whole.bits([*first, "click"]) - whole.bits(first)
        assert named == (adds >= 0.05)
        found = planned(knowledge, compile_tables(tables), Case("c"), "current")
        assert found is not None
        assert ("click" in [one.reading for one in found.before]) == named


def test_a_first_reading_has_to_tell_as_much(known: Callable[[str], Knowledge]) -> None:
    """Where all that can be read before the wait tells less by itself, nothing is named before it."""
    head, _, tail = HUM.partition("  glow:\n")
    alone = head + "  click:\n" + tail.partition("  click:\n")[2].replace("relay: 0.6", "relay: 0.22")
    knowledge = known(alone)
    tables = build(knowledge, "c").tables
    told = Enumerated(tables, {"c": [0.0, 1.0]}).bits(["click"])
    assert 0.025 < told < 0.05
    found = planned(knowledge, compile_tables(tables), Case("c"), "current")
    assert found is not None
    assert found.before == ()


def test_an_answer_that_cannot_be_is_no_set_to_look_at(known: Callable[[str], Knowledge]) -> None:
    """A lamp seen to be on rules out that the relay clicks; the plan is made all the same."""
    text = HUM.replace(
        "noisy_or: {leak: 0.01, causes: {lamp: 0.98}}",
        "table: [{when: {lamp: present}, gives: {glows: 1.0}}, {otherwise: {dark: 1.0}}]",
    ).replace(
        "noisy_or: {leak: 0.1, causes: {relay: 0.6}}",
        "table: [{when: {lamp: present}, gives: {silent: 1.0}}, "
        "{when: {relay: present}, gives: {clicks: 0.7, silent: 0.3}}, "
        "{otherwise: {clicks: 0.1, silent: 0.9}}]",
    )
    found = planned(*engine_of(known(text)), Case("c"), "current")
    assert found is not None
    assert [one.reading for one in found.before] == ["glow", "click"]


def test_nothing_is_planned_where_nothing_is_waited_for(hum: tuple[Knowledge, Engine]) -> None:
    """A reading without a long wait, or whose setup is in place, needs no plan."""
    assert planned(*hum, Case("c"), "glow") is None
    asleep = Case("c", (Prepared("shut", START.isoformat()), Prepared("asleep", START.isoformat())))
    assert planned(*hum, asleep, "current") is None


def waits(knowledge: Knowledge, case: Case, now: datetime) -> dict[str, float]:
    """The setups in place with the minutes that their waits still take."""
    return present(knowledge, case).waiting_minutes(now)


def test_a_wait_runs_by_the_clock_and_ends(hum: tuple[Knowledge, Engine]) -> None:
    """Forty minutes from the start; a clock set back never makes it longer; ending it ends it."""
    knowledge, _ = hum
    case = Case("c", (Prepared("asleep", START.isoformat()),))

    def left(minutes: float, case: Case = case) -> float | None:
        return waits(knowledge, case, START + timedelta(minutes=minutes)).get("asleep")

    assert [left(0), left(15), left(40), left(500)] == [40, 25, 0, 0]
    assert left(-90) == 40
    assert left(15, case.with_entry(Ended("asleep", "a door was opened"))) is None


def test_what_a_setup_is_built_on_ends_it_too(hum: tuple[Knowledge, Engine]) -> None:
    """A door opened is the end of all shut, and so of the car asleep; the next reading charges both again."""
    knowledge, engine = hum
    case = Case("c", (Seen("current", "high"),))
    assert present(knowledge, case).condition.in_place == {"shut", "asleep"}
    ended = case.with_entry(Ended("shut", "a door was opened"))
    assert present(knowledge, ended).condition.in_place == frozenset()
    assert (
        proposed(advise(Situation.of(knowledge, engine, ended)).proposals, "warm").minutes == 3 + 4 + 6 + 40
    )


def test_the_rest_of_a_wait_is_charged(hum: tuple[Knowledge, Engine]) -> None:
    """With a quarter of an hour left, a reading behind the wait costs its own minutes and that."""
    knowledge, engine = hum
    case = Case("c", (Prepared("shut", START.isoformat()), Prepared("asleep", START.isoformat())))
    advice = advise(Situation.of(knowledge, engine, case), now=START + timedelta(minutes=25))
    assert proposed(advice.proposals, "warm").minutes == 3 + 15


def test_how_likely_one_cause_explains_all_is_that_of_enumeration(hum: tuple[Knowledge, Engine]) -> None:
    """The probability that exactly one cause is there, against a sum over every combination."""
    knowledge, engine = hum
    case = Case("c", (Seen("glow", "glows"), Seen("warm", "warm"), Seen("current", "high")))
    evidence = case.evidence(knowledge, engine)
    tables = build(knowledge, "c").tables
    joint = oracle.enumerate_joint(tables, evidence)
    names = [table.child for table in tables.tables]
    causes = [names.index(name) for name in engine.targets]
    others = tuple(axis for axis in range(joint.ndim) if axis not in causes)
    by_causes = joint.sum(axis=others)
    alone = sum(float(by_causes[at]) for at in zip(*by_causes.nonzero(), strict=True) if sum(at) == 1)
    situation = Situation.of(knowledge, engine, case)
    one = alone / float(joint.sum())
    assert single_fault_probability(situation) == pytest.approx(one, abs=1e-9)
    assert least_single_fault_probability(situation) <= one + 1e-9


def test_lower_bound_on_one_fault_is_met_where_no_third_fault_is_possible(
    known: Callable[[str], Knowledge],
) -> None:
    """With two faults at most, P(one) = 2 - 2 P(none) - the expected number of faults; by enumeration."""
    knowledge, engine = engine_of(known(HUM))
    evidence = Case("c", (Seen("glow", "glows"),)).evidence(knowledge, engine)
    for fault in engine.targets[2:]:
        evidence[fault] = engine.one_hot(fault, "absent")
    situation = Situation(knowledge, engine, Case("c"), evidence, engine.query(evidence))
    joint = oracle.enumerate_joint(build(knowledge, "c").tables, evidence)
    names = [table.child for table in build(knowledge, "c").tables.tables]
    first, second = (names.index(name) for name in engine.targets[:2])
    by_two = joint.sum(axis=tuple(axis for axis in range(joint.ndim) if axis not in (first, second)))
    one = float(by_two[0, 1] + by_two[1, 0]) / float(joint.sum())
    assert least_single_fault_probability(situation) == pytest.approx(one, abs=1e-9)
