"""The narrowed engine: the same numbers as the engine itself, and cars that are drawn as believed."""

from __future__ import annotations

import numpy as np
import pytest

from advisor.inference.batch import Batch, condition, sample_categorical, stratified_uniforms
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, ImpossibleEvidence
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from tests import oracle
from tests.oracle import BINARY

FAMILIES = ["flat_battery", "poor_cooling", "no_heat", "water_inside", "wind_noise"]


def narrowed(knowledge: Knowledge, complaint: str) -> tuple[Engine, Batch]:
    """A complaint's engine, whole and narrowed."""
    engine = compile_tables(build(knowledge, complaint).tables)
    return engine, condition(engine, {complaint: engine.one_hot(complaint, "present")}, engine.readings)


def two_suspects() -> Engine:
    """Two faults, at least one of them there, a reading of the first that errs, and a copy of the second."""
    tables = (
        oracle.root("leak", (0.8, 0.2)),
        oracle.root("blocked", (0.9, 0.1)),
        oracle.gate("complaint", "or", ("leak", "blocked")),
        CPT("dye", ("leak",), np.array([[0.9, 0.1], [0.3, 0.7]])),
        oracle.copy_of("flow", "blocked", 2),
    )
    nodes = dict.fromkeys(("leak", "blocked", "complaint", "dye", "flow"), BINARY)
    return compile_tables(DiscreteNetwork(tables, nodes, ("leak", "blocked"), ("dye", "flow")))


@pytest.mark.parametrize("complaint", FAMILIES)
def test_beliefs_and_bits_are_those_of_the_engine(shipped: Knowledge, complaint: str) -> None:
    """On shipped knowledge, with up to eight answers that one car gave, all numbers agree to 1e-12."""
    engine, batch = narrowed(shipped, complaint)
    random = np.random.default_rng(5)
    evidence = {complaint: engine.one_hot(complaint, "present")}
    potentials = batch.potentials([evidence])
    for reading in random.choice(engine.readings, 8, replace=False).tolist():
        probabilities = engine.query(evidence).predictive[reading]
        shown = int(random.choice(len(probabilities), p=probabilities / probabilities.sum()))
        evidence[reading] = np.eye(len(probabilities))[shown]
        batch.observe(potentials, np.array([0]), reading, np.array([shown]))
        whole = engine.query(evidence)
        beliefs, bits = batch.posteriors(potentials)
        np.testing.assert_allclose(beliefs[0], list(whole.beliefs.values()), rtol=0, atol=1e-12)
        told = dict(zip(batch.readings, bits[0].tolist(), strict=True))
        for name, expected in whole.expected_information_bits.items():
            assert told[name] == pytest.approx(expected, abs=1e-12), name


@pytest.mark.parametrize("complaint", FAMILIES)
def test_readings_not_asked_about_cost_no_other_its_numbers(shipped: Knowledge, complaint: str) -> None:
    """Cases that each leave out other readings, one none and one all: 0 bits there, the rest to 1e-12."""
    engine, batch = narrowed(shipped, complaint)
    random = np.random.default_rng(6)
    shown = {name: int(random.integers(len(engine.outcomes[name]))) for name in engine.readings[:6]}
    seen = [{name: np.eye(len(engine.outcomes[name]))[at] * 0.9 + 0.1} for name, at in shown.items()]
    potentials = batch.potentials([{complaint: (0, 1), **evidence} for evidence in seen])
    unasked = random.random((len(seen), len(batch.readings))) < 0.6
    unasked[0], unasked[-1] = False, True
    beliefs, bits = batch.posteriors(potentials)
    same, some = batch.posteriors(potentials, unasked)
    np.testing.assert_allclose(same, beliefs, rtol=0, atol=1e-12)
    np.testing.assert_allclose(some, np.where(unasked, 0.0, bits), rtol=0, atol=1e-12)
    assert np.any(some > 0)


