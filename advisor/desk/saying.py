"""Warnings as they are read out to a caller: the strictest first, and nothing twice."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

STRICTEST = ("may be driven: no", "call the emergency", "do not start", "do not drive", "stop")
"""How the strictest warnings begin, the strictest of them first (common practice)."""
_CONDITION = re.compile(r"(if|with|when|while|is|are|does|do not drive while)\b", re.IGNORECASE)
_NAMED = re.compile(r"([A-Z][^.:]*: )(?=[A-Z])")
"""What a warning is about, before the first sentence: "Smoke or fire: "."""


def said_once(warnings: Iterable[str]) -> tuple[str, ...]:
    """Return warnings in the order of saying them, the strictest first, each sentence once."""
    ordered = sorted(dict.fromkeys(warnings), key=_strictness)
    return tuple(filter(None, without_repeats(ordered)))


def without_repeats(warnings: Sequence[str]) -> tuple[str, ...]:
    """Return each warning without what is said by another one; "" where nothing of it is left.

    A sentence goes that was said before, or of which another one says every part. A sentence that begins as
    one before keeps the rest: after "Stop, lights off." "Stop, engine off." is "Engine off."
    """
    named = [_parted(one) for one in warnings]
    every = [_parts(sentence) for _, sentences in named for sentence in sentences]
    heard: set[tuple[str, ...]] = set()
    begun: set[str] = set()
    found = []
    for name, sentences in named:
        kept = []
        for sentence in sentences:
            parts = _parts(sentence)
            if parts in heard or (not _CONDITION.match(sentence) and any(set(parts) < set(o) for o in every)):
                continue
            heard.add(parts)
            kept.append(_shorter(sentence) if parts[0] in begun and len(parts) > 1 else sentence)
            if not _CONDITION.match(sentence):
                begun.add(parts[0])
        found.append(f"{name}{' '.join(kept)}" if kept else "")
    return tuple(found)


def _strictness(warning: str) -> int:
    """Return the place of a warning: those that begin as `STRICTEST`, others, those under a condition."""
    _, sentences = _parted(warning)
    first = sentences[0].casefold()
    if warning.casefold().startswith(STRICTEST[0]):
        return 0
    if _CONDITION.match(first):
        return len(STRICTEST) + 1
    return next((at for at, one in enumerate(STRICTEST) if first.startswith(one)), len(STRICTEST))


def _parted(warning: str) -> tuple[str, list[str]]:
    """Return what a warning is about, "" if it does not say, and its sentences."""
    match = _NAMED.match(warning)
    name = match[1] if match else ""
    return name, re.split(r"(?<=[.!?])\s+", warning[len(name) :].strip())


def _parts(sentence: str) -> tuple[str, ...]:
    """Return the parts of a sentence between its commas, as they are compared."""
    return tuple(one.strip().removeprefix("and ") for one in sentence.casefold().rstrip(".").split(","))


def _shorter(sentence: str) -> str:
    """Return a sentence without its first part."""
    rest = sentence.partition(",")[2].strip().removeprefix("and ")
    return f"{rest[:1].upper()}{rest[1:]}"
