"""Quantities that are computed, not read: formulas by name, their range of validity, and their uncertainty.

`computed` fills in what a word such as a surface or a fuse stands for, checks every input
against its range, and passes the uncertainties on by JCGM 100:2008, 5.1.2 (first order, uncorrelated inputs).
Half-widths count as limits of rectangular distributions (4.3.7), so as half-width / sqrt 3. The functions
themselves (in `formulas`) check only what several inputs decide together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, TypeVar

from advisor.measure.uncertainty import Estimate, rectangular
from advisor.text import nearest

KELVIN = 273.15
STANDARD_AIR_BAR = 1.01325
STEP = 1e-4
"""Half of the step of the central differences, relative to an input or, below 1, absolute."""


class OutOfRange(ValueError):
    """An input lies where the formula does not hold; says which, the range, and what to do."""


@dataclass(frozen=True)
class Input:
    """A number that a formula needs, in its unit, and where the formula holds for it.

    Without a `default` it has to be given, unless it is `optional`.
    """

    unit: str
    low: float
    high: float
    what: str
    instead: str = "Check the reading and its unit."
    default: Estimate | None = None
    optional: bool = False

    def check(self, value: float) -> None:
        """Raise `OutOfRange` for a value outside the range."""
        if not self.low <= value <= self.high:
            unit = "" if self.unit == "1" else f" {self.unit}"
            span = f"{self.low:g} to {self.high:g}{unit}"
            raise OutOfRange(f"{self.what} of {value:g}{unit} is outside {span}. {self.instead}")


@dataclass(frozen=True)
class Lookup:
    """An input that words can stand for: which choices, and the estimate they give.

    Where the number `not_at_zero_of` is 0 the result is 0 whatever the words: they may be missing, and
    `least` stands for them, which makes the result's uncertainty the largest that it can be.
    """

    words: tuple[str, ...]
    find: Callable[..., Estimate]
    not_at_zero_of: str = ""
    least: float = math.nan


def _no_spread(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    return 0.0


@dataclass(frozen=True)
class Formula:
    """A quantity that is computed from others.

    `own_uncertainty` is what the model itself adds: a standard uncertainty in the result's unit, from the
    result, the numbers and the words. The result is cut to `bounds` only after its uncertainty is found.
    """

    name: str
    title: str
    inputs: Mapping[str, Input]
    unit: str
    source: str
    function: Callable[..., float]
    choices: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    lookups: Mapping[str, Lookup] = field(default_factory=dict)
    own_uncertainty: Callable[[float, Mapping[str, float], Mapping[str, str]], float] = _no_spread
    bounds: tuple[float, float] = (-math.inf, math.inf)
    note: str = ""

    @property
    def stand_ins(self) -> frozenset[str]:
        """The choices that stand for a number, and are not needed where it is given."""
        return frozenset(word for lookup in self.lookups.values() for word in lookup.words)

    @property
    def input_units(self) -> Mapping[str, str]:
        """The names of the numbers, with their units."""
        return {name: needed.unit for name, needed in self.inputs.items()}

    @property
    def needed(self) -> tuple[str, ...]:
        """The numbers that have neither a default nor words that stand for them."""
        return tuple(
            name
            for name, number in self.inputs.items()
            if number.default is None and not number.optional and name not in self.lookups
        )


def computed(
    formula: Formula, numbers: Mapping[str, Estimate], choices: Mapping[str, str] = MappingProxyType({})
) -> Estimate:
    """Compute a quantity, with the uncertainty of its inputs and of its formula.

    Raises `OutOfRange` where the formula does not hold, and ValueError where what it needs is missing or
    unknown. A number given beside the words that could stand for it is the one that counts.
    """
    _check_words(formula, numbers, choices)
    estimates = _filled(formula, numbers, choices)
    for key, estimate in estimates.items():
        formula.inputs[key].check(estimate.value)
    words = {key: word for key, word in choices.items() if key not in formula.stand_ins}
    values = {key: estimate.value for key, estimate in estimates.items()}
    value = float(formula.function(**values, **words))
    parts = [formula.own_uncertainty(value, values, choices)]
    for key, estimate in estimates.items():
        if estimate.uncertainty > 0:
            parts.append(_slope(formula, values, words, key, value) * estimate.uncertainty)
    uncertainty = math.hypot(*parts)
    if not (math.isfinite(value) and math.isfinite(uncertainty)):
        raise OutOfRange(f"{formula.title} comes to no number. Check what was typed and its units.")
    return Estimate(min(max(value, formula.bounds[0]), formula.bounds[1]), uncertainty)


def _check_words(formula: Formula, numbers: Iterable[str], choices: Mapping[str, str]) -> None:
    for key in numbers:
        if key not in formula.inputs:
            raise ValueError(f"'{formula.name}' has no number '{key}'. {nearest(key, formula.inputs)}")
    for key, word in choices.items():
        if key not in formula.choices:
            raise ValueError(f"'{formula.name}' has no choice '{key}'. {nearest(key, formula.choices)}")
        if word not in formula.choices[key]:
            raise ValueError(f"'{word}' is no {key}. {nearest(word, formula.choices[key])}")
    for key, known in formula.choices.items():
        if key not in choices and key not in formula.stand_ins:
            raise ValueError(f"'{formula.name}' needs '{key}'. {nearest('', known)}")


def _filled(
    formula: Formula, numbers: Mapping[str, Estimate], choices: Mapping[str, str]
) -> dict[str, Estimate]:
    """Return the numbers as given, else as words say, else as usual."""
    estimates: dict[str, Estimate] = {}
    for key, needed in formula.inputs.items():
        lookup = formula.lookups.get(key)
        if key in numbers:
            estimates[key] = numbers[key]
        elif lookup and all(word in choices for word in lookup.words):
            estimates[key] = lookup.find(**{word: choices[word] for word in lookup.words})
        elif lookup and lookup.not_at_zero_of in numbers and numbers[lookup.not_at_zero_of].value == 0:
            estimates[key] = Estimate(lookup.least)
        elif needed.default is not None:
            estimates[key] = needed.default
        elif not needed.optional:
            words = " and ".join(f"'{word}'" for word in lookup.words) if lookup else ""
            raise ValueError(f"'{formula.name}' needs '{key}' ({needed.unit}){words and ', or ' + words}.")
    return estimates


def _slope(
    formula: Formula, values: Mapping[str, float], words: Mapping[str, str], key: str, value: float
) -> float:
    """How much the result moves with an input: the central difference, at a kink the steeper side.

    Where the formula ends on one side, the other side alone counts.
    """
    needed, value_here = formula.inputs[key], values[key]
    step = STEP * max(1.0, abs(value_here))
    sides = []
    for moved_to in (max(value_here - step, needed.low), min(value_here + step, needed.high)):
        if moved_to != value_here:
            try:
                moved = formula.function(**{**values, key: moved_to}, **words)
            except OutOfRange:
                continue
            sides.append((moved - value) / (moved_to - value_here))
    if not sides:
        raise OutOfRange(f"{formula.title} holds at this one point only. Check what was typed and its units.")
    steeper, central = max(abs(side) for side in sides), abs(sum(sides)) / len(sides)
    return central if steeper - central < 0.01 * steeper else steeper


def temperature(what: str, low: float, high: float, default: Estimate | None = None) -> Input:
    """Return the input for a temperature in °C."""
    return Input("°C", low, high, f"{what} temperature", default=default)


AIR, SURFACE = temperature("An air", -40, 60), temperature("A surface", -60, 200)
_PLACE = "Take it at the place itself, not as the weather report reduces it to sea level."
AIR_BAR = Input("bar abs", 0.7, 1.1, "An air pressure", _PLACE, Estimate(STANDARD_AIR_BAR, rectangular(0.03)))
CANCELS = (
    "Read with one instrument, its common error cancels: state how far repeats differ, not its accuracy."
)
"""The note of a difference."""

Function = TypeVar("Function", bound=Callable[..., float])


def formula(
    title: str, unit: str, source: str, inputs: Mapping[str, Input], **more: Any
) -> Callable[[Function], Function]:
    """Make the function below a formula under its own name; `more` are other fields of `Formula`.

    Raises `ValueError` where another function is a formula of that name already.
    """

    def enter(function: Function) -> Function:
        name = function.__name__
        if name in ENTERED:
            raise ValueError(f"There are two formulas '{name}': in {ENTERED[name].function.__module__} too.")
        ENTERED[name] = Formula(name, title, inputs, unit, source, function, **more)
        return function

    return enter


ENTERED: dict[str, Formula] = {}
"""Every formula by name, entered as its module is imported; `formulas.FORMULAS` has them all."""
