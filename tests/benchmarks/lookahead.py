"""How far ways to choose readings are from the best possible, on small random problems.

Run from the top of the project: python -m tests.benchmarks.lookahead

A problem has ten causes, exactly one of which is there, and two-outcome readings with minutes. The best
possible is found by dynamic programming. First set: readings without error, and the minutes until the cause
is known. Second set: readings that err, and the minutes until the complaint is gone, where at every point one
may stop reading and try remedies, in their best order and with escalation at the end. The roll-out is
`advisor.simulate.rollout` on knowledge written as YAML; the other ways are written out here on plain arrays.
"""

from __future__ import annotations

import argparse
import functools
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from advisor.advice.repair_order import Remedy, best_plan
from advisor.case.case import Case
from advisor.case.entries import Seen
from advisor.checks.lint import checked
from advisor.inference.compiler import compile_tables
from advisor.model.network import build
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.rollout import PATIENCES, RepairCosts, look_ahead

Floats = NDArray[np.float64]
State = frozenset[tuple[int, int]]
"""What was seen: readings with their outcomes, 0 for no and 1 for yes."""
ReadingRule = Callable[[State], int | None]
"""The reading to take next in a state, or None to stop."""

CAUSES = 10
UNTIL_KNOWN = Policy(sure_at=1 - 1e-9, least_bits=1e-6, least_bits_per_hour=0)
ESCALATION_MINUTES = 120.0
LEAK = 0.05


@dataclass(frozen=True, eq=False)
class Problem:
    """Shares of the causes, P(yes | cause) of each reading, and minutes; the last cause is the unlisted one.

    Without remedies the search ends when the cause is known; with them, when the complaint is gone.
    """

    shares: Floats  # (causes,)
    yes: Floats  # (readings, causes)
    minutes: Floats  # (readings,)
    remedy_minutes: Floats | None  # (causes but the last,)

    @property
    def costs(self) -> RepairCosts | None:
        """What mending takes; None where only the cause is asked for."""
        if self.remedy_minutes is None:
            return None
        named = enumerate(self.remedy_minutes.tolist())
        return RepairCosts(
            tuple(Remedy(f"mend {at}", frozenset({f"cause{at}"}), minutes) for at, minutes in named),
            ESCALATION_MINUTES,
        )

    def weights(self, state: State) -> Floats:
        """P(cause and what was seen)."""
        weights = self.shares.copy()
        for reading, outcome in sorted(state):
            weights *= self.yes[reading] if outcome else 1 - self.yes[reading]
        return weights

    def open_readings(self, state: State) -> list[int]:
        """Readings not taken that can still show either outcome."""
        weights = self.weights(state)
        probabilities = self.yes @ (weights / weights.sum())
        taken = {reading for reading, _ in state}
        return [
            at for at, p in enumerate(probabilities.tolist()) if 1e-12 < p < 1 - 1e-12 and at not in taken
        ]

    def minutes_at_stop(self, state: State) -> float:
        """Minutes of repair when reading ends here."""
        costs = self.costs
        if costs is None:
            return 0.0
        weights = self.weights(state)
        believed = (weights / weights.sum())[:-1].tolist()
        shares = {f"cause{at}": share for at, share in enumerate(believed)}
        return best_plan(costs.remedies, shares, ESCALATION_MINUTES).expected_minutes


def whole_minutes(random: np.random.Generator, least: float, most: float, count: int) -> Floats:
    """Minutes drawn evenly on a logarithmic scale, and rounded."""
    drawn: Floats = np.exp(random.uniform(np.log(least), np.log(most), count))
    return np.round(drawn)


def problem(seed: int, readings: int = 14, errs: bool = False) -> Problem:
    """A random problem whose readings each depend on a cause, and together tell all causes apart."""
    random = np.random.default_rng(seed)
    weights = random.integers(1, 20, CAUSES)
    while True:
        says = random.random((readings, CAUSES)) < random.uniform(0.2, 0.6, (readings, 1))
        says[:, -1] = False
        if says.any(axis=1).all() and len(np.unique(says, axis=1).T) == CAUSES:
            break
    yes = says.astype(np.float64)
    if errs:
        yes = np.where(says, random.uniform(0.7, 0.98, yes.shape), LEAK)
    minutes = whole_minutes(random, 2, 40, readings)
    remedies = whole_minutes(random, 10, 90, CAUSES - 1) if errs else None
    return Problem(weights / weights.sum(), yes, minutes, remedies)


