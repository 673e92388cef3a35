"""Whether what would turn it round does so: tried on cars drawn from what is believed of a case."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.advice.advice import CandidateReading
from advisor.advice.situation import Situation
from advisor.advice.turning import Turning, leads
from advisor.arrays import Bools, Floats, Ints
from advisor.inference.batch import Batch, condition, sample_categorical, stratified_uniforms
from advisor.inference.engine import Engine
from advisor.model.nodes import shown_by

CARS, SEED = 1000, 20_300_102


@dataclass(frozen=True)
class Tried:
    """A way tried on so many cars: on how many it turned round, and how many of those had the cause."""

    cars: int
    turned: int
    true: int


def try_ways(
    situation: Situation, engine: Engine, found: Turning, stop: Callable[[], bool] = lambda: False
) -> tuple[Tried, ...] | None:
    """Take the readings of each way on the same cars, as the instrument shows them; None once `stop` says so.

    The same case gives the same figures. Cars are drawn as if the complaint were there when it is looked for.
    """
    if not found.ways:
        return ()
    columns = [[_column(engine, one) for one in way.readings] for way in found.ways]
    batch = condition(engine, situation.evidence, tuple(dict.fromkeys(itertools.chain(*columns))))
    start = batch.potentials([situation.evidence])
    random = np.random.default_rng(SEED)
    drawn = batch.draw(start, np.zeros(CARS, dtype=np.intp), random)
    has_it = batch.configurations(found.chosen, drawn) > 0
    tried = []
    for shown_in in columns:
        if stop():
            return None
        turned = _turned(batch, start, drawn, shown_in, found, random)
        tried.append(Tried(CARS, int(turned.sum()), int((turned & has_it).sum())))
    return tuple(tried)


def _turned(
    batch: Batch,
    start: Floats,
    drawn: Ints,
    columns: Sequence[str],
    found: Turning,
    random: np.random.Generator,
) -> Bools:
    """Return on which cars the chosen cause leads once the readings were taken."""
    shows = np.stack([_shown(batch, drawn, name, random) for name in columns], axis=1)
    different, of_car = np.unique(shows, axis=0, return_inverse=True)
    states = np.repeat(start, len(different), axis=0)
    for at, name in enumerate(columns):
        batch.observe(states, np.arange(len(states)), name, different[:, at])
    beliefs, _ = batch.posteriors(states, np.ones((len(states), len(batch.readings)), dtype=bool))
    chosen, leader = (batch.engine.targets.index(one) for one in (found.chosen, found.leader))
    turns = [leads(*pair) for pair in beliefs[:, [chosen, leader]].tolist()]
    return np.asarray(np.array(turns, dtype=bool)[of_car.reshape(-1)])


def _shown(batch: Batch, drawn: Ints, name: str, random: np.random.Generator) -> Ints:
    """Draw what a reading shows on each car."""
    probabilities = batch.engine.entries[name].weights[batch.configurations(name, drawn)]
    return sample_categorical(probabilities, stratified_uniforms(len(drawn), random))


def _column(engine: Engine, reading: CandidateReading) -> str:
    """Return the node that shows a reading: as its instrument does, where that errs."""
    leaf = shown_by(reading.reading, reading.instrument or "")
    return leaf if leaf in engine.entries else reading.reading
