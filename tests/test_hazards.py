"""What can hurt in the shipped knowledge: each row is a danger that a specialist's review had found.

The rows are common practice, no source, but for the pressure of carbon dioxide at rest.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from advisor.advice.obstacles import obstacle, to_ask_first
from advisor.advice.rules import Workshop
from advisor.case.case import Case
from advisor.case.entries import Known
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge, setups_of

GAUGES = {
    "low_side",
    "high_side",
    "gas_ratio",
    "suction_superheat",
    "liquid_subcooling",
    "pressures_meet",
    "pressure_at_rest",
    "recovered_charge",
    "nitrogen_test",
    "sensor_against_gauge",
    "device_no_answer",
    "device_cooled",
    "compressor_driven_full",
    "valve_driven_full",
    "gas_identified",
    "overfill_weighed",
    "evaporator_blanked",
}
CAUTIONS = {
    "readings": {
        "unit_unplugged": ["airbag_near"],
        "added_unplugged": ["airbag_near"],
        "bus_active": ["airbag_near"],
        "bonnet_fumes": ["exhaust_in_cabin"],
        "fuel_look": ["fuel_fire"],
        "block_test": ["coolant_burns", "engine_indoors"],
        "heater_hv_power": ["high_voltage_on"],
        "heat_pump_position": ["high_voltage_on"],
        "compressor_speed": ["high_voltage_on"],
        "nitrogen_test": ["nitrogen_pressure", "refrigerant_contact"],
        "evaporator_blanked": ["nitrogen_pressure", "refrigerant_contact"],
        "level_filled": ["coolant_burns", "glycol_toxic"],
        "air_bled_out": ["coolant_burns", "glycol_toxic"],
        "monoxide_follows_air": ["exhaust_in_cabin"],
        "oil_smokes": ["exhaust_in_cabin", "fuel_fire"],
        "blend_shaft_cold": ["airbag_near"],
        "blend_gap_seen": ["airbag_near"],
        "motor_fed_direct": ["rotating_parts"],
        "clutch_fed": ["high_voltage", "rotating_parts"],
        "hub_stands": ["high_voltage_on", "rotating_parts"],
        "heater_pump_fed": ["high_voltage_on"],
        "fan_fed": ["high_voltage_on", "rotating_parts"],
        "smell_recirculated": ["exhaust_in_cabin"],
        "cabin_monoxide": ["exhaust_in_cabin"],
        "matrix_flush": ["coolant_burns", "glycol_toxic"],
        "bleed_air": ["coolant_burns", "glycol_toxic"],
        "warm_up": ["road_care"],
        "sunroof_rear_pour": ["raised_car"],
        "scuttle_pour": ["high_voltage"],
        "scuttle_pour_inside": ["high_voltage"],
        "intake_filmed": ["high_voltage"],
        "grommet_puttied": ["high_voltage"],
        "screen_water_and_air": ["cabin_pressure", "water_electrics"],
        "side_glass_water_and_air": ["cabin_pressure", "water_electrics"],
        "floor_dye": ["raised_car", "uv_light"],
        "joint_under_pressure": ["coolant_burns", "glycol_toxic", "airbag_wiring"],
        "intake_flap_turned": ["airbag_near", "rotating_parts"],
        "undertray_fastened": ["raised_car", "road_care"],
    },
    "faults": {
        "coolant_low": ["glycol_toxic"],
        "air_locked": ["glycol_toxic"],
        "combustion_gas": ["glycol_toxic"],
        "fuel_smell": ["fuel_fire"],
        "heater_hv_dead": ["high_voltage"],
        "compressor_electric": ["high_voltage"],
        "heat_pump_valve": ["high_voltage", "refrigerant_contact"],
        "thermostat_open": ["glycol_toxic"],
        "matrix_blocked": ["glycol_toxic"],
        "heater_valve_shut": ["glycol_toxic"],
        "water_pump_weak": ["glycol_toxic"],
        "windscreen_bond": ["airbag_wiring"],
        "side_glass_bond": ["airbag_wiring"],
    },
    "setups": {
        "gauges_on": ["r744_pressure"],
        "recovery": ["r744_pressure"],
        "hose_ready": ["high_voltage"],
        "hose_at_rear": ["high_voltage"],
        "heat_outdoors": ["exhaust_in_cabin"],
    },
}
SAID = {
    ("readings", "clutch_check"): "never one with orange cables",
    ("readings", "clutch_jumped"): "never one with orange cables",
    ("readings", "clutch_fed"): "never one with orange cables",
    ("readings", "heater_pump_fed"): "never one with orange cables",
    ("readings", "fan_fed"): "brushed 12 V fans only",
    ("readings", "motor_fed_direct"): "Not with electronics built into the motor",
    ("readings", "evaporator_blanked"): "never air or oxygen",
    ("readings", "device_no_answer"): "never a flame",
    ("readings", "device_warmed"): "never a flame",
    ("readings", "valve_driven_full"): "never steady 12 V, it burns the coil",
    ("readings", "level_filled"): "no more",
    ("readings", "monoxide_follows_air"): "nobody inside",
    ("readings", "expansion_tank"): "do not open the cap",
    ("readings", "block_test"): "Never open the system warm",
    ("readings", "nitrogen_test"): "never air or oxygen",
    ("readings", "fan_driven"): "No lead on a high-voltage car's fan",
    ("faults", "combustion_gas"): "Do not drive on",
    ("faults", "fuel_smell"): "Do not start it",
    ("faults", "compressor_electric"): "High-voltage trained people only",
    ("faults", "heater_hv_dead"): "High-voltage trained people only",
    ("setups", "gauges_on"): "R-744 on the label, or gas not known - stop",
    ("setups", "recovery"): "R-744 on the label, or gas not known - stop",
    ("readings", "unit_unplugged"): "never a plug below a seat",
    ("setups", "heat_outdoors"): "At 30 ppm everybody out, engine off",
    ("readings", "matrix_flush"): "at most 0.5 bar",
    ("readings", "evaporator_reading"): "never pressed between the fins",
    ("setups", "charged"): "never below 0 °C",
    ("cautions", "high_voltage"): "it can switch itself on",
    ("cautions", "battery_acid"): "vent through a hose",
    ("faults", "battery_worn"): "vent hose and the hold-down",
    ("faults", "battery_wrong"): "vent hose and the hold-down",
    ("setups", "cranking_inhibited"): "negative on the body earth point",
    ("faults", "windscreen_bond"): "drive-away time",
    ("faults", "side_glass_bond"): "drive-away time",
    ("readings", "grommet_puttied"): "never touch orange cables",
    ("readings", "tow_hole_puttied"): "nobody in a raised car",
    ("readings", "floor_dye"): "Nobody inside, raise the",
    ("readings", "drain_flow"): "never over the blower",
    ("readings", "sunroof_rear_pour"): "wheels chocked, nobody behind or under it",
    ("setups", "hose_ready"): "first find the high-voltage boxes and 12 V units",
    ("setups", "hose_at_rear"): "first find the high-voltage boxes and 12 V units",
    ("readings", "valve_answer"): "Never put a steady 12 V on the valve",
    ("readings", "heater_cut_off"): "Engine off, key out, bonnet open until the coolant is below 60 °C",
    ("cautions", "r744_pressure"): "64 bar at rest at 25 °C",
}


def left_out(knowledge: Knowledge, complaint: str, **facts: str) -> set[str]:
    """The readings that cannot be taken on a car of which only facts are known."""
    case = Case(complaint, tuple(Known(fact, value) for fact, value in facts.items()))
    return {
        name
        for name in knowledge.readings
        if (obstacle(knowledge, case, name, Workshop()) or "").startswith("not on this car")
    }


def test_nobody_is_sent_to_the_plug_of_an_electric_compressor(shipped: Knowledge) -> None:
    """Its plug carries high voltage and there is no clutch: it is not measured, jumped or turned by hand."""
    hands_on = {
        "clutch_check",
        "clutch_jumped",
        "hub_by_hand",
        "valve_answer",
        "valve_unloads",
        "clutch_cycles",
    }
    assert hands_on <= left_out(shipped, "poor_cooling", compressor_type="electric")
    assert left_out(shipped, "poor_cooling", compressor_type="fixed") & hands_on == {
        "valve_answer",
        "valve_unloads",
    }


def test_no_gauge_is_put_on_a_gas_it_is_not_made_for(shipped: Knowledge) -> None:
    """Whatever needs gauges or the service machine is left out on such a car, and asked about before."""
    needing = {
        name for name in shipped.readings if {"gauges_on", "recovery"}.intersection(setups_of(shipped, name))
    }
    assert needing == GAUGES
    assert left_out(shipped, "poor_cooling", gas_label="r744_or_unknown") >= GAUGES
    assert not left_out(shipped, "poor_cooling", gas_label="usual") & GAUGES
    nothing_known = Case("poor_cooling")
    assert all("gas_label" in to_ask_first(shipped, nothing_known, name) for name in GAUGES)


ENGINE = {"radiator_outlet", "warm_up", "block_test", "flow_at_speed", "inlet_hose_lag", "gauge_low"}
TWELVE_VOLTS = {"booster_current"}
HIGH_VOLTAGE = {"heater_hv_power", "heater_hv_gain", "hv_codes", "heat_pump_position", "heat_pump_step"}


def test_an_electric_car_is_not_looked_at_for_parts_it_has_not(
    shipped: Knowledge, shipped_engine: Callable[[str], Engine]
) -> None:
    """No thermostat, no head gasket, no engine to warm up; and no high voltage on a petrol car."""
    electric = left_out(shipped, "no_heat", powertrain="electric", booster_heater="high_voltage")
    assert electric >= ENGINE | TWELVE_VOLTS
    assert not electric & HIGH_VOLTAGE
    assert left_out(shipped, "no_heat", powertrain="petrol") >= HIGH_VOLTAGE
    engine = shipped_engine("no_heat")
    case = Case("no_heat", (Known("powertrain", "electric"),))
    told = engine.query(case.evidence(shipped, engine)).marginals
    for fault in ("thermostat_open", "water_pump_weak", "combustion_gas"):
        assert told[fault][-1] == pytest.approx(0, abs=1e-12)
    assert told["heater_hv_dead"][-1] > 0.15


@pytest.mark.parametrize("section", CAUTIONS)
def test_what_can_hurt_has_its_caution(shipped: Knowledge, section: str) -> None:
    """Each caution beside the work that it is about, and none that nobody can follow."""
    for name, wanted in CAUTIONS[section].items():
        cautions = getattr(shipped.section(section)[name], "cautions")  # noqa: B009
        assert set(wanted) <= set(cautions), name
        assert not {"airbag_near", "airbag_wiring"} <= set(cautions), name


@pytest.mark.parametrize(("section", "name"), SAID)
def test_the_step_that_keeps_from_harm_is_written(shipped: Knowledge, section: str, name: str) -> None:
    """In the steps of the reading or setup, in the remedy, or in the caution itself."""
    said = shipped.section(section)[name]
    words = [*getattr(said, "steps", ()), getattr(said, "remedy", ""), getattr(said, "text", "")]
    assert SAID[section, name] in " ".join(words)


def test_times_are_long_enough_to_be_safe_and_done_well(shipped: Knowledge) -> None:
    """A hot engine is not at 40 °C within an hour; bleeding and bonded glass take their time."""
    assert shipped.setups["engine_cold"].waiting_minutes == 150
    assert shipped.setups["coolant_cold"].needs == ("engine_cold",)
    # Forty minutes from 88 °C down to 60 °C, as the model of a car cools down, and ten at full cooling again.
    assert shipped.readings["heater_cut_off"].waiting_minutes == 60
    assert shipped.readings["heater_cut_off"].ends == ("ac_full",)
    assert shipped.readings["matrix_flush"].minutes == 50
    assert shipped.readings["evaporator_reading"].minutes == 25
    glass = [shipped.faults[name].remedy_minutes for name in ("windscreen_bond", "side_glass_bond")]
    assert glass == [240, 180]


def test_noses_and_people_are_outdoors_where_exhaust_may_be_inside(shipped: Knowledge) -> None:
    """A hose on the tailpipe does not help with a leak ahead of it."""
    for name in (
        "bonnet_fumes",
        "smell_recirculated",
        "cabin_monoxide",
        "monoxide_follows_air",
        "oil_smokes",
    ):
        assert shipped.readings[name].setup == ("heat_outdoors",)
    assert shipped.cautions["exhaust_in_cabin"].signal == "danger"


def test_a_lithium_battery_has_its_own_limits(shipped: Knowledge) -> None:
    """Its voltage is higher, and hardly tells its charge."""
    limits = {
        name: quantity.limits_for({"battery_type": "lithium"})
        for name in ("resting_voltage", "full_voltage")
        if (quantity := shipped.readings[name].quantity) is not None
    }
    assert limits == {"resting_voltage": (13.0, 13.2), "full_voltage": (11.0, 13.3)}


def test_cautions_say_what_hurts_and_nothing_that_is_said_once_already(shipped: Knowledge) -> None:
    """A sentence that ends every caution makes people stop reading them."""
    texts = [one.text.casefold() for one in shipped.cautions.values()]
    assert not [one for one in texts if "local rules" in one or "licensed practice" in one]
    last = [text.rstrip(".").rsplit(". ", 1)[-1] for text in texts]
    assert len(set(last)) == len(last)


POWERED = {
    "ignition_on",
    "blower_full",
    "warming_up",
    "heat_full",
    "heat_outdoors",
    "ac_full",
    "ac_long",
    "ac_on",
    "heat_ready",
}
"""Setups in which the battery is connected and the car is on."""
SHUT_DOWN = {"airbag_wiring": "isolate the battery", "high_voltage": "once the vehicle is shut down"}
"""Cautions that ask for the opposite, by the words that do."""


def test_no_caution_shuts_down_a_car_that_its_reading_needs_on(shipped: Knowledge) -> None:
    """Flaps are not driven by a scan tool on an isolated battery, nor does a compressor turn on one."""
    for caution, words in SHUT_DOWN.items():
        assert words in shipped.cautions[caution].text
    on = [name for name in shipped.readings if POWERED.intersection(setups_of(shipped, name))]
    assert len(on) > 10
    assert not [name for name in on if set(SHUT_DOWN).intersection(shipped.readings[name].cautions)]


def test_the_name_of_a_band_leaves_its_limits_to_the_screen(shipped: Knowledge) -> None:
    """A number in the name could differ from the limit, and its unit from the one that a person prefers."""
    numbered = {
        (name, words)
        for name, reading in shipped.readings.items()
        if reading.quantity
        for words in reading.answers.values()
        if re.search(r"\d\s?(°C|K|mA|A|mV|V|bar|%|mm|Ω)\b", words)
    }
    assert not numbered
