"""A cause is proved before its remedy is advised, on the bench as in simulation."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from advisor.advice.advice import Advice, advise
from advisor.advice.engines import Engines
from advisor.advice.obstacles import obstacle
from advisor.advice.proof import Ending, asks_for_proof, ending, shown_by_proof, was_seen
from advisor.advice.rules import ENDINGS, Workshop, endings
from advisor.advice.situation import Situation
from advisor.bench.session import Session
from advisor.bench.why import why
from advisor.bench.wording import remedy_lines, stop_sentence
from advisor.case.case import Case
from advisor.case.entries import Closed, Entry, Known, Repaired, Seen, Skipped
from advisor.checks.lint import checked
from advisor.evaluation.scorecard import scorecards
from advisor.evaluation.trials import TrialPlan, evaluate
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.learning.summary import record_lines
from advisor.learning.track_record import judge, summed_up
from advisor.model.network import build
from advisor.papers.format import percent
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.jobs import Cars, Jobs, draw_cars, group_beliefs, play_many, starts_of
from advisor.store.records import StoredCase
from advisor.store.store import Store
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


def test_a_proof_is_left_out_on_cars_that_it_cannot_be_taken_on(known: Made) -> None:
    """Cars that cannot have the fault, and those that the proof itself rules out."""
    facts = """\
facts:
  trim:
    name: Trim
    ask: Which trim has it?
    values: {plain: 50, rich: 30, van: 20}
