"""Numbers at the ends of what floats can hold: they agree with exact arithmetic, and none is no number."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from advisor.advice.advice import advise, outcome_effects, single_fault_probability
from advisor.advice.conflict import disagreement
from advisor.advice.situation import InconsistentEvidence, Situation, Situations, posterior_history
from advisor.arrays import Floats
from advisor.bench.customer import customer_sheet
from advisor.bench.jobcard import job_card
from advisor.bench.wording import advice_lines
from advisor.case.case import Case
from advisor.case.entries import Known, Seen
from advisor.case.typed import NotUnderstood, understand
from advisor.checks.lint import checked
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import ImpossibleEvidence, Posterior
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.knowledge.vocabulary import Accuracy
from advisor.measure.formula import OutOfRange
from advisor.measure.formulas import FORMULAS, evaluate
from advisor.measure.uncertainty import (
    Estimate,
    Number,
    band_likelihood,
    band_probabilities,
    cells,
    combined,
    number,
)
from advisor.measure.units import NotAQuantity, convert, parse, show
from advisor.model.network import build
from advisor.model.noisy import noisy_max, noisy_or
from advisor.papers.document import html
from advisor.store.records import StoredCase
from tests import oracle
from tests.conftest import complaint, faults
from tests.exact import Answers
from tests.oracle import BINARY
from tests.test_engine_properties import evidences, networks

AGREE_TO = 1e-9
TINY = 1e-12
SEEN = 40
"""Readings that are seen at once."""
MANY = 200
"""Faults in one complaint."""

bounded = settings(
    derandomize=True, max_examples=100, deadline=None, database=None, suppress_health_check=list(HealthCheck)
)


# Exact rational arithmetic


def furthest(found: Posterior, exact: Answers) -> float:
    """The largest distance of any number of the outlook from the exact one, relative to it if that is larger.

    Informations are differences, so that theirs is absolute, in bits.
    """
    pairs: list[tuple[float, Fraction]] = []
    for names, numbers in ((exact.marginals, found.marginals), (exact.predictive, found.predictive)):
        assert set(names) == set(numbers)
        for name, expected in names.items():
            pairs += zip(numbers[name].tolist(), expected, strict=True)
    # Below 1e-300 a float has no digits to speak of: there the distance counts as it is.
    floor = Fraction(1, 10**300)
    worst = max(abs(Fraction(number) - one) / max(one, floor) for number, one in pairs)
    assert set(found.expected_information_bits) == set(exact.informations)
    bits = [
        abs(found.expected_information_bits[name] - float(told)) for name, told in exact.informations.items()
    ]
    assert all(math.isfinite(one) and one >= 0 for one in found.expected_information_bits.values())
    probability = abs(found.log2_evidence - exact.log2_probability) / max(1.0, abs(exact.log2_probability))
    return max(float(worst), probability, *bits)


def tree_of_faults(random: np.random.Generator) -> DiscreteNetwork:
    """200 faults under or-gates of four, and 40 readings with three causes each, at the ends of 0 to 1."""
    names = [f"fault {at}" for at in range(MANY)]
    priors = random.choice([TINY, 1 - TINY, 1e-3, 0.5], MANY).tolist()
    # The complement is written out, not taken from 1: 1 - 1e-12 has lost digits that 1e-12 has.
    tables = [
        oracle.root(name, (1 - p if p < 0.6 else TINY, p)) for name, p in zip(names, priors, strict=True)
    ]
    layer = names
    while len(layer) > 1:
        above = []
        for at in range(0, len(layer), 4):
            tables.append(oracle.gate(f"gate {len(tables)}", "or", layer[at : at + 4]))
            above.append(tables[-1].child)
        layer = above
    readings = []
    for at in range(SEEN):
        shown = random.choice([TINY, 1 - TINY, 0.3, 1e-5], (2, 2, 2))
        hidden = np.where(shown > 0.6, TINY, 1 - shown)
        causes = names[5 * at : 5 * at + 3]
        readings.append(CPT(f"reading {at}", tuple(causes), np.stack([hidden, shown], axis=-1)))
    tables += readings
    return DiscreteNetwork(
        tuple(tables),
        {one.child: BINARY for one in tables},
        tuple(names),
        tuple(one.child for one in readings),
    )


def the_top(tables: DiscreteNetwork) -> str:
    """The gate above all the others."""
    return tables.tables[-1 - SEEN].child


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("seen", [0, SEEN // 2, SEEN])
def test_200_faults_and_40_readings_agree_with_exact_fractions(seed: int, seen: int) -> None:
    """Beliefs, predictions and informations with the complaint and none, half or all of the readings."""
    random = np.random.default_rng(seed)
    tables = tree_of_faults(random)
    evidence = {the_top(tables): np.array([0.0, 1.0])}
    for name in tables.readings[:seen]:
        evidence[name] = np.eye(2)[random.integers(2)]
    assert furthest(compile_tables(tables).query(evidence), Answers(tables, evidence)) < AGREE_TO


@pytest.mark.parametrize(("weak", "seen"), [(TINY, SEEN), (1e-300, 12)])
def test_soft_readings_agree_with_exact_fractions(weak: float, seen: int) -> None:
    """Likelihoods of 1e-12 and less, for and against in turn, on 200 faults."""
    random = np.random.default_rng(5)
    tables = tree_of_faults(random)
    evidence = {the_top(tables): np.array([weak, 1.0])}
    for at, name in enumerate(tables.readings[:seen]):
        evidence[name] = np.array([weak, 1.0] if at % 2 else [1.0, weak])
    assert furthest(compile_tables(tables).query(evidence), Answers(tables, evidence)) < AGREE_TO


@pytest.mark.parametrize("there", [0, 1])
def test_200_faults_known_at_once_agree_with_exact_fractions(there: int) -> None:
    """All of them there, or none: 1e-12 to the power of about 50."""
    tables = tree_of_faults(np.random.default_rng(7))
    evidence = {name: np.eye(2)[there] for name in tables.targets}
    assert furthest(compile_tables(tables).query(evidence), Answers(tables, evidence)) < AGREE_TO


def wide_star(readings: int, more: int = 6) -> DiscreteNetwork:
    """One fault whose readings each have six causes more, so that every one has a clique of its own.

    Of 1e12 cars without the fault one shows the reading, and of as many with it one does not.
    """
    tables = [oracle.root("fault", (0.5, 0.5))]
    leaves = []
    for at in range(readings):
        others = [f"other {at}.{number}" for number in range(more)]
        tables += [oracle.root(other, (0.5, 0.5)) for other in others]
        shown = np.empty((2,) * (more + 2))
        shown[0], shown[1] = (1 - TINY, TINY), (TINY, 1 - TINY)
        leaves.append(CPT(f"reading {at}", ("fault", *others), shown))
    names = {one.child: BINARY for one in (*tables, *leaves)}
    return DiscreteNetwork((*tables, *leaves), names, ("fault",), tuple(one.child for one in leaves))


def test_what_forty_readings_speak_against_can_still_be() -> None:
    """40 readings of 1e-12 come to 1e-480, which no float holds; then it turns out to be so all the same.

    Each reading has a clique of its own, so that the 1e-480 comes together on its way between cliques.
    """
    tables = wide_star(SEEN)
    engine = compile_tables(tables)
    assert len(engine.cliques) == SEEN
    evidence = {name: np.array([0.0, 1.0]) for name in tables.readings}
    assert engine.query(evidence).beliefs["fault"] == 1.0
    evidence["fault"] = np.array([1.0, 0.0])
    assert furthest(engine.query(evidence), Answers(tables, evidence)) < AGREE_TO
    assert engine.log2_evidence_probability([evidence])[0] == pytest.approx(
        SEEN * math.log2(TINY) - 1, rel=AGREE_TO
    )


@pytest.mark.parametrize("weight", [1e-300, 1e-310, 5e-324, 1e300, 1.7e308])
def test_likelihoods_of_any_size_count_as_they_are(weight: float) -> None:
    """40 of them multiply to far beyond a float, down or up; the logarithm is theirs."""
    tables = wide_star(SEEN)
    evidence = {name: np.array([weight, weight]) for name in tables.readings}
    found = compile_tables(tables).log2_evidence_probability([evidence])[0]
    assert found == pytest.approx(SEEN * math.log2(weight), rel=AGREE_TO)


@pytest.mark.parametrize("size", [5e-324, 1e-310, 1e-100, 1e100, sys.float_info.max])
def test_one_likelihood_at_the_end_of_floats_counts_by_its_ratios(size: float) -> None:
    """Bayes' rule for 1 fault in 10 and a reading of four outcomes: all alike tell nothing, one 40 to 1.

    In binary 0.01 + 0.19 + 0.4 + 0.4 is a little over 1: of the largest float that much is more than a float.
    """
    rows = np.array([[0.01, 0.19, 0.4, 0.4], [0.4, 0.4, 0.19, 0.01]])
    tables = DiscreteNetwork(
        (oracle.root("fault", (0.9, 0.1)), CPT("reading", ("fault",), rows)),
        {"fault": BINARY, "reading": ("a", "b", "d", "e")},
        ("fault",),
        ("reading",),
    )
    cases = [{"reading": np.full(4, size)}, {"reading": np.array([size, 0, 0, 0])}]
    alike, one = (compile_tables(tables).query(evidence) for evidence in cases)
    assert alike.beliefs["fault"] == pytest.approx(0.1, rel=AGREE_TO)
    assert alike.log2_evidence == pytest.approx(math.log2(size), rel=AGREE_TO)
    assert one.beliefs["fault"] == pytest.approx(0.04 / 0.049, rel=AGREE_TO)
    assert one.log2_evidence == pytest.approx(math.log2(size) + math.log2(0.049), rel=AGREE_TO)


@pytest.mark.parametrize("rare", [1e-200, 5e-324])
def test_two_rare_causes_that_are_both_needed_can_be(rare: float) -> None:
    """Each is a float, and both together, the product of two independent ones, are far less than any."""
    causes = [oracle.root(name, (1.0, rare)) for name in ("a", "b")]
    tables = DiscreteNetwork(
        (*causes, oracle.gate("top", "and", ("a", "b")), oracle.copy_of("look", "top", 2)),
        dict.fromkeys(("a", "b", "top", "look"), BINARY),
        ("a", "b"),
        ("look",),
    )
    engine = compile_tables(tables)
    posterior = engine.query({"look": (0, 1)})
    assert (posterior.beliefs, posterior.log2_evidence) == ({"a": 1.0, "b": 1.0}, 2 * math.log2(rare))
    assert engine.log2_evidence_probability([{}, {"top": (0, 1)}]).tolist() == [0.0, 2 * math.log2(rare)]


def test_a_reading_next_to_never_counts_however_it_is_seen() -> None:
    """The smallest float is what sound cars show of it; half sure of that is less than a float holds."""
    rows = np.array([[1.0, 5e-324], [1.0, 0.0]])
    tables = DiscreteNetwork(
        (oracle.root("fault", (0.5, 0.5)), CPT("reading", ("fault",), rows)),
        dict.fromkeys(("fault", "reading"), BINARY),
        ("fault",),
        ("reading",),
    )
    engine = compile_tables(tables)
    assert engine.query({"reading": (0, 0.5)}).beliefs == {"fault": 0.0}
    assert engine.log2_evidence_probability([{"reading": (0, 0.5)}]).tolist() == [-1076.0]


def test_probabilities_too_small_for_a_float_are_told_as_logarithms() -> None:
    """40 readings of 1e-12 that speak against what is known, among cases that a float holds."""
    engine = compile_tables(wide_star(SEEN))
    seen = {name: np.array([0.0, 1.0]) for name in engine.readings}
    against = {**seen, "fault": np.array([1.0, 0.0])}
    impossible = {**against, "other 0.0": np.array([0.0, 0.0])}
    probabilities = [(against, SEEN * math.log2(TINY) - 1), ({}, 0.0), (seen, -1.0), (impossible, -math.inf)]
    for some in (probabilities[:1], probabilities[:3], probabilities[::-3]):
        found = engine.log2_evidence_probability([evidence for evidence, _ in some])
        assert found == pytest.approx([probability for _, probability in some], rel=AGREE_TO, abs=AGREE_TO)


def test_many_cases_of_which_one_is_extreme_are_the_cases_one_by_one() -> None:
    """A case that needs logarithms does not change what comes out for the others in the same pass."""
    tables = wide_star(5, more=2)
    engine = compile_tables(tables)
    cases = [{}, {"reading 0": np.array([5e-324, 1.0])}, {"reading 1": np.array([0.3, 0.7])}]
    for together, evidence in zip(engine.query_batch(cases), cases, strict=True):
        assert furthest(together, Answers(tables, evidence)) < AGREE_TO


EXTREMES = st.sampled_from([1.0, 1.0, TINY, 1e-150, 1e-300, 5e-324])


@bounded
@given(st.data())
def test_evidence_is_refused_exactly_where_it_has_no_probability(data: st.DataObject) -> None:
    """In random networks with tables and likelihoods down to 5e-324, on any nodes; and the rest agrees."""
    drawn = data.draw(networks())

    def stretched(values: Floats) -> Floats:
        """The rows with some numbers made far smaller, and adding up to 1 again."""
        scale = np.array(data.draw(st.lists(EXTREMES, min_size=values.size, max_size=values.size)))
        smaller = values * scale.reshape(values.shape)
        kept = np.where(smaller.max(axis=-1, keepdims=True) > 0, smaller, values)
        return np.asarray(kept / kept.sum(axis=-1, keepdims=True))

    tables = dataclasses.replace(
        drawn,
        tables=tuple(dataclasses.replace(one, values=stretched(one.values)) for one in drawn.tables),
    )
    seen = {}
    for name, said in data.draw(evidences(tables)).items():
        scale = np.array(data.draw(st.lists(EXTREMES, min_size=said.size, max_size=said.size)))
        seen[name] = said * scale
    exact, engine = Answers(tables, seen), compile_tables(tables)
    try:
        posterior = engine.query(seen)
    except ImpossibleEvidence as error:
        assert not exact.possible
        assert not Answers(tables, {name: seen[name] for name in error.clash}).possible
        assert engine.log2_evidence_probability([seen])[0] == -math.inf
        return
    assert exact.possible
    for name, expected in exact.marginals.items():
        assert posterior.marginals[name] == pytest.approx([float(one) for one in expected], abs=AGREE_TO)
    for name, expected in exact.predictive.items():
        assert posterior.predictive[name] == pytest.approx([float(one) for one in expected], abs=AGREE_TO)
    assert all(math.isfinite(bits) and bits >= 0 for bits in posterior.expected_information_bits.values())
    assert posterior.log2_evidence == pytest.approx(exact.log2_probability, rel=AGREE_TO, abs=AGREE_TO)


# From what authors write to tables

LIKELY = (0.0, 1e-300, TINY, 1e-5, 0.4, 1 - TINY, 1.0)


@pytest.mark.parametrize("with_leak", [False, True])
@pytest.mark.parametrize("leak", LIKELY)
def test_noisy_or_keeps_the_digits_of_what_is_rare(leak: float, with_leak: bool) -> None:
    """Every number of the table to 1e-9 of itself, for two causes: 1 minus products, in fractions."""
    for strengths in itertools.product(LIKELY, repeat=2):
        if with_leak and (min(strengths) < leak or leak == 1):
            continue
        table = noisy_or(leak, strengths, with_leak)
        for here in itertools.product((0, 1), repeat=2):
            silent = 1 - Fraction(leak)
            for strength in itertools.compress(strengths, here):
                silent *= (1 - Fraction(strength)) / ((1 - Fraction(leak)) if with_leak else 1)
            for found, expected in zip(table[here].tolist(), (silent, 1 - silent), strict=True):
                assert abs(Fraction(found) - expected) <= expected / 10**9


def test_noisy_max_keeps_the_digits_of_what_is_rare() -> None:
    """Three outcomes, two causes, by the largest of independent draws written out in fractions."""
    leak = np.array([1.0, 1e-15, TINY])
    effects = [np.array([0.3, 0.7, TINY]), np.array([TINY, 1e-15, 1.0])]
    table = noisy_max(leak, effects, with_leak=False)
    for here in itertools.product((0, 1), repeat=2):
        parts = [leak, *itertools.compress(effects, here)]
        expected = [Fraction()] * 3
        for drawn in itertools.product(range(3), repeat=len(parts)):
            probabilities = [Fraction(float(part[at])) for part, at in zip(parts, drawn, strict=True)]
            expected[max(drawn)] += math.prod(probabilities, start=Fraction(1))
        # The rows of these fractions add up to 1 + 1e-12 or so: relative to the whole.
        for found, one in zip(table[here].tolist(), expected, strict=True):
            assert abs(Fraction(found) - one) <= one / 10**9


def test_a_rare_fault_and_a_rare_leak_give_the_belief_that_fractions_give(
    known: Callable[[str], Knowledge],
) -> None:
    """From YAML to belief: a prior of 1e-12, and a reading that shows it, with a leak of 1e-12."""
    text = complaint("any_of: {usual: 97, a: }", unlisted=5) + faults("usual", "a", a="prior: 1.0e-12")
    text += (
        "readings:\n  r:\n    name: R\n    minutes: 1\n    outcomes: {no: No, yes: Yes}\n"
        "    noisy_or: {leak: 1.0e-12, causes: {a: 0.999999999999}}\n"
    )
    made = known(text)
    network = build(made, "c")
    priors = {
        table.child: Fraction(float(table.values[1])) for table in network.tables.tables if not table.parents
    }
    leak, strength = Fraction(1e-12), Fraction(0.999999999999)
    assert priors["a"] == Fraction(1e-12)
    whole = found = Fraction()
    names = list(priors)
    for states in itertools.product((0, 1), repeat=len(names)):
        there = dict(zip(names, states, strict=True))
        if any(states):
            probability = math.prod(
                (priors[n] if there[n] else 1 - priors[n] for n in names), start=Fraction(1)
            )
            probability *= 1 - (1 - leak) * (1 - strength * there["a"])
            whole += probability
            found += probability * there["a"]
    engine = compile_tables(network.tables)
    posterior = engine.query({"c": [0.0, 1.0], "r": engine.one_hot("r", "yes")})
    assert posterior.beliefs["a"] == pytest.approx(float(found / whole), rel=AGREE_TO)


# Instruments

EDGES = ((0.0, 1.0, 2.0), (0.0, 1e-12, 1.0), (-1e12, 0.0, 1e12), (0.0, 1e-300, 1.0))
UNCERTAINTIES = (0.0, 5e-324, 1e-300, 1e-160, TINY, 1.0, 1e12, 1e15)


@pytest.mark.parametrize("edges", EDGES)
@pytest.mark.parametrize("uncertainty", UNCERTAINTIES)
def test_instruments_from_perfect_to_hopeless_give_likelihoods(
    edges: tuple[float, ...], uncertainty: float
) -> None:
    """Any number within the range explains some band, every likelihood is from 0 to 1, and cells add up."""
    for value in (edges[0], edges[1], edges[2], edges[0] / 2 + edges[1] / 2):
        found = Estimate(value, uncertainty)
        assert np.all((band_probabilities(found, edges) >= 0) & (band_probabilities(found, edges) <= 1))
        likelihood = band_likelihood(found, edges)
        assert np.all((likelihood >= 0) & (likelihood <= 1))
        assert likelihood.max() > 0
    table = cells([uncertainty], edges)
    assert np.all((table >= 0) & (table <= 1))
    assert table.sum(axis=1) == pytest.approx(1.0, abs=AGREE_TO)


def test_a_narrow_band_under_a_poor_instrument_is_explained_by_its_distance() -> None:
    """Relative to its best, a band of no width at distance z has exp(-z²/2): the normal density's ratio."""
    edges = (0.0, 1e-9, 1e9)
    for distance in (0.0, 1.0, 3.0):
        found = band_likelihood(Estimate(distance, 1.0), edges)
        assert found[0] == pytest.approx(math.exp(-(distance**2) / 2), abs=AGREE_TO)


