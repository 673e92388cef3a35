"""The account of a current draw: the total, how much of it was found, and what is unexplained.

A remedy repairs one part: the largest in which its fault shows, or a part entered by hand if no reading shows
that fault. If the total is measured again afterwards, that part is not in the new total. The same remedy done
again repairs what was measured again, and nothing twice.

Current behind a measured fuse counts once: as the fuse, or as the parts behind it if they are more. What a
proof takes out and puts back is behind the fuse in which its fault shows.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

from advisor.case.case import Case
from advisor.case.confirmed import faults_below
from advisor.case.entries import Accounted, Measured, Seen
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.phrases import telling
from advisor.measure.formula import OutOfRange
from advisor.measure.formulas.electrical import days_until_flat
from advisor.measure.uncertainty import Estimate, combined, number
from advisor.measure.units import convert
from advisor.model.observation import Measurement, Take, accuracy_of, can_weigh, estimate

CAPACITY_AH = 60.0
"""A common battery's capacity, if nobody entered one (estimate)."""
START_PERCENT, NEEDED_PERCENT = 90.0, 50.0
"""State of charge when the car is left, and what it needs to start (common practice, no source)."""
SELF_DISCHARGE_PERCENT_PER_MONTH = 4.0
"""Of a flooded battery at 20 to 25 °C (common practice, no source)."""
COVERAGE = 2.0
"""Coverage factor for a verdict: about 95 of 100."""

ROUNDING_MA = 0.5
"""Currents are shown in whole mA: smaller differences do not count."""

NOTHING = Estimate(0.0)

Verdict = Literal["done", "another one", "cannot tell", "contradiction"]


@dataclass(frozen=True)
class Account:
    """Currents in mA. `verdict` is about what would be left with the parts found put right.

    It is a contradiction where the parts found, or one of them, are more than the total by more than the
    uncertainty of that.
    `within` are parts that another one, named second, counts already.

    `put_right` are parts whose remedy was done since the total was measured, `before` those whose remedy was
    done before: they are not in the total. `early` are the measurements, by name, that were read before the
    car was asleep. Days are until the battery no longer starts the engine; None for
    a draw that empties it within a day.
    """

    total: Estimate
    total_name: str
    parts: tuple[tuple[str, Estimate], ...]
    put_right: tuple[tuple[str, Estimate], ...]
    before: tuple[tuple[str, Estimate], ...]
    within: tuple[tuple[str, str, Estimate], ...]
    unexplained: Estimate
    limit_ma: float
    days_now: float | None
    days_after: float | None
    verdict: Verdict
    early: frozenset[str] = frozenset()
    earlier: tuple[Estimate, ...] = ()
    """The totals measured before a repair that the total was measured after, in order."""

    @property
    def larger(self) -> tuple[tuple[str, Estimate], ...]:
        """The parts that carry more than the whole, by more than the uncertainty of that; largest first."""
        parts = [one for one in (*self.parts, *self.put_right) if self._is_larger(one[1])]
        return tuple(sorted(parts, key=lambda one: -one[1].value))

    @property
    def repeat(self) -> str:
        """Which measurement to take again first, where a part carries more than the whole; or "".

        One such part is likelier misread than the whole, as the size and rating of its fuse count as well;
        where several do, the whole is.
        """
        larger = self.larger
        return "" if not larger else larger[0][0] if len(larger) == 1 else self.total_name

    def _is_larger(self, part: Estimate) -> bool:
        spread = math.hypot(part.uncertainty, self.total.uncertainty)
        return part.value - self.total.value > spread + ROUNDING_MA

    @property
    def found_ma(self) -> float:
        """Return what was found of the total, repaired or not."""
        return sum(part.value for _, part in (*self.parts, *self.put_right))

    @property
    def put_right_ma(self) -> float:
        """Return what was repaired of the total."""
        return sum(part.value for _, part in self.put_right)


@dataclass
class _Part:
    """A part with what was measured of it since `era` repairs, put right by the repair of number `mended`."""

    name: str
    reading: str
    era: int
    takes: list[Take] = field(default_factory=list)
    current: Estimate = NOTHING
    mended: int = 0
    behind: str = ""
    early: bool = False


