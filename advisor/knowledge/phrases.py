"""What people say: which words carry meaning, and when two words are the same."""

from __future__ import annotations

import re
from collections import Counter
from difflib import SequenceMatcher
from functools import lru_cache

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
ENDINGS = frozenset(["", "'s", "d", "e", "ed", "er", "ers", "es", "in", "ing", "s", "y"])
"""Two words are the same if they differ only in one of these endings (chosen by hand)."""
DOUBLED = frozenset(["ed", "er", "ers", "in", "ing", "y"])
"""Endings before which the last letter is written twice, as in "dripping"."""
LEAST_STEM = 3
"""Letters that two words must share before their endings."""
LEAST_SWAPPED = 4
"""From this length on, two swapped letters count as a slip."""
LEAST_MISTYPED = 5
"""From this length on, a missing or extra letter counts as a slip."""
LEAST_MISTAKEN = 6
"""From this length on, a wrong letter counts as a slip; shorter words have too many neighbours."""
LEAST_GARBLED = 8
"""From this length on, several slips count, if so much as `GARBLED` of the letters is right."""
GARBLED = 0.86
VOWELS = frozenset("aeiouy")
"""One of them for another, in any order, is a slip from `LEAST_MISTYPED` on: "steem", "deisal"."""
NO_SLIPS = frozenset(
    re.findall(
        r"\S+",
        """
        whole while whale white broke broken small smile patrol string staring storing film films frame blade
        blades alright
        """,
    )
)
"""Common words that are a vowel away from others that matter (chosen by hand)."""

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
    return any(_is_ending(one, length) and _is_ending(other, length) for length in shared)


def _is_ending(word: str, at: int) -> bool:
    """Return whether a word has one of the endings from a letter on, with the letter before written twice."""
    return word[at:] in ENDINGS or (word[at : at + 1] == word[at - 1] and word[at + 1 :] in DOUBLED)


@lru_cache(maxsize=1 << 17)
def meant(said: str, word: str) -> bool:
    """Return whether a word was meant: in any of its forms, or with slips of the keys."""
    if said[:1] != word[:1]:
        return False
    if alike(said, word):
        return True
    if min(len(said), len(word)) < LEAST_SWAPPED or said in NO_SLIPS:
        return False
    if len(word) >= LEAST_GARBLED and SequenceMatcher(None, said, word).ratio() >= GARBLED:
        return True
    return _one_slip(said, word) or (
        min(len(said), len(word)) >= LEAST_MISTYPED and _other_vowels(said, word)
    )


def _one_slip(said: str, word: str) -> bool:
    """Return whether two words differ by one letter that is missing or wrong, or by two that are swapped."""
    shorter, longer = sorted((said, word), key=len)
    at = _first_difference(shorter, longer)
    if len(shorter) < len(longer):
        return len(word) >= LEAST_MISTYPED and shorter[at:] == longer[at + 1 :]
    changed_over = shorter[at : at + 2] == longer[at : at + 2][::-1] and shorter[at + 2 :] == longer[at + 2 :]
    return changed_over or (len(word) >= LEAST_MISTAKEN and shorter[at + 1 :] == longer[at + 1 :])


def _other_vowels(said: str, word: str) -> bool:
    """Return whether two words have the same consonants in order, and all vowels but one in any order."""
    if abs(len(said) - len(word)) > 1 or _consonants(said) != _consonants(word):
        return False
    one, other = (Counter(letter for letter in text if letter in VOWELS) for text in (said, word))
    return max((one - other).total(), (other - one).total()) <= 1


def _consonants(word: str) -> str:
    return "".join(letter for letter in word if letter not in VOWELS)


def _first_difference(one: str, other: str) -> int:
    """Return how many leading letters two words share."""
    pairs = enumerate(zip(one, other, strict=False))
    return next((at for at, (left, right) in pairs if left != right), min(len(one), len(other)))
