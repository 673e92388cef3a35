"""A list of lines to tick, with the ticks as characters, not as colour alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from textual.binding import Binding
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from advisor.screens.widgets.choices import each_once


class TickList(OptionList):
    """Lines to tick by Enter, space or a tap.

    Where Enter also goes from field to field, set `by_enter` to False: Enter then ticks a line only once
    somebody has moved to it, so that one Enter too many chooses nothing.
    """

    BINDINGS = [  # noqa: RUF012  # Textual's own way to say it
        ("space", "select", "Tick"),
        Binding("enter", "enter", "Tick", show=False),
    ]

    class Ticked(Message):
        """Posted when a line is ticked or unticked."""

        def __init__(self, ticks: TickList) -> None:
            super().__init__()
            self.ticks = ticks

        @property
        def control(self) -> TickList:
            """The list."""
            return self.ticks

    def __init__(
        self,
        lines: Sequence[tuple[str, Content]] = (),
        ticked: Iterable[str] = (),
        name: str | None = None,
        by_enter: bool = True,
    ) -> None:
        super().__init__(id=name)
        self.lines: list[tuple[str, Content]] = []
        self.ticked: set[str] = set()
        self.by_enter = self.gone_to = by_enter
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

    def on_blur(self) -> None:
        """Forget that somebody moved to a line."""
        self.gone_to = self.by_enter

    def action_cursor_down(self) -> None:
        """Go to the next line."""
        self.gone_to = True
        super().action_cursor_down()

    def action_cursor_up(self) -> None:
        """Go to the line before."""
        self.gone_to = True
        super().action_cursor_up()

    def action_enter(self) -> None:
        """Tick the line, unless nobody has moved to it."""
        if self.gone_to:
            self.action_select()
        else:
            self.notify("Nothing was ticked. Go to a line with ↑ ↓, or tick it with space.", timeout=3)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Tick or untick a line."""
        event.stop()
        self.show_lines(self.lines, self.ticked ^ {event.option_id or ""})
        self.post_message(self.Ticked(self))
