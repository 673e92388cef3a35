"""Quantities that are computed, not read: formulas by name, their range of validity, and their uncertainty.

`evaluate` is the way in: it fills in what a word such as a surface or a fuse stands for, checks every input
against its range, and passes the uncertainties on by JCGM 100:2008, 5.1.2 (first order, uncorrelated inputs).
Half-widths count as limits of rectangular distributions (4.3.7), so as half-width / sqrt 3. The functions
themselves check only what several inputs decide together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, TypeVar

from advisor.knowledge.problems import nearest
from advisor.measure.refrigerants import saturated

KELVIN = 273.15
STANDARD_AIR_BAR = 1.01325
STEP = 1e-4
"""Half of the step of the central differences, relative to an input or, below 1, absolute."""


@dataclass(frozen=True)
class Estimate:
    """A number and its standard uncertainty in the same unit (JCGM 100:2008, 2.3.1); both are finite."""

    value: float
    uncertainty: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.uncertainty) and self.uncertainty >= 0):
            raise ValueError(f"{self.value} ± {self.uncertainty} is no estimate.")


class OutOfRange(ValueError):
    """An input lies where the formula does not hold; says which, the range, and what to do."""


@dataclass(frozen=True)
class Input:
    """A number that a formula needs, in its unit, and where the formula holds for it.

    Without a `default` it has to be given, unless it is `optional`.
    """

    unit: str
    low: float
    high: float
    what: str
    instead: str = "Check the reading and its unit."
    default: Estimate | None = None
    optional: bool = False

    def check(self, value: float) -> None:
        """Raise `OutOfRange` for a value outside the range."""
        if not self.low <= value <= self.high:
            unit = "" if self.unit == "1" else f" {self.unit}"
            span = f"{self.low:g} to {self.high:g}{unit}"
            raise OutOfRange(f"{self.what} of {value:g}{unit} is outside {span}. {self.instead}")


@dataclass(frozen=True)
class Lookup:
    """An input that words can stand for: which choices, and the estimate they give.

    Where the number `not_at_zero_of` is 0 the result is 0 whatever the words: they may be missing, and
    `least` stands for them, which makes the result's uncertainty the largest that it can be.
    """

    words: tuple[str, ...]
    find: Callable[..., Estimate]
    not_at_zero_of: str = ""
    least: float = math.nan


def _no_spread(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    return 0.0


@dataclass(frozen=True)
class Formula:
    """A quantity that is computed from others.

    `own_uncertainty` is what the model itself adds: a standard uncertainty in the result's unit, from the
    result, the numbers and the words. The result is cut to `bounds` only after its uncertainty is found.
    """

    name: str
    title: str
    given: Mapping[str, Input]
    unit: str
    source: str
    function: Callable[..., float]
    choices: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    lookups: Mapping[str, Lookup] = field(default_factory=dict)
    own_uncertainty: Callable[[float, Mapping[str, float], Mapping[str, str]], float] = _no_spread
    bounds: tuple[float, float] = (-math.inf, math.inf)
    note: str = ""

    @property
    def stand_ins(self) -> frozenset[str]:
        """The choices that stand for a number, and are not needed where it is given."""
        return frozenset(word for lookup in self.lookups.values() for word in lookup.words)

    @property
    def inputs(self) -> Mapping[str, str]:
        """The names of the numbers, with their units."""
        return {name: one.unit for name, one in self.given.items()}

    @property
    def needed(self) -> tuple[str, ...]:
        """The numbers that have neither a default nor words that stand for them."""
        return tuple(
            name
            for name, one in self.given.items()
            if one.default is None and not one.optional and name not in self.lookups
        )


def evaluate(
    name: str, numbers: Mapping[str, Estimate], choices: Mapping[str, str] = MappingProxyType({})
) -> Estimate:
    """Compute a quantity, with the uncertainty of its inputs and of its formula.

    Raises `OutOfRange` where the formula does not hold, and ValueError where what it needs is missing or
    unknown. A number given beside the words that could stand for it is the one that counts.
    """
    if name not in FORMULAS:
        raise ValueError(f"There is no formula '{name}'. {nearest(name, FORMULAS)}")
    formula = FORMULAS[name]
    _check_words(formula, numbers, choices)
    estimates = _filled(formula, numbers, choices)
    for key, estimate in estimates.items():
        formula.given[key].check(estimate.value)
    words = {key: word for key, word in choices.items() if key not in formula.stand_ins}
    values = {key: estimate.value for key, estimate in estimates.items()}
    value = float(formula.function(**values, **words))
    parts = [formula.own_uncertainty(value, values, choices)]
    for key, estimate in estimates.items():
        if estimate.uncertainty > 0:
            parts.append(_slope(formula, values, words, key, value) * estimate.uncertainty)
    uncertainty = math.hypot(*parts)
    if not (math.isfinite(value) and math.isfinite(uncertainty)):
        raise OutOfRange(f"{formula.title} comes to no number. Check what was typed and its units.")
    return Estimate(min(max(value, formula.bounds[0]), formula.bounds[1]), uncertainty)


def _check_words(formula: Formula, numbers: Iterable[str], choices: Mapping[str, str]) -> None:
    for key in numbers:
        if key not in formula.given:
            raise ValueError(f"'{formula.name}' has no number '{key}'. {nearest(key, formula.given)}")
    for key, word in choices.items():
        if key not in formula.choices:
            raise ValueError(f"'{formula.name}' has no choice '{key}'. {nearest(key, formula.choices)}")
        if word not in formula.choices[key]:
            raise ValueError(f"'{word}' is no {key}. {nearest(word, formula.choices[key])}")
    for key, known in formula.choices.items():
        if key not in choices and key not in formula.stand_ins:
            raise ValueError(f"'{formula.name}' needs '{key}'. {nearest('', known)}")


def _filled(
    formula: Formula, numbers: Mapping[str, Estimate], choices: Mapping[str, str]
) -> dict[str, Estimate]:
    """The numbers as given, else as words say, else as usual."""
    found: dict[str, Estimate] = {}
    for key, one in formula.given.items():
        lookup = formula.lookups.get(key)
        if key in numbers:
            found[key] = numbers[key]
        elif lookup and all(word in choices for word in lookup.words):
            found[key] = lookup.find(**{word: choices[word] for word in lookup.words})
        elif lookup and lookup.not_at_zero_of in numbers and numbers[lookup.not_at_zero_of].value == 0:
            found[key] = Estimate(lookup.least)
        elif one.default is not None:
            found[key] = one.default
        elif not one.optional:
            words = " and ".join(f"'{word}'" for word in lookup.words) if lookup else ""
            raise ValueError(f"'{formula.name}' needs '{key}' ({one.unit}){words and ', or ' + words}.")
    return found


def _slope(
    formula: Formula, values: Mapping[str, float], words: Mapping[str, str], key: str, value: float
) -> float:
    """How much the result moves with an input: the central difference, at a kink the steeper side.

    Where the formula ends on one side, the other side alone counts.
    """
    one, here = formula.given[key], values[key]
    step = STEP * max(1.0, abs(here))
    sides = []
    for there in (max(here - step, one.low), min(here + step, one.high)):
        if there != here:
            try:
                moved = formula.function(**{**values, key: there}, **words)
            except OutOfRange:
                continue
            sides.append((moved - value) / (there - here))
    if not sides:
        raise OutOfRange(f"{formula.title} holds at this one point only. Check what was typed and its units.")
    steeper, central = max(abs(side) for side in sides), abs(sum(sides)) / len(sides)
    return central if steeper - central < 0.01 * steeper else steeper


def _within(half_width: float) -> float:
    """The standard uncertainty of a rectangular distribution: JCGM 100:2008, 4.3.7."""
    return half_width / math.sqrt(3)


def _temperature(what: str, low: float, high: float, default: Estimate | None = None) -> Input:
    return Input("°C", low, high, f"{what} temperature", default=default)


_VENT, _INLET = _temperature("A vent", -30, 100), _temperature("An inlet air", -40, 60)
_OTHER_VENT = replace(_VENT, optional=True)
_HOSE, _PIPE = _temperature("A hose", -40, 135), _temperature("A pipe", -40, 120)
_AIR, _SURFACE = _temperature("An air", -40, 60), _temperature("A surface", -60, 200)
_HUMIDITY = Input("%", 1, 100, "A relative humidity")
_PLACE = "Take it at the place itself, not as the weather report reduces it to sea level."
_AIR_BAR = Input("bar abs", 0.7, 1.1, "An air pressure", _PLACE, Estimate(STANDARD_AIR_BAR, _within(0.03)))
_GAUGE = Input("bar g", -1, 40, "A gauge pressure", "Check the gauge and its unit; 1 bar is 14.5 psi.")
_CANCELS = (
    "Read with one instrument, its common error cancels: state how far repeats differ, not its accuracy."
)

_FORMULAS: dict[str, Formula] = {}
FORMULAS: Mapping[str, Formula] = MappingProxyType(_FORMULAS)
"""Every formula by name, entered below where its function stands."""

Function = TypeVar("Function", bound=Callable[..., float])


def _formula(
    title: str, unit: str, source: str, given: Mapping[str, Input], **more: Any
) -> Callable[[Function], Function]:
    """Enter the function below into `FORMULAS` under its own name; `more` are other fields of `Formula`."""

    def enter(function: Function) -> Function:
        _FORMULAS[function.__name__] = Formula(
            function.__name__, title, given, unit, source, function, **more
        )
        return function

    return enter


# Infrared readings

EMISSIVITY = {
    "car_paint": (0.92, 0.96), "matt_black_paint": (0.95, 0.99), "electrical_tape": (0.94, 0.98),
    "hard_rubber": (0.92, 0.96), "soft_rubber": (0.86, 0.89), "plastic": (0.92, 0.95),
    "carpet_or_fabric": (0.90, 0.95), "cotton": (0.75, 0.79), "black_cloth": (0.96, 1.00),
    "leather": (0.95, 0.98), "glass": (0.85, 0.94), "water": (0.94, 0.98), "ice": (0.96, 0.97),
    "frost": (0.96, 1.00), "anodised_aluminium": (0.95, 0.97), "oxidised_steel": (0.75, 0.85),
    "red_rust": (0.68, 0.72), "oxidised_copper": (0.60, 0.78), "blackened_copper": (0.78, 0.88),
    "oxidised_brass": (0.59, 0.63), "cast_aluminium": (0.44, 0.48), "bare_aluminium": (0.04, 0.30),
    "galvanised_steel": (0.20, 0.30), "polished_steel": (0.05, 0.09), "polished_copper": (0.02, 0.07),
    "polished_brass": (0.01, 0.05), "chrome": (0.06, 0.10),
}  # fmt: skip
"""Emissivity by surface, 8-14 µm (metals partly total-spectrum), lowest and highest of handbook compilations.

