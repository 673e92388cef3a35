"""Names for the arrays that all of the mathematics works on, the entropy of one, and zeros of functions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

SMALLEST = np.finfo(np.float64).tiny
"""The smallest positive number that a float holds with all its digits."""


def spread_confidence(count: int, index: int, confidence: float) -> Floats:
    """Return a likelihood over `count` outcomes: `confidence` on one, the rest evenly on the others."""
    likelihood = np.full(count, (1 - confidence) / max(count - 1, 1))
    likelihood[index] = confidence
    return likelihood


def x_log2_x(x: Floats) -> Floats:
    """x log2 x, 0 where x is 0."""
    logs = np.maximum(x, SMALLEST)
    return np.asarray(x * np.log2(logs, out=logs))


def entropy(distributions: Floats) -> Floats:
    """Return the Shannon entropy, in bits, of each distribution along the last axis."""
    return np.asarray(-x_log2_x(distributions).sum(axis=-1))


def root(function: Callable[[float], float], low: float, high: float, **tolerances: float) -> float:
    """Find a zero between `low` and `high`, where signs have to differ; `tolerances` as in scipy's brentq.

    The library is imported here: it is as large as all else that an engine kept from an earlier run needs.
    """
    from scipy.optimize import brentq

    return float(brentq(function, low, high, **tolerances))
