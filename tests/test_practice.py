"""What workshops hold to be so: common practice, no source. The numbers go through the whole pipeline."""

from __future__ import annotations

from pathlib import Path

import pytest

from advisor.advice.advice import advise
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.case.entries import Known, Measured, Seen
from advisor.checks.lint import problems
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load
from advisor.measure.formula import OutOfRange
from advisor.measure.formulas import evaluate
from advisor.measure.uncertainty import Estimate
from advisor.model.network import build
from advisor.model.observation import Measurement, weigh


def surfaces(reading: str, suspect: float, neighbour: float) -> Measured:
    """Two surface temperatures from one picture of the camera."""
    return Measured(
        reading,
        (
            Measurement("suspect_surface", suspect, "thermal_camera", f"{suspect} °C"),
            Measurement("neighbour_surface", neighbour, "thermal_camera", f"{neighbour} °C"),
        ),
    )


def probability(knowledge: Knowledge, drain: Engine, fault: str, *entries: Measured) -> float:
    """A fault's probability after these entries."""
    suspects = advise(Situation.of(knowledge, drain, Case("flat_battery", entries))).suspects
    return next(one.probability for one in suspects if one.fault == fault)


def test_a_sleeping_car_draws_at_most_about_50_ma(knowledge: Knowledge) -> None:
    """40 mA with a low-current clamp is usual, 60 mA is not: common practice, no source."""
    for milliamps, outcome in ((40.0, 0), (60.0, 1)):
        take = [(Measurement("sleeping_current", milliamps, "low_current_clamp", ""),)]
        assert weigh(knowledge, "sleeping_current", {}, take).argmax() == outcome
    standing = knowledge.standing_of("readings", "sleeping_current", "limits")
    assert standing == "common practice"


def test_half_an_ampere_empties_a_battery_within_a_few_days() -> None:
    """500 mA on a usual 60 Ah battery, 90 % down to 50 %: 1 to 4 days (common practice, no source)."""
    numbers = {"draw_ma": 500.0, "capacity_ah": 60.0, "charge_percent": 90.0}
    days = evaluate("days_until_flat", {name: Estimate(value) for name, value in numbers.items()})
    assert 1 < days.value < 4


def test_trim_four_degrees_warmer_over_a_relay_raises_its_coil(knowledge: Knowledge, drain: Engine) -> None:
    """A coil held on (50 to 100 mA) warms what is over it by about 4 °C: common practice, no source."""
    before = probability(knowledge, drain, "relay_coil")
    after = probability(knowledge, drain, "relay_coil", surfaces("warm_relay", 24.0, 20.0))
    assert after > 3 * before


def test_a_large_fuse_stays_at_its_neighbours_temperature() -> None:
    """100 mA in a 30 A fuse make 20 µW: far below what a camera with a floor of 0.3 K could show.

    Common practice, no source; the figure is I²R with 1.97 mΩ, over 1 cm² at 10 W/m²K. Its voltage does show.
    """
    rise_k = 0.1**2 * 0.00197 / (10 * 0.0001)
    assert rise_k < 0.03
    current = evaluate("fuse_current", {"drop_mv": Estimate(0.2)}, {"fuse": "regular", "rating": "30 A"})
    assert current.value == pytest.approx(101.5, abs=0.1)


def test_bare_metal_shows_the_warmth_of_its_surroundings() -> None:
    """Below an emissivity of 0.5 no correction is given; tape is asked for instead."""
    numbers = {"reading_c": Estimate(25.0), "emissivity": Estimate(0.1), "reflected_c": Estimate(20.0)}
    with pytest.raises(OutOfRange, match="tape"):
        evaluate("reflected_temperature", numbers)


def test_air_conditioning_takes_at_most_about_15_degrees_out_of_the_air() -> None:
    """30 °C in and 15 °C out is 15 K, the most that practice expects (common practice, no source)."""
    drop = evaluate("air_drop", {"inlet_c": Estimate(30.0), "vent_c": Estimate(15.0)})
    assert drop.value == pytest.approx(15.0)


