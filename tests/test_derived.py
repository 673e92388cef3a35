"""Computed quantities: worked values, published values, refusals as whole sentences, and what always holds.

"Worked" values were computed independently for this project; "common practice" has no source. Published
values are in published/thermal.json with their standing.
"""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from advisor.measure import formula as machinery
from advisor.measure.formula import Formula, OutOfRange
from advisor.measure.formulas import FORMULAS, air, evaluate, infrared
from advisor.measure.formulas.refrigerant import saturation_bar, saturation_c
from advisor.measure.uncertainty import Estimate

bounded = settings(
    derandomize=True, max_examples=80, deadline=None, database=None, suppress_health_check=list(HealthCheck)
)


@cache
def published() -> Any:
    """The content of published/thermal.json."""
    return json.loads((Path(__file__).parent / "published" / "thermal.json").read_text(encoding="utf-8"))


def computed(name: str, words: Mapping[str, str] | None = None, /, **numbers: float | Estimate) -> Estimate:
    """`evaluate`, with plain numbers taken as exact."""
    exact = {key: one if isinstance(one, Estimate) else Estimate(one) for key, one in numbers.items()}
    return evaluate(name, exact, words or {})


def spread(half_width: float) -> float:
    """The standard uncertainty of a rectangular distribution."""
    return half_width / math.sqrt(3)


R134A, R1234YF = {"refrigerant": "r134a"}, {"refrigerant": "r1234yf"}
FULL = {"capacity_ah": 60, "charge_percent": 90, "needed_percent": 50}
WORKED: list[tuple[str, str, dict[str, str], dict[str, float], float, float]] = [
    ("W1", "state_of_charge", {"battery": "flooded"}, {"rested_v": 12.32}, 59.52, 0.005),
    ("W1", "state_of_charge", {"battery": "flooded"}, {"rested_v": 12.10}, 30.56, 0.005),
    ("W2", "days_until_flat", {}, {"draw_ma": 50, "self_discharge_percent": 0, **FULL}, 20.00, 0.005),
    ("W2", "days_until_flat", {}, {"draw_ma": 50, "self_discharge_percent": 4, **FULL}, 18.75, 0.005),
    ("W2", "days_until_flat", {}, {"draw_ma": 350, "self_discharge_percent": 4, **FULL}, 2.830, 0.0005),
    ("W2", "draw_allowed", {}, {"days": 14, "self_discharge_percent": 4, **FULL}, 68.10, 0.005),
    ("W3", "fuse_current", {"fuse": "regular", "rating": "10 A"}, {"drop_mv": 0.38}, 49.35, 0.005),
    ("W3", "fuse_current", {"fuse": "mini", "rating": "15 A"}, {"drop_mv": 0.10}, 21.83, 0.005),
    ("W3", "fuse_current", {"fuse": "regular", "rating": "30 A"}, {"drop_mv": 0.10}, 50.76, 0.005),
    ("W3", "fuse_current", {"fuse": "regular", "rating": "5 A"}, {"drop_mv": 0.25}, 14.01, 0.005),
    ("W3", "fuse_current", {}, {"drop_mv": 0.35, "resistance_mohm": 7.70 * 1.15}, 39.53, 0.005),
    ("W3", "fuse_current", {}, {"drop_mv": 0.41, "resistance_mohm": 7.70 * 0.85}, 62.64, 0.005),
    ("W5", "drop_resistance", {}, {"drop_v": 0.25, "current_a": 180}, 1.389, 0.0005),
    ("W6", "reflected_temperature", {}, {"reading_c": 35, "emissivity": 0.94}, 35.89, 0.005),
    (
        "W6",
        "reflected_temperature",
        {},
        {"reading_c": 40, "emissivity": 0.80, "camera_emissivity": 0.95, "camera_reflected_c": 20},
        43.35,
        0.005,
    ),
    ("W8", "superheat", R134A, {"low_bar_g": 2.00, "pipe_c": 8.0}, 7.206, 0.0005),
    ("W8", "subcooling", R134A, {"high_bar_g": 13.0, "pipe_c": 44.0}, 8.461, 0.001),
    ("W8", "pressure_ratio", {}, {"low_bar_g": 2.00, "high_bar_g": 13.0}, 4.651, 0.0005),
    ("W8", "superheat", R1234YF, {"low_bar_g": 2.10, "pipe_c": 8.0}, 8.428, 0.0005),
    ("W8", "subcooling", R1234YF, {"high_bar_g": 12.5, "pipe_c": 44.0}, 7.555, 0.001),
    ("W8, too little charge", "superheat", R134A, {"low_bar_g": 0.90, "pipe_c": 15.0}, 26.19, 0.005),
    ("W8, too little charge", "subcooling", R134A, {"high_bar_g": 8.00, "pipe_c": 36.0}, -0.4207, 0.00005),
    ("W9", "static_excess", R134A, {"static_bar_g": 6.40, "soaked_c": 25}, 759.4, 0.05),
    ("W9", "static_excess", R1234YF, {"static_bar_g": 6.40, "soaked_c": 25}, 586.3, 0.05),
    ("W10", "air_drop", {}, {"inlet_c": 30, "vent_c": 8}, 22.00, 0.005),
    ("W11", "dew_point", {}, {"air_c": 20, "humidity_percent": 75}, 15.43, 0.005),
    ("W11", "dew_point", {}, {"air_c": 30, "humidity_percent": 50}, 18.44, 0.005),
    ("W11", "dew_point", {}, {"air_c": 5, "humidity_percent": 90}, 3.495, 0.0005),
    ("W12", "heater_effectiveness", {}, {"vent_c": 62, "inlet_c": 5, "coolant_c": 85}, 71.25, 0.005),
    ("E1", "condensing_over_ambient", R134A, {"high_bar_g": 12.166, "ambient_c": 25}, 25.0, 0.005),
    ("E1", "condensing_over_ambient", R1234YF, {"high_bar_g": 9.171, "ambient_c": 25}, 15.0, 0.005),
]


