"""Cars of a master's review of heating and cooling: what is told of each, and what has to hold after it.

Source of every row: a master's review, estimate. No car is real.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from advisor.case.case import Case
from advisor.case.entries import Known, Seen
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge

Holds = Callable[[Mapping[str, float]], bool]


def over(first: str, *others: str) -> Holds:
    """Holds where the first is likelier than each of the others."""
    return lambda told: all(told[first] > told[other] for other in others)


def below(cause: str, most: float) -> Holds:
    """Holds where a cause is no likelier than this."""
    return lambda told: told[cause] <= most


def above(cause: str, least: float) -> Holds:
    """Holds where a cause is at least as likely as this."""
    return lambda told: told[cause] >= least


ROWS: dict[str, tuple[str, dict[str, str], dict[str, str], Holds]] = {
    # row: complaint, facts, what is seen, what has to hold
    "21 a dead clutch, pressures equal at once": (
        "poor_cooling",
        {"compressor_type": "fixed"},
        {"compressor_turns": "idle", "pressures_meet": "fast"},
        over("compressor_stands", "compressor_worn"),
    ),
    "22 a dead clutch, high side low, no subcooling": (
        "poor_cooling",
        {"compressor_type": "fixed"},
        {"high_side": "low", "liquid_subcooling": "low", "compressor_turns": "idle"},
        above("compressor_stands", 0.2),
    ),
    "23 a compressor that stands does not make the superheat normal": (
        "poor_cooling",
        {},
        {"suction_superheat": "low", "compressor_turns": "idle"},
        above("compressor_stands", 0.45),
    ),
    "24 an empty system that is locked out": (
        "poor_cooling",
        {},
        {"low_side": "low", "high_side": "low", "gas_ratio": "weak"},
        over("undercharge", "compressor_stands", "compressor_worn"),
    ),
    "25 an outside sensor that blocks cooling": (
        "poor_cooling",
        {},
        {"compressor_turns": "idle", "recovered_charge": "right", "clutch_check": "sound"},
        above("control_side", 0.05),
    ),
    "26 a fan that stands because the compressor does": (
        "poor_cooling",
        {"compressor_type": "fixed"},
        {"compressor_turns": "idle", "condenser_air": "fan_slow", "recovered_charge": "right"},
        over("compressor_stands", "fan_stands"),
    ),
    "27 regassed last spring, warm again, slowly": (
        "poor_cooling",
        {},
        {"gas_work": "serviced", "came_on": "slowly"},
        over("leak_joint", "under_filled", "overcharge"),
    ),
    "28 frost at the valve first of all means charge": (
        "poor_cooling",
        {},
        {"device_frost": "frost"},
        over("undercharge", "restriction"),
    ),
    "29 a fan in front helps a sound car as well": (
        "poor_cooling",
        {},
        {"cooled_condenser": "falls"},
        below("fan_stands", 0.2),
    ),
    "30 a resistor, volts and amps right at full speed": (
        "no_air",
        {"climate_control": "manual"},
        {"fan_steps": "highest_only", "blower_volts": "right", "blower_amps": "usual"},
        above("blower_controller", 0.85),
    ),
    "31 no speed at all from an electronic controller": (
        "no_air",
        {"climate_control": "automatic_dual"},
        {"fan_steps": "none"},
        above("blower_controller", 0.25),
    ),
    "32 strong air clears no mouldy evaporator": (
        "smell",
        {},
        {"air_weak": "strong"},
        above("evaporator_fouled", 0.3),
    ),
    "33 a valve stuck open does not leave the vent as it should be": (
        "poor_cooling",
        {"metering_device": "valve"},
        {"vent_over_expected": "as_expected"},
        lambda told: told["metering_open"] < 0.15 * told["airflow_low"],
    ),
    "41 two answers by phone are one proof of air in the heater": (
        "no_heat",
        {},
        {"heat_with_revs": "warmer", "gurgle": "heard"},
        lambda told: told["coolant_low"] + told["air_locked"] + told["combustion_gas"] < 0.95,
    ),
    "45 a wide air gap drops out hot": (
        "poor_cooling",
        {"compressor_type": "fixed"},
        {"fades_and_returns": "fades"},
        lambda told: told["clutch_coil"] > 0.05,
    ),
    "46 a filter never clogs in a day": (
        "poor_cooling",
        {},
        {"came_on": "at_once"},
        below("airflow_low", 0.08),
    ),
    "48 no gas, no change of pressure at the valve": (
        "poor_cooling",
        {"compressor_type": "variable"},
        {"valve_answer": "silent", "recovered_charge": "short"},
        over("undercharge", "control_valve_low"),
    ),
    "49 an open sensor stores a code": (
        "no_heat",
        {},
        {"unit_commands": "odd"},
        above("climate_sensor", 0.12),
    ),
    "50 bare fins prove little": (
        "poor_cooling",
        {},
        {"condenser_picture": "patchy"},
        below("condenser_inside", 0.06),
    ),
    "66 a shaft seal, a valve core and a joint are three": (
        "poor_cooling",
        {},
        {"dye_lamp": "hub", "recovered_charge": "short"},
        over("compressor_seal", "leak_joint", "service_valve", "leak_condenser"),
    ),
    "6.1 charge lost over the years": (
        "poor_cooling",
        {},
        {
            "years_since_charge": "over",
            "recovered_charge": "short",
            "leak_search": "none",
            "nitrogen_test": "holds",
        },
        above("under_filled", 0.6),
    ),
    "6.3 an electric car whose heater is dead": (
        "no_heat",
        {"powertrain": "electric", "booster_heater": "high_voltage"},
        {"heater_hv_power": "lacks"},
        over("heater_hv_dead", "coolant_low", "matrix_blocked", "blend_cold"),
    ),
    "6.5 an electric compressor that is asked and stands": (
        "poor_cooling",
        {"powertrain": "electric", "compressor_type": "electric"},
        {"compressor_speed": "stands", "recovered_charge": "right"},
        above("compressor_electric", 0.7),
    ),
    "6.7 combustion gas in the coolant": (
        "no_heat",
        {"powertrain": "petrol"},
        {"block_test": "turns", "gurgle": "heard"},
        above("combustion_gas", 0.7),
    ),
    "6.11 the musty smell of a wet carpet": (
        "smell",
        {},
        {"carpet_damp_asked": "damp", "smell_foam": "wet", "evaporator_look": "clean"},
        over("wet_carpet", "evaporator_fouled", "cabin_filter"),
    ),
    "6.12 carbon monoxide is exhaust, not oil": (
        "smell",
        {"powertrain": "petrol"},
        {"cabin_monoxide": "high"},
        over("fumes_drawn_in", "oil_smell", "fuel_smell"),
    ),
    "a heater valve that does not shut passes the clamp proof": (
        "poor_cooling",
        {"heater_valve": "fitted"},
        {"heater_cut_off": "colder"},
        lambda told: told["heater_valve_open"] > 0.5 * told["blend_warm"],
    ),
    "a flap that sticks by hand is no actuator": (
        "heat_one_side",
        {"climate_control": "automatic_dual"},
        {"blend_sweep": "one_side", "flap_by_hand": "flap"},
        over("zone_flap_jammed", "zone_flap"),
    ),
}


@pytest.mark.parametrize("row", ROWS)
def test_what_a_master_would_conclude(
    shipped: Knowledge, shipped_engine: Callable[[str], Engine], row: str
) -> None:
    """Source: a master's review, estimate."""
    complaint, facts, seen, holds = ROWS[row]
    entries: list[Known | Seen] = [Known(fact, value) for fact, value in facts.items()]
    entries += [Seen(reading, outcome) for reading, outcome in seen.items()]
    engine = shipped_engine(complaint)
    marginals = engine.query(Case(complaint, tuple(entries)).evidence(shipped, engine)).marginals
    told = {node: float(probabilities[-1]) for node, probabilities in marginals.items()}
    assert holds(told), {node: round(chance, 3) for node, chance in told.items() if chance > 0.03}


def test_a_circuit_without_dye_says_nothing(
    shipped: Knowledge, shipped_engine: Callable[[str], Engine]
) -> None:
    """No dye in it leaves every cause where it was; dye that is not seen does not (common practice)."""
    engine = shipped_engine("poor_cooling")

    def chances(*entries: Seen) -> dict[str, float]:
        marginals = engine.query(Case("poor_cooling", entries).evidence(shipped, engine)).marginals
        return {
            node: float(probabilities[-1]) for node, probabilities in marginals.items() if node != "dye_lamp"
        }

    for before in ((), (Seen("leak_search", "joint"), Seen("recovered_charge", "short"))):
        told = chances(*before)
        assert chances(*before, Seen("dye_lamp", "no_dye")) == pytest.approx(told, abs=1e-9)
        assert chances(*before, Seen("dye_lamp", "none"))["compressor_seal"] < told["compressor_seal"] - 0.01
