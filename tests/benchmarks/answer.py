"""How much work one answer at the bench is: evidence built, readings weighed, cases through the engine.

Run from the top of the project: python -m tests.benchmarks.answer

A job is answered reading by reading, each with its likeliest answer, quantities as numbers where they are
measured directly. An answer is what the bench works out before it paints: the entry checked and saved, the
advice, the steps so far, disagreements, what each answer to the next reading would do, the plan around a
wait, and whether to repair at once. Counts are those of the answer asked for; the processor time is the
median over as many jobs, each in a store of its own.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.bench.session import Session
from advisor.case import case as cases
from advisor.case.entries import Measured
from advisor.case.typed import Understood
from advisor.checks.lint import checked
from advisor.inference.engine import Engine
from advisor.model.observation import Measurement, weighed
from advisor.store.store import Store
from tests.benchmarks.step import KNOWLEDGE, machine

EVIDENCE, WEIGHED, QUERIED, TO_THE_ROOT = (
    "times evidence was built",
    "readings weighed",
    "cases queried",
    "cases taken to the root only",
)


@contextmanager
def counted() -> Iterator[Counter[str]]:
    """Count the work done inside."""
    counts: Counter[str] = Counter()

    def counting(what: str, plain: Callable[..., Any], each: bool = False) -> Callable[..., Any]:
        def wrapper(*given: Any) -> Any:
            counts[what] += len(given[1]) if each else 1
            return plain(*given)

        return wrapper

    with (
        patch.object(cases.Case, "evidence", counting(EVIDENCE, cases.Case.evidence)),
        patch.object(cases, "weighed", counting(WEIGHED, weighed)),
        patch.object(Engine, "query_batch", counting(QUERIED, Engine.query_batch, each=True)),
        patch.object(
            Engine,
            "log2_evidence_probability",
            counting(TO_THE_ROOT, Engine.log2_evidence_probability, each=True),
        ),
    ):
        yield counts


def opened(engines: Engines, store: Store, complaint: str) -> Session:
    """A new job with everything worked out that is shown first."""
    job = store.open_case("bay 1", complaint, engines.knowledge.version)
    return shown(Session.opened(engines, store, job, Workshop()))


def answered(session: Session) -> Session:
    """The job after the first reading was answered, with everything worked out that is shown then."""
    reading = session.proposals[0].reading
    likeliest = max(session.answers(reading), key=lambda answer: answer.probability).outcome
    quantity = session.knowledge.readings[reading].quantity
    if quantity is None or quantity.derived is not None:
        return shown(session.saw(reading, likeliest))
    limits = quantity.limits_for(session.case.facts)
    if limits is None:
        return shown(session.saw(reading, likeliest))
    edges = (quantity.range[0], *limits, quantity.range[1])
    at = list(quantity.bands).index(likeliest)
    instrument = next(iter(session.knowledge.readings[reading].instrument), "")
    value = (edges[at] + edges[at + 1]) / 2
    measured = Measured(reading, (Measurement(reading, value, instrument, f"{value:g}"),))
    return shown(session.measured(Understood((), measured, ())))


def shown(session: Session) -> Session:
    """The job with everything worked out that the bench shows."""
    session.worked_out()
    assert session.stages
    return session


def played(engines: Engines, folder: str, complaint: str, answers: int) -> tuple[float, Counter[str]]:
    """Processor seconds and counts of the last of so many answers on a new job."""
    store = Store(f"sqlite:///{folder}/cases.sqlite")
    try:
        session = opened(engines, store, complaint)
        for _ in range(answers - 1):
            session = answered(session)
        with counted() as counts:
            begun = time.process_time()
            answered(session)
            return time.process_time() - begun, counts
    finally:
        store.close()


def main() -> None:
    """Print counts and processor time of an answer."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--complaint", default="flat_battery")
    parser.add_argument("--answer", type=int, default=10, help="which one, counted from 1")
    parser.add_argument("--jobs", type=int, default=15, help="the median of so many is taken")
    given = parser.parse_args()
    print(machine())
    engines = Engines(checked([KNOWLEDGE]))
    times = []
    for _ in range(given.jobs):
        with tempfile.TemporaryDirectory() as folder:
            seconds, counts = played(engines, folder, given.complaint, given.answer)
            times.append(seconds * 1000)
    print(f"{given.complaint}, answer {given.answer}:")
    for what in (EVIDENCE, WEIGHED, QUERIED, TO_THE_ROOT):
        print(f"    {what}: {counts[what]}")
    print(f"    processor time: median {statistics.median(times):.1f} ms, worst {max(times):.1f} ms")


if __name__ == "__main__":
    main()