def test_evidence_given_at_once_is_evidence_seen_one_by_one(shipped: Knowledge) -> None:
    """A case that begins with answers is believed like one that gathers them."""
    engine, batch = narrowed(shipped, "no_heat")
    begun = {"no_heat": engine.one_hot("no_heat", "present"), "gurgle": np.array([0.0, 1.0])}
    gathered = batch.potentials([{"no_heat": begun["no_heat"]}])
    batch.observe(gathered, np.array([0]), "gurgle", np.array([1]))
    for one, other in zip(
        batch.posteriors(batch.potentials([begun])), batch.posteriors(gathered), strict=True
    ):
        np.testing.assert_allclose(one, other, rtol=0, atol=1e-12)


def test_asking_leaves_the_potentials_as_they_were() -> None:
    """One case or many, asked twice they give the same."""
    engine = two_suspects()
    batch = condition(engine, {"complaint": (0, 1)}, engine.readings)
    potentials = batch.potentials([{}])
    before = potentials.copy()
    batch.posteriors(potentials)
    np.testing.assert_array_equal(potentials, before)


def test_what_the_complaint_rules_out_is_cut_away() -> None:
    """Given the complaint the car without any fault is no longer there: one entry less in the only clique."""
    engine = two_suspects()
    assert len(engine.start) == 4
    assert len(condition(engine, {"complaint": (0, 1)}, engine.readings).kept) == 3


def test_only_the_readings_asked_for_are_informed_about() -> None:
    """A batch narrowed to one reading gives one column, the same as with both."""
    engine = two_suspects()
    both = condition(engine, {"complaint": (0, 1)}, ("dye", "flow"))
    one = condition(engine, {"complaint": (0, 1)}, ("flow",))
    assert one.posteriors(one.potentials([{}]))[1] == pytest.approx(
        both.posteriors(both.potentials([{}]))[1][:, 1:], abs=1e-12
    )


def test_what_cannot_always_be_is_refused() -> None:
    """A batch of impossible cases is not made."""
    with pytest.raises(ImpossibleEvidence):
        condition(two_suspects(), {"complaint": (0, 1), "leak": (1, 0), "blocked": (1, 0)}, ())


def test_cars_are_drawn_as_believed() -> None:
    """Of 20,000 cars given the complaint, 0.2/0.28 have the leak, 0.1/0.28 the blockage, none neither."""
    engine = two_suspects()
    batch = condition(engine, {"complaint": (0, 1)}, engine.readings)
    cars = np.zeros(20_000, dtype=np.intp)
    drawn = batch.draw(batch.potentials([{}]), cars, np.random.default_rng(1))
    leak, blocked = (batch.configurations(fault, drawn) for fault in ("leak", "blocked"))
    assert leak.mean() == pytest.approx(0.2 / 0.28, abs=0.01)
    assert blocked.mean() == pytest.approx(0.1 / 0.28, abs=0.01)
    assert np.all(leak + blocked >= 1)


def test_cars_of_different_cases_are_drawn_each_as_its_own_is_believed() -> None:
    """Where the flow was seen blocked the car is blocked, where it was seen free the leak is there."""
    engine = two_suspects()
    batch = condition(engine, {"complaint": (0, 1)}, engine.readings)
    potentials = batch.potentials([{"flow": (0, 1)}, {"flow": (1, 0)}])
    case = np.array([0, 1] * 50)
    drawn = batch.draw(potentials, case, np.random.default_rng(1))
    assert np.array_equal(batch.configurations("blocked", drawn), 1 - case)
    assert np.all(batch.configurations("leak", drawn)[case == 1] == 1)


def test_a_number_picks_the_column_it_falls_on() -> None:
    """Of chances 1 : 0 : 3 the numbers below 1/4 pick the first column, the others the third."""
    uniform = np.array([0.0, 0.2499, 0.25, 0.9999])
    assert sample_categorical(np.tile([1.0, 0.0, 3.0], (4, 1)), uniform).tolist() == [0, 0, 2, 2]


def test_evenly_spread_numbers_fill_every_part_once() -> None:
    """Each of ten equal parts between 0 and 1 gets one of ten numbers."""
    numbers = stratified_uniforms(10, np.random.default_rng(2))
    assert sorted(int(10 * number) for number in numbers) == list(range(10))
