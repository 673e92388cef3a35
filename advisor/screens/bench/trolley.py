"""The screen for the instruments on the trolley, to which readings can be limited."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.widgets import Button, Static

from advisor.bench.session import Session
from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.ticks import TickList


class TrolleyScreen(AskingDialog[frozenset[str]]):
    """Ticks for the instruments on the trolley; returns those not on it, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f10,ctrl+s", "go", "Go on", key_display="F10", tooltip="Go on with what is ticked"),
        Binding("escape", "back", "Back", tooltip="Leave the trolley as it was"),
    ]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session

    def compose(self) -> ComposeResult:
        """Lay out one line for each instrument."""
        session = self.session
        with Vertical(id="box"):
            yield Static("What is on the trolley? Space ticks, F10 goes on with it.", markup=False)
            yield TickList(
                [(name, Content(session.knowledge.instruments[name].name)) for name in session.instruments],
                set(session.instruments) - session.off_trolley,
            )
            with Horizontal(classes="row"):
                yield Button("Go on with these", id="go", variant="primary", compact=True)
                yield Button("Back", id="back", compact=True)

    @on(Button.Pressed, "#go")
    def action_go(self) -> None:
        """Return what is not on the trolley."""
        asked, ticked = set(self.session.instruments), self.query_one(TickList).ticked
        self.dismiss(self.session.off_trolley - asked | (asked - ticked))

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Leave the trolley as it was."""
        self.dismiss(None)
