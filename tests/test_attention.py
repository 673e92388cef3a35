"""A double tap answers one question: what comes before a new question was read is no answer to it.

The clock is the tests' own: nothing here waits. 400 ms is the project's choice.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from time import monotonic

import pytest
from textual.events import Key, MouseDown, MouseEvent, MouseUp
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from advisor.screens.app import AdvisorApp
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.start import StartScreen
from advisor.screens.widgets.attention import Attention
from advisor.screens.widgets.choices import ChoiceScreen
from tests.test_desk import at_desk, called
from tests.test_screens import (
    KNOWLEDGE,
    SMALL,
    cautions_read,
    door,
    entered,
    listed,
    opened,
    running,
    settled,
    until,
    words,
)

__all__ = ["door"]


class Clock:
    """A clock that only tests move."""

    now = 1000.0

    def __call__(self) -> float:
        """What it shows."""
        return self.now


@asynccontextmanager
async def read_by_people(pilot: Pilot[None]) -> AsyncIterator[Clock]:
    """The program as it is outside of tests, everything on the screen just read."""
    clock = Clock()
    app = pilot.app
    assert isinstance(app, AdvisorApp)
    app.attention = Attention(0.4, clock)
    yield clock


async def tapped(pilot: Pilot[None], at: tuple[int, int], *events: type[MouseEvent]) -> None:
    """A finger on the screen, the way that drivers tell of it."""
    for event in events:
        pilot.app.post_message(event(None, *at, 0, 0, 1, False, False, False, *at))
        await settled(pilot)


def middle_of(pilot: Pilot[None], where: str, down: int = 0) -> tuple[int, int]:
    """A place within a widget, so many lines from its top."""
    region = pilot.app.screen.query_one(where).region
    return region.x + 6, region.y + down


async def test_a_second_key_at_the_desk_answers_nothing(tmp_path: Path) -> None:
    """160 ms apart, as seen with a trembling finger: one answer; after 400 ms the next one counts."""
    async with at_desk(tmp_path) as pilot:
        screen = await called(pilot, "red van", "wet carpet")
        async with read_by_people(pilot) as clock:
            await pilot.press("1")
            await settled(pilot)
            clock.now += 0.16
            await pilot.press("1")
            await settled(pilot)
            assert len(screen.call.asked) == 1
            clock.now += 0.25
            await pilot.press("1")
            await settled(pilot)
            assert len(screen.call.asked) == 2


@pytest.mark.parametrize("key", ["1", "enter", "u", "x", "escape", "f10", "c"])
async def test_no_key_of_the_bench_counts_right_after_an_answer(door: Path, tmp_path: Path, key: str) -> None:
    """Answer, Enter, command or Escape: nothing happens until the new card can have been read."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            await pilot.press("1")
            await settled(pilot)
            before = task.session
            clock.now += 0.39
            await pilot.press(key)
            await settled(pilot)
            assert pilot.app.screen is task
            assert task.session is before


async def test_a_key_before_a_new_screen_is_laid_out_does_nothing(door: Path, tmp_path: Path) -> None:
    """Typed on while a job opens: the program went down over a card that was not there yet."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        new = TaskScreen(task.session)
        pushed = pilot.app.push_screen(new)
        await pilot.app.on_event(Key("9", "9"))
        await pushed
        await settled(pilot)
        assert pilot.app.screen is new
        assert new.session is task.session


async def test_an_answer_that_came_too_soon_is_said_not_to_be_entered(door: Path, tmp_path: Path) -> None:
    """In the line for news, so that nobody believes it was saved: after the answer, and while it is saved."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            await pilot.press("1")
            await settled(pilot)
            entries = task.session.filed.entries
            clock.now += 0.1
            await pilot.press("2")
            await settled(pilot)
            assert "Too soon: “2” was not entered." in str(task.query_one("#news", Static).render())
            assert not pilot.app._notifications
            task.saving = True
            task.change(lambda: task.session.undone())
            assert "Too soon: this was not entered." in str(task.query_one("#news", Static).render())
            task.saving = False
            assert task.session.filed.entries == entries


