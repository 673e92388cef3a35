"""The picture of suspicion on the bench, in characters: a row a fault, a column a step.

The job card has the same as a drawing (`papers/chart.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from advisor.advice.advice import FaultPosterior
from advisor.advice.rules import most_probable_first
from advisor.bench.wording import move
from advisor.case.case import Case
from advisor.case.entries import Checked, Known, Measured, Repaired, Seen, TakenBack
from advisor.knowledge.knowledge import Knowledge
from advisor.papers.format import percent

COLUMN = 3
"""Characters of one step."""


def telling_steps(case: Case) -> list[int]:
    """Return the start, 0, and the steps of a case that can move the suspicion."""
    telling = Known | Seen | Measured | Repaired | Checked | TakenBack
    return [0, *(step for step, entry in enumerate(case.entries, start=1) if isinstance(entry, telling))]


def suspicion_rows(
    knowledge: Knowledge, stages: Sequence[Mapping[str, float]], steps: Sequence[int], width: int, most: int
) -> Iterator[str]:
    """Yield a heading and the leading faults: how likely now, and a picture with a column a step.

    Rows are at most `width` characters; the oldest steps give way where there is no room.
    """
    now = stages[-1]
    before = stages[-2] if len(stages) > 1 else now
    name_wide = min(44, width // 2)
    shown = steps[max(0, len(steps) - (width - name_wide - 15) // COLUMN) :]
    numbers = "".join(f"{number or '':<{COLUMN}}" for number in shown)
    yield f"{'Suspected causes':<{name_wide}} {'now':>6}        {numbers}".rstrip()
    for fault in most_probable_first(now)[:most]:
        name = knowledge.title(fault)
        name = name if len(name) <= name_wide else name[: name_wide - 1] + "…"
        moved = move(FaultPosterior(fault, name, now[fault], before[fault]))
        picture = "".join(_columns([stages[at][fault]] * (COLUMN - 1)) + " " for at in shown)
        yield f"{name:<{name_wide}} {percent(now[fault]):>6} {moved:<6} {picture}".rstrip()


def _columns(probabilities: Iterable[float]) -> str:
    """Return probabilities over the steps as a row of columns, an eighth of the height each."""
    return "".join("▁▂▃▄▅▆▇█"[min(7, int(8 * probability))] for probability in probabilities)