def account(knowledge: Knowledge, case: Case, capacity_ah: float = CAPACITY_AH) -> Account | None:
    """Return the account of a draw; None if its total was not measured or it cannot be worked out."""
    totals = [part for part in _measured(knowledge, case, "total") if part.takes]
    if not totals:
        return None
    last = max(totals, key=lambda one: one.era)
    try:
        total = _milliamps(knowledge, case, last)
        before = tuple(_milliamps(knowledge, case, one) for one in totals if one.era < last.era)
        parts = [one for one in _measured(knowledge, case, "part") if one.takes]
        for one in parts:
            one.current = _milliamps(knowledge, case, one)
        for one in parts:
            one.behind = _carrying_fuse(knowledge, one, parts)
        parts += _by_hand(knowledge, case)
    except (ValueError, ArithmeticError):
        return None
    parts, within = _once(parts)
    _mend(knowledge, case, parts, last.reading)
    there = [one for one in parts if one.mended or one is _newest(parts, one)]
    there = [one for one in there if one is _largest(there, one, last.era)]
    listed: dict[str, tuple[tuple[str, Estimate], ...]] = {
        state: tuple((one.name, one.current) for one in there if _state(one, last.era) == state)
        for state in ("found", "put right", "before")
    }
    counting = [current for state in ("found", "put right") for _, current in listed[state]]
    spread = math.sqrt(sum(one.uncertainty**2 for one in (total, *counting)))
    unexplained = Estimate(total.value - sum(one.value for one in counting), spread)
    quantity = knowledge.readings[last.reading].quantity
    limits = quantity.limits_for(case.facts) if quantity else None
    limit = convert(limits[0], quantity.unit, "mA") if quantity and limits else 50.0
    now = total.value - sum(current.value for _, current in listed["put right"])
    account = Account(
        total,
        last.name,
        listed["found"],
        listed["put right"],
        listed["before"],
        tuple((one.name, other.name, one.current) for one, other in within),
        unexplained,
        limit,
        _days(max(now, 0.0), capacity_ah),
        _days(max(unexplained.value, 0.0), capacity_ah),
        _verdict(unexplained, limit),
        frozenset(one.name for one in (last, *there) if one.early),
        before,
    )
    return replace(account, verdict="contradiction") if account.larger else account


def _carrying_fuse(knowledge: Knowledge, part: _Part, parts: list[_Part]) -> str:
    """Return the reading of the fuse that carries what a proof takes out, the largest of several; or ""."""
    proved = frozenset(knowledge.readings[part.reading].proves)
    carrying = [
        one
        for one in parts
        if not knowledge.readings[one.reading].proves and proved & _causes(knowledge, one.reading)
    ]
    return max(carrying, key=lambda one: one.current.value).reading if carrying else ""


def _once(parts: list[_Part]) -> tuple[list[_Part], list[tuple[_Part, _Part]]]:
    """Return the parts without those counted already, and those with the part that counts them.

    A part behind a fuse belongs to the last measurement of that fuse before it, else to the first one.
    """
    behind: dict[int, list[_Part]] = {}
    fuses = [part for part in parts if part.reading]
    for part in parts:
        same = [index for index, fuse in enumerate(fuses) if part.behind and fuse.reading == part.behind]
        if same:
            earlier = [index for index in same if fuses[index].era <= part.era]
            behind.setdefault((earlier or same[:1])[-1], []).append(part)
    within: list[tuple[_Part, _Part]] = []
    for index, several in behind.items():
        if sum(one.current.value for one in several) <= fuses[index].current.value:
            within += [(one, fuses[index]) for one in several]
        else:
            within.append((fuses[index], max(several, key=lambda one: one.current.value)))
    return [one for one in parts if not any(one is counted for counted, _ in within)], within


def _newest(parts: list[_Part], part: _Part) -> _Part:
    """Return the current measurement of an unrepaired part: its last one, or that of its fuse."""
    of = {part.reading, part.behind} - {""}
    again = [one for one in parts if one.reading in of and one.era > part.era]
    return part if not again else again[-1]


def _largest(parts: list[_Part], part: _Part, total_era: int) -> _Part:
    """Return the largest measurement of the same thing as a part, among those in the same state."""
    state = _state(part, total_era)
    same = [one for one in parts if one.reading == part.reading and _state(one, total_era) == state]
    return max(same, key=lambda one: one.current.value) if part.reading else part


