"""A number and its instrument as a likelihood over bands, and what the instrument costs in information.

Standard uncertainties follow JCGM 100:2008 (type B: a half-width a of a rectangular distribution counts as
a/sqrt 3, an expanded uncertainty U with coverage factor k as U/k, a last digit's step d as d/sqrt 12). With a
normal distribution about the number, the chance that the true value lies in a band is
Phi((high - x)/u) - Phi((low - x)/u), as in the conformance probabilities of JCGM 106:2012, clause 7.

A likelihood must not prefer a band for being wide: each band's chance is divided by the largest it could be,
2 Phi(width/2u) - 1, when the number lies in the band's middle. So a perfect instrument gives hard evidence,
an infinitely poor one says nothing, and a number right on a limit between two bands that are wide beside the
uncertainty speaks for both alike.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import erf, ndtr

from advisor.arrays import Floats
from advisor.knowledge.knowledge import Accuracy, Derived, Knowledge, LimitByFact, Quantity, quantity_of
from advisor.measure.formula import FORMULAS, Estimate, OutOfRange, evaluate
from advisor.measure.units import convert, kind_of
from advisor.model.roots import root

CELL_EDGES = (-3.0, -2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 3.0)
"""Where numbers are told apart around a limit, in standard uncertainties, for a reading's information."""

NARROW = 1e-5
"""Of a band narrower than this, in standard uncertainties, limits stand for differences."""
PERFECT = 1e-12
"""Beside a band that is wider by this an uncertainty is none."""


@dataclass(frozen=True)
class Number:
    """One number from an instrument: what repeats of it would share, and what they would not.

    Both uncertainties are standard uncertainties in the number's own unit.
    """

    value: float
    instrument: str
    systematic: float
    random: float


def number(value: float, instrument: str, accuracy: Accuracy | None) -> Number:
    """A number with the uncertainty its instrument's accuracy gives it; none stated counts as none."""
    if accuracy is None:
        return Number(value, instrument, 0.0, 0.0)
    parts = (accuracy.absolute, accuracy.percent / 100 * abs(value), accuracy.zero)
    divisor = accuracy.coverage or math.sqrt(3)
    systematic = math.hypot(*parts) / divisor
    return Number(value, instrument, systematic, accuracy.resolution / math.sqrt(12))


def combined(numbers: Sequence[Number]) -> Estimate:
    """Repeats of one quantity as one estimate (JCGM 100:2008, 4.2 and 5.1.2).

    Repeats with one instrument average what is random, by its resolution or by their scatter, whichever is
    larger; the instrument's own error stays. Different instruments are weighted by their precision.
    """
    means = []
    for instrument in dict.fromkeys(one.instrument for one in numbers):
        repeats = [one for one in numbers if one.instrument == instrument]
        values = [one.value for one in repeats]
        scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
        random = max(scatter, *(one.random for one in repeats)) / math.sqrt(len(values))
        means.append(
            Estimate(float(np.mean(values)), math.hypot(random, max(one.systematic for one in repeats)))
        )
    exact = [mean for mean in means if mean.uncertainty == 0]
    if exact or len(means) == 1:
        return Estimate(float(np.mean([mean.value for mean in exact]))) if exact else means[0]
    finest = min(mean.uncertainty for mean in means)
    weights = [(finest / mean.uncertainty) ** 2 for mean in means]
    value = sum(weight * mean.value for weight, mean in zip(weights, means, strict=True)) / sum(weights)
    return Estimate(value, finest / math.sqrt(sum(weights)))