"""
    lamp = WHOLE.replace(
        "    price: low\n    proof:", "    price: low\n    given: {trim: {van: impossible}}\n    proof:", 1
    )
    lamp = lamp.replace(
        "        minutes: 6\n", "        minutes: 6\n        given: {trim: {rich: impossible}}\n", 1
    )
    knowledge = known(facts + lamp)
    assert knowledge.readings["lamp_out"].given == {"trim": {"van": 0, "rich": 0}}
    for trim, left_out in (("plain", False), ("rich", True), ("van", True)):
        words = obstacle(knowledge, Case("c", (Known("trim", trim),)), "lamp_out", Workshop()) or ""
        assert words.startswith("not on this car") is left_out
    engine = compile_tables(build(knowledge, "c").tables)
    beliefs = Situation.of(knowledge, engine, Case("c", (Known("trim", "rich"),))).beliefs
    assert beliefs["lamp"] > 0.3


def test_whoever_repairs_at_once_is_offered_the_proof(
    proving: tuple[Knowledge, Engine], tmp_path: Path
) -> None:
    """The lamp before it was filmed, and not once the proof was taken."""
    knowledge, _ = proving
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        told = store.append(store.open_case("bay", "c"), Seen("told", "lit"))
        session = Session.opened(Engines(knowledge), store, told, Workshop())
        proof = session.proof_of("lamp")
        assert proof is not None
        assert proof.reading == "lamp_out"
        assert session.saw("lamp_out", "follows").proof_of("lamp") is None
    finally:
        store.close()


def test_a_sure_cause_is_proved_before_its_remedy(proving: tuple[Knowledge, Engine]) -> None:
    """The customer has seen the lamp: sure, and yet the next thing is the proof, not the parts."""
    knowledge, _ = proving
    told = advised(proving, Seen("told", "lit"))
    assert told.suspects[0].probability >= DEFAULT.sure_at
    assert told.stop is None
    assert (told.proposals[0].reading, told.proposals[0].due) == ("lamp_out", True)
    assert told.by_bits[0].reading == "lamp_out"
    assert told.tells_more is None
    words = why(proving[0], "c", told, (), told.proposals[0])
    assert words == "Proves “Lamp stays lit” (>99 %) before it is put right."
    shown = Case("c", (Seen("told", "lit"), Seen("lamp_out", "follows")))
    after = advised(proving, *shown.entries)
    assert after.stop is not None
    assert (after.stop.reason, after.stop.fault) == ("sure", "lamp")
    assert shown_by_proof(knowledge, shown) == {"lamp"}


def test_a_likely_cause_is_proved_where_nothing_else_is_worth_taking(
    proving: tuple[Knowledge, Engine],
) -> None:
    """A foreman does not stop at "most likely" while a proof of it is at hand; of an unlikely one he does."""
    heard = Case("c", (Seen("hums", "quiet"),))
    crumbs = Policy(least_bits=9)
    told = advise(Situation.of(*proving, heard, crumbs))
    assert DEFAULT.likely_from < told.suspects[0].probability < DEFAULT.sure_at
    assert (told.stop, told.proposals[0].reading, told.proposals[0].due) == (None, "lamp_out", True)
    assert [one.reading for one in told.worth_taking] == ["lamp_out"]
    surer = advise(Situation.of(*proving, heard, replace(crumbs, likely_from=0.9)))
    assert surer.stop is not None
    assert (surer.stop.reason, any(one.due for one in surer.proposals)) == ("nothing-left", False)


def test_the_stop_says_whether_its_cause_is_proved(proving: tuple[Knowledge, Engine]) -> None:
    """Proved in so many words; else to see the fault on the part before parts are ordered."""
    knowledge, _ = proving
    proved = advised(proving, Seen("told", "lit"), Seen("lamp_out", "follows")).stop
    assert proved is not None
    assert stop_sentence(knowledge, proved) == "Proved: Lamp stays lit."
    assert next(iter(remedy_lines(knowledge, proved))).startswith("Remedy: ")
    failed = advise(
        Situation.of(*proving, Case("c", (Seen("told", "lit"), Skipped("lamp_out", "no room")))),
    ).stop
    assert failed is not None
    assert failed.ending == Ending("by exclusion", "lamp", unproved=True)
    assert stop_sentence(knowledge, failed) == "Sure enough: Lamp stays lit."
    assert next(iter(remedy_lines(knowledge, failed))).startswith("By exclusion, not proved: ")
    free = advised(proving, Seen("asked", "yes_"), Seen("told", "dark"), Seen("hums", "quiet")).stop
    assert free is not None
    assert next(iter(remedy_lines(knowledge, free))).startswith("Remedy: ")


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
    ("entries", "found"),
    [
        ((), Ending("not found", None)),
        ((Seen("told", "lit"),), Ending("by exclusion", "lamp", unproved=True)),
        ((Seen("told", "lit"), Seen("lamp_out", "follows")), Ending("proved", "lamp")),
    ],
)
def test_a_job_stands_where_its_readings_have_brought_it(
    proving: tuple[Knowledge, Engine], entries: tuple[Entry, ...], found: Ending
) -> None:
    """From nothing, by a hint, to a proof."""
    situation = Situation.of(*proving, Case("c", entries))
    shown = shown_by_proof(proving[0], situation.case)
    assert ending(proving[0], DEFAULT, situation.posterior, shown) == found


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


def test_a_repaired_cause_was_seen_where_a_proof_had_shown_it_before(
    proving: tuple[Knowledge, Engine],
) -> None:
    """After the repair it still counts as seen; a proof after the repair shows nothing of the time before."""
    knowledge, _ = proving
    done = Repaired("lamp", "2030-01-07T10:00:00+00:00")
    proof = Seen("lamp_out", "follows")
    assert was_seen(knowledge, Case("c", (proof, done)), "lamp")
    assert not was_seen(knowledge, Case("c", (done, proof)), "lamp")
    assert not was_seen(knowledge, Case("c", (proof, done)), "relay")


@pytest.mark.parametrize(
    ("beliefs", "proved", "group", "found"),
    [
        ((0.97, 0.02, 0.01), (True, False, False), False, "proved"),
        ((0.97, 0.02, 0.01), (False, True, False), True, "by exclusion"),
        ((0.70, 0.40, 0.01), (True, False, False), False, "likely"),
        ((0.70, 0.40, 0.01), (False, False, False), True, "group proved"),
        ((0.40, 0.40, 0.01), (False, False, False), False, "not found"),
        ((0.02, 0.01, 0.97), (False, False, False), False, "not found"),
    ],
)
def test_a_search_ends_proved_or_says_that_it_does_not(
    beliefs: tuple[float, ...], proved: tuple[bool, ...], group: bool, found: str
) -> None:
    """Proved takes both: the search is sure, and a proof of that very cause; the third is not listed."""
    unlisted = np.array([False, False, True])
    (kind,) = endings(DEFAULT, np.array([beliefs]), unlisted, np.array([proved]), np.array([group]))
    assert ENDINGS[kind] == found


def test_a_group_is_proved_where_none_of_it_is(known: Made) -> None:
    """Something electrical for sure, by a look at all of it: lamp or relay, nobody can say which."""
    text = WHOLE.replace("lamp: 40, relay: 35, habit: 25", "wired: 70, habit: 35")
    branch = "branches:\n  wired: {name: Wired, any_of: {lamp: 50, relay: 52}, unlisted: rest}\n"
    look = """\
  fused: {name: Gone with the fuse, minutes: 1, outcomes: {stays: Stays, goes: Goes}, proof: isolate,
    proves: wired, noisy_or: {leak: 0.001, causes: {wired: 0.98}}}
