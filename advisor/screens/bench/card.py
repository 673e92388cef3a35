"""The text of the task card: lines to read and lines to choose from, for every state of a job."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from textual.content import Content

from advisor.advice.advice import CandidateReading
from advisor.advice.waits import WaitPlan
from advisor.bench.session import Session
from advisor.bench.why import why
from advisor.bench.wording import (
    account_line,
    better_ahead_words,
    come_back_words,
    disagreement_words,
    effect_words,
    mending_ahead_words,
    off_by_words,
    one_cause_words,
    opens_words,
    outcome_words,
    remedy_lines,
    same_decision_words,
    stop_sentence,
    task_words,
    tells_more_words,
)
from advisor.case.entries import NOT_PRESENT, NOT_TRIED, SEEN_TODAY
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import USUAL_PEOPLE
from advisor.papers.format import clock_words, duration, percent, plain
from advisor.simulate.rollout import LookAhead
from advisor.simulate.same_decision import SameDecision
from advisor.text import counted

MOST_MEANWHILE = 4
"""So many readings are offered on the card while a wait runs; key o has the others."""
HAVE_READ = "y Read the cautions in full first"
NEVER_SEEN = "! It was not there before the repair either: that it is gone proves nothing."


GAP = Content("")
"""An empty line between blocks of the text, left out where there is no room."""


YOUR_GUESS_FIRST = "Your guess first (key l): which cause do you suspect? Then the bench shows its own."
"""Stands where the leading causes do, while a learner has not put down a guess."""


@dataclass(frozen=True)
class Card:
    """A title with the minutes of the task, lines of text, and choices as (action, words, effect).

    An action may have an argument after a space. A choice without an action is shown and cannot be made yet.
    `reading` is the one that can be answered here, `setups` are those that are made here. Where there
    is no room, lines of `extra` are left out, the last ones first. Lines `of_suspicion` say what is believed.
    """

    title: str
    minutes: str
    lines: tuple[Content, ...]
    choices: tuple[tuple[str, str, str], ...]
    reading: str = ""
    setups: tuple[str, ...] = ()
    extra: tuple[Content, ...] = (GAP,)
    of_suspicion: tuple[Content, ...] = ()


def card(
    session: Session,
    proposal: CandidateReading | None,
    confidence: str,
    ahead: LookAhead | None = None,
    same: SameDecision | None = None,
    *,
    was_made: bool = False,
    hides_suspicion: bool = False,
) -> Card:
    """Return the card for a reading to be taken; else for a wait, the complaint, or the end of the search.

    What has to be prepared has a card of its own first, unless somebody says that all of it `was_made`. Where
    a guess is wanted first, nothing on it says what the bench suspects.
    """
    if not hides_suspicion:
        return _card(session, proposal, confidence, ahead, same, was_made)
    if proposal is None and session.awaited is None and not session.confirm_is_due:
        lines = (
            Content("The search is over. Put down the cause you suspect; then its result is shown."),
            GAP,
        )
        return Card("Your guess first", "", lines, (("guess", "l Which cause do you suspect?", ""),))
    shown = _card(session, proposal, confidence, None, None, was_made)
    return replace(
        shown,
        lines=tuple(line for line in shown.lines if line not in shown.of_suspicion),
        choices=tuple((action, words, "") for action, words, _ in shown.choices if action != "remedy"),
    )


def _card(
    session: Session,
    proposal: CandidateReading | None,
    confidence: str,
    ahead: LookAhead | None,
    same: SameDecision | None,
    was_made: bool,
) -> Card:
    if proposal is not None:
        if proposal.asks:
            return _question(session, proposal)
        if not was_made and (setups := session.to_prepare(proposal)):
            return _preparation(session, proposal, setups, ahead)
        return _reading(session, proposal, confidence, ahead)
    if session.awaited is not None:
        return _wait(session, session.awaited)
    return _confirm(session) if session.confirm_is_due else _end(session, same)


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


def _question(session: Session, proposal: CandidateReading) -> Card:
    """Return the card of what has to be known of the car, or of the day, before the reading can be taken."""
    question, answers = _asked_first(session, proposal.asks[0])
    lines = _warnings(session, proposal)
    lines += [Content.styled(question, "bold"), GAP]
    lines += [Content("It decides about the reading above, and what that needs.")]
    told = _why(session, proposal)
    lines += [*told, GAP]
    choices = (*answers, ("skip", "x Cannot do this here", ""), *_back(session))
    return Card(proposal.name, _work_and_wait(proposal), tuple(lines), choices, of_suspicion=tuple(told))


def _reading(session: Session, proposal: CandidateReading, confidence: str, ahead: LookAhead | None) -> Card:
    """Return the card of a reading: its steps, what can hurt, and its answers."""
    knowledge = session.knowledge
    reading = knowledge.readings[proposal.reading]
    cautions = session.cautions(proposal)
    more, holding = _tells_more(session, proposal), _holding(session, proposal)
    repair = _repair_first(session, proposal)
    lines = _warnings(session, proposal)
    told = [*_why(session, proposal), *repair]
    lines += [told[0], *more, *_ahead(session, proposal, ahead), *told[1:], GAP]
    to_prepare = session.to_prepare(proposal)
    names = "; ".join(knowledge.setups[setup].name for setup in proposal.setups)
    not_made = [Content(f"Not entered as made: {names}")] if to_prepare else []  # somebody says it is so
    lines += not_made or _to_make(session, proposal.setups)
    if reading.ask and reading.who == "customer":
        lines.append(Content.assemble("Ask: ", (f"“{reading.ask}”", "bold")))
    lines += [*_steps(reading.steps, "Then:" if proposal.setups else "•"), GAP]
    lines += [*_with_what(session, proposal), *holding, *caution_lines(session, cautions), GAP]
    choices = _after_cautions(session, cautions, _answers(session, proposal, confidence))
    if to_prepare:
        choices.append(("already", "i Back to what has to be prepared", ""))
    choices += _picture(session, proposal.reading, proposal.setups)
    choices.append(("skip", "x Cannot do this here", "" if reading.quantity else f"g how sure: {confidence}"))
    if not repair and session.advice.stop is None and (now := session.repair_now_words()):
        choices.append(("remedy", f"e {now}", session.repair_now_effect()))
    return Card(
        reading.name,
        _work_and_wait(proposal),
        tuple(lines),
        (*choices, *_back(session)),
        "" if session.to_acknowledge(cautions) else proposal.reading,
        extra=(*not_made, *more, *holding, GAP),
        of_suspicion=tuple(told),
    )


def _preparation(
    session: Session, proposal: CandidateReading, setups: tuple[str, ...], ahead: LookAhead | None
) -> Card:
    """Return the card of setups that are to be made, and of the wait that they begin."""
    knowledge, plan = session.knowledge, session.plan(proposal)
    cautions = session.cautions(proposal)
    more, holding = _tells_more(session, proposal), _holding(session, proposal)
    after = []
    if plan is not None and plan.after[1:]:
        after.append(Content(f"With this wait also: {_names(knowledge, plan.after[1:])}."))
    lines = _warnings(session, proposal)
    lines.append(Content.assemble("For: ", (knowledge.readings[proposal.reading].name, "bold")))
    told = [*_why(session, proposal), *_repair_first(session, proposal)]
    lines += [told[0], *more, *_ahead(session, proposal, ahead)]
    lines += [*_before_lines(session, plan), *told[1:], GAP]
    lines += [*_to_make(session, setups, alone=True), GAP, *after, *holding]
    lines += [*caution_lines(session, cautions), GAP]
    minutes = [session.setup_minutes(setup) for setup in setups]
    hands_on, waiting = (sum(each) for each in zip(*minutes, strict=True))
    choices: list[tuple[str, str, str]] = []
    if plan is not None and (asks := session.asks_before_wait(plan, proposal)):
        words = f"f Say first, as the wait depends on it: {knowledge.facts[asks[0]].ask}"
        choices.append(("facts", words, ""))
    else:
        words = f"w Prepared: the wait begins now, {duration(waiting)}" if waiting else "w It is done"
        ends = ", ".join(session.ended_by(setups))
        left = len(proposal.setups) - len(setups)
        then = f"→ ends: {ends}" if ends else f"→ {left} more to prepare" if left else ""
        choices.append((f"made {' '.join(setups)}", words, then))
    choices.append(("already", "i It is so already: since when?", ""))
    choices = _after_cautions(session, cautions, choices)
    choices += _picture(session, proposal.reading, setups)
    choices.append(("skip", "x Cannot do this here", ""))
    title = knowledge.setups[setups[-1]].name
    return Card(
        title,
        _hands_on_and_wait(hands_on, waiting),
        tuple(lines),
        (*choices, *_back(session)),
        setups=setups,
        extra=(*more, *holding, *after, GAP),
        of_suspicion=tuple(told),
    )


def pictured(session: Session, proposal: CandidateReading | None, shown: Card) -> tuple[tuple[str, str], ...]:
    """Return, as section and id, what of the task on a card has a drawing."""
    if proposal is None:
        return ()
    return session.pictured(proposal.reading, shown.setups or proposal.setups)


def _picture(session: Session, reading: str, setups: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return the line that shows how it is done, where there is a drawing."""
    drawn = session.pictured(reading, setups)
    return [("picture", "p See how it is done", "→ opens a drawing")] if drawn else []


