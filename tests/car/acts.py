"""What people do with the car: setups and readings, what each asks of it and leaves behind, by id.

Everything here is written by hand, from what happens to a car. A new setup or reading of the shipped
knowledge has to be entered here too: `tests/test_car.py` says which is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from tests.car.model import HOT_C, STILL_WARM_C, Car

Is = Callable[[Car], bool]
Does = Callable[[Car], None]


class UnknownToTheCar(Exception):
    """A setup or reading that nobody has told the car about: write in `tests/car/acts.py` what it does."""


@dataclass(frozen=True)
class Demand:
    """What has to be so, and otherwise the reason of the complaint: no use, or somebody is hurt."""

    is_so: Is
    why: str
    hurts: bool = False


@dataclass(frozen=True)
class Setup:
    """What somebody does for it at first, and `then`, once its wait is over; whether it is in place.

    `before` is what has to be so when it begins, `undo` how somebody puts an end to it. With `locks` the
    doors are locked when the work is done, and the wait begins.
    """

    does: Does
    is_in_place: Is
    before: tuple[Demand, ...] = ()
    undo: Does | None = None
    then: Does | None = None
    locks: bool = False


# ------------------------------------------------------------------------------------------------ setups


def _ignition(car: Car) -> None:
    car.switch_off()
    car.reconnect()
    car.open_up()
    car.is_ignition_on = True


def _blower(car: Car) -> None:
    _ignition(car)
    car.is_blower_on = True


def _outdoors(car: Car) -> None:
    car.start()
    car.is_outdoors = True


def _indoors(car: Car) -> None:
    car.start()
    car.is_outdoors = False


def _heat(car: Car) -> None:
    _indoors(car)
    car.cooling_since, car.is_blower_on = None, True


def _heat_outdoors(car: Car) -> None:
    _outdoors(car)
    car.cooling_since, car.is_blower_on = None, True


def _cool(car: Car) -> None:
    _indoors(car)
    car.cool_air()


def _gauges(car: Car) -> None:
    car.switch_off()
    car.has_gauges = True


def _gauges_off(car: Car) -> None:
    car.has_gauges = False


def _emptied(car: Car) -> None:
    car.has_gas = car.has_gauges = False


def _dry(car: Car) -> None:
    car.switch_off()
    car.open_up()
    car.is_carpet_lifted, car.is_wet_as_found = True, False


def _carpet_down(car: Car) -> None:
    car.is_carpet_lifted = False


def _dry_boot(car: Car) -> None:
    car.switch_off()
    car.open_up()
    car.is_boot_stripped, car.is_wet_as_found = True, False


def _boot_together(car: Car) -> None:
    car.is_boot_stripped = False


def _hose(car: Car) -> None:
    car.switch_off()
    car.pour_water()


def _hosed(zone: str) -> Does:
    def does(car: Car) -> None:
        _hose(car)
        car.hosed |= {zone}

    return does


def _was_hosed(zone: str) -> Is:
    return lambda car: zone in car.hosed


REAR_ZONES = {"bumper", "lamps"}


def _zone(zone: str, lower: str = "") -> Setup:
    """Somebody waters a zone, once the one below it has been watered and seen to stay dry."""
    below = (Demand(_was_hosed(lower), f"water runs over the {lower}, which nobody has tried yet"),)
    sees = _SOMEBODY_IN_THE_BOOT if zone in REAR_ZONES else _SOMEBODY_SEES_IT
    return Setup(_hosed(zone), _was_hosed(zone), (sees, *(below if lower else ())))


def _wet_roof(car: Car) -> None:
    _hose(car)
    car.is_roof_wet = True


def _tape(car: Car) -> None:
    car.are_vents_taped = True


def _untape(car: Car) -> None:
    car.are_vents_taped = False


def _press(car: Car) -> None:
    car.switch_off()
    car.open_up()
    car.is_ignition_on = car.is_blower_on = True


def _press_warm(car: Car) -> None:
    car.start()
    car.cooling_since, car.is_blower_on = None, True


def _drive(car: Car) -> None:
    car.start()
    car.is_on_the_road = car.is_outdoors = True
    car.is_roof_wet = False


def _shut(car: Car) -> None:
    car.switch_off()
    car.open_up()
    car.is_wet_as_found = car.is_carpet_lifted = car.is_boot_stripped = False


def _top_up(car: Car) -> None:
    car.switch_off()
    car.is_coolant_as_found = False


def _lock(car: Car) -> None:
    car.switch_off()
    car.reconnect()
    car.open_up()


def _load_briefly(car: Car) -> None:
    _lock(car)
    car.charge_changed_at = car.minutes


def _charge(car: Car) -> None:
    _lock(car)
    car.is_as_received = False


def _charged(car: Car) -> None:
    car.is_charged = True
    car.charge_changed_at = car.minutes


def _ready(car: Car) -> None:
    _ignition(car)
    car.is_ready = True
    car.is_as_received = False
    car.charge_changed_at = car.minutes


def _wake_lithium(car: Car) -> None:
    car.switch_off()
    car.open_up()
    car.is_as_received = False
    car.charge_changed_at = car.minutes


def _settle(car: Car) -> None:
    car.switch_off()
    car.charge_changed_at = car.minutes


def _disconnect(car: Car) -> None:
    car.switch_off()
    car.is_connected = False


def _inhibit(car: Car) -> None:
    _lock(car)
    car.is_inhibited = car.is_ignition_on = True


def _nothing(car: Car) -> None:
    """Nobody touches the car."""


_NOBODY_GASSED = Demand(
    lambda car: not car.poisons,
    "the engine is started though exhaust gas gets into the cabin: whoever sits there is poisoned",
    hurts=True,
)
_NOTHING_HANGS_ON_IT = (
    Demand(
        lambda car: not (car.is_carpet_lifted or car.is_boot_stripped),
        "it is driven with its cabin taken apart: two people without a floor",
        hurts=True,
    ),
    Demand(
        lambda car: not car.has_gauges,
        "it is driven with gauges connected: the hoses tear off and spray",
        hurts=True,
    ),
    Demand(lambda car: not car.are_vents_taped, "it is driven with its vents taped: it sounds otherwise"),
)
_GAUGES_MADE_FOR_IT = Demand(
    lambda car: car.facts.get("gas_label") != "r744_or_unknown",
    "a gauge or machine goes on a circuit of R-744 or of unknown gas: it bursts",
    hurts=True,
)
_GAUGES_ARE_ON = Demand(lambda car: car.has_gauges, "the gauges are not connected")
_SOMEBODY_SEES_IT = Demand(lambda car: car.is_carpet_lifted, "nobody could see where the water comes in")
_SOMEBODY_IN_THE_BOOT = Demand(
    lambda car: car.is_boot_stripped, "nobody in the boot could see where the water comes in"
)
_HAS_GAS = Demand(lambda car: car.has_gas, "its circuit is empty")
_IS_COLD = Demand(
    lambda car: car.is_cold,
    "the cooling system is opened while it is hot: somebody is scalded",
    hurts=True,
)


SETUPS: dict[str, Setup] = {
    "key_out": Setup(
        Car.switch_off, lambda car: not (car.is_running or car.is_ignition_on or car.is_blower_on)
    ),
    "ignition_on": Setup(_ignition, lambda car: car.is_ignition_on and not car.is_running),
    "blower_full": Setup(_blower, lambda car: car.is_blower_on, undo=Car.switch_off),
    "engine_cold": Setup(Car.switch_off, lambda car: car.is_cold),
    "engine_hot": Setup(_nothing, lambda car: car.is_running or car.coolant_c >= STILL_WARM_C),
    "warming_up": Setup(
        _heat,
        lambda car: car.is_warming_up,
        (
            Demand(lambda car: car.is_cold, "it is hot already: there is no warming up to watch"),
            _NOBODY_GASSED,
        ),
        undo=Car.switch_off,
    ),
    "heat_full": Setup(_heat, lambda car: car.is_heating, (_NOBODY_GASSED,), undo=Car.switch_off),
    "heat_ready": Setup(_heat, lambda car: car.is_running, (_NOBODY_GASSED,), undo=Car.switch_off),
    "heat_outdoors": Setup(
        _heat_outdoors,
        lambda car: car.is_heating and car.is_outdoors,
        (_NOBODY_GASSED,),
        undo=Car.switch_off,
    ),
    "circuit_filled": Setup(_nothing, lambda car: car.has_gas),
    "ac_full": Setup(_cool, lambda car: car.is_cooling, (_HAS_GAS, _NOBODY_GASSED), undo=Car.switch_off),
    "ac_on": Setup(_cool, lambda car: car.is_cooling, (_HAS_GAS, _NOBODY_GASSED), undo=Car.switch_off),
    "ac_long": Setup(_cool, lambda car: car.has_cooled_long, (_HAS_GAS,)),
    "gauges_on": Setup(
        _gauges, lambda car: car.has_gauges, (_GAUGES_MADE_FOR_IT, _HAS_GAS), undo=_gauges_off
    ),
    "gauges_ac_full": Setup(_cool, lambda car: car.is_cooling and car.has_gauges, (_GAUGES_ARE_ON, _HAS_GAS)),
    "soaked_gauges": Setup(
        Car.switch_off, lambda car: car.is_soaked and car.has_gauges, (_GAUGES_ARE_ON, _HAS_GAS)
    ),
    "recovery": Setup(
        Car.switch_off, lambda car: not car.has_gas, (_GAUGES_MADE_FOR_IT, _HAS_GAS), then=_emptied
    ),
    "wet_as_found": Setup(_nothing, lambda car: car.is_wet_as_found),
    "dry_inside": Setup(_dry, lambda car: car.is_carpet_lifted, undo=_carpet_down),
    "dry_boot": Setup(_dry_boot, lambda car: car.is_boot_stripped, undo=_boot_together),
    "hose_at_rear": Setup(_hose, lambda car: car.is_boot_stripped and not car.is_running),
    "hose_ready": Setup(_hose, lambda car: car.is_carpet_lifted and not car.is_running),
    "sill_hosed": _zone("sill"),
    "doors_hosed": _zone("doors", "sill"),
    "screen_hosed": _zone("screen", "doors"),
    "bumper_hosed": _zone("bumper"),
    "lamps_hosed": _zone("lamps", "bumper"),
    "roof_wetted": Setup(_wet_roof, lambda car: car.is_roof_wet and car.is_carpet_lifted),
    "vents_open": Setup(_untape, lambda car: not car.are_vents_taped),
    "vents_taped": Setup(_tape, lambda car: car.are_vents_taped, undo=_untape),
    "pressurised": Setup(_press, lambda car: car.is_blower_on and car.are_vents_taped, undo=Car.switch_off),
    "heated_pressurised": Setup(
        _press_warm,
        lambda car: car.is_heating and car.is_blower_on and car.are_vents_taped,
    ),
    "road_test": Setup(_drive, lambda car: car.is_on_the_road, _NOTHING_HANGS_ON_IT, undo=Car.switch_off),
    "humid_cooling": Setup(_cool, lambda car: car.is_cooling, (_HAS_GAS,), undo=Car.switch_off),
    "coolant_as_found": Setup(_nothing, lambda car: car.is_coolant_as_found),
    "coolant_cold": Setup(_top_up, lambda car: car.is_cold, (_IS_COLD,)),
    "shut_overnight": Setup(_shut, lambda car: car.has_stood_shut, undo=Car.open_up),
    "as_received": Setup(_nothing, lambda car: car.is_as_received),
    "surface_charge_off": Setup(_load_briefly, lambda car: car.has_no_surface_charge and car.is_as_received),
    "asleep": Setup(_lock, lambda car: car.is_asleep, undo=Car.disturb, locks=True),
    "asleep_logged": Setup(
        _nothing,
        lambda car: car.is_asleep,
        (Demand(lambda car: car.is_asleep, "it is awake when the logging begins"),),
    ),
    "stood_overnight": Setup(_nothing, lambda car: car.is_asleep),
    "meter_checked": Setup(_nothing, lambda car: True),
    "logged_overnight": Setup(_nothing, lambda car: car.is_asleep),
    "logged_two_nights": Setup(_lock, lambda car: car.is_asleep, undo=Car.disturb, locks=True),
    "ready_mode": Setup(_ready, lambda car: car.is_ready, (_NOBODY_GASSED,), undo=Car.switch_off),
    "charged": Setup(_charge, lambda car: car.is_charged, then=_charged),
    "charged_settled": Setup(
        _settle,
        lambda car: car.is_charged and car.has_no_surface_charge,
        (Demand(lambda car: car.is_charged, "a battery is loaded that nobody has charged"),),
    ),
    "charged_and_rested": Setup(
        Car.switch_off,
        lambda car: car.is_full_and_rested,
        (Demand(lambda car: car.is_charged, "a battery rests that nobody has charged"),),
    ),
    "disconnected_a_day": Setup(
        _disconnect,
        lambda car: not car.is_connected,
        (Demand(lambda car: car.is_charged, "a battery stands disconnected that nobody has charged"),),
        undo=Car.reconnect,
    ),
    "engine_loaded": Setup(_heat, lambda car: car.is_running, (_NOBODY_GASSED,), undo=Car.switch_off),
    "cranking_inhibited": Setup(
        _inhibit, lambda car: car.is_inhibited and car.is_connected and not car.is_running
    ),
    "cranking_charged": Setup(
        _nothing,
        lambda car: car.is_inhibited and car.is_charged,
        (
            Demand(
                lambda car: car.is_inhibited,
                "it is cranked and nothing keeps it from starting: it runs into somebody",
                hurts=True,
            ),
        ),
    ),
}


def set_up(car: Car, setup: str, hands_on: float, waiting: float) -> None:
    """Somebody brings a setup about and waits for it, in the minutes that the advice counts."""
    if setup not in SETUPS:
        raise UnknownToTheCar(setup)
    begin_setup(car, setup, hands_on)
    finish_setup(car, setup, waiting)


def begin_setup(car: Car, setup: str, hands_on: float) -> None:
    """Somebody brings a setup about; its waiting begins."""
    said = SETUPS[setup]
    for demand in said.before:
        car.needs(setup, demand.is_so(car), demand.why, hurts=demand.hurts)
    said.does(car)
    car.wait(hands_on)
    if said.locks:
        car.disturb()


def finish_setup(car: Car, setup: str, waiting: float) -> None:
    """The waiting of a setup goes by."""
    car.wait(waiting)
    then = SETUPS[setup].then
    if then is not None:
        then(car)


def end(car: Car, setups: Iterable[str]) -> None:
    """Somebody is told that what he does next ends these setups, and so puts an end to them first."""
    for setup in setups:
        undo = SETUPS[setup].undo
        if undo is not None and SETUPS[setup].is_in_place(car):
            undo(car)


# ---------------------------------------------------------------------------------------------- readings


@dataclass(frozen=True)
class Group:
    """Readings that ask the same of the car, or leave the same behind."""

    readings: tuple[str, ...]
    demand: Demand | None = None
    effect: Does | None = None


def _group(readings: str, demand: Demand | None = None, effect: Does | None = None) -> Group:
    return Group(tuple(readings.split()), demand, effect)


def _open_coolant(car: Car) -> None:
    car.is_coolant_as_found = False


def _driven(car: Car) -> None:
    car.start()
    car.cold_start_at = None


def _ran_hot(car: Car) -> None:
    car.start()
    car.coolant_c = HOT_C
    car.switch_off()


def _cooling_off(car: Car) -> None:
    car.cooling_since = None


def _raised(car: Car) -> None:
    car.is_on_the_road = False


def _started_and_stopped(car: Car) -> None:
    car.start()
    car.switch_off()


WITH_COOLING = """vents_across dash_spread vent_over_expected cooling_drop long_run_frost evaporator_reading
    compressor_turns valve_answer valve_unloads compressor_sound condenser_air condenser_picture
    drier_step device_frost device_warmed cooled_condenser heater_cut_off evaporator_drip
    cold_pipe clutch_cycles release_data high_side_data compressor_speed fan_supply exchanger_step
    valve_shut_step zone_shaft_cool zone_shaft_jams_cool blend_shaft_warm blend_gap_seen hub_stands
    fan_fed fins_rinsed sensor_iced"""
WITH_GAUGES = """low_side high_side gas_ratio suction_superheat liquid_subcooling pressures_meet
    sensor_against_gauge device_no_answer device_cooled compressor_driven_full valve_driven_full"""
ASLEEP = """sleeping_current wake_pulses key_distance relay_pulled added_unplugged unit_unplugged
    reverse_current bus_active fuse_interior fuse_audio fuse_body fuse_accessory fuse_motors
    no_fuse_drop time_to_sleep night_log wake_pattern camper_fuses
    warm_glovebox warm_boot warm_relay warm_radio warm_alternator warm_unit"""
PROOFS_ASLEEP = """glovebox_filmed boot_filmed door_latch_given_shut lid_latch_given_shut
    relay_out_and_benched coil_driver_unplugged radio_out_and_in door_unit_out_and_in
    telematics_without_signal silent_without_unit fuse_out_second_night camera_out_and_in
    towing_alarm_out_and_in blower_out_and_in"""
UNDER_PRESSURE = """bubbles_rear bubbles_glass bubbles_roof bubbles_roof_glass smoke_front smoke_low
    warm_door_edge warm_rear_edge"""
WET_AS_FOUND = """front_foam_moisture rear_foam_moisture lining_moisture boot_well_look no_water_track
    glycol_strip glycol_freeze_point smell_foam"""
POURED_OVER_IT = """scuttle_pour_inside sunroof_frame_look hose_low hose_door hose_mirror hose_screen
    hose_sunroof hose_roof_rail hose_aerial hose_door_gap hose_glass_edge hose_pillar_foot hose_roof_glass
    intake_filmed grommet_puttied seal_padded_wet striker_set_wet
    screen_water_and_air side_glass_water_and_air floor_dye"""
HOSED_AT_THE_REAR = """hose_rear hose_tail_lamp hose_high_lamp hose_bumper hose_gaiter lid_edge_filmed
    vent_frame_filmed tow_hole_puttied"""
BOTTLES = "scuttle_pour sunroof_front_pour sunroof_rear_pour door_dye gaiter_dye bowl_pour"
"""A little water in one place, and a paper towel where it would come in."""
HIGHER_ZONES = {
    "sill": """hose_low hose_mirror hose_door_gap hose_glass_edge hose_pillar_foot seal_padded_wet
    striker_set_wet""",
    "doors": "hose_door side_glass_water_and_air",
    "screen": "hose_screen hose_sunroof hose_roof_rail hose_aerial hose_roof_glass screen_water_and_air",
    "bumper": "hose_rear hose_tail_lamp hose_bumper",
    "lamps": "hose_high_lamp hose_gaiter lid_edge_filmed",
}
"""The zone that has to be watered before these, or its own leak is taken for theirs."""
HANDS_IN_THE_FAN = "filter_light filter_look evaporator_look intake_look drain_flow motor_fed_direct"
HANDS_ROUND_THE_ENGINE = """belt_look clutch_check condenser_stain joint_stain leak_search drain_sniff
    clamp_look scuttle_look scuttle_pour hub_by_hand clutch_jumped fan_driven dye_lamp valve_foam
    fuel_look oil_on_hot_parts joint_foamed condenser_foamed seal_after_run clutch_fed"""
RAISED = """floor_look undertray_look drain_flow leak_search tow_bar_look wheels_turned tread_felt
    rod_on_carrier floor_dye tow_hole_puttied"""
OPENS_THE_CABIN = """filter_light filter_look evaporator_look intake_look drain_flow film_wipe door_paper
    boot_paper door_gap door_slots_probe door_ultrasonic outlet_draught vent_frame_look washer_dye
    floor_look duct_look scuttle_pour sunroof_front_pour sunroof_rear_pour door_dye
    gaiter_dye gaiter_look door_seal_look door_lift light_test tow_bar_look tracer_gas heater_joint_look
    joint_under_pressure half_screen"""
ROAD_TEST = """tape_doors tape_glass_edge tape_mirror tape_roof bars_off tape_trim tape_screen tape_scuttle
    tape_lid wheels_swapped tape_sunroof seal_padded_noise striker_set_noise tape_side_glass
    undertray_fastened"""

GROUPS = (
    _group(
        "tank_opened bleed_air matrix_flush cooling_pressure_loss matrix_alone joint_under_pressure "
        "level_filled air_bled_out",
        Demand(
            lambda car: car.is_cold,
            "the cooling system is opened or pumped up while it is hot: somebody is scalded",
            hurts=True,
        ),
    ),
    _group(
        "expansion_tank tank_opened bleed_air",
        Demand(
            lambda car: car.is_coolant_as_found,
            "somebody has drained or topped up the coolant: its level is not what the owner brought",
        ),
    ),
    _group("bleed_air matrix_flush block_test matrix_alone level_filled air_bled_out", effect=_open_coolant),
    _group("level_filled air_bled_out seal_after_run", effect=_ran_hot),
    _group("clutch_check", effect=_started_and_stopped),
    _group(
        "radiator_outlet booster_current warm_up block_test",
        Demand(lambda car: car.is_warming_up, "there is no warming up to watch: it is hot, or stands still"),
    ),
    _group("warm_up", effect=_driven),
    _group(
        "warm_up",
        Demand(lambda car: not car.has_gauges, "it is driven with gauges connected", hurts=True),
    ),
    _group(
        "inlet_hose_lag hose_drop heater_gain hot_hose_cold_vent matrix_image valve_step flow_at_speed "
        "heater_pump_test rear_shut_off heater_pump_fed heater_valve_driven blend_shaft_cold "
        "blend_shaft_jams zone_shaft_hot zone_shaft_jams_hot",
        Demand(lambda car: car.is_heating, "its coolant is not hot enough to judge a heater"),
    ),
    _group(
        "bonnet_fumes cabin_monoxide smell_recirculated monoxide_follows_air oil_smokes",
        Demand(
            lambda car: car.is_running and car.is_outdoors,
            "somebody sits in it to look for exhaust gas and the engine runs in the building",
            hurts=True,
        ),
    ),
    _group(
        "blend_sweep mode_sweep flap_by_hand sensor_values driven_direct unit_commands blower_test hv_codes "
        "heat_pump_position sensor_replaced_by_value",
        Demand(lambda car: car.is_ignition_on, "its ignition is off"),
    ),
    _group(
        """recirculation_air fresh_air_paper intake_flap_turned vent_speed filter_out blower_volts blower_amps
        controller_input duct_look mode_shaft_turned mode_shaft_jams recirculation_shaft_turned
        recirculation_shaft_jams controller_passed_by filter_bagged""",
        Demand(lambda car: car.is_blower_on, "its blower is off"),
    ),
    _group(
        WITH_COOLING, Demand(lambda car: car.is_cooling, "the air conditioning does not run with gas in it")
    ),
    _group(
        "long_run_frost device_warmed sensor_iced",
        Demand(lambda car: car.has_cooled_long, "it has not cooled long enough for frost to show"),
    ),
    _group(
        WITH_GAUGES,
        Demand(
            lambda car: car.is_cooling and car.has_gauges,
            "the gauges are not on a running circuit with gas in it",
        ),
    ),
    _group("pressures_meet", effect=_cooling_off),
    _group("heater_cut_off hub_stands fins_rinsed", effect=Car.switch_off),
    _group(
        "heater_hv_power heater_hv_gain heat_pump_step",
        Demand(lambda car: car.is_running, "it is not ready: its heater gets no high voltage"),
    ),
    _group(
        "pressure_at_rest gas_identified",
        Demand(lambda car: car.is_soaked and car.has_gauges, "the gas is not at rest with the gauges on it"),
    ),
    _group(
        "leak_search drain_sniff valve_foam joint_foamed condenser_foamed seal_after_run clutch_fed",
        Demand(lambda car: car.has_gas, "an empty circuit leaks nothing to be found"),
    ),
    _group(
        "clutch_check clutch_jumped hub_by_hand clutch_fed hub_stands",
        Demand(
            lambda car: car.facts.get("compressor_type") != "electric",
            "somebody measures on the orange cables of an electric compressor: high voltage",
            hurts=True,
        ),
    ),
    _group(
        "clutch_check",
        Demand(lambda car: car.has_gas, "with an empty circuit no clutch is ever fed"),
    ),
    _group(
        "recovered_charge nitrogen_test evaporator_blanked overfill_weighed",
        Demand(lambda car: not car.has_gas, "the gas is still in the circuit"),
    ),
    _group(
        "valve_foam nitrogen_test sensor_against_gauge high_side_data joint_foamed condenser_foamed "
        "seal_after_run evaporator_blanked overfill_weighed gas_identified device_no_answer device_cooled "
        "compressor_driven_full valve_driven_full",
        Demand(
            lambda car: car.facts.get("gas_label") != "r744_or_unknown",
            "it is measured against a gas that it is not made for",
            hurts=True,
        ),
    ),
    _group(ASLEEP, Demand(lambda car: car.is_asleep, "its control units are awake")),
    _group(
        "resting_voltage quick_test posts_dead",
        Demand(
            lambda car: car.is_as_received,
            "the battery is not as it came in: it was charged, or the engine has run",
        ),
    ),
    _group(
        "resting_voltage",
        Demand(lambda car: car.has_no_surface_charge, "the battery has not rested since it was loaded"),
    ),
    _group(
        "battery_test",
        Demand(
            lambda car: car.is_charged and car.has_no_surface_charge,
            "the battery was not charged, or its surface charge is still there",
        ),
    ),
    _group(
        "full_voltage",
        Demand(lambda car: car.is_full_and_rested, "the battery was not charged and left to rest"),
    ),
    _group(
        "standing_loss",
        Demand(lambda car: not car.is_connected, "the battery did not stand disconnected"),
    ),
    _group(
        "clamp_look accessory_live quick_test feed_drop start_data",
        Demand(
            lambda car: car.is_connected,
            "the battery is disconnected: there is nothing to look at or measure",
        ),
    ),
    _group(
        "charging_voltage charging_drop full_command ripple charge_command",
        Demand(lambda car: car.is_running, "the engine does not run"),
    ),
    _group(
        "clamp_drop cable_drop starter_current solenoid_voltage trigger_volts cranking_voltage",
        Demand(
            lambda car: car.is_inhibited and car.is_connected and not car.is_running,
            "it is cranked and nothing keeps it from starting: it runs into somebody",
            hurts=True,
        ),
    ),
    _group(
        "cranking_voltage", Demand(lambda car: car.is_charged, "a starter is judged on a charged battery")
    ),
    _group(
        HANDS_ROUND_THE_ENGINE,
        Demand(lambda car: not car.is_running, "hands are in the engine bay and the engine runs", hurts=True),
    ),
    _group(
        HANDS_IN_THE_FAN,
        Demand(
            lambda car: not car.is_blower_on, "fingers or a borescope reach a blower that turns", hurts=True
        ),
    ),
    _group(
        RAISED,
        Demand(lambda car: not car.is_running, "it goes up on the lift with its engine running", hurts=True),
        _raised,
    ),
    _group(
        UNDER_PRESSURE,
        Demand(lambda car: car.is_blower_on and car.are_vents_taped, "it is not under pressure"),
    ),
    _group(
        "smoke_front smoke_low bubbles_rear bubbles_glass bubbles_roof bubbles_roof_glass",
        Demand(lambda car: not car.is_on_the_road, "it drives"),
    ),
    _group(
        "warm_door_edge warm_rear_edge",
        Demand(lambda car: car.is_heating, "its cabin is no warmer than the air"),
    ),
    _group(
        "outlet_draught",
        Demand(lambda car: not car.are_vents_taped, "its vents are taped: no air leaves by them"),
    ),
    _group(
        "tracer_gas",
        Demand(
            lambda car: car.are_vents_taped and not car.is_blower_on, "the gas is blown out as it is let in"
        ),
    ),
    _group(
        "door_ultrasonic",
        Demand(lambda car: not car.is_blower_on, "the blower drowns the sender"),
    ),
    _group(
        WET_AS_FOUND,
        Demand(
            lambda car: car.is_wet_as_found,
            "somebody has dried it or poured water over it: what is wet now is not what the owner brought",
        ),
    ),
    _group(
        "night_humidity",
        Demand(lambda car: car.has_stood_shut, "it has not stood shut for a night"),
    ),
    _group(POURED_OVER_IT, _SOMEBODY_SEES_IT),
    _group(HOSED_AT_THE_REAR, _SOMEBODY_IN_THE_BOOT),
    *(
        _group(readings, Demand(_was_hosed(zone), f"the {zone} below has not been tried yet"))
        for zone, readings in HIGHER_ZONES.items()
    ),
    _group("cool_track", Demand(lambda car: car.is_roof_wet, "its roof was not wetted")),
    _group(f"{POURED_OVER_IT} {HOSED_AT_THE_REAR} {BOTTLES} washer_dye drain_flow", effect=Car.pour_water),
    _group(
        ROAD_TEST,
        Demand(lambda car: car.is_on_the_road, "it does not drive"),
    ),
    _group(
        ROAD_TEST,
        Demand(
            lambda car: not (car.is_carpet_lifted or car.is_boot_stripped),
            "it is driven with its cabin taken apart",
            hurts=True,
        ),
    ),
    _group(
        "accessory_live moisture_look clamp_look quick_test battery_record feed_drop start_data"
        " wake_memory latch_data belt_look",
        effect=Car.disturb,
    ),
    _group("dcdc_volts dcdc_data", Demand(lambda car: car.is_ready, "it is not switched ready")),
    _group(
        "dcdc_volts dcdc_data support_log cable_left_in",
        Demand(
            lambda car: car.facts.get("powertrain") not in {"petrol", "diesel"},
            "it has no high-voltage battery",
        ),
    ),
    _group(
        "posts_dead wakes_on_charger",
        Demand(lambda car: car.facts.get("battery_type") == "lithium", "its battery is not a lithium one"),
    ),
    _group(
        "quick_test battery_test",
        Demand(
            lambda car: car.facts.get("battery_type") != "lithium", "its tester knows lead batteries only"
        ),
    ),
    _group(
        "charging_voltage charging_drop full_command ripple charge_command belt_look reverse_current"
        " warm_alternator clamp_drop cable_drop starter_current solenoid_voltage trigger_volts"
        " cranking_voltage",
        Demand(lambda car: car.facts.get("powertrain") != "electric", "it has no alternator and no starter"),
    ),
    _group("support_log", Demand(lambda car: car.is_asleep, "it was not left alone")),
    _group("wakes_on_charger", effect=_wake_lithium),
    _group(
        PROOFS_ASLEEP,
        Demand(lambda car: car.is_asleep, "its control units are awake"),
    ),
    _group(
        "alternator_own_post commanded_direct",
        Demand(lambda car: car.is_running, "the engine does not run"),
    ),
    _group(
        "belt_cold_start",
        Demand(lambda car: car.is_cold, "it is warm already: a belt squeals on a cold start"),
        _started_and_stopped,
    ),
    _group(
        "earth_bridged trigger_bridged",
        Demand(
            lambda car: car.is_inhibited and car.is_connected and not car.is_running,
            "it is cranked and nothing keeps it from starting: it runs into somebody",
            hurts=True,
        ),
    ),
    _group(
        "alternator_own_post commanded_direct belt_cold_start earth_bridged trigger_bridged",
        Demand(lambda car: car.facts.get("powertrain") != "electric", "it has no alternator and no starter"),
    ),
    _group(
        "link_open keys_at_the_reader feed_goes_dead",
        Demand(
            lambda car: car.is_connected,
            "the battery is disconnected: there is nothing to look at or measure",
        ),
        Car.disturb,
    ),
    _group(OPENS_THE_CABIN, effect=Car.open_up),
)
ASKS_NOTHING = """heat_stops_with_engine poor_in_frost hoses_hard_cold years_since_charge fumes_kind
    carpet_damp_asked heat_with_revs gauge_low late_heat gurgle coolant_work cool_on_move fades_and_returns
    came_on gas_work air_weak fan_steps fan_noise filter_changed dash_clicks outlets_wrong smell_kind
    smell_when flat_overnight first_time left_on_asked short_trips weekly_miles click_or_slow
    lamps_dim battery_work accessory_work noises_after_locking open_message charge_lamp key_near
    damp_reported spare_key key_lamp remote_access cable_left_in
    wet_after_rain wet_in_dry_weather wet_on_the_move front_wet_asked
    rear_wet_asked boot_wet_asked lining_asked door_top_wet door_slosh washer_brings_water
    sweet_smell coolant_topped_up glass_replaced door_worked_on rear_repaired noise_with_speed
    noise_whistle noise_flutter noise_window_ajar noise_above noise_below parked_mist
    wet_goods recirculation_asked mist_stays battery_label outer_trim_look wet_side
    hum_in_bends hum_with_road hum_coasting"""
"""What people are asked, or look at from outside or under an open bonnet, whatever the car is doing."""

REFILLS = """leak_joint leak_condenser compressor_seal service_valve leak_evaporator under_filled
    inner_exchanger compressor_seized compressor_electric heat_pump_valve overcharge air_in_circuit
    moisture_icing
    metering_restricted metering_open drier_blocked compressor_worn control_valve_low
    control_valve_high condenser_inside"""
"""Faults whose remedy opens the circuit, or ends with filling it by weight."""
KNOWN_READINGS = frozenset(ASKS_NOTHING.split()).union(*(group.readings for group in GROUPS))


POISONED = {("cabin_monoxide", "high"), ("monoxide_follows_air", "follows")}
"""Answers after which nobody sits in the car with the engine running."""


def read(car: Car, reading: str, minutes: float, outcome: str | None = None) -> None:
    """Somebody takes a reading, which shows an outcome."""
    if reading not in KNOWN_READINGS:
        raise UnknownToTheCar(reading)
    groups = [group for group in GROUPS if reading in group.readings]
    for group in groups:
        if group.demand is not None:
            car.needs(reading, group.demand.is_so(car), group.demand.why, hurts=group.demand.hurts)
    car.wait(minutes)
    for group in groups:
        if group.effect is not None:
            group.effect(car)
    if (reading, outcome) in POISONED:
        car.switch_off()
        car.poisons = True


def repair(car: Car, fault: str) -> None:
    """Somebody does the remedy of a fault, which opens the car and leaves it switched off."""
    if fault in REFILLS.split():
        car.has_gas = True
    car.switch_off()
    car.open_up()


def claimed(car: Car, setup: str) -> None:
    """The program says that a setup is in place."""
    car.needs(setup, SETUPS[setup].is_in_place(car), "the program says that it is in place, and it is not")
