"""What must hold of the engine on any network: it agrees with enumeration and with two libraries."""

from __future__ import annotations

import itertools
import math
import os
import pickle
import subprocess
import sys
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pgmpy.inference import VariableElimination

from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, ImpossibleEvidence, Posterior
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.model.noisy import noisy_or
from tests import oracle
from tests.oracle import BINARY, gum

Floats = NDArray[np.float64]
Seen = dict[str, Floats]

bounded = settings(
    derandomize=True, max_examples=100, deadline=None, database=None, suppress_health_check=list(HealthCheck)
)

WEIGHTS = st.sampled_from([0, 0, 1, 1, 2, 3, 7, 30, 1e-3])
GATES = st.sampled_from(["or", "and", "xor", "atleast", "cardinality"])


@st.composite
def rows(draw: st.DrawFn, parents: Sequence[int], size: int) -> Floats:
    """A conditional probability table with zeros, equal rows and rare outcomes in it."""
    count = math.prod(parents)
    table = np.empty((count, size))
    for at in range(count):
        weights = np.array(draw(st.lists(WEIGHTS, min_size=size, max_size=size)), dtype=np.float64)
        if weights.sum() == 0:
            weights[-1] = 1.0
        table[at] = weights / weights.sum()
    return table.reshape(*parents, size)


@st.composite
def networks(draw: st.DrawFn, facts: int = 2, states: int = 2) -> DiscreteNetwork:
    """Facts, faults that may depend on a fact, gates, noisy states, and readings with up to three parents.

    A fact is a root that is not sought. Some gates depend on states, so that no node is steady by its kind.
    """
    tables: list[CPT] = []
    sizes: dict[str, int] = {}

    def add(name: str, size: int, parents: Sequence[str]) -> None:
        tables.append(CPT(name, tuple(parents), draw(rows([sizes[parent] for parent in parents], size))))
        sizes[name] = size

    def some(names: Sequence[str], least: int, most: int) -> list[str]:
        return draw(st.lists(st.sampled_from(names), min_size=least, max_size=most, unique=True))

    fact_names = [f"fact {at}" for at in range(draw(st.integers(0, facts)))]
    for name in fact_names:
        add(name, draw(st.integers(2, 3)), [])
    faults = [f"fault {at}" for at in range(draw(st.integers(1, 4)))]
    for name in faults:
        add(name, 2, some(fact_names, 0, 1) if fact_names else [])
    for kind in draw(st.lists(st.sampled_from(["gate", "state"]), max_size=4)):
        hidden = list(sizes)
        if kind == "gate":
            inputs = some([name for name in hidden if sizes[name] == 2], 1, 3)
            least = draw(st.integers(1, len(inputs)))
            tables.append(oracle.gate(f"gate {len(tables)}", draw(GATES), inputs, least, least))
            sizes[tables[-1].child] = 2
        elif sum(name.startswith("state") for name in hidden) < states:
            add(f"state {len(tables)}", draw(st.integers(2, 3)), some(hidden, 1, 2))
    hidden = list(sizes)
    readings = [f"reading {at}" for at in range(draw(st.integers(1, 4)))]
    for name in readings:
        add(name, draw(st.integers(2, 3)), some(hidden, 1, 3))
    outcomes = {name: tuple(f"s{at}" for at in range(size)) for name, size in sizes.items()}
    return DiscreteNetwork(tuple(tables), outcomes, tuple(faults), tuple(readings))


@st.composite
def evidences(draw: st.DrawFn, tables: DiscreteNetwork) -> Seen:
    """Hard and soft evidence on up to four nodes of any kind; it may be impossible together."""
    seen: Seen = {}
    for name in draw(st.lists(st.sampled_from(sorted(tables.outcomes)), max_size=4, unique=True)):
        size = len(tables.outcomes[name])
        if draw(st.booleans()):
            seen[name] = np.eye(size)[draw(st.integers(0, size - 1))]
        else:
            weights = draw(st.lists(WEIGHTS, min_size=size, max_size=size).filter(any))
            seen[name] = np.array(weights, dtype=np.float64)
    return seen


def possible_evidence(data: st.DataObject, tables: DiscreteNetwork) -> Seen:
    """Evidence that can be so; examples where it cannot are dropped."""
    seen = data.draw(evidences(tables))
    assume(oracle.is_possible(tables, seen))
    return seen


def assert_same(found: Mapping[str, Any], expected: Mapping[str, Any], tolerance: float = 1e-9) -> None:
    """The same names, and numbers or arrays that differ by no more than the tolerance."""
    assert set(found) == set(expected)
    for name, value in expected.items():
        np.testing.assert_allclose(found[name], value, rtol=0, atol=tolerance, err_msg=name)


