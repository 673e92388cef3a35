"""How good probabilities were once the truth is known: Brier score, log score, calibration curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from advisor.arrays import Floats
from advisor.simulate.array_advice import Bools

BINS = 10
LEAST_BELIEF = float(np.finfo(np.float64).eps)
"""Beliefs of 0 and 1 count as this far from it in the log score, which would else be infinite."""


@dataclass(frozen=True)
class Bin:
    """Predictions of about the same probability: their mean, how often it was so, and how many they are."""

    believed: float
    seen: float
    count: int


def brier(present: Bools, believed: Floats) -> float:
    """Mean squared difference between beliefs and what was so (Brier 1950, in its form for one event)."""
    return float(np.mean((believed - present) ** 2))


def log_loss(present: Bools, believed: Floats) -> float:
    """Mean of minus the natural logarithm of what was believed of what was so."""
    sure = np.clip(believed, LEAST_BELIEF, 1 - LEAST_BELIEF)
    return float(-np.mean(np.log(np.where(present, sure, 1 - sure))))


def calibration(present: Bools, believed: Floats, bins: int = BINS) -> tuple[Bin, ...]:
    """The calibration curve in bins of equal width, empty ones left out; a belief on an edge counts below."""
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
    """Mean distance of the curve from the diagonal, by counts (the expected calibration error)."""
    return sum(one.count * abs(one.seen - one.believed) for one in curve) / sum(one.count for one in curve)
