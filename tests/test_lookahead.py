"""Looking to the end of the job: close to the best possible, and honest about mending at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from statistics import mean

import numpy as np
import pytest

from advisor.advice.advice import advise
from advisor.advice.repair_order import Remedy
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.case.entries import Prepared, Seen
from advisor.inference.compiler import compile_tables
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.jobs import starts_of
from advisor.simulate.rollout import Candidate, LookAhead, RepairCosts, knowing_saves_minutes, look_ahead
from tests.benchmarks import lookahead as study
from tests.conftest import complaint, faults

Made = Callable[[str], Knowledge]

NOISE_PERCENT = 0.5
"""By so much the roll-out may be above the plain advice where its 400 simulated cars mislead it."""

READINGS = """\
readings:
  wiggle:
    name: Wiggle it
    minutes: 5
    outcomes: {firm: Firm, loose: Loose}
    noisy_or: {leak: 0.0, causes: {a: 1.0}}
  look:
    name: Look at it
    minutes: 2
    outcomes: {tight: Tight, slack: Slack}
    noisy_or: {leak: 0.1, causes: {b: 0.6}}
"""


def small(known: Made) -> Ranker:
    """Fault a in 50 of 100 cars, b in 40, another in 10; `wiggle` shows a for certain, `look` b not so."""
    knowledge = known(complaint("exactly_one_of: {a: 50, b: 40}", 10) + faults("a", "b") + READINGS)
    return compile_ranker(knowledge, compile_tables(build(knowledge, "c").tables), "c")


def costs(minutes: float, escalation_minutes: float) -> RepairCosts:
    """A remedy of so many minutes for each of a and b."""
    return RepairCosts(
        tuple(Remedy(f"mend {name}", frozenset({name}), minutes) for name in "ab"), escalation_minutes
    )


def found(ranker: Ranker, case: Case, given: RepairCosts | None, seed: int = 1) -> LookAhead:
    """What the look-ahead finds."""
    result = look_ahead(ranker, case, given, np.random.default_rng(seed))
    assert result is not None
    return result


def test_without_errors_the_roll_out_is_within_two_percent_of_the_best() -> None:
    """Six random problems of the study: 2 % on average, and nowhere worse than the plain advice."""
    rows = []
    for seed in range(6):
        given = study.problem(seed)
        ways = study.policies(given, cars=400)
        rows.append(
            study.excesses(given, {name: ways[name] for name in ("roll-out", "most informative per minute")})
        )
    assert mean(row["roll-out"] for row in rows) <= 2.0
    assert all(row["roll-out"] <= row["most informative per minute"] + NOISE_PERCENT for row in rows)


def test_with_errors_and_repair_the_roll_out_is_within_two_percent_of_the_best() -> None:
    """Two random problems whose readings err, minutes until the complaint is gone."""
    excesses = []
    for seed in range(2):
        given = study.problem(seed, readings=7, errs=True)
        excesses.append(study.excesses(given, {"roll-out": study.rollout(given, cars=400)})["roll-out"])
    assert mean(excesses) <= 2.0


def test_the_study_writes_the_problem_that_it_solves() -> None:
    """The advice's bits for the problem as YAML are those worked out on the arrays."""
    given = study.problem(3, readings=7, errs=True)
    ranker = study.ranker_of(given)
    knowledge, engine = ranker.knowledge, ranker.batch.engine
    proposals = advise(
        Situation.of(knowledge, engine, Case("trouble", (Seen("reading02", "yes_"),)))
    ).proposals
    state = frozenset({(2, 1)})
    expected = {f"reading{at:02}": study.bits(given, state, at) for at in given.open_readings(state)}
    assert {one.reading: one.expected_information_bits for one in proposals} == pytest.approx(
        expected, abs=1e-9
    )


def test_the_plain_choice_is_among_the_candidates_and_named(known: Made) -> None:
    """Both readings are played out; the plain advice would take `wiggle`, 1 bit for 5 minutes."""
    result = found(small(known), Case("c"), costs(30, 120))
    assert result.plain == "wiggle"
    assert {one.reading for one in result.candidates} == {"wiggle", "look"}


def test_expected_minutes_are_those_of_reading_and_mending(known: Made) -> None:
    """After `wiggle` a is known: 5 + 30 with 1/2; else 5, then mend b at 30, and escalate at 120 with 1/5.

    `look` errs too much to be worth its 2 minutes then: 5 + 1/2 * 30 + 1/2 * (30 + 0.2 * 120) = 47.
    """
    ranker = small(known)
    result = found(ranker, Case("c"), costs(30, 120))
    minutes = {one.reading: one for one in result.candidates}["wiggle"]
    assert minutes.expected_minutes == pytest.approx(47.0, abs=0.5)
    assert minutes.standard_error_minutes < 2.0


