"""Lists to choose from: by digit, by the number a line begins with, from the first line on."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import OptionList

from advisor.knowledge.knowledge import Knowledge
from advisor.screens.bench.readings import ReadingsScreen
from advisor.screens.widgets.choices import ChoiceScreen
from tests.test_screens import KNOWLEDGE, door, opened, running, said, settled

__all__ = ["door"]

RATINGS = [(one, one) for one in ("5 A", "7.5 A", "10 A", "15 A", "20 A", "25 A", "30 A")]


async def asked(pilot: Pilot[None], screen: ChoiceScreen) -> list[str | None]:
    """Put a list on the screen; what is chosen comes into the list that is returned."""
    chosen: list[str | None] = []
    pilot.app.push_screen(screen, chosen.append)
    await settled(pilot)
    return chosen


@pytest.mark.parametrize("rating", ["5 A", "7.5 A", "15 A", "25 A"])
async def test_a_number_typed_takes_the_line_that_begins_with_it(
    door: Path, tmp_path: Path, rating: str
) -> None:
    """15 is 15 A and never the first or fifth line: a fuse taken for another is a current off by a factor."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        chosen = await asked(pilot, ChoiceScreen("Rating of that fuse", RATINGS))
        for letter in rating.removesuffix(" A"):
            await pilot.press("full_stop" if letter == "." else letter)
        await settled(pilot)
        assert chosen == []
        await pilot.press("enter")
        await settled(pilot)
        assert chosen == [rating]


async def test_the_first_digits_of_a_number_choose_no_line(door: Path, tmp_path: Path) -> None:
    """1 begins 10 A and 15 A and is neither."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        chosen = await asked(pilot, ChoiceScreen("Rating of that fuse", RATINGS))
        await pilot.press("1")
        await settled(pilot)
        assert said(pilot, "#says") == "Typed: 1. Type the whole number."
        await pilot.press("enter")
        await settled(pilot)
        assert chosen == []
        await pilot.press("backspace", "2", "0", "enter")
        await settled(pilot)
        assert chosen == ["20 A"]


async def test_long_lists_have_digits_and_headings_are_passed_over(door: Path, tmp_path: Path) -> None:
    """Nine lines have a digit; an arrow goes from line to line, whatever stands between them."""
    lines = [(f"line {number}", f"Line {letter}") for number, letter in enumerate("abcdefghijkl", start=1)]
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        headings = {"line 3": "Not worth the time any more"}
        screen = ChoiceScreen("Which?", lines, headings=headings)
        chosen = await asked(pilot, screen)
        listed = screen.query_one(OptionList)
        assert str(listed.get_option_at_index(2).prompt) == "Not worth the time any more"
        await pilot.press("down", "down", "enter")
        await settled(pilot)
        assert chosen == ["line 2"]
        chosen = await asked(pilot, ChoiceScreen("Which?", lines, headings=headings))
        await pilot.press("9")
        await settled(pilot)
        assert chosen == ["line 9"]


def test_no_answer_in_words_begins_with_a_digit(shipped: Knowledge) -> None:
    """A digit chooses an answer on the card: one that begins with a number would be taken for another."""
    for name, reading in shipped.readings.items():
        if reading.quantity is None:
            assert not [words for words in reading.answers.values() if words[0].isdigit()], name


async def test_the_list_of_readings_says_where_its_order_restarts(tmp_path: Path) -> None:
    """Below those worth their time come the others, by what they tell once more: a heading says so."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        await pilot.press("o")
        await settled(pilot)
        shown = pilot.app.screen
        assert isinstance(shown, ReadingsScreen)
        lines = [(line, group.heading) for line, group in shown.shown.values() if group.kind == "open"]
        less = "Less worth the time, by what they tell"
        assert sum(heading != less for _, heading in lines) == len(task.session.advice.worth_taking)
        assert lines[-1][1] == less
        await pilot.press("2")
        await settled(pilot)
        assert task.chosen is not None
        assert task.chosen == lines[1][0].reading
