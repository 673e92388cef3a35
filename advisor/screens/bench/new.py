"""The screen for a new job: the tag of the car and the complaint."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Button, Input, OptionList, Static
from textual.widgets.option_list import Option

from advisor.knowledge.knowledge import Knowledge
from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.choices import ChoiceList
from advisor.screens.widgets.labelled import Labelled
from advisor.store.records import tag_too_long

SAID = "their own words, if there are any"
MOST_LETTERS = 1000
"""What a customer says may be so long, as at the desk (our choice)."""


class NewJobScreen(AskingDialog[tuple[str, str, str]]):
    """Returns tag, complaint and what the customer said, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back", tooltip="No new job")]

    def __init__(self, knowledge: Knowledge, tag: str = "", complaint: str = "", said: str = "") -> None:
        super().__init__()
        self.knowledge, self.tag_before, self.complaint_before = knowledge, tag, complaint
        self.said_before = said

    def compose(self) -> ComposeResult:
        """Lay out the tag, then the complaints in the customer's words."""
        with Vertical(id="box"):
            yield Static("New job. Which car? A tag of your own: no names, no number plates.", markup=False)
            field = Input(self.tag_before, "e.g. bay 2 blue estate", id="tag", compact=True)
            yield Labelled("Tag", field)
            words = Input(self.said_before, SAID, id="said", compact=True, max_length=MOST_LETTERS)
            yield Labelled("Customer", words)
            yield Static("What is complained about?", markup=False)
            yield ChoiceList(
                *(
                    Option(
                        Content.assemble(one.name, (f"  ({one.customer[0]})" if one.customer else "", "dim")),
                        id=name,
                    )
                    for name, one in self.knowledge.complaints.items()
                ),
                id="complaints",
            )
            yield Static(id="says", markup=False)
            yield Button("Back", compact=True)

    def on_mount(self) -> None:
        """Focus the tag, or the complaints if somebody has come back to choose another."""
        self.query_one("#tag").focus()
        if self.complaint_before in self.knowledge.complaints:
            self.call_after_refresh(self.go_back_to, self.complaint_before)

    def go_back_to(self, complaint: str) -> None:
        """Highlight a complaint chosen before."""
        listed = self.query_one("#complaints", ChoiceList)
        listed.focus()
        listed.highlighted = listed.get_option_index(complaint)

    @on(Input.Submitted)
    def onward(self, event: Input.Submitted) -> None:
        """Go on to the next field on Enter, then to the complaints, unless the tag is empty."""
        if self.tag():
            self.screen.set_focus(self.query_one("#said" if event.input.id == "tag" else "#complaints"))

    @on(Input.Changed)
    def mended(self) -> None:
        """Clear the message about the tag."""
        self.query_one("#says", Static).update("")

    def tag(self) -> str:
        """Return the tag; if there is none, say so and go back to it."""
        field = self.query_one("#tag", Input)
        tag = field.value.strip()
        if not tag:
            self.query_one("#says", Static).update(
                "There is no tag. Give the car one, to find the job again."
            )
            field.focus()
        if too_long := tag_too_long(tag):
            self.query_one("#says", Static).update(too_long)
            field.focus()
            return ""
        return tag

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Return tag and complaint; without a tag nobody would find the job again."""
        tag = self.tag()
        if tag:
            said = " ".join(self.query_one("#said", Input).value.split())
            self.dismiss((tag, event.option_id or "", said))

    def on_button_pressed(self) -> None:
        """No new job."""
        self.dismiss(None)

    def action_back(self) -> None:
        """No new job."""
        self.dismiss(None)
