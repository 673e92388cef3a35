"""The rules of the advice, for one case and for many: the same answer either way."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice.rules import (
    REASONS,
    bits_per_minute,
    comparable,
    most_first,
    most_probable_first,
    stop_reasons,
    worth_taking,
)
from advisor.policy import DEFAULT, Policy

alike = settings(derandomize=True, max_examples=300, deadline=None, database=None)
BITS = st.floats(0, 40)
MINUTES = st.floats(0, 2000)


@alike
@given(BITS, MINUTES, MINUTES, st.sampled_from([1.0, 0.25, 0.0]))
def test_one_reading_is_judged_as_it_is_among_many(
    bits: float, hands_on: float, waiting: float, weight: float
) -> None:
    """Numbers and arrays are rounded, divided and compared alike, to the last digit."""
    policy, minutes = Policy(weight_of_waiting=weight), hands_on + waiting
    many, long, part = np.array([bits]), np.array([minutes]), np.array([hands_on])
    assert comparable(bits) == comparable(many)[0] == np.round(bits, 10)
    one = bits_per_minute(policy, bits, minutes, hands_on)
    assert one == bits_per_minute(policy, many, long, part)[0]
    assert worth_taking(policy, bits, minutes) == worth_taking(policy, many, long)[0]


@alike
@given(BITS, MINUTES, MINUTES)
def test_by_default_waiting_counts_as_work(bits: float, hands_on: float, waiting: float) -> None:
    """To the last digit: bits over all minutes, of which a tenth at least."""
    minutes = hands_on + waiting
    assert bits_per_minute(DEFAULT, bits, minutes, hands_on) == bits / max(minutes, 0.1)


def test_equal_faults_go_by_id_whatever_the_round_off() -> None:
    """0.1 + 0.2 and 0.3 differ in the last digit only."""
    assert most_probable_first({"b": 0.1 + 0.2, "a": 0.3, "c": 0.4}) == ["c", "a", "b"]


def test_readings_that_tell_the_same_go_by_minutes_then_by_id() -> None:
    """Whatever the round-off: only more than that comes first though it takes longer."""
    readings = [(0.3, 5.0, "b"), (0.1 + 0.2, 5.0, "a"), (0.1 + 0.2, 9.0, "c"), (0.3 + 1e-9, 60.0, "d")]
    assert [reading for *_, reading in sorted(readings, key=lambda one: most_first(*one))] == list("dabc")


def test_the_search_ends_for_the_reason_of_its_state() -> None:
    """Sure of one, of the unlisted one, one still open, and nothing left with either ahead."""
    beliefs = np.array([[0.97, 0.1], [0.1, 0.97], [0.97, 0.5], [0.6, 0.5], [0.5, 0.6]])
    unlisted = np.array([False, True])
    any_worth = np.array([True, True, True, False, False])
    found = stop_reasons(DEFAULT, beliefs, unlisted, any_worth).tolist()
    assert [REASONS[one] if one >= 0 else "" for one in found] == [
        "sure",
        "unlisted",
        "",
        "nothing-left",
        "unlisted",
    ]