Where these print one figure, ± 0.02 is taken (estimate). Galvanised steel is from memory; fabric and leather
are common practice.
"""

BAND_EXPONENT = 4.58
"""Radiance within 8-14 µm goes with this power of temperature near 300 K; the total radiation with 4."""


def surface_emissivity(surface: str) -> Estimate:
    """The emissivity of a surface by name."""
    low, high = EMISSIVITY[surface]
    return Estimate((low + high) / 2, _within((high - low) / 2))


_TAPE = "Below, a surface shows the room, not itself: stick a patch of electrical tape on it and read that."


def _band_spread(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    """A camera sees one band, not the total radiation: how far the answer moves with the band's exponent."""
    return _within(abs(reflected_temperature(**numbers, exponent=BAND_EXPONENT) - value))


@_formula(
    "Surface temperature, freed of reflection",
    "°C",
    "grey body, ISO 18434-1:2008 and textbooks, from memory; emissivities from handbook compilations",
    {
        "reading_c": _temperature("An infrared", -40, 200),
        "emissivity": Input("1", 0.5, 1, "An emissivity", _TAPE),
        "reflected_c": _temperature("A reflected", -60, 200, Estimate(20.0, _within(5.0))),
        "camera_emissivity": Input("1", 0.1, 1, "An emissivity set in the camera", default=Estimate(1.0)),
        "camera_reflected_c": _temperature("A reflected", -60, 200, Estimate(20.0)),
    },
    choices={"surface": tuple(EMISSIVITY)},
    lookups={"emissivity": Lookup(("surface",), surface_emissivity)},
    own_uncertainty=_band_spread,
    note="Many spot thermometers are fixed at 0.95: that is camera_emissivity. Outdoors, skies reflect.",
)
def reflected_temperature(
    reading_c: float,
    emissivity: float,
    reflected_c: float,
    camera_emissivity: float = 1.0,
    camera_reflected_c: float = 20.0,
    exponent: float = 4.0,
) -> float:
    """A surface's true temperature, °C, from an infrared reading and what the surface reflects, °C.

    Grey body over a bay's distances, where air neither absorbs nor glows: what arrives is
    S = camera ε·T_reading⁴ + (1 − camera ε)·T_camera-reflected⁴, and the surface itself is at
    {[S − (1 − ε)·T_reflected⁴]/ε}^¼, all in kelvin. The camera's own settings are undone first.
    """
    arriving = (
        camera_emissivity * (reading_c + KELVIN) ** exponent
        + (1 - camera_emissivity) * (camera_reflected_c + KELVIN) ** exponent
    )
    glowing = (arriving - (1 - emissivity) * (reflected_c + KELVIN) ** exponent) / emissivity
    if glowing <= 0:
        raise OutOfRange(
            "The reflection alone would be brighter than what the camera saw. "
            "Check the reflected temperature and the emissivity."
        )
    return float(glowing ** (1 / exponent)) - KELVIN


