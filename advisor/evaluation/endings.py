"""What an owner counts: how searches end, parts fitted in vain, and cars that come back.

At the end of a search that has found something the remedy of the leading cause is done. Parts are fitted in
vain where the car does not have that cause. It comes back where a cause is still there, or the remedy did not
take, and the check after the repair has missed that: by the numbers of the knowledge and of the case.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from math import sqrt
from statistics import NormalDist

import numpy as np
from scipy.stats import binomtest

from advisor.advice.rules import ENDINGS, EndingKind
from advisor.arrays import Bools, Floats
from advisor.case.case import MISSED_BY_CHECK
from advisor.evaluation.trials import Trial, TrialRecord
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted

DEVIATES = NormalDist().inv_cdf(0.975)
"""Standard deviations to either side of a 95 % interval."""
SOLD: tuple[EndingKind, ...] = ("proved", "by exclusion", "likely")
"""Endings after which the remedy of the leading cause is done."""


@dataclass(frozen=True)
class Figure:
    """A figure of simulated cars with its 95 % interval; None where no car could show it."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Endings:
    """How searches ended, of cars whose causes are all listed, and what all of them cost.

    Shares are of 1; `parts_in_vain` and `comebacks` are per 100 jobs.
    """

    proved_share: Figure
    exclusion_share: Figure
    group_share: Figure
    unsure_share: Figure
    right_share_of_proved: Figure
    right_first_share: Figure
    readings_median: Figure
    hands_on_minutes_median: Figure
    waiting_minutes_mean: Figure
    parts_in_vain: Figure
    comebacks: Figure

    @property
    def as_dict(self) -> dict[str, object]:
        """Return each figure by name, and its interval beside it."""
        found: dict[str, object] = {}
        for one in fields(self):
            figure = getattr(self, one.name)
            found[one.name] = figure.value
            found[f"{one.name}_interval"] = [figure.low, figure.high]
        return found


@dataclass(frozen=True, eq=False)
class Ended:
    """Cars of one or more complaints at the end of their searches, an entry for each car."""

    kinds: tuple[EndingKind, ...]
    listed: Bools
    right: Bools
    readings: Floats
    hands_on_minutes: Floats
    waiting_minutes: Floats
    in_vain: Floats
    comes_back: Floats


def ended(knowledge: Knowledge, trial: Trial, record: TrialRecord) -> Ended:
    """Return how the searches of one complaint's cars ended by one policy."""
    faults = [knowledge.faults.get(name) for name in trial.faults]
    costs = np.array([one is not None and one.price != "none" for one in faults])
    takes = np.array([one.remedy_success if one else 0.0 for one in faults])
    unlisted = np.array([is_unlisted(name) for name in trial.faults])
    cars = np.arange(len(trial.present))
    leading = record.leading
    right = trial.present[cars, leading]
    kinds = tuple(ENDINGS[kind] for kind in record.ending.tolist())
    sold = np.isin(record.ending, [ENDINGS.index(kind) for kind in SOLD])
    others = trial.present.sum(axis=1) > right
    all_gone = np.where(right & ~others, takes[leading], 0.0)
    return Ended(
        kinds,
        ~(trial.present & unlisted).any(axis=1),
        right,
        record.readings.astype(np.float64),
        record.hands_on_minutes,
        record.waiting_minutes,
        (sold & costs[leading] & ~right).astype(np.float64),
        np.where(sold, MISSED_BY_CHECK * (1 - all_gone), 0.0),
    )


def figures(cars: Sequence[Ended]) -> Endings:
    """Return the figures of cars of one or more complaints, every car counting the same."""

    def whole(part: Callable[[Ended], Floats | Bools]) -> Floats:
        return np.concatenate([part(one) for one in cars]).astype(np.float64)

    listed, right = whole(lambda one: one.listed) > 0, whole(lambda one: one.right)
    kinds = np.array([kind for one in cars for kind in one.kinds])
    proved, excluded, group = (kinds == kind for kind in ("proved", "by exclusion", "group proved"))
    return Endings(
        proved_share=share(proved[listed]),
        exclusion_share=share(excluded[listed]),
        group_share=share(group[listed]),
        unsure_share=share(~(proved | excluded | group)[listed]),
        right_share_of_proved=share(right[proved]),
        right_first_share=share(right[listed]),
        readings_median=_median(whole(lambda one: one.readings)),
        hands_on_minutes_median=_median(whole(lambda one: one.hands_on_minutes)),
        waiting_minutes_mean=_mean(whole(lambda one: one.waiting_minutes)),
        parts_in_vain=_mean(100 * whole(lambda one: one.in_vain)),
        comebacks=_mean(100 * whole(lambda one: one.comes_back)),
    )


def share(hits: Floats | Bools) -> Figure:
    """Return the share of hits, with Wilson's interval (Wilson 1927)."""
    count = len(hits)
    if not count:
        return Figure(None, None, None)
    interval = binomtest(int(np.sum(hits)), count).proportion_ci(0.95, method="wilson")
    return Figure(float(np.mean(hits)), interval.low, interval.high)


def _mean(values: Floats) -> Figure:
    mean, half = float(values.mean()), DEVIATES * float(values.std()) / sqrt(len(values))
    return Figure(mean, mean - half, mean + half)


def _median(values: Floats) -> Figure:
    """Return the median with the interval between two of the values, by their ranks (binomial)."""
    ordered, count = np.sort(values), len(values)
    half = DEVIATES * sqrt(count) / 2
    low, high = max(0, round(count / 2 - half) - 1), min(count - 1, round(count / 2 + half))
    return Figure(float(np.median(values)), float(ordered[low]), float(ordered[high]))