def told(knowledge: Knowledge, complaint: str, *entries: Measured | Seen | Known) -> dict[str, float]:
    """Beliefs about faults and branches of a shipped complaint after these entries."""
    engine = compile_tables(build(knowledge, complaint).tables)
    marginals = engine.query(Case(complaint, entries).evidence(knowledge, engine)).marginals
    return {node: float(probabilities[-1]) for node, probabilities in marginals.items()}


def test_an_even_fuse_box_does_not_clear_a_draw(knowledge: Knowledge) -> None:
    """Every fuse quiet and 400 mA at the post: the draw is real, on a path without a blade fuse."""
    fuses = [Seen(f"fuse_{name}", "quiet") for name in ("interior", "audio", "body", "accessory", "motors")]
    beliefs = told(knowledge, "flat_battery", Seen("sleeping_current", "high"), *fuses)
    before = told(knowledge, "flat_battery")
    assert beliefs["parasitic_draw"] > before["parasitic_draw"]
    assert beliefs["alternator_diode"] > 2 * before["alternator_diode"]


def test_vents_that_get_warmer_across_the_dash_mean_charge_not_a_flap(knowledge: Knowledge) -> None:
    """Warmer vent by vent raises low refrigerant charge above a flap fault."""
    beliefs = told(knowledge, "uneven_vents", Seen("vents_across", "rising"))
    assert beliefs["undercharge"] > 3 * max(
        beliefs["zone_flap"], beliefs["mode_flap"], beliefs["blend_flap_warm"]
    )


def test_a_pipe_warm_before_and_cold_after_means_a_blockage_there(knowledge: Knowledge) -> None:
    """A step over the drier raises the drier above every other cause."""
    before = told(knowledge, "poor_cooling")
    after = told(knowledge, "poor_cooling", Seen("drier_step", "step"))
    assert after["drier_blocked"] > 10 * before["drier_blocked"]


def test_hose_in_warm_and_out_slightly_less_warm_clears_heater_flow(knowledge: Knowledge) -> None:
    """52 °C in and 43 °C out: a blocked matrix falls."""
    quantity = knowledge.readings["hose_drop"].quantity
    assert quantity is not None
    assert quantity.derived is not None
    take = tuple(
        Measurement(name, value, "thermal_camera", f"{value:g} °C")
        for name, value in zip(map(str, quantity.derived.inputs.values()), (52.0, 43.0), strict=True)
    )
    before = told(knowledge, "no_heat")["matrix_blocked"]
    assert told(knowledge, "no_heat", Measured("hose_drop", take))["matrix_blocked"] < before / 2


def test_a_radiator_outlet_that_stays_cold_clears_an_open_thermostat(knowledge: Knowledge) -> None:
    """While the engine warms: the thermostat is shut as it should be."""
    before = told(knowledge, "no_heat")["thermostat_open"]
    assert told(knowledge, "no_heat", Seen("radiator_outlet", "cold"))["thermostat_open"] < before / 5


def test_a_warm_streak_at_a_door_edge_raises_that_seal(knowledge: Knowledge) -> None:
    """With a heated, pressurised cabin, from outside."""
    reading = knowledge.readings["warm_door_edge"]
    streak = next(outcome for outcome in reading.answers if outcome != reading.normal_outcome)
    for complaint in ("wind_noise", "water_inside"):
        before = told(knowledge, complaint)["door_seal"]
        assert told(knowledge, complaint, Seen("warm_door_edge", streak))["door_seal"] > 1.8 * before


def test_wet_in_dry_weather_after_cooling_raises_the_evaporator_drain(knowledge: Knowledge) -> None:
    """Water that no rain brought."""
    reading = knowledge.readings["wet_in_dry_weather"]
    wet = next(outcome for outcome in reading.answers if outcome != reading.normal_outcome)
    before = told(knowledge, "water_inside")["evaporator_drain"]
    assert told(knowledge, "water_inside", Seen("wet_in_dry_weather", wet))["evaporator_drain"] > 5 * before


def test_sweet_smell_and_a_greasy_screen_raise_the_heater_matrix(knowledge: Knowledge) -> None:
    """Coolant in the cabin air."""
    before = told(knowledge, "water_inside")["heater_matrix_leak"]
    entries = (Seen("sweet_smell", "sweet"), Seen("film_wipe", "greasy"))
    assert told(knowledge, "water_inside", *entries)["heater_matrix_leak"] > 10 * before


