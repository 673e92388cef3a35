"""Refrigerant: pressures, saturation, charge."""

from __future__ import annotations

from advisor.measure.formula import (
    AIR,
    AIR_BAR,
    KELVIN,
    STANDARD_AIR_BAR,
    Input,
    OutOfRange,
    formula,
    temperature,
)
from advisor.measure.refrigerants import saturated

_PIPE = temperature("A pipe", -40, 120)
_GAUGE = Input("bar g", -1, 40, "A gauge pressure", "Check the gauge and its unit; 1 bar is 14.5 psi.")

REFRIGERANTS = {"r134a": ("R-134a", "R134a", 38.0), "r1234yf": ("R-1234yf", "R1234yf", 32.0)}
"""By id: the name people use, CoolProp's name, and the highest absolute pressure used, short of critical."""
LOWEST_BAR = 0.3
_FLUIDS = {"refrigerant": tuple(REFRIGERANTS)}
_SATURATION = "saturation of the pure fluid by CoolProp; meets published R-134a tables to 0.05 %"


def saturation_c(absolute_bar: float, refrigerant: str) -> float:
    """Return the temperature at which a pure refrigerant boils or condenses, °C, at a pressure in bar."""
    spoken, fluid, highest = REFRIGERANTS[refrigerant]
    if not LOWEST_BAR <= absolute_bar <= highest:
        raise OutOfRange(
            f"A pressure of {absolute_bar:.2f} bar absolute is outside {LOWEST_BAR:g} to {highest:g} bar, "
            f"where the boiling point of {spoken} is used. Check the gauge and its unit; 1 bar is 14.5 psi."
        )
    return saturated("T", "P", absolute_bar * 1e5, fluid) - KELVIN


def saturation_bar(temperature_c: float, refrigerant: str) -> float:
    """Return the absolute pressure, bar, of a pure refrigerant, part liquid and part gas."""
    return saturated("P", "T", temperature_c + KELVIN, REFRIGERANTS[refrigerant][1]) / 1e5


@formula(
    "Superheat",
    "K",
    _SATURATION,
    {"low_bar_g": _GAUGE, "pipe_c": _PIPE, "air_bar": AIR_BAR},
    choices=_FLUIDS,
    note="The pressure lost between evaporator and gauge is not in it.",
)
def superheat(low_bar_g: float, pipe_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR) -> float:
    """How far the gas in the suction pipe is above its boiling point, K."""
    return pipe_c - saturation_c(low_bar_g + air_bar, refrigerant)


@formula(
    "Subcooling",
    "K",
    _SATURATION,
    {"high_bar_g": _GAUGE, "pipe_c": _PIPE, "air_bar": AIR_BAR},
    choices=_FLUIDS,
)
def subcooling(
    high_bar_g: float, pipe_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """How far the liquid after the condenser is below its boiling point, K; below 0 there is gas in it."""
    return saturation_c(high_bar_g + air_bar, refrigerant) - pipe_c


@formula(
    "Condensing temperature over outside air",
    "K",
    _SATURATION,
    {"high_bar_g": _GAUGE, "ambient_c": AIR, "air_bar": AIR_BAR},
    choices=_FLUIDS,
)
def condensing_over_ambient(
    high_bar_g: float, ambient_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """How far the condenser works above the outside air, K: the high side, freed of the weather."""
    return saturation_c(high_bar_g + air_bar, refrigerant) - ambient_c


@formula(
    "Pressure ratio",
    "1",
    "ratio of absolute pressures",
    {"low_bar_g": _GAUGE, "high_bar_g": _GAUGE, "air_bar": AIR_BAR},
)
def pressure_ratio(low_bar_g: float, high_bar_g: float, air_bar: float = STANDARD_AIR_BAR) -> float:
    """High side over low side, both absolute."""
    low, high = low_bar_g + air_bar, high_bar_g + air_bar
    if low < 0.1:
        raise OutOfRange(
            f"The low side is at {low:.2f} bar absolute; from 0.1 bar on a ratio says something. "
            "The low side is pumped empty: treat that as the finding."
        )
    if high < 0.9 * low:
        raise OutOfRange(
            f"The high side, {high_bar_g:g} bar g, is below the low side, {low_bar_g:g} bar g. "
            "The hoses are mixed up: enter the two readings the other way round."
        )
    return high / low


@formula(
    "Pressure at rest over saturation",
    "mbar",
    _SATURATION,
    {"static_bar_g": _GAUGE, "soaked_c": temperature("A soaked", -30, 80), "air_bar": AIR_BAR},
    choices=_FLUIDS,
    note="Engine off for an hour or more, every part at one temperature.",
)
def static_excess(
    static_bar_g: float, soaked_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """Pressure at rest over that of the pure refrigerant at the same temperature, mbar."""
    return 1000 * (static_bar_g + air_bar - saturation_bar(soaked_c, refrigerant))


@formula(
    "Recovered refrigerant",
    "%",
    "ratio",
    {
        "recovered_g": Input("g", 0, 5000, "A recovered mass"),
        "plate_g": Input("g", 100, 5000, "A mass on the plate"),
    },
)
def charge_share(recovered_g: float, plate_g: float) -> float:
    """Return the recovered mass of refrigerant as a share of the mass on the plate, %."""
    return 100 * recovered_g / plate_g


@formula(
    "Refrigerant in the cabin air if all of it escapes",
    "%",
    "ideal gas at 25 °C (24.47 l/mol), molar masses 102.03 and 114.04 g/mol (W14); well mixed",
    {
        "charge_g": Input("g", 0, 3000, "A charge"),
        "cabin_l": Input("l", 500, 20_000, "A cabin's volume"),
    },
    choices=_FLUIDS,
    note="Local pockets are richer. R-1234yf burns from 6.2 % by volume (ISO 817).",
)
def cabin_refrigerant(charge_g: float, cabin_l: float, refrigerant: str) -> float:
    """Return the mean share of refrigerant in the cabin air, % by volume."""
    moles = charge_g / {"r134a": 102.03, "r1234yf": 114.04}[refrigerant]
    return 100 * moles * 24.47 / cabin_l
