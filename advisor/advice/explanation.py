"""Why a cause is as probable as it is: the weight of each entry, which add up to its change in log-odds.

A weight of evidence (Good 1950; on belief networks Madigan, Mosurski & Almond 1996) is what an entry did to
the log-odds of a cause, in points: ten times the logarithm to base 10, so that 10 points are ten times the
odds. The points follow the order of the entries; in another order they are shared out differently.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from advisor.advice.situation import InconsistentEvidence, Situation, Situations
from advisor.case.case import Case
from advisor.case.entries import TakenBack


@dataclass(frozen=True)
class Balance:
    """How a cause got from the complaint alone to what it is now, in points (see `points`).

    `weights` has every step that counts, in order, and adds up to `now - start`. Where a cause is impossible
    or certain now, `settled_by` is the step from which on it was so (0: the complaint alone). The weight of
    that step is infinite, and those of the steps after it are 0.
    """

    cause: str
    start: float
    now: float
    start_probability: float
    probability: float
    weights: Mapping[int, float]
    settled_by: int | None = None

    @property
    def total(self) -> float:
        """The change in log-odds; 0 where the complaint alone settled it."""
        return 0.0 if self.settled_by == 0 else self.now - self.start


def points(absent: float, present: float) -> float:
    """Return the log-odds of a cause in points: 10 log10 of present to absent; infinite at 0 and 1."""
    if present <= 0:
        return -math.inf
    return math.inf if absent <= 0 else 10 * math.log10(present / absent)


def explain(situations: Situations, case: Case, causes: Sequence[str]) -> tuple[Balance, ...]:
    """Return the balance of each cause; raises `InconsistentEvidence` where the case cannot be weighed.

    What was taken back has no part in it: the steps that count are weighed one after the other, as if nothing
    else had been entered. A step that contradicts those before it, until a later one replaces it, weighs 0.
    """
    steps, stages = tuple(case.counting), _stages(situations, case)
    return tuple(balance(cause, steps, [_states(stage, cause) for stage in stages]) for cause in causes)


def balance(cause: str, steps: Sequence[int], states: Sequence[tuple[float, float]]) -> Balance:
    """Return the balance of a cause from P(absent) and P(present) at the start and after each step."""
    odds = [points(absent, present) for absent, present in states]
    now, settled = odds[-1], None
    if math.isinf(now):
        settled = len(odds) - 1
        while settled and odds[settled - 1] == now:
            settled -= 1
    weights, before = dict.fromkeys(steps, 0.0), odds[0]
    for step, after in zip(steps[:settled], odds[1:], strict=False):
        # An infinite stage that did not last is passed over: what replaced it weighs from before it.
        if math.isfinite(after):
            weights[step], before = after - before, after
    if settled:
        weights[steps[settled - 1]] = now
    by = None if settled is None else (0, *steps)[settled]
    return Balance(cause, odds[0], now, _share(states[0]), _share(states[-1]), weights, by)


def _share(state: tuple[float, float]) -> float:
    return state[1] / sum(state)


def _states(situation: Situation, cause: str) -> tuple[float, float]:
    """Return P(absent) and P(present), each as exact as it comes: 1 - P(present) would lose digits."""
    marginal = situation.posterior.marginals[cause]
    return float(marginal[:-1].sum()), float(marginal[-1])


def _stages(situations: Situations, case: Case) -> list[Situation]:
    """Return the case at the start and after each step that counts; a step that clashes repeats the last."""
    *earlier, whole = _cases(case)
    stages: list[Situation] = []
    for stage in earlier:
        try:
            stages.append(situations.of(stage))
        except InconsistentEvidence:
            if not stages:
                raise
            stages.append(stages[-1])
    return [*stages, situations.of(whole)]


def _cases(case: Case) -> Iterator[Case]:
    """Yield the case with its first steps that count, one more each time."""
    steps = list(case.counting)
    if steps == list(range(1, len(case.entries) + 1)):
        yield from (Case(case.complaint, case.entries[:count]) for count in range(len(steps) + 1))
        return
    # Steps keep their numbers: what replaces an entry refers to it.
    for count in range(len(steps) + 1):
        later = tuple(TakenBack(step, "") for step in steps[count:])
        yield Case(case.complaint, (*case.entries, *later))
