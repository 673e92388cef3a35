"""The bench: one task at a time, the story so far beside it, and the suspicion over the steps below."""

from __future__ import annotations

from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.events import Key
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from advisor.advice.advice import CandidateReading
from advisor.bench.session import Session
from advisor.case.typed import Understood
from advisor.screens.bench import questions, repairs
from advisor.screens.bench.account import AccountScreen
from advisor.screens.bench.card import Card, card
from advisor.screens.bench.cautions import NOT_ALL_SEEN
from advisor.screens.bench.entry import EntryScreen
from advisor.screens.bench.figure import FigureScreen
from advisor.screens.bench.job import JobScreen
from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.bench.story import headline, last_move, suspicion_panel, trail
from advisor.screens.widgets.cardtext import CardText
from advisor.screens.widgets.choices import ChoiceList, ChoiceScreen, each_once
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.simulate.rollout import LookAhead

LEAST_ROOM = 12
"""What an answer would do stands beside it where there is more room than this, else below it."""
EVERYTHING = "What is to be done? Digits choose the numbered lines of the task."


class TaskScreen(JobScreen):
    """Shows what to do next on this car, and what each entry did."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(str(n), f"answer({n - 1})", show=False) for n in range(1, 10)),
        Binding("m", "measure", show=False, tooltip="Type what the meter shows"),
        Binding(
            "pagedown,space",
            "page(1)",
            show=False,
            key_display="PgDn",
            priority=True,
            tooltip="Read on in the task",
        ),
        Binding(
            "pageup",
            "page(-1)",
            show=False,
            key_display="PgUp",
            priority=True,
            tooltip="Read back in the task",
        ),
        Binding("x", "skip", "Cannot", tooltip="This reading cannot be taken here"),
        Binding("g", "confidence", "Sure", tooltip="How sure the next answer is: certain, fairly, a guess"),
        Binding("k", "confirm", show=False, tooltip="Say whether the complaint is there today"),
        Binding("y", "read", show=False, tooltip="The cautions were read"),
        Binding("u", "undo", "Undo", tooltip="Take back the last step"),
        Binding("s", "steps", "Steps", tooltip="Take back or correct any step"),
        Binding("o", "other", "Other", tooltip="All readings: search, order and choose another"),
        Binding("r", "result", show=False, tooltip="Leave this reading: back to the result, or to the wait"),
        Binding("w", "wait", "Wait", tooltip="Begin a wait, or end it early; end a setup"),
        Binding("a", "again", show=False, tooltip="Take a reading again; repeats are averaged"),
        Binding("d", "account", show=False, tooltip="Current draw: all of it, found so far, still missing"),
        Binding("n", "units", show=False, tooltip="Choose the units you prefer"),
        Binding("f", "facts", show=False, tooltip="Change what is known of the vehicle"),
        Binding("e", "remedy", "Repair", tooltip="Enough seen: repair now; or a remedy was done"),
        Binding("b", "job_card", show=False, tooltip="The job card: read it, or save it as a file"),
        Binding("c", "close", show=False, tooltip="Close the job with the cause that was found"),
        Binding(
            "delete",
            "cancel",
            show=False,
            key_display="Del",
            tooltip="Cancel this job: wrong complaint, mistake, called off",
        ),
        Binding("escape", "leave", "Jobs", tooltip="Back to the list of jobs; everything is saved"),
        Binding(
            "question_mark,f1,h",
            "more",
            "Keys",
            key_display="?",
            tooltip="Everything that can be done here, as a list",
        ),
    ]

    opens = frozenset({"s", "h", "d", "o"})

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.entering: EntryScreen | None = None

    def compose(self) -> ComposeResult:
        """Lay out trail and task side by side, and the picture of suspicion below."""
        yield Static(id="head", markup=False)
        yield Static(id="forbidden", markup=False)
        yield Static(id="news", markup=False)
        with Horizontal(id="middle"):
            with VerticalScroll(id="trail"):
                yield Static(id="story")
            with Vertical(id="card"):
                yield CardText(name="text")
                yield ChoiceList(id="answers")
        yield Static(id="suspicion")
        yield KeyLine()

    def on_resize(self) -> None:
        """Redraw the picture and the choices for the new size."""
        self.show_session()

    @property
    def proposal(self) -> CandidateReading | None:
        """The reading on the card, unless the search is over or a wait runs first."""
        proposals = {one.reading: one for one in self.session.advice.proposals}
        if self.chosen in proposals:
            return proposals[self.chosen]
        session = self.session
        if session.confirm_is_due or session.advice.stop or session.awaited or not session.proposals:
            return None
        return self.session.proposals[0]

    @property
    def takes_typing(self) -> bool:
        """Whether a number is being typed for an entry screen that is about to open."""
        return self.entering is not None

    @property
    def takes_numbers(self) -> bool:
        """Whether the reading on the card is answered by a number."""
        return self.takes_typing or self.asks_number

    # What is shown

    def show_session(self) -> None:
        """Show the session as it is now, everywhere."""
        session = self.session
        self.query_one("#head", Static).update(headline(session))
        forbidden = self.query_one("#forbidden", Static)
        forbidden.display = bool(session.forbidden)
        forbidden.update("\n".join(session.forbidden))
        self.show_news()
        self.query_one("#story", Static).update(trail(session))
        self.call_after_refresh(self.query_one("#trail", VerticalScroll).scroll_end, animate=False)
        causes = 8 if self.size.height >= 30 else 3 if self.size.height >= 20 else 1
        if session.forbidden and causes == 3:
            causes = 1  # the task keeps its lines beside what must not be done
        panel = self.query_one("#suspicion", Static)
        panel.styles.height = causes + 2
        panel.update(suspicion_panel(session, max(40, self.size.width - 2), causes))
        self.show_card(card(session, self.proposal, self.confidence, self.ahead))

    def show_news(self, words: str = "") -> None:
        """Show above the task what the last entry did, or why it failed."""
        words = words or self.told or last_move(self.session)
        news = self.query_one("#news", Static)
        news.display = bool(words)
        news.update(words)

    def show_card(self, shown: Card) -> None:
        """Show the task and its choices; the effect of a choice is cut to fit."""
        self.show_text(shown)
        answers = self.query_one("#answers", OptionList)
        answers.clear_options()
        for action, words, effect in shown.choices:
            width = self.query_one("#card").size.width - 4
            room, between = width - len(words), "  "
            if effect and len(effect) > room and room <= LEAST_ROOM:  # on a line of its own
                room, between = width - 2, "\n    "
            if effect and len(effect) > room:
                effect = effect[: room - 1] + "…"
            answers.add_option(Option(Content.assemble(words, between, (effect, "dim")), id=action))
        answers.focus()
        due = "confirm" if self.session.confirm_is_due else self.session.advice.stop
        reading = self.proposal.reading if self.proposal else due
        # After every entry something else can be taken back, even if the question stays.
        self.asks((reading, tuple(action for action, _, _ in shown.choices), self.session.filed.entries))

    def show_text(self, shown: Card) -> None:
        """Show the lines of the task; the same task keeps its scroll position."""
        about = (self.session.filed.number, self.proposal.reading if self.proposal else "")
        self.query_one(CardText).show_lines(about, shown.lines, shown.to_see)

    def show_ahead(self, session: Session, found: LookAhead) -> None:
        """Say on the card that another reading is better in the long run."""
        if self.session is session:
            self.ahead = found
            self.show_text(card(session, self.proposal, self.confidence, found))

    # What a person does

    @on(OptionList.OptionSelected, "#answers")
    async def selected(self, event: OptionList.OptionSelected) -> None:
        """Carry out the line chosen."""
        await self.do(event.option_id or "")

    async def do(self, choice: str) -> None:
        """Carry out a choice of the card: an action, with its argument after a space."""
        what, _, argument = choice.partition(" ")
        if what == "saw":
            self.enter(argument)
        elif what == "take":
            self.choose(argument)
        elif what == "known":
            fact, _, value = argument.partition(" ")
            self.enter_facts({fact: value})
        elif what == "figure":
            self.ask_figure(argument)
        elif what == "repaired":
            repairs.repaired(self, argument)
        elif what == "confirmed":
            questions.confirmed(self, argument)
        elif what == "checked":
            repairs.ask_to_record_check(self, argument == "gone")
        elif what == "closed":
            repairs.ask_to_close(self, argument)
        else:
            await self.run_action(what)

    async def action_answer(self, at: int) -> None:
        """Choose the line with this number."""
        for option in self.query_one("#answers", OptionList).options:
            if str(option.prompt).startswith(f"{at + 1} "):
                await self.do(option.id or "")

    def enter(self, outcome: str) -> None:
        """Enter the outcome of the reading on the card."""
        proposal, confidence = self.proposal, self.session.policy.confidence[self.confidence]
        if proposal is not None:
            questions.answered(self, proposal.reading, outcome, confidence)

    def action_confidence(self) -> None:
        """Change how sure the next answer is."""
        levels = list(self.session.policy.confidence)
        self.confidence = levels[(levels.index(self.confidence) + 1) % len(levels)]
        self.show_session()
        self.notify(f"The next answer counts as: {self.confidence}.", timeout=3)

    def action_read(self) -> None:
        """Enter that the cautions were read; if one was not in view yet, scroll to it instead."""
        session, proposal = self.session, self.proposal
        if proposal is not None:
            shown = session.cautions(proposal)
        elif session.confirm_is_due:
            shown = session.confirm_cautions
        else:
            shown = session.remedy_cautions(session.found)
        due = session.to_acknowledge(shown)
        if due and self.query_one(CardText).read_on():
            self.show_news(NOT_ALL_SEEN)
            self.app.asks_anew()
        elif due:
            self.change(lambda: session.acknowledged(due), self.chosen)

    @property
    def asks_number(self) -> bool:
        """Whether the reading on the card is a quantity whose cautions have been read."""
        proposal, session = self.proposal, self.session
        return (
            proposal is not None
            and session.knowledge.readings[proposal.reading].quantity is not None
            and not session.to_acknowledge(session.cautions(proposal))
            and not proposal.asks
        )

    def action_measure(self, started: str = "") -> None:
        """Open the entry screen for the reading on the card."""
        proposal = self.proposal
        if proposal is not None and proposal.asks and proposal.asks[0] in self.session.knowledge.measurands:
            self.ask_figure(proposal.asks[0])
            return
        if proposal is None or not self.asks_number:
            self.notify("This is answered by one of the lines below.", timeout=3)
            return
        self.measure(proposal.reading, started)

    def measure(self, reading: str, started: str = "", instead_of: int = 0) -> None:
        """Ask for the numbers of a quantity reading; to replace a step, start with what it says."""

        def measured(understood: Understood | None) -> None:
            self.entering = None
            if understood is not None:
                questions.measured(self, understood, instead_of)

        before = getattr(self.session.case.counting.get(instead_of), "take", ())
        self.entering = EntryScreen(self.session.without(instead_of), reading, started, before)
        self.app.push_screen(self.entering, measured)

    def on_key(self, event: Key) -> None:
        """Open the entry screen on the first digit, and keep what is typed before it is up.

        All keys of a burst pass here before the first binding is looked up.
        """
        proposal = self.proposal
        if self.entering is not None:
            self.entering.take(event)
        elif (
            event.character
            and event.character in "0123456789-"
            and proposal is not None
            and self.asks_number
            and not self.saving
        ):
            event.stop()
            event.prevent_default()
            self.measure(proposal.reading, event.character)

    def ask_figure(self, measurand: str) -> None:
        """Ask for a figure of the day, such as the temperature outside."""

        def back(session: Session | None) -> None:
            if session is not None:
                self.change(lambda: session, self.chosen)

        self.app.push_screen(FigureScreen(self.session, measurand), back)

    def action_account(self) -> None:
        """Show the account of the draw."""

        def back(session: Session | None) -> None:
            if session is not None:
                self.change(lambda: session)

        self.app.push_screen(AccountScreen(self.session), back)

    def action_undo(self) -> None:
        """Take back the last step that counts."""
        self.change(self.session.undone)

    def enter_facts(self, facts: dict[str, str]) -> None:
        """Enter what is known of the vehicle."""
        self.change(lambda: self.session.knows(facts), self.chosen)

    def action_page(self, pages: int) -> None:
        """Scroll the task by pages, wherever the focus is."""
        self.query_one(CardText).page(pages)

    def choose(self, reading: str | None) -> None:
        """Put a reading on the card."""
        if reading and not self.saving:
            self.work_out_card(self.session, reading)

    @work(thread=True, exclusive=True, group="card")
    def work_out_card(self, session: Session, reading: str) -> None:
        """Work out the effects of a reading, off the event loop."""
        session.worked_out(reading)
        self.app.call_from_thread(self.put_on_card, session, reading)

    def put_on_card(self, session: Session, reading: str) -> None:
        """Put the reading on the card, unless the job has gone on meanwhile."""
        if self.session is session:
            self.chosen = reading
            self.show_session()

    def action_result(self) -> None:
        """Go back to the end of the search or to the wait, from a reading chosen after it."""
        if self.session.advice.stop is None and self.session.awaited is None:
            self.notify("There is no result yet, and nothing is waited for.", timeout=3)
        elif not self.saving:
            self.chosen = None
            self.show_session()

    def action_facts(self) -> None:
        """Change what is known of the vehicle."""
        if not self.session.facts:
            self.notify("No facts about the vehicle matter for this complaint.", timeout=3)
            return
        self.app.push_screen(
            FactsScreen(self.session.facts, self.session.case.facts),
            lambda facts: self.enter_facts(facts or {}),
        )

    def action_more(self) -> None:
        """List everything that can be done here, for fingers too."""
        lines = [
            (f"{where}{one.action}", f"{one.key_display or self.app.get_key_display(one):>4}  {one.tooltip}")
            for where, keys in (("", self._bindings), ("app.", self.app._bindings))  # noqa: SLF001 - as help
            for bindings in keys.key_to_bindings.values()
            for one in bindings
            if one.tooltip and one.action not in ("more", "help")
        ]

        async def chosen(action: str | None) -> None:
            if action is not None:
                await self.run_action(action)

        self.app.push_screen(ChoiceScreen(EVERYTHING, each_once(lines), numbered=False), chosen)

    def action_job_card(self) -> None:
        """Show the job card."""
        self.app.push_screen(JobCardScreen(self.session))

    # What is asked first

    def action_units(self) -> None:
        """Choose preferred units."""
        questions.units(self)

    def action_confirm(self) -> None:
        """Say whether the complaint is there today."""
        questions.confirm(self)

    def action_again(self) -> None:
        """Choose a reading to take again."""
        questions.again(self)

    def action_steps(self) -> None:
        """Choose any step to take back or correct."""
        questions.steps(self)

    def action_skip(self) -> None:
        """Ask why the reading cannot be taken, and skip it."""
        questions.skip(self)

    def action_wait(self) -> None:
        """Begin the wait that the card plans, or end a setup that is in place."""
        questions.setups(self)

    def action_other(self) -> None:
        """Choose among all readings."""
        questions.other(self)

    def action_leave(self) -> None:
        """Go back to the jobs; ask first if an answer is not saved yet."""
        questions.leave(self)

    def action_cancel(self) -> None:
        """Ask why the job is cancelled, and cancel it."""
        questions.cancel(self)

    def action_remedy(self) -> None:
        """Ask which remedy was done, and enter it."""
        repairs.remedy(self)

    def action_close(self) -> None:
        """Close the job with the cause that was found."""
        repairs.close(self)