def band_chances(estimate: Estimate, edges: Sequence[float]) -> Floats:
    """The chance that the true value lies in each band, for a flat prior: JCGM 106:2012, 7.

    `edges` are the bands' limits from low to high, outermost ones included (they may be infinite).
    """
    bounds = np.asarray(edges, dtype=np.float64)
    if estimate.uncertainty == 0:
        inside = np.searchsorted(bounds[1:-1], estimate.value, side="right")
        chances = np.zeros(len(bounds) - 1)
        chances[inside] = 1.0
        return chances
    with np.errstate(over="ignore"):
        z = (bounds - estimate.value) / estimate.uncertainty
    low, high = z[:-1], z[1:]
    # Each difference is taken by the function that does not cancel there.
    near = erf(high / math.sqrt(2)) / 2 - erf(low / math.sqrt(2)) / 2
    tail = np.where(low > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))
    chances = np.where((np.abs(low) < 1) & (np.abs(high) < 1), near, tail)
    return np.asarray(np.clip(chances, 0.0, 1.0))


def band_likelihood(estimate: Estimate, edges: Sequence[float]) -> Floats:
    """How well each band explains the estimate, from 0 to 1 (see the head of this module)."""
    chances = band_chances(estimate, edges)
    if estimate.uncertainty == 0:
        return chances
    bounds = np.asarray(edges, dtype=np.float64)
    with np.errstate(over="ignore"):
        narrow = np.diff(bounds) / estimate.uncertainty
        middle = ((bounds[:-1] + bounds[1:]) / 2 - estimate.value) / estimate.uncertainty
        largest = erf(narrow / (2 * math.sqrt(2)))  # 2 Phi(w/2u) - 1
        # Both chances of a narrow band are differences of nearly equal numbers: their limit is taken.
        limit = np.exp(-0.5 * middle**2)
    poor = narrow < NARROW
    return np.asarray(np.minimum(np.where(poor, limit, chances / np.where(poor, 1.0, largest)), 1.0))


def cells(uncertainties: Sequence[float], edges: Sequence[float]) -> Floats:
    """For a true value in each band, the chances of a number in each cell, shape (bands, cells).

    `uncertainties` are the instrument's standard uncertainties at the inner limits. Cells are fine around the
    limits. Within its band the true value is taken as evenly spread, an outer band as wide as the
    distance from its limit to the far end of the others at most. With a perfect instrument cells are bands.
    """
    bounds = np.asarray(edges, dtype=np.float64)
    inner = bounds[1:-1]
    if not any(uncertainties):
        return np.eye(len(bounds) - 1)
    low, high = bounds[:-1].copy(), bounds[1:].copy()
    low[0] = max(low[0], inner[0] - (bounds[-1] - inner[0]))
    high[-1] = min(high[-1], inner[-1] + (inner[-1] - bounds[0]))
    marks = {
        float(limit + step * u) for limit, u in zip(inner, uncertainties, strict=True) for step in CELL_EDGES
    }
    cuts = np.array(sorted(marks))
    nearest = [uncertainties[max(at - 1, 0)] for at in range(len(low))]
    rows = []
    for start, stop, u in zip(low, high, nearest, strict=True):
        if u <= PERFECT * (stop - start):
            below = np.clip((cuts - start) / (stop - start), 0.0, 1.0)
        elif stop - start < NARROW * u:
            below = ndtr((cuts - (start + stop) / 2) / u)
        else:
            below = u * (_integral((cuts - start) / u) - _integral((cuts - stop) / u)) / (stop - start)
        rows.append(np.diff(below, prepend=0.0, append=1.0))
    table = np.clip(np.array(rows), 0.0, None)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


def _integral(z: Floats) -> Floats:
    """The integral of the standard normal distribution function up to z."""
    density = np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi)
    return np.asarray(z * ndtr(z) + density)


@dataclass(frozen=True)
class Measurement:
    """What was measured or chosen for a measurand, or for a reading that is measured directly.

    `value` is a number in the measurand's (or reading's) own unit, or a word of its choices; `typed` is what
    the person wrote.
    """

    measurand: str
    value: float | str
    instrument: str
    typed: str


Take = Sequence[Measurement]
"""Everything measured in one go for a reading: one measurement, or one for each input of its formula."""


