"""Asked by information, networks of the literature are asked in the order that pyAgrum gives."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import pytest
from pgmpy.utils import get_example_model

from advisor.arrays import Floats
from advisor.inference.compiler import compile_tables
from advisor.inference.tables import CPT, DiscreteNetwork
from tests import oracle
from tests.oracle import gum

ASIA = (("tub", "lung", "bronc"), ("xray", "dysp"), {"asia": "yes"})
"""Chest clinic (Lauritzen & Spiegelhalter 1988): what is sought, what can be read, what is known."""
ALARM: tuple[tuple[str, ...], tuple[str, ...], dict[str, str]] = (
    ("HYPOVOLEMIA", "LVFAILURE", "ANAPHYLAXIS", "INSUFFANESTH", "PULMEMBOLUS", "KINKEDTUBE", "DISCONNECT"),
    ("HISTORY", "CVP", "PCWP", "BP", "HRBP", "HREKG", "HRSAT", "PAP", "EXPCO2", "MINVOL", "PRESS"),
    {},
)
"""Patient monitoring (Beinlich et al. 1989): causes, and leaves that monitors show."""


def tables_of(name: str, targets: Sequence[str], readings: Sequence[str]) -> DiscreteNetwork:
    """The network as pgmpy has it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)  # it will be called differently from 1.3 on
        model = get_example_model(name)
    tables, outcomes = [], {}
    for cpd in model.get_cpds():
        child, *parents = cpd.variables
        outcomes[child] = tuple(cpd.state_names[child])
        tables.append(CPT(child, tuple(parents), np.moveaxis(np.asarray(cpd.values), 0, -1)))
    return DiscreteNetwork(tuple(tables), outcomes, tuple(targets), tuple(readings))


def bits_by_pyagrum(net: gum.BayesNet, seen: dict[str, int], targets: Sequence[str], reading: str) -> float:
    """I(reading; joint state of the sought | seen), from the joint that pyAgrum gives."""
    lazy = gum.LazyPropagation(net)
    lazy.setEvidence(seen)
    lazy.addJointTarget({*targets, reading})
    joint: Floats = oracle.pyagrum_array(lazy.jointPosterior({*targets, reading}), [*targets, reading])
    joint = joint.reshape(-1, joint.shape[-1])
    return oracle.entropy(joint.sum(axis=1)) + oracle.entropy(joint.sum(axis=0)) - oracle.entropy(joint)


@pytest.mark.parametrize(("name", "given", "steps"), [("asia", ASIA, 2), ("alarm", ALARM, 6)])
def test_greedy_order_is_that_of_pyagrum(
    name: str, given: tuple[Sequence[str], Sequence[str], dict[str, str]], steps: int
) -> None:
    """Each reading shows what is most probable; bits and choice are the same at every step."""
    targets, readings, known = given
    tables = tables_of(name, targets, readings)
    engine = compile_tables(tables)
    net = oracle.to_pyagrum(tables)
    seen = {node: tables.outcomes[node].index(state) for node, state in known.items()}
    for _ in range(steps):
        posterior = engine.query({node: np.eye(len(tables.outcomes[node]))[at] for node, at in seen.items()})
        bits = posterior.expected_information_bits
        reference = {one: bits_by_pyagrum(net, seen, targets, one) for one in readings if one not in seen}
        # Rows of these networks are printed with rounding and do not all add up to 1 exactly.
        assert bits == pytest.approx(reference, abs=1e-7)
        best = max(bits, key=bits.__getitem__)
        assert reference[best] == pytest.approx(max(reference.values()), abs=1e-7)
        seen[best] = int(posterior.predictive[best].argmax())