@pytest.mark.parametrize(("_", "name", "words", "numbers", "value", "last_digit"), WORKED)
def test_a_worked_value_comes_out(
    _: str, name: str, words: dict[str, str], numbers: dict[str, float], value: float, last_digit: float
) -> None:
    """Worked for this project (W1 to W12, saturation table E1), to half the last digit printed."""
    assert computed(name, words, **numbers).value == pytest.approx(value, abs=last_digit)


def test_cooling_takes_up_to_about_fifteen_kelvin() -> None:
    """Common practice, no source: air conditioning takes at most about 15 K out of the air."""
    assert computed("air_drop", inlet_c=27, vent_c=12).value == 15.0


def test_heater_hoses_in_celsius_differ_by_kelvins() -> None:
    """Common practice, no source: 52 °C in and 43 °C out are 9 K."""
    assert computed("hose_difference", inlet_hose_c=52, outlet_hose_c=43).value == 9.0


def test_heater_hoses_in_fahrenheit_come_to_the_same_kelvins() -> None:
    """126 °F in and 113 °F out are 52.2 °C and 45 °C: a difference of 13 °F is 7.2 K."""
    hoses = {"inlet_hose_c": (126 - 32) / 1.8, "outlet_hose_c": (113 - 32) / 1.8}
    assert computed("hose_difference", **hoses).value == pytest.approx(7.222, abs=0.0005)


def test_heater_effectiveness_of_sixty_percent_is_at_the_limit() -> None:
    """Worked: 53 °C at the vent, 5 °C in, 85 °C coolant are 48 of 80 K."""
    assert computed("heater_effectiveness", vent_c=53, inlet_c=5, coolant_c=85).value == pytest.approx(60)


def test_moist_air_holds_the_worked_enthalpies() -> None:
    """Worked (W10): 30 °C at 50 % and 8 °C at 95 % hold 64.36 and 24.00 kJ/kg, within 0.3 %."""
    assert air.air_enthalpy(30, 50) == pytest.approx(64.36, rel=0.003)
    assert air.air_enthalpy(8, 95) == pytest.approx(24.00, rel=0.003)


# Published values


@pytest.mark.parametrize("at", [0, 1, 4, 5])
def test_the_object_comes_back_from_what_the_camera_sees(at: int) -> None:
    """Where the path is not clear, the air's own part is taken out of the radiation first."""
    case = published()["reflected_temperature"]["cases"][at]
    through, air = case["transmission"], case["air_c"] + 273.15
    seen = (((case["reading_c"] + 273.15) ** 4 - (1 - through) * air**4) / through) ** 0.25 - 273.15
    found = computed(
        "reflected_temperature",
        reading_c=seen,
        emissivity=case["emissivity"],
        reflected_c=case["reflected_c"],
    )
    assert found.value == pytest.approx(case["object_c"], abs=1e-9)


@pytest.mark.parametrize(("reflected_c", "object_c"), [(20, 61.58), (21, 55.33), (19, 67.44)])
def test_a_kelvin_of_reflection_is_six_on_polished_metal(reflected_c: float, object_c: float) -> None:
    """Worked (W6): 25 °C seen at emissivity 0.1; which is why such a surface is refused."""
    found = infrared.reflected_temperature(25, 0.10, reflected_c)
    assert found == pytest.approx(object_c, abs=0.005)


@pytest.mark.parametrize(
    ("numbers", "in_band"),
    [
        ({"reading_c": 35, "emissivity": 0.94}, 35.89),
        ({"reading_c": 40, "emissivity": 0.80, "camera_emissivity": 0.95}, 43.40),
    ],
)
def test_what_the_camera_s_band_changes_is_in_the_uncertainty(
    numbers: dict[str, float], in_band: float
) -> None:
    """Worked (W6): radiance within 8-14 µm gives nearly the same; the rest is the formula's own spread."""
    found = computed("reflected_temperature", reflected_c=20, **numbers)
    assert abs(found.value - in_band) <= math.sqrt(3) * found.uncertainty