def accuracy_of(knowledge: Knowledge, instrument: str, unit: str) -> Accuracy | None:
    """An instrument's accuracy in a unit, converted from another unit of the same kind where need be."""
    said = knowledge.instruments[instrument].accuracy if instrument in knowledge.instruments else {}
    if unit in said:
        return said[unit]
    for other, accuracy in said.items():
        if kind_of(other) == kind_of(unit):
            scale = convert(1.0, other, unit) - convert(0.0, other, unit)
            parts = {part: getattr(accuracy, part) * scale for part in ("absolute", "zero", "resolution")}
            return accuracy.model_copy(update=parts)
    return None


def estimate(knowledge: Knowledge, reading: str, facts: Mapping[str, str], takes: Sequence[Take]) -> Estimate:
    """A quantity reading's value in its unit, from one or more takes.

    Raises its formula's `OutOfRange`, and ValueError or ArithmeticError where they come to no number.
    """
    quantity = quantity_of(knowledge, reading)
    numbers: dict[str, list[Number]] = {}
    words: dict[str, str] = {}
    for measurement in itertools.chain.from_iterable(takes):
        name, value = measurement.measurand, measurement.value
        if isinstance(value, str):
            words[name] = value
            continue
        unit = quantity.unit if name == reading else knowledge.measurands[name].unit or ""
        accuracy = accuracy_of(knowledge, measurement.instrument, unit)
        numbers.setdefault(name, []).append(number(value, measurement.instrument, accuracy))
    estimates = {name: combined(several) for name, several in numbers.items()}
    if reading in estimates:
        return estimates[reading]
    if quantity.derived is None:
        raise ValueError("no number was entered.")
    return _computed(quantity.derived, estimates, {**facts, **words})


def _computed(derived: Derived, estimates: Mapping[str, Estimate], words: Mapping[str, str]) -> Estimate:
    numbers: dict[str, Estimate] = {}
    choices: dict[str, str] = {}
    for name, source in derived.inputs.items():
        if isinstance(source, float | int):
            numbers[name] = Estimate(float(source))
        elif source in estimates:
            numbers[name] = estimates[source]
        elif name not in FORMULAS[derived.formula].inputs:
            word = words.get(source, source)
            if word == source and word not in FORMULAS[derived.formula].choices.get(name, (word,)):
                continue  # nobody has said it
            choices[name] = word
    return evaluate(derived.formula, numbers, choices)


def can_weigh(knowledge: Knowledge, reading: str, takes: Sequence[Take]) -> bool:
    """Whether the takes are of a quantity that this knowledge still has, with inputs it still knows."""
    said = knowledge.readings.get(reading)
    if said is None or said.quantity is None:
        return False
    inputs = said.quantity.derived.inputs.values() if said.quantity.derived else ()
    return all(one.measurand == reading or one.measurand in inputs for take in takes for one in take)


def weigh(knowledge: Knowledge, reading: str, facts: Mapping[str, str], takes: Sequence[Take]) -> Floats:
    """The likelihood over the bands of a quantity reading, from one or more takes.

    Where a limit hangs on a fact that is not known, the likelihoods are averaged by the shares of its values.
    """
    found = estimate(knowledge, reading, facts, takes)
    total = np.zeros(len(quantity_of(knowledge, reading).bands))
    for edges, share in _possible_edges(knowledge, reading, facts):
        total += share * band_likelihood(found, edges)
    return total


def weighed(
    knowledge: Knowledge, reading: str, facts: Mapping[str, str], takes: Sequence[Take]
) -> Floats | None:
    """As `weigh`, or None where the takes come to no number by this knowledge.

    It may have the quantity or an input no more, or need another input, or its formula does not hold there.
    """
    if not can_weigh(knowledge, reading, takes):
        return None
    try:
        return weigh(knowledge, reading, facts, takes)
    except (ValueError, ArithmeticError):
        return None


