"""Readings that disagree."""

from __future__ import annotations

import math

import numpy as np
import pytest

from advisor.advice.conflict import Disagreement, standing_out
from advisor.arrays import Floats
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.inference.tables import CPT, DiscreteNetwork

ABSENT_PRESENT = ("absent", "present")


def tell(*rows: list[float]) -> Floats:
    """A table from its rows."""
    return np.array(rows)


@pytest.fixture(scope="module")
def engine() -> Engine:
    """One cause seen by four readings, and a rare cause that makes two of them differ."""
    tables = [
        CPT("common", (), np.array([0.7, 0.3])),
        CPT("rare", (), np.array([0.999, 0.001])),
    ]
    for name in ("a", "b", "c", "d"):
        tables.append(CPT(name, ("common",), tell([0.95, 0.05], [0.05, 0.95])))
    for name in ("e", "f"):
        tables.append(CPT(name, ("rare",), tell([0.999, 0.001], [0.05, 0.95])))
    names = [table.child for table in tables]
    return compile_tables(
        DiscreteNetwork(
            tuple(tables), dict.fromkeys(names, ABSENT_PRESENT), ("common", "rare"), tuple("abcdef")
        )
    )


def hard(engine: Engine, **outcomes: str) -> dict[str, Floats]:
    """Outcomes as evidence."""
    return {name: engine.one_hot(name, outcome) for name, outcome in outcomes.items()}


def among(engine: Engine, given: dict[str, Floats], readings: dict[str, Floats]) -> Disagreement | None:
    """What stands out among these readings."""
    whole = engine.query({**given, **readings})
    return standing_out(engine, given, readings, engine.query(given), whole, 2.5)


def test_readings_of_one_cause_support_each_other(engine: Engine) -> None:
    """Agreeing readings are no conflict."""
    assert among(engine, {}, hard(engine, a="present", b="present", c="present")) is None


def test_the_reading_to_repeat_is_the_odd_one_out(engine: Engine) -> None:
    """Three say yes and one says no: that one is named, with what it should have shown."""
    found = among(engine, {}, hard(engine, a="present", b="present", c="absent", d="present"))
    assert found is not None
    assert (found.repeat, found.expected) == ("c", "present")
    assert found.rare_fault is None


def test_the_measure_is_the_published_one(engine: Engine) -> None:
    """log2 of the product of the marginals over the joint (Jensen et al. 1990), worked out on paper.

    P(x) = 0.7·0.05 + 0.3·0.95 = 0.32 for "present"; the joint of three present and one absent
    is 0.7·0.05³·0.95 + 0.3·0.95³·0.05.
    """
    found = among(engine, {}, hard(engine, a="present", b="present", c="absent", d="present"))
    assert found is not None
    joint = 0.7 * 0.05**3 * 0.95 + 0.3 * 0.95**3 * 0.05
    assert found.total == pytest.approx(math.log2(0.32**3 * 0.68 / joint), abs=1e-9)
    others = 0.7 * 0.05**3 + 0.3 * 0.95**3
    assert found.bits == pytest.approx(math.log2(0.68 * others / joint), abs=1e-9)


def test_a_rare_fault_is_told_apart_from_a_conflict(engine: Engine) -> None:
    """Two odd readings that one rare fault explains are supported by each other: no reading is blamed."""
    assert among(engine, {}, hard(engine, e="present", f="present")) is None


def test_one_reading_alone_cannot_disagree(engine: Engine) -> None:
    """There is nothing to compare with."""
    assert among(engine, {}, hard(engine, c="absent")) is None


def test_disagreement_is_measured_given_what_is_certain() -> None:
    """With a fact of 1 in 5 given, under which the cause is there with 0.6, every chance is one given it.

    P(x) = 0.4·0.05 + 0.6·0.95 = 0.59 for "present".
    """
    tables = [
        CPT("fact", (), np.array([0.8, 0.2])),
        CPT("common", ("fact",), tell([0.7, 0.3], [0.4, 0.6])),
    ]
    tables += [CPT(name, ("common",), tell([0.95, 0.05], [0.05, 0.95])) for name in "abcd"]
    outcomes = dict.fromkeys((table.child for table in tables), ABSENT_PRESENT)
    engine = compile_tables(DiscreteNetwork(tuple(tables), outcomes, ("common",), tuple("abcd")))
    found = among(
        engine, hard(engine, fact="present"), hard(engine, a="present", b="present", c="absent", d="present")
    )
    assert found is not None
    joint = 0.4 * 0.05**3 * 0.95 + 0.6 * 0.95**3 * 0.05
    others = 0.4 * 0.05**3 + 0.6 * 0.95**3
    assert found.total == pytest.approx(math.log2(0.59**3 * 0.41 / joint), abs=1e-9)
    assert found.bits == pytest.approx(math.log2(0.41 * others / joint), abs=1e-9)