def _after_cautions(
    session: Session, cautions: Iterable[str], choices: Iterable[tuple[str, str, str]]
) -> list[tuple[str, str, str]]:
    """Return choices behind the line that shows the cautions; none can be made until those were read."""
    if not session.to_acknowledge(cautions):
        return list(choices)
    return [("read", HAVE_READ, ""), *(("", words, effect) for _, words, effect in choices)]


def _ahead(session: Session, proposal: CandidateReading, ahead: LookAhead | None) -> list[Content]:
    """Return which other reading saves minutes in the long run, or that reading no further does."""
    if ahead is None or ahead.winner == proposal.reading:
        return []
    if ahead.winner is None:
        fault = session.mended_first
        said = session.repair_first(proposal) is not None
        if fault is None or proposal.due or said:
            return []
        remedy, sure = (session.knowledge.title(fault), session.sure_words(fault)) if fault else ("", "")
        return [Content.styled(mending_ahead_words(remedy, sure, ahead), "bold")]
    return [Content.styled(better_ahead_words(session.knowledge, ahead), "bold")]


def _back(session: Session) -> list[tuple[str, str, str]]:
    """Return the line that leaves a reading chosen after the end, or during a wait."""
    if session.advice.stop is not None:
        return [("result", f"r Back to: {stop_sentence(session.knowledge, session.advice.stop)}", "")]
    return [("result", "r Back to the wait", "")] if session.awaited is not None else []


