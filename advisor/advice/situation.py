"""A case with its evidence and its posterior.

Everything about a case, from the advice to the plan around a wait, starts from the same evidence and the same
posterior. They are computed once and passed on as one value.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from advisor.arrays import Floats
from advisor.case.case import Case
from advisor.inference.engine import Evidence, ImpossibleEvidence, InferenceEngine, Posterior
from advisor.knowledge.knowledge import Knowledge
from advisor.model.nodes import base, is_before_repair
from advisor.policy import DEFAULT, Policy


class InconsistentEvidence(Exception):
    """The entries of a case contradict each other. `clash` are the nodes that show it."""

    def __init__(self, clash: tuple[str, ...], sentence: str) -> None:
        self.clash = clash
        super().__init__(sentence)


@dataclass(frozen=True, eq=False)
class Situation:
    """A case with its evidence and posterior, and the policy by which it is advised on.

    Made by `Situation.of`, or kept by `Situations`.
    """

    knowledge: Knowledge
    engine: InferenceEngine
    case: Case
    evidence: Mapping[str, Floats]
    posterior: Posterior
    policy: Policy = DEFAULT

    @classmethod
    def of(
        cls, knowledge: Knowledge, engine: InferenceEngine, case: Case, policy: Policy = DEFAULT
    ) -> Situation:
        """Weigh a case by the engine of its complaint and repairs; raises `InconsistentEvidence`."""
        evidence = case.evidence(knowledge, engine)
        try:
            posterior = engine.query(evidence)
        except ImpossibleEvidence as error:
            raise InconsistentEvidence(error.clash, _clash_sentence(knowledge, case, error.clash)) from error
        return cls(knowledge, engine, case, evidence, posterior, policy)

    @cached_property
    def beliefs(self) -> Mapping[str, float]:
        """Return the probability of every fault of the car as it is now."""
        return current_faults(self.posterior.beliefs)


class Situations:
    """The situations of one job, each computed once and kept: a new entry adds one.

    `engine_of` gives the engine of a case's complaint and repairs.
    """

    def __init__(
        self,
        knowledge: Knowledge,
        engine_of: Callable[[Case], InferenceEngine],
        policy: Policy = DEFAULT,
    ) -> None:
        self.knowledge, self.engine_of, self.policy = knowledge, engine_of, policy
        self._kept: dict[Case, Situation | None] = {}
        self._unquestioned: dict[tuple[tuple[str, bytes], ...], Posterior] = {}

    def of(self, case: Case) -> Situation:
        """Return the situation of a case, weighing it if it is new; raises `InconsistentEvidence`."""
        kept = self._kept.get(case)
        if kept is None:
            engine = self.engine_of(case)
            kept = self._kept[case] = Situation.of(self.knowledge, engine, case, self.policy)
        return kept

    def background(self, situation: Situation) -> Posterior:
        """Return what complaint and facts alone say of a situation; most entries leave it as it was."""
        evidence = without_readings(situation)
        key = tuple((name, likelihood.tobytes()) for name, likelihood in evidence.items())
        if key not in self._unquestioned:
            self._unquestioned = {key: situation.engine.query(evidence)}
        return self._unquestioned[key]

    def history(self, case: Case) -> tuple[Situation | None, ...]:
        """Weigh a case at the start and after each entry; None where the entries up to there clash."""
        stages = [Case(case.complaint, case.entries[:count]) for count in range(len(case.entries) + 1)]
        new = [stage for stage in stages if stage not in self._kept]
        for _, alike in itertools.groupby(new, key=lambda stage: stage.repairs):
            same = list(alike)
            self._kept.update(zip(same, self._weighed(same), strict=True))
        return tuple(self._kept[stage] for stage in stages)

    def _weighed(self, cases: Sequence[Case]) -> list[Situation | None]:
        """Weigh cases with the same repairs together."""
        engine = self.engine_of(cases[0])
        evidence = [case.evidence(self.knowledge, engine) for case in cases]
        posteriors = _posteriors(engine, evidence)
        return [
            Situation(self.knowledge, engine, case, observed, posterior, self.policy) if posterior else None
            for case, observed, posterior in zip(cases, evidence, posteriors, strict=True)
        ]


def without_readings(situation: Situation) -> dict[str, Floats]:
    """Return the evidence of a situation that was not read off the car: complaint, facts and repairs."""
    taken = situation.case.taken
    return {name: likelihood for name, likelihood in situation.evidence.items() if name not in taken}


def posterior_history(situations: Situations, case: Case) -> tuple[Mapping[str, float], ...]:
    """Return every fault's probability at the start and after each entry: one more than there are entries.

    A step whose entries clash, until a later one takes the clash away, repeats the step before it.
    """
    found: list[Mapping[str, float]] = []
    for situation in situations.history(case):
        found.append(situation.beliefs if situation else found[-1])
    return tuple(found)


def _posteriors(engine: InferenceEngine, cases: Sequence[Evidence]) -> list[Posterior | None]:
    """Query many cases at once; None for each impossible one."""
    try:
        return list(engine.query_batch(cases))
    except ImpossibleEvidence:
        can_be = (engine.log2_evidence_probability(cases) > -math.inf).tolist()
        posteriors = iter(engine.query_batch(list(itertools.compress(cases, can_be))))
        return [next(posteriors) if possible else None for possible in can_be]


def current_faults(beliefs: Mapping[str, float]) -> dict[str, float]:
    """Return the beliefs about the car as it is now, without those about its state before a repair."""
    return {fault: probability for fault, probability in beliefs.items() if not is_before_repair(fault)}


def _clash_sentence(knowledge: Knowledge, case: Case, clash: tuple[str, ...]) -> str:
    answers = []
    for name in clash:
        node = base(name)
        if node in case.outcomes:
            reading = knowledge.readings[node]
            answers.append(f"{reading.name}: {reading.answers[case.outcomes[node]]}")
        elif node in case.measured:
            typed = ", ".join(measurement.typed for take in case.measured[node] for measurement in take)
            answers.append(f"{knowledge.readings[node].name}: {typed}")
        elif node in case.facts:
            answers.append(f"{knowledge.facts[node].name}: {case.facts[node]}")
        else:
            answers.append(f"the complaint {knowledge.title(node)}")
    if len(answers) == 1:
        return f"This does not fit any listed fault: {answers[0]}. Take it back, or repeat it."
    return f"These answers contradict each other: {'; '.join(answers)}. Repeat one of them, or take it back."
