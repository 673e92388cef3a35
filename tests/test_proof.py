"""A cause is proved before its remedy is advised, on the bench as in simulation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from advisor.advice.advice import Advice, advise
from advisor.advice.proof import Ending, asks_for_proof, ending, shown_by_proof
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.case.entries import Entry, Repaired, Seen
from advisor.checks.lint import checked
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.model.network import build
from advisor.policy import DEFAULT
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.jobs import Cars, Jobs, draw_cars, play_many, starts_of
from tests.conftest import HEAD, complaint

Made = Callable[[str], Knowledge]

FAULTS = """\
faults:
  lamp:
    name: Lamp stays lit
    remedy: Replace the switch
    remedy_minutes: 20
    price: low
    proof:
      lamp_out:
        kind: isolate
        name: Draw with the lamp out
        minutes: 6
        steps: [Read the draw, Take the lamp out, Put it back]
        outcomes: {stays: It stays, follows: It falls and comes back}
        shows: 90 of 100
        without: 5 of 100
  relay:
    name: Relay sticks
    remedy: Replace the relay
    remedy_minutes: 10
    price: low
    proof:
      relay_swapped:
        kind: substitute
        name: Draw with another relay
        minutes: 8
        shows: 85 of 100
        without: 4 of 100
  habit: {name: Left on, remedy: Say so, remedy_minutes: 2, price: none}
"""
READINGS = """\
readings:
  told: {name: Seen lit at night, who: customer, ask: Is it lit?, minutes: 1,
    outcomes: {dark: Dark, lit: Lit}, noisy_or: {leak: 0.002, causes: {lamp: 0.9}}}
  hums: {name: Hums, minutes: 2, outcomes: {quiet: Quiet, hums: Hums},
    noisy_or: {leak: 0.01, causes: {relay: 0.95}}}
  asked: {name: Used last night, who: customer, ask: Used?, minutes: 1, outcomes: {no_: No, yes_: Yes},
    noisy_or: {leak: 0.001, causes: {habit: 0.9}}}