def yaml_of(given: Problem) -> str:
    """The problem as knowledge: an exactly-one gate, and noisy-OR readings."""
    shares = [100 * share for share in given.shares.tolist()]
    gate = ", ".join(f"cause{at}: {share!r}" for at, share in enumerate(shares[:-1]))
    gate = f"exactly_one_of: {{{gate}}}, unlisted: {shares[-1]!r}"
    lines = [
        "language: 1",
        "standing: estimate",
        "complaints:",
        f"  trouble: {{name: Trouble, family: made_up, {gate}}}",
        "faults:",
    ]
    for at in range(CAUSES - 1):
        said = f"name: Cause {at}, remedy: Mend it, remedy_minutes: 1, price: low"
        lines.append(f"  cause{at}: {{{said}}}")
    lines.append("readings:")
    for at, (yes, minutes) in enumerate(zip(given.yes, given.minutes, strict=True)):
        leak = float(yes[-1])
        effects = {f"cause{one}": float(1 - (1 - p) / (1 - leak)) for one, p in enumerate(yes[:-1])}
        causes = ", ".join(f"{cause}: {p!r}" for cause, p in effects.items() if p > 0)
        lines += [
            f"  reading{at:02}:",
            f"    name: Reading {at}",
            f"    minutes: {minutes:g}",
            "    outcomes: {no_: No, yes_: Yes}",
            f"    noisy_or: {{leak: {leak!r}, causes: {{{causes}}}}}",
        ]
    return "\n".join(lines) + "\n"


def ranker_of(given: Problem) -> Ranker:
    """The real advice on the problem: until the cause is known, or as the bench stops."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "made_up.yaml"
        file.write_text(yaml_of(given), encoding="utf-8")
        knowledge = checked([file])
    engine = compile_tables(build(knowledge, "trouble").tables)
    policy = UNTIL_KNOWN if given.remedy_minutes is None else DEFAULT
    return compile_ranker(knowledge, engine, "trouble", policy=policy, ranking="bits for the time")


def optimum(given: Problem) -> float:
    """The least expected minutes there are, by dynamic programming.

    Without errors the state is which causes remain; with them, the outcome of every reading taken.
    """
    memory: dict[object, float] = {}

    def least(state: State) -> float:
        weights = given.weights(state)
        key = tuple(np.flatnonzero(weights > 0).tolist()) if given.remedy_minutes is None else state
        if key not in memory:
            readings = given.open_readings(state)
            values = [given.minutes[at] + sum_over(given, state, at, least) for at in readings]
            if given.remedy_minutes is not None or not readings:
                values.append(given.minutes_at_stop(state))
            memory[key] = min(values)
        return memory[key]

    return least(frozenset())


def sum_over(given: Problem, state: State, reading: int, then: Callable[[State], float]) -> float:
    """The expectation over a reading's outcomes of what comes after."""
    weights = given.weights(state)
    probability = float(given.yes[reading] @ weights / weights.sum())
    return probability * then(state | {(reading, 1)}) + (1 - probability) * then(state | {(reading, 0)})


def expected(given: Problem, policy: ReadingRule) -> float:
    """Expected minutes of a policy, over every way the answers can go."""

    @functools.cache
    def after(state: State) -> float:
        reading = policy(state)
        if reading is None:
            return given.minutes_at_stop(state)
        return float(given.minutes[reading]) + sum_over(given, state, reading, after)

    return after(frozenset())


def bits(given: Problem, state: State, reading: int) -> float:
    """Information of a reading about the cause."""
    weights = given.weights(state)
    believed = weights / weights.sum()
    probability = float(given.yes[reading] @ believed)
    return _entropy(probability) - float(
        sum(b * _entropy(p) for b, p in zip(believed, given.yes[reading], strict=True))
    )


def _entropy(p: float) -> float:
    return -sum(float(x * np.log2(x)) for x in (p, 1 - p) if x > 0)


def sure(given: Problem, state: State) -> bool:
    """Whether the bench would stop as sure: one cause at 95 %, none of the others at 15 %."""
    weights = given.weights(state)
    return given.remedy_minutes is not None and bool(weights.max() >= 0.95 * weights.sum())


