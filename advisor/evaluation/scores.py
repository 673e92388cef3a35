"""How good probabilities are, given the truth: Brier score, log score, calibration curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from advisor.arrays import Bools, Floats

BINS = 10
LEAST_BELIEF = float(np.finfo(np.float64).eps)
"""In the log score beliefs of 0 and 1 count as this far away, since it would be infinite."""


@dataclass(frozen=True)
class Bin:
    """Predictions of about the same probability: their mean, how often they were true, and their number."""

    believed: float
    seen: float
    count: int


def brier(present: Bools, believed: Floats) -> float:
    """Return the mean squared difference between beliefs and truth (Brier 1950, for one event)."""
    return float(np.mean((believed - present) ** 2))


def log_loss(present: Bools, believed: Floats) -> float:
    """Return the mean of minus the natural logarithm of the belief in the truth."""
    sure = np.clip(believed, LEAST_BELIEF, 1 - LEAST_BELIEF)
    return float(-np.mean(np.log(np.where(present, sure, 1 - sure))))


def calibration(present: Bools, believed: Floats, bins: int = BINS) -> tuple[Bin, ...]:
    """Return the calibration curve in non-empty bins of equal width; a belief on an edge counts below."""
    edges = np.linspace(0, 1, bins + 1)[1:-1]
    place = np.searchsorted(edges, believed.ravel())
    count = np.bincount(place, minlength=bins)
    beliefs = np.bincount(place, weights=believed.ravel(), minlength=bins)
    events = np.bincount(place, weights=present.ravel().astype(np.float64), minlength=bins)
    return tuple(
        Bin(float(beliefs[at] / count[at]), float(events[at] / count[at]), int(count[at]))
        for at in np.flatnonzero(count).tolist()
    )


def calibration_error(curve: tuple[Bin, ...]) -> float:
    """Return the expected calibration error: the curve's mean distance from the diagonal, by counts."""
    return sum(one.count * abs(one.seen - one.believed) for one in curve) / sum(one.count for one in curve)
