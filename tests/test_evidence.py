"""Numbers and instruments as likelihoods over bands."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

from advisor.advice.advice import advise
from advisor.advice.rules import Workshop
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.case.entries import Measured, Seen
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import Accuracy
from advisor.measure.formulas import FORMULAS
from advisor.measure.uncertainty import (
    Estimate,
    Number,
    band_likelihood,
    band_probabilities,
    cells,
    combined,
    number,
)
from advisor.model.observation import Measurement, accuracy_of, can_weigh, estimate, seen_with, weigh, weighed
from tests.test_advice import METERS

INF = math.inf
EDGES = (0.0, 50.0, 300.0, 30_000.0)
CLAMP = Accuracy(percent=1, absolute=2, resolution=1)


@pytest.mark.parametrize(
    ("value", "u", "edges", "inside", "probability"),
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
def test_band_likelihoods_are_conformance_probabilities(
    value: float, u: float, edges: tuple[float, ...], inside: int, probability: float
) -> None:
    """JCGM 106:2012, clause 7 (examples from memory, computed; published values are rounded)."""
    assert band_probabilities(Estimate(value, u), edges)[inside] == pytest.approx(probability, abs=1e-9)


def test_band_likelihoods_give_the_published_ball_bearing_risks() -> None:
    """JCGM 106:2012, 9.5.4: gamma prior (4, 4), limit 2 µm, u 0.25 µm: 0.8 % wrongly accepted."""
    prior = stats.gamma(4, scale=0.25)
    assert prior.sf(2.0) == pytest.approx(0.04238011199168396, abs=1e-12)
    true = np.linspace(2.0, 12.0, 20_001)
    accepted = np.array([band_probabilities(Estimate(value, 0.25), (-INF, 2.0, INF))[0] for value in true])
    assert np.trapezoid(prior.pdf(true) * accepted, true) == pytest.approx(0.008019111884287174, abs=1e-8)


def test_a_perfect_instrument_gives_hard_evidence() -> None:
    """Without uncertainty the number's band has 1 and the others 0."""
    assert band_likelihood(Estimate(430.0, 0.0), EDGES).tolist() == [0.0, 0.0, 1.0]
    assert band_likelihood(Estimate(50.0, 0.0), EDGES).tolist() == [0.0, 1.0, 0.0]


def test_infinitely_poor_instrument_leaves_likelihoods_equal(knowledge: Knowledge, drain: Engine) -> None:
    """With an enormous uncertainty all bands are equally likely, and beliefs stay as they were."""
    flat = band_likelihood(Estimate(430.0, 1e12), EDGES)
    assert flat == pytest.approx([1.0, 1.0, 1.0], abs=1e-9)
    complaint = {"flat_battery": drain.one_hot("flat_battery", "present")}
    before = drain.query(complaint).beliefs
    after = drain.query({**complaint, "sleeping_current": flat}).beliefs
    assert after == pytest.approx(before, abs=1e-9)


def test_number_on_a_limit_supports_both_bands_equally() -> None:
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


def test_two_clamps_at_120_ma_stay_below_their_worst_case() -> None:
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
    two = combined([Number(value, "meter", 0.0, 0.1) for value in (10.0, 12.0)])
    assert (two.value, two.uncertainty) == pytest.approx((11.0, 1.0))


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
def test_rows_of_an_instruments_cells_sum_to_1(first: float, second: float) -> None:
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
        proposals = advise(Situation.of(knowledge, drain, case), Workshop(without)).proposals
        return next(one.expected_information_bits for one in proposals if one.reading == "sleeping_current")

    fine, coarse = bits(frozenset()), bits(frozenset({"low_current_clamp"}))
    assert coarse < 0.9 * fine
    exact = drain.query(case.evidence(knowledge, drain)).expected_information_bits["sleeping_current"]
    assert fine <= exact


def test_a_number_far_inside_a_band_equals_the_band(knowledge: Knowledge, drain: Engine) -> None:
    """1.2 A with the fine clamp says the same as the band "high" picked by hand."""
    take = (Measurement("sleeping_current", 1200.0, "low_current_clamp", "1.2 A"),)
    typed = Case("flat_battery", (Measured("sleeping_current", take),))
    picked = Case("flat_battery", (Seen("sleeping_current", "high"),))
    beliefs = [drain.query(case.evidence(knowledge, drain)).beliefs for case in (typed, picked)]
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
    for takes in ([], [(Measurement("sleeping_current", "low", "", ""),)]):
        with pytest.raises(ValueError, match=r"^no number was entered\.$"):
            estimate(knowledge, "sleeping_current", {}, takes)


