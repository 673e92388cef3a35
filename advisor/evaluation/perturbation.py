"""Knowledge with noise in every probability: what if the author had been wrong?

Noise is added to log-odds, normal and independent for each number. Likelihoods and leaks are disturbed as
written (of a spread over several outcomes each one against the normal outcome), effects of causes without the
leak's part; shares and priors in their solved form, as the prior of each fault and unlisted cause; values of
vehicle facts against the first one. What is impossible stays impossible, and gates stay gates.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from advisor.arrays import Floats
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import NoisyMax, NoisyOr, Reading, Row, State
from advisor.model.network import build
from advisor.model.nodes import shown_by
from advisor.model.observation import seen_with
from advisor.model.priors import tree_of

SEEN_LESS, FALSE_TIMES = 0.10, 3.0
"""By how much worse proofs are tried: part of all cars in which they do not show, and false showings."""


def disturbed_tables(
    knowledge: Knowledge, complaint: str, noise: float, random: np.random.Generator
) -> DiscreteNetwork:
    """Return a complaint's network with all numbers disturbed; `noise` is the deviation of log-odds."""
    readings = {name: disturbed_reading(said, noise, random) for name, said in knowledge.readings.items()}
    states = {name: _state(said, noise, random) for name, said in knowledge.states.items()}
    network = build(replace(knowledge, readings=readings, states=states), complaint)
    roots = {*network.targets, *knowledge.facts}
    tables = network.tables
    return replace(
        tables,
        tables=tuple(
            _root(table, noise, random) if table.child in roots else table for table in tables.tables
        ),
    )


def tables_of_worse_proofs(knowledge: Knowledge, complaint: str) -> DiscreteNetwork:
    """Return a complaint's network with every proof seen less often, and falsely more often.

    Where a cause that it proves is there, a proof shows in `SEEN_LESS` fewer of all cars, where none is, in
    `FALSE_TIMES` as many; none in fewer than no car or in more than all.
    """
    tables = build(knowledge, complaint).tables
    by_child = {table.child: table for table in tables.tables}
    worse: dict[str, CPT] = {}
    for name, said in knowledge.readings.items():
        if not said.proving_outcomes or name not in by_child:
            continue
        moved = _worse_proof(by_child[name], said, _with_those_below(knowledge, said.proves))
        worse[name] = moved
        for instrument in said.instrument if said.quantity else ():
            shown = seen_with(knowledge, name, instrument)
            if shown is not None:
                number = shown_by(name, instrument)
                worse[number] = replace(by_child[number], values=moved.values @ shown)
    return replace(tables, tables=tuple(worse.get(table.child, table) for table in tables.tables))


def _with_those_below(knowledge: Knowledge, causes: Sequence[str]) -> frozenset[str]:
    """Return some causes and everything in the tree below them."""
    gates = [gated.gate for cause in causes for gated in tree_of(knowledge, cause).values()]
    return frozenset({*causes, *(member for gate in gates for member in gate.members)})


def _worse_proof(table: CPT, said: Reading, proved: frozenset[str]) -> CPT:
    proves = np.isin(list(said.answers), said.proving_outcomes)
    there = np.zeros(table.values.shape[:-1], dtype=bool)
    for axis, parent in enumerate(table.parents):
        if parent in proved:
            there[(slice(None),) * axis + (1,)] = True
    shown = table.values[..., proves].sum(axis=-1)
    aim = np.where(there, np.maximum(shown - SEEN_LESS, 0.0), np.minimum(shown * FALSE_TIMES, 1.0))
    aim = np.where((shown > 0) & (shown < 1), aim, shown)[..., None]
    scale = np.where(proves, _part(aim, shown[..., None]), _part(1 - aim, 1 - shown[..., None]))
    return replace(table, values=table.values * scale)


def _part(of: Floats, whole: Floats) -> Floats:
    return np.divide(of, whole, out=np.ones_like(whole), where=whole > 0)


def disturbed_reading(said: Reading, noise: float, random: np.random.Generator) -> Reading:
    """Return a reading with its leak, effects and spreads disturbed."""
    if said.noisy_or:
        return said.model_copy(update={"noisy_or": _noisy_or(said.noisy_or, noise, random)})
    if said.noisy_max:
        grades = said.graded
        leak = said.probabilities(said.noisy_max.leak, grades)
        effects = {cause: said.probabilities(one, grades) for cause, one in said.noisy_max.causes.items()}
        if said.noisy_max.strengths == "with_leak":
            effects = {cause: without_leak(one, leak) for cause, one in effects.items()}
        normal = grades.index(said.normal_outcome)

        def spread(probabilities: Floats) -> dict[str, float]:
            moved = off(probabilities, noise, random, normal)
            return dict(zip(grades, moved.tolist(), strict=True))

        causes = {cause: spread(one) for cause, one in effects.items()}
        new = NoisyMax.model_construct(leak=spread(leak), strengths="alone", causes=causes)
        return said.model_copy(update={"noisy_max": new})
    order = tuple(said.answers)
    normal = order.index(said.normal_outcome)
    rows = [
        _row(row, order, off(said.probabilities(row.spread, order), noise, random, normal))
        for row in said.table or ()
    ]
    return said.model_copy(update={"table": tuple(rows)})


def off(probabilities: Floats, noise: float, random: np.random.Generator, against: int) -> Floats:
    """Return probabilities (the last axis) with the log-odds against one outcome moved by noise."""
    moves: Floats = noise * random.standard_normal(probabilities.shape[-1:])
    moves[against] = 0.0
    moved = probabilities * np.exp(moves)
    return np.asarray(moved / moved.sum(axis=-1, keepdims=True))


def without_leak(effect: Floats, leak: Floats) -> Floats:
    """Return a cause's own effect, given `effect` as seen with the leak; mildest outcome first."""
    own, leaking = np.cumsum(effect), np.cumsum(leak)
    alone = np.divide(own, leaking, out=np.zeros_like(own), where=leaking > 0)
    return np.clip(np.diff(np.minimum(alone, 1.0), prepend=0.0), 0.0, 1.0)


def _noisy_or(said: NoisyOr, noise: float, random: np.random.Generator) -> NoisyOr:
    causes: Mapping[str, float] = said.causes
    if said.strengths == "with_leak":
        causes = {cause: 1 - (1 - one) / (1 - said.leak) for cause, one in causes.items()}
    return NoisyOr.model_construct(
        leak=_perturbed(said.leak, noise, random),
        strengths="alone",
        causes={cause: _perturbed(one, noise, random) for cause, one in causes.items()},
    )


def _perturbed(probability: float, noise: float, random: np.random.Generator) -> float:
    return float(off(np.array([1 - probability, probability]), noise, random, 0)[1])


def _state(said: State, noise: float, random: np.random.Generator) -> State:
    if said.noisy_or is None:
        return said
    return said.model_copy(update={"noisy_or": _noisy_or(said.noisy_or, noise, random)})


def _row(row: Row, order: Sequence[str], probabilities: Floats) -> Row:
    spread = dict(zip(order, probabilities.tolist(), strict=True))
    return row.model_copy(update={"gives" if row.gives is not None else "otherwise": spread})


def _root(table: CPT, noise: float, random: np.random.Generator) -> CPT:
    """Return a prior, or a fact's values, moved; if it depends on facts, equally for all their values."""
    return replace(table, values=off(table.values, noise, random, 0))
