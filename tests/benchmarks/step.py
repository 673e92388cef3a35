"""How long one step takes: every belief and every information, on the widest complaint of each family.

Run from the top of the project: python -m tests.benchmarks.step

Three ways in the same run, with the same things seen: this project's engine, pgmpy's variable elimination
(one query per fault, and one per reading for the joint that its information depends on) and pyAgrum's lazy
propagation (the same joints as targets of one propagation). All have to agree to 1e-9. What can be built
before the first step (compiled engine, models) is not in the times; nor is, for the libraries, the arithmetic
from their joints to information. Times are processor time, so that other work on the machine counts for
little.

The limit is what the numbers alone would take: the table entries that a step touches (`touched`), each as
long as one multiplication in place.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
from pgmpy.inference import VariableElimination

from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.knowledge.loading import load
from advisor.model.network import build
from tests import oracle
from tests.oracle import gum

KNOWLEDGE = Path(__file__).parents[2] / "knowledge"
WIDEST = ("flat_battery", "misting_glass", "poor_cooling")
"""The complaint with the most nodes in drain, ingress and climate."""
SEEN = (0, 4, 8, 12)
AT_LEAST = {"pyAgrum": 10, "pgmpy": 150}
"""Times faster than these libraries that a step should be."""
AGREE_TO = 1e-9


@dataclass(frozen=True)
class Step:
    """What one step has to find: P(present) of each fault, information of each reading not seen."""

    beliefs: Mapping[str, float]
    expected_information_bits: Mapping[str, float]

    def furthest(self, other: Step) -> float:
        """The largest difference between two answers of the same step."""
        assert set(self.beliefs) == set(other.beliefs)
        assert set(self.expected_information_bits) == set(other.expected_information_bits)
        pairs = [(self.beliefs[name], other.beliefs[name]) for name in self.beliefs]
        pairs += [
            (self.expected_information_bits[name], other.expected_information_bits[name])
            for name in self.expected_information_bits
        ]
        return max(abs(one - two) for one, two in pairs)


@dataclass(frozen=True, eq=False)
class Asked:
    """The joint that a reading's information depends on, for a library that gives joints.

    The parents of the reading where they are functions of the faults. Where one is a noisy state: the
    reading itself with all that surrounds the states it is tied to.
    """

    table: CPT
    joint: tuple[str, ...]

    def bits(self, values: np.ndarray, order: tuple[str, ...]) -> float:
        """The information from that joint, its axes in `order`."""
        if self.table.child not in order:
            return oracle.information_by_parents(values, self.table, order)
        last = order.index(self.table.child)
        return oracle.information(np.moveaxis(values, last, -1), last_axes=1)


def asked_of(tables: DiscreteNetwork) -> dict[str, Asked]:
    """For each reading the joint to ask for."""
    readings = set(tables.readings)
    deterministic = set(tables.targets)
    waiting = [table for table in tables.tables if table.child not in readings]
    for _ in waiting:
        for table in waiting:
            if deterministic.issuperset(table.parents) and set(np.unique(table.values)) <= {0.0, 1.0}:
                deterministic.add(table.child)
    scopes = [set(table.parents) | ({table.child} - readings) for table in tables.tables]
    ties = nx.Graph()
    for scope in scopes:
        nuisance = sorted(scope - deterministic)
        ties.add_nodes_from(nuisance)
        nx.add_path(ties, nuisance)
    asked = {}
    for table in tables.tables:
        if table.child in readings:
            nuisance = [parent for parent in table.parents if parent not in deterministic]
            tied = set().union(*(nx.node_connected_component(ties, name) for name in nuisance))
            around = set(table.parents).union(*(scope for scope in scopes if scope & tied)) - tied
            joint = (*sorted(around), table.child) if nuisance else table.parents
            asked[table.child] = Asked(table, joint)
    return asked


@dataclass(frozen=True, eq=False)
class Way:
    """A way to do the step: `query` is what is timed, `finish` turns what it gave into the answers."""

    query: Callable[[], Any]
    finish: Callable[[Any], Step]


def by_engine(engine: Engine, seen: Mapping[str, int]) -> Way:
    """One step by this project's engine."""
    evidence = {name: np.eye(len(engine.outcomes[name]))[state] for name, state in seen.items()}

    def query() -> Step:
        posterior = engine.query(evidence)
        return Step(posterior.beliefs, posterior.expected_information_bits)

    return Way(query, lambda step: step)


