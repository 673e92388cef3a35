"""The screen for facts of the vehicle: one question each, and "not known" is always an answer."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import Button, Label, Static

from advisor.knowledge.knowledge import answers_of, tellers
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
        about: str = "",
    ) -> None:
        super().__init__()
        self.about = about
        self.facts, self.known, self.heard, self.said = facts, known, heard, said
        self.tellers = tellers(facts)
        self.left: dict[str, str] = {}
        """What was chosen when somebody went back."""

    def compose(self) -> ComposeResult:
        """Lay out a row for each fact that matters for this complaint."""
        title = f"The vehicle · {self.about}" if self.about else "The vehicle"
        yield Static(title, id="title", markup=False)
        yield Static("Leave what you do not know; nothing is assumed.", id="how")
        if self.said:
            yield Static(f"The customer said: “{self.said}”", id="said", markup=False)
        with VerticalScroll(id="facts", can_focus=False):
            for name, fact in self.facts.items():
                if name in self.tellers:
                    continue
                with Horizontal(classes="fact"):
                    yield Label(fact.ask, markup=False)
                    yield Select(
                        fact.ask,
                        [
                            (_line(name, one, value), self.facts[one].in_words(value))
                            for one, value in self.answers(name)
                        ],
                        "not known",
                        self.before(name),
                        may_be_none=True,
                        name=f"fact-{name}",
                    )
                if name in self.heard:
                    yield Static(f"  ↑ heard: {fact.in_words(self.heard[name])}, right?", markup=False)
        yield Button("Go on", id="go", variant="primary", compact=True)
        yield KeyLine()

    def answers(self, name: str) -> tuple[tuple[str, str], ...]:
        """Return the answers to a question, those of facts that it tells included."""
        return answers_of(self.facts, name, [told for told, by in self.tellers.items() if by == name])

    def before(self, name: str) -> str | None:
        """Return the answer that is known or was heard already."""
        said = {**self.heard, **self.known}
        known = [_line(name, one, value) for one, value in self.answers(name) if said.get(one) == value]
        return known[0] if known else None

    def on_button_pressed(self) -> None:
        """Hand back what is known."""
        self.action_go()

    def action_back(self) -> None:
        """Leave the vehicle as it was."""
        self.left = self.chosen()
        self.dismiss(None)

    def action_go(self) -> None:
        """Hand back what is known."""
        self.dismiss(self.chosen())

    def chosen(self) -> dict[str, str]:
        """Return what is chosen so far."""
        asked = [name for name in self.facts if name not in self.tellers]
        lines = {(name, _line(name, *one)): one for name in asked for one in self.answers(name)}
        chosen = [lines.get((name, self.query_one(f"#fact-{name}", Select).value or "")) for name in asked]
        return dict(filter(None, chosen))


def _line(asked: str, fact: str, value: str) -> str:
    """Return the id of an answer in the list of the question it is an answer to."""
    return value if fact == asked else f"{fact} {value}"
