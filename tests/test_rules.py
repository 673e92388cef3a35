"""The rules of the advice, for one case and for many: the same answer either way."""

from __future__ import annotations

import numpy as np
import pytest
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
def test_bits_are_divided_by_work_a_quarter_of_the_waiting_and_four_minutes(
    bits: float, hands_on: float, waiting: float
) -> None:
    """The default order of the readings."""
    by_hand = bits / (hands_on + waiting / 4 + 4)
    assert bits_per_minute(DEFAULT, bits, hands_on + waiting, hands_on) == pytest.approx(by_hand, rel=1e-12)


def test_the_default_order_is_a_foremans() -> None:
    """A question before a test, work beside a wait before the same work alone, no crumbs by the dozen.

    Worked by hand: 0.3/(1+4), 1.0/(10+75/4+4), 0.5/(10+4), 0.1/(0.5+4).
    """
    readings = {
        "ask": (0.3, 1, 1),
        "asleep": (1.0, 85, 10),
        "meter": (0.5, 10, 10),
        "glance": (0.1, 0.5, 0.5),
    }
    found = {name: bits_per_minute(DEFAULT, *one) for name, one in readings.items()}
    assert found == pytest.approx(
        {"ask": 0.06, "asleep": 0.030534, "meter": 0.035714, "glance": 0.022222}, rel=1e-4
    )
    assert sorted(found, key=lambda name: -found[name]) == ["ask", "meter", "asleep", "glance"]


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
