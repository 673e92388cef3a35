"""What to read next, why, and when to stop.

Readings are ranked by the bits they tell about which faults are present, and by bits per minute; a setup not
yet in place is charged once. The search stops when every fault is settled, or when no available reading tells
enough to be worth the work.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np

from advisor.advice.rules import (
    REASONS,
    Workshop,
    bits_per_minute,
    comparable,
    lacks,
    most_first,
    most_probable_first,
    stop_reasons,
    worth_taking,
)
from advisor.advice.situation import InconsistentEvidence, Situation, current_faults
from advisor.case.case import Case
from advisor.case.entries import GONE, Ended, Measured, Prepared, Seen
from advisor.knowledge.knowledge import Knowledge, setups_of
from advisor.knowledge.unlisted import is_unlisted
from advisor.model.nodes import is_instrument_leaf, shown_by
from advisor.policy import Policy


@dataclass(frozen=True)
class FaultPosterior:
    """A possible cause: its probability now, and before the last entry."""

    fault: str
    name: str
    probability: float
    before: float


@dataclass(frozen=True)
class CandidateReading:
    """A reading that could be taken next.

    Minutes include its setups not yet in place and the remaining wait of those that are; hands-on minutes
    exclude all waiting. Bits assume the best instrument at hand, `instrument`; `best_instrument` is the
    listed one that would tell most. Bits per minute charge waiting by the weight of the policy.
    """

    reading: str
    name: str
    expected_information_bits: float
    information_bits_per_minute: float
    minutes: float
    hands_on_minutes: float
    setups: tuple[str, ...]
    instrument: str | None
    best_instrument: str | None
    best_bits: float

    def is_worth_taking(self, policy: Policy) -> bool:
        """Return whether the reading tells enough, also relative to its work."""
        return worth_taking(policy, self.expected_information_bits, self.hands_on_minutes)


@dataclass(frozen=True)
class Stop:
    """The search is over: "sure" of the fault, "nothing-left" worth its minutes, or "unlisted".

    After a repair it pauses until the complaint has been checked ("check"), and ends if that is "gone".
    """

    reason: Literal["sure", "nothing-left", "unlisted", "check", "gone"]
    fault: str | None


@dataclass(frozen=True)
class Advice:
    """Suspects by probability; readings by information, those worth taking first.

    `per_minute` are the readings worth taking, by bits per minute. `unavailable` are
    readings that would tell something but cannot be taken here, with the reason. No probability is off by
    more than `belief_error` and no information by more than `bits_error` (see `bounded`); 0 is exact.
    """

    suspects: tuple[FaultPosterior, ...]
    proposals: tuple[CandidateReading, ...]
    per_minute: tuple[CandidateReading, ...]
    unavailable: tuple[tuple[CandidateReading, str], ...]
    stop: Stop | None
    belief_error: float = 0.0
    bits_error: float = 0.0


@dataclass(frozen=True)
class Answer:
    """The effect of one answer: its probability, and the suspects' probabilities after it."""

    outcome: str
    words: str
    probability: float
    after: Mapping[str, float] = field(repr=False)


def advise(
    situation: Situation,
    workshop: Workshop | None = None,
    waiting: Mapping[str, float] | None = None,
    before: Mapping[str, float] | None = None,
) -> Advice:
    """Return what to do next on a case.

    `waiting` are the setups in place with their remaining minutes (default: `setups_in_place`, all ready);
    `before` are the beliefs before the last entry (default: computed, if the same engine can).
    """
    workshop, policy = workshop or Workshop(), situation.policy
    knowledge, case, now = situation.knowledge, situation.case, situation.posterior
    before = before or _beliefs_before(situation)
    suspects = tuple(
        FaultPosterior(fault, knowledge.title(fault), situation.beliefs[fault], before[fault])
        for fault in most_probable_first(situation.beliefs)
    )
    ready = dict.fromkeys(setups_in_place(knowledge, case), 0.0) if waiting is None else waiting
    proposals, unavailable = [], []
    told = now.expected_information_bits
    for reading in told:
        if is_instrument_leaf(reading):
            continue
        proposal = _proposal(situation, reading, ready, workshop)
        obstacle = case.skipped.get(reading) or _obstacle(knowledge, reading, workshop)
        if proposal.expected_information_bits == 0:
            continue
        if obstacle:
            unavailable.append((proposal, obstacle))
        else:
            proposals.append(proposal)
    proposals.sort(
        key=lambda one: (
            not one.is_worth_taking(policy),
            *most_first(one.expected_information_bits, one.minutes, one.reading),
        )
    )
    unavailable.sort(
        key=lambda pair: most_first(pair[0].expected_information_bits, pair[0].minutes, pair[0].reading)
    )
    worth = [proposal for proposal in proposals if proposal.is_worth_taking(policy)]
    worth.sort(key=lambda one: most_first(one.information_bits_per_minute, one.minutes, one.reading))
    stop = _after_repair(case) or _stop(suspects, worth, policy)
    return Advice(
        suspects, tuple(proposals), tuple(worth), tuple(unavailable), stop, now.belief_error, now.bits_error
    )


def _beliefs_before(situation: Situation) -> Mapping[str, float]:
    """Return the beliefs before the last entry; after a repair or a resolved clash, the present ones."""
    knowledge, engine, undone = situation.knowledge, situation.engine, situation.case.without_last()
    if not situation.case.entries or undone.repairs != situation.case.repairs:
        return situation.beliefs
    try:
        return Situation.of(knowledge, engine, undone, situation.policy).beliefs
    except InconsistentEvidence:
        return situation.beliefs


