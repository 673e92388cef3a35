"""What a policy is held against at most, and what single faults are told."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from advisor.arrays import Floats, Ints, entropy
from advisor.knowledge.conditions import minutes_for
from advisor.knowledge.vocabulary import ByFact
from advisor.simulate.array_advice import Ranker, offers
from advisor.simulate.jobs import Cars, Jobs, Starts, group_beliefs, proved_after


def told_of_single_faults(ranker: Ranker, complaint: str) -> Floats:
    """Bits that each reading tells at the start about each fault alone, (faults, readings)."""
    engine = ranker.batch.engine
    evidence = {complaint: engine.one_hot(complaint, "present")}
    beliefs = engine.query(evidence).beliefs
    told = np.zeros((len(ranker.faults), len(ranker.readings)))
    for row, fault in enumerate(ranker.faults):
        probability = beliefs[fault]
        if not 0 < probability < 1:
            continue
        absent, present = engine.query_batch(
            [{**evidence, fault: engine.one_hot(fault, state)} for state in ("absent", "present")]
        )
        for column, name in enumerate(ranker.readings):
            one, other = present.predictive[name], absent.predictive[name]
            mixed = probability * one + (1 - probability) * other
            rest = probability * entropy(one) + (1 - probability) * entropy(other)
            told[row, column] = max(0.0, float(entropy(mixed) - rest))
    return told


def all_readings(ranker: Ranker, starts: Starts, cars: Cars) -> Jobs:
    """Every reading that can be taken here, taken on every car: no policy can know more.

    Each is taken once, with the instrument that tells most at the start, and each setup is made once, though
    some end others: a bound, not a job that could be done.
    """
    _, bits = ranker.posteriors(starts.potentials)
    seen_with: Ints = offers(
        ranker, starts.potentials, bits, starts.gone, starts.condition, starts.left
    ).seen_with
    potentials, proved = starts.potentials[cars.start].copy(), starts.proved[cars.start].copy()
    for at in range(len(ranker.readings)):
        for column in np.unique(seen_with[:, at]).tolist():
            rows = np.flatnonzero(~starts.gone[cars.start, at] & (seen_with[cars.start, at] == column))
            name = ranker.batch.readings[column]
            ranker.batch.observe(potentials, rows, name, cars.shows[rows, column])
            whole = np.full(len(rows), at), np.full(len(rows), column), cars.shows[rows, column]
            proved[rows] = proved_after(ranker, proved[rows], *whole)
    beliefs, _ = ranker.posteriors(potentials, np.ones_like(starts.gone[cars.start]))
    count = len(cars.start)
    taken = np.where(starts.gone[cars.start], -1, seen_with[cars.start])
    conditions, knowledge = ranker.conditions, ranker.knowledge
    missing = ~conditions.in_place(starts.condition)[cars.start]
    said = [knowledge.readings[name] for name in ranker.readings]
    setups = [knowledge.setups[name] for name in conditions.setups]

    def minutes(items: Iterable[float | ByFact]) -> Floats:
        return np.array([minutes_for(knowledge, one, {}) for one in items], dtype=np.float64)

    there = ~starts.gone[cars.start]
    return Jobs(
        ranker,
        taken,
        there @ minutes(one.minutes for one in said)
        + missing @ minutes(one.hands_on_minutes for one in setups),
        there @ minutes(one.waiting_minutes for one in said)
        + missing @ minutes(one.waiting_minutes for one in setups),
        beliefs,
        np.full(count, -1),
        missing,
        proved,
        group_beliefs(ranker, potentials) if ranker.groups else np.empty((count, 0)),
    )