@pytest.mark.parametrize("key", ["s", "h", "o", "d", "question_mark", "f1"])
async def test_keys_that_only_open_something_never_wait(door: Path, tmp_path: Path, key: str) -> None:
    """Right after an answer they count, and Escape leaves at once what they have opened."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            await pilot.press("1")
            await settled(pilot)
            clock.now += 0.01
            await pilot.press(key)
            await settled(pilot)
            assert pilot.app.screen is not task
            await pilot.press("escape")
            await settled(pilot)
            assert pilot.app.screen is task


async def test_a_second_tap_answers_nothing(door: Path, tmp_path: Path) -> None:
    """A tap counts like a key: once for each question."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            where = middle_of(pilot, "#answers")
            await tapped(pilot, where, MouseDown, MouseUp)
            assert len(task.session.case.taken) == 1
            clock.now += 0.2
            await tapped(pilot, where, MouseDown, MouseUp)
            assert len(task.session.case.taken) == 1
            clock.now += 0.41
            await tapped(pilot, middle_of(pilot, "#answers"), MouseDown, MouseUp)
            assert len(task.session.case.counting) == 2


async def test_a_second_undo_takes_nothing_back_where_the_question_stays(door: Path, tmp_path: Path) -> None:
    """Two steps that the question does not hang on: a double press takes back one of them."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            for _ in range(2):
                last = task.session.proposals[-1].reading
                task.change(partial(task.session.skipped, last, "no access"))
                await settled(pilot)
            clock.now += 1
            asked = task.session.proposals[0].reading
            for wait, left in ((0.0, 1), (0.16, 1), (0.41, 0)):
                clock.now += wait
                await pilot.press("u")
                await settled(pilot)
                assert task.session.proposals[0].reading == asked
                assert len(task.session.case.counting) == left


async def test_a_finger_that_was_down_before_the_question_came_answers_nothing(
    door: Path, tmp_path: Path
) -> None:
    """Pressed on one card, lifted long after on the next one."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            where = middle_of(pilot, "#answers")
            await tapped(pilot, where, MouseDown)
            clock.now += 1
            await pilot.press("1")
            await settled(pilot)
            clock.now += 5
            await tapped(pilot, where, MouseUp)
            assert len(task.session.case.taken) == 1


async def test_a_dialog_is_not_answered_by_the_key_that_opened_it(door: Path, tmp_path: Path) -> None:
    """The question about closing comes up under a finger that still presses."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            await pilot.press("x")
            await settled(pilot)
            assert isinstance(pilot.app.screen, ChoiceScreen)
            await pilot.press("1")
            await settled(pilot)
            assert isinstance(pilot.app.screen, ChoiceScreen)
            clock.now += 0.5
            await pilot.press("1")
            await settled(pilot)
            assert len(task.session.case.skipped) == 1


async def test_escape_leaves_one_screen_at_a_time(door: Path, tmp_path: Path) -> None:
    """A bounced Escape in the help does not leave the bench, nor the program."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            await pilot.press("f1")
            await settled(pilot)
            assert isinstance(pilot.app.screen, ChoiceScreen)
            clock.now += 1
            for _ in range(4):
                pilot.app.post_message(Key("escape", None))
            await settled(pilot)
            assert pilot.app.screen is task


async def test_a_burst_of_answers_closes_one_dialog(door: Path, tmp_path: Path) -> None:
    """Two keys that were both on their way before the first one counted: the bench below stays."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        for key in ("1", "enter"):
            await pilot.press("x")
            await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
            pilot.app.screen.query_one(OptionList).highlighted = 0
            for _ in range(3):
                pilot.app.screen._forward_event(Key(key, key if key == "1" else None))
                focused = pilot.app.screen.focused
                assert focused is not None
                focused._forward_event(Key(key, key if key == "1" else None))
            await settled(pilot)
            assert pilot.app.screen is task


async def test_typing_is_never_held_up(door: Path, tmp_path: Path) -> None:
    """Letters, and rubbing them out, count at once in a field; Enter, which goes on, does not."""
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        async with read_by_people(pilot) as clock:
            await pilot.press("n")
            await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
            clock.now += 0.01
            await pilot.press(*"bay 23", "backspace", "enter")
            await settled(pilot)
            tag = pilot.app.screen.query_one("#tag", Input)
            assert tag.value == "bay 2"
            assert tag.has_focus
            clock.now += 0.5
            await pilot.press("enter")
            assert not tag.has_focus


async def test_a_number_typed_at_once_is_whole(tmp_path: Path) -> None:
    """The first digit goes into the field, the others come within milliseconds."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.stated("asleep", 60.0))
        task.made = task.chosen = "sleeping_current"
        task.show_session()
        await settled(pilot)
        await cautions_read(pilot, task)
        async with read_by_people(pilot):
            for letter in "430mA":
                pilot.app.post_message(Key(letter, letter))
            await until(pilot, lambda screen: screen.query_one("#typed", Input).value == "430mA")


