"""The account of a draw: how much flows in all, how much of it is found, and what is still unexplained."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from advisor.case import Case
from advisor.derived import Estimate, OutOfRange, days_until_flat
from advisor.evidence import Measurement, accuracy_of, can_weigh, combined, estimate, number
from advisor.knowledge import Knowledge
from advisor.units import convert

CAPACITY_AH = 60.0
"""A common battery's capacity, where nobody entered one (estimate)."""
START_PERCENT, NEEDED_PERCENT = 90.0, 50.0
"""State of charge when the car is left, and what it needs to start (common practice, no source)."""
SELF_DISCHARGE_PERCENT_PER_MONTH = 4.0
"""Of a flooded battery at 20 to 25 °C (common practice, no source)."""
COVERAGE = 2.0
"""Standard uncertainties between "it may be" and "it is": about 95 of 100."""

Verdict = Literal["done", "another one", "cannot tell"]


@dataclass(frozen=True)
class Account:
    """Currents in mA. `verdict` is about what would be left with the parts found put right.

    Days are until the battery no longer starts the engine; None for a draw that empties it within a day.
    """

    total: Estimate
    parts: tuple[tuple[str, Estimate], ...]
    unexplained: Estimate
    limit_ma: float
    days_now: float | None
    days_after: float | None
    verdict: Verdict


def account(knowledge: Knowledge, case: Case, capacity_ah: float = CAPACITY_AH) -> Account | None:
    """The account of a draw; None while its total was not measured, or where it cannot be worked out."""
    total_reading = next((name for name in case.measured if _role(knowledge, name) == "total"), None)
    if total_reading is None:
        return None
    try:
        total = _milliamps(knowledge, case, total_reading)
        parts = [
            (knowledge.readings[name].name, _milliamps(knowledge, case, name))
            for name in case.measured
            if _role(knowledge, name) == "part"
        ]
        parts += [(part.what, _entered(knowledge, part.measurement)) for part in case.parts]
    except (ValueError, ArithmeticError):
        return None
    found = sum(part.value for _, part in parts)
    spread = math.sqrt(total.uncertainty**2 + sum(part.uncertainty**2 for _, part in parts))
    unexplained = Estimate(total.value - found, spread)
    quantity = knowledge.readings[total_reading].quantity
    limits = quantity.limits_for(case.facts) if quantity else None
    limit = convert(limits[0], quantity.unit, "mA") if quantity and limits else 50.0
    return Account(
        total,
        tuple(parts),
        unexplained,
        limit,
        _days(total.value, capacity_ah),
        _days(max(unexplained.value, 0.0), capacity_ah),
        _verdict(unexplained, limit),
    )


def _verdict(unexplained: Estimate, limit: float) -> Verdict:
    if unexplained.value + COVERAGE * unexplained.uncertainty <= limit:
        return "done"
    if unexplained.value - COVERAGE * unexplained.uncertainty > limit:
        return "another one"
    return "cannot tell"


def _role(knowledge: Knowledge, reading: str) -> str | None:
    said = knowledge.readings.get(reading)
    return said.quantity.account if said and said.quantity else None


def _milliamps(knowledge: Knowledge, case: Case, reading: str) -> Estimate:
    quantity = knowledge.readings[reading].quantity
    if not can_weigh(knowledge, reading, case.measured[reading]):
        raise ValueError(f"This knowledge cannot weigh {reading}.")
    found = estimate(knowledge, reading, case.facts, case.measured[reading])
    scale = convert(1.0, quantity.unit if quantity else "mA", "mA")
    return Estimate(found.value * scale, found.uncertainty * scale)


def _entered(knowledge: Knowledge, measurement: Measurement) -> Estimate:
    """A part entered by hand, in mA: the difference of two readings with the same instrument."""
    accuracy = accuracy_of(knowledge, measurement.instrument, "mA")
    return combined([number(float(measurement.value), measurement.instrument, accuracy)])


def _days(draw_ma: float, capacity_ah: float) -> float | None:
    try:
        return days_until_flat(
            draw_ma, capacity_ah, START_PERCENT, NEEDED_PERCENT, SELF_DISCHARGE_PERCENT_PER_MONTH
        )
    except OutOfRange:
        return None
