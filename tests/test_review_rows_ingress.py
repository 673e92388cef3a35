"""Water, mist and wind noise, row by row: what a review of the knowledge found, and what has to hold.

Source of every row: a master's review, estimate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import get_args

import pytest

from advisor.advice.advice import advise
from advisor.advice.situation import Situation
from advisor.bench.wording import entry_words
from advisor.case.case import Case
from advisor.case.entries import Entry, Known, Seen
from advisor.evaluation.scenarios import play, read_scenarios
from advisor.inference.engine import Engine
from advisor.knowledge.conditions import Condition, Way, minutes_for, not_on, way_to_reading
from advisor.knowledge.knowledge import Knowledge, setups_of
from advisor.model.nodes import reading_of
from advisor.simulate.array_advice import PlayedRanking
from tests.conftest import SCENARIOS

WATER = ("water_inside", "misting_glass")
COMPLAINTS = (*WATER, "wind_noise")
WHERE = {"boot_wet_asked", "boot_well_look"}
"""What is asked or looked at before the rear is watered."""
FRONT, REAR = ["sill_hosed", "doors_hosed", "screen_hosed"], ["bumper_hosed", "lamps_hosed"]
"""The zones that water is run over, lowest first."""


@pytest.fixture(scope="module")
def engines(shipped_engine: Callable[[str], Engine]) -> Mapping[str, Engine]:
    """The engine of each complaint of this family."""
    return {name: shipped_engine(name) for name in COMPLAINTS}


def suspected(
    shipped: Knowledge, engines: Mapping[str, Engine], complaint: str, *entries: Entry
) -> dict[str, float]:
    """Each fault's probability after these entries."""
    case = Case(complaint, entries)
    found = advise(Situation.of(shipped, engines[complaint], case)).suspects
    return {one.fault: one.probability for one in found}


@dataclass(frozen=True)
class Row:
    """What is seen on a car, the cause that then leads, and those that it leads."""

    complaint: str
    seen: dict[str, str]
    leads: str
    over: tuple[str, ...]
    facts: dict[str, str] = field(default_factory=dict)


