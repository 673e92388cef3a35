"""Parse what a person types for a quantity reading: the fields to fill in, and their result."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from advisor.arrays import Floats
from advisor.case.case import Case
from advisor.case.entries import Known, Measured, Noted
from advisor.knowledge.knowledge import Knowledge, quantity_of
from advisor.knowledge.vocabulary import LimitByFact, Quantity
from advisor.measure.formula import OutOfRange
from advisor.measure.formulas import FORMULAS
from advisor.measure.uncertainty import number
from advisor.measure.units import NotAQuantity, convert, kind_of, parse, preferred, show
from advisor.model.observation import Measurement, accuracy_of, estimate, weigh, weighed

ORDINARY = 10.0
"""Numbers above this many times the reading's highest limit are out of the ordinary (estimate)."""
ECHOED_DIGITS = 6
"""Digits to which a typed number is shown again."""
LONGEST_AGO_MINUTES = 14 * 24 * 60
"""Nobody remembers for longer since when a car is so."""
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})")
TELLING = 0.02
"""A band is possible if it explains the number at least this well, relative to the best one."""


class NotUnderstood(ValueError):
    """What was typed cannot be used; the sentence says what is wrong and what would be right.

    If something is missing, `field` is the key of its field.
    """

    field = ""

    def of(self, field: str) -> NotUnderstood:
        """Return the error with the key of the field that is missing."""
        self.field = field
        return self


def since_when(text: str, now: datetime) -> datetime:
    """Understand minutes ago, or the last time that a clock showed such a time; raises `NotUnderstood`."""
    clock = _CLOCK.fullmatch(text.strip())
    if clock:
        here = now.astimezone()
        try:
            at = here.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
        except ValueError:
            raise NotUnderstood(f"No clock shows {clock[0]}. Write a time such as 7:45.") from None
        return at if at <= here else at - timedelta(days=1)
    try:
        minutes = parse(text, "min")
    except NotAQuantity as error:
        raise NotUnderstood(f"{error} Write a time such as 7:45 if you mean one.") from error
    if not 0 <= minutes <= LONGEST_AGO_MINUTES:
        raise NotUnderstood("That is in the future, or too long ago. Write minutes ago, such as 20.")
    return now - timedelta(minutes=minutes)


@dataclass(frozen=True)
class Field:
    """One thing to fill in: a number in `unit`, or one of `choices` (word, and what it means).

    `instrument` is the default for a number: the only one there is, or the one used last on this job; if
    neither exists, it has to be chosen.
    """

    key: str
    ask: str
    unit: str | None
    choices: tuple[tuple[str, str], ...]
    instruments: tuple[str, ...]
    optional: bool = False
    instrument: str = ""


@dataclass(frozen=True)
class Understood:
    """The result of the filled-in fields: entries for the case, and lines for the person."""

    facts: tuple[Known, ...]
    measured: Measured
    lines: tuple[str, ...]


def known_with(knowledge: Knowledge, facts: Mapping[str, str], fact: str, value: str) -> tuple[Known, ...]:
    """Return a fact as known, and the facts of the same matter that it tells and nobody has asked about."""
    said = knowledge.facts.get(fact)
    told = said.tells.get(value, {}) if said else {}
    return (Known(fact, value), *(Known(one, at) for one, at in told.items() if one not in facts))


def fields(
    knowledge: Knowledge, case: Case, reading: str, preferences: Mapping[str, str], without: Iterable[str]
) -> tuple[Field, ...]:
    """Return the fields of a quantity reading; what the case remembers is not asked again."""
    definition = knowledge.readings[reading]
    quantity = quantity_of(knowledge, reading)
    lacking = set(without)

    def at_hand(instruments: Iterable[str]) -> tuple[str, ...]:
        return tuple(instrument for instrument in instruments if instrument not in lacking)

    if quantity.derived is None:
        unit = preferred(quantity.unit, preferences)
        instruments = at_hand(definition.instrument)
        return (Field(reading, definition.name, unit, (), instruments, instrument=_usual(case, instruments)),)
    asked = []
    formula = FORMULAS[quantity.derived.formula]
    for name, source in ((name, str(source)) for name, source in quantity.derived.inputs.items()):
        measurand = knowledge.measurands.get(source)
        if source in knowledge.facts and source not in case.facts:
            fact = knowledge.facts[source]
            values = tuple((value, fact.in_words(value)) for value in fact.values)
            asked.append(Field(source, fact.ask, None, values, ()))
        elif measurand is not None and (measurand.each_time or case.remembered(source, reading) is None):
            own = measurand.unit and preferred(measurand.unit, preferences)
            choices = tuple((word, word) for word in measurand.choices or ())
            instruments = at_hand(measurand.instrument or definition.instrument) if own else ()
            optional = name in formula.input_units and name not in formula.needed
            usual = _usual(case, instruments)
            asked.append(Field(source, measurand.ask, own, choices, instruments, optional, usual))
    return tuple(asked)


