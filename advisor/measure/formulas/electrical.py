"""Battery, current and voltage drop."""

from __future__ import annotations

import math
from collections.abc import Mapping

from advisor.measure.formula import Input, Lookup, OutOfRange, formula
from advisor.measure.uncertainty import Estimate, rectangular

FUSE_SPREAD = 0.15
WARM_FUSE = 0.4
"""A fuse at its rated current has about this much more resistance than a cold one."""
FUSES = {
    "regular": {
        "2 A": 53.5, "3 A": 31.1, "5 A": 17.85, "7.5 A": 10.91, "10 A": 7.70, "15 A": 4.80, "20 A": 3.38,
        "25 A": 2.52, "30 A": 1.97, "40 A": 1.44,
    },
    "mini": {
        "2 A": 61.0, "3 A": 36.0, "5 A": 17.0, "7.5 A": 10.7, "10 A": 7.42, "15 A": 4.58, "20 A": 3.2,
        "25 A": 2.4, "30 A": 1.9,
    },
    "maxi": {"20 A": 3.3, "30 A": 1.9, "40 A": 1.4, "50 A": 1.1, "60 A": 0.9, "80 A": 0.6},
}  # fmt: skip
"""Typical cold resistance of blade fuses, mΩ, by type (ISO 8820-3 types C, F, E) and rating.

As generic data sheets print them: 10 A regular, 15 A mini and 40 A maxi seen in published text, the others
second-hand or from memory. To be read again in a data sheet before a release.
"""
RATINGS = tuple(sorted({rating for fuse in FUSES.values() for rating in fuse}, key=lambda a: float(a[:-2])))


LEAST_FUSE = min(FUSES[fuse]["30 A"] for fuse in FUSES)
"""The least resistance of the fuses that small loads depend on, mΩ: those of 30 A."""


def fuse_resistance(fuse: str, rating: str) -> Estimate:
    """Return the cold resistance of a blade fuse by type and rating, mΩ, ± 15 %."""
    if rating not in FUSES[fuse]:
        raise OutOfRange(
            f"No resistance is known for a {fuse} fuse of {rating}, only for {', '.join(FUSES[fuse])}. "
            "Measure the current with a low-current clamp."
        )
    typical = FUSES[fuse][rating]
    return Estimate(typical, rectangular(FUSE_SPREAD * typical))


