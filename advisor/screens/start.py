"""The first screen: a new job by its complaint, or an open one to continue."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Footer, Input, OptionList, Static
from textual.widgets.option_list import Option

from advisor.advice import Contradiction, Workshop
from advisor.engine import TooWide
from advisor.knowledge import Knowledge
from advisor.problems import ProblemsFound
from advisor.report import entry_words
from advisor.screens.facts import FactsScreen
from advisor.screens.task import TaskScreen
from advisor.session import Session, engine_for
from advisor.store import Filed, Store, StoreTrouble

if TYPE_CHECKING:
    from advisor.screens.app import AdvisorApp


class StartScreen(Screen[None]):
    """Which car, which complaint; or which open job."""

    app: AdvisorApp
    CSS = """
    StartScreen #title { padding: 0 1; background: $primary; color: $text; width: 100%; }
    StartScreen #says { padding: 0 1; color: $text-muted; height: auto; max-height: 60%; overflow-y: auto; }
    StartScreen #tag { margin: 0 0; }
    StartScreen OptionList { height: 1fr; border: round $primary; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Quit", tooltip="Leave; everything is saved"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.knowledge: Knowledge | None = None
        self.store: Store | None = None
        self.jobs: dict[str, Filed] = {}
        self.exit_code = 0

    def compose(self) -> ComposeResult:
        """The tag, then what can be started or continued."""
        yield Static("advisor: which reading next, how sure are we, when to stop", id="title")
        yield Input(
            placeholder="Tag of the car for a new job, e.g. bay 2 blue estate (no names, no number plates)",
            id="tag",
            max_length=80,
        )
        yield OptionList(id="jobs")
        yield Static("Reading the knowledge …", id="says", markup=False)
        yield Footer()

    def ready(self, knowledge: Knowledge, store: Store) -> None:
        """The knowledge is there: offer complaints and open jobs."""
        self.knowledge, self.store = knowledge, store
        self.refresh_jobs()

    def failed(self, what: str, lines: list[str], exit_code: int) -> None:
        """Say what keeps the program from starting; leaving then ends with the exit code."""
        self.exit_code = exit_code
        self.query_one("#tag").display = self.query_one("#jobs").display = False
        self.query_one("#says").styles.max_height = "100%"
        self.cannot(what, lines)

    def cannot(self, what: str, lines: list[str]) -> None:
        """Say what keeps the program from working, and what to do."""
        self.query_one("#says", Static).update("\n".join([what, *lines, "Put it right and start again."]))
        self.let_choose(True)

    def let_choose(self, choose: bool) -> None:
        """Whether jobs can be chosen; while one is being opened, keys go nowhere."""
        self.query_one("#tag").disabled = self.query_one("#jobs").disabled = not choose
        if choose:
            self.query_one("#jobs").focus()

    def refresh_jobs(self) -> None:
        """List complaints first, then open jobs, newest first."""
        if self.knowledge is None or self.store is None:
            return
        jobs = self.query_one("#jobs", OptionList)
        jobs.clear_options()
        for name, complaint in self.knowledge.complaints.items():
            said = f' ("{complaint.customer}")' if complaint.customer else ""
            jobs.add_option(Option(Content(f"New job: {complaint.name}{said}"), id=f"new {name}"))
        try:
            filed = self.store.cases()
        except StoreTrouble as error:
            self.query_one("#says", Static).update(str(error))
            filed = []
        known = [
            one for one in filed if one.case.complaint in self.knowledge.complaints and not one.case.closed
        ]
        self.jobs = {f"job {one.number}": one for one in known}
        for key, one in self.jobs.items():
            case = one.case
            last = (
                entry_words(self.knowledge, case, case.entries[-1]) if case.entries else "nothing entered yet"
            )
            title = self.knowledge.complaints[case.complaint].name
            jobs.add_option(Option(Content(f"Continue {one.number}: {one.tag} · {title} · {last}"), id=key))
        jobs.highlighted = 0
        self.query_one("#says", Static).update(
            "Choose with ↑ ↓ and Enter, or tap. This is advice: local rules and licensed practice come first."
        )
        jobs.focus()

    @on(Input.Submitted)
    def to_jobs(self) -> None:
        """Enter in the tag goes on to the list."""
        self.query_one("#jobs", OptionList).focus()

    @on(OptionList.OptionSelected)
    def chosen(self, event: OptionList.OptionSelected) -> None:
        """Open the job."""
        key = event.option_id or ""
        if self.knowledge is None or self.store is None:
            return
        try:
            if key.startswith("new "):
                tag = self.query_one("#tag", Input).value.strip() or "no tag"
                filed = self.store.open_case(tag, key.removeprefix("new "))
            else:
                filed = self.jobs[key]
        except StoreTrouble as error:
            self.query_one("#says", Static).update(str(error))
            return
        self.query_one("#says", Static).update("Working out the network …")
        self.let_choose(False)
        self.prepare(self.knowledge, self.store, filed, self.app.workshop)

    @work(thread=True, exclusive=True)
    def prepare(self, knowledge: Knowledge, store: Store, filed: Filed, workshop: Workshop) -> None:
        """Compile the complaint's network off the event loop."""
        try:
            engine = engine_for(knowledge, filed.case.complaint)
        except (ProblemsFound, TooWide) as error:
            self.app.call_from_thread(self.cannot, "This complaint cannot be worked on.", [str(error)])
            return
        session = Session(knowledge, engine, store, filed, workshop)
        try:
            session.advice  # noqa: B018  # worked out here, off the event loop, and kept
        except Contradiction as error:
            what = "What was entered no longer fits together under this knowledge; nothing was lost."
            self.app.call_from_thread(self.cannot, what, [str(error)])
            return
        self.app.call_from_thread(self.open_session, session)

    def open_session(self, session: Session) -> None:
        """Ask for the vehicle's facts first, unless the job is under way."""
        self.let_choose(True)
        task = TaskScreen(session)

        def with_facts(facts: dict[str, str] | None) -> None:
            self.app.push_screen(task, lambda _: self.refresh_jobs())
            if facts:
                task.call_later(task.enter_facts, facts)

        if session.filed.case.entries:
            with_facts(None)
        else:
            self.app.push_screen(FactsScreen(session), with_facts)

    def action_leave(self) -> None:
        """Leave the program, but not while a job is being opened."""
        if not self.query_one("#jobs").disabled:
            self.app.exit(return_code=self.exit_code)