@_formula(
    "Temperature over a neighbour",
    "K",
    "difference",
    {"surface_c": _SURFACE, "neighbour_c": _SURFACE},
    note=_CANCELS,
)
def over_neighbour(surface_c: float, neighbour_c: float) -> float:
    """How much warmer one surface is than another like it, K."""
    return surface_c - neighbour_c


# Air and water


@_formula(
    "Spread between vents",
    "K",
    "difference",
    {"vent_1_c": _VENT, "vent_2_c": _VENT, "vent_3_c": _OTHER_VENT, "vent_4_c": _OTHER_VENT},
    note=_CANCELS,
)
def vent_spread(
    vent_1_c: float, vent_2_c: float, vent_3_c: float | None = None, vent_4_c: float | None = None
) -> float:
    """The warmest less the coldest of two to four vents, K."""
    vents = [vent for vent in (vent_1_c, vent_2_c, vent_3_c, vent_4_c) if vent is not None]
    return max(vents) - min(vents)


@_formula("Air temperature drop", "K", "difference", {"inlet_c": _INLET, "vent_c": _VENT}, note=_CANCELS)
def air_drop(inlet_c: float, vent_c: float) -> float:
    """How much the air is cooled on its way through, K."""
    return inlet_c - vent_c


@_formula(
    "Drop over the heater", "K", "difference", {"inlet_hose_c": _HOSE, "outlet_hose_c": _HOSE}, note=_CANCELS
)
def hose_difference(inlet_hose_c: float, outlet_hose_c: float) -> float:
    """What the coolant loses in the heater, K."""
    difference = inlet_hose_c - outlet_hose_c
    if difference < -5:
        raise OutOfRange(
            f"The outlet hose is {-difference:g} K warmer than the inlet hose; a heater matrix only cools. "
            "The hoses are mixed up: enter the two readings the other way round."
        )
    return difference


