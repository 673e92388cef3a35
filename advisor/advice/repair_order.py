"""Expected minutes of repair: in which order to try remedies, and when to escalate instead.

After Heckerman, Breese & Rommelse 1995, "Decision-theoretic troubleshooting", Communications of the ACM
38(3), 49-57; ordering by probability over cost goes back to Kadane & Simon 1977. Exactly one cause is present
(single-fault assumption): beliefs are shares that sum to 1 at most, and the rest to 1 is a cause that no
remedy repairs.
Remedies are tried one after the other until the complaint is gone; the last resort, *escalation* to a senior
technician, repairs whatever is left. Each remedy is tried once, at a cost that does not depend on when.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.arrays import Floats

ROUND_OFF = 1e-9
"""Shares may add up to this much more than 1."""


@dataclass(frozen=True)
class Remedy:
    """A repair to try: the faults it repairs, each with probability `success`.

    `minutes` include the check afterwards whether the complaint is gone.
    """

    name: str
    fixes: frozenset[str]
    minutes: float
    success: float = 1.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.minutes) and self.minutes >= 0 and 0 <= self.success <= 1):
            raise ValueError(f"'{self.name}' has {self.minutes:g} minutes and a success of {self.success:g}")


@dataclass(frozen=True)
class RepairPlan:
    """Remedies in order, then escalation, and the minutes that takes on average."""

    order: tuple[Remedy, ...]
    expected_minutes: float


def single_fault_shares(beliefs: Floats) -> Floats:
    """Scale faults' probabilities, shape (…, causes), to shares of one cause: divide by a sum above 1.

    The complaint has at least one cause, so its causes' probabilities add up to 1 or more.
    """
    return np.asarray(beliefs / np.maximum(beliefs.sum(axis=-1, keepdims=True), 1.0))


def by_updated_rate(remedies: Iterable[Remedy], shares: Mapping[str, float]) -> tuple[Remedy, ...]:
    """Order remedies by their probability of success per minute, updated after each that failed.

    Ties go by name; remedies that can repair nothing any more are left out. The order is optimal if no fault
    is repaired by two of them; otherwise it is good, but not always best: finding the best is hard in
    general.
    """
    left, waiting = dict(shares), list(remedies)
    order = []
    while waiting:
        best = min(waiting, key=lambda remedy: (-_rate(remedy, left), remedy.name))
        if _success_probability(best, left) == 0:
            break
        order.append(best)
        waiting.remove(best)
        left = _after_failing(best, left)
    return tuple(order)


def expected_minutes(
    order: Iterable[Remedy], shares: Mapping[str, float], escalation_minutes: float = 0.0
) -> float:
    """Return the mean minutes until the complaint is gone when trying in this order, escalation included."""
    return list(_minutes_after_each(order, shares, escalation_minutes))[-1]


def _minutes_after_each(
    order: Iterable[Remedy], shares: Mapping[str, float], escalation_minutes: float
) -> Iterator[float]:
    """Yield the expected minutes when escalating at once, after one remedy, after two, and so on."""
    spent, left, remaining = 0.0, _checked(shares), 1.0
    yield escalation_minutes
    for remedy in order:
        spent += remaining * remedy.minutes
        remaining -= _success_probability(remedy, left)
        left = _after_failing(remedy, left)
        yield spent + max(remaining, 0.0) * escalation_minutes


def best_plan(
    remedies: Iterable[Remedy], shares: Mapping[str, float], escalation_minutes: float
) -> RepairPlan:
    """Return how many of the remedies, in the order of `by_updated_rate`, to try before escalating.

    The plan is optimal if no fault is repaired by two remedies: if a remedy is worth trying last before
    escalating, so is any with a better rate, so the best set is the start of the best order.
    """
    order = by_updated_rate(remedies, shares)
    minutes = list(_minutes_after_each(order, shares, escalation_minutes))
    count = minutes.index(min(minutes))
    return RepairPlan(order[:count], minutes[count])


def least_minutes_of_many(
    remedies: Sequence[Remedy], causes: Sequence[str], shares: Floats, escalation_minutes: float
) -> Floats:
    """Return the expected minutes of `best_plan` for many cases at once.

    `shares` have shape (cases, causes), the result (cases,). Raises `ValueError` if two remedies repair the
    same fault.
    """
    mended = np.array([[cause in remedy.fixes for cause in causes] for remedy in remedies], dtype=np.float64)
    mended = mended.reshape(len(remedies), len(causes))
    if np.any(mended.sum(axis=0) > 1):
        raise ValueError("two remedies mend the same fault")
    minutes = np.array([remedy.minutes for remedy in remedies])
    probabilities = shares @ (mended * np.array([remedy.success for remedy in remedies])[:, None]).T
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = np.where(probabilities > 0, probabilities / minutes, 0.0)
    order = np.argsort(-rates, axis=1, kind="stable")
    probabilities = np.take_along_axis(probabilities, order, axis=1)
    none = np.zeros((len(shares), 1))
    remaining = np.maximum(1 - np.concatenate([none, np.cumsum(probabilities, axis=1)], axis=1), 0.0)
    spent = np.concatenate([none, np.cumsum(remaining[:, :-1] * minutes[order], axis=1)], axis=1)
    return np.asarray((spent + remaining * escalation_minutes).min(axis=1))


def _checked(shares: Mapping[str, float]) -> dict[str, float]:
    """Return the shares; raises `ValueError` if they claim more than one cause."""
    if sum(shares.values()) > 1 + ROUND_OFF or min(shares.values(), default=0.0) < 0:
        raise ValueError("shares of a single fault are from 0 up and add up to 1 at most")
    return dict(shares)


def _success_probability(remedy: Remedy, left: Mapping[str, float]) -> float:
    return remedy.success * sum(left.get(fault, 0.0) for fault in sorted(remedy.fixes))


def _after_failing(remedy: Remedy, left: Mapping[str, float]) -> dict[str, float]:
    """Return each share after the remedy failed; the sum falls by its probability of success."""
    return {
        fault: share * (1 - remedy.success) if fault in remedy.fixes else share
        for fault, share in left.items()
    }


def _rate(remedy: Remedy, left: Mapping[str, float]) -> float:
    return _per_minute(_success_probability(remedy, left), remedy.minutes)


def _per_minute(probability: float, minutes: float) -> float:
    if minutes > 0:
        return probability / minutes
    return math.inf if probability > 0 else 0.0
