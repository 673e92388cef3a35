"""Other policies, to compare the advice with.

All stop where the advice stops: only what is read, and in which order, differs. All but the plain checklist
choose among the readings that the advice still calls worth taking, so they are given more than a workshop
without the advice has, which would have to know what can be left out. The plain checklist leaves out only
what cannot tell anything at all.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from advisor.arrays import Floats
from advisor.evaluation.policy import Setting, policy
from advisor.simulate.array_advice import Offers, Ranker, worth_taking
from advisor.simulate.jobs import Cars, Jobs, ReadingPolicy, play_many


@policy("the advice: bits for the time")
def advice(setting: Setting) -> Jobs:
    """Play as the advice ranks readings."""
    return play_many(replace(setting.ranker, ranking="bits for the time"), setting.starts, setting.cars)


@policy("information without minutes")
def bits(setting: Setting) -> Jobs:
    """Play by the most telling reading, however long it takes."""
    return play_many(replace(setting.ranker, ranking="bits"), setting.starts, setting.cars)


@policy("most probable cause first")
def probable(setting: Setting) -> Jobs:
    """Play by the most probable cause."""
    wish = probable_first(setting.ranker, setting.told)
    return play_many(setting.ranker, setting.starts, setting.cars, wish=wish)


@policy("fixed checklist, as written")
def checklist(setting: Setting) -> Jobs:
    """Play every reading in the order of the knowledge."""
    return play_many(setting.ranker, setting.starts, setting.cars, wish=as_written(setting.ranker, False))


@policy("the checklist, skipping what is not worth it")
def skipping(setting: Setting) -> Jobs:
    """Play the readings worth taking in the order of the knowledge."""
    return play_many(setting.ranker, setting.starts, setting.cars, wish=as_written(setting.ranker, True))


@policy("random order, skipping likewise")
def random(setting: Setting) -> Jobs:
    """Play the readings worth taking in any order.

    Every car is a case of its own: jobs that share a state would all draw the same order.
    """
    starts, cars = setting.starts, setting.cars
    apart = starts.of(cars.start)
    own = Cars(np.arange(len(cars.start)), cars.faults, cars.shows)
    return play_many(setting.ranker, apart, own, wish=at_random(setting.ranker, setting.random))


def as_written(ranker: Ranker, skipping: bool) -> ReadingPolicy:
    """Make the policy that takes readings as written; `skipping` leaves out those not worth taking."""
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
    about = told >= ranker.policy.least_bits

    def wish(beliefs: Floats, offered: Offers) -> Floats:
        worth = worth_taking(ranker, offered)
        left = worth.astype(np.float64) @ about.T
        open_ones = np.asarray((beliefs < ranker.policy.sure_at) & ~ranker.unlisted & (left > 0))
        leading = np.where(open_ones, beliefs, -1.0).argmax(axis=1)
        wished = np.where(np.asarray(open_ones.any(axis=1))[:, None], told[leading], offered.bits)
        return np.where(worth, wished, -np.inf)

    return wish
