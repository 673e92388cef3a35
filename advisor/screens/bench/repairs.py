"""Questions about repairs: which cause was repaired, and with which one the job is closed."""

from __future__ import annotations

from advisor.bench.session import Session
from advisor.bench.wording import caution_words
from advisor.case.typed import Understood
from advisor.knowledge.unlisted import is_unlisted
from advisor.papers.format import duration, percent
from advisor.screens.bench.cause import CauseScreen
from advisor.screens.bench.cautions import CautionsScreen
from advisor.screens.bench.entry import EntryScreen
from advisor.screens.bench.job import JobScreen
from advisor.screens.bench.questions import number_shows
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.typing import LineScreen

WHICH = "Enough seen, or a remedy was done: which cause is it? What is not proved is said next."
NOT_FINISHED = (
    "the repair makes it needless",
    "no time or no equipment here",
    "the customer does not want it",
)
LEADING = 7
"""The most causes offered at once: with the two lines below them each has a digit key."""


def causes(bench: JobScreen) -> list[tuple[str, str]]:
    """Return the leading causes to choose from."""
    suspects = [one for one in bench.session.advice.suspects if not is_unlisted(one.fault)]
    return [(one.fault, f"{percent(one.probability):>7}  {one.name}") for one in suspects]


def remedy(bench: JobScreen) -> None:
    """Ask which remedy was done, and enter it."""

    def done(fault: str | None) -> None:
        if fault is not None:
            repaired(bench, fault)

    bench.app.push_screen(ChoiceScreen(WHICH, causes(bench)), done)


def repaired(bench: JobScreen, fault: str) -> None:
    """Enter that the remedy of a fault was done, after its cautions and one confirmation."""
    session = bench.session
    due = session.to_acknowledge(session.remedy_cautions(fault))
    proof = session.proof_of(fault)

    def decided(answer: str | None) -> None:
        if answer == "prove" and proof is not None:
            bench.choose(proof.reading)
        if answer != "record":
            return
        if choice := session.remedy_choice(fault):
            title = (
                f"The remedy reads: {choice}. What did you do? The customer's page says it as you "
                "write it. Enter alone leaves it out."
            )
            bench.app.push_screen(LineScreen(title, "Done", may_be_empty=True), done)
        else:
            done("")

    def done(how: str | None) -> None:
        if how is not None:
            bench.change(lambda: session.acknowledged(due).repaired(fault, how))

    def read(answer: bool | None) -> None:
        if answer:
            lines = [("record", "Record it"), ("not", "Record nothing")]
            if proof is not None:
                lines.append(("prove", f"Prove it first: {proof.name} ({duration(proof.minutes)})"))
            bench.app.push_screen(ChoiceScreen(session.repair_words(fault), lines), decided)

    if not due:
        read(True)
        return
    words = [caution_words(session.knowledge, one) for one in due]
    bench.app.push_screen(CautionsScreen("Before the remedy", words), read)


def checked_by(bench: JobScreen, understood: Understood) -> None:
    """Enter the number of the check after the repair, and what follows from it."""
    number_shows(bench, understood, lambda there: ask_to_record_check(bench, not there, understood))


def ask_to_record_check(bench: JobScreen, gone: bool, read: Understood | None = None) -> None:
    """Enter what the check after the repair found, and the number `read`, after one confirmation."""
    session = bench.session

    reading = session.check_reading if gone and read is None else ""

    def decided(answer: str | None) -> None:
        if answer == "record":
            bench.change(lambda: session.checked(gone, read))
        elif answer == "number":
            bench.app.push_screen(EntryScreen(session, reading), measured)

    def measured(understood: Understood | None) -> None:
        if understood is not None:
            bench.change(lambda: session.checked(gone, understood))

    lines = [("record", "Record it"), ("not", "Record nothing")]
    if gone and session.check_is_early:
        lines = [("not", "No: record nothing, and check first"), ("record", "Yes, after the wait: record it")]
    if reading:
        name = session.knowledge.readings[reading].name
        lines.append(("number", f"Record it with the number read then: {name}"))
    bench.app.push_screen(ChoiceScreen(session.check_words(gone), lines), decided)


def close(bench: JobScreen) -> None:
    """Close the job with the cause that was found."""
    mended = dict.fromkeys(reversed(bench.session.case.repaired))
    lines = [(one, f"repaired  {bench.session.knowledge.title(one)}") for one in mended]
    lines += [line for line in causes(bench) if line[0] not in mended]
    lines = lines[:LEADING]

    def done(fault: str | None) -> None:
        if fault == "another":
            bench.app.push_screen(CauseScreen(causes(bench)), named)
        elif fault is not None:
            ask_to_close(bench, "" if fault == "none" else fault)

    def named(cause: tuple[str, str] | None) -> None:
        if cause is not None:
            ask_to_close(bench, *cause)

    lines.append(("another", "Another cause: from the list, or in words"))
    lines.append(("none", "No fault found"))
    bench.app.push_screen(ChoiceScreen("Which cause was found and put right?", lines), done)


def ask_to_close(bench: JobScreen, fault: str, words: str = "") -> None:
    """Ask for confirmation, showing what closing will record.

    First ask whether what has to be done to every car with this complaint was done, if nobody has said so.
    """
    session = bench.session
    due = session.before_leaving

    def because(reason: str | None) -> None:
        if reason == "in words":
            title = f"Not done: {due}. Why not?"
            bench.app.push_screen(LineScreen(title, "Because"), lambda typed: confirm(typed))
        else:
            confirm(reason)

    def finished(answer: str | None) -> None:
        if answer == "done":
            confirm("")
        elif answer == "not":
            lines = [*((one, one) for one in NOT_FINISHED), ("in words", "another reason, in words")]
            bench.app.push_screen(ChoiceScreen(f"Not done, because …? ({due})", lines), because)

    def confirm(reason: str | None) -> None:
        if reason is None:
            return

        def decided(answer: str | None) -> None:
            if answer == "close":
                bench.change(close)

        def close() -> Session:
            done = session.finished(reason)
            return done.closed_in_words(words) if words else done.closed(fault)

        lines = [("close", "Close the job"), ("stay", "Do not close it")]
        bench.app.push_screen(ChoiceScreen(session.closing_words(fault, words, reason), lines), decided)

    if not due:
        confirm("")
        return
    lines = [
        ("done", "Yes, it was done"),
        ("not", "Not done, because …"),
        ("stay", "Do not close: do it first"),
    ]
    bench.app.push_screen(ChoiceScreen(f"Before the car leaves: {due}. Was it done?", lines), finished)
