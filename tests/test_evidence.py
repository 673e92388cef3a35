"""Numbers and instruments as likelihoods over bands."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from advisor.advice import Workshop, advise
from advisor.case import Case, Measured, Seen
from advisor.derived import Estimate
from advisor.engine import Engine
from advisor.evidence import (
    Measurement,
    Number,
    band_chances,
    band_likelihood,
    cells,
    combined,
    estimate,
    number,
    weigh,
    weighed,
)
from advisor.knowledge import Accuracy, Knowledge

INF = math.inf
EDGES = (0.0, 50.0, 300.0, 30_000.0)
CLAMP = Accuracy(percent=1, absolute=2, resolution=1)


@pytest.mark.parametrize(
    ("value", "u", "edges", "inside", "chance"),
    [
        # Zener diode, one upper limit; "about 0.92".
        (-5.47, 0.05, (-INF, -5.40, INF), 0, 0.9192433407662273),
        # Container, one lower limit; "about 0.99".
        (509.7, 8.6, (-INF, 490.0, INF), 1, 0.9890095473848222),
        # Viscosity of motor oil, two limits; "0.66".
        (13.6, 1.8, (-INF, 12.5, 16.3, INF), 1, 0.6626297864953079),
        # At the limit, 1 and 2 standard uncertainties beyond it.
        (2.2, 0.1, (-INF, 2.2, INF), 1, 0.5),
        (2.3, 0.1, (-INF, 2.2, INF), 1, 0.8413447460685421),
        (101.0, 0.5, (-INF, 100.0, INF), 1, 0.9772498680518208),
    ],
)
def test_chances_of_bands_are_conformance_probabilities(
    value: float, u: float, edges: tuple[float, ...], inside: int, chance: float
) -> None:
    """JCGM 106:2012, clause 7 (examples from memory, computed; published values are rounded)."""
    assert band_chances(Estimate(value, u), edges)[inside] == pytest.approx(chance, abs=1e-9)


def test_ball_bearing_risks_follow_from_the_chances() -> None:
    """JCGM 106:2012, 9.5.4: gamma prior (4, 4), limit 2 µm, u 0.25 µm: 0.8 % wrongly accepted."""
    prior = stats.gamma(4, scale=0.25)
    assert prior.sf(2.0) == pytest.approx(0.04238011199168396, abs=1e-12)
    true = np.linspace(2.0, 12.0, 20_001)
    accepted = np.array([band_chances(Estimate(value, 0.25), (-INF, 2.0, INF))[0] for value in true])
    assert np.trapezoid(prior.pdf(true) * accepted, true) == pytest.approx(0.008019111884287174, abs=1e-8)


def test_a_perfect_instrument_gives_hard_evidence() -> None:
    """Without uncertainty the number's band has 1 and the others 0."""
    assert band_likelihood(Estimate(430.0, 0.0), EDGES).tolist() == [0.0, 0.0, 1.0]
    assert band_likelihood(Estimate(50.0, 0.0), EDGES).tolist() == [0.0, 1.0, 0.0]


def test_an_infinitely_poor_instrument_says_nothing(knowledge: Knowledge, drain: Engine) -> None:
    """With an enormous uncertainty all bands are equally likely, and beliefs stay as they were."""
    flat = band_likelihood(Estimate(430.0, 1e12), EDGES)
    assert flat == pytest.approx([1.0, 1.0, 1.0], abs=1e-9)
    complaint = {"flat_battery": drain.one_hot("flat_battery", "present")}
    before = drain.outlook(complaint).beliefs
    after = drain.outlook({**complaint, "sleeping_current": flat}).beliefs
    assert after == pytest.approx(before, abs=1e-9)


def test_a_number_on_a_limit_speaks_for_both_sides() -> None:
    """At a limit between wide bands the likelihoods are equal."""
    likelihood = band_likelihood(Estimate(300.0, 3.0), EDGES)
    assert likelihood[1] == pytest.approx(likelihood[2], abs=1e-12)
    assert likelihood[0] == pytest.approx(0.0, abs=1e-12)


def test_type_b_parts_add_in_quadrature() -> None:
    """JCGM 100:2008, 4.3.7: half-widths by sqrt 3, a last digit's step by sqrt 12.

    The 120 mA of the check value W4: ±(1 % + 2 mA) as two rectangular parts, 1 mA steps.
    """
    taken = number(120.0, "clamp", CLAMP)
    assert taken.systematic == pytest.approx(math.sqrt(1.2**2 + 2.0**2) / math.sqrt(3), rel=1e-12)
    assert taken.random == pytest.approx(1 / math.sqrt(12), rel=1e-12)


