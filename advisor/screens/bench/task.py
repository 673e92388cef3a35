"""The bench: one task at a time, how to answer it, what may be the cause, and how far the end is."""

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
from advisor.bench.wording import caution_words, to_end_words
from advisor.case.typed import Understood
from advisor.screens.bench import questions, repairs
from advisor.screens.bench.account import AccountScreen
from advisor.screens.bench.card import YOUR_GUESS_FIRST, Card, card, pictured
from advisor.screens.bench.cause import CauseScreen
from advisor.screens.bench.cautions import CautionsScreen
from advisor.screens.bench.entry import EntryScreen
from advisor.screens.bench.faulttree import FaultTree, FaultTreeScreen, ReadingsAbout, ToggledByHand
from advisor.screens.bench.figure import FigureScreen
from advisor.screens.bench.job import JobScreen
from advisor.screens.bench.jobcard import JobCardScreen
from advisor.screens.bench.number import NumberField
from advisor.screens.bench.room import CAUSES, LARGE, SCROLLBAR, fitted
from advisor.screens.bench.story import headline, last_move, suspicion_panel, trail
from advisor.screens.bench.whynot import ask_why_not
from advisor.screens.widgets.cardtext import CardText
from advisor.screens.widgets.choices import ChoiceList, ChoiceScreen, each_once
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.news import SHORT_SECONDS
from advisor.simulate.rollout import LookAhead, ToEnd
from advisor.simulate.same_decision import SameDecision
from advisor.text import cut

