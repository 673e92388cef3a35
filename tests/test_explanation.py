"""Why a cause leads and another does not: points that add up, and readings that would turn it round."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pgmpy.inference import VariableElimination

from advisor.advice import turning as turnings
from advisor.advice.advice import CandidateReading, advise, outcome_effects
from advisor.advice.engines import Engines
from advisor.advice.explanation import Balance, balance, explain, points
from advisor.advice.rules import Workshop
from advisor.advice.situation import Situation, Situations
from advisor.advice.turning import Turning, leads, turning
from advisor.bench.session import Session
from advisor.bench.whynot import explanation_lines, lines, searched, turning_lines, why_not
from advisor.case.case import Case
from advisor.case.condition import present
from advisor.case.entries import (
    CORRECTED,
    CUSTOMER,
    NOT_PRESENT,
    Acknowledged,
    Closed,
    Confirmed,
    Entry,
    Known,
    Measured,
    Repaired,
    Seen,
    Skipped,
    TakenBack,
)
from advisor.evaluation.scenarios import Scenario, play, read_scenarios
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.model.observation import Measurement
from advisor.papers.format import percent
from advisor.simulate.turned import Tried, try_ways
from advisor.store.store import Store
from tests.conftest import SCENARIOS, complaint, entangled, faults

EXACT = 1e-9
KnownAs = Callable[[str], Knowledge]


def log_odds(probability: float) -> float:
    """Points as their definition has them."""
    return 10 * math.log10(probability / (1 - probability))


def situations(knowledge: Knowledge) -> Situations:
    """Nothing weighed yet."""
    return Situations(knowledge, Engines(knowledge).of)


def of(balances: tuple[Balance, ...], cause: str) -> Balance:
    """The balance of one cause."""
    return next(one for one in balances if one.cause == cause)


def adds_up(one: Balance) -> None:
    """The weights are the whole change in log-odds."""
    assert math.fsum(one.weights.values()) == pytest.approx(one.now - one.start, abs=EXACT)
    assert one.total == one.now - one.start


# Against worked examples

DIE = complaint("any_of: {loaded: 10, fair: 90}", unlisted=5) + faults("loaded", "fair") + "readings:\n"
DIE += "".join(
    f"  throw{at}:\n    name: Throw {at}\n    minutes: 1\n    outcomes: {{other: Another, six: A six}}\n"
    "    table:\n"
    "      - {when: {loaded: present}, gives: {six: 0.33333333333333333, other: 0.66666666666666667}}\n"
    "      - otherwise: {six: 0.16666666666666667, other: 0.83333333333333333}\n"
    for at in range(20)
)


def test_a_die_that_may_be_loaded_is_weighed_as_good_weighs_it(known: KnownAs) -> None:
    """One die of ten is loaded to show a six in a third of the throws, and ten of twenty throws are sixes.

    I. J. Good, Weight of evidence: a brief survey (1985), Bayesian Statistics 2, from memory: a six is about
    3 decibans for the loaded die, another number about 1 against it. By Bayes' theorem the odds are
    1/9 · 2^10 · (4/5)^10 in the end.
    """
    knowledge = known(DIE)
    throws = [Seen(f"throw{at}", "six" if at % 2 else "other") for at in range(20)]
    (found,) = explain(situations(knowledge), Case("c", tuple(throws)), ["loaded"])
    assert found.start == pytest.approx(10 * math.log10(1 / 9), abs=EXACT)
    assert found.weights[1] == pytest.approx(10 * math.log10(4 / 5), abs=EXACT)
    assert found.weights[2] == pytest.approx(10 * math.log10(2), abs=EXACT)
    assert (round(found.weights[2]), round(found.weights[1])) == (3, -1)
    odds = 2**10 * 0.8**10 / 9
    assert found.now == pytest.approx(10 * math.log10(odds), abs=EXACT)
    assert found.probability == pytest.approx(odds / (1 + odds), abs=EXACT)
    adds_up(found)


SCREENING = (
    complaint("any_of: {ill: 1, well: 99}", unlisted=5)
    + faults("ill", "well")
    + """\
