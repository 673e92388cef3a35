"""The first screen: the jobs by what can be done now, closed ones, a search, and all of one job."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from types import MappingProxyType
from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, VerticalScroll
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from advisor.advice.rules import Workshop
from advisor.advice.situation import InconsistentEvidence, Situations
from advisor.bench.handover import Handover, RunningWait, done_lines, handover, wait_of
from advisor.bench.session import Engines, Session, reopened
from advisor.bench.wording import closed_words
from advisor.case.case import Case
from advisor.case.entries import ASKED, CAME_BACK, CORRECTION, TOLD, Closed
from advisor.desk.booking import gets_here, what_is_done
from advisor.desk.call import (
    INSPECTION,
    INSPECTION_NAME,
    Call,
    Inspection,
    customer_says,
    has_begun,
    wish_of,
)
from advisor.desk.retention import announced_days
from advisor.inference.engine import TooWide
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.papers.format import bar, clock_words, duration, when
from advisor.policy import Policy
from advisor.screens.bench.changed import ChangedScreen
from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.bench.jobs import JobLine, handed_over, job_words, looked_up
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.desk.days import DeskScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.labelled import Labelled
from advisor.store.errors import StoreError
from advisor.store.records import StoredCase
from advisor.store.store import Store

NOTHING: Mapping[str, str] = MappingProxyType({})
MOST_CLOSED = 50
"""The most closed jobs listed at once."""
WIDE = 110
"""From so many columns on, all of the job gone to stands beside the list."""
PANEL_SHARE = 0.45
"""The part of a wide screen that it takes."""
AROUND_A_LINE = 3
"""Columns of the list that its lines do not have: a blank on each side, and the scroll bar."""
PASSING_SECONDS = 20.0
"""Interval at which the time left of waits is shown anew."""
WAIT_BAR = 10
"""Characters of the bar of a wait."""


class StartScreen(AskingScreen[None]):
    """Lists the jobs to go on with, and starts a new one."""

    AUTO_FOCUS = "#jobs"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "new", "New job", tooltip="A new job: tag of the car and complaint"),
        Binding("slash", "search", "Search", key_display="/", tooltip="Search all jobs, open and closed"),
        Binding("b", "booking", "Booking", tooltip="The booking sheet of the job gone to"),
        Binding("p", "desk", "Phone", tooltip="The service desk: a customer is on the phone"),
        Binding("escape", "leave", "Quit", tooltip="Leave; everything is saved"),
    ]

    def __init__(self, engines: Engines, store: Store, workshop: Workshop, policy: Policy) -> None:
        super().__init__()
        self.engines, self.store, self.workshop, self.policy = engines, store, workshop, policy
        self.jobs: dict[str, StoredCase] = {}
        self.said_now, self.facts_now = "", NOTHING
        """What the customer said, and what was chosen of the car, for the job that is being begun."""
        self.unusable: dict[str, tuple[str, str]] = {}
        """Jobs that cannot be worked on: for each a line for the list, and the details."""
        self.closed: dict[str, StoredCase] = {}
        self.cancelled: dict[str, StoredCase] = {}
        self.is_read = False
        """Whether the jobs were read once."""
        self.news = ""
        self.left = ""
        """The job that was just left, by its key in the list."""
        """What was told of the opening, then the outcome of the job left last."""
        self.erased_on: Mapping[int, date] = {}
        """The days on which jobs are erased that are kept no longer, by their numbers."""
        self.inspections: dict[str, StoredCase] = {}
        """Cars booked at the desk without a known complaint."""
        self.glances: dict[int, tuple[tuple[int, bool], Handover]] = {}
        """What a colleague is told of each job, by its entries and whether a wait ran."""
        self.HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (WIDE, "-wide")]

    def compose(self) -> ComposeResult:
        """Lay out the search above the jobs, and all of one job beside them."""
        yield Static("Jobs", id="title")
        field = "key /: tag, number, complaint, cause, closed too"
        search = Input(placeholder=field, id="search", max_length=80, compact=True)
        yield Labelled("Search all jobs", search)
        with Container(id="middle"):
            yield OptionList(id="jobs")
            with VerticalScroll(id="right", can_focus=False):
                yield Static(id="told")
        yield Static(id="says", markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Show the open jobs."""
        self.news = "\n".join(self.store.told)
        self.refresh_jobs()
        self.set_interval(PASSING_SECONDS, self.pass_time)

    def on_resize(self) -> None:
        """Fit the lines to the new width."""
        if self.is_read:
            self.list_jobs()

    def pass_time(self) -> None:
        """Show the time left of waits anew; once one is over, what comes next."""
        if not self.is_current or not self.is_read or self.query_one("#jobs").disabled:
            return
        if any(
            self.glances.get(one.number, (self.stand(one),))[0] != self.stand(one)
            for one in self.jobs.values()
        ):
            self.read()
        elif any(map(self.wait, self.jobs.values())):
            self.list_jobs()

    def cannot(self, what: str, lines: list[str]) -> None:
        """Say what keeps a job from being worked on, and what to do."""
        self.query_one("#says", Static).update("\n".join([what, *lines, "Put it right and start again."]))
        self.let_choose(True)

    def let_choose(self, choose: bool) -> None:
        """Enable or disable the list; while a job is being opened, keys do nothing."""
        self.query_one("#search").disabled = self.query_one("#jobs").disabled = not choose
        if choose:
            self.query_one("#jobs").focus()

    def refresh_jobs(self) -> None:
        """Read the open jobs again."""
        self.read()

    def back(self, news: str = "") -> None:
        """Show the jobs again after a job or the desk, with news of its outcome."""
        self.news = news
        self.refresh_jobs()
        self.app.tidy_between_jobs(self)

    def show_jobs(
        self, open_ones: list[StoredCase], closed: list[StoredCase], cancelled: list[StoredCase]
    ) -> None:
        """List the open jobs, and below them the closed and the cancelled ones."""
        enter = "Enter goes on." if open_ones else "Key n begins a job."
        hint = f"{enter} This is advice: local rules and licensed practice come first."
        self.query_one("#says", Static).update(f"{self.news}\n{hint}" if self.news else hint)
        self.cancelled = {f"cancelled {one.number}": one for one in cancelled}
        self.jobs = {f"job {one.number}": one for one in open_ones}
        self.closed = {f"closed {one.number}": one for one in closed}
        self.is_read = True
        self.list_jobs()
        # A screen that comes up while its browser page is in the background gets no focus by itself.
        if self.focused is None:
            self.query_one("#jobs").focus()

    def wait(self, filed: StoredCase) -> RunningWait | None:
        """Return the wait that runs on a job."""
        return wait_of(self.engines.knowledge, filed, self.store.clock())

    def stand(self, filed: StoredCase) -> tuple[int, bool]:
        """Return what decides whether what is told of a job still holds."""
        return filed.entries, self.wait(filed) is not None

    def told(self, filed: StoredCase) -> Handover | None:
        """Return what is told of a job, or None while it is worked out."""
        stand, told = self.glances.get(filed.number, (None, None))
        return told if stand == self.stand(filed) else None

    def groups(self) -> Iterable[tuple[str, list[tuple[str, JobLine]]]]:
        """Yield the jobs below their headings, those first that a person can go on with now."""
        waits = {key: found for key, one in self.jobs.items() if (found := self.wait(one))}
        cars = {**self.jobs, **self.inspections}
        coming = [key for key, one in cars.items() if one.case.booked and not has_begun(one.case)]
        coming = sorted((one for one in coming if one not in waits), key=lambda one: _day(cars[one]))
        ready = [key for key in cars if key not in waits and key not in coming]
        ready.sort(key=lambda key: not cars[key].case.dangers)
        yield "Ready for you", [(key, self.ready_line(cars[key])) for key in ready]
        soonest = sorted(waits.items(), key=lambda one: one[1].minutes_left)
        yield "Waiting", [(key, self.waiting_line(cars[key], found)) for key, found in soonest]
        yield "Coming", [(key, self.coming_line(cars[key])) for key in coming]
        unusable = [(key, JobLine(line, "", "")) for key, (line, _) in self.unusable.items()]
        yield "Cannot be worked on", unusable
        yield "Closed", [(key, self.done_line(one)) for key, one in self.closed.items()]
        yield "Cancelled", [(key, self.done_line(one)) for key, one in self.cancelled.items()]

    def list_jobs(self) -> None:
        """List the jobs that match the search; the same one stays highlighted, or the one just left is."""
        jobs = self.query_one("#jobs", OptionList)
        wanted = self.query_one("#search", Input).value.casefold().split()
        before = jobs.highlighted_option.id if jobs.highlighted_option else None
        before, self.left = self.left or before, ""
        width = self.line_width
        options: list[Option] = []
        counts: list[str] = []
        for title, lines in self.groups():
            if lines and title in ("Ready for you", "Waiting", "Coming"):
                counts.append(f"{len(lines)} {title.split()[0].lower()}")
            found = [(key, line) for key, line in lines if line.fits(wanted)]
            shown = found[:MOST_CLOSED] if title in ("Closed", "Cancelled") else found
            if not found:
                continue
            heading = title.upper()
            if len(shown) < len(found):
                heading += f": {len(found)}, the newest {MOST_CLOSED} of them; search for the others"
            blank = "\n" if options else ""
            options.append(Option(Content.styled(f"{blank}{heading}", "bold dim"), disabled=True))
            options += [Option(job_words(line, width), id=key) for key, line in shown]
        if not (self.jobs or self.inspections or self.unusable) and not wanted:
            options.insert(0, Option(Content("No open job. n begins one."), disabled=True))
        elif not options:
            options.append(Option(Content("No job fits what is typed. Esc clears it."), disabled=True))
        self.query_one("#title", Static).update(f"Jobs: {', '.join(counts)}" if counts else "Jobs")
        jobs.clear_options()
        jobs.add_options(options)
        keys = [one.id for one in options]
        first = next((at for at, one in enumerate(options) if not one.disabled), None)
        jobs.highlighted = keys.index(before) if before in keys and before else first
        if not self.query_one("#search").has_focus:  # what is typed there asks nothing new
            self.asks(tuple(keys))
        self.show_told()

    @property
    def line_width(self) -> int:
        """Columns of a line of the list."""
        return self.size.width - AROUND_A_LINE - (self.panel_width if self.size.width >= WIDE else 0)

    @property
    def panel_width(self) -> int:
        """Columns of what is told beside the list."""
        return round(self.size.width * PANEL_SHARE)

    def complaint(self, filed: StoredCase) -> str:
        """Return the name of a job's complaint."""
        if filed.case.complaint == INSPECTION:
            return INSPECTION_NAME
        return self.engines.knowledge.complaints[filed.case.complaint].name

    def ready_line(self, filed: StoredCase) -> JobLine:
        """Return a job that somebody can go on with: what comes next, and its minutes."""
        told = self.told(filed)
        touched = _short(filed.last_modified)
        if filed.case.complaint == INSPECTION:
            return self.line(filed, "inspect it", touched, _said(filed))
        if told is None:
            return self.line(filed, "…", touched)
        end = touched if told.minutes is None else duration(told.minutes)
        return self.line(filed, told.next_step, end, [told.standing])

    def waiting_line(self, filed: StoredCase, found: RunningWait) -> JobLine:
        """Return a job whose wait runs: until when, how much is left, and what can be read meanwhile."""
        what = f"{clock_words(found.ready)}  {bar(found.share_over, WAIT_BAR).replace(' ', '░')}"
        told = self.told(filed)
        rest = [found.name, *([told.meanwhile, told.standing] if told else ())]
        return self.line(filed, f"until {what}", f"{duration(found.minutes_left)} left", rest)

    def coming_line(self, filed: StoredCase) -> JobLine:
        """Return a car that is booked and not begun: its day and time, and what is known of it already."""
        answers = len(filed.case.taken)
        known = f"{answers} answer{'' if answers == 1 else 's'} by phone" if answers else ""
        today = self.store.clock().astimezone().date()
        end = ", ".join(filter(None, (_day_words(_day(filed), today), wish_of(filed.case))))
        return self.line(filed, known or "booked", end, _said(filed))

    def done_line(self, filed: StoredCase) -> JobLine:
        """Return a closed or cancelled job: how it ended, and when."""
        ended = closed_words(self.engines.knowledge, filed.case)
        return self.line(
            filed, self.complaint(filed), _short(filed.last_modified), [ended], (f"Job {filed.number}",)
        )

    def line(
        self,
        filed: StoredCase,
        what: str,
        end: str,
        rest: Iterable[str] = (),
        first: tuple[str, ...] | None = None,
    ) -> JobLine:
        """Return the line of a job; its number and complaint come first in what stands below it."""
        heads = (f"Job {filed.number}", self.complaint(filed)) if first is None else first
        below = [" · ".join(heads)]
        danger = bool(filed.case.dangers) and filed.case.is_open
        if danger:
            below.append(danger_words(self.engines.knowledge, filed.case).strip())
        below += [one for one in rest if one]
        if day := self.erased_on.get(filed.number):
            below.append(f"erased for good on {day:%a} {day.day} {day:%b}")
        text = " ".join((str(filed.number), *filed.case.customer_words))
        return JobLine(filed.tag, what, end, tuple(below), danger, text)

    @on(OptionList.OptionHighlighted)
    def show_told(self) -> None:
        """Show all of the job gone to, where there is room for it."""
        panel = self.query_one("#right", VerticalScroll)
        panel.display = self.size.width >= WIDE
        panel.styles.width = self.panel_width
        if panel.display:
            option = self.query_one("#jobs", OptionList).highlighted_option
            self.query_one("#told", Static).update(self.all_of(option.id or "" if option else ""))
            panel.scroll_home(animate=False)

    def all_of(self, key: str) -> Content:
        """Return all that is told of a job."""
        filed = {**self.jobs, **self.inspections, **self.closed, **self.cancelled}.get(key)
        if filed is None:
            return Content(self.unusable[key][1]) if key in self.unusable else Content()
        knowledge, now = self.engines.knowledge, self.store.clock()
        heading = f"{filed.tag} · {self.complaint(filed)}"
        opened, touched = _short(filed.opened), _short(filed.last_modified)
        since = f"Job {filed.number}, opened {opened}, last touched {touched}"
        said = _words_of(filed.case)
        is_danger = bool(filed.case.dangers) and filed.case.is_open
        danger = danger_words(knowledge, filed.case) if is_danger else ""
        if not filed.case.is_open or filed.case.complaint == INSPECTION:
            ended = closed_words(knowledge, filed.case)
            done = tuple(done_lines(knowledge, filed, now))
            return looked_up(heading, since, danger, ended[:1].upper() + ended[1:], done, said)
        return handed_over(heading, since, danger, self.told(filed), said)

    def ask_about_inspection(self, filed: StoredCase) -> None:
        """Say that no known complaint fits this car, and offer to close the job."""

        def wanted(what: str | None) -> None:
            if what == "done":
                self.close_inspection(filed)

        heading = "\n".join((*self.few_words(filed), "The advisor knows no complaint that fits it."))
        self.app.push_screen(ChoiceScreen(heading, [("done", "The inspection is done: close it")]), wanted)

    @work(thread=True, exclusive=True)
    def close_inspection(self, filed: StoredCase) -> None:
        """Close it, off the event loop."""
        self.change_inspection(lambda: self.store.append(filed, Closed("", "general inspection done")))

    @work(thread=True, exclusive=True)
    def reopen_inspection(self, filed: StoredCase) -> None:
        """Let it stand among the open jobs again, off the event loop."""
        self.change_inspection(lambda: reopened(self.store, filed.number))

    def change_inspection(self, change: Callable[[], object]) -> None:
        """Save a change of an inspection and list the jobs anew; in a worker."""
        try:
            change()
        except StoreError as error:
            self.app.call_from_thread(self.cannot, "The inspection is as it was.", [str(error)])
            return
        self.app.call_from_thread(self.refresh_jobs)

    def ask_about_done_inspection(self, filed: StoredCase) -> None:
        """Offer the booking note of a closed inspection, or to reopen it: there is no card of it."""

        def wanted(what: str | None) -> None:
            if what == "reopen":
                self.reopen_inspection(filed)
            elif what == "note":
                note = Inspection.of(self.engines.knowledge, self.store, filed)
                self.app.push_screen(SheetScreen(note), lambda _: self.back())

        lines = [("note", "Booking note"), ("reopen", "Reopen the inspection")]
        self.app.push_screen(ChoiceScreen("\n".join(self.few_words(filed)), lines), wanted)

    def few_words(self, filed: StoredCase) -> list[str]:
        """Return which job it is, and what is known of it, above a question about it."""
        line = self.done_line(filed) if not filed.case.is_open else self.coming_line(filed)
        return [f"Job {filed.number}: {filed.tag} · {self.complaint(filed)}", *line.rest[1:]]

    @work(thread=True, exclusive=True, group="glances")
    def read(self) -> None:
        """List the open jobs, last modified first, and add where each stands as it is worked out."""
        worker, back = get_current_worker(), self.app.call_from_thread
        try:
            filed, damaged = self.store.jobs()
            self.erased_on = announced_days(self.store, filed)
        except StoreError as error:
            back(self.query_one("#says", Static).update, str(error))
            return
        known = self.engines.knowledge.complaints
        closed = [one for one in filed if one.case.complaint in (*known, INSPECTION) and one.case.closed]
        closed.sort(key=lambda one: one.last_modified, reverse=True)
        open_ones = [one for one in filed if one.case.complaint in known and one.case.is_open]
        self.unusable = {
            **{f"damaged {one.number}": (f"{one.number} {one.tag} · damaged", str(one)) for one in damaged},
            **{
                f"foreign {one.number}": (f"{one.number} {one.tag} · not in this knowledge", _foreign(one))
                for one in filed
                if one.case.complaint not in known and one.case.is_open and one.case.complaint != INSPECTION
            },
        }
        self.inspections = {
            f"inspection {one.number}": one
            for one in filed
            if one.case.complaint == INSPECTION and one.case.is_open
        }
        open_ones.sort(key=lambda one: one.last_modified, reverse=True)
        cancelled = [one for one in filed if one.case.complaint in known and one.case.cancelled]
        cancelled.sort(key=lambda one: one.last_modified, reverse=True)
        back(self.show_jobs, open_ones, closed, cancelled)
        for one in open_ones:
            if worker.is_cancelled:
                return
            stand = self.stand(one)
            if self.glances.get(one.number, (None,))[0] == stand:
                continue
            try:
                told = handover(
                    Session(
                        self.engines.knowledge,
                        self.engines,
                        self.store,
                        one,
                        self.workshop,
                        Situations(self.engines.knowledge, self.engines.of, self.policy),
                    )
                )
            except (ProblemsFound, TooWide) as error:
                told = Handover("the knowledge has to be put right", str(error))
            self.glances[one.number] = (stand, told)
            back(self.list_jobs)

    @on(Input.Changed)
    def searched(self) -> None:
        """List the jobs that match what was typed, the first one highlighted."""
        if self.is_read:
            self.query_one("#jobs", OptionList).highlighted = None
            self.list_jobs()

    @on(Input.Submitted)
    def to_jobs(self) -> None:
        """Go to the first job found, on Enter in the search."""
        self.query_one("#jobs", OptionList).focus()

    def action_search(self) -> None:
        """Go to the search."""
        self.query_one("#search").focus()

    def action_new(self) -> None:
        """Ask for tag and complaint, then open the job."""
        if not self.query_one("#jobs").disabled:
            self.ask_for_job()

    def ask_for_job(
        self, tag: str = "", complaint: str = "", said: str = "", facts: Mapping[str, str] = NOTHING
    ) -> None:
        """Ask for tag, complaint and the customer's words, with those given filled in.

        `facts` of the car were chosen before, and are kept for another complaint.
        """

        def wanted(answer: tuple[str, str, str] | None) -> None:
            if answer is None:
                return
            chosen, about, self.said_now = answer
            self.facts_now = facts
            version = self.engines.knowledge.version
            self.open_job(lambda: self.store.draft(chosen, about, version))

        self.app.push_screen(NewJobScreen(self.engines.knowledge, tag, complaint, said), wanted)

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Open the job, or ask for a new one."""
        if event.option_id in self.unusable:
            self.query_one("#says", Static).update(self.unusable[event.option_id][1])
        elif event.option_id in self.jobs:
            # Somebody else may have changed it since the list was read.
            listed = self.jobs[event.option_id]
            self.open_job(lambda: self.store.case(listed.number) or listed)
        elif event.option_id in self.inspections:
            self.ask_about_inspection(self.inspections[event.option_id])
        elif done := {**self.closed, **self.cancelled}.get(event.option_id or ""):
            self.ask_what_about(done)

    def ask_what_about(self, filed: StoredCase) -> None:
        """Ask what to do with a closed or cancelled job."""
        if filed.case.complaint == INSPECTION:
            self.ask_about_done_inspection(filed)
            return
        reasons = {"reopen": "", "back": CAME_BACK, "correct": CORRECTION}

        def wanted(what: str | None) -> None:
            if what in reasons:
                reason = reasons[what]
                self.open_job(lambda: reopened(self.store, filed.number, reason) or filed)
            elif what is not None:
                self.show_paper(filed, what == "customer")

        lines = [
            ("card", "Job card"),
            ("customer", "Customer's page"),
        ]
        if filed.case.cancelled:
            lines.append(("reopen", "Reopen the job"))
        else:
            lines.append(("back", "Reopen the job: the complaint has come back"))
            why = "Reopen it only to correct the cause: the complaint has not come back"
            lines.append(("correct", why))
        self.app.push_screen(ChoiceScreen("\n".join(self.few_words(filed)), lines), wanted)

    @work(thread=True, exclusive=True)
    def show_paper(self, filed: StoredCase, customer: bool) -> None:
        """Read the job off the event loop, then show its card or the customer's page."""
        try:
            now = self.store.case(filed.number) or filed
            session = Session.opened(self.engines, self.store, now, self.workshop, self.policy)
        except StoreError as error:
            self.app.call_from_thread(self.cannot, "The job cannot be read.", [str(error)])
            return
        self.app.call_from_thread(self.app.push_screen, JobCardScreen(session, customer))

    def open_job(self, find: Callable[[], StoredCase]) -> None:
        """Compile the network of a job, then show the job."""
        self.query_one("#says", Static).update("Working out the network …")
        self.let_choose(False)
        self.prepare(find)

    @work(thread=True, exclusive=True)
    def prepare(self, find: Callable[[], StoredCase]) -> None:
        """Read the job and compile its complaint's network, off the event loop."""
        clash = ""
        try:
            session = Session.opened(self.engines, self.store, find(), self.workshop, self.policy)
            session.worked_out()
        except (ProblemsFound, TooWide, StoreError) as error:
            self.app.call_from_thread(self.cannot, "This job cannot be worked on.", [str(error)])
            return
        except InconsistentEvidence as error:
            clash = str(error)
        self.app.call_from_thread(self.open_session, session, clash)

    def open_session(self, session: Session, clash: str) -> None:
        """Show the job, or first what newer knowledge changes in it."""
        self.let_choose(True)
        if clash or session.knowledge_before:
            self.app.push_screen(ChangedScreen(session, clash), self.go_on)
        else:
            self.go_on(session)

    def go_on(self, session: Session | None) -> None:
        """Show the bench; on a new job ask for the vehicle's facts first."""
        if session is None:
            self.refresh_jobs()
            return
        task = TaskScreen(session)

        def left(_: None) -> None:
            self.left = f"job {task.session.filed.number}"
            self.back(task.session.parting_words)
            if task.session.has_wrong_complaint:
                self.ask_for_job(session.filed.tag, session.case.complaint)

        said, kept = ("", NOTHING) if session.case.entries else (self.said_now, self.facts_now)
        form = FactsScreen(
            session.facts,
            {**{fact: value for fact, value in kept.items() if fact in session.facts}, **session.case.facts},
            said=said,
            about=f"{session.filed.tag} · {session.complaint.name}",
        )

        def with_facts(facts: dict[str, str] | None) -> None:
            if facts is None:
                self.ask_for_job(session.filed.tag, session.case.complaint, said, {**kept, **form.left})
            else:
                ask_about_dangers(facts, session.dangers_in(said), {})

        def ask_about_dangers(facts: dict[str, str], open_: Sequence[str], how: dict[str, str]) -> None:
            if not open_:
                self.app.push_screen(task, left)
                if facts or said:
                    task.call_later(task.enter_new, facts, said, how)
                return
            danger = session.knowledge.dangers[open_[0]]

            def answered(answer: str | None) -> None:
                # Nobody can say: taken as the worst, as at the desk.
                ask_about_dangers(facts, open_[1:], {**how, open_[0]: answer or TOLD})

            lines = [(TOLD, f"It is so, or nobody can say. {danger.tell}"), (ASKED, "It is not so")]
            self.app.push_screen(ChoiceScreen(f"{danger.name}? {danger.ask}", lines), answered)

        if session.case.entries or not session.facts:
            with_facts({})
        else:
            self.app.push_screen(form, with_facts)

    def action_booking(self) -> None:
        """Show the booking sheet of the highlighted job."""
        jobs = self.query_one("#jobs", OptionList)
        option = None if jobs.highlighted is None else jobs.get_option_at_index(jobs.highlighted).id
        filed = self.jobs.get(option or "") or self.inspections.get(option or "")
        if jobs.disabled or filed is None:
            self.notify("Go to a job with ↑ ↓ first.", timeout=3)
            return
        knowledge = self.engines.knowledge
        booking: Call | Inspection = Inspection.of(knowledge, self.store, filed)
        if filed.case.complaint != INSPECTION:
            engines = Engines(knowledge, True, self.engines.cache)
            booking = Call.resumed(engines, self.store, (filed,), self.policy)
        self.app.push_screen(SheetScreen(booking), lambda _: self.back())

    def action_desk(self) -> None:
        """Go to the service desk."""
        if not self.query_one("#jobs").disabled:
            desk = DeskScreen(self.engines, self.store, self.policy, is_first=False)
            self.app.push_screen(desk, lambda _: self.back())

    def action_leave(self) -> None:
        """Leave the search, or the program, but not while a job is being opened."""
        search = self.query_one("#search", Input)
        if self.focused is search or search.value:
            search.value = ""
            self.query_one("#jobs").focus()
        elif not self.query_one("#jobs").disabled:
            self.app.exit(return_code=0)


