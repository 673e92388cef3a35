"""What would turn it round: the shortest way to an answer after which another cause leads over the leader.

A single reading if there is one, else two of them one after the other. What an answer would do to a cause
follows from how often that answer comes with the cause: P(cause | answer) = P(cause) P(answer | cause) /
P(answer), so that one query for each cause serves every reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from advisor.advice.advice import CandidateReading
from advisor.advice.rules import comparable, most_probable_first
from advisor.advice.situation import Situation, current_faults
from advisor.inference.engine import Posterior
from advisor.knowledge.conditions import Condition, Way, after_reading, minutes_for, way_to_reading

LEAST_SHARE = 0.001
"""An answer that comes in fewer cars like this one is not counted on (the project's choice)."""
MOST_WAYS = 3
"""So many single readings are named at most, the quickest first."""
LEAST_LEAD = 0.01
"""Who leads by less than this looks level with the other in whole percent, and does not count as leading."""
MOST_IN_PAIRS = 100
"""Pairs are looked for among so many readings at most: those that can bring the two causes closest."""


@dataclass(frozen=True)
class Standing:
    """How often it comes to this, and what the chosen cause, the leader and whoever leads then stand at."""

    share: float
    chosen: float
    leader: float
    leads: str
    highest: float


@dataclass(frozen=True)
class Turn:
    """Readings after which the chosen cause leads over the leader, in order, and by which answers.

    `answers` are the likeliest that do it, one of each reading, and `standings` hold after each of them.
    `share` is how often any of their answers does it. Minutes of the second reading are those from the first.
    """

    readings: tuple[CandidateReading, ...]
    answers: tuple[str, ...]
    standings: tuple[Standing, ...]
    share: float

    @property
    def minutes(self) -> float:
        """Minutes of all of it, waiting included."""
        return sum(one.minutes for one in self.readings)


@dataclass(frozen=True)
class Turning:
    """The quickest ways to turn it round: single readings, or else one pair, or none.

    `cut` says that pairs were looked for among the best readings only.
    """

    chosen: str
    leader: str
    ways: tuple[Turn, ...]
    cut: bool = False

    @property
    def by_one(self) -> bool:
        """Whether a single reading does it."""
        return bool(self.ways) and len(self.ways[0].readings) == 1


@dataclass(frozen=True)
class _Seen:
    """What is believed after some answers: plainly, and if one of the two causes were there for certain."""

    plain: Posterior
    with_chosen: Posterior
    with_leader: Posterior


@dataclass(frozen=True)
class _Pair:
    """Two readings in order, the likeliest answers that turn it round, and how often those and any do."""

    first: CandidateReading
    second: CandidateReading
    answers: tuple[str, str]
    often: float
    share: float

    @property
    def minutes(self) -> float:
        return self.first.minutes + self.second.minutes


@dataclass(frozen=True)
class _Search:
    situation: Situation
    candidates: tuple[CandidateReading, ...]
    condition: Condition
    waiting: Mapping[str, float]
    chosen: str
    leader: str

    def after(self, answers: Sequence[Mapping[str, str]]) -> list[_Seen]:
        """Return what is believed after each of several sets of answers; each must leave both possible."""
        engine, evidence = self.situation.engine, self.situation.evidence
        both = ({}, *({one: engine.one_hot(one, "present")} for one in (self.chosen, self.leader)))
        posteriors = engine.query_batch(
            [
                {**evidence, **{name: engine.one_hot(name, said) for name, said in seen.items()}, **there}
                for seen in answers
                for there in both
            ]
        )
        return [_Seen(*posteriors[at : at + 3]) for at in range(0, len(posteriors), 3)]

    def told(self, seen: _Seen, reading: CandidateReading) -> Iterator[tuple[str, float, float, float]]:
        """Yield each answer that moves something: how often it comes, and both causes after it."""
        said = self.situation.knowledge.readings[reading.reading]
        rows = (one.predictive[reading.reading] for one in (seen.plain, seen.with_chosen, seen.with_leader))
        now = seen.plain.beliefs
        for answer, often, if_chosen, if_leader in zip(
            said.answers, *(row.tolist() for row in rows), strict=True
        ):
            if often >= LEAST_SHARE and not (reading.at_rest and answer == said.normal_outcome):
                yield (
                    answer,
                    often,
                    now[self.chosen] * if_chosen / often,
                    now[self.leader] * if_leader / often,
                )

    def standing(self, share: float, answers: Mapping[str, str]) -> Standing:
        """Return where the causes stand after answers."""
        engine = self.situation.engine
        said = {name: engine.one_hot(name, answer) for name, answer in answers.items()}
        beliefs = current_faults(engine.query({**self.situation.evidence, **said}).beliefs)
        leads = most_probable_first(beliefs)[0]
        return Standing(share, beliefs[self.chosen], beliefs[self.leader], leads, beliefs[leads])

    def next_after(
        self, first: CandidateReading, answer: str, second: CandidateReading
    ) -> CandidateReading | None:
        """Return the second reading with what it takes right after the first; None if it cannot be taken."""
        knowledge, facts = self.situation.knowledge, self.situation.case.facts
        way = way_to_reading(knowledge, self.condition, first.reading, facts)
        if not isinstance(way, Way):
            return None
        here = after_reading(knowledge, way, first.reading, answer)
        then = way_to_reading(knowledge, here, second.reading, facts)
        if not isinstance(then, Way):
            return None
        left = {
            setup: max(0.0, minutes - first.minutes)
            for setup, minutes in self.waiting.items()
            if setup in here.in_place and setup not in way.made
        }
        said = knowledge.readings[second.reading]
        hands_on = minutes_for(knowledge, said.minutes, facts) + then.hands_on_minutes
        waits = minutes_for(knowledge, said.waiting_minutes, facts) + then.waiting_from(left)
        return replace(second, minutes=hands_on + waits, hands_on_minutes=hands_on, setups=then.made)

    def singles(self, now: _Seen) -> Iterator[Turn]:
        """Yield the single readings that turn it round, the quickest first."""
        for one in self.candidates:
            doing = [(often, answer) for answer, often, *both in self.told(now, one) if leads(*both)]
            if doing:
                often, answer = max(doing, key=lambda pair: comparable(pair[0]))
                standing = self.standing(often, {one.reading: answer})
                yield Turn((one,), (answer,), (standing,), sum(pair[0] for pair in doing))

    def closest(self, now: _Seen) -> list[CandidateReading]:
        """Return the readings by how near one of their answers brings the chosen cause to the leader."""

        def nearness(one: CandidateReading) -> float:
            ratios = (chosen / leader if leader else math.inf for _, _, chosen, leader in self.told(now, one))
            return max(ratios, default=0.0)

        return sorted(self.candidates, key=lambda one: (-comparable(nearness(one)), one.minutes, one.reading))

    def pair(self, now: _Seen, stop: Callable[[], bool]) -> Turn | None:
        """Return the shortest pair of readings that turns it round, if there is one and nobody stops it."""
        among = self.closest(now)[:MOST_IN_PAIRS]
        among.sort(key=lambda one: (one.minutes, one.reading))
        best: _Pair | None = None
        for at, first in enumerate(among):
            if stop():
                return None
            if best is not None and first.minutes >= best.minutes:
                break  # a pair takes no less than the longer of its two from here
            answers = [
                (answer, often)
                for answer, often, chosen, leader in self.told(now, first)
                if chosen * leader > 0
            ]
            seen = self.after([{first.reading: answer} for answer, _ in answers])
            for second in among[at + 1 :]:
                found = [
                    (often * then, answer, after)
                    for (answer, often), believed in zip(answers, seen, strict=True)
                    for after, then, *both in self.told(believed, second)
                    if often * then >= LEAST_SHARE and leads(*both)
                ]
                if found:
                    made = self._shorter(first, second, found)
                    if made is not None and (best is None or made.minutes < best.minutes):
                        best = made
        return None if best is None else self._way_of(now, best)

    def _shorter(
        self, one: CandidateReading, other: CandidateReading, found: Sequence[tuple[float, str, str]]
    ) -> _Pair | None:
        """Return two readings in the quicker order, with the likeliest of the answers that were found."""
        often, answer, after = max(found, key=lambda each: comparable(each[0]))
        share = sum(each[0] for each in found)
        made = []
        for first, second, answers in ((one, other, (answer, after)), (other, one, (after, answer))):
            then = self.next_after(first, answers[0], second)
            if then is not None:
                made.append(_Pair(first, then, answers, often, share))
        return min(made, key=lambda pair: comparable(pair.minutes), default=None)

    def _way_of(self, now: _Seen, pair: _Pair) -> Turn:
        """Return a pair with where the causes stand after each of its answers."""
        first, second = pair.first.reading, pair.second.reading
        often = {answer: share for answer, share, *_ in self.told(now, pair.first)}[pair.answers[0]]
        after_first = self.standing(often, {first: pair.answers[0]})
        after_both = self.standing(pair.often, {first: pair.answers[0], second: pair.answers[1]})
        return Turn((pair.first, pair.second), pair.answers, (after_first, after_both), pair.share)


def leads(chosen: float, leader: float) -> bool:
    """Return whether a cause leads over another one by enough to count."""
    return comparable(chosen - leader) >= LEAST_LEAD


def turning(
    situation: Situation,
    candidates: Sequence[CandidateReading],
    condition: Condition,
    waiting: Mapping[str, float],
    chosen: str,
    leader: str,
    stop: Callable[[], bool] = lambda: False,
) -> Turning | None:
    """Return the quickest ways to turn it round among readings that can be taken; None once `stop` says so.

    `condition` is that of the car, `waiting` the minutes that its waits still take. A cause that is ruled out
    has no way, as only taking an answer back can change that.
    """
    by_minutes = tuple(sorted(candidates, key=lambda one: (one.minutes, one.reading)))
    search = _Search(situation, by_minutes, condition, waiting, chosen, leader)
    if situation.beliefs[chosen] <= 0 or stop():
        return None if stop() else Turning(chosen, leader, ())
    (now,) = search.after([{}])
    ways = []
    for turn in search.singles(now):
        ways.append(turn)
        if len(ways) == MOST_WAYS:
            break
    if ways:
        return Turning(chosen, leader, tuple(ways))
    pair = search.pair(now, stop)
    if stop():
        return None
    return Turning(chosen, leader, () if pair is None else (pair,), cut=len(candidates) > MOST_IN_PAIRS)
