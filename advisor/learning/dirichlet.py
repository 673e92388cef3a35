"""Dirichlet posteriors of an author's and a workshop's cars together, with Beta intervals."""

from __future__ import annotations

import numpy as np
from scipy.special import betaincinv

from advisor.arrays import Floats

DRAWS = 4000
"""Draws from which the interval of a cause alone is taken, the leak's part taken off."""
ROUNDS = 200
"""Rounds of expectation-maximisation over unsure answers; with the least sure ones it goes slowly."""
TINY = 1e-300
"""The divisor in place of 0, where the numerator is 0 too."""


def posterior(prior: Floats, observed: Floats) -> Floats:
    """Return Dirichlet parameters after the evidence: prior (k,), and a likelihood for each car, (cars, k).

    Their mean is that of expectation-maximisation. They sum to the prior's cars and as many more as the
    answers tell: a certain answer is one car, a guess none, in between what is known of the outcome
    (the observed information; Louis 1982, J. R. Stat. Soc. B 44, 226-233).
    """
    if not len(observed):
        return prior
    kinds, cars = np.unique(observed, axis=0, return_counts=True)
    after = prior
    parts = kinds
    for _ in range(1 if np.all(kinds.max(axis=1) == 1) else ROUNDS):
        parts = kinds * (after / after.sum())
        parts = np.where(parts.sum(axis=1, keepdims=True) > 0, parts, kinds)
        parts = parts / parts.sum(axis=1, keepdims=True)
        after = prior + cars @ parts
    mean = after / after.sum()
    open_still = (parts * (1 - parts)).sum(axis=1) / max(float((mean * (1 - mean)).sum()), TINY)
    told = max(0.0, float(cars @ (1 - open_still)))
    return np.asarray(mean * (prior.sum() + told))


def interval(numbers: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the bounds of each probability of a Dirichlet distribution, from its Beta quantiles."""
    rest = numbers.sum() - numbers
    tail = (1 - level) / 2
    inside = (numbers > 0) & (rest > 0)
    fixed = np.where(rest > 0, 0.0, 1.0)
    a, b = np.where(inside, numbers, 1.0), np.where(inside, rest, 1.0)
    low, high = (np.where(inside, betaincinv(a, b, one), fixed) for one in (tail, 1 - tail))
    return low, high


def without_leak(numbers: Floats, leak: Floats, level: float) -> tuple[Floats, Floats, Floats]:
    """Return a cause's own effect with its interval, from readings with it and with the leak alone."""

    def alone(with_cause: Floats, without: Floats) -> Floats:
        milder = np.cumsum(without, axis=-1)
        own = np.divide(np.cumsum(with_cause, axis=-1), milder, out=np.ones_like(milder), where=milder > 0)
        own = np.minimum(np.maximum.accumulate(own, axis=-1), 1.0)
        own[..., -1] = 1.0
        return np.diff(own, axis=-1, prepend=0.0)

    random = np.random.default_rng(0)
    some = np.finfo(float).tiny
    drawn = [random.gamma(np.maximum(one, some), size=(DRAWS, len(one))) for one in (numbers, leak)]
    with_cause, without = (one / np.maximum(one.sum(axis=1, keepdims=True), some) for one in drawn)
    tail = (1 - level) / 2
    low, high = np.quantile(alone(with_cause, without), [tail, 1 - tail], axis=0)
    return alone(numbers / numbers.sum(), leak / leak.sum()), low, high