@pytest.mark.parametrize("at", [2, 3])
def test_shiny_cases_of_the_chain_are_refused(at: int) -> None:
    """An emissivity of 0.1 or 0.3 is right in arithmetic and useless in a workshop."""
    case = published()["reflected_temperature"]["cases"][at]
    numbers = {key: case[key] for key in ("reading_c", "emissivity", "reflected_c")}
    assert infrared.reflected_temperature(**numbers) == pytest.approx(case["object_c"], abs=1e-9)
    with pytest.raises(OutOfRange, match="stick a patch of electrical tape on it"):
        computed("reflected_temperature", **numbers)


def test_black_body_exitances_lead_back_to_their_temperatures() -> None:
    """A surface at 373.15 K of emissivity 0.9 among walls at 300 K sends 0.9 and 0.1 of the two exitances."""
    constant = published()["stefan_boltzmann"]["constant"]
    exitance = published()["stefan_boltzmann"]["w_m2_at_k"]
    arriving = 0.9 * exitance["373.15"] + 0.1 * exitance["300"]
    reading = (arriving / constant) ** 0.25 - 273.15
    found = computed("reflected_temperature", reading_c=reading, emissivity=0.9, reflected_c=300 - 273.15)
    assert found.value == pytest.approx(100, abs=1e-9)


def test_net_radiation_leads_back_to_the_surface() -> None:
    """At emissivity 0.95 a surface of 80 °C gives 440.03 W/m² to a room of 20 °C."""
    numbers = published()["stefan_boltzmann"]
    arriving = numbers["net_w_m2_80_c_to_20_c_at_0.95"] + numbers["constant"] * 293.15**4
    reading = (arriving / numbers["constant"]) ** 0.25 - 273.15
    found = computed("reflected_temperature", reading_c=reading, emissivity=0.95, reflected_c=20)
    assert found.value == pytest.approx(80, abs=1e-9)


def test_the_moist_air_library_gives_its_own_published_values() -> None:
    """The calls used here, against PsychroLib's test suite; humidity by way of its saturated value."""
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    air = published()["moist_air"]
    one = air["enthalpy_j_kg"]
    enthalpy = psychrolib.GetMoistAirEnthalpy(one["dry_bulb_c"], one["humidity_ratio"])
    assert enthalpy == pytest.approx(one["published"], rel=one["tolerance"])
    one = air["saturated_humidity_ratio"]
    ratio = psychrolib.GetHumRatioFromRelHum(one["dry_bulb_c"], 1.0, one["pa"])
    assert ratio == pytest.approx(one["published"], rel=one["tolerance"])
    one = air["vapour_pressure_pa"]
    ratio = psychrolib.GetHumRatioFromRelHum(one["dry_bulb_c"], one["humidity"], 101325)
    pressure = psychrolib.GetVapPresFromHumRatio(ratio, 101325)
    assert pressure == pytest.approx(one["published"], rel=one["tolerance"])


def test_the_handbooks_chart_example_comes_out() -> None:
    """ASHRAE's example, read off a chart: 56.7 kJ/kg and a dew point of 7 °C, to the chart's precision."""
    example = published()["ashrae_chart_example"]
    dry_bulb, humidity = example["published"]["dry_bulb_c"], 100 * example["computed"]["humidity"]
    assert air.air_enthalpy(dry_bulb, humidity) == pytest.approx(56.7, abs=0.1)
    assert air.dew_point(dry_bulb, humidity) == pytest.approx(7, abs=0.5)


def test_dew_points_agree_with_the_moist_air_library() -> None:
    """The Magnus form stays within the 0.1 K that it claims."""
    for point in published()["dew_points"]["points"]:
        found = air.dew_point(point["air_c"], point["humidity_percent"])
        assert found == pytest.approx(point["dew_point_c"], abs=0.1)


@pytest.mark.parametrize("celsius", ["-20", "0", "20", "40"])
def test_saturated_r134a_meets_the_published_table(celsius: str) -> None:
    """Within 0.05 %; published values from memory."""
    bar = published()["r134a_saturation"]["bar_at_c"][celsius]
    assert saturation_bar(float(celsius), "r134a") == pytest.approx(bar, rel=0.0005)
    assert saturation_c(bar, "r134a") == pytest.approx(float(celsius), abs=0.02)


def test_the_normal_boiling_point_is_printed_rounded() -> None:
    """The table's -26.07 °C stand for 1.01325 bar, whose boiling point differs in the third decimal."""
    saturation = published()["r134a_saturation"]
    celsius = saturation["rounded_boiling_point"]
    found = saturation_c(saturation["bar_at_c"][celsius], "r134a")
    assert found == pytest.approx(float(celsius), abs=0.005)


# The estimate of the vent

BANDS = {20: (4, 8), 25: (5, 9), 30: (6, 11), 35: (8, 14), 40: (10, 17)}


@pytest.mark.parametrize("ambient", BANDS)
@pytest.mark.parametrize("humidity", [40, 50, 60])
def test_the_expected_vent_lies_in_the_estimated_band(ambient: int, humidity: int) -> None:
    """Estimated bands at 40 to 60 % humidity."""
    low, high = BANDS[ambient]
    assert low <= computed("expected_vent", inlet_c=ambient, humidity_percent=humidity).value <= high


