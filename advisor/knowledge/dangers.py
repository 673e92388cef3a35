"""Danger in a customer's words: heard before anything else, by phrases that the authors wrote.

A phrase is heard if all its words occur near each other, in any order and form; `petrol/fuel` is one or the
other, and ` ... ` separates parts that may be far apart, as in `blows warm ... hisses`. After a "no" or "not"
nothing is settled: whoever says "no smoke" is asked about it. So is who says what only may mean danger, or
words of danger in another sense.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.phrases import SILENT, meant, spoken
from advisor.knowledge.vocabulary import Danger

APART = " ... "
"""Separates the parts of a phrase that may be said far from each other."""
NEAR = 5
"""How many other words may stand between those of a phrase."""
DENIES = frozenset(
    re.findall(
        r"\S+",
        """
        no not never none nor neither without non nothing isn't isnt aren't arent wasn't wasnt weren't doesn't
        doesnt don't dont didn't didnt hasn't hasnt haven't hadn't arnt can't cant carnt cannot couldn't
        couldnt wouldn't wouldnt won't wont ain't aint nowt nae nobody nobody's nobodys noone
        """,
    )
)
"""Words that may deny what follows, except in `NOT_STOP`."""
DENIES_NEXT = DENIES - {"no", "nothing", "none", "nowt"}
"""Those that deny only what comes after them; the others may end a phrase: "I press and there's nothing"."""
NOT_STOP = frozenset({"stop", "stops", "stopped", "stopping"})
""""It won't stop" denies nothing."""
TURNS = frozenset(
    re.findall(r"\S+", ". , ; : ! ? and but because since so then just only though although except")
)
"""Ends the reach of a denying word."""
REACH = 5
"""How many words back a denying word is looked for."""

LEAST_JOINED = 7
"""From this length on, a word may be two that were typed without a space between."""
WHOLE = frozenset(
    [
        "headlight",
        "headlights",
        "headlamp",
        "headlamps",
        "sidelight",
        "sidelights",
        "outside",
        "overnight",
        "footwell",
        "footwells",
    ]
)
"""Words that are not parted (chosen by hand)."""


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
    words = _parted(spoken(said), _vocabulary(knowledge))
    sure = {name: _is_sure(danger, words) for name, danger in knowledge.dangers.items()}
    found = [Heard(name, one) for name, one in sure.items() if one is not None]
    if any(one.sure for one in found):
        found = [one for one in found if not knowledge.dangers[one.danger].ask_first]
    return tuple(sorted(found, key=lambda one: not one.sure))


def is_heard(danger: Danger, said: str) -> bool | None:
    """Return whether a danger is sure in what was said; None where it is not heard at all."""
    return _is_sure(danger, spoken(said))


def heard_phrases(phrases: Iterable[str], said: str, near: int = NEAR) -> list[bool]:
    """Return for each occurrence of a phrase whether it stands undenied.

    At most `near` other words may stand between those of a phrase.
    """
    words = spoken(said)
    return [one.sure for phrase in phrases for one in _heard(words, phrase, near)]


def spoken_out(phrase: str) -> str:
    """Return a phrase as somebody may say it, with the first of each set of alternatives."""
    return " ".join(word.split("/")[0] for word in phrase.split())


def says_something(phrase: str) -> bool:
    """Return whether a phrase says what is the matter, whichever alternatives are used."""
    return any(SILENT.isdisjoint(word.split("/")) for word in phrase.casefold().split())


def _is_sure(danger: Danger, words: Sequence[str]) -> bool | None:
    doubtful = {
        at for phrase in danger.phrases("unless") for one in _heard(words, phrase) for at in one.words
    }
    certain = [
        one.sure for phrase in danger.phrases("customer") for one in _heard(words, phrase, NEAR, doubtful)
    ]
    if any(certain):
        return not danger.ask_first
    maybe = certain or any(True for phrase in danger.phrases("perhaps") for _ in _heard(words, phrase))
    return False if maybe else None


@dataclass(frozen=True)
class _Occurrence:
    """Where the words of a phrase were said, and whether they stand undenied and beyond doubt."""

    words: frozenset[int]
    sure: bool


def _heard(
    words: Sequence[str], phrase: str, near: int = NEAR, doubtful: AbstractSet[int] = frozenset()
) -> Iterator[_Occurrence]:
    """Yield each occurrence of a phrase; one for a phrase in parts."""
    parts = phrase.split(APART)
    if len(parts) > 1:
        each = [list(_heard_near(words, part, near, doubtful)) for part in parts]
        if all(each):
            places = frozenset(at for found in each for one in found for at in one.words)
            yield _Occurrence(places, all(any(one.sure for one in found) for found in each))
        return
    yield from _heard_near(words, phrase, near, doubtful)


def _heard_near(
    words: Sequence[str], phrase: str, between: int, doubtful: AbstractSet[int]
) -> Iterator[_Occurrence]:
    wanted = _wanted(phrase)
    reach = len(wanted) + between
    places = []
    for one in wanted:
        places.append([at for at, word in enumerate(words) if _one_of(word, one)])
        if not places[-1]:
            return
    for first in sorted({at for each in places for at in each}):
        near = [[at for at in each if first <= at < first + reach] for each in places]
        found = {at for each in near for at in each}
        if all(near) and len(found) >= len(wanted) and _in_order(words, near):
            sure = [any(at not in doubtful and not _denied(words, at, found) for at in each) for each in near]
            yield _Occurrence(frozenset(found), all(sure))


@lru_cache(maxsize=1 << 12)
def _wanted(phrase: str) -> tuple[_Choices, ...]:
    """Return the words of a phrase, each with what may be said in its place."""
    return tuple(_choices(word) for word in phrase.split())


@dataclass(frozen=True, eq=False)
class _Choices:
    """What may be said in the place of a word; compared by identity, so that looking it up costs little."""

    words: tuple[str, ...]


@lru_cache(maxsize=1 << 12)
def _choices(word: str) -> _Choices:
    return _Choices(tuple(spoken(word.replace("/", " "))))


def _in_order(words: Sequence[str], near: Sequence[Sequence[int]]) -> bool:
    """Return whether "not" and its like stand before another word of a phrase, as in "can't steer"."""
    last = max(each[-1] for each in near)
    return all(any(words[at] not in DENIES_NEXT or at < last for at in each) for each in near)


@lru_cache(maxsize=1 << 18)
def _one_of(word: str, choices: _Choices) -> bool:
    return any(word == one if one in SILENT or one in DENIES else meant(word, one) for one in choices.words)


def _vocabulary(knowledge: Knowledge) -> frozenset[str]:
    """Return the words by which dangers are heard."""
    kinds: tuple[Literal["customer", "perhaps"], ...] = ("customer", "perhaps")
    return _words_of(tuple(one.phrases(which) for one in knowledge.dangers.values() for which in kinds))


@lru_cache(maxsize=4)
def _words_of(several: tuple[tuple[str, ...], ...]) -> frozenset[str]:
    return frozenset(word for phrases in several for word in spoken(" ".join(phrases).replace("/", " ")))


def _parted(words: Sequence[str], known: AbstractSet[str]) -> list[str]:
    """Return words with those parted that were typed without a space between: "batterylight"."""
    return [part for word in words for part in _parts(word, known)]


def _parts(word: str, known: AbstractSet[str]) -> tuple[str, ...]:
    if len(word) < LEAST_JOINED or word in known or word in DENIES or word in SILENT or word in WHOLE:
        return (word,)
    cuts = ((word[:at], word[at:]) for at in range(2, len(word) - 1))
    both = (pair for pair in cuts if all(one in known or one in SILENT for one in pair))
    return next((pair for pair in both if not known.isdisjoint(pair)), (word,))


def _denied(words: Sequence[str], place: int, own: AbstractSet[int]) -> bool:
    """Return whether a denying word, other than the phrase's own, reaches the word at a place."""
    for at in range(place - 1, max(0, place - REACH) - 1, -1):
        if words[at] in TURNS:
            return False
        if words[at] in DENIES and at not in own and words[at + 1] not in NOT_STOP:
            return True
    return False
