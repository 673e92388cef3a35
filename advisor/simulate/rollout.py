"""Looking to the end of the job: the few best readings, each played out, and the one that ends soonest.

A roll-out (Tesauro & Galperin 1997; Bertsekas, Tsitsiklis & Wu 1997): after each candidate the job goes on by
the plain advice to its stop, on the same simulated cars for all candidates, and the minutes of readings,
setups and the repair that follows are averaged. Mending at once is weighed against them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from advisor.advice.repair_order import Remedy, least_minutes_of_many, single_fault_shares
from advisor.advice.rules import most_first
from advisor.arrays import Bools, Floats
from advisor.case.case import Case
from advisor.simulate.array_advice import Ranker, offers, rates, worth_taking
from advisor.simulate.jobs import Starts, StoppingRule, draw_cars, play_many, starts_of

PATIENCES = (2.0, 4.0, 8.0)
"""Reading ends where knowing the cause would save less than this many times the next reading's minutes."""


@dataclass(frozen=True)
class RepairCosts:
    """What repairs take: remedies, no two of which repair one fault, and the minutes of escalation."""

    remedies: tuple[Remedy, ...]
    escalation_minutes: float


@dataclass(frozen=True)
class Candidate:
    """A reading played out: expected minutes from here to the end of the repair.

    The standard error is that of as many independent cars; evenly spread ones do better as a rule.
    """

    reading: str
    expected_minutes: float
    standard_error_minutes: float


@dataclass(frozen=True)
class LookAhead:
    """What playing out found: `candidates`, best first; `plain` is the first choice of the plain advice."""

    candidates: tuple[Candidate, ...]
    repair_now_minutes: float
    plain: str | None

    @property
    def changes_the_advice(self) -> bool:
        """Whether another reading than the plain advice's is better by more than chance."""
        plain, best = self._candidate(self.plain), self._candidate(self.winner)
        return plain is not None and best is not None and _clearly_less(best, plain)

    @property
    def mending_saves_minutes(self) -> float:
        """How many minutes mending at once saves against the plain advice; 0 where a reading beats it.

        What chance could have done counts as nothing saved.
        """
        plain = self._candidate(self.plain)
        if plain is None or self.winner is not None:
            return 0.0
        saved = plain.expected_minutes - self.repair_now_minutes
        return saved if saved > 2 * plain.standard_error_minutes else 0.0

    def _candidate(self, reading: str | None) -> Candidate | None:
        return next((one for one in self.candidates if one.reading == reading), None)

    @property
    def winner(self) -> str | None:
        """The reading to take; None where mending at once takes no longer, or nothing can be read."""
        if self.candidates and self.candidates[0].expected_minutes < self.repair_now_minutes:
            return self.candidates[0].reading
        return None


@dataclass(frozen=True)
class ToEnd:
    """What the rest of the search takes by the plain advice: medians over simulated cars like this one."""

    readings: float
    hands_on_minutes: float
    waiting_minutes: float


def to_the_end(
    ranker: Ranker, start: Starts, random: np.random.Generator, cars: int, stop: Callable[[], bool]
) -> ToEnd | None:
    """Play cars like this one by the plain advice to its stop; None once `stop` says so."""
    drawn = draw_cars(ranker, start, np.zeros(cars, dtype=np.intp), random)
    jobs = play_many(ranker, start, drawn, stop=stop)
    if jobs.halted:
        return None
    readings = (jobs.taken >= 0).sum(axis=1)
    return ToEnd(
        float(np.median(readings)),
        float(np.median(jobs.hands_on_minutes)),
        float(np.median(jobs.waiting_minutes)),
    )


def _clearly_less(one: Candidate, other: Candidate) -> bool:
    """Whether the difference is more than twice its standard error, taken as if of independent cars."""
    error = math.hypot(one.standard_error_minutes, other.standard_error_minutes)
    return other.expected_minutes - one.expected_minutes > 2 * error


