"""What to read next, why, and when to stop.

Readings are ranked by the bits they tell about which faults are there, and by bits per minute, with
setups that are not in place yet charged once. The search stops when every fault is settled, or when no
reading that can be taken tells enough.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from advisor.case import Case
from advisor.engine import Engine, ImpossibleEvidence
from advisor.knowledge import UNLISTED, Knowledge, setups_of
from advisor.network import WITH


@dataclass(frozen=True)
class Workshop:
    """What is at hand: instruments that are missing, and who there is to take readings."""

    without: frozenset[str] = frozenset()
    who: frozenset[str] = frozenset({"customer", "technician", "certified"})


@dataclass(frozen=True)
class StopRule:
    """When the search ends. The figures are the project's choice, to be tried by simulation."""

    sure_at: float = 0.95
    settled_below: float = 0.15
    least_bits: float = 0.02


@dataclass(frozen=True)
class Suspect:
    """A possible cause: its probability now, and before the last entry."""

    fault: str
    name: str
    probability: float
    before: float


@dataclass(frozen=True)
class Proposal:
    """A reading that could be taken next. Minutes include its setups that are not in place yet.

    Bits are those with the best instrument at hand, `instrument`; `exact_bits` those with a perfect one, and
    `best_instrument` the one of those listed that would tell most.
    """

    reading: str
    name: str
    information_bits: float
    minutes: float
    setups: tuple[str, ...]
    instrument: str | None
    exact_bits: float
    best_instrument: str | None
    best_bits: float

    @property
    def information_bits_per_minute(self) -> float:
        """Bits told for each minute spent; the least charge is a tenth of a minute."""
        return self.information_bits / max(self.minutes, 0.1)


@dataclass(frozen=True)
class Stop:
    """The search is over: "sure" of the fault, "nothing-left" worth its minutes, or "unlisted"."""

    reason: Literal["sure", "nothing-left", "unlisted"]
    fault: str | None


@dataclass(frozen=True)
class Advice:
    """Suspects by probability and readings by information, best first.

    `per_minute` are the readings that tell enough to be worth taking, by bits per minute. `left_out` are
    readings that would tell something but cannot be taken here, with the reason.
    """

    suspects: tuple[Suspect, ...]
    proposals: tuple[Proposal, ...]
    per_minute: tuple[Proposal, ...]
    left_out: tuple[tuple[Proposal, str], ...]
    stop: Stop | None


@dataclass(frozen=True)
class Answer:
    """What one answer would do: how likely it is, and the suspects' probabilities after it."""

    outcome: str
    words: str
    probability: float
    after: Mapping[str, float] = field(repr=False)


class Contradiction(Exception):
    """What was said of a case cannot be so together. `clash` are the nodes that show it."""

    def __init__(self, clash: tuple[str, ...], sentence: str) -> None:
        self.clash = clash
        super().__init__(sentence)


def advise(
    knowledge: Knowledge,
    engine: Engine,
    case: Case,
    workshop: Workshop | None = None,
    rule: StopRule | None = None,
) -> Advice:
    """What to do next on a case; raises `Contradiction` where what was seen cannot be so."""
    workshop, rule = workshop or Workshop(), rule or StopRule()
    try:
        now = engine.outlook(case.evidence(knowledge, engine))
    except ImpossibleEvidence as error:
        raise Contradiction(error.clash, _clash_sentence(knowledge, case, error.clash)) from error
    try:
        before = engine.outlook(case.undone().evidence(knowledge, engine))
    except ImpossibleEvidence:
        before = now  # the last entry has taken a clash away: there is no belief to compare with
    suspects = tuple(
        sorted(
            (
                Suspect(fault, knowledge.title(fault), probability, before.beliefs[fault])
                for fault, probability in now.beliefs.items()
            ),
            key=lambda suspect: (-suspect.probability, suspect.fault),
        )
    )
    ready = setups_in_place(knowledge, case)
    proposals, left_out = [], []
    told = now.information_bits
    for reading in told:
        if WITH in reading:
            continue
        proposal = _proposal(knowledge, reading, told, ready, workshop)
        obstacle = case.skipped.get(reading) or _obstacle(knowledge, reading, workshop)
        if proposal.information_bits == 0:
            continue
        if obstacle:
            left_out.append((proposal, obstacle))
        else:
            proposals.append(proposal)
    proposals.sort(key=lambda p: (-p.information_bits, p.minutes, p.reading))
    left_out.sort(key=lambda pair: (-pair[0].information_bits, pair[0].reading))
    worth = [proposal for proposal in proposals if proposal.information_bits >= rule.least_bits]
    worth.sort(key=lambda p: (-p.information_bits_per_minute, p.reading))
    return Advice(suspects, tuple(proposals), tuple(worth), tuple(left_out), _stop(suspects, worth, rule))


def setups_in_place(knowledge: Knowledge, case: Case) -> frozenset[str]:
    """The setups that readings taken so far have needed: paid for once."""
    return frozenset(
        setup
        for reading in case.taken
        if reading in knowledge.readings
        for setup in setups_of(knowledge, reading)
    )


