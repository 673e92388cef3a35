"""The account of a draw: total, what is found, what is unexplained, and whether that is the end of it."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from advisor.report import account_lines
from advisor.session import NotUnderstood, Session
from advisor.trouble import StoreTrouble


class AccountScreen(ModalScreen[Session]):
    """Shows the account and takes parts found by disconnecting; returns the session it ends with."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back", tooltip="Back to the bench")]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session

    def compose(self) -> ComposeResult:
        """The account, and a row for another part."""
        with VerticalScroll(id="box", can_focus=False):
            yield Static(id="account", markup=False)
            with Horizontal(classes="row"):
                yield Input(placeholder="What was disconnected", id="what", compact=True, max_length=60)
                yield Input(placeholder="Draw falls by, e.g. 120 mA", id="much", compact=True, max_length=30)
            yield Static(id="says", markup=False)
            with Horizontal(classes="row"):
                yield Button("Add this part", id="add", variant="primary", compact=True)
                yield Button("Back", id="back", compact=True)

    def on_mount(self) -> None:
        """Show the account as it stands."""
        self.show_account()

    def show_account(self) -> None:
        """Show the account as it stands."""
        self.query_one("#account", Static).update("\n".join(account_lines(self.session.account)))

    @on(Input.Submitted)
    @on(Button.Pressed, "#add")
    def add(self) -> None:
        """Add a part."""
        what, much = self.query_one("#what", Input), self.query_one("#much", Input)
        says = self.query_one("#says", Static)
        if not what.value.strip() or not much.value.strip():
            says.update("Something is missing. Write what was disconnected, and by how much the draw fell.")
            return
        try:
            self.session = self.session.accounted(
                what.value.strip(), much.value, self.session.account_instrument
            )
        except (NotUnderstood, StoreTrouble) as error:
            says.update(str(error))
            return
        what.value = much.value = ""
        says.update("Added.")
        self.show_account()
        what.focus()

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Back to the bench."""
        self.dismiss(self.session)
