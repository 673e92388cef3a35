"""How likely an outcome is: the ways authors say it, and how several causes of one outcome combine.

Causes are absent (0) or present (1). Leaky noisy-OR and noisy-MAX follow Henrion (1989), "Some
practical issues in constructing belief networks", and Díez (1993), "Parameter adjustment in Bayes
networks: the generalized noisy OR-gate".
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence

import numpy as np

from advisor.arrays import Floats

WORDS = {
    "certain": 0.99,
    "probable": 0.85,
    "expected": 0.75,
    "fifty-fifty": 0.50,
    "uncertain": 0.25,
    "improbable": 0.15,
    "impossible": 0.01,
}
"""The verbal scale of Renooij & Witteman (1999), Int. J. Approximate Reasoning 22, 169-194 (anchors
from memory); its end points 1 and 0 are softened, so that no word rules anything out for good."""

_OF = re.compile(r"\s*(\d+(?:\.\d+)?)\s+of\s+(\d+(?:\.\d+)?)\s*")


def in_words(said: object) -> str:
    """What stands in a file, as its author would call it."""
    if said is None:
        return "nothing"
    if isinstance(said, dict | list | tuple):
        return "a mapping" if isinstance(said, dict) else "a list"
    return f"'{said}'" if not isinstance(said, bool) else f"'{str(said).lower()}'"


def parse_probability(said: object) -> float:
    """Turn "85 of 100", 0.85 or "probable" into a number from 0 to 1; ValueError says what is wrong."""
    if isinstance(said, str):
        if said in WORDS:
            return WORDS[said]
        match = _OF.fullmatch(said)
        if not match:
            raise ValueError(f"'{said}' is no probability")
        part, whole = float(match[1]), float(match[2])
        if not whole > 0 or part > whole:
            raise ValueError(f"'{said}' is more than all of them")
        if whole == float("inf"):
            raise ValueError(f"'{said[:20]}…' is no probability")
        return part / whole
    if isinstance(said, bool) or not isinstance(said, int | float):
        raise ValueError(f"{in_words(said)} is no probability")
    if not 0 <= said <= 1:
        raise ValueError(f"{said} is not between 0 and 1")
    return float(said)


def noisy_max(leak: Floats, effects: Sequence[Floats], with_leak: bool) -> Floats:
    """The table of a leaky noisy-MAX: each cause brings about an outcome by itself, the worst one wins.

    `leak` and each of `effects` are distributions over the outcomes, mildest first, of shape (k,). With
    `with_leak` an effect is what is seen when that cause alone is present, the leak's part included
    (Henrion); without, what the cause does by itself (Díez). Returns shape (2,)*n + (k,).
    Raises ValueError where a cause would have to make outcomes milder than the leak alone does.
    """
    leak_sum, leak_rest = np.cumsum(leak), _worse(leak)
    sums, rests = [], []
    for effect in effects:
        own, rest = np.cumsum(effect), _worse(effect)
        if with_leak:
            milder = np.any(own > leak_sum + 1e-12)
            rest = np.divide(rest - leak_rest, leak_sum, out=np.ones_like(own), where=leak_sum > 0)
            own = np.divide(own, leak_sum, out=np.zeros_like(own), where=leak_sum > 0)
            if milder or np.any(np.diff(own) < -1e-12):
                raise ValueError("the cause makes outcomes milder than they are without it")
        sums.append(np.minimum(own, 1.0))
        rests.append(np.clip(rest, 0.0, 1.0))
    table = np.empty((2,) * len(sums) + (len(leak),))
    for present in itertools.product((0, 1), repeat=len(sums)):
        here = [at for at, one in enumerate(present) if one]
        total = np.prod([leak_sum, *(sums[at] for at in here)], axis=0)
        total[-1] = 1.0
        with np.errstate(divide="ignore"):
            rest = -np.expm1(np.sum(np.log1p(-np.array([leak_rest, *(rests[at] for at in here)])), axis=0))
        # Sums from the end that is the smaller one: what is rare would vanish beside 1.
        from_below = np.diff(total, prepend=0.0)
        from_above = -np.diff(rest, prepend=1.0)
        table[present] = np.where(np.append(1.0, rest[:-1]) < 0.5, from_above, from_below)
    return np.clip(table, 0.0, 1.0)


def _worse(chances: Floats) -> Floats:
    """For each outcome the chance of a worse one."""
    return np.asarray(np.minimum(np.append(np.cumsum(chances[:0:-1])[::-1], 0.0), 1.0))


def noisy_or(leak: float, strengths: Sequence[float], with_leak: bool) -> Floats:
    """The table of a leaky noisy-OR, shape (2,)*n + (2,), the last axis being (absent, present).

    It is the noisy-MAX of two outcomes; see there for `with_leak` and errors.
    """
    return noisy_max(
        np.array([1 - leak, leak]), [np.array([1 - strength, strength]) for strength in strengths], with_leak
    )
