"""The screen for the account of a current draw: total, parts found, what is unexplained."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.widgets import Button, Input, Label, Static

from advisor.bench.session import NotUnderstood, Session
from advisor.bench.wording import account_lines
from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.labelled import Labelled
from advisor.screens.widgets.pick import Select
from advisor.store.errors import StoreError


class AccountScreen(AskingDialog[Session]):
    """Shows the account and takes parts found by disconnecting; returns the session at the end."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back", tooltip="Back to the bench")]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.saving = False

    def compose(self) -> ComposeResult:
        """Lay out the account, and the fields for another part."""
        with VerticalScroll(id="box", can_focus=False):
            yield Static(id="account", markup=False)
            yield Labelled(
                "Disconnected", Input(placeholder="which part", id="what", compact=True, max_length=60)
            )
            yield Labelled(
                "Draw falls by", Input(placeholder="e.g. 120 mA", id="much", compact=True, max_length=30)
            )
            if self.session.account_fuses:
                with Horizontal(classes="row"):
                    yield Label("Behind a fuse already measured?", markup=False)
                    yield Select(
                        "Is it behind a fuse already measured? It is counted once then.",
                        self.session.account_fuses,
                        "no, or not known",
                        may_be_none=True,
                        name="behind",
                    )
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
        if not what.value.strip() or not much.value.strip():
            self.query_one("#says", Static).update(
                "Something is missing. Write what was disconnected, and by how much the draw fell."
            )
            return
        if not self.saving:
            self.saving = True
            behind = [one.value or "" for one in self.query("#behind").results(Select)]
            self.save(what.value.strip(), much.value, "".join(behind))

    @work(thread=True)
    def save(self, what: str, much: str, behind: str) -> None:
        """Save the part, off the event loop."""
        try:
            session = self.session.accounted(what, much, self.session.account_instrument, behind)
        except (NotUnderstood, StoreError) as error:
            self.from_thread(self.not_added, str(error))
            return
        self.from_thread(self.added, session)

    def not_added(self, why: str) -> None:
        """Say why the part was not added; it stays in its fields."""
        self.saving = False
        self.query_one("#says", Static).update(why)

    def added(self, session: Session) -> None:
        """Show the account with the new part, ready for another one."""
        self.session, self.saving = session, False
        self.show_account()
        self.query_one("#says", Static).update("Added.")
        what, much = self.query_one("#what", Input), self.query_one("#much", Input)
        what.value = much.value = ""
        for one in self.query("#behind").results(Select):
            one.value = None
        what.focus()

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Go back to the bench, unless a part is being saved."""
        if not self.saving:
            self.dismiss(self.session)
