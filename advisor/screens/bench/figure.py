"""The screen for a figure of the day on which a reading depends, asked once for a job."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Button, Input, Static

from advisor.bench.session import NotUnderstood, Session
from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.labelled import Labelled
from advisor.store.errors import StoreError


class FigureScreen(AskingDialog[Session]):
    """Returns the session with the figure, or None for going back."""

    AUTO_FOCUS = "#figure"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Go back, enter nothing")
    ]

    def __init__(self, session: Session, measurand: str) -> None:
        super().__init__()
        self.session, self.measurand = session, measurand
        self.saving = False

    def compose(self) -> ComposeResult:
        """Lay out the question with its unit."""
        said = self.session.knowledge.measurands[self.measurand]
        with Vertical(id="box"):
            yield Labelled(
                said.ask, Input(placeholder=f"in {said.unit}", id="figure", compact=True, max_length=30)
            )
            yield Static(id="says", markup=False)
            with Horizontal(classes="row"):
                yield Button("Enter", id="enter", variant="primary", compact=True)
                yield Button("Back", id="back", compact=True)

    @on(Input.Submitted)
    @on(Button.Pressed, "#enter")
    def enter(self) -> None:
        """Enter the figure."""
        text = self.query_one(Input).value.strip()
        if text and not self.saving:
            self.saving = True
            self.save(text)

    @work(thread=True)
    def save(self, text: str) -> None:
        """Save the figure, off the event loop."""
        try:
            session = self.session.noted(self.measurand, text)
        except (NotUnderstood, StoreError) as error:
            self.from_thread(self.not_entered, str(error))
            return
        self.app.call_from_thread(self.dismiss, session)

    def not_entered(self, why: str) -> None:
        """Say why the figure was not entered; it stays in its field."""
        self.saving = False
        self.query_one("#says", Static).update(why)

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Go back."""
        if not self.saving:
            self.dismiss(None)