def test_takes_with_two_instruments_are_weighted_by_their_accuracy(known: Callable[[str], Knowledge]) -> None:
    """0.1 V against 3 V: the finer meter counts 900 times as much."""
    takes = [(Measurement("r", 10.0, "clear", "10"),), (Measurement("r", 19.0, "rough", "19"),)]
    assert estimate(known(METERS), "r", {}, takes).value == pytest.approx((9000 + 19) / 901)


def test_a_fact_with_a_value_that_is_not_known_is_an_open_fact(knowledge: Knowledge) -> None:
    """Its limits are averaged over; they do not vanish, which would make any number impossible."""
    take = [(Measurement("resting_voltage", 12.48, "", "12.48 V"),)]
    found = weighed(knowledge, "resting_voltage", {"battery_type": "of another knowledge"}, take)
    assert found is not None
    assert found.tolist() == weigh(knowledge, "resting_voltage", {}, take).tolist()


# ------------------------------------------------------------------- instruments, repeats and other units


def test_one_number_has_no_scatter() -> None:
    """JCGM 100:2008, 4.2: without repeats what is random is the last digit's step alone."""
    once = combined([Number(60.0, "clamp", 0.3, 0.4)])
    assert (once.value, once.uncertainty) == (60.0, pytest.approx(0.5, rel=1e-12))


def test_repeats_count_by_the_larger_of_scatter_and_last_digit() -> None:
    """Four equal numbers scatter by nothing; the step of the display still stands, over sqrt 4."""
    found = combined([Number(5.0, "meter", 0.0, 0.2)] * 4)
    assert found.uncertainty == pytest.approx(0.1, rel=1e-12)


def test_a_perfect_instrument_outweighs_every_other_one() -> None:
    """Beside numbers without uncertainty the others do not count; several such ones are averaged."""
    rough = Number(90.0, "rough", 1.0, 0.0)
    found = combined([rough, Number(10.0, "exact", 0.0, 0.0)])
    assert (found.value, found.uncertainty) == (10.0, 0.0)
    both = combined([Number(10.0, "exact", 0.0, 0.0), rough, Number(14.0, "counted", 0.0, 0.0)])
    assert (both.value, both.uncertainty) == (12.0, 0.0)


def test_repeats_of_two_instruments_are_averaged_each_by_itself() -> None:
    """The fine one's two numbers make 11 ± 1 (its own error), the coarse one 20 ± 3: 11.9 ± sqrt 0.9."""
    fine = [Number(value, "fine", 1.0, 0.0) for value in (11.0, 11.0)]
    found = combined([fine[0], Number(20.0, "coarse", 3.0, 0.0), fine[1]])
    assert found.value == pytest.approx(11.9, rel=1e-12)
    assert found.uncertainty == pytest.approx(math.sqrt(0.9), rel=1e-12)


def test_an_unstated_accuracy_counts_as_none() -> None:
    """Nothing said about an instrument: its number is taken as it stands."""
    assert number(5.0, "eye", None) == Number(5.0, "eye", 0.0, 0.0)


def test_a_percentage_of_a_negative_number_is_as_wide_as_of_a_positive_one() -> None:
    """The zero offset adds in quadrature too: 3, 4 and 12 make 13 (over sqrt 3)."""
    taken = number(-400.0, "meter", Accuracy(percent=1, absolute=3, zero=12))
    assert taken.systematic == pytest.approx(13 / math.sqrt(3), rel=1e-12)


def test_between_two_near_limits_a_poor_number_still_fits_the_band_best() -> None:
    """The middle of a band 2 wide with u = 1 is explained by it fully, by its neighbours by Phi(-1)."""
    likelihood = band_likelihood(Estimate(0.0, 1.0), (-INF, -1.0, 1.0, INF))
    assert likelihood == pytest.approx([stats.norm.cdf(-1), 1.0, stats.norm.cdf(-1)], abs=1e-12)