readings:
  picture:
    name: Picture
    minutes: 1
    outcomes: {clear: Clear, shows: Shows something}
    table:
      - {when: {ill: present}, gives: {shows: 0.792, clear: 0.208}}
      - otherwise: {shows: 0.096, clear: 0.904}
"""
)


def test_a_positive_finding_of_something_rare_weighs_what_its_two_rates_say(known: KnownAs) -> None:
    """One in a hundred, found in 79.2 % of those and in 9.6 % of the others: 7.7 % afterwards.

    D. M. Eddy, Probabilistic reasoning in clinical medicine (1982), from memory. The weight of the finding is
    the ratio of its two rates, whatever the prior: 10 log10(0.792 / 0.096).
    """
    (found,) = explain(situations(known(SCREENING)), Case("c", (Seen("picture", "shows"),)), ["ill"])
    assert found.weights[1] == pytest.approx(10 * math.log10(0.792 / 0.096), abs=EXACT)
    assert found.probability == pytest.approx(0.077, abs=5e-4)
    adds_up(found)


def random_knowledge(seed: int) -> str:
    """Three causes, several at once, and five readings that hang on one or two of them."""
    random = np.random.default_rng(seed)
    names = ["a", "b", "d"]
    shares = random.integers(20, 60, 3).tolist()
    any_of = ", ".join(f"{name}: {share + 25}" for name, share in zip(names, shares, strict=True))
    readings = []
    for at in range(5):
        causes = random.choice(names, size=int(random.integers(1, 3)), replace=False).tolist()
        said = ", ".join(f"{name}: {random.uniform(0.2, 0.95):.3f}" for name in causes)
        readings.append(
            f"  r{at}: {{name: Reading {at}, minutes: {at + 1}, outcomes: {{no: No, yes: Yes}}, "
            f"noisy_or: {{leak: {random.uniform(0.02, 0.3):.3f}, causes: {{{said}}}}}}}\n"
        )
    return complaint(f"any_of: {{{any_of}}}", 12) + faults(*names) + "readings:\n" + "".join(readings)


@pytest.mark.parametrize("seed", range(8))
def test_every_weight_is_the_change_that_pgmpy_finds(known: KnownAs, seed: int) -> None:
    """On random networks: what each answer does to the log-odds of each cause, by variable elimination."""
    knowledge = known(random_knowledge(seed))
    random = np.random.default_rng(seed)
    order = random.permutation(5).tolist()
    case = Case("c", tuple(Seen(f"r{at}", "yes" if random.random() < 0.5 else "no") for at in order))
    network = build(knowledge, "c")
    elimination = VariableElimination(network.model)
    found = explain(situations(knowledge), case, ["a", "b", "d"])
    for one in found:
        before = None
        evidence = {"c": "present"}
        for step in range(6):
            if step:
                entry = case.entries[step - 1]
                assert isinstance(entry, Seen)
                evidence[entry.reading] = entry.outcome
            answer = elimination.query([one.cause], evidence=evidence, show_progress=False)
            now = log_odds(answer.get_value(**{one.cause: "present"}))
            if before is None:
                assert one.start == pytest.approx(now, abs=EXACT)
            else:
                assert one.weights[step] == pytest.approx(now - before, abs=EXACT)
            before = now
        assert one.now == pytest.approx(before, abs=EXACT)
        adds_up(one)


# On the shipped knowledge


@pytest.fixture(scope="module")
def engines(shipped: Knowledge) -> Engines:
    """The engines of the shipped knowledge."""
    return Engines(shipped)


@pytest.fixture(scope="module")
def scenarios(shipped: Knowledge) -> dict[str, Scenario]:
    """The shipped scenarios by the names of their files."""
    return {file.stem: scenario for file, scenario in read_scenarios([SCENARIOS], shipped).items()}


def begun(knowledge: Knowledge, engines: Engines, scenario: Scenario, readings: int = 4) -> Case:
    """A scenario after its first readings."""
    played = play(knowledge, engines.of(Case(scenario.complaint)), scenario)
    count = len(scenario.facts) + len(scenario.condition) + readings
    return Case(scenario.complaint, played.case.entries[:count])


def answered(knowledge: Knowledge, engines: Engines, name: str) -> Case:
    """A complaint of which the first three readings have shown what they show most often."""
    case = Case(name)
    for _ in range(3):
        situation = Situation.of(knowledge, engines.of(case), case)
        first = advise(situation).proposals[0].reading
        likely = max(outcome_effects(situation, first), key=lambda answer: answer.probability)
        case = case.with_entry(Seen(first, likely.outcome))
    return case


def test_points_add_up_on_every_shipped_complaint(
    shipped: Knowledge, engines: Engines, scenarios: dict[str, Scenario]
) -> None:
    """For every cause: from its share of the complaint to what it is now, to 1e-9, step by step."""
    by_complaint = {scenario.complaint: scenario for scenario in scenarios.values()}
    assert len(by_complaint) >= 10
    for name in shipped.complaints:
        case = (
            begun(shipped, engines, by_complaint[name])
            if name in by_complaint
            else answered(shipped, engines, name)
        )
        engine = engines.of(case)
        before = engine.query({name: engine.one_hot(name, "present")}).beliefs
        after = engine.query(case.evidence(shipped, engine)).beliefs
        causes = [one.fault for one in advise(Situation.of(shipped, engine, case)).suspects]
        for one in explain(Situations(shipped, engines.of), case, causes):
            assert list(one.weights) == list(case.counting)
            assert one.start_probability == pytest.approx(before[one.cause], abs=1e-12)
            assert one.probability == pytest.approx(after[one.cause], abs=1e-12)
            if math.isfinite(one.now):
                adds_up(one)
                assert one.now == pytest.approx(log_odds(after[one.cause]), abs=1e-6)


def test_what_carries_no_evidence_weighs_exactly_nothing(shipped: Knowledge, engines: Engines) -> None:
    """A caution that was read, a reading that cannot be taken."""
    case = Case(
        "flat_battery",
        (
            Seen("lamps_dim", "dim"),
            Acknowledged("live_battery", "2030-01-01T08:00:00+00:00"),
            Skipped("sleeping_current", "no clamp"),
        ),
    )
    (found,) = explain(Situations(shipped, engines.of), case, ["battery_worn"])
    assert found.weights[1] != 0
    assert (found.weights[2], found.weights[3]) == (0, 0)


# Ruled out, replaced, taken back

SURE = (
    complaint("any_of: {strap: 60, glass: 45}")
    + faults("strap", "glass")
    + """\