def _possible_edges(
    knowledge: Knowledge, reading: str, facts: Mapping[str, str]
) -> Iterator[tuple[tuple[float, ...], float]]:
    """The bands' edges for what is known of the vehicle, each with its share of cars."""
    quantity = quantity_of(knowledge, reading)
    said = {one.by for one in quantity.limits if isinstance(one, LimitByFact)}
    open_facts = {fact for fact in said if facts.get(fact) not in knowledge.facts[fact].values}
    values = [knowledge.facts[fact].values.items() for fact in sorted(open_facts)]
    for chosen in itertools.product(*values):
        guess = {fact: value for fact, (value, _) in zip(sorted(open_facts), chosen, strict=True)}
        limits = quantity.limits_for({**facts, **guess})
        if limits is not None:
            share = math.prod(share / 100 for _, share in chosen)
            yield (quantity.range[0], *limits, quantity.range[1]), share


def seen_with(knowledge: Knowledge, reading: str, instrument: str) -> Floats | None:
    """For each band, the chances of numbers as this instrument shows them (see `cells`).

    None where the instrument's accuracy is not stated, so that a number tells the band. Limits that hang on a
    fact are taken for the most common vehicle.
    """
    quantity = quantity_of(knowledge, reading)
    edges, _ = max(_possible_edges(knowledge, reading, {}), key=lambda pair: pair[1])
    uncertainties = [_at_limit(knowledge, quantity, instrument, limit) for limit in edges[1:-1]]
    return cells(uncertainties, edges) if any(uncertainties) else None


def _at_limit(knowledge: Knowledge, quantity: Quantity, instrument: str, limit: float) -> float:
    """The standard uncertainty of a value at the limit, taken with this instrument."""
    if quantity.derived is None:
        one = number(limit, instrument, accuracy_of(knowledge, instrument, quantity.unit))
        return math.hypot(one.systematic, one.random)
    return _derived_at_limit(knowledge, quantity.derived, instrument, limit)


def _derived_at_limit(knowledge: Knowledge, derived: Derived, instrument: str, limit: float) -> float:
    """The same for a computed value: its first measured input is set so that the formula gives the limit."""
    formula = FORMULAS[derived.formula]
    words = {}
    numbers: dict[str, Estimate] = {}
    asked: tuple[str, tuple[float, float]] | None = None
    for name, source in derived.inputs.items():
        measurand = knowledge.measurands.get(str(source))
        if isinstance(source, float | int):
            numbers[name] = Estimate(float(source))
        elif measurand is not None and measurand.range is not None:
            numbers[name] = Estimate(sum(measurand.range) / 2)
            asked = asked or (name, measurand.range)
        elif measurand is not None and measurand.choices is not None:
            words[name] = measurand.choices[len(measurand.choices) // 2]
        elif str(source) in knowledge.facts:
            shares = knowledge.facts[str(source)].values
            words[name] = max(shares, key=lambda value: shares[value])
        else:
            words[name] = str(source)
    if asked is None:
        return 0.0
    first, span = asked

    def beyond(value: float) -> float:
        return evaluate(derived.formula, {**numbers, first: Estimate(value)}, words).value - limit

    value = _root(beyond, *span)
    if value is None:
        # The formula does not reach the limit with the other inputs in the middle.
        return 0.0
    taken = number(value, instrument, accuracy_of(knowledge, instrument, formula.inputs[first]))
    spread = Estimate(value, math.hypot(taken.systematic, taken.random))
    return evaluate(derived.formula, {**numbers, first: spread}, words).uncertainty


def _root(function: Callable[[float], float], low: float, high: float) -> float | None:
    """Where a function of a formula passes 0 within a range of which it may not hold everywhere."""
    before: tuple[float, float] | None = None
    for at in np.linspace(low, high, 25).tolist():
        try:
            here = (at, function(at))
        except OutOfRange:
            before = None
            continue
        if before is not None and before[1] * here[1] <= 0:
            return root(function, before[0], at)
        before = here
    return None
