"""The screen to type one line of free text."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import Button, Input, Static

from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.labelled import Labelled


class LineScreen(AskingDialog[str]):
    """Returns the line typed ("" only if it `may_be_empty`), or None for going back."""

    AUTO_FOCUS = "#line"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Go back, enter nothing")
    ]

    def __init__(
        self, title: str, label: str, may_be_empty: bool = False, line: str = "", longest: int = 120
    ) -> None:
        super().__init__()
        self.heading, self.label, self.may_be_empty = title, label, may_be_empty
        self.line, self.longest = line, longest

    def compose(self) -> ComposeResult:
        """Lay out the question and the line."""
        with Vertical(id="box"):
            yield Static(self.heading, markup=False)
            yield Labelled(self.label, Input(self.line, id="line", max_length=self.longest, compact=True))
            yield Static(id="says", markup=False)
            yield Button("Back", compact=True)

    @on(Input.Submitted)
    def entered(self, event: Input.Submitted) -> None:
        """Hand back what was typed."""
        typed = " ".join(event.value.split())
        if typed or self.may_be_empty:
            self.dismiss(typed)
        else:
            self.query_one("#says", Static).update(
                "Nothing is written yet. Write one line, then press Enter."
            )

    @on(Button.Pressed)
    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)