@pytest.mark.parametrize("size", [1e-300, 1e-160, TINY, 1.0, 1e12])
def test_repeats_with_two_instruments_combine_at_any_size(size: float) -> None:
    """Two instruments of which one is three times as fine: weights 9 to 1 (JCGM 100:2008, weighted mean)."""
    accuracy = Accuracy(absolute=size, zero=size)
    fine, coarse = number(size, "fine", accuracy), number(size, "coarse", accuracy)
    coarse = Number(2 * size, coarse.instrument, 3 * coarse.systematic, 0.0)
    both = combined([fine, coarse])
    assert both.value == pytest.approx(1.1 * size, rel=AGREE_TO)
    assert both.uncertainty == pytest.approx(fine.systematic * math.sqrt(0.9), rel=AGREE_TO)


# What people type, and what formulas make of it

NOT_NUMBERS = ("nan", "NaN V", "inf", "-inf", "infinity", "1e999", "1e99999 V", "∞", "0x10", "1e400 mV")


@pytest.mark.parametrize("typed", NOT_NUMBERS)
def test_what_is_no_finite_number_is_refused_in_words(typed: str) -> None:
    """Not a number, infinite and too large: a sentence."""
    with pytest.raises(NotAQuantity) as refused:
        parse(typed, "V")
    assert str(refused.value).endswith(".")