ROWS = {
    "62, flap stuck on recirculation": Row(
        "misting_glass",
        {"mist_stays": "stays", "recirculation_asked": "fresh", "fresh_air_paper": "still"},
        "recirculation_stuck_in",
        ("recirculation_habit", "air_not_dried", "outlet_blocked"),
    ),
    "62, blocked filter": Row(
        "misting_glass",
        {"mist_stays": "stays", "recirculation_asked": "fresh", "filter_light": "loaded"},
        "cabin_filter",
        ("recirculation_habit", "outlet_blocked"),
    ),
    "83, no bars": Row(
        "wind_noise", {"noise_above": "above"}, "sunroof_seal", ("roof_bars",), {"bars_fitted": "none"}
    ),
    "83, bars": Row(
        "wind_noise",
        {"noise_above": "above"},
        "roof_bars",
        ("sunroof_seal", "windscreen_bond"),
        {"bars_fitted": "fitted"},
    ),
    "which side, heater": Row(
        "water_inside",
        {"front_wet_asked": "wet", "wet_side": "middle"},
        "evaporator_drain",
        ("scuttle_drain", "door_membrane", "sunroof_front_drain"),
    ),
    "which side, door": Row(
        "water_inside",
        {"front_wet_asked": "wet", "wet_side": "driver", "door_worked_on": "worked_on"},
        "door_membrane",
        ("scuttle_drain", "evaporator_drain"),
    ),
    "fixed glass roof": Row(
        "water_inside",
        {"lining_asked": "stained", "hose_roof_glass": "enters"},
        "roof_glass_bond",
        ("roof_rail_joint", "aerial_base", "sunroof_front_drain"),
        {"roof_glass": "fixed"},
    ),
    "loom gaiter": Row(
        "water_inside",
        {"boot_wet_asked": "wet", "gaiter_look": "open"},
        "loom_gaiter",
        ("tail_lamp_gasket", "high_lamp_seal"),
    ),
    "pillar foot": Row(
        "water_inside",
        {"front_wet_asked": "wet", "scuttle_look": "clean", "hose_pillar_foot": "enters"},
        "upper_seam",
        ("scuttle_drain", "bulkhead_grommet", "windscreen_bond"),
    ),
    "flap bowl": Row(
        "water_inside",
        {"boot_wet_asked": "wet", "bowl_pour": "slow"},
        "flap_bowl_drain",
        ("tail_lamp_gasket", "body_vent_flap"),
    ),
    "tow bar": Row(
        "water_inside",
        {"boot_wet_asked": "wet", "rear_repaired": "repaired", "tow_bar_look": "open"},
        "tow_bar_holes",
        ("tail_lamp_gasket", "body_vent_flap"),
        {"added_equipment": "towing_or_alarm"},
    ),
    "hum, tyre": Row(
        "wind_noise",
        {"hum_with_road": "changes", "tread_felt": "stepped"},
        "tyre_hum",
        ("bearing_hum", "door_seal", "mirror_base"),
    ),
    "hum, bearing": Row(
        "wind_noise",
        {"hum_in_bends": "changes", "wheels_turned": "rough"},
        "bearing_hum",
        ("tyre_hum", "door_seal", "mirror_base"),
    ),
    "scuttle edge": Row(
        "wind_noise", {"tape_scuttle": "quieter"}, "scuttle_edge", ("windscreen_bond", "mirror_base")
    ),
    "door seal or door out of line, the seal": Row(
        "wind_noise",
        {"door_paper": "slips", "door_seal_look": "flat", "door_lift": "firm", "door_gap": "alike"},
        "door_seal",
        ("door_out_of_line", "glass_run"),
    ),
    "door seal or door out of line, the door": Row(
        "wind_noise",
        {"door_paper": "slips", "door_seal_look": "springy", "door_lift": "play", "door_gap": "differs"},
        "door_out_of_line",
        ("door_seal", "glass_run"),
    ),
    "heater, the joint before the matrix": Row(
        "water_inside",
        {"glycol_strip": "glycol", "heater_joint_look": "drops"},
        "heater_joint_leak",
        ("heater_matrix_leak", "evaporator_drain"),
    ),
    "heater, the matrix alone": Row(
        "water_inside",
        {"glycol_strip": "glycol", "matrix_alone": "falls"},
        "heater_matrix_leak",
        ("heater_joint_leak", "evaporator_drain"),
    ),
}


@pytest.mark.parametrize("name", ROWS)
def test_the_row_leads_to_its_cause(shipped: Knowledge, engines: Mapping[str, Engine], name: str) -> None:
    """What shows in a reading is named by it, so that no other part is blamed."""
    row = ROWS[name]
    entries: list[Entry] = [Known(fact, value) for fact, value in row.facts.items()]
    entries += [Seen(reading, outcome) for reading, outcome in row.seen.items()]
    found = suspected(shipped, engines, row.complaint, *entries)
    assert found[row.leads] > max(found[one] for one in row.over)


def test_a_wet_cabin_is_not_looked_for_where_only_the_wind_is_heard(engines: Mapping[str, Engine]) -> None:
    """A dry morning spoke against a true whistle of the mirror."""
    asked = {reading_of(one) for one in engines["wind_noise"].readings}
    assert not {"parked_mist", "night_humidity"} & asked
    assert {"parked_mist", "night_humidity"} <= {reading_of(one) for one in engines["water_inside"].readings}


def test_nobody_drives_with_a_sound_meter_because_of_a_wet_carpet(
    shipped: Knowledge, engines: Mapping[str, Engine]
) -> None:
    """Tape, bars and what the noise is like are for wind noise; the proofs by water for water."""
    drives = {one for one in shipped.readings if "road_test" in setups_of(shipped, one)}
    assert len(drives) == 15
    hoses = {one for one in shipped.readings if {"hose_ready", "hose_at_rear"} & set(setups_of(shipped, one))}
    assert len(hoses) > 15
    for complaint in WATER:
        asked = {reading_of(one) for one in engines[complaint].readings}
        assert not drives & asked
        assert not {one for one in asked if one.startswith("noise_")} - {"noise_with_speed"}
    assert not hoses & {reading_of(one) for one in engines["wind_noise"].readings}