def by_pgmpy(tables: DiscreteNetwork, asked: Mapping[str, Asked], seen: Mapping[str, int]) -> Way:
    """One step by variable elimination: one query per fault and one per reading not seen."""
    elimination = VariableElimination(oracle.to_pgmpy(tables))
    scopes: dict[str, tuple[str, ...]] = {name: (name,) for name in tables.targets}
    scopes |= {name: want.joint for name, want in asked.items() if name not in seen}

    def query() -> dict[str, Any]:
        return {
            name: elimination.query(list(scope), dict(seen), show_progress=False)
            for name, scope in scopes.items()
        }

    def finish(factors: Mapping[str, Any]) -> Step:
        return step_of(tables, asked, {name: (f.values, tuple(f.variables)) for name, f in factors.items()})

    return Way(query, finish)


def by_pyagrum(tables: DiscreteNetwork, asked: Mapping[str, Asked], seen: Mapping[str, int]) -> Way:
    """One step by lazy propagation: every fault and every reading's joint as targets of one propagation."""
    lazy = gum.LazyPropagation(oracle.to_pyagrum(tables))
    scopes: dict[str, tuple[str, ...]] = {name: (name,) for name in tables.targets}
    scopes |= {name: want.joint for name, want in asked.items() if name not in seen}
    for scope in set(scopes.values()):
        if len(scope) > 1:
            lazy.addJointTarget(set(scope))
        else:
            lazy.addTarget(*scope)

    def query() -> dict[str, Any]:
        lazy.eraseAllEvidence()
        lazy.setEvidence(dict(seen))
        lazy.makeInference()
        return {
            name: lazy.jointPosterior(set(scope)) if len(scope) > 1 else lazy.posterior(*scope)
            for name, scope in scopes.items()
        }

    def finish(tensors: Mapping[str, Any]) -> Step:
        joints = {
            name: (oracle.pyagrum_array(tensor, scopes[name]), scopes[name])
            for name, tensor in tensors.items()
        }
        return step_of(tables, asked, joints)

    return Way(query, finish)


def step_of(
    tables: DiscreteNetwork,
    asked: Mapping[str, Asked],
    joints: Mapping[str, tuple[np.ndarray, tuple[str, ...]]],
) -> Step:
    """The answers from a library's joints, each with the order of its axes."""
    return Step(
        {name: float(joints[name][0][-1]) for name in tables.targets},
        {name: asked[name].bits(*joint) for name, joint in joints.items() if name in asked},
    )


def last_modified(engine: Engine, seen: Iterable[str]) -> int:
    """How many table entries a step reads: evidence, messages both ways, and the products for the answers."""
    spans = [clique.span for clique in engine.cliques]
    evidence = sum(
        spans[engine.entries[node].clique].stop - spans[engine.entries[node].clique].start for node in seen
    )
    messages = 2 * sum(len(clique.own) + len(clique.above) for clique in engine.cliques)
    products = (engine.to_hidden, engine.to_joints, engine.to_terms, engine.to_bits, engine.to_certain)
    return int(evidence + messages + engine.to_terms.shape[0] + sum(matrix.nnz for matrix in products))


def ns_a_multiplication() -> float:
    """What one multiplication in place takes on arrays that fit the cache."""
    array = np.ones(2**12)
    return 1e6 * median_ms(lambda: np.multiply(array, array, out=array), 1000) / len(array)