@pytest.mark.parametrize("typed", ["-0", "-0 V", "1e-99 V", "0.000000000000000000000000000001 V", "−0,0"])
def test_what_is_next_to_nothing_is_a_number(typed: str) -> None:
    """It is parsed, converted and shown as one, and minus nothing is nothing."""
    value = parse(typed, "V")
    assert math.isfinite(value)
    assert 0 <= value < 1e-20
    assert "−0" not in show(convert(value, "V", "mV"), "mV")


@bounded
@given(
    st.one_of(
        st.sampled_from(NOT_NUMBERS),
        st.from_regex(r"-?[0-9]{1,5}([.,][0-9]{1,20})?(e[+-]?[0-9]{1,3})? ?(V|mV|kV|A)?", fullmatch=True),
        st.text(max_size=70),
    )
)
def test_any_typed_text_gives_a_finite_number_or_a_sentence(typed: str) -> None:
    """Nothing else comes out of the parser."""
    try:
        value = parse(typed, "V")
    except NotAQuantity as error:
        assert str(error).endswith(".")
    else:
        assert math.isfinite(value)
        assert not_numbers(show(value, "V")) == []


@pytest.mark.parametrize("name", sorted(FORMULAS))
@bounded
@given(data=st.data())
def test_a_formula_comes_to_a_finite_number_or_says_why_not(name: str, data: st.DataObject) -> None:
    """At the ends of its ranges, at 0 and in between, with uncertainties from none to huge."""
    formula = FORMULAS[name]
    numbers = {}
    for key, one in formula.inputs.items():
        ends = [one.low, one.high, min(max(0.0, one.low), one.high), (one.low + one.high) / 2]
        value = data.draw(st.one_of(st.sampled_from(ends), st.floats(one.low, one.high)))
        spread = data.draw(st.sampled_from([0.0, 1e-300, TINY, 0.1, 1e12, 1e300]))
        numbers[key] = Estimate(value, spread)
    choices = {
        key: data.draw(st.sampled_from(words))
        for key, words in formula.choices.items()
        if key not in formula.stand_ins
    }
    try:
        found = evaluate(name, numbers, choices)
    except OutOfRange as error:
        assert not_numbers(str(error)) == []
        assert str(error).endswith(".")
        return
    assert math.isfinite(found.value)
    assert math.isfinite(found.uncertainty)