def what_answers_do(knowledge: Knowledge, engine: Engine, case: Case, reading: str) -> tuple[Answer, ...]:
    """For each answer that is possible now: its probability, and what would be believed after it."""
    evidence = case.evidence(knowledge, engine)
    chances = engine.outlook(evidence).predictive[reading].tolist()
    words = knowledge.readings[reading].answers
    possible = [(name, chance) for name, chance in zip(words, chances, strict=True) if chance > 0]
    outlooks = engine.outlook_many(
        [{**evidence, reading: engine.one_hot(reading, name)} for name, _ in possible]
    )
    return tuple(
        Answer(name, words[name], chance, outlook.beliefs)
        for (name, chance), outlook in zip(possible, outlooks, strict=True)
    )


def suspicion(knowledge: Knowledge, engine: Engine, case: Case) -> tuple[Mapping[str, float], ...]:
    """Every fault's probability at the start and after each entry: one more than there are entries.

    A stage whose entries clash, until a later one took the clash away, repeats the stage before it.
    """
    stages = [case]
    while stages[-1].entries:
        stages.append(stages[-1].undone())
    evidence = [stage.evidence(knowledge, engine) for stage in reversed(stages)]
    try:
        return tuple(outlook.beliefs for outlook in engine.outlook_many(evidence))
    except ImpossibleEvidence:
        told: list[Mapping[str, float]] = []
        for one in evidence:
            try:
                told.append(engine.outlook(one).beliefs)
            except ImpossibleEvidence:
                told.append(told[-1])
        return tuple(told)


def why(advice: Advice, answers: Iterable[Answer], proposal: Proposal) -> str:
    """In words: which suspects the reading moves apart, and what it tells for its minutes."""
    answers = list(answers)
    names = {suspect.fault: suspect.name for suspect in advice.suspects}
    now = {suspect.fault: suspect.probability for suspect in advice.suspects}
    moved = {
        fault: sum(answer.probability * (answer.after[fault] - now[fault]) ** 2 for answer in answers)
        for fault in now
    }
    first = max(moved, key=lambda fault: moved[fault])
    # The other side: the suspect that the same answers move most the opposite way.
    against = {
        fault: -sum(
            answer.probability * (answer.after[fault] - now[fault]) * (answer.after[first] - now[first])
            for answer in answers
        )
        for fault in now
    }
    second = max(against, key=lambda fault: against[fault])
    minutes = f"{proposal.minutes:g} minute" + ("" if proposal.minutes == 1 else "s")
    told = f"{proposal.information_bits:.2f} bits for {minutes}"
    if against[second] <= 0:
        return f"Tells most about “{names[first]}”: {told}"
    return f"Separates “{names[first]}” from “{names[second]}”: {told}"


def _proposal(
    knowledge: Knowledge, reading: str, told: Mapping[str, float], ready: frozenset[str], workshop: Workshop
) -> Proposal:
    said = knowledge.readings[reading]
    exact = told[reading]
    by_instrument = {one: told.get(reading + WITH + one, exact) for one in said.instrument}
    best = max(by_instrument, key=lambda one: by_instrument[one], default=None)
    here = {one: bits for one, bits in by_instrument.items() if one not in workshop.without} or by_instrument
    instrument = max(here, key=lambda one: here[one], default=None)
    missing = tuple(setup for setup in setups_of(knowledge, reading) if setup not in ready)
    minutes = said.minutes + sum(knowledge.setups[setup].minutes for setup in missing)
    return Proposal(
        reading,
        said.name,
        here[instrument] if instrument else exact,
        minutes,
        missing,
        instrument,
        exact,
        best,
        by_instrument[best] if best else exact,
    )


def _obstacle(knowledge: Knowledge, reading: str, workshop: Workshop) -> str | None:
    said = knowledge.readings[reading]
    if said.instrument and workshop.without.issuperset(said.instrument):
        return "no " + " or ".join(knowledge.instruments[one].name for one in said.instrument)
    if said.who not in workshop.who:
        return {"customer": "the customer is not here", "certified": "needs a certified person"}.get(
            said.who, f"needs a {said.who}"
        )
    return None


def _stop(suspects: Sequence[Suspect], worth: Sequence[Proposal], rule: StopRule) -> Stop | None:
    leading = suspects[0]
    unlisted = leading.fault.startswith(UNLISTED)
    open_ones = [s for s in suspects if rule.settled_below < s.probability < rule.sure_at]
    if leading.probability >= rule.sure_at and not open_ones:
        return Stop("unlisted" if unlisted else "sure", leading.fault)
    if not worth:
        return Stop("unlisted" if unlisted else "nothing-left", leading.fault)
    return None


def _clash_sentence(knowledge: Knowledge, case: Case, clash: tuple[str, ...]) -> str:
    said = []
    for node in clash:
        if node in case.seen:
            reading = knowledge.readings[node]
            said.append(f"{reading.name}: {reading.answers[case.seen[node]]}")
        elif node in case.measured:
            typed = ", ".join(one.typed for take in case.measured[node] for one in take)
            said.append(f"{knowledge.readings[node].name}: {typed}")
        elif node in case.facts:
            said.append(f"{knowledge.facts[node].name}: {case.facts[node]}")
        else:
            said.append(f"the complaint {knowledge.title(node)}")
    if len(said) == 1:
        return f"This cannot be, by what is written here: {said[0]}. Take it back, or repeat it."
    return f"These cannot be so together: {'; '.join(said)}. Repeat one of them, or take it back."
