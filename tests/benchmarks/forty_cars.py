"""Minutes and readings of forty invented cars by each order of the advice, beside what they were.

Run from the top of the project: python -m tests.benchmarks.forty_cars

A mechanic's review of the first knowledge told forty invented cars, with the minutes and readings to the stop
by bits and by bits per minute. Each line of `CARS` names a scenario that is such a car, and the review's
figures. The cars were told in a sentence and are not the same to the last answer, and minutes there are hands
on and waiting together: totals compare, single lines only roughly. A car whose scenario is not there counts
on neither side. Stop it with Ctrl-C, and what has been played is printed. A car is added by a line of `CARS`.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from advisor.advice.situation import InconsistentEvidence
from advisor.checks.lint import checked
from advisor.evaluation.scenarios import Played, play, read_scenarios
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import PlayedRanking

ROOT = Path(__file__).parents[2]


class Order(NamedTuple):
    """An order of the readings: what it goes by, with a policy's charges."""

    ranking: PlayedRanking
    policy: Policy


ORDERS: Mapping[str, Order] = {
    "default": Order("bits for the time", DEFAULT),
    "bits": Order("bits", DEFAULT),
    # Waiting counts as work, and turning to a reading as nothing.
    "per minute": Order(
        "bits for the time", Policy(weight_of_waiting=1.0, charge_minutes=0.1, least_bits=0.02)
    ),
}


class Before(NamedTuple):
    """Readings and minutes to the stop in the review."""

    readings: int
    minutes: int


class Car(NamedTuple):
    """A car of the review: the scenario that tells it, and the review's figures by bits and per minute."""

    scenario: str
    bits: Before
    per_minute: Before


CARS: Mapping[str, Car] = {
    "seven-year-old battery": Car("drain/02_worn_battery", Before(4, 2037), Before(16, 2076)),
    "hard-wired camera": Car("drain/06_parking_camera", Before(2, 97), Before(13, 115)),
    "little-used second car": Car("drain/03_school_run", Before(11, 629), Before(12, 612)),
    "alternator, lamp flickered": Car("drain/36_flickering_lamp", Before(9, 624), Before(15, 139)),
    "leaking diode": Car("drain/04_leaking_diode", Before(6, 145), Before(21, 147)),
    "loose clamp": Car("drain/05_loose_clamp", Before(9, 631), Before(10, 30)),
    "door latch": Car("drain/09_door_said_open", Before(12, 657), Before(17, 169)),
    "radio awake": Car("drain/34_radio_without_rest", Before(3, 125), Before(21, 165)),
    "wet trailer unit": Car("drain/35_wet_trailer_unit", Before(2, 97), Before(25, 203)),
    "solenoid contacts": Car("drain/37_burnt_contacts", Before(6, 620), Before(10, 39)),
    "telematics without signal": Car("drain/39_resting_telematics", Before(4, 135), Before(25, 203)),
    # The review has no minutes of the next two: its knowledge had no cause to find.
    "hybrid, DC/DC dead": Car("drain/23_hybrid_without_charge", Before(9, 0), Before(14, 0)),
    "electric, woken remotely": Car("drain/24_watched_by_its_app", Before(18, 0), Before(25, 0)),
    "front sunroof drain": Car("ingress/01_sunroof_front_drain", Before(7, 132), Before(14, 94)),
    "scuttle full of leaves": Car("ingress/02_leaves_in_scuttle", Before(2, 68), Before(12, 106)),
    "door membrane": Car("ingress/03_speaker_and_membrane", Before(5, 143), Before(25, 91)),
    "tail lamp": Car("ingress/04_tail_lamp", Before(2, 80), Before(18, 124)),
    "evaporator drain": Car("ingress/05_evaporator_drain", Before(5, 108), Before(7, 9)),
    "heater matrix, mist": Car("ingress/17_misting_from_heater", Before(4, 39), Before(4, 4)),
    "windscreen bond": Car("ingress/25_screen_replaced", Before(9, 143), Before(16, 120)),
    "door seal, wind": Car("ingress/11_door_seal_warm_streak", Before(10, 120), Before(14, 76)),
    "roof bars": Car("ingress/33_empty_bars", Before(3, 56), Before(4, 4)),
    "recirculation": Car("ingress/15_recirculation", Before(10, 56), Before(12, 52)),
    "whistling mirror": Car("ingress/12_whistling_mirror", Before(9, 128), Before(13, 57)),
    "floor grommet": Car("ingress/10_floor_plug", Before(10, 164), Before(16, 30)),
    "fixed glass roof": Car("ingress/20_fixed_glass_roof", Before(25, 336), Before(25, 194)),
    "condenser leak": Car("climate/08_no_gauges_today", Before(5, 99), Before(7, 34)),
    "joint leak": Car("climate/01_warmer_across_the_dash", Before(6, 107), Before(8, 40)),
    "condenser fan": Car("climate/13_fan_asleep", Before(4, 77), Before(8, 38)),
    "clutch coil": Car("climate/31_wide_gap", Before(4, 74), Before(11, 44)),
    "control valve low": Car("climate/11_valve_that_sleeps", Before(8, 99), Before(18, 91)),
    "thermostat": Car("climate/05_open_thermostat", Before(3, 107), Before(10, 42)),
    # The scenarios of the blocked matrix and of the cabin filter have a second cause beside it.
    "blocked matrix": Car("climate/20_sealant_in_the_heater", Before(3, 109), Before(16, 63)),
    "coolant low": Car("climate/04_radiator_stays_cold", Before(4, 129), Before(3, 3)),
    "resistor": Car("climate/15_only_fourth_gear", Before(10, 48), Before(7, 19)),
    "cabin filter": Car("climate/16_tired_motor_old_filter", Before(4, 16), Before(9, 18)),
    "mouldy evaporator": Car("climate/17_cellar_at_start", Before(4, 40), Before(8, 27)),
    "passenger flap": Car("climate/06_cold_passenger", Before(1, 9), Before(5, 11)),
    "electric, heater dead": Car("climate/24_cold_without_an_engine", Before(22, 0), Before(25, 0)),
    "electric compressor locked": Car("climate/25_asked_and_stands", Before(4, 74), Before(19, 87)),
}