@_formula(
    "Effectiveness of the heater",
    "%",
    "effectiveness of a heat exchanger, as textbooks define it",
    {"vent_c": _VENT, "inlet_c": _INLET, "coolant_c": _temperature("A coolant", -40, 135)},
)
def heater_effectiveness(vent_c: float, inlet_c: float, coolant_c: float) -> float:
    """How much of the way from inlet air to coolant temperature the heater warms the air, %."""
    if coolant_c - inlet_c < 20:
        raise OutOfRange(
            f"The coolant is only {coolant_c - inlet_c:g} K over the inlet air; 20 K or more are needed. "
            "Warm the engine up and read again."
        )
    return 100 * (vent_c - inlet_c) / (coolant_c - inlet_c)


def air_enthalpy(air_c: float, humidity_percent: float, air_bar: float = STANDARD_AIR_BAR) -> float:
    """The enthalpy of moist air, kJ per kg of dry air, counted from dry air and liquid water at 0 °C."""
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    water = psychrolib.GetHumRatioFromRelHum(air_c, humidity_percent / 100, air_bar * 1e5)
    return float(psychrolib.GetMoistAirEnthalpy(air_c, water)) / 1000


COLDEST_COIL_C, HELD_UP_TO_KJ_KG, COIL_K_PER_KJ_KG, PAST_THE_COIL = 3.0, 45.0, 0.12, 0.15
VENT_HALF_WIDTH_K = 2.5
_COOLING_AIR = {
    "inlet_c": Input(
        "°C", 15, 45, "An inlet air temperature", "Compare the vent with that of a like car instead."
    ),
    "humidity_percent": Input("%", 10, 100, "A relative humidity"),
    "air_bar": _AIR_BAR,
}


