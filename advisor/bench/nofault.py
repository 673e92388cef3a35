"""A job that ends without a fault: what was tested and under which conditions, and which were not met."""

from __future__ import annotations

from collections.abc import Iterator

from advisor.bench.history import History
from advisor.bench.wording import outcome_words
from advisor.case.condition import present
from advisor.case.entries import CUSTOMER, Measured, Noted, Seen
from advisor.knowledge.knowledge import setups_of


def tested_lines(history: History) -> Iterator[str]:
    """Yield each reading at the car with its last answer, and the conditions that it was taken under."""
    knowledge, case = history.knowledge, history.case
    last: dict[str, int] = {}
    for step, entry in case.counting.items():
        if isinstance(entry, Seen | Measured) and not (isinstance(entry, Seen) and entry.by == CUSTOMER):
            last[entry.reading] = step
    for name, step in last.items():
        setups = setups_of(knowledge, name) if _known(history, name) else ()
        under = [knowledge.setups[one].name for one in setups]
        if case.at_rest(knowledge, step):
            under.append("the complaint was not there")
        words = f"{history.reading(name)}: {_answer(history, step)}"
        yield f"{words} ({'; '.join(under)})" if under else words
    for entry in case.counting.values():
        if isinstance(entry, Noted) and entry.measurand in knowledge.measurands:
            yield f"On that day: {knowledge.measurands[entry.measurand].name}, {entry.measurement.typed}"


def not_met_lines(history: History) -> Iterator[str]:
    """Yield what was missing: the complaint itself, and what the readings that are left would have needed."""
    knowledge, case = history.knowledge, history.case
    if case.is_at_rest:
        yield "The complaint was not there."
    here = present(knowledge, case).condition.in_place
    needed = (setup for one in history.found.left for setup in setups_of(knowledge, one.reading))
    for setup in dict.fromkeys(needed):
        if setup not in here and not knowledge.setups[setup].on_arrival:
            yield knowledge.setups[setup].name
    for name, reason in case.skipped.items():
        yield f"{history.reading(name)}: not taken ({reason})"


def _known(history: History, reading: str) -> bool:
    return reading in history.knowledge.readings


def _answer(history: History, step: int) -> str:
    entry = history.case.entries[step - 1]
    if isinstance(entry, Measured):
        return ", ".join(history.measured(step, entry))
    if not isinstance(entry, Seen):
        raise TypeError(f"step {step} is no reading")
    if not _known(history, entry.reading):
        return history.outcome(entry)
    return outcome_words(history.knowledge, history.case, entry.reading, entry.outcome, history.preferences)
