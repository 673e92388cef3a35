"""Readings that disagree."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from advisor.conflict import disagreement
from advisor.engine import Engine, compile_tables
from advisor.tables import Floats, Table, Tables

ABSENT_PRESENT = ("absent", "present")


def tell(*rows: list[float]) -> Floats:
    """A table from its rows."""
    return np.array(rows)


@pytest.fixture(scope="module")
def engine() -> Engine:
    """One cause seen by four readings, and a rare cause that makes two of them differ."""
    tables = [
        Table("common", (), np.array([0.7, 0.3])),
        Table("rare", (), np.array([0.999, 0.001])),
    ]
    for name in ("a", "b", "c", "d"):
        tables.append(Table(name, ("common",), tell([0.95, 0.05], [0.05, 0.95])))
    for name in ("e", "f"):
        tables.append(Table(name, ("rare",), tell([0.999, 0.001], [0.05, 0.95])))
    names = [table.child for table in tables]
    return compile_tables(
        Tables(tuple(tables), dict.fromkeys(names, ABSENT_PRESENT), ("common", "rare"), tuple("abcdef"))
    )


def hard(engine: Engine, **outcomes: str) -> dict[str, Floats]:
    """Outcomes as evidence."""
    return {name: engine.one_hot(name, outcome) for name, outcome in outcomes.items()}


def test_readings_of_one_cause_support_each_other(engine: Engine) -> None:
    """Agreeing readings are no conflict."""
    assert disagreement(engine, {}, hard(engine, a="present", b="present", c="present")) is None


def test_the_reading_to_repeat_is_the_odd_one_out(engine: Engine) -> None:
    """Three say yes and one says no: that one is named, with what it should have shown."""
    found = disagreement(engine, {}, hard(engine, a="present", b="present", c="absent", d="present"))
    assert found is not None
    assert (found.repeat, found.expected) == ("c", "present")
    assert found.rare_fault is None


def test_the_measure_is_the_published_one(engine: Engine) -> None:
    """log2 of the product of the marginals over the joint (Jensen et al. 1990), worked out on paper.

    P(x) = 0.7·0.05 + 0.3·0.95 = 0.32 for "present"; the joint of three present and one absent
    is 0.7·0.05³·0.95 + 0.3·0.95³·0.05.
    """
    found = disagreement(engine, {}, hard(engine, a="present", b="present", c="absent", d="present"))
    assert found is not None
    joint = 0.7 * 0.05**3 * 0.95 + 0.3 * 0.95**3 * 0.05
    assert found.total == pytest.approx(math.log2(0.32**3 * 0.68 / joint), abs=1e-9)
    others = 0.7 * 0.05**3 + 0.3 * 0.95**3
    assert found.bits == pytest.approx(math.log2(0.68 * others / joint), abs=1e-9)


def test_a_rare_fault_is_told_apart_from_a_conflict(engine: Engine) -> None:
    """Two odd readings that one rare fault explains are supported by each other: no reading is blamed."""
    assert disagreement(engine, {}, hard(engine, e="present", f="present")) is None


def test_one_reading_alone_cannot_disagree(engine: Engine) -> None:
    """There is nothing to compare with."""
    assert disagreement(engine, {}, hard(engine, c="absent")) is None


def test_a_rare_fault_that_explains_a_conflict_is_named() -> None:
    """Two readings that only a rare fault brings together: the fault is named."""
    tables = (
        Table("common", (), np.array([0.5, 0.5])),
        Table("rare", (), np.array([0.99, 0.01])),
        Table(
            "a",
            ("common", "rare"),
            np.array([[[0.999, 0.001], [0.01, 0.99]], [[0.001, 0.999], [0.01, 0.99]]]),
        ),
        Table(
            "b",
            ("common", "rare"),
            np.array([[[0.001, 0.999], [0.01, 0.99]], [[0.999, 0.001], [0.01, 0.99]]]),
        ),
    )
    outcomes = dict.fromkeys(("common", "rare", "a", "b"), ABSENT_PRESENT)
    engine = compile_tables(Tables(tables, outcomes, ("common", "rare"), ("a", "b")))
    found = disagreement(engine, {}, hard(engine, a="present", b="present"))
    assert found is not None
    assert found.rare_fault == "rare"
    assert engine.outlook(hard(engine, a="present", b="present")).beliefs["rare"] > 0.9


def test_shipped_scenarios_with_a_single_cause_seldom_raise_it() -> None:
    """What typical cars show is no disagreement: at most one in twenty shipped scenarios raises it."""
    from advisor.lint import checked
    from advisor.network import build
    from advisor.simulation import play, read_scenarios

    root = Path(__file__).parent.parent
    knowledge = checked([root / "knowledge"])
    engines = {name: compile_tables(build(knowledge, name).tables) for name in knowledge.complaints}
    cars = [one for one in read_scenarios([root / "scenarios"], knowledge).values() if len(one.causes) == 1]
    raised = []
    for car in cars:
        engine = engines[car.complaint]
        evidence = play(knowledge, engine, car).case.evidence(knowledge, engine)
        readings = {name: evidence.pop(name) for name in list(evidence) if name in knowledge.readings}
        if disagreement(engine, evidence, readings) and not car.misleads:
            raised.append(car.name)
    assert len(raised) <= len(cars) / 20, raised
