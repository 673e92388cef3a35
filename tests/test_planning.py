"""Around a wait: which readings before it and which after, chosen for what they add to each other."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from advisor.advice import Proposal, advise, one_cause, setups_in_place, waiting_minutes
from advisor.case import Case, Ended, Prepared, Seen
from advisor.engine import Engine, compile_tables
from advisor.knowledge import Knowledge
from advisor.network import build
from advisor.planning import Plan, plan
from tests import oracle

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
    knowledge = known(HUM)
    return knowledge, compile_tables(build(knowledge, "c").tables)


def planned(knowledge: Knowledge, engine: Engine, case: Case, towards: str) -> Plan | None:
    """The plan when a reading is gone for."""
    advice = advise(knowledge, engine, case)
    return plan(knowledge, engine, case, advice, proposed(advice.proposals, towards))


def proposed(proposals: tuple[Proposal, ...], reading: str) -> Proposal:
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
    advice = advise(knowledge, engine, Case("c"))
    told = {one.reading: one.information_bits for one in advice.proposals}
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
        total = oracle.enumerate_answers(tables, present).information_bits[first]
        chances = oracle.enumerate_answers(tables, present).predictive[first]
        for at, chance in enumerate(chances):
            seen = {**present, first: [float(at == other) for other in range(len(chances))]}
            total += chance * oracle.enumerate_answers(tables, seen).information_bits[second]
        return float(total)

    pairs = itertools.combinations(("glow", "glow_again", "click"), 2)
    best = max(pairs, key=together)
    found = planned(knowledge, engine, Case("c"), "current")
    assert found is not None
    assert {one.reading for one in found.before[:2]} == set(best)


def test_nothing_is_planned_where_nothing_is_waited_for(hum: tuple[Knowledge, Engine]) -> None:
    """A reading without a long wait, or whose setup is in place, needs no plan."""
    assert planned(*hum, Case("c"), "glow") is None
    asleep = Case("c", (Prepared("shut", START.isoformat()), Prepared("asleep", START.isoformat())))
    assert planned(*hum, asleep, "current") is None


def test_a_wait_runs_by_the_clock_and_ends(hum: tuple[Knowledge, Engine]) -> None:
    """Forty minutes from the start; a clock set back never makes it longer; ending it ends it."""
    knowledge, _ = hum
    case = Case("c", (Prepared("asleep", START.isoformat()),))

    def left(minutes: float, case: Case = case) -> float | None:
        return waiting_minutes(knowledge, case, START + timedelta(minutes=minutes)).get("asleep")

    assert [left(0), left(15), left(40), left(500)] == [40, 25, 0, 0]
    assert left(-90) == 40
    assert left(15, case.with_entry(Ended("asleep", "a door was opened"))) is None


def test_what_a_setup_is_built_on_ends_it_too(hum: tuple[Knowledge, Engine]) -> None:
    """A door opened is the end of all shut, and so of the car asleep; the next reading charges both again."""
    knowledge, engine = hum
    case = Case("c", (Seen("current", "high"),))
    assert setups_in_place(knowledge, case) == {"shut", "asleep"}
    ended = case.with_entry(Ended("shut", "a door was opened"))
    assert setups_in_place(knowledge, ended) == frozenset()
    assert proposed(advise(knowledge, engine, ended).proposals, "warm").minutes == 3 + 4 + 6 + 40


def test_the_rest_of_a_wait_is_charged(hum: tuple[Knowledge, Engine]) -> None:
    """With a quarter of an hour left, a reading behind the wait costs its own minutes and that."""
    knowledge, engine = hum
    case = Case("c", (Prepared("shut", START.isoformat()), Prepared("asleep", START.isoformat())))
    waiting = waiting_minutes(knowledge, case, START + timedelta(minutes=25))
    advice = advise(knowledge, engine, case, waiting=waiting)
    assert proposed(advice.proposals, "warm").minutes == 3 + 15


def test_how_likely_one_cause_explains_all_is_that_of_enumeration(hum: tuple[Knowledge, Engine]) -> None:
    """The probability that exactly one cause is there, against a sum over every combination."""
    knowledge, engine = hum
    case = Case("c", (Seen("glow", "glows"), Seen("warm", "warm"), Seen("current", "high")))
    evidence = case.evidence(knowledge, engine)
    tables = build(knowledge, "c").tables
    joint = oracle.enumerate_joint(tables, evidence)
    names = [table.child for table in tables.tables]
    causes = [names.index(name) for name in engine.sought]
    others = tuple(axis for axis in range(joint.ndim) if axis not in causes)
    by_causes = joint.sum(axis=others)
    alone = sum(float(by_causes[at]) for at in zip(*by_causes.nonzero(), strict=True) if sum(at) == 1)
    assert one_cause(engine, evidence) == pytest.approx(alone / float(joint.sum()), abs=1e-9)