@pytest.mark.parametrize("ambient", [30, 35, 40])
def test_humid_heat_costs_two_to_four_kelvin(ambient: int) -> None:
    """Estimate: over 70 % the vent is 2 to 4 K warmer."""
    dry = computed("expected_vent", inlet_c=ambient, humidity_percent=50).value
    humid = computed("expected_vent", inlet_c=ambient, humidity_percent=80).value
    assert 2 <= humid - dry <= 4


def test_the_expected_vent_written_out() -> None:
    """30 °C at 50 %: 64.25 kJ/kg warm the coil by 2.31 K to 5.31 °C, and 15 % of 24.69 K pass it by."""
    assert computed("expected_vent", inlet_c=30, humidity_percent=50).value == pytest.approx(9.01, abs=0.01)


def test_the_excess_is_vent_less_expected() -> None:
    """A vent at 15 °C where 9.01 °C are to be expected."""
    found = computed("vent_excess", vent_c=15, inlet_c=30, humidity_percent=50)
    assert found.value == pytest.approx(5.99, abs=0.01)
    assert found.uncertainty == pytest.approx(spread(2.5), abs=0.01)


# Other values, written out


@pytest.mark.parametrize(
    ("vents", "value"), [((6, 11), 5), ((6, 7, 11), 5), ((6, 11, 7, 8), 5), ((9, 9, 9, 9), 0)]
)
def test_vent_spread_takes_two_to_four_vents(vents: tuple[float, ...], value: float) -> None:
    """Warmest less coldest."""
    numbers = {f"vent_{at}_c": vent for at, vent in enumerate(vents, 1)}
    assert computed("vent_spread", **numbers).value == value


def test_a_warm_patch_is_told_by_what_it_is_over_its_neighbour() -> None:
    """24.5 °C beside 22 °C."""
    assert computed("over_neighbour", surface_c=24.5, neighbour_c=22).value == 2.5


def test_a_pane_below_the_dew_point_mists() -> None:
    """Worked from W11: air of 20 °C at 75 % against glass of 12 °C."""
    found = computed("over_dew_point", surface_c=12, air_c=20, humidity_percent=75)
    assert found.value == pytest.approx(-3.43, abs=0.005)


def test_the_charge_share_carries_the_machine_s_error() -> None:
    """Worked (W13): 15 g are 3.333 % of 450 g and 1.667 % of 900 g."""
    small = computed("charge_share", recovered_g=Estimate(450, 15), plate_g=450)
    large = computed("charge_share", recovered_g=Estimate(900, 15), plate_g=900)
    assert small.value == large.value == 100
    assert small.uncertainty == pytest.approx(3.333, abs=0.0005)
    assert large.uncertainty == pytest.approx(1.667, abs=0.0005)


@pytest.mark.parametrize(("volts", "charge"), [(11.5, 0), (11.89, 0), (12.24, 50), (12.65, 100), (13.0, 100)])
def test_charge_stays_between_empty_and_full(volts: float, charge: float) -> None:
    """Flooded; beyond the table's ends it is cut."""
    assert computed("state_of_charge", {"battery": "flooded"}, rested_v=volts).value == pytest.approx(charge)


def test_agm_has_its_own_table() -> None:
    """12.55 V are 75 % in an AGM battery and 87.5 % in a flooded or EFB one."""
    found = {
        kind: computed("state_of_charge", {"battery": kind}, rested_v=12.55).value
        for kind in ("agm", "flooded", "efb")
    }
    assert found == pytest.approx({"agm": 75, "flooded": 87.5, "efb": 87.5})


def test_a_car_that_would_not_start_now_has_no_days() -> None:
    """40 % left where 50 % are needed."""
    found = computed("days_until_flat", draw_ma=50, capacity_ah=60, charge_percent=40, needed_percent=50)
    assert found.value == 0


# Uncertainty


def test_a_difference_adds_both_errors_in_quadrature() -> None:
    """3 and 4 are 5."""
    found = computed("air_drop", inlet_c=Estimate(30, 0.3), vent_c=Estimate(8, 0.4))
    assert found.uncertainty == pytest.approx(0.5)


def test_a_quotient_adds_relative_errors_in_quadrature() -> None:
    """3 % of the drop and 4 % of the current are 5 % of 1.389 mΩ."""
    found = computed("drop_resistance", drop_v=Estimate(0.25, 0.0075), current_a=Estimate(180, 7.2))
    assert found.uncertainty == pytest.approx(0.05 * found.value)


def test_the_fuse_s_own_spread_is_passed_on() -> None:
    """Worked (W3): 0.38 ± 0.03 mV on 7.70 mΩ ± 15 %, both rectangular: 4.56 % and 8.66 % are 9.79 %."""
    drop = Estimate(0.38, spread(0.03))
    found = computed("fuse_current", {"fuse": "regular", "rating": "10 A"}, drop_mv=drop)
    assert found.uncertainty == pytest.approx(0.0979 * 49.35, rel=0.002)


