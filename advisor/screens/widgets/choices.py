"""A list to choose one thing from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.events import Key
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from advisor.screens.widgets.asking import AskingDialog

Words = TypeVar("Words")


def each_once(lines: Iterable[tuple[str, Words]]) -> list[tuple[str, Words]]:
    """Lines by their keys, of those with the same key the first: a remedy done twice is one choice."""
    first: dict[str, Words] = {}
    for key, words in lines:
        first.setdefault(key, words)
    return list(first.items())


class ChoiceList(OptionList):
    """Lines to choose from. None counts as chosen before somebody has gone to it."""

    has_said = False
    """Whether it was said that nothing is chosen, and nothing has been gone to since."""

    def on_mount(self) -> None:
        """Lines that are there from the beginning have the first one highlighted."""
        self.highlighted = None

    def action_select(self) -> None:
        """Take the line that somebody has gone to, or say that there is none."""
        if self.highlighted is None:
            self.has_said = True
            self.notify("Nothing is chosen yet. Go to a line with ↑ ↓, then press Enter.", timeout=3)
        else:
            super().action_select()

    def on_option_list_option_highlighted(self) -> None:
        """Somebody has gone to a line: that nothing is chosen is no longer so."""
        if self.has_said:
            self.has_said = False
            for line in self.screen.query("#says").results(Static):
                line.update("")


class ChoiceScreen(AskingDialog[str]):
    """Lines to choose from; returns the key of one, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Go back without choosing")
    ]

    def __init__(self, title: str, lines: Sequence[tuple[str, str]], numbered: bool = True) -> None:
        super().__init__()
        self.heading, self.lines = title, each_once(lines)
        self.numbered = numbered and len(self.lines) <= 9

    def compose(self) -> ComposeResult:
        """Lay out the question, the lines, and a way back."""
        with Vertical(id="box"):
            yield Static(self.heading, markup=False)
            yield ChoiceList(
                *(
                    Option(Content(f"{number} {words}" if self.numbered else words), id=key)
                    for number, (key, words) in enumerate(self.lines, start=1)
                )
            )
            yield Static(id="says", markup=False)
            yield Button("Back", compact=True)

    def on_key(self, event: Key) -> None:
        """Choose the line of a number."""
        if self.numbered and event.key.isdigit() and 1 <= int(event.key) <= len(self.lines):
            event.stop()
            self.dismiss(self.lines[int(event.key) - 1][0])

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Hand back the key."""
        self.dismiss(event.option_id)

    def on_button_pressed(self) -> None:
        """Go back."""
        self.dismiss(None)

    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)
