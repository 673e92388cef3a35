"""One step of 1,000 cases in one call, against a loop of single calls: beliefs and informations of all.

Run from the top of the project: python -m tests.benchmarks.batch

Each case is a simulated car with its own readings seen. The loop calls `Engine.outlook` for each;
`outlook_many` takes the same evidence in one call; a `Batch` keeps what each case knows between steps, as
playing cars does, so that a step is sums and products alone. All have to agree to 1e-9. Times are processor
time.

Then 1,000 cars are played by the advice to its stop. Those that have seen the same share a calculation, as in
`player`; the loop makes one for each car and step (timed on a sample of them).
"""

from __future__ import annotations

import argparse
import time
import tracemalloc
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

import numpy as np

from advisor.arrays import Floats
from advisor.case.case import Case
from advisor.inference.batch import condition
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, Evidence
from advisor.knowledge.loading import load
from advisor.model.network import build
from advisor.simulate.array_advice import compile_ranker
from advisor.simulate.jobs import draw_cars, play_many, starts_of
from tests.benchmarks.step import AGREE_TO, KNOWLEDGE, WIDEST, machine

AT_LEAST = 20
"""Times faster than the loop that one call should be."""


def seconds(call: Callable[[], Any], repeats: int) -> float:
    """The median processor time of a call."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return float(np.median(times))


def compare(complaint: str, count: int, readings: int, repeats: int) -> None:
    """Time the three ways on one complaint, check that they agree, and print a row."""
    engine = compile_tables(build(load([KNOWLEDGE]), complaint).tables)
    random = np.random.default_rng(1)
    always = {complaint: engine.one_hot(complaint, "present")}
    batch = condition(engine, always, engine.readings)
    cars = batch.draw(batch.potentials([always]), np.zeros(count, dtype=np.intp), random)
    shows = {name: batch.configurations(name, cars) for name in engine.readings}
    cases = []
    for car in range(count):
        evidence = dict(always)
        for name in random.choice(engine.readings, readings, replace=False).tolist():
            probabilities = engine.entries[name].weights[shows[name][car]]
            evidence[name] = np.eye(len(probabilities))[
                random.choice(len(probabilities), p=probabilities / probabilities.sum())
            ]
        cases.append(evidence)
    potentials = batch.potentials(cases)
    together = engine.query_batch(cases)
    beliefs, bits = batch.posteriors(potentials)
    for at, evidence in enumerate(cases[:50]):
        alone = engine.query(evidence)
        whole = np.array(list(alone.beliefs.values()))
        assert np.abs(beliefs[at] - whole).max() <= AGREE_TO
        assert np.abs(np.array(list(together[at].beliefs.values())) - whole).max() <= AGREE_TO
        told = dict(zip(batch.readings, bits[at].tolist(), strict=True))
        for name, expected in alone.expected_information_bits.items():
            assert abs(told[name] - expected) <= AGREE_TO
            assert abs(together[at].expected_information_bits[name] - expected) <= AGREE_TO
    loop = seconds(lambda: [engine.query(evidence) for evidence in cases], 1 + repeats // 3)
    one_call = seconds(lambda: engine.query_batch(cases), repeats)
    step = seconds(lambda: batch.posteriors(potentials), repeats)
    tracemalloc.start()
    batch.posteriors(potentials)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    a_case = 1000 / count
    print(
        f"{complaint:<16} {loop * a_case:>8.3f} {one_call * a_case:>12.4f} {step * a_case:>9.4f} "
        f"{loop / one_call:>15.1f} {loop / step:>12.1f} {potentials.nbytes / count / 1000:>16.1f} "
        f"{(peak + potentials.nbytes) / count / 1000:>16.1f}"
    )


def played(complaint: str, count: int, sample: int = 20) -> None:
    """Time the steps of cars that the advice plays, shared and each by itself, and print a row."""
    knowledge = load([KNOWLEDGE])
    engine = compile_tables(build(knowledge, complaint).tables)
    ranker = compile_ranker(knowledge, engine, complaint)
    starts, random = starts_of(ranker, [Case(complaint)]), np.random.default_rng(1)
    cars = draw_cars(ranker, starts, np.zeros(count, dtype=np.intp), random)
    jobs = play_many(ranker, starts, cars)
    always = {complaint: engine.one_hot(complaint, "present")}
    steps = loop = shared = states = 0.0
    for step in range(jobs.taken.shape[1] + 1):
        going = np.flatnonzero(jobs.taken[:, step - 1] >= 0) if step else np.arange(count)
        seen = []
        for job in going.tolist():
            columns = jobs.taken[job, :step].tolist()
            seen.append(tuple((column, int(cars.shows[job, column])) for column in columns))
        different = sorted(set(seen))
        names = ranker.batch.readings
        cases = [
            always | {names[at]: _shown(engine, names[at], what) for at, what in one} for one in different
        ]
        potentials = ranker.batch.potentials(cases)
        shared += seconds(partial(ranker.batch.posteriors, potentials), 3)
        some = [cases[at] for at in random.integers(len(cases), size=sample).tolist()]
        loop += seconds(partial(_one_by_one, engine, some), 1) / sample * len(going)
        steps += len(going)
        states += len(different)
    print(
        f"{complaint:<16} {steps:>12.0f} {states:>10.0f} {loop:>8.2f} {shared:>9.3f} {loop / shared:>14.1f}"
    )


def _shown(engine: Engine, name: str, outcome: int) -> Floats:
    found: Floats = np.eye(len(engine.outcomes[name]))[outcome]
    return found


def _one_by_one(engine: Engine, cases: Iterable[Evidence]) -> None:
    for case in cases:
        engine.query(case)


def main() -> None:
    """Print milliseconds a case by the loop, in one call and in a batch, and memory; then as played."""
    parser = argparse.ArgumentParser(description="Time one step of many cases.")
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seen", type=int, default=6, help="readings seen of each case")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--complaint", action="append", help="may be repeated")
    options = parser.parse_args()
    print(machine())
    print(
        "complaint         loop ms  one call ms  batch ms   loop/one call   loop/batch   kept kB a case   "
        "peak kB a case"
    )
    for complaint in options.complaint or WIDEST:
        compare(complaint, options.cases, options.seen, options.repeats)
    print(f"\n{options.cases} cars played by the advice")
    print("complaint         car steps     states   loop s  shared s    loop/shared")
    for complaint in options.complaint or WIDEST:
        played(complaint, options.cases)
    print(f"Wanted: at least {AT_LEAST} times the loop.")


if __name__ == "__main__":
    main()
