"""The screen for a job whose knowledge has changed: what that means for it, and what to do."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option

from advisor.bench.session import InconsistentEvidence, Session
from advisor.bench.wording import changed_lines, entry_words
from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.choices import ChoiceList
from advisor.store.errors import StoreError


class ChangedScreen(AskingDialog[Session]):
    """Returns the session that goes on under the new knowledge, or None for going back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", tooltip="Leave the job as it is")
    ]

    def __init__(self, session: Session, clash: str) -> None:
        super().__init__()
        self.session, self.clash = session, clash
        self.working = False

    def compose(self) -> ComposeResult:
        """Lay out what has changed, and the choices."""
        with VerticalScroll(id="box", can_focus=False):
            yield Static(id="text")
            yield ChoiceList(id="choices")
            yield Static(id="says", markup=False)
            yield Button("Back", compact=True)

    def on_mount(self) -> None:
        """Show the job under the new knowledge."""
        self.show_job()

    def show_job(self) -> None:
        """List steps that no longer mean anything; if the rest clash, offer to take back any step."""
        session = self.session
        lines = list(changed_lines(session.knowledge, session.filed, session.meaningless(), self.clash))
        self.query_one("#text", Static).update(Content("\n").join(map(Content, lines)))
        choices = self.query_one("#choices", OptionList)
        choices.clear_options()
        if not self.clash:
            choices.add_option(Option(Content("Go on: weigh everything by the new knowledge"), id="go"))
        else:
            for step, entry in session.case.counting.items():
                words = entry_words(session.knowledge, session.case, entry)
                choices.add_option(Option(Content(f"Take back {step}: {words}"), id=f"back {step}"))
        choices.focus()
        self.asks(tuple(one.id for one in choices.options))

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Go on with the job, or take back a step and look again."""
        if not self.working:
            self.working = True
            self.carry_out(event.option_id or "")

    @work(thread=True)
    def carry_out(self, choice: str) -> None:
        """Save the choice and work out what follows, off the event loop."""
        what, _, step = choice.partition(" ")
        session, clash, back = self.session, "", self.app.call_from_thread
        try:
            if what != "go":
                session = session.withdrawn(int(step))
            elif session.knowledge_before:
                session = session.replayed()
            session.worked_out()
        except InconsistentEvidence as error:
            clash = str(error)
        except StoreError as error:
            back(self.not_saved, str(error))
            return
        back(self.carried_out, session, clash, what == "go" and not clash)

    def carried_out(self, session: Session, clash: str, is_last: bool) -> None:
        """Return the session, or show the job again."""
        self.session, self.clash, self.working = session, clash, False
        if is_last:
            self.dismiss(session)
        else:
            self.show_job()

    def not_saved(self, why: str) -> None:
        """Say why nothing was saved, and that the job is unchanged."""
        self.working = False
        self.notify(why, title="Not saved", severity="error", timeout=15, markup=False)

    @on(Button.Pressed)
    def action_back(self) -> None:
        """Leave the job as it is, unless something is being saved."""
        if not self.working:
            self.dismiss(None)