def assert_agrees(posterior: Posterior, answers: oracle.Answers) -> None:
    """Every number of the outlook is the one found by enumeration."""
    assert_same(posterior.marginals, answers.marginals)
    assert_same(posterior.predictive, answers.predictive)
    assert_same(posterior.expected_information_bits, answers.expected_information_bits)
    assert posterior.log2_evidence == pytest.approx(answers.log2_evidence, rel=1e-9, abs=1e-9)


@settings(bounded, max_examples=200)
@given(st.data())
def test_engine_agrees_with_enumeration_of_the_joint(data: st.DataObject) -> None:
    """Beliefs, predictions, informations and P(evidence) are those of the whole joint written out."""
    tables = data.draw(networks())
    seen = possible_evidence(data, tables)
    assert_agrees(compile_tables(tables).query(seen), oracle.enumerate_answers(tables, seen))


@settings(bounded, max_examples=40)
@given(st.data())
def test_enumeration_is_lazy_propagation(data: st.DataObject) -> None:
    """The yardstick itself: the joint written out gives the beliefs and P(evidence) of pyAgrum."""
    tables = data.draw(networks())
    # Brought to at most 1: pyAgrum takes (0, 2) for hard evidence and leaves the 2 in the belief.
    seen = {name: said / said.max() for name, said in possible_evidence(data, tables).items()}
    answers = oracle.enumerate_answers(tables, seen)
    lazy = gum.LazyPropagation(oracle.to_pyagrum(tables))
    lazy.setEvidence({name: likelihood.tolist() for name, likelihood in seen.items()})
    lazy.addAllTargets()
    lazy.makeInference()
    for name, expected in answers.marginals.items():
        np.testing.assert_allclose(lazy.posterior(name).toarray(), expected, rtol=0, atol=1e-9, err_msg=name)
    assert math.log2(lazy.evidenceProbability()) == pytest.approx(answers.log2_evidence, abs=1e-9)


@bounded
@given(st.data())
def test_impossible_evidence_is_refused_with_a_clash_that_cannot_be_spared(data: st.DataObject) -> None:
    """Evidence is refused if, and only if, it has no probability; the nodes named are a least set of it.

    Every part of the clash is possible, and where one node or a pair is enough no more are named.
    """
    tables = data.draw(networks())
    seen = data.draw(evidences(tables))
    engine = compile_tables(tables)
    if oracle.is_possible(tables, seen):
        assert math.isfinite(engine.query(seen).log2_evidence)
        return
    with pytest.raises(ImpossibleEvidence) as refused:
        engine.query(seen)
    clash = refused.value.clash
    assert not oracle.is_possible(tables, {name: seen[name] for name in clash})
    for size in range(len(clash)):
        for part in itertools.combinations(clash, size):
            assert oracle.is_possible(tables, {name: seen[name] for name in part})
    for size in range(1, min(len(clash), 3)):
        for fewer in itertools.combinations(seen, size):
            assert oracle.is_possible(tables, {name: seen[name] for name in fewer})
    assert_agrees(engine.query({}), oracle.enumerate_answers(tables, {}))


@bounded
@given(st.data())
def test_order_of_evidence_does_not_matter(data: st.DataObject) -> None:
    """The same things seen in another order give the same outlook."""
    tables = data.draw(networks())
    seen = possible_evidence(data, tables)
    engine = compile_tables(tables)
    one = engine.query(seen)
    other = engine.query(dict(data.draw(st.permutations(list(seen.items())))))
    assert_same(other.marginals, one.marginals, 1e-12)
    assert_same(other.expected_information_bits, one.expected_information_bits, 1e-11)
    assert other.log2_evidence == pytest.approx(one.log2_evidence, abs=1e-9)


@bounded
@given(st.data())
def test_many_cases_at_once_are_the_cases_one_by_one(data: st.DataObject) -> None:
    """A batch gives each case the outlook that it has alone."""
    tables = data.draw(networks())
    cases = [possible_evidence(data, tables) for _ in range(3)]
    engine = compile_tables(tables)
    for beliefs, seen in zip(engine.beliefs_of([*cases, {}]), [*cases, {}], strict=True):
        assert beliefs == pytest.approx(dict(engine.query(seen).beliefs), abs=1e-12)
    for together, seen in zip(engine.query_batch([*cases, {}]), [*cases, {}], strict=True):
        alone = engine.query(seen)
        assert_same(together.marginals, alone.marginals, 1e-12)
        assert_same(together.predictive, alone.predictive, 1e-12)
        assert_same(together.expected_information_bits, alone.expected_information_bits, 1e-11)
        assert together.log2_evidence == pytest.approx(alone.log2_evidence, abs=1e-9)