def _warm_fuse(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    """Heat grows with the current squared: 0.4 % at a tenth of the rating, 40 % at the rating, not above."""
    if "rating" not in words:
        return 0.0
    share = value / 1000 / float(words["rating"][:-2])
    if share > 1:
        raise OutOfRange(
            f"The current comes to {value / 1000:.3g} A, more than the fuse's {words['rating']}. "
            "Check the unit of the meter and the rating on the fuse."
        )
    return rectangular(WARM_FUSE * share**2 * value)


@formula(
    "Current through a fuse",
    "mA",
    "Ohm's law; cold resistances as generic data sheets print them, partly second-hand, ± 15 %",
    {
        "drop_mv": Input(
            "mV", -250, 250, "A voltage over a fuse", "Probe both tabs of one fuse, on the mV range."
        ),
        "resistance_mohm": Input("mΩ", 0.1, 200, "A fuse resistance"),
    },
    choices={"fuse": tuple(FUSES), "rating": RATINGS},
    lookups={"resistance_mohm": Lookup(("fuse", "rating"), fuse_resistance, "drop_mv", LEAST_FUSE)},
    own_uncertainty=_warm_fuse,
    note="Meter with 0.01 mV steps, leads zeroed on one tab. Fuses off specification can be far out.",
)
def fuse_current(drop_mv: float, resistance_mohm: float) -> float:
    """Return the current through a cold fuse, mA, from the voltage over it; swapped prods do not matter."""
    return 1000 * abs(drop_mv) / resistance_mohm


CHARGE_STEPS = (0.0, 25.0, 50.0, 75.0, 100.0)
FLOODED_VOLTS = (11.89, 12.06, 12.24, 12.45, 12.65)
CHARGE_VOLTS = {
    "flooded": (FLOODED_VOLTS, 0.03),
    "efb": (FLOODED_VOLTS, 0.05),
    "agm": ((11.75, 12.00, 12.25, 12.55, 12.90), 0.10),
}
"""Rested voltage at 0, 25 … 100 % charge and how far tables differ, V, by type, 12 V, about 25 °C.

Flooded: widely published. AGM: the middle of published tables, which differ by 0.1 V. EFB takes the
flooded column, an estimate, as are its and the flooded column's ± V.
"""


def _charge_segment(rested_v: float, battery: str) -> tuple[int, float]:
    """Which stretch of the table holds the voltage, or is nearest to it, and its slope in % per V."""
    volts, _ = CHARGE_VOLTS[battery]
    segment = min(max(sum(volt <= rested_v for volt in volts) - 1, 0), len(volts) - 2)
    return segment, (CHARGE_STEPS[segment + 1] - CHARGE_STEPS[segment]) / (
        volts[segment + 1] - volts[segment]
    )


def _charge_table(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    """Return what the spread of published tables is worth at this voltage."""
    _, slope = _charge_segment(numbers["rested_v"], words["battery"])
    return rectangular(slope * CHARGE_VOLTS[words["battery"]][1])


@formula(
    "State of charge",
    "%",
    "published tables of rested voltage; AGM ± 0.1 V, EFB as flooded by estimate",
    {
        "rested_v": Input(
            "V",
            10.5,
            13.5,
            "A rested voltage",
            "Below, a cell is probably dead; above, it is charging or was until now: rest it and read again.",
        )
    },
    choices={"battery": tuple(CHARGE_VOLTS)},
    own_uncertainty=_charge_table,
    bounds=(0.0, 100.0),
    note="After 4 hours of rest or with the surface charge taken off, at 10 to 40 °C.",
)
def state_of_charge(rested_v: float, battery: str) -> float:
    """State of charge, %, straight between table points and on past 0 and 100, for `evaluate` to cut."""
    segment, slope = _charge_segment(rested_v, battery)
    return CHARGE_STEPS[segment] + slope * (rested_v - CHARGE_VOLTS[battery][0][segment])


_STORE = "arithmetic on charge; charge needed to start and self-discharge are estimates"
_STANDING = {
    "capacity_ah": Input("Ah", 20, 300, "A capacity", "Take the Ah figure printed on the battery."),
    "charge_percent": Input("%", 0, 100, "A state of charge"),
    "needed_percent": Input(
        "%", 0, 100, "A charge needed to start", default=Estimate(50.0, rectangular(10.0))
    ),
    "self_discharge_percent": Input("%", 0, 50, "A self-discharge", default=Estimate(3.0, rectangular(1.0))),
}


def _usable_ah(capacity_ah: float, charge_percent: float, needed_percent: float) -> float:
    return capacity_ah * (charge_percent - needed_percent) / 100


def _self_discharge_ma(capacity_ah: float, percent_per_month: float) -> float:
    """Return the current, mA, that a battery loses by itself; a month has 30 days."""
    return 1000 * capacity_ah * percent_per_month / 100 / (30 * 24)


@formula(
    "Days until flat",
    "d",
    _STORE,
    {"draw_ma": Input("mA", 0, 20_000, "A draw"), **_STANDING},
    bounds=(0.0, math.inf),
)
def days_until_flat(
    draw_ma: float,
    capacity_ah: float,
    charge_percent: float,
    needed_percent: float,
    self_discharge_percent: float,
) -> float:
    """Days until the engine no longer starts; below 0 (for `evaluate` to cut) where it would not now.

    Charge over current: no rate correction at the 20-hour rate or slower. Self-discharge in % per 30 days.
    """
    if draw_ma > 1000 * capacity_ah / 20:
        raise OutOfRange(
            f"A draw of {draw_ma:g} mA empties {capacity_ah:g} Ah in less than 20 hours, where the "
            "capacity no longer holds. Such a car does not stand for days: find what is switched on."
        )
    total_ma = draw_ma + _self_discharge_ma(capacity_ah, self_discharge_percent)
    if total_ma < 0.01:
        raise OutOfRange(
            "Draw and self-discharge are less than 0.01 mA together, so the battery never goes flat. "
            "Enter a draw or a self-discharge."
        )
    return 1000 * _usable_ah(capacity_ah, charge_percent, needed_percent) / total_ma / 24


@formula(
    "Draw allowed",
    "mA",
    _STORE,
    {"days": Input("d", 0.1, 1000, "A time of standing"), **_STANDING},
    bounds=(0.0, math.inf),
)
def draw_allowed(
    days: float,
    capacity_ah: float,
    charge_percent: float,
    needed_percent: float,
    self_discharge_percent: float,
) -> float:
    """Return the largest draw, mA, with which the car still starts after so many days; cut at 0."""
    usable_ma_hours = 1000 * _usable_ah(capacity_ah, charge_percent, needed_percent)
    return usable_ma_hours / (days * 24) - _self_discharge_ma(capacity_ah, self_discharge_percent)


@formula(
    "Resistance of a joint or cable",
    "mΩ",
    "Ohm's law",
    {
        "drop_v": Input("V", -20, 20, "A voltage drop"),
        "current_a": Input(
            "A",
            0.1,
            2000,
            "A current",
            "Switch a load on: the drop has to stand out from the meter's offset.",
        ),
    },
)
def drop_resistance(drop_v: float, current_a: float) -> float:
    """Return the resistance of a cable or joint, mΩ, from the voltage lost over it under current."""
    return 1000 * abs(drop_v) / current_a
