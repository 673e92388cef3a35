"""Everything that has a key is in the command palette as well, and the task's words can be copied."""

from __future__ import annotations

from pathlib import Path

from textual.command import CommandPalette

from tests.test_bench import HUM, on_card
from tests.test_screens import opened, running, settled, text_of, until


async def test_what_a_key_does_is_found_by_its_words(tmp_path: Path) -> None:
    """Typing a part of the words and Enter does the same as the key."""
    (tmp_path / "hum.yaml").write_text(HUM, encoding="utf-8")
    async with running(tmp_path, tmp_path, (100, 30)) as pilot:
        task = await opened(pilot)
        await on_card(pilot, "glow")
        await pilot.press("1")
        await settled(pilot)
        assert task.session.case.taken
        await pilot.press("ctrl+p")
        await until(pilot, lambda screen: isinstance(screen, CommandPalette))
        await pilot.press(*"take back the last")
        await until(pilot, lambda _: "Take back the last step" in text_of(pilot))
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: screen is task and not task.session.case.taken)


async def test_the_words_of_the_task_are_copied(tmp_path: Path) -> None:
    """Its name, its steps and its answers."""
    (tmp_path / "hum.yaml").write_text(HUM, encoding="utf-8")
    async with running(tmp_path, tmp_path, (100, 30)) as pilot:
        await opened(pilot)
        await on_card(pilot, "glow")
        await pilot.press("j")
        await settled(pilot)
        assert pilot.app.clipboard.startswith("Glow through the gap")
        assert "1 Dark" in pilot.app.clipboard


async def test_paging_in_an_empty_palette_does_nothing(tmp_path: Path) -> None:
    """Before any line is there, and where nothing fits."""
    (tmp_path / "hum.yaml").write_text(HUM, encoding="utf-8")
    async with running(tmp_path, tmp_path, (100, 30)) as pilot:
        await opened(pilot)
        await pilot.press("ctrl+p", "pagedown", "pageup")
        await until(pilot, lambda screen: isinstance(screen, CommandPalette))
        await pilot.press(*"qqqq", "pagedown", "pageup")
        await settled(pilot)
        assert isinstance(pilot.app.screen, CommandPalette)