def _usual(case: Case, instruments: tuple[str, ...]) -> str:
    """Return the default instrument of a number, or ""."""
    if len(instruments) == 1:
        return instruments[0]
    measured = [entry.take for entry in case.counting.values() if isinstance(entry, Measured)]
    used = [one.instrument for take in measured for one in take if one.instrument in instruments]
    return used[-1] if used else ""


def understand(
    knowledge: Knowledge,
    case: Case,
    reading: str,
    filled: Mapping[str, str],
    instruments: Mapping[str, str],
    preferences: Mapping[str, str],
) -> Understood:
    """Turn filled-in fields into entries; `instruments` says what each number was taken with.

    Raises `NotUnderstood` with a sentence where something is missing, implausible or cannot be read.
    """
    quantity = quantity_of(knowledge, reading)
    facts: list[Known] = []
    take: list[Measurement] = []
    for one in fields(knowledge, case, reading, preferences, ()):
        text = filled.get(one.key, "").strip()
        if not text and (one.optional or one.key in _idle(knowledge, reading, take)):
            continue
        if not text:
            raise NotUnderstood(f"Something is missing. Fill in: {one.ask}").of(one.key)
        if one.key in knowledge.facts:
            facts += known_with(knowledge, case.facts, one.key, text)
        elif one.unit is None:
            take.append(Measurement(one.key, text, "", text))
        else:
            instrument = instruments.get(one.key, one.instrument)
            take.append(_measured(knowledge, reading, one, text, instrument))
            if one.instruments and not instrument:
                sentence = f"Something is missing. Choose the meter for {one.ask}."
                raise NotUnderstood(sentence).of(one.key)
    keys = {one.measurand for one in take}
    for source in map(str, quantity.derived.inputs.values() if quantity.derived else ()):
        remembered = case.remembered(source, reading)
        if remembered is not None and source not in keys:
            take.append(remembered)
    measured = Measured(reading, tuple(take))
    known = {**case.facts, **{fact.fact: fact.value for fact in facts}}
    return Understood(tuple(facts), measured, _lines(knowledge, case, measured, known, preferences))


def possible_bands(knowledge: Knowledge, facts: Mapping[str, str], measured: Measured) -> tuple[str, ...]:
    """Return the bands that a number may lie in with its instrument; all while its limits are not known."""
    quantity = quantity_of(knowledge, measured.reading)
    likelihood = weighed(knowledge, measured.reading, facts, (measured.take,))
    return tuple(quantity.bands) if likelihood is None else _possible(quantity, likelihood)


def _possible(quantity: Quantity, likelihood: Floats) -> tuple[str, ...]:
    best = float(likelihood.max())
    weights = zip(quantity.bands, likelihood.tolist(), strict=True)
    return tuple(band for band, weight in weights if best > 0 and weight / best >= TELLING)


def likeliest_band(knowledge: Knowledge, facts: Mapping[str, str], measured: Measured) -> str:
    """Return the band that explains one take best."""
    likelihood = weigh(knowledge, measured.reading, facts, (measured.take,))
    return list(quantity_of(knowledge, measured.reading).bands)[int(likelihood.argmax())]


def _idle(knowledge: Knowledge, reading: str, take: Iterable[Measurement]) -> frozenset[str]:
    """Return the fields that a measured 0 makes needless: a fuse without a voltage carries no current."""
    derived = quantity_of(knowledge, reading).derived
    if derived is None:
        return frozenset()
    zero = {one.measurand for one in take if one.value == 0}
    lookups = FORMULAS[derived.formula].lookups.values()
    idle = {
        derived.inputs.get(word)
        for lookup in lookups
        if derived.inputs.get(lookup.not_at_zero_of) in zero
        for word in lookup.words
    }
    return frozenset(one for one in idle if isinstance(one, str))


def direct(knowledge: Knowledge, reading: str, text: str, instrument: str) -> Measured:
    """Return a quantity reading that was given as one number, even if a formula would compute it."""
    quantity = quantity_of(knowledge, reading)
    name = knowledge.readings[reading].name
    field = Field(reading, name, quantity.unit, (), ())
    return Measured(reading, (_measured(knowledge, reading, field, text, instrument),))


def figure_of_the_day(
    knowledge: Knowledge, measurand: str, text: str, preferences: Mapping[str, str]
) -> Noted:
    """Return a figure of the day as it was typed; raises `NotUnderstood`."""
    definition = knowledge.measurands[measurand]
    unit = preferred(definition.unit or "", preferences)
    return Noted(
        measurand, _measured(knowledge, "", Field(measurand, definition.ask, unit, (), ()), text, "")
    )