def test_half_widths_of_two_clamps_at_120_ma() -> None:
    """General clamp ±(2 % + 50 mA) = 52.40 mA, low-current one ±(1 % + 2 mA) = 3.200 mA (check value W4).

    As worst cases the parts add; as independent rectangular parts they make less, and never more.
    """
    for percent, absolute, worst in ((2.0, 50.0, 52.40), (1.0, 2.0, 3.200)):
        assert percent / 100 * 120 + absolute == pytest.approx(worst)
        taken = number(120.0, "clamp", Accuracy(percent=percent, absolute=absolute))
        assert absolute < taken.systematic * math.sqrt(3) < worst


def test_an_expanded_uncertainty_is_divided_by_its_coverage_factor() -> None:
    """JCGM 100:2008, 4.3.3: U = 0.06 with k = 2 is u = 0.03."""
    assert number(5.0, "meter", Accuracy(absolute=0.06, coverage=2)).systematic == pytest.approx(0.03)


def test_repeats_do_not_average_the_instruments_own_error_away() -> None:
    """A hundred equal readings keep the clamp's zero offset; only the last digit's step shrinks."""
    accuracy = Accuracy(zero=20, resolution=10)
    once = combined([number(60.0, "clamp", accuracy)])
    often = combined([number(60.0, "clamp", accuracy)] * 100)
    assert often.value == once.value
    assert often.uncertainty == pytest.approx(math.hypot(20 / math.sqrt(3), 10 / math.sqrt(12) / 10))
    assert often.uncertainty > 0.99 * 20 / math.sqrt(3)


def test_repeats_that_scatter_count_by_their_scatter() -> None:
    """JCGM 100:2008, 4.2.3: the mean's standard uncertainty is s / sqrt n (values 10, 12, 14: s = 2)."""
    found = combined([Number(value, "meter", 0.0, 0.1) for value in (10.0, 12.0, 14.0)])
    assert found.value == pytest.approx(12.0)
    assert found.uncertainty == pytest.approx(2 / math.sqrt(3))


def test_two_instruments_are_weighted_by_precision() -> None:
    """Uncertainties 1 and 3: the mean lies nine times nearer to the finer one, and is finer than either."""
    found = combined([Number(10.0, "fine", 1.0, 0.0), Number(20.0, "coarse", 3.0, 0.0)])
    assert found.value == pytest.approx(11.0)
    assert found.uncertainty == pytest.approx(math.sqrt(0.9))


def test_repeats_are_not_independent_evidence(knowledge: Knowledge) -> None:
    """Five equal numbers near a limit leave as much doubt as one, but for the last digit."""
    once = (Measurement("sleeping_current", 90.0, "general_clamp", "90 mA"),)
    single = weigh(knowledge, "sleeping_current", {}, [once])
    five = weigh(knowledge, "sleeping_current", {}, [once] * 5)
    assert five == pytest.approx(single, abs=0.02)
    assert five[0] > single[0] ** 5 * 2


def test_cells_of_a_perfect_instrument_are_the_bands() -> None:
    """Without uncertainty a number tells its band."""
    assert cells([0.0, 0.0], EDGES).tolist() == np.eye(3).tolist()


@settings(derandomize=True, max_examples=60, deadline=None)
@given(st.floats(0.01, 500), st.floats(0.01, 500))
def test_cells_are_chances(first: float, second: float) -> None:
    """Rows sum to 1 and no entry is negative, whatever the uncertainties."""
    table = cells([first, second], EDGES)
    assert table.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-12)
    assert table.min() >= 0


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.floats(0, 30_000), st.floats(0, 1e9))
def test_likelihoods_lie_between_0_and_1(value: float, u: float) -> None:
    """Whatever the number and its uncertainty; and some band explains it."""
    likelihood = band_likelihood(Estimate(value, u), EDGES)
    assert likelihood.min() >= 0
    assert 0 < likelihood.max() <= 1


