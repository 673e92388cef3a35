"""Numbers with their uncertainties, and their likelihoods over the bands of a quantity.

Standard uncertainties follow JCGM 100:2008 (type B: a half-width a of a rectangular distribution counts as
a/sqrt 3, an expanded uncertainty U with coverage factor k as U/k, a last digit's step d as d/sqrt 12). With a
normal distribution about the number, the probability that the true value lies in a band is
Phi((high - x)/u) - Phi((low - x)/u), as in the conformance probabilities of JCGM 106:2012, clause 7.

A likelihood must not prefer a band for being wide: each band's probability is divided by its maximum,
2 Phi(width/2u) - 1, when the number lies in the band's middle. So a perfect instrument gives hard evidence,
an infinitely poor one says nothing, and a number right on a limit between two bands that are wide beside the
uncertainty speaks for both alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import erf, ndtr

from advisor.arrays import Floats
from advisor.knowledge.vocabulary import Accuracy

CELL_EDGES = (-3.0, -2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 3.0)
"""Cell edges around a limit, in standard uncertainties, for computing a reading's information."""

NARROW = 1e-5
"""Below this width, in standard uncertainties, a band is treated by its limiting case."""
PERFECT = 1e-12
"""An uncertainty this many times smaller than a band counts as none."""


@dataclass(frozen=True)
class Estimate:
    """A number and its standard uncertainty in the same unit (JCGM 100:2008, 2.3.1); both are finite."""

    value: float
    uncertainty: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.uncertainty) and self.uncertainty >= 0):
            raise ValueError(f"{self.value} ± {self.uncertainty} is no estimate.")


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of a rectangular distribution (JCGM 100:2008, 4.3.7)."""
    return half_width / math.sqrt(3)


@dataclass(frozen=True)
class Number:
    """One number from an instrument: what repeats of it would share, and what they would not.

    Both uncertainties are standard uncertainties in the number's own unit.
    """

    value: float
    instrument: str
    systematic: float
    random: float


def number(value: float, instrument: str, accuracy: Accuracy | None) -> Number:
    """Return a number with the uncertainty of its instrument; no stated accuracy counts as exact."""
    if accuracy is None:
        return Number(value, instrument, 0.0, 0.0)
    parts = (accuracy.absolute, accuracy.percent / 100 * abs(value), accuracy.zero)
    divisor = accuracy.coverage or math.sqrt(3)
    systematic = math.hypot(*parts) / divisor
    return Number(value, instrument, systematic, accuracy.resolution / math.sqrt(12))


def combined(numbers: Sequence[Number]) -> Estimate:
    """Combine repeats of one quantity into one estimate (JCGM 100:2008, 4.2 and 5.1.2).

    Repeats with one instrument average what is random, by its resolution or by their scatter, whichever is
    larger; the instrument's own error stays. Different instruments are weighted by their precision.
    """
    means = []
    for instrument in dict.fromkeys(number.instrument for number in numbers):
        repeats = [number for number in numbers if number.instrument == instrument]
        values = [repeat.value for repeat in repeats]
        scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
        random = max(scatter, *(repeat.random for repeat in repeats)) / math.sqrt(len(values))
        means.append(
            Estimate(float(np.mean(values)), math.hypot(random, max(repeat.systematic for repeat in repeats)))
        )
    exact = [mean for mean in means if mean.uncertainty == 0]
    if exact or len(means) == 1:
        return Estimate(float(np.mean([mean.value for mean in exact]))) if exact else means[0]
    finest = min(mean.uncertainty for mean in means)
    weights = [(finest / mean.uncertainty) ** 2 for mean in means]
    value = sum(weight * mean.value for weight, mean in zip(weights, means, strict=True)) / sum(weights)
    return Estimate(value, finest / math.sqrt(sum(weights)))


def band_probabilities(estimate: Estimate, edges: Sequence[float]) -> Floats:
    """Return the probability that the true value lies in each band, for a flat prior: JCGM 106:2012, 7.

    `edges` are the bands' limits from low to high, outermost ones included (they may be infinite).
    """
    bounds = np.asarray(edges, dtype=np.float64)
    if estimate.uncertainty == 0:
        inside = np.searchsorted(bounds[1:-1], estimate.value, side="right")
        probabilities = np.zeros(len(bounds) - 1)
        probabilities[inside] = 1.0
        return probabilities
    with np.errstate(over="ignore"):
        z = (bounds - estimate.value) / estimate.uncertainty
    low, high = z[:-1], z[1:]
    # Each difference is taken by the function that does not cancel there.
    near = erf(high / math.sqrt(2)) / 2 - erf(low / math.sqrt(2)) / 2
    tail = np.where(low > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))
    probabilities = np.where((np.abs(low) < 1) & (np.abs(high) < 1), near, tail)
    return np.asarray(np.clip(probabilities, 0.0, 1.0))


def band_likelihood(estimate: Estimate, edges: Sequence[float]) -> Floats:
    """Return how well each band explains the estimate, from 0 to 1 (see the module's docstring)."""
    probabilities = band_probabilities(estimate, edges)
    if estimate.uncertainty == 0:
        return probabilities
    bounds = np.asarray(edges, dtype=np.float64)
    with np.errstate(over="ignore"):
        widths = np.diff(bounds) / estimate.uncertainty
        middle = ((bounds[:-1] + bounds[1:]) / 2 - estimate.value) / estimate.uncertainty
        largest = erf(widths / (2 * math.sqrt(2)))  # 2 Phi(w/2u) - 1
        # Both probabilities of a narrow band are differences of nearly equal numbers: their limit is taken.
        limit = np.exp(-0.5 * middle**2)
    narrow = widths < NARROW
    return np.asarray(
        np.minimum(np.where(narrow, limit, probabilities / np.where(narrow, 1.0, largest)), 1.0)
    )


def cells(uncertainties: Sequence[float], edges: Sequence[float]) -> Floats:
    """Return P(number in a cell | true value in a band), shape (bands, cells).

    `uncertainties` are the instrument's standard uncertainties at the inner limits. Cells are fine around the
    limits. Within its band the true value is taken as evenly spread, an outer band as wide as the
    distance from its limit to the far end of the others at most. With a perfect instrument cells are bands.
    """
    bounds = np.asarray(edges, dtype=np.float64)
    inner = bounds[1:-1]
    if not any(uncertainties):
        return np.eye(len(bounds) - 1)
    low, high = bounds[:-1].copy(), bounds[1:].copy()
    low[0] = max(low[0], inner[0] - (bounds[-1] - inner[0]))
    high[-1] = min(high[-1], inner[-1] + (inner[-1] - bounds[0]))
    marks = {
        float(limit + step * u) for limit, u in zip(inner, uncertainties, strict=True) for step in CELL_EDGES
    }
    cuts = np.array(sorted(marks))
    nearest = [uncertainties[max(band - 1, 0)] for band in range(len(low))]
    rows = []
    for start, stop, u in zip(low, high, nearest, strict=True):
        if u <= PERFECT * (stop - start):
            below = np.clip((cuts - start) / (stop - start), 0.0, 1.0)
        elif stop - start < NARROW * u:
            below = ndtr((cuts - (start + stop) / 2) / u)
        else:
            below = u * (_integral((cuts - start) / u) - _integral((cuts - stop) / u)) / (stop - start)
        rows.append(np.diff(below, prepend=0.0, append=1.0))
    table = np.clip(np.array(rows), 0.0, None)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


def _integral(z: Floats) -> Floats:
    """Return the integral of the standard normal distribution function up to z."""
    density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
    return np.asarray(z * ndtr(z) + density)