readings:
  wiggle:
    name: Wiggle the strap
    minutes: 2
    outcomes: {firm: Firm, loose: Loose}
    table: [{when: {strap: present}, gives: {loose: 1.0, firm: 0.0}}, {otherwise: {firm: 0.9, loose: 0.1}}]
  tap:
    name: Tap the glass
    minutes: 1
    outcomes: {dull: Dull, rings: Rings}
    table: [{when: {glass: present}, gives: {rings: 0.8, dull: 0.2}}, {otherwise: {rings: 0.1, dull: 0.9}}]
"""
)


def test_a_cause_that_is_ruled_out_says_by_which_entry(known: KnownAs) -> None:
    """That entry weighs infinitely much, those before it what they weighed, those after it nothing."""
    knowledge = known(SURE)
    case = Case("c", (Seen("tap", "dull"), Seen("wiggle", "firm"), Seen("tap", "rings")))
    (found,) = explain(situations(knowledge), case, ["strap"])
    assert (found.probability, found.now, found.settled_by) == (0, -math.inf, 2)
    assert found.weights[1] > 0
    assert (found.weights[2], found.weights[3]) == (-math.inf, 0)
    assert found.total == -math.inf


def test_an_answer_that_ruled_out_and_was_replaced_is_passed_over(known: KnownAs) -> None:
    """The answer that replaces it is weighed against what was there before, so that the sum holds."""
    knowledge = known(SURE)
    case = Case("c", (Seen("wiggle", "firm"), Seen("tap", "rings"), Seen("wiggle", "loose")))
    (found,) = explain(situations(knowledge), case, ["strap"])
    assert (found.weights[1], found.weights[2], found.settled_by) == (0, 0, None)
    adds_up(found)


def test_a_certain_cause_and_one_that_cannot_be_from_the_start() -> None:
    """Infinite at the end, or all along: never a sum of what is not a number."""
    certain = balance("x", [1, 2], [(0.5, 0.5), (0.0, 1.0), (0.0, 1.0)])
    assert (certain.now, certain.weights, certain.settled_by) == (math.inf, {1: math.inf, 2: 0.0}, 1)
    never = balance("x", [4], [(1.0, 0.0), (1.0, 0.0)])
    assert (never.total, never.weights, never.settled_by) == (0.0, {4: 0.0}, 0)
    assert points(1e-30, 1.0) == pytest.approx(300), "not lost in 1 - P"


def test_what_was_taken_back_has_no_part_in_it(known: KnownAs) -> None:
    """The others weigh what they would if it had never been entered, under their own step numbers."""
    knowledge = known(SURE)
    with_it = (Seen("tap", "rings"), Seen("wiggle", "firm"), TakenBack(2, CORRECTED), Seen("wiggle", "loose"))
    (found,) = explain(situations(knowledge), Case("c", with_it), ["strap"])
    (plain,) = explain(situations(knowledge), Case("c", (with_it[0], with_it[3])), ["strap"])
    assert list(found.weights) == [1, 4]
    assert list(found.weights.values()) == pytest.approx(list(plain.weights.values()), abs=EXACT)


def test_a_bounded_engine_adds_up_as_well(known: KnownAs) -> None:
    """Where exactness is too expensive the columns still add up to what is shown."""
    knowledge = known(entangled().removeprefix("language: 1\nstanding: estimate\n"))
    case = Case("c", (Seen("r0", "y"), Seen("r5", "n")))
    assert not isinstance(Engines(knowledge).of(case), Engine)
    for one in explain(situations(knowledge), case, ["f0", "f20"]):
        adds_up(one)


# What would turn it round


def found_on(
    knowledge: Knowledge, case: Case, chosen: str, candidates: tuple[CandidateReading, ...] | None = None
) -> tuple[Situation, Turning]:
    """What would turn it round for a cause, among all readings offered or those given."""
    situation = situations(knowledge).of(case)
    advice = advise(situation)
    leader = next(one.fault for one in advice.suspects if one.fault != chosen)
    offered = advice.proposals if candidates is None else candidates
    found = turning(situation, offered, present(knowledge, case).condition, {}, chosen, leader)
    assert found is not None
    return situation, found


def turning_answers(situation: Situation, found: Turning, reading: str) -> dict[str, float]:
    """How often which answers of a reading turn it round, by weighing each of them for itself."""
    return {
        answer.outcome: answer.probability
        for answer in outcome_effects(situation, reading)
        if answer.probability >= turnings.LEAST_SHARE
        and leads(answer.after[found.chosen], answer.after[found.leader])
    }


@pytest.mark.parametrize("seed", range(8))
def test_the_readings_named_are_the_quickest_that_turn_it_round(known: KnownAs, seed: int) -> None:
    """Against every answer of every reading weighed for itself, with where the two stand then."""
    knowledge = known(random_knowledge(seed))
    suspects = advise(situations(knowledge).of(Case("c"))).suspects
    for chosen in [one.fault for one in suspects[1:]]:
        situation, found = found_on(knowledge, Case("c"), chosen)
        offered = sorted(advise(situation).proposals, key=lambda one: (one.minutes, one.reading))
        doing = {one.reading: turning_answers(situation, found, one.reading) for one in offered}
        quickest = [name for name, answers in doing.items() if answers][: turnings.MOST_WAYS]
        if not quickest:
            assert not found.by_one
            continue
        assert [way.readings[0].reading for way in found.ways] == quickest
        for way in found.ways:
            reading = way.readings[0].reading
            assert way.share == pytest.approx(sum(doing[reading].values()), abs=EXACT)
            answer = next(one for one in outcome_effects(situation, reading) if one.outcome == way.answers[0])
            (stands,) = way.standings
            assert stands.share == pytest.approx(answer.probability, abs=EXACT)
            assert stands.chosen == pytest.approx(answer.after[chosen], abs=EXACT)
            assert stands.leader == pytest.approx(answer.after[found.leader], abs=EXACT)
            assert answer.after[stands.leads] == pytest.approx(max(answer.after.values()), abs=EXACT)


PAIRS = (
    complaint("any_of: {lamp: 80, radio: 20, relay: 15}", unlisted=3)
    + faults("lamp", "radio", "relay")
    + """\