def test_a_general_clamp_makes_a_50_ma_decision_worth_less(knowledge: Knowledge, drain: Engine) -> None:
    """Ranking knows the instrument: common practice, no source."""
    case = Case("flat_battery")

    def bits(without: frozenset[str]) -> float:
        proposals = advise(knowledge, drain, case, Workshop(without)).proposals
        return next(one.information_bits for one in proposals if one.reading == "sleeping_current")

    fine, coarse = bits(frozenset()), bits(frozenset({"low_current_clamp"}))
    assert coarse < 0.9 * fine
    exact = drain.outlook(case.evidence(knowledge, drain)).information_bits["sleeping_current"]
    assert fine <= exact


def test_a_number_far_inside_a_band_equals_the_band(knowledge: Knowledge, drain: Engine) -> None:
    """1.2 A with the fine clamp says the same as the band "high" picked by hand."""
    take = (Measurement("sleeping_current", 1200.0, "low_current_clamp", "1.2 A"),)
    typed = Case("flat_battery", (Measured("sleeping_current", take),))
    picked = Case("flat_battery", (Seen("sleeping_current", "high"),))
    beliefs = [drain.outlook(case.evidence(knowledge, drain)).beliefs for case in (typed, picked)]
    assert beliefs[0] == pytest.approx(beliefs[1], abs=1e-9)


def test_a_fuse_reading_is_computed_and_carries_the_fuses_spread(knowledge: Knowledge) -> None:
    """0.38 mV over a 10 A regular fuse is 49.35 mA (check value W3), and the fuse's ±15 % stays with it."""
    take = (
        Measurement("fuse_drop", 0.38, "millivoltmeter", "0.38 mV"),
        Measurement("fuse_size", "regular", "", "regular"),
        Measurement("fuse_rating", "10 A", "", "10 A"),
    )
    found = estimate(knowledge, "fuse_audio", {}, [take])
    assert found.value == pytest.approx(49.35, abs=0.005)
    assert found.uncertainty > 49.35 * 0.15 / math.sqrt(3)


def test_unknown_battery_type_averages_over_its_limits(knowledge: Knowledge) -> None:
    """12.48 V is full for a flooded battery and not for AGM: unknown, it lies between the two."""
    take = [(Measurement("resting_voltage", 12.48, "", "12.48 V"),)]
    flooded = weigh(knowledge, "resting_voltage", {"battery_type": "flooded"}, take)
    agm = weigh(knowledge, "resting_voltage", {"battery_type": "agm"}, take)
    unknown = weigh(knowledge, "resting_voltage", {}, take)
    assert flooded[-1] > unknown[-1] > agm[-1]


FUSE = (
    Measurement("fuse_drop", 0.38, "millivoltmeter", "0.38 mV"),
    Measurement("fuse_size", "regular", "", "regular"),
    Measurement("fuse_rating", "10 A", "", "10 A"),
)


@pytest.mark.parametrize(
    "takes",
    [
        [FUSE[1:]],
        [FUSE[:2]],
        [()],
        [(*FUSE[:2], Measurement("fuse_rating", "11 A", "", "11 A"))],
        [(Measurement("fuse_audio", 1.7e308, "millivoltmeter", ""),)] * 2,
    ],
    ids=["no number", "no word", "nothing", "unknown word", "more than numbers hold"],
)
def test_stored_takes_that_come_to_no_number_count_for_nothing(
    knowledge: Knowledge, takes: list[tuple[Measurement, ...]]
) -> None:
    """A later knowledge may want another input than was entered: the case opens, the take says nothing."""
    assert weighed(knowledge, "fuse_audio", {}, [FUSE]) is not None
    with np.errstate(over="ignore", invalid="ignore"):
        assert weighed(knowledge, "fuse_audio", {}, takes) is None


def test_a_direct_reading_without_a_number_counts_for_nothing(knowledge: Knowledge) -> None:
    """A word where the knowledge wants a number by now."""
    assert (
        weighed(knowledge, "sleeping_current", {}, [(Measurement("sleeping_current", "low", "", ""),)])
        is None
    )


def test_a_fact_with_a_value_that_is_not_known_is_an_open_fact(knowledge: Knowledge) -> None:
    """Its limits are averaged over; they do not vanish, which would make any number impossible."""
    take = [(Measurement("resting_voltage", 12.48, "", "12.48 V"),)]
    found = weighed(knowledge, "resting_voltage", {"battery_type": "of another knowledge"}, take)
    assert found is not None
    assert found.tolist() == weigh(knowledge, "resting_voltage", {}, take).tolist()
