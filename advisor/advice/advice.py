"""What to read next, why, and when to stop.

Readings are ordered by the bits they tell about which faults are present for the time they take, and by the
bits alone; a setup not yet in place is charged once. The search stops when every fault is settled, or when no
available reading tells enough to be worth the work.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from typing import Literal

import numpy as np

from advisor.advice.meaning import gives_meaning
from advisor.advice.obstacles import obstacles, out_of_reach_words, to_ask_first
from advisor.advice.proof import (
    Ending,
    SureGroup,
    asks_for_proof,
    ending,
    shown_by_proof,
    sure_group,
)
from advisor.advice.rules import (
    REASONS,
    Workshop,
    bits_per_minute,
    charged_minutes,
    comes_first,
    comparable,
    held_back,
    is_question,
    most_first,
    most_probable_first,
    pairs,
    seeks_proof,
    stop_reasons,
    worth_taking,
)
from advisor.advice.situation import InconsistentEvidence, Situation, current_faults
from advisor.arrays import Bools
from advisor.case.case import Case
from advisor.case.condition import Present, present
from advisor.case.entries import GONE
from advisor.inference.engine import InferenceEngine
from advisor.knowledge.conditions import (
    Condition,
    OutOfReach,
    Way,
    after_reading,
    minutes_for,
    wanted_by,
    way_to_reading,
)
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted
from advisor.model.nodes import is_instrument_leaf, shown_by
from advisor.policy import Policy
from advisor.text import counted

LEAST_SHOWN_BITS = 0.01
"""What is told of a reading is shown to this: where two differ by less, they look the same."""


LATER = "later:"
"""Begins the obstacle of a reading that ends for good what others still need."""


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
    listed one that would tell most. Bits per minute are those by which readings are ordered: see
    `rules.bits_per_minute`.

    `setups` are to be made first, in this order, `assumed` are those that cars arrive with and that nobody
    has said to be over, `ends` those in place that will be no more. `asks` are vehicle facts and figures of
    the day to ask first, as they decide whether the reading applies; asking takes no minutes. One `at_rest`
    shows a fault only while the complaint is there, and it is not: a normal result would clear nothing. One
    that is `due` would prove the cause that the search would end with, before its remedy is advised. One that
    is `asked_first` is a short question to the customer, which comes before anything at the car. One that
    tells nothing by itself `opens` another one, which would then tell `opened_bits` more; bits per minute are
    those of both.
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
    assumed: tuple[str, ...] = ()
    ends: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()
    at_rest: bool = False
    due: bool = False
    asked_first: bool = False
    opens: str = ""
    opened_bits: float = 0.0

    def is_worth_taking(self, policy: Policy) -> bool:
        """Return whether the reading tells enough, also relative to its work, or is a proof that is due."""
        if self.due:
            return True
        told = 0.0 if self.at_rest else max(self.expected_information_bits, self.opened_bits)
        return worth_taking(policy, told, self.hands_on_minutes)


@dataclass(frozen=True)
class Stop:
    """The search is over: "sure" of the fault, "nothing-left" worth its minutes, or "unlisted".

    After a repair it pauses until the complaint has been checked ("check"), and ends if that is "gone". Where
    the complaint is "not-present", it ends with what shows its cause all the same. `ending` is what it has
    come to, unless it only pauses; `group` is what is sure where no single cause is.
    """

    reason: Literal["sure", "nothing-left", "unlisted", "not-present", "check", "gone"]
    fault: str | None
    ending: Ending | None = field(default=None, compare=False)
    group: SureGroup | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Advice:
    """Suspects by probability; readings in the order to take them.

    `proposals` begin with the readings `worth_taking`, by bits for the time they take; the others follow by
    bits. `by_bits` are the same readings, those worth taking by bits alone. `unavailable` are readings that
    would tell something but cannot be taken here, with the reason. No probability is off by more than
    `belief_error` and no information by more than `bits_error` (see `bounded`); 0 is exact.
    """

    suspects: tuple[FaultPosterior, ...]
    proposals: tuple[CandidateReading, ...]
    by_bits: tuple[CandidateReading, ...]
    worth_taking: tuple[CandidateReading, ...]
    unavailable: tuple[tuple[CandidateReading, str], ...]
    stop: Stop | None
    belief_error: float = 0.0
    bits_error: float = 0.0

    @property
    def tells_more(self) -> CandidateReading | None:
        """The reading that tells most of those worth taking, where the usual order begins with another one.

        None where that one tells as much in hundredths of a bit, or is a proof that is due.
        """
        first, most = self.proposals[:1], self.by_bits[:1]
        if not self.worth_taking or first == most or first[0].due:
            return None
        told = most[0].expected_information_bits - first[0].expected_information_bits
        return most[0] if told >= LEAST_SHOWN_BITS else None


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
    car: Present | None = None,
    now: datetime | None = None,
    before: Mapping[str, float] | None = None,
    all_the_same: Collection[str] = (),
) -> Advice:
    """Return what to do next on a case.

    `car` is its condition (default: that of its entries alone), `now` the time to which waits have run
    (default: they are over), `before` the beliefs before the last entry (default: computed, if the same
    engine can). Readings that are to be taken `all_the_same` wait for no other one.
    """
    workshop, policy = workshop or Workshop(), situation.policy
    knowledge, case, posterior = situation.knowledge, situation.case, situation.posterior
    before = before or _beliefs_before(situation)
    suspects = tuple(
        FaultPosterior(fault, knowledge.title(fault), situation.beliefs[fault], before[fault])
        for fault in most_probable_first(situation.beliefs)
    )
    car = present(knowledge, case) if car is None else car
    waiting = car.waiting_minutes(now) if now else {}
    reachable, unavailable = [], []
    opening = {} if case.is_at_rest else gives_meaning(knowledge, situation.engine, case.complaint, policy)
    told = posterior.expected_information_bits
    for reading in told:
        if is_instrument_leaf(reading):
            continue
        way = way_to_reading(knowledge, car.condition, reading, case.facts)
        reached = way if isinstance(way, Way) else None
        proposal = _proposal(situation, reading, car.condition, reached, waiting, workshop)
        if proposal.expected_information_bits == 0 and reading not in opening:
            continue
        why_not = [*obstacles(knowledge, case, reading, workshop)]
        if isinstance(way, OutOfReach):
            why_not.append(out_of_reach_words(knowledge, case, way))
        if why_not:
            unavailable.append((proposal, "; ".join(why_not)))
        elif reached is not None:
            reachable.append((proposal, reached))
    reachable = _with_pairs(situation, opening, reachable, workshop)
    proposals, held = _held_back(knowledge, policy, reachable, waiting, all_the_same)
    unavailable += held
    stop = _stop_of(situation, suspects, proposals)
    due = _proofs_due(situation, stop)
    proposals = [
        replace(one, due=True) if one.reading in due and not one.at_rest else one for one in proposals
    ]
    proposals.sort(
        key=lambda one: (
            not one.due,
            not one.is_worth_taking(policy),
            *most_first(one.expected_information_bits, one.minutes, one.reading),
        )
    )
    unavailable.sort(
        key=lambda pair: most_first(pair[0].expected_information_bits, pair[0].minutes, pair[0].reading)
    )
    worth = [proposal for proposal in proposals if proposal.is_worth_taking(policy)]
    others = proposals[len(worth) :]
    worth.sort(
        key=lambda one: (
            not one.due,
            not one.asked_first,
            *most_first(one.information_bits_per_minute, one.minutes, one.reading),
        )
    )
    return Advice(
        suspects,
        (*worth, *others),
        tuple(proposals),
        tuple(worth),
        tuple(unavailable),
        None if any(one.due for one in proposals) else stop,
        posterior.belief_error,
        posterior.bits_error,
    )


def _with_pairs(
    situation: Situation,
    opening: Mapping[str, Sequence[str]],
    reachable: Sequence[tuple[CandidateReading, Way]],
    workshop: Workshop,
) -> list[tuple[CandidateReading, Way]]:
    """Return the readings with what those that tell nothing by themselves tell with the one that follows.

    Those that tell nothing with another one either are left out.
    """
    policy = situation.policy
    by_name = {proposal.reading: proposal for proposal, _ in reachable}
    found = []
    for proposal, way in reachable:
        others = [by_name[one] for one in opening.get(proposal.reading, ()) if one in by_name]
        if others and comparable(proposal.expected_information_bits) < policy.least_bits:
            proposal = _with_next(situation, proposal, others, workshop)
        if proposal.expected_information_bits > 0 or proposal.opens:
            found.append((proposal, way))
    return found


def _with_next(
    situation: Situation, proposal: CandidateReading, others: Sequence[CandidateReading], workshop: Workshop
) -> CandidateReading:
    """Return a reading that tells nothing by itself with what it tells together with one of the others."""
    policy, engine, reading = situation.policy, situation.engine, proposal.reading
    predicted = situation.posterior.predictive[reading]
    possible = [at for at, probability in enumerate(predicted.tolist()) if probability > 0]
    seen = np.eye(len(predicted))
    after = engine.query_batch([{**situation.evidence, reading: seen[at]} for at in possible])
    told = np.zeros((1, len(predicted), len(others)))
    for at, posterior in zip(possible, after, strict=True):
        bits = posterior.expected_information_bits
        told[0, at] = [_most_told(situation.knowledge, bits, one.reading, workshop)[1] for one in others]
    pair = pairs(
        np.array([proposal.expected_information_bits]),
        np.array([charged_minutes(policy, proposal.minutes, proposal.hands_on_minutes)]),
        predicted[np.newaxis],
        told,
        np.array([[one.expected_information_bits for one in others]]),
        np.array([[charged_minutes(policy, one.minutes, one.hands_on_minutes) for one in others]]),
    )
    gain = float(pair.gain[0])
    if gain <= 0 or not worth_taking(policy, gain, proposal.hands_on_minutes):
        return proposal
    return replace(
        proposal,
        information_bits_per_minute=max(float(pair.rate[0]), proposal.information_bits_per_minute),
        opens=others[int(pair.follows[0])].reading,
        opened_bits=gain,
    )


def _most_told(
    knowledge: Knowledge, told: Mapping[str, float], reading: str, workshop: Workshop
) -> tuple[str | None, float]:
    """Return the instrument at hand by which a reading tells most, and how much that is."""
    by_instrument = {
        one: told.get(shown_by(reading, one), told[reading]) for one in knowledge.readings[reading].instrument
    }
    here = {one: bits for one, bits in by_instrument.items() if one not in workshop.without} or by_instrument
    instrument = max(here, key=lambda one: comparable(here[one]), default=None)
    return instrument, here[instrument] if instrument else told[reading]


def _proofs_due(situation: Situation, stop: Stop | None) -> tuple[str, ...]:
    """Return the proofs of the cause whose remedy the search would end with, and that waits for one."""
    knowledge, policy = situation.knowledge, situation.policy
    if stop is None or stop.fault is None or stop.reason not in REASONS:
        return ()
    beliefs = np.array([[situation.beliefs[stop.fault]]])
    if not seeks_proof(policy, beliefs, np.array([REASONS.index(stop.reason)]))[0]:
        return ()
    waits = asks_for_proof(knowledge, policy, stop.fault)
    if not waits or stop.fault in shown_by_proof(knowledge, situation.case):
        return ()
    return knowledge.proofs.get(stop.fault, ())


def _held_back(
    knowledge: Knowledge,
    policy: Policy,
    reachable: Sequence[tuple[CandidateReading, Way]],
    waiting: Mapping[str, float],
    all_the_same: Collection[str],
) -> tuple[list[CandidateReading], list[tuple[CandidateReading, str]]]:
    """Return the readings to offer, and those that have to wait for others, with all that they wait for.

    Nothing is offered that ends for good, or while it is waited for, what a reading worth taking still needs.
    """
    candidates = [proposal for proposal, _ in reachable]
    setups = sorted(knowledge.setups)
    running = {setup for setup, left in waiting.items() if left > 0}
    spoils = [way.spent | running.intersection(proposal.ends) for proposal, way in reachable]
    if not any(spoils):
        return candidates, []
    wants = [wanted_by(knowledge, candidate.reading) for candidate in candidates]
    worth = np.array([[candidate.is_worth_taking(policy) for candidate in candidates]])
    waits = held_back(worth, _flags(wants, setups), _flags(spoils, setups)[None])[0].tolist()
    offered, held = [], []
    for proposal, spoilt, has_to_wait in zip(candidates, spoils, waits, strict=True):
        if not has_to_wait or proposal.reading in all_the_same:
            offered.append(proposal)
            continue
        clashes = [
            (other, spoilt & wanted)
            for other, wanted in zip(candidates, wants, strict=True)
            if spoilt & wanted and other is not proposal and other.is_worth_taking(policy)
        ]
        needing = [other.name for other, _ in clashes]
        ended = sorted(frozenset[str]().union(*(wanted for _, wanted in clashes)))
        names = " and ".join(f"“{knowledge.setups[setup].name}”" for setup in ended)
        needed_by = f"“{needing[0]}” still needs"
        if needing[1:]:
            needed_by = f"{counted(len(needing), 'reading')} still need: {'; '.join(needing)}"
        held.append((proposal, f"{LATER} it ends {names}, which {needed_by}"))
    return offered, held


def _flags(rows: Sequence[frozenset[str]], names: Sequence[str]) -> Bools:
    """Which of the names each row holds."""
    return np.array([[name in row for name in names] for row in rows], dtype=bool).reshape(
        len(rows), len(names)
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
    engine, complaint = situation.engine, situation.case.complaint
    none = 0.0
    said = situation.evidence.get(complaint)
    is_there = said is not None and np.array_equal(said, engine.one_hot(complaint, "present"))
    if not (is_there and _needs_a_fault(engine, complaint)):
        absent = {fault: engine.one_hot(fault, "absent") for fault in situation.beliefs}
        (log2_none,) = engine.log2_evidence_probability([{**situation.evidence, **absent}]).tolist()
        none = 2.0 ** (log2_none - situation.posterior.log2_evidence)
    return float(2 - 2 * none - sum(situation.beliefs.values()))


@lru_cache(maxsize=8)
def _needs_a_fault(engine: InferenceEngine, complaint: str) -> bool:
    """Whether the complaint cannot be there without one of the faults, whatever else is seen."""
    faults = current_faults(dict.fromkeys(engine.targets, 0.0))
    absent = {fault: engine.one_hot(fault, "absent") for fault in faults}
    there = {complaint: engine.one_hot(complaint, "present")}
    return bool(engine.log2_evidence_probability([{**there, **absent}])[0] == -math.inf)


def outcome_effects(situation: Situation, reading: str) -> tuple[Answer, ...]:
    """Return for each possible answer its probability and the beliefs after it.

    While the complaint is not there a normal answer leaves them as they are, where the reading needs it; the
    probabilities are those of a time when it is.
    """
    engine, evidence = situation.engine, situation.evidence
    said = situation.knowledge.readings[reading]
    clears_nothing = situation.case.is_at_rest and said.needs_complaint
    probabilities = situation.posterior.predictive[reading].tolist()
    words = said.answers
    possible = [
        (name, probability) for name, probability in zip(words, probabilities, strict=True) if probability > 0
    ]
    after = engine.beliefs_of(
        [
            evidence
            if clears_nothing and name == said.normal_outcome
            else {**evidence, reading: engine.one_hot(reading, name)}
            for name, _ in possible
        ]
    )
    return tuple(
        Answer(name, words[name], probability, current_faults(beliefs))
        for (name, probability), beliefs in zip(possible, after, strict=True)
    )


def _proposal(
    situation: Situation,
    reading: str,
    condition: Condition,
    way: Way | None,
    waiting: Mapping[str, float],
    workshop: Workshop,
) -> CandidateReading:
    """Return a reading with what it tells and takes; its own minutes alone if there is no way to it."""
    knowledge, facts = situation.knowledge, situation.case.facts
    told = situation.posterior.expected_information_bits
    definition = knowledge.readings[reading]
    best, best_bits = _most_told(knowledge, told, reading, Workshop())
    instrument, bits = _most_told(knowledge, told, reading, workshop)
    hands_on = minutes_for(knowledge, definition.minutes, facts)
    wait = minutes_for(knowledge, definition.waiting_minutes, facts)
    ends: frozenset[str] = frozenset()
    if way is not None:
        hands_on += way.hands_on_minutes
        wait += way.waiting_from(waiting)
        ends = condition.in_place - after_reading(knowledge, way, reading, None).in_place
    minutes = hands_on + wait
    return CandidateReading(
        reading,
        definition.name,
        bits,
        bits_per_minute(situation.policy, bits, minutes, hands_on),
        minutes,
        hands_on,
        way.made if way else (),
        instrument,
        best,
        best_bits,
        way.assumed if way else (),
        tuple(sorted(ends)),
        to_ask_first(knowledge, situation.case, reading),
        situation.case.is_at_rest and definition.needs_complaint,
        asked_first=comes_first(situation.policy, bits, is_question(knowledge, reading, situation.policy)),
    )


def _stop_of(
    situation: Situation, suspects: Sequence[FaultPosterior], proposals: Sequence[CandidateReading]
) -> Stop | None:
    policy = situation.policy
    paused = _after_repair(situation.case)
    if paused is not None:
        return paused
    any_worth = any(proposal.is_worth_taking(policy) for proposal in proposals)
    stop = _stop(situation.case, suspects, any_worth, policy)
    if stop is None:
        return None
    shown = shown_by_proof(situation.knowledge, situation.case)
    found = ending(situation.knowledge, policy, situation.posterior, shown)
    open_end = stop.reason == "nothing-left"
    group = sure_group(situation.knowledge, policy, situation.posterior) if open_end else None
    return replace(stop, ending=found, group=group)


def _after_repair(case: Case) -> Stop | None:
    if not case.repairs or (case.checked and case.checked != GONE):
        return None
    return Stop("gone" if case.checked else "check", case.repaired[-1])


def _stop(case: Case, suspects: Sequence[FaultPosterior], any_worth: bool, policy: Policy) -> Stop | None:
    beliefs = np.array([[suspect.probability for suspect in suspects]])
    unlisted = np.array([is_unlisted(suspect.fault) for suspect in suspects])
    (why,) = stop_reasons(policy, beliefs, unlisted, np.array([any_worth])).tolist()
    if why < 0:
        return None
    shown = suspects[0].probability >= policy.sure_at  # though another cause is still open
    if case.is_at_rest and REASONS[why] != "sure" and not shown:
        return Stop("not-present", None)
    return Stop(REASONS[why], suspects[0].fault)