def look_ahead(
    ranker: Ranker,
    case: Case | Starts,
    costs: RepairCosts | None,
    random: np.random.Generator,
    cars: int = 400,
    most: int = 5,
    progress: Callable[[int, int], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> LookAhead | None:
    """Play out the `most` best readings on simulated cars; None once `stop` says so.

    A case is in the condition that its entries say, with all waits over; `starts_of` gives it in another one.

    Without costs only the minutes of readings count, up to the stop of the plain advice. `progress` is told
    how many candidates of how many are done. Raises `ImpossibleEvidence`.
    """
    start = starts_of(ranker, [case]) if isinstance(case, Case) else case
    believed, bits = ranker.posteriors(start.potentials)
    now = math.inf if costs is None else float(repair_minutes(ranker, believed, costs)[0])
    names = candidates(ranker, start, bits, most)
    drawn = draw_cars(ranker, start, np.zeros(cars, dtype=np.intp), random)
    tried = []
    for done, name in enumerate(names):
        ways = []
        for enough in _stops(ranker, costs):
            jobs = play_many(ranker, start, drawn, first=name, enough=enough, stop=stop)
            if jobs.halted:
                return None
            mending = 0.0 if costs is None else repair_minutes(ranker, jobs.beliefs, costs)
            ways.append(jobs.minutes + mending)
        minutes = min(ways, key=lambda way: float(way.mean()))
        tried.append(Candidate(name, float(minutes.mean()), float(minutes.std(ddof=1)) / math.sqrt(cars)))
        if progress is not None:
            progress(done + 1, len(names))
    # The plain advice's choice comes first among equals.
    tried.sort(key=lambda one: (one.expected_minutes, names.index(one.reading)))
    return LookAhead(tuple(tried), now, names[0] if names else None)


def candidates(ranker: Ranker, start: Starts, bits: Floats, most: int) -> tuple[str, ...]:
    """Return the best readings of a case by its ranking and the other, in turn; the plain choice first."""
    offered = offers(ranker, start.potentials, bits, start.gone, start.condition, start.left)
    minutes = offered.minutes[0].tolist()
    worth = np.flatnonzero(worth_taking(ranker, offered)[0]).tolist()
    if not worth:
        return ()
    by_bits, by_rate = (
        sorted(worth, key=lambda index: most_first(told[index], minutes[index], ranker.readings[index]))
        for told in (offered.bits[0].tolist(), rates(ranker, offered)[0].tolist())
    )
    pair = (by_bits, by_rate) if ranker.ranking == "bits" else (by_rate, by_bits)
    in_turn = dict.fromkeys(index for both in zip(*pair, strict=True) for index in both)
    return tuple(ranker.readings[index] for index in list(in_turn)[:most])


def repair_minutes(ranker: Ranker, beliefs: Floats, costs: RepairCosts) -> Floats:
    """Return the expected minutes of repair for the beliefs of many cases, shape (cases, faults)."""
    return least_minutes_of_many(
        costs.remedies, ranker.faults, single_fault_shares(beliefs), costs.escalation_minutes
    )


def knowing_saves_minutes(ranker: Ranker, beliefs: Floats, costs: RepairCosts) -> Floats:
    """How many minutes of repair it would save on average to know the cause, for many cases' beliefs."""
    known = least_minutes_of_many(
        costs.remedies, ranker.faults, np.eye(len(ranker.faults)), costs.escalation_minutes
    )
    shares = single_fault_shares(beliefs)
    knowing = shares @ known + (1 - shares.sum(axis=1)) * costs.escalation_minutes
    return np.asarray(repair_minutes(ranker, beliefs, costs) - knowing)


def _stops(ranker: Ranker, costs: RepairCosts | None) -> list[StoppingRule | None]:
    """Ways to end a job before the plain stop: where the next reading takes too much of what it could save.

    No reading saves more than knowing the cause would, and most save only part of that: patience is above 1.
    The roll-out goes by the patience that does best (policy switching; Chang, Givan & Chong 2004).
    """
    if costs is None:
        return [None]

    def stop_at(patience: float) -> StoppingRule:
        def enough(beliefs: Floats, minutes: Floats) -> Bools:
            return np.asarray(knowing_saves_minutes(ranker, beliefs, costs) <= patience * minutes)

        return enough

    return [stop_at(patience) for patience in PATIENCES]
