"""Many at once on one store: four desks and eight bays, each a process of its own, as fast as they can.

Run from the top of the project: python -m tests.benchmarks.load --seconds 600 --store URL

Desks open jobs; desks and bays answer on their own jobs and on jobs that all of them share, where who comes
second is overtaken, looks at the job again and answers again. Every answer carries the client, a running
number and the job it is for. At the end every answer that was acknowledged has to be stored once, as the step
that it was acknowledged as, under its job, in order, and nothing else. Latency is what a person waits: from
the first try to the acknowledgement. Servers on this machine alone are loaded.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Barrier

import sqlalchemy as sa

from advisor.case.entries import Entry, Known, Seen, Skipped, TakenBack
from advisor.store.errors import StaleWrite, StoreError
from advisor.store.records import StoredCase
from advisor.store.store import Store

DESKS, BAYS = 4, 8
SHARED_PART = 0.3
"""So much of the answers is for jobs that several clients work on."""
SHARED_AT_ONCE, SHARED_SECONDS = 4, 3.0
"""So many jobs are shared at a time, and for so long; then come the next ones."""
OWN_STEPS = 40
"""After so many steps a client opens another job of its own."""
MOST_ANSWERS = 100_000
"""No client gives more answers than this, however long the time."""
PATIENCE_SECONDS = 60.0
"""After this an answer that is not taken, or a client that does not start, ends the run as failed."""
LOOPBACK = ("localhost", "127.0.0.1", "::1")
COMPLAINT = "flat_battery"


@dataclass(frozen=True)
class Answer:
    """An answer that was acknowledged: for which job, as which step, in which words, after how long."""

    job: int
    step: int
    words: str
    seconds: float


@dataclass(frozen=True)
class Told:
    """What a client has to tell at the end: its answers, and how often it had to repeat one and why."""

    answers: tuple[Answer, ...]
    overtaken: int
    refused: tuple[str, ...]


@dataclass(frozen=True)
class Outcome:
    """How a run ended: what the clients told, how many answers are stored, and everything that is wrong."""

    told: tuple[Told, ...]
    seconds: float
    stored: int
    problems: tuple[str, ...]

    @property
    def answers(self) -> list[Answer]:
        """Every answer that was acknowledged."""
        return [answer for one in self.told for answer in one.answers]

    @property
    def overtaken(self) -> int:
        """How many answers were overtaken and given again."""
        return sum(one.overtaken for one in self.told)

    @property
    def refused(self) -> list[str]:
        """Why answers were not taken at first, and given again."""
        return [why for one in self.told for why in one.refused]

    def lines(self) -> Iterator[str]:
        """The figures, in words."""
        waits = sorted(answer.seconds * 1000 for answer in self.answers)
        last = statistics.quantiles(waits, n=100)[98]
        yield f"{len(waits)} answers acknowledged, {self.stored} stored, {len(self.problems)} problems"
        yield f"{len(waits) / self.seconds:.0f} per second"
        middle = statistics.median(waits)
        yield f"median {middle:.1f} ms, 99th percentile {last:.0f} ms, worst {waits[-1]:.0f} ms"
        yield f"{self.overtaken} overtaken and given again, {len(self.refused)} not taken and given again"
        yield from (f"  {count} × {why}" for why, count in Counter(self.refused).most_common(3))
        yield from self.problems[:20]


class Client:
    """A desk or a bay with a store of its own."""

    def __init__(self, url: str, name: str, shared: list[int]) -> None:
        self.name, self.shared = name, shared
        self.random = random.Random(name)
        self.store = Store(url)
        self.desk = name.startswith("desk")
        self.jobs: dict[int, StoredCase] = {}
        self.own: StoredCase | None = None
        self.answers: list[Answer] = []
        self.overtaken = 0
        self.refused: list[str] = []

    def work(self, seconds: float) -> Told:
        """Answer until the time is over."""
        start = time.monotonic()
        while (elapsed := time.monotonic() - start) < seconds and len(self.answers) < MOST_ANSWERS:
            self.answer(self.job(elapsed))
        self.store.close()
        return Told(tuple(self.answers), self.overtaken, tuple(self.refused))

    def job(self, elapsed_seconds: float) -> StoredCase:
        """The job for the next answer, as this client last saw it."""
        if self.random.random() < SHARED_PART:
            first = int(elapsed_seconds / SHARED_SECONDS) * SHARED_AT_ONCE
            number = self.random.choice(self.shared[first : first + SHARED_AT_ONCE])
            return self.jobs.get(number) or self.seen(number)
        if self.own is None or self.own.entries >= OWN_STEPS or (self.desk and self.random.random() < 0.1):
            self.own = self.opened()
        return self.jobs.get(self.own.number, self.own)

    def opened(self) -> StoredCase:
        """A new job; where the database is busy, asked for again like an answer."""
        deadline = time.monotonic() + PATIENCE_SECONDS
        while True:
            try:
                return self.store.open_case(self.name, COMPLAINT)
            except StoreError as error:
                self.refused.append(str(error))
                assert time.monotonic() < deadline, str(error)

    def seen(self, number: int) -> StoredCase:
        """A job as it lies in the store now."""
        filed = self.store.case(number)
        assert filed is not None
        self.jobs[number] = filed
        return filed

    def answer(self, filed: StoredCase) -> None:
        """Give one answer until it is taken, as a person at the bench would."""
        words = f"{self.name} {len(self.answers)} for {filed.number}"
        start = time.monotonic()
        while True:
            try:
                filed = self.store.append(filed, self.entry(filed, words))
            except StaleWrite:
                self.overtaken += 1
                filed = self.seen(filed.number)
            except StoreError as error:
                self.refused.append(str(error))
            else:
                break
            assert time.monotonic() < start + PATIENCE_SECONDS, f"{words} is never taken"
        self.jobs[filed.number] = filed
        if self.own is not None and filed.number == self.own.number:
            self.own = filed
        self.answers.append(Answer(filed.number, filed.entries, words, time.monotonic() - start))

    def entry(self, filed: StoredCase, words: str) -> Entry:
        """Something to enter on a job."""
        reading = f"reading_{self.random.randrange(50)}"
        kind = self.random.random()
        if kind < 0.1 and filed.case.counting:
            return TakenBack(self.random.choice(list(filed.case.counting)), words)
        if kind < 0.25:
            return Skipped(reading, words)
        return Known(f"fact_{reading}", words) if kind < 0.4 else Seen(reading, words)


def words_of(entry: Entry) -> str:
    """The words that a client has put into an entry."""
    match entry:
        case Known(_, words) | Seen(_, words) | Skipped(_, words) | TakenBack(_, words):
            return words
    raise AssertionError(f"nobody has entered {entry}")


def wrong(filed: Iterable[StoredCase], answers: Iterable[Answer]) -> Iterator[str]:
    """Everything that is lost, crossed, doubled, out of order, or that nobody has acknowledged."""
    given = {answer.words: answer for answer in answers}
    found: Counter[str] = Counter()
    for one in filed:
        last: dict[str, int] = {}
        for step, entry in enumerate(one.case.entries, start=1):
            words = words_of(entry)
            found[words] += 1
            answer = given.get(words)
            if answer is None:
                yield f"stored, but not acknowledged: {words}, job {one.number} step {step}"
            elif (answer.job, answer.step) != (one.number, step):
                yield f"crossed: {words} is job {one.number} step {step}, was told {answer.job} {answer.step}"
            client, number = words.partition(" for ")[0].rsplit(" ", 1)
            if int(number) <= last.get(client, -1):
                yield f"out of order: {words}, job {one.number} step {step}"
            last[client] = int(number)
    yield from (f"lost: {words}" for words in given if not found[words])
    yield from (f"stored {count} times: {words}" for words, count in found.items() if count > 1)


_start: Barrier | None = None


def _ready(start: Barrier) -> None:
    """Keep what all clients wait for before they begin."""
    global _start
    _start = start


def _client(url: str, name: str, shared: list[int], seconds: float) -> Told:
    """Be a client, from when all of them are there."""
    client = Client(url, name, shared)
    assert _start is not None
    _start.wait(PATIENCE_SECONDS)
    return client.work(seconds)


def run(url: str, seconds: float, desks: int = DESKS, bays: int = BAYS) -> Outcome:
    """Load a store for some time, and compare what was acknowledged with what is stored."""
    names = [f"desk{n}" for n in range(desks)] + [f"bay{n}" for n in range(bays)]
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["advisor.store.store"])
    store = Store(url)
    shared_jobs = (int(seconds / SHARED_SECONDS) + 1) * SHARED_AT_ONCE
    shared = [store.open_case("shared", COMPLAINT).number for _ in range(shared_jobs)]
    before = {one.number for one in store.cases()} - set(shared)
    store.close()
    start = processes.Barrier(len(names))
    with ProcessPoolExecutor(len(names), processes, _ready, (start,)) as pool:
        waiting = [pool.submit(_client, url, name, shared, seconds) for name in names]
        told = tuple(one.result(timeout=seconds + 2 * PATIENCE_SECONDS) for one in waiting)
    store = Store(url)
    filed = [one for one in store.cases() if one.number not in before]
    store.close()
    answers = [answer for one in told for answer in one.answers]
    stored = sum(one.entries for one in filed)
    return Outcome(told, seconds, stored, tuple(wrong(filed, answers)))


def main() -> int:
    """Run as the options say; 1 where an answer is not where it should be."""
    parser = argparse.ArgumentParser(description="Four desks and eight bays on one store.")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--store", metavar="URL", help="Default: a new SQLite file, deleted afterwards.")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = options.store or f"sqlite:///{Path(folder) / 'cases.sqlite'}"
        meant = sa.make_url(url)
        if meant.get_backend_name() != "sqlite" and meant.host not in LOOPBACK:
            parser.error("only a database on this machine is loaded: name 127.0.0.1 or localhost")
        outcome = run(url, options.seconds)
    print(f"{meant.get_backend_name()}, {DESKS} desks and {BAYS} bays, {options.seconds:g} s")
    for line in outcome.lines():
        print(line)
    return 1 if outcome.problems else 0


if __name__ == "__main__":
    sys.exit(main())
