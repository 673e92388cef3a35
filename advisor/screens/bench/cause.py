"""The screen for a cause not among the leading ones: searched among all listed, or written in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Button, Input, OptionList, Static
from textual.widgets.option_list import Option

from advisor.bench.session import LONGEST_CAUSE
from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.choices import ChoiceList
from advisor.screens.widgets.labelled import Labelled

IN_WORDS = "in words"
TITLE = "Search the causes of this complaint, or write what it was."


class CauseScreen(AskingDialog[tuple[str, str]]):
    """Returns (fault, "") for a listed cause or ("", words) for another; None for going back.

    Only `listed` ones can be chosen where that is said.
    """

    AUTO_FOCUS = "#search"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Go back, enter nothing")
    ]

    def __init__(
        self, causes: Sequence[tuple[str, str]], title: str = TITLE, *, listed: bool = False
    ) -> None:
        super().__init__()
        self.causes, self.title_words, self.listed = causes, title, listed

    def compose(self) -> ComposeResult:
        """Lay out the search and the list of what it finds."""
        with Vertical(id="box"):
            yield Static(self.title_words, markup=False)
            field = Input(
                placeholder="search" if self.listed else "search, or write",
                id="search",
                max_length=LONGEST_CAUSE,
                compact=True,
            )
            yield Labelled("Cause", field)
            yield ChoiceList(id="causes")
            yield Static(id="says", markup=False)
            yield Button("Back", compact=True)

    def on_mount(self) -> None:
        """Show all causes."""
        self.find()

    @on(Input.Changed)
    def find(self) -> None:
        """List the causes that match every word, then the typed words themselves."""
        typed = self.query_one(Input).value
        listed = self.query_one(OptionList)
        listed.clear_options()
        for fault, words in self.causes:
            if all(word in words.casefold() for word in typed.casefold().split()):
                listed.add_option(Option(Content(words), id=fault))
        if typed.strip() and not self.listed:
            listed.add_option(Option(Content(f"None of these, in words: {typed.strip()}"), id=IN_WORDS))

    @on(Input.Submitted)
    def to_list(self) -> None:
        """Go to the list, without choosing anything on it."""
        self.query_one(OptionList).focus()

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Hand back the cause."""
        if event.option_id == IN_WORDS:
            self.dismiss(("", self.query_one(Input).value.strip()))
        else:
            self.dismiss((event.option_id or "", ""))

    @on(Button.Pressed)
    def action_back(self) -> None:
        """Go back."""
        self.dismiss(None)
