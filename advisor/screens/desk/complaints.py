"""The screen that says what a call is about once it has begun: another complaint, or one more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Button, Static

from advisor.knowledge.knowledge import Knowledge
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.ticks import TickList

HOW = "Tick what it is about (space). Facts, words and answers are kept; what is not ticked is cancelled."


class ComplaintsScreen(AskingScreen[list[str]]):
    """Every complaint, those that fit the words first; returns what is ticked, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f10,ctrl+s", "go", "Go on", key_display="F10", tooltip="Go on with what is ticked"),
        Binding("escape", "back", "Back", tooltip="Back to the question; the complaint stays as it was"),
    ]

    def __init__(self, knowledge: Knowledge, fitting: Sequence[str], now: Sequence[str]) -> None:
        super().__init__()
        self.knowledge = knowledge
        self.order = tuple(dict.fromkeys([*now, *fitting, *knowledge.complaints]))
        self.now = now

    def compose(self) -> ComposeResult:
        """Lay out the complaints with their ticks."""
        yield Static("What is the call about?", id="title", markup=False)
        yield Static(HOW, id="how", markup=False)
        known = self.knowledge.complaints
        lines = [
            (name, Content.assemble(known[name].name, (f"  ({known[name].customer[0]})", "dim")))
            if known[name].customer
            else (name, Content(known[name].name))
            for name in self.order
        ]
        yield TickList(lines, self.now, name="complaints", by_enter=False)
        yield Static(id="says", markup=False)
        yield Button("Go on", id="go", variant="primary", compact=True)
        yield KeyLine()

    def on_mount(self) -> None:
        """Begin in the list."""
        self.query_one(TickList).focus()

    @on(Button.Pressed, "#go")
    def action_go(self) -> None:
        """Hand back what is ticked, if anything is."""
        ticked = self.query_one(TickList).ticked
        if ticked:
            self.dismiss([name for name in self.order if name in ticked])
        else:
            self.query_one("#says", Static).update("No complaint is ticked. Tick one.")

    def action_back(self) -> None:
        """Back to the question."""
        self.dismiss(None)