HEAT = """
language: 1
standing: common practice
complaints:
  no_heat:
    name: Cabin stays cold
    family: climate
    any_of: {thermostat_open: 35, matrix_blocked: 35, blend_flap: 40}
    unlisted: 8
faults:
  thermostat_open: {name: Thermostat stuck open, remedy: Replace it, remedy_minutes: 60, price: low}
  matrix_blocked: {name: Heater matrix blocked, remedy: Flush or replace, remedy_minutes: 180, price: high}
  blend_flap: {name: Blend flap stuck cold, remedy: Free the flap, remedy_minutes: 90, price: middling}
instruments:
  camera: {name: Thermal camera, accuracy: {"°C": {absolute: 1}}}
measurands:
  hose_in: {name: Hose in, ask: Heater hose in, unit: "°C", range: [-30, 130], instrument: camera}
  hose_out: {name: Hose out, ask: Heater hose out, unit: "°C", range: [-30, 130], instrument: camera}
  engine_side: {name: Engine, ask: Engine outlet, unit: "°C", range: [-30, 130], instrument: camera}
  radiator_out: {name: Radiator, ask: Radiator outlet, unit: "°C", range: [-30, 130], instrument: camera}
readings:
  hoses:
    name: Difference between the heater hoses
    minutes: 5
    quantity:
      unit: K
      range: [-5, 80]
      bands: {flow: Coolant flows, starved: Little flow}
      limits: [20]
      derived: {formula: hose_difference, inputs: {inlet_hose_c: hose_in, outlet_hose_c: hose_out}}
    noisy_or: {leak: 5 of 100, strengths: with_leak, causes: {matrix_blocked: 85 of 100}}
  radiator:
    name: Engine over radiator outlet while it warms up
    minutes: 5
    quantity:
      unit: K
      range: [-20, 120]
      bands: {together: Radiator warms along, apart: Radiator stays cold}
      limits: [15]
      derived: {formula: over_neighbour, inputs: {surface_c: engine_side, neighbour_c: radiator_out}}
    normal: apart
    table:
      - when: {thermostat_open: present}
        gives: {together: 92 of 100, apart: 8 of 100}
      - otherwise: {together: 4 of 100, apart: 96 of 100}
"""


def heat_beliefs(tmp_path: Path, *entries: Measured) -> dict[str, float]:
    """Beliefs of the small heating knowledge after these entries."""
    file = tmp_path / "heat.yaml"
    file.write_text(HEAT, encoding="utf-8")
    heat = load([file])
    assert [str(one) for one in problems(heat) if one.severity == "error"] == []
    engine = compile_tables(build(heat, "no_heat").tables)
    suspects = advise(Situation.of(heat, engine, Case("no_heat", entries))).suspects
    return {one.fault: one.probability for one in suspects}


def celsius(**values: float) -> tuple[Measurement, ...]:
    """Temperatures taken with the camera."""
    return tuple(Measurement(name, value, "camera", f"{value:g} °C") for name, value in values.items())


def test_hose_in_52_out_43_means_flow(tmp_path: Path) -> None:
    """9 K between the hoses, with 54 °C at the engine: coolant flows, the matrix is cleared.

    Common practice, no source. 126 °F is 52.2 °C; 113 °F is 45.0 °C.
    """
    before = heat_beliefs(tmp_path)["matrix_blocked"]
    after = heat_beliefs(tmp_path, Measured("hoses", celsius(hose_in=52.0, hose_out=43.0)))["matrix_blocked"]
    assert after < before / 3


def test_radiator_outlet_at_23_with_54_at_the_engine_clears_an_open_thermostat(tmp_path: Path) -> None:
    """The thermostat is still shut: common practice, no source."""
    before = heat_beliefs(tmp_path)["thermostat_open"]
    entry = Measured("radiator", celsius(engine_side=54.0, radiator_out=23.0))
    assert heat_beliefs(tmp_path, entry)["thermostat_open"] < before / 3
