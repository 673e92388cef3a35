"""One vehicle's job: what is known, read, repaired and skipped, in order.

A case never changes: adding an entry returns a new case. What a person undoes or takes back is an entry too
(`TakenBack`), so what was entered first stays on record but no longer counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from advisor.arrays import Floats, spread_confidence
from advisor.case.entries import (
    CORRECTED,
    CORRECTION,
    CUSTOMER,
    NOT_PRESENT,
    SEEN_TODAY,
    STILL_THERE,
    TOLD,
    Accounted,
    Acknowledged,
    Booked,
    Cancelled,
    Checked,
    Closed,
    Confirmed,
    Ended,
    Entry,
    Finished,
    Guessed,
    Known,
    Measured,
    Noted,
    Prepared,
    Reopened,
    Repaired,
    SaidByCustomer,
    Seen,
    Skipped,
    TakenBack,
    Warned,
)
from advisor.inference.engine import InferenceEngine
from advisor.knowledge.knowledge import Knowledge
from advisor.model.after_repair import Repair
from advisor.model.nodes import node_then
from advisor.model.observation import Measurement, Take, at_rest, weighed

MISSED_BY_CHECK = 0.05
"""How often the check after a repair misses a complaint that is still there (estimate)."""


@dataclass(frozen=True)
class Case:
    """A complaint and everything entered since, oldest first. A later entry on the same thing replaces it."""

    complaint: str
    entries: tuple[Entry, ...] = ()

    def with_entry(self, entry: Entry) -> Case:
        """Return the case with one more entry."""
        return replace(self, entries=(*self.entries, entry))

    def without_last(self) -> Case:
        """Return the case before its last entry; a case without entries stays as it is."""
        return replace(self, entries=self.entries[:-1])

    @cached_property
    def counting(self) -> dict[int, Entry]:
        """Return the entries that count, by step (from 1): without those taken back and their taking back.

        They are in the order in which they happened: what was read before another entry stands before it.
        """
        steps = dict(enumerate(self.entries, start=1))
        for entry in self.entries:
            if isinstance(entry, TakenBack):
                steps.pop(entry.step, None)
        counting: dict[int, Entry] = {
            step: entry for step, entry in steps.items() if not isinstance(entry, TakenBack)
        }
        if not any(read_before(entry) for entry in counting.values()):
            return counting
        return {step: counting[step] for step in sorted(counting, key=self._place)}

    def _place(self, step: int) -> tuple[int, bool, int]:
        """Return where a step stands in the order in which things happened."""
        before = read_before(self.entries[step - 1])
        while before and (earlier := read_before(self.entries[before - 1])):
            before = earlier
        return before or step, not before, step

    @cached_property
    def guess(self) -> Guessed | None:
        """Return what somebody suspected before the bench showed its own suspicion, or None.

        Taken back it is the guess all the same: whoever guesses again has seen more.
        """
        return next((entry for entry in self.entries if isinstance(entry, Guessed)), None)

    @cached_property
    def facts(self) -> dict[str, str]:
        """Return known vehicle facts with their values."""
        return {entry.fact: entry.value for entry in self.counting.values() if isinstance(entry, Known)}

    @cached_property
    def outcomes(self) -> dict[str, str]:
        """Return readings answered in words, with the outcome that counts now."""
        return {reading: said.outcome for reading, said in self._said.items() if isinstance(said, Seen)}

    @cached_property
    def measured(self) -> dict[str, tuple[Take, ...]]:
        """Return measured quantity readings, each with all takes that count now, oldest first."""
        return {reading: said for reading, said in self._said.items() if isinstance(said, tuple)}

    @property
    def present_today(self) -> str | None:
        """Return what was found when the complaint was looked for at the car, or None if nobody has said.

        A check after a repair that found it still there has seen it; on a reopened job nobody has said yet,
        unless that was only to correct its cause.
        """
        return next(reversed(self._found_at_the_car.values()), None)

    @property
    def is_at_rest(self) -> bool:
        """Return whether the complaint is not there, as far as it was looked for."""
        return self.present_today == NOT_PRESENT

    @cached_property
    def _found_at_the_car(self) -> dict[int, str | None]:
        """What was known of the complaint after each step that counts.

        An answer that corrects another one holds from where that one stood.
        """
        changes: dict[int, str | None] = {}
        for step, entry in self.counting.items():
            if isinstance(entry, Confirmed):
                changes[self._first_said(step)] = entry.found
            elif isinstance(entry, Checked) and entry.found == STILL_THERE:
                changes[step] = SEEN_TODAY
            elif isinstance(entry, Reopened) and entry.reason != CORRECTION:
                changes[step] = None
        order = sorted(changes, reverse=True)
        return {
            step: next((changes[at] for at in order if self._place(at) <= self._place(step)), None)
            for step in self.counting
        }

    def _first_said(self, step: int) -> int:
        """Return the step whose place an answer about the complaint has taken, or the step itself."""
        before = self.entries[step - 2] if step > 1 else None
        if not isinstance(before, TakenBack) or before.reason != CORRECTED or not 0 < before.step < step:
            return step
        replaced = isinstance(self.entries[before.step - 1], Confirmed)
        return self._first_said(before.step) if replaced else step

    def was_at_rest(self, step: int) -> bool:
        """Return whether the complaint was not there at a step that counts, as far as it was looked for."""
        return self._found_at_the_car[step] == NOT_PRESENT

    def at_rest(self, knowledge: Knowledge, step: int) -> bool:
        """Return whether a reading was taken while the complaint was not there, and needs it to show a fault.

        What was said on the phone is about the days when it was there.
        """
        entry = self.counting.get(step)
        if not isinstance(entry, Seen | Measured) or (isinstance(entry, Seen) and entry.by == CUSTOMER):
            return False
        said = knowledge.readings.get(entry.reading)
        return said is not None and said.needs_complaint and self.was_at_rest(step)

    def clears_nothing(self, knowledge: Knowledge, step: int) -> bool:
        """Return whether a reading looked normal while the complaint was not there: it counts for nothing."""
        if not self.at_rest(knowledge, step):
            return False
        facts = (Known(fact, value) for fact, value in self.facts.items())
        resting = Confirmed(self.complaint, NOT_PRESENT)
        alone = as_entered(self.entries[step - 1])
        return not Case(self.complaint, (*facts, resting, alone)).likelihoods(knowledge)

    def takes_now(self, knowledge: Knowledge, reading: str) -> tuple[Take, ...]:
        """Return the takes that a new one is averaged with: those since the last repair.

        Those of a time when the complaint was there, and of one when it was not, are no repeats.
        """
        needs = reading in knowledge.readings and knowledge.readings[reading].needs_complaint
        now = len(self.repairs), self.is_at_rest and needs
        takes: tuple[Take, ...] = ()
        for step, era, entry in self.by_era():
            if isinstance(entry, Measured) and entry.reading == reading:
                takes = (*takes, entry.take) if (era, self.at_rest(knowledge, step)) == now else ()
            elif isinstance(entry, Seen) and entry.reading == reading:
                takes = ()
        return takes

    @property
    def taken(self) -> tuple[str, ...]:
        """Return every reading taken, in the order of the first take."""
        return tuple(self._said)

    @cached_property
    def _said(self) -> dict[str, Seen | tuple[Take, ...]]:
        said: dict[str, Seen | tuple[Take, ...]] = {}
        older: set[str] = set()  # said before the last repair, and not again since
        for entry in self.counting.values():
            if isinstance(entry, Seen):
                said[entry.reading] = entry
            elif isinstance(entry, Measured):
                before = None if entry.reading in older else said.get(entry.reading)
                said[entry.reading] = (*(before if isinstance(before, tuple) else ()), entry.take)
                older.discard(entry.reading)
            elif isinstance(entry, Repaired):
                older = set(said)
        return said

    @cached_property
    def repairs(self) -> tuple[Repair, ...]:
        """Return every repair done, in order, with the readings taken before it."""
        found: list[Repair] = []
        read: set[str] = set()
        for entry in self.counting.values():
            if isinstance(entry, Seen | Measured):
                read.add(entry.reading)
            elif isinstance(entry, Repaired):
                found.append(Repair(entry.fault, frozenset(read)))
        return tuple(found)

    @property
    def repaired(self) -> tuple[str, ...]:
        """Return the faults whose remedy was done, in order."""
        return tuple(repair.fault for repair in self.repairs)

    def was_done_before(self, repaired: Repaired) -> bool:
        """Return whether the same remedy was done before this entry: the first did not hold."""
        for entry in self.counting.values():
            if entry is repaired:
                return False
            if isinstance(entry, Repaired) and entry.fault == repaired.fault:
                return True
        return False

    def withdrawn_by(self, reopened: Reopened) -> Closed | None:
        """Return how the job had ended before this entry reopened it."""
        ended = None
        for entry in self.entries:
            if entry is reopened:
                break
            ended = entry if isinstance(entry, Closed) else ended
        return ended

    @property
    def checked(self) -> str | None:
        """Return what the check after the last repair found: "gone", "still there", or None if it is due.

        It is due again on a reopened job, unless that was only to correct its cause.
        """
        result = None
        for entry in self.counting.values():
            if isinstance(entry, Repaired) or (isinstance(entry, Reopened) and entry.reason != CORRECTION):
                result = None
            elif isinstance(entry, Checked):
                result = entry.found
        return result

    @property
    def finished(self) -> Finished | None:
        """Return what was said since the last repair of what is to be done before the car leaves."""
        now = len(self.repairs)
        said = [one for _, era, one in self.by_era() if era == now and isinstance(one, Finished)]
        return said[-1] if said else None

    @property
    def booked(self) -> Booked | None:
        """Return the booking of the car, if there is one."""
        bookings = [entry for entry in self.counting.values() if isinstance(entry, Booked)]
        return bookings[-1] if bookings else None

    @property
    def dangers(self) -> tuple[str, ...]:
        """Return the dangers that were heard on the phone, each once."""
        heard = {entry.danger: entry.how for entry in self.counting.values() if isinstance(entry, Warned)}
        return tuple(danger for danger, how in heard.items() if how == TOLD)

    @property
    def customer_words(self) -> tuple[str, ...]:
        """What the customer said in their own words, the first call's first."""
        words = (entry.words for entry in self.counting.values() if isinstance(entry, SaidByCustomer))
        return tuple(dict.fromkeys(words))

    @property
    def by_customer(self) -> frozenset[str]:
        """Return the readings whose answer comes from the customer on the phone."""
        return frozenset(
            reading for reading, said in self._said.items() if isinstance(said, Seen) and said.by == CUSTOMER
        )

    @property
    def parts(self) -> tuple[Accounted, ...]:
        """Return the parts of a draw that were found by disconnecting."""
        return tuple(entry for entry in self.counting.values() if isinstance(entry, Accounted))

    @property
    def prepared(self) -> dict[str, str]:
        """Return the setups in place, with the time they were made (ISO 8601)."""
        made: dict[str, str] = {}
        for entry in self.counting.values():
            if isinstance(entry, Prepared):
                made[entry.setup] = entry.at
            elif isinstance(entry, Ended):
                made.pop(entry.setup, None)
        return made

    @property
    def acknowledged(self) -> frozenset[str]:
        """Return the cautions that somebody has read on this job."""
        return frozenset(entry.caution for entry in self.counting.values() if isinstance(entry, Acknowledged))

    def remembered(self, measurand: str, reading: str = "") -> Measurement | None:
        """Return the last value entered for a measurand, whatever reading it was for.

        For a `reading`, a number measured before the last repair is none of the car as it is now, and once
        the reading was taken it is read afresh; words and figures of the day hold all the same.
        """
        now = len(self.repairs)
        entries = list(self.by_era())
        afresh = any(
            isinstance(entry, Measured) and entry.reading == reading and era == now
            for _, era, entry in entries
        )
        found = None
        for _, era, entry in entries:
            if isinstance(entry, Noted) and entry.measurement.measurand == measurand:
                found = entry.measurement
            elif isinstance(entry, Measured):
                for one in entry.take:
                    holds = not reading or isinstance(one.value, str) or (era == now and not afresh)
                    if one.measurand == measurand and holds:
                        found = one
        return found

    @property
    def skipped(self) -> dict[str, str]:
        """Return readings that cannot be taken, with the reason, without those taken after all."""
        reasons = {
            entry.reading: entry.reason for entry in self.counting.values() if isinstance(entry, Skipped)
        }
        return {reading: reason for reading, reason in reasons.items() if reading not in self._said}

    @property
    def closed(self) -> Closed | None:
        """Return how the job ended, if it did."""
        return self._last if isinstance(self._last, Closed) else None

    @property
    def cancelled(self) -> Cancelled | None:
        """Return why the job was called off, if it was."""
        return self._last if isinstance(self._last, Cancelled) else None

    @property
    def is_open(self) -> bool:
        """Return whether the job is neither closed nor cancelled."""
        return not isinstance(self._last, Closed | Cancelled)

    @property
    def _last(self) -> Entry | None:
        return next(reversed(self.counting.values()), None)

    def evidence(self, knowledge: Knowledge, engine: InferenceEngine) -> dict[str, Floats]:
        """Return the evidence: the complaint, and every entry that bears on it.

        The engine must be that of the complaint and of the case's `repairs`: entries before a repair describe
        the car as it was then. What this knowledge does not have (any more) stays in the case and counts for
        nothing.
        """
        repairs = len(self.repairs)

        def node(name: str, era: int) -> str:
            return node_then(name, era, repairs, engine.outcomes)

        evidence = {node(self.complaint, 0): engine.one_hot(self.complaint, "present")}
        for fact, value in self.facts.items():
            if fact in knowledge.facts and value in engine.outcomes.get(fact, ()):
                evidence[fact] = engine.one_hot(fact, value)
        said = self.likelihoods(knowledge, node)
        evidence.update({name: said[name] for name in said if name in engine.outcomes})
        for step, era, entry in self.by_era():
            # Gone says nothing where it was not there before the repair either.
            if isinstance(entry, Checked) and era and not self.was_at_rest(step):
                there = entry.found == STILL_THERE
                found = [0.0 if there else 1.0, 1.0 if there else MISSED_BY_CHECK]
                evidence[node(self.complaint, era)] = np.array(found)
        return evidence

    def likelihoods(
        self, knowledge: Knowledge, node: Callable[[str, int], str] = lambda reading, era: reading
    ) -> dict[str, Floats]:
        """Return what was read as a likelihood over the outcomes of each reading, in the order written.

        `node` names a reading after so many repairs. A later answer replaces an earlier one; what looked
        normal while the complaint was not there clears nothing and is left out.
        """
        found: dict[str, Floats] = {}
        takes: dict[str, tuple[bool, tuple[Take, ...]]] = {}
        for step, era, entry in self.by_era():
            if not isinstance(entry, Seen | Measured):
                continue
            name, resting = node(entry.reading, era), self.at_rest(knowledge, step)
            if isinstance(entry, Measured):
                before = takes.get(name, (resting, ()))
                takes[name] = resting, (*(before[1] if before[0] == resting else ()), entry.take)
                likelihood = weighed(knowledge, entry.reading, self.facts, takes[name][1])
            else:
                takes.pop(name, None)
                likelihood = _likelihood(knowledge, entry)
            if likelihood is not None and resting:
                reading = knowledge.readings[entry.reading]
                likelihood = at_rest(likelihood, list(reading.answers).index(reading.normal_outcome))
                if np.ptp(likelihood) == 0:
                    continue
            if likelihood is not None:
                found[name] = likelihood
        return found

    def by_era(self) -> Iterator[tuple[int, int, Entry]]:
        """Yield the steps that count, each with the number of repairs before it and its entry."""
        era = 0
        for step, entry in self.counting.items():
            era += isinstance(entry, Repaired)
            yield step, era, entry


def read_before(entry: Entry) -> int:
    """Return the step that an answer was read before, where it was entered after it; else 0."""
    return entry.before if isinstance(entry, Seen | Measured) else 0


def as_entered(entry: Entry) -> Entry:
    """Return an entry without the step that it was read before: for a case with steps of its own."""
    return replace(entry, before=0) if isinstance(entry, Seen | Measured) and entry.before else entry


def _likelihood(knowledge: Knowledge, entry: Seen) -> Floats | None:
    """Return the likelihood of an outcome observed with a confidence; None if nobody knows it here."""
    answers = list(knowledge.readings[entry.reading].answers) if entry.reading in knowledge.readings else []
    if entry.outcome not in answers:
        return None
    return spread_confidence(len(answers), answers.index(entry.outcome), entry.confidence)
