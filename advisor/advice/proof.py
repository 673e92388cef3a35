"""Whether a cause is proved, when a proof is due, and how a search has ended.

A suspicion becomes a proof by a reading that the authors call one, taken while the complaint was there. Until
then a remedy that costs parts, or more than a few minutes, waits for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from advisor.advice.rules import ENDINGS, EndingKind, comparable, endings, most_probable_first
from advisor.advice.situation import current_faults
from advisor.case.case import Case
from advisor.case.confirmed import before_repair, faults_below
from advisor.case.entries import Measured, Repaired, Seen
from advisor.inference.engine import Posterior
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted
from advisor.model.observation import weighed
from advisor.policy import Policy


@dataclass(frozen=True)
class Ending:
    """What a search has come to, and the fault, or the branch of a group, that it is about.

    A cause that is `unproved` has a remedy that should wait for a proof, and none has shown it.
    """

    kind: EndingKind
    cause: str | None
    unproved: bool = False


@dataclass(frozen=True)
class SureGroup:
    """A branch that is sure though none of its faults is: they are `members`, the most probable first."""

    branch: str
    probability: float
    members: tuple[tuple[str, float], ...]


def sure_group(knowledge: Knowledge, policy: Policy, posterior: Posterior) -> SureGroup | None:
    """Return the smallest branch that is sure where none of its faults is; of equal ones by id."""
    beliefs = current_faults(posterior.beliefs)
    found = []
    for branch in knowledge.branches:
        faults = faults_below(knowledge, branch) & beliefs.keys()
        there = float(posterior.marginals[branch][-1]) if branch in posterior.marginals else 0.0
        if len(faults) > 1 and comparable(there) >= policy.sure_at > max(beliefs[one] for one in faults):
            members = most_probable_first({one: beliefs[one] for one in faults})
            odds = tuple((one, beliefs[one]) for one in members)
            found.append((len(faults), branch, SureGroup(branch, there, odds)))
    return min(found, key=lambda one: one[:2])[2] if found else None


def asks_for_proof(knowledge: Knowledge, policy: Policy, fault: str) -> bool:
    """Return whether a fault's remedy waits for a proof: it costs parts, or more than a few minutes."""
    said = knowledge.faults.get(fault)
    return said is not None and (said.price != "none" or said.remedy_minutes > policy.proof_from_minutes)


def shown_by_proof(knowledge: Knowledge, case: Case) -> frozenset[str]:
    """Return the faults and branches that a reading has proved, except faults repaired since.

    The last answer of a reading counts. A guess proves nothing; a number does by the band that explains it
    best.
    """
    shown: dict[str, tuple[str, ...]] = {}
    repaired: set[str] = set()
    for entry in case.counting.values():
        if isinstance(entry, Repaired):
            repaired.add(entry.fault)
        elif isinstance(entry, Seen | Measured) and entry.reading in knowledge.readings:
            reading = knowledge.readings[entry.reading]
            outcome = _plain_outcome(knowledge, case, entry)
            shown[entry.reading] = reading.proves if outcome in reading.proving_outcomes else ()
            repaired.difference_update(shown[entry.reading])
    return frozenset(cause for causes in shown.values() for cause in causes) - repaired


def was_seen(knowledge: Knowledge, case: Case, fault: str) -> bool:
    """Return whether a proof had shown the fault itself, and not only its branch, before any repair."""
    return fault in shown_by_proof(knowledge, before_repair(case))


def _plain_outcome(knowledge: Knowledge, case: Case, entry: Seen | Measured) -> str | None:
    if isinstance(entry, Seen):
        return entry.outcome if entry.confidence == 1 else None
    likelihood = weighed(knowledge, entry.reading, case.facts, (entry.take,))
    answers = list(knowledge.readings[entry.reading].answers)
    return None if likelihood is None else answers[int(likelihood.argmax())]


def ending(knowledge: Knowledge, policy: Policy, posterior: Posterior, shown: frozenset[str]) -> Ending:
    """Return how a search stands, from what is believed and the causes that a proof has shown."""
    beliefs = current_faults(posterior.beliefs)
    order = most_probable_first(beliefs)
    groups = {one: posterior.marginals[one][-1] for one in shown if one in knowledge.branches}
    sure = [one for one, probability in groups.items() if comparable(float(probability)) >= policy.sure_at]
    kind = endings(
        policy,
        np.array([[beliefs[one] for one in order]]),
        np.array([is_unlisted(one) for one in order]),
        np.array([[one in shown for one in order]]),
        np.array([bool(sure)]),
    )
    name = ENDINGS[int(kind[0])]
    if name == "group proved":
        return Ending(name, min(sure))
    if name == "not found":
        return Ending(name, None)
    return Ending(name, order[0], name != "proved" and asks_for_proof(knowledge, policy, order[0]))
