"""A job as one colleague hands it to the next: what comes next, where it stands, the car, what was done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from advisor.advice.advice import Advice
from advisor.advice.proof import shown_by_proof, sure_group
from advisor.advice.situation import InconsistentEvidence
from advisor.bench.session import STOP_STEPS, Session
from advisor.bench.wording import (
    caution_name,
    entry_words,
    group_words,
    largest_move,
    minutes_words,
    standing_words,
    task_words,
)
from advisor.case.condition import present, to_put_back
from advisor.case.entries import (
    Acknowledged,
    Booked,
    Guessed,
    Known,
    Repaired,
    Replayed,
    SaidByCustomer,
    TakenBack,
    Warned,
)
from advisor.knowledge.knowledge import Knowledge
from advisor.papers.format import clock_words, duration, when
from advisor.store.records import StoredCase

CAUSES = 3
"""So many causes are shown of where a job stands."""
NOT_TOLD = Acknowledged | Known | Booked | Warned | SaidByCustomer | Guessed | TakenBack | Replayed
"""Entries that are no work on the car."""


@dataclass(frozen=True)
class RunningWait:
    """A wait that runs: what it makes, when it is over, the minutes left, and the share that is over."""

    name: str
    ready: datetime
    minutes_left: float
    share_over: float


@dataclass(frozen=True)
class Done:
    """A step of a job: when it was entered, what it was, and what it moved."""

    at: str
    words: str
    moved: str = ""


@dataclass(frozen=True)
class Handover:
    """What a colleague is told of an open job.

    `standing` is where the search stands in words. `minutes` are those of the next step, or None where nobody
    can say; `how` are its tools and dangers. `meanwhile` is what can be read while a wait runs. `car` and
    `put_back` say what is true of the car, and what has to be undone before it leaves.
    """

    next_step: str
    standing: str
    leading: str = ""
    probability: float = 0.0
    minutes: float | None = None
    how: tuple[str, ...] = ()
    meanwhile: str = ""
    causes: tuple[tuple[str, float], ...] = ()
    car: tuple[str, ...] = ()
    put_back: tuple[str, ...] = ()
    done: tuple[Done, ...] = ()


def wait_of(knowledge: Knowledge, filed: StoredCase, now: datetime) -> RunningWait | None:
    """Return the wait of a job that is over last, or None where none runs; nothing is weighed for it."""
    car = present(knowledge, filed.case, filed.times, now)
    left = {setup: minutes for setup, minutes in car.waiting_minutes(now).items() if minutes > 0}
    if not left:
        return None
    last = max(left, key=lambda setup: left[setup])
    return RunningWait(
        knowledge.setups[last].name,
        now + timedelta(minutes=left[last]),
        left[last],
        1 - left[last] / car.waits[last],
    )


def handover(session: Session) -> Handover:
    """Return what a colleague is told of an open job; one that clashes with the knowledge says so."""
    try:
        advice = session.advice
    except InconsistentEvidence:
        words = "what was entered does not fit this knowledge"
        return Handover("open it to put it right", words, words)
    leading = advice.suspects[0]
    step, minutes, how = _next(session, advice)
    return Handover(
        step,
        _standing(session, advice),
        leading.name,
        leading.probability,
        minutes,
        how,
        _meanwhile(session),
        tuple((one.name, one.probability) for one in advice.suspects[:CAUSES]),
        tuple(_car(session)),
        to_put_back(session.knowledge, session.case),
        tuple(done_lines(session.knowledge, session.filed, session.store.clock(), session.stages)),
    )


def _next(session: Session, advice: Advice) -> tuple[str, float | None, tuple[str, ...]]:
    """Return the next step in words, its minutes, and what it is done with and what can hurt."""
    knowledge, complaint = session.knowledge, session.complaint
    if session.running:
        return f"waiting: {knowledge.setups[session.running[0]].name}", None, ()
    if session.confirm_is_due:
        return "see whether the complaint is there", complaint.looked_for.minutes, ()
    if advice.stop is not None:
        fault = knowledge.faults.get(session.found)
        minutes = {
            "sure": fault.remedy_minutes if fault else None,
            "nothing-left": fault.remedy_minutes if fault else None,
            "not-present": complaint.looked_for.minutes,
            "check": complaint.check_after_repair.minutes,
        }
        return STOP_STEPS[advice.stop.reason], minutes.get(advice.stop.reason), ()
    if not session.proposals:
        return "every reading is taken: repair or close it", None, ()
    first = session.proposals[0]
    said = knowledge.readings[first.reading]
    tools = " or ".join(knowledge.instruments[one].name for one in said.instrument)
    hurts = [one for one in session.cautions(first) if knowledge.cautions[one].hurts]
    dangers = [f"{caution_name(knowledge, one)}: its words are on the card" for one in hurts[:1]]
    return first.name, first.minutes, tuple(filter(None, (minutes_words(first), tools, *dangers)))


def _standing(session: Session, advice: Advice) -> str:
    """Return where the search stands: proved, likely and not proved, or open."""
    knowledge, case = session.knowledge, session.case
    if advice.stop is not None and advice.stop.reason in ("check", "gone"):
        return f"repaired: {knowledge.title(case.repaired[-1])}"
    leading = advice.suspects[0]
    shown = shown_by_proof(knowledge, case)
    group = sure_group(knowledge, session.policy, session.situation.posterior)
    if leading.fault not in shown and group is not None:
        return group_words(knowledge.title(group.branch), group.probability, group.branch in shown)
    return standing_words(leading.name, leading.probability, leading.fault in shown)


def _meanwhile(session: Session) -> str:
    """Return what can be done while a wait runs, or ""."""
    if not session.running or session.advice.stop is not None:
        return ""
    first, *others = session.meanwhile or (None,)
    if first is None:
        return "nothing to read meanwhile"
    more = f" and {len(others)} more" if others else ""
    return f"meanwhile: {task_words(session.knowledge, first.reading)}, {duration(first.minutes)}{more}"


def _car(session: Session) -> Iterator[str]:
    """Yield what is true of the car: what must not be done to it, what it waits for, and what is in place."""
    yield from session.forbidden
    names = session.knowledge.setups
    for setup in session.running:
        ready = clock_words(session.ready_at(setup))
        yield f"Waiting: {names[setup].name}, ready {ready}, in {duration(session.waiting[setup])}."
    there = [names[one].name for one, left in session.waiting.items() if left == 0]
    if there:
        yield f"In place: {', '.join(there)}."


def done_lines(
    knowledge: Knowledge,
    filed: StoredCase,
    now: datetime,
    stages: Sequence[Mapping[str, float]] = (),
) -> Iterator[Done]:
    """Yield the work on a job, step by step; with what each step moved, where the beliefs are given."""
    for step, entry in filed.case.counting.items():
        if isinstance(entry, NOT_TOLD):
            continue
        moved = ""
        if len(stages) > step and not isinstance(entry, Repaired):
            moved = largest_move(knowledge, stages[step - 1], stages[step])
        yield Done(_time(filed.times[step - 1], now), entry_words(knowledge, filed.case, entry), moved)


def _time(at: str, now: datetime) -> str:
    """Return the time of day of today's entries, the date of others as well."""
    words = when(at, year=False)
    today = when(now.isoformat(), year=False)
    return words.rpartition(" ")[2] if words.rpartition(" ")[0] == today.rpartition(" ")[0] else words