setups:
  asleep: {name: Car asleep, hands_on_minutes: 2, waiting_minutes: 40}
readings:
  glow: {name: Glow, minutes: 1, outcomes: {dark: Dark, glows: Glows},
    noisy_or: {leak: 0.1, causes: {lamp: 0.75}}}
  warmth: {name: Warmth, minutes: 4, outcomes: {cold: Cold, warm: Warm},
    noisy_or: {leak: 0.1, causes: {lamp: 0.7}}}
  hiss: {name: Hiss, minutes: 3, setup: asleep, outcomes: {silent: Silent, hisses: Hisses},
    noisy_or: {leak: 0.3, causes: {radio: 0.7}}}
  hum: {name: Hum, minutes: 5, setup: asleep, outcomes: {none: None, hums: Hums},
    noisy_or: {leak: 0.3, causes: {radio: 0.75}}}
"""
)


def test_the_pair_named_is_the_quickest_of_all_pairs(known: KnownAs) -> None:
    """No single reading does it; the pair, its answers and where it leads hold against trying every pair."""
    knowledge = known(PAIRS)
    situation, found = found_on(knowledge, Case("c"), "radio")
    engine, candidates = situation.engine, advise(situation).proposals
    assert found.leader == "lamp"
    own = {"glow": 1.0, "warmth": 4.0, "hiss": 3.0, "hum": 5.0}
    assert {one.reading for one in candidates} == set(own)
    assert not any(turning_answers(situation, found, name) for name in own)
    minutes = {}
    for one, other in itertools.combinations(own, 2):
        total = 0.0
        for answer, after in itertools.product(engine.outcomes[one], engine.outcomes[other]):
            said = {one: engine.one_hot(one, answer), other: engine.one_hot(other, after)}
            posterior = engine.query({**situation.evidence, **said})
            if leads(posterior.beliefs["radio"], posterior.beliefs["lamp"]):
                total += 2 ** (posterior.log2_evidence - situation.posterior.log2_evidence)
        if total:
            asleep = 42 if {one, other} & {"hiss", "hum"} else 0  # once, whether one or both need it
            minutes[frozenset({one, other})] = own[one] + own[other] + asleep, total
    assert minutes
    (way,) = found.ways
    names = frozenset(one.reading for one in way.readings)
    assert way.minutes == min(least for least, _ in minutes.values()) == minutes[names][0]
    assert way.share == pytest.approx(minutes[names][1], abs=EXACT)
    said = {
        taken.reading: engine.one_hot(taken.reading, answer)
        for taken, answer in zip(way.readings, way.answers, strict=True)
    }
    beliefs = engine.query({**situation.evidence, **said}).beliefs
    assert way.standings[1].chosen == pytest.approx(beliefs["radio"], abs=EXACT)
    assert way.standings[1].leader == pytest.approx(beliefs["lamp"], abs=EXACT)
    assert not leads(way.standings[0].chosen, way.standings[0].leader)


def test_readings_that_cannot_be_taken_are_not_named(known: KnownAs) -> None:
    """A way that needs one is no way here."""
    knowledge = known(PAIRS)
    _, found = found_on(knowledge, Case("c"), "radio")
    needed = {one.reading for one in found.ways[0].readings}
    skipped = Case("c", tuple(Skipped(name, "cannot be reached") for name in needed))
    _, without = found_on(knowledge, skipped, "radio")
    assert not needed & {one.reading for way in without.ways for one in way.readings}


def test_a_search_that_was_cut_says_so(known: KnownAs, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pairs are tried among the best readings only where there are many; none left, none found."""
    knowledge = known(PAIRS)
    assert not found_on(knowledge, Case("c"), "radio")[1].cut
    monkeypatch.setattr(turnings, "MOST_IN_PAIRS", 1)
    _, found = found_on(knowledge, Case("c"), "radio")
    assert found.cut
    assert found.ways == ()


