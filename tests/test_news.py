"""What the program says lies over nothing, papers are saved somewhere, and no card is lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.screen import Screen
from textual.widgets import Static

from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.widgets.news import told
from advisor.store import store as stores
from tests.test_screens import DOOR, entered, opened, running, said, settled, until, words


@pytest.fixture
def door(tmp_path: Path) -> Path:
    """A folder with a small invented knowledge."""
    folder = tmp_path / "door"
    folder.mkdir()
    (folder / "door.yaml").write_text(DOOR, encoding="utf-8")
    return folder


async def test_messages_stand_in_the_line_for_news(door: Path, tmp_path: Path) -> None:
    """A refusal stays until the next entry, a short word goes by itself; nothing lies over the screen."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("wiggle", "loose"))
        await entered(pilot, lambda: task.session.saw("slam", "clack"))
        assert said(pilot, "#news").startswith("Not entered. These answers contradict each other")
        task.show_session()
        assert said(pilot, "#news").startswith("Not entered.")
        assert not pilot.app._notifications
        await entered(pilot, lambda: task.session.saw("tap", "dull"))
        assert "Not entered" not in said(pilot, "#news")
        task.notify("A word.", timeout=0.1)
        assert said(pilot, "#news") == "A word."
        await until(pilot, lambda _: said(pilot, "#news") != "A word.")
        assert not pilot.app._notifications


async def test_without_a_line_for_news_a_message_stays_four_seconds_at_most(
    door: Path, tmp_path: Path
) -> None:
    """And it lies over the title, at the top."""
    async with running(door, tmp_path) as pilot:
        await opened(pilot)
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, JobCardScreen))
        await settled(pilot)
        await pilot.app.screen.query_one("#says", Static).remove()
        pilot.app.notify("Long", timeout=30)
        await pilot.pause()
        assert [one.timeout for one in pilot.app._notifications] == [4.0]


@pytest.mark.parametrize("there", [True, False])
async def test_a_paper_is_saved_with_or_without_a_folder_for_downloads(
    door: Path, tmp_path: Path, there: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there is none it goes to the home folder, and the screen says where it went."""
    home, downloads = tmp_path / "home", tmp_path / "home" / "Downloads"
    home.mkdir()
    if there:
        downloads.mkdir()
    monkeypatch.setattr(Path, "home", lambda: home)
    monkeypatch.setattr(stores, "user_downloads_path", lambda: downloads)
    async with running(door, tmp_path, (120, 30)) as pilot:
        await opened(pilot)
        await pilot.press("b")
        await until(pilot, lambda screen: isinstance(screen, JobCardScreen))
        await pilot.press("s")
        await until(pilot, lambda _: "Saved as" in said(pilot, "#says"))
        assert str(downloads if there else home) in said(pilot, "#says")
    assert (downloads if there else home).joinpath("job-new.html").is_file()


async def test_another_reading_at_the_end_keeps_the_end_in_reach(door: Path, tmp_path: Path) -> None:
    """The card of the reading leads back, and after its answer the end stands there again."""
    async with running(door, tmp_path) as pilot:
        task = await opened(pilot)
        await entered(pilot, lambda: task.session.saw("wiggle", "loose"))
        assert "Sure enough: Check strap loose." in words(pilot)
        await pilot.press("o")
        await settled(pilot)
        await pilot.press("1")
        await settled(pilot)
        assert task.proposal is not None
        assert "r Back to: Sure enough: Check strap loose." in words(pilot)
        await pilot.press("r")
        await settled(pilot)
        assert task.proposal is None
        assert "Sure enough: Check strap loose." in words(pilot)


def test_a_screen_that_is_about_to_come_up_is_told_nothing() -> None:
    """It has no lines yet: a key that came too soon used to end the program there."""

    class Coming(Screen[object]):
        def tell(self, words: str, seconds: float) -> None:
            raise AssertionError(words)

    assert told([Coming()], "Too soon.", 1.0)
