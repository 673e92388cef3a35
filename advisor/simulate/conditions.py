"""The conditions of many simulated cars: what each reading takes from each, worked out once.

Cars share few conditions, so each is looked up by a number. What a reading takes and ends is asked of the
same functions as for one case (`knowledge.conditions`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from advisor.arrays import Bools, Floats, Ints
from advisor.knowledge.conditions import (
    Condition,
    OutOfReach,
    Way,
    after_reading,
    minutes_for,
    wanted_by,
    way_to_reading,
)
from advisor.knowledge.knowledge import Knowledge


@dataclass(frozen=True, eq=False)
class Ways:
    """What each reading takes from one condition; a reading out of reach takes nothing."""

    to: tuple[Way | OutOfReach, ...]
    in_reach: Bools  # (readings,)
    hands_on_minutes: Floats  # (readings,), with the setups to make
    setup_waiting_minutes: Floats  # (readings,), of the setups to make
    own_waiting_minutes: Floats  # (readings,)
    spends: Bools  # (readings, setups): what taking it ends for good
    ends: Bools  # (readings, setups): what is in place now and will be no more
    makes: Bools  # (readings, setups)
    relied_on: Bools  # (readings, setups)
    built_on: Bools  # (readings, setups)

    @property
    def waiting_minutes(self) -> Floats:
        """Minutes that each reading waits, with the setups to make."""
        return self.setup_waiting_minutes + self.own_waiting_minutes


class Conditions:
    """The conditions met so far, by number. `setups` are those that a reading may need, in order."""

    def __init__(self, knowledge: Knowledge, readings: Sequence[str]) -> None:
        self.knowledge, self.readings = knowledge, tuple(readings)
        wanted = [wanted_by(knowledge, name) for name in self.readings]
        self.setups = tuple(sorted(frozenset().union(*wanted)))
        self.wanted: Bools = self._flags(wanted)
        self._arriving = frozenset(name for name, setup in knowledge.setups.items() if setup.on_arrival)
        self._numbers: dict[tuple[Condition, tuple[tuple[str, str], ...]], int] = {}
        self._known: list[tuple[Condition, dict[str, str]]] = []
        self._ways: dict[int, Ways] = {}
        self._after: dict[tuple[int, int, str | None], int] = {}

    def number(self, condition: Condition, facts: Mapping[str, str]) -> int:
        """Return the number of a condition of a car with these facts."""
        # Only of what cars arrive with does it matter whether it is over or nobody has said.
        key = (replace(condition, over=condition.over & self._arriving), tuple(sorted(facts.items())))
        if key not in self._numbers:
            self._numbers[key] = len(self._known)
            self._known.append((key[0], dict(facts)))
        return self._numbers[key]

    def in_place(self, numbers: Ints) -> Bools:
        """Which setups are in place in conditions, (conditions, setups)."""
        return self._flags([self._known[number][0].in_place for number in numbers.tolist()])

    def ways(self, number: int) -> Ways:
        """Return what each reading takes from a condition."""
        if number not in self._ways:
            condition, facts = self._known[number]
            to = tuple(way_to_reading(self.knowledge, condition, name, facts) for name in self.readings)
            self._ways[number] = self._as_arrays(condition, to, facts)
        return self._ways[number]

    def after(self, number: int, reading: int, outcome: str | None) -> int:
        """Return the condition after a reading in reach of this one was taken."""
        name = self.readings[reading]
        key = (number, reading, outcome if self.knowledge.readings[name].forbids else None)
        if key not in self._after:
            way = self.ways(number).to[reading]
            condition, facts = self._known[number]
            if isinstance(way, Way):
                condition = after_reading(self.knowledge, way, name, key[2])
            self._after[key] = self.number(condition, facts)
        return self._after[key]

    def _as_arrays(
        self, condition: Condition, to: tuple[Way | OutOfReach, ...], facts: Mapping[str, str]
    ) -> Ways:
        hands_on, for_setups, waiting = np.zeros(len(to)), np.zeros(len(to)), np.zeros(len(to))
        none: frozenset[str] = frozenset()
        ends = [none] * len(to)
        for index, (name, way) in enumerate(zip(self.readings, to, strict=True)):
            reading = self.knowledge.readings[name]
            hands_on[index] = minutes_for(self.knowledge, reading.minutes, facts)
            waiting[index] = minutes_for(self.knowledge, reading.waiting_minutes, facts)
            if isinstance(way, Way):
                hands_on[index] += way.hands_on_minutes
                for_setups[index] = way.waiting_minutes
                ends[index] = condition.in_place - after_reading(self.knowledge, way, name, None).in_place
        ways = [way if isinstance(way, Way) else None for way in to]
        return Ways(
            to,
            np.array([way is not None for way in ways], dtype=bool),
            hands_on,
            for_setups,
            waiting,
            self._flags([way.spent if way else none for way in ways]),
            self._flags(ends),
            self._flags([frozenset(way.made) if way else none for way in ways]),
            self._flags([way.relied_on if way else none for way in ways]),
            self._flags([way.built_on if way else none for way in ways]),
        )

    def _flags(self, rows: Sequence[frozenset[str]]) -> Bools:
        return np.array([[name in row for name in self.setups] for row in rows], dtype=bool).reshape(
            len(rows), len(self.setups)
        )
