"""The service desk: which cars come today and tomorrow and what has to be set up for them, and a new call."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Button, Footer, Static
from textual.worker import get_current_worker

from advisor.bench.session import Engines
from advisor.desk.bookingsheet import overview_lines
from advisor.desk.call import Call, appointments
from advisor.desk.schedule import Appointment, overview
from advisor.inference.engine import TooWide
from advisor.knowledge.problems import ProblemsFound
from advisor.screens.desk.call import CallScreen
from advisor.screens.desk.callstart import CallStartScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.store.errors import StoreError
from advisor.store.store import Store

WORKING = "Working out what the booked cars need …"
"""What is said until every booked car has its sheet."""


class DeskScreen(AskingScreen[None]):
    """The overview, and the way into a call."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n,enter", "new", "New call", key_display="n", tooltip="A customer is on the phone"),
        Binding("r", "refresh", "Look again", tooltip="Read again what the cars need"),
        Binding("escape", "leave", "Quit", tooltip="Leave; everything is saved"),
    ]

    def __init__(self, engines: Engines, store: Store, minutes: float, is_first: bool = True) -> None:
        super().__init__()
        self.engines, self.store = Engines(engines.knowledge, True, engines.cache), store
        self.minutes, self.is_first = minutes, is_first

    def compose(self) -> ComposeResult:
        """The days, and a way to begin."""
        yield Static("Service desk: what is asked on the phone, what has to be booked", id="title")
        yield Button("New call", variant="primary", id="new", compact=True)
        with VerticalScroll(id="days", can_focus=False):
            yield Static(id="overview")
        yield Static(id="says", markup=False)
        yield Footer()

    def on_mount(self) -> None:
        """Begin with the overview."""
        for one in self.store.told if self.is_first else ():
            self.notify(one, severity="warning", timeout=15, markup=False)
        self.query_one("#new").focus()
        self.action_refresh()

    def action_refresh(self) -> None:
        """Work out what the cars of today and tomorrow need."""
        self.query_one("#says", Static).update(WORKING)
        self.look()

    def back(self) -> None:
        """A call is over."""
        self.action_refresh()
        self.app.tidy_between_jobs(self)

    @work(thread=True, exclusive=True)
    def look(self) -> None:
        """Read the booked cars and play their jobs, off the event loop; shown as it comes."""
        worker = get_current_worker()
        today = self.store.clock().astimezone().date()
        try:
            damaged = [str(one) for one in self.store.jobs().damaged]

            def show(booked: tuple[Appointment, ...], says: str = WORKING) -> None:
                if not worker.is_cancelled:
                    lines = [*overview_lines(overview(booked, today)), *damaged]
                    self.app.call_from_thread(self.show_overview, lines, says)

            booked = appointments(self.engines, self.store, today, lambda: worker.is_cancelled, show)
        except (StoreError, ProblemsFound, TooWide) as error:
            self.app.call_from_thread(self.show_overview, [], str(error))
            return
        if booked is not None:
            show(booked, "This is advice: local rules and licensed practice come first.")

    def show_overview(self, lines: list[str], says: str) -> None:
        """Show the overview."""
        self.query_one("#overview", Static).update(Content("\n").join(map(Content, lines)))
        self.query_one("#says", Static).update(says)

    @on(Button.Pressed, "#new")
    def action_new(self) -> None:
        """Begin a call."""

        def begun(call: Call | None) -> None:
            if call is not None:
                self.app.push_screen(CallScreen(call), lambda _: self.back())

        self.app.push_screen(CallStartScreen(self.engines, self.store, self.minutes), begun)

    def action_leave(self) -> None:
        """Leave the program, or go back to the jobs where it was opened from there."""
        if self.is_first:
            self.app.exit(return_code=0)
        else:
            self.dismiss()