@bounded
@given(st.data(), st.floats(0.01, 100))
def test_only_ratios_of_a_likelihood_matter(data: st.DataObject, factor: float) -> None:
    """A likelihood times a factor moves no belief, and log2 P(evidence) by log2 of the factor."""
    tables = data.draw(networks())
    seen = possible_evidence(data, tables)
    assume(seen)
    name = next(iter(seen))
    engine = compile_tables(tables)
    one, other = engine.query_batch([seen, {**seen, name: factor * seen[name]}])
    assert_same(other.marginals, one.marginals, 1e-12)
    assert_same(other.expected_information_bits, one.expected_information_bits, 1e-11)
    assert other.log2_evidence - one.log2_evidence == pytest.approx(math.log2(factor), abs=1e-9)


@bounded
@given(st.data())
def test_information_lies_between_nothing_and_the_entropy_of_the_outcome(data: st.DataObject) -> None:
    """0 <= I(reading ; faults | seen) <= H(reading | seen)."""
    tables = data.draw(networks())
    posterior = compile_tables(tables).query(possible_evidence(data, tables))
    for name, bits in posterior.expected_information_bits.items():
        assert 0 <= bits <= oracle.entropy(posterior.predictive[name]) + 1e-12


@bounded
@given(st.data())
def test_a_reading_that_is_the_same_whatever_is_so_tells_exactly_nothing(data: st.DataObject) -> None:
    """Equal rows in a reading's table make its information 0.0, not a rounding error, whatever was seen."""
    tables = data.draw(networks())
    hidden = sorted(set(tables.outcomes) - set(tables.readings))
    parents = data.draw(st.lists(st.sampled_from(hidden), min_size=1, max_size=3, unique=True))
    sizes = [len(tables.outcomes[parent]) for parent in parents]
    row = data.draw(rows([], 3))
    flat = CPT("flat", tuple(parents), np.broadcast_to(row, (*sizes, 3)).copy())
    wider = DiscreteNetwork(
        (*tables.tables, flat),
        {**tables.outcomes, "flat": ("s0", "s1", "s2")},
        tables.targets,
        (*tables.readings, "flat"),
    )
    seen = possible_evidence(data, tables)
    assert compile_tables(wider).query(seen).expected_information_bits["flat"] == 0.0


@bounded
@given(st.data())
def test_what_is_told_about_a_state_does_not_count(data: st.DataObject) -> None:
    """I(reading ; faults) <= I(reading ; faults and noisy states and facts), for every reading."""
    tables = data.draw(networks())
    seen = possible_evidence(data, tables)
    everything = tuple(table.child for table in tables.tables if table.child not in tables.readings)
    wider = DiscreteNetwork(tables.tables, tables.outcomes, everything, tables.readings)
    of_faults = compile_tables(tables).query(seen).expected_information_bits
    of_all = compile_tables(wider).query(seen).expected_information_bits
    for name, bits in of_faults.items():
        assert bits <= of_all[name] + 1e-11


@bounded
@given(st.data())
def test_a_known_fact_leaves_what_the_network_without_it_tells(data: st.DataObject) -> None:
    """Once a fact is known, the informations are those of tables in which its state is written in."""
    tables = data.draw(networks(facts=1))
    assume("fact 0" in tables.outcomes)
    state = data.draw(st.integers(0, len(tables.outcomes["fact 0"]) - 1))
    assume(tables.tables[0].values[state] > 0)
    left = []
    for table in tables.tables[1:]:
        values, parents = table.values, table.parents
        if "fact 0" in parents:
            values = np.take(values, state, axis=parents.index("fact 0"))
            parents = tuple(parent for parent in parents if parent != "fact 0")
        left.append(CPT(table.child, parents, values))
    without = DiscreteNetwork(
        tuple(left),
        {name: outcomes for name, outcomes in tables.outcomes.items() if name != "fact 0"},
        tables.targets,
        tables.readings,
    )
    known = compile_tables(tables).query({"fact 0": np.eye(len(tables.outcomes["fact 0"]))[state]})
    alone = compile_tables(without).query({})
    assert_same({name: known.marginals[name] for name in alone.marginals}, alone.marginals)
    assert_same(known.expected_information_bits, alone.expected_information_bits)


# Written-out examples