"""
    knowledge = known(text.replace("faults:\n", branch + "faults:\n", 1) + look)
    engine = compile_tables(build(knowledge, "c").tables)
    case = Case("c", (Seen("fused", "goes"),))
    situation = Situation.of(knowledge, engine, case)
    shown = shown_by_proof(knowledge, case)
    assert ending(knowledge, DEFAULT, situation.posterior, shown) == Ending("group proved", "wired")
    ranker = compile_ranker(knowledge, engine, "c")
    starts = starts_of(ranker, [case])
    assert ranker.groups == ("wired",)
    believed = group_beliefs(ranker, starts.potentials)
    assert believed[0, 0] == pytest.approx(situation.posterior.marginals["wired"][-1], abs=1e-12)
    stop = advise(Situation.of(knowledge, engine, case, Policy(least_bits=9, likely_from=0.9))).stop
    assert stop is not None
    assert stop.group is not None
    odds = {one: situation.beliefs[one] for one in ("relay", "lamp")}
    assert (stop.group.branch, dict(stop.group.members)) == ("wired", pytest.approx(odds))
    assert max(odds.values()) < DEFAULT.sure_at < stop.group.probability
    relay, lamp = (f"{knowledge.title(one)} {percent(odds[one])}" for one in odds)
    which = f"{relay}, {lamp}." if odds["relay"] > odds["lamp"] else f"{lamp}, {relay}."
    assert stop_sentence(knowledge, stop) == f"Proved: Wired. No reading left tells which of it: {which}"
    unproved = replace(stop, ending=Ending("not found", None))
    sure = f"Sure enough: Wired ({percent(stop.group.probability)}). "
    words = sure + f"No reading left is worth its minutes to tell which of it: {which}"
    assert stop_sentence(knowledge, unproved) == words
    assert next(iter(remedy_lines(knowledge, unproved))).startswith("On suspicion, not proved: ")
    assert starts.proved[0].tolist() == [name == "wired" for name in (*ranker.faults, "wired")]
    first = starts_of(ranker, [Case("c")])
    cars = draw_cars(ranker, first, np.zeros(300, dtype=np.intp), np.random.default_rng(5))
    jobs = play_many(ranker, first, cars, first="fused")
    assert jobs.proved[:, -1].any()
    assert (jobs.group_beliefs[jobs.proved[:, -1], 0] > 0.5).all()


def played(ranker: Ranker, cars: int) -> tuple[Jobs, Cars]:
    """Jobs on simulated cars."""
    starts = starts_of(ranker, [Case("c")])
    drawn = draw_cars(ranker, starts, np.zeros(cars, dtype=np.intp), np.random.default_rng(3))
    return play_many(ranker, starts, drawn), drawn


@pytest.mark.parametrize("policy", [DEFAULT, Policy(least_bits=0.3), Policy(least_bits=9, likely_from=0.3)])
def test_simulated_jobs_prove_as_the_bench_does(proving: tuple[Knowledge, Engine], policy: Policy) -> None:
    """The same cars asked step by step take the same readings, and prove the same causes.

    With few readings worth taking, proofs are due where the search is not sure.
    """
    knowledge, engine = proving
    ranker = compile_ranker(knowledge, engine, "c", policy=policy)
    jobs, cars = played(ranker, 120)
    assert jobs.proved.any()
    for job in range(120):
        case = Case("c")
        advice = advise(Situation.of(knowledge, engine, case, policy))
        taken = []
        while advice.stop is None:
            reading = advice.proposals[0].reading
            taken.append(reading)
            shown = int(cars.shows[job, ranker.batch.readings.index(reading)])
            case = case.with_entry(Seen(reading, engine.outcomes[reading][shown]))
            advice = advise(Situation.of(knowledge, engine, case, policy))
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


def test_an_evaluation_counts_what_an_owner_counts(proving: tuple[Knowledge, Engine]) -> None:
    """Each figure again from the cars one by one, and the shares come to all of them."""
    knowledge, _ = proving
    plan = TrialPlan(("c",), 400, 7)  # every policy comes to its end, with proofs that are due
    (trial,) = evaluate(knowledge, plan, 1)
    _, (card,) = scorecards(knowledge, [trial])
    record, found = trial.records["advice"], card.endings
    kinds = [ENDINGS[kind] for kind in record.ending.tolist()]
    first = [trial.faults[at] for at in record.leading.tolist()]
    has = [{name for name, there in zip(trial.faults, row, strict=True) if there} for row in trial.present]
    listed = [not any(name.startswith("unlisted") for name in names) for names in has]
    parts = {name for name, fault in knowledge.faults.items() if fault.price != "none"}
    sold = [kind in ("proved", "by exclusion", "likely") for kind in kinds]
    ends = list(zip(sold, first, has, strict=True))
    vain = [is_ and one in parts and one not in names for is_, one, names in ends]
    back = [is_ * 0.05 * (1 - (0.95 if names == {one} else 0.0)) for is_, one, names in ends]
    proved = [kind == "proved" for kind in kinds]
    right = [one in names for one, names in zip(first, has, strict=True)]
    assert found.parts_in_vain.value == pytest.approx(100 * np.mean(vain))
    assert found.comebacks.value == pytest.approx(100 * np.mean(back))
    assert found.proved_share.value == pytest.approx(np.mean(np.array(proved)[listed]))
    assert found.right_share_of_proved.value == pytest.approx(np.mean(np.array(right)[proved]))
    shares = (found.proved_share, found.exclusion_share, found.group_share, found.unsure_share)
    assert sum(one.value or 0.0 for one in shares) == pytest.approx(1)
    assert found.readings_median.value == np.median(record.readings)
    assert {one.fault: one.in_vain for one in card.faults}["lamp"] == sum(
        is_ and one == "lamp" for is_, one in zip(vain, first, strict=True)
    )
    said = found.as_dict
    assert said["proved_share_interval"] == [found.proved_share.low, found.proved_share.high]
    for one in fields(found):
        figure = getattr(found, one.name)
        assert figure.low <= figure.value <= figure.high or figure.value is None, one.name


def test_a_track_record_tells_the_proved_from_the_rest(proving: tuple[Knowledge, Engine]) -> None:
    """Two jobs proved, one of them of the right cause, and one by exclusion."""
    knowledge, engine = proving
    shown = (Seen("told", "lit"), Seen("lamp_out", "follows"))
    entries = [(*shown, Closed("lamp", "")), (*shown, Closed("relay", "")), (shown[0], Closed("lamp", ""))]
    times = ("2030-02-01T08:00:00+00:00",)
    filed = [
        StoredCase(number, "van", times[0], Case("c", one), times * len(one), knowledge.version)
        for number, one in enumerate(entries, start=1)
    ]
    judged, excluded = judge(knowledge, lambda _: engine, filed, checklist=False)
    assert not excluded
    record = summed_up(judged, {}, fewest=1)
    found = {one.ending: (one.right.hits, one.right.count) for one in record.endings}
    assert found == {"proved": (1, 2), "by exclusion": (1, 1)}
    assert "Ended proved: 2 jobs, right in 50% (9% to 91%)." in list(record_lines(record, 1))


@pytest.mark.parametrize(
    ("entries", "mended_first"),
    [
        ((Seen("asked", "yes_"),), "habit"),
        ((Seen("hums", "hums"),), None),
        (
            (Seen("hums", "hums"), Skipped("relay_swapped", "no relay here"), Skipped("lamp_out", "not now")),
            "relay",
        ),
    ],
    ids=["costs next to nothing", "a proof can be taken", "no proof can be taken here"],
)
def test_mending_is_no_choice_while_its_remedy_can_be_proved_first(
    known: Made, tmp_path: Path, entries: tuple[Entry, ...], mended_first: str | None
) -> None:
    """Whatever minutes it would save: a part is not fitted on suspicion where the cause can be shown."""
    with closing(Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")) as store:
        told = store.append(store.draft("grey van", "c"), *entries)
        session = Session.opened(Engines(known(WHOLE)), store, told, Workshop())
        assert session.mended_first == mended_first
