"""Small screens: everything on the task can be read, and a caution is confirmed only once it was in view."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import OptionList

from advisor.case.entries import Acknowledged, Prepared, Repaired
from advisor.screens.bench.cautions import CautionsScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.widgets.cardtext import CardText
from advisor.screens.widgets.choices import ChoiceScreen
from tests.test_bench import HUM, on_card
from tests.test_screens import SMALL, opened, running, said, settled, text_of, until, words

LONG = (
    "Stand clear of every part that moves, keep sleeves and hair tied back, let the lamp and all things "
    "beside it cool until a hand held close feels no warmth, and have nobody else in the car meanwhile. "
)
SIZES = [SMALL, (60, 20), (40, 12)]


@pytest.fixture
def hum(tmp_path: Path) -> Path:
    """A small invented knowledge with cautions that are longer than a small screen shows."""
    text = HUM.replace("Let it cool first.", LONG * 3)
    text = text.replace("waiting_minutes: 40,", "waiting_minutes: 40, cautions: [ramp],")
    ramp = f"cautions:\n  ramp: {{name: Ramp, signal: warning, text: '{LONG}'}}\n"
    text = text.replace("cautions:\n  hot:", f"{ramp}  hot:")
    folder = tmp_path / "hum"
    folder.mkdir()
    (folder / "hum.yaml").write_text(text, encoding="utf-8")
    return folder


def actions(task: TaskScreen) -> list[str | None]:
    """What the lines below the task do."""
    return [one.id for one in task.query_one("#answers", OptionList).options]


async def pressed(pilot: Pilot[None], *keys: str) -> None:
    """Press keys one after the other, each once the one before has done what it does."""
    for key in keys:
        await pilot.press(key)
        await settled(pilot)


@pytest.mark.parametrize("size", SIZES[2:])
@pytest.mark.parametrize("focus", ["#answers", "#text"])
async def test_page_keys_scroll_the_task_wherever_the_focus_is(
    hum: Path, tmp_path: Path, size: tuple[int, int], focus: str
) -> None:
    """PgDn reads on and PgUp reads back, also where a list or the story has the focus."""
    async with running(hum, tmp_path, size) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "current")
        task.query_one(focus).focus()
        await pressed(pilot, "pagedown")
        text = task.query_one(CardText)
        assert text.scroll_y > 0
        await pressed(pilot, "pageup")
        assert text.scroll_y == 0
        while text.scroll_y < text.max_scroll_y:
            before = text.scroll_y
            await pressed(pilot, "pagedown")
            assert text.scroll_y > before


async def in_full(pilot: Pilot[None]) -> CardText:
    """Open the cautions of the card in full."""
    await pressed(pilot, "y")
    await until(pilot, lambda screen: isinstance(screen, CautionsScreen))
    await settled(pilot)
    return pilot.app.screen.query_one(CardText)


@pytest.mark.parametrize("size", SIZES)
async def test_cautions_are_confirmed_only_once_each_was_in_view(
    hum: Path, tmp_path: Path, size: tuple[int, int]
) -> None:
    """The key y goes to what was not in view yet, says so, and confirms nothing until all of it was."""
    async with running(hum, tmp_path, size) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "current")
        text = await in_full(pilot)
        seen = set()
        for _ in range(60):
            seen |= set(range(round(text.scroll_y), round(text.scroll_y) + text.size.height))
            whole = set(range(text.rows[-1].stop)) <= seen
            await pressed(pilot, "y")
            assert bool(task.session.case.acknowledged) == whole
            if whole:
                break
            assert "then press y again" in said(pilot, "#says")
        assert task.session.case.acknowledged == {"ramp", "hot"}
        assert pilot.app.screen is task


async def test_the_card_names_the_most_severe_caution_and_locks_the_answers(
    hum: Path, tmp_path: Path
) -> None:
    """Its signal word and its name are in view at 80 by 24, the others by name; digits answer nothing yet."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "current")
        shown = text_of(pilot)
        assert "▌ WARNING" in shown
        assert "▌ also: " in shown
        await pressed(pilot, "1", "5")
        assert task.session.case.entries == ()
        assert pilot.app.screen is task


