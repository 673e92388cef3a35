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


NONE_OF_THESE = "none of these"
"""The key of the line for what fits no complaint; no id in the knowledge has spaces."""
NONE_WORDS = ("None of these: outside what the advisor knows", ("  (a general inspection)", "dim"))
"""That line."""


class ComplaintsScreen(AskingScreen[list[str]]):
    """Every complaint, those that fit the words first; returns what is ticked, or None for going back.

    `NONE_OF_THESE` alone takes the place of what was ticked before.
    """

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
        lines.append((NONE_OF_THESE, Content.assemble(*NONE_WORDS)))
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
        if NONE_OF_THESE in ticked and set(ticked) - set(self.now) == {NONE_OF_THESE}:
            self.dismiss([NONE_OF_THESE])
        elif NONE_OF_THESE in ticked:
            says = "'None of these' is ticked beside a new complaint. Take one of the two away."
            self.query_one("#says", Static).update(says)
        elif ticked:
            self.dismiss([name for name in self.order if name in ticked])
        else:
            self.query_one("#says", Static).update("No complaint is ticked. Tick one.")

    def action_back(self) -> None:
        """Back to the question."""
        self.dismiss(None)