def test_off_the_middle_a_narrow_band_is_weighed_against_its_best() -> None:
    """Half an uncertainty off the middle of a band 2 wide: (Phi(0.5) - Phi(-1.5)) / (2 Phi(1) - 1)."""
    normal = stats.norm.cdf
    expected = (normal(0.5) - normal(-1.5)) / (2 * normal(1) - 1)
    assert band_likelihood(Estimate(0.5, 1.0), (-INF, -1.0, 1.0, INF))[1] == pytest.approx(
        expected, rel=1e-12
    )


def test_a_very_narrow_band_is_weighed_by_its_own_distance() -> None:
    """One 5 uncertainties from the first edge, and one where the number is: exp(-d^2 / 2) of the largest."""
    likelihood = band_likelihood(Estimate(5e9, 1e9), (0.0, 5.0, 5e9, 5e9 + 5, 6e9, 6e9 + 5))
    assert likelihood[[0, 2, 4]] == pytest.approx([math.exp(-12.5), 1.0, math.exp(-0.5)], abs=1e-7)


def test_a_very_narrow_band_about_the_number_keeps_its_digits() -> None:
    """2e-9 wide: its chance is its width times the density, 1 / sqrt(2 pi)."""
    probability = band_probabilities(Estimate(0.0, 1.0), (-INF, -1e-9, 1e-9, INF))[1]
    assert probability == pytest.approx(2e-9 / math.sqrt(2 * math.pi), rel=1e-12, abs=0)


@pytest.mark.parametrize("value", [-9.0, -1.5, -0.2, 0.4, 1.2, 8.5])
def test_probabilities_far_from_a_limit_keep_their_digits(value: float) -> None:
    """Far in a tail and near the middle alike the chance is the normal distribution's."""
    probabilities = band_probabilities(Estimate(value, 0.5), (-INF, -0.3, 0.1, 0.5, 6.0, INF))
    normal = stats.norm(value, 0.5)
    limits = [-0.3, 0.1, 0.5, 6.0]
    assert probabilities[0] == pytest.approx(normal.cdf(-0.3), rel=1e-9, abs=0)
    assert probabilities[-1] == pytest.approx(normal.sf(6.0), rel=1e-9, abs=0)
    for at, (low, high) in enumerate(itertools.pairwise(limits), start=1):
        upper = normal.sf(low) - normal.sf(high)
        between = upper if low > value else normal.cdf(high) - normal.cdf(low)
        assert probabilities[at] == pytest.approx(between, rel=1e-9, abs=0)


def seen_from(low: float, high: float, u: float, cut: float) -> float:
    """P(number < cut) for a true value spread evenly from low to high, by numerical integration."""
    if u == 0:
        return min(max((cut - low) / (high - low), 0.0), 1.0)
    points = [at for at in (cut - 4 * u, cut, cut + 4 * u) if low < at < high]
    whole, _ = quad(lambda true: stats.norm.cdf((cut - true) / u), low, high, points=points)
    return float(whole) / (high - low)


@pytest.mark.parametrize("uncertainties", [(2.0, 9.0), (60.0, 30.0), (0.0, 4.0), (4.0, 0.0)])
def test_cells_are_the_integral_over_the_true_value(uncertainties: tuple[float, float]) -> None:
    """Each cell's chance is that of a normal instrument over an evenly spread true value, by quadrature.

    An outer band counts no further from its limit than the others reach on its other side: 50 - (400 - 50),
    cut at 0 for the first band, and 300 + (300 - 0), cut at 400 for the last; wider below.
    """
    for edges, spans in (
        ((0.0, 50.0, 300.0, 400.0), ((0.0, 50.0), (50.0, 300.0), (300.0, 400.0))),
        ((-900.0, 50.0, 300.0, 4000.0), ((-900.0, 50.0), (50.0, 300.0), (300.0, 1500.0))),
        ((-9000.0, 50.0, 300.0, 400.0), ((-300.0, 50.0), (50.0, 300.0), (300.0, 400.0))),
    ):
        cuts = sorted(
            {
                limit + step * u
                for limit, u in zip(edges[1:-1], uncertainties, strict=True)
                for step in (-3, -2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 3)
            }
        )
        nearest = (uncertainties[0], uncertainties[0], uncertainties[1])
        for row, (low, high), u in zip(cells(uncertainties, edges), spans, nearest, strict=True):
            below = [seen_from(low, high, u, cut) for cut in cuts]
            assert row == pytest.approx(np.diff([0.0, *below, 1.0]), abs=1e-7)


