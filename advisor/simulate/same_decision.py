"""Whether reading everything that is left would change the decision: the same-decision probability.

At a stop the leading cause decides what is done. The probability that it would still lead once every reading
left had been taken says how much that decision hangs on what nobody has looked at (S. Chen, A. Choi, A.
Darwiche 2014, Algorithms and applications for the same-decision probability, Journal of Artificial
Intelligence Research 49, 601-633). Where few answers are possible all are gone through, else cars are drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from advisor.advice.advice import Advice
from advisor.advice.rules import REASONS, comparable
from advisor.arrays import Floats, Ints
from advisor.simulate.array_advice import Ranker
from advisor.simulate.jobs import Starts, draw_cars

CARS, SEED = 400, 20_300_106
MOST_ANSWERS = 4096
"""Up to so many possible series of answers are gone through one by one."""
NORMAL_95 = 1.959964


@dataclass(frozen=True)
class SameDecision:
    """The probability that the same cause would lead once `readings` more were taken.

    `low` and `high` are its 95 % interval (Wilson 1927) where it was estimated; where it is exact they are
    the probability itself.
    """

    cause: str
    readings: int
    probability: float
    low: float
    high: float

    @property
    def is_exact(self) -> bool:
        """Whether every possible series of answers was gone through."""
        return self.low == self.high


def decides(advice: Advice) -> bool:
    """Return whether a decision is due, and something is left to read that could change it."""
    return advice.stop is not None and advice.stop.reason in REASONS and bool(advice.proposals)


def same_decision(
    ranker: Ranker,
    start: Starts,
    cars: int = CARS,
    stop: Callable[[], bool] = lambda: False,
) -> SameDecision | None:
    """Return how probable it is that the leading cause of one case stays in the lead.

    Every reading that can still be taken here counts, with the instrument at hand that tells most now. The
    same case gives the same figure. None where nothing is left to read, and once `stop` says so.
    """
    believed, bits = ranker.posteriors(start.potentials)
    leader = int(_leading(believed)[0])
    left = np.flatnonzero(~start.gone[0])
    told = comparable(bits[0][ranker.seen_with[left]])
    columns = ranker.seen_with[left, told.argmax(axis=1)]
    columns = columns[told.max(axis=1) > 0] if len(left) else columns
    if not len(columns):
        return None
    cause, count = ranker.faults[leader], len(columns)
    answers = math.prod(len(_weights(ranker, column).T) for column in columns.tolist())
    if answers <= MOST_ANSWERS:
        same = _enumerated(ranker, start, columns, leader, stop)
        return None if same is None else SameDecision(cause, count, same, same, same)
    drawn = draw_cars(ranker, start, np.zeros(cars, dtype=np.intp), np.random.default_rng(SEED))
    potentials = np.repeat(start.potentials, cars, axis=0)
    for column in columns.tolist():
        if stop():
            return None
        name = ranker.batch.readings[column]
        ranker.batch.observe(potentials, np.arange(cars), name, drawn.shows[:, column])
    stays = int((_led_by(ranker, potentials) == leader).sum())
    return SameDecision(cause, count, stays / cars, *wilson(stays, cars))


def wilson(hits: int, tries: int) -> tuple[float, float]:
    """Return the 95 % interval of a share that was counted (Wilson 1927)."""
    share, square = hits / tries, NORMAL_95**2
    middle = (share + square / (2 * tries)) / (1 + square / tries)
    half = NORMAL_95 * math.sqrt(share * (1 - share) / tries + square / (4 * tries**2)) / (1 + square / tries)
    return (0.0 if hits == 0 else middle - half), (1.0 if hits == tries else middle + half)


def _enumerated(
    ranker: Ranker, start: Starts, columns: Ints, leader: int, stop: Callable[[], bool]
) -> float | None:
    """Return the probability over every possible series of answers, each reading branching in turn."""
    potentials, probability = start.potentials.copy(), np.ones(1)
    for column in columns.tolist():
        if stop():
            return None
        name, weights = ranker.batch.readings[column], _weights(ranker, column)
        parents = ranker.batch.configuration_probabilities(potentials, [name])[name]
        branches = probability[:, np.newaxis] * (parents @ weights)
        rows, shown = np.nonzero(branches > 0)
        potentials, probability = potentials[rows], branches[rows, shown]
        ranker.batch.observe(potentials, np.arange(len(rows)), name, shown)
    stays = _led_by(ranker, potentials) == leader
    return float(probability[stays].sum() / probability.sum())


def _weights(ranker: Ranker, column: int) -> Floats:
    """P(what a reading shows | its parents), (configurations, outcomes)."""
    return np.asarray(ranker.batch.engine.entries[ranker.batch.readings[column]].weights)


def _led_by(ranker: Ranker, potentials: Floats) -> Ints:
    """Return which fault leads in each state."""
    unasked = np.ones((len(potentials), len(ranker.readings)), dtype=bool)
    return _leading(ranker.posteriors(potentials, unasked)[0])


def _leading(believed: Floats) -> Ints:
    return np.asarray(np.asarray(comparable(believed)).argmax(axis=1))
