"""Does all that a technician must see of a reading fit its card, without scrolling?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from advisor.checks.registry import consistency_check
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.problems import Problem
from advisor.knowledge.room import (
    FAULT_NAME,
    MOST_OUTCOMES,
    MOST_STEPS,
    OUTCOME,
    READING_NAME,
    SHORT,
    STEP,
)


@consistency_check
def room(knowledge: Knowledge) -> Iterator[Problem]:
    """Find what is too long, or too much, for a card of 80 by 24."""
    for name, fault in knowledge.faults.items():
        yield from _long(knowledge, ("faults", name, "name"), f"The name of '{name}'", fault.name, FAULT_NAME)
    for name, fact in knowledge.facts.items():
        for value, words in fact.words.items():
            path: Path = ("facts", name, "words", value)
            yield from _long(knowledge, path, f"'{value}' of '{name}'", words, OUTCOME)
    for name, setup in knowledge.setups.items():
        yield from _steps(knowledge, ("setups", name, "steps"), setup.steps)
    for name in knowledge.readings:
        yield from _reading(knowledge, name)
    for name, caution in knowledge.cautions.items():
        if "short" in caution.model_fields_set:
            path = ("cautions", name, "short")
            yield from _long(knowledge, path, f"What '{name}' says in short", caution.short, SHORT)
        else:
            yield Problem(
                knowledge.place("cautions", name),
                "room",
                f"'{name}' says nothing in short, so a card shows its name alone.",
                "",
                f"Add 'short: …', what to do or not to do in at most {SHORT} characters.",
                "weak",
            )


def _reading(knowledge: Knowledge, name: str) -> Iterator[Problem]:
    reading, path = knowledge.readings[name], ("readings", name)
    yield from _long(knowledge, (*path, "name"), f"The name of '{name}'", reading.name, READING_NAME)
    yield from _steps(knowledge, (*path, "steps"), reading.steps)
    answers = (*path, "outcomes") if reading.quantity is None else (*path, "quantity", "bands")
    if len(reading.answers) > MOST_OUTCOMES:
        yield Problem(
            knowledge.place(*answers),
            "room",
            f"'{name}' has {len(reading.answers)} outcomes, and a card has room for {MOST_OUTCOMES}.",
            "",
            "Put together those that are treated alike, or take it apart into two readings.",
            "weak",
        )
    for outcome, words in reading.answers.items():
        yield from _long(knowledge, (*answers, outcome), f"'{outcome}' of '{name}'", words, OUTCOME)


def _steps(knowledge: Knowledge, path: Path, steps: Sequence[str]) -> Iterator[Problem]:
    if len(steps) > MOST_STEPS:
        yield Problem(
            knowledge.place(*path),
            "room",
            f"'{path[1]}' has {len(steps)} steps, and a card has room for {MOST_STEPS}.",
            "",
            "Put together what is done in one go.",
            "weak",
        )
    for at, step in enumerate(steps):
        yield from _long(knowledge, (*path, at), f"Step {at + 1} of '{path[1]}'", step, STEP)


def _long(knowledge: Knowledge, path: Path, which: str, words: str, most: int) -> Iterator[Problem]:
    if len(words) > most:
        yield Problem(
            knowledge.place(*path),
            "room",
            f"{which} is {len(words)} characters long, and a card has room for {most}.",
            "",
            "Say it shorter.",
            "weak",
        )
