"""The screen that says why not this cause: chosen by key, by name or by finger, at every size."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from advisor.advice.engines import Engines
from advisor.case.case import Case
from advisor.case.entries import NOT_PRESENT
from advisor.checks.lint import checked
from advisor.evaluation.scenarios import play, read_scenarios
from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.bench.whynot import WhyNotScreen
from advisor.screens.widgets.paper import MarkdownView
from advisor.store.store import Store
from tests.conftest import SCENARIOS
from tests.test_bench import HUM
from tests.test_screens import (
    KNOWLEDGE,
    entered,
    listed,
    opened,
    running,
    said,
    settled,
    text_of,
    until,
    words,
)

SIZES = [(60, 20), (80, 24), (120, 40), (200, 60)]
CAMERA = SCENARIOS / "drain" / "06_parking_camera.yaml"


@pytest.fixture
def hum(tmp_path: Path) -> Path:
    """A folder with a small invented knowledge."""
    folder = tmp_path / "hum"
    folder.mkdir()
    (folder / "hum.yaml").write_text(HUM, encoding="utf-8")
    return folder


async def asked(pilot: Pilot[None]) -> WhyNotScreen:
    """The screen, with everything worked out."""
    await pilot.press("v")
    await until(pilot, lambda screen: isinstance(screen, WhyNotScreen))
    screen = pilot.app.screen
    assert isinstance(screen, WhyNotScreen)
    plays = screen.session.can_try_ways
    await until(pilot, lambda _: screen.found is not None and (screen.tried is not None or not plays))
    await settled(pilot)
    return screen


async def pressed(pilot: Pilot[None], *keys: str) -> None:
    """Press keys one after the other, each once the one before has done what it does."""
    for key in keys:
        await pilot.press(key)
        await settled(pilot)


def shown(screen: WhyNotScreen) -> str:
    """What would turn it round, wherever the size has it."""
    return "turns" if screen.wide else "below"


@pytest.mark.parametrize("size", SIZES)
async def test_a_shipped_car_is_explained_at_every_size(tmp_path: Path, size: tuple[int, int]) -> None:
    """The sum, both causes, and what would turn it round stand there; no line runs over the edge."""
    knowledge = checked([KNOWLEDGE])
    scenario = read_scenarios([CAMERA], knowledge)[CAMERA]
    played = play(knowledge, Engines(knowledge).of(Case(scenario.complaint)), scenario)
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        draft = store.draft("blue estate", scenario.complaint, knowledge.version)
        store.append(draft, *played.case.entries[: len(scenario.facts) + 5])
    finally:
        store.close()
    async with running(KNOWLEDGE, tmp_path, size) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        screen = await asked(pilot)
        assert screen.wide == (size[0] >= 110)
        assert screen.query_one("#causes", OptionList).size.height >= 5
        await pressed(pilot, "enter", "down")
        assert screen.cause == screen.causes[1]
        assert "3 points: twice as likely. 10 points: ten times." in text_of(pilot)
        for part in ("Of cars with this complaint", "All together", "Now", "leads"):
            assert part in said(pilot, "#why")
        title = knowledge.title
        assert f"Why not “{title(screen.cause)}”?" in said(pilot, "#title")
        assert title(screen.session.advice.suspects[0].fault) in said(pilot, "#why")
        assert "Played on 1,000 cars like this:" in said(pilot, f"#{shown(screen)}")
        for name in ("#why", f"#{shown(screen)}"):
            static = screen.query_one(name)
            lines = str(getattr(static, "content")).splitlines()  # noqa: B009 - of any kind of Static
            assert max(map(len, lines)) <= static.size.width
        if size[1] >= 40:
            assert "What would turn it round" in text_of(pilot)
            assert "Points follow the order of the entries" in words(pilot)


async def test_a_cause_is_found_by_its_name(hum: Path, tmp_path: Path) -> None:
    """What is typed after / narrows the list; Enter explains what was found, Esc lists all again."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        screen = await asked(pilot)
        await pressed(pilot, "slash", "r", "e", "l")
        assert screen.query_one("#search", Input).value == "rel"
        assert screen.listed == ("relay",)
        await pressed(pilot, "enter")
        assert screen.cause == "relay"
        assert "Relay sticks" in said(pilot, "#why")
        assert "All together" in text_of(pilot)
        await pressed(pilot, "slash", "x", "x")
        assert screen.listed == ()
        await pressed(pilot, "enter")
        assert screen.query_one("#search", Input).display, "nothing was found: nothing is explained"
        await pressed(pilot, "escape")
        assert screen.listed == screen.causes
        assert isinstance(pilot.app.screen, WhyNotScreen)
        await pressed(pilot, "escape")
        assert isinstance(pilot.app.screen, TaskScreen)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_a_digit_puts_the_reading_that_would_turn_it_on_the_card(
    hum: Path, tmp_path: Path, size: tuple[int, int]
) -> None:
    """The reading named is the one taken, and nothing is entered by it."""
    async with running(hum, tmp_path, size) as pilot:
        task = await opened(pilot)
        before = task.session.case
        screen = await asked(pilot)
        assert ("1" in screen.active_bindings) == screen.wide, "a list shows no reading to take"
        await pressed(pilot, "enter")
        digits = {one for one in screen.active_bindings if one.isdigit()}
        assert digits == {str(at + 1) for at in range(len(screen.readings))}
        reading = screen.readings[0]
        assert f" 1  {task.session.knowledge.readings[reading].name}: " in text_of(pilot)
        await pressed(pilot, "1")
        assert pilot.app.screen is task
        assert task.proposal is not None
        assert task.proposal.reading == reading
        assert task.session.case == before


