"""Why one cause and not another: what was entered, as points for and against each of the two, in words."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from advisor.advice.explanation import Balance, explain
from advisor.advice.rules import most_probable_first
from advisor.advice.situation import Situations
from advisor.advice.turning import MOST_IN_PAIRS, MOST_WAYS, Standing, Turn, Turning
from advisor.bench.wording import entry_words
from advisor.case.case import Case
from advisor.case.entries import (
    CUSTOMER,
    Checked,
    Closed,
    Confirmed,
    Entry,
    Known,
    Measured,
    Repaired,
    Seen,
    TakenBack,
)
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import Reading
from advisor.papers.document import Paragraph, Part, Table, TableRow
from advisor.papers.format import clock_words, duration, percent, plain
from advisor.simulate.turned import Tried
from advisor.store.records import StoredCase
from advisor.text import counted, cut

IN_POINTS = "3 points: twice as likely. 10 points: ten times."
IN_ORDER = "Points follow the order of the entries; in another order they are shared out differently."
NOT_ONE_AGAINST_THE_OTHER = "Both can be there at once: this is not one against the other."
LEAST_POINTS = 1.0
"""Entries that weigh less for both causes are told together in one line."""
LEAST_SHOWN = 0.05
"""Fewer points are shown as none."""
LEAST_TOGETHER = 0.01
"""From this probability on it is said how often both are there."""
ON_PAPER = 6
"""So many entries are named on the job card, and the rest together."""
FULL, HALF, AGAINST = "█", "▌", "▒"
NAME, LONGEST_NAME = 40, 56
"""Letters of a name that are shown beside others, and in a heading."""


@dataclass(frozen=True)
class Row:
    """An entry with who said it, or several small ones together, and its points for each cause."""

    words: str
    who: str
    chosen: float
    leader: float

    @property
    def most(self) -> float:
        """What it weighs for the one that it moves more."""
        return max(abs(self.chosen), abs(self.leader))


@dataclass(frozen=True)
class WhyNot:
    """A cause beside the one that leads: where both came from, and how often both are there at once."""

    knowledge: Knowledge
    filed: StoredCase
    case: Case
    chosen: Balance
    leader: Balance
    together: float

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """Every entry that bears on causes, in order."""
        return tuple(
            Row(
                self.words(entry), self.who(step, entry), self.chosen.weights[step], self.leader.weights[step]
            )
            for step, entry in self.case.counting.items()
            if isinstance(entry, Known | Seen | Measured | Repaired | Checked) or self._moved(step)
        )

    def _moved(self, step: int) -> bool:
        return bool(self.chosen.weights[step] or self.leader.weights[step])

    def name(self, cause: str, most: int = NAME) -> str:
        """Return the title of a cause, cut to fit."""
        return cut(self.knowledge.title(cause), most)

    def words(self, entry: Entry) -> str:
        """Return an entry in short: what it is about, and what was said."""
        if not isinstance(entry, Seen | Measured):
            return entry_words(self.knowledge, self.case, entry)
        reading = self.knowledge.readings.get(entry.reading)
        name = reading.name if reading else plain(entry.reading)
        if isinstance(entry, Measured):
            return f"{name} {', '.join(one.typed for one in entry.take)}"
        return f"{name}: {_answer(reading, entry.outcome)}"

    def who(self, step: int, entry: Entry) -> str:
        """Return who said an entry, or how and when it was found."""
        at = self._clock(step)
        if isinstance(entry, Known):
            return "fact"
        if isinstance(entry, Seen):
            if entry.by == CUSTOMER:
                return "by phone"
            reading = self.knowledge.readings.get(entry.reading)
            if reading is not None and reading.who == CUSTOMER:
                return f"customer {at}".strip()
            unsure = "" if entry.confidence == 1 else f"{percent(entry.confidence)} sure, "
            return f"{unsure}seen {at}".strip()
        done = {Measured: "measured", Repaired: "done", Checked: "checked", Confirmed: "looked"}
        return f"{done.get(type(entry), '')} {at}".strip()

    def _clock(self, step: int) -> str:
        """Return the time of a step; with the day, where the last entry was made on another one."""
        times = self.filed.times
        if step > len(times):
            return ""
        at, last = (datetime.fromisoformat(one).astimezone() for one in (times[step - 1], times[-1]))
        return f"{at:%H:%M}" if at.date() == last.date() else clock_words(at)

    def merged(self, most: int) -> tuple[Row, ...]:
        """Return the entries that weigh most, `most` of them, in order, and the others as one row."""
        by_weight = sorted(self.rows, key=lambda row: -row.most)
        large = [row for row in by_weight[:most] if row.most >= LEAST_POINTS]
        small = [row for row in self.rows if not any(row is one for one in large)]
        if len(small) == 1 and len(large) < most:
            return self.rows
        shown = [row for row in self.rows if any(row is one for one in large)]
        if small:
            limit = max(math.floor(max(row.most for row in small)) + 1, 1)
            each = "each " if len(small) > 1 else ""
            words = f"{counted(len(small), 'other')}, {each}under {counted(limit, 'point')}"
            sums = (math.fsum(row.chosen for row in small), math.fsum(row.leader for row in small))
            shown.append(Row(words, "", *sums))
        return tuple(shown)

    def verdict(self) -> str:
        """Say in a sentence or two what speaks against the chosen cause, or more for the leader."""
        name = self.name(self.chosen.cause)
        if self.chosen.now == -math.inf:
            return ended(f"“{name}” is ruled out by: {self._settled(self.chosen)}")
        if self.chosen.now == math.inf:
            return ended(f"“{name}” is certain by: {self._settled(self.chosen)}")
        if not self.rows:
            return "Nothing was entered yet that speaks for or against it: only the complaint counts."
        said = []
        against = min(self.rows, key=lambda row: row.chosen)
        if against.chosen <= -LEAST_POINTS:
            said.append(ended(f"Most against it: {cut(against.words, NAME)}"))
        elif self.chosen.total >= LEAST_POINTS:
            said.append("Nothing much speaks against it.")
        else:
            said.append("Little speaks for or against it.")
        if self.leader.now == math.inf:
            said.append(ended(f"The leader is certain by: {self._settled(self.leader)}"))
        else:
            more = max(self.rows, key=lambda row: row.leader - row.chosen)
            if more.leader - more.chosen >= LEAST_POINTS and more is not against:
                said.append(ended(f"More for the leader: {cut(more.words, NAME)}"))
        return " ".join(said)

    def _settled(self, balance: Balance) -> str:
        step = balance.settled_by
        return cut(self.words(self.case.entries[step - 1]), LONGEST_NAME) if step else "the complaint alone"

    def both_words(self) -> str:
        """Say that the two can be there together, and how often they are."""
        if 0 in (self.chosen.probability, self.leader.probability):
            return ""
        if self.together <= 0:
            return "By this knowledge the two are never there at once."
        if self.together < LEAST_TOGETHER:
            return NOT_ONE_AGAINST_THE_OTHER
        return f"{NOT_ONE_AGAINST_THE_OTHER} Both: {percent(self.together)}."


def why_not(
    knowledge: Knowledge, situations: Situations, filed: StoredCase, case: Case, cause: str
) -> WhyNot:
    """Weigh a cause beside the most probable other one; raises `InconsistentEvidence`.

    `case` is that of the filed job, or as it was at some step.
    """
    situation = situations.of(case)
    beliefs = situation.beliefs
    leader = next(one for one in most_probable_first(beliefs) if one != cause)
    chosen, leading = explain(situations, case, (cause, leader))
    together = 0.0
    if beliefs[cause] > 0:
        there = {**situation.evidence, cause: situation.engine.one_hot(cause, "present")}
        together = beliefs[cause] * situation.engine.query(there).beliefs[leader]
    return WhyNot(knowledge, filed, case, chosen, leading, together)


def searched(case: Case) -> Case:
    """Return a case as before its first repair or its closing with a cause; steps keep their numbers."""
    ended = [
        step
        for step, entry in case.counting.items()
        if isinstance(entry, Repaired) or (isinstance(entry, Closed) and entry.fault)
    ]
    later = [step for step in case.counting if ended and step >= ended[0]]
    return Case(case.complaint, (*case.entries, *(TakenBack(step, "") for step in later)))


# As text


def heading(why: WhyNot) -> str:
    """Return the two causes with their probabilities."""
    chosen, leader = (
        f"{why.name(one.cause, LONGEST_NAME)} ({percent(one.probability)})"
        for one in (why.chosen, why.leader)
    )
    return f"{chosen}, beside {leader}."


def lines(why: WhyNot, width: int, most: int, who_below: bool = False) -> Iterator[str]:
    """Yield both columns as text: at most `most` entries by themselves, and bars for their points.

    `who_below` puts who said an entry on a line of its own, beside the bars.
    """
    chosen, leader = why.chosen, why.leader
    column = min(17, max(12, (width - 36) // 2))
    label = width - 2 * (column + 1)
    rows = why.merged(most)
    scale = max(
        (abs(one) for row in rows for one in (row.chosen, row.leader) if math.isfinite(one)), default=0
    )
    longest = column - 1 if who_below else column - 7

    def beside(words: str, *cells: str) -> str:
        return f"{cut(words, label):<{label}}" + "".join(f" {cut(one, column):<{column}}" for one in cells)

    yield IN_POINTS
    yield beside("", why.name(chosen.cause, column), why.name(leader.cause, column)).rstrip()
    starts = percent(chosen.start_probability), percent(leader.start_probability)
    yield beside("Of cars with this complaint", *(f"{one:>6}" for one in starts)).rstrip()
    shown = zip(
        _adding_up([row.chosen for row in rows]), _adding_up([row.leader for row in rows]), strict=True
    )
    for row, (one, other) in zip(rows, shown, strict=True):
        cells = [(f"{signed(each):>6}", bar(each, scale, longest)) for each in (one, other)]
        if who_below:
            yield beside(row.words, *(number for number, _ in cells)).rstrip()
            yield beside(f"  {row.who}", *(drawn for _, drawn in cells)).rstrip()
            continue
        who = f" · {row.who}" if row.who else ""
        words = f"{cut(row.words, label - 2 - len(who))}{who}"
        yield beside(f"  {words}", *(f"{number} {drawn}" for number, drawn in cells)).rstrip()
    totals = signed(_rounded(chosen.total)), signed(_rounded(leader.total))
    yield beside("All together", *(f"{one:>6}" for one in totals)).rstrip()
    leads = max(chosen.now, leader.now)
    now = (f"{percent(one.probability):>6}{' leads' * (one.now == leads)}" for one in (chosen, leader))
    yield beside("Now", *now).rstrip()


def explanation_lines(why: WhyNot, width: int = 80, most: int = 5) -> Iterator[str]:
    """Yield the whole explanation as text, for a small screen: at most 16 lines at 80 columns."""
    yield from wrap(heading(why), width)
    yield from lines(why, width, most)
    for words in filter(None, (why.verdict(), why.both_words())):
        yield from wrap(words, width)


def turning_lines(
    why: WhyNot,
    found: Turning,
    tried: Sequence[Tried] | None,
    width: int,
    untried: str = "",
    most: int = MOST_WAYS,
) -> Iterator[str]:
    """Yield what would turn it round, `most` ways of it; where none was tried, `untried` says why."""

    if why.chosen.probability == 0:
        words = "No reading: only the answer that rules it out can be wrong. Take it again, or take it back."
        yield from wrap(words, width)
        return
    among = f" (of the best {MOST_IN_PAIRS} readings)" if found.cut else ""
    if not found.ways:
        yield from wrap(f"No reading that can be taken here does, and no two do{among}.", width)
        return
    if not found.by_one:
        yield from wrap(f"No single reading does. The quickest two{among}:", width)
    for at, way in enumerate(found.ways[:most]):
        for number, words in _way_words(why, way, at + 1):
            yield from wrap(words, width, f" {number}  " if number else "    ", "    ")
        if tried is not None:
            yield from wrap(_tried_words(tried[at]), width, "    ", "    ")
    if tried is None and untried:
        yield from wrap(untried, width)


def _way_words(why: WhyNot, way: Turn, number: int) -> Iterator[tuple[str, str]]:
    """Yield a way line by line, the name of each reading with its digit."""
    steps = zip(way.readings, way.answers, way.standings, strict=True)
    for at, (reading, answer, stands) in enumerate(steps):
        waits = reading.minutes - reading.hands_on_minutes
        wait = f", {duration(waits)} to wait" if waits >= 0.5 else ""
        then = "Then: " if at else ""
        yield str(number + at), f"{then}{reading.name}: {duration(reading.hands_on_minutes)} of work{wait}"
        said = _answer(why.knowledge.readings[reading.reading], answer)
        both = " in all" if at else ""
        yield "", f"“{said}” ({often(stands.share)}{both}): {_stands_words(why, stands)}."


def _stands_words(why: WhyNot, stands: Standing) -> str:
    """Return what the two then have, and who leads if neither does."""
    words = f"then {percent(stands.chosen)} against {percent(stands.leader)}"
    if stands.leads in (why.chosen.cause, why.leader.cause):
        return words
    return f"{words}, and “{why.name(stands.leads)}” leads with {percent(stands.highest)}"


def _tried_words(tried: Tried) -> str:
    played = f"Played on {tried.cars:,} cars like this:"
    if not tried.turned:
        return f"{played} none turned round."
    return f"{played} {tried.turned:,} turned round, and in {tried.true:,} of them it was the cause."


def often(share: float) -> str:
    """Return how often something comes, in cars of 100 or of 1,000."""
    if share >= 0.995:
        return "nearly every car"
    return f"{round(100 * share)} of 100 cars" if share >= 0.01 else f"{round(1000 * share)} of 1,000 cars"


# On paper


def parts(why: WhyNot) -> Iterator[Part]:
    """Yield the explanation for the job card."""
    rows = why.merged(ON_PAPER)
    columns = _adding_up([row.chosen for row in rows]), _adding_up([row.leader for row in rows])
    head = ("What was entered", "Said or found", *(why.name(one.cause) for one in (why.chosen, why.leader)))
    start = [percent(one.start_probability) for one in (why.chosen, why.leader)]
    now = [percent(one.probability) for one in (why.chosen, why.leader)]
    total = [signed(_rounded(one.total)) for one in (why.chosen, why.leader)]
    yield Paragraph(f"{IN_POINTS} {IN_ORDER}")
    yield Table(
        head,
        (38, 20, 21, 21),
        (
            TableRow(("Of cars with this complaint", "", *start)),
            *(
                TableRow((row.words, row.who, signed(one), signed(other)))
                for row, one, other in zip(rows, *columns, strict=True)
            ),
            TableRow(("All together", "", *total)),
            TableRow(("As it stands", "", *now)),
        ),
    )
    yield Paragraph(" ".join(filter(None, (why.verdict(), why.both_words()))))


# Numbers and lines


def wrap(words: str, width: int, first: str = "", then: str = "") -> list[str]:
    """Return words as lines, no number parted from its percent sign."""
    joined = words.replace(" %", "\u00a0%")
    made = textwrap.wrap(joined, width, initial_indent=first, subsequent_indent=then)
    return [line.replace("\u00a0", " ") for line in made]


def ended(words: str) -> str:
    """Return a sentence with its stop, where it was not cut."""
    return words if words.endswith("…") else f"{words}."


def signed(points: float) -> str:
    """Return points with their sign, such as "+8.8"; a cause that is settled by them has no number."""
    if math.isinf(points):
        return "certain" if points > 0 else "out"
    return "0.0" if abs(points) < LEAST_SHOWN else f"{points:+.1f}".replace("-", "−")


def bar(points: float, scale: float, width: int) -> str:
    """Return points as a bar: █ for, ▒ against, the largest as wide as there is room."""
    whole = FULL if points > 0 else AGAINST
    if math.isinf(points):
        return whole * width
    halves = max(round(2 * width * abs(points) / scale), abs(points) >= LEAST_SHOWN) if scale else 0
    if points < 0:
        return whole * ((halves + 1) // 2)
    return whole * (halves // 2) + HALF * (halves % 2)


def _rounded(points: float) -> float:
    return points if math.isinf(points) else round(points, 1)


def _adding_up(weights: Sequence[float]) -> list[float]:
    """Round points to tenths so that the tenths add up to their rounded sum; none is off by a whole tenth."""
    shown, exact, so_far = [], 0.0, 0.0
    for weight in weights:
        if math.isinf(weight):
            shown.append(weight)
            continue
        exact += weight
        step = round(round(exact, 1) - so_far, 1)
        so_far = round(so_far + step, 1)
        shown.append(step)
    return shown


def _answer(reading: Reading | None, outcome: str) -> str:
    """Return an answer in words."""
    return reading.answers.get(outcome, plain(outcome)) if reading else plain(outcome)