def test_what_is_ruled_out_has_no_way_and_a_stop_ends_the_search(known: KnownAs) -> None:
    """Only the answer itself could be wrong; and whoever leaves does not wait."""
    _, found = found_on(known(SURE), Case("c", (Seen("wiggle", "firm"),)), "strap")
    assert found.ways == ()
    knowledge = known(PAIRS)
    situation = situations(knowledge).of(Case("c"))
    offered = advise(situation).proposals
    condition = present(knowledge, Case("c")).condition
    asked = iter([False, False, True])
    assert turning(situation, offered, condition, {}, "radio", "lamp", lambda: next(asked, True)) is None


@pytest.mark.parametrize("name", ["01_sunroof_front_drain", "09_leak_and_filter", "29_air_after_the_pump"])
def test_cars_played_turn_round_as_often_as_it_is_said(
    shipped: Knowledge, engines: Engines, scenarios: dict[str, Scenario], name: str
) -> None:
    """On 1,000 cars within five standard errors; and the cause is true as often as it is believed then."""
    case = begun(shipped, engines, scenarios[name])
    situation = Situations(shipped, engines.of).of(case)
    advice = advise(situation)
    leader, chosen = (one.fault for one in advice.suspects[:2])
    exact = tuple(one for one in advice.proposals if not one.instrument)  # what no instrument blurs
    found = turning(situation, exact, present(shipped, case).condition, {}, chosen, leader)
    assert found is not None
    assert found.ways
    tried = try_ways(situation, engines.one(case), found)
    assert tried is not None
    for way, one in zip(found.ways, tried, strict=True):
        assert one.cars == 1000
        assert one.turned == pytest.approx(1000 * way.share, abs=5 * math.sqrt(250))
        if len(way.readings) == 1 and way.share == way.standings[0].share:
            believed = way.standings[0].chosen
            assert one.true == pytest.approx(
                one.turned * believed, abs=5 * math.sqrt(one.turned * believed * (1 - believed)) + 1
            )


