"""Repair or test: is a remedy so cheap and so likely that trying it beats the next reading?

Both are carried to the end: the remedies one after the other in their best order, then escalation to a senior
technician (`repair_order`), either from what is believed now, or from what will be believed after the
reading, averaged over its answers (Heckerman, Breese & Rommelse 1995, Communications of the ACM 38(3),
49-57). One cause is assumed for this sum. What a part costs is put in as minutes of work.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from advisor.advice.advice import Advice, Answer, CandidateReading
from advisor.advice.repair_order import Remedy, best_plan, least_minutes_of_many, single_fault_shares
from advisor.advice.situation import Situation
from advisor.knowledge.conditions import wanted_by
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted
from advisor.policy import DEFAULT, Policy


@dataclass(frozen=True)
class RepairFirst:
    """Trying the remedy of `fault` at once takes fewer minutes on average than taking the reading first."""

    fault: str
    minutes_repairing: float
    minutes_testing: float


def remedies(
    knowledge: Knowledge, complaint: str, causes: Iterable[str], policy: Policy = DEFAULT
) -> tuple[Remedy, ...]:
    """Return the remedies of the causes; minutes include the parts and the check afterwards."""
    parts = policy.price_minutes
    check = knowledge.complaints[complaint].check_after_repair.minutes
    return tuple(
        Remedy(
            cause,
            frozenset([cause]),
            fault.remedy_minutes + parts[fault.price] + check,
            fault.remedy_success,
        )
        for cause in causes
        if not is_unlisted(cause) and (fault := knowledge.faults[cause])
    )


def repair_or_test(
    situation: Situation,
    advice: Advice,
    proposal: CandidateReading,
    answers: Iterable[Answer],
) -> RepairFirst | None:
    """Return the remedy to try before the reading `proposal` with its `answers`, if any."""
    if situation.case.is_at_rest:  # nobody could see afterwards whether the remedy has helped
        return None
    policy = situation.policy
    now = {suspect.fault: suspect.probability for suspect in advice.suspects}
    known = remedies(situation.knowledge, situation.case.complaint, now, policy)
    plan = best_plan(known, _shares(now), policy.escalation_minutes)
    if not plan.order or _spoils(situation.knowledge, advice, plan.order[0].name):
        return None
    answers = list(answers)
    causes = list(now)
    after = np.array([[answer.after[cause] for cause in causes] for answer in answers])
    minutes = least_minutes_of_many(known, causes, single_fault_shares(after), policy.escalation_minutes)
    probabilities = np.array([answer.probability for answer in answers])
    testing = proposal.minutes + float(probabilities @ minutes)
    if plan.expected_minutes >= testing:
        return None
    return RepairFirst(plan.order[0].name, plan.expected_minutes, testing)


def _spoils(knowledge: Knowledge, advice: Advice, fault: str) -> bool:
    """Whether a remedy would end for good what a reading worth taking still needs."""
    spent = frozenset(knowledge.faults[fault].ends_for_good)
    return any(spent & wanted_by(knowledge, one.reading) for one in advice.worth_taking) if spent else False


def _shares(beliefs: Mapping[str, float]) -> dict[str, float]:
    shares = single_fault_shares(np.array(list(beliefs.values())))
    return dict(zip(beliefs, shares.tolist(), strict=True))