def chain(
    fault: float, state: Sequence[Sequence[float]], reading: Sequence[Sequence[float]]
) -> DiscreteNetwork:
    """Fault, noisy state, reading: one after the other."""
    tables = (
        oracle.root("fault", (1 - fault, fault)),
        CPT("state", ("fault",), np.array(state)),
        CPT("reading", ("state",), np.array(reading)),
    )
    return DiscreteNetwork(
        tables, dict.fromkeys(("fault", "state", "reading"), BINARY), ("fault",), ("reading",)
    )


def test_a_house_event_switches_its_branch() -> None:
    """With the house event off, only the part of the tree without it can bring about the top."""
    shape = {
        "basic_events": {"valve": 0.1, "pump": 0.2, "guard": 0.3},
        "gates": {
            "switched": {"type": "and", "inputs": ["valve", "house"]},
            "unguarded": {"type": "not", "inputs": ["guard"]},
            "other": {"type": "and", "inputs": ["pump", "unguarded"]},
            "top": {"type": "or", "inputs": ["switched", "other"]},
        },
    }
    on, off = (
        compile_tables(oracle.tree_tables({**shape, "house_events": {"house": holds}})).query({})
        for holds in (True, False)
    )
    assert off.marginals["top"][1] == pytest.approx(0.2 * 0.7, abs=1e-12)
    assert on.marginals["top"][1] == pytest.approx(1 - 0.9 * (1 - 0.2 * 0.7), abs=1e-12)


def test_a_state_between_fault_and_reading_costs_information() -> None:
    """Fault 1/2, state wrong with 0.1, reading without error: 1 - h(0.1) = 0.5310 bits, not h(0.5) = 1.

    0.5310 is the capacity of the symmetric channel with error 0.1 (Shannon 1948).
    """
    engine = compile_tables(chain(0.5, [[0.9, 0.1], [0.1, 0.9]], [[1.0, 0.0], [0.0, 1.0]]))
    assert engine.query({}).expected_information_bits["reading"] == pytest.approx(
        0.5310044064107188, abs=1e-12
    )


def test_a_second_reading_of_a_known_state_tells_nothing() -> None:
    """When the state is already known without error, reading it again tells exactly 0 about the fault."""
    tables = chain(0.3, [[0.9, 0.1], [0.2, 0.8]], [[1.0, 0.0], [0.0, 1.0]])
    again = CPT("again", ("state",), np.array([[0.8, 0.2], [0.1, 0.9]]))
    twice = DiscreteNetwork(
        (*tables.tables, again), {**tables.outcomes, "again": BINARY}, ("fault",), ("reading", "again")
    )
    assert compile_tables(twice).query({"reading": (0, 1)}).expected_information_bits["again"] == 0.0


def test_where_nothing_is_sought_nothing_is_told() -> None:
    """A network without faults still predicts its readings, and none of them informs about anything."""
    asked = chain(0.3, [[0.9, 0.1], [0.2, 0.8]], [[1.0, 0.0], [0.0, 1.0]])
    posterior = compile_tables(DiscreteNetwork(asked.tables, asked.outcomes, (), asked.readings)).query({})
    assert (posterior.beliefs, posterior.expected_information_bits) == ({}, {"reading": 0.0})
    assert posterior.predictive["reading"][1] == pytest.approx(0.7 * 0.1 + 0.3 * 0.8, abs=1e-12)


def test_a_reading_that_hangs_on_nothing_tells_nothing() -> None:
    """It shows what it always shows, and having seen it changes how likely all of it is, and nothing else."""
    asked = chain(0.3, [[0.9, 0.1], [0.2, 0.8]], [[1.0, 0.0], [0.0, 1.0]])
    tables = DiscreteNetwork(
        (*asked.tables, oracle.root("loose", (0.25, 0.75))),
        {**asked.outcomes, "loose": BINARY},
        asked.targets,
        ("loose", "reading"),
    )
    engine = compile_tables(tables)
    for seen in ({}, {"loose": (1, 0)}, {"loose": (1, 0.5), "reading": (0, 1)}):
        assert_agrees(engine.query(seen), oracle.enumerate_answers(tables, seen))


