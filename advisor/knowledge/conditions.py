"""The condition of a car: which setups are in place, which are over, and what it takes to get from one to
the next.

Everything that says what is true of a car, or what a reading costs from here, asks these functions: the case,
the advice, the plan around a wait, the simulation and the checks.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from advisor.knowledge.knowledge import Knowledge, SetupRules, setups_of
from advisor.knowledge.vocabulary import ByFact, Changing, Fault

Facts = Mapping[str, str]


@dataclass(frozen=True)
class Condition:
    """What is known of a car: a setup is `in_place`, `over`, or nobody has said.

    Those that are over `for_good` are over as well. `forbidden` are setups and readings that an answer has
    ruled out.
    """

    in_place: frozenset[str] = frozenset()
    over: frozenset[str] = frozenset()
    for_good: frozenset[str] = frozenset()
    forbidden: frozenset[str] = frozenset()


UNKNOWN = Condition()
"""A car of which nobody has said anything."""


@dataclass(frozen=True)
class Waits:
    """The waits of setups begun together, in minutes from when the first of them begins to wait.

    One person does the work. What builds on no wait is made before; what builds on one, or ends what was
    waited for, is made once that is over, one after the other. Waits that do not build on each other run at
    the same time.
    """

    ready: Mapping[str, float] = field(default_factory=dict)
    """When each setup is in place, its wait over; at first those that were begun before and still wait."""
    begun: frozenset[str] = frozenset()
    hands_free: float = 0.0
    worked: float = 0.0

    def then(self, knowledge: Knowledge, setup: str, facts: Facts) -> Waits:
        """Return the same with one more setup."""
        said = knowledge.setups[setup]
        first = {*said.needs, *said.starts_from, *(self.begun & knowledge.setup_rules.ended_by[setup])}
        start = max((self.ready.get(one, 0.0) for one in first), default=0.0)
        waits_from, hands_free, worked = 0.0, self.hands_free, self.worked
        if start > 0:
            work = minutes_for(knowledge, said.hands_on_minutes, facts)
            waits_from = hands_free = max(start, hands_free) + work
            worked += work
        ready = {**self.ready, setup: waits_from + minutes_for(knowledge, said.waiting_minutes, facts)}
        return Waits(ready, self.begun | {setup}, hands_free, worked)

    @property
    def waiting_minutes(self) -> float:
        """Minutes in which there is nothing to do, until all of them are in place."""
        return max(self.ready.values(), default=0.0) - self.worked


@dataclass(frozen=True)
class Way:
    """How to get from one condition to one in which a reading can be taken.

    `made` are the setups to make, in this order; `assumed` those that cars arrive with and that nobody has
    said to be over; `relied_on` what is in place and needed, `built_on` those of them that what is made
    builds on. Minutes are those of the setups made. `after` is the condition in which the reading is taken,
    `spent` what this ends for good.
    """

    made: tuple[str, ...]
    assumed: tuple[str, ...]
    hands_on_minutes: float
    waiting_minutes: float
    after: Condition
    spent: frozenset[str]
    relied_on: frozenset[str] = frozenset()
    built_on: frozenset[str] = frozenset()

    def waiting_from(self, left: Mapping[str, float]) -> float:
        """Minutes to wait where so many are still left of waits that run; others run at the same time."""
        begins = max((left.get(one, 0.0) for one in self.built_on), default=0.0)
        return max(begins + self.waiting_minutes, *(left.get(one, 0.0) for one in self.relied_on), 0.0)


@dataclass(frozen=True)
class OutOfReach:
    """Why there is no way: the setups that are over for good, or the ids that are forbidden."""

    over: tuple[str, ...] = ()
    forbidden: tuple[str, ...] = ()


def minutes_for(knowledge: Knowledge, said: float | ByFact, facts: Facts) -> float:
    """Minutes for a vehicle; while the fact that they depend on is unknown, the average over all cars."""
    if not isinstance(said, ByFact):
        return said
    if facts.get(said.by) in said.values:
        return said.values[facts[said.by]]
    return sum(said.values[value] * share for value, share in knowledge.facts[said.by].values.items()) / 100


def begun(rules: SetupRules, condition: Condition, setup: str) -> Condition:
    """Return the condition once a setup is begun: all that cannot be together with it is over."""
    return _changed(condition, rules.ended_by[setup], rules.spent_by[setup], {setup})


def ended(rules: SetupRules, condition: Condition, setups: Iterable[str]) -> Condition:
    """Return the condition once setups, and all that is built on them, are in place no more."""
    return _changed(condition, rules.with_built_on(setups), frozenset(), ())


def no_longer_known(rules: SetupRules, condition: Condition, setups: Iterable[str]) -> Condition:
    """Return the condition if nobody can say any more whether setups, and all built on them, hold."""
    return replace(condition, in_place=condition.in_place - rules.with_built_on(setups))


def done(rules: SetupRules, condition: Condition, by: Changing) -> Condition:
    """Return the condition after a reading or remedy: what it ends is over, what it restores is back."""
    over = rules.with_built_on((*by.ends, *by.ends_for_good))
    after = _changed(condition, over, frozenset(by.ends_for_good), ())
    return stated(rules, after, by.restores) if isinstance(by, Fault) else after


def stated(rules: SetupRules, condition: Condition, setups: Iterable[str]) -> Condition:
    """Return the condition where setups are in place because somebody says so, with all that they need."""
    for setup in setups:
        for one in rules.first_to_last(setup):
            if one not in condition.in_place:
                condition = begun(rules, replace(condition, for_good=condition.for_good - {one}), one)
    return condition


def way_to(
    knowledge: Knowledge, condition: Condition, setups: Iterable[str], facts: Facts
) -> Way | OutOfReach:
    """How to get to a condition with these setups and all that they need in place, or why there is no way."""
    rules, setups = knowledge.setup_rules, tuple(setups)
    needed = {one: None for setup in setups for one in rules.first_to_last(setup)}
    if forbidden := [one for one in needed if one in condition.forbidden]:
        return OutOfReach(forbidden=tuple(forbidden))
    made: list[str] = []
    assumed: list[str] = []
    relied_on: set[str] = set()
    built_on: set[str] = set()
    now = condition

    def make(setup: str, now: Condition, by_another: bool = True) -> Condition:
        if setup in now.in_place:
            if setup not in (*made, *assumed):
                here = rules.first_to_last(setup)
                relied_on.update(here)
                built_on.update(here if by_another else ())
            return now
        if setup in now.for_good:
            raise _Over(setup)
        if setup in condition.forbidden:
            raise _Forbidden(setup)
        said = knowledge.setups[setup]
        for first in (*said.starts_from, *said.needs):
            now = make(first, now)
        as_it_came = said.on_arrival and setup not in now.over
        (assumed if as_it_came else made).append(setup)
        return begun(rules, now, setup)

    try:
        for setup in setups:
            now = make(setup, now, by_another=False)
    except _Over as error:
        gone = (one for one in needed if one in now.for_good - now.in_place)
        return OutOfReach(over=tuple(dict.fromkeys((*error.args, *gone))))
    except _Forbidden as error:
        return OutOfReach(forbidden=error.args)
    if not now.in_place.issuperset(needed):
        return OutOfReach(over=tuple(one for one in needed if one not in now.in_place))
    return Way(
        tuple(made),
        tuple(assumed),
        *setup_minutes(knowledge, made, facts),
        now,
        now.for_good - condition.for_good,
        frozenset(relied_on),
        frozenset(built_on),
    )


def setup_minutes(knowledge: Knowledge, setups: Iterable[str], facts: Facts) -> tuple[float, float]:
    """Return the minutes of setups that are made together, in this order: hands on, and waiting."""
    hands_on, waits = 0.0, Waits()
    for setup in setups:
        hands_on += minutes_for(knowledge, knowledge.setups[setup].hands_on_minutes, facts)
        waits = waits.then(knowledge, setup, facts)
    return hands_on, waits.waiting_minutes


class _Over(Exception):
    """A setup on the way is over for good."""


class _Forbidden(Exception):
    """A setup on the way is forbidden."""


def way_to_reading(
    knowledge: Knowledge, condition: Condition, reading: str, facts: Facts
) -> Way | OutOfReach:
    """How to get to a reading from here; what taking it ends for good is part of what the way spends."""
    if reading in condition.forbidden:
        return OutOfReach(forbidden=(reading,))
    way = way_to(knowledge, condition, knowledge.readings[reading].setup, facts)
    if isinstance(way, OutOfReach):
        return way
    after = done(knowledge.setup_rules, way.after, knowledge.readings[reading])
    spent = after.for_good - condition.for_good
    return way if spent == way.spent else replace(way, spent=spent)


def after_reading(knowledge: Knowledge, way: Way, reading: str, outcome: str | None) -> Condition:
    """Return the condition after a reading; its `outcome` may forbid things, None if it is not known."""
    said = knowledge.readings[reading]
    after = done(knowledge.setup_rules, way.after, said)
    forbidden = forbidden_by(knowledge, reading, outcome)
    return replace(after, forbidden=after.forbidden | forbidden) if forbidden else after


def forbidden_by(knowledge: Knowledge, reading: str, outcome: str | None) -> frozenset[str]:
    """Return the setups and readings that an outcome of a reading forbids."""
    return frozenset(knowledge.readings[reading].forbids.get(outcome or "", ()))


def wanted_by(knowledge: Knowledge, reading: str) -> frozenset[str]:
    """Return the setups that a reading cannot do without, those that come before them included."""
    rules = knowledge.setup_rules
    wanted = set(setups_of(knowledge, reading))
    todo = list(wanted)
    while todo:
        for first in knowledge.setups[todo.pop()].starts_from:
            fresh = set(rules.first_to_last(first)) - wanted
            wanted |= fresh
            todo += fresh
    return frozenset(wanted)


def not_on(knowledge: Knowledge, reading: str, facts: Facts) -> str | None:
    """Return the fact by which a reading cannot be taken on a car, or None where it can or nobody knows."""
    return next(
        (
            fact
            for fact, values in knowledge.readings[reading].given.items()
            if fact in facts and values.get(facts[fact], 1.0) == 0
        ),
        None,
    )


def asked_first(knowledge: Knowledge, reading: str, facts: Facts) -> tuple[str, ...]:
    """Return the vehicle facts that decide whether a reading applies and that nobody has asked about yet."""
    return tuple(fact for fact in knowledge.readings[reading].given if fact not in facts)


def _changed(
    condition: Condition, over: frozenset[str], for_good: frozenset[str], in_place: Iterable[str]
) -> Condition:
    here = frozenset(in_place)
    if not (over or for_good or here):
        return condition
    return Condition(
        (condition.in_place - over) | here,
        (condition.over | over) - here,
        (condition.for_good | for_good) - here,
        condition.forbidden,
    )
