"""Expected minutes of repair, against worked cases and against trying every order."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from advisor.advice.repair_order import (
    Remedy,
    best_plan,
    by_updated_rate,
    expected_minutes,
    least_minutes_of_many,
    single_fault_shares,
)

bounded = settings(
    derandomize=True, max_examples=100, deadline=None, database=None, suppress_health_check=list(HealthCheck)
)

Shares = Mapping[str, float]


def published(name: str) -> Any:
    """One group of cases of troubleshooting.json."""
    file = Path(__file__).parent / "published" / "troubleshooting.json"
    return json.loads(file.read_text(encoding="utf-8"))[name]


def names(order: tuple[Remedy, ...]) -> str:
    """The names in a row."""
    return "".join(remedy.name for remedy in order)


def one_each(case: Mapping[str, Any]) -> tuple[list[Remedy], dict[str, float]]:
    """Remedies that mend one fault each, of the same name, and the shares, from p and cost."""
    remedies = [Remedy(name, frozenset({name}), cost) for name, (_, cost) in case["p_cost"].items()]
    return remedies, {name: p for name, (p, _) in case["p_cost"].items()}


def ordered_subsets(remedies: list[Remedy]) -> Iterator[tuple[Remedy, ...]]:
    """Every selection of remedies in every order."""
    for count in range(len(remedies) + 1):
        yield from itertools.permutations(remedies, count)


def still_broken(order: Iterable[Remedy], shares: Mapping[str, float]) -> float:
    """How often it comes to escalation when all of these were tried: what a minute of it adds."""
    tried = list(order)
    return expected_minutes(tried, shares, escalation_minutes=1.0) - expected_minutes(tried, shares)


def test_the_order_by_rate_is_the_worked_one() -> None:
    """Kadane & Simon (1977), Heckerman et al. (1995): by p over cost D, B, A, E, C at 29.25."""
    remedies, shares = one_each(published("order_by_rate"))
    order = by_updated_rate(remedies, shares)
    assert names(order) == "DBAEC"
    assert expected_minutes(order, shares) == pytest.approx(29.25, abs=1e-12)


def test_no_order_of_all_takes_less_than_the_order_by_rate() -> None:
    """Of all 120 orders D, B, A, E, C is the best, and C, E, A, B, D the worst at 64.3."""
    remedies, shares = one_each(published("order_by_rate"))
    minutes = {names(order): expected_minutes(order, shares) for order in itertools.permutations(remedies)}
    assert len(minutes) == 120
    assert min(minutes, key=lambda order: minutes[order]) == "DBAEC"
    assert max(minutes, key=lambda order: minutes[order]) == "CEABD"
    assert minutes["CEABD"] == pytest.approx(64.3, abs=1e-12)


@pytest.mark.parametrize("rule", ["by_probability", "by_cost"])
def test_ordering_by_probability_or_by_cost_alone_takes_more(rule: str) -> None:
    """By probability alone it is 43 and by cost alone 30.25, against 29.25 (enumeration)."""
    case = published("order_by_rate")
    remedies, shares = one_each(case)
    by_name = {remedy.name: remedy for remedy in remedies}
    order = [by_name[name] for name in case[rule]["order"]]
    assert expected_minutes(order, shares) == pytest.approx(case[rule]["cost"], abs=1e-12)


def test_escalation_cuts_the_order_short() -> None:
    """With escalation at 25, trying D and B first takes 21.25 in all (enumeration)."""
    remedies, shares = one_each(published("order_by_rate"))
    plan = best_plan(remedies, shares, escalation_minutes=25.0)
    assert names(plan.order) == "DB"
    assert plan.expected_minutes == pytest.approx(21.25, abs=1e-12)


def test_escalation_that_takes_nothing_comes_first() -> None:
    """Nothing is tried where asking costs nothing."""
    remedies, shares = one_each(published("order_by_rate"))
    assert best_plan(remedies, shares, escalation_minutes=0.0).order == ()


def test_remedies_that_may_fail_rank_by_their_chance_to_mend() -> None:
    """With successes 0.8, 0.9, 1: order B, A, C at 13.28, and 0.13 are still broken (enumeration)."""
    case = published("imperfect_repair")["p_success_cost"]
    remedies = [Remedy(name, frozenset({name}), cost, success) for name, (_, success, cost) in case.items()]
    shares = {name: p for name, (p, _, _) in case.items()}
    order = by_updated_rate(remedies, shares)
    assert names(order) == "BAC"
    assert expected_minutes(order, shares) == pytest.approx(13.28, abs=1e-12)
    assert still_broken(order, shares) == pytest.approx(0.13, abs=1e-12)


def test_the_updated_order_is_good_but_not_best_where_remedies_overlap() -> None:
    """W then X takes 7.4, where X then Z takes 6.0, the least of all orders that mend every fault."""
    case = published("overlapping_repairs")
    remedies = [Remedy(name, frozenset(fixes), cost) for name, (fixes, cost) in case["fixes_cost"].items()]
    shares = case["faults"]
    order = by_updated_rate(remedies, shares)
    assert names(order) == "WX"
    assert expected_minutes(order, shares) == pytest.approx(7.4, abs=1e-12)
    minutes = {
        names(one): expected_minutes(one, shares)
        for one in ordered_subsets(remedies)
        if still_broken(one, shares) < 1e-12
    }
    assert min(minutes.values()) == pytest.approx(6.0, abs=1e-12)
    assert minutes["XZ"] == pytest.approx(6.0, abs=1e-12)


def test_a_cause_that_is_not_listed_goes_to_escalation() -> None:
    """Shares that leave 0.4 to other causes: 10 minutes always, then escalation of 60 with 0.4 makes 34."""
    plan = best_plan([Remedy("mend", frozenset({"fault"}), 10.0)], {"fault": 0.6}, 60.0)
    assert plan.expected_minutes == pytest.approx(34.0, abs=1e-12)


def test_shares_above_one_are_refused() -> None:
    """Two faults of 0.8 each cannot be shares of one cause."""
    with pytest.raises(ValueError, match="add up to 1"):
        expected_minutes([], {"one": 0.8, "other": 0.8})


@pytest.mark.parametrize(("minutes", "success"), [(-1.0, 1.0), (float("inf"), 1.0), (5.0, 1.1)])
def test_a_remedy_that_cannot_be_is_refused(minutes: float, success: float) -> None:
    """Minutes are finite and from 0 up, the success is a probability."""
    with pytest.raises(ValueError, match="mend"):
        Remedy("mend", frozenset(), minutes, success)


def test_probabilities_of_several_faults_become_shares() -> None:
    """A sum above 1 is divided out (1 and 0.6 give 5/8 and 3/8); a sum of 1 or less stays."""
    shares = single_fault_shares(np.array([[1.0, 0.6, 0.0], [0.5, 0.2, 0.1]]))
    np.testing.assert_allclose(shares, [[0.625, 0.375, 0.0], [0.5, 0.2, 0.1]], atol=1e-12)


def test_many_at_once_refuses_remedies_that_overlap() -> None:
    """Where two remedies mend one fault the simple order is not known to be good, so no figure is given."""
    remedies = [Remedy("one", frozenset({"fault"}), 1.0), Remedy("other", frozenset({"fault"}), 2.0)]
    with pytest.raises(ValueError, match="same fault"):
        least_minutes_of_many(remedies, ["fault"], np.array([[1.0]]), 10.0)


@st.composite
def bench(draw: st.DrawFn) -> tuple[list[Remedy], dict[str, float], float]:
    """Up to five remedies for up to six causes, no cause with two of them, shares, and escalation."""
    count = draw(st.integers(1, 6))
    causes = [f"cause{at}" for at in range(count)]
    weights = [draw(st.integers(0, 9)) for _ in range(count + 1)]
    total = max(sum(weights), 1)
    owners = [draw(st.integers(0, 5)) for _ in causes]
    remedies = [
        Remedy(
            f"remedy{owner}",
            frozenset(cause for cause, mends in zip(causes, owners, strict=True) if mends == owner),
            draw(st.sampled_from([0.0, 1.0, 2.5, 10.0, 45.0])),
            draw(st.sampled_from([1.0, 0.9, 0.5, 0.0])),
        )
        for owner in range(5)
    ]
    shares = {cause: weight / total for cause, weight in zip(causes, weights[1:], strict=True)}
    return remedies, shares, draw(st.sampled_from([0.0, 5.0, 30.0, 200.0]))


@bounded
@given(bench())
def test_the_best_beginning_is_the_best_of_all_selections(
    case: tuple[list[Remedy], dict[str, float], float],
) -> None:
    """No selection of remedies, in no order, takes less with escalation than the plan."""
    remedies, shares, escalation_minutes = case
    plan = best_plan(remedies, shares, escalation_minutes)
    least = min(expected_minutes(order, shares, escalation_minutes) for order in ordered_subsets(remedies))
    assert plan.expected_minutes == pytest.approx(least, abs=1e-9)


@bounded
@given(st.lists(bench(), min_size=1, max_size=3))
def test_many_at_once_give_the_minutes_of_one_at_a_time(
    cases: list[tuple[list[Remedy], dict[str, float], float]],
) -> None:
    """The remedies of the first case with the shares of all give what `best_plan` gives for each."""
    remedies, _, escalation_minutes = cases[0]
    causes = [f"cause{at}" for at in range(6)]
    rows = [{cause: shares.get(cause, 0.0) for cause in causes} for _, shares, _ in cases]
    many = least_minutes_of_many(
        remedies, causes, np.array([[*row.values()] for row in rows]), escalation_minutes
    )
    one_by_one = [best_plan(remedies, row, escalation_minutes).expected_minutes for row in rows]
    np.testing.assert_allclose(many, one_by_one, rtol=0, atol=1e-9)
