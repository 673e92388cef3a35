"""The bench: one task at a time, the story so far beside it, and the suspicion over the steps below."""

from __future__ import annotations

from collections.abc import Callable
from time import monotonic
from typing import TYPE_CHECKING, ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.events import Key
from textual.screen import Screen
from textual.widgets import Footer, OptionList, Static
from textual.widgets.option_list import Option
from textual.worker import get_current_worker

from advisor.advice import Proposal
from advisor.case import Acknowledged, Known, TakenBack
from advisor.engine import TooWide
from advisor.entry import Understood
from advisor.lookahead import LookAhead
from advisor.problems import ProblemsFound
from advisor.report import (
    caution_words,
    duration,
    entry_words,
    largest_move,
    percent,
    suspicion_rows,
    telling_steps,
)
from advisor.screens.account import AccountScreen
from advisor.screens.card import Card, card
from advisor.screens.choices import ChoiceScreen
from advisor.screens.entry import EntryScreen
from advisor.screens.facts import FactsScreen
from advisor.screens.jobcard import JobCardScreen
from advisor.screens.lookahead import LookAheadScreen
from advisor.screens.trolley import TrolleyScreen
from advisor.session import CONFIDENCE, Contradiction, Ranking, Session
from advisor.store import Overtaken, StoreTrouble
from advisor.units import PREFERENCES

if TYPE_CHECKING:
    from advisor.screens.app import AdvisorApp

BOUNCE_SECONDS = 0.3
"""Right after an answer keys do not count: a bounced key would answer a card nobody has read."""
LOOK_EVERY_SECONDS = 3.0
"""How often a change by others is looked for, and an answer that could not be saved is tried again."""
SKIP_REASONS = ("no instrument", "no access", "not allowed here", "no time now")
END_REASONS = ("the car was disturbed", "no longer needed", "begun by mistake")


