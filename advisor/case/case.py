"""One vehicle's job: what is known, read, repaired and skipped, in order.

A case never changes: adding an entry returns a new case. What a person undoes or takes back is an entry too
(`TakenBack`), so what was entered first stays on record but no longer counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from advisor.arrays import Floats, spread_confidence
from advisor.case.entries import (
    CORRECTION,
    CUSTOMER,
    STILL_THERE,
    TOLD,
    Accounted,
    Acknowledged,
    Booked,
    Cancelled,
    Checked,
    Closed,
    Ended,
    Entry,
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
from advisor.model.observation import Measurement, Take, weighed

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
        """Return the entries that count, by step (from 1): without those taken back and their taking back."""
        steps = dict(enumerate(self.entries, start=1))
        for entry in self.entries:
            if isinstance(entry, TakenBack):
                steps.pop(entry.step, None)
        return {step: entry for step, entry in steps.items() if not isinstance(entry, TakenBack)}

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

    def takes_now(self, reading: str) -> tuple[Take, ...]:
        """Return the takes that a new one is averaged with: those since the last repair."""
        last = max((step for step, one in self.counting.items() if isinstance(one, Repaired)), default=0)
        takes: tuple[Take, ...] = ()
        for step, entry in self.counting.items():
            if step > last and isinstance(entry, Measured) and entry.reading == reading:
                takes = (*takes, entry.take)
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
        found = None
        for entry in self.counting.values():
            if isinstance(entry, Repaired) or (isinstance(entry, Reopened) and entry.reason != CORRECTION):
                found = None
            elif isinstance(entry, Checked):
                found = entry.found
        return found

    @property
    def booked(self) -> Booked | None:
        """Return the booking of the car, if there is one."""
        said = [entry for entry in self.counting.values() if isinstance(entry, Booked)]
        return said[-1] if said else None

    @property
    def dangers(self) -> tuple[str, ...]:
        """Return the dangers that were heard on the phone, each once."""
        said = {entry.danger: entry.how for entry in self.counting.values() if isinstance(entry, Warned)}
        return tuple(danger for danger, how in said.items() if how == TOLD)

    @property
    def customer_words(self) -> tuple[str, ...]:
        """What the customer said in their own words, the first call's first."""
        said = (entry.words for entry in self.counting.values() if isinstance(entry, SaidByCustomer))
        return tuple(dict.fromkeys(said))

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

    def remembered(self, measurand: str) -> Measurement | None:
        """Return the last value entered for a measurand, whatever reading it was for."""
        values = [
            one
            for entry in self.counting.values()
            for one in (
                entry.take
                if isinstance(entry, Measured)
                else (entry.measurement,)
                if isinstance(entry, Noted)
                else ()
            )
            if one.measurand == measurand
        ]
        return values[-1] if values else None

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
        takes: dict[str, tuple[Take, ...]] = {}
        for era, entry in self._by_era():
            if isinstance(entry, Seen):
                name = node(entry.reading, era)
                if entry.reading in knowledge.readings and entry.outcome in engine.outcomes.get(name, ()):
                    evidence[name] = _likelihood(engine, name, entry)
                takes.pop(name, None)
            elif isinstance(entry, Measured):
                name = node(entry.reading, era)
                takes[name] = (*takes.get(name, ()), entry.take)
                likelihood = weighed(knowledge, entry.reading, self.facts, takes[name])
                if name in engine.outcomes and likelihood is not None:
                    evidence[name] = likelihood
            elif isinstance(entry, Checked) and era:
                there = entry.found == STILL_THERE
                found = [0.0 if there else 1.0, 1.0 if there else MISSED_BY_CHECK]
                evidence[node(self.complaint, era)] = np.array(found)
        return evidence

    def _by_era(self) -> Iterator[tuple[int, Entry]]:
        """Yield the entries that count, each with the number of repairs before it."""
        era = 0
        for entry in self.counting.values():
            era += isinstance(entry, Repaired)
            yield era, entry


def _likelihood(engine: InferenceEngine, node: str, entry: Seen) -> Floats:
    """Return the likelihood of an outcome observed with a confidence."""
    outcomes = engine.outcomes[node]
    return spread_confidence(len(outcomes), outcomes.index(entry.outcome), entry.confidence)