@pytest.mark.parametrize("prior", [0.5, 0.3, 0.2, 0.1])
def test_of_two_readings_the_same_one_is_named_whatever_the_round_off(prior: float) -> None:
    """Two readings stand against each other by the same bits; no cause is likely enough to explain them."""
    tables = (
        CPT("common", (), np.array([1 - prior, prior])),
        CPT("z", (), np.array([0.9, 0.1])),
        CPT("a", ("common",), tell([0.99, 0.01], [0.01, 0.99])),
        CPT("b", ("common",), tell([0.991, 0.009], [0.01, 0.99])),
    )
    outcomes = dict.fromkeys(("common", "z", "a", "b"), ABSENT_PRESENT)
    engine = compile_tables(DiscreteNetwork(tables, outcomes, ("z",), ("a", "b")))
    found = among(engine, {}, hard(engine, b="absent", a="present"))
    assert found is not None
    assert (found.repeat, found.expected, found.rare_fault) == ("b", "present", None)
    assert found.bits == pytest.approx(found.total, abs=1e-9)


def two_that_differ(rare: float, b_with_it: float, common: float = 0.5) -> Engine:
    """Readings `a` and `b` that show opposites of a common cause, and a rare fault that makes both show.

    The fault is there with `rare`; `a` shows it in 99 of 100, `b` with `b_with_it`.
    """
    tables = (
        CPT("z_common", (), np.array([1 - common, common])),
        CPT("rare", (), np.array([1 - rare, rare])),
        CPT(
            "a",
            ("z_common", "rare"),
            np.array([[[0.999, 0.001], [0.01, 0.99]], [[0.001, 0.999], [0.01, 0.99]]]),
        ),
        CPT(
            "b",
            ("z_common", "rare"),
            np.array(
                [[[0.001, 0.999], [1 - b_with_it, b_with_it]], [[0.999, 0.001], [1 - b_with_it, b_with_it]]]
            ),
        ),
    )
    outcomes = dict.fromkeys(("z_common", "rare", "a", "b"), ABSENT_PRESENT)
    return compile_tables(DiscreteNetwork(tables, outcomes, ("z_common", "rare"), ("a", "b")))


@pytest.mark.parametrize(
    ("rare", "b_with_it", "common", "named"),
    [
        (0.01, 0.99, 0.5, True),
        (0.01, 0.99, 0.8, True),
        (0.0005, 0.99, 0.5, False),
        (0.02, 0.3, 0.5, True),
        (0.02, 0.17, 0.5, False),
    ],
)
def test_a_rare_fault_is_named_where_it_is_likely_and_explains_the_reading(
    rare: float, b_with_it: float, common: float, named: bool
) -> None:
    """It has to be as likely as not, and the reading with it half as likely as by itself, or more.

    By hand for b: P(b) = 0.5 or so; the fault's odds are rare·0.99·b_with_it to (1 - rare)·0.001. The common
    cause, though it is likely in the second row, hardly rises and explains nothing.
    """
    engine = two_that_differ(rare, b_with_it, common)
    odds = rare * 0.99 * b_with_it / ((1 - rare) * 0.999 * 0.001)
    both = hard(engine, a="present", b="present")
    assert engine.query(both).beliefs["rare"] == pytest.approx(odds / (1 + odds), abs=1e-9)
    found = among(engine, {}, both)
    assert found is not None
    assert found.repeat == "b"
    itself = (1 - rare) * ((1 - common) * 0.999 + common * 0.001) + rare * b_with_it
    assert named == (odds >= 1 and b_with_it / itself >= 0.5)
    assert found.rare_fault == ("rare" if named else None)
