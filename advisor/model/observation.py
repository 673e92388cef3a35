"""A measured quantity as a likelihood over its bands, and what an instrument would show of each band."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.arrays import Floats, root
from advisor.knowledge.knowledge import Knowledge, quantity_of
from advisor.knowledge.vocabulary import Accuracy, Derived, LimitByFact, Quantity
from advisor.measure.formula import OutOfRange
from advisor.measure.formulas import FORMULAS, evaluate
from advisor.measure.uncertainty import Estimate, Number, band_likelihood, cells, combined, number
from advisor.measure.units import convert, kind_of


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
    """Return an instrument's accuracy in a unit, converted from one of the same kind if need be."""
    stated = knowledge.instruments[instrument].accuracy if instrument in knowledge.instruments else {}
    if unit in stated:
        return stated[unit]
    for other, accuracy in stated.items():
        if kind_of(other) == kind_of(unit):
            scale = convert(1.0, other, unit) - convert(0.0, other, unit)
            parts = {part: getattr(accuracy, part) * scale for part in ("absolute", "zero", "resolution")}
            return accuracy.model_copy(update=parts)
    return None


def estimate(knowledge: Knowledge, reading: str, facts: Mapping[str, str], takes: Sequence[Take]) -> Estimate:
    """Return a quantity reading's value in its unit, from one or more takes.

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
        elif name not in FORMULAS[derived.formula].input_units:
            word = words.get(source, source)
            if word == source and word not in FORMULAS[derived.formula].choices.get(name, (word,)):
                continue  # nobody has said it
            choices[name] = word
    return evaluate(derived.formula, numbers, choices)


def can_weigh(knowledge: Knowledge, reading: str, takes: Sequence[Take]) -> bool:
    """Whether the takes are of a quantity that this knowledge still has, with inputs it still knows."""
    definition = knowledge.readings.get(reading)
    if definition is None or definition.quantity is None:
        return False
    inputs = definition.quantity.derived.inputs.values() if definition.quantity.derived else ()
    return all(
        measurement.measurand == reading or measurement.measurand in inputs
        for take in takes
        for measurement in take
    )


def weigh(knowledge: Knowledge, reading: str, facts: Mapping[str, str], takes: Sequence[Take]) -> Floats:
    """Return the likelihood over the bands of a quantity reading, from one or more takes.

    Where a limit depends on a fact that is not known, the likelihoods are averaged by the shares of its
    values.
    """
    estimated = estimate(knowledge, reading, facts, takes)
    total = np.zeros(len(quantity_of(knowledge, reading).bands))
    for edges, share in _possible_edges(knowledge, reading, facts):
        total += share * band_likelihood(estimated, edges)
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


def at_rest(likelihood: Floats, normal: int) -> Floats:
    """Return what a likelihood comes to where the complaint was not there at the reading.

    A fault that rests looks normal, and nobody knows how often it does: of its share every value from 0 to 1
    is possible, and each outcome gets the value that suits it best. So none is less likely than the normal
    one: a normal result clears nothing, and one that cannot be normal counts in full.
    """
    return np.asarray(np.maximum(likelihood, likelihood[normal]))


def _possible_edges(
    knowledge: Knowledge, reading: str, facts: Mapping[str, str]
) -> Iterator[tuple[tuple[float, ...], float]]:
    """Yield the bands' edges for what is known of the vehicle, each with its share of cars."""
    quantity = quantity_of(knowledge, reading)
    named = {limit.by for limit in quantity.limits if isinstance(limit, LimitByFact)}
    open_facts = {fact for fact in named if facts.get(fact) not in knowledge.facts[fact].values}
    values = [knowledge.facts[fact].values.items() for fact in sorted(open_facts)]
    for chosen in itertools.product(*values):
        guess = {fact: value for fact, (value, _) in zip(sorted(open_facts), chosen, strict=True)}
        limits = quantity.limits_for({**facts, **guess})
        if limits is not None:
            share = math.prod(share / 100 for _, share in chosen)
            yield (quantity.range[0], *limits, quantity.range[1]), share


def seen_with(knowledge: Knowledge, reading: str, instrument: str) -> Floats | None:
    """For each band, the chances of numbers as this instrument shows them (see `cells`).

    None where the instrument's accuracy is not stated, so that a number tells the band. Limits that depend on
    a fact are taken for the most common vehicle.
    """
    quantity = quantity_of(knowledge, reading)
    edges, _ = max(_possible_edges(knowledge, reading, {}), key=lambda pair: pair[1])
    uncertainties = [_at_limit(knowledge, quantity, instrument, limit) for limit in edges[1:-1]]
    return cells(uncertainties, edges) if any(uncertainties) else None


def _at_limit(knowledge: Knowledge, quantity: Quantity, instrument: str, limit: float) -> float:
    """Return the standard uncertainty of a value at the limit, taken with this instrument."""
    if quantity.derived is None:
        measured = number(limit, instrument, accuracy_of(knowledge, instrument, quantity.unit))
        return math.hypot(measured.systematic, measured.random)
    return _derived_at_limit(knowledge, quantity.derived, instrument, limit)


def _derived_at_limit(knowledge: Knowledge, derived: Derived, instrument: str, limit: float) -> float:
    """Return the same for a computed value.

    Its first measured input is set so that the formula gives the limit.
    """
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
    taken = number(value, instrument, accuracy_of(knowledge, instrument, formula.input_units[first]))
    spread = Estimate(value, math.hypot(taken.systematic, taken.random))
    return evaluate(derived.formula, {**numbers, first: spread}, words).uncertainty


def _root(function: Callable[[float], float], low: float, high: float) -> float | None:
    """Where a function of a formula passes 0 within a range of which it may not hold everywhere."""
    before: tuple[float, float] | None = None
    for x in np.linspace(low, high, 25).tolist():
        try:
            point = (x, function(x))
        except OutOfRange:
            before = None
            continue
        if before is not None and before[1] * point[1] <= 0:
            return root(function, before[0], x)
        before = point
    return None
