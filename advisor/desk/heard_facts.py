"""Facts of the car in what the customer said: offered on the form to be confirmed, never entered unasked."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from advisor.knowledge.dangers import heard_phrases
from advisor.knowledge.phrases import alike, spoken, telling
from advisor.knowledge.vocabulary import Fact

NUMBERS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)
"""Numbers as they are said and as authors write them in values."""
FITTED, NONE = "fitted", "none"
"""The values of a fact about something that a car has or has not."""
CLOSE = 1
"""How many words may stand between those of an author's phrase: "diesel under the car" is no diesel car."""
NEAR = 6
"""How many words may lie between a number and what it is said of."""


def heard_facts(facts: Mapping[str, Fact], said: str) -> dict[str, str]:
    """Return the value of each fact that a sentence seems to say.

    A value fits by the author's phrases for it, that of most words first. Without one a number fits a band
    such as `two_to_five_years`, other values fit by their own words beside a word of the fact's name, and
    `fitted` or `none` by the name alone.
    """
    found = ((name, _by_phrases(fact, said) or _heard(fact, said)) for name, fact in facts.items())
    return {name: value for name, value in found if value is not None}


def _by_phrases(fact: Fact, said: str) -> str | None:
    """Return the value whose phrase was said undenied; None where two values fit equally well."""
    words = {
        value: max((len(one.split()) for one in phrases if any(heard_phrases([one], said, CLOSE))), default=0)
        for value, phrases in fact.customer.items()
    }
    most = max(words.values(), default=0)
    best = [value for value, count in words.items() if count == most > 0]
    return best[0] if len(best) == 1 else None


def _heard(fact: Fact, said: str) -> str | None:
    in_words = [one for one in fact.values if any(heard_phrases([one.replace("_", " ")], said))]
    named_in_part = any(alike(word, one) for word in telling(said) for one in telling(fact.name))
    if named_in_part and len(in_words) == 1 and in_words[0] not in (FITTED, NONE):
        return in_words[0]
    bands = {value: band for value in fact.values if (band := _band(value)) is not None}
    if bands:
        return _in_band(fact, bands, spoken(said))
    named = heard_phrases([" ".join(sorted(telling(fact.name)))], said)
    if set(fact.values) == {FITTED, NONE}:
        return (FITTED if any(named) else NONE) if named else None
    return None


def _band(value: str) -> tuple[float, float, str] | None:
    """Return the limits and the unit of a value such as `under_two_years`; None for one that is no band."""
    words = value.split("_")
    numbers = [number for word in words if (number := _number(word)) is not None]
    if words[0] == "under" and len(numbers) == 1:
        return 0.0, numbers[0], words[-1]
    if words[0] == "over" and len(numbers) == 1:
        return numbers[0], float("inf"), words[-1]
    if "to" in words and len(numbers) == 2:
        return numbers[0], numbers[1], words[-1]
    return None


def _number(word: str) -> float | None:
    if word in NUMBERS:
        return float(NUMBERS.index(word))
    return float(word) if re.fullmatch(r"\d{1,3}", word) else None


def _in_band(fact: Fact, bands: Mapping[str, tuple[float, float, str]], words: Sequence[str]) -> str | None:
    """Return the band of the one number that is said of the fact; a limit counts to the band above it."""
    unit = next(iter(bands.values()))[2]
    numbers = set(_said_of(fact, unit, words))
    if len(numbers) != 1:
        return None
    (number,) = numbers
    ordered = sorted(bands, key=lambda value: bands[value][0], reverse=True)
    return next((value for value in ordered if _holds(bands[value], number)), None)


def _holds(band: tuple[float, float, str], number: float) -> bool:
    """Whether a number lies in a band; the highest band is over its limit, not at it."""
    low, high, _ = band
    return low < number if high == float("inf") else low <= number <= high


def _said_of(fact: Fact, unit: str, words: Sequence[str]) -> Iterator[float]:
    """Yield the numbers before the unit that are said of a word of the fact's name, in the same clause."""
    names = telling(fact.name)
    for at, word in enumerate(words[:-1]):
        number = _number(word)
        if number is None or not alike(words[at + 1], unit):
            continue
        before = _same_clause(words[max(0, at - NEAR) : at])
        after = words[at + 2 : at + 5]
        if any(
            alike(one, name) for name in names for one in (*before, *after) if one not in (".", ",", "and")
        ):
            yield number


def _same_clause(words: Sequence[str]) -> Sequence[str]:
    """Return the end of these words that belongs to one clause."""
    ends = [at for at, word in enumerate(words) if word in (".", ",", ";", ":", "!", "?", "and", "but")]
    return words[ends[-1] + 1 :] if ends else words
