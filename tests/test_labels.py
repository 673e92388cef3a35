"""What a field is for stays in view while one types; a tag is one line, also one stored long ago."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from advisor.bench.customer import customer_sheet
from advisor.bench.jobcard import job_card
from advisor.bench.session import Engines
from advisor.checks.lint import checked
from advisor.desk.call import Call
from advisor.papers.document import html
from advisor.screens.bench.account import AccountScreen
from advisor.screens.bench.cause import CauseScreen
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.desk.callstart import CallStartScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.start import StartScreen
from advisor.store.store import Store
from tests.test_screens import DOOR, KNOWLEDGE, listed, opened, running, said, settled, text_of, until

AT = "2030-03-04T09:00:00+00:00"


@pytest.fixture
def door(tmp_path: Path) -> Path:
    """A folder with a small invented knowledge."""
    folder = tmp_path / "door"
    folder.mkdir()
    (folder / "door.yaml").write_text(DOOR, encoding="utf-8")
    return folder


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """The store of the program under test."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    yield store
    store.close()


async def stays(pilot: Pilot[None], label: str, field: str, typed: str) -> None:
    """Type into a field: its label and what was typed are both in view, on an 80 by 24 screen."""
    await settled(pilot)
    pilot.app.screen.query_one(field, Input).focus()
    await pilot.press(*typed)
    await settled(pilot)
    shown = text_of(pilot)
    line = next((one for one in shown.splitlines() if typed in one), "")
    above = shown.splitlines()[max(0, shown.splitlines().index(line) - 1)] if line else ""
    assert label in above + line, shown


async def test_labels_of_the_bench_stay_while_one_types(door: Path, tmp_path: Path) -> None:
    """The search, the tag of a new job, and a cause of one's own."""
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        await stays(pilot, "Search all jobs", "#search", "estate")
        await pilot.press("escape", "n")
        await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
        await stays(pilot, "Tag", "#tag", "bay")
        await pilot.press("escape")
        await opened(pilot)
        await pilot.press("c")
        await settled(pilot)
        await pilot.press("3")
        await until(pilot, lambda screen: isinstance(screen, CauseScreen))
        await stays(pilot, "Cause", "#search", "coin")


async def test_labels_of_the_account_stay_while_one_types(door: Path, tmp_path: Path) -> None:
    """What was disconnected, and by how much the draw falls."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("d")
        await until(pilot, lambda screen: isinstance(screen, AccountScreen))
        await stays(pilot, "Disconnected", "#what", "lamp")
        await stays(pilot, "Draw falls by", "#much", "400")


async def test_labels_of_the_desk_stay_while_one_types(tmp_path: Path) -> None:
    """Tag and words of a call, and the day on the booking sheet; all buttons beside it stay in view."""
    async with running(KNOWLEDGE, tmp_path) as pilot:
        await until(pilot, listed)
        await pilot.press("p")
        await settled(pilot)
        await pilot.press("n")
        await until(pilot, lambda screen: isinstance(screen, CallStartScreen))
        await stays(pilot, "Tag of the car", "#tag", "bay")
        await stays(pilot, "Customer says", "#words", "rattle")
        start = pilot.app.screen
        assert isinstance(start, CallStartScreen)
        call = Call.begun(start.engines, start.store, "bay", ["flat_battery"])
        await pilot.app.push_screen(SheetScreen(call))
        await pilot.pause()
        await stays(pilot, "Another day", "#day", "2030-01-31")
        assert all(one in text_of(pilot) for one in ("Today", "Tomorrow", "Save", "Back"))


async def test_a_tag_stored_with_line_breaks_is_shown_in_one_line(
    door: Path, tmp_path: Path, store: Store
) -> None:
    """In the list, in the title of the bench and on the papers."""
    store.open_case("placeholder", "rattle")
    with sa.create_engine(f"sqlite:///{tmp_path / 'cases.sqlite'}").begin() as connection:
        connection.execute(sa.text("UPDATE cases SET tag = 'blue\r\nestate\n\n bay 2'"))
    knowledge, filed = checked([door]), store.cases()[0]
    for paper in (job_card, customer_sheet):
        assert "blue estate bay 2" in html(paper(knowledge, Engines(knowledge).of, filed, {}, AT))
    async with running(door, tmp_path) as pilot:
        await until(pilot, listed)
        jobs = pilot.app.screen.query_one("#jobs", OptionList)
        assert str(jobs.get_option("job 1").prompt).splitlines()[0].startswith("blue estate bay 2 ")
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: not isinstance(screen, StartScreen))
        await pilot.press("f10")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        assert "blue estate bay 2" in said(pilot, "#head")
