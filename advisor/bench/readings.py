"""The list of all readings: what each one takes, tells and proves, in groups, and found by typing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from advisor.advice.advice import CandidateReading
from advisor.advice.proof import shown_by_proof
from advisor.bench.session import Session
from advisor.bench.wording import entry_words, opens_words
from advisor.case.entries import CUSTOMER, Measured, Seen
from advisor.knowledge.vocabulary import USUAL_PEOPLE
from advisor.papers.format import percent, plain
from advisor.simulate.rollout import LookAhead

LIKELY_FROM = 0.1
"""From this probability on the proof of a cause is marked in the list (the project's choice)."""
PROOF, ASK = "proof", "ask"
GroupKind = Literal["open", "left out", "taken"]
"""Whether the readings of a group can be taken, cannot be taken now, or were taken already."""


@dataclass(frozen=True)
class ReadingLine:
    """A reading on one line: minutes from here, and what it tells as a share of the most telling one.

    `remark` is the answer of one that was taken, or what keeps one from being taken. `details` say the rest.
    """

    reading: str
    name: str
    hands_on_minutes: float = 0.0
    waiting_minutes: float = 0.0
    told: float = 0.0
    mark: str = ""
    remark: str = ""
    details: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """All that it can be found by."""
        return " ".join((self.name, self.mark, self.remark, *self.details)).casefold()


@dataclass(frozen=True)
class ReadingGroup:
    """Readings below one heading."""

    heading: str
    kind: GroupKind
    lines: tuple[ReadingLine, ...]


def reading_groups(
    session: Session, proposal: CandidateReading | None, ahead: LookAhead | None = None
) -> tuple[ReadingGroup, ...]:
    """Return all readings in the order chosen, in groups; those taken already come last.

    `proposal` is the reading on the card, `ahead` what playing out in the background has found.
    """
    heading, first = _first(session, proposal)
    offered = session.proposals
    soonest = [one for one in offered if ahead is not None and one.reading == ahead.winner]
    first = [one for one in first if one not in soonest]
    rest = [one for one in offered if one not in first and one not in soonest]
    worth = [one for one in rest if one.reading not in session.less_worth]
    less = [one for one in rest if one.reading in session.less_worth]
    most = max((one.expected_information_bits for one in session.advice.proposals), default=0.0)
    begins = (
        ("Saves most time to the end of the repair", soonest),
        (heading, first),
        ("The others", worth),
        ("Less worth the time, by what they tell", less),
    )
    filled = [(words, some) for words, some in begins if some]
    if filled and filled[0][0] == "The others":
        filled[0] = ("All readings", filled[0][1])
    groups = [
        ReadingGroup(words, "open", tuple(_line(session, one, most) for one in some))
        for words, some in filled
    ]
    out = tuple(replace(_line(session, one, most), remark=why) for one, why in session.advice.unavailable)
    groups.append(ReadingGroup("Left out: cannot be taken now", "left out", out))
    groups.append(ReadingGroup("Taken already: Enter takes it again", "taken", tuple(_taken(session))))
    return tuple(one for one in groups if one.lines)


def found(groups: Sequence[ReadingGroup], typed: str) -> tuple[ReadingGroup, ...]:
    """Return the readings that every word typed fits; those taken already only where something is typed."""
    wanted = typed.casefold().split()
    fitting = (
        replace(group, lines=tuple(one for one in group.lines if all(word in one.text for word in wanted)))
        for group in groups
        if wanted or group.kind != "taken"
    )
    return tuple(group for group in fitting if group.lines)


def _first(session: Session, proposal: CandidateReading | None) -> tuple[str, Sequence[CandidateReading]]:
    """Return what stands first in the list, whatever the order, and why."""
    if session.running:
        return "Do not disturb the wait that runs", session.meanwhile
    plan = session.plan(proposal) if proposal else None
    if plan is not None and plan.before:
        return "Best taken before the wait", plan.before
    more = session.tells_more(proposal) if proposal else None
    return "Tells most of all", () if more is None else (more,)


def _line(session: Session, candidate: CandidateReading, most: float) -> ReadingLine:
    knowledge = session.knowledge
    said = knowledge.readings[candidate.reading]
    proves = _proves(session, candidate.reading)
    likely = any(probability >= LIKELY_FROM for _, probability in proves)
    return ReadingLine(
        candidate.reading,
        said.name,
        candidate.hands_on_minutes,
        candidate.minutes - candidate.hands_on_minutes,
        candidate.expected_information_bits / most if most else 0.0,
        PROOF if likely else ASK if said.who == CUSTOMER else "",
        details=tuple(_details(session, candidate, proves, most)),
    )


def _details(
    session: Session, candidate: CandidateReading, proves: Sequence[tuple[str, float]], most: float
) -> Iterator[str]:
    """Yield in words what a reading proves, needs, ends and tells."""
    knowledge = session.knowledge
    said = knowledge.readings[candidate.reading]
    names = {one: knowledge.setups[one].name for one in (*session.needed(candidate.reading), *candidate.ends)}
    if proves:
        causes = ", ".join(f"{knowledge.title(one)} ({percent(probability)})" for one, probability in proves)
        yield f"Proves: {causes}."
    if said.who == CUSTOMER:
        yield f"Ask the customer: “{said.ask}”" if said.ask else "Ask the customer."
    elif said.who not in USUAL_PEOPLE:
        yield f"Taken by: {plain(said.who)}."
    if said.instrument:
        without = session.at_hand.without
        at_hand = [one for one in said.instrument if one not in without] or said.instrument
        yield f"With: {' or '.join(knowledge.instruments[one].name for one in at_hand)}."
    made = [one for one in session.needed(candidate.reading) if one in candidate.setups]
    if made:
        yield f"To make first: {', '.join(names[one] for one in made)}."
    there = [names[one] for one in session.needed(candidate.reading) if one not in candidate.setups]
    if there:
        yield f"Relies on: {', '.join(there)}."
    if candidate.ends:
        yield f"Ends: {', '.join(names[one] for one in candidate.ends)}."
    if session.running and any(one.reading == candidate.reading for one in session.meanwhile):
        yield "Does not disturb the wait that runs."
    yield opens_words(session.knowledge, candidate) or _tells(candidate, most)


def _tells(candidate: CandidateReading, most: float) -> str:
    """Return how much a reading tells against the most telling one."""
    bits = f"{candidate.expected_information_bits:.2f} bits"
    if candidate.at_rest:
        return f"Tells up to {bits}; a normal result would rule nothing out while the complaint is away."
    share = candidate.expected_information_bits / most if most else 0.0
    if share >= 0.995:
        return f"No other reading tells more ({bits})."
    return f"Tells {percent(share)} of what the most telling reading does ({bits})."


def _proves(session: Session, reading: str) -> tuple[tuple[str, float], ...]:
    """Return the causes that a reading can prove and that are not proved yet, the likeliest first."""
    marginals = session.situation.posterior.marginals
    shown = shown_by_proof(session.knowledge, session.case)
    proves = [one for one in session.knowledge.readings[reading].proves if one not in shown]
    now = session.situation.beliefs
    beliefs = [
        (one, now[one] if one in now else float(marginals[one][-1]))
        for one in proves
        if one in now or one in marginals
    ]
    return tuple(sorted(beliefs, key=lambda one: -one[1]))


def _taken(session: Session) -> Iterator[ReadingLine]:
    """Yield the readings taken so far, with their last answer; the last one taken comes first."""
    knowledge = session.knowledge
    last: dict[str, Seen | Measured] = {}
    for entry in session.case.counting.values():
        if isinstance(entry, Seen | Measured) and entry.reading in knowledge.readings:
            last.pop(entry.reading, None)
            last[entry.reading] = entry
    for reading, entry in reversed(last.items()):
        name = knowledge.readings[reading].name
        answer = entry_words(knowledge, session.case, entry).removeprefix(f"{name}: ")
        needs = [knowledge.setups[one].name for one in session.needed(reading)]
        used = [knowledge.instruments[one].name for one in knowledge.readings[reading].instrument]
        causes = [knowledge.title(one) for one in knowledge.readings[reading].proves]
        about = (("With", used), ("Relies on", needs), ("Proves", causes))
        details = tuple(f"{words}: {', '.join(names)}." for words, names in about if names)
        yield ReadingLine(reading, name, remark=f"taken: {answer}", details=(f"Taken: {answer}.", *details))