def setups_in_place(knowledge: Knowledge, case: Case) -> frozenset[str]:
    """Return the setups that were made or that readings taken have needed, unless they ended since."""
    ready: set[str] = set()
    for entry in case.counting.values():
        if isinstance(entry, Seen | Measured) and entry.reading in knowledge.readings:
            ready.update(setups_of(knowledge, entry.reading))
        elif isinstance(entry, Prepared):
            ready.add(entry.setup)
        elif isinstance(entry, Ended):
            ready -= _built_on(knowledge, entry.setup)
    return frozenset(ready)


def waiting_minutes(knowledge: Knowledge, case: Case, now: datetime) -> dict[str, float]:
    """Return the setups in place, each with the remaining minutes of its wait; 0 if that is over.

    Only the clock decides: a reading taken meanwhile may have been taken too early. A clock set back never
    makes the wait longer than the setup's own minutes.
    """
    left = dict.fromkeys(setups_in_place(knowledge, case), 0.0)
    for setup, at in case.prepared.items():
        if setup not in left or setup not in knowledge.setups:
            continue
        whole = knowledge.setups[setup].waiting_minutes
        gone = (now - datetime.fromisoformat(at)).total_seconds() / 60
        left[setup] = min(whole, max(0.0, whole - gone))
    return left


def _built_on(knowledge: Knowledge, setup: str) -> set[str]:
    """Return the setup, and every other one that needs it."""
    ended = {setup}
    while more := {
        name for name, one in knowledge.setups.items() if name not in ended and ended.intersection(one.needs)
    }:
        ended |= more
    return ended


def single_fault_probability(situation: Situation) -> float:
    """Return the probability that exactly one of the faults is present, given the evidence."""
    engine, evidence = situation.engine, situation.evidence
    absent = {fault: engine.one_hot(fault, "absent") for fault in situation.beliefs}
    alone = [{**evidence, **absent, fault: engine.one_hot(fault, "present")} for fault in absent]
    single = engine.log2_evidence_probability(alone) - situation.posterior.log2_evidence
    return float(np.exp2(single).sum())


def least_single_fault_probability(situation: Situation) -> float:
    """Return a lower bound on `single_fault_probability` in one pass instead of one for each fault.

    The sum of all beliefs is the expected number of faults: at least P(one) + 2 (1 - P(none) - P(one)).
    """
    engine = situation.engine
    absent = {fault: engine.one_hot(fault, "absent") for fault in situation.beliefs}
    (log2_none,) = engine.log2_evidence_probability([{**situation.evidence, **absent}]).tolist()
    none = 2.0 ** (log2_none - situation.posterior.log2_evidence)
    return float(2 - 2 * none - sum(situation.beliefs.values()))


def outcome_effects(situation: Situation, reading: str) -> tuple[Answer, ...]:
    """Return for each possible answer its probability and the beliefs after it."""
    engine, evidence = situation.engine, situation.evidence
    probabilities = situation.posterior.predictive[reading].tolist()
    words = situation.knowledge.readings[reading].answers
    possible = [
        (name, probability) for name, probability in zip(words, probabilities, strict=True) if probability > 0
    ]
    posteriors = engine.query_batch(
        [{**evidence, reading: engine.one_hot(reading, name)} for name, _ in possible]
    )
    return tuple(
        Answer(name, words[name], probability, current_faults(posterior.beliefs))
        for (name, probability), posterior in zip(possible, posteriors, strict=True)
    )


def _proposal(
    situation: Situation, reading: str, ready: Mapping[str, float], workshop: Workshop
) -> CandidateReading:
    knowledge, told = situation.knowledge, situation.posterior.expected_information_bits
    said = knowledge.readings[reading]
    exact = told[reading]
    by_instrument = {one: told.get(shown_by(reading, one), exact) for one in said.instrument}
    best = max(by_instrument, key=lambda one: comparable(by_instrument[one]), default=None)
    here = {one: bits for one, bits in by_instrument.items() if one not in workshop.without} or by_instrument
    instrument = max(here, key=lambda one: comparable(here[one]), default=None)
    setups = setups_of(knowledge, reading)
    missing = tuple(setup for setup in setups if setup not in ready)
    wait = max((ready[setup] for setup in setups if setup in ready), default=0.0)
    wait += sum(knowledge.setups[setup].waiting_minutes for setup in missing)
    hands_on = said.minutes + sum(knowledge.setups[setup].hands_on_minutes for setup in missing)
    bits, minutes = here[instrument] if instrument else exact, hands_on + wait
    return CandidateReading(
        reading,
        said.name,
        bits,
        bits_per_minute(situation.policy, bits, minutes, hands_on),
        minutes,
        hands_on,
        missing,
        instrument,
        best,
        by_instrument[best] if best else exact,
    )


def _obstacle(knowledge: Knowledge, reading: str, workshop: Workshop) -> str | None:
    asked = knowledge.readings[reading]
    lacking = lacks(knowledge, reading, workshop)
    if lacking == "instrument":
        return "no " + " or ".join(knowledge.instruments[one].name for one in asked.instrument)
    if lacking == "person":
        absent = {"customer": "the customer is not here", "certified": "needs a certified person"}
        return absent.get(asked.who, f"needs a {asked.who}")
    return None


def _after_repair(case: Case) -> Stop | None:
    if not case.repairs or (case.checked and case.checked != GONE):
        return None
    return Stop("gone" if case.checked else "check", case.repaired[-1])


def _stop(
    suspects: Sequence[FaultPosterior], worth: Sequence[CandidateReading], policy: Policy
) -> Stop | None:
    beliefs = np.array([[suspect.probability for suspect in suspects]])
    unlisted = np.array([is_unlisted(suspect.fault) for suspect in suspects])
    (why,) = stop_reasons(policy, beliefs, unlisted, np.array([bool(worth)])).tolist()
    return Stop(REASONS[why], suspects[0].fault) if why >= 0 else None