def _measured(knowledge: Knowledge, reading: str, field: Field, text: str, instrument: str) -> Measurement:
    if field.key == reading:
        quantity = quantity_of(knowledge, reading)
        unit, (low, high) = quantity.unit, quantity.range
    else:
        measurand = knowledge.measurands[field.key]
        unit, (low, high) = measurand.unit or "", measurand.range or (0.0, 0.0)
    shown = field.unit or unit

    def words(number: float) -> str:
        return show(convert(number, unit, shown), shown, ECHOED_DIGITS)

    try:
        value = convert(parse(text, shown), shown, unit)
    except NotAQuantity as error:
        raise NotUnderstood(str(error)) from error
    ordinary = min(high, _ordinary(knowledge, reading)) if field.key == reading else high
    ask_for_unit(knowledge, text, shown, instrument, unit, (low, high), ordinary)
    if not low <= value <= high:
        raise NotUnderstood(
            f"{words(value)} is not plausible here: {words(low)} to {words(high)} is. Read again."
        )
    return Measurement(
        field.key, value, instrument, words(value) if is_bare(text) else " ".join(text.split())
    )


def is_bare(text: str) -> bool:
    """Return whether a number was typed without a unit."""
    return not any(letter.isalpha() or letter in "°%" for letter in text)


def _ordinary(knowledge: Knowledge, reading: str) -> float:
    """Return up to which number a reading is ordinary: some way above its highest limit."""
    limits = quantity_of(knowledge, reading).limits
    numbers = [one.values.values() if isinstance(one, LimitByFact) else (one,) for one in limits]
    return ORDINARY * max((number for several in numbers for number in several), default=math.inf)


def ask_for_unit(
    knowledge: Knowledge,
    text: str,
    shown: str,
    instrument: str,
    unit: str,
    plausible: tuple[float, float],
    ordinary: float,
) -> None:
    """Ask for the unit of a number without one that seems to be in another unit of its instrument.

    That is the case if in `shown` it is implausible, or less than the instrument can tell from 0, and in the
    other unit it would be ordinary, up to `ordinary`. Limits are in `unit`. Raises `NotUnderstood`.
    """
    meter = knowledge.instruments.get(instrument)
    if meter is None or not is_bare(text):
        return
    try:
        number_typed = parse(text, shown)
    except NotAQuantity:
        return
    value = convert(number_typed, shown, unit)
    accuracy = accuracy_of(knowledge, instrument, unit)
    measured = number(value, instrument, accuracy)
    least = max(math.hypot(measured.systematic, measured.random), accuracy.resolution if accuracy else 0.0)
    is_plausible = plausible[0] <= value <= plausible[1]
    if value == 0 or (is_plausible and abs(value) >= least):
        return
    for other in meter.units:
        if kind_of(other) != kind_of(unit) or other == shown or convert(0.0, other, unit) != 0:
            continue
        if least <= convert(number_typed, other, unit) <= ordinary:
            both = f"{show(number_typed, shown, ECHOED_DIGITS)} or {show(number_typed, other, ECHOED_DIGITS)}"
            typed = text.strip()
            raise NotUnderstood(f"{both}? Write the unit as well: {typed}{shown} or {typed}{other}.")


def _lines(
    knowledge: Knowledge,
    case: Case,
    measured: Measured,
    facts: Mapping[str, str],
    preferences: Mapping[str, str],
) -> tuple[str, ...]:
    """Return the value and its uncertainty, in its own and the preferred unit, and its possible bands."""
    reading, quantity = measured.reading, quantity_of(knowledge, measured.reading)
    takes = (*case.takes_now(knowledge, reading), measured.take)
    try:
        estimated = estimate(knowledge, reading, facts, takes)
        likelihood = weigh(knowledge, reading, facts, takes)
    except OutOfRange as error:
        raise NotUnderstood(str(error)) from error
    low, high = quantity.range
    if not low <= estimated.value <= high:
        raise NotUnderstood(
            f"This comes to {show(estimated.value, quantity.unit)}, but {show(low, quantity.unit)} to "
            f"{show(high, quantity.unit)} is plausible. Read it again."
        )
    value = f"= {show(estimated.value, quantity.unit, 4)}"
    other = preferred(quantity.unit, preferences)
    if other != quantity.unit:
        value += f" = {show(convert(estimated.value, quantity.unit, other), other, 4)}"
    if estimated.uncertainty:
        value += f" ± {show(estimated.uncertainty, quantity.unit, 2)} (standard uncertainty)"
    if len(takes) > 1:
        value += f", from {len(takes)} takes"
    possible = [quantity.bands[one] for one in _possible(quantity, likelihood)]
    bands = f"In the band: {possible[0]}" if len(possible) == 1 else f"May be: {' or '.join(possible)}"
    return value, bands
