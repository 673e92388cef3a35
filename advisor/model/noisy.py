"""How several causes of one outcome combine: leaky noisy-OR and noisy-MAX.

Causes are absent (0) or present (1). The models follow Henrion (1989), "Some practical issues in constructing
belief networks", and Díez (1993), "Parameter adjustment in Bayes networks: the generalized noisy OR-gate".
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from advisor.arrays import Floats


def noisy_max(leak: Floats, effects: Sequence[Floats], with_leak: bool) -> Floats:
    """Return the table of a leaky noisy-MAX: each cause has an outcome by itself, the worst one wins.

    `leak` and each of `effects` are distributions over the outcomes, mildest first, of shape (k,). With
    `with_leak` an effect is what is seen when that cause alone is present, the leak's part included
    (Henrion); without, what the cause does by itself (Díez). Returns shape (2,)*n + (k,).
    Raises ValueError where a cause would have to make outcomes milder than the leak alone does.
    """
    leak_sum, leak_rest = np.cumsum(leak), _worse(leak)
    # From no cause to all: each doubles the table, with the cause and without.
    total = leak_sum
    with np.errstate(divide="ignore"):
        logs = np.log1p(-leak_rest)
    for effect in effects:
        own, rest = np.cumsum(effect), _worse(effect)
        if with_leak:
            milder = np.any(own > leak_sum + 1e-12)
            rest = np.divide(rest - leak_rest, leak_sum, out=np.ones_like(own), where=leak_sum > 0)
            own = np.divide(own, leak_sum, out=np.zeros_like(own), where=leak_sum > 0)
            if milder or np.any(np.diff(own) < -1e-12):
                raise ValueError("the cause makes outcomes milder than they are without it")
        total = np.stack([total, total * np.minimum(own, 1.0)], axis=-2)
        with np.errstate(divide="ignore"):
            logs = np.stack([logs, logs + np.log1p(-np.clip(rest, 0.0, 1.0))], axis=-2)
    total[..., -1] = 1.0
    rest = -np.expm1(logs)
    # Sums from the end that is the smaller one: what is rare would vanish beside 1.
    from_below = np.diff(total, prepend=0.0)
    from_above = -np.diff(rest, prepend=1.0)
    worse = np.concatenate([np.ones_like(rest[..., :1]), rest[..., :-1]], axis=-1)
    table = np.where(worse < 0.5, from_above, from_below)
    return np.clip(table, 0.0, 1.0)


def _worse(probabilities: Floats) -> Floats:
    """Return for each outcome the probability of a worse one."""
    return np.asarray(np.minimum(np.append(np.cumsum(probabilities[:0:-1])[::-1], 0.0), 1.0))


def noisy_or(leak: float, strengths: Sequence[float], with_leak: bool) -> Floats:
    """Return the table of a leaky noisy-OR, shape (2,)*n + (2,), the last axis being (absent, present).

    It is the noisy-MAX of two outcomes; see there for `with_leak` and errors.
    """
    return noisy_max(
        np.array([1 - leak, leak]), [np.array([1 - strength, strength]) for strength in strengths], with_leak
    )