class TaskScreen(Screen[None]):
    """What to do next on this car, and what came of what was done."""

    app: AdvisorApp
    CSS = """
    TaskScreen #head { padding: 0 1; background: $primary; color: $text; height: 1; }
    TaskScreen #news { padding: 0 1; height: auto; max-height: 6; display: none; text-style: bold; }
    TaskScreen #middle { height: 1fr; }
    TaskScreen #trail {
        width: 28%; min-width: 22; border-right: solid $primary; padding: 0 1; scrollbar-size-vertical: 1;
    }
    TaskScreen #card { width: 1fr; }
    TaskScreen #text { height: 1fr; padding: 0 1; scrollbar-size-vertical: 1; }
    TaskScreen #answers {
        height: auto; max-height: 50%; border: none; border-top: solid $primary; padding: 0;
    }
    TaskScreen #suspicion { border-top: solid $primary; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(str(n), f"answer({n - 1})", show=False) for n in range(1, 10)),
        Binding("m", "measure", show=False, tooltip="Type what the meter shows"),
        Binding("pagedown,space", "page(1)", show=False, key_display="PgDn", tooltip="Read on in the task"),
        Binding("pageup", "page(-1)", show=False, key_display="PgUp", tooltip="Read back in the task"),
        Binding("x", "skip", "Cannot", tooltip="This reading cannot be taken here"),
        Binding("g", "confidence", "Sure", tooltip="How sure the next answer is: certain, fairly, a guess"),
        Binding("y", "read", show=False, tooltip="The cautions were read"),
        Binding("u", "undo", "Undo", tooltip="Take back the last step"),
        Binding("s", "steps", "Steps", tooltip="Take back or correct any step"),
        Binding("o", "other", "Other", tooltip="Choose another reading"),
        Binding("i", "rank('bits')", show=False, tooltip="Next: the most informative reading"),
        Binding("p", "rank('bits per minute')", show=False, tooltip="Next: the most told per minute"),
        Binding("q", "rank('quick looks')", show=False, tooltip="Next: quick looks only"),
        Binding("t", "trolley", show=False, tooltip="Next: with what is on the trolley"),
        Binding("l", "look_ahead", show=False, tooltip="Play the best readings out to the end and compare"),
        Binding("w", "wait", show=False, tooltip="Begin the wait for a setup, or end a setup"),
        Binding("a", "again", show=False, tooltip="Take a reading again; repeats are averaged"),
        Binding("d", "account", show=False, tooltip="The account of the draw: total, found, unexplained"),
        Binding("n", "units", show=False, tooltip="Choose the units you prefer"),
        Binding("f", "facts", show=False, tooltip="Change what is known of the vehicle"),
        Binding("e", "remedy", "Repair", tooltip="A remedy was done"),
        Binding("b", "job_card", show=False, tooltip="The job card: read it, or save it as a file"),
        Binding("c", "close", show=False, tooltip="Close the job with the cause that was found"),
        Binding("h", "more", "More", tooltip="Everything that can be done here, as a list"),
        Binding("escape", "leave", "Jobs", tooltip="Back to the list of jobs; everything is saved"),
    ]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.chosen: str | None = None
        self.keep_going = False
        self.confidence = "certain"
        self.entering: EntryScreen | None = None
        self.answered_at = 0.0
        self.saving = False
        self.unsaved: Callable[[], Session] | None = None
        self.ringing: frozenset[str] = frozenset()
        self.ahead: LookAhead | None = None

    def compose(self) -> ComposeResult:
        """Trail and task side by side, the picture of suspicion below."""
        yield Static(id="head", markup=False)
        yield Static(id="news", markup=False)
        with Horizontal(id="middle"):
            with VerticalScroll(id="trail"):
                yield Static(id="story")
            with Vertical(id="card"):
                with VerticalScroll(id="text"):
                    yield Static(id="task")
                yield OptionList(id="answers")
        yield Static(id="suspicion")
        yield Footer()

    def on_mount(self) -> None:
        """Look for what others enter, for waits that are over and for what is still to be saved."""
        self.set_interval(LOOK_EVERY_SECONDS, self.look_around)
        self.look_ahead_quietly()

    def on_resize(self) -> None:
        """The picture and the answers are drawn for the room there is."""
        self.show_session()

    @property
    def proposal(self) -> Proposal | None:
        """The reading on the card, unless the search is over."""
        proposals = {one.reading: one for one in self.session.advice.proposals}
        if self.chosen in proposals:
            return proposals[self.chosen]
        if not self.session.proposals or (self.session.advice.stop and not self.keep_going):
            return None
        return self.session.proposals[0]

    # What is shown

    def show_session(self) -> None:
        """Show the session as it is now, everywhere."""
        session = self.session
        case = session.case
        taken = len(case.taken)
        complaint = session.knowledge.complaints[case.complaint].name
        by = "" if session.ranking == "bits" else f" · {session.ranking}"
        self.query_one("#head", Static).update(
            f"{session.filed.tag} · {complaint} · {taken} reading{'' if taken == 1 else 's'} taken{by}"
        )
        self.show_news()
        self.show_trail()
        self.show_suspicion()
        self.show_card(card(session, self.proposal, self.confidence, self.ahead))

    def show_news(self, words: str = "") -> None:
        """What the last entry did, or what is in the way, above the task."""
        session = self.session
        if not words and session.case.entries:
            last = session.case.entries[-1]
            moved = largest_move(session.knowledge, session.stages[-2], session.stages[-1])
            if moved:
                words = f"{entry_words(session.knowledge, session.case, last)}  {moved}"
        news = self.query_one("#news", Static)
        news.display = bool(words)
        news.update(words)

    def show_trail(self) -> None:
        """The story so far: each entry, and what it moved; what was taken back is struck out and says so."""
        knowledge, case, stages = self.session.knowledge, self.session.case, self.session.stages
        lines: list[Content] = [Content.styled("The story so far", "bold")]
        for step, entry in enumerate(case.entries, start=1):
            words = f"{step} {entry_words(knowledge, case, entry)}"
            if isinstance(entry, Acknowledged):
                lines.append(Content.styled(words, "dim"))
            elif step in case.counting or isinstance(entry, TakenBack):
                lines.append(Content(words))
            else:
                lines.append(Content.assemble((words, "strike dim"), " (taken back)"))
            moved = largest_move(knowledge, stages[step - 1], stages[step])
            if moved and not isinstance(entry, Known):
                lines.append(Content.styled(f"  {moved}", "dim"))
        if not case.entries:
            lines.append(Content.styled("Nothing yet.", "dim"))
        self.query_one("#story", Static).update(Content("\n").join(lines))
        self.call_after_refresh(self.query_one("#trail", VerticalScroll).scroll_end, animate=False)

    def show_suspicion(self) -> None:
        """The leading causes, each with its probability over the steps."""
        width = max(40, self.size.width - 2)
        panel = self.query_one("#suspicion", Static)
        causes = 4 if self.size.height < 30 else 8
        panel.styles.height = causes + 2
        steps = telling_steps(self.session.case)
        heading, *rows = suspicion_rows(self.session.knowledge, self.session.stages, steps, width, causes)
        lines = [Content.styled(heading, "dim"), *map(Content, rows)]
        panel.update(Content("\n").join(lines))

    def show_card(self, shown: Card) -> None:
        """The task and its choices; what a choice would do is cut where there is no room."""
        self.query_one("#task", Static).update(Content("\n").join(shown.lines))
        answers = self.query_one("#answers", OptionList)
        answers.clear_options()
        for action, words, effect in shown.choices:
            room = self.query_one("#card").size.width - 4 - len(words)
            if len(effect) > room:
                effect = effect[: room - 1] + "…" if room > 12 else ""
            answers.add_option(Option(Content.assemble(words, "  ", (effect, "dim")), id=action))
        answers.highlighted = 0
        self.query_one("#text", VerticalScroll).scroll_home(animate=False)
        answers.focus()

    # Saving

    def change(self, make: Callable[[], Session], keep: str | None = None) -> None:
        """Go on with the session that is made, and with the reading `keep` on the card.

        What cannot be, or cannot be saved, leaves all as it was.
        """
        if self.unsaved is not None:
            self.notify(
                "The last answer is not saved yet. It is kept here. Wait until it is, then enter this again.",
                severity="warning",
                timeout=5,
            )
        elif not self.saving:
            self.saving = True
            self.work_out(make, keep)

    @work(thread=True, group="saving")
    def work_out(self, make: Callable[[], Session], keep: str | None = None) -> None:
        """Save and work out what follows, off the event loop."""
        back = self.app.call_from_thread
        try:
            session = make().worked_out()
        except Overtaken as error:
            back(self.overtaken, str(error))
        except StoreTrouble as error:
            back(self.not_saved, make, str(error))
        except (Contradiction, ProblemsFound, TooWide) as error:
            back(self.refused, str(error))
        else:
            back(self.changed, session, keep)

    def changed(self, session: Session, keep: str | None) -> None:
        """The change is saved: show where the job stands now."""
        if self.unsaved is not None:
            self.notify("Saved.", timeout=3)
        self.session, self.saving, self.unsaved = session, False, None
        self.chosen, self.confidence, self.ahead = keep, "certain", None
        self.show_session()
        if session.case.closed:
            self.dismiss()
        else:
            self.look_ahead_quietly()

    def look_ahead_quietly(self) -> None:
        """Play the best readings out in the background, unless that is not wanted."""
        if self.app.looks_ahead:
            self.play_ahead(self.session)

    @work(thread=True, exclusive=True, group="ahead")
    def play_ahead(self, session: Session) -> None:
        """Look ahead off the event loop; the next answer stops it."""
        worker = get_current_worker()
        found = session.better_ahead(lambda: worker.is_cancelled)
        if found is not None and not worker.is_cancelled:
            self.app.call_from_thread(self.show_ahead, session, found)

    def show_ahead(self, session: Session, found: LookAhead) -> None:
        """Say on the card that another reading is better to the end."""
        if self.session is session:
            self.ahead = found
            self.query_one("#task", Static).update(
                Content("\n").join(card(session, self.proposal, self.confidence, found).lines)
            )

    def refused(self, why: str) -> None:
        """What was entered cannot be: say why; everything stays as it was."""
        self.saving, self.unsaved = False, None
        self.notify(
            f"{why} The job is as it was.", title="Not entered", severity="error", timeout=15, markup=False
        )
        self.show_session()

    def overtaken(self, why: str) -> None:
        """Somebody else has gone on with the job: show it as it is now."""
        self.saving, self.unsaved = False, None
        self.notify(why, title="Not entered", severity="warning", timeout=15, markup=False)
        self.look_for_others()

    def not_saved(self, make: Callable[[], Session], why: str) -> None:
        """The database is in the way: keep the answer, say so, and go on trying."""
        self.saving, self.unsaved = False, make
        self.show_news(f"NOT SAVED YET. Your answer is kept here and tried again every few seconds. {why}")

    def look_around(self) -> None:
        """Try again to save, else look for what others have entered; ring where a wait is over."""
        if self.unsaved is not None and not self.saving:
            self.saving = True
            self.work_out(self.unsaved)
        elif not self.saving and self.app.screen is self:
            self.look_for_others()
            self.look_at_waits()

    def look_at_waits(self) -> None:
        """Show how long a wait still takes, and ring once when it is over."""
        waits = frozenset(setup for setup, left in self.session.waiting.items() if left > 0)
        if not waits and not self.ringing:
            return
        fresh = self.session.refreshed()
        over = self.ringing - {setup for setup, left in fresh.waiting.items() if left > 0}
        for setup in over & set(fresh.waiting):
            self.app.bell()
            self.notify(f"Ready: {fresh.knowledge.setups[setup].name}", title="The wait is over", timeout=30)
        self.ringing = waits - over
        if over or any(round(fresh.waiting[one]) != round(self.session.waiting[one]) for one in waits):
            self.session = fresh
            self.show_session()

    @work(thread=True, exclusive=True, group="others")
    def look_for_others(self) -> None:
        """Whether somebody else has entered something on this job."""
        session = self.session
        try:
            newer = session.newer()
            if newer is not None:
                newer.worked_out()
        except StoreTrouble:
            return  # told as soon as something is to be saved
        except Contradiction as error:
            self.app.call_from_thread(self.refused, str(error))
            return
        if newer is not None:
            self.app.call_from_thread(self.others_entered, session, newer)

    def others_entered(self, before: Session, newer: Session) -> None:
        """Show what others have entered, unless this bench has gone on meanwhile."""
        if self.session is before and not self.saving:
            self.session, self.chosen = newer, None
            self.show_session()
            self.notify("Somebody else has entered something on this job.", timeout=10)

    # What a person does

    @on(OptionList.OptionSelected, "#answers")
    async def selected(self, event: OptionList.OptionSelected) -> None:
        """One of the lines was chosen."""
        await self.do(event.option_id or "")

    async def do(self, choice: str) -> None:
        """Carry out a choice of the card: an action, with its argument after a space."""
        what, _, argument = choice.partition(" ")
        if what == "saw":
            self.enter(argument)
        elif what == "repaired":
            self.repaired(argument)
        elif what == "checked":
            self.change(lambda: self.session.checked(argument == "gone"))
        elif what == "closed":
            self.change(lambda: self.session.closed(argument))
        else:
            await self.run_action(what)

    async def action_answer(self, at: int) -> None:
        """Choose the line with this number."""
        if monotonic() - self.answered_at < BOUNCE_SECONDS:
            return
        for option in self.query_one("#answers", OptionList).options:
            if str(option.prompt).startswith(f"{at + 1} "):
                await self.do(option.id or "")

    def enter(self, outcome: str) -> None:
        """Enter the outcome of the reading on the card."""
        self.answered_at = monotonic()
        proposal, confidence = self.proposal, CONFIDENCE[self.confidence]
        if proposal is not None:
            self.change(lambda: self.session.saw(proposal.reading, outcome, confidence))

    def action_confidence(self) -> None:
        """Change how sure the next answer is."""
        levels = list(CONFIDENCE)
        self.confidence = levels[(levels.index(self.confidence) + 1) % len(levels)]
        self.show_session()
        self.notify(f"The next answer counts as: {self.confidence}.", timeout=3)

    def action_read(self) -> None:
        """The cautions on the card were read."""
        session, proposal = self.session, self.proposal
        shown = session.cautions(proposal) if proposal else session.remedy_cautions(session.found)
        due = session.to_acknowledge(shown)
        if due:
            self.change(lambda: session.acknowledged(due), self.chosen)

    @property
    def asks_number(self) -> bool:
        """Whether the reading on the card is a quantity whose cautions have been read."""
        proposal, session = self.proposal, self.session
        return (
            proposal is not None
            and session.knowledge.readings[proposal.reading].quantity is not None
            and not session.to_acknowledge(session.cautions(proposal))
        )

    def action_measure(self, started: str = "") -> None:
        """Type what the meter shows for the reading on the card."""
        proposal = self.proposal
        if proposal is None or not self.asks_number:
            self.notify("This is answered by one of the lines below.", timeout=3)
            return
        self.measure(proposal.reading, started)

    def measure(self, reading: str, started: str = "") -> None:
        """Ask for the numbers of a quantity reading."""

        def measured(understood: Understood | None) -> None:
            self.entering = None
            self.answered_at = monotonic()
            if understood is not None:
                self.change(lambda: self.session.measured(understood))

        self.entering = EntryScreen(self.session, reading, started)
        self.app.push_screen(self.entering, measured)

    def on_key(self, event: Key) -> None:
        """A number may be typed at once, and whatever comes before the entry is up belongs to it.

        Keys of a burst all pass here before the first binding is looked at.
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
            and monotonic() - self.answered_at >= BOUNCE_SECONDS
        ):
            event.stop()
            event.prevent_default()
            self.measure(proposal.reading, event.character)

    def action_account(self) -> None:
        """Show the account of the draw."""

        def back(session: Session | None) -> None:
            if session is not None:
                self.change(lambda: session)

        self.app.push_screen(AccountScreen(self.session), back)

    def action_units(self) -> None:
        """Choose preferred units."""
        lines = [
            (f"{kind} {unit}", f"{kind}: {unit}") for kind, units in PREFERENCES.items() for unit in units
        ]

        def prefer(chosen: str | None) -> None:
            if chosen:
                kind, _, unit = chosen.rpartition(" ")
                self.change(lambda: self.session.prefers(kind, unit))

        self.app.push_screen(ChoiceScreen("Units you prefer; they are remembered", lines), prefer)

    def action_again(self) -> None:
        """Take a reading again that was taken before."""
        readings = self.session.knowledge.readings
        lines = [(name, readings[name].name) for name in self.session.case.taken if name in readings]
        if not lines:
            self.notify("Nothing has been read yet.", timeout=3)
            return
        self.app.push_screen(
            ChoiceScreen("Which reading again?", lines), lambda reading: self.take_again(reading)
        )

    def take_again(self, reading: str | None) -> None:
        """Ask for the answer of a reading once more; the first one stays on record."""
        if reading is None:
            return
        said = self.session.knowledge.readings[reading]
        if said.quantity:
            self.measure(reading)
            return

        def saw(outcome: str | None) -> None:
            if outcome is not None:
                self.change(lambda: self.session.saw(reading, outcome))

        self.app.push_screen(ChoiceScreen(said.name, list(said.answers.items())), saw)

    def action_steps(self) -> None:
        """Choose any step, to take it back or to correct it."""
        session = self.session
        lines = [
            (str(step), f"{step} {entry_words(session.knowledge, session.case, entry)}")
            for step, entry in session.case.counting.items()
        ]
        if not lines:
            self.notify("Nothing has been entered yet.", timeout=3)
            return

        def take_back(step: str | None) -> None:
            if step is not None:
                self.correct(int(step))

        title = "Take back which step? The record of it stays."
        self.app.push_screen(ChoiceScreen(title, lines, numbered=False), take_back)

    def correct(self, step: int) -> None:
        """Take back a step, and ask for the right answer where it was one."""
        entry = self.session.case.counting[step]
        reading = getattr(entry, "reading", None)
        lines = [("wrong", "It was wrong: take it back"), ("slip", "A slip of the finger: take it back")]
        if reading in self.session.knowledge.readings:
            lines.insert(0, ("again", "Take it back and give another answer"))

        def because(reason: str | None) -> None:
            if reason is not None:
                words = {"wrong": "it was wrong", "slip": "a slip of the finger", "again": "corrected"}
                self.change(lambda: self.session.taken_back(step, words[reason]))
                if reason == "again":
                    self.take_again(reading)

        self.app.push_screen(ChoiceScreen("What about it?", lines), because)

    def action_undo(self) -> None:
        """Take back the last step that counts."""
        self.change(self.session.undone)

    def enter_facts(self, facts: dict[str, str]) -> None:
        """Enter what is known of the vehicle."""
        self.change(lambda: self.session.knows(facts))

    def action_page(self, pages: int) -> None:
        """Read on or back in the task while the answers keep the focus."""
        text = self.query_one("#text", VerticalScroll)
        text.scroll_relative(y=pages * max(1, text.size.height - 1), animate=False)

    def action_skip(self) -> None:
        """Say why the reading cannot be taken."""
        proposal = self.proposal
        if proposal is None:
            return

        def because(reason: str | None) -> None:
            if reason:
                self.change(lambda: self.session.skipped(proposal.reading, reason))

        self.app.push_screen(ChoiceScreen("Why not?", [(one, one) for one in SKIP_REASONS]), because)

    def action_wait(self) -> None:
        """Begin the wait that the card plans, or end a setup that is in place."""
        session, proposal = self.session, self.proposal
        plan = session.plan(proposal) if proposal else None
        setups = session.knowledge.setups
        lines = [(f"end {one}", f"No longer in place: {setups[one].name}") for one in session.waiting]
        if plan is not None:
            names = " and ".join(setups[one].name for one in plan.setups)
            lines.insert(0, ("begin", f"Begin now: {names} ({duration(plan.waiting_minutes)})"))
        if not lines:
            self.notify("Nothing has to be waited for, and no setup is in place.", timeout=3)
            return

        def chosen(what: str | None) -> None:
            if what == "begin" and plan is not None:
                self.change(lambda: session.prepared(plan.setups))
                self.ringing = frozenset(plan.setups)
            elif what is not None:
                self.end(what.removeprefix("end "))

        self.app.push_screen(ChoiceScreen("Setups of the car", lines), chosen)

    def end(self, setup: str) -> None:
        """Say why a setup is no longer in place."""

        def because(reason: str | None) -> None:
            if reason:
                self.change(lambda: self.session.ended(setup, reason))

        self.app.push_screen(ChoiceScreen("Why?", [(one, one) for one in END_REASONS]), because)

    def action_other(self) -> None:
        """Choose from all readings that tell something."""
        session = self.session
        if not session.proposals:
            self.notify("No reading that can be taken here tells anything.")
            return
        lines = [
            (one.reading, f"{one.information_bits:5.2f} bits {duration(one.minutes):>9}  {one.name}")
            for one in session.proposals
        ]
        title = f"Readings by {session.ranking}"
        if session.advice.left_out:
            best, obstacle = session.advice.left_out[0]
            title += f". Left out: {best.name} ({best.information_bits:.2f} bits): {obstacle}"
        self.app.push_screen(ChoiceScreen(title, lines), self.choose)

    def choose(self, reading: str | None) -> None:
        """Put a reading on the card."""
        if reading:
            self.chosen, self.keep_going = reading, True
            self.show_session()

    def action_rank(self, ranking: Ranking) -> None:
        """Rank readings another way."""
        self.change(lambda: self.session.ranked(ranking))
        self.notify(f"Next readings: {ranking}.", timeout=3)

    def action_trolley(self) -> None:
        """Say what is on the trolley, and go on with that."""

        def off(instruments: frozenset[str] | None) -> None:
            if instruments is not None:
                self.change(lambda: self.session.with_trolley(instruments))

        self.app.push_screen(TrolleyScreen(self.session), off)

    def action_look_ahead(self) -> None:
        """Play the best readings out to the end."""
        if not self.session.can_look_ahead:
            self.notify("There is nothing to play out now.", timeout=3)
        elif not self.saving:
            self.app.push_screen(LookAheadScreen(self.session), self.choose)

    def action_facts(self) -> None:
        """Change what is known of the vehicle."""
        self.app.push_screen(
            FactsScreen(self.session.facts, self.session.case.facts),
            lambda facts: self.enter_facts(facts or {}),
        )

    def causes(self) -> list[tuple[str, str]]:
        """The leading causes to choose from."""
        suspects = [one for one in self.session.advice.suspects if not one.fault.startswith("unlisted:")]
        return [(one.fault, f"{percent(one.probability):>6}  {one.name}") for one in suspects]

    def action_remedy(self) -> None:
        """Enter that a remedy was done."""

        def done(fault: str | None) -> None:
            if fault is not None:
                self.repaired(fault)

        self.app.push_screen(ChoiceScreen("Which cause was put right?", self.causes()), done)

    def repaired(self, fault: str) -> None:
        """Enter that the remedy of a fault was done, once its cautions have been read."""
        session = self.session
        due = session.to_acknowledge(session.remedy_cautions(fault))
        if not due:
            self.change(lambda: session.repaired(fault))
            return

        def read(answer: str | None) -> None:
            if answer is not None:
                self.change(lambda: session.acknowledged(due).repaired(fault))

        words = "\n".join(caution_words(session.knowledge, one) for one in due)
        self.app.push_screen(
            ChoiceScreen(f"Before the remedy:\n{words}", [("read", "I have read this")]), read
        )

    def action_close(self) -> None:
        """Close the job with the cause that was found."""
        repaired = self.session.case.repaired
        lines = [(one, f"repaired  {self.session.knowledge.title(one)}") for one in reversed(repaired)]
        lines += [line for line in self.causes()[:8] if line[0] not in repaired]

        def done(fault: str | None) -> None:
            if fault is not None:
                self.change(lambda: self.session.closed("" if fault == "none" else fault))

        lines.append(("none", "No cause found, or another one"))
        self.app.push_screen(ChoiceScreen("Which cause was found and put right?", lines), done)

    def action_more(self) -> None:
        """Everything that can be done here, to be chosen by finger as well."""
        lines = [
            (one.action, f"{one.key_display or self.app.get_key_display(one)}  {one.tooltip}")
            for bindings in self._bindings.key_to_bindings.values()
            for one in bindings
            if one.tooltip and one.action != "more"
        ]

        async def chosen(action: str | None) -> None:
            if action is not None:
                await self.run_action(action)

        self.app.push_screen(
            ChoiceScreen("What is to be done?", list(dict(lines).items()), numbered=False), chosen
        )

    def action_job_card(self) -> None:
        """Show the job card."""
        self.app.push_screen(JobCardScreen(self.session))

    def action_leave(self) -> None:
        """Back to the jobs; an answer that is not saved yet is asked about."""
        if self.unsaved is None:
            self.dismiss()
            return

        def leave(answer: str | None) -> None:
            if answer == "leave":
                self.dismiss()

        lines = [("stay", "Stay, and go on trying to save it"), ("leave", "Leave without the last answer")]
        self.app.push_screen(ChoiceScreen("The last answer is not saved yet.", lines), leave)
