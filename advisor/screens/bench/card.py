"""The text of the task card: lines to read and lines to choose from, for every state of a job."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from textual.content import Content

from advisor.advice.advice import CandidateReading
from advisor.advice.waits import WaitPlan
from advisor.bench.session import Session
from advisor.bench.wording import (
    account_line,
    better_ahead_words,
    caution_name,
    caution_words,
    come_back_words,
    disagreement_words,
    effect_words,
    minutes_words,
    off_by_words,
    one_cause_words,
    outcome_words,
    remedy_lines,
    stop_sentence,
    task_words,
    tells_more_words,
    why,
)
from advisor.case.entries import NOT_PRESENT, NOT_TRIED, SEEN_TODAY
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import USUAL_PEOPLE
from advisor.papers.format import clock_words, duration, percent, plain
from advisor.simulate.rollout import LookAhead

MOST_MEANWHILE = 4
"""So many readings are offered on the card while a wait runs; key o has the others."""
NEVER_SEEN = "! It was not there before the repair either: that it is gone proves nothing."


@dataclass(frozen=True)
class Card:
    """Lines of text, and choices as (action with its argument, words, effect).

    `to_see` holds the indices of the lines that have to come into view before they can be confirmed.
    """

    lines: tuple[Content, ...]
    choices: tuple[tuple[str, str, str], ...]
    to_see: tuple[int, ...] = ()


def card(
    session: Session, proposal: CandidateReading | None, confidence: str, ahead: LookAhead | None = None
) -> Card:
    """Return the card for a reading to be taken; else for a wait, the complaint, or the end of the search."""
    if proposal is not None:
        return _reading(session, proposal, confidence, ahead)
    if session.awaited is not None:
        return _wait(session, session.awaited)
    return _confirm(session) if session.confirm_is_due else _end(session)


def _warnings(session: Session, proposal: CandidateReading | None = None) -> list[Content]:
    """Return the waits that run and the warnings: they stand above everything else."""
    lines = _waiting(session)
    if session.interrupted:
        lines.append(Content.styled(f"! {session.interrupted}", "bold"))
    if session.case.is_at_rest and proposal is not None and proposal.at_rest:
        words = (
            "The complaint is not there now: a normal result rules nothing out. "
            "An abnormal one counts in full."
        )
        lines.append(Content.styled(f"! {words}", "bold"))
    if session.advice.belief_error:
        lines.append(Content(off_by_words(session.advice.belief_error)))
    account = session.account
    if session.disagreement and not (account and account.larger):  # it names what to repeat itself
        words = disagreement_words(session.knowledge, session.disagreement)
        lines.append(Content.styled(f"! {words}", "bold"))
    if session.one_cause is not None:
        words = one_cause_words(session.advice.suspects, session.one_cause)
        lines.append(Content.styled(f"! {words}", "bold"))
    if account and (account.found_ma or session.one_cause is not None):
        clashes = account.verdict == "contradiction"
        words = account_line(account)
        lines.append(Content.styled(f"! {words}", "bold") if clashes else Content(words))
    return lines


def _reading(session: Session, proposal: CandidateReading, confidence: str, ahead: LookAhead | None) -> Card:
    knowledge = session.knowledge
    reading = knowledge.readings[proposal.reading]
    answers = session.answers(proposal.reading)
    cautions = session.cautions(proposal)
    to_read = session.to_acknowledge(cautions)
    lines = _warnings(session, proposal)
    lines.append(Content.styled(reading.name, "bold"))
    to_see = _places(session, len(lines), cautions)
    choices: list[tuple[str, str, str]] = []
    if to_read:  # in view on a small screen as well
        lines += caution_lines(session, cautions)
        choices.append(("read", _have_read(len(to_read)), ""))
    elif proposal.asks:  # in view above its answers
        question, asked = _asked_first(session, proposal.asks[0])
        lines.append(Content.styled(question, "bold"))
        choices += asked
    plan = session.plan(proposal)
    lines += _before_lines(session, plan)
    lines.append(Content.styled(why(session.advice, answers, proposal), "italic"))
    lines.append(Content(" · ".join(_facts(session, proposal))))
    lines += _tells_more(session, proposal)
    if ahead is not None and ahead.winner not in (None, proposal.reading):
        lines.append(Content.styled(better_ahead_words(knowledge, ahead), "bold"))
    repair = _repair_first(session, proposal)
    lines += repair
    lines += _plan_lines(session, plan)
    lines += _to_make(session, proposal)
    if reading.ask and reading.who == "customer":
        lines.append(Content(f"Ask: “{reading.ask}”"))
    lines += [Content(f"– {step}") for step in reading.steps]
    lines += _holding(session, proposal)
    if not to_read:
        lines += caution_lines(session, cautions)
    if not choices:
        choices += _answers(session, proposal, confidence)
    before_wait = session.asks_before_wait(plan, proposal) if plan is not None else ()
    if before_wait and not proposal.asks:
        ask = knowledge.facts[before_wait[0]].ask
        choices.append(("facts", f"f Say first, as the wait depends on it: {ask}", ""))
    if plan is not None and session.may_begin(plan, proposal):
        ends = ", ".join(session.ended_by_waiting(plan))
        effect = f"→ ends: {ends}" if ends else ""
        words = f"w Begin the wait now: {knowledge.setups[plan.setups[-1]].name}"
        choices.insert(0, ("wait", words, effect))  # it comes before any answer
    choices.append(("skip", "x Cannot do this here", ""))
    if not repair and session.advice.stop is None and (now := session.repair_now_words()):
        choices.append(("remedy", f"e {now}", session.repair_now_effect()))
    if session.advice.stop is not None:
        choices.append(("result", f"r Back to: {stop_sentence(knowledge, session.advice.stop)}", ""))
    elif session.awaited is not None:
        choices.append(("result", "r Back to the wait", ""))
    return Card(tuple(lines), tuple(choices), to_see)


def _repair_first(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return that a remedy is better tried before the reading, if it is; never before a proof that is due."""
    repair = session.repair_first(proposal)
    if repair is None or proposal.due:
        return []
    words = (
        f"Or try the remedy at once (key e): “{session.knowledge.title(repair.fault)}” "
        f"({session.sure_words(repair.fault)}). Expected to the end: "
        f"{duration(repair.minutes_repairing)}, against {duration(repair.minutes_testing)} by this reading."
    )
    return [Content.styled(words, "bold")]