def test_a_band_whose_width_no_float_tells_from_nothing_still_fits_best() -> None:
    """Under an uncertainty that is as large as can be the number says nothing: it fits as well as any."""
    likelihood = band_likelihood(Estimate(0.0, 1e308), (-INF, 0.0, 1e-16, INF))
    assert likelihood == pytest.approx([0.5, 1.0, 0.5], abs=1e-12)


def test_a_very_narrow_band_is_shown_as_its_middle_would_be() -> None:
    """0.00001 wide under an uncertainty of a million: the cells' chances are those of one true value."""
    cuts = [5e5 + step * 1e6 for step in (-3, -2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 3)]
    cuts = sorted({*cuts, *(cut + 1e-5 for cut in cuts)})
    row = cells((1e6, 1e6), (0.0, 5e5, 5e5 + 1e-5, 1e6))[1]
    below = stats.norm.cdf(cuts, 5e5 + 5e-6, 1e6)
    assert row == pytest.approx(np.diff([0.0, *below, 1.0]), abs=1e-9)


GAS = """\
complaints:
  c: {name: Cools too little, family: made_up, any_of: {leak: 60, valve: 45}, unlisted: 5}
faults:
  leak: {name: Leak, remedy: Mend it, remedy_minutes: 5, price: low}
  valve: {name: Valve, remedy: Mend it, remedy_minutes: 5, price: low}
facts:
  gas: {name: Gas, ask: Which gas?, values: {r1234yf: 30, r134a: 70}}
  cell: {name: Cell, ask: Which cells?, values: {wet: 75, dry: 25}}
instruments:
  probe: {name: Probe, units: ["°C"], accuracy: {"°C": {absolute: 0.3, percent: 2, resolution: 0.1}}}
  gauge: {name: Gauge, units: [bar g], accuracy: {bar g: {absolute: 0.05}}}
  scale:
    name: Scale
    units: [kg]
    accuracy: {kg: {absolute: 0.003, percent: 1, zero: 0.004, resolution: 0.002}}
  clamp: {name: Clamp, units: [A], accuracy: {A: {absolute: 0.05, percent: 2, resolution: 0.01, coverage: 2}}}
  meter: {name: Meter, units: [V], accuracy: {V: {absolute: 0.1}}}
  bare: {name: Bare eye}
measurands:
  pipe: {name: Pipe, ask: How warm?, unit: "°C", range: [0, 100], instrument: probe}
  like: {name: Another pipe, ask: How warm?, unit: "°C", range: [0, 40], instrument: probe}
  low_side: {name: Low side, ask: Low-side pressure?, unit: bar g, range: [-1, 8], instrument: gauge}
  suction: {name: Suction pipe, ask: How warm?, unit: "°C", range: [0, 30], instrument: probe}
  got: {name: Recovered, ask: How much?, unit: g, range: [0, 1000], instrument: scale}
  filled: {name: Filled with, ask: Which gas?, choices: [r134a, r1234yf]}
readings:
  warmer:
    name: Warmer than its like
    minutes: 3
    quantity:
      unit: K
      range: [-40, 100]
      bands: {same: Same, some: Some, much: Much}
      limits: [5, 30]
      derived: {formula: over_neighbour, inputs: {surface_c: pipe, neighbour_c: like}}
    table:
      - when: {leak: present}
        gives: {much: 0.8, some: 0.1, same: 0.1}
      - otherwise: {same: 0.9, some: 0.1}
  charge:
    name: Charge
    minutes: 3
    quantity:
      unit: "%"
      range: [0, 150]
      bands: {short: Short, right: Right}
      limits: [80]
      derived: {formula: charge_share, inputs: {recovered_g: got, plate_g: 500}}
    table: [{when: {leak: present}, gives: {short: 0.8, right: 0.2}}, {otherwise: {short: 0.1, right: 0.9}}]
  over_by_fact:
    name: Superheat
    minutes: 3
    quantity:
      unit: K
      range: [-10, 60]
      bands: {low: Low, high: High}
      limits: [12]
      derived: {formula: superheat, inputs: {low_bar_g: low_side, pipe_c: suction, refrigerant: GAS}}
    table: [{when: {leak: present}, gives: {high: 0.8, low: 0.2}}, {otherwise: {high: 0.1, low: 0.9}}]
  drawn:
    name: Drawn
    minutes: 3
    instrument: [clamp, bare]
    quantity: {unit: mA, range: [0, 9000], bands: {low: Low, high: High}, limits: [500]}
    table: [{when: {valve: present}, gives: {high: 0.8, low: 0.2}}, {otherwise: {high: 0.1, low: 0.9}}]
  volts:
    name: Volts
    minutes: 3
    instrument: [meter, bare]
    quantity:
      unit: V
      range: [0, 20]
      bands: {low: Low, fair: Fair, full: Full}
      limits: [12, {by: cell, wet: 12.4, dry: 12.8}]
    table: [{when: {valve: present}, gives: {low: 0.8, fair: 0.2}}, {otherwise: {low: 0.1, full: 0.9}}]
  look:
    name: Look
    minutes: 1
    outcomes: {dry: Dry, oily: Oily}
    noisy_or: {leak: 0.1, causes: {leak: 0.5}}
"""


