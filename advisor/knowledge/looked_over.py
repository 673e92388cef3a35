"""Who has looked items over, in words: drafted until people say that they read, tried or confirmed them."""

from __future__ import annotations

from collections import Counter
from typing import get_args

from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import Item, Review, Status
from advisor.text import counted

STATUS_WORDS: dict[Status, str] = {
    "drafted": "drafted",
    "read": "read by a second technician",
    "tried": "tried on cars",
    "confirmed": "confirmed by closed jobs",
}


def review_words(item: Item) -> str:
    """Return who looked an item over and when, in one sentence."""
    if not item.review:
        return "Drafted: no second technician has read it yet."
    said = ", ".join(map(_words, item.review))
    return f"{said[0].upper()}{said[1:]}."


def _words(said: Review) -> str:
    who = f"{said.by}, {said.on}"
    if said.cars:
        return f"tried on {counted(said.cars, 'car')} ({who})"
    if said.jobs:
        return f"confirmed by {counted(said.jobs, 'closed job')} ({who})"
    return f"read by a second technician ({who})"


def review_counts(knowledge: Knowledge) -> str:
    """Return how many items are how far, in one sentence."""
    found = Counter(item.status for _, _, item in knowledge.items())
    parts = [f"{found[status]} {STATUS_WORDS[status]}" for status in get_args(Status) if found[status]]
    return f"Of {counted(found.total(), 'item')}: {', '.join(parts) or 'none drafted'}."
