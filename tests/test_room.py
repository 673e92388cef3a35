"""Everything of the shipped readings fits a card of 80 by 24, and what does not is told.

The limits are the project's own: they are what the card has lines and columns for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from advisor.checks.room import room
from advisor.knowledge import room as limits
from advisor.knowledge.knowledge import Knowledge
from tests.conftest import complaint, faults

Made = Callable[[str], Knowledge]

CAUTION = "cautions:\n  hot: {name: Hot coolant, text: Let it cool before the cap is opened."


def too_much(knowledge: Knowledge) -> Mapping[str, list[str]]:
    """What goes beyond each limit, by the limit: counted here without the checker."""
    found: dict[str, list[str]] = {}
    for section in ("readings", "setups"):
        for name in knowledge.section(section):
            steps = getattr(knowledge.section(section)[name], "steps")  # noqa: B009
            found.setdefault("steps", []).extend([name] if len(steps) > 5 else [])
            found.setdefault("step", []).extend(step for step in steps if len(step) > 70)
    readings = knowledge.readings.values()
    found["outcomes"] = [one.name for one in readings if len(one.answers) > 6]
    found["outcome"] = [words for one in readings for words in one.answers.values() if len(words) > 60]
    found["reading"] = [one.name for one in readings if len(one.name) > 50]
    found["fault"] = [one.name for one in knowledge.faults.values() if len(one.name) > 48]
    found["caution"] = [one.short for one in knowledge.cautions.values() if len(one.short) > 60]
    return found


def test_every_shipped_reading_and_setup_fits_its_card(shipped: Knowledge) -> None:
    """Nobody scrolls for a step, an answer or what can hurt."""
    found = too_much(shipped)
    assert set(found) == {"steps", "step", "outcomes", "outcome", "reading", "fault", "caution"}
    assert {limit: items for limit, items in found.items() if items} == {}


def test_every_shipped_caution_says_in_short_what_to_do(shipped: Knowledge) -> None:
    """Its name alone says what it is about, and not what keeps from harm."""
    unsaid = [name for name, one in shipped.cautions.items() if one.short == one.name]
    assert unsaid == []
    shorts = [one.short for one in shipped.cautions.values()]
    assert len(set(shorts)) == len(shorts)
    assert [short for short in shorts if not short.endswith(".")] == []


def test_the_checker_and_the_card_have_the_limits_that_the_guide_states(shipped: Knowledge) -> None:
    """An author reads them in the guide; the checker counts by the same."""
    assert (limits.MOST_STEPS, limits.STEP) == (5, 70)
    assert (limits.MOST_OUTCOMES, limits.OUTCOME) == (6, 60)
    assert (limits.READING_NAME, limits.FAULT_NAME, limits.SHORT) == (50, 48, 60)
    assert list(room(shipped)) == []


def test_a_caution_that_says_nothing_in_short_goes_by_its_name(known: Made) -> None:
    """The card has something to show of files that were written before there was a `short`."""
    old = known(complaint("any_of: {a: 60, b: 45}") + faults("a", "b") + CAUTION + "}\n")
    assert old.cautions["hot"].short == "Hot coolant"
    (told,) = room(old)
    assert told.severity == "weak"
    assert "'hot'" in told.what


def test_a_file_without_the_new_words_keeps_its_version(known: Made) -> None:
    """Open jobs were weighed by it; only who writes a `short` has another knowledge."""
    frame = "facts:\n  frame: {name: Frame, ask: Has it a frame?, values: {none: 90, fitted: 10}}\n"
    text = complaint("any_of: {a: 60, b: 45}") + faults("a", "b") + frame + CAUTION
    without, said = known(text + "}\n"), known(text + ", short: Let it cool.}\n")
    assert without.version == "0fdbe19b63ff"  # what the program made of it before there were these words
    assert said.version != without.version
    assert said.cautions["hot"].short == "Let it cool."


@pytest.mark.parametrize(("length", "told"), [(70, 0), (71, 1)])
def test_a_step_of_just_the_limit_fits(known: Made, length: int, told: int) -> None:
    """Seventy characters are a full line; one more is told, with its place among the steps."""
    text = complaint("any_of: {a: 60, b: 45}") + faults("a", "b")
    text += (
        "readings:\n  look:\n    name: Look\n    minutes: 2\n"
        f"    steps: [Look at it, {'x' * length}]\n    outcomes: {{no: No, yes: Yes}}\n"
        "    noisy_or: {leak: 5 of 100, causes: {a: 80 of 100, b: 20 of 100}}\n"
    )
    found = list(room(known(text)))
    assert len(found) == told
    assert [one.what.split(" is ")[0] for one in found] == ["Step 2 of 'look'"] * told
