"""Other ways to choose the next reading, to hold the advice against.

All stop where the advice stops: only what is read, and in which order, differs. All but the plain checklist
choose among the readings that the advice still calls worth taking, so they are given more than a workshop
without the advice has, which would have to know what can be left out. The plain checklist leaves out only
what cannot tell anything at all.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from advisor.arrays import Floats, Ints, entropy
from advisor.simulate.array_advice import Offers, Ranker, offers, worth_taking
from advisor.simulate.jobs import Cars, Jobs, ReadingPolicy, Starts, play_many

Way = Literal["advice", "bits", "probable", "checklist", "skipping", "random"]
WAYS: dict[Way, str] = {
    "advice": "the advice: bits per minute",
    "bits": "information without minutes",
    "probable": "most probable cause first",
    "checklist": "fixed checklist, as written",
    "skipping": "the checklist, skipping what is not worth it",
    "random": "random order, skipping likewise",
}
"""Ways to choose the next reading, with what they are called."""


def play_way(
    ranker: Ranker, starts: Starts, cars: Cars, way: Way, told: Floats, random: np.random.Generator
) -> Jobs:
    """Play a job on every car in one of the ways; `told` as `told_of_single_faults` gives it."""
    if way == "advice":
        return play_many(replace(ranker, ranking="bits per minute"), starts, cars)
    if way == "bits":
        return play_many(replace(ranker, ranking="bits"), starts, cars)
    if way == "probable":
        return play_many(ranker, starts, cars, wish=probable_first(ranker, told))
    if way in ("checklist", "skipping"):
        return play_many(ranker, starts, cars, wish=as_written(ranker, way == "skipping"))
    # Every car is a case of its own: jobs that share a state would all draw the same order.
    apart = Starts(starts.potentials[cars.start], starts.gone[cars.start], starts.ready[cars.start])
    own = Cars(np.arange(len(cars.start)), cars.faults, cars.shows)
    return play_many(ranker, apart, own, wish=at_random(ranker, random))


def as_written(ranker: Ranker, skipping: bool) -> ReadingPolicy:
    """Readings in the order in which the knowledge has them; `skipping` those not worth taking any more."""
    order = {name: at for at, name in enumerate(ranker.knowledge.readings)}
    rank = np.array([-float(order[name]) for name in ranker.readings])

    def wish(beliefs: Floats, offered: Offers) -> Floats:
        return np.where(worth_taking(ranker, offered) | (not skipping), rank, -np.inf)

    return wish


def at_random(ranker: Ranker, random: np.random.Generator) -> ReadingPolicy:
    """Any of the readings worth taking, each time anew."""

    def wish(beliefs: Floats, offered: Offers) -> Floats:
        return np.where(worth_taking(ranker, offered), random.random(offered.bits.shape), -np.inf)

    return wish


def probable_first(ranker: Ranker, told: Floats) -> ReadingPolicy:
    """Go to the most probable listed cause that is not settled, with the reading that tells most of it alone.

    `told` are bits told of each single fault by each reading at the start, (faults, readings). A cause about
    which no reading is left passes its turn on; where all have, any reading is taken by what it tells.
    """
    about = told >= ranker.rule.least_bits

    def wish(beliefs: Floats, offered: Offers) -> Floats:
        worth = worth_taking(ranker, offered)
        left = worth.astype(np.float64) @ about.T
        open_ones = np.asarray((beliefs < ranker.rule.sure_at) & ~ranker.unlisted & (left > 0))
        leading = np.where(open_ones, beliefs, -1.0).argmax(axis=1)
        wished = np.where(np.asarray(open_ones.any(axis=1))[:, None], told[leading], offered.bits)
        return np.where(worth, wished, -np.inf)

    return wish


def told_of_single_faults(ranker: Ranker, complaint: str) -> Floats:
    """Bits that each reading tells at the start about each fault alone, (faults, readings)."""
    engine = ranker.batch.engine
    given = {complaint: engine.one_hot(complaint, "present")}
    beliefs = engine.query(given).beliefs
    told = np.zeros((len(ranker.faults), len(ranker.readings)))
    for row, fault in enumerate(ranker.faults):
        chance = beliefs[fault]
        if not 0 < chance < 1:
            continue
        absent, present = engine.query_batch(
            [{**given, fault: engine.one_hot(fault, state)} for state in ("absent", "present")]
        )
        for column, name in enumerate(ranker.readings):
            one, other = present.predictive[name], absent.predictive[name]
            mixed = chance * one + (1 - chance) * other
            rest = chance * entropy(one) + (1 - chance) * entropy(other)
            told[row, column] = max(0.0, float(entropy(mixed) - rest))
    return told


def all_readings(ranker: Ranker, starts: Starts, cars: Cars) -> Jobs:
    """Every reading that can be taken here, taken on every car: no way to choose can know more.

    Each is taken once, with the instrument that tells most at the start.
    """
    _, bits = ranker.posteriors(starts.potentials)
    seen_with: Ints = offers(ranker, bits, starts.gone, starts.ready).seen_with
    potentials = starts.potentials[cars.start].copy()
    for at in range(len(ranker.readings)):
        for column in np.unique(seen_with[:, at]).tolist():
            rows = np.flatnonzero(~starts.gone[cars.start, at] & (seen_with[cars.start, at] == column))
            name = ranker.batch.readings[column]
            ranker.batch.observe(potentials, rows, name, cars.shows[rows, column])
    beliefs, _ = ranker.posteriors(potentials)
    count = len(cars.start)
    taken = np.where(starts.gone[cars.start], -1, seen_with[cars.start])
    missing = ~starts.ready[cars.start]
    return Jobs(
        ranker,
        taken,
        ~starts.gone[cars.start] @ ranker.minutes + missing @ ranker.hands_on_minutes,
        missing @ ranker.waiting_minutes,
        beliefs,
        np.full(count, -1),
    )
