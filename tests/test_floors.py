"""How well the advice does on the shipped knowledge at least: floors relative to what can be reached.

The cars are drawn from the same numbers, so that no number gets over a floor by being sharpened. What is
measured is in tests/README.md, with how to measure it again.
"""

from __future__ import annotations

import pytest

from advisor.evaluation.scorecard import Scorecard, scorecards
from advisor.evaluation.trials import Trial, TrialPlan, evaluate
from advisor.knowledge.knowledge import Knowledge

FAMILIES = ("drain", "ingress", "climate")
MISSED = pytest.mark.xfail(
    reason="ingress: 85.8 % right first, the checklist 87.8 % in four times the hands-on minutes",
    strict=False,
)
RIGHT = ("drain", pytest.param("ingress", marks=MISSED), "climate")
"""As often right as the checklist: measured on 3,000 cars of ingress, which end before all is read that tells
too little for its minutes. They reach 97.5 % of the ceiling."""
CARS = {"drain": 1000, "ingress": 1000, "climate": 400}
"""Of each complaint, by its family: drain has one, ingress three, climate six.

In standard errors of the difference on the same cars, the families are above their floors by so many:

- drain 2.3 (ceiling), 57 (hands-on minutes), 24 (minutes of the checklist), 1.2 (right as often as it)
- ingress 1.1, 73, 53, and 2.8 below being right as often
- climate 14, 55, 41, 4.9; its calibration error is 0.009

So drain and ingress need all of theirs: the first 500 cars of drain alone are right less often than the
checklist by 1.4 %, with a standard error of 0.9 %. Three fifths of the time are drain's, whose tables are
nine times those of water; the checklist takes most of it, as it reads most.
"""
SLOW, FEWER_CARS = "poor_cooling", 40
"""Of the complaint whose tables are largest, a tenth of what the others of its family have."""


@pytest.fixture(scope="module")
def cards(shipped: Knowledge) -> dict[str, Scorecard]:
    """Scorecards of the families: cars of each complaint, played by the advice and by the checklist."""
    trials: list[Trial] = []
    for name, complaint in shipped.complaints.items():
        cars = FEWER_CARS if name == SLOW else CARS[complaint.family]
        plan = TrialPlan((name,), cars, seed=7, policies=("advice", "checklist"))
        trials += evaluate(shipped, plan, cores=1)
    return {card.name: card for card in scorecards(shipped, trials)[0]}


@pytest.mark.parametrize("family", FAMILIES)
def test_the_advice_is_nearly_as_often_right_as_with_every_reading_taken(
    cards: dict[str, Scorecard], family: str
) -> None:
    """Right cause first in at least 97 % of what the ceiling reaches."""
    assert cards[family].of_ceiling >= 0.97


@pytest.mark.parametrize("family", FAMILIES)
def test_the_advice_takes_much_less_work_than_taking_every_reading(
    cards: dict[str, Scorecard], family: str
) -> None:
    """At most 35 % of the hands-on minutes."""
    assert cards[family].of_all_hands_on <= 0.35


@pytest.mark.parametrize("family", FAMILIES)
def test_the_advice_takes_much_less_work_than_the_checklist(cards: dict[str, Scorecard], family: str) -> None:
    """At least 40 % fewer hands-on minutes than working through the readings as written."""
    assert cards[family].fewer_hands_on_than("checklist") >= 0.40


@pytest.mark.parametrize("family", RIGHT)
def test_the_advice_is_as_often_right_as_the_checklist(cards: dict[str, Scorecard], family: str) -> None:
    """Right cause first as often, but for one car of 100."""
    policies = cards[family].policies
    assert policies["advice"].first >= policies["checklist"].first - 0.01


@pytest.mark.parametrize("family", FAMILIES)
def test_the_advice_is_as_sure_as_it_is_right(cards: dict[str, Scorecard], family: str) -> None:
    """The calibration error, of the leading suspect and of all faults, is at most 0.03."""
    found = cards[family].policies["advice"]
    assert found.calibration_error <= 0.03
    assert found.calibration_error_of_all <= 0.03
