"""A list to choose one line from."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
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
    """Return the first line of each key: a remedy done twice is one choice."""
    first: dict[str, Words] = {}
    for key, words in lines:
        first.setdefault(key, words)
    return list(first.items())


class ChoiceList(OptionList):
    """Lines to choose from; Enter takes none before somebody has moved to it."""

    has_said = False
    """Whether it was said that nothing is chosen, and nobody has moved to a line since."""

    def on_mount(self) -> None:
        """Highlight no line to begin with."""
        self.highlighted = None

    def action_select(self) -> None:
        """Choose the line that somebody has moved to, or say that there is none."""
        if self.highlighted is None:
            self.has_said = True
            self.notify("Nothing is chosen yet. Go to a line with ↑ ↓, then press Enter.", timeout=3)
        else:
            super().action_select()

    def on_option_list_option_highlighted(self) -> None:
        """Take back the message that nothing is chosen, once somebody has moved to a line."""
        if self.has_said:
            self.has_said = False
            for line in self.screen.query("#says").results(Static):
                line.update("")


NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
"""A number at the start of a line; it is typed itself, as a digit key would be mistaken for it."""
KEYS = 9
"""The most lines with a digit key of their own."""


class ChoiceScreen(AskingDialog[str]):
    """Lines to choose from; returns the key of one, or None for going back.

    The first nine lines have a digit key each. If lines begin with a number themselves, as fuse ratings do,
    that number is typed instead: typing goes to its line, and Enter takes it.

    Each of `headings` stands above the line of its key. The line of `now` is what is chosen so far: it is
    marked, and Enter keeps it. With `at_end` the last line is gone to, for lists that end with the newest.
    Where a number can be typed in place of a line, that of the key `typed_by`, no line has a digit: the first
    one typed is handed back after that key.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Go back without choosing")
    ]

    def __init__(
        self,
        title: str,
        lines: Sequence[tuple[str, str]],
        numbered: bool = True,
        *,
        headings: Mapping[str, str] | None = None,
        now: str | None = None,
        at_end: bool = False,
        typed_by: str = "",
    ) -> None:
        super().__init__()
        self.heading, self.lines = title, each_once(lines)
        self.begins = [NUMBER.match(words) for _, words in self.lines]
        self.by_number = any(self.begins)
        self.typed_by = typed_by
        self.numbered = numbered and not self.by_number and not typed_by
        self.at_end = at_end
        self.headings = headings or {}
        self.now = now
        self.typed = ""

    @property
    def takes_numbers(self) -> bool:
        """Whether a line is chosen by the number that it begins with."""
        return self.by_number or bool(self.typed_by)

    def compose(self) -> ComposeResult:
        """Lay out the question, the lines, and a way back."""
        with Vertical(id="box"):
            yield Static(self.heading, markup=False)
            yield ChoiceList(*self.options())
            yield Static(self.how, id="says", markup=False)
            yield Button("Back", compact=True)

    @property
    def how(self) -> str:
        """How a line is chosen where none has a digit key."""
        if self.by_number:
            return "Type the number, or go to a line with ↑ ↓, then Enter."
        return "Type it at once, or go to a line with ↑ ↓, then Enter." if self.typed_by else ""

    def on_mount(self) -> None:
        """Go to the line that is chosen so far."""
        if self.now in dict(self.lines):
            self.go_to(str(self.now))
        elif self.at_end:
            self.call_after_refresh(self.go_to, self.lines[-1][0])

    def options(self) -> Iterator[Option]:
        """Return the lines with their digits, below their headings."""
        for number, (key, words) in enumerate(self.lines, start=1):
            if key in self.headings:
                yield Option(Content.styled(self.headings[key], "bold"), disabled=True)
            digit = f"{number} " if number <= KEYS else "  "
            mark = "  ← so far" if key == self.now else ""
            yield Option(Content(f"{digit}{words}{mark}" if self.numbered else f"{words}{mark}"), id=key)

    def go_to(self, key: str) -> None:
        """Go to a line."""
        listed = self.query_one(ChoiceList)
        listed.highlighted = listed.get_option_index(key)

    def on_key(self, event: Key) -> None:
        """Choose the line of a digit key, or go to the line whose number is typed."""
        if self.by_number:
            self.type_number(event)
        elif self.typed_by and event.character and event.character in "0123456789":
            event.stop()
            self.dismiss(f"{self.typed_by}{event.character}")
        elif self.numbered and event.key.isdigit() and 1 <= int(event.key) <= min(KEYS, len(self.lines)):
            event.stop()
            self.dismiss(self.lines[int(event.key) - 1][0])

    def type_number(self, event: Key) -> None:
        """Go to the line that begins with exactly the number typed so far, or to none."""
        if event.key == "backspace":
            self.typed = self.typed[:-1]
        elif event.character and event.character in "0123456789.,":
            self.typed += event.character.replace(",", ".")
        else:
            return
        event.stop()
        listed = self.query_one(ChoiceList)
        listed.focus()
        listed.highlighted = None
        for begin, (key, _) in zip(self.begins, self.lines, strict=True):
            if begin and begin[0].replace(",", ".") == self.typed:
                self.go_to(key)
        go_on = "Enter takes the line." if listed.highlighted is not None else "Type the whole number."
        self.query_one("#says", Static).update(f"Typed: {self.typed}. {go_on}" if self.typed else "")

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Hand back the key."""
        self.dismiss(event.option_id)

    def on_button_pressed(self) -> None:
        """Go back."""
        self.dismiss(None)

    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)
