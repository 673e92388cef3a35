"""Repair or test: a remedy that is cheap and likely is tried before the next reading."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import pytest

from advisor.advice.advice import Answer, advise
from advisor.advice.repair_or_test import RepairFirst, remedies, repair_or_test
from advisor.advice.repair_order import Remedy
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.inference.compiler import compile_tables
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.policy import DEFAULT
from tests import oracle

CLAMP = """\
complaints:
  c:
    name: Starts badly
    family: made_up
    any_of: {{clamp: {clamp}, starter: {starter}}}
    unlisted: 3
    check_minutes: 2
faults:
  clamp:
    {{name: Clamp loose, remedy: Tighten it, remedy_minutes: {minutes}, price: none, remedy_success: 0.9}}
  starter: {{name: Starter, remedy: Replace it, remedy_minutes: 90, price: high}}
readings:
  drop:
    name: Voltage drop
    minutes: 15
    outcomes: {{small: Small, large: Large}}
    noisy_or: {{leak: 0.05, causes: {{clamp: 0.9}}}}
"""


def proposed(knowledge: Knowledge) -> tuple[str, float, float] | None:
    """What is proposed at the start: the remedy, and the minutes of both ways."""
    engine = compile_tables(build(knowledge, "c").tables)
    advice = advise(Situation.of(knowledge, engine, Case("c")))
    found = repair_or_test(Situation.of(knowledge, engine, Case("c")), advice, advice.proposals[0])
    return None if found is None else (found.fault, found.minutes_repairing, found.minutes_testing)


def test_a_cheap_and_likely_remedy_is_tried_first(known: Callable[[str], Knowledge]) -> None:
    """A clamp loose in 85 of 100 is tightened in 3 minutes: measuring it for 15 comes second."""
    found = proposed(known(CLAMP.format(clamp=85, starter=20, minutes=3)))
    assert found is not None
    fault, repairing, testing = found
    assert fault == "clamp"
    assert repairing < testing


def test_a_dear_remedy_waits_for_the_reading(known: Callable[[str], Knowledge]) -> None:
    """The same clamp behind two hours of work is measured first."""
    assert proposed(known(CLAMP.format(clamp=50, starter=55, minutes=240))) is None


def test_the_expected_minutes_are_those_of_the_sum_by_hand(known: Callable[[str], Knowledge]) -> None:
    """Clamp, then starter, then escalation: the sum of Heckerman, Breese & Rommelse 1995 written out.

    85 + 20 + 3 of 100 add up to 1.08: single-fault shares are these divided by 1.08. A remedy costs its
    minutes, its parts (high: 240) and the check (2).
    """
    found = proposed(known(CLAMP.format(clamp=85, starter=20, minutes=3)))
    clamp, starter = 0.85 / 1.08, 0.20 / 1.08
    after_clamp = 1 - 0.9 * clamp
    after_both = after_clamp - 0.95 * starter
    by_hand = 5 + after_clamp * (90 + 240 + 2) + after_both * DEFAULT.escalation_minutes
    direct = 5 + after_clamp * DEFAULT.escalation_minutes
    assert found is not None
    assert found[1] == pytest.approx(min(by_hand, direct), abs=1e-6)


def least_minutes(beliefs: Mapping[str, float], tried: Sequence[tuple[str, float, float]]) -> float:
    """The least expected minutes over all orders of all sets of remedies, then escalation; one cause.

    A remedy is its cause, its minutes and its success.
    """
    whole = max(1.0, sum(beliefs.values()))
    ways = []
    for order in itertools.chain.from_iterable(
        itertools.permutations(tried, count) for count in range(len(tried) + 1)
    ):
        minutes, still = 0.0, 1.0
        for cause, takes, success in order:
            minutes += still * takes
            still -= success * beliefs[cause] / whole
        ways.append(minutes + still * 480)
    return min(ways)


@pytest.mark.parametrize(("clamp", "starter", "minutes"), [(85, 20, 3), (60, 45, 3), (85, 20, 8), (95, 5, 1)])
def test_both_ways_take_what_enumeration_says(
    known: Callable[[str], Knowledge], clamp: int, starter: int, minutes: int
) -> None:
    """Repairing from what is believed now, and 15 minutes of reading with what is believed after each answer.

    Beliefs are summed over the whole joint distribution; every order of the two remedies is tried. A clamp
    takes its minutes and 2 of checking, a starter 90, parts for 240 and 2.
    """
    knowledge = known(CLAMP.format(clamp=clamp, starter=starter, minutes=minutes))
    tables = build(knowledge, "c").tables
    tried = [("clamp", minutes + 2.0, 0.9), ("starter", 332.0, 0.95)]

    def by_enumeration(**seen: list[float]) -> float:
        marginals = oracle.enumerate_answers(tables, {"c": [0.0, 1.0], **seen}).marginals
        return least_minutes({cause: float(marginals[cause][1]) for cause in tables.targets}, tried)

    small, large = oracle.enumerate_answers(tables, {"c": [0.0, 1.0]}).predictive["drop"]
    repairing = by_enumeration()
    testing = 15 + small * by_enumeration(drop=[1.0, 0.0]) + large * by_enumeration(drop=[0.0, 1.0])
    assert proposed(knowledge) == (
        pytest.approx(("clamp", repairing, testing), abs=1e-9) if repairing < testing else None
    )


GOOD_LOOK = """\
  seen_loose:
    name: Taken apart and looked at
    minutes: {minutes}
    outcomes: {{tight: Tight, loose: Loose}}
    noisy_or: {{leak: 0.01, causes: {{clamp: 0.99}}}}
