"""Questions asked before an entry at the bench: which reading, which step, which setup, and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from advisor.bench.session import WRONG_COMPLAINT, EnteredWait, Session
from advisor.bench.wording import caution_words, entry_words, lead_words, skip_reasons
from advisor.case.entries import NOT_PRESENT, NOT_TRIED, SEEN_TODAY, Acknowledged, Confirmed, Repaired
from advisor.case.typed import Understood
from advisor.measure.units import PREFERENCES
from advisor.papers.format import duration
from advisor.screens.bench.cautions import CautionsScreen
from advisor.screens.bench.job import JobScreen
from advisor.screens.bench.readings import Picked, ReadingsScreen
from advisor.screens.bench.since import SinceScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.news import SHORT_SECONDS
from advisor.screens.widgets.saving import ask_to_leave
from advisor.screens.widgets.typing import LineScreen

CANCEL_REASONS = ("opened by mistake", WRONG_COMPLAINT, "the customer called it off", "done elsewhere")
SINCE = {
    "just now": 0,
    "for 5 minutes": 5,
    "for 15 minutes": 15,
    "for an hour": 60,
    "for three hours": 180,
    "all night": 600,
    "for a day": 1440,
}
"""Choices for how long a stated setup has been in place, in minutes."""
UNREAD = "The cautions were not read yet. Read them (⚠), press y, then begin the wait."
END_REASONS = ("the car was disturbed", "no longer needed")
NEVER_BEGUN = "entered by mistake: it was never so"
ASK_FIRST = "Its wait can begin once the question on the card, or key f, is answered."
OTHERS = "Others of this complaint"
READY_SOONER = "it is over already: the car was ready sooner"
NOT_WAITED = "went on before the wait was over"
"""Why a wait is ended that somebody cuts short."""


def units(bench: JobScreen) -> None:
    """Choose preferred units."""
    now = bench.session.preferences
    lines = [
        (f"{kind} {unit}", f"{kind}: {unit}" + ("  ← set now" if now.get(kind) == unit else ""))
        for kind, units in PREFERENCES.items()
        for unit in units
    ]
    left = [kind for kind in PREFERENCES if kind not in now]
    title = "Units you prefer; they are remembered."
    if left:
        title += f" Not set, so shown as each reading has it: {', '.join(left)}."

    def prefer(chosen: str | None) -> None:
        if chosen:
            kind, _, unit = chosen.rpartition(" ")
            bench.change(lambda: bench.session.prefers(kind, unit))

    bench.app.push_screen(ChoiceScreen(title, lines), prefer)


def confirm(bench: JobScreen) -> None:
    """Say whether the complaint is there today; after a repair its check says so."""
    session = bench.session
    if not session.can_confirm:
        bench.notify("Check the complaint after the repair first; that says whether it is there.", timeout=5)
        return
    due = session.to_acknowledge(session.confirm_cautions)

    def found(answer: str | None) -> None:
        if answer is not None:
            confirmed(bench, answer, due)

    def read(answer: bool | None) -> None:
        if answer:
            name, how = session.complaint.name, session.complaint.looked_for.how
            lines = [(one, one[:1].upper() + one[1:]) for one in (SEEN_TODAY, NOT_PRESENT, NOT_TRIED)]
            bench.app.push_screen(
                ChoiceScreen(f"Is it there today: {name}? How to see it: {how}", lines), found
            )

    if not due:
        read(True)
        return
    words = [caution_words(session.knowledge, one) for one in due]
    bench.app.push_screen(CautionsScreen("Before you look for the complaint", words), read)


def number_shows(bench: JobScreen, understood: Understood, then: Callable[[bool], None]) -> None:
    """Go on with whether a number shows the complaint; ask where it may be either."""
    there = bench.session.shows_complaint(understood)
    if there is not None:
        then(there)
        return

    def said(answer: str | None) -> None:
        if answer is not None:
            then(answer == "there")

    lines = [("there", "The complaint is there"), ("not", "It is not there")]
    title = f"{' '.join(understood.lines)}. It may be either. What is it, all in all?"
    bench.app.push_screen(ChoiceScreen(title, lines), said)


def confirmed_by(bench: JobScreen, understood: Understood) -> None:
    """Enter the number by which a complaint was looked for, and what follows from it."""
    number_shows(
        bench,
        understood,
        lambda there: confirmed(bench, SEEN_TODAY if there else NOT_PRESENT, understood=understood),
    )


def confirmed(
    bench: JobScreen, found: str, due: tuple[str, ...] = (), understood: Understood | None = None
) -> None:
    """Enter whether the complaint is there; ask first where that cannot have been looked for as written.

    The cautions `due` were read for it; `understood` is the number that it was seen by, if one was read.
    """
    session = bench.session
    early = session.confirm_early_words(found)

    def decided(answer: str | None) -> None:
        if answer == "over":
            enter("over")
        elif answer == "not waited":
            enter("not waited")

    def enter(wait: EnteredWait) -> None:
        bench.change(lambda: session.acknowledged(due).confirmed(found, wait=wait, understood=understood))

    if not early:
        enter("as entered")
        return
    lines = [("over", "Yes, as written")]
    if found == SEEN_TODAY:
        lines.append(("not waited", "No, but it was there all the same"))
    lines.append(("not", "Enter nothing: look first"))
    bench.app.push_screen(ChoiceScreen(early, lines), decided)


def again(bench: JobScreen) -> None:
    """Choose a reading to take again."""
    readings = bench.session.knowledge.readings
    lines = [(name, readings[name].name) for name in bench.session.case.taken if name in readings]
    if not lines:
        bench.notify("Nothing has been read yet.", timeout=3)
        return
    bench.app.push_screen(
        ChoiceScreen("Which reading again?", lines), lambda reading: take_again(bench, reading)
    )


def take_again(bench: JobScreen, reading: str | None, instead_of: int = 0, before: int = 0) -> None:
    """Ask for the answer of a reading again, instead of a step or besides it; both stay on record.

    It was read `before` another step, where one is given.
    """
    if reading is None:
        return
    said = bench.session.knowledge.readings[reading]
    if said.quantity:
        bench.measure(reading, instead_of=instead_of, before=before)
        return

    def saw(outcome: str | None) -> None:
        if outcome is not None:
            answered(bench, reading, outcome, 1.0, instead_of, before)

    bench.app.push_screen(ChoiceScreen(said.name, list(said.answers.items())), saw)


def answered(
    bench: JobScreen, reading: str, outcome: str, confidence: float, instead_of: int = 0, before: int = 0
) -> None:
    """Enter an answer; one before the wait is over is asked about, and counts as a guess at best."""
    guess = min(confidence, bench.session.policy.a_guess)
    _in_time(
        bench,
        reading,
        outcome,
        lambda wait, before: bench.session.saw(reading, outcome, confidence, instead_of, wait, before),
        lambda: bench.session.saw(reading, outcome, guess, instead_of, "not waited"),
        before or bench.session.read_before(instead_of),
    )


def measured(bench: JobScreen, understood: Understood, instead_of: int = 0, before: int = 0) -> None:
    """Enter a number; one read before the wait is over is asked about, and counts as a guess at best."""
    _in_time(
        bench,
        understood.measured.reading,
        bench.session.band_of(understood),
        lambda wait, before: bench.session.measured(understood, instead_of, wait, before),
        lambda: bench.session.guessed(understood, instead_of),
        before or bench.session.read_before(instead_of),
    )


def _in_time(
    bench: JobScreen,
    reading: str,
    outcome: str,
    enter: Callable[[EnteredWait, int], Session],
    guess: Callable[[], Session],
    before: int,
) -> None:
    """Enter an answer if no wait is left; otherwise ask once, and enter it as a guess.

    A wait that nobody has entered is asked about as well: the car may have stood all the same. What was read
    before another entry is entered as such.
    """
    if before:
        bench.change(lambda: enter("as entered", before))
        return
    early = bench.session.early(reading, outcome)
    unknown = "" if early else bench.session.not_waited_words(reading, outcome)

    def decided(answer: str | None) -> None:
        if answer == "guess":
            bench.change(guess)
        elif answer == "over":
            bench.change(lambda: enter("over", 0))
        elif answer is not None and answer != "not":
            bench.change(lambda: enter("as entered", int(answer)))

    if not (early or unknown):
        bench.change(lambda: enter("as entered", 0))
        return
    earlier = _earlier(bench, reading)
    if early:
        lines = [
            ("not", "Wait on: the answer is not entered"),
            *earlier,
            ("guess", "Enter it as a guess (it counts less); the wait goes on"),
        ]
    else:
        waited = [("over", "Yes, for at least as long")] if bench.session.may_have_waited(reading) else []
        lines = [
            *waited,
            *earlier,
            ("guess", "No, or nobody knows: enter it as a guess (it counts less)"),
            ("not", "Enter nothing yet"),
        ]
    bench.app.push_screen(ChoiceScreen(early or unknown, lines), decided)


def _earlier(bench: JobScreen, reading: str) -> list[tuple[str, str]]:
    """Return the lines to say that an answer was read earlier, by the step that it was read before."""
    earlier = bench.session.read_earlier(reading)
    return [(str(step), f"It was read before that: before {words}") for step, words in earlier]


def steps(bench: JobScreen, cautions: bool = False) -> None:
    """Choose any step to take back or correct: what was entered, or the `cautions` that were read."""
    session = bench.session
    counting = session.case.counting.items()
    read = [step for step, entry in counting if isinstance(entry, Acknowledged)]
    lines = []
    for step, entry in counting:
        if (step in read) == cautions:
            moved = lead_words(session.knowledge, session.stages[step - 1], session.stages[step])
            words = entry_words(session.knowledge, session.case, entry)
            lines.append((str(step), f"{words}\n    {moved}" if moved else words))
    if read and not cautions:
        lines.insert(0, ("cautions", f"Cautions read: {len(read)} (list them)"))
    if not lines:
        bench.notify("Nothing has been entered yet.", timeout=3)
        return

    def take_back(step: str | None) -> None:
        if step == "cautions":
            steps(bench, cautions=True)
        elif step is not None:
            correct(bench, int(step))

    title = "Take back which step? The record of it stays. The newest is the last."
    bench.app.push_screen(ChoiceScreen(title, lines, numbered=False, at_end=True), take_back)


def undo(bench: JobScreen) -> None:
    """Take back the last step that counts; a remedy only after a question, as it was work on the car."""
    session = bench.session
    last = max(session.case.counting, default=0)
    if not isinstance(session.case.counting.get(last), Repaired):
        bench.change(session.undone)
        return

    def decided(answer: str | None) -> None:
        if answer == "take":
            bench.change(session.undone)

    words = entry_words(session.knowledge, session.case, session.case.counting[last])
    lines = [("stays", "It stays"), ("take", "Take it back: it was not done on this car")]
    bench.app.push_screen(ChoiceScreen(f"Take this back? {words}", lines), decided)


def correct(bench: JobScreen, step: int) -> None:
    """Take back a step; if it was an answer, ask for the right one."""
    entry = bench.session.case.counting[step]
    reading = getattr(entry, "reading", None)
    lines = [("wrong", "Take it back: it was wrong")]
    if reading in bench.session.knowledge.readings:
        lines.insert(0, ("again", "Take it back and give another answer"))
    if isinstance(entry, Confirmed):
        others = [one for one in (SEEN_TODAY, NOT_PRESENT) if one != entry.found]
        lines = [*((one, f"It was: {one}") for one in others), *lines]

    def because(reason: str | None) -> None:
        if reason == "again":
            take_again(bench, reading, step)
        elif reason in (SEEN_TODAY, NOT_PRESENT):
            bench.change(lambda: bench.session.confirmed(reason, step))
        elif reason is not None:
            bench.change(lambda: bench.session.taken_back(step, "it was wrong"))

    title = f"{entry_words(bench.session.knowledge, bench.session.case, entry)}. What about it?"
    bench.app.push_screen(ChoiceScreen(title, lines), because)


def skip(bench: JobScreen) -> None:
    """Ask why the reading cannot be taken, and skip it."""
    proposal = bench.proposal
    if proposal is None:
        bench.notify("There is no reading on the card.", timeout=3)
        return

    def because(reason: str | None) -> None:
        if reason:
            bench.change(lambda: bench.session.skipped(proposal.reading, reason))

    reasons = skip_reasons(bench.session.knowledge, proposal)
    bench.app.push_screen(ChoiceScreen("Why not?", [(one, one) for one in reasons]), because)


def setups(bench: JobScreen) -> None:
    """Begin the wait that the card plans, or end a setup that is in place."""
    if bench.saving:  # its lines would be those of before
        bench.tell("The last entry is being saved. Wait until it is, then press w again.", SHORT_SECONDS)
        return
    session, proposal = bench.session, bench.proposal
    plan = session.plan(proposal) if proposal else None
    known = session.knowledge.setups
    running = session.running
    lines = [
        (f"end {one}", f"{'End the wait' if one in running else 'No longer in place'}: {known[one].name}")
        for one in known
        if one in session.waiting
    ]
    own, others = session.to_state(proposal)
    headings = {f"state {one}": OTHERS for one in others[:1]}
    for one in (*own, *others):
        lines.append((f"state {one}", f"Already in place: {known[one].name}"))
        if known[one].on_arrival:
            lines.append((f"end {one}", f"No longer so: {known[one].name}"))
    begins = plan is not None and proposal is not None and session.may_begin(plan, proposal)
    asks = session.asks_before_wait(plan, proposal) if plan is not None and proposal is not None else ()
    unread = plan is not None and not begins and not asks
    if plan is not None and begins:
        names = " and ".join(known[one].name for one in plan.setups)
        lines.insert(0, ("begin", f"Begin now: {names} ({duration(plan.waiting_minutes)})"))
    if not lines:
        bench.notify("Nothing has to be waited for, and no setup is in place.", timeout=3)
        return

    def chosen(what: str | None) -> None:
        if what == "begin" and plan is not None:
            made(bench, plan.setups)
        elif what is not None and what.startswith("state "):
            state(bench, what.removeprefix("state "))
        elif what is not None:
            end(bench, what.removeprefix("end "))

    title = f"State of the car. {UNREAD if unread else ASK_FIRST if asks else ''}".strip()
    bench.app.push_screen(ChoiceScreen(title, lines, headings=headings), chosen)


def made(bench: JobScreen, setups: Sequence[str]) -> None:
    """Enter setups of the reading on the card as made; it stays there, unless a wait of theirs begins."""
    if bench.saving:
        bench.tell("The last entry is being saved. Wait until it is, then press w again.", SHORT_SECONDS)
        return
    session = bench.session
    waits = frozenset(one for one in setups if session.setup_minutes(one)[1] > 0)
    keep = bench.proposal.reading if bench.proposal and not waits else None
    bench.change(lambda: session.prepared(setups), keep)
    bench.ringing |= waits


def state(bench: JobScreen, setup: str, otherwise: Callable[[], None] | None = None) -> None:
    """Ask since when a setup has been in place; if nobody can say, do `otherwise`."""

    def since(minutes: str | None) -> None:
        if minutes == "not" and otherwise is not None:
            otherwise()
        elif minutes is not None and minutes.startswith("type"):
            bench.app.push_screen(SinceScreen(bench.session, name, minutes.removeprefix("type")), typed)
        elif minutes is not None:
            bench.change(lambda: bench.session.stated(setup, float(minutes)), bench.chosen)

    def typed(at: datetime | None) -> None:
        if at is not None:
            bench.change(lambda: bench.session.stated_since(setup, at), bench.chosen)

    name = bench.session.knowledge.setups[setup].name
    lines = [
        *((str(minutes), words) for words, minutes in SINCE.items()),
        ("type", "type it: minutes ago, or the time"),
    ]
    if otherwise is not None:
        lines.append(("not", "It is not so: show the reading all the same; it may count as a guess"))
    bench.app.push_screen(ChoiceScreen(f"Since when: {name}?", lines, typed_by="type"), since)


def end(bench: JobScreen, setup: str) -> None:
    """Ask why a setup is no longer in place, and end it."""

    def because(reason: str | None) -> None:
        if reason == NEVER_BEGUN:
            bench.change(lambda: bench.session.never_begun(setup), bench.chosen)
        elif reason == READY_SOONER:
            bench.ringing -= {setup}
            bench.change(lambda: bench.session.ready_now(setup), bench.chosen)
        elif reason:
            bench.change(lambda: bench.session.ended(setup, reason), bench.chosen)

    session = bench.session
    runs = setup in session.running
    reasons = (READY_SOONER, NOT_WAITED, *END_REASONS) if runs else END_REASONS
    if setup in session.waiting:
        reasons = (*reasons, NEVER_BEGUN)
    name = session.knowledge.setups[setup].name
    title = f"Why does the wait end: {name}?" if runs else f"Why is it no longer so: {name}?"
    bench.app.push_screen(ChoiceScreen(title, [(one, one) for one in reasons]), because)


def other(bench: JobScreen) -> None:
    """Choose among all readings; one that was taken is asked for again."""

    def chosen(picked: Picked | None) -> None:
        if picked is not None and picked.again:
            take_again(bench, picked.reading, before=picked.before)
        elif picked is not None and picked.all_the_same:
            bench.change(lambda: bench.session.taking_all_the_same(picked.reading), picked.reading)
        elif picked is not None:
            bench.choose(picked.reading)

    bench.app.push_screen(ReadingsScreen(bench), chosen)


def cancel(bench: JobScreen) -> None:
    """Ask why the job is cancelled, and cancel it; one without entries is simply left."""
    if not bench.session.case.entries:
        bench.notify("Nothing was entered on this job, so it is not kept. Escape leaves it.", timeout=5)
        return

    def because(reason: str | None) -> None:
        if reason == "in words":
            bench.app.push_screen(LineScreen("Why is the job cancelled?", "Reason"), sure)
        else:
            sure(reason)

    def sure(reason: str | None) -> None:
        def decided(answer: str | None) -> None:
            if answer == "cancel" and reason:
                bench.change(lambda: bench.session.cancelled(reason))

        if reason:
            lines = [("cancel", "Cancel the job"), ("keep", "Keep it open")]
            bench.app.push_screen(ChoiceScreen(bench.session.cancelling_words(reason), lines), decided)

    title = (
        "Cancel this job? It leaves the list of open jobs. What was entered stays on record; learning and "
        "the track record do not count it. Why is it cancelled?"
    )
    another = {WRONG_COMPLAINT: f"{WRONG_COMPLAINT}: choose another for this car"}
    lines = [
        *((one, another.get(one, one)) for one in CANCEL_REASONS),
        ("in words", "another reason, in words"),
    ]
    bench.app.push_screen(ChoiceScreen(title, lines), because)


def leave(bench: JobScreen) -> None:
    """Go back to the jobs; ask first if an answer is not saved yet."""
    if bench.unsaved is None:
        bench.dismiss()
    else:
        ask_to_leave(bench, bench.dismiss)
