"""Danger in a customer's words: heard before anything else, by phrases that the authors wrote.

A phrase is heard if all its words occur near each other, in any order and form; `petrol/fuel` is one or the
other, and ` ... ` separates parts that may be far apart, as in `blows warm ... hisses`. After a "no" or "not"
nothing is settled: whoever says "no smoke" is asked about it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.phrases import SILENT, meant, spoken

APART = " ... "
"""Separates the parts of a phrase that may be said far from each other."""
NEAR = 5
"""How many other words may stand between those of a phrase."""
DENIES = frozenset(
    re.findall(
        r"\S+",
        """
        no not never none nor neither without non nothing isn't isnt aren't arent wasn't wasnt weren't doesn't
        doesnt don't dont didn't didnt hasn't hasnt haven't can't cant cannot won't wont
        """,
    )
)
"""Words that may deny what follows, except in `NOT_STOP`."""
NOT_STOP = frozenset({"stop", "stops", "stopping"})
""""It won't stop" denies nothing."""
TURNS = frozenset(
    re.findall(r"\S+", ". , ; : ! ? and but because since so then just only though although except")
)
"""Ends the reach of a denying word."""
REACH = 5
"""How many words back a denying word is looked for."""


@dataclass(frozen=True)
class Heard:
    """A danger that was heard, by its id; where it is not `sure`, it has to be asked about."""

    danger: str
    sure: bool


def heard_dangers(knowledge: Knowledge, said: str) -> tuple[Heard, ...]:
    """Return the dangers in what was said: sure ones first, then in the order of the knowledge.

    The author writes them in the order of what is done first. What is asked about first is left out where
    another danger is sure: that has to be told at once.
    """
    found = []
    for name, danger in knowledge.dangers.items():
        certain = heard_phrases(danger.customer, said)
        if certain:
            found.append(Heard(name, any(certain) and not danger.ask_first))
    if any(one.sure for one in found):
        found = [one for one in found if not knowledge.dangers[one.danger].ask_first]
    return tuple(sorted(found, key=lambda one: not one.sure))


def heard_phrases(phrases: Iterable[str], said: str, near: int = NEAR) -> list[bool]:
    """Return for each occurrence of a phrase whether it stands undenied.

    At most `near` other words may stand between those of a phrase.
    """
    words = spoken(said)
    return [sure for phrase in phrases for sure in _heard(words, phrase, near)]


def spoken_out(phrase: str) -> str:
    """Return a phrase as somebody may say it, with the first of each set of alternatives."""
    return " ".join(word.split("/")[0] for word in phrase.split())


def says_something(phrase: str) -> bool:
    """Return whether a phrase says what is the matter, whichever alternatives are used."""
    return any(SILENT.isdisjoint(word.split("/")) for word in phrase.casefold().split())


def _heard(words: Sequence[str], phrase: str, near: int) -> Iterator[bool]:
    """Yield for each occurrence of a phrase whether it stands undenied; once for a phrase in parts."""
    parts = phrase.split(APART)
    if len(parts) > 1:
        each = [list(_heard_near(words, part, near)) for part in parts]
        if all(each):
            yield all(map(any, each))
        return
    yield from _heard_near(words, phrase, near)


def _heard_near(words: Sequence[str], phrase: str, between: int) -> Iterator[bool]:
    wanted = [spoken(word.replace("/", " ")) for word in phrase.split()]
    reach = len(wanted) + between
    itself = any(DENIES.intersection(one) for one in wanted)
    places = [[at for at, word in enumerate(words) if _one_of(word, one)] for one in wanted]
    for first in sorted({at for each in places for at in each}):
        near = [[at for at in each if first <= at < first + reach] for each in places]
        if all(near):
            last = max(each[0] for each in near)
            yield itself or not _denied(words, max(0, first - REACH), last)


def _one_of(word: str, choices: Sequence[str]) -> bool:
    return any(word == one if one in SILENT or one in DENIES else meant(word, one) for one in choices)


def _denied(words: Sequence[str], start: int, end: int) -> bool:
    """Return whether a denying word between two positions reaches the second."""
    for at in range(end - 1, start - 1, -1):
        if words[at] in TURNS:
            return False
        if words[at] in DENIES and words[at + 1] not in NOT_STOP:
            return True
    return False
