"""Networks too wide for one engine: exact where pruning is enough, else never off by more than said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from advisor.arrays import Floats
from advisor.inference import cliquetree
from advisor.inference.bounded import Bounded, compile_bounded
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import ImpossibleEvidence, Posterior, TooWide
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.model.noisy import noisy_or
from tests import oracle
from tests.benchmarks.growth import made_up, seen_on
from tests.oracle import BINARY, gum
from tests.test_engine_properties import assert_agrees, evidences, networks, possible_evidence, rows

examples = settings(
    derandomize=True,
    max_examples=60,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)


def taken_on(patch: pytest.MonkeyPatch, tables: DiscreteNetwork, largest: int) -> Bounded:
    """The network where a clique may have no more entries than `largest`, from now on."""
    patch.setattr(cliquetree, "LARGEST_CLIQUE", largest)
    return compile_bounded(tables)


def assert_within(posterior: Posterior, answers: oracle.Answers) -> None:
    """No belief and no information is further from enumeration than the outlook says."""
    for name, belief in posterior.beliefs.items():
        assert abs(belief - answers.marginals[name][-1]) <= posterior.belief_error + 1e-9, name
    assert set(posterior.expected_information_bits) == set(answers.expected_information_bits)
    for name, bits in posterior.expected_information_bits.items():
        assert abs(bits - answers.expected_information_bits[name]) <= posterior.bits_error + 1e-9, name


@st.composite
def wide(draw: st.DrawFn) -> tuple[DiscreteNetwork, dict[str, Floats]]:
    """Four to six faults, a noisy state of two, readings of three or four of these, some seen."""
    faults = tuple(f"fault{at}" for at in range(draw(st.integers(4, 6))))
    tables = [oracle.root(name, (1 - p, p)) for name in faults for p in [draw(st.floats(0.01, 0.5))]]
    tables.append(CPT("state", faults[:2], draw(rows([2, 2], 2))))
    readings = tuple(f"reading{at}" for at in range(draw(st.integers(2, 4))))
    for name in readings:
        parents = draw(st.lists(st.sampled_from([*faults, "state"]), min_size=3, max_size=4, unique=True))
        tables.append(CPT(name, tuple(parents), draw(rows([2] * len(parents), draw(st.integers(2, 3))))))
    outcomes = {one.child: tuple(map(str, range(one.values.shape[-1]))) for one in tables}
    seen = {}
    for name in draw(st.lists(st.sampled_from(readings), max_size=3, unique=True)):
        said = draw(st.lists(st.sampled_from([0.0, 0.1, 1.0]), min_size=3, max_size=3).filter(any))
        seen[name] = np.array(said[: len(outcomes[name])])
        assume(seen[name].any())
    return DiscreteNetwork(tuple(tables), outcomes, faults, readings), seen


@pytest.mark.parametrize("largest", [8, 10, 12])
@examples
@given(wide())
def test_no_answer_is_off_by_more_than_it_says(
    largest: int, network_and_seen: tuple[DiscreteNetwork, dict[str, Floats]]
) -> None:
    """With room for 8, 10 or 12 entries, beliefs and informations are within their error of enumeration."""
    tables, seen = network_and_seen
    assume(oracle.is_possible(tables, seen))
    with pytest.MonkeyPatch.context() as patch:
        try:
            network = taken_on(patch, tables, largest)
        except TooWide:
            assume(False)  # the hidden nodes alone need more
        posterior = network.query(seen)
        assert network.log2_evidence_probability([seen])[0] > -math.inf
    assert_within(posterior, oracle.enumerate_answers(tables, seen))


@pytest.mark.parametrize("largest", [3, 6])
@examples
@given(data=st.data())
def test_no_answer_about_any_network_is_off_by_more_than_it_says(data: st.DataObject, largest: int) -> None:
    """The same on networks with facts, gates and noisy states, and evidence on nodes of any kind."""
    tables = data.draw(networks())
    seen = possible_evidence(data, tables)
    with pytest.MonkeyPatch.context() as patch:
        try:
            network = taken_on(patch, tables, largest)
        except TooWide:
            assume(False)  # the hidden nodes alone need more
        posterior = network.query(seen)
    assert_within(posterior, oracle.enumerate_answers(tables, seen))


@examples
@given(st.data())
def test_where_there_is_room_nothing_is_cut(data: st.DataObject) -> None:
    """On a network that fits, all numbers are those of enumeration, and no error is told."""
    tables = data.draw(networks())
    seen = data.draw(evidences(tables))
    network = compile_bounded(tables)
    if not oracle.is_possible(tables, seen):
        assert network.log2_evidence_probability([seen])[0] == -math.inf
        with pytest.raises(ImpossibleEvidence):
            network.query(seen)
        return
    posterior = network.query(seen)
    assert posterior.belief_error == posterior.bits_error == 0.0
    assert_agrees(posterior, oracle.enumerate_answers(tables, seen))


def tied_in_pairs(faults: int) -> DiscreteNetwork:
    """Faults under a complaint, and a reading of every pair of them: one clique would hold them all."""
    random = np.random.default_rng(faults)
    names = tuple(f"fault{at}" for at in range(faults))
    tables = [oracle.root(name, (0.9, 0.1)) for name in names]
    readings = []
    for at, one in enumerate(names):
        for other in names[at + 1 :]:
            readings.append(f"{one}, {other}")
            table = noisy_or(0.05, random.uniform(0.2, 0.9, 2).tolist(), with_leak=False)
            tables.append(CPT(readings[-1], (one, other), table))
    return DiscreteNetwork(tuple(tables), {table.child: BINARY for table in tables}, names, tuple(readings))


def test_readings_not_seen_make_nothing_inexact() -> None:
    """Ten faults tied in pairs, room for 64 entries, two seen: every number is that of the whole."""
    tables = tied_in_pairs(10)
    seen = {"fault0, fault1": np.array([0.0, 1.0]), "fault4, fault7": np.array([0.3, 0.7])}
    whole = compile_tables(tables).query(seen)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cliquetree, "LARGEST_CLIQUE", 64)
        with pytest.raises(TooWide):
            compile_tables(tables)
        pruned = compile_bounded(tables).query(seen)
    assert pruned.belief_error == pruned.bits_error == 0.0
    assert pruned.beliefs == pytest.approx(dict(whole.beliefs), abs=1e-12)
    assert pruned.expected_information_bits == pytest.approx(dict(whole.expected_information_bits), abs=1e-12)
    assert pruned.log2_evidence == pytest.approx(whole.log2_evidence, abs=1e-9)
    for name, probabilities in whole.predictive.items():
        np.testing.assert_allclose(pruned.predictive[name], probabilities, rtol=0, atol=1e-12)


def test_a_parent_that_hardly_matters_is_the_one_that_is_cut() -> None:
    """Of three causes one with a strength of 0.01 is left out: its effect is the error, and a small one.

    Strengths 0.9, 0.8, 0.01 without a leak. Seen: the reading shows. Room for two causes.
    """
    names = ("a", "b", "c")
    reading = CPT("r", names, noisy_or(0.02, [0.9, 0.8, 0.01], with_leak=False))
    tables = DiscreteNetwork(
        (*(oracle.root(name, (0.7, 0.3)) for name in names), reading),
        dict.fromkeys((*names, "r"), BINARY),
        names,
        ("r",),
    )
    seen: dict[str, Floats] = {"r": np.array([0.0, 1.0])}
    truth = oracle.enumerate_answers(tables, seen).marginals
    with pytest.MonkeyPatch.context() as patch:
        posterior = taken_on(patch, tables, 4).query(seen)
    assert 0 < posterior.belief_error < 0.01
    for name in names:
        assert posterior.beliefs[name] == pytest.approx(truth[name][1], abs=posterior.belief_error)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_network_far_too_wide_agrees_with_lazy_propagation(seed: int) -> None:
    """200 faults and cross-links to anywhere: beliefs after eight readings are those of pyAgrum."""
    tables = made_up(200, 0.15, seed, anywhere=True)
    with pytest.raises(TooWide):
        compile_tables(tables)
    seen = seen_on(tables, 8, seed)
    kept = set(tables.readings).intersection(seen)
    pruned = tuple(one for one in tables.tables if one.child not in set(tables.readings) - kept)
    lazy = gum.LazyPropagation(
        oracle.to_pyagrum(DiscreteNetwork(pruned, tables.outcomes, tables.targets, tuple(kept)))
    )
    lazy.setEvidence({name: likelihood.tolist() for name, likelihood in seen.items()})
    lazy.addAllTargets()
    lazy.makeInference()
    posterior = compile_bounded(tables).query(seen)
    assert posterior.belief_error == posterior.bits_error == 0.0
    for name in tables.targets:
        assert posterior.beliefs[name] == pytest.approx(lazy.posterior(name).toarray()[1], abs=1e-9)


def test_hidden_nodes_that_are_too_wide_are_refused() -> None:
    """A gate over eight members in one table needs 2**8 entries: with room for 16 nothing helps."""
    names = tuple(f"fault{at}" for at in range(8))
    tables = (*(oracle.root(name, (0.9, 0.1)) for name in names), oracle.gate("all", "or", names))
    nodes = dict.fromkeys((*names, "all"), BINARY)
    with pytest.MonkeyPatch.context() as patch, pytest.raises(TooWide, match="'all' ties so many"):
        taken_on(patch, DiscreteNetwork(tables, nodes, names, ()), 16)
