"""A form field of one line whose value is chosen from a list that opens on demand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.content import Content
from textual.message import Message
from textual.reactive import reactive
from textual.widgets import Static

from advisor.screens.widgets.choices import ChoiceScreen


class Select(Static, can_focus=True):
    """Shows the choice, or that there is none; Enter, space or a tap opens the list.

    With `may_be_none` the list begins with a line for no choice.
    """

    DEFAULT_CSS = """
    Select {
        width: 30; height: 1; background: $surface; color: $foreground;
        text-wrap: nowrap; text-overflow: ellipsis; pointer: pointer;
    }
    Select:focus {
        background: $block-cursor-background; color: $block-cursor-foreground;
        text-style: $block-cursor-text-style;
    }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "open", "Choose", show=False, tooltip="Open the list of what can be chosen"),
        Binding("down", "screen.focus_next", show=False, tooltip="Go to the next field"),
        Binding("up", "screen.focus_previous", show=False, tooltip="Go to the field before"),
    ]

    value: reactive[str | None] = reactive[str | None](None, init=False)
    """What was chosen, or None."""

    class Changed(Message):
        """Posted when the choice changes."""

        def __init__(self, pick: Select) -> None:
            super().__init__()
            self.pick = pick

        @property
        def control(self) -> Select:
            """Where it was chosen."""
            return self.pick

    def __init__(
        self,
        title: str,
        lines: Sequence[tuple[str, str]],
        none: str,
        value: str | None = None,
        may_be_none: bool = False,
        name: str | None = None,
    ) -> None:
        super().__init__(id=name, markup=False)
        self.heading, self.lines, self.none, self.may_be_none = title, list(lines), none, may_be_none
        self.set_reactive(Select.value, value)

    def render(self) -> Content:
        """Return the choice, marked as a list that can be opened."""
        words = dict(self.lines).get(self.value or "", self.none)
        return Content(f"▼ {words}")

    def watch_value(self) -> None:
        """Post that the choice has changed."""
        self.post_message(self.Changed(self))

    def on_click(self) -> None:
        """Open the list on a tap."""
        self.action_open()

    def action_open(self) -> None:
        """Choose from the list."""
        lines = [("", self.none), *self.lines] if self.may_be_none else self.lines

        def chosen(key: str | None) -> None:
            if key is not None:
                self.value = key or None

        self.app.push_screen(ChoiceScreen(self.heading, lines, now=self.value or ""), chosen)