async def test_a_cause_can_be_tapped(hum: Path, tmp_path: Path) -> None:
    """By finger as by key, also while the list alone is shown."""
    async with running(hum, tmp_path) as pilot:
        await opened(pilot)
        screen = await asked(pilot)
        at = screen.query_one("#causes", OptionList).region
        await pilot.click(offset=(at.x + 12, at.y + 2))
        await settled(pilot)
        assert screen.cause == screen.causes[2]
        assert not screen.listing


async def test_the_job_card_explains_the_cause_looked_at_last(hum: Path, tmp_path: Path) -> None:
    """Leaving the screen keeps the reading on the card and how sure the next answer is."""
    async with running(hum, tmp_path, (100, 40)) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("glow", "glows"))
        task.choose("hiss")
        await settled(pilot)
        await pressed(pilot, "g")
        sure = task.confidence
        screen = await asked(pilot)
        await pressed(pilot, "down")
        cause = screen.cause
        await pressed(pilot, "escape")
        assert task.session.asked_about == cause
        assert (task.chosen, task.confidence) == ("hiss", sure)
        await pressed(pilot, "b")
        await until(pilot, lambda screen: isinstance(screen, JobCardScreen))
        title = f"Why not {task.session.knowledge.title(cause)}, beside "
        await until(pilot, lambda screen: title in screen.query_one(MarkdownView).source)


async def test_it_is_worked_out_off_the_event_loop_and_stops_with_the_screen(
    hum: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until it is worked out the screen says so, and takes keys; leaving it stops the search."""
    import threading

    from advisor.bench.session import Session

    begun, stopped, go_on = threading.Event(), threading.Event(), threading.Event()

    def slowly(self: Session, why: object, stop: object) -> None:
        begun.set()
        assert callable(stop)
        while not stop():
            if go_on.wait(0.01):
                return
        stopped.set()

    monkeypatch.setattr(Session, "turning", slowly)
    async with running(hum, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("glow", "glows"))
        try:
            await pilot.press("v")
            await until(pilot, lambda _: begun.is_set())
            await until(pilot, lambda _: "All together" in text_of(pilot))
            assert "Working it out …" in text_of(pilot)
            await pilot.press("escape")
            await until(pilot, lambda screen: screen is task)
            await until(pilot, lambda _: stopped.is_set())
        finally:
            go_on.set()


async def test_a_complaint_at_rest_is_not_played(hum: Path, tmp_path: Path) -> None:
    """It says so, and still names what would turn it round."""
    async with running(hum, tmp_path, (120, 40)) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.confirmed(NOT_PRESENT))
        screen = await asked(pilot)
        assert screen.readings
        assert "Not played: " in said(pilot, "#turns")