@pytest.fixture
def gas(known: Callable[[str], Knowledge]) -> Knowledge:
    """A small invented knowledge with measured and computed quantities."""
    return known(GAS.replace("GAS", "gas"))


def test_accuracy_stated_in_another_unit_is_converted(gas: Knowledge) -> None:
    """±(2 % + 0.05 A), 0.01 A steps, k = 2: in mA a thousandfold, percent and k as they were."""
    assert accuracy_of(gas, "clamp", "mA") == Accuracy(absolute=50, percent=2, resolution=10, coverage=2)
    scale = accuracy_of(gas, "scale", "g")
    assert scale is not None
    parts = (scale.absolute, scale.zero, scale.resolution, scale.percent)
    assert parts == pytest.approx((3.0, 4.0, 2.0, 1.0), rel=1e-12)


def test_accuracy_is_none_where_nothing_is_said(gas: Knowledge) -> None:
    """Of an instrument without figures, of one that is not known, and in a unit of another kind."""
    for instrument, unit in (("bare", "V"), ("", "V"), ("clamp", "V")):
        assert accuracy_of(gas, instrument, unit) is None
    assert accuracy_of(gas, "clamp", "A") == gas.instruments["clamp"].accuracy["A"]


def test_a_measured_number_carries_its_instruments_accuracy(gas: Knowledge) -> None:
    """600 mA: U = sqrt(12² + 50²) with k = 2, and the last digit."""
    found = estimate(gas, "drawn", {}, [(Measurement("drawn", 600.0, "clamp", "0.6 A"),)])
    assert found.value == 600.0
    expected = math.hypot(math.hypot(12, 50) / 2, 10 / math.sqrt(12))
    assert found.uncertainty == pytest.approx(expected, rel=1e-12)


def test_a_computed_number_carries_those_of_its_inputs(gas: Knowledge) -> None:
    """A difference of two temperatures: their uncertainties in quadrature (JCGM 100:2008, 5.1.2)."""
    take = (Measurement("pipe", 50.0, "probe", "50"), Measurement("like", 20.0, "probe", "20"))
    found = estimate(gas, "warmer", {}, [take])
    parts = (0.3, 0.02 * 50, 0.3, 0.02 * 20)
    expected = math.hypot(math.hypot(*parts) / math.sqrt(3), *[0.1 / math.sqrt(12)] * 2)
    assert found.value == pytest.approx(30.0, rel=1e-12)
    assert found.uncertainty == pytest.approx(expected, rel=1e-6)


def test_a_formula_takes_its_word_from_the_car_and_its_number_from_the_author(gas: Knowledge) -> None:
    """400 g of 500 g are 80 %; superheat goes by the car's gas, and by what was measured if that differs."""
    share = estimate(gas, "charge", {}, [(Measurement("got", 400.0, "scale", "400 g"),)])
    assert share.value == pytest.approx(80.0, rel=1e-12)
    take = (Measurement("low_side", 2.0, "gauge", "2"), Measurement("suction", 15.0, "probe", "15"))
    for fluid, spoken in (("r134a", "R134a"), ("r1234yf", "R1234yf")):
        boils = PropsSI("T", "P", 2e5 + 101_325, "Q", 1.0, spoken) - 273.15
        found = estimate(gas, "over_by_fact", {"gas": fluid}, [take])
        assert found.value == pytest.approx(15.0 - boils, abs=0.01)