def test_a_warm_fuse_tells_less() -> None:
    """5 A through a 10 A fuse: heat may add 10 % to the resistance."""
    cold = computed("fuse_current", resistance_mohm=7.7, drop_mv=38.5)
    warm = computed("fuse_current", {"rating": "10 A"}, resistance_mohm=7.7, drop_mv=38.5)
    assert cold.value == warm.value == pytest.approx(5000)
    assert (cold.uncertainty, warm.uncertainty) == (0, pytest.approx(spread(500)))


def test_a_surface_by_name_brings_the_spread_of_handbooks() -> None:
    """Paint of 0.92 to 0.96 is 0.94 ± 0.02."""
    named = computed("reflected_temperature", {"surface": "car_paint"}, reading_c=60, reflected_c=20)
    given_so = computed(
        "reflected_temperature", reading_c=60, reflected_c=20, emissivity=Estimate(0.94, spread(0.02))
    )
    assert named.value == given_so.value
    assert named.uncertainty == pytest.approx(given_so.uncertainty)


def test_a_reflection_s_error_grows_as_the_surface_gets_shinier() -> None:
    """At 0.5 a kelvin of reflected temperature moves the answer by almost one; at 0.95 by next to nothing."""
    reflected = Estimate(20, 1.0)
    dull = computed("reflected_temperature", reading_c=25, emissivity=0.95, reflected_c=reflected)
    shiny = computed("reflected_temperature", reading_c=25, emissivity=0.5, reflected_c=reflected)
    assert dull.uncertainty == pytest.approx(0.05, abs=0.005)
    assert shiny.uncertainty == pytest.approx(0.9, abs=0.05)


def test_equal_vents_do_not_make_the_spread_certain() -> None:
    """At a kink the steeper side counts: two vents of ± 0.5 K differ by ± 0.71 K."""
    found = computed("vent_spread", vent_1_c=Estimate(6, 0.5), vent_2_c=Estimate(6, 0.5))
    assert (found.value, found.uncertainty) == (0.0, pytest.approx(math.sqrt(0.5)))


def test_a_full_battery_is_not_certainly_full() -> None:
    """Where the charge is cut the voltage's error counts on: 0.02 V at 125 %/V, and ± 0.03 V of tables."""
    found = computed("state_of_charge", {"battery": "flooded"}, rested_v=Estimate(12.70, 0.02))
    assert found.value == 100
    assert found.uncertainty == pytest.approx(math.hypot(125 * 0.02, 125 * spread(0.03)))


def test_agm_tables_differ_by_a_tenth_of_a_volt() -> None:
    """Between 12.25 and 12.55 V that is 8.3 %."""
    found = computed("state_of_charge", {"battery": "agm"}, rested_v=12.40)
    assert found.uncertainty == pytest.approx(spread(100 / 12))


def test_at_the_end_of_its_range_an_input_counts_from_inside() -> None:
    """Saturated air and a black surface: there is nothing beyond to try."""
    humid = computed("dew_point", air_c=20, humidity_percent=Estimate(100, 3))
    black = computed("reflected_temperature", reading_c=60, emissivity=Estimate(1.0, 0.01), reflected_c=20)
    assert humid.uncertainty == pytest.approx(0.48, abs=0.02)
    assert black.uncertainty == pytest.approx(0.33, abs=0.02)


def test_the_weather_is_in_the_superheat() -> None:
    """Without an air pressure the usual ± 0.03 bar count, 9.2 K a bar at 3 bar; with one they do not."""
    usual = computed("superheat", R134A, low_bar_g=2, pipe_c=8)
    read = computed("superheat", R134A, low_bar_g=2, pipe_c=8, air_bar=1.01325)
    assert usual.uncertainty == pytest.approx(9.2 * spread(0.03), rel=0.02)
    assert read == Estimate(usual.value, 0.0)


# Refusals

