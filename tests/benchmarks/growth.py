"""How the engine's cost grows with the network: compiling, and one step, on made-up networks.

Run from the top of the project: python -m tests.benchmarks.growth

A network has branches of eight faults under a chain of any-of gates, and twice as many readings as faults.
Each reading depends on one or two faults of a branch; a share of them, the cross-links, on a fault of another
branch besides. With cross-links to the next branch the treewidth is the same at every size, so that cost
should be proportional to size. With cross-links to any branch it grows with size; what an answer costs then,
and by how much it may be off, is shown too (`advisor.inference.bounded`). Times are processor time.
"""

from __future__ import annotations

import argparse
import functools
import statistics
import time
from collections.abc import Sequence

import numpy as np

from advisor.arrays import Floats
from advisor.inference.bounded import compile_bounded
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import InferenceEngine, TooWide
from advisor.inference.tables import CPT, DiscreteNetwork
from tests import oracle
from tests.benchmarks.step import machine, median_ms
from tests.oracle import BINARY

SIZES = (25, 50, 100, 200, 400, 1000)
CROSS_LINKS = (0.02, 0.15)
BRANCH = 8
FROM = 100
PROPORTIONAL = 1.3
"""Times proportional that cost may grow to."""


def made_up(faults: int, cross_links: float, seed: int, *, anywhere: bool = False) -> DiscreteNetwork:
    """A network with so many faults, twice as many readings, and this share of cross-links among them."""
    random = np.random.default_rng(seed)
    names = [f"fault{at}" for at in range(faults)]
    tables = []
    for name in names:
        probability = float(random.uniform(0.2, 2.0)) / faults
        tables.append(oracle.root(name, (1 - probability, probability)))
    branches = [names[first : first + BRANCH] for first in range(0, faults, BRANCH)]
    tops = []
    for at, members in enumerate(branches):
        tops.append(_any_of(tables, f"branch{at}", members))
    _any_of(tables, "complaint", tops)
    readings = []
    for at in range(2 * faults):
        branch = at * len(branches) // (2 * faults)
        own = branches[branch]
        parents = random.choice(own, min(len(own), int(random.integers(1, 3))), replace=False).tolist()
        if random.random() < cross_links and len(branches) > 1:
            other = int(random.integers(len(branches))) if anywhere else (branch + 1) % len(branches)
            if not anywhere and branch + 1 == len(branches):
                other = branch - 1
            parents.append(str(random.choice([name for name in branches[other] if name not in parents])))
        rows = [
            random.dirichlet((1.0, 8.0) if any(on) else (20.0, 1.0)) for on in np.ndindex(*[2] * len(parents))
        ]
        readings.append(f"reading{at}")
        tables.append(CPT(readings[-1], tuple(parents), np.array(rows).reshape(*[2] * len(parents), 2)))
    return DiscreteNetwork(
        tuple(tables), {table.child: BINARY for table in tables}, tuple(names), tuple(readings)
    )


def _any_of(tables: list[CPT], name: str, members: Sequence[str]) -> str:
    """Add the gate as a chain of steps that take in one member each; returns its name."""
    before = members[0]
    for at, member in enumerate(members[1:], start=2):
        step = name if at == len(members) else f"{name}~{at}"
        tables.append(oracle.gate(step, "or", (before, member)))
        before = step
    if len(members) == 1:
        tables.append(oracle.copy_of(name, before, 2))
    return name


def seen_on(tables: DiscreteNetwork, count: int, seed: int) -> dict[str, Floats]:
    """The complaint, and a random outcome of each of some readings."""
    random = np.random.default_rng(seed)
    seen: dict[str, Floats] = {"complaint": np.array([0.0, 1.0])}
    for name in random.choice(tables.readings, count, replace=False).tolist():
        seen[name] = np.eye(2)[int(random.random() < 0.3)]
    return seen


def proportional(cross_links: float, sizes: Sequence[int], repeats: int) -> None:
    """Print what compiling and a step cost at each size, and how many times proportional that is.

    "x size" is cost by faults, "x entries" by table entries, which is by faults at equal treewidth. Both are
    1 at `FROM` faults or at the first larger size: below that calls count more than numbers.
    """
    print(f"\n{cross_links:.0%} cross-links to the next branch")
    print("faults  entries a fault  largest  compile s  x size  x entries  step ms  x size  x entries")
    first: tuple[int, float, float, float] | None = None
    for faults in sizes:
        compiled, steps, entries, widest = [], [], [], []
        for seed in range(repeats):
            tables = made_up(faults, cross_links, seed)
            begin = time.process_time()
            engine = compile_tables(tables)
            compiled.append(time.process_time() - begin)
            seen = seen_on(tables, 8, seed)
            steps.append(median_ms(functools.partial(engine.query, seen), 30))
            entries.append(len(engine.start))
            widest.append(engine.widest[1])
        here = (faults, statistics.median(entries), statistics.median(compiled), statistics.median(steps))
        first = first or (here if faults >= FROM else None)
        row = f"{faults:>6} {here[1] / faults:>16.1f} {max(widest):>8}"
        for cost, width in ((2, 10), (3, 8)):
            row += f" {here[cost]:>{width}.2f}"
            for by, space in ((0, 7), (1, 10)):
                share = here[cost] / first[cost] / (here[by] / first[by]) if first else 0
                row += f" {share:>{space}.2f}" if first else " " * (space + 1)
        print(row)


def too_wide(cross_links: float, sizes: Sequence[int]) -> None:
    """Print what an answer costs where cross-links may go anywhere, by one engine or by several."""
    print(f"\n{cross_links:.0%} cross-links to any branch, eight readings seen")
    print("faults   one engine  engines   first answer s   next answer ms   off by at most: belief   bits")
    for faults in sizes:
        tables = made_up(faults, cross_links, 1, anywhere=True)
        seen = seen_on(tables, 8, 1)
        begin = time.process_time()
        whole, engines = "fits", 1
        reasoner: InferenceEngine
        try:
            reasoner = compile_tables(tables)
            found = reasoner.query(seen)
        except TooWide as error:
            reasoner = compile_bounded(tables)
            found = reasoner.query(seen)
            whole, engines = f"{error.entries:.0e}", sum(map(len, reasoner.plans.values()))
        first = time.process_time() - begin
        following = median_ms(functools.partial(reasoner.query, seen), 3)
        print(
            f"{faults:>6} {whole:>12} {engines:>8} {first:>16.2f} {following:>16.1f} "
            f"{found.belief_error:>23.2g} {found.bits_error:>6.2g}"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Time networks of growing size.")
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES, help="numbers of faults")
    parser.add_argument("--repeats", type=int, default=3, help="networks of each size; medians are printed")
    options = parser.parse_args()
    print(machine())
    for cross_links in CROSS_LINKS:
        proportional(cross_links, options.sizes, options.repeats)
    print(f"Wanted: at most {PROPORTIONAL} times proportional.")
    for cross_links in CROSS_LINKS:
        too_wide(cross_links, options.sizes)


if __name__ == "__main__":
    main()