def _tells_more(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return which other reading tells most, where the usual order begins with another one."""
    more = session.tells_more(proposal)
    return [Content(f"{tells_more_words(session.knowledge, more)}: key o.")] if more is not None else []


def _wait(session: Session, awaited: CandidateReading) -> Card:
    """Say what is waited for, and offer what can be read meanwhile."""
    lines = _warnings(session)
    lines.append(Content(f"Then: {awaited.name}."))
    meanwhile = session.meanwhile
    lines.append(
        Content("Meanwhile, without disturbing it: choose below.")
        if meanwhile
        else Content("No reading is left that can be taken meanwhile without disturbing it.")
    )
    lines += _setups(session, session.running, "Made for it")
    choices = [
        (
            f"take {one.reading}",
            f"{number} {task_words(session.knowledge, one.reading)} ({duration(one.minutes)})",
            "",
        )
        for number, one in enumerate(meanwhile[:MOST_MEANWHILE], start=1)
    ]
    choices.append(("other", "o Another reading", ""))
    choices.append(("wait", "w End the wait early", ""))
    return Card(tuple(lines), tuple(choices))


def _waiting(session: Session) -> list[Content]:
    """Return what is waited for, and until when."""
    lines = []
    for setup in session.running:
        when, left = clock_words(session.ready_at(setup)), duration(session.waiting[setup])
        name, before = session.knowledge.setups[setup].name, session.made_in(setup)
        words = f"… Waiting: {name}. Ready at {when}, in {left} (key w)."
        if before:
            words = f"… Then, in {duration(before)}: {name}. Ready at {when}, in {left}."
        lines.append(Content.styled(words, "bold"))
    return lines


def _names(knowledge: Knowledge, readings: Iterable[CandidateReading]) -> str:
    """Return readings by their names, one after the other."""
    return "; ".join(task_words(knowledge, one.reading) for one in readings)


def _to_make(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return the setups of the reading that are to be made, with their steps."""
    knowledge, lines = session.knowledge, _put_back_first(session, proposal.setups)
    for setup in proposal.setups:
        said = knowledge.setups[setup]
        hands_on, waiting = session.setup_minutes(setup)
        wait = f", then wait {duration(waiting)}" if waiting else ""
        lines.append(Content(f"First: {said.name} ({duration(hands_on)}{wait})"))
        lines += [Content(f"  – {step}") for step in said.steps]
    return lines


def _holding(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return the setups of the reading that are in place or taken for granted, and those it ends."""
    knowledge, lines = session.knowledge, _in_place(session, proposal)
    for setup in proposal.assumed:
        name = knowledge.setups[setup].name
        lines.append(Content(f"Taken for granted, as nobody has said otherwise: {name} (key w)"))
    ends = [knowledge.setups[setup].name for setup in proposal.ends]
    if ends:
        lines.append(Content(f"This ends: {', '.join(ends)}"))
    return lines


def _put_back_first(session: Session, setups: Sequence[str]) -> list[Content]:
    """Return what has to be off the car or back in its place before setups are begun."""
    return [Content.styled(f"Put back first: {one}", "bold") for one in session.put_back_first(setups)]


def _asked_first(session: Session, what: str) -> tuple[str, list[tuple[str, str, str]]]:
    """Return the question that decides whether the reading applies to this car or day, and its answers."""
    if what in session.knowledge.facts:
        ask, answers = session.asked_as(what)
        values = [
            (f"known {fact} {value}", f"{number} {plain(value)}", "")
            for number, (fact, value) in enumerate(answers, start=1)
        ]
        return f"First, of this car: {ask}", values
    ask = session.knowledge.measurands[what].ask
    return f"First, once for this job: {ask}", [(f"figure {what}", f"m Type it: {ask}", "")]


def _places(session: Session, first: int, cautions: Iterable[str]) -> tuple[int, ...]:
    """Return the line numbers of the cautions still to be read; the first caution is line `first`."""
    shown = list(cautions)
    unread = [one for one in shown if one not in session.case.acknowledged]
    to_read = session.to_acknowledge(unread)
    first += len(unread) < len(shown)  # the line of those that were read
    return tuple(first + at for at, caution in enumerate(unread) if caution in to_read)


def _facts(session: Session, proposal: CandidateReading) -> list[str]:
    knowledge, reading = session.knowledge, session.knowledge.readings[proposal.reading]
    facts = [minutes_words(proposal)]
    if reading.instrument:
        at_hand = [one for one in reading.instrument if one not in session.at_hand.without]
        facts.append(" or ".join(knowledge.instruments[one].name for one in at_hand))
    if proposal.best_instrument and proposal.best_bits > proposal.expected_information_bits + 0.005:
        best = knowledge.instruments[proposal.best_instrument].name
        facts.append(f"{best} would tell more")
    if reading.who == "certified":
        facts.append("by a certified person")
    elif reading.who not in USUAL_PEOPLE:
        facts.append(f"by: {plain(reading.who)}")
    return facts


def _before_lines(session: Session, plan: WaitPlan | None) -> list[Content]:
    """Return what is best read before the wait, if there is one."""
    if plan is None or not plan.before:
        return []
    return [Content.styled(f"Before you wait (key o): {_names(session.knowledge, plan.before)}.", "bold")]


def _plan_lines(session: Session, plan: WaitPlan | None) -> list[Content]:
    """Return what the wait takes, if there is one, and what is read when it is over."""
    if plan is None:
        return []
    names = " and ".join(session.knowledge.setups[setup].name.lower() for setup in plan.setups)
    lines = [
        Content.styled(
            f"Plan: {duration(plan.hands_on_minutes)} to prepare, then key w, "
            f"{duration(plan.waiting_minutes)} to wait ({names}).",
            "bold",
        )
    ]
    return [*lines, Content(f"When you come back: {_names(session.knowledge, plan.after)}.")]


def _in_place(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return the setups of the reading that are in place, their waiting over."""
    needed = [setup for setup in session.needed(proposal.reading) if session.waiting.get(setup) == 0]
    return [Content(f"✓ In place: {session.knowledge.setups[setup].name}") for setup in needed]


def _have_read(cautions: int) -> str:
    """Return the line that confirms so many cautions."""
    which = f"all {cautions} cautions" if cautions > 1 else "the caution"
    return f"y I have read {which} (⚠) above"


def caution_lines(session: Session, cautions: Iterable[str]) -> list[Content]:
    """Return the cautions with their signal words; those already read by name, on one line above."""
    lines, read = [], []
    for name in cautions:
        if name in session.case.acknowledged:
            read.append(caution_name(session.knowledge, name))
        else:
            words = caution_words(session.knowledge, name)
            lines.append(Content.styled(f"⚠ {words}", "bold $warning"))
    if read:
        lines.insert(0, Content(f"✓ read: {'; '.join(read)} (in full: key b)"))
    return lines


def _answers(session: Session, proposal: CandidateReading, confidence: str) -> list[tuple[str, str, str]]:
    knowledge, reading = session.knowledge, session.knowledge.readings[proposal.reading]
    choices = []
    if reading.quantity:
        choices.append(("measure", "m Type the number (or just type it)", ""))
    sure = "" if confidence == "certain" or reading.quantity else f" ({confidence})"
    for number, answer in enumerate(session.answers(proposal.reading), start=1):
        words = outcome_words(knowledge, session.case, proposal.reading, answer.outcome, session.preferences)
        effect = effect_words(knowledge, session.stages[-1], answer.after)
        mark = "–" if reading.quantity else str(number)
        choices.append((f"saw {answer.outcome}", f"{mark} {words}{sure}", effect))
    return choices


def _end(session: Session) -> Card:
    knowledge, stop = session.knowledge, session.advice.stop
    lines = _warnings(session)
    choices: list[tuple[str, str, str]] = []
    if stop is None:
        if session.ranking in ("quick looks", "on the trolley") and session.advice.proposals:
            lines.append(
                Content(f"No reading is left among the {session.ranking}. Key o, then p, lists all.")
            )
        else:
            lines.append(Content("Every reading that could tell something has been taken or skipped."))
    else:
        lines.append(Content.styled(stop_sentence(knowledge, stop), "bold"))
        if stop.reason == "check":
            return _check(session, lines)
        if stop.reason == "gone":
            return _gone(session, lines)
        if stop.reason == "not-present":
            return _not_present(session, lines)
        lines += [Content(line) for line in remedy_lines(knowledge, stop, cautions=False)]
    cautions = session.remedy_cautions(session.found)
    to_see = _places(session, len(lines), cautions)
    lines += caution_lines(session, cautions)
    others = [one for one in session.advice.suspects[1:] if one.probability >= 0.5]
    lines += [Content(f"Also likely: {one.name} ({percent(one.probability)}).") for one in others]
    lines.append(Content("After the repair look for the complaint again: two faults at once are common."))
    if to_see:
        choices.append(("read", _have_read(len(to_see)), ""))
    elif session.found in knowledge.faults:  # what is not listed has no remedy
        found = session.found
        choices.append((f"repaired {found}", f"1 The remedy is done: {knowledge.title(found)}", ""))
    choices.append(("remedy", "e Another remedy was done", ""))
    choices.append(("close", "c Close the job", ""))
    if session.advice.proposals:
        choices.append(("other", "o Take another reading all the same", ""))
    choices.append(("undo", "u Take back the last step", ""))
    return Card(tuple(lines), tuple(choices), to_see)


def _setups(session: Session, setups: Iterable[str], what: str = "Needs") -> list[Content]:
    """Return setups with their steps."""
    lines = []
    for setup in setups:
        said = session.knowledge.setups[setup]
        lines += [Content(f"{what}: {said.name}"), *(Content(f"  – {step}") for step in said.steps)]
    return lines


def _confirm(session: Session) -> Card:
    """Ask whether the complaint is there, before anything is measured."""
    lines = _warnings(session)
    lines.append(Content.styled(f"First see whether it is there: {session.complaint.name}", "bold"))
    look, cautions = session.complaint.looked_for, session.confirm_cautions
    lines.append(Content(f"How: {look.how}. {session.confirm_minutes_words()}."))
    to_see = _places(session, len(lines), cautions)
    lines += caution_lines(session, cautions)
    lines += _put_back_first(session, session.confirm_setups)
    lines += _setups(session, session.confirm_setups)
    lines.append(
        Content("While it is away the fault looks normal to every meter: a normal reading rules nothing out.")
    )
    choices = []
    if to_see:
        choices.append(("read", _have_read(len(to_see)), ""))
    else:
        choices.append((f"confirmed {SEEN_TODAY}", "1 Seen today", ""))
        choices.append((f"confirmed {NOT_PRESENT}", "2 Not present today", "→ first what shows all the same"))
    choices.append((f"confirmed {NOT_TRIED}", "3 Not tried yet: later, with key k", ""))
    if session.case.entries:
        choices.append(("undo", "u Take back the last step", ""))
    return Card(tuple(lines), tuple(choices), to_see)


def _not_present(session: Session, lines: list[Content]) -> Card:
    """Offer to bring the complaint about, to come back for it, or to close the job without a cause."""
    lines.append(Content(f"How to look for it: {session.complaint.looked_for.how}"))
    lines.append(Content(f"Come back: {come_back_words(session.knowledge, session.case.complaint)}"))
    choices = [
        ("confirm", "k It is there now, or was looked for again", ""),
        ("closed ", "1 Close the job: no fault found", "→ the card says when to come back"),
        ("remedy", "e A remedy was done all the same", ""),
    ]
    if session.proposals:
        choices.append(("other", "o Take a reading all the same", "→ normal rules nothing out"))
    choices.append(("undo", "u Take back the last step", ""))
    return Card(tuple(lines), tuple(choices))


def _check(session: Session, lines: list[Content]) -> Card:
    """Return the card that asks after a remedy whether the complaint is gone."""
    if session.case.repaired.count(session.case.repaired[-1]) > 1:
        lines.append(Content.styled("! It was done before: the first did not hold.", "bold"))
    if session.case.is_at_rest:
        lines.append(Content.styled(NEVER_SEEN, "bold"))
    check = session.complaint.check_after_repair
    lines.append(Content(f"How: {check.how}"))
    lines += _put_back_first(session, session.check_setups)
    lines += _setups(session, session.check_setups)
    lines.append(Content(f"About {duration(check.minutes)}. What was read before the repair still counts."))
    choices = [
        ("checked gone", "1 The complaint is gone", ""),
        ("checked there", "2 The complaint is still there", "→ the search goes on with what is known"),
        ("other", "o Take a reading first", ""),
        ("undo", "u Take back the last step", ""),
    ]
    return Card(tuple(lines), tuple(choices))


def _gone(session: Session, lines: list[Content]) -> Card:
    """Return the card that offers to close the job, with other causes that are still likely."""
    others = [one for one in session.advice.suspects if one.probability >= 0.3]
    for one in others:
        lines.append(
            Content.styled(f"! Still likely: {one.name} ({percent(one.probability)}). Look first.", "bold")
        )
    if session.case.is_at_rest:
        lines.append(Content.styled(NEVER_SEEN, "bold"))
    found = session.case.repaired[-1]
    choices = [
        (f"closed {found}", f"1 Close the job: {session.knowledge.title(found)}", ""),
        ("close", "c Close it with another cause", ""),
        ("other", "o Take another reading", ""),
        ("undo", "u Take back the last step", ""),
    ]
    return Card(tuple(lines), tuple(choices))