TAPE = "Below, a surface shows the room, not itself: stick a patch of electrical tape on it and read that."
PSI = "Check the gauge and its unit; 1 bar is 14.5 psi."
REFUSED: list[tuple[str, dict[str, str], dict[str, float], str]] = [
    (
        "reflected_temperature",
        {},
        {"reading_c": 25, "emissivity": 0.1},
        f"An emissivity of 0.1 is outside 0.5 to 1. {TAPE}",
    ),
    (
        "reflected_temperature",
        {"surface": "chrome"},
        {"reading_c": 25},
        f"An emissivity of 0.08 is outside 0.5 to 1. {TAPE}",
    ),
    (
        "reflected_temperature",
        {"surface": "red_rust"},
        {"reading_c": -40, "reflected_c": 190},
        "The reflection alone would be brighter than what the camera saw. "
        "Check the reflected temperature and the emissivity.",
    ),
    (
        "hose_difference",
        {},
        {"inlet_hose_c": 185, "outlet_hose_c": 80},
        "A hose temperature of 185 °C is outside -40 to 135 °C. Check the reading and its unit.",
    ),
    (
        "hose_difference",
        {},
        {"inlet_hose_c": 43, "outlet_hose_c": 52},
        "The outlet hose is 9 K warmer than the inlet hose; a heater matrix only cools. "
        "The hoses are mixed up: enter the two readings the other way round.",
    ),
    (
        "heater_effectiveness",
        {},
        {"vent_c": 20, "inlet_c": 15, "coolant_c": 30},
        "The coolant is only 15 K over the inlet air; 20 K or more are needed. "
        "Warm the engine up and read again.",
    ),
    (
        "expected_vent",
        {},
        {"inlet_c": 8, "humidity_percent": 50},
        "An inlet air temperature of 8 °C is outside 15 to 45 °C. "
        "Compare the vent with that of a like car instead.",
    ),
    (
        "dew_point",
        {},
        {"air_c": 20, "humidity_percent": 0},
        "A relative humidity of 0 % is outside 1 to 100 %. Check the reading and its unit.",
    ),
    (
        "superheat",
        R134A,
        {"low_bar_g": 29, "pipe_c": 8, "air_bar": 0.5},
        "An air pressure of 0.5 bar abs is outside 0.7 to 1.1 bar abs. "
        "Take it at the place itself, not as the weather report reduces it to sea level.",
    ),
    (
        "superheat",
        R134A,
        {"low_bar_g": -0.9, "pipe_c": 8},
        "A pressure of 0.11 bar absolute is outside 0.3 to 38 bar, "
        f"where the boiling point of R-134a is used. {PSI}",
    ),
    (
        "subcooling",
        R1234YF,
        {"high_bar_g": 33, "pipe_c": 44},
        "A pressure of 34.01 bar absolute is outside 0.3 to 32 bar, "
        f"where the boiling point of R-1234yf is used. {PSI}",
    ),
    (
        "subcooling",
        R134A,
        {"high_bar_g": 190, "pipe_c": 44},
        f"A gauge pressure of 190 bar g is outside -1 to 40 bar g. {PSI}",
    ),
    (
        "pressure_ratio",
        {},
        {"low_bar_g": 13, "high_bar_g": 2},
        "The high side, 2 bar g, is below the low side, 13 bar g. "
        "The hoses are mixed up: enter the two readings the other way round.",
    ),
    (
        "pressure_ratio",
        {},
        {"low_bar_g": -0.98, "high_bar_g": 5},
        "The low side is at 0.03 bar absolute; from 0.1 bar on a ratio says something. "
        "The low side is pumped empty: treat that as the finding.",
    ),
    (
        "fuse_current",
        {"fuse": "mini", "rating": "40 A"},
        {"drop_mv": 0.1},
        "No resistance is known for a mini fuse of 40 A, only for 2 A, 3 A, 5 A, 7.5 A, 10 A, 15 A, 20 A, "
        "25 A, 30 A. Measure the current with a low-current clamp.",
    ),
    (
        "fuse_current",
        {"fuse": "regular", "rating": "10 A"},
        {"drop_mv": 80},
        "The current comes to 10.4 A, more than the fuse's 10 A. "
        "Check the unit of the meter and the rating on the fuse.",
    ),
    (
        "state_of_charge",
        {"battery": "agm"},
        {"rested_v": 10.2},
        "A rested voltage of 10.2 V is outside 10.5 to 13.5 V. Below, a cell is probably dead; above, it is "
        "charging or was until now: rest it and read again.",
    ),
    (
        "days_until_flat",
        {},
        {"draw_ma": 5000, "capacity_ah": 60, "charge_percent": 90},
        "A draw of 5000 mA empties 60 Ah in less than 20 hours, where the capacity no longer holds. "
        "Such a car does not stand for days: find what is switched on.",
    ),
    (
        "days_until_flat",
        {},
        {"draw_ma": 0, "capacity_ah": 60, "charge_percent": 90, "self_discharge_percent": 0},
        "Draw and self-discharge are less than 0.01 mA together, so the battery never goes flat. "
        "Enter a draw or a self-discharge.",
    ),
    (
        "drop_resistance",
        {},
        {"drop_v": 0.25, "current_a": 0},
        "A current of 0 A is outside 0.1 to 2000 A. "
        "Switch a load on: the drop has to stand out from the meter's offset.",
    ),
]


@pytest.mark.parametrize(("name", "words", "numbers", "sentence"), REFUSED)
def test_outside_its_range_a_formula_says_what_to_do(
    name: str, words: dict[str, str], numbers: dict[str, float], sentence: str
) -> None:
    """Which input, its range, and what to do instead."""
    with pytest.raises(OutOfRange) as refused:
        computed(name, words, **numbers)
    assert str(refused.value) == sentence


UNKNOWN: list[tuple[str, dict[str, str], dict[str, float], str]] = [
    ("superheet", {}, {}, "There is no formula 'superheet'. Did you mean 'superheat'?"),
    ("air_drop", {}, {"inlet_c": 30, "vent": 8}, "'air_drop' has no number 'vent'. Did you mean 'vent_c'?"),
    ("air_drop", {}, {"inlet_c": 30}, "'air_drop' needs 'vent_c' (°C)."),
    (
        "fuse_current",
        {"fuse": "mini"},
        {"drop_mv": 1},
        "'fuse_current' needs 'resistance_mohm' (mΩ), or 'fuse' and 'rating'.",
    ),
    (
        "superheat",
        {},
        {"low_bar_g": 2, "pipe_c": 8},
        "'superheat' needs 'refrigerant'. Known are: r1234yf, r134a.",
    ),
    ("superheat", {"refrigerant": "R134a"}, {}, "'R134a' is no refrigerant. Did you mean 'r134a'?"),
    ("superheat", {"fluid": "r134a"}, {}, "'superheat' has no choice 'fluid'. Known are: refrigerant."),
]