# What reaches a screen


def not_numbers(words: str) -> list[str]:
    """Words of a text that are no finite number: nan, inf, infinity."""
    plain = "".join(letter if letter.isalpha() else " " for letter in words.casefold())
    return [word for word in plain.split() if word in ("nan", "inf", "infinity")]


def every_number(thing: Any) -> Iterator[float]:
    """Every float within dataclasses, mappings and sequences."""
    if isinstance(thing, float):
        yield thing
    elif dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        for one in dataclasses.fields(thing):
            yield from every_number(getattr(thing, one.name))
    elif isinstance(thing, Mapping):
        for value in thing.values():
            yield from every_number(value)
    elif isinstance(thing, Sequence) and not isinstance(thing, str):
        for value in thing:
            yield from every_number(value)


OPENED = "2030-01-01T09:00:00+00:00"
CHANCES = st.sampled_from(["0", "1.0e-300", "1.0e-12", "improbable", "0.5", "0.999999999999", "1"])
CERTAIN = st.sampled_from([1.0, 0.9, 1e-12, 1 - 1e-12, 1e-300])


@st.composite
def extreme_knowledge(draw: st.DrawFn) -> str:
    """Three causes, a fact, two readings in words and one number, with likelihoods at the ends of 0 to 1."""
    names = ("a", "b", "d")
    shares = [draw(st.sampled_from(["1.0e-10", "0.001", "40", "60", "99.99999"])) for _ in names]
    listed = ", ".join(f"{name}: {share}" for name, share in zip(names, shares, strict=True))
    total = sum(map(float, shares))
    text = complaint(f"any_of: {{{listed}}}", unlisted=max(1.0, 105 - total) if total < 200 else 1.0)
    text += faults(*names, a="remedy_success: 1.0e-12, given: {f: {x: impossible}}")
    text += "facts:\n  f: {name: F, ask: F?, values: {x: 1.0e-10, y: 99.9999999999}}\n"
    text += "instruments:\n  i:\n    name: I\n    accuracy:\n      V: "
    text += draw(st.sampled_from(["{}", "{resolution: 1.0e-300}", "{absolute: 1.0e+12, percent: 1.0e+9}"]))
    text += "\nreadings:\n"
    for name in ("r", "s"):
        causes = ", ".join(f"{cause}: {draw(CHANCES)}" for cause in names)
        text += (
            f"  {name}: {{name: {name}, minutes: 0, outcomes: {{no: No, yes: Yes}}, "
            f"noisy_or: {{leak: {draw(CHANCES)}, causes: {{{causes}}}}}}}\n"
        )
    text += (
        "  v:\n    name: V\n    minutes: 20000\n    instrument: i\n"
        "    quantity: {unit: V, range: [-1.0e+12, 1.0e+12], bands: {low: Low, high: High}, limits: [0]}\n"
        f"    noisy_or: {{leak: {draw(CHANCES)}, causes: {{b: {draw(CHANCES)}}}}}\n"
    )
    return text