def _vent_model(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    return _within(VENT_HALF_WIDTH_K)


@_formula(
    "Vent temperature to expect",
    "°C",
    "author's estimate; moist air by PsychroLib, ASHRAE Handbook Fundamentals 2017",
    _COOLING_AIR,
    own_uncertainty=_vent_model,
    note="After 10 minutes of full cooling, recirculating, 1500 rpm; idling or fresh air 2 to 6 K warmer.",
)
def expected_vent(inlet_c: float, humidity_percent: float, air_bar: float = STANDARD_AIR_BAR) -> float:
    """An estimate of the vent temperature, °C: healthy, full cooling, recirculation, 1500 rpm.

    The evaporator is one surface (apparatus dew point). Its control holds it at 3 °C as long as the entering
    air carries 45 kJ/kg or less; above, it is 0.12 K warmer for every kJ/kg, moisture included. 15 % of
    the air pass by untouched (bypass factor), the rest leaves at the surface's temperature. The four
    figures were chosen by hand so that 40-60 % humidity gives the estimated vent bands at 20-40 °C outside
    (inlet air taken at outside temperature), and over 70 % some 2-4 K more where it is hot; not measured.
    """
    load = air_enthalpy(inlet_c, humidity_percent, air_bar)
    coil_c = COLDEST_COIL_C + COIL_K_PER_KJ_KG * max(0.0, load - HELD_UP_TO_KJ_KG)
    return coil_c + PAST_THE_COIL * (inlet_c - coil_c)


@_formula(
    "Vent temperature over what is to be expected",
    "K",
    "author's estimate, see expected_vent",
    {"vent_c": _VENT, **_COOLING_AIR},
    own_uncertainty=_vent_model,
)
def vent_excess(
    vent_c: float, inlet_c: float, humidity_percent: float, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """How much warmer the vent is than `expected_vent`, K."""
    return vent_c - expected_vent(inlet_c, humidity_percent, air_bar)


def _dew_spread(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    """0.1 K, and below freezing up to 12 % of the degrees below 0: frost settles earlier than dew would."""
    dew = dew_point(numbers["air_c"], numbers["humidity_percent"])
    return _within(max(0.1, -0.12 * dew))


@_formula(
    "Dew point",
    "°C",
    "Magnus form, coefficients of WMO-No. 8 as others quote them",
    {"air_c": _AIR, "humidity_percent": _HUMIDITY},
    own_uncertainty=_dew_spread,
)
def dew_point(air_c: float, humidity_percent: float) -> float:
    """The temperature at which the air's moisture settles as dew, °C (Magnus form over water)."""
    gamma = math.log(humidity_percent / 100) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * gamma / (17.62 - gamma)


@_formula(
    "Temperature over the dew point",
    "K",
    "difference from dew_point",
    {"surface_c": _SURFACE, "air_c": _AIR, "humidity_percent": _HUMIDITY},
    own_uncertainty=_dew_spread,
)
def over_dew_point(surface_c: float, air_c: float, humidity_percent: float) -> float:
    """How far a pane or panel is from misting, K; 0 or less mists."""
    return surface_c - dew_point(air_c, humidity_percent)


# Refrigerant

REFRIGERANTS = {"r134a": ("R-134a", "R134a", 38.0), "r1234yf": ("R-1234yf", "R1234yf", 32.0)}
"""By id: the name people use, CoolProp's name, and the highest absolute pressure used, short of critical."""
LOWEST_BAR = 0.3
_FLUIDS = {"refrigerant": tuple(REFRIGERANTS)}
_SATURATION = "saturation of the pure fluid by CoolProp; meets published R-134a tables to 0.05 %"


def saturation_c(absolute_bar: float, refrigerant: str) -> float:
    """The temperature at which a pure refrigerant boils or condenses, °C, at a pressure in bar."""
    spoken, fluid, highest = REFRIGERANTS[refrigerant]
    if not LOWEST_BAR <= absolute_bar <= highest:
        raise OutOfRange(
            f"A pressure of {absolute_bar:.2f} bar absolute is outside {LOWEST_BAR:g} to {highest:g} bar, "
            f"where the boiling point of {spoken} is used. Check the gauge and its unit; 1 bar is 14.5 psi."
        )
    return saturated("T", "P", absolute_bar * 1e5, fluid) - KELVIN


def saturation_bar(temperature_c: float, refrigerant: str) -> float:
    """The absolute pressure, bar, of a pure refrigerant, part liquid and part gas, at a temperature."""
    return saturated("P", "T", temperature_c + KELVIN, REFRIGERANTS[refrigerant][1]) / 1e5


@_formula(
    "Superheat",
    "K",
    _SATURATION,
    {"low_bar_g": _GAUGE, "pipe_c": _PIPE, "air_bar": _AIR_BAR},
    choices=_FLUIDS,
    note="The pressure lost between evaporator and gauge is not in it.",
)
def superheat(low_bar_g: float, pipe_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR) -> float:
    """How far the gas in the suction pipe is above its boiling point, K."""
    return pipe_c - saturation_c(low_bar_g + air_bar, refrigerant)


@_formula(
    "Subcooling",
    "K",
    _SATURATION,
    {"high_bar_g": _GAUGE, "pipe_c": _PIPE, "air_bar": _AIR_BAR},
    choices=_FLUIDS,
)
def subcooling(
    high_bar_g: float, pipe_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """How far the liquid after the condenser is below its boiling point, K; below 0 there is gas in it."""
    return saturation_c(high_bar_g + air_bar, refrigerant) - pipe_c


@_formula(
    "Condensing temperature over outside air",
    "K",
    _SATURATION,
    {"high_bar_g": _GAUGE, "ambient_c": _AIR, "air_bar": _AIR_BAR},
    choices=_FLUIDS,
)
def condensing_over_ambient(
    high_bar_g: float, ambient_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """How far the condenser works above the outside air, K: the high side, freed of the weather."""
    return saturation_c(high_bar_g + air_bar, refrigerant) - ambient_c


@_formula(
    "Pressure ratio",
    "1",
    "ratio of absolute pressures",
    {"low_bar_g": _GAUGE, "high_bar_g": _GAUGE, "air_bar": _AIR_BAR},
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


@_formula(
    "Pressure at rest over saturation",
    "mbar",
    _SATURATION,
    {"static_bar_g": _GAUGE, "soaked_c": _temperature("A soaked", -30, 80), "air_bar": _AIR_BAR},
    choices=_FLUIDS,
    note="Engine off for an hour or more, every part at one temperature.",
)
def static_excess(
    static_bar_g: float, soaked_c: float, refrigerant: str, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """Pressure at rest over that of the pure refrigerant at the same temperature, mbar."""
    return 1000 * (static_bar_g + air_bar - saturation_bar(soaked_c, refrigerant))


@_formula(
    "Recovered refrigerant",
    "%",
    "ratio",
    {
        "recovered_g": Input("g", 0, 5000, "A recovered mass"),
        "plate_g": Input("g", 100, 5000, "A mass on the plate"),
    },
)
def charge_share(recovered_g: float, plate_g: float) -> float:
    """The recovered mass of refrigerant as a share of the mass on the plate, %."""
    return 100 * recovered_g / plate_g


# Battery and current

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
"""The least resistance of the fuses that small loads hang on, mΩ: those of 30 A."""


def fuse_resistance(fuse: str, rating: str) -> Estimate:
    """The cold resistance of a blade fuse by type and rating, mΩ, ± 15 %."""
    if rating not in FUSES[fuse]:
        raise OutOfRange(
            f"No resistance is known for a {fuse} fuse of {rating}, only for {', '.join(FUSES[fuse])}. "
            "Measure the current with a low-current clamp."
        )
    typical = FUSES[fuse][rating]
    return Estimate(typical, _within(FUSE_SPREAD * typical))


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
    return _within(WARM_FUSE * share**2 * value)


@_formula(
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
    """The current through a cold fuse, mA, from the voltage over it; swapped prods do not matter."""
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
    at = min(max(sum(volt <= rested_v for volt in volts) - 1, 0), len(volts) - 2)
    return at, (CHARGE_STEPS[at + 1] - CHARGE_STEPS[at]) / (volts[at + 1] - volts[at])


def _charge_table(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    """What the spread of published tables is worth at this voltage."""
    _, slope = _charge_segment(numbers["rested_v"], words["battery"])
    return _within(slope * CHARGE_VOLTS[words["battery"]][1])


@_formula(
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
    at, slope = _charge_segment(rested_v, battery)
    return CHARGE_STEPS[at] + slope * (rested_v - CHARGE_VOLTS[battery][0][at])


_STORE = "arithmetic on charge; charge needed to start and self-discharge are estimates"
_STANDING = {
    "capacity_ah": Input("Ah", 20, 300, "A capacity", "Take the Ah figure printed on the battery."),
    "charge_percent": Input("%", 0, 100, "A state of charge"),
    "needed_percent": Input("%", 0, 100, "A charge needed to start", default=Estimate(50.0, _within(10.0))),
    "self_discharge_percent": Input("%", 0, 50, "A self-discharge", default=Estimate(3.0, _within(1.0))),
}


def _usable_ah(capacity_ah: float, charge_percent: float, needed_percent: float) -> float:
    return capacity_ah * (charge_percent - needed_percent) / 100


def _self_discharge_ma(capacity_ah: float, percent_per_month: float) -> float:
    """A month has 30 days."""
    return 1000 * capacity_ah * percent_per_month / 100 / (30 * 24)


@_formula(
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


@_formula(
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
    """The largest draw, mA, with which the car still starts after so many days; cut at 0."""
    usable_ma_hours = 1000 * _usable_ah(capacity_ah, charge_percent, needed_percent)
    return usable_ma_hours / (days * 24) - _self_discharge_ma(capacity_ah, self_discharge_percent)


@_formula(
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
    """The resistance of a cable or joint, mΩ, from the voltage lost over it while the current flows."""
    return 1000 * abs(drop_v) / current_a


@_formula(
    "Spot that a thermometer measures",
    "mm",
    "geometry; the printed ratio of distance to spot is 2 to 3 times better than what is measured (W7)",
    {
        "distance_mm": Input("mm", 10, 20_000, "A distance"),
        "distance_to_spot": Input("1", 1, 200, "A ratio of distance to spot"),
    },
    note="The spot has to lie wholly on the target.",
)
def measured_spot(distance_mm: float, distance_to_spot: float) -> float:
    """The width of an infrared thermometer's spot, mm."""
    return distance_mm / distance_to_spot


@_formula(
    "Heat given off by the heater",
    "kW",
    "heat balance with 1.03 kg/l and 3.6 kJ/kgK for half glycol at 80 °C (from memory, W12)",
    {
        "flow_l_per_min": Input("l/min", 0, 60, "A coolant flow"),
        "inlet_hose_c": _temperature("A heater hose", -40, 135),
        "outlet_hose_c": _temperature("A heater hose", -40, 135),
    },
)
def heater_power(flow_l_per_min: float, inlet_hose_c: float, outlet_hose_c: float) -> float:
    """What the coolant gives off in the heater matrix, kW."""
    return flow_l_per_min / 60 * 1.03 * 3.6 * (inlet_hose_c - outlet_hose_c)


@_formula(
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
    """The mean share of refrigerant in the cabin air, % by volume."""
    moles = charge_g / {"r134a": 102.03, "r1234yf": 114.04}[refrigerant]
    return 100 * moles * 24.47 / cabin_l
