"""How a task is fitted on the screen: what is left out, and how many causes stand below it."""

from __future__ import annotations

from dataclasses import dataclass

from textual.content import Content

from advisor.screens.bench.card import Card

SCROLLBAR = 2
"""Columns of a scroll bar."""
SMALL, LARGE = 20, 30
"""With fewer lines only the leading cause is shown; with as many the answers follow the text at once."""
CAUSES = 3
ABOVE, BELOW = 3, 3
"""Rows above the text (job, news, title) and below the causes (rule, end, keys)."""


@dataclass(frozen=True)
class Fitted:
    """The lines that have room, and how many causes; `short` rows of the text have to be scrolled."""

    lines: tuple[Content, ...]
    causes: int
    short: int


def fitted(shown: Card, width: int, height: int, *, forbids: bool = False) -> Fitted:
    """Fit a card into so many columns, and into a screen of so many lines."""
    text_wide = width - 2 - SCROLLBAR
    causes = 1 if height < SMALL or forbids else CAUSES
    title = 1 + (len(shown.title) + len(shown.minutes) + 4 > width)
    field = 2 if shown.reading else 0
    answers = min(len(shown.choices), height // 2)
    room = height - (ABOVE - 1 + title + forbids) - answers - field - causes - BELOW
    lines = list(shown.lines)

    def short() -> int:
        return sum(line.get_height({}, text_wide) for line in lines) - room

    for extra in reversed(shown.extra):
        if short() > 0:
            lines = [line for line in lines if line is not extra]
    given = max(0, min(short(), causes - 1))
    return Fitted(tuple(lines), causes - given, max(0, short() - given))
