"""The text around the task: which job it is, the story so far, and the suspicion over the steps."""

from __future__ import annotations

from itertools import groupby

from textual.content import Content

from advisor.bench.session import USUAL_RANKING, Session
from advisor.bench.suspicion import sure_group_words, suspicion_rows
from advisor.bench.wording import CLEARS_NOTHING, entry_words, largest_move
from advisor.case.entries import Acknowledged, Entry, Known, TakenBack
from advisor.text import cut


def headline(session: Session) -> str:
    """Return which job it is, how far it has come, and how readings are ranked."""
    taken = len(session.case.taken)
    complaint = session.knowledge.complaints[session.case.complaint].name
    by = "" if session.ranking == USUAL_RANKING else f" · {session.ranking}"
    job = f"{session.filed.name}: {session.filed.tag}"
    return f"{job} · {complaint} · {taken} reading{'' if taken == 1 else 's'} taken{by}"


def last_move(session: Session) -> str:
    """Return what the last entry moved most, or nothing."""
    if not session.case.entries:
        return ""
    last = session.case.entries[-1]
    moved = largest_move(session.knowledge, session.stages[-2], session.stages[-1])
    if session.case.clears_nothing(session.knowledge, len(session.case.entries)):
        moved = CLEARS_NOTHING
    return f"{entry_words(session.knowledge, session.case, last)}  {moved}" if moved else ""


def trail(session: Session) -> Content:
    """Return the story so far: each entry and what it moved, struck out if it was taken back."""
    knowledge, case, stages = session.knowledge, session.case, session.stages
    lines: list[Content] = [Content.styled("The story so far", "bold")]
    for is_caution, steps in groupby(enumerate(case.entries, start=1), key=_is_caution):
        together = list(steps)
        if is_caution and len(together) > 1:
            lines.append(Content.styled(f"• {len(together)} cautions read", "dim"))
            continue
        for step, entry in together:
            words = f"• {entry_words(knowledge, case, entry)}"
            if is_caution:
                lines.append(Content.styled(words, "dim"))
            elif step in case.counting or isinstance(entry, TakenBack):
                lines.append(Content(words))
            else:
                lines.append(Content.assemble((words, "strike dim"), " (taken back)"))
            moved = largest_move(knowledge, stages[step - 1], stages[step])
            if case.clears_nothing(knowledge, step):
                moved = CLEARS_NOTHING
            if moved and not isinstance(entry, Known):
                lines.append(Content.styled(f"  {moved}", "dim"))
    if not case.entries:
        lines.append(Content.styled("Nothing yet. Wrong complaint? Esc keeps nothing.", "dim"))
    elif not session.has_answers:
        lines.append(Content.styled("Wrong complaint? Del lets you choose another.", "dim"))
    return Content("\n").join(lines)


def _is_caution(step: tuple[int, Entry]) -> bool:
    """Return whether a step says that a caution was read."""
    return isinstance(step[1], Acknowledged)


def suspicion_panel(session: Session, width: int, causes: int, to_end: str) -> Content:
    """Return the leading causes as bars, and below them what is sure as a group and how far the end is.

    `width` is in columns.
    """
    now = session.stages[-1]
    before = session.stages[-2] if len(session.stages) > 1 else now
    rows = suspicion_rows(session.knowledge, now, before, width, causes)
    where = cut("  ".join(filter(None, (sure_group_words(session.situation), to_end))), width)
    lines = [
        Content.assemble(
            row.name, " ", (row.bar, "$primary"), " ", (row.probability, "bold"), "  ", (row.moved, "dim")
        )
        for row in rows
    ]
    return Content("\n").join([*lines, Content.styled(where, "bold")])