async def test_cautions_read_by_paging_are_confirmed_at_once(hum: Path, tmp_path: Path) -> None:
    """Whoever has paged through them all presses y once."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "current")
        text = await in_full(pilot)
        while text.scroll_y < text.max_scroll_y:
            await pressed(pilot, "pagedown")
        await pressed(pilot, "y")
        assert task.session.case.acknowledged == {"ramp", "hot"}


async def test_a_jump_to_the_end_leaves_cautions_unread(hum: Path, tmp_path: Path) -> None:
    """What was only passed over was not in view."""
    async with running(hum, tmp_path, (40, 12)) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "current")
        text = await in_full(pilot)
        text.scroll_end(animate=False)
        await settled(pilot)
        await pressed(pilot, "y")
        assert task.session.case.acknowledged == frozenset()


async def test_the_rows_of_lines_are_those_on_the_screen(hum: Path, tmp_path: Path) -> None:
    """Lines take as many rows in all as the text has."""
    async with running(hum, tmp_path, (60, 20)) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "current")
        text = task.query_one(CardText)
        assert text.rows[-1].stop == text.virtual_size.height


async def test_a_wait_begins_only_after_its_cautions_were_read(hum: Path, tmp_path: Path) -> None:
    """Neither the line nor the key begins a wait whose setups warn of something nobody has read."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        await opened(pilot)
        task = await on_card(pilot, "warm")
        assert "made asleep" not in actions(task)
        await pressed(pilot, "w")
        assert "Read the cautions first" in said(pilot, "#news")
        assert list(task.session.case.entries) == []
        await pressed(pilot, "y", "y")
        assert [type(entry) for entry in task.session.case.entries] == [Acknowledged]
        assert "made asleep" in actions(task)
        await pressed(pilot, "w")
        assert [type(entry) for entry in task.session.case.entries] == [Acknowledged, Prepared]


@pytest.mark.parametrize("size", [*SIZES, (120, 40)])
async def test_cautions_of_a_remedy_are_in_view_before_it_counts(
    hum: Path, tmp_path: Path, size: tuple[int, int]
) -> None:
    """They can be scrolled, and the remedy is entered after all were seen."""
    async with running(hum, tmp_path, size) as pilot:
        task = await opened(pilot)
        await pressed(pilot, "e")
        names = [option.id for option in pilot.app.screen.query_one(OptionList).options]
        await pressed(pilot, str(names.index("lamp") + 1))
        await until(pilot, lambda screen: isinstance(screen, CautionsScreen))
        await settled(pilot)
        text = pilot.app.screen.query_one(CardText)
        assert text.size.height > 0
        if text.max_scroll_y:
            await pressed(pilot, "y")
            assert isinstance(pilot.app.screen, CautionsScreen)
            assert "Not every caution was in view" in words(pilot)
        for _ in range(100):
            await pressed(pilot, "y")
            if isinstance(pilot.app.screen, ChoiceScreen):
                break
        assert list(task.session.case.entries) == []
        await pressed(pilot, "1")
        assert [type(entry) for entry in task.session.case.entries] == [Acknowledged, Repaired]


async def test_steps_carry_no_numbers_that_look_like_keys(hum: Path, tmp_path: Path) -> None:
    """The numbers on the card are those of the answers; the list of steps has none."""
    file = hum / "hum.yaml"
    text = file.read_text(encoding="utf-8")
    text = text.replace("name: Glow through the gap", "name: Glow through the gap\n    steps: [Look, Wait]")
    file.write_text(text, encoding="utf-8")
    async with running(hum, tmp_path, (100, 40)) as pilot:
        await opened(pilot)
        await on_card(pilot, "glow")
        assert "• Look" in said(pilot, "#task")
        assert "1." not in said(pilot, "#task")
        await pressed(pilot, "1", "s")
        prompts = [str(one.prompt) for one in pilot.app.screen.query_one(OptionList).options]
        assert [one.splitlines()[0] for one in prompts] == ["Glow through the gap: Dark"]
        assert "Glow through the gap: Dark" in text_of(pilot)
