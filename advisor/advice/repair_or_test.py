"""Repair or test: is a remedy so cheap and so likely that trying it beats every reading worth taking?

Both are carried to the end: the remedies one after the other in their best order, then escalation to a senior
technician (`repair_order`), either from what is believed now, or from what will be believed after a
reading, averaged over its answers (Heckerman, Breese & Rommelse 1995, Communications of the ACM 38(3),
49-57). One cause is assumed for this sum. What a part costs is put in as minutes of work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.advice.advice import Advice, Answer, CandidateReading, outcome_effects
from advisor.advice.repair_order import (
    Remedy,
    RepairPlan,
    best_plan,
    least_minutes_of_many,
    single_fault_shares,
)
from advisor.advice.situation import Situation
from advisor.knowledge.conditions import wanted_by
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted
from advisor.policy import DEFAULT, Policy


@dataclass(frozen=True)
class RepairFirst:
    """Trying the remedy of `fault` at once takes fewer minutes on average than taking any reading first.

    `minutes_testing` are those with the reading that was asked about.
    """

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


def mending_at_once(situation: Situation, advice: Advice) -> RepairPlan | None:
    """Return the best order of remedies from what is believed now, none where escalating is best.

    None where mending is no choice: while the complaint rests nobody could see whether it has helped, and
    what ends for good what a reading worth taking still needs comes after that reading.
    """
    if situation.case.is_at_rest:
        return None
    now = {suspect.fault: suspect.probability for suspect in advice.suspects}
    known = remedies(situation.knowledge, situation.case.complaint, now, situation.policy)
    plan = best_plan(known, _shares(now), situation.policy.escalation_minutes)
    spoils = bool(plan.order) and _spoils(situation.knowledge, advice, plan.order[0].name)
    return None if spoils else plan


def repair_or_test(
    situation: Situation,
    advice: Advice,
    proposal: CandidateReading,
    answers: Callable[[str], Iterable[Answer]] | None = None,
) -> RepairFirst | None:
    """Return the remedy to try before the reading `proposal` and all others worth taking, if any.

    `answers` gives those of a reading (default: computed).
    """
    plan = mending_at_once(situation, advice)
    if plan is None or not plan.order:
        return None
    policy = situation.policy
    now = {suspect.fault: suspect.probability for suspect in advice.suspects}
    known = remedies(situation.knowledge, situation.case.complaint, now, policy)
    causes = list(now)

    def testing(one: CandidateReading) -> float:
        possible = list(answers(one.reading) if answers else outcome_effects(situation, one.reading))
        after = np.array([[answer.after[cause] for cause in causes] for answer in possible])
        minutes = least_minutes_of_many(known, causes, single_fault_shares(after), policy.escalation_minutes)
        return one.minutes + float(np.array([answer.probability for answer in possible]) @ minutes)

    asked = testing(proposal)
    if plan.expected_minutes >= asked:
        return None
    # No reading can end sooner than in its own minutes and those of the repair once the cause is known.
    spare = plan.expected_minutes - _minutes_knowing(known, causes, now, policy)
    if any(one.opens and one.minutes <= spare for one in advice.worth_taking):
        return None  # what such a reading is good for shows only after the next one
    others = (one for one in advice.worth_taking if one.reading != proposal.reading and not one.at_rest)
    if any(plan.expected_minutes >= testing(one) for one in others if one.minutes <= spare):
        return None
    return RepairFirst(plan.order[0].name, plan.expected_minutes, asked)


def _minutes_knowing(
    known: Sequence[Remedy], causes: Sequence[str], now: Mapping[str, float], policy: Policy
) -> float:
    """Return the expected minutes of the repair if the cause were known."""
    each = least_minutes_of_many(known, causes, np.eye(len(causes)), policy.escalation_minutes)
    shares = np.array(list(_shares(now).values()))
    return float(shares @ each + (1 - shares.sum()) * policy.escalation_minutes)


def _spoils(knowledge: Knowledge, advice: Advice, fault: str) -> bool:
    """Whether a remedy would end for good what a reading worth taking still needs."""
    spent = frozenset(knowledge.faults[fault].ends_for_good)
    return any(spent & wanted_by(knowledge, one.reading) for one in advice.worth_taking) if spent else False


def _shares(beliefs: Mapping[str, float]) -> dict[str, float]:
    shares = single_fault_shares(np.array(list(beliefs.values())))
    return dict(zip(beliefs, shares.tolist(), strict=True))