def test_playing_stops_when_asked_and_repeats_its_figures(known: KnownAs) -> None:
    """The same case gives the same figures; nobody who has left waits for them."""
    knowledge = known(PAIRS)
    situation, found = found_on(knowledge, Case("c"), "radio")
    engine = Engines(knowledge).one(Case("c"))
    assert try_ways(situation, engine, found) == try_ways(situation, engine, found)
    assert try_ways(situation, engine, found, stop=lambda: True) is None
    assert try_ways(situation, engine, replace(found, ways=())) == ()


# In words


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A store of its own."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    yield store
    store.close()


def bench(engines: Engines, store: Store, case: Case) -> Session:
    """The case on the bench."""
    filed = store.draft("blue estate", case.complaint, engines.knowledge.version)
    return Session.opened(engines, store, store.append(filed, *case.entries), Workshop())


def tenths(line: str) -> list[float]:
    """The signed numbers of a line."""
    return [
        float(word.replace("−", "-"))
        for word in line.split()
        if word[0] in "+−" or word == "0.0"
        if word[-1].isdigit()
    ]


@pytest.mark.parametrize("name", ["06_parking_camera", "05_evaporator_drain", "10_forgotten_can"])
def test_the_explanation_fits_and_its_tenths_add_up(
    shipped: Knowledge, engines: Engines, scenarios: dict[str, Scenario], store: Store, name: str
) -> None:
    """At most 16 lines of 80 columns for every cause; what is printed adds up to what is printed below it."""
    session = bench(engines, store, begun(shipped, engines, scenarios[name], 6))
    for cause in session.other_causes:
        why = session.why_not(cause)
        text = list(explanation_lines(why))
        assert len(text) <= 16
        assert max(map(len, text)) <= 80
        head = next(at for at, line in enumerate(text) if line.startswith("Of cars with this complaint"))
        total = next(at for at, line in enumerate(text) if line.startswith("All together"))
        if why.chosen.settled_by is None:
            rows = [tenths(line) for line in text[head + 1 : total]]
            for one, (sum_of, shown) in enumerate(
                zip(zip(*rows, strict=True), tenths(text[total]), strict=True)
            ):
                assert round(sum(sum_of), 1) == shown, (cause, one)
        else:
            assert any("is ruled out by: " in line for line in text)
        assert percent(why.chosen.probability) in text[0] + text[1]
        assert max(map(len, lines(why, 60, 9, who_below=True))) <= 60


