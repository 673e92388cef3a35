"""The track record: closed jobs with a confirmed cause, weighed by this knowledge, over time.

Every rate carries its interval, and below a smallest number of jobs nothing is said at all. Jobs are weighed
by the knowledge as it is now: numbers learned from the same jobs flatter themselves.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Literal

from scipy.stats import binomtest, norm

from advisor.advice.advice import advise
from advisor.advice.proof import ending, shown_by_proof
from advisor.advice.rules import ENDINGS, EndingKind, most_probable_first
from advisor.advice.situation import InconsistentEvidence, Situation
from advisor.case.case import Case
from advisor.case.confirmed import before_repair, finding, took
from advisor.case.entries import Closed, Known, Measured, Seen
from advisor.case.setups import minutes
from advisor.inference.engine import InferenceEngine
from advisor.knowledge.knowledge import Knowledge
from advisor.store.records import StoredCase

FEWEST = 20
"""The fewest jobs about which anything is said (the project's choice)."""
LEVEL = 0.95
"""The coverage of an interval (the project's choice)."""
SURE = (0.0, 0.5, 0.8, 0.95, 1.0)
"""Limits between the degrees of sureness whose promises are compared with what came true (a choice)."""

Span = Literal["month", "quarter", "year"]


@dataclass(frozen=True)
class Judged:
    """A closed job as this knowledge ends it: the confirmed causes, and every cause by its probability.

    `minutes` are those planned for the readings taken before the first repair; `checklist_minutes` those of
    the written order on this car, where every reading that it asks for was taken, else None.
    """

    number: int
    at: str
    causes: frozenset[str]
    beliefs: Mapping[str, float]
    minutes: float
    checklist_minutes: float | None

    ending: EndingKind = "not found"
    guess: str = ""
    """The cause that somebody put down by themselves before the bench showed its own, or ""."""
    led_then: str = ""
    """The cause that the bench suspected most at the time of the guess."""

    @property
    def order(self) -> tuple[str, ...]:
        """Return the causes, the most probable first."""
        return tuple(most_probable_first(self.beliefs))

    @property
    def first(self) -> bool:
        """Return whether a confirmed cause came out first."""
        return self.order[0] in self.causes

    @property
    def in_three(self) -> bool:
        """Return whether a confirmed cause was among the first three."""
        return not self.causes.isdisjoint(self.order[:3])

    @property
    def right(self) -> bool:
        """Return whether the confirmed causes, and no others, head the list, as with scenarios."""
        return set(self.order[: len(self.causes)]) == self.causes


@dataclass(frozen=True)
class Rate:
    """A count of a total, with an interval."""

    hits: int
    count: int
    low: float
    high: float

    @property
    def rate(self) -> float:
        """Return the fraction; 0 of none."""
        return self.hits / self.count if self.count else 0.0


@dataclass(frozen=True)
class Sureness:
    """Jobs that ended about as sure of their first cause: what was promised, and how often it was right."""

    low: float
    high: float
    promised: float
    right: Rate


@dataclass(frozen=True)
class JobsEnded:
    """Jobs whose search had come to this before the repair, and how often its first cause was right."""

    ending: EndingKind
    right: Rate


@dataclass(frozen=True)
class Period:
    """The jobs closed in one month, quarter or year; their rates only where there are enough of them."""

    name: str
    jobs: int
    first: Rate | None
    in_three: Rate | None
    minutes: float | None


@dataclass(frozen=True)
class TrackRecord:
    """What closed jobs say: over all of them, by sureness, and by period, the oldest first.

    `saved` is how many minutes fewer than the checklist a job took on average, with its interval, over
    `compared` jobs; None where too few can be compared. `guesses` says how often what somebody put down first
    was right, and how often what the bench suspected most then. `excluded` counts jobs by the reason why.
    """

    jobs: int
    first: Rate
    in_three: Rate
    sureness: tuple[Sureness, ...]
    endings: tuple[JobsEnded, ...]
    periods: tuple[Period, ...]
    compared: int
    saved: tuple[float, float, float] | None
    excluded: Mapping[str, int]
    guesses: tuple[Rate, Rate] | None = None


class TooFew(ValueError):
    """There are too few jobs to say anything."""

    def __init__(self, jobs: int, fewest: int, excluded: Mapping[str, int]) -> None:
        self.jobs, self.fewest, self.excluded = jobs, fewest, excluded
        super().__init__(
            f"There are {jobs} closed jobs with a confirmed cause. Below {fewest} nothing is said: a rate of "
            "so few would be chance. Close jobs with the cause that was found."
        )


def wilson(hits: int, count: int, level: float = LEVEL) -> Rate:
    """Return a rate with Wilson's score interval (Wilson 1927); of none, the interval is 0 to 1."""
    if not count:
        return Rate(0, 0, 0.0, 1.0)
    interval = binomtest(hits, count).proportion_ci(level, method="wilson")
    return Rate(hits, count, interval.low, interval.high)


def judge(
    knowledge: Knowledge,
    engine_of: Callable[[Case], InferenceEngine],
    jobs: Iterable[StoredCase],
    checklist: bool = True,
    progress: Callable[[], None] | None = None,
) -> tuple[tuple[Judged, ...], dict[str, int]]:
    """Weigh every closed job by this knowledge, and count those left out by the reason.

    The written order of readings is only followed with `checklist`. `progress` is told of every job.
    """
    judged: list[Judged] = []
    excluded: Counter[str] = Counter()
    for filed in jobs:
        found = finding(knowledge, filed.case)
        if isinstance(found, str):
            excluded[found] += 1
        else:
            case = before_repair(filed.case)
            engine = engine_of(case)
            try:
                situation = Situation.of(knowledge, engine, case)
            except InconsistentEvidence:
                excluded["with readings that cannot be so together"] += 1
            else:
                other = checklist_minutes(knowledge, engine, case) if checklist else None
                shown = shown_by_proof(knowledge, case)
                guess = filed.case.guess
                end = ending(knowledge, situation.policy, situation.posterior, shown)
                judged.append(
                    Judged(
                        filed.number,
                        _closed_at(filed),
                        found.causes,
                        situation.beliefs,
                        sum(minutes(knowledge, case)),
                        other,
                        end.kind,
                        guess.fault if guess else "",
                        guess.leading if guess else "",
                    )
                )
        if progress is not None:
            progress()
    return tuple(judged), dict(excluded)


def checklist_minutes(knowledge: Knowledge, engine: InferenceEngine, case: Case) -> float | None:
    """Return the minutes until the advice would stop, had the readings been taken in written order.

    None where that asks for a reading which was not taken on this car: what it would have shown nobody knows.
    """
    last = {one.reading: one for one in case.counting.values() if isinstance(one, Seen | Measured)}
    done = Case(case.complaint, tuple(one for one in case.counting.values() if isinstance(one, Known)))
    for reading in (name for name in knowledge.readings if name in engine.readings):
        try:
            situation = Situation.of(knowledge, engine, done)
            if advise(situation, before=situation.beliefs).stop is not None:
                break
        except InconsistentEvidence:
            return None
        if reading in case.skipped:
            continue
        if reading not in last:
            return None
        done = done.with_entry(last[reading])
    return sum(minutes(knowledge, done)) if took(done) else None


def summed_up(
    judged: Sequence[Judged], excluded: Mapping[str, int], span: Span = "quarter", fewest: int = FEWEST
) -> TrackRecord:
    """Return rates over all jobs and by period; raise `TooFew` below the smallest number of jobs."""
    if len(judged) < fewest:
        raise TooFew(len(judged), fewest, excluded)
    by_period: dict[str, list[Judged]] = defaultdict(list)
    for one in judged:
        by_period[period_of(one.at, span)].append(one)
    guessed = [one for one in judged if one.guess]
    own = sum(one.guess in one.causes for one in guessed)
    led = sum(one.led_then in one.causes for one in guessed)
    spared = [one.checklist_minutes - one.minutes for one in judged if one.checklist_minutes is not None]
    return TrackRecord(
        jobs=len(judged),
        first=wilson(sum(one.first for one in judged), len(judged)),
        in_three=wilson(sum(one.in_three for one in judged), len(judged)),
        sureness=tuple(_sureness(judged, fewest)),
        endings=tuple(_ended(judged)),
        periods=tuple(_period(name, jobs, fewest) for name, jobs in sorted(by_period.items())),
        compared=len(spared),
        saved=_mean(spared) if len(spared) >= fewest else None,
        excluded=excluded,
        guesses=(wilson(own, len(guessed)), wilson(led, len(guessed))) if guessed else None,
    )


def _period(name: str, jobs: Sequence[Judged], fewest: int) -> Period:
    if len(jobs) < fewest:
        return Period(name, len(jobs), None, None, None)
    return Period(
        name,
        len(jobs),
        wilson(sum(one.first for one in jobs), len(jobs)),
        wilson(sum(one.in_three for one in jobs), len(jobs)),
        sum(one.minutes for one in jobs) / len(jobs),
    )


def _sureness(judged: Sequence[Judged], fewest: int) -> Iterator[Sureness]:
    for low, high in pairwise(SURE):
        jobs = [one for one in judged if low < one.beliefs[one.order[0]] <= high]
        if len(jobs) >= fewest:
            promised = sum(one.beliefs[one.order[0]] for one in jobs) / len(jobs)
            yield Sureness(low, high, promised, wilson(sum(one.first for one in jobs), len(jobs)))


def _ended(judged: Sequence[Judged]) -> Iterator[JobsEnded]:
    for kind in ENDINGS:
        jobs = [one for one in judged if one.ending == kind]
        if jobs:
            yield JobsEnded(kind, wilson(sum(one.first for one in jobs), len(jobs)))


def period_of(at: str, span: Span) -> str:
    """Return the period of a time (ISO 8601): "2030-03", "2030 Q1" or "2030"; "" if it is none."""
    try:
        when = datetime.fromisoformat(at)
    except ValueError:
        return ""
    if span == "month":
        return f"{when:%Y-%m}"
    return f"{when:%Y}" if span == "year" else f"{when:%Y} Q{(when.month + 2) // 3}"


def _closed_at(filed: StoredCase) -> str:
    closed = [step for step, entry in filed.case.counting.items() if isinstance(entry, Closed)]
    return filed.times[closed[-1] - 1] if closed and closed[-1] <= len(filed.times) else filed.last_modified


def _mean(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the mean with its interval, by the normal approximation."""
    mean = sum(values) / len(values)
    spread = math.sqrt(sum((one - mean) ** 2 for one in values) / (len(values) - 1) / len(values))
    half = float(norm.ppf(0.5 + LEVEL / 2)) * spread
    return mean, mean - half, mean + half
