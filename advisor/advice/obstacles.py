"""Why a reading cannot be taken: what the workshop lacks, the kind of car, the day, the car's condition."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from advisor.advice.rules import Workshop, lacks
from advisor.case.case import Case
from advisor.knowledge.conditions import OutOfReach, asked_first, not_on
from advisor.knowledge.knowledge import Knowledge
from advisor.measure.units import show


def obstacle(knowledge: Knowledge, case: Case, reading: str, workshop: Workshop) -> str | None:
    """Why a reading cannot be taken here and on this car, whatever its condition; None where it can."""
    return next(obstacles(knowledge, case, reading, workshop), None)


def obstacles(knowledge: Knowledge, case: Case, reading: str, workshop: Workshop) -> Iterator[str]:
    """Yield all that keeps a reading from being taken here and on this car, whatever its condition."""
    found = (
        case.skipped.get(reading),
        _lacking(knowledge, reading, workshop),
        _not_on_this_car(knowledge, case, reading),
        _answered_already(knowledge, case, reading),
        _not_today(knowledge, case, reading),
    )
    yield from filter(None, found)


def to_ask_first(knowledge: Knowledge, case: Case, reading: str) -> tuple[str, ...]:
    """Return the unknown vehicle facts and figures of the day that decide whether a reading applies."""
    figures = [
        measurand for measurand in knowledge.readings[reading].holds if case.remembered(measurand) is None
    ]
    return (*asked_first(knowledge, reading, case.facts), *figures)


def out_of_reach_words(knowledge: Knowledge, case: Case, why: OutOfReach) -> str:
    """Why there is no way to a reading from the present condition of the car."""
    if why.forbidden:
        for reading, ids in _forbidding(knowledge, case):
            if any(setup in ids for setup in why.forbidden):
                definition = knowledge.readings[reading]
                outcome = case.outcomes.get(reading, "")
                answer = f": {definition.answers[outcome]}" if outcome in definition.answers else ""
                return f"forbidden after “{definition.name}{answer}”"
        return "forbidden after an answer on this job"
    names = ", ".join(f"“{knowledge.setups[setup].name}”" for setup in why.over)
    return f"{names} {'are' if why.over[1:] else 'is'} over and cannot be had again"


def _forbidding(knowledge: Knowledge, case: Case) -> Iterable[tuple[str, frozenset[str]]]:
    """Return the readings taken whose answers may forbid something, with all that they may forbid."""
    for reading in case.taken:
        if reading in knowledge.readings and knowledge.readings[reading].forbids:
            forbids = knowledge.readings[reading].forbids.values()
            yield reading, frozenset(setup for ids in forbids for setup in ids)


def _lacking(knowledge: Knowledge, reading: str, workshop: Workshop) -> str | None:
    asked = knowledge.readings[reading]
    lacking = lacks(knowledge, reading, workshop)
    if lacking == "instrument":
        return "no " + " or ".join(knowledge.instruments[instrument].name for instrument in asked.instrument)
    if lacking == "person":
        absent = {
            "customer": "the customer is not here",
            "certified": "needs a certified person",
            "technician": "needs a technician",
        }
        return absent.get(asked.who, f"needs {asked.who.replace('_', ' ')}")
    return None


def _not_on_this_car(knowledge: Knowledge, case: Case, reading: str) -> str | None:
    fact = not_on(knowledge, reading, case.facts)
    if fact is None:
        return None
    known = knowledge.facts[fact]
    return f"not on this car ({known.name}: {known.in_words(case.facts[fact])})"


def _answered_already(knowledge: Knowledge, case: Case, reading: str) -> str | None:
    """Why the customer is not asked: a fact of the same matter is known."""
    fact = next((one for one in knowledge.readings[reading].answered_by if one in case.facts), None)
    if fact is None or fact not in knowledge.facts:
        return None
    known = knowledge.facts[fact]
    return f"answered already ({known.name}: {known.in_words(case.facts[fact])})"


def _not_today(knowledge: Knowledge, case: Case, reading: str) -> str | None:
    for measurand, (low, high) in knowledge.readings[reading].holds.items():
        figure = case.remembered(measurand)
        if figure is None or isinstance(figure.value, str) or low <= figure.value <= high:
            continue
        definition = knowledge.measurands[measurand]
        unit = definition.unit or ""
        return (
            f"its limits hold from {show(low, unit)} to {show(high, unit)}, "
            f"and “{definition.name}” is {show(figure.value, unit)}"
        )
    return None
