"""The authored numbers whose errors would cost most: what to ask colleagues about.

For each number by itself it is found what its log-odds being off by 1 would cost the log score of the truth,
with the readings that the advice took on simulated cars as they are. Where P(R | c) in a reading's table
becomes P'(R | c), c being the state of what the reading depends on, the belief in c is reweighted by
w(c) = P'(r | c) / P(r | c), and the expected log score falls by log E[w] - E[log w], with expectations over c
given all that was seen of the car (Jensen's gap; for small errors half the variance of the score). The mean
over cars and over both signs is the cost.

What it is not: the advice would also have chosen other readings; several errors may add up or cancel; where a
reading depends on a noisy state the score is that of the state. Shares count as priors. Numbers of states, of
vehicle facts and of instruments are not tried.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.arrays import Floats, Ints
from advisor.case.case import Case
from advisor.evaluation.perturbation import without_leak
from advisor.evaluation.trials import TrialPlan
from advisor.inference.compiler import compile_tables
from advisor.inference.tables import DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.problems import Place
from advisor.knowledge.unlisted import unlisted_of
from advisor.knowledge.vocabulary import Reading
from advisor.model.network import build
from advisor.model.nodes import reading_and_instrument
from advisor.model.noisy import noisy_max
from advisor.model.observation import seen_with
from advisor.model.priors import tree_of
from advisor.simulate.array_advice import compile_ranker
from advisor.simulate.jobs import draw_cars, play_many, starts_of

OFF_BY = 1.0
MOST_CARS = 400
"""The most cars for each complaint: means over whole beliefs settle soon."""


@dataclass(frozen=True)
class Costly:
    """A number, where it stands, and what its log-odds off by 1 would cost the log score of a car."""

    name: str
    place: Place
    cost_nats: float


@dataclass(frozen=True, eq=False)
class Tried:
    """A number with its table when it is off: (configurations, outcomes)."""

    path: Path
    values: Floats


def most_costly(
    knowledge: Knowledge, plan: TrialPlan, most: int, progress: Callable[[int, int], None] | None = None
) -> tuple[Costly, ...]:
    """Return the numbers whose error would cost most, over all complaints of the plan, worst first."""
    costs: dict[Path, float] = {}
    for done, complaint in enumerate(plan.complaints):
        for path, cost in costs_of(knowledge, complaint, plan).items():
            costs[path] = costs.get(path, 0.0) + cost / len(plan.complaints)
        if progress is not None:
            progress(done + 1, len(plan.complaints))
    first = sorted(costs, key=lambda path: (-costs[path], str(path)))[:most]
    return tuple(Costly(_words(path), knowledge.place(*path), costs[path]) for path in first)


def costs_of(knowledge: Knowledge, complaint: str, plan: TrialPlan) -> dict[Path, float]:
    """Return what each number would cost on cars of one complaint, in nats per car."""
    tables = build(knowledge, complaint).tables
    ranker = compile_ranker(knowledge, compile_tables(tables), complaint, plan.workshop, plan.workshop_policy)
    batch = ranker.batch
    starts = starts_of(ranker, [Case(complaint)])
    random = np.random.default_rng([plan.seed, *complaint.encode()])
    cars = draw_cars(ranker, starts, np.zeros(min(plan.cars, MOST_CARS), dtype=np.intp), random)
    taken = play_many(ranker, starts, cars).taken
    potentials = starts.potentials[cars.start].copy()
    by_column = {column: _rows(taken, column) for column in np.unique(taken[taken >= 0]).tolist()}
    for column, rows in by_column.items():
        batch.observe(potentials, rows, batch.readings[column], cars.shows[rows, column])
    names = [batch.readings[column] for column in by_column]
    believed = batch.configuration_probabilities(potentials, [*names, *ranker.faults])
    count = len(cars.start)
    costs: dict[Path, float] = {}
    for (column, rows), name in zip(by_column.items(), names, strict=True):
        shown = cars.shows[rows, column]
        weights = batch.engine.entries[name].weights
        for tried in _off_in_reading(knowledge, tables, name):
            gap = _gap(believed[name][rows], _ratio(tried.values.T[shown], weights.T[shown]))
            costs[tried.path] = costs.get(tried.path, 0.0) + gap / count / 2
    for fault, path in _priors(knowledge, complaint, ranker.faults).items():
        for sign in (-OFF_BY, OFF_BY):
            weights = np.broadcast_to(np.exp([0.0, sign]), (count, 2))
            costs[path] = costs.get(path, 0.0) + _gap(believed[fault], weights) / count / 2
    return costs


def _rows(taken: Ints, column: int) -> Ints:
    return np.flatnonzero((taken == column).any(axis=1))


def _ratio(off: Floats, right: Floats) -> Floats:
    """Return how much likelier the evidence becomes; 1 where it is impossible anyway."""
    return np.divide(off, right, out=np.ones_like(off), where=right > 0)


def _gap(believed: Floats, weights: Floats) -> float:
    """Return the fall of the expected log score, summed over cars: log E[w] - E[log w]."""
    logs = np.log(np.maximum(weights, np.finfo(np.float64).tiny))
    return float((np.log((believed * weights).sum(axis=1)) - (believed * logs).sum(axis=1)).sum())


def _priors(knowledge: Knowledge, complaint: str, faults: tuple[str, ...]) -> dict[str, Path]:
    """Return where each fault's share or prior is written; shares of branches above are not tried."""
    paths: dict[str, Path] = {}
    for name, gated in tree_of(knowledge, complaint).items():
        section = "complaints" if name in knowledge.complaints else "branches"
        word = gated.gate.key
        for member in gated.gate.members:
            paths.setdefault(member, (section, name, word, member))
        paths.setdefault(unlisted_of(name), (section, name, "unlisted"))
    return {
        fault: ("faults", fault, "prior")
        if fault in knowledge.faults and knowledge.faults[fault].prior is not None
        else paths[fault]
        for fault in faults
        if fault in paths
    }


