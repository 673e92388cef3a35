"""Where a function passes zero, by Brent's method."""

from __future__ import annotations

from collections.abc import Callable


def root(function: Callable[[float], float], low: float, high: float, **tolerances: float) -> float:
    """Find a zero between `low` and `high`, where signs have to differ; `tolerances` as in scipy's brentq.

    The library is imported here: it is as large as all else that an engine kept from an earlier run needs.
    """
    from scipy.optimize import brentq

    return float(brentq(function, low, high, **tolerances))