"""
WHOLE = complaint("any_of: {lamp: 40, relay: 35, habit: 25}") + FAULTS + READINGS


@pytest.fixture
def proving(known: Made) -> tuple[Knowledge, Engine]:
    """An invented complaint; two of its three causes have a proof."""
    knowledge = known(WHOLE)
    return knowledge, compile_tables(build(knowledge, "c").tables)


def advised(proving: tuple[Knowledge, Engine], *entries: Entry) -> Advice:
    """The advice on a job with these entries."""
    return advise(Situation.of(*proving, Case("c", entries)))


def test_a_proof_is_a_reading_of_its_fault_alone(proving: tuple[Knowledge, Engine]) -> None:
    """Likelihoods as written, of cars with it and of cars without, and the steps as written."""
    knowledge, engine = proving
    reading = knowledge.readings["lamp_out"]
    assert (reading.proof, reading.proves, reading.proving_outcomes) == ("isolate", ("lamp",), ("follows",))
    assert reading.steps == ("Read the draw", "Take the lamp out", "Put it back")
    assert knowledge.proofs == {"lamp": ("lamp_out",), "relay": ("relay_swapped",)}
    for there, shows in (("present", 0.90), ("absent", 0.05)):
        seen = {"c": engine.one_hot("c", "present"), "lamp": engine.one_hot("lamp", there)}
        assert engine.query(seen).predictive["lamp_out"][1] == pytest.approx(shows, abs=1e-12)


def test_a_proof_explains_its_rivals_away(proving: tuple[Knowledge, Engine]) -> None:
    """Every state of the car enumerated by hand: the relay becomes less likely once the lamp is proved."""
    knowledge, engine = proving
    q = {"lamp": 0.40, "relay": 0.35, "habit": 0.25, "unlisted": 0.05}
    low, high = 1e-6, 1.0  # T = 1 - prod(1 - q T), by bisection
    for _ in range(200):
        middle = (low + high) / 2
        above = 1 - np.prod([1 - one * middle for one in q.values()]) > middle
        low, high = (middle, high) if above else (low, middle)
    names = list(q)
    weights = dict.fromkeys(names, 0.0)
    total = 0.0
    for state in range(1, 16):
        there = {name: bool(state >> at & 1) for at, name in enumerate(names)}
        chance = float(np.prod([q[name] * low if is_ else 1 - q[name] * low for name, is_ in there.items()]))
        chance *= 0.90 if there["lamp"] else 0.05
        total += chance
        for name in names:
            weights[name] += chance if there[name] else 0.0
    before = Situation.of(knowledge, engine, Case("c")).beliefs
    after = Situation.of(knowledge, engine, Case("c", (Seen("lamp_out", "follows"),))).beliefs
    for name in ("lamp", "relay", "habit"):
        assert after[name] == pytest.approx(weights[name] / total, abs=1e-9)
    assert after["relay"] < before["relay"]


def test_a_sure_cause_is_proved_before_its_remedy(proving: tuple[Knowledge, Engine]) -> None:
    """The customer has seen the lamp: sure, and yet the next thing is the proof, not the parts."""
    knowledge, _ = proving
    told = advised(proving, Seen("told", "lit"))
    assert told.suspects[0].probability >= DEFAULT.sure_at
    assert told.stop is None
    assert (told.proposals[0].reading, told.proposals[0].due) == ("lamp_out", True)
    assert told.per_minute[0].reading == "lamp_out"
    shown = Case("c", (Seen("told", "lit"), Seen("lamp_out", "follows")))
    after = advised(proving, *shown.entries)
    assert after.stop is not None
    assert (after.stop.reason, after.stop.fault) == ("sure", "lamp")
    assert shown_by_proof(knowledge, shown) == {"lamp"}


def test_a_remedy_without_parts_or_work_needs_no_proof(proving: tuple[Knowledge, Engine]) -> None:
    """Somebody left it on: two minutes of talking, and there is nothing to prove."""
    stop = advised(proving, Seen("asked", "yes_"), Seen("told", "dark"), Seen("hums", "quiet")).stop
    assert stop is not None
    assert (stop.reason, stop.fault) == ("sure", "habit")
    knowledge, _ = proving
    assert not asks_for_proof(knowledge, DEFAULT, "habit")
    assert asks_for_proof(knowledge, replace(DEFAULT, proof_from_minutes=1), "habit")


def test_a_failed_proof_lowers_its_cause_by_its_own_number(proving: tuple[Knowledge, Engine]) -> None:
    """Odds go down by (1 - 0.90) : (1 - 0.05), neither to nothing nor not at all."""
    knowledge, engine = proving
    before = Situation.of(knowledge, engine, Case("c", (Seen("told", "lit"),))).beliefs["lamp"]
    failed = Case("c", (Seen("told", "lit"), Seen("lamp_out", "stays")))
    after = Situation.of(knowledge, engine, failed).beliefs["lamp"]
    odds = before / (1 - before) * (0.10 / 0.95)
    assert after == pytest.approx(odds / (1 + odds), abs=1e-9)
    assert not shown_by_proof(knowledge, failed)


@pytest.mark.parametrize(
    ("entries", "shown"),
    [
        ((Seen("lamp_out", "follows"),), {"lamp"}),
        ((Seen("lamp_out", "follows", confidence=0.7),), set()),
        ((Seen("lamp_out", "follows"), Seen("lamp_out", "stays")), set()),
        ((Seen("lamp_out", "follows"), Repaired("lamp", "2030-01-07T10:00:00+00:00")), set()),
        ((Seen("lamp_out", "follows"), Repaired("relay", "2030-01-07T10:00:00+00:00")), {"lamp"}),
    ],
)
def test_what_a_proof_has_shown_holds_until_it_is_put_right(
    proving: tuple[Knowledge, Engine], entries: tuple[Entry, ...], shown: set[str]
) -> None:
    """A guess proves nothing, the last answer counts, and a repaired cause is proved no more."""
    assert shown_by_proof(proving[0], Case("c", entries)) == shown


@pytest.mark.parametrize(
    ("beliefs", "shown", "found"),
    [
        ({"a": 0.97, "b": 0.02}, {"a"}, Ending("proved", "a")),
        ({"a": 0.97, "b": 0.02}, set(), Ending("by exclusion", "a")),
        ({"a": 0.97, "b": 0.02}, {"b"}, Ending("by exclusion", "a")),
        ({"a": 0.70, "b": 0.40}, {"a"}, Ending("likely", "a")),
        ({"a": 0.40, "b": 0.40}, set(), Ending("not found", None)),
        ({"unlisted:c": 0.97, "b": 0.02}, set(), Ending("not found", None)),
    ],
)
def test_a_search_ends_proved_or_says_that_it_does_not(
    beliefs: dict[str, float], shown: set[str], found: Ending
) -> None:
    """Proved takes both: the search is sure, and a proof of that very cause has shown it."""
    assert ending(DEFAULT, beliefs, frozenset(shown)) == found


def played(ranker: Ranker, cars: int) -> tuple[Jobs, Cars]:
    """Jobs on simulated cars."""
    starts = starts_of(ranker, [Case("c")])
    drawn = draw_cars(ranker, starts, np.zeros(cars, dtype=np.intp), np.random.default_rng(3))
    return play_many(ranker, starts, drawn), drawn


def test_simulated_jobs_prove_as_the_bench_does(proving: tuple[Knowledge, Engine]) -> None:
    """The same cars asked step by step take the same readings, and prove the same causes."""
    knowledge, engine = proving
    ranker = compile_ranker(knowledge, engine, "c")
    jobs, cars = played(ranker, 120)
    assert jobs.proved.any()
    for job in range(120):
        case = Case("c")
        advice = advise(Situation.of(knowledge, engine, case))
        taken = []
        while advice.stop is None:
            reading = advice.per_minute[0].reading
            taken.append(reading)
            shown = int(cars.shows[job, ranker.batch.readings.index(reading)])
            case = case.with_entry(Seen(reading, engine.outcomes[reading][shown]))
            advice = advise(Situation.of(knowledge, engine, case))
        assert jobs.readings(job) == tuple(taken)
        proved = {fault for at, fault in enumerate(ranker.faults) if jobs.proved[job, at]}
        assert proved == shown_by_proof(knowledge, case)


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("kind: isolate", "kind: isolat", 13, "Did you mean 'isolate'?"),
        ("shows: 90 of 100", "shows: 190 of 100", 18, "more than all of them"),
        ("      relay_swapped:", "      lamp_out:", 26, "'lamp_out' is used already at"),
        ("        kind: substitute\n", "", 26, "'kind' is missing"),
    ],
)
def test_a_slip_in_a_proof_is_told_at_its_line(
    tmp_path: Path, old: str, new: str, line: int, words: str
) -> None:
    """File and line of the proof itself, though it is read as a reading."""
    file = tmp_path / "x.yaml"
    assert old in WHOLE
    file.write_text(HEAD + WHOLE.replace(old, new), encoding="utf-8")
    with pytest.raises(ProblemsFound) as found:
        checked([file])
    (problem,) = [one for one in found.value.problems if words in f"{one.what} {one.instead}"]
    assert problem.place.line == line


GLOW = """\
  glow: {name: Glow, minutes: 1, outcomes: {dark: Dark, lit: Lit}, proof: look, proves: WHAT,
    noisy_or: {leak: 0.02, causes: {relay: 0.9}}}