def test_an_entry_says_who_said_it_and_small_ones_are_told_together(
    shipped: Knowledge, engines: Engines, store: Store
) -> None:
    """By phone, as a fact, measured at a time; nobody's points are lost in the line for the small ones."""
    current = Measurement("sleeping_current", 212.0, "low_clamp", "212 mA")
    entries: tuple[Entry, ...] = (
        Known("battery_age", "two_to_five_years"),
        Seen("accessory_work", "lately", by=CUSTOMER),
        Seen("lamps_dim", "dim", 0.9),
        Measured("sleeping_current", (current,)),
    )
    outcomes = shipped.readings["accessory_work"].answers
    entries = (*entries[:1], Seen("accessory_work", list(outcomes)[-1], by=CUSTOMER), *entries[2:])
    why = bench(engines, store, Case("flat_battery", entries)).why_not("radio_awake")
    who = [row.who for row in why.rows]
    clock = why.rows[3].who.removeprefix("measured ")
    assert len(clock) == 5
    assert who == ["fact", "by phone", f"customer {clock}", f"measured {clock}"]
    assert why.rows[3].words.endswith("212 mA")
    for most in range(1, 5):
        merged = why.merged(most)
        for side in ("chosen", "leader"):
            assert math.fsum(getattr(row, side) for row in merged) == pytest.approx(
                getattr(why, side).total, abs=EXACT
            )
        for rest in merged:
            if " other" not in rest.words:
                continue
            limit = int(rest.words.split("under ")[1].split()[0])
            small = [row for row in why.rows if row.words not in {one.words for one in merged}]
            assert len(small) == int(rest.words.split()[0])
            assert max(row.most for row in small) < limit


def test_both_at_once_is_said_with_how_often(known: KnownAs, store: Store) -> None:
    """The probability of both is exact; it is told from one in a hundred on."""
    knowledge = known(SURE)
    engines = Engines(knowledge)
    why = bench(engines, store, Case("c", (Seen("tap", "rings"),))).why_not("strap")
    engine = engines.of(Case("c"))
    evidence = Case("c", (Seen("tap", "rings"),)).evidence(knowledge, engine)
    both = {one: engine.one_hot(one, "present") for one in ("strap", "glass")}
    alone, together = engine.log2_evidence_probability([evidence, {**evidence, **both}]).tolist()
    assert why.together == pytest.approx(2 ** (together - alone), abs=EXACT)
    assert why.both_words().endswith(f"Both: {percent(why.together)}.")
    assert "Both can be there at once: this is not one against the other." in why.both_words()
    assert replace(why, together=0.004).both_words().endswith("against the other.")
    assert replace(why, together=0.0).both_words() == "By this knowledge the two are never there at once."


