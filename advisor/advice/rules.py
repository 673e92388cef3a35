"""The rules of the advice, each stated once, for one case and for arrays of simulated ones.

A reading can be taken if there are an instrument and a person for it, and is worth taking if it tells enough
for its work. The search stops when every fault is settled, or when nothing is worth taking.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, overload

import numpy as np

from advisor.arrays import Bools, Floats, Ints
from advisor.knowledge.conditions import minutes_for
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import USUAL_PEOPLE
from advisor.policy import Policy
from advisor.text import nearest

DECIMALS = 10
"""Decimals of compared bits: equal readings differ by rounding, at most 2e-15 where measured."""
SCALE = 10.0**DECIMALS
TELLS_NOTHING = 0.01
"""A reading tells nothing by itself up to this part of a crumb (the project's choice)."""

Reason = Literal["sure", "nothing-left", "unlisted"]
REASONS: tuple[Reason, ...] = ("sure", "nothing-left", "unlisted")
"""Why the search ends."""

EndingKind = Literal["proved", "group proved", "by exclusion", "likely", "not found"]
ENDINGS: tuple[EndingKind, ...] = ("proved", "group proved", "by exclusion", "likely", "not found")
"""What a search has come to, the surest first."""


@dataclass(frozen=True)
class Workshop:
    """A workshop's means: the instruments it lacks, and who is there to take readings.

    People whom an author names besides the usual ones are there, unless `without` names them.
    """

    without: frozenset[str] = frozenset()
    who: frozenset[str] = frozenset(USUAL_PEOPLE)


def workshop_of(knowledge: Knowledge, without: Iterable[str], people: Iterable[str] = ()) -> Workshop:
    """Return a workshop that lacks these instruments; only these people are there, and the customer.

    Everybody is there if no people are named. Raises `ValueError` if the knowledge has no such person.
    """
    there = set(people)
    if not there:
        return Workshop(frozenset(without))
    asked = {reading.who for reading in knowledge.readings.values()} | set(USUAL_PEOPLE)
    for one in sorted(there - asked):
        raise ValueError(f"No reading is for '{one}'. {nearest(one, asked)}")
    there.add("customer")
    return Workshop(frozenset(without) | (asked - there), frozenset(there & set(USUAL_PEOPLE)))


@overload
def comparable(bits: float) -> float: ...
@overload
def comparable(bits: Floats) -> Floats: ...
def comparable(bits: float | Floats) -> float | Floats:
    """Round bits (per minute as well) or probabilities, so that equal ones compare equal."""
    if isinstance(bits, np.ndarray):
        rounded: Floats = np.round(bits, DECIMALS)
        return rounded
    return round(float(bits) * SCALE) / SCALE  # as numpy rounds, and ten times as fast


def most_probable_first(beliefs: Mapping[str, float]) -> list[str]:
    """Order faults by probability; those equal to within rounding by id."""
    return sorted(beliefs, key=lambda fault: (-comparable(beliefs[fault]), fault))


def most_first(bits: float, minutes: float, reading: str) -> tuple[float, float, str]:
    """Return a sort key for readings: most bits first, then fewest minutes, then by id.

    The bits may be per minute.
    """
    return -comparable(bits), minutes, reading


def lacks(knowledge: Knowledge, reading: str, workshop: Workshop) -> Literal["instrument", "person"] | None:
    """Return what a workshop lacks to take a reading, or None if it can be taken."""
    asked = knowledge.readings[reading]
    if asked.instrument and workshop.without.issuperset(asked.instrument):
        return "instrument"
    there = asked.who in workshop.who or asked.who not in USUAL_PEOPLE
    return None if there and asked.who not in workshop.without else "person"


@overload
def bits_per_minute(policy: Policy, bits: float, minutes: float, hands_on_minutes: float) -> float: ...
@overload
def bits_per_minute(policy: Policy, bits: Floats, minutes: Floats, hands_on_minutes: Floats) -> Floats: ...
def bits_per_minute(
    policy: Policy, bits: float | Floats, minutes: float | Floats, hands_on_minutes: float | Floats
) -> float | Floats:
    """Divide bits by the time they take, which is what the readings are ordered by.

    That is the hands-on minutes, the waiting by its weight, and a charge for turning to a reading at all.
    """
    return bits / charged_minutes(policy, minutes, hands_on_minutes)


@overload
def charged_minutes(policy: Policy, minutes: float, hands_on_minutes: float) -> float: ...
@overload
def charged_minutes(policy: Policy, minutes: Floats, hands_on_minutes: Floats) -> Floats: ...
@overload
def charged_minutes(
    policy: Policy, minutes: float | Floats, hands_on_minutes: float | Floats
) -> float | Floats: ...
def charged_minutes(
    policy: Policy, minutes: float | Floats, hands_on_minutes: float | Floats
) -> float | Floats:
    """Return the time that readings are charged in their order: all of the work, part of the waiting."""
    waiting = policy.weight_of_waiting * (minutes - hands_on_minutes)
    return hands_on_minutes + waiting + policy.charge_minutes


@dataclass(frozen=True, eq=False)
class Pairs:
    """What a reading tells with the one that would follow it, in many states.

    `gain` are the bits more than the best of those that may follow would tell without it, `rate` the bits of
    both for the time of both, and `follows` the one that most probably follows.
    """

    gain: Floats  # (states,), as all of these
    rate: Floats
    follows: Ints


def pairs(
    own: Floats, own_time: Floats, probability: Floats, told: Floats, now: Floats, times: Floats
) -> Pairs:
    """Return what a reading tells with the best of those that may follow, chosen by its outcome.

    `own` bits and time have shape (states,), the `probability` of its outcomes (states, outcomes), and what
    the others tell after each outcome and `now`, and their times, (states, outcomes, others) or (states,
    others).
    """
    best = np.asarray(comparable(told)).argmax(axis=2)
    after = np.take_along_axis(told, best[:, :, np.newaxis], axis=2)[:, :, 0]
    both = own + (probability * after).sum(axis=1)
    time = own_time + (probability * np.take_along_axis(times, best, axis=1)).sum(axis=1)
    follows = best[np.arange(len(best)), (probability * after).argmax(axis=1)]
    return Pairs(both - now.max(axis=1), both / time, follows)


@overload
def worth_taking(policy: Policy, bits: float, hands_on_minutes: float) -> bool: ...
@overload
def worth_taking(policy: Policy, bits: Floats, hands_on_minutes: Floats) -> Bools: ...
def worth_taking(policy: Policy, bits: float | Floats, hands_on_minutes: float | Floats) -> bool | Bools:
    """Return whether readings tell enough, also relative to their work.

    Waiting does not count here: while a car waits, the technician does something else.
    """
    enough = policy.least_bits_per_hour * hands_on_minutes / 60
    return (comparable(bits) >= policy.least_bits) & (comparable(bits) >= enough)


def is_question(knowledge: Knowledge, reading: str, policy: Policy) -> bool:
    """Return whether a reading is a short question to the customer: no tools and no setup."""
    said = knowledge.readings[reading]
    minutes = minutes_for(knowledge, said.minutes, {}) + minutes_for(knowledge, said.waiting_minutes, {})
    asked = said.who == "customer" and not said.instrument and not said.setup
    return asked and minutes <= policy.question_minutes


@overload
def comes_first(policy: Policy, bits: float, question: bool) -> bool: ...
@overload
def comes_first(policy: Policy, bits: Floats, question: Bools) -> Bools: ...
def comes_first(policy: Policy, bits: float | Floats, question: bool | Bools) -> bool | Bools:
    """Return whether readings are questions that tell enough to be asked before anything at the car."""
    return question & (comparable(bits) >= policy.question_bits)


def held_back(worth: Bools, wanted: Bools, spends: Bools) -> Bools:
    """Return which readings have to wait, shape (states, readings): they would spoil what is still wanted.

    `worth` are the readings worth taking, (states, readings), `wanted` the setups that each cannot do
    without, (readings, setups), and `spends` the setups that taking each would end for good, (states,
    readings, setups). A reading never waits for itself. Where every reading worth taking would have to wait
    for another one, none of them does.
    """
    others = worth.astype(np.int64) @ wanted.astype(np.int64)  # how many want each setup
    own = worth[:, :, None] & wanted[None, :, :]
    waits = np.asarray((spends & (others[:, None, :] > own)).any(axis=2))
    stuck = np.asarray(worth.any(axis=1) & ~(worth & ~waits).any(axis=1))
    return waits & ~(worth & stuck[:, None])


def stop_reasons(policy: Policy, beliefs: Floats, unlisted: Bools, any_worth: Bools) -> Ints:
    """Return why the search ends in each state, as an index of `REASONS`; -1 if it goes on.

    `beliefs` have shape (states, faults), `unlisted` (faults,), `any_worth` (states,). Of equal faults the
    first leads.
    """
    leading = comparable(beliefs).argmax(axis=1)
    still_open = (beliefs > policy.settled_below) & (beliefs < policy.sure_at)
    settled = (beliefs.max(axis=1) >= policy.sure_at) & ~still_open.any(axis=1)
    why = np.where(settled, REASONS.index("sure"), REASONS.index("nothing-left"))
    why = np.where(unlisted[leading], REASONS.index("unlisted"), why)
    return np.asarray(np.where(settled | ~any_worth, why, -1))


def seeks_proof(policy: Policy, beliefs: Floats, reason: Ints) -> Bools:
    """Return whether the leading cause of each state is still to be proved where that can be done.

    So it is where the search would end with a remedy: sure of the cause, or with nothing left that is worth
    taking and a cause that is likely. `beliefs` and `reason` are as in `stop_reasons`.
    """
    ends = (reason == REASONS.index("sure")) | (reason == REASONS.index("nothing-left"))
    return np.asarray(ends & (comparable(beliefs).max(axis=1) >= policy.likely_from))


def endings(policy: Policy, beliefs: Floats, unlisted: Bools, proved: Bools, group_proved: Bools) -> Ints:
    """Return what the search has come to in each state, as an index of `ENDINGS`.

    `beliefs` and `proved`, what a proof has shown, have shape (states, faults), `unlisted` (faults,), and
    `group_proved` (states,): whether a branch is sure and proved. A cause is proved by a proof of itself, and
    found by exclusion where the search is as sure without one.
    """
    leading = np.asarray(comparable(beliefs)).argmax(axis=1)
    own = np.arange(len(beliefs)), leading
    most = np.asarray(comparable(beliefs))[own]
    listed = ~unlisted[leading]
    kinds: list[tuple[EndingKind, Bools]] = [
        ("proved", listed & (most >= policy.sure_at) & proved[own]),
        ("by exclusion", listed & (most >= policy.sure_at)),
        ("group proved", group_proved),
        ("likely", listed & (most >= policy.likely_from)),
    ]
    numbers = [ENDINGS.index(kind) for kind, _ in kinds]
    return np.asarray(np.select([where for _, where in kinds], numbers, ENDINGS.index("not found")))