"""


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("lamps", "There is no fault or branch 'lamps'. Did you mean 'lamp'?"),
        ("lamp", "'lamp' does not show in this reading, so it proves nothing of it."),
        ("c", "There is no fault or branch 'c'."),
    ],
)
def test_a_reading_proves_only_what_shows_in_it(known: Made, what: str, words: str) -> None:
    """A fault that is no cause of the reading looks the same with it and without."""
    known(WHOLE + GLOW.replace("WHAT", "relay"))
    with pytest.raises(ProblemsFound) as found:
        known(WHOLE + GLOW.replace("WHAT", what))
    assert words in [f"{one.what} {one.instead}".strip()[: len(words)] for one in found.value.problems]


def test_a_reading_says_what_it_proves_and_how(known: Made) -> None:
    """With three outcomes it has to say which of them prove it."""
    three = """\
  glow: {name: Glow, minutes: 1, outcomes: {dark: Dark, dim: Dim, lit: Lit}, proof: look, proves: lamp,
    noisy_max: {leak: {dim: 0.02}, causes: {lamp: {dim: 0.3, lit: 0.6}}}}
"""
    with pytest.raises(ProblemsFound, match="Add 'proved_by: lit'"):
        known(WHOLE + three)
    knowledge = known(WHOLE + three.replace("proves: lamp,", "proves: lamp, proved_by: lit,"))
    assert knowledge.readings["glow"].proving_outcomes == ("lit",)
    assert set(knowledge.proofs["lamp"]) == {"lamp_out", "glow"}