def test_the_freezing_point_says_less_than_the_strip(
    shipped: Knowledge, engines: Mapping[str, Engine]
) -> None:
    """Spilt screen wash lowers it as well."""
    point = suspected(shipped, engines, "water_inside", Seen("glycol_freeze_point", "coolant"))
    strip = suspected(shipped, engines, "water_inside", Seen("glycol_strip", "glycol"))
    both = suspected(
        shipped,
        engines,
        "water_inside",
        Seen("glycol_freeze_point", "coolant"),
        Seen("glycol_strip", "glycol"),
    )
    assert point["heater_matrix_leak"] < strip["heater_matrix_leak"] < both["heater_matrix_leak"]


def minutes_of(shipped: Knowledge, reading: str) -> float:
    """Hands-on minutes of a reading and of all that it needs, on the average car."""
    setups = [shipped.setups[one] for one in setups_of(shipped, reading)]
    hands_on = sum(minutes_for(shipped, one.hands_on_minutes, {}) for one in setups)
    return hands_on + minutes_for(shipped, shipped.readings[reading].minutes, {})


@pytest.mark.parametrize("reading", ["scuttle_pour", "sunroof_front_pour", "sunroof_rear_pour", "door_dye"])
def test_a_bottle_of_water_wants_no_stripped_cabin(shipped: Knowledge, reading: str) -> None:
    """Ten minutes instead of an hour; the trim's edge off for the dye takes twenty-five."""
    assert "dry_inside" not in setups_of(shipped, reading)
    assert minutes_of(shipped, reading) <= (25 if reading == "door_dye" else 12)
    assert "wet_as_found" in shipped.readings[reading].ends_for_good


def test_a_stripped_cabin_and_taped_vents_cost_what_they_cost(shipped: Knowledge) -> None:
    """Forty minutes with a seat out, fifteen for the vents behind trim or bumper."""
    assert shipped.setups["dry_inside"].hands_on_minutes == 40
    taped = [shipped.setups[one].hands_on_minutes for one in ("vents_taped", "pressurised")]
    assert sum(minutes_for(shipped, one, {}) for one in taped) == 15


@pytest.mark.parametrize("reading", ["hose_tail_lamp", "lid_edge_filmed", "vent_frame_filmed"])
def test_no_seat_comes_out_for_water_in_the_boot(shipped: Knowledge, reading: str) -> None:
    """A boot that is stripped and dry is enough to see a drop at the rear."""
    assert "dry_inside" not in setups_of(shipped, reading)
    assert "dry_boot" in setups_of(shipped, reading)
    boot, cabin = (
        minutes_for(shipped, shipped.setups[one].hands_on_minutes, {}) for one in ("dry_boot", "dry_inside")
    )
    assert boot < cabin / 2


@pytest.mark.parametrize(
    ("higher", "lower"),
    [
        ("hose_door", "sill_hosed"),
        ("hose_screen", "doors_hosed"),
        ("hose_sunroof", "screen_hosed"),
        ("hose_roof_rail", "screen_hosed"),
        ("hose_aerial", "screen_hosed"),
        ("hose_roof_glass", "screen_hosed"),
        ("hose_rear", "bumper_hosed"),
        ("hose_high_lamp", "lamps_hosed"),
        ("hose_gaiter", "lamps_hosed"),
    ],
)
def test_low_zones_are_watered_before_higher_ones(shipped: Knowledge, higher: str, lower: str) -> None:
    """Going high first wets everything below and blames the wrong joint."""
    way = way_to_reading(shipped, Condition(), higher, {})
    assert isinstance(way, Way)
    watered = [one for one in way.made if one.endswith("_hosed")]
    assert watered in (FRONT[: len(watered)], REAR[: len(watered)])
    assert lower in watered
    dried, hose = ("dry_inside", "hose_ready") if watered[0] in FRONT else ("dry_boot", "hose_at_rear")
    assert way.made.index(dried) < way.made.index(hose) < way.made.index(watered[0])


