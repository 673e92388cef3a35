"""Act or measure: a remedy that is cheap and likely is tried before the next reading."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from advisor.acting import CALL_MINUTES, act, remedies
from advisor.advice import advise, what_answers_do
from advisor.case import Case
from advisor.engine import compile_tables
from advisor.knowledge import Knowledge
from advisor.network import build

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
    advice = advise(knowledge, engine, Case("c"))
    answers = what_answers_do(knowledge, engine, Case("c"), "drop")
    found = act(knowledge, "c", advice, advice.proposals[0], answers)
    return found and (found.fault, found.minutes_acting, found.minutes_reading)


def test_a_cheap_and_likely_remedy_is_tried_first(known: Callable[[str], Knowledge]) -> None:
    """A clamp loose in 85 of 100 is tightened in 3 minutes: measuring it for 15 comes second."""
    found = proposed(known(CLAMP.format(clamp=85, starter=20, minutes=3)))
    assert found is not None
    fault, acting, reading = found
    assert fault == "clamp"
    assert acting < reading


def test_a_dear_remedy_waits_for_the_reading(known: Callable[[str], Knowledge]) -> None:
    """The same clamp behind two hours of work is measured first."""
    assert proposed(known(CLAMP.format(clamp=50, starter=55, minutes=240))) is None


def test_the_expected_minutes_are_those_of_the_sum_by_hand(known: Callable[[str], Knowledge]) -> None:
    """Clamp, then starter, then a call: the sum of Heckerman, Breese & Rommelse 1995 written out.

    85 + 20 + 3 of 100 add up to 1.08: single-fault shares are these divided by 1.08. A remedy costs its
    minutes, its parts (high: 240) and the check (2).
    """
    found = proposed(known(CLAMP.format(clamp=85, starter=20, minutes=3)))
    clamp, starter = 0.85 / 1.08, 0.20 / 1.08
    after_clamp = 1 - 0.9 * clamp
    after_both = after_clamp - 0.95 * starter
    by_hand = 5 + after_clamp * (90 + 240 + 2) + after_both * CALL_MINUTES
    direct = 5 + after_clamp * CALL_MINUTES
    assert found is not None
    assert found[1] == pytest.approx(min(by_hand, direct), abs=1e-6)


def test_what_is_not_listed_has_no_remedy(shipped: Knowledge) -> None:
    """Only faults can be put right; the unlisted cause is left to the call."""
    network = build(shipped, "flat_battery")
    names = {one.name for one in remedies(shipped, "flat_battery", network.sought)}
    assert names == {name for name in network.sought if name in shipped.faults}