def _off_in_reading(knowledge: Knowledge, tables: DiscreteNetwork, column: str) -> Iterator[Tried]:
    """Return every number of a reading, off by the same in both directions, with the resulting table.

    A reading seen with an instrument is seen through it.
    """
    name, instrument = reading_and_instrument(column)
    said = knowledge.readings[name]
    (parents,) = (table.parents for table in tables.tables if table.child == name)
    through = seen_with(knowledge, name, instrument) if instrument else None
    right = spreads_of(said)
    order = order_of(said)
    normal = order.index(said.normal_outcome)
    for path, spread in right.items():
        for at, probability in enumerate(spread.tolist()):
            if at == normal or not 0 < probability < 1:
                continue
            where = path if said.noisy_or else (*path, order[at])
            for sign in (-OFF_BY, OFF_BY):
                moved = spread.copy()
                moved[at] *= np.exp(sign)
                values = table_of(said, parents, tables.outcomes, {**right, path: moved / moved.sum()})
                yield Tried(("readings", name, *where), values if through is None else values @ through)


def order_of(said: Reading) -> tuple[str, ...]:
    """Return the order of outcomes in a reading's spreads: the mildest first where causes combine."""
    answers = tuple(said.answers)
    if said.noisy_or:
        return (said.normal_outcome, *(one for one in answers if one != said.normal_outcome))
    return said.graded if said.noisy_max else answers


def spreads_of(said: Reading) -> dict[Path, Floats]:
    """Return every spread of a reading by its path, effects of causes without the leak's part."""
    found: dict[Path, Floats] = {}
    if said.noisy_or:
        found["noisy_or", "leak"] = np.array([1 - said.noisy_or.leak, said.noisy_or.leak])
        for cause, probability in said.noisy_or.causes.items():
            found["noisy_or", "causes", cause] = np.array([1 - probability, probability])
    for path, spread in said.spreads():
        found[path] = said.probabilities(spread, order_of(said))
    combined = said.noisy_or or said.noisy_max
    if combined and combined.strengths == "with_leak":
        leak = next(iter(found.values()))
        found = {path: without_leak(one, leak) if "causes" in path else one for path, one in found.items()}
    return found


def table_of(
    said: Reading,
    parents: Sequence[str],
    outcomes: Mapping[str, Sequence[str]],
    spreads: Mapping[Path, Floats],
) -> Floats:
    """Return a reading's table with these spreads, (parent configurations, outcomes as written)."""
    order, answers = order_of(said), tuple(said.answers)
    if said.noisy_or or said.noisy_max:
        kind = "noisy_or" if said.noisy_or else "noisy_max"
        effects = [spreads[kind, "causes", cause] for cause in parents]
        values = noisy_max(spreads[kind, "leak"], effects, with_leak=False)
        return values[..., [order.index(answer) for answer in answers]].reshape(-1, len(answers))
    rows = list(zip(said.table or (), spreads.values(), strict=True))
    found = []
    for states in itertools.product(*(outcomes[parent] for parent in parents)):
        here = dict(zip(parents, states, strict=True))
        found.append(next(one for row, one in rows if row.holds(here)))
    return np.array(found)


def _words(path: Path) -> str:
    return " ".join(str(one) for one in path)
