"""What is true of the car at a time, from the entries of its job alone.

An entry changes the condition of the car by the rules of its setups (`knowledge.conditions`). Nothing is
assumed of what nobody has entered: undoing an entry gives back exactly the condition before it.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from advisor.case.case import Case, read_before
from advisor.case.entries import (
    CUSTOMER,
    NOT_TRIED,
    NOT_WAITED_FOR,
    SEEN_TODAY,
    Checked,
    Confirmed,
    Ended,
    Entry,
    Measured,
    Prepared,
    Ready,
    Repaired,
    Seen,
    Stated,
)
from advisor.case.typed import likeliest_band
from advisor.knowledge.conditions import (
    UNKNOWN,
    Condition,
    OutOfReach,
    Waits,
    Way,
    begun,
    done,
    ended,
    forbidden_by,
    minutes_for,
    no_longer_known,
    stated,
    way_to,
    way_to_reading,
)
from advisor.knowledge.knowledge import Knowledge, setups_of
from advisor.knowledge.vocabulary import Fault


@dataclass(frozen=True)
class Present:
    """The condition of a car at a time.

    `begun` says since when a setup in place is there, where somebody has entered it, and `waits` how many
    minutes after that its waiting is over; `used` when it was last relied on, where the times of the entries
    are known. `together` are the setups that were begun last, with the time.
    """

    condition: Condition = UNKNOWN
    begun: Mapping[str, datetime] = field(default_factory=dict)
    waits: Mapping[str, float] = field(default_factory=dict)
    together: tuple[datetime, Waits] | None = None
    used: Mapping[str, datetime] = field(default_factory=dict)
    ruled_out: Mapping[str, frozenset[str]] = field(default_factory=dict)
    """What the last answer of each reading forbids: only another answer of that very reading lifts it."""

    def waiting_minutes(self, now: datetime) -> dict[str, float]:
        """Return the setups in place, each with the minutes that its waiting still takes; 0 where it is over.

        The clock alone says so: a reading taken meanwhile may have been taken too early. A clock that was set
        back never makes it longer than it was at the beginning.
        """
        left = dict.fromkeys(sorted(self.condition.in_place), 0.0)
        for setup, at in self.begun.items():
            gone = (now - at).total_seconds() / 60
            left[setup] = min(self.waits[setup], max(0.0, self.waits[setup] - gone))
        return left


@dataclass(frozen=True)
class Move:
    """An entry that needs or changes the condition of the car, the setups made for it, and what holds."""

    step: int
    entry: Entry
    made: tuple[str, ...]
    after: Present


def present(
    knowledge: Knowledge, case: Case, times: Sequence[str] = (), now: datetime | None = None
) -> Present:
    """Return what is true of a car after the entries of its job.

    With the `times` at which they were entered (ISO 8601) what lasts only so long is no longer known once
    that is over.
    """
    last = Present()
    for move in moves(knowledge, case, times):
        last = move.after
    return last if now is None else _lapsed(knowledge, last, now)


def moves(knowledge: Knowledge, case: Case, times: Sequence[str] = ()) -> Iterator[Move]:
    """Every entry that counts and needs or changes the condition of the car, in order."""
    here = Present()
    for step, entry in case.counting.items():
        at = _happened(entry, step, times)
        if at is not None:
            here = _lapsed(knowledge, here, at)
        moved = _moved(knowledge, case, here, entry, at)
        if moved is not None:
            made, here = moved
            yield Move(step, entry, made, here)


def _happened(entry: Entry, step: int, times: Sequence[str]) -> datetime | None:
    """Return when an entry came about: what was read before another one, at the time of that one."""
    step = read_before(entry) or step
    return datetime.fromisoformat(times[step - 1]) if step <= len(times) else None


def _moved(
    knowledge: Knowledge, case: Case, here: Present, entry: Entry, at: datetime | None
) -> tuple[tuple[str, ...], Present] | None:
    """Return the setups made for an entry and the condition after it; None if it has to do with neither."""
    rules = knowledge.setup_rules
    if isinstance(entry, Seen | Measured):
        if entry.reading not in knowledge.readings or (isinstance(entry, Seen) and entry.by == CUSTOMER):
            return None
        reading = knowledge.readings[entry.reading]
        made, reached = _brought_about(knowledge, case, here, reading.setup, at)
        after = done(rules, reached.condition, reading)
        forbids = forbidden_by(knowledge, entry.reading, _outcome(knowledge, case, entry))
        ruled_out = {**here.ruled_out, entry.reading: forbids}
        after = replace(after, forbidden=frozenset().union(*ruled_out.values()))
        return made, replace(_with(reached, after), ruled_out=ruled_out)
    if isinstance(entry, Checked) and entry.complaint in knowledge.complaints:
        setups = knowledge.complaints[entry.complaint].check_after_repair.setup
        return _brought_about(knowledge, case, here, setups, at) if setups else None
    if isinstance(entry, Confirmed) and entry.complaint in knowledge.complaints and entry.found != NOT_TRIED:
        setups = knowledge.complaints[entry.complaint].looked_for.setup
        if not setups:
            return None
        made, reached = _brought_about(knowledge, case, here, setups, at)
        return (
            (made, reached)
            if entry.found == SEEN_TODAY
            else ((), _as_if_looked_for(knowledge, here, reached))
        )
    if isinstance(entry, Repaired) and entry.fault in knowledge.faults:
        return (), _with(here, _after_remedy(knowledge, here.condition, knowledge.faults[entry.fault]))
    if isinstance(entry, Prepared) and entry.setup in knowledge.setups:
        since = datetime.fromisoformat(entry.at)
        first = [one for one in rules.first_to_last(entry.setup) if one != entry.setup]
        made, reached = _brought_about(knowledge, case, here, first, at)
        begun_now = _begun_with(reached, since).then(knowledge, entry.setup, case.facts)
        here = _with(reached, begun(rules, reached.condition, entry.setup))
        wait = begun_now.ready[entry.setup]
        return (*made, entry.setup), replace(
            here,
            begun={**here.begun, entry.setup: since},
            waits={**here.waits, entry.setup: wait},
            used={**reached.used, entry.setup: since + timedelta(minutes=wait)},
            together=(since, begun_now),
        )
    if isinstance(entry, Stated) and entry.setup in knowledge.setups:
        since = datetime.fromisoformat(entry.since)
        condition = stated(rules, here.condition, [entry.setup])
        whole = dict.fromkeys(rules.first_to_last(entry.setup), since)
        used = {**here.used, **dict.fromkeys(whole, at or since)}
        known = _with(here, condition)
        begun_at = {**whole, **known.begun, entry.setup: since}
        in_place = {setup: at for setup, at in begun_at.items() if setup in condition.in_place}
        waits = {setup: _wait(knowledge, case, setup) for setup in in_place} | {
            setup: wait for setup, wait in known.waits.items() if setup != entry.setup
        }
        return (), replace(known, begun=in_place, waits=waits, used=used)
    if isinstance(entry, Ready) and entry.setup in here.begun:
        return (), _ready(knowledge, here, entry.setup, datetime.fromisoformat(entry.at))
    if isinstance(entry, Ended) and entry.setup in knowledge.setups:
        after = ended(rules, here.condition, [entry.setup])
        if _is_once(knowledge, entry.setup) and entry.reason != NOT_WAITED_FOR:
            after = replace(after, for_good=after.for_good | {entry.setup})
        return (), _with(here, after)
    return None


def _is_once(knowledge: Knowledge, setup: str) -> bool:
    """Return whether cars only arrive in a condition: something ends it for good, nothing makes it."""
    rules, said = knowledge.setup_rules, knowledge.setups[setup]
    return said.on_arrival and any(setup in spent for spent in rules.spent_by.values())


def _ready(knowledge: Knowledge, here: Present, setup: str, at: datetime) -> Present:
    """Return the condition where a wait is over by then; what waits for it begins so much sooner."""
    rules, left = knowledge.setup_rules, here.waiting_minutes(at)
    over = {one for one in rules.first_to_last(setup) if one in here.begun}
    waits = {one: wait - left[one] if one in over else wait for one, wait in here.waits.items()}
    for one in rules.with_built_on([setup]) & set(here.begun) - over:
        if left[one] > left[setup]:
            waits[one] -= left[setup]
    return replace(here, waits=waits, used={**here.used, **dict.fromkeys(over, at)}, together=None)


def _after_remedy(knowledge: Knowledge, condition: Condition, remedy: Fault) -> Condition:
    """Return the condition after a remedy: whether what was made before it still holds, nobody has said.

    Whoever works on a car opens it and switches it on and off: it is neither asleep nor ready for a reading.
    """
    after = done(knowledge.setup_rules, condition, remedy)
    kept = {name for name, one in knowledge.setups.items() if one.on_arrival}.union(remedy.restores)
    return no_longer_known(knowledge.setup_rules, after, sorted(after.in_place - kept))


def _brought_about(
    knowledge: Knowledge, case: Case, here: Present, setups: Sequence[str], at: datetime | None
) -> tuple[tuple[str, ...], Present]:
    """Setups in place with all that they need, and those that had to be made for it.

    Where there is no way from here, they are taken for in place all the same: somebody has relied on them.
    What is over for good does not come back by that.
    """
    rules = knowledge.setup_rules
    condition = here.condition
    way = way_to(knowledge, replace(condition, forbidden=frozenset()), setups, case.facts)
    if isinstance(way, OutOfReach):
        made: tuple[str, ...] = ()
        for setup in setups:
            for one in rules.first_to_last(setup):
                if one not in condition.in_place and one not in condition.for_good:
                    condition = begun(rules, condition, one)
    else:
        made, condition = way.made, replace(way.after, forbidden=condition.forbidden)
    needed = [one for setup in setups for one in rules.first_to_last(setup)]
    used = {**here.used, **dict.fromkeys(needed, at)} if at is not None else here.used
    return made, replace(_with(here, condition), used=used)


def _as_if_looked_for(knowledge: Knowledge, here: Present, reached: Present) -> Present:
    """Return the condition after a complaint was not seen: only what holds whether it was looked for or not.

    Nobody has said that its setups were made; but where the engine may have run, it is not called cold, and
    what cars arrive with is not taken for granted any more.
    """
    known = here.condition.in_place & reached.condition.in_place
    as_it_came = {one for one, said in knowledge.setups.items() if said.on_arrival}
    over = here.condition.over | (as_it_came & reached.condition.over)
    return _with(here, replace(here.condition, in_place=known, over=over))


def _with(here: Present, condition: Condition) -> Present:
    """Return the same with another condition: what was over in between has no beginning any more."""
    kept = {
        setup: at
        for setup, at in here.begun.items()
        if setup in condition.in_place and setup in here.condition.in_place
    }
    return replace(here, condition=condition, begun=kept, waits={setup: here.waits[setup] for setup in kept})


def _begun_with(here: Present, since: datetime) -> Waits:
    """Return the waits that run when a setup is begun, and those that were begun in the same go."""
    if here.together is not None and here.together[0] == since:
        return here.together[1]
    return Waits(here.waiting_minutes(since))


def _wait(knowledge: Knowledge, case: Case, setup: str) -> float:
    return minutes_for(knowledge, knowledge.setups[setup].waiting_minutes, case.facts)


def _lapsed(knowledge: Knowledge, here: Present, now: datetime) -> Present:
    """Return the condition at a time at which what lasts only so long may be over: nobody knows."""
    lapsed = [
        setup
        for setup in sorted(here.condition.in_place)
        if (lasts := knowledge.setups[setup].lasts_minutes) is not None
        and setup in here.used
        and now - here.used[setup] > timedelta(minutes=lasts)
    ]
    if not lapsed:
        return here
    return _with(here, no_longer_known(knowledge.setup_rules, here.condition, lapsed))


def _outcome(knowledge: Knowledge, case: Case, entry: Seen | Measured) -> str | None:
    """Return the outcome that an entry shows; None where nothing hangs on it, or nobody can say."""
    reading = knowledge.readings[entry.reading]
    if not reading.forbids:
        return None
    if isinstance(entry, Seen):
        return entry.outcome
    if reading.quantity is None or reading.quantity.limits_for(case.facts) is None:
        return None
    return likeliest_band(knowledge, case.facts, entry)


def contradicted_by(
    knowledge: Knowledge, case: Case, times: Sequence[str], setup: str, since: datetime
) -> Move | None:
    """Return the last entry that says that a setup was not in place at some time since then, if any does.

    A wait that was guessed over says nothing of it.
    """
    for move in reversed(list(moves(knowledge, case, times))):
        at = _happened(move.entry, move.step, times)
        if at is None or at <= since:
            continue
        if setup in _was_over(knowledge, case, move):
            return move
    return None


def ended_since(knowledge: Knowledge, case: Case, times: Sequence[str], reading: str) -> tuple[int, ...]:
    """Return the steps before which a reading may have been taken and not after, the last one first.

    Those are what ended or ruled out what it needs, and remedies. If it could be taken before some of them
    without a wait, the others are left out.
    """
    needed = setups_of(knowledge, reading)
    here = Present()
    steps: dict[int, bool] = {}
    for move in moves(knowledge, case, times):
        way = way_to_reading(knowledge, here.condition, reading, case.facts)
        ruled_out = (move.after.condition.forbidden - here.condition.forbidden).intersection(
            (reading, *needed)
        )
        over = _was_over(knowledge, case, move).intersection(needed)
        if isinstance(way, Way) and (over or ruled_out or isinstance(move.entry, Repaired)):
            steps[move.step] = way.waiting_minutes == 0
        here = move.after
    at_once = [step for step, could in steps.items() if could]
    return tuple(reversed(at_once or list(steps)))


def _was_over(knowledge: Knowledge, case: Case, move: Move) -> frozenset[str]:
    """Return the setups that cannot have been in place at the time of an entry, by what it says itself."""
    rules, entry = knowledge.setup_rules, move.entry
    if isinstance(entry, Ended):
        return frozenset() if entry.reason == NOT_WAITED_FOR else rules.with_built_on([entry.setup])
    over: frozenset[str] = frozenset()
    told: tuple[str, ...] = ()
    if isinstance(entry, Seen | Measured):
        reading = knowledge.readings[entry.reading]
        told = reading.setup
        over = rules.with_built_on((*reading.ends, *reading.ends_for_good))
    elif isinstance(entry, Repaired):
        remedy = knowledge.faults[entry.fault]
        over = rules.with_built_on((*remedy.ends, *remedy.ends_for_good)) - set(remedy.restores)
    elif isinstance(entry, Prepared | Stated | Ready):
        told = (entry.setup,)
    elif isinstance(entry, Checked):
        told = knowledge.complaints[entry.complaint].check_after_repair.setup
    elif isinstance(entry, Confirmed) and entry.found == SEEN_TODAY:
        told = knowledge.complaints[entry.complaint].looked_for.setup
    told_not = rules.with_built_on(not_waited_for(case, move.step))
    needed = [one for setup in told for one in rules.first_to_last(setup) if one not in told_not]
    ended_by = over.union(*(rules.ended_by[one] for one in needed))
    return ended_by - frozenset(needed)


def not_waited_for(case: Case, step: int) -> tuple[str, ...]:
    """Return the setups of an answer that was entered as a guess, as nobody had waited for them."""
    later = itertools.count(step + 1)
    entries = iter(lambda: case.counting.get(next(later)), None)
    guessed = itertools.takewhile(
        lambda one: isinstance(one, Ended) and one.reason == NOT_WAITED_FOR, entries
    )
    return tuple(one.setup for one in guessed if isinstance(one, Ended))


def to_put_back(knowledge: Knowledge, case: Case) -> tuple[str, ...]:
    """Return what has to be put back before the car leaves, for every setup made and reading taken, in order.

    A setup that a remedy has put an end to (a circuit filled again) needs no more.
    """
    due: dict[str, str | None] = {}
    for move in moves(knowledge, case):
        due.update((name, knowledge.setups[name].put_back) for name in move.made)
        if isinstance(move.entry, Seen | Measured):
            due[move.entry.reading] = knowledge.readings[move.entry.reading].put_back
        if isinstance(move.entry, Repaired):
            remedy = knowledge.faults[move.entry.fault]
            for restored in remedy.restores:
                for over in knowledge.setup_rules.ended_by[restored]:
                    due.pop(over, None)
            due[move.entry.fault] = remedy.put_back
    return tuple(dict.fromkeys(words for words in due.values() if words))
