"""The screen that plays the best readings out to the end, and names the one that ends soonest."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Button, OptionList, ProgressBar, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from advisor.bench.session import Session
from advisor.bench.wording import look_ahead_words
from advisor.papers.format import duration
from advisor.screens.widgets.asking import AskingDialog
from advisor.screens.widgets.choices import ChoiceList
from advisor.simulate.rollout import LookAhead


class LookAheadScreen(AskingDialog[str]):
    """Returns the reading to take, or None for going back; leaving stops the work."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Stop", tooltip="Stop looking ahead and go back")
    ]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session

    def compose(self) -> ComposeResult:
        """Lay out progress, then the readings with their expected minutes."""
        with Vertical(id="box"):
            yield Static("Playing the best readings out to the end …", id="says", markup=False)
            yield ProgressBar(total=1, show_eta=False, id="progress")
            yield ChoiceList(id="readings")
            yield Button("Stop", compact=True)

    def on_mount(self) -> None:
        """Begin at once."""
        self.play()

    @work(thread=True, exclusive=True)
    def play(self) -> None:
        """Play the readings out off the event loop; leaving the screen stops it between two steps."""
        worker = get_current_worker()

        def progress(done: int, total: int) -> None:
            if not worker.is_cancelled:
                self.from_thread(self.show_progress, done, total)

        found = self.session.look_ahead(progress, lambda: worker.is_cancelled)
        if found is not None and not worker.is_cancelled:
            self.from_thread(self.show_found, found)

    def show_progress(self, done: int, total: int) -> None:
        """How far it is."""
        self.query_one(ProgressBar).update(total=total, progress=done)

    def show_found(self, found: LookAhead) -> None:
        """Show the expected minutes of each reading, the best one first."""
        session = self.session
        self.query_one(ProgressBar).display = False
        self.query_one("#says", Static).update(look_ahead_words(session.knowledge, found))
        readings = self.query_one("#readings", OptionList)
        readings.display = True
        for one in found.candidates:
            name = session.knowledge.readings[one.reading].name
            error = f"± {one.standard_error_minutes:.0f}"
            readings.add_option(
                Option(Content(f"{duration(one.expected_minutes):>9} {error:>5}  {name}"), id=one.reading)
            )
        readings.focus()
        self.asks(found)
        self.query_one(Button).label = "Back"

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Hand back the reading."""
        self.dismiss(event.option_id)

    @on(Button.Pressed)
    def action_back(self) -> None:
        """Stop and go back."""
        self.workers.cancel_node(self)
        self.dismiss(None)
