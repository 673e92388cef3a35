"""Answers by brute force and by two general-purpose libraries, for the engine to be compared with.

Nothing here shares code with the engine: the whole joint distribution is written out, evidence is multiplied
in, and every answer is a sum over it. That is slow and easy to believe.
"""

from __future__ import annotations

import itertools
import math
import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pgmpy.factors.discrete import TabularCPD
from pgmpy.models import DiscreteBayesianNetwork

from advisor.inference.tables import CPT, DiscreteNetwork

with warnings.catch_warnings():
    # Its compiled types warn as they are made; where warnings are errors the interpreter crashes there.
    warnings.simplefilter("ignore", DeprecationWarning)
    import pyagrum

gum = pyagrum
"""pyAgrum by the name that its own documentation gives it."""

Floats = NDArray[np.float64]
Evidence = Mapping[str, ArrayLike]

BINARY = ("absent", "present")


@dataclass(frozen=True, eq=False)
class Answers:
    """What `Posterior` has to say, computed the long way.

    `predictive` is of the reading taken now; of one already seen, of an independent repeat.
    `information_bits` leaves out the readings seen.
    """

    marginals: Mapping[str, Floats]
    predictive: Mapping[str, Floats]
    expected_information_bits: Mapping[str, float]
    log2_evidence: float


def enumerate_joint(tables: DiscreteNetwork, evidence: Evidence) -> Floats:
    """P(all nodes, evidence): one axis per node, in the order of `tables.tables`."""
    axes = {table.child: axis for axis, table in enumerate(tables.tables)}
    sizes = [len(tables.outcomes[name]) for name in axes]
    joint = np.ones(sizes)
    for table in tables.tables:
        joint = joint * _spread(table.values, (*table.parents, table.child), axes)
    for name, likelihood in evidence.items():
        joint = joint * _spread(np.asarray(likelihood, dtype=np.float64), (name,), axes)
    return joint


def enumerate_answers(tables: DiscreteNetwork, evidence: Evidence) -> Answers:
    """Every answer by summing the whole joint; ZeroDivisionError where the evidence is impossible."""
    names = [table.child for table in tables.tables]
    joint = enumerate_joint(tables, evidence)
    total = float(joint.sum())
    if total == 0:
        raise ZeroDivisionError("impossible evidence")
    joint = joint / total
    unseen = [name for name in tables.readings if name not in evidence]
    return Answers(
        marginals={name: _sum_to(joint, names, (name,)) for name in names if name not in tables.readings},
        predictive={
            table.child: np.tensordot(
                _sum_to(joint, names, table.parents), table.values, axes=len(table.parents)
            )
            for table in tables.tables
            if table.child in tables.readings
        },
        expected_information_bits={
            name: information(_sum_to(joint, names, (*tables.targets, name)), last_axes=1) for name in unseen
        },
        log2_evidence=math.log2(total),
    )


def is_possible(tables: DiscreteNetwork, evidence: Evidence) -> bool:
    """Whether the evidence has any probability at all."""
    return bool(enumerate_joint(tables, evidence).sum() > 0)


def entropy(distribution: ArrayLike) -> float:
    """Shannon entropy in bits of a table of probabilities of any shape."""
    p = np.asarray(distribution, dtype=np.float64).ravel()
    p = p[p > 0]
    return float(-(p * np.log2(p)).sum())


def information(joint: Floats, last_axes: int) -> float:
    """Mutual information in bits between the last axes of a joint distribution and all the others."""
    sizes = joint.shape
    grid = joint.reshape(math.prod(sizes[: joint.ndim - last_axes]), -1)
    return entropy(grid.sum(axis=1)) + entropy(grid.sum(axis=0)) - entropy(grid)


def information_by_parents(joint: Floats, table: CPT, order: Sequence[str]) -> float:
    """I(reading ; its parents) from the joint of the parents, whose axes are in `order`.

    It is the information about the sought nodes only where the parents are functions of them.
    """
    weights = np.transpose(joint, [order.index(parent) for parent in table.parents])
    return information(weights[..., None] * table.values, last_axes=1)


def gate_values(kind: str, inputs: int, least: int = 1, most: int | None = None) -> Floats:
    """The 0/1 table of a gate over binary inputs (absent, present).

    `kind` is or, and, xor, not, atleast (`least` of them) or cardinality (`least` to `most` of them).
    """
    values = np.zeros((2,) * inputs + (2,))
    for states in itertools.product((0, 1), repeat=inputs):
        count = sum(states)
        holds = {
            "or": count >= 1,
            "and": count == inputs,
            "xor": count % 2 == 1,
            "not": count == 0,
            "atleast": count >= least,
            "cardinality": least <= count <= (inputs if most is None else most),
        }[kind]
        values[(*states, int(holds))] = 1.0
    return values


def root(name: str, distribution: Sequence[float]) -> CPT:
    """A node without parents."""
    return CPT(name, (), np.array(distribution, dtype=np.float64))


def gate(name: str, kind: str, inputs: Sequence[str], least: int = 1, most: int | None = None) -> CPT:
    """A deterministic node over binary inputs; see `gate_values`."""
    return CPT(name, tuple(inputs), gate_values(kind, len(inputs), least, most))


def copy_of(name: str, node: str, size: int) -> CPT:
    """A reading that tells the state of a node without error."""
    return CPT(name, (node,), np.eye(size))


