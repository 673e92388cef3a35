"""How far the default is from the best possible where readings err and cost minutes.

Run from the top of the project: python -m tests.benchmarks.optimum

The problems are those of `lookahead`: ten causes, one of which is there, readings of 2 to 40 minutes that
err, and remedies or a senior technician at the end. Here they have 12 and 14 readings. The optimum is exact,
by dynamic programming over all 3 ** readings states: each reading not taken, no, or yes.

The default is played as the bench advises: the usual order, its stops, and mending as soon as that beats
every reading worth taking. The correction in the background offers another reading where playing out finds a
better one, or to read no further; looking ahead may also read on where the default would mend, and ask
somebody senior at any time. Both are played out to the limit of infinitely many cars here, and with
`--played N` as they are, on 100 and 200 cars, on the first N problems.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from advisor.advice.repair_order import least_minutes_of_many
from advisor.advice.rules import bits_per_minute, comparable, stop_reasons, worth_taking
from advisor.arrays import Bools, Floats, Ints, x_log2_x
from advisor.bench.session import LOOK_AHEAD_CARS, LOOK_AHEAD_SEED, QUIET_CARS
from advisor.case.case import Case
from advisor.case.entries import Seen
from advisor.policy import DEFAULT
from advisor.simulate.rollout import PATIENCES, look_ahead
from tests.benchmarks import lookahead

STATES_AT_ONCE = 100_000
MOST = 5
"""So many readings are played out, as by `look_ahead`."""

Rule = Callable[[Ints], Ints]
"""From numbers of states to the reading to take in each, -1 to mend."""


@dataclass(frozen=True, eq=False)
class Table:
    """A problem with all its states; the digits of a state's number to base 3 are what was read."""

    given: lookahead.Problem

    @property
    def count(self) -> int:
        """How many readings there are."""
        return len(self.given.minutes)

    @cached_property
    def weights(self) -> Floats:
        """P(cause and what was read), (states, causes)."""
        weights = self.given.shares[np.newaxis]
        for yes in self.given.yes:
            weights = np.concatenate([weights, weights * (1 - yes), weights * yes])
        return weights

    @cached_property
    def total(self) -> Floats:
        """P(what was read), (states,)."""
        return np.asarray(self.weights.sum(axis=1))

    @cached_property
    def level(self) -> Ints:
        """How many readings were taken, (states,)."""
        level = np.zeros(1, dtype=np.intp)
        for _ in range(self.count):
            level = np.concatenate([level, level + 1, level + 1])
        return level

    @cached_property
    def mending(self) -> Floats:
        """Expected minutes of mending from each state on, (states,)."""
        costs = self.given.costs
        assert costs is not None
        faults = [f"cause{at}" for at in range(lookahead.CAUSES - 1)]
        parts = [
            least_minutes_of_many(costs.remedies, faults, believed[:, :-1], costs.escalation_minutes)
            for believed in map(self.believed, self.blocks(np.arange(len(self.total))))
        ]
        return np.concatenate(parts)

    @cached_property
    def usual(self) -> Ints:
        """The first reading of the order in every state, -1 at a stop."""
        blocks = self.blocks(np.arange(len(self.total)))
        return np.concatenate([ranked(self, states).first for states in blocks])

    def blocks(self, states: Ints) -> list[Ints]:
        """Return states in runs that fit into memory."""
        return [states[at : at + STATES_AT_ONCE] for at in range(0, len(states), STATES_AT_ONCE)]

    def believed(self, states: Ints) -> Floats:
        """P(cause | what was read), (states, causes)."""
        return self.weights[states] / self.total[states, np.newaxis]

    def after(self, states: Ints, reading: int) -> tuple[Ints, Ints]:
        """Return the states after no and after yes."""
        return states + 3**reading, states + 2 * 3**reading

    def open_to(self, states: Ints) -> Bools:
        """Which readings were not taken, (states, readings)."""
        return np.asarray(states[:, np.newaxis] // 3 ** np.arange(self.count) % 3 == 0)

    def expected_after(self, minutes: Floats, states: Ints) -> Floats:
        """Return the minutes of each reading and from then on, (states, readings); inf where it was taken."""
        found = np.full((len(states), self.count), np.inf)
        open_to = self.open_to(states)
        for reading, own in enumerate(self.given.minutes.tolist()):
            rows = np.flatnonzero(open_to[:, reading])
            both = self.after(states[rows], reading)
            rest = sum(self.total[one] * minutes[one] for one in both)
            found[rows, reading] = own + rest / self.total[states[rows]]
        return found

    def least(self) -> Floats:
        """Expected minutes of the optimum from each state on."""
        minutes = self.mending.copy()
        for level in range(self.count - 1, -1, -1):
            for states in self.blocks(np.flatnonzero(self.level == level)):
                best = self.expected_after(minutes, states).min(axis=1)
                minutes[states] = np.minimum(minutes[states], best)
        return minutes

    def minutes_by(self, rule: Rule) -> Floats:
        """Expected minutes of a rule from every state on."""
        minutes = self.mending.copy()
        for level in range(self.count - 1, -1, -1):
            for states in self.blocks(np.flatnonzero(self.level == level)):
                reading = rule(states)
                rows = np.flatnonzero(reading >= 0)
                after = self.expected_after(minutes, states[rows])
                minutes[states[rows]] = after[np.arange(len(rows)), reading[rows]]
        return minutes

    def expected(self, rule: Rule) -> float:
        """Expected minutes of a rule from the beginning: only the states that it comes to are asked about."""
        minutes, states = 0.0, np.zeros(1, dtype=np.intp)
        while len(states):
            reading = rule(states)
            ends = reading < 0
            minutes += float(self.total[states[ends]] @ self.mending[states[ends]])
            states, reading = states[~ends], reading[~ends]
            minutes += float(self.total[states] @ self.given.minutes[reading])
            step = 3 ** reading.astype(np.intp)
            states = np.concatenate([states + step, states + 2 * step])
        return minutes

    def bits(self, states: Ints) -> Floats:
        """Information of each reading, (states, readings); 0 where it was taken."""
        believed, yes = self.believed(states), self.given.yes
        bits = _entropy(believed @ yes.T) - believed @ _entropy(yes).T
        return np.where(self.open_to(states), np.maximum(bits, 0.0), 0.0)


def _entropy(probability: Floats) -> Floats:
    return -(x_log2_x(probability) + x_log2_x(1 - probability))


@dataclass(frozen=True, eq=False)
class Ranked:
    """What the default sees in states: bits, their rates, readings worth taking, and where it stops."""

    bits: Floats
    rate: Floats
    worth: Bools
    stops: Bools

    @property
    def first(self) -> Ints:
        """The first reading of the order, -1 at a stop."""
        best = np.asarray(np.where(self.worth, comparable(self.rate), -1.0).argmax(axis=1))
        return np.where(self.stops, -1, best)


def ranked(table: Table, states: Ints) -> Ranked:
    """Return what the default sees."""
    bits = table.bits(states)
    minutes = np.broadcast_to(table.given.minutes, bits.shape)
    worth = np.asarray(worth_taking(DEFAULT, bits, minutes)) & (bits > 0)
    unlisted = np.arange(lookahead.CAUSES) == lookahead.CAUSES - 1
    reason = stop_reasons(DEFAULT, table.believed(states), unlisted, np.asarray(worth.any(axis=1)))
    return Ranked(bits, bits_per_minute(DEFAULT, bits, minutes, minutes), worth, reason >= 0)


def default(table: Table) -> Rule:
    """Make the rule of the bench: its order and stops, and a remedy where that beats every reading.

    Where no remedy is worth trying the bench reads on: it never sends to the senior technician at once.
    """

    def rule(states: Ints) -> Ints:
        seen = ranked(table, states)
        testing = np.where(seen.worth, table.expected_after(table.mending, states), np.inf)
        mending = table.mending[states]
        mend = (mending < testing.min(axis=1)) & (mending < lookahead.ESCALATION_MINUTES - 1e-9)
        return np.where(mend, -1, seen.first)

    return rule


def by_rate(table: Table) -> Rule:
    """Make the rule of the order and its stops alone."""
    return lambda states: ranked(table, states).first


def patient(table: Table, patience: float) -> Rule:
    """Make the rule by which playing out goes on: mend once knowing saves too little for the next reading."""
    usual = table.usual
    assert table.given.remedy_minutes is not None
    known = np.minimum(
        np.append(table.given.remedy_minutes, lookahead.ESCALATION_MINUTES), lookahead.ESCALATION_MINUTES
    )

    def rule(states: Ints) -> Ints:
        first = usual[states]
        saves = table.mending[states] - table.believed(states) @ known
        return np.where(saves <= patience * table.given.minutes[first], -1, first)

    return rule


def played_out(table: Table, may_read_on: bool) -> Rule:
    """Make the rule of the best few readings, each played out on infinitely many cars.

    It is looking ahead if it `may_read_on` where the default mends, and may ask somebody senior at any time;
    else the correction in the background, which does so only where the unlisted cause leads.
    """
    ways = [table.minutes_by(patient(table, patience)) for patience in PATIENCES]
    plain = default(table)

    def rule(states: Ints) -> Ints:
        seen = ranked(table, states)
        after = np.min([table.expected_after(way, states) for way in ways], axis=0)
        after = np.where(_candidates(seen), after, np.inf)
        best = after.argmin(axis=1)
        mends = table.mending[states] <= after.min(axis=1)
        if may_read_on:
            return np.where(mends, -1, best)
        usual = plain(states)
        return np.where(usual < 0, -1, np.where(mends, np.where(is_a_choice(table, states), -1, usual), best))

    return rule


def is_a_choice(table: Table, states: Ints) -> Bools:
    """Whether reading no further may be offered: a remedy is worth trying, or the unlisted cause leads."""
    unlisted_leads = table.believed(states).argmax(axis=1) == lookahead.CAUSES - 1
    return np.asarray((table.mending[states] < lookahead.ESCALATION_MINUTES - 1e-9) | unlisted_leads)


def _candidates(seen: Ranked) -> Bools:
    """Which readings are played out: the best by rate and by bits, in turn."""
    turns = []
    for told, later in ((seen.rate, 0), (seen.bits, 1)):
        order = np.where(seen.worth, -comparable(told), np.inf).argsort(axis=1, kind="stable")
        turns.append(2 * order.argsort(axis=1) + later)
    turn = np.where(seen.worth, np.minimum(*turns), np.iinfo(np.intp).max)
    place = turn.argsort(axis=1, kind="stable").argsort(axis=1)
    return np.asarray(seen.worth & (place < MOST))


def as_it_is(table: Table, may_read_on: bool) -> Rule:
    """Make the same rule with the real look-ahead, on as many cars as the bench plays."""
    ranker, plain = lookahead.ranker_of(table.given), default(table)
    cars = LOOK_AHEAD_CARS if may_read_on else QUIET_CARS

    def one(state: int, usual: int) -> int:
        if usual < 0 and not may_read_on:
            return usual
        digits = [(at, state // 3**at % 3) for at in range(table.count)]
        seen = tuple(Seen(f"reading{at:02}", ("no_", "yes_")[digit - 1]) for at, digit in digits if digit)
        random = np.random.default_rng(LOOK_AHEAD_SEED)
        found = look_ahead(ranker, Case("trouble", seen), table.given.costs, random, cars)
        assert found is not None
        mends = bool(found.mending_saves_minutes) and bool(is_a_choice(table, np.array([state]))[0])
        if not may_read_on and not found.changes_the_advice and not mends:
            return usual
        return -1 if found.winner is None else int(found.winner.removeprefix("reading"))

    def rule(states: Ints) -> Ints:
        pairs = zip(states.tolist(), plain(states).tolist(), strict=True)
        return np.array([one(state, usual) for state, usual in pairs], dtype=np.intp)

    return rule


def excesses(table: Table, rules: Mapping[str, Rule]) -> dict[str, float]:
    """By how many percent each rule is above the optimum."""
    best = float(table.least()[0])
    return {name: 100 * (table.expected(rule) / best - 1) for name, rule in rules.items()}


def rules_of(table: Table, played: bool) -> dict[str, Rule]:
    """The rules that are compared."""
    rules = {
        "the order and its stops alone": by_rate(table),
        "the default": default(table),
        "corrected in the background, limit": played_out(table, may_read_on=False),
        "looking ahead, limit": played_out(table, may_read_on=True),
    }
    if played:
        rules["corrected in the background, 100 cars"] = as_it_is(table, may_read_on=False)
        rules["looking ahead, 200 cars"] = as_it_is(table, may_read_on=True)
    return rules


def main() -> None:
    """Print a table for each number of readings."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--problems", type=int, default=20)
    parser.add_argument("--readings", type=int, action="append", help="default: 12 and 14")
    parser.add_argument(
        "--played", type=int, default=0, help="problems on which the real look-ahead is tried"
    )
    chosen = parser.parse_args()
    for readings in chosen.readings or (12, 14):
        start, found = time.perf_counter(), []
        for seed in range(chosen.problems):
            table = Table(lookahead.problem(seed, readings, errs=True))
            found.append(excesses(table, rules_of(table, seed < chosen.played)))
            print(f"{seed}: " + ", ".join(f"{one:.2f}" for one in found[-1].values()), flush=True)
        print(f"{readings} readings, {chosen.problems} problems, {time.perf_counter() - start:.0f} s")
        print(f"{'percent above the optimum':<44}problems  average    worst")
        for name in found[0] if found else ():
            column = [row[name] for row in found if name in row]
            print(f"{name:<44}{len(column):8}{np.mean(column):9.2f}{max(column):9.2f}", flush=True)


if __name__ == "__main__":
    main()
