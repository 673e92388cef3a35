"""One vehicle's job: what is known, what was read and what could not be, in order.

A case never changes. Adding gives a new one, and undoing goes back to the older one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from advisor.engine import Engine
from advisor.evidence import Measurement, Take, can_weigh, weigh
from advisor.knowledge import Knowledge
from advisor.tables import Floats


@dataclass(frozen=True)
class Known:
    """A vehicle fact has this value."""

    fact: str
    value: str


@dataclass(frozen=True)
class Seen:
    """A reading showed this outcome."""

    reading: str
    outcome: str


@dataclass(frozen=True)
class Measured:
    """A quantity reading was measured. Measuring again adds to what was measured before."""

    reading: str
    take: tuple[Measurement, ...]


@dataclass(frozen=True)
class Accounted:
    """A current was found by disconnecting something: a part of the draw."""

    what: str
    measurement: Measurement


@dataclass(frozen=True)
class Skipped:
    """A reading cannot be taken on this car, and why."""

    reading: str
    reason: str


@dataclass(frozen=True)
class Closed:
    """The job is done: the fault that was found, or "" where none was, and a remark."""

    fault: str
    remark: str


Entry = Known | Seen | Measured | Accounted | Skipped | Closed


@dataclass(frozen=True)
class Case:
    """A complaint and everything entered since, oldest first. A later entry on the same thing replaces it."""

    complaint: str
    entries: tuple[Entry, ...] = ()

    def with_entry(self, entry: Entry) -> Case:
        """The case with one more entry."""
        return replace(self, entries=(*self.entries, entry))

    def undone(self) -> Case:
        """The case before its last entry; a case without entries stays as it is."""
        return replace(self, entries=self.entries[:-1])

    @property
    def facts(self) -> dict[str, str]:
        """Known vehicle facts with their values."""
        return {entry.fact: entry.value for entry in self.entries if isinstance(entry, Known)}

    @property
    def seen(self) -> dict[str, str]:
        """Readings whose outcome was entered in words, with the outcome that counts."""
        return {reading: said for reading, said in self._said.items() if isinstance(said, str)}

    @property
    def measured(self) -> dict[str, tuple[Take, ...]]:
        """Quantity readings that were measured, each with all takes that count, oldest first."""
        return {reading: said for reading, said in self._said.items() if isinstance(said, tuple)}

    @property
    def taken(self) -> tuple[str, ...]:
        """Every reading taken, in the order of the first take."""
        return tuple(self._said)

    @property
    def _said(self) -> dict[str, str | tuple[Take, ...]]:
        said: dict[str, str | tuple[Take, ...]] = {}
        for entry in self.entries:
            if isinstance(entry, Seen):
                said[entry.reading] = entry.outcome
            elif isinstance(entry, Measured):
                before = said.get(entry.reading)
                said[entry.reading] = (*(before if isinstance(before, tuple) else ()), entry.take)
        return said

    @property
    def parts(self) -> tuple[Accounted, ...]:
        """The parts of a draw that were found by disconnecting."""
        return tuple(entry for entry in self.entries if isinstance(entry, Accounted))

    def remembered(self, measurand: str) -> Measurement | None:
        """The last value entered for a measurand, whatever reading it was for."""
        takes = (entry.take for entry in self.entries if isinstance(entry, Measured))
        values = [one for take in takes for one in take if one.measurand == measurand]
        return values[-1] if values else None

    @property
    def skipped(self) -> dict[str, str]:
        """Readings that cannot be taken, with the reason, but for those taken after all."""
        reasons = {entry.reading: entry.reason for entry in self.entries if isinstance(entry, Skipped)}
        return {reading: reason for reading, reason in reasons.items() if reading not in self._said}

    @property
    def closed(self) -> Closed | None:
        """How the job ended, if it did."""
        last = self.entries[-1] if self.entries else None
        return last if isinstance(last, Closed) else None

    def evidence(self, knowledge: Knowledge, engine: Engine) -> dict[str, Floats]:
        """What the engine has to know: the complaint holds, and everything seen that bears on it.

        What this knowledge does not know (any more) is kept in the case and counts for nothing.
        """
        evidence = {self.complaint: engine.one_hot(self.complaint, "present")}
        for node, outcome in {**self.facts, **self.seen}.items():
            if outcome in engine.outcomes.get(node, ()):
                evidence[node] = engine.one_hot(node, outcome)
        for reading, takes in self.measured.items():
            if reading in engine.entries and can_weigh(knowledge, reading, takes):
                evidence[reading] = weigh(knowledge, reading, self.facts, takes)
        return evidence
