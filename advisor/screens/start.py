"""The first screen: open jobs and where they stand, closed ones, a search, and a line for a new job."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from advisor.advice.proof import was_seen
from advisor.advice.rules import Workshop
from advisor.advice.situation import InconsistentEvidence, Situations
from advisor.bench.session import Engines, JobSummary, Session, job_summary, reopened
from advisor.bench.wording import cause_words
from advisor.case.case import Case
from advisor.case.entries import CAME_BACK, CORRECTION, Closed
from advisor.desk.booking import gets_here, what_is_done
from advisor.desk.call import INSPECTION, INSPECTION_NAME, Call, Inspection, Visit, customer_says
from advisor.desk.schedule import read_back
from advisor.inference.engine import TooWide
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.papers.format import age, percent
from advisor.policy import Policy
from advisor.screens.bench.changed import ChangedScreen
from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.desk.days import DeskScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.store.errors import StoreError
from advisor.store.records import StoredCase
from advisor.store.store import Store

MOST_CLOSED = 50
"""The most closed jobs listed at once."""


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
        self.unusable: dict[str, tuple[str, str]] = {}
        """Jobs that cannot be worked on: for each a line for the list, and the details."""
        self.closed: dict[str, StoredCase] = {}
        self.cancelled: dict[str, StoredCase] = {}
        self.news = ""
        """The outcome of the job left last."""
        self.inspections: dict[str, StoredCase] = {}
        """Cars booked at the desk without a known complaint."""
        self.glances: dict[int, tuple[int, JobSummary]] = {}

    def compose(self) -> ComposeResult:
        """Lay out the search, then the jobs."""
        yield Static("advisor: which reading next, how sure are we, when to stop", id="title")
        search = Input(placeholder="tag, complaint, cause", id="search", max_length=80)
        search.border_title = "Search all jobs (key /)"
        yield search
        yield OptionList(id="jobs")
        yield Static(id="says", markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Show the open jobs."""
        for one in self.store.told:
            self.notify(one, severity="warning", timeout=15, markup=False)
        self.refresh_jobs()

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
        hint = (
            "Choose with ↑ ↓ and Enter, or tap. This is advice: local rules and licensed practice come first."
        )
        self.query_one("#says", Static).update(f"{self.news}\n{hint}" if self.news else hint)
        self.cancelled = {f"cancelled {one.number}": one for one in cancelled}
        self.jobs = {f"job {one.number}": one for one in open_ones}
        self.closed = {f"closed {one.number}": one for one in closed}
        self.list_jobs()
        self.asks(tuple(self.jobs))
        # A screen that comes up while its browser page is in the background gets no focus by itself.
        if self.focused is None:
            self.query_one("#jobs").focus()

    def list_jobs(self) -> None:
        """List the jobs that match the search, after the line for a new one."""
        jobs = self.query_one("#jobs", OptionList)
        wanted = self.query_one("#search", Input).value.casefold().split()
        highlighted = jobs.highlighted
        jobs.clear_options()
        jobs.add_option(Option(Content.styled("n New job", "bold"), id="new"))
        lines: list[tuple[str, tuple[str, ...]]] = [
            *((key, self.words(filed)) for key, filed in self.jobs.items()),
            *((key, self.inspection_words(filed)) for key, filed in self.inspections.items()),
            *((key, (line,)) for key, (line, _) in self.unusable.items()),
        ]
        jobs.add_options(_option(key, words) for key, words in lines if _fits(words, wanted))
        self.list_done("Closed jobs", self.closed, wanted)
        self.list_done("Cancelled jobs", self.cancelled, wanted)
        jobs.highlighted = min(highlighted or 0, jobs.option_count - 1)

    def list_done(self, title: str, done: dict[str, StoredCase], wanted: list[str]) -> None:
        """List finished jobs that match the search below a title, newest first."""
        jobs = self.query_one("#jobs", OptionList)
        lines = [(key, self.closed_words(filed)) for key, filed in done.items()]
        found = [(key, words) for key, words in lines if _fits(words, wanted)]
        if found:
            count = f"{title}: {len(found)}"
            if len(found) > MOST_CLOSED:
                count += f", the newest {MOST_CLOSED} of them; search for the others"
            jobs.add_option(Option(Content.styled(count, "bold"), disabled=True))
            jobs.add_options(_option(key, words) for key, words in found[:MOST_CLOSED])

    def words(self, filed: StoredCase) -> tuple[str, str]:
        """Return two lines on a job: which it is, and where it stands."""
        complaint = self.engines.knowledge.complaints[filed.case.complaint].name
        danger = "DANGER " if filed.case.dangers else ""
        when = age(filed.last_modified, self.store.clock())
        booked = filed.case.booked
        today = self.store.clock().astimezone().date()
        day = f" · booked {read_back(date.fromisoformat(booked.day), today)}" if booked else ""
        head = f"Job {filed.number}: {danger}{filed.tag} · {complaint} · {when}{day}"
        if filed.case.dangers:
            return head, danger_words(self.engines.knowledge, filed.case)
        entries, told = self.glances.get(filed.number, (-1, None))
        if told is None or entries != filed.entries:
            return head, "  …"
        return head, f"  {percent(told.probability)} {told.leading} → {told.next_step}"

    def inspection_words(self, filed: StoredCase) -> tuple[str, str]:
        """Return two lines on a car booked without a known complaint."""
        booked = filed.case.booked
        visit = Visit(filed.tag, date.fromisoformat(booked.day) if booked else None, (filed,))
        said = f'  customer: "{words}"' if (words := customer_says(filed.case)) else ""
        danger = danger_words(self.engines.knowledge, filed.case) if filed.case.dangers else ""
        today = self.store.clock().astimezone().date()
        return f"Job {visit.words(self.engines.knowledge, today)}", danger + said

    def ask_about_inspection(self, filed: StoredCase) -> None:
        """Say that no known complaint fits this car, and offer to close the job."""

        def wanted(what: str | None) -> None:
            if what == "done":
                self.close_inspection(filed)

        heading = "\n".join((*self.inspection_words(filed), "The advisor knows no complaint that fits it."))
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
        self.app.push_screen(ChoiceScreen("\n".join(self.closed_words(filed)), lines), wanted)

    def closed_words(self, filed: StoredCase) -> tuple[str, str]:
        """Return two lines on a closed or cancelled job: which it is, and how it ended."""
        knowledge = self.engines.knowledge
        general = filed.case.complaint == INSPECTION
        complaint = INSPECTION_NAME if general else knowledge.complaints[filed.case.complaint].name
        closed, cancelled = filed.case.closed, filed.case.cancelled
        head = (
            f"Job {filed.number}: {filed.tag} · {complaint} · {age(filed.last_modified, self.store.clock())}"
        )
        ended = f"  cancelled: {cancelled.reason}" if cancelled else ""
        if closed and general:
            return head, f"  closed: {closed.remark}"
        if not closed:
            return head, ended
        how = ""
        if closed.fault in knowledge.faults:
            how = ", proved" if was_seen(knowledge, filed.case, closed.fault) else ", not proved"
        return head, f"  closed: {cause_words(knowledge, closed)}{how}"

    @work(thread=True, exclusive=True, group="glances")
    def read(self) -> None:
        """List the open jobs, last modified first, and add where each stands as it is worked out."""
        worker, back = get_current_worker(), self.app.call_from_thread
        try:
            filed, damaged = self.store.jobs()
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
            if self.glances.get(one.number, (-1, None))[0] == one.entries:
                continue
            try:
                told = job_summary(
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
                told = JobSummary(str(error), 0.0, "the knowledge has to be put right")
            self.glances[one.number] = (one.entries, told)
            back(self.list_jobs)

    @on(Input.Changed)
    def searched(self) -> None:
        """List the jobs that match what was typed."""
        self.list_jobs()

    @on(Input.Submitted)
    def to_jobs(self) -> None:
        """Go to the first job found, on Enter in the search."""
        jobs = self.query_one("#jobs", OptionList)
        jobs.focus()
        found = [at for at in range(1, jobs.option_count) if not jobs.get_option_at_index(at).disabled]
        jobs.highlighted = found[0] if found else 0

    def action_search(self) -> None:
        """Go to the search."""
        self.query_one("#search").focus()

    def action_new(self) -> None:
        """Ask for tag and complaint, then open the job."""
        if not self.query_one("#jobs").disabled:
            self.ask_for_job()

    def ask_for_job(self, tag: str = "", complaint: str = "") -> None:
        """Ask for tag and complaint, with those given filled in."""

        def wanted(answer: tuple[str, str] | None) -> None:
            if answer is None:
                return
            version = self.engines.knowledge.version
            self.open_job(lambda: self.store.draft(*answer, version))

        self.app.push_screen(NewJobScreen(self.engines.knowledge, tag, complaint), wanted)

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Open the job, or ask for a new one."""
        if event.option_id == "new":
            self.action_new()
        elif event.option_id in self.unusable:
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
        self.app.push_screen(ChoiceScreen("\n".join(self.closed_words(filed)), lines), wanted)

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
            self.back(task.session.parting_words)
            if task.session.has_wrong_complaint:
                self.ask_for_job(session.filed.tag, session.case.complaint)

        def with_facts(facts: dict[str, str] | None) -> None:
            if facts is None:
                self.ask_for_job(session.filed.tag, session.case.complaint)
                return
            self.app.push_screen(task, left)
            if facts:
                task.call_later(task.enter_facts, facts)

        if session.case.entries or not session.facts:
            with_facts({})
        else:
            self.app.push_screen(FactsScreen(session.facts, session.case.facts), with_facts)

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
        if self.focused is search:
            search.value = ""
            self.query_one("#jobs").focus()
        elif not self.query_one("#jobs").disabled:
            self.app.exit(return_code=0)


def _fits(lines: tuple[str, ...], wanted: list[str]) -> bool:
    """Return whether every word searched for is in the lines of a job."""
    text = "\n".join(lines).casefold()
    return all(word in text for word in wanted)


def _option(key: str, lines: tuple[str, ...]) -> Option:
    """Return the lines of a job as one option, all but the first dimmed."""
    head, *others = lines
    return Option(
        Content("\n").join([Content(head), *(Content.styled(one, "dim") for one in others)]), id=key
    )


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
