"""The text of the list of jobs: two lines a job that end in minutes or a time, and all of one of them."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from textual.content import Content

from advisor.bench.handover import Done, Handover
from advisor.papers.format import bar, percent

TAG = 24
"""The most columns of a tag that stands on one line with what comes next."""
MOST_DONE = 6
"""So many of the last steps are told of one job."""
BAR = 8
NO_BREAK = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True)
class JobLine:
    """A job in the list: its tag, what is to be done or known, and the minutes or the time at the end.

    `rest` is what the lines below it say, `text` all that it is found by.
    """

    tag: str
    what: str
    end: str
    rest: tuple[str, ...] = ()
    danger: bool = False
    text: str = ""

    def fits(self, wanted: Iterable[str]) -> bool:
        """Return whether every word searched for is in what is said of the job; a number is one of a job.

        It has to be a word of its own, and minutes and times do not count: 5 is not found in 19:55.
        """
        everything = " ".join((self.tag, self.what, self.end, *self.rest, self.text)).casefold()
        numbered = re.findall(r"\w+", " ".join((self.tag, *self.rest[:1], self.text)).casefold())
        return all(word in (numbered if word.isdecimal() else everything) for word in wanted)


def job_words(line: JobLine, width: int) -> Content:
    """Return a job on a few lines: the tag in full on the first, and nothing of the rest cut."""
    signal = "DANGER " if line.danger else ""
    column = min(TAG, width * 3 // 10)
    named = Content.assemble((signal, "bold $error"), (line.tag, "bold"))
    if len(named) > column:  # on lines of its own, in full
        first = [Content.styled(one, "bold") for one in _wrapped(f"{signal}{line.tag}", width)]
        first[0] = first[0].stylize("$error", 0, len(signal))
        first.append(Content(f"  {_ended(line, width - 2)}"))
    else:
        ended = _ended(line, width - column - 1)
        first = [Content.assemble(named, " " * (column - len(named) + 1), ended)]
    below = [Content.styled(f"  {row}", "dim") for row in _packed(line.rest, width - 2)]
    return Content("\n").join([*first, *below])


def _ended(line: JobLine, width: int) -> str:
    """Return what is to be done, cut to fit, with the minutes or the time at the right."""
    room = width - len(line.end) - 1
    return f"{_cut(line.what, room):<{room}} {line.end}"


def _packed(parts: Sequence[str], width: int) -> list[str]:
    """Return parts on as few rows as they take without being cut."""
    rows: list[str] = []
    for part in parts:
        if rows and len(rows[-1]) + len(part) + 3 <= width:
            rows[-1] += f" · {part}"
        else:
            rows += _wrapped(part, width)
    return rows


def handed_over(heading: str, when: str, danger: str, told: Handover | None, said: Sequence[str]) -> Content:
    """Return all of an open job, as one would tell it at a change of shift."""
    lines = _head(heading, when, danger)
    if told is None:
        return Content("\n").join([*lines, Content("\nWorking out where it stands …")])
    lines += _part("Next", [Content.styled(told.next_step, "bold"), *map(Content, told.how)])
    causes = [
        Content.assemble(f"{percent(probability):>5} ", (bar(probability, BAR), "$primary"), f" {name}")
        for name, probability in told.causes
    ]
    standing = told.standing[:1].upper() + told.standing[1:]
    lines += _part("Where it stands", [*causes, Content(f"{standing}.")])
    lines += _part("The car now", map(Content, told.car))
    lines += _part("To undo before it leaves", map(Content, told.put_back))
    return Content("\n").join([*lines, *_said(said), *_done(told.done)])


def looked_up(
    heading: str, when: str, danger: str, ended: str, done: Sequence[Done], said: Sequence[str]
) -> Content:
    """Return what became of a job that is closed or cancelled, or what is known of one that is inspected."""
    how = [Content(f"\n{ended}")] if ended else []
    return Content("\n").join([*_head(heading, when, danger), *how, *_said(said), *_done(done)])


def _head(heading: str, when: str, danger: str) -> list[Content]:
    lines = [Content.styled(heading, "bold"), Content.styled(when, "dim")]
    return [*lines, Content.styled(f"\nDANGER {danger.strip()}", "bold $error")] if danger else lines


def _part(heading: str, lines: Iterable[Content]) -> list[Content]:
    """Return lines below a heading, or nothing where there are none."""
    found = list(lines)
    return [Content.styled(f"\n{heading.upper()}", "bold dim"), *found] if found else []


def _done(done: Sequence[Done]) -> list[Content]:
    """Return the last steps of a job, each with its time and what it moved."""
    lines = [
        Content.assemble((f"{one.at}  ", "dim"), one.words, (f"  {one.moved}" if one.moved else "", "dim"))
        for one in done[-MOST_DONE:]
    ]
    earlier = len(done) - len(lines)
    more = [Content.styled(f"{earlier} earlier steps: on the job card", "dim")] if earlier else []
    return _part("What was done", [*more, *lines])


def _said(said: Sequence[str]) -> list[Content]:
    return _part("The customer said", [Content(f"“{one}”") for one in said])


def _wrapped(words: str, width: int) -> list[str]:
    """Return words on rows; a number and its percent sign stay together."""
    rows = textwrap.wrap(words.replace(" %", f"{NO_BREAK}%"), max(10, width))
    return [row.replace(NO_BREAK, " ") for row in rows] or [""]


def _cut(words: str, room: int) -> str:
    """Return words that take at most `room` columns."""
    return words if len(words) <= room else f"{words[: max(0, room - 1)]}…"
