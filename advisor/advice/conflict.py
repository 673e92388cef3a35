"""Readings that disagree: how much, which one to repeat, and what it should have shown.

The measure of a set of readings is log2 of the product of their own probabilities over their joint one
(Jensen, Chamberlain, Nordahl & Jensen 1990, on data conflict, Uncertainty in Artificial Intelligence 6):
readings of one cause support each other and make it negative; above 0 they are less likely together than
apart. Taken between one reading and all the others it says how much that one conflicts with the rest:
log2 P(it) / P(it | the rest). The reading that conflicts most is the one to repeat.

A rare fault f can explain it instead, if with f the reading is no less likely than by itself (to a factor
of 2): P(it | the rest, f) / P(it | the rest) = P(f | all) / P(f | the rest).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from advisor.advice.rules import comparable
from advisor.advice.situation import Situation, without_readings
from advisor.arrays import Floats
from advisor.inference.engine import InferenceEngine, Posterior


@dataclass(frozen=True)
class Disagreement:
    """A reading that conflicts with the rest.

    `bits` is the measure between `repeat` and the others, `total` that of the whole set. `expected` is the
    likeliest outcome of `repeat` if the rest is right. `rare_fault` explains the set, or is None.
    """

    bits: float
    total: float
    repeat: str
    expected: str
    rare_fault: str | None


def disagreement(situation: Situation, alone: Posterior | None = None) -> Disagreement | None:
    """Return the reading of a case that conflicts most with the others, if by enough bits to be said.

    `alone` is the posterior of all that was not read off the car (default: computed).
    """
    evidence, engine = situation.evidence, situation.engine
    readings = {name: evidence[name] for name in situation.case.taken if name in evidence}
    if len(readings) < 2:
        return None
    background = without_readings(situation)
    alone = alone or engine.query(background)
    return standing_out(
        engine, background, readings, alone, situation.posterior, situation.policy.conflict_bits
    )


def standing_out(
    engine: InferenceEngine,
    background: Mapping[str, Floats],
    readings: Mapping[str, Floats],
    base: Posterior,
    whole: Posterior,
    least_bits: float,
) -> Disagreement | None:
    """Return the reading that conflicts most with the others, if by `least_bits` or more.

    `background` (complaint and facts) is not questioned; `base` is the posterior of that alone, `whole` that
    of everything together. If the engine only gives bounds, the result is None.
    """
    if len(readings) < 2:
        return None
    if base.belief_error or whole.belief_error:
        return None  # probabilities within bounds are too coarse to compare
    names = list(readings)
    everything = {**background, **readings}
    fewer = [{node: likelihood for node, likelihood in everything.items() if node != name} for name in names]
    alone = [math.log2(base.predictive[name] @ readings[name]) for name in names]
    of_the_others = engine.log2_evidence_probability(fewer).tolist()
    against = [own - (whole.log2_evidence - others) for own, others in zip(alone, of_the_others, strict=True)]
    worst = max(range(len(names)), key=lambda index: (comparable(against[index]), names[index]))
    if against[worst] < least_bits:
        return None
    rest = engine.query(fewer[worst])
    if rest.belief_error:
        return None
    repeat = names[worst]
    rises = {
        fault: math.log2(whole.beliefs[fault] / rest.beliefs[fault])
        for fault in engine.targets
        if rest.beliefs[fault] > 0 and whole.beliefs[fault] >= 0.5
    }
    rare = max(rises, key=lambda fault: (rises[fault], fault), default=None)
    explains = rare is not None and rises[rare] >= against[worst] - 1
    return Disagreement(
        against[worst],
        sum(alone) - (whole.log2_evidence - base.log2_evidence),
        repeat,
        engine.outcomes[repeat][int(rest.predictive[repeat].argmax())],
        rare if explains else None,
    )
