"""Whether reading everything that is left would change the decision, against enumeration without the program.

The measure is that of S. Chen, A. Choi and A. Darwiche 2014, Algorithms and applications for the
same-decision probability, Journal of Artificial Intelligence Research 49, 601-633: the probability of the
answers after which the decision is the same. The values here are worked out by enumeration on arrays.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from advisor.bench.wording import same_decision_words
from advisor.case.case import Case
from advisor.case.entries import Seen
from advisor.simulate import same_decision as module
from advisor.simulate.array_advice import Ranker
from advisor.simulate.jobs import starts_of
from advisor.simulate.same_decision import SameDecision, same_decision, wilson
from tests.benchmarks import lookahead as study
from tests.conftest import Ran
from tests.test_bench import HUM


def case_of(seen: tuple[tuple[int, int], ...]) -> Case:
    """A case of the study's problems with these answers."""
    return Case("trouble", tuple(Seen(f"reading{at:02}", ("no_", "yes_")[yes]) for at, yes in seen))


def enumerated(given: study.Problem, seen: tuple[tuple[int, int], ...]) -> float:
    """The same by going through all answers of the readings left, on the problem's own arrays."""
    now = given.weights(frozenset(seen))
    left = [at for at in range(len(given.minutes)) if at not in dict(seen)]
    stays = 0.0
    for answers in itertools.product((0, 1), repeat=len(left)):
        after = given.weights(frozenset((*seen, *zip(left, answers, strict=True))))
        stays += float(after.sum()) if after.argmax() == now.argmax() else 0.0
    return stays / float(now.sum())


SEEN: list[tuple[tuple[int, int], ...]] = [(), ((0, 1),), ((1, 0), (4, 1)), ((2, 1), (3, 1), (5, 0))]


def found(ranker: Ranker, case: Case) -> SameDecision:
    """What the program finds."""
    result = same_decision(ranker, starts_of(ranker, [case]))
    assert result is not None
    return result


@pytest.mark.parametrize("seed", range(4))
def test_small_ones_are_exact(seed: int) -> None:
    """Seven readings that err, with none to three of them taken."""
    given = study.problem(seed, readings=7, errs=True)
    ranker = study.ranker_of(given)
    for seen in SEEN:
        result = found(ranker, case_of(seen))
        assert result.is_exact
        assert result.readings == 7 - len(seen)
        assert result.probability == pytest.approx(enumerated(given, seen), abs=1e-9)


def test_large_ones_are_estimated_and_the_interval_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """24 intervals of 95 % on the same problems: at least 20 hold the exact value, and none is far off."""
    monkeypatch.setattr(module, "MOST_ANSWERS", 0)
    held = 0
    for seed in range(6):
        given = study.problem(seed, readings=7, errs=True)
        ranker = study.ranker_of(given)
        for seen in SEEN:
            result, exact = found(ranker, case_of(seen)), enumerated(given, seen)
            assert not result.is_exact
            assert abs(result.probability - exact) < 0.1
            held += result.low <= exact <= result.high
            assert found(ranker, case_of(seen)) == result, "the same case, the same figure"
    assert held >= 20


def test_the_interval_is_wilsons() -> None:
    """15 of 50: 19.1 to 43.8 % (by his formula, worked out by hand)."""
    z, share = 1.959964, 0.3
    low, high = (
        (share + z**2 / 100 + sign * z * np.sqrt(share * 0.7 / 50 + z**2 / 10000)) / (1 + z**2 / 50)
        for sign in (-1, 1)
    )
    assert wilson(15, 50) == pytest.approx((low, high))
    assert wilson(15, 50) == pytest.approx((0.191, 0.438), abs=5e-4)
    assert wilson(0, 50)[0] == 0.0
    assert wilson(50, 50)[1] == 1.0


def test_once_stopped_there_is_no_half_answer() -> None:
    """Neither exact nor estimated."""
    ranker = study.ranker_of(study.problem(0, readings=7, errs=True))
    assert same_decision(ranker, starts_of(ranker, [case_of(())]), stop=lambda: True) is None


def test_nothing_left_to_read_has_no_figure() -> None:
    """All seven are taken."""
    ranker = study.ranker_of(study.problem(0, readings=7, errs=True))
    everything = case_of(tuple((at, 0) for at in range(7)))
    assert same_decision(ranker, starts_of(ranker, [everything])) is None


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            SameDecision("a", 3, 0.967, 0.967, 0.967),
            "In 97 of 100 such cars the same cause would still lead after all 3 readings left.",
        ),
        (
            SameDecision("a", 1, 0.998, 0.998, 0.998),
            "In 99 of 100 such cars the same cause would still lead after the 1 reading that is left.",
        ),
        (
            SameDecision("a", 41, 0.97, 0.948, 0.983),
            "In about 97 of 100 such cars (95 to 98) the same cause would still lead "
            "after all 41 readings left.",
        ),
        (
            SameDecision("a", 2, 1.0, 1.0, 1.0),
            "No reading left can change this: the same cause would lead after all 2 readings left.",
        ),
    ],
)
def test_it_is_said_in_words(said: SameDecision, words: str) -> None:
    """Never "100 of 100" where one car in a thousand would turn."""
    assert same_decision_words(said) == words


STOPS = ("--saw", "glow=glows", "--saw", "current=high", "--saw", "hiss=silent", "--saw", "click=silent")


def test_the_command_says_it_at_a_stop_and_only_there(advisor: Callable[..., Ran], tmp_path: Path) -> None:
    """In words and as JSON, the same each time."""
    file = tmp_path / "hum.yaml"
    file.write_text(HUM, encoding="utf-8")
    asked = ("next", "--knowledge", file, "--complaint", "hum")
    assert "such cars" not in advisor(*asked).out
    assert json.loads(advisor(*asked, "--json").out)["same_decision"] is None
    ran = advisor(*asked, *STOPS)
    said = json.loads(advisor(*asked, *STOPS, "--json").out)["same_decision"]
    words = same_decision_words(
        SameDecision(said["cause"], said["readings_left"], said["probability"], *said["interval"])
    )
    assert words in ran.out
    assert advisor(*asked, *STOPS).out == ran.out
