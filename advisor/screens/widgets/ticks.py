"""A list of things to tick, with the ticks as letters: colour alone would not tell them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from advisor.screens.widgets.choices import each_once


class TickList(OptionList):
    """Lines to tick by Enter, space or a tap."""

    BINDINGS = [("space", "select", "Tick")]  # noqa: RUF012  # Textual's own way to say it

    class Ticked(Message):
        """A line was ticked, or its tick taken away."""

        def __init__(self, ticks: TickList) -> None:
            super().__init__()
            self.ticks = ticks

        @property
        def control(self) -> TickList:
            """The list."""
            return self.ticks

    def __init__(
        self, lines: Sequence[tuple[str, Content]] = (), ticked: Iterable[str] = (), name: str | None = None
    ) -> None:
        super().__init__(id=name)
        self.lines: list[tuple[str, Content]] = []
        self.ticked: set[str] = set()
        self.show_lines(lines, ticked)

    def show_lines(self, lines: Sequence[tuple[str, Content]], ticked: Iterable[str]) -> None:
        """Show these lines, some of them ticked."""
        self.lines = each_once(lines)
        self.ticked = set(ticked) & {key for key, _ in lines}
        at = self.highlighted
        self.clear_options()
        for key, words in self.lines:
            mark = "[x] " if key in self.ticked else "[ ] "
            self.add_option(Option(Content.assemble(mark, words), id=key))
        if self.lines:
            self.highlighted = min(at or 0, len(self.lines) - 1)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Change the tick of a line."""
        event.stop()
        self.show_lines(self.lines, self.ticked ^ {event.option_id or ""})
        self.post_message(self.Ticked(self))
