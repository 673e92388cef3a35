"""The bench: one task at a time, the story so far beside it, and the suspicion over the steps below."""

from __future__ import annotations

from collections.abc import Callable
from time import monotonic
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.events import Key
from textual.screen import Screen
from textual.widgets import Footer, OptionList, Static
from textual.widgets.option_list import Option

from advisor.advice import Contradiction, Proposal, why
from advisor.case import Known
from advisor.entry import Understood
from advisor.report import (
    disagreement_words,
    duration,
    entry_words,
    largest_move,
    outcome_words,
    percent,
    remedy_lines,
    stop_sentence,
    suspicion_rows,
)
from advisor.screens.account import AccountScreen
from advisor.screens.choices import ChoiceScreen
from advisor.screens.entry import EntryScreen
from advisor.screens.facts import FactsScreen
from advisor.session import Session
from advisor.store import StoreTrouble
from advisor.units import PREFERENCES

BOUNCE_SECONDS = 0.3
SKIP_REASONS = ("no instrument", "no access", "not allowed here", "no time now")


class TaskScreen(Screen[None]):
    """What to do next on this car, and what came of what was done."""

    CSS = """
    TaskScreen #head { padding: 0 1; background: $primary; color: $text; height: 1; }
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
        *(Binding(str(n), f"answer({n - 1})", show=False) for n in range(10)),
        Binding("minus", "minus", show=False),
        Binding("m", "measure", show=False, tooltip="Type what the meter shows"),
        Binding("pagedown,space", "page(1)", show=False, key_display="PgDn", tooltip="Read on in the task"),
        Binding("pageup", "page(-1)", show=False, key_display="PgUp", tooltip="Read back in the task"),
        Binding("x", "skip", "Cannot", tooltip="This reading cannot be taken here"),
        Binding("u", "undo", "Undo", tooltip="Take back the last entry"),
        Binding("o", "other", "Other", tooltip="Choose another reading"),
        Binding("r", "rank", show=False, tooltip="Rank readings by bits, or by bits per minute"),
        Binding("a", "again", "Again", tooltip="Take a reading again; repeats are averaged"),
        Binding("d", "account", "Draw", tooltip="The account of the draw: total, found, unexplained"),
        Binding("n", "units", show=False, tooltip="Choose the units you prefer"),
        Binding("f", "facts", "Car", tooltip="Change what is known of the vehicle"),
        Binding("c", "close", "Close", tooltip="Close the job with the cause that was found"),
        Binding("escape", "leave", "Jobs", tooltip="Back to the list of jobs; everything is saved"),
    ]

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.chosen: str | None = None
        self.keep_going = False
        self.entering: EntryScreen | None = None
        self.answered_at = 0.0

    def compose(self) -> ComposeResult:
        """Trail and task side by side, the picture of suspicion below."""
        yield Static(id="head", markup=False)
        with Horizontal(id="middle"):
            with VerticalScroll(id="trail"):
                yield Static(id="story")
            with Vertical(id="card"):
                with VerticalScroll(id="text"):
                    yield Static(id="task")
                yield OptionList(id="answers")
        yield Static(id="suspicion")
        yield Footer()

    def on_resize(self) -> None:
        """The picture and the answers are drawn for the room there is."""
        self.show_session()

    @property
    def proposal(self) -> Proposal | None:
        """The reading on the card, unless the search is over."""
        proposals = {one.reading: one for one in self.session.proposals}
        if self.chosen in proposals:
            return proposals[self.chosen]
        if not proposals or (self.session.advice.stop and not self.keep_going):
            return None
        return next(iter(proposals.values()))

    # What is shown

    def show_session(self) -> None:
        """Show the session as it is now, everywhere."""
        knowledge, filed = self.session.knowledge, self.session.filed
        case = filed.case
        taken = len(case.taken)
        complaint = knowledge.complaints[case.complaint].name
        self.query_one("#head", Static).update(
            f"{filed.tag} · {complaint} · {taken} reading{'' if taken == 1 else 's'} taken"
        )
        self.show_trail()
        self.show_suspicion()
        proposal = self.proposal
        answers = self.query_one("#answers", OptionList)
        answers.clear_options()
        if proposal is None:
            self.show_stop()
        else:
            self.show_task(proposal)
        answers.highlighted = 0
        self.query_one("#text", VerticalScroll).scroll_home(animate=False)
        answers.focus()

    def show_trail(self) -> None:
        """The story so far: each entry, and what it moved."""
        knowledge, case, stages = self.session.knowledge, self.session.filed.case, self.session.stages
        lines: list[Content] = [Content.styled("The story so far", "bold")]
        for at, entry in enumerate(case.entries):
            lines.append(Content(f"{at + 1} {entry_words(knowledge, case, entry)}"))
            moved = largest_move(knowledge, stages[at], stages[at + 1])
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
        heading, *rows = suspicion_rows(self.session.knowledge, self.session.stages, width, causes)
        lines = [Content.styled(heading, "dim"), *map(Content, rows)]
        panel.update(Content("\n").join(lines))

    def show_task(self, proposal: Proposal) -> None:
        """One reading: why, with what, how, what to watch out for, and its answers."""
        session, knowledge = self.session, self.session.knowledge
        reading = knowledge.readings[proposal.reading]
        answers = session.answers(proposal.reading)
        lines: list[Content] = [
            Content.styled(reading.name, "bold"),
            Content.styled(why(session.advice, answers, proposal), "italic"),
        ]
        if session.disagreement:
            lines.insert(
                0, Content.styled("! " + disagreement_words(knowledge, session.disagreement), "bold")
            )
        facts = [duration(reading.minutes)]
        if reading.instrument:
            at_hand = [one for one in reading.instrument if one not in session.workshop.without]
            facts.append(" or ".join(knowledge.instruments[one].name for one in at_hand))
        if proposal.best_instrument and proposal.best_bits > proposal.information_bits + 0.005:
            best = knowledge.instruments[proposal.best_instrument].name
            facts.append(f"{best} would tell {proposal.best_bits:.2f} bits")
        if reading.who == "certified":
            facts.append("by a certified person")
        lines.append(Content(" · ".join(facts)))
        cautions = list(reading.cautions)
        for setup in proposal.setups:
            said = knowledge.setups[setup]
            cautions += said.cautions
            wait = f", then wait {duration(said.waiting_minutes)}" if said.waiting_minutes else ""
            lines.append(Content(f"First: {said.name} ({duration(said.hands_on_minutes)}{wait})"))
            lines += [Content(f"  – {step}") for step in said.steps]
        for caution in dict.fromkeys(cautions):
            text = knowledge.cautions[caution]
            lines.append(Content.styled(f"⚠ {text.name}: {text.text}", "bold $warning"))
        if reading.ask and reading.who == "customer":
            lines.append(Content(f"Ask: “{reading.ask}”"))
        lines += [Content(f"{number}. {step}") for number, step in enumerate(reading.steps, start=1)]
        self.query_one("#task", Static).update(Content("\n").join(lines))
        options = self.query_one("#answers", OptionList)
        if reading.quantity:
            options.add_option(Option(Content("m Type what the meter shows (or just type it)"), id="measure"))
        for number, answer in enumerate(answers, start=1):
            words = outcome_words(
                knowledge, session.filed.case, proposal.reading, answer.outcome, session.preferences
            )
            leading = max(answer.after, key=lambda fault: answer.after[fault])
            line = f"{'–' if reading.quantity else number} {words}  "
            effect = f"→ {percent(answer.after[leading])} {knowledge.title(leading)}"
            room = self.query_one("#card").size.width - 2 - len(line)
            if len(effect) > room:
                effect = effect[: room - 1] + "…" if room > 12 else ""
            options.add_option(Option(Content.assemble(line, (effect, "dim")), id=f"saw {answer.outcome}"))
        options.add_option(Option(Content("x Cannot do this here"), id="skip"))

    def show_stop(self) -> None:
        """The search is over: what was found, what follows."""
        session, knowledge = self.session, self.session.knowledge
        stop = session.advice.stop
        options = self.query_one("#answers", OptionList)
        if stop is None:
            lines = ["Every reading that could tell something has been taken or skipped."]
        else:
            lines = [stop_sentence(knowledge, stop), *remedy_lines(knowledge, stop)]
            others = [one for one in session.advice.suspects[1:] if one.probability >= 0.5]
            lines += [f"Also likely: {one.name} ({percent(one.probability)})." for one in others]
            lines.append("After the repair check that the complaint is gone: two causes at once are common.")
        self.query_one("#task", Static).update(Content("\n").join(map(Content, lines)))
        options.add_option(Option(Content("c Close the job"), id="close"))
        if session.proposals:
            options.add_option(Option(Content("o Take another reading all the same"), id="other"))
        options.add_option(Option(Content("u Undo the last entry"), id="undo"))

    # What a person does

    @on(OptionList.OptionSelected, "#answers")
    async def selected(self, event: OptionList.OptionSelected) -> None:
        """An answer or one of the other lines was chosen."""
        what, _, outcome = (event.option_id or "").partition(" ")
        if what == "saw":
            self.enter(outcome)
        else:
            await self.run_action(what)

    def action_answer(self, at: int) -> None:
        """Choose the answer with this number; for a quantity, begin to type a number with it.

        Right after an answer numbers do not count: a bounced key would answer a card nobody has read.
        """
        if monotonic() - self.answered_at < BOUNCE_SECONDS:
            return
        proposal = self.proposal
        if proposal and self.session.knowledge.readings[proposal.reading].quantity:
            self.action_measure(str(at + 1))
            return
        answers = self.query_one("#answers", OptionList)
        if 0 <= at < answers.option_count and (option := answers.get_option_at_index(at)).id:
            what, _, outcome = str(option.id).partition(" ")
            if what == "saw":
                self.enter(outcome)

    def enter(self, outcome: str) -> None:
        """Enter the outcome of the reading on the card."""
        self.answered_at = monotonic()
        proposal = self.proposal
        if proposal is not None:
            self.change(lambda: self.session.saw(proposal.reading, outcome))

    def action_minus(self) -> None:
        """Begin to type a negative number."""
        proposal = self.proposal
        if proposal and self.session.knowledge.readings[proposal.reading].quantity:
            self.action_measure("-")

    def action_measure(self, started: str = "") -> None:
        """Type what the meter shows for the reading on the card."""
        proposal = self.proposal
        if proposal is None or not self.session.knowledge.readings[proposal.reading].quantity:
            self.notify("This reading is answered in words.", timeout=3)
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
            and self.session.knowledge.readings[proposal.reading].quantity
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
        """Take a reading again that was measured before."""
        case, knowledge = self.session.filed.case, self.session.knowledge
        lines = [(name, knowledge.readings[name].name) for name in case.taken]
        if not lines:
            self.notify("Nothing has been read yet.", timeout=3)
            return

        def take(reading: str | None) -> None:
            if reading is None:
                return
            if knowledge.readings[reading].quantity:
                self.measure(reading)
                return

            def saw(outcome: str | None) -> None:
                if outcome is not None:
                    self.change(lambda: self.session.saw(reading, outcome))

            answers = list(knowledge.readings[reading].answers.items())
            self.app.push_screen(ChoiceScreen(knowledge.readings[reading].name, answers), saw)

        self.app.push_screen(ChoiceScreen("Which reading again?", lines), take)

    def enter_facts(self, facts: dict[str, str]) -> None:
        """Enter what is known of the vehicle."""
        self.change(lambda: self.session.knows(facts))

    def change(self, make: Callable[[], Session]) -> None:
        """Go on with the session that is made; what cannot be, or cannot be saved, leaves all as it was."""
        try:
            self.session = make()
        except (Contradiction, StoreTrouble) as error:
            self.notify(str(error), title="Not entered", severity="error", timeout=15, markup=False)
            return
        self.chosen = None
        self.show_session()

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

    def action_undo(self) -> None:
        """Take back the last entry."""
        self.change(self.session.undone)

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
        lost = sum(one.information_bits for one, _ in session.advice.left_out[:1])
        title = f"Readings by {session.ranking}"
        if lost:
            best, obstacle = session.advice.left_out[0]
            title += f". Left out: {best.name} ({lost:.2f} bits): {obstacle}"

        def take(reading: str | None) -> None:
            if reading:
                self.chosen, self.keep_going = reading, True
                self.show_session()

        self.app.push_screen(ChoiceScreen(title, lines), take)

    def action_rank(self) -> None:
        """Switch between bits and bits per minute."""
        self.session = self.session.ranked("bits" if self.session.ranking != "bits" else "bits per minute")
        self.chosen = None
        self.show_session()
        self.notify(f"Readings are now ranked by {self.session.ranking}.", timeout=3)

    def action_facts(self) -> None:
        """Change what is known of the vehicle."""
        self.app.push_screen(FactsScreen(self.session), lambda facts: self.enter_facts(facts or {}))

    def action_close(self) -> None:
        """Close the job with the cause that was found."""
        suspects = [one for one in self.session.advice.suspects if not one.fault.startswith("unlisted:")][:8]
        lines = [(one.fault, f"{percent(one.probability):>6}  {one.name}") for one in suspects]

        def done(fault: str | None) -> None:
            if fault is not None:
                self.change(lambda: self.session.closed("" if fault == "none" else fault))
                if self.session.filed.case.closed:
                    self.dismiss()

        lines.append(("none", "No cause found, or another one"))
        self.app.push_screen(ChoiceScreen("Which cause was found and put right?", lines), done)

    def action_leave(self) -> None:
        """Back to the jobs."""
        self.dismiss()
