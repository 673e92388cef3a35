"""How far the default is from the best possible where readings err: the study's arithmetic, and its bars."""

from __future__ import annotations

from statistics import mean

import numpy as np
import pytest

from advisor.advice.advice import advise
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.case.entries import Seen
from tests.benchmarks import lookahead
from tests.benchmarks.optimum import Table, default, excesses, played_out, ranked


def table(seed: int, readings: int) -> Table:
    """A problem of the study, smaller."""
    return Table(lookahead.problem(seed, readings, errs=True))


@pytest.mark.parametrize("seed", range(3))
def test_the_optimum_and_what_a_rule_costs_are_those_of_the_plain_recursion(seed: int) -> None:
    """Five readings: by whole tables, and by going down each way the answers can go."""
    small = table(seed, 5)
    assert small.least()[0] == pytest.approx(lookahead.optimum(small.given), abs=1e-9)
    rule = default(small)

    def one(state: lookahead.State) -> int | None:
        number = sum((1 + yes) * 3**at for at, yes in state)
        found = int(rule(np.array([number]))[0])
        return None if found < 0 else found

    by_hand = lookahead.expected(small.given, one)
    assert small.expected(rule) == pytest.approx(by_hand, abs=1e-9)
    assert small.minutes_by(rule)[0] == pytest.approx(by_hand, abs=1e-9)


def test_the_order_and_the_stops_are_those_of_the_advice() -> None:
    """Every state with two readings of six taken, and the beginning."""
    small = table(1, 6)
    ranker = lookahead.ranker_of(small.given)
    states = np.flatnonzero((small.level == 0) | (small.level == 2))[::3]
    for state, first in zip(states.tolist(), ranked(small, states).first.tolist(), strict=True):
        digits = [(at, state // 3**at % 3) for at in range(small.count)]
        case = Case(
            "trouble", tuple(Seen(f"reading{at:02}", ("no_", "yes_")[d - 1]) for at, d in digits if d)
        )
        advice = advise(Situation.of(ranker.knowledge, ranker.batch.engine, case))
        expected = None if advice.stop else advice.proposals[0].reading
        assert (None if first < 0 else f"reading{first:02}") == expected


def test_the_default_and_its_correction_keep_their_bars() -> None:
    """Eight problems of eight readings: 5 and 12 % above the optimum by default, 1 and 3 % looking ahead.

    Corrected in the background it is 0.6 and 3.1 % here (0.3 and 1.2 with twelve readings, where 1 and 3 are
    wanted): it asks somebody senior only where the unlisted cause leads, as a workshop would.
    """
    found = []
    for seed in range(8):
        small = table(seed, 8)
        rules = {
            "default": default(small),
            "corrected": played_out(small, may_read_on=False),
            "looking ahead": played_out(small, may_read_on=True),
        }
        found.append(excesses(small, rules))
    bars = {"default": (5.0, 12.0), "corrected": (1.0, 3.2), "looking ahead": (1.0, 3.0)}
    for rule, (average, worst) in bars.items():
        above = [row[rule] for row in found]
        assert min(above) >= -1e-9, "nothing is better than the optimum"
        assert mean(above) <= average
        assert max(above) <= worst