def _state(part: _Part, total_era: int) -> str:
    """Return whether a part is found, repaired since the total was measured, or repaired before."""
    if not part.mended:
        return "found"
    return "before" if part.mended <= total_era else "put right"


def _measured(knowledge: Knowledge, case: Case, role: str) -> list[_Part]:
    """Return the measurements of readings with this role, separately between repairs."""
    measured: dict[tuple[str, int], _Part] = {}
    for _, era, entry in case.by_era():
        if isinstance(entry, Seen | Measured) and _role(knowledge, entry.reading) == role:
            name = knowledge.readings[entry.reading].name
            part = measured.setdefault((entry.reading, era), _Part(name, entry.reading, era))
            if isinstance(entry, Seen) or part.early:  # a band picked by hand is no number
                part.takes.clear()
            if entry.take:
                part.takes.append(entry.take)
            part.early = isinstance(entry, Seen) and bool(entry.take)
    return list(measured.values())


def _by_hand(knowledge: Knowledge, case: Case) -> Iterator[_Part]:
    """Return the parts that were found by disconnecting."""
    for _, era, entry in case.by_era():
        if isinstance(entry, Accounted):
            current = _entered(knowledge, entry.measurement)
            yield _Part(entry.what, "", era, current=current, behind=entry.behind)


def _mend(knowledge: Knowledge, case: Case, parts: list[_Part], total: str) -> None:
    """Note which part each remedy has repaired: by its readings, or by name if it was found by hand."""
    done: dict[str, _Part] = {}
    for step, repair in enumerate(case.repairs, start=1):
        there = [one for one in parts if one.era < step and not one.mended]
        if repair.fault in done:
            before = done[repair.fault]
            there = [one for one in there if before.reading and one.reading == before.reading]
        shown = [one for one in there if one.reading and repair.fault in _causes(knowledge, one.reading)]
        if not shown and repair.fault in _causes(knowledge, total):
            named = telling(knowledge.title(repair.fault))
            shown = [one for one in there if not one.reading and named & telling(one.name)]
        if shown:
            done[repair.fault] = largest = max(shown, key=lambda one: one.current.value)
            largest.mended = step


def _causes(knowledge: Knowledge, reading: str) -> frozenset[str]:
    """Return the faults that a reading can show."""
    causes = knowledge.readings[reading].causes
    return frozenset().union(*(faults_below(knowledge, one) for one in causes))


def _verdict(unexplained: Estimate, limit: float) -> Verdict:
    if unexplained.value < -unexplained.uncertainty - ROUNDING_MA:
        return "contradiction"
    if unexplained.value + COVERAGE * unexplained.uncertainty <= limit:
        return "done"
    if unexplained.value - COVERAGE * unexplained.uncertainty > limit:
        return "another one"
    return "cannot tell"


def _role(knowledge: Knowledge, reading: str) -> str | None:
    definition = knowledge.readings.get(reading)
    return definition.quantity.account if definition and definition.quantity else None


def _milliamps(knowledge: Knowledge, case: Case, part: _Part) -> Estimate:
    quantity = knowledge.readings[part.reading].quantity
    if not can_weigh(knowledge, part.reading, part.takes):
        raise ValueError(f"This knowledge cannot weigh {part.reading}.")
    estimated = estimate(knowledge, part.reading, case.facts, part.takes)
    scale = convert(1.0, quantity.unit if quantity else "mA", "mA")
    return Estimate(estimated.value * scale, estimated.uncertainty * scale)


def _entered(knowledge: Knowledge, measurement: Measurement) -> Estimate:
    """Return a part entered by hand, in mA: the difference of two readings with the same instrument."""
    accuracy = accuracy_of(knowledge, measurement.instrument, "mA")
    return combined([number(float(measurement.value), measurement.instrument, accuracy)])


def _days(draw_ma: float, capacity_ah: float) -> float | None:
    try:
        return days_until_flat(
            draw_ma, capacity_ah, START_PERCENT, NEEDED_PERCENT, SELF_DISCHARGE_PERCENT_PER_MONTH
        )
    except OutOfRange:
        return None