def _why(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return in a sentence what the reading tells."""
    answers = session.answers(proposal.reading)
    words = why(session.knowledge, session.case.complaint, session.advice, answers, proposal)
    return [Content.styled(words, "italic")]


def _tells_more(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return which other reading tells most, where the usual order begins with another one."""
    more = session.tells_more(proposal)
    if more is None:
        return []
    return [Content.styled(f"{tells_more_words(session.knowledge, more)}: key o.", "dim")]


def _work_and_wait(proposal: CandidateReading) -> str:
    """Return the minutes of a reading from here with its setups, hands on and waiting apart."""
    return _hands_on_and_wait(proposal.hands_on_minutes, proposal.minutes - proposal.hands_on_minutes)


def _hands_on_and_wait(hands_on: float, waiting: float) -> str:
    if waiting < 0.5:
        return duration(hands_on)
    return f"work {duration(hands_on)}, wait {duration(waiting)}"


def _steps(steps: Sequence[str], begin: str = "•") -> list[Content]:
    """Return the steps of a reading or setup, a dot before each: only answers are numbered."""
    return [Content(f"{begin if at == 0 else '•'} {step}") for at, step in enumerate(steps)]


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
    left = max((session.waiting[setup] for setup in session.running), default=0.0)
    return Card("While you wait", f"{duration(left)} left", tuple(lines), tuple(choices))


def _waiting(session: Session) -> list[Content]:
    """Return what is waited for, and until when."""
    lines = []
    for setup in session.running:
        when, left = clock_words(session.ready_at(setup)), duration(session.waiting[setup])
        name, before = session.knowledge.setups[setup].name, session.made_in(setup)
        words = f"… Waiting: {name}. Ready at {when}, in {left} (key z)."
        if before:
            words = f"… Then, in {duration(before)}: {name}. Ready at {when}, in {left}."
        lines.append(Content.styled(words, "bold"))
    return lines


def _names(knowledge: Knowledge, readings: Iterable[CandidateReading]) -> str:
    """Return the first of some readings by its name, and how many others there are."""
    first, *others = (knowledge.readings[one.reading].name for one in readings)
    if not others:
        return first
    return f"{first} and {counted(len(others), 'other')}"


def _to_make(session: Session, setups: Sequence[str], alone: bool = False) -> list[Content]:
    """Return setups that are to be made, with their steps; one `alone` is not named."""
    knowledge, lines = session.knowledge, _put_back_first(session, setups)
    for setup in setups:
        said = knowledge.setups[setup]
        hands_on, waiting = session.setup_minutes(setup)
        wait = f", then wait {duration(waiting)}" if waiting else ""
        if setups[1:] or not alone:
            lines.append(Content.styled(f"First: {said.name} ({duration(hands_on)}{wait})", "bold"))
        lines += _steps(said.steps)
    return lines


def _holding(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return in a line what is in place for the reading or taken for granted, and what it ends."""
    setups = session.knowledge.setups
    granted = dict.fromkeys((*proposal.assumed, *_needed(session, proposal, granted=True)))
    parts = [
        (what, "; ".join(setups[setup].name for setup in names))
        for what, names in (
            ("✓ In place", _needed(session, proposal, granted=False)),
            ("Taken for granted (key z)", granted),
            ("This ends", proposal.ends),
        )
        if names
    ]
    return [Content(" · ".join(f"{what}: {names}" for what, names in parts))] if parts else []


def _put_back_first(session: Session, setups: Sequence[str]) -> list[Content]:
    """Return what has to be off the car or back in its place before setups are begun."""
    return [Content.styled(f"Put back first: {one}", "bold") for one in session.put_back_first(setups)]


def _asked_first(session: Session, what: str) -> tuple[str, list[tuple[str, str, str]]]:
    """Return the question that decides whether the reading applies to this car or day, and its answers."""
    if what in session.knowledge.facts:
        ask, answers = session.asked_as(what)
        values = [
            (f"known {fact} {value}", f"{number} {session.knowledge.facts[fact].in_words(value)}", "")
            for number, (fact, value) in enumerate(answers, start=1)
        ]
        return f"First, of this car: {ask}", values
    ask = session.knowledge.measurands[what].ask
    return f"First, once for this job: {ask}", [(f"figure {what}", f"m Type it: {ask}", "")]


def _with_what(session: Session, proposal: CandidateReading) -> list[Content]:
    """Return what the reading is taken with and by whom, and what it is good for where that is not plain."""
    knowledge, reading = session.knowledge, session.knowledge.readings[proposal.reading]
    facts = []
    if reading.instrument:
        at_hand = [one for one in reading.instrument if one not in session.at_hand.without]
        facts.append("With: " + " or ".join(knowledge.instruments[one].name for one in at_hand))
    if proposal.best_instrument and proposal.best_bits > proposal.expected_information_bits + 0.005:
        best = knowledge.instruments[proposal.best_instrument].name
        facts.append(f"{best} would tell more")
    if reading.who == "certified":
        facts.append("by a certified person")
    elif reading.who not in USUAL_PEOPLE:
        facts.append(f"by: {plain(reading.who)}")
    lines = [" · ".join(facts), opens_words(knowledge, proposal)]
    return [Content.styled(line, "dim") for line in lines if line]


def _before_lines(session: Session, plan: WaitPlan | None) -> list[Content]:
    """Return what is best read before the wait, if there is one."""
    if plan is None or not plan.before:
        return []
    return [Content.styled(f"Before you wait (key o): {_names(session.knowledge, plan.before)}.", "bold")]


def _needed(session: Session, proposal: CandidateReading, *, granted: bool) -> list[str]:
    needed = [setup for setup in session.needed(proposal.reading) if session.waiting.get(setup) == 0]
    return [setup for setup in needed if (setup in session.taken_for_granted) == granted]


def caution_lines(session: Session, cautions: Iterable[str]) -> list[Content]:
    """Return the most severe caution that nobody has read yet in short, the others by name.

    The full words are behind key y, and are confirmed there.
    """
    knowledge, shown = session.knowledge, list(cautions)
    unread = [one for one in shown if one not in session.case.acknowledged]
    read = [knowledge.cautions[one].name for one in shown if one in session.case.acknowledged]
    lines = []
    if unread:
        said = knowledge.cautions[unread[0]]
        lines.append(Content.styled(f"▌ {said.signal.upper()}  {said.short or said.name}", "bold $error"))
    if others := [knowledge.cautions[one].name for one in unread[1:]]:
        lines.append(Content.styled(f"▌ also: {'; '.join(others)}", "$error"))
    if read:
        lines.append(Content.styled(f"✓ read: {'; '.join(read)} (again: key y)", "dim"))
    return lines


def _answers(session: Session, proposal: CandidateReading, confidence: str) -> list[tuple[str, str, str]]:
    knowledge, reading = session.knowledge, session.knowledge.readings[proposal.reading]
    choices = []
    if reading.quantity and len(session.fields(proposal.reading)) > 1:
        choices.append(("measure", "m Type the numbers", ""))
    sure = "" if confidence == "certain" or reading.quantity else f" ({confidence})"
    for number, answer in enumerate(session.answers(proposal.reading), start=1):
        words = outcome_words(knowledge, session.case, proposal.reading, answer.outcome, session.preferences)
        effect = effect_words(knowledge, session.stages[-1], answer.after)
        mark = "–" if reading.quantity else str(number)
        choices.append((f"saw {answer.outcome}", f"{mark} {words}{sure}", effect))
    return choices


def _end(session: Session, same: SameDecision | None) -> Card:
    """Return the card of the end of the search: what it has come to, and the remedy."""
    knowledge, stop = session.knowledge, session.advice.stop
    lines = _warnings(session)
    title = "No reading is left"
    if stop is None:
        if session.ranking in ("quick looks", "on the trolley") and session.advice.proposals:
            lines.append(Content(f"None among the {session.ranking}. Key o, then p, lists all."))
        else:
            lines.append(Content("Every reading that could tell something has been taken or skipped."))
    else:
        title = stop_sentence(knowledge, stop)
        if stop.reason == "check":
            return _check(session, title, lines)
        if stop.reason == "gone":
            return _gone(session, title, lines)
        if stop.reason == "not-present":
            return _not_present(session, title, lines)
        lines += [Content(line) for line in remedy_lines(knowledge, stop, cautions=False)]
        lines += [Content(same_decision_words(same))] if same else []
    cautions = session.remedy_cautions(session.found)
    lines += caution_lines(session, cautions)
    others = [one for one in session.advice.suspects[1:] if one.probability >= 0.5]
    lines += [Content(f"Also likely: {one.name} ({percent(one.probability)}).") for one in others]
    lines += [Content("After the repair look for the complaint again: two faults at once are common."), GAP]
    choices: list[tuple[str, str, str]] = []
    if session.found in knowledge.faults:  # what is not listed has no remedy
        found = session.found
        choices.append((f"repaired {found}", f"1 The remedy is done: {knowledge.title(found)}", ""))
    choices = _after_cautions(session, cautions, choices)
    choices.append(("remedy", "e Another remedy was done", ""))
    choices.append(("close", "c Close the job", ""))
    if session.advice.proposals:
        choices.append(("other", "o Take another reading all the same", ""))
    choices.append(("undo", "u Take back the last step", ""))
    return Card(title, "", tuple(lines), tuple(choices))


def _setups(session: Session, setups: Iterable[str], what: str = "Needs") -> list[Content]:
    """Return setups with their steps."""
    lines = []
    for setup in setups:
        said = session.knowledge.setups[setup]
        lines += [Content(f"{what}: {said.name}"), *_steps(said.steps)]
    return lines


def _confirm(session: Session) -> Card:
    """Ask whether the complaint is there, before anything is measured."""
    lines = _warnings(session)
    look, cautions = session.complaint.looked_for, session.confirm_cautions
    lines.append(Content(f"{look.how}."))
    lines.append(
        Content("While it is away the fault looks normal to every meter: a normal reading rules nothing out.")
    )
    lines += [
        GAP,
        *_put_back_first(session, session.confirm_setups),
        *_setups(session, session.confirm_setups),
    ]
    lines += [*caution_lines(session, cautions), GAP]
    reading = "" if session.to_acknowledge(cautions) else session.confirm_reading
    if reading:
        lines.append(Content(session.limit_words(reading, there=True)))
    first, second, third = _marks(reading, 3)
    choices: list[tuple[str, str, str]] = [
        *_to_type(session, reading),
        (f"confirmed {SEEN_TODAY}", f"{first} Seen today", ""),
        (f"confirmed {NOT_PRESENT}", f"{second} Not present today", "→ first what shows all the same"),
    ]
    choices = _after_cautions(session, cautions, choices)
    choices.append((f"confirmed {NOT_TRIED}", f"{third} Not tried yet: later, with key k", ""))
    if session.case.entries:
        choices.append(("undo", "u Take back the last step", ""))
    title = f"First see whether it is there: {session.complaint.name}"
    return Card(title, session.confirm_minutes_words(), tuple(lines), tuple(choices), reading)


def _marks(reading: str, count: int) -> list[str]:
    """Return what stands before answers: a number to press, or none where numbers are typed."""
    return ["–" if reading else str(number) for number in range(1, count + 1)]


def _to_type(session: Session, reading: str) -> list[tuple[str, str, str]]:
    """Return the line for a number that takes more than the field on the card."""
    several = reading and len(session.fields(reading)) > 1
    return [("measure", "m Type the numbers", "")] if several else []


def _not_present(session: Session, title: str, lines: list[Content]) -> Card:
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
    return Card(title, "", tuple(lines), tuple(choices))


def _check(session: Session, title: str, lines: list[Content]) -> Card:
    """Return the card that asks after a remedy whether the complaint is gone."""
    if session.case.repaired.count(session.case.repaired[-1]) > 1:
        lines.append(Content.styled("! It was done before: the first did not hold.", "bold"))
    if session.case.is_at_rest:
        lines.append(Content.styled(NEVER_SEEN, "bold"))
    check = session.complaint.check_after_repair
    lines.append(Content(f"How: {check.how}"))
    if session.before_leaving:
        lines.append(Content.styled(f"Before the car leaves: {session.before_leaving}.", "bold"))
    lines += _put_back_first(session, session.check_setups)
    lines += _setups(session, session.check_setups)
    lines.append(Content("What was read before the repair still counts."))
    reading = session.check_reading
    if reading:
        lines.append(Content.styled(session.limit_words(reading, there=False), "bold"))
    lines.append(GAP)
    first, second = _marks(reading, 2)
    choices = [
        *_to_type(session, reading),
        ("checked gone", f"{first} The complaint is gone", ""),
        (
            "checked there",
            f"{second} The complaint is still there",
            "→ the search goes on with what is known",
        ),
        ("other", "o Take a reading first", ""),
        ("undo", "u Take back the last step", ""),
    ]
    return Card(title, duration(check.minutes), tuple(lines), tuple(choices), reading)


def _gone(session: Session, title: str, lines: list[Content]) -> Card:
    """Return the card that offers to close the job, with other causes that are still likely."""
    others = [one for one in session.advice.suspects if one.probability >= 0.3]
    for one in others:
        lines.append(
            Content.styled(f"! Still likely: {one.name} ({percent(one.probability)}). Look first.", "bold")
        )
    if session.case.is_at_rest:
        lines.append(Content.styled(NEVER_SEEN, "bold"))
    if left := session.left_to_do:
        lines += [Content.styled("Left to do before the car leaves:", "bold")]
        lines += [Content(f"• {one}.") for one in left]
    found = session.case.repaired[-1]
    choices = [
        (f"closed {found}", f"1 Close the job: {session.knowledge.title(found)}", ""),
        ("close", "c Close it with another cause", ""),
        ("other", "o Take another reading", ""),
        ("undo", "u Take back the last step", ""),
    ]
    return Card(title, "", tuple(lines), tuple(choices))
