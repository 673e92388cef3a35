"""A case retold for paper: what is believed of it, its steps in words and what each did, its minutes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from advisor.advice.advice import CandidateReading, Stop, advise
from advisor.advice.conflict import Disagreement, disagreement
from advisor.advice.proof import Ending, ending, shown_by_proof
from advisor.advice.rules import comparable, most_probable_first
from advisor.advice.situation import InconsistentEvidence, Situations, posterior_history
from advisor.bench.wording import CLEARS_NOTHING, entry_words, largest_move, outcome_words, read_before_words
from advisor.case.case import Case
from advisor.case.confirmed import before_repair
from advisor.case.entries import (
    Accounted,
    Checked,
    Closed,
    Confirmed,
    Entry,
    Known,
    Measured,
    Reopened,
    Repaired,
    Seen,
    TakenBack,
)
from advisor.case.typed import TELLING
from advisor.inference.engine import InferenceEngine, TooWide
from advisor.knowledge.knowledge import Knowledge, quantity_of
from advisor.measure.units import convert, preferred, show
from advisor.model.observation import Measurement, can_weigh, estimate, weigh
from advisor.papers.chart import LINES, Chart, Line, Point
from advisor.papers.document import Cell, TableRow
from advisor.papers.format import percent, plain, when
from advisor.policy import DEFAULT, Policy
from advisor.store.records import StoredCase

MOVED = 0.005
"""A step that moves every cause by less is left out of the picture."""


@dataclass(frozen=True)
class Weighed:
    """What is believed of a case at the start and after each entry; nothing where `trouble` says why."""

    stages: tuple[Mapping[str, float], ...] = ()
    stop: Stop | None = None
    disagreement: Disagreement | None = None
    belief_error: float = 0.0
    left: tuple[CandidateReading, ...] = ()
    """Readings that would still tell something if what they need were there."""
    trouble: str = ""
    ending: Ending | None = None
    """What the search had come to before the first repair, or before it was closed without one."""

    @property
    def now(self) -> Mapping[str, float]:
        """Every cause's probability now; empty where the case cannot be weighed."""
        return self.stages[-1] if self.stages else {}


def weighed(
    knowledge: Knowledge,
    engine_of: Callable[[Case], InferenceEngine],
    case: Case,
    policy: Policy = DEFAULT,
) -> Weighed:
    """Return a case weighed by this knowledge, or the sentence that says why it cannot be."""
    situations = Situations(knowledge, engine_of, policy)
    try:
        situation, search = situations.of(case), before_repair(case)
        found = ending(knowledge, policy, situations.of(search).posterior, shown_by_proof(knowledge, search))
        stages = posterior_history(situations, case)
    except InconsistentEvidence as error:
        return Weighed(trouble=str(error))
    except TooWide:
        return Weighed(trouble="With these repairs it would take too long to work out.")
    advice = advise(situation, before=stages[-1])
    left = tuple(one for one in advice.proposals if one.at_rest or one.is_worth_taking(policy))
    return Weighed(stages, advice.stop, disagreement(situation), advice.belief_error, left, ending=found)


