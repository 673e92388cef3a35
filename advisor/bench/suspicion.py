"""Where the search stands, in characters: the leading causes as bars, and the group they belong to.

The job card has the suspicion over all steps as a drawing (`papers/chart.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from advisor.advice.proof import sure_group
from advisor.advice.rules import most_probable_first
from advisor.advice.situation import Situation
from advisor.bench.wording import change
from advisor.knowledge.knowledge import Knowledge
from advisor.papers.format import bar, percent
from advisor.text import cut

NUMBERS = 16
"""Characters of a probability and its change, such as "  80 %  down 18"."""
LONGEST_NAME, LONGEST_BAR = 48, 40


@dataclass(frozen=True)
class SuspicionRow:
    """A cause, cut and filled up to its columns: name, bar, probability, and by how much that has moved."""

    name: str
    bar: str
    probability: str
    moved: str


def suspicion_rows(
    knowledge: Knowledge, now: Mapping[str, float], before: Mapping[str, float], width: int, most: int
) -> Iterator[SuspicionRow]:
    """Yield a row for each leading fault, at most `width` characters wide with a space between the parts."""
    bar_wide = min(LONGEST_BAR, max(6, (width - NUMBERS) // 3))
    name_wide = min(LONGEST_NAME, width - NUMBERS - bar_wide - 1)
    for fault in most_probable_first(now)[:most]:
        name = cut(knowledge.title(fault), name_wide)
        picture = bar(now[fault], bar_wide)
        picture = picture if picture.strip() else "·".ljust(bar_wide)
        moved = change(before[fault], now[fault], "up", "down")
        yield SuspicionRow(name.ljust(name_wide), picture, percent(now[fault]).rjust(6), moved)


def sure_group_words(situation: Situation) -> str:
    """Return the group that is sure while no cause of it is, or nothing."""
    group = sure_group(situation.knowledge, situation.policy, situation.posterior)
    if group is None:
        return ""
    return f"{situation.knowledge.title(group.branch)}: {percent(group.probability)}, which of it is open."
