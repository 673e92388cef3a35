"""Figures of played cars, for each policy, family, complaint and fault.

A car's cause is *right first* where the leading suspect at the end is one of its causes, *in the first three*
where one of the first three is. Brier and log score (natural logarithm) are means over all pairs of a car and
a fault of its complaint, present or absent, the unlisted ones included; most pairs are easy. The calibration
error is that of the leading suspect, for which it is harder; that of all pairs stands beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.advice.rules import ENDINGS
from advisor.arrays import Floats
from advisor.evaluation.endings import Endings, ended, figures
from advisor.evaluation.scores import Bin, brier, calibration, calibration_error, log_loss
from advisor.evaluation.trials import EVERYTHING, WORSE_PROOFS, Trial, TrialRecord
from advisor.knowledge.knowledge import Knowledge


@dataclass(frozen=True)
class PolicyScore:
    """How one policy did on cars of one or more complaints; minutes and readings are means for a car."""

    cars: int
    first: float
    first_standard_error: float
    in_three: float
    readings: float
    hands_on_minutes: float
    hands_on_standard_error: float
    waiting_minutes: float
    unresolved: float
    brier: float
    log_loss: float
    calibration_error: float
    calibration_error_of_all: float
    calibration: tuple[Bin, ...]  # of the leading suspect


@dataclass(frozen=True)
class FaultScore:
    """How the advice did on the cars that have one fault.

    `found` is the share of them where it is among as many first suspects as the car has causes. `mistaken`
    are faults that led instead, on cars that have this one alone, with how many cars. `proved` is the share
    where a proof has shown it, and `in_vain` the number of cars without it that its parts were fitted to.
    """

    fault: str
    name: str
    cars: int
    found: float
    in_three: float
    readings: float
    hands_on_minutes: float
    waiting_minutes: float
    unresolved: float
    alone: int
    mistaken: tuple[tuple[str, int], ...]
    proved: float
    in_vain: int


@dataclass(frozen=True)
class Scorecard:
    """A group of cars: how each policy did, and each fault."""

    name: str
    title: str
    policies: dict[str, PolicyScore]
    faults: tuple[FaultScore, ...]
    endings: Endings
    with_worse_proofs: Endings | None = None
    undrawn: tuple[str, ...] = ()  # names of faults that none of the cars had

    @property
    def of_ceiling(self) -> float:
        """Return right cause first, as a share of what taking every reading reaches."""
        return _share(self.policies["advice"].first, self.policies[EVERYTHING].first)

    @property
    def of_all_hands_on(self) -> float:
        """Return hands-on minutes, as a share of those of taking every reading."""
        return _share(self.policies["advice"].hands_on_minutes, self.policies[EVERYTHING].hands_on_minutes)

    def fewer_hands_on_than(self, policy: str) -> float:
        """Return how much fewer hands-on minutes the advice takes than another policy, as a share."""
        return 1 - _share(self.policies["advice"].hands_on_minutes, self.policies[policy].hands_on_minutes)


def _share(part: float, whole: float) -> float:
    """Return a part as a share of the whole; 1 if there is nothing to reach."""
    return part / whole if whole else 1.0


def scorecards(knowledge: Knowledge, trials: Sequence[Trial]) -> tuple[tuple[Scorecard, ...], ...]:
    """Return scorecards of the families, without faults, and of the complaints."""
    titles = {name: family.name for name, family in knowledge.families.items()}
    complaints = knowledge.complaints
    families: dict[str, list[Trial]] = {}
    for trial in trials:
        families.setdefault(complaints[trial.complaint].family, []).append(trial)
    return (
        tuple(
            Scorecard(
                name,
                titles.get(name, name),
                _scores(of),
                (),
                _endings(knowledge, of),
                _endings(knowledge, of, WORSE_PROOFS) if WORSE_PROOFS in of[0].records else None,
            )
            for name, of in families.items()
        ),
        tuple(
            Scorecard(
                one.complaint,
                complaints[one.complaint].name,
                _scores([one]),
                _faults(knowledge, one),
                _endings(knowledge, [one]),
                _endings(knowledge, [one], WORSE_PROOFS) if WORSE_PROOFS in one.records else None,
                tuple(knowledge.title(fault) for fault in np.array(one.faults)[~one.present.any(axis=0)]),
            )
            for one in trials
        ),
    )


def _endings(knowledge: Knowledge, trials: Sequence[Trial], policy: str = "advice") -> Endings:
    return figures([ended(knowledge, one, one.records[policy]) for one in trials])


def _scores(trials: Sequence[Trial]) -> dict[str, PolicyScore]:
    return {policy: measured(trials, policy) for policy in trials[0].records}


def measured(trials: Sequence[Trial], policy: str) -> PolicyScore:
    """Return how one policy did on all cars of some complaints, every car counting the same."""
    pairs = [(trial, trial.records[policy]) for trial in trials]

    def all_of(numbers: Callable[[Trial, TrialRecord], Floats]) -> Floats:
        return np.concatenate([numbers(trial, record).ravel() for trial, record in pairs])

    first = all_of(lambda trial, record: right_among(trial, record, 1))
    hands_on = all_of(lambda _, record: record.hands_on_minutes)
    leading = calibration(first > 0, all_of(lambda _, record: record.beliefs.max(axis=1)))
    present = all_of(lambda trial, _: trial.present.astype(np.float64)) > 0
    believed = all_of(lambda _, record: record.beliefs)
    root = np.sqrt(len(first))
    return PolicyScore(
        cars=len(first),
        first=float(first.mean()),
        first_standard_error=float(first.std() / root),
        in_three=float(all_of(lambda trial, record: right_among(trial, record, 3)).mean()),
        readings=float(all_of(lambda _, record: record.readings.astype(np.float64)).mean()),
        hands_on_minutes=float(hands_on.mean()),
        hands_on_standard_error=float(hands_on.std() / root),
        waiting_minutes=float(all_of(lambda _, record: record.waiting_minutes).mean()),
        unresolved=float(all_of(lambda _, record: record.unresolved.astype(np.float64)).mean()),
        brier=brier(present, believed),
        log_loss=log_loss(present, believed),
        calibration_error=calibration_error(leading),
        calibration_error_of_all=calibration_error(calibration(present, believed)),
        calibration=leading,
    )


def right_among(trial: Trial, record: TrialRecord, most: int) -> Floats:
    """Return 1 for each car one of whose causes is among the first suspects, else 0."""
    ahead = np.argsort(-record.beliefs, axis=1, kind="stable")[:, :most]
    return np.asarray(np.take_along_axis(trial.present, ahead, axis=1).any(axis=1), dtype=np.float64)


def _faults(knowledge: Knowledge, trial: Trial) -> tuple[FaultScore, ...]:
    record = trial.records["advice"]
    order = np.argsort(-record.beliefs, axis=1, kind="stable")
    place = np.argsort(order, axis=1)  # of each fault among the suspects
    causes = trial.present.sum(axis=1)
    proved = record.ending == ENDINGS.index("proved")
    in_vain = ended(knowledge, trial, record).in_vain > 0
    found = []
    for at, fault in enumerate(trial.faults):
        has = trial.present[:, at]
        if not has.any():
            continue
        alone = has & (causes == 1)
        led, times = np.unique(order[alone & (place[:, at] > 0), 0], return_counts=True)
        mistaken = sorted(zip((-times).tolist(), (trial.faults[one] for one in led), strict=True))
        found.append(
            FaultScore(
                fault=fault,
                name=knowledge.title(fault),
                cars=int(has.sum()),
                found=float((place[has, at] < causes[has]).mean()),
                in_three=float((place[has, at] < 3).mean()),
                readings=float(record.readings[has].mean()),
                hands_on_minutes=float(record.hands_on_minutes[has].mean()),
                waiting_minutes=float(record.waiting_minutes[has].mean()),
                unresolved=float(record.unresolved[has].mean()),
                alone=int(alone.sum()),
                mistaken=tuple((name, -count) for count, name in mistaken),
                proved=float((proved & (record.leading == at))[has].mean()),
                in_vain=int((in_vain & (record.leading == at)).sum()),
            )
        )
    return tuple(found)
