"""The screen to type since when a setup has been in place; how it is understood is shown while typing."""

from __future__ import annotations

from datetime import datetime
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Button, Input, Static

from advisor.bench.session import NotUnderstood, Session
from advisor.papers.format import clock_words
from advisor.screens.widgets.asking import AskingDialog, BackButton
from advisor.screens.widgets.labelled import Labelled

HOW = "Minutes ago, such as 20, or the time, such as 7:45."


class SinceScreen(AskingDialog[datetime]):
    """Returns the time, or None for going back."""

    AUTO_FOCUS = "#since"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Go back, enter nothing")
    ]

    def __init__(self, session: Session, setup: str, started: str = "") -> None:
        super().__init__()
        self.session, self.setup, self.started = session, setup, started

    def compose(self) -> ComposeResult:
        """Lay out the question and its field."""
        with Vertical(id="box"):
            yield Static(f"Since when: {self.setup}?", markup=False)
            yield Labelled("Since", self.field())
            yield Static(HOW, id="says", markup=False)
            with Horizontal(classes="row"):
                yield Button("Enter", id="enter", variant="primary", compact=True)
                yield BackButton("Back", id="back", compact=True)

    def field(self) -> Input:
        """Return the field, with what was typed before it was up."""
        return Input(self.started, id="since", compact=True, max_length=30, select_on_focus=False)

    def understood(self) -> datetime | None:
        """Show how it is understood."""
        text, says = self.query_one(Input).value.strip(), self.query_one("#says", Static)
        if not text:
            says.update(HOW)
            return None
        try:
            at = self.session.since_when(text)
        except NotUnderstood as error:
            says.update(str(error))
            return None
        says.update(f"Since {clock_words(at)}.")
        return at

    @on(Input.Changed)
    def typed(self) -> None:
        """Something was typed."""
        self.understood()

    @on(Input.Submitted)
    @on(Button.Pressed, "#enter")
    def enter(self) -> None:
        """Return the time."""
        at = self.understood()
        if at is not None:
            self.dismiss(at)

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)
