"""What the charges of the default order of the readings were chosen by: readings and minutes with each.

Run from the top of the project: python -m tests.benchmarks.order

The same simulated cars of a complaint are played to the stop by bits alone, by bits per minute without a
charge, and by the default order with other charges for turning to a reading, other weights of waiting, and
other crumbs. The standard error of a share of 300 cars is 1.4 points at 94 %, 2.9 at 50 %.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from advisor.advice.rules import ENDINGS
from advisor.case.case import Case
from advisor.checks.lint import checked
from advisor.evaluation.trials import TrialRecord, ranker_of
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import PlayedRanking
from advisor.simulate.jobs import draw_cars, play_many, starts_of

SEED = 20_300_101
COMPLAINTS = ("flat_battery", "water_inside", "poor_cooling")
NOT_CHARGED = Policy(weight_of_waiting=1.0, charge_minutes=0.1)
"""Bits per minute: waiting counts as work, and turning to a reading as nothing."""


class Order(NamedTuple):
    """An order to play by."""

    name: str
    ranking: PlayedRanking
    policy: Policy


def orders(every: bool) -> Iterator[Order]:
    """Yield the orders to compare: those without a charge and the default, or with `every` charge as well."""
    yield Order("bits", "bits", DEFAULT)
    yield Order("bits per minute", "bits for the time", NOT_CHARGED)
    yield Order("default", "bits for the time", DEFAULT)
    for charge, weight in itertools.product((2.0, 4.0, 6.0), (0.1, 0.25, 0.5)) if every else ():
        policy = replace(DEFAULT, charge_minutes=charge, weight_of_waiting=weight)
        yield Order(f"charge {charge:g}, waiting {weight:g}", "bits for the time", policy)
    for least in (0.02, 0.05) if every else ():
        yield Order(f"crumbs below {least:g}", "bits for the time", replace(DEFAULT, least_bits=least))


def main() -> None:
    """Print a row for each complaint and order."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument(
        "--complaint", action="append", help="may be given again; default: one of each family"
    )
    parser.add_argument("--cars", type=int, default=300)
    parser.add_argument("--every", action="store_true", help="with other charges, weights and crumbs")
    parser.add_argument("--knowledge", type=Path, default=Path(__file__).parents[2] / "knowledge")
    chosen = parser.parse_args()
    knowledge = checked([chosen.knowledge])
    print(f"Knowledge {knowledge.version}, {chosen.cars} cars each; medians, then means in brackets.")
    for complaint in chosen.complaint or COMPLAINTS:
        plain = ranker_of(knowledge, complaint)
        starts = starts_of(plain, [Case(complaint)])
        random = np.random.default_rng(SEED)
        cars = draw_cars(plain, starts, np.zeros(chosen.cars, dtype=np.intp), random)
        print(f"\n{complaint:<26}{'readings':>8}{'hands on':>16}{'waiting':>16}{'right':>8}{'proved':>8}")
        for order in orders(chosen.every):
            ranker = replace(plain, ranking=order.ranking, policy=order.policy)
            jobs = play_many(ranker, starts, cars)
            record = TrialRecord.of(jobs)
            right = cars.faults[np.arange(chosen.cars), record.leading].mean()
            proved = (record.ending == ENDINGS.index("proved")).mean()
            minutes = "".join(
                f"{np.median(each):8.0f} ({each.mean():5.0f})"
                for each in (record.hands_on_minutes, record.waiting_minutes)
            )
            shares = f"{100 * right:7.1f}%{100 * proved:7.1f}%"
            print(f"{order.name:<26}{np.median(record.readings):8.0f} {minutes} {shares}", flush=True)


if __name__ == "__main__":
    main()