@pytest.mark.parametrize("ranking", get_args(PlayedRanking))
def test_the_rear_is_watered_only_once_it_is_known_where_it_is_wet(
    shipped: Knowledge, engines: Mapping[str, Engine], ranking: PlayedRanking
) -> None:
    """On every invented wet car, whichever way the readings are ordered."""
    watered = 0
    for scenario in read_scenarios([SCENARIOS / "ingress"], shipped).values():
        if scenario.complaint not in WATER:
            continue
        played = play(shipped, engines[scenario.complaint], scenario, ranking=ranking)
        taken = [step.proposal.reading for step in played.steps]
        rear = [at for at, one in enumerate(taken) if "bumper_hosed" in setups_of(shipped, one)]
        if rear:
            watered += 1
            assert WHERE & set(taken[: rear[0]]), scenario.name
    assert watered > 0


def test_bars_that_are_not_there_are_not_taken_off(shipped: Knowledge) -> None:
    """Asked at intake instead of after a drive."""
    assert not_on(shipped, "bars_off", {"bars_fitted": "none"}) == "bars_fitted"
    assert not_on(shipped, "bars_off", {"bars_fitted": "fitted"}) is None
    assert "roof_load" not in shipped.readings


@pytest.mark.parametrize(
    ("reading", "fact", "value"),
    [
        ("sunroof_front_pour", "roof_glass", "fixed"),
        ("sunroof_rear_pour", "roof_glass", "none"),
        ("hose_sunroof", "roof_glass", "fixed"),
        ("hose_roof_glass", "roof_glass", "none"),
        ("washer_dye", "rear_lid", "boot_lid"),
        ("washer_brings_water", "rear_lid", "boot_lid"),
    ],
)
def test_no_reading_is_for_a_part_that_the_car_has_not(
    shipped: Knowledge, reading: str, fact: str, value: str
) -> None:
    """A fixed roof has no tray to pour into, a saloon no washer on its lid."""
    assert not_on(shipped, reading, {fact: value}) == fact


def test_an_open_job_with_the_old_question_about_the_sunroof_goes_on(
    shipped: Knowledge, engines: Mapping[str, Engine]
) -> None:
    """It is shown as it was answered, and the new question about the roof's glass is asked instead."""
    old = Case("water_inside", (Known("sunroof", "fitted"), Seen("roof_load", "bare")))
    assert entry_words(shipped, old, old.entries[0]) == "sunroof: fitted"
    assert suspected(shipped, engines, "water_inside", *old.entries) == pytest.approx(
        suspected(shipped, engines, "water_inside")
    )


def test_readings_of_one_gap_are_no_independent_proofs(
    shipped: Knowledge, engines: Mapping[str, Engine]
) -> None:
    """Paper, ultrasound and a warm streak see the same gap: the second says less than the first."""
    alone = {}
    for reading, outcome in (("door_paper", "slips"), ("door_ultrasonic", "louder")):
        seen = suspected(shipped, engines, "wind_noise", Seen(reading, outcome))
        alone[reading] = seen["door_seal"] / (1 - seen["door_seal"])
    start = suspected(shipped, engines, "wind_noise")["door_seal"]
    start /= 1 - start
    both = suspected(
        shipped, engines, "wind_noise", Seen("door_paper", "slips"), Seen("door_ultrasonic", "louder")
    )["door_seal"]
    assert both / (1 - both) < alone["door_paper"] * alone["door_ultrasonic"] / start


def test_drying_out_is_part_of_every_check_for_water(shipped: Knowledge) -> None:
    """Forty minutes beside the 35 of watering, and the same two marks measured again."""
    water = shipped.complaints["water_inside"]
    assert water.check_minutes == 75
    assert "24 to 72 hours" in (water.check or "")
    assert "same marks" in (water.check or "")


def test_recirculation_left_on_is_advice_and_no_repair(shipped: Knowledge) -> None:
    """No defect: nothing is billed, and nobody has to come."""
    habit = shipped.faults["recirculation_habit"]
    assert (habit.price, habit.remedy_minutes) == ("none", 10)
    assert "mists up on fresh air, or if a carpet is damp" in (habit.no_visit or "")