@pytest.mark.parametrize(
    ("said", "fluid"), [("filled", "R1234yf"), ("r134a", "R134a"), ("r1234yf", "R1234yf")]
)
def test_a_formula_takes_its_word_from_what_was_chosen_or_as_it_stands(
    known: Callable[[str], Knowledge], said: str, fluid: str
) -> None:
    """What the technician found it filled with counts; a word in the knowledge is itself."""
    take = (
        Measurement("low_side", 2.0, "gauge", "2"),
        Measurement("suction", 15.0, "probe", "15"),
        Measurement("filled", "r1234yf", "", "r1234yf"),
    )
    boils = PropsSI("T", "P", 2e5 + 101_325, "Q", 1.0, fluid) - 273.15
    found = estimate(known(GAS.replace("GAS", said)), "over_by_fact", {}, [take])
    assert found.value == pytest.approx(15.0 - boils, abs=0.01)


def test_an_accuracy_in_fahrenheit_is_one_of_differences(known: Callable[[str], Knowledge]) -> None:
    """±0.9 °F are ±0.5 K: where a scale begins has no part in how far an instrument is off."""
    text = GAS.replace("GAS", "gas").replace(
        'accuracy: {"°C": {absolute: 0.3,', 'accuracy: {"°F": {absolute: 0.9,'
    )
    found = accuracy_of(known(text), "probe", "°C")
    assert found is not None
    assert (found.absolute, found.percent) == (pytest.approx(0.5, rel=1e-9), 2)


def test_a_number_that_this_knowledge_no_longer_asks_for_cannot_be_weighed(gas: Knowledge) -> None:
    """A case of older knowledge: the reading is gone, is in words now, or its formula has other inputs."""
    drawn = [(Measurement("drawn", 1.0, "clamp", "1 mA"),)]
    pipe, got = Measurement("pipe", 50.0, "probe", "50"), Measurement("got", 400.0, "scale", "400")
    assert can_weigh(gas, "drawn", drawn)
    assert not can_weigh(gas, "gone", [(Measurement("gone", 1.0, "clamp", "1"),)])
    assert not can_weigh(gas, "look", [(Measurement("look", 1.0, "clamp", "1"),)])
    assert can_weigh(gas, "warmer", [(pipe,)])
    assert can_weigh(gas, "warmer", [(Measurement("warmer", 3.0, "", "3 K"),)])
    assert not can_weigh(gas, "warmer", [(pipe, got)])
    assert not can_weigh(gas, "drawn", [(pipe,)])


def test_limits_of_an_unknown_car_count_by_the_shares_of_its_kind(gas: Knowledge) -> None:
    """12.6 V, exact, is full for 75 in 100 cars and fair for the others; of a known car it is one of them."""
    take = [(Measurement("volts", 12.6, "bare", "12.6 V"),)]
    assert weigh(gas, "volts", {}, take) == pytest.approx([0.0, 0.25, 0.75], abs=1e-12)
    assert weigh(gas, "volts", {"cell": "wet"}, take).tolist() == [0.0, 0.0, 1.0]
    assert weigh(gas, "volts", {"cell": "dry"}, take).tolist() == [0.0, 1.0, 0.0]


# ----------------------------------------------------------- a reading as its instrument would show it


def test_an_instrument_shows_a_number_through_its_uncertainty_at_the_limit(gas: Knowledge) -> None:
    """At 500 mA the clamp's ±(2 % + 50 mA) with k = 2 and 10 mA steps make 25.66 mA."""
    u = math.hypot(math.hypot(10, 50) / 2, 10 / math.sqrt(12))
    assert seen_with(gas, "drawn", "clamp") == pytest.approx(cells([u], (0, 500, 9000)), abs=1e-12)
    assert seen_with(gas, "drawn", "bare") is None