async def test_moving_about_counts_at_once(door: Path, tmp_path: Path) -> None:
    """Arrows and pages answer nothing, so that they need not wait."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot):
            await pilot.press("1")
            await settled(pilot)
            answers = task.query_one("#answers", OptionList)
            before = answers.highlighted
            await pilot.press("down", "down")
            assert answers.highlighted != before
            await pilot.press("ctrl+q")
            await settled(pilot)
            assert not pilot.app.is_running


async def test_how_sure_an_answer_is_may_be_said_right_before_it(door: Path, tmp_path: Path) -> None:
    """Key g changes no question: the next key counts at once."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot):
            await pilot.press("g", "g", "1")
            await settled(pilot)
            assert len(task.session.case.taken) == 1


def test_the_wait_begins_with_the_painting_and_not_with_the_word_of_it() -> None:
    """On a busy machine the program learns late that it has painted; who reads has seen it since then."""
    clock = Clock()
    attention = Attention(0.4, clock)
    attention.changed()
    clock.now += 1.0
    attention.painted()
    clock.now += 0.3
    attention.readable()
    assert attention.is_too_soon(0)
    clock.now += 0.09
    assert attention.is_too_soon(0)
    clock.now += 0.02
    assert not attention.is_too_soon(0)
    attention.changed()
    attention.readable()
    assert attention.is_too_soon(0)


async def test_the_program_waits_400_ms_by_itself(
    door: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody has to switch it on."""
    monkeypatch.undo()
    app = AdvisorApp([door], frozenset(), f"sqlite:///{tmp_path / 'cases.sqlite'}", looks_ahead=False)
    assert app.attention.seconds == pytest.approx(0.4)
    app.attention.clock = Clock()
    async with app.run_test(size=SMALL) as pilot:
        await until(pilot, listed)
        await pilot.press("n")
        await settled(pilot)
        assert isinstance(pilot.app.screen, StartScreen)
        assert not isinstance(pilot.app.screen, TaskScreen)


@pytest.mark.parametrize("keys", ["fg4", "gj 1", "jkv2"])
async def test_text_typed_where_no_field_is_answers_nothing(door: Path, tmp_path: Path, keys: str) -> None:
    """150 ms from letter to letter, as typed by somebody who thinks that a field is there."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            for key in keys:
                clock.now += 0.15
                await pilot.press("space" if key == " " else key)
                await settled(pilot)
            assert task.session.case.entries == ()
            assert "That looked like typed text" in words(pilot)
            await pilot.press("escape")
            await settled(pilot)


async def test_a_key_and_an_answer_are_no_text(door: Path, tmp_path: Path) -> None:
    """How sure, twice, and the answer right after: it counts."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        async with read_by_people(pilot) as clock:
            for key in ("g", "g", "1"):
                clock.now += 0.15
                await pilot.press(key)
                await settled(pilot)
            assert len(task.session.case.taken) == 1


def test_a_run_of_letters_ends_with_a_pause() -> None:
    """The third of three different letters is text; after the pause a letter is a key again."""
    clock = Clock()
    attention = Attention(0.4, clock)
    found = []
    for letter, wait in (("a", 0.0), ("b", 0.1), ("c", 0.1), ("d", 0.5), ("d", 0.1), ("e", 0.1), ("f", 0.1)):
        clock.now += wait
        found.append(attention.typed(letter, 0.0))
    assert found == [False, False, True, False, False, False, True]


def test_under_another_clock_nothing_has_queued() -> None:
    """A walk by a clock of its own does not hang on how busy the machine is."""
    assert Attention(clock=lambda: 5.0).age(monotonic() - 3) == 0
    assert Attention().age(monotonic() - 3) == pytest.approx(3, abs=0.5)