def test_mending_at_once_wins_where_remedies_take_less_than_readings(known: Made) -> None:
    """Remedies of a minute each: 1 + 1/2 + 0.1 * 120 = 13.5 minutes, and no reading shortens that."""
    result = found(small(known), Case("c"), costs(1, 120))
    assert result.repair_now_minutes == pytest.approx(13.5, abs=1e-9)
    assert result.winner is None


def test_without_costs_only_readings_count(known: Made) -> None:
    """The minutes are those of readings alone, and mending at once is no choice."""
    result = found(small(known), Case("c"), None)
    assert result.winner == result.candidates[0].reading
    assert result.candidates[0].expected_minutes <= 7.0


def test_a_wait_that_has_begun_is_charged_with_what_is_left_of_it(known: Made) -> None:
    """With 8 minutes left: wiggle, 5 + 8, then look at the half that have not a, 2 minutes; or look first.

    After `look` 6 minutes of the wait are left before `wiggle`.
    """
    behind = READINGS.replace("    minutes: 5\n", "    minutes: 5\n    setup: open_wide\n")
    behind = behind.replace("leak: 0.1", "leak: 0.0")
    setups = "setups:\n  open_wide: {name: Open it wide, hands_on_minutes: 4, waiting_minutes: 20}\n"
    knowledge = known(complaint("exactly_one_of: {a: 50, b: 40}", 10) + faults("a", "b") + setups + behind)
    ranker = compile_ranker(knowledge, compile_tables(build(knowledge, "c").tables), "c")
    case = Case("c", (Prepared("open_wide", "2030-01-07T09:00:00+00:00"),))
    minutes = {}
    for left in (8.0, 0.0):
        start = starts_of(ranker, [case], waiting={"open_wide": left})
        result = look_ahead(ranker, start, None, np.random.default_rng(1))
        assert result is not None
        minutes[left] = {one.reading: one.expected_minutes for one in result.candidates}
    # Seeing "slack" settles b: 24 of 100 cars end there. All others go on to `wiggle`.
    assert minutes[8.0] == pytest.approx({"wiggle": 13 + 0.5 * 2, "look": 2 + 0.76 * (5 + 6)}, abs=0.05)
    assert minutes[0.0] == pytest.approx({"wiggle": 5 + 0.5 * 2, "look": 2 + 0.76 * 5}, abs=0.05)


def test_a_case_with_nothing_left_to_read_has_no_candidates(known: Made) -> None:
    """With both readings taken, only mending is left: after b's sign, b at 30 comes first."""
    case = Case("c", (Seen("wiggle", "firm"), Seen("look", "slack")))
    result = found(small(known), case, costs(30, 120))
    assert (result.candidates, result.plain, result.winner) == ((), None, None)


def test_the_same_generator_gives_the_same_answer(known: Made) -> None:
    """Everything random comes from the generator."""
    ranker = small(known)
    assert found(ranker, Case("c"), costs(30, 120), 3) == found(ranker, Case("c"), costs(30, 120), 3)


def test_a_stopped_look_ahead_returns_nothing(known: Made) -> None:
    """Asked to stop, it gives nothing rather than half an answer."""
    ranker = small(known)
    asked: Iterator[bool] = iter([False, False, False, True])
    given = costs(30, 120)
    assert look_ahead(ranker, Case("c"), given, np.random.default_rng(1), stop=lambda: next(asked)) is None


def test_progress_counts_the_candidates(known: Made) -> None:
    """One call for each candidate, with how many there are."""
    told: list[tuple[int, int]] = []

    def progress(done: int, of: int) -> None:
        told.append((done, of))

    look_ahead(small(known), Case("c"), costs(30, 120), np.random.default_rng(1), progress=progress)
    assert told == [(1, 2), (2, 2)]


def test_knowing_the_cause_saves_the_remedies_tried_in_vain(known: Made) -> None:
    """Order a, b, escalation takes 30 + 15 + 12 minutes; knowing, 27 for repair and 12 for that: 18 saved."""
    ranker = small(known)
    believed, _ = ranker.posteriors(ranker.batch.potentials([{}]))
    saved = knowing_saves_minutes(ranker, believed, costs(30, 120))
    assert saved == pytest.approx([57 - 39], abs=1e-9)


@pytest.mark.parametrize(
    ("mending", "other", "error", "saved"),
    [(50, 70, 2, 10), (50, 45, 2, 0), (58, 70, 2, 0), (62, 70, 0.1, 0)],
    ids=[
        "saves ten minutes",
        "a reading saves more",
        "chance could have done that",
        "the plain advice is better",
    ],
)
def test_mending_at_once_saves_what_no_reading_and_no_chance_does(
    mending: float, other: float, error: float, saved: float
) -> None:
    """Against 60 minutes by the plain advice; twice its standard error may be chance."""
    plain = Candidate("plain", 60.0, error)
    tried = sorted([plain, Candidate("other", other, 1.0)], key=lambda one: one.expected_minutes)
    assert LookAhead(tuple(tried), mending, "plain").mending_saves_minutes == pytest.approx(saved)