def _words_of(case: Case) -> tuple[str, ...]:
    """Return what the customer said; on an inspection earlier programs wrote it beside the day."""
    words = customer_says(case) if case.complaint == INSPECTION else ""
    return case.customer_words or ((words,) if words else ())


def _said(filed: StoredCase) -> list[str]:
    """Return what the customer said, as it stands below a job."""
    return [f'customer: "{words}"' for words in _words_of(filed.case)]


def _day(filed: StoredCase) -> date:
    """Return the day that a car is booked for."""
    return date.fromisoformat(filed.case.booked.day) if filed.case.booked else date.max


def _day_words(day: date, today: date) -> str:
    """Return a day in a few letters; one that is past says so."""
    near = {0: "today", 1: "tomorrow", -1: "was due yesterday"}
    words = f"{day:%a} {day.day} {day:%b}" + (f" {day.year}" if day.year != today.year else "")
    return near.get((day - today).days, words if day > today else f"was due {words}")


def _short(at: str) -> str:
    """Return a time of a job without its year."""
    return when(at, year=False)


def danger_words(knowledge: Knowledge, case: Case) -> str:
    """Return what has to be done first if a danger was heard on the phone, in place of the next step."""
    done = (f"{name}: {do}" for name, do in what_is_done(knowledge, case))
    return "  " + "  ".join([gets_here(knowledge, case.dangers), *done])


def _foreign(filed: StoredCase) -> str:
    """Return why a job cannot be worked on with this knowledge."""
    return (
        f"Job {filed.number} is about the complaint '{filed.case.complaint}', which is not in this "
        "knowledge. Nothing was changed. Start with the knowledge it was opened with, with --knowledge."
    )
