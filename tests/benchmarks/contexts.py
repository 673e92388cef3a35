"""Readings that mean something only in their context, and a context that tells nothing by itself.

Run from the top of the project: python -m tests.benchmarks.contexts

The trap of the data set CUBE-NM (AFABench, arXiv 2508.14734; rebuilt from its description, no numbers taken
over): one of eight causes, a context that is independent of it, and for each context three readings, a bit of
the cause each with 2 % noise in that context, and the toss of a coin in every other. No single reading tells
much, the context tells 0 bits, and the context with the three readings that belong to it tells nearly all.

Nobody can be right more often than with everything read, and the context and its three readings reach that:
whoever leaves one of the four out misses it. So they are the optimum. In the harder set the context is
misread 2 % of the time as well, and its optimum is taken to be the same four readings.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from advisor.arrays import Floats
from advisor.case.case import Case
from advisor.checks.lint import checked
from advisor.evaluation.bounds import all_readings
from advisor.evaluation.trials import TrialRecord
from advisor.inference.compiler import compile_tables
from advisor.model.network import build
from advisor.simulate.array_advice import Offers, Ranker, compile_ranker
from advisor.simulate.jobs import Cars, Jobs, ReadingPolicy, draw_cars, play_many, starts_of

SEED = 20_300_105
CAUSES, BITS, NOISE, MINUTES = 8, 3, 0.02, 2
OPTIMAL_READINGS = 1 + BITS


def yaml_of(contexts: int, misread: float = 0.0) -> str:
    """The problem as knowledge; cause 0 is the unlisted one."""
    share = 100 / CAUSES
    shares = ", ".join(f"cause{at}: {share}" for at in range(1, CAUSES))
    names = [f"context{at}" for at in range(contexts)]
    lines = [
        "language: 1",
        "standing: estimate",
        "complaints:",
        f"  trouble: {{name: Trouble, family: made_up, exactly_one_of: {{{shares}}}, unlisted: {share}}}",
        "facts:",
        "  context:",
        "    name: Context",
        "    ask: Which context?",
        f"    values: {{{', '.join(f'{name}: {100 / contexts!r}' for name in names)}}}",
        "faults:",
    ]
    for at in range(1, CAUSES):
        lines.append(f"  cause{at}: {{name: Cause {at}, remedy: Mend it, remedy_minutes: 1, price: none}}")
    others = misread / (contexts - 1)
    lines += [
        "readings:",
        "  which_context:",
        "    name: Which context",
        f"    minutes: {MINUTES}",
        f"    outcomes: {{{', '.join(f'{name}: In {name}' for name in names)}}}",
        "    normal: context0",
        "    table:",
    ]
    for name in names:
        shown = ", ".join(f"{one}: {1 - misread if one == name else others!r}" for one in names)
        # The cause makes no difference; the reading has to name one to belong to the complaint.
        lines.append(f"      - when: {{cause1: present, context: {name}}}\n        gives: {{{shown}}}")
        if name == names[-1]:
            lines.append(f"      - otherwise: {{{shown}}}")
        else:
            lines.append(f"      - when: {{context: {name}}}\n        gives: {{{shown}}}")
    for name in names:
        for bit in range(BITS):
            lines += [
                f"  {name}_bit{bit}:",
                f"    name: Bit {bit} in {name}",
                f"    minutes: {MINUTES}",
                "    outcomes: {no_: No, yes_: Yes}",
                "    table:",
            ]
            for at in range(1, CAUSES):
                if at >> bit & 1:
                    lines.append(f"      - when: {{cause{at}: present, context: {name}}}")
                    lines.append(f"        gives: {{no_: {NOISE!r}, yes_: {1 - NOISE!r}}}")
            lines.append(f"      - when: {{context: {name}}}")
            lines.append(f"        gives: {{no_: {1 - NOISE!r}, yes_: {NOISE!r}}}")
            lines.append("      - otherwise: {no_: 0.5, yes_: 0.5}")
    return "\n".join(lines) + "\n"


def ranker_of(contexts: int, misread: float) -> Ranker:
    """The advice on the problem."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "made_up.yaml"
        file.write_text(yaml_of(contexts, misread), encoding="utf-8")
        knowledge = checked([file])
    engine = compile_tables(build(knowledge, "trouble").tables)
    return compile_ranker(knowledge, engine, "trouble")


@dataclass(frozen=True)
class Row:
    """What a way comes to: how often it is right, and the readings it takes, both on average."""

    way: str
    right: float
    readings: float


def rows(contexts: int, misread: float, cars: int) -> Iterator[Row]:
    """Yield the optimum and what the advice comes to on the same simulated cars."""
    ranker = ranker_of(contexts, misread)
    starts = starts_of(ranker, [Case("trouble")])
    drawn = draw_cars(ranker, starts, np.zeros(cars, dtype=np.intp), np.random.default_rng(SEED))
    optimal = play_many(ranker, starts, drawn, wish=context_first(ranker))
    yield _row("everything read", all_readings(ranker, starts, drawn), drawn)
    yield _row("optimum: the context and its three readings", optimal, drawn)
    yield _row("the default", play_many(ranker, starts, drawn), drawn)
    yield _row("by bits", play_many(replace(ranker, ranking="bits"), starts, drawn), drawn)
    alone = replace(ranker, gives_meaning={})
    yield _row("the default, each reading by itself", play_many(alone, starts, drawn), drawn)


def context_first(ranker: Ranker) -> ReadingPolicy:
    """Make the policy that reads the context, and then whatever tells most."""
    context = ranker.readings.index("which_context")

    def wish(beliefs: Floats, offered: Offers) -> Floats:
        wishes = offered.bits.copy()
        wishes[:, context] += 10 * (offered.gain[:, context] > 0)
        return wishes

    return wish


def _row(way: str, jobs: Jobs, cars: Cars) -> Row:
    record = TrialRecord.of(jobs)
    right = cars.faults[np.arange(len(record.leading)), record.leading]
    return Row(way, float(right.mean()), float(record.readings.mean()))


def main() -> None:
    """Print a table for each problem."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cars", type=int, default=2000)
    cars = parser.parse_args().cars
    for contexts, misread in ((4, 0.0), (6, 0.0), (4, NOISE), (6, NOISE)):
        print(f"\n{contexts} contexts, misread {misread:.0%} of the time; {cars} cars{'':<8}right  readings")
        for row in rows(contexts, misread, cars):
            print(f"{row.way:<48}{row.right:>11.1%}{row.readings:>10.2f}", flush=True)


if __name__ == "__main__":
    main()
