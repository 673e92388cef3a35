"""One vehicle's job: what is known, what was read and what could not be, in order.

A case never changes. Adding gives a new one, and undoing goes back to the older one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from advisor.engine import Engine
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
class Skipped:
    """A reading cannot be taken on this car, and why."""

    reading: str
    reason: str


@dataclass(frozen=True)
class Closed:
    """The job is done: the fault that was found, or "" where none was, and a remark."""

    fault: str
    remark: str


Entry = Known | Seen | Skipped | Closed


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
        """Readings taken, with the outcome that counts."""
        return {entry.reading: entry.outcome for entry in self.entries if isinstance(entry, Seen)}

    @property
    def skipped(self) -> dict[str, str]:
        """Readings that cannot be taken, with the reason, but for those taken after all."""
        reasons = {entry.reading: entry.reason for entry in self.entries if isinstance(entry, Skipped)}
        return {reading: reason for reading, reason in reasons.items() if reading not in self.seen}

    @property
    def closed(self) -> Closed | None:
        """How the job ended, if it did."""
        last = self.entries[-1] if self.entries else None
        return last if isinstance(last, Closed) else None

    def evidence(self, engine: Engine) -> dict[str, Floats]:
        """What the engine has to know: the complaint holds, and everything seen that bears on it."""
        evidence = {self.complaint: engine.one_hot(self.complaint, "present")}
        for node, outcome in {**self.facts, **self.seen}.items():
            if node in engine.entries:
                evidence[node] = engine.one_hot(node, outcome)
        return evidence
