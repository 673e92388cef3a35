"""One slip of indentation is one message, at the first line out of place, with what would be right."""

from __future__ import annotations

import pytest

from advisor.knowledge.loading import parse
from advisor.knowledge.problems import Problem, ProblemsFound
from advisor.knowledge.vocabulary import Document

GOOD = """\
language: 1
standing: estimate
facts:
  parking_heater:
    name: Parking heater
    ask: Does it have a heater that runs without the engine?
    values: {none: 95, fitted: 5}
faults:
  heater_pump:
    name: Parking heater's relay keeps its pump running
    remedy: Replace the relay in the heater's harness
    remedy_minutes: 35
    price: low
    given:
      parking_heater: {none: impossible}
readings:
  heater_hose:
    name: Heater hose warm or humming
    minutes: 3
    setup: asleep
    steps: [Find the heater's coolant hose, Lay a hand on it and feel for the hum of a pump]
    outcomes:
      still: Cold and still
      hums: It hums, or is warm
    noisy_or:
      strengths: with_leak
      leak: 2 of 100
      causes: {heater_pump: 90 of 100}
"""
SLIPS = {
    # what stands wrong: first and last line, by how much it is moved, and the line, code and words told
    "the words of a fault beside its id": (10, 15, -2, 10, "indentation", "in column 5,"),
    "a whole fault beside its section": (9, 15, -2, 9, "indentation", "in column 3,"),
    "outcomes beside their word": (23, 24, -2, 23, "indentation", "in column 7,"),
    "strengths beside noisy_or": (26, 28, -2, 26, "indentation", "in column 7,"),
    "a fact beside given": (15, 15, -2, 15, "indentation", "in column 7,"),
    "the words of a reading beside its id": (18, 28, -2, 18, "indentation", "in column 5,"),
    "a section inside another": (16, 28, 2, 16, "indentation", "in column 1,"),
    "what a reading needs inside its outcomes": (25, 28, 2, 25, "indentation", "in column 5,"),
    "one line too far in": (12, 12, 2, 12, "yaml", "indented further than the one above"),
    "one line too far out": (12, 12, -2, 13, "yaml", "indented further than the one above"),
    "one line out by a letter": (12, 12, -1, 12, "yaml", "begins in column 4, and no line above it does"),
}


def told(text: str) -> list[Problem]:
    """Everything that is said of a text's form."""
    try:
        parse(text, "x.yaml", Document)
    except ProblemsFound as error:
        return list(error.problems)
    return []


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_of_indentation_is_told_once_where_it_is(slip: str) -> None:
    """What follows from it is not told; the column in which the line belongs is."""
    first, last, by, line, code, words = SLIPS[slip]
    moved = [
        (" " * by + one if by > 0 else one[-by:]) if first <= at <= last and one else one
        for at, one in enumerate(GOOD.split("\n"), start=1)
    ]
    (problem,) = told("\n".join(moved))
    assert (problem.place.line, problem.code) == (line, code)
    assert words in str(problem)


def test_good_indentation_is_left_in_peace() -> None:
    """An empty word at the end, and one that may be empty, are no slips."""
    assert told(GOOD) == []


def test_what_is_wrong_besides_a_slip_is_told_as_well() -> None:
    """Only what follows from the slip is kept quiet."""
    text = GOOD.replace("    given:\n      parking", "    given:\n    parking").replace(
        "minutes: 3\n", "minits: 3\n"
    )
    assert [(one.place.line, one.code) for one in told(text)] == [
        (15, "indentation"),
        (19, "unknown-word"),
    ]
