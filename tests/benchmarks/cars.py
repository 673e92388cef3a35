"""How many simulated cars a second are played, all at once and one at a time through the same engine.

Run from the top of the project: python -m tests.benchmarks.cars

One at a time is a case that grows by an entry, with the whole advice after each and the beliefs before it
handed on. Both play the same cars; that both end alike is checked.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from advisor.advice.advice import advise
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.checks.lint import checked
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.jobs import Cars, draw_cars, play_many, starts_of
from tests.test_player import Drawn, after, leaf_of

COMPLAINTS = ("wind_noise", "no_air", "flat_battery", "water_inside")
AT_LEAST = 20.0
"""Times the cars per second that playing all at once should reach."""


def readings_alone(ranker: Ranker, knowledge: Knowledge, engine: Engine, name: str, cars: Cars) -> int:
    """Play every car by itself; returns how many readings were taken."""
    taken = 0
    for shows in cars.shows:
        case = Drawn(name)
        advice = advise(Situation.of(knowledge, engine, case))
        while advice.stop is None:
            proposal = advice.proposals[0]
            shown = int(shows[ranker.batch.readings.index(leaf_of(engine, proposal))])
            case = after(knowledge, engine, case, proposal, shown)
            before = {suspect.fault: suspect.probability for suspect in advice.suspects}
            advice = advise(Situation.of(knowledge, engine, case), before=before)
            taken += 1
    return taken


def main() -> None:
    """Print cars per second both ways, and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cars", type=int, default=1000, help="played at once")
    parser.add_argument("--alone", type=int, default=10, help="of these, played one at a time")
    chosen = parser.parse_args()
    knowledge = checked([Path(__file__).parents[2] / "knowledge"])
    print(f"{'complaint':<14}{'at once, cars/s':>17}{'alone, cars/s':>15}{'times':>8}")
    for name in COMPLAINTS:
        engine = compile_tables(build(knowledge, name).tables)
        ranker = compile_ranker(knowledge, engine, name)
        starts = starts_of(ranker, [Case(name)])
        cars = draw_cars(ranker, starts, np.zeros(chosen.cars, dtype=np.intp), np.random.default_rng(1))
        begin = time.perf_counter()
        jobs = play_many(ranker, starts, cars)
        at_once = chosen.cars / (time.perf_counter() - begin)
        some = Cars(cars.start[: chosen.alone], cars.faults[: chosen.alone], cars.shows[: chosen.alone])
        begin = time.perf_counter()
        readings = readings_alone(ranker, knowledge, engine, name, some)
        alone = chosen.alone / (time.perf_counter() - begin)
        if readings != (jobs.taken[: chosen.alone] >= 0).sum():
            raise SystemExit(f"{name}: the two do not take the same readings.")
        print(f"{name:<14}{at_once:>17,.0f}{alone:>15,.1f}{at_once / alone:>8.0f}")
    print(f"Wanted: at least {AT_LEAST:.0f} times.")


if __name__ == "__main__":
    main()