def one_car(engine: Engine, complaint: str, readings: int, seed: int) -> dict[str, int]:
    """The complaint, and the outcomes that readings picked at random show on one simulated car."""
    random = np.random.default_rng(seed)
    seen = {complaint: 1}
    for name in random.choice(engine.readings, readings, replace=False):
        evidence = {node: np.eye(len(engine.outcomes[node]))[state] for node, state in seen.items()}
        probabilities = engine.query(evidence).predictive[str(name)]
        seen[str(name)] = int(random.choice(len(probabilities), p=probabilities / probabilities.sum()))
    return seen


def median_ms(query: Callable[[], Any], repeats: int) -> float:
    """The median processor time of one call, in milliseconds, after one call that does not count."""
    query()
    times = []
    for _ in range(repeats):
        start = time.process_time()
        query()
        times.append(time.process_time() - start)
    return 1000 * statistics.median(times)


def machine() -> str:
    """What it ran on."""
    return (
        f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, "
        f"Python {platform.python_version()}, numpy {np.__version__}"
    )


def compare(complaint: str, repeats: int, seed: int, ns: float) -> None:
    """Time the three ways on one complaint, check that they agree, and print a row for each number seen."""
    tables = build(load([KNOWLEDGE]), complaint).tables
    start = time.process_time()
    engine = compile_tables(tables)
    compiled_ms = 1000 * (time.process_time() - start)
    asked = asked_of(tables)
    print(
        f"\n{complaint}: {len(tables.targets)} faults, {len(tables.readings)} readings, "
        f"{len(tables.tables)} nodes; compiled once in {compiled_ms:.0f} ms"
    )
    print(
        "seen  engine ms  pyAgrum ms  pgmpy ms  pyAgrum/engine  pgmpy/engine  limit ms  engine/limit"
        "  agree to"
    )
    for readings in SEEN:
        seen = one_car(engine, complaint, readings, seed)
        ours = by_engine(engine, seen)
        lazy = by_pyagrum(tables, asked, seen)
        elimination = by_pgmpy(tables, asked, seen)
        found = ours.finish(ours.query())
        furthest = max(found.furthest(way.finish(way.query())) for way in (lazy, elimination))
        assert furthest <= AGREE_TO, f"the answers differ by {furthest:.3g}"
        engine_ms = median_ms(ours.query, 100 * repeats)
        pyagrum_ms = median_ms(lazy.query, 10 * repeats)
        pgmpy_ms = median_ms(elimination.query, repeats)
        limit_ms = last_modified(engine, seen) * ns / 1e6
        print(
            f"{readings:>4} {engine_ms:>10.2f} {pyagrum_ms:>11.2f} {pgmpy_ms:>9.0f} "
            f"{pyagrum_ms / engine_ms:>15.1f} {pgmpy_ms / engine_ms:>13.0f} "
            f"{limit_ms:>9.3f} {engine_ms / limit_ms:>13.1f} {furthest:>9.1e}"
        )


def main() -> None:
    """Time the three ways on each complaint asked for."""
    parser = argparse.ArgumentParser(description="Time one step of the advice.")
    parser.add_argument(
        "--repeats", type=int, default=5, help="of pgmpy; pyAgrum 10, engine 100 times as many"
    )
    parser.add_argument("--seed", type=int, default=1, help="of the simulated cars")
    parser.add_argument("--complaint", action="append", help="may be repeated")
    options = parser.parse_args()
    print(machine())
    ns = ns_a_multiplication()
    print(f"one multiplication in place: {ns:.2f} ns")
    for complaint in options.complaint or WIDEST:
        compare(complaint, options.repeats, options.seed, ns)
    print(
        "Wanted: " + ", ".join(f"{times} times faster than {name}" for name, times in AT_LEAST.items()) + "."
    )


if __name__ == "__main__":
    main()