@settings(bounded, max_examples=150)
@given(data=st.data())
def test_no_number_that_is_none_reaches_a_screen(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Advice, answers, history, disagreement and their words on extreme knowledge: finite and in range.

    Where what was seen cannot be so, a contradiction says it, and nothing else happens.
    """
    text = data.draw(extreme_knowledge())
    file = tmp_path_factory.mktemp("extreme") / "x.yaml"
    file.write_text("language: 1\nstanding: estimate\n" + text, encoding="utf-8")
    try:
        made = checked([file])
        engine = compile_tables(build(made, "c").tables)
    except ProblemsFound as error:
        assert not_numbers(str(error)) == []
        return
    case = Case("c")
    if data.draw(st.booleans()):
        case = case.with_entry(Known("f", data.draw(st.sampled_from(["x", "y"]))))
    for name in data.draw(st.lists(st.sampled_from(["r", "s"]), unique=True)):
        outcome = data.draw(st.sampled_from(["no", "yes"]))
        case = case.with_entry(Seen(name, outcome, data.draw(CERTAIN)))
    if data.draw(st.booleans()):
        typed = data.draw(st.sampled_from(["0 V", "-0", "1e-99 V", "999999999999 V", "-1e12"]))
        try:
            case = case.with_entry(understand(made, case, "v", {"v": typed}, {"v": "i"}, {}).measured)
        except NotUnderstood as error:
            assert not_numbers(str(error)) == []
    try:
        advice = advise(Situation.of(made, engine, case))
    except InconsistentEvidence as error:
        assert not_numbers(str(error)) == []
        assert not Answers(build(made, "c").tables, case.evidence(made, engine)).possible
        return
    stages = posterior_history(Situations(made, lambda _: engine), case)
    answers = [outcome_effects(Situation.of(made, engine, case), one.reading) for one in advice.proposals]
    situation = Situation.of(made, engine, case)
    against = disagreement(situation)
    probabilities = [one.probability for one in advice.suspects] + [one.before for one in advice.suspects]
    probabilities += [probability for stage in stages for probability in stage.values()]
    probabilities += [number for answer in itertools.chain(*answers) for number in every_number(answer)]
    assert all(0 <= probability <= 1 + AGREE_TO for probability in probabilities)
    assert 0 <= single_fault_probability(situation) <= 1 + AGREE_TO
    assert all(math.isfinite(one) for one in every_number((advice, answers, against)))
    bits = [
        one.expected_information_bits
        for one in (*advice.proposals, *(pair[0] for pair in advice.unavailable))
    ]
    assert all(0 <= one <= 1 + AGREE_TO for one in bits)
    filed = StoredCase(1, "T", OPENED, Case("c"))
    for entry in case.entries:
        filed = filed.with_entry(entry, OPENED)
    papers = [html(write(made, lambda _: engine, filed, {}, OPENED)) for write in (job_card, customer_sheet)]
    for shown in ("\n".join(advice_lines(made, advice, case.facts)), *papers):
        assert not_numbers(shown) == []
    json.dumps(dataclasses.asdict(advice), allow_nan=False)
