"""The screen of a call's booking sheet: read it out, choose the day, save it for the booking system."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import ClassVar, Literal

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Button, Input, Static
from textual.worker import get_current_worker

from advisor.desk.call import Call, Inspection, calendar_of, to_book_words
from advisor.desk.schedule import closed_words, day_and_wish, next_open, next_open_words, read_back
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.labelled import Labelled
from advisor.screens.widgets.paper import MarkdownView
from advisor.screens.widgets.saving import AGAIN_SECONDS, ask_to_leave, tell_to_wait, tell_unsaved
from advisor.screens.widgets.typing import LineScreen
from advisor.store.errors import CorruptRow, StaleWrite, StoreError
from advisor.store.store import paper_place, papers_folder

LONGEST_PATH = 1000
Form = Literal["html", "json", "ics"]
EXAMPLES = "3 Dec, 03.12., Friday, Friday at 7.30"
HOW_TO_TYPE = "Day: 3 Dec, 03.12. or Friday. Behind it, if wished, a time: morning, at 2 or 7.30."


class NoLongerWanted(Exception):
    """Raised to end playing once the sheet was left."""


class SheetScreen(AskingScreen[Call | Inspection]):
    """Returns the call once a day is booked, or None for going back to the questions."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "today", "Today", tooltip="Book it for today"),
        Binding("m", "next_open", "Next day", tooltip="Book it for tomorrow, or the next open day"),
        Binding("d", "date", "Date", tooltip="Book it for another day"),
        Binding("s", "save", "Save", tooltip="Save the sheet as a page to print (HTML)"),
        Binding("o", "save_as", "Save as", tooltip="Save the sheet as a page to print, under a path to type"),
        Binding("j", "save_json", "JSON", tooltip="Save the sheet for a booking system (JSON)"),
        Binding("i", "calendar", "Calendar", tooltip="Save the booking for a calendar (iCalendar)"),
        Binding("escape", "back", "Questions", tooltip="Back to the questions"),
    ]

    def __init__(self, call: Call | Inspection) -> None:
        super().__init__()
        self.call = call
        self.saving = False
        self.unsaved: tuple[str, str] | None = None
        """The day and wish that could not be saved yet."""
        self.so_far: str | None = ""
        """How many cars were played; None once that is over."""
        self.day = ""
        """The day that is typed, as it is read back."""
        self.typed_day: date | None = None
        self.wanted: tuple[Form, str, Path | None] | None = None
        """What is saved once it is worked out."""
        self.waiting: tuple[date, str] | None = None
        """The day and wish that are booked once it is worked out."""

    def compose(self) -> ComposeResult:
        """Lay out the sheet and its buttons."""
        yield Static(f"Booking sheet of {self.call.jobs[0].tag}", id="title", markup=False)
        told = self.call.told_words() if isinstance(self.call, Call) else ""
        if told:
            yield Static(told, id="told", markup=False)
        yield MarkdownView(name="text")
        yield Static(id="booking", markup=False)
        with Horizontal(classes="row"):
            yield Button("Today", id="today", variant="primary", compact=True)
            following = next_open_words(self.here_today, self.call.store.workshop.closed)
            yield Button(following, id="tomorrow", compact=True)
            yield Button("Save", id="save", compact=True)
            yield Button("Back", id="back", compact=True)
        yield Labelled("Another day (d)", Input(placeholder=EXAMPLES, id="day", compact=True, max_length=40))
        yield Static(id="says", markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Show what is known at once, and begin to work out the rest."""
        self.query_one("#text").focus()
        self.tell_day()
        self.set_interval(AGAIN_SECONDS, self.save_again)
        call = self.call
        if isinstance(call, Inspection):
            self.so_far = None
            self.show_sheet()
            return
        self.query_one(MarkdownView).show(lambda: call.first_sheet)
        self.show_booking()
        self.play(call)

    @work(thread=True, group="playing")
    def play(self, call: Call) -> None:
        """Work out times, tools and bays off the event loop, and count while it goes on."""
        worker = get_current_worker()
        shown = -1

        def over(done: int, count: int) -> None:
            nonlocal shown
            if worker.is_cancelled:
                raise NoLongerWanted
            if done != shown:
                shown = done
                self.from_thread(self.count, f"{done} of {count} cars")

        try:
            call.played(over)
        except NoLongerWanted:
            return
        self.from_thread(self.worked_out)

    def count(self, so_far: str) -> None:
        """Show how many cars were played."""
        self.so_far = so_far
        self.show_booking()

    def worked_out(self) -> None:
        """Show the whole sheet, and save what had to wait for it."""
        self.so_far = None
        self.show_sheet()
        if self.wanted is not None:
            self.tell_day()
            self.deliver(*self.wanted)
        if self.waiting is not None:
            day, wish = self.waiting
            self.waiting = None
            self.tell_day()
            self.book(day, wish)

    def show_sheet(self) -> None:
        """Show the whole sheet where the one without times was."""
        self.query_one(MarkdownView).show(lambda: self.call.sheet("markdown"), anew=False)
        self.show_booking()

    def show_booking(self) -> None:
        """Show what is booked in one line, with the day once it is typed."""
        lines = [f"To book: {to_book_words(self.call, self.day, self.so_far)}"]
        if isinstance(self.call, Call) and self.stays_the_night:
            day = self.typed_day or next_open(self.here_today, self.call.store.workshop.closed)
            lines.append(self.call.night_words(day))
        self.query_one("#booking", Static).update("\n".join(lines))

    @property
    def stays_the_night(self) -> bool:
        """Whether it is worked out that the car comes the evening before."""
        return isinstance(self.call, Call) and self.so_far is None and self.call.stays_the_night

    @on(Button.Pressed, "#today")
    def action_today(self) -> None:
        """Book it for today."""
        self.book(self.here_today)

    @on(Button.Pressed, "#tomorrow")
    def action_next_open(self) -> None:
        """Book it for the next open day."""
        self.book(next_open(self.here_today, self.call.store.workshop.closed))

    def action_date(self) -> None:
        """Type another day."""
        self.query_one("#day").focus()

    @on(Input.Submitted, "#day")
    def typed(self, event: Input.Submitted) -> None:
        """Book the car for the day typed."""
        try:
            self.book(*day_and_wish(event.value, self.here_today))
        except ValueError as error:
            self.notify(str(error), severity="warning", timeout=8, markup=False)

    @on(Input.Changed, "#day")
    def understood(self) -> None:
        """Show which day is understood, before it is booked."""
        self.waiting = None
        self.tell_day()

    def tell_day(self) -> None:
        """Show which day is typed, or how one is typed."""
        typed = self.query_one("#day", Input).value
        says, day = "" if typed.strip() else HOW_TO_TYPE, ""
        self.typed_day = None
        if typed.strip():
            try:
                on, wish = day_and_wish(typed, self.here_today)
                says = closed_words(on, self.here_today, self.call.store.workshop.closed)
                if not says:
                    day = ", ".join(filter(None, [read_back(on, self.here_today), wish]))
                    says = f"{day}: Enter books it."
                    self.typed_day = on
            except ValueError as error:
                says = str(error)
        self.day = day
        self.show_booking()
        self.query_one("#says", Static).update(says)

    @property
    def here_today(self) -> date:
        """The day it is here."""
        return self.call.store.clock().astimezone().date()

    def book(self, day: date, wish: str = "") -> None:
        """Book the day, with when on it the customer would like to come, and go back to the desk.

        A closed day is refused with the next open one. Where the evening before is over for a car that has to
        stand overnight, or may have to, it asks first.
        """
        call = self.call
        if refused := closed_words(day, self.here_today, call.store.workshop.closed):
            self.notify(refused, severity="warning", timeout=8, markup=False)
        elif not isinstance(call, Call) or call.day_with_evening(day) == day:
            self.book_now(day, wish)
        elif self.so_far is not None:
            self.ask_to_wait(day, wish)
        elif self.stays_the_night:
            self.ask_which_night(call, day, wish)
        else:
            self.book_now(day, wish)

    def ask_to_wait(self, day: date, wish: str) -> None:
        """Ask whether to book a day before it is known if the car should come the evening before."""

        def answered(which: str | None) -> None:
            if which == "now":
                self.book_now(day, wish)
            elif which == "wait" and self.so_far is None:
                self.book(day, wish)
            elif which == "wait":
                self.waiting = day, wish
                self.query_one("#says", Static).update(
                    f"{read_back(day, self.here_today)}, is booked as soon as the times are worked out."
                )

        title = "It is not worked out yet whether the car has to come the evening before, and that is over."
        lines = [
            ("wait", f"Wait a few seconds, then book {read_back(day, self.here_today)}"),
            ("now", f"Book {read_back(day, self.here_today)} all the same, and call back if need be"),
        ]
        self.app.push_screen(ChoiceScreen(title, lines), answered)

    def ask_which_night(self, call: Call, day: date, wish: str) -> None:
        """Ask whether it comes on a later day, or stays the night after the day that was said."""
        later = call.day_with_evening(day)

        def answered(which: str | None) -> None:
            if which is not None:
                self.book_now(later if which == "later" else day, wish)

        lines = [
            ("later", f"Book {read_back(later, self.here_today)}. {call.evening_words(later)}"),
            ("night", f"Book {read_back(day, self.here_today)} all the same: it stays the night at ours"),
        ]
        self.app.push_screen(ChoiceScreen(call.evening_words(day), lines), answered)

    def book_now(self, day: date, wish: str) -> None:
        """Book the day without a question, once."""
        if self.unsaved is not None:
            tell_to_wait(self)
        elif not self.saving:
            self.saving = True
            self.save(day.isoformat(), wish)

    def save_again(self) -> None:
        """Try again to save a day that could not be saved."""
        if self.unsaved is not None and not self.saving:
            self.saving = True
            self.save(*self.unsaved)

    @work(thread=True)
    def save(self, day: str, wish: str) -> None:
        """Save the day off the event loop."""
        try:
            call = self.call.booked(day, wish)
        except (StaleWrite, CorruptRow) as error:
            self.from_thread(self.not_booked, str(error))
            return
        except StoreError as error:
            self.from_thread(self.not_saved, (day, wish), error)
            return
        self.app.call_from_thread(self.dismiss, call)

    def not_booked(self, why: str) -> None:
        """Say why it is not."""
        self.saving, self.unsaved = False, None
        self.notify(why, title="Not booked", severity="error", timeout=15, markup=False)

    def not_saved(self, booked: tuple[str, str], error: StoreError) -> None:
        """Keep a day that cannot be saved now, say so, and go on trying."""
        self.saving, self.unsaved = False, booked
        tell_unsaved(self.query_one("#says", Static).update, error)

    @on(Button.Pressed, "#save")
    def action_save(self) -> None:
        """Save the sheet as a page to print."""
        self.deliver("html", "text/html")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer a path only where files are saved on this machine: a browser has its own."""
        return action != "save_as" or not self.app.is_web

    def action_save_as(self) -> None:
        """Ask for a path, and save the sheet there as a page to print."""

        def typed(path: str | None) -> None:
            if path is None:
                return
            try:
                self.deliver("html", "text/html", paper_place(path, self.file_name("html")))
            except ValueError as error:
                self.notify(str(error), severity="warning", timeout=8, markup=False)

        before = str(papers_folder() / self.file_name("html"))
        ask = "Save the sheet as a page to print. In which folder, or under which name?"
        self.app.push_screen(LineScreen(ask, "Path", line=before, longest=LONGEST_PATH), typed)

    def file_name(self, form: str) -> str:
        """Return the name that the sheet's file has unless another is typed."""
        return f"booking-{'-'.join(str(job.number or 'new') for job in self.call.jobs)}.{form}"

    def action_save_json(self) -> None:
        """Save the sheet for a booking system."""
        self.deliver("json", "application/json")

    def action_calendar(self) -> None:
        """Save the booking for a calendar, once its day is known."""
        if self.day_chosen is None:
            what = "No day is chosen yet. Type one first (d), or book it and open the sheet again."
            self.notify(what, severity="warning", timeout=8)
        else:
            self.deliver("ics", "text/calendar")

    @property
    def day_chosen(self) -> date | None:
        """The day that is typed, else the one that is booked."""
        booked = self.call.jobs[0].case.booked
        return self.typed_day or (date.fromisoformat(booked.day) if booked else None)

    def deliver(self, form: Form, kind: str, place: Path | None = None) -> None:
        """Save the sheet, once its times are worked out."""
        if self.so_far is None:
            self.write_out(form, kind, place)
        else:
            self.wanted = form, kind, place
            self.query_one("#says", Static).update("It is saved as soon as the times are worked out.")

    @work(thread=True)
    def write_out(self, form: Form, kind: str, place: Path | None = None) -> None:
        """Write the sheet off the event loop, then save it as a download, at a place or among downloads."""
        day = self.day_chosen
        if form != "ics":
            page = self.call.sheet(form)
        elif day is not None:
            page = calendar_of(self.call, day)
        else:  # the day was rubbed out meanwhile
            return
        name = place.name if place else self.file_name(form)
        folder = place.parent if place else None
        self.app.call_from_thread(self.app.deliver_paper, page, name, kind, folder)

    @on(Button.Pressed, "#back")
    def action_back(self) -> None:
        """Back to the questions, unless a day is being saved."""
        if self.unsaved is not None:
            ask_to_leave(self, lambda: self.dismiss(None))
        elif not self.saving:
            self.dismiss(None)