@dataclass(frozen=True)
class History:
    """The steps of a filed case in words."""

    knowledge: Knowledge
    filed: StoredCase
    preferences: Mapping[str, str]
    found: Weighed

    @property
    def case(self) -> Case:
        """The case."""
        return self.filed.case

    @property
    def repairs(self) -> list[Repaired]:
        """The remedies done, in order."""
        return [entry for entry in self.case.counting.values() if isinstance(entry, Repaired)]

    @property
    def closed_at(self) -> str:
        """When the last step that counts was entered: that of closing, on a closed job."""
        return when(self.filed.times[max(self.case.counting) - 1]) if self.case.counting else ""

    def reading(self, name: str) -> str:
        """Return a reading's name, or its id as words where the knowledge has it no more."""
        readings = self.knowledge.readings
        return readings[name].name if name in readings else plain(name)

    def remedy(self, entry: Repaired) -> str:
        """When what was put right, and how."""
        fault = self.knowledge.faults.get(entry.fault)
        done = entry.how or (fault.remedy if fault else "")
        what = f". {done}" if done else ""
        again = ", again: the first did not hold" if self.case.was_done_before(entry) else ""
        return f"{when(entry.at)}: {self.knowledge.title(entry.fault)}{again}{what}"

    @cached_property
    def taken_back(self) -> dict[int, int]:
        """Every step that was taken back, with the step that did it."""
        steps = enumerate(self.case.entries, start=1)
        return {entry.step: step for step, entry in steps if isinstance(entry, TakenBack)}

    def time(self, step: int) -> str:
        """When a step was entered, in short."""
        return when(self.filed.times[step - 1], year=False)

    def rows(self) -> Iterator[TableRow]:
        """Yield the steps that bear on the causes, and all taken back, with what they said and did."""
        for step, entry in enumerate(self.case.entries, start=1):
            bears = isinstance(entry, Known | Seen | Measured | Accounted | Repaired | Checked | Reopened)
            bears = bears or isinstance(entry, Confirmed)
            bears = bears or (isinstance(entry, Closed) and step < len(self.case.entries))
            if not bears and step not in self.taken_back:
                continue
            what, answer, instruments = self.said(step)
            back = step in self.taken_back
            did = self.withdrawal(step) if back else self.effect(step)
            yield TableRow((str(step), self.time(step), what, answer, instruments, did), struck=back)

    def said(self, step: int) -> tuple[str, Cell, str]:
        """Return what a step is about, what was said, and with which instrument."""
        knowledge, entry = self.knowledge, self.case.entries[step - 1]
        if isinstance(entry, Seen | Measured):
            reading = knowledge.readings.get(entry.reading)
            name = self.reading(entry.reading)
            earlier = read_before_words(entry).strip()
            if isinstance(entry, Measured):
                return name, (*self.measured(step, entry), earlier), self._instruments(entry.take)
            sure = "" if entry.confidence == 1 else f"{percent(entry.confidence)} sure"
            used = [knowledge.instruments[one].name for one in reading.instrument] if reading else []
            asked = "Customer asked" if reading and reading.who == "customer" else ""
            if entry.take:
                early = f"{', '.join(one.typed for one in entry.take)}, read too early"
                return name, (early, self.outcome(entry), sure), self._instruments(entry.take)
            return name, (self.outcome(entry), sure, earlier), " or ".join(used) or asked
        if isinstance(entry, Accounted):
            one = entry.measurement
            return f"Part of the draw: {entry.what}", one.typed, self._instruments((one,))
        what, _, answer = entry_words(knowledge, self.case, entry).partition(": ")
        return what, answer, ""

    def outcome(self, entry: Seen) -> str:
        """Return an answer in words, with the limits where it is a quantity's."""
        reading = self.knowledge.readings.get(entry.reading)
        if reading is None or entry.outcome not in reading.answers:
            return plain(entry.outcome)
        return outcome_words(self.knowledge, self.case, entry.reading, entry.outcome, self.preferences)

    def measured(self, step: int, entry: Measured) -> Iterator[str]:
        """Yield what was typed, and what all takes so far come to."""
        known = self.knowledge.measurands
        for one in entry.take:
            about = known[one.measurand].name if one.measurand in known else plain(one.measurand)
            yield one.typed if one.measurand == entry.reading else f"{about}: {one.typed}"
        yield from self._worked_out(entry.reading, self.takes(step, entry))

    def band(self, step: int, entry: Measured) -> str:
        """Return the outcome that a measurement speaks most for; "" where nothing can be worked out of it."""
        takes = self.takes(step, entry)
        if not can_weigh(self.knowledge, entry.reading, takes):
            return ""
        try:
            likelihood = weigh(self.knowledge, entry.reading, self.case.facts, takes)
        except (ValueError, ArithmeticError):
            return ""
        return list(self.knowledge.readings[entry.reading].answers)[int(likelihood.argmax())]

    def takes(self, step: int, entry: Measured) -> list[tuple[Measurement, ...]]:
        """Return what was measured for the same reading up to a step, since the repair before it."""
        takes: list[tuple[Measurement, ...]] = []
        for number, other in enumerate(self.case.entries[:step], start=1):
            counts = number == step or number in self.case.counting
            if isinstance(other, Repaired) and counts:
                takes = []
            elif isinstance(other, Measured) and counts and other.reading == entry.reading:
                takes.append(other.take)
        return takes

    def _worked_out(self, reading: str, takes: Sequence[tuple[Measurement, ...]]) -> Iterator[str]:
        """Yield the value with its uncertainty in the preferred unit, and the bands that explain it."""
        knowledge, facts = self.knowledge, self.case.facts
        if not can_weigh(knowledge, reading, takes):
            return
        try:
            value = estimate(knowledge, reading, facts, takes)
            likelihood = weigh(knowledge, reading, facts, takes).tolist()
        except (ValueError, ArithmeticError) as error:
            yield f"Cannot be worked out: {error}"
            return
        quantity = quantity_of(knowledge, reading)
        unit = preferred(quantity.unit, self.preferences)
        there = convert(value.value, quantity.unit, unit)
        spread = convert(value.value + value.uncertainty, quantity.unit, unit) - there
        shown = show(there, unit, 4)
        words = [] if [shown] == [one.typed for one in takes[-1][:1]] else [f"= {shown}"]
        words += [f"± {show(spread, unit, 2)}"] if spread else []
        words += [f"from {len(takes)} takes"] if len(takes) > 1 else []
        yield " ".join(words)
        best = max(likelihood)
        pairs = zip(quantity.bands.values(), likelihood, strict=True)
        yield " or ".join(band for band, weight in pairs if best > 0 and weight / best >= TELLING)

    def _instruments(self, take: Sequence[Measurement]) -> str:
        known = self.knowledge.instruments
        used = dict.fromkeys(one.instrument for one in take if one.instrument)
        return ", ".join(known[one].name if one in known else plain(one) for one in used)

    def withdrawal(self, step: int) -> Cell:
        """Say that a step was taken back, when and why."""
        by = self.taken_back[step]
        entry = self.case.entries[by - 1]
        reason = entry.reason if isinstance(entry, TakenBack) else ""
        return f"Taken back in step {by}, {self.time(by)}" + (f": {reason}" if reason else "")

    def effect(self, step: int) -> Cell:
        """Return the largest move, before → after; or why the step does not count as it stands."""
        entry = self.case.entries[step - 1]
        if isinstance(entry, Seen | Measured) and entry.reading not in self.knowledge.readings:
            return "Counts for nothing: not in this knowledge any more"
        if isinstance(entry, Accounted):
            return "Counts in the account of the draw"
        if isinstance(entry, Closed | Reopened | Confirmed):
            return ""
        if self.case.clears_nothing(self.knowledge, step):
            return CLEARS_NOTHING
        moved = ""
        if self.found.stages:
            before, after = self.found.stages[step - 1 : step + 1]
            moved = largest_move(self.knowledge, before, after) or "Hardly moved anything"
        again = self._answered_again(step)
        return moved, f"Answered again in step {again}" if again else ""

    def _answered_again(self, step: int) -> int:
        """Return the later step that takes this one's place, before any repair; or 0."""
        entry = self.case.entries[step - 1]
        if not isinstance(entry, Seen | Measured):
            return 0
        for later, other in self.case.counting.items():
            if later > step and isinstance(other, Repaired):
                break
            same = isinstance(other, Seen | Measured) and other.reading == entry.reading
            if later > step and same and Seen in (type(entry), type(other)):
                return later
        return 0

    def chart(self) -> Chart | None:
        """Return the suspicion against the leading causes over the steps that moved something."""
        stages = self.found.stages
        shown = [step for step in range(1, len(stages)) if self._shown(step)]
        if not shown:
            return None
        peak = {cause: max(stage[cause] for stage in stages) for cause in stages[-1]}
        now, closed = stages[-1], self.case.closed
        must = [closed.fault if closed else "", *most_probable_first(now)[:1]]
        must += [one for one in reversed(self.case.repaired) if one in peak]
        by_peak = most_probable_first(peak)
        shown_causes = [one for one in dict.fromkeys([*must[:3], *by_peak]) if one in peak][: len(LINES)]
        causes = sorted(shown_causes, key=lambda one: (-comparable(now[one]), -comparable(peak[one]), one))
        points = [Point("start", "The complaint alone"), *map(self._point, shown)]
        lines = [
            Line(self.knowledge.title(cause), tuple(stages[step][cause] for step in (0, *shown)))
            for cause in causes
        ]
        return Chart("Suspicion against the leading causes, step by step", tuple(points), tuple(lines))

    def _shown(self, step: int) -> bool:
        entry = self.case.entries[step - 1]
        before, after = self.found.stages[step - 1 : step + 1]
        moved = max((abs(after[cause] - before[cause]) for cause in after), default=0.0)
        return moved >= MOVED or isinstance(entry, Repaired | Checked)

    def _point(self, step: int) -> Point:
        entry: Entry = self.case.entries[step - 1]
        if isinstance(entry, TakenBack):
            return Point(str(step), f"Step {entry.step} taken back", "taken back")
        counts = step not in self.taken_back
        mark = "remedy" if isinstance(entry, Repaired) and counts else ""
        return Point(str(step), self.said(step)[0], mark)