def tree_tables(
    tree: Mapping[str, Any],
    readings: Sequence[CPT] = (),
    outcomes: Mapping[str, tuple[str, ...]] | None = None,
    targets: Sequence[str] | None = None,
) -> DiscreteNetwork:
    """Tables of a fault tree in the shape of published/fault_trees.json; all events binary.

    `readings` are leaves on it, with `outcomes` naming theirs. Sought are the basic events, unless said.
    """
    tables = [root(name, (1 - p, p)) for name, p in tree["basic_events"].items()]
    for name, holds in tree.get("house_events", {}).items():
        tables.append(root(name, (0.0, 1.0) if holds else (1.0, 0.0)))
    for name, said in tree["gates"].items():
        least, most = said.get("k", said.get("min", 1)), said.get("max")
        tables.append(gate(name, said["type"], said["inputs"], least, most))
    names = {table.child: BINARY for table in tables}
    return DiscreteNetwork(
        tables=(*tables, *readings),
        outcomes={**names, **{table.child: BINARY for table in readings}, **(outcomes or {})},
        targets=tuple(tree["basic_events"] if targets is None else targets),
        readings=tuple(table.child for table in readings),
    )


def network_tables(
    nodes: Mapping[str, Any], readings: Sequence[str], targets: Sequence[str], copied: Sequence[str] = ()
) -> DiscreteNetwork:
    """Tables of a network in the shape of published/networks.json; each `copied` node gets a leaf copy.

    The copy is called "NODE seen".
    """
    tables = [
        CPT(name, tuple(said["parents"]), np.array(said["cpt"], dtype=np.float64))
        for name, said in nodes.items()
    ]
    outcomes = {name: tuple(said["states"]) for name, said in nodes.items()}
    for name in copied:
        tables.append(copy_of(f"{name} seen", name, len(outcomes[name])))
        outcomes[f"{name} seen"] = outcomes[name]
    return DiscreteNetwork(
        tuple(tables), outcomes, tuple(targets), (*readings, *(f"{name} seen" for name in copied))
    )


def to_pgmpy(tables: DiscreteNetwork) -> DiscreteBayesianNetwork:
    """The same network for pgmpy, states numbered from 0."""
    model = DiscreteBayesianNetwork()
    sizes = {name: len(outcomes) for name, outcomes in tables.outcomes.items()}
    model.add_nodes_from(table.child for table in tables.tables)
    for table in tables.tables:
        model.add_edges_from((parent, table.child) for parent in table.parents)
    for table in tables.tables:
        model.add_cpds(
            TabularCPD(
                table.child,
                sizes[table.child],
                table.values.reshape(-1, sizes[table.child]).T,
                evidence=list(table.parents),
                evidence_card=[sizes[parent] for parent in table.parents],
            )
        )
    return model


def from_pgmpy(
    model: DiscreteBayesianNetwork, targets: Iterable[str], readings: Iterable[str]
) -> DiscreteNetwork:
    """The tables of a pgmpy model, as the engine takes them."""
    tables, outcomes = [], {}
    for cpd in model.get_cpds():
        child, *parents = cpd.variables
        outcomes[child] = tuple(cpd.state_names[child])
        tables.append(CPT(child, tuple(parents), np.moveaxis(np.asarray(cpd.values), 0, -1)))
    return DiscreteNetwork(tuple(tables), outcomes, tuple(targets), tuple(readings))


def to_pyagrum(tables: DiscreteNetwork) -> gum.BayesNet:
    """The same network for pyAgrum, states named by their number."""
    net = gum.BayesNet()
    for table in tables.tables:
        states = [str(state) for state in range(len(tables.outcomes[table.child]))]
        net.add(gum.LabelizedVariable(table.child, table.child, states))
    for table in tables.tables:
        for parent in table.parents:
            net.addArc(parent, table.child)
    for table in tables.tables:
        cpt = net.cpt(table.child)
        scope = (*table.parents, table.child)
        # pyAgrum's arrays have their axes in the reverse of the order of names.
        axes = [scope.index(name) for name in reversed(cpt.names)]
        cpt[:] = np.ascontiguousarray(np.transpose(table.values, axes))
    return net


def pyagrum_array(tensor: gum.Tensor, order: Sequence[str]) -> Floats:
    """A pyAgrum result as an array with its axes in `order`."""
    names = list(reversed(tensor.names))
    return np.transpose(np.array(tensor.toarray(), dtype=np.float64), [names.index(name) for name in order])


def _spread(values: Floats, scope: Sequence[str], axes: Mapping[str, int]) -> Floats:
    """The values with one axis per node of the network: size 1 for nodes outside the scope."""
    order = sorted(range(len(scope)), key=lambda at: axes[scope[at]])
    shape = [1] * len(axes)
    for at in order:
        shape[axes[scope[at]]] = values.shape[at]
    return np.transpose(values, order).reshape(shape)


def _sum_to(joint: Floats, names: Sequence[str], kept: Iterable[str]) -> Floats:
    """The joint of the kept nodes, axes in the order of `kept`."""
    kept = tuple(kept)
    summed = joint.sum(axis=tuple(axis for axis, name in enumerate(names) if name not in kept))
    left = [name for name in names if name in kept]
    return np.transpose(summed, [left.index(name) for name in kept])
