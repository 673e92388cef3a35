"""The screen for facts of the vehicle: one question each, and "not known" is always an answer."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import Button, Label, Static

from advisor.knowledge.vocabulary import Fact
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.pick import Select


class FactsScreen(AskingScreen[dict[str, str]]):
    """Vehicle facts as choices; returns the known ones, or None for going back.

    What was `heard` in what the customer `said` is marked to be confirmed.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f10,ctrl+s", "go", "Go on", key_display="F10", tooltip="Go on with what is known"),
        Binding("escape", "back", "Back", tooltip="Leave the vehicle as it was"),
    ]

    def __init__(
        self,
        facts: Mapping[str, Fact],
        known: Mapping[str, str],
        heard: Mapping[str, str] = MappingProxyType({}),
        said: str = "",
    ) -> None:
        super().__init__()
        self.facts, self.known, self.heard, self.said = facts, known, heard, said

    def compose(self) -> ComposeResult:
        """Lay out a row for each fact that matters for this complaint."""
        yield Static("The vehicle. Leave what you do not know; nothing is assumed.", id="title")
        if self.said:
            yield Static(f"The customer said: “{self.said}”", id="said", markup=False)
        with VerticalScroll(id="facts", can_focus=False):
            for name, fact in self.facts.items():
                with Horizontal(classes="fact"):
                    yield Label(fact.ask, markup=False)
                    yield Select(
                        fact.ask,
                        [(value, fact.in_words(value)) for value in fact.values],
                        "not known",
                        self.known.get(name, self.heard.get(name)),
                        may_be_none=True,
                        name=f"fact-{name}",
                    )
                if name in self.heard:
                    yield Static(f"  ↑ heard: {fact.in_words(self.heard[name])}, right?", markup=False)
        yield Button("Go on", id="go", variant="primary", compact=True)
        yield KeyLine()

    def on_button_pressed(self) -> None:
        """Hand back what is known."""
        self.action_go()

    def action_back(self) -> None:
        """Leave the vehicle as it was."""
        self.dismiss(None)

    def action_go(self) -> None:
        """Hand back what is known."""
        chosen = {name: self.query_one(f"#fact-{name}", Select).value for name in self.facts}
        self.dismiss({name: value for name, value in chosen.items() if value is not None})