class Result(NamedTuple):
    """A car played by an order: readings, minutes, whether its cause was on top, and whether it is there."""

    readings: int
    hands_on: float
    waiting: float
    right: bool


def result_of(played: Played) -> Result:
    """Return the figures of a scenario played to its stop."""
    hands_on = sum(step.proposal.hands_on_minutes for step in played.steps)
    return Result(len(played.steps), hands_on, played.minutes - hands_on, played.right)


def engines_of(knowledge: Knowledge, complaints: Iterable[str]) -> dict[str, Engine]:
    """Compile the engines of complaints, each once, and say so."""
    engines: dict[str, Engine] = {}
    for name in dict.fromkeys(complaints):
        print(f"compiling {name} …", file=sys.stderr, flush=True)
        engines[name] = compile_tables(build(knowledge, name).tables)
    return engines


def line_of(name: str, before: Before | None, result: Result) -> str:
    """Return a row of the table."""
    was = f"{before.readings:5} r {before.minutes or '-':>6}" if before else f"{'':7} {'':6}"
    mark = "" if result.right else "  not on top"
    return (
        f"{name:<28}{was}   {result.readings:5} r {result.hands_on:7.0f} {result.waiting:8.0f}"
        f"{result.hands_on + result.waiting:9.0f}{mark}"
    )


def totals(name: str, before: Iterable[Before | None], results: Iterable[Result]) -> str:
    """Return the row of sums; minutes that the review does not have are 0 on its side."""
    was, rows = [one for one in before if one], list(results)
    return line_of(
        name,
        Before(sum(one.readings for one in was), sum(one.minutes for one in was)) if was else None,
        Result(
            sum(one.readings for one in rows),
            sum(one.hands_on for one in rows),
            sum(one.waiting for one in rows),
            all(one.right for one in rows),
        ),
    )


def main() -> None:
    """Play the cars by each order and print the tables, as far as they have come."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--knowledge", type=Path, default=ROOT / "knowledge")
    parser.add_argument("--scenarios", type=Path, default=ROOT / "scenarios")
    parser.add_argument("--order", choices=ORDERS, action="append", help="may be given again; default: each")
    parser.add_argument("--family", choices=("drain", "ingress", "climate"), action="append")
    chosen = parser.parse_args()
    knowledge = checked([chosen.knowledge])
    cars = {
        name: car
        for name, car in CARS.items()
        if not chosen.family or car.scenario.split("/")[0] in chosen.family
    }
    files = {name: chosen.scenarios / f"{car.scenario}.yaml" for name, car in cars.items()}
    absent = [f"{name} ({cars[name].scenario})" for name, file in files.items() if not file.exists()]
    there = {name: file for name, file in files.items() if file.exists()}
    scenarios = {name: next(iter(read_scenarios([file], knowledge).values())) for name, file in there.items()}
    started = time.perf_counter()
    engines = engines_of(knowledge, (one.complaint for one in scenarios.values()))
    played: dict[str, dict[str, Result]] = {order: {} for order in chosen.order or ORDERS}
    try:
        for at, (name, scenario) in enumerate(scenarios.items(), start=1):
            for order in played:
                print(f"{at} of {len(scenarios)}: {name}, {order} …", file=sys.stderr, flush=True)
                ranking, policy = ORDERS[order]
                try:
                    run = play(knowledge, engines[scenario.complaint], scenario, policy, ranking)
                except InconsistentEvidence as error:
                    print(f"  cannot be played: {error}", file=sys.stderr)
                    break
                played[order][name] = result_of(run)
    except KeyboardInterrupt:
        print("Stopped; what follows has been played.", file=sys.stderr)
    for order, results in played.items():
        compared = {"bits": "bits", "per minute": "per_minute"}.get(order)
        before = {name: getattr(cars[name], compared) if compared else None for name in results}
        print(f"\n{order:<28}{'review':>14}   {'now':>7} {'hands on':>7} {'waiting':>8}{'minutes':>9}")
        for name, result in results.items():
            print(line_of(name, before[name], result))
        if results:
            print(totals(f"all {len(results)}", before.values(), results.values()))
            wrong = sum(not one.right for one in results.values())
            print(f"{len(results) - wrong} of {len(results)} causes on top")
    print(f"\nKnowledge {knowledge.version}, {time.perf_counter() - started:.0f} s.")
    if absent:
        print("Scenarios not there: " + ", ".join(absent) + ".")


if __name__ == "__main__":
    main()
