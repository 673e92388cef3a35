"""Readings that mean something only in their context: the context is read first, though it tells nothing."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from advisor.advice.advice import Advice, advise
from advisor.advice.meaning import gives_meaning
from advisor.advice.repair_or_test import repair_or_test
from advisor.advice.situation import Situation
from advisor.bench.wording import advice_lines, opens_words
from advisor.case.case import Case
from advisor.case.entries import Seen
from advisor.policy import DEFAULT
from advisor.simulate.array_advice import Ranker, choose, offers, rates
from advisor.simulate.jobs import starts_of
from tests.benchmarks import contexts as study

CASES = [
    (),
    (Seen("which_context", "context1"),),
    (Seen("context1_bit0", "yes_"),),
    (Seen("which_context", "context1"), Seen("context1_bit0", "yes_")),
    (Seen("context0_bit0", "no_"), Seen("context0_bit1", "yes_"), Seen("context0_bit2", "yes_")),
    tuple(Seen(f"context1_bit{bit}", "no_") for bit in range(study.BITS)),
]


@cache
def ranker(contexts: int) -> Ranker:
    """The advice on the problem of the study."""
    return study.ranker_of(contexts, study.NOISE)


def advice_on(case: Case, made: Ranker) -> Advice:
    """What the bench would say."""
    return advise(Situation.of(made.knowledge, made.batch.engine, case))


@pytest.mark.parametrize("contexts", [4, 6])
def test_the_context_is_read_first_and_then_its_own_readings(contexts: int) -> None:
    """At least 95 % of the accuracy of the optimum with at most 1.2 times its readings; without it, none."""
    rows = {row.way: row for row in study.rows(contexts, study.NOISE, cars=300)}
    best = rows["optimum: the context and its three readings"]
    assert best.right == rows["everything read"].right, "nobody can be right more often"
    assert best.readings == study.OPTIMAL_READINGS
    for way in ("the default", "by bits"):
        assert rows[way].right >= 0.95 * best.right
        assert rows[way].readings <= 1.2 * best.readings
    if contexts == 6:
        assert rows["the default, each reading by itself"].readings == 0


@pytest.mark.parametrize("case", [Case("trouble", entries) for entries in CASES])
def test_one_case_and_the_arrays_say_the_same(case: Case) -> None:
    """The first reading, its place in the order and the stop, whatever was read before."""
    made = ranker(4)
    starts = starts_of(made, [case])
    beliefs, bits = made.posteriors(starts.potentials)
    offered = offers(made, starts.potentials, bits, starts.gone, starts.condition, starts.left)
    choices = choose(made, beliefs, offered)
    advice = advice_on(case, made)
    if advice.stop is not None:
        assert choices.reading[0] == -1
        return
    first = advice.proposals[0]
    at = made.readings.index(first.reading)
    assert choices.reading[0] == at
    assert offered.gain[0, at] == pytest.approx(first.opened_bits, abs=1e-9)
    assert rates(made, offered)[0, at] == pytest.approx(first.information_bits_per_minute, abs=1e-9)


def test_what_the_context_adds_is_what_its_reading_would_tell() -> None:
    """By hand: a bit told with 2 % noise, less what the same reading tells in an unknown context."""

    def told(right: float) -> float:
        return float(1 + right * np.log2(right) + (1 - right) * np.log2(1 - right))

    made = study.ranker_of(4, 0.0)
    advice = advice_on(Case("trouble"), made)
    first = advice.proposals[0]
    assert (first.reading, first.expected_information_bits) == ("which_context", 0.0)
    in_one_of_four = 0.25 * (1 - study.NOISE) + 0.75 * 0.5
    assert first.opened_bits == pytest.approx(told(1 - study.NOISE) - told(in_one_of_four), abs=1e-9)
    assert first.information_bits_per_minute == pytest.approx(told(1 - study.NOISE) / 12, abs=1e-9)


def test_the_card_says_what_such_a_reading_is_good_for() -> None:
    """Its bits alone would look as if it were useless."""
    made = ranker(6)
    advice = advice_on(Case("trouble"), made)
    words = opens_words(made.knowledge, advice.proposals[0])
    assert words.startswith(
        "“Which context” tells nothing by itself, but says how to read others, such as “Bit"
    )
    assert words in list(advice_lines(made.knowledge, advice, {}))
    after = advice_on(Case("trouble", CASES[1]), made)
    assert opens_words(made.knowledge, after.proposals[0]) == ""


def test_no_remedy_is_tried_while_such_a_reading_could_still_save_it() -> None:
    """What it saves shows only after the next reading, so one step ahead it looks as if it saved nothing."""
    made = ranker(6)
    situation = Situation.of(made.knowledge, made.batch.engine, Case("trouble"))
    advice = advise(situation)
    assert repair_or_test(situation, advice, advice.proposals[0]) is None
    plain = replace(advice, worth_taking=tuple(replace(one, opens="") for one in advice.worth_taking))
    assert repair_or_test(situation, plain, advice.proposals[0]) is not None


def test_only_what_tells_nothing_by_itself_is_looked_at_in_pairs() -> None:
    """The context with all others; those tell something by themselves, however little."""
    made = ranker(4)
    knowledge, engine = made.knowledge, made.batch.engine
    found = gives_meaning(knowledge, engine, "trouble", DEFAULT)
    assert set(found["which_context"]) == set(knowledge.readings) - {"which_context"}
    assert list(found) == ["which_context"]
