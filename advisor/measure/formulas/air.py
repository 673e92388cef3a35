"""Air and coolant: vents, heater, humidity."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from advisor.measure.formula import (
    AIR,
    AIR_BAR,
    CANCELS,
    STANDARD_AIR_BAR,
    SURFACE,
    Input,
    OutOfRange,
    formula,
    temperature,
)
from advisor.measure.uncertainty import rectangular

_VENT, _INLET = temperature("A vent", -30, 100), temperature("An inlet air", -40, 60)
_OTHER_VENT = replace(_VENT, optional=True)
_HOSE = temperature("A hose", -40, 135)
_HUMIDITY = Input("%", 1, 100, "A relative humidity")


@formula(
    "Spread between vents",
    "K",
    "difference",
    {"vent_1_c": _VENT, "vent_2_c": _VENT, "vent_3_c": _OTHER_VENT, "vent_4_c": _OTHER_VENT},
    note=CANCELS,
)
def vent_spread(
    vent_1_c: float, vent_2_c: float, vent_3_c: float | None = None, vent_4_c: float | None = None
) -> float:
    """Return the warmest less the coldest of two to four vents, K."""
    vents = [vent for vent in (vent_1_c, vent_2_c, vent_3_c, vent_4_c) if vent is not None]
    return max(vents) - min(vents)


@formula("Air temperature drop", "K", "difference", {"inlet_c": _INLET, "vent_c": _VENT}, note=CANCELS)
def air_drop(inlet_c: float, vent_c: float) -> float:
    """Return by how much the air is cooled on its way through, K."""
    return inlet_c - vent_c


@formula(
    "Drop over the heater", "K", "difference", {"inlet_hose_c": _HOSE, "outlet_hose_c": _HOSE}, note=CANCELS
)
def hose_difference(inlet_hose_c: float, outlet_hose_c: float) -> float:
    """Return what the coolant loses in the heater, K."""
    difference = inlet_hose_c - outlet_hose_c
    if difference < -5:
        raise OutOfRange(
            f"The outlet hose is {-difference:g} K warmer than the inlet hose; a heater matrix only cools. "
            "The hoses are mixed up: enter the two readings the other way round."
        )
    return difference


@formula(
    "Effectiveness of the heater",
    "%",
    "effectiveness of a heat exchanger, as textbooks define it",
    {"vent_c": _VENT, "inlet_c": _INLET, "coolant_c": temperature("A coolant", -40, 135)},
)
def heater_effectiveness(vent_c: float, inlet_c: float, coolant_c: float) -> float:
    """Return how far the heater warms the air from inlet to coolant temperature, %."""
    if coolant_c - inlet_c < 20:
        raise OutOfRange(
            f"The coolant is only {coolant_c - inlet_c:g} K over the inlet air; 20 K or more are needed. "
            "Warm the engine up and read again."
        )
    return 100 * (vent_c - inlet_c) / (coolant_c - inlet_c)


def air_enthalpy(air_c: float, humidity_percent: float, air_bar: float = STANDARD_AIR_BAR) -> float:
    """Return the enthalpy of moist air, kJ per kg of dry air, from dry air and liquid water at 0 °C."""
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
    "air_bar": AIR_BAR,
}


def _vent_model(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    return rectangular(VENT_HALF_WIDTH_K)


@formula(
    "Vent temperature to expect",
    "°C",
    "author's estimate; moist air by PsychroLib, ASHRAE Handbook Fundamentals 2017",
    _COOLING_AIR,
    own_uncertainty=_vent_model,
    note="After 10 minutes of full cooling, recirculating, 1500 rpm; idling or fresh air 2 to 6 K warmer.",
)
def expected_vent(inlet_c: float, humidity_percent: float, air_bar: float = STANDARD_AIR_BAR) -> float:
    """Return an estimate of the vent temperature, °C: healthy, full cooling, recirculation, 1500 rpm.

    The evaporator is one surface (apparatus dew point). Its control holds it at 3 °C as long as the entering
    air carries 45 kJ/kg or less; above, it is 0.12 K warmer for every kJ/kg, moisture included. 15 % of
    the air pass by untouched (bypass factor), the rest leaves at the surface's temperature. The four
    figures were chosen by hand so that 40-60 % humidity gives the estimated vent bands at 20-40 °C outside
    (inlet air taken at outside temperature), and over 70 % some 2-4 K more where it is hot; not measured.
    """
    load = air_enthalpy(inlet_c, humidity_percent, air_bar)
    coil_c = COLDEST_COIL_C + COIL_K_PER_KJ_KG * max(0.0, load - HELD_UP_TO_KJ_KG)
    return coil_c + PAST_THE_COIL * (inlet_c - coil_c)


@formula(
    "Vent temperature over what is to be expected",
    "K",
    "author's estimate, see expected_vent",
    {"vent_c": _VENT, **_COOLING_AIR},
    own_uncertainty=_vent_model,
)
def vent_excess(
    vent_c: float, inlet_c: float, humidity_percent: float, air_bar: float = STANDARD_AIR_BAR
) -> float:
    """Return by how much the vent is warmer than `expected_vent`, K."""
    return vent_c - expected_vent(inlet_c, humidity_percent, air_bar)


def _dew_spread(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    """0.1 K, and below freezing up to 12 % of the degrees below 0: frost settles earlier than dew would."""
    dew = dew_point(numbers["air_c"], numbers["humidity_percent"])
    return rectangular(max(0.1, -0.12 * dew))


@formula(
    "Dew point",
    "°C",
    "Magnus form, coefficients of WMO-No. 8 as others quote them",
    {"air_c": AIR, "humidity_percent": _HUMIDITY},
    own_uncertainty=_dew_spread,
)
def dew_point(air_c: float, humidity_percent: float) -> float:
    """Return the temperature at which the air's moisture settles as dew, °C (Magnus form over water)."""
    gamma = math.log(humidity_percent / 100) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * gamma / (17.62 - gamma)


@formula(
    "Temperature over the dew point",
    "K",
    "difference from dew_point",
    {"surface_c": SURFACE, "air_c": AIR, "humidity_percent": _HUMIDITY},
    own_uncertainty=_dew_spread,
)
def over_dew_point(surface_c: float, air_c: float, humidity_percent: float) -> float:
    """How far a pane or panel is from misting, K; 0 or less mists."""
    return surface_c - dew_point(air_c, humidity_percent)


@formula(
    "Heat given off by the heater",
    "kW",
    "heat balance with 1.03 kg/l and 3.6 kJ/kgK for half glycol at 80 °C (from memory, W12)",
    {
        "flow_l_per_min": Input("l/min", 0, 60, "A coolant flow"),
        "inlet_hose_c": temperature("A heater hose", -40, 135),
        "outlet_hose_c": temperature("A heater hose", -40, 135),
    },
)
def heater_power(flow_l_per_min: float, inlet_hose_c: float, outlet_hose_c: float) -> float:
    """Return what the coolant gives off in the heater matrix, kW."""
    return flow_l_per_min / 60 * 1.03 * 3.6 * (inlet_hose_c - outlet_hose_c)