def test_what_would_turn_it_round_is_told_with_minutes_and_how_often(known: KnownAs, store: Store) -> None:
    """A pair in its order, each reading with its digit; then how many cars played turned round."""
    knowledge = known(PAIRS)
    engines = Engines(knowledge)
    session = bench(engines, store, Case("c"))
    why = session.why_not("radio")
    found = session.turning(why, lambda: False)
    assert found is not None
    text = list(turning_lines(why, found, (Tried(1000, 52, 40),), 76))
    assert text[0] == "No single reading does. The quickest two:"
    assert text[1].startswith(" 1  ")
    assert sum(line.startswith(" 2  Then: ") for line in text) == 1
    assert "52 turned round, and in 40 of them it was the cause." in " ".join(" ".join(text).split())
    assert max(map(len, text)) <= 76
    nothing = list(turning_lines(why, replace(found, ways=(), cut=True), (), 76))
    assert nothing == [
        "No reading that can be taken here does, and no two do (of the best 100",
        "readings).",
    ]
    assert list(turning_lines(why, found, None, 76, "Not played."))[-1] == "Not played."
    none = " ".join(turning_lines(why, found, (Tried(1000, 0, 0),), 76))
    assert "none turned round" in " ".join(none.split())


def test_nothing_is_played_while_the_complaint_is_not_there(known: KnownAs, store: Store) -> None:
    """Simulated cars have the complaint."""
    session = bench(Engines(known(PAIRS)), store, Case("c"))
    assert session.can_try_ways
    assert not bench(session.engines, store, Case("c", (Confirmed("c", NOT_PRESENT),))).can_try_ways


# On the job card


def test_the_job_card_explains_the_next_cause_or_the_one_asked_about(known: KnownAs, store: Store) -> None:
    """With the same rows and sums; a job without answers has nothing to explain."""
    knowledge = known(PAIRS)
    engines = Engines(knowledge)
    session = bench(engines, store, Case("c", (Seen("glow", "glows"), Seen("hiss", "hisses"))))
    assert "## Why not" not in bench(engines, store, Case("c")).job_card("markdown", customer=False)
    leader, following, third, *_ = (one.fault for one in session.advice.suspects)
    card = session.job_card("markdown", customer=False)
    assert f"## Why not {knowledge.title(following)}, beside {knowledge.title(leader)}" in card
    asked = session.asking_about(third).job_card("markdown", customer=False)
    assert f"## Why not {knowledge.title(third)}, beside {knowledge.title(leader)}" in asked
    section = asked.split("## Why not")[1].split("\n## ")[0]
    rows = [line for line in section.splitlines() if line.startswith("|")]
    assert [row.split("|")[1].strip() for row in rows[2:]] == [
        "Of cars with this complaint",
        "Glow: Glows",
        "Hiss: Hisses",
        "All together",
        "As it stands",
    ]
    assert session.asking_about(third).saw("hum", "hums").asked_about == third, "kept by the next entry"
    assert "Why not" not in session.job_card("markdown", customer=True)


def test_a_closed_job_explains_the_search_before_the_repair(known: KnownAs, store: Store) -> None:
    """What was believed after the repair is not what led to it; steps keep their numbers and times."""
    knowledge = known(PAIRS)
    entries: tuple[Entry, ...] = (
        Seen("hum", "hums"),
        TakenBack(1, CORRECTED),
        Seen("glow", "glows"),
        Repaired("lamp", "2030-01-01T08:00:00+00:00"),
        Closed("radio", ""),
    )
    case = Case("c", entries)
    assert list(searched(case).counting) == [3]
    assert searched(Case("c", entries[:3])) == Case("c", entries[:3])
    session = bench(Engines(knowledge), store, case)
    card = session.job_card("markdown", customer=False)
    assert f"## Why not {knowledge.title('radio')}, beside {knowledge.title('lamp')}" in card
    why = why_not(knowledge, situations(knowledge), session.filed, searched(case), "radio")
    (before,) = explain(situations(knowledge), Case("c", (entries[2],)), ["radio"])
    assert why.chosen.total == pytest.approx(before.total, abs=EXACT)
