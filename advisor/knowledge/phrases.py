"""What people say: which words carry meaning, and when two words are the same."""

from __future__ import annotations

import re

SILENT = frozenset(
    re.findall(
        r"\S+",
        """
        a about after all am an and any are aren't at be been but by can can't car could couldn't
        did didn't do does doesn't doesnt don't dont for from get gets go goes going had has have he
        her his i i'm if in is isn't isnt it it's its just me my no not of off on or our out she so
        some that the their them then there these they this to up vehicle very was wasn't we were
        what when where which while will with won't wont would you your
        """,
    )
)
"""Words that carry no information about the trouble (chosen by hand)."""
ENDINGS = frozenset(["", "d", "e", "ed", "er", "ers", "es", "ing", "s", "y"])
"""Two words are the same if they differ only in one of these endings (chosen by hand)."""
LEAST_STEM = 3
"""Letters that two words must share before their endings."""
LEAST_MISTYPED = 5
"""From this length on, a missing, extra or swapped letter counts as a slip."""
LEAST_MISTAKEN = 6
"""From this length on, a wrong letter counts as a slip; shorter words have too many neighbours."""

WORD = r"[^\W_]+(?:'[^\W_]+)?"


def spoken(text: str) -> list[str]:
    """Return the words of a text in order, in lower case, with the marks that end a clause."""
    return re.findall(rf"{WORD}|[.,;:!?]", text.casefold().replace("’", "'"))


def telling(text: str) -> frozenset[str]:
    """Return the words of a text that say what is the matter."""
    return frozenset(re.findall(WORD, text.casefold().replace("’", "'"))) - SILENT


def alike(one: str, other: str) -> bool:
    """Return whether two words are the same apart from their endings."""
    if one == other:
        return True
    if one[:LEAST_STEM] != other[:LEAST_STEM]:
        return False
    shared = range(LEAST_STEM, _first_difference(one, other) + 1)
    return any(one[length:] in ENDINGS and other[length:] in ENDINGS for length in shared)


def meant(said: str, word: str) -> bool:
    """Return whether a word was meant: in any of its forms, or with one typing slip."""
    if said[:1] != word[:1]:
        return False
    if alike(said, word):
        return True
    shorter, longer = sorted((said, word), key=len)
    if len(longer) - len(shorter) > 1 or len(word) < LEAST_MISTYPED:
        return False
    at = _first_difference(shorter, longer)
    if len(shorter) < len(longer):
        return shorter[at:] == longer[at + 1 :]
    changed_over = shorter[at : at + 2] == longer[at : at + 2][::-1] and shorter[at + 2 :] == longer[at + 2 :]
    wrong = len(word) >= LEAST_MISTAKEN and shorter[at + 1 :] == longer[at + 1 :]
    return changed_over or wrong


def _first_difference(one: str, other: str) -> int:
    """Return how many leading letters two words share."""
    pairs = enumerate(zip(one, other, strict=False))
    return next((at for at, (left, right) in pairs if left != right), min(len(one), len(other)))