def test_limits_by_fact_are_those_of_the_most_common_car(gas: Knowledge) -> None:
    """Three quarters of the cells are wet: the instrument is looked at around 12 and 12.4 V."""
    u = 0.1 / math.sqrt(3)
    expected = cells([u, u], (0, 12, 12.4, 20))
    assert seen_with(gas, "volts", "meter") == pytest.approx(expected, abs=1e-12)


def test_a_computed_limit_is_looked_at_where_the_first_input_reaches_it(gas: Knowledge) -> None:
    """The like pipe at 20 °C, the middle of its range: 5 K are at 25 °C, 30 K at 50 °C."""
    expected = [math.hypot(math.hypot(0.3, 0.02 * at) / math.sqrt(3), 0.1 / math.sqrt(12)) for at in (25, 50)]
    shown = seen_with(gas, "warmer", "probe")
    assert shown == pytest.approx(cells(expected, (-40, 5, 30, 100)), abs=1e-6)


def test_a_number_in_a_formula_is_exact_at_its_limit(gas: Knowledge) -> None:
    """80 % of 500 g are 400 g: sqrt(3² + 4² + 4²) g over sqrt 3 and 2 g steps, a fifth of it in percent."""
    u = math.hypot(math.sqrt(9 + 16 + 16) / math.sqrt(3), 2 / math.sqrt(12)) / 5
    assert seen_with(gas, "charge", "scale") == pytest.approx(cells([u], (0, 80, 150)), abs=1e-6)


def test_a_formula_of_which_nothing_is_measured_is_exact(known: Callable[[str], Knowledge]) -> None:
    """400 of 500 g, both written by the author: no instrument blurs that."""
    text = GAS.replace("{recovered_g: got, plate_g: 500}", "{recovered_g: 400, plate_g: 500}")
    knowledge = known(text.replace("GAS", "r134a"))
    assert seen_with(knowledge, "charge", "scale") is None


@pytest.mark.parametrize(
    ("said", "first_share", "fluid"),
    [("gas", 30, "R134a"), ("gas", 70, "R1234yf"), ("filled", 30, "R1234yf"), ("r1234yf", 30, "R1234yf")],
)
def test_a_formulas_limit_is_found_where_it_does_not_hold_everywhere(
    known: Callable[[str], Knowledge], said: str, first_share: int, fluid: str
) -> None:
    """12 K over boiling with the pipe at 15 °C: the pressure at which the gas boils at 3 °C, by CoolProp.

    Below 0.3 bar absolute the formula does not hold. Of a fact the most common value is taken, of choices the
    middle one, and a word as it stands. The gauge's 0.05 bar and the weather's count by the slope.
    """
    shares = f"{{r1234yf: {first_share}, r134a: {100 - first_share}}}"
    knowledge = known(GAS.replace("GAS", said).replace("{r1234yf: 30, r134a: 70}", shares))
    pascal = PropsSI("P", "T", 276.15, "Q", 1.0, fluid)
    step = 1000.0
    boils = [PropsSI("T", "P", pascal + sign * step, "Q", 1.0, fluid) for sign in (-1, 1)]
    weather = FORMULAS["superheat"].inputs["air_bar"].default
    assert weather is not None
    slope_k_per_bar = (boils[1] - boils[0]) / (2 * step / 1e5)
    u = slope_k_per_bar * math.hypot(0.05 / math.sqrt(3), weather.uncertainty)
    shown = seen_with(knowledge, "over_by_fact", "gauge")
    assert shown == pytest.approx(cells([u], (-10, 12, 60)), abs=1e-4)


def test_a_limit_that_the_formula_does_not_reach_is_taken_as_exact(known: Callable[[str], Knowledge]) -> None:
    """With 600 g at most of 500 g no more than 120 % come about: a limit of 140 % has no uncertainty."""
    text = GAS.replace("GAS", "gas").replace("range: [0, 1000]", "range: [0, 600]")
    assert seen_with(known(text.replace("limits: [80]", "limits: [140]")), "charge", "scale") is None


def test_a_limit_at_the_end_of_what_is_measured_is_found(known: Callable[[str], Knowledge]) -> None:
    """400 g, the most that the scale takes, are 80 %: the end of the range counts too."""
    knowledge = known(GAS.replace("GAS", "gas").replace("range: [0, 1000]", "range: [0, 400]"))
    assert seen_with(knowledge, "charge", "scale") is not None
