"""A writer that does on a store what benches and desks do, without a pause, until it is killed."""

from __future__ import annotations

import random
import signal
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from advisor.case.entries import Closed, Entry, Known, Measured, Seen, Skipped, TakenBack
from advisor.model.observation import Measurement
from advisor.store.errors import StaleWrite, StoreError
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.soak.record import Record, Told

Given = TypeVar("Given")

COMPLAINTS = ("flat_battery", "no_heat")
AGAIN_SECONDS = 0.02
"""After so long a writer tries again what the database did not take."""
DEEDS = {
    "answering": 50,
    "answering on a shared job": 10,
    "entering several": 10,
    "answering on two jobs": 8,
    "undoing": 12,
    "closing": 6,
    "opening": 4,
    "erasing": 1,
}
"""What a writer does, and how often out of about a hundred times."""
OWN_JOBS, MOST_STEPS = 3, 25
"""So many jobs a writer has open, and so many steps it enters on one."""


class Writer:
    """A bench and a desk with a store and a record of their own, and a part in some shared jobs."""

    def __init__(self, url: str, name: str, seed: int, record: Record, shared: Sequence[int]) -> None:
        self.name, self.record, self.shared = name, record, shared
        self.random = random.Random(f"{seed} {name}")
        self.said = 0
        self.jobs: list[StoredCase] = []
        self.store = self.taken(lambda: Store(url))

    def work(self) -> None:
        """One deed after the other."""
        while True:
            while len(self.jobs) < OWN_JOBS:
                self.opening()
            doing = self.random.choices(list(DEEDS), list(DEEDS.values()))[0]
            self.random.shuffle(self.jobs)
            first, second, *_ = self.jobs
            if first.entries >= MOST_STEPS:
                doing = "closing"
            if doing == "opening":
                self.jobs.pop()
            elif doing == "erasing":
                self.erasing(self.jobs.pop())
            elif doing == "answering on a shared job":
                self.answering_with_others(self.random.choice(self.shared))
            elif doing == "undoing" and first.case.counting:
                self.undoing(first)
            else:
                self.enter(doing, (first, self.entries(doing)), *self.more(doing, second))

    def words(self) -> str:
        """Words that nobody says a second time."""
        self.said += 1
        return f"{self.name} says {self.said}"

    def entry(self) -> Entry:
        """Something to enter on a job."""
        words, about = self.words(), f"reading_{self.random.randrange(50)}"
        some: list[Entry] = [
            Seen(about, words),
            Seen(about, words, 0.7, "customer"),
            Skipped(about, words),
            Known(about, words),
            Measured(about, (Measurement("value", 0.43, "clamp", words),) * 2),
        ]
        return self.random.choice(some)

    def entries(self, doing: str) -> list[Entry]:
        """What a deed enters on its first job."""
        if doing == "closing":
            return [Closed("boot_lamp", self.words())]
        return [self.entry() for _ in range(self.random.randint(2, 4) if doing == "entering several" else 1)]

    def more(self, doing: str, job: StoredCase) -> list[tuple[StoredCase, list[Entry]]]:
        """What a deed enters on a second job together with the first."""
        return [(job, self.entries(doing))] if doing == "answering on two jobs" else []

    def enter(self, doing: str, *parts: tuple[StoredCase, Sequence[Entry]]) -> None:
        """Enter parts on jobs of one's own, as often as it takes, and keep the jobs that are still open."""
        self.record.means(doing, *parts)
        self.keep(self.taken(lambda: self.store.append_each(*parts)))
        self.record.told("saved")

    def undoing(self, job: StoredCase) -> None:
        """Take back any step of a job."""
        step, words = self.random.choice(list(job.case.counting)), self.words()
        self.record.line(
            doing="undoing",
            parts=[[job.number, job.entries + 1, [f"TakenBack(step={step}, reason={words!r})"]]],
        )
        self.keep((self.taken(lambda: self.store.append(job, TakenBack(step, words))),))
        self.record.told("saved")

    def answering_with_others(self, number: int) -> None:
        """Answer on a shared job; where another writer is first, that is told, and not entered."""
        job = self.taken(lambda: self.store.case(number))
        assert job is not None
        entry = self.entry()
        self.record.means("answering on a shared job", (job, [entry]))
        told: Told = "saved"
        try:
            self.taken(lambda: self.store.append(job, entry))
        except StaleWrite:
            told = "refused"
        self.record.told(told)

    def opening(self) -> None:
        """Open one job, or two for one car."""
        complaints = COMPLAINTS[: self.random.randint(1, 2)]
        tag = self.words()
        self.record.line(doing="opening", tag=tag, complaints=complaints)
        made = self.taken(lambda: self.store.open_cases(tag, complaints))
        self.record.told("saved", *(one.number for one in made))
        self.jobs += made

    def erasing(self, job: StoredCase) -> None:
        """Erase a job."""
        self.record.line(doing="erasing", cases=[job.number])
        self.taken(lambda: self.store.erase(job.number))
        self.record.told("saved")

    def keep(self, after: Sequence[StoredCase]) -> None:
        """Go on with the jobs as they are now."""
        changed = {one.number for one in after}
        self.jobs = [one for one in self.jobs if one.number not in changed]
        self.jobs += [one for one in after if one.case.closed is None]

    def taken(self, deed: Callable[[], Given]) -> Given:
        """What a deed gives, tried until the database takes it, as the bench does."""
        while True:
            try:
                return deed()
            except StaleWrite:
                raise
            except StoreError:
                time.sleep(AGAIN_SECONDS)


def write(url: str, name: str, seed: int, file: Path, shared: Sequence[int]) -> None:
    """Be a writer, in a process of its own; Ctrl+C is for the one who started it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Writer(url, name, seed, Record(file), shared).work()
