"""A closed job as a scenario file: what was wrong with the car and what it showed, not whose it was.

Of the job only facts, confirmed causes and readings before the first repair are written. The tag, remarks,
times and everything else that somebody typed freely stay behind.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

from advisor.case.case import Case
from advisor.case.confirmed import Finding, before_repair, finding
from advisor.case.entries import Measured
from advisor.case.typed import NotUnderstood, direct
from advisor.knowledge.knowledge import Knowledge
from advisor.measure.formula import OutOfRange
from advisor.measure.units import show
from advisor.model.observation import estimate
from advisor.store.records import StoredCase

WRITTEN_DIGITS = 4
"""Digits that are written of a measured number; no meter at hand shows more (a choice)."""


class NotRecordable(ValueError):
    """The job cannot become a scenario; the sentence says why."""


def scenario_text(knowledge: Knowledge, filed: StoredCase) -> str:
    """Return a closed job as the text of a scenario file; raise `NotRecordable` if its causes are unknown."""
    found = finding(knowledge, filed.case)
    if isinstance(found, str):
        raise NotRecordable(
            f"Job {filed.number} is {found}. A scenario needs to know what was wrong: close the job with the "
            "cause that was found first."
        )
    return "\n".join([*_lines(knowledge, before_repair(filed.case), found), ""])


def _lines(knowledge: Knowledge, case: Case, found: Finding) -> Iterator[str]:
    causes = sorted(found.causes)
    titles = " and ".join(knowledge.title(cause) for cause in causes)
    yield "# Recorded from a closed job by `advisor case scenario`, without its tag, remarks and times."
    yield "# Readings under `shows` were taken on that car before it was repaired; any other shows what a car"
    yield "# with these causes most often shows. Read it through before you give it away."
    yield "language: 1"
    yield "invented: recorded"
    yield f"name: {_quoted(titles)}"
    yield f"complaint: {case.complaint}"
    facts = {
        fact: value
        for fact, value in found.facts.items()
        if fact in knowledge.facts and value in knowledge.facts[fact].values
    }
    if facts:
        yield "facts: {" + ", ".join(f"{fact}: {_quoted(value)}" for fact, value in facts.items()) + "}"
    yield f"causes: [{', '.join(causes)}]"
    if found.read:
        yield "shows:"
        for reading in found.read:
            yield f"  {reading}: {_quoted(_shown(knowledge, case, found, reading))}"
    yield f"story: {_quoted(f'A job as it was: {titles}. Nothing else of it was kept.')}"


def _shown(knowledge: Knowledge, case: Case, found: Finding, reading: str) -> str:
    """Return the outcome, or the measured number with its unit if a single number says it."""
    answers = tuple(knowledge.readings[reading].answers)
    outcome = answers[int(found.read[reading].argmax())]
    quantity = knowledge.readings[reading].quantity
    mixed = any(
        isinstance(entry, Measured) and entry.reading == reading and case.at_rest(knowledge, step)
        for step, entry in case.counting.items()
    )  # numbers of a time when the complaint was not there among them
    if quantity is None or reading not in case.measured or mixed:
        return outcome
    try:
        value = estimate(knowledge, reading, found.facts, case.measured[reading]).value
        text = show(value, quantity.unit, WRITTEN_DIGITS)
        direct(knowledge, reading, text, "")
    except (OutOfRange, NotUnderstood):
        return outcome
    return text


def _quoted(text: str) -> str:
    """Return a text quoted for YAML, whatever it contains."""
    return json.dumps(text, ensure_ascii=False)