"""


@pytest.mark.parametrize(("look_minutes", "repairs"), [(20, False), (60, True)])
def test_a_remedy_has_to_beat_every_reading_and_not_only_the_first(
    known: Callable[[str], Knowledge], look_minutes: int, repairs: bool
) -> None:
    """A quick reading would not change what is repaired first; a good look that comes second would.

    Minutes of all three ways by enumeration over the joint distribution and every order of the remedies.
    """
    text = CLAMP.format(clamp=50, starter=55, minutes=60).replace("minutes: 15", "minutes: 0.5")
    text = text.replace("leak: 0.05, causes: {clamp: 0.9}", "leak: 0.1, causes: {clamp: 0.7}")
    knowledge = known(text + GOOD_LOOK.format(minutes=look_minutes))
    tables = build(knowledge, "c").tables
    tried = [("clamp", 62.0, 0.9), ("starter", 332.0, 0.95)]

    def minutes(**seen: list[float]) -> float:
        marginals = oracle.enumerate_answers(tables, {"c": [0.0, 1.0], **seen}).marginals
        return least_minutes({cause: float(marginals[cause][1]) for cause in tables.targets}, tried)

    predictive = oracle.enumerate_answers(tables, {"c": [0.0, 1.0]}).predictive
    answers = ([1.0, 0.0], [0.0, 1.0])
    drop, look = (
        sum(float(predictive[name][at]) * minutes(**{name: one}) for at, one in enumerate(answers))
        for name in ("drop", "seen_loose")
    )
    assert minutes() < 0.5 + drop
    assert (minutes() < look_minutes + look) is repairs
    situation = Situation.of(knowledge, compile_tables(tables), Case("c"))
    advice = advise(situation)
    assert [one.reading for one in advice.worth_taking] == ["drop", "seen_loose"]
    found = repair_or_test(situation, advice, advice.worth_taking[0])
    assert (found is not None) is repairs
    if found is not None:
        by_enumeration = (found.minutes_repairing, found.minutes_testing)
        assert by_enumeration == pytest.approx((minutes(), 0.5 + drop), abs=1e-9)


def test_what_takes_as_long_either_way_is_measured(known: Callable[[str], Knowledge]) -> None:
    """A free reading that changes nothing takes as long as repairing; one minute of it is a minute more."""
    knowledge = known(CLAMP.format(clamp=85, starter=20, minutes=3))
    engine = compile_tables(build(knowledge, "c").tables)
    advice = advise(Situation.of(knowledge, engine, Case("c")))
    advice = replace(advice, suspects=tuple(one for one in advice.suspects if one.fault == "clamp"))
    now = {one.fault: one.probability for one in advice.suspects}
    nothing_new = [Answer("small", "Small", 1.0, now)]

    def after(minutes: float) -> RepairFirst | None:
        situation = Situation.of(knowledge, engine, Case("c"))
        reading = replace(advice.proposals[0], minutes=minutes)
        return repair_or_test(situation, advice, reading, lambda _: nothing_new)

    assert after(0) is None
    found = after(1)
    assert found is not None
    assert found.minutes_testing - found.minutes_repairing == pytest.approx(1, abs=1e-9)


def test_a_remedy_takes_its_minutes_its_parts_and_the_check(known: Callable[[str], Knowledge]) -> None:
    """Parts count as 0, 10, 60 or 240 minutes of work; the check of this complaint takes 2."""
    for price, parts in (("none", 0), ("low", 10), ("middling", 60), ("high", 240)):
        knowledge = known(
            CLAMP.format(clamp=85, starter=20, minutes=7).replace("price: none", f"price: {price}")
        )
        assert remedies(knowledge, "c", ["clamp", "unlisted:c"]) == (
            Remedy("clamp", frozenset(["clamp"]), 7 + parts + 2, 0.9),
        )


def test_where_no_remedy_is_worth_trying_none_is_proposed(known: Callable[[str], Knowledge]) -> None:
    """Ten hours of work for a clamp are more than the day that a call takes."""
    assert proposed(known(CLAMP.format(clamp=85, starter=20, minutes=600))) is None


def test_what_is_not_listed_has_no_remedy(shipped: Knowledge) -> None:
    """Only faults can be put right; the unlisted cause is left to the call."""
    network = build(shipped, "flat_battery")
    names = {one.name for one in remedies(shipped, "flat_battery", network.targets)}
    assert names == {name for name in network.targets if name in shipped.faults}
