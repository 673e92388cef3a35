"""The service desk: the cars of today and tomorrow, what to set up for them, and the way into a call."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.events import DescendantFocus
from textual.widgets import Button, OptionList, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from advisor.advice.situation import InconsistentEvidence
from advisor.bench.session import Engines
from advisor.desk.bookingsheet import overview_rows
from advisor.desk.call import (
    INSPECTION,
    Call,
    Inspection,
    Visit,
    appointments,
    booked_words,
    on_the_phone,
    visits,
)
from advisor.desk.schedule import Appointment, overview
from advisor.inference.engine import TooWide
from advisor.knowledge.problems import ProblemsFound
from advisor.policy import Policy
from advisor.screens.desk.call import CallScreen
from advisor.screens.desk.callstart import CallStartScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.store.errors import StoreError
from advisor.store.store import Store

GO_TO_A_CAR = "Go to a car with ↑ ↓ first."
WORKING = "Working out what the booked cars need …"
"""Shown until every booked car has its sheet."""


class DeskScreen(AskingScreen[None]):
    """Shows the overview of booked cars, and starts calls."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n,enter", "new", "New call", key_display="n", tooltip="A customer is on the phone"),
        Binding("b", "sheet", "Booking sheet", tooltip="The booking sheet of the car gone to"),
        Binding("down", "to_list", "Cars", show=False),
        Binding("r", "refresh", "Look again", tooltip="Read again what the cars need"),
        Binding("escape", "leave", "Quit", tooltip="Leave; everything is saved"),
    ]

    def __init__(self, engines: Engines, store: Store, policy: Policy, is_first: bool = True) -> None:
        super().__init__()
        self.engines, self.store = Engines(engines.knowledge, True, engines.cache), store
        self.policy, self.is_first = policy, is_first
        self.visits: dict[int, Visit] = {}
        self.hint = WORKING
        """What the line for news says unless there is news."""

    def compose(self) -> ComposeResult:
        """Lay out the days, and a way to begin."""
        yield Static("Service desk: what is asked on the phone, what has to be booked", id="title")
        yield Button("New call", variant="primary", id="new", compact=True)
        with VerticalScroll(id="days", can_focus=False):
            yield OptionList(id="overview")
        yield Static(id="booked", markup=False)
        yield Static(id="says", markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Begin with the overview."""
        if self.is_first:
            self.query_one("#booked", Static).update("\n".join(self.store.told))
        self.query_one("#new").focus()
        self.action_refresh()

    def action_refresh(self) -> None:
        """Work out what the cars of today and tomorrow need."""
        self.query_one("#says", Static).update(WORKING)
        self.look()

    def back(self, booked: Call | Inspection | None) -> None:
        """Show the overview again after a call, and say which day was booked, if one was."""
        if not self.children:  # the program is being left
            return
        self.query_one("#booked", Static).update(booked_words(booked) if booked else "")
        self.action_refresh()
        self.app.tidy_between_jobs(self)

    @work(thread=True, exclusive=True)
    def look(self) -> None:
        """Read the booked cars and play their jobs off the event loop, showing each result as it comes."""
        worker = get_current_worker()
        today = self.store.clock().astimezone().date()
        try:
            found = visits(self.engines.knowledge, self.store)
            begun: list[tuple[str, int | None]] = [
                (f"  {one.words(self.engines.knowledge, today)}", one.jobs[0].number)
                for one in found
                if one.is_only_a_call
            ]
            if begun:
                begun = [("Begun, not booked", None), *begun, ("", None)]
            damaged = [str(one) for one in self.store.jobs().damaged]

            def show(booked: tuple[Appointment, ...], says: str = WORKING) -> None:
                if not worker.is_cancelled:
                    rows = [
                        *overview_rows(overview(booked, today, self.store.workshop.closed)),
                        *begun,
                        *((one, None) for one in damaged),
                    ]
                    self.from_thread(self.show_overview, rows, found, says)

            booked = appointments(
                self.engines, self.store, today, lambda: worker.is_cancelled, show, self.policy
            )
        except (StoreError, ProblemsFound, TooWide) as error:
            self.from_thread(self.show_overview, [], (), str(error))
            return
        if booked is not None:
            show(booked, "This is advice: local rules and licensed practice come first.")

    def show_overview(self, rows: list[tuple[str, int | None]], found: tuple[Visit, ...], says: str) -> None:
        """Show the overview; the lines of jobs can be opened."""
        self.visits = {job.number: one for one in found for job in one.jobs}
        overview = self.query_one("#overview", OptionList)
        at = overview.highlighted
        gone_to = overview.get_option_at_index(at).id if at is not None else None
        overview.clear_options()
        seen: set[int] = set()
        for line, number in rows:
            again = " again" if number in seen else ""
            overview.add_option(
                Option(Content(line), id=f"job {number}{again}" if number else None, disabled=not number)
            )
            seen |= {number} if number else set()
        ids = [option.id for option in overview.options]
        overview.highlighted = ids.index(gone_to) if gone_to in ids and gone_to else None
        if overview.has_focus:
            self.go_to_first()
        self.hint = says
        self.query_one("#says", Static).update(says)

    @on(OptionList.OptionHighlighted, "#overview")
    def gone_to_car(self) -> None:
        """Take back the message that no car was gone to."""
        self.query_one("#says", Static).update(self.hint)

    @on(OptionList.OptionSelected, "#overview")
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Open a booked job's sheet, or go on with an unfinished call."""
        visit = self.visits.get(int((event.option_id or "job 0").split()[1]))
        if visit is not None:
            self.query_one("#says", Static).update(f"Opening {visit.tag} …")
            self.open_visit(visit)

    def action_to_list(self) -> None:
        """Go to the booked cars."""
        self.query_one("#overview").focus()

    @on(DescendantFocus, "#overview")
    def go_to_first(self) -> None:
        """Highlight the first car when the list gets the focus, so that Enter opens what is visible."""
        overview = self.query_one("#overview", OptionList)
        if overview.highlighted is None:
            overview.action_first()

    def action_sheet(self) -> None:
        """Open the sheet of the highlighted car."""
        overview = self.query_one("#overview", OptionList)
        if overview.highlighted is None:
            self.notify(GO_TO_A_CAR, timeout=3)
        else:
            overview.action_select()

    @work(thread=True)
    def open_visit(self, visit: Visit) -> None:
        """Read the jobs again and work out the next question, off the event loop."""
        knowledge = self.engines.knowledge
        try:
            jobs = tuple(one for job in visit.jobs if (one := self.store.case(job.number)) is not None)
            if not jobs:
                self.from_thread(self.action_refresh)
                return
            if jobs[0].case.complaint == INSPECTION:
                new = on_the_phone(visit.said, visit.dangers)
                job = self.store.append(jobs[0], *new) if new else jobs[0]
                inspection = Inspection.of(knowledge, self.store, job)
                self.from_thread(self.show_sheet, inspection)
                return
            call = Call.resumed(self.engines, self.store, jobs, self.policy, visit.dangers, visit.said)
            if visit.day is None:
                call = call.worked_out()
        except (StoreError, ProblemsFound, TooWide, InconsistentEvidence) as error:
            self.app.call_from_thread(self.notify, str(error), severity="error", timeout=15, markup=False)
            return
        self.app.call_from_thread(self.show_call if visit.day is None else self.show_sheet, call)

    def show_call(self, call: Call) -> None:
        """Go on with the questions."""
        self.app.push_screen(CallScreen(call), self.back)

    def show_sheet(self, booking: Call | Inspection) -> None:
        """Show the booking sheet."""
        self.app.push_screen(SheetScreen(booking), self.back)

    @on(Button.Pressed, "#new")
    def action_new(self) -> None:
        """Begin a call."""

        def begun(call: Call | Inspection | Visit | None) -> None:
            if isinstance(call, Visit):
                self.open_visit(call)
            elif isinstance(call, Inspection):
                self.show_sheet(call)
            elif call is not None:
                self.show_call(call)

        self.app.push_screen(CallStartScreen(self.engines, self.store, self.policy), begun)

    def action_leave(self) -> None:
        """Leave the program, or go back to the list of jobs if opened from there."""
        if not self.is_first:
            self.dismiss()
            return

        def answered(what: str | None) -> None:
            if what == "leave":
                self.app.exit(return_code=0)

        lines = [("stay", "Stay at the desk"), ("leave", "Leave the program; everything is saved")]
        self.app.push_screen(ChoiceScreen("Leave the program?", lines), answered)
