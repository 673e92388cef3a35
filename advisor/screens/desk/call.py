"""A call: one question at a time in the customer's words, then the booking sheet."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from advisor.advice.situation import InconsistentEvidence
from advisor.desk.booking import to_tell
from advisor.desk.call import Call, Inspection, heard
from advisor.inference.engine import TooWide
from advisor.knowledge.problems import ProblemsFound
from advisor.papers.format import duration
from advisor.screens.desk.complaints import NONE_OF_THESE, ComplaintsScreen
from advisor.screens.desk.sheet import SheetScreen
from advisor.screens.widgets.asking import AskingScreen
from advisor.screens.widgets.choices import ChoiceList
from advisor.screens.widgets.facts import FactsScreen
from advisor.screens.widgets.keyline import KeyLine
from advisor.screens.widgets.saving import AGAIN_SECONDS, ask_to_leave, tell_to_wait, tell_unsaved
from advisor.store.errors import CorruptRow, StaleWrite, StoreError

NODS = {
    "right": "1 Yes, all of it",
    "other": "2 No, or not quite: put it right",
    "open": "0 The customer does not know: leave it open",
}
"""Answers to whether what was heard of the car is right, by what is done."""


class CallScreen(AskingScreen[Call | Inspection]):
    """The questions, the most informative one first; returns the call once a day is booked, or None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(str(n), f"answer({n})", show=False) for n in range(10)),
        Binding("u", "undo", "Undo", tooltip="Take back the last answer"),
        Binding("f", "facts", "Car", tooltip="What is known of the vehicle"),
        Binding("c", "complaint", "Complaint", tooltip="Another complaint, or one more; answers are kept"),
        Binding("w", "warned", "Warned", tooltip="Read in full what the customer was told of danger"),
        Binding("b", "book", "Booking sheet", tooltip="Stop asking and see what to book"),
        Binding(
            "escape", "leave", "Desk", tooltip="Back to the question, or to the desk; everything is saved"
        ),
    ]

    def __init__(self, call: Call) -> None:
        super().__init__()
        self.call = call
        self.busy = False
        self.unsaved: Callable[[], Call] | None = None
        """How the answer is made that could not be saved yet."""
        self.has_nodded = False
        """Whether the customer was asked if what was heard of the car is right."""

    def compose(self) -> ComposeResult:
        """Lay out what to tell at once, the question, its answers, and the causes so far."""
        yield Static(id="title", markup=False)
        yield Static(id="words", markup=False)
        yield Static(id="warn", markup=False)
        yield Static(id="told", markup=False)
        with VerticalScroll(id="text", can_focus=False):
            yield Static(id="question", markup=False)
        yield Static(id="says", markup=False)
        yield ChoiceList(id="answers")
        yield Static(id="causes", markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Show the first question, and start the timer that tries again to save."""
        self.show_call()
        self.set_interval(AGAIN_SECONDS, self.save_again)

    def show_call(self) -> None:
        """Show the call as it stands."""
        call = self.call
        names = " and ".join(call.knowledge.complaints[job.case.complaint].name for job in call.jobs)
        asked = len(call.asked)
        self.query_one("#title", Static).update(
            f"{call.jobs[0].tag} · {names} · {asked} asked, {duration(call.minutes)} of "
            f"{duration(call.policy.phone_minutes)}"
        )
        their_words = self.query_one("#words", Static)
        their_words.display = bool(call.words)
        their_words.update(f"“{call.words}”")
        warn = self.query_one("#warn", Static)
        warn.display = bool(call.warnings)
        warn.update("\n".join(f"⚠ Tell at once: {sentence}" for sentence in call.to_say))
        told = self.query_one("#told", Static)
        told.display = bool(call.told)
        told.update(call.told_words(told.has_class("whole")))
        answers = self.query_one("#answers", OptionList)
        answers.clear_options()
        question = call.next.question
        text = call.asking_words(question) if question else f"{call.next.words} On to the booking."
        to_nod = not self.has_nodded and bool(call.heard)
        if to_nod:
            text = f"Ask: Is this right?\n{call.heard_words}"
            for key, words in NODS.items():
                answers.add_option(Option(Content(words), id=key))
        self.query_one("#question", Static).update(text)
        if question is not None and not to_nod:
            for number, (outcome, words) in enumerate(question.answers.items(), start=1):
                answers.add_option(Option(Content(f"{number} {words}"), id=f"said {outcome}"))
            answers.add_option(Option(Content("0 The customer does not know"), id="unknown"))
        answers.add_option(Option(Content("b The booking sheet"), id="book"))
        answers.focus()
        self.asks(text)
        self.refresh_bindings()
        lines = [f"So far: {to_tell({one.name: one.probability for one in call.suspects})}"]
        if call.heard and not to_nod:
            lines.append(f"Heard, not confirmed: {call.heard_words.lower()}. f to confirm.")
        self.query_one("#causes", Static).update("\n".join(lines))

    def change(self, make: Callable[[], Call]) -> None:
        """Replace the call by what `make` returns, once it is saved."""
        if self.unsaved is not None:
            tell_to_wait(self)
        elif not self.busy:
            self.busy = True
            self.work_out(make)

    def save_again(self) -> None:
        """Try again to save an answer that could not be saved."""
        if self.unsaved is not None and not self.busy:
            self.busy = True
            self.work_out(self.unsaved)

    @work(thread=True, group="saving")
    def work_out(self, make: Callable[[], Call]) -> None:
        """Save and work out the next question off the event loop; if others were first, read it again."""
        try:
            try:
                call = make().worked_out()
            except StaleWrite as error:
                call = self.call.refreshed().worked_out()
                self.from_thread(self.refused, str(error))
        except (CorruptRow, InconsistentEvidence, ProblemsFound, TooWide) as error:
            self.from_thread(self.refused, str(error))
        except StoreError as error:
            self.from_thread(self.not_saved, make, error)
        else:
            self.from_thread(self.changed, call)

    def changed(self, call: Call) -> None:
        """Show the next question once the answer is saved."""
        self.query_one("#says", Static).update("Saved." if self.unsaved is not None else "")
        self.call, self.busy, self.unsaved = call, False, None
        self.show_call()
        if call.made_pointless:
            self.notify(call.made_pointless, timeout=10, markup=False)

    def refused(self, why: str) -> None:
        """Say why an answer was not entered; everything stays as it was."""
        self.busy, self.unsaved = False, None
        self.notify(
            f"{why} The job is as it was.", title="Not entered", severity="error", timeout=15, markup=False
        )

    def not_saved(self, make: Callable[[], Call], error: StoreError) -> None:
        """Keep an answer that cannot be saved now, say so, and go on trying."""
        self.busy, self.unsaved = False, make
        tell_unsaved(self.query_one("#says", Static).update, error)

    @on(OptionList.OptionSelected, "#answers")
    def selected(self, event: OptionList.OptionSelected) -> None:
        """Carry out the line that was chosen."""
        self.do(event.option_id or "")

    def do(self, choice: str) -> None:
        """Carry out a choice."""
        question = self.call.next.question
        what, _, outcome = choice.partition(" ")
        if what == "said" and question is not None:
            self.change(lambda: self.call.answered(question.reading, outcome))
        elif what == "unknown" and question is not None:
            self.change(lambda: self.call.unknown(question.reading))
        elif what == "book":
            self.action_book()
        elif what == "right":
            self.has_nodded = True
            self.change(lambda: self.call.knows(self.call.heard, is_asked=False))
        elif what == "other":
            self.action_facts()
        elif what == "open":
            self.has_nodded = True
            self.show_call()

    def action_answer(self, number: int) -> None:
        """Choose the line with this number."""
        for option in self.query_one("#answers", OptionList).options:
            if str(option.prompt).startswith(f"{number} "):
                self.do(option.id or "")
                return

    def action_undo(self) -> None:
        """Take back the last answer."""
        self.change(self.call.undone)

    def action_facts(self) -> None:
        """Ask what is known of the vehicle."""
        call = self.call
        if not call.all_facts:
            self.notify("No facts about the vehicle are needed.", timeout=3)
            return

        def known(facts: dict[str, str] | None) -> None:
            if facts is None:
                return
            is_asked = self.has_nodded or not self.call.heard
            self.has_nodded = True
            self.show_call()
            if facts:
                self.change(lambda: self.call.knows(facts, is_asked))

        form = FactsScreen(call.all_facts, call.known_facts, call.heard, call.words)
        self.app.push_screen(form, known)

    def action_complaint(self) -> None:
        """Ask what the call is about."""
        call = self.call
        now = [job.case.complaint for job in call.jobs]

        def chosen(complaints: list[str] | None) -> None:
            if complaints == [NONE_OF_THESE]:
                self.show_sheet(self.call.inspected)
            elif complaints is not None and set(complaints) != set(now):
                self.change(lambda: self.call.about(complaints))

        fits = heard(call.knowledge, call.words).complaints
        self.app.push_screen(ComplaintsScreen(call.knowledge, fits, now), chosen)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to read the warnings in full only while they stand in one line."""
        return bool(self.call.told) if action == "warned" else True

    def action_warned(self) -> None:
        """Show in full, or in one line again, what the customer was told."""
        told = self.query_one("#told", Static).toggle_class("whole")
        told.update(self.call.told_words(told.has_class("whole")))

    def action_book(self) -> None:
        """See what to book."""
        self.show_sheet(lambda: self.call)

    def show_sheet(self, make: Callable[[], Call | Inspection]) -> None:
        """Show the booking sheet of what `make` returns, unless an answer is being saved."""

        def booked(call: Call | Inspection | None) -> None:
            if call is not None:
                self.dismiss(call)

        if self.unsaved is not None:
            tell_to_wait(self)
        elif not self.busy:
            self.app.push_screen(SheetScreen(make()), booked)

    def action_leave(self) -> None:
        """Back to the question from the warnings in full, else to the desk."""
        if self.query_one("#told", Static).has_class("whole"):
            self.action_warned()
        elif self.unsaved is not None:
            ask_to_leave(self, self.dismiss)
        else:
            self.dismiss()