def knowing_saves(given: Problem, state: State) -> float:
    """Minutes of repair that it would save on average to know the cause."""
    weights = given.weights(state)
    known = (
        [ESCALATION_MINUTES] if given.remedy_minutes is None else [*given.remedy_minutes, ESCALATION_MINUTES]
    )
    return given.minutes_at_stop(state) - float(
        weights @ np.minimum(known, ESCALATION_MINUTES) / weights.sum()
    )


def fixed(given: Problem) -> ReadingRule:
    """A checklist: the readings as written, those that can tell nothing more left out."""

    def policy(state: State) -> int | None:
        return None if sure(given, state) else next(iter(given.open_readings(state)), None)

    return policy


def greedy(given: Problem, per_minute: bool) -> ReadingRule:
    """Most informative first, or most informative per minute, to the stop of the bench."""
    until = UNTIL_KNOWN if given.remedy_minutes is None else DEFAULT
    least = [max(until.least_bits, until.least_bits_per_hour * minutes / 60) for minutes in given.minutes]

    def policy(state: State) -> int | None:
        told = {at: bits(given, state, at) for at in given.open_readings(state)}
        worth = {at: b / (given.minutes[at] if per_minute else 1) for at, b in told.items() if b >= least[at]}
        return max(worth, key=lambda at: worth[at]) if worth and not sure(given, state) else None

    return policy


def patient(given: Problem, patience: float) -> ReadingRule:
    """Most informative per minute, until knowing the cause saves less than so many times its minutes."""
    plain = greedy(given, per_minute=True)

    def policy(state: State) -> int | None:
        reading = plain(state)
        if reading is None or knowing_saves(given, state) <= patience * given.minutes[reading]:
            return None
        return reading

    return policy


def rollout(given: Problem, cars: int, seed: int = 0) -> ReadingRule:
    """The real look-ahead."""
    ranker = ranker_of(given)

    def policy(state: State) -> int | None:
        seen = tuple(Seen(f"reading{at:02}", ("no_", "yes_")[outcome]) for at, outcome in sorted(state))
        found = look_ahead(ranker, Case("trouble", seen), given.costs, np.random.default_rng(seed), cars)
        assert found is not None
        return None if found.winner is None else int(found.winner.removeprefix("reading"))

    return policy


def policies(given: Problem, cars: int) -> dict[str, ReadingRule]:
    """The ways that are compared."""
    ways = {
        "fixed order": fixed(given),
        "most informative first": greedy(given, per_minute=False),
        "most informative per minute": greedy(given, per_minute=True),
        "roll-out": rollout(given, cars),
    }
    if given.remedy_minutes is not None:
        stopped = {
            f"per minute, ends at {patience:g} times": patient(given, patience) for patience in PATIENCES
        }
        ways = {"repair at once": lambda state: None, **ways, **stopped}
    return ways


def excesses(given: Problem, ways: Mapping[str, ReadingRule]) -> dict[str, float]:
    """By how many percent each way is above the best possible."""
    best = optimum(given)
    return {name: 100 * (expected(given, policy) / best - 1) for name, policy in ways.items()}


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description="Compare ways to choose readings with the best possible.")
    parser.add_argument("--exact", type=int, default=60, help="problems whose readings do not err")
    parser.add_argument("--noisy", type=int, default=20, help="problems whose readings err")
    parser.add_argument("--cars", type=int, default=400, help="simulated cars of the roll-out")
    options = parser.parse_args()
    for name, count, readings, errs in (
        ("14 readings without error; minutes until the cause is known", options.exact, 14, False),
        ("7 readings that err; minutes until the complaint is gone", options.noisy, 7, True),
    ):
        start = time.perf_counter()
        found = []
        for seed in range(count):
            given = problem(seed, readings, errs)
            found.append(excesses(given, policies(given, options.cars)))
        print(f"{name}: {count} problems, {time.perf_counter() - start:.0f} s")
        print(f"{'':<30} above the best possible:  average    worst   best reached in")
        for way in found[0] if found else ():
            column = [row[way] for row in found]
            reached = sum(excess < 0.01 for excess in column)
            print(f"{way:<30} {'':>24} {np.mean(column):>8.1f} % {max(column):>6.1f} % {reached:>8}")


if __name__ == "__main__":
    main()
