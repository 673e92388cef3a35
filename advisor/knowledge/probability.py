"""Probabilities, in the forms that authors write them."""

from __future__ import annotations

import re

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
    """Name a YAML value the way its author would."""
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