def test_an_engine_asked_about_some_readings_informs_about_these() -> None:
    """The other readings can still be seen, and what they tell counts."""
    tables = chain(0.3, [[0.9, 0.1], [0.2, 0.8]], [[0.8, 0.2], [0.1, 0.9]])
    again = CPT("again", ("state",), np.array([[0.7, 0.3], [0.4, 0.6]]))
    twice = DiscreteNetwork(
        (*tables.tables, again), {**tables.outcomes, "again": BINARY}, ("fault",), ("reading", "again")
    )
    seen = {"reading": (0, 1)}
    posterior, expected = compile_tables(twice, ["again"]).query(seen), oracle.enumerate_answers(twice, seen)
    assert_same(posterior.marginals, expected.marginals)
    assert_same(posterior.predictive, {"again": expected.predictive["again"]})
    assert_same(posterior.expected_information_bits, {"again": expected.expected_information_bits["again"]})


@pytest.mark.parametrize("weight", [1.0, 1e-200])
def test_clash_names_the_pair_and_the_engine_still_works(weight: float) -> None:
    """Two readings that no state of the car explains are refused by name; the next question is answered.

    A likelihood counts by its ratios, so that it may be as small as a float can be.
    """
    tables = DiscreteNetwork(
        (
            oracle.root("leak", (0.9, 0.1)),
            oracle.root("blocked", (0.8, 0.2)),
            oracle.copy_of("dye", "leak", 2),
            oracle.copy_of("smoke", "leak", 2),
            oracle.copy_of("flow", "blocked", 2),
        ),
        dict.fromkeys(("leak", "blocked", "dye", "smoke", "flow"), BINARY),
        ("leak", "blocked"),
        ("dye", "smoke", "flow"),
    )
    engine = compile_tables(tables)
    with pytest.raises(ImpossibleEvidence) as refused:
        engine.query({"flow": (0, weight), "dye": (0, 1), "smoke": (1, 0)})
    assert refused.value.clash == ("dye", "smoke")
    assert engine.query({"flow": (0, 1), "dye": (0, 1)}).marginals["leak"][1] == 1.0


def test_a_clashing_pair_is_named_rather_than_a_clashing_three() -> None:
    """Where a pair and a larger set are each impossible, the pair is named, whatever the order."""
    tables = DiscreteNetwork(
        (
            oracle.root("leak", (0.9, 0.1)),
            oracle.root("blocked", (0.8, 0.2)),
            oracle.gate("complaint", "or", ("leak", "blocked")),
            oracle.copy_of("dye", "leak", 2),
        ),
        dict.fromkeys(("leak", "blocked", "complaint", "dye"), BINARY),
        ("leak", "blocked"),
        ("dye",),
    )
    engine = compile_tables(tables)
    seen = {"dye": (0, 1), "complaint": (0, 1), "leak": (1, 0), "blocked": (1, 0)}
    for order in itertools.permutations(seen):
        with pytest.raises(ImpossibleEvidence) as refused:
            engine.query({name: seen[name] for name in order})
        assert set(refused.value.clash) == {"dye", "leak"}


def test_impossible_case_in_a_batch_is_refused() -> None:
    """One impossible case among good ones is refused, not answered with numbers."""
    engine = compile_tables(chain(0.0, [[1.0, 0.0], [0.0, 1.0]], [[1.0, 0.0], [0.0, 1.0]]))
    with pytest.raises(ImpossibleEvidence) as refused:
        engine.query_batch([{}, {"reading": (0, 1)}, {}])
    assert refused.value.clash == ("reading",)


def test_rare_events_stay_numbers() -> None:
    """Faults of 1e-12, and what they alone explain, give right beliefs and no NaN.

    Given the complaint, each of two alike faults is its cause with 1/2.
    """
    rare = 1e-12
    tables = DiscreteNetwork(
        (
            oracle.root("first", (1 - rare, rare)),
            oracle.root("second", (1 - rare, rare)),
            oracle.gate("complaint", "or", ("first", "second")),
            CPT("dye", ("first",), np.array([[1 - rare, rare], [rare, 1 - rare]])),
        ),
        dict.fromkeys(("first", "second", "complaint", "dye"), BINARY),
        ("first", "second"),
        ("dye",),
    )
    before, after = compile_tables(tables).query_batch(
        [{"complaint": (0, 1)}, {"complaint": (0, 1), "dye": (0, 1)}]
    )
    assert before.marginals["first"][1] == pytest.approx(0.5, abs=1e-9)
    assert before.log2_evidence == pytest.approx(math.log2(2e-12), abs=1e-9)
    assert before.expected_information_bits["dye"] == pytest.approx(1.0, abs=1e-9)
    assert after.marginals["second"][1] == pytest.approx(2e-12, rel=1e-6)