@pytest.mark.parametrize(("name", "words", "numbers", "sentence"), UNKNOWN)
def test_refuses_missing_and_unknown_inputs_of_a_formula_by_name(
    name: str, words: dict[str, str], numbers: dict[str, float], sentence: str
) -> None:
    """Names that are missing or unknown are an author's slip, no question of range."""
    with pytest.raises(ValueError, match=f"^{re.escape(sentence)}$") as refused:
        computed(name, words, **numbers)
    assert not isinstance(refused.value, OutOfRange)


@pytest.mark.parametrize(("value", "uncertainty"), [(math.nan, 0), (math.inf, 0), (1, -1), (1, math.nan)])
def test_an_estimate_is_a_number_with_a_spread(value: float, uncertainty: float) -> None:
    """Neither of the two may be missing or without end."""
    with pytest.raises(ValueError, match="is no estimate"):
        Estimate(value, uncertainty)


def test_the_libraries_are_loaded_only_when_needed() -> None:
    """Importing the module loads neither of the two slow libraries."""
    code = (
        "import sys, advisor.measure.formulas; print(*sorted({'CoolProp', 'psychrolib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_every_formula_is_described() -> None:
    """A title, a source, a unit for result and inputs, a docstring, and a name of its own."""
    for name, formula in FORMULAS.items():
        assert name == formula.name == formula.function.__name__
        assert all([formula.title, formula.source, formula.unit, *formula.input_units.values()])
        assert formula.function.__doc__


# What always holds


def words_of(formula: Formula) -> st.SearchStrategy[dict[str, str]]:
    """A word for each of a formula's choices."""
    return st.fixed_dictionaries({key: st.sampled_from(words) for key, words in formula.choices.items()})


@st.composite
def questions(draw: st.DrawFn) -> tuple[str, dict[str, Estimate], dict[str, str]]:
    """A formula with all its numbers, each in its range, and words."""
    formula = FORMULAS[draw(st.sampled_from(sorted(FORMULAS)))]
    numbers = {}
    for key, one in formula.inputs.items():
        if not (key in formula.lookups and draw(st.booleans())):
            value = draw(st.floats(one.low, one.high))
            numbers[key] = Estimate(value, draw(st.floats(0, (one.high - one.low) / 10)))
    return formula.name, numbers, draw(words_of(formula))


@bounded
@given(questions(), st.data())
def test_a_more_accurate_input_never_widens_the_result(
    question: tuple[str, dict[str, Estimate], dict[str, str]], data: st.DataObject
) -> None:
    """And it leaves the value as it is."""
    name, numbers, words = question
    try:
        before = evaluate(name, numbers, words)
    except OutOfRange:
        assume(False)
    key = data.draw(st.sampled_from(sorted(numbers)))
    finer = Estimate(numbers[key].value, numbers[key].uncertainty * data.draw(st.floats(0, 1)))
    after = evaluate(name, {**numbers, key: finer}, words)
    assert after.value == before.value
    assert after.uncertainty <= before.uncertainty * (1 + 1e-12)


@settings(bounded, max_examples=200)
@given(st.data())
def test_whatever_is_typed_comes_to_a_number_or_a_sentence(data: st.DataObject) -> None:
    """No NaN, no endless spread, and no other failure."""
    formula = FORMULAS[data.draw(st.sampled_from(sorted(FORMULAS)))]
    any_size = st.floats(-1e300, 1e300, allow_nan=False)
    numbers = {
        key: Estimate(
            data.draw(st.sampled_from([one.low, one.high, 0.0]) | st.floats(one.low, one.high) | any_size),
            abs(data.draw(any_size)),
        )
        for key, one in formula.inputs.items()
    }
    try:
        found = evaluate(formula.name, numbers, data.draw(words_of(formula)))
    except OutOfRange as refused:
        assert str(refused).endswith(".")
    else:
        assert math.isfinite(found.value)
        assert math.isfinite(found.uncertainty)
        assert found.uncertainty >= 0


@bounded
@given(st.floats(-40, 200), st.floats(0.5, 1), st.floats(0.1, 1))
def test_a_surface_as_warm_as_its_surroundings_needs_no_correction(
    celsius: float, emissivity: float, in_camera: float
) -> None:
    """Whatever its emissivity, and whatever the camera was set to."""
    found = computed(
        "reflected_temperature",
        reading_c=celsius,
        reflected_c=celsius,
        emissivity=emissivity,
        camera_emissivity=in_camera,
        camera_reflected_c=celsius,
    )
    assert found.value == pytest.approx(celsius, abs=1e-9)
    assert found.uncertainty == pytest.approx(0, abs=1e-9)


@bounded
@given(st.floats(1, 3000), st.floats(0, 1500))
def test_more_draw_leaves_fewer_days(draw_ma: float, more_ma: float) -> None:
    """At a draw that the battery bears for 20 hours."""
    assume(draw_ma + more_ma <= 3000)
    days = [
        computed("days_until_flat", draw_ma=draw, capacity_ah=60, charge_percent=90).value
        for draw in (draw_ma, draw_ma + more_ma)
    ]
    assert days[1] <= days[0]


@bounded
@given(st.floats(10.5, 13.5), st.floats(10.5, 13.5), st.sampled_from(["flooded", "efb", "agm"]))
def test_charge_rises_with_voltage(one: float, other: float, battery: str) -> None:
    """And never leaves 0 to 100 %."""
    low, high = (
        computed("state_of_charge", {"battery": battery}, rested_v=volts).value
        for volts in sorted((one, other))
    )
    assert 0 <= low <= high <= 100


@bounded
@given(st.floats(15, 45), st.floats(10, 100), st.floats(0, 20), st.floats(0, 20))
def test_warmer_or_moister_air_makes_no_colder_vent(
    inlet: float, humidity: float, warmer: float, moister: float
) -> None:
    """The estimate rises with both, and the vent is never warmer than the air that enters."""
    assume(inlet + warmer <= 45 and humidity + moister <= 100)
    before = computed("expected_vent", inlet_c=inlet, humidity_percent=humidity).value
    after = computed("expected_vent", inlet_c=inlet + warmer, humidity_percent=humidity + moister).value
    assert before <= after + 1e-9
    assert before <= inlet


@bounded
@given(st.floats(-0.6, 30), st.sampled_from(["r134a", "r1234yf"]))
def test_boiling_point_of_a_pressure_has_that_pressure(gauge: float, refrigerant: str) -> None:
    """A pressure's boiling point has that pressure."""
    absolute = gauge + 1.01325
    celsius = saturation_c(absolute, refrigerant)
    assert saturation_bar(celsius, refrigerant) == pytest.approx(absolute, rel=1e-6)


def test_spot_diameter_follows_distance_and_ratio() -> None:
    """12:1 at 1.5 m sees 125 mm (check value W7, geometry)."""
    numbers = {"distance_mm": Estimate(1500.0), "distance_to_spot": Estimate(12.0)}
    assert evaluate("measured_spot", numbers).value == pytest.approx(125.0)


def test_heat_follows_flow_and_temperature_drop() -> None:
    """6 l/min and 10 K are 3.708 kW (check value W12: 1.03 kg/l, 3.6 kJ/kgK)."""
    numbers = {
        "flow_l_per_min": Estimate(6.0),
        "inlet_hose_c": Estimate(80.0),
        "outlet_hose_c": Estimate(70.0),
    }
    assert evaluate("heater_power", numbers).value == pytest.approx(3.708, abs=0.0005)


def test_escaped_refrigerant_gives_its_share_of_the_cabin_air() -> None:
    """450 g of R-1234yf in 3 m³ are 3.218 % by volume; 867 g reach the 6.2 % of ISO 817 (check value W14)."""
    for grams, percent in ((450.0, 3.218), (867.0, 6.2)):
        numbers = {"charge_g": Estimate(grams), "cabin_l": Estimate(3000.0)}
        found = evaluate("cabin_refrigerant", numbers, {"refrigerant": "r1234yf"})
        assert found.value == pytest.approx(percent, abs=0.002)


def test_formula_in_a_file_of_its_own_is_found(tmp_path: Path) -> None:
    """A new file in `formulas` is all it takes; nothing else lists its formula."""
    code = (
        "import sys, advisor.measure; from pathlib import Path\n"
        "import importlib.util\n"
        "folder = Path(sys.argv[1]); home = Path(advisor.measure.__file__).parent / 'formulas'\n"
        "spec = importlib.util.spec_from_file_location('advisor.measure.formulas', home / '__init__.py',"
        " submodule_search_locations=[str(home), str(folder)])\n"
        "package = importlib.util.module_from_spec(spec); sys.modules[spec.name] = package\n"
        "spec.loader.exec_module(package)\n"
        "print(package.evaluate('doubled', {'number': package.Estimate(3.0, 0.1)}))\n"
    )
    (tmp_path / "doubling.py").write_text(
        "from advisor.measure.formula import Input, formula\n"
        "@formula('Doubled', '1', 'arithmetic', {'number': Input('1', 0, 10, 'A number')})\n"
        "def doubled(number):\n"
        "    return 2 * number\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.stdout.startswith("Estimate(value=6.0, uncertainty=0.2"), done.stderr


def test_second_formula_of_a_name_is_refused() -> None:
    """The first stays what it was."""

    def air_drop() -> float:
        return 0.0

    with pytest.raises(ValueError, match=r"two formulas 'air_drop': in advisor\.measure\.formulas\.air"):
        machinery.formula("Another", "K", "none", {})(air_drop)
    assert FORMULAS["air_drop"].title == "Air temperature drop"