BESIDE = 110
"""From so many columns on the fault tree and the story stand beside the task."""
LEAST_GAP, LEAST_EFFECT = 3, 12
"""What an answer would do stands beside it, so far apart; cut, where at least so much of it has room."""
CAUTIONS_FIRST = "Read the cautions first: key y."
WHICH_GUESS = "Your guess first: which cause do you suspect? Type to search; ↓ goes to a line."
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
        Binding("x", "skip", show=False, tooltip="This reading cannot be taken here"),
        Binding(
            "g", "confidence", show=False, tooltip="How sure the next answer is: certain, fairly, a guess"
        ),
        Binding("k", "confirm", show=False, tooltip="Say whether the complaint is there today"),
        Binding("y", "read", show=False, tooltip="The cautions were read"),
        Binding("u", "undo", "Undo", tooltip="Take back the last step"),
        Binding("s", "steps", show=False, tooltip="Take back or correct any step"),
        Binding("o", "other", "Other", tooltip="All readings: search, order and choose another"),
        Binding("r", "result", show=False, tooltip="Leave this reading: back to the result, or to the wait"),
        Binding("t", "tree", "Tree", tooltip="The fault tree, with what is suspected now"),
        Binding(
            "l", "guess", show=False, tooltip="Put down the cause you suspect; then the bench shows its own"
        ),
        Binding("v", "why_not", "Why", tooltip="Why not another cause, and what would turn it round"),
        Binding("w", "wait", "Done", tooltip="It is prepared, or a wait is over sooner"),
        Binding("i", "already", show=False, tooltip="It is prepared already: since when"),
        Binding("z", "setups", show=False, tooltip="State of the car: say what is so, end what is not"),
        Binding("a", "again", show=False, tooltip="Take a reading again; repeats are averaged"),
        Binding("d", "account", show=False, tooltip="Current draw: all of it, found so far, still missing"),
        Binding("p", "picture", show=False, tooltip="See how it is done: a drawing of this task"),
        Binding("j", "copy", show=False, tooltip="Copy the words of the task, to paste them elsewhere"),
        Binding("n", "units", show=False, tooltip="Choose the units you prefer"),
        Binding("f", "facts", show=False, tooltip="Change what is known of the vehicle"),
        Binding("e", "remedy", show=False, tooltip="Enough seen: repair now; or a remedy was done"),
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

    opens = frozenset({"s", "h", "d", "o", "t", "v", "p"})

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.entering: EntryScreen | None = None
        self.shown = Card("", "", (), ())
        self.made: str | None = None
        """The reading that is shown although its setups are not entered as made."""
        self.by_hand: ToggledByHand = {}
        self.causes = CAUSES
        """So many of the leading causes have room below the task."""

    def compose(self) -> ComposeResult:
        """Lay out the task with its answers, the leading causes below, and the story beside it."""
        yield Static(id="head", markup=False)
        yield Static(id="forbidden", markup=False)
        yield Static(id="news", markup=False)
        with Horizontal(id="middle"):
            with Vertical(id="card"):
                yield Static(id="title", markup=False)
                yield CardText(name="text")
                yield NumberField(id="number")
                yield ChoiceList(id="answers")
                yield Static(id="room")
                yield Static(id="suspicion")
            with Vertical(id="beside"):
                yield FaultTree(self.by_hand, name="tree")
                with VerticalScroll(id="trail"):
                    yield Static(id="story")
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
    def was_made(self) -> bool:
        """Whether somebody wants the reading on the card although its setups are not entered as made."""
        return self.proposal is not None and self.proposal.reading == self.made

    @property
    def takes_typing(self) -> bool:
        """Whether a number is being typed."""
        return self.entering is not None or self.query_one(NumberField).has_begun

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
        self.query_one("#card").set_class(self.size.height >= LARGE, "tall")
        beside = self.query_one("#beside")
        beside.display = self.size.width >= BESIDE and not self.hides_suspicion
        if beside.display:
            reading = self.proposal.reading if self.proposal else ""
            self.query_one(FaultTree).show(session.fault_tree(reading))
            self.query_one("#story", Static).update(trail(session))
            self.call_after_refresh(self.query_one("#trail").scroll_end, animate=False)
        self.show_card(self.card_now())
        self.show_suspicion()

    def show_suspicion(self) -> None:
        """Show the leading causes, fewer where the task needs the room, and how far the end is."""
        if self.hides_suspicion:
            self.query_one("#suspicion", Static).update(YOUR_GUESS_FIRST)
            return
        width, to_end = self.card_width - 2, to_end_words(self.to_end) if self.to_end else ""
        self.query_one("#suspicion", Static).update(suspicion_panel(self.session, width, self.causes, to_end))

    @property
    def card_width(self) -> int:
        """Columns of the task."""
        beside = self.size.width >= BESIDE and not self.hides_suspicion
        return self.size.width - (self.size.width * 9 // 20 if beside else 0)

    def show_news(self, words: str = "") -> None:
        """Show above the task what the last entry did, or why it failed."""
        words = words or self.told
        news = self.query_one("#news", Static)
        news.set_class(bool(words), "told")
        news.update(words or ("" if self.hides_suspicion else last_move(self.session)))

    def show_card(self, shown: Card) -> None:
        """Show the task and its choices."""
        width = self.card_width - 2
        room = width - len(shown.title)
        gap = "  " if room < len(shown.minutes) + 2 else " " * (room - len(shown.minutes))
        title = Content.assemble((shown.title, "bold $accent"), gap, (shown.minutes, "bold"))
        self.query_one("#title", Static).update(title)
        self.show_text(shown)
        self.shown = shown
        number = self.query_one(NumberField)
        number.ask(self.session, shown.reading if self.asks_number else "")
        answers = self.query_one("#answers", OptionList)
        answers.clear_options()
        for action, words, effect in shown.choices:
            line = Content.styled(words, "" if action else "dim")
            room = width - SCROLLBAR - len(words) - LEAST_GAP
            if room >= LEAST_EFFECT:
                effect = cut(effect, room)
            if effect and len(effect) <= room:
                line = Content.assemble(
                    line, " " * (width - SCROLLBAR - len(words) - len(effect)), (effect, "dim")
                )
            answers.add_option(Option(line, id=action or None, disabled=not action))
        if not number.has_begun:
            answers.focus()
        due = "confirm" if self.session.confirm_is_due else self.session.advice.stop
        on_card = self.proposal.reading if self.proposal else due
        # After every entry something else can be taken back, even if the question stays.
        self.asks((on_card, tuple(action for action, _, _ in shown.choices), self.session.filed.entries))

    def show_text(self, shown: Card) -> None:
        """Show the lines of the task; the same task keeps its scroll position."""
        about = (self.session.filed.number, self.proposal.reading if self.proposal else "")
        forbids = bool(self.session.forbidden)
        fit = fitted(shown, self.card_width, self.size.height, forbids=forbids)
        self.causes = fit.causes
        self.query_one(CardText).show_lines(about, fit.lines)

    def show_to_end(self, session: Session, found: ToEnd) -> None:
        """Say below the causes how far the end is."""
        if self.session is session:
            self.to_end = found
            self.show_suspicion()

    def show_same_decision(self, session: Session, found: SameDecision) -> None:
        """Say on the card of the end whether what is left to read could change it."""
        if self.session is session:
            self.same_decision = found
            self.show_text(self.card_now())

    def card_now(self) -> Card:
        """Return the card as it is now."""
        return card(
            self.session,
            self.proposal,
            self.confidence,
            self.ahead,
            self.same_decision,
            was_made=self.was_made,
            hides_suspicion=self.hides_suspicion,
        )

    def show_ahead(self, session: Session, found: LookAhead) -> None:
        """Say on the card that another reading is better in the long run."""
        if self.session is session:
            self.ahead = found
            self.show_text(self.card_now())

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
        elif what == "made":
            questions.made(self, argument.split())
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
        if self.is_locked:
            self.notify(CAUTIONS_FIRST, timeout=3)
        for option in self.query_one("#answers", OptionList).options:
            if str(option.prompt).startswith(f"{at + 1} "):
                await self.do(option.id or "")

    @property
    def is_locked(self) -> bool:
        """Whether the cautions have to be read before anything else on the card."""
        return any(action == "read" for action, _, _ in self.shown.choices)

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
        """Show the cautions in full; whoever has seen them all confirms them there."""
        session, proposal = self.session, self.proposal
        if proposal is not None:
            shown, title = session.cautions(proposal), proposal.name
        elif session.confirm_is_due:
            shown, title = session.confirm_cautions, session.complaint.name
        else:
            shown, title = session.remedy_cautions(session.found), "Before the remedy"
        due = session.to_acknowledge(shown)

        def read(answer: bool | None) -> None:
            if answer and due:
                self.change(lambda: session.acknowledged(due), self.chosen)

        if not shown:
            self.notify("This task has no caution.", timeout=3)
            return
        self.app.push_screen(
            CautionsScreen(title, [caution_words(session.knowledge, one) for one in shown]), read
        )

    @property
    def asks_number(self) -> bool:
        """Whether the card is answered by numbers, and its cautions have been read."""
        readings = self.session.knowledge.readings
        return self.shown.reading in readings and readings[self.shown.reading].quantity is not None

    def action_measure(self, started: str = "") -> None:
        """Open the entry screen for the reading on the card."""
        proposal = self.proposal
        if proposal is not None and proposal.asks and proposal.asks[0] in self.session.knowledge.measurands:
            self.ask_figure(proposal.asks[0])
            return
        if not self.asks_number:
            self.notify("This is answered by one of the lines below.", timeout=3)
            return
        number = self.query_one(NumberField)
        if number.display:
            number.begin(started)
        elif proposal is not None:
            self.measure(proposal.reading, started)
        else:
            self.entering = EntryScreen(self.session, self.shown.reading, started)
            self.app.push_screen(self.entering, self.number_read)

    def number_read(self, understood: Understood | None) -> None:
        """Enter the number of the card: of its reading, or of the complaint that is looked for."""
        self.entering = None
        if understood is None:
            return
        if self.proposal is not None:
            questions.measured(self, understood)
        elif self.session.confirm_is_due:
            questions.confirmed_by(self, understood)
        else:
            repairs.checked_by(self, understood)

    def measure(self, reading: str, started: str = "", instead_of: int = 0, before: int = 0) -> None:
        """Ask for the numbers of a quantity reading; to replace a step, start with what it says."""

        def measured(understood: Understood | None) -> None:
            self.entering = None
            if understood is not None:
                questions.measured(self, understood, instead_of, before)

        take = getattr(self.session.case.counting.get(instead_of), "take", ())
        self.entering = EntryScreen(self.session.without(instead_of), reading, started, take)
        self.app.push_screen(self.entering, measured)

    def on_key(self, event: Key) -> None:
        """Put the first digit into the field for numbers, and what is typed before it is up.

        All keys of a burst pass here before the first binding is looked up.
        """
        number = self.query_one(NumberField)
        if self.entering is not None:
            self.entering.take(event)
            return
        if self.saving or not event.character:
            return
        if number.has_begun and event.is_printable:
            number.begin(event.character)
        elif number.has_begun and event.key == "enter":
            number.submit()
        elif event.character in "0123456789-" and self.asks_number:
            self.action_measure(event.character)
        else:
            return
        event.stop()
        event.prevent_default()

    @on(NumberField.Typed)
    def typed(self, event: NumberField.Typed) -> None:
        """Go to the band that the number falls in."""
        answers = self.query_one("#answers", OptionList)
        if event.understood is None or self.proposal is None:
            answers.highlighted = None
            return
        band = self.session.band_of(event.understood)
        answers.highlighted = answers.get_option_index(f"saw {band}")

    @on(NumberField.Entered)
    def number_entered(self, event: NumberField.Entered) -> None:
        """Enter the number."""
        self.number_read(event.understood)

    def ask_figure(self, measurand: str) -> None:
        """Ask for a figure of the day, such as the temperature outside."""

        def back(session: Session | None) -> None:
            if session is not None:
                self.change(lambda: session, self.chosen)

        self.app.push_screen(FigureScreen(self.session, measurand), back)

    def action_guess(self) -> None:
        """Ask for the cause that the person at the bench suspects."""
        session = self.session
        if not self.hides_suspicion:
            self.notify(session.guess_words, timeout=5)
            return

        def named(cause: tuple[str, str] | None) -> None:
            if cause is not None:
                title = (
                    f"{session.knowledge.title(cause[0])}: is this your guess? It stays as you put it down."
                )
                lines = [(cause[0], "Yes, put it down"), ("", "No, choose another one")]
                self.app.push_screen(ChoiceScreen(title, lines), put_down)

        def put_down(fault: str | None) -> None:
            if fault:
                self.change(lambda: session.suspects(fault), self.chosen)
            elif fault is not None:
                self.action_guess()

        self.app.push_screen(CauseScreen(session.causes_by_name, WHICH_GUESS, listed=True), named)

    def action_account(self) -> None:
        """Show the account of the draw."""

        def back(session: Session | None) -> None:
            if session is not None:
                self.change(lambda: session)

        self.app.push_screen(AccountScreen(self.session), back)

    def action_undo(self) -> None:
        """Take back the last step that counts."""
        questions.undo(self)

    def enter_facts(self, facts: dict[str, str]) -> None:
        """Enter what is known of the vehicle."""
        self.change(lambda: self.session.knows(facts), self.chosen)

    def enter_new(self, facts: dict[str, str], said: str, dangers: dict[str, str]) -> None:
        """Enter what is known of a new job: what the customer said, and the vehicle."""
        self.change(lambda: self.session.told(said, dangers).knows(facts), self.chosen)

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
        self.from_thread(self.put_on_card, session, reading)

    def put_on_card(self, session: Session, reading: str) -> None:
        """Put the reading on the card, unless the job has gone on meanwhile."""
        if self.session is session:
            self.chosen, self.made, self.told = reading, None, ""
            self.show_session()

    def ask_whether_waited(self) -> None:
        """Ask since when what is to be made has been so; the reading can be shown all the same."""
        if self.saving:
            self.tell("The last entry is being saved. Wait until it is, then press i again.", SHORT_SECONDS)
        elif self.shown.setups:
            questions.state(self, self.shown.setups[-1], self.show_reading)

    def show_reading(self) -> None:
        """Show the reading behind the wait on the card."""
        if self.proposal is not None:
            self.made, self.told = self.proposal.reading, ""
            self.show_session()

    def action_already(self) -> None:
        """Say that what is to be prepared is so already; from its reading, go back to preparing it."""
        if self.is_locked:
            self.notify(CAUTIONS_FIRST, timeout=3)
        elif self.shown.setups:
            self.ask_whether_waited()
        elif self.was_made:
            self.made = None
            self.show_session()
        else:
            self.notify("There is nothing to prepare here.", timeout=3)

    def action_result(self) -> None:
        """Go back to the end of the search or to the wait, from a reading chosen after it."""
        if self.session.advice.stop is None and self.session.awaited is None:
            self.notify("There is no result yet, and nothing is waited for.", timeout=3)
        elif not self.saving:
            self.chosen = None
            self.show_session()

    @on(FaultTree.Chosen)
    def asked_about(self, event: FaultTree.Chosen) -> None:
        """Offer the readings that tell most of a line of the tree."""
        ReadingsAbout(self, self.session, self.choose).ask(event.row)

    def action_tree(self) -> None:
        """Show the fault tree; a reading chosen there comes onto the card."""
        if self.hides_suspicion:
            self.action_guess()
            return
        reading = self.proposal.reading if self.proposal else ""
        self.app.push_screen(FaultTreeScreen(self.session, reading, self.by_hand), self.choose)

    def action_facts(self) -> None:
        """Change what is known of the vehicle."""
        if not self.session.facts:
            self.notify("No facts about the vehicle matter for this complaint.", timeout=3)
            return
        about = f"{self.session.filed.tag} · {self.session.complaint.name}"
        self.app.push_screen(
            FactsScreen(self.session.facts, self.session.case.facts, about=about),
            lambda facts: self.enter_facts(facts or {}),
        )

    def action_more(self) -> None:
        """List everything that can be done here, for fingers too."""
        lines = [
            (f"{where}{one.action}", f"{one.key_display or self.app.get_key_display(one):>4}  {one.tooltip}")
            for where, keys in (("", self._bindings), ("app.", self.app._bindings))  # noqa: SLF001 - as help
            for bindings in keys.key_to_bindings.values()
            for one in bindings
            if one.tooltip and one.action not in ("more", "help") and self.check_action(one.action, ())
        ]

        async def chosen(action: str | None) -> None:
            if action is not None:
                await self.run_action(action)

        self.app.push_screen(ChoiceScreen(EVERYTHING, each_once(lines), numbered=False), chosen)

    def action_why_not(self) -> None:
        """Say why another cause does not lead."""
        if self.hides_suspicion:
            self.action_guess()
        else:
            ask_why_not(self)

    def action_copy(self) -> None:
        """Copy the words of the task."""
        lines = (self.shown.title, *(line.plain for line in self.shown.lines if line.plain))
        self.app.copy_to_clipboard("\n".join((*lines, *(words for _, words, _ in self.shown.choices))))
        self.notify("Copied.", timeout=3)

    @property
    def pictured(self) -> tuple[tuple[str, str], ...]:
        """What of the task on the card has a drawing."""
        return pictured(self.session, self.proposal, self.shown)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the drawing only where there is one."""
        return action != "picture" or bool(self.pictured)

    def action_picture(self) -> None:
        """Save the drawing of the task as papers are saved, and open it."""
        self.draw(self.session, self.pictured)

    @work(thread=True)
    def draw(self, session: Session, about: tuple[tuple[str, str], ...]) -> None:
        """Write the page off the event loop, and save it."""
        page, name = session.how_to(about), f"how-to-{about[-1][1]}.html"
        self.app.call_from_thread(lambda: self.app.deliver_paper(page, name, "text/html", view=True))

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

    async def action_wait(self) -> None:
        """Enter what the card has to be prepared as made; else say what is true of the car."""
        made = next((action for action, _, _ in self.shown.choices if action.startswith("made ")), None)
        if self.is_locked and self.shown.setups:
            self.notify(CAUTIONS_FIRST, timeout=3)
        elif made is not None:
            await self.do(made)
        else:
            questions.setups(self)

    def action_setups(self) -> None:
        """Say what is true of the car, or end what is no longer so."""
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
        if self.hides_suspicion:
            self.action_guess()
        else:
            repairs.remedy(self)

    def action_close(self) -> None:
        """Close the job with the cause that was found."""
        if self.hides_suspicion:
            self.action_guess()
        else:
            repairs.close(self)