def test_many_rare_readings_do_not_underflow() -> None:
    """Forty readings of 1e-12 each, P(seen) below the smallest double, still give the right odds.

    Both states explain each reading with 1e-12 and 2e-12: the odds are 2 ** 40 to 1 times the prior.
    """
    count = 40
    names = [f"reading {at}" for at in range(count)]
    values = np.array([[1 - 1e-12, 1e-12], [1 - 2e-12, 2e-12]])
    tables = DiscreteNetwork(
        (oracle.root("fault", (1 - 2**-40, 2**-40)), *(CPT(name, ("fault",), values) for name in names)),
        dict.fromkeys(("fault", *names), BINARY),
        ("fault",),
        tuple(names),
    )
    posterior = compile_tables(tables).query(dict.fromkeys(names, (0, 1)))
    assert posterior.marginals["fault"][1] == pytest.approx(0.5, abs=1e-9)
    assert posterior.log2_evidence == pytest.approx(1 + 40 * math.log2(1e-12), abs=1e-9)


def test_a_reading_seen_predicts_its_repeat() -> None:
    """The prediction of a reading already seen is that of an independent repeat, not the outcome seen.

    Fault 1/2, errors 0.1: the repeat is like the first with 0.9 * 0.9 + 0.1 * 0.1 = 0.82.
    """
    tables = chain(0.5, [[1.0, 0.0], [0.0, 1.0]], [[0.9, 0.1], [0.1, 0.9]])
    posterior = compile_tables(tables).query({"reading": (0, 1)})
    assert posterior.predictive["reading"][1] == pytest.approx(0.82, abs=1e-12)


# Against libraries, on trees of workshop size


def large_tree(seed: int) -> DiscreteNetwork:
    """30 faults under branches and a complaint, 2 facts, 4 noisy states, 45 readings."""
    random = np.random.default_rng(seed)
    faults = [f"fault{at}" for at in range(30)]
    facts = ["fact0", "fact1"]
    tables = [oracle.root(name, (0.6, 0.4)) for name in facts]
    for at, name in enumerate(faults):
        p = float(random.uniform(0.005, 0.1))
        if at in (3, 17):
            tables.append(CPT(name, (facts[at % 2],), np.array([[1.0, 0.0], [1 - p, p]])))
        else:
            tables.append(oracle.root(name, (1 - p, p)))
    branches = []
    for at in range(0, 30, 5):
        kind = "atleast" if at == 10 else "or"
        least = 2 if at == 10 else 1
        tables.append(oracle.gate(f"branch{at // 5}", kind, faults[at : at + 5], least))
        branches.append(f"branch{at // 5}")
    tables.append(oracle.gate("system0", "or", branches[:3]))
    tables.append(oracle.gate("system1", "or", branches[3:]))
    tables.append(oracle.gate("complaint", "or", ("system0", "system1")))
    states = []
    for at in range(4):
        causes = tuple(str(name) for name in random.choice(faults[at * 7 : at * 7 + 7], 2, replace=False))
        table = noisy_or(0.02, random.uniform(0.6, 0.95, 2).tolist(), with_leak=False)
        tables.append(CPT(f"state{at}", causes, table))
        states.append(f"state{at}")
    readings = [f"reading{at}" for at in range(45)]
    for at, name in enumerate(readings):
        if at < 8:
            parents = [states[at % 4]]
        elif at < 38:
            parents = [faults[at - 8]]
            if at % 3 == 0:
                parents.append(faults[(at - 7) % 30])
        else:
            parents = [branches[at % 6]]
        size = int(random.integers(2, 4))
        values = random.dirichlet(np.full(size, 0.6), size=2 ** len(parents))
        tables.append(CPT(name, tuple(parents), values.reshape(*[2] * len(parents), size)))
    outcomes = {table.child: tuple(map(str, range(table.values.shape[-1]))) for table in tables}
    return DiscreteNetwork(tuple(tables), outcomes, tuple(faults), tuple(readings))


def hard_evidence(tables: DiscreteNetwork, seed: int, count: int) -> dict[str, int]:
    """The complaint, and a random outcome of each of some readings."""
    random = np.random.default_rng(seed)
    chosen = random.choice(tables.readings, count, replace=False)
    return {
        "complaint": 1,
        **{str(name): int(random.integers(len(tables.outcomes[str(name)]))) for name in chosen},
    }


def one_hots(engine: Engine, states: Mapping[str, int]) -> Seen:
    """Hard evidence as likelihoods."""
    return {name: np.eye(len(engine.outcomes[name]))[state] for name, state in states.items()}


