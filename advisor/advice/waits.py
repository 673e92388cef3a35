"""What to do around a wait: which readings to take before it, and which when it is over.

A night of standing or an hour until the car is asleep is expensive and changes the car. So the plan names the
readings that tell most without the wait, to be taken before it, and those that the wait serves besides. They
are chosen one by one for what each adds to those already chosen; the information of a set is exact, averaged
over what its members may show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from advisor.advice.advice import Advice, CandidateReading
from advisor.advice.rules import most_first
from advisor.advice.situation import Situation
from advisor.inference.engine import Evidence, InferenceEngine, Posterior
from advisor.knowledge.conditions import setup_minutes

MOST_BRANCHES = 96
"""How many sets of answers are considered; less likely ones are left out."""


@dataclass(frozen=True)
class WaitPlan:
    """A wait, and the readings on both sides of it. `setups` are to be made, in this order."""

    setups: tuple[str, ...]
    hands_on_minutes: float
    waiting_minutes: float
    before: tuple[CandidateReading, ...]
    after: tuple[CandidateReading, ...]


def plan(situation: Situation, advice: Advice, towards: CandidateReading | None) -> WaitPlan | None:
    """Return how to spend the visit if the reading `towards` needs a long wait; else None."""
    if towards is None:
        return None
    knowledge, engine, policy = situation.knowledge, situation.engine, situation.policy
    facts = situation.case.facts
    hands_on, waits = setup_minutes(knowledge, towards.setups, facts)
    long_wait = policy.long_wait_minutes
    if waits < long_wait:
        return None
    offered = [candidate for candidate in advice.proposals if not candidate.at_rest]
    without_wait = [one for one in offered if setup_minutes(knowledge, one.setups, facts)[1] < long_wait]
    now = World(1.0, situation.evidence, situation.posterior)
    least = policy.least_bits_around_wait
    before, worlds = _chosen(engine, [now], without_wait, policy.most_before_wait, least, goes_on=True)
    served = [
        one for one in offered if one not in before and one.setups and set(one.setups) <= set(towards.setups)
    ]
    after, _ = _chosen(engine, worlds, served, policy.most_after_wait, least)
    if towards not in after:
        after = (towards, *after)[: policy.most_after_wait]
    return WaitPlan(towards.setups, hands_on, waits, before, after)


@dataclass(frozen=True, eq=False)
class World:
    """A possible set of answers: its probability, the evidence with it, and the posterior after it."""

    probability: float
    evidence: Evidence
    posterior: Posterior


def _chosen(
    engine: InferenceEngine,
    worlds: list[World],
    among: Sequence[CandidateReading],
    most: int,
    least_bits: float,
    *,
    goes_on: bool = False,
) -> tuple[tuple[CandidateReading, ...], list[World]]:
    """Return the readings that together tell most, chosen one by one, and the worlds of their answers.

    Each has to add `least_bits`. Of those that add the same to within rounding the shorter one comes first.
    What the last one may show is left out of the worlds unless it `goes_on` from them.
    """
    chosen: list[CandidateReading] = []
    while len(chosen) < most:
        adds = {
            one: sum(
                world.probability * world.posterior.expected_information_bits[one.reading] for world in worlds
            )
            for one in among
            if one not in chosen
        }
        best = min(adds, key=lambda one: most_first(adds[one], one.minutes, one.reading), default=None)
        if best is None or adds[best] < least_bits:
            break
        chosen.append(best)
        if goes_on or (len(chosen) < most and len(chosen) < len(among)):
            worlds = _split(engine, worlds, best.reading)
    return tuple(chosen), worlds


def _split(engine: InferenceEngine, worlds: Sequence[World], reading: str) -> list[World]:
    """Split worlds by what a reading may show in them, and keep the likeliest."""
    split = [
        (
            world.probability * likely,
            {**world.evidence, reading: engine.one_hot(reading, outcome)},
        )
        for world in worlds
        for outcome, likely in zip(
            engine.outcomes[reading], world.posterior.predictive[reading].tolist(), strict=True
        )
        if likely > 0
    ]
    split.sort(key=lambda world: -world[0])
    kept = split[:MOST_BRANCHES]
    total = sum(probability for probability, _ in kept)
    posteriors = engine.query_batch([evidence for _, evidence in kept])
    return [
        World(probability / total, evidence, posterior)
        for (probability, evidence), posterior in zip(kept, posteriors, strict=True)
    ]