def reading_tables(tables: DiscreteNetwork, unseen: Mapping[str, float]) -> list[CPT]:
    """Tables of the readings not seen whose parents are faults or gates, so the identity holds."""
    return [
        table
        for table in tables.tables
        if table.child in unseen and not any(parent.startswith("state") for parent in table.parents)
    ]


@pytest.mark.parametrize("seed", [1, 2])
def test_large_tree_agrees_with_variable_elimination(seed: int) -> None:
    """30 faults, 45 readings, 5 of them seen: every belief and information is that of pgmpy."""
    tables = large_tree(seed)
    states = hard_evidence(tables, seed, 5)
    engine = compile_tables(tables)
    posterior = engine.query(one_hots(engine, states))
    elimination = VariableElimination(oracle.to_pgmpy(tables))
    for name in (*tables.targets, "fact0", "state1"):
        expected = elimination.query([name], states, show_progress=False).values
        np.testing.assert_allclose(posterior.marginals[name], expected, rtol=0, atol=1e-9, err_msg=name)
    for table in reading_tables(tables, posterior.expected_information_bits):
        factor = elimination.query(list(table.parents), states, show_progress=False)
        bits = oracle.information_by_parents(factor.values, table, factor.variables)
        assert posterior.expected_information_bits[table.child] == pytest.approx(bits, abs=1e-9), table.child


@pytest.mark.parametrize("seed", [3, 4, 5])
@pytest.mark.parametrize("soft", [False, True], ids=["hard", "soft"])
def test_large_tree_agrees_with_lazy_propagation(seed: int, soft: bool) -> None:
    """30 faults, 45 readings, 6 of them seen, hard or soft: beliefs and informations are pyAgrum's."""
    tables = large_tree(seed)
    engine = compile_tables(tables)
    seen = one_hots(engine, hard_evidence(tables, seed, 6))
    if soft:
        seen = {name: hot if name == "complaint" else 0.8 * hot + 0.1 for name, hot in seen.items()}
    posterior = engine.query(seen)
    lazy = gum.LazyPropagation(oracle.to_pyagrum(tables))
    lazy.setEvidence({name: likelihood.tolist() for name, likelihood in seen.items()})
    lazy.addAllTargets()
    asked = reading_tables(tables, posterior.expected_information_bits)
    for table in asked:
        if len(table.parents) > 1:
            lazy.addJointTarget(set(table.parents))
    lazy.makeInference()
    unseen = {name: posterior.predictive[name] for name in posterior.expected_information_bits}
    for name, found in {**posterior.marginals, **unseen}.items():
        expected = lazy.posterior(name).toarray()
        np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9, err_msg=name)
    for table in asked:
        order = table.parents
        joint = lazy.jointPosterior(set(order)) if len(order) > 1 else lazy.posterior(order[0])
        bits = oracle.information_by_parents(oracle.pyagrum_array(joint, order), table, order)
        assert posterior.expected_information_bits[table.child] == pytest.approx(bits, abs=1e-9), table.child
    if not soft:
        assert posterior.log2_evidence == pytest.approx(math.log2(lazy.evidenceProbability()), abs=1e-9)


def test_information_through_a_state_is_that_of_the_causes_of_the_state() -> None:
    """Where a reading depends on a state alone, its information is I(reading ; causes of the state | seen).

    On a large tree that joint is asked of pyAgrum, with another reading of the same state seen.
    """
    tables = large_tree(6)
    engine = compile_tables(tables)
    seen = one_hots(engine, {"complaint": 1, "reading0": 1, "reading12": 0})
    posterior = engine.query(seen)
    lazy = gum.LazyPropagation(oracle.to_pyagrum(tables))
    lazy.setEvidence({name: likelihood.tolist() for name, likelihood in seen.items()})
    causes = {table.child: table.parents for table in tables.tables if table.child.startswith("state")}
    parents = {table.child: table.parents for table in tables.tables if table.child in tables.readings}
    on_states = [name for name in posterior.expected_information_bits if parents[name][0] in causes]
    assert on_states == [f"reading{at}" for at in range(1, 8)]
    for name in on_states:
        lazy.addJointTarget({*causes[parents[name][0]], name})
    lazy.makeInference()
    for name in on_states:
        order = (*causes[parents[name][0]], name)
        joint = oracle.pyagrum_array(lazy.jointPosterior(set(order)), order)
        bits = oracle.information(joint, last_axes=1)
        assert posterior.expected_information_bits[name] == pytest.approx(bits, abs=1e-9), name


def test_the_same_tables_give_the_same_bits_in_every_process(tmp_path: Path) -> None:
    """Python's random order of sets must not reach the numbers, or ties would rank differently each day."""
    stored = tmp_path / "tables.pickle"
    stored.write_bytes(pickle.dumps(large_tree(7)))
    script = (
        "import pathlib, pickle\n"
        "from advisor.inference.compiler import compile_tables\n"
        f"tables = pickle.loads(pathlib.Path({str(stored)!r}).read_bytes())\n"
        "posterior = compile_tables(tables).query({'complaint': (0, 1), 'fault20': (1, 0)})\n"
        "print([float(bits).hex() for bits in posterior.expected_information_bits.values()])\n"
    )
    printed = [
        subprocess.run(
            [sys.executable, "-c", script],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)},
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        for seed in ("1", "2")
    ]
    assert printed[0] == printed[1]


# What does not fit is refused


@pytest.mark.parametrize("said", [(1, 3), (True, 3), (Fraction(1, 3), Fraction(1))])
def test_a_likelihood_may_be_any_kind_of_number(said: Any) -> None:
    """One to three, however it is written: by Bayes' rule a fault of 0.1 has 3 / (3 + 9) then."""
    engine = compile_tables(chain(0.1, [[1.0, 0.0], [0.0, 1.0]], [[1.0, 0.0], [0.0, 1.0]]))
    assert engine.query({"reading": said}).beliefs["fault"] == pytest.approx(0.25, abs=1e-12)


@pytest.mark.parametrize(
    ("said", "kind", "sentence"),
    [
        ({"leak": (0, 1)}, KeyError, "there is no node 'leak'"),
        ({"state": (0, 1, 0)}, ValueError, "'state' has 2 states, not (3,)"),
        ({"state": 1.0}, ValueError, "'state' has 2 states, not ()"),
        ({"state": (-1e-9, 1)}, ValueError, "the likelihood on 'state' has to be numbers from 0 up"),
        ({"state": (math.nan, 1)}, ValueError, "the likelihood on 'state' has to be numbers from 0 up"),
        ({"state": (1, math.inf)}, ValueError, "the likelihood on 'state' has to be numbers from 0 up"),
    ],
)
def test_evidence_that_does_not_fit_is_named(
    said: dict[str, Any], kind: type[Exception], sentence: str
) -> None:
    """An unknown node, a wrong number of states, or what is no likelihood: alone and among good cases."""
    engine = compile_tables(chain(0.1, [[0.9, 0.1], [0.2, 0.8]], [[1.0, 0.0], [0.0, 1.0]]))
    for ask in (engine.query_batch, engine.beliefs_of, engine.log2_evidence_probability):
        with pytest.raises(kind) as refused:
            ask([{"fault": (0, 1)}, said])
        assert refused.value.args == (sentence,)


def test_a_reading_that_something_hangs_on_is_named() -> None:
    """Readings are leaves: that is what makes many cases at once cheap."""
    tables = chain(0.1, [[0.9, 0.1], [0.2, 0.8]], [[1.0, 0.0], [0.0, 1.0]])
    with pytest.raises(ValueError, match=r"^'reading' depends on a reading; readings are leaves$"):
        compile_tables(DiscreteNetwork(tables.tables, tables.outcomes, ("fault",), ("state", "reading")))


def test_a_clash_is_told_in_words_and_by_its_nodes() -> None:
    """Both are there for whoever catches it."""
    refused = ImpossibleEvidence(("dye", "smoke"))
    assert (refused.clash, str(refused)) == (("dye", "smoke"), "cannot be so together: dye, smoke")


def test_more_cases_than_go_through_at_once_keep_their_order() -> None:
    """Each of 300 cases with a likelihood of its own, and one that is impossible, has its own answer.

    P(fault | evidence) by Bayes' rule for a prior of 0.1 and the odds of the case.
    """
    engine = compile_tables(chain(0.1, [[1.0, 0.0], [0.0, 1.0]], [[1.0, 0.0], [0.0, 1.0]]))
    cases = [{"reading": (1, at / 10)} for at in range(1, 301)]
    found = [one.beliefs["fault"] for one in engine.query_batch(cases)]
    assert found == pytest.approx([0.01 * at / (0.01 * at + 0.9) for at in range(1, 301)], abs=1e-12)
    probabilities = engine.log2_evidence_probability([*cases, {"fault": (0, 1), "reading": (1, 0)}])
    assert probabilities[:-1] == pytest.approx(
        [math.log2(0.9 + 0.01 * at) for at in range(1, 301)], abs=1e-12
    )
    assert probabilities[-1] == -math.inf
    assert engine.query_batch([]) == ()
    assert engine.log2_evidence_probability([]).shape == (0,)
