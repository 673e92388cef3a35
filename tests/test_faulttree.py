"""The live fault tree: its probabilities are those of other programs, and it folds by one rule."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest
from pgmpy.inference import VariableElimination

from advisor.advice.advice import CandidateReading, advise, outcome_effects
from advisor.advice.situation import Situation
from advisor.bench.faulttree import (
    NOTICEABLE,
    TreeRow,
    gate_words,
    last_telling_step,
    opens,
    proof_words,
    readings_about,
    shown_rows,
    telling_words,
    tree_rows,
)
from advisor.case.case import Case
from advisor.case.entries import NOT_PRESENT, Acknowledged, Confirmed, Entry, Known, Repaired, Seen, TakenBack
from advisor.inference.compiler import compile_tables
from advisor.inference.tables import DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import Gate
from advisor.model.network import build
from tests import oracle
from tests.conftest import complaint, faults
from tests.oracle import gum

EXACT = 1e-9

FAULTS = ("drain", "seal", "film", "crack", "rain", "flap", "frame", "hose")
PRIORS = {
    name: f"prior: {prior}"
    for name, prior in {"crack": 0.02, "rain": 0.3, "film": 0.01, "flap": 0.02, "frame": 0.03}.items()
}
ALL_GATES = (
    complaint("any_of: {roof: 70, doors: , hose: 40}")
    + """\
branches:
  roof: {name: Roof leaks, any_of: {drain: 50, crack_in_rain: , seal: 45}, unlisted: rest}
  crack_in_rain: {name: Rain meets a crack, all_of: [crack, rain]}
  doors: {name: Doors leak, at_least: 2, of: [seal, film, crack_in_rain, vent]}
  vent: {name: Vent leaks, exactly_one_of: [flap, frame]}
"""
    + faults(*FAULTS, **PRIORS)
    + """\
readings:
  stain:
    name: Stain below the roof
    minutes: 4
    outcomes: {none: None, small: Small, large: Large}
    noisy_max:
      leak: {small: 0.05, large: 0.01}
      causes: {roof: {small: 0.3, large: 0.6}, hose: {small: 0.4, large: 0.1}}
  lift:
    name: Lift the seal
    minutes: 9
    outcomes: {whole: Whole, torn: Torn}
    noisy_or: {leak: 0.02, causes: {seal: 0.95}}
    proof: look
    proves: seal
"""
)
"""Every kind of gate, with a branch and a fault that stand below two of them; invented."""

WITH_EXTRAS = "given: {extras: {none: impossible}}"
WITHOUT = ("sensor", "hook", "rack", "plug", "socket", "worn")
FITTED = (
    complaint("any_of: {sensor: {by: kind, one: 30, two: impossible}, hooked: 50, pair: , worn: 60}")
    + """\
branches:
  hooked: {name: What was added, any_of: {hook: 52, rack: 52}}
  pair: {name: Plug and socket, all_of: [plug, socket]}
facts:
  kind: {name: Kind of car, ask: Which kind?, values: {one: 50, two: 50}}
  extras: {name: Extras, ask: What was added?, values: {none: 50, hook_and_rack: 50}}
"""
    + faults(
        *WITHOUT, hook=WITH_EXTRAS, rack=WITH_EXTRAS, plug=f"{WITH_EXTRAS}, prior: 0.2", socket="prior: 0.1"
    )
    + """\
readings:
  look:
    name: Look
    minutes: 1
    outcomes: {whole: Whole, worn: Worn}
    noisy_or: {leak: 0.1, causes: {worn: 0.9}}
"""
)
"""Faults that a fact of the vehicle rules out: by their own `given`, and by a share; invented."""

Known_ = Callable[[str], Knowledge]


def weighed(knowledge: Knowledge, *entries: Entry, name: str = "c") -> Situation:
    """A case of a complaint with some entries."""
    case = Case(name, entries)
    engine = compile_tables(build(knowledge, name, case.repairs).tables)
    return Situation.of(knowledge, engine, case)


def by_node(rows: Sequence[TreeRow]) -> dict[str, TreeRow]:
    """Rows by their event; of an event at two places the first."""
    return {row.node: row for row in reversed(rows)}


def row(place: str, probability: float, leader: str = "") -> TreeRow:
    """A row at a place such as "TOP A a": gates are written in capitals."""
    ids = tuple(place.split())
    gate, leads = "any of" if ids[-1].isupper() else "", place == leader
    last = (False,) * (len(ids) - 1)
    return TreeRow(ids, ids[-1], gate, probability, probability, (ids[-1],), last, leads=leads)


def tree(leader: str, **probabilities: float) -> tuple[TreeRow, ...]:
    """Rows at places such as `TOP_A_a`."""
    places = {place.replace("_", " "): at for place, at in probabilities.items()}
    return tuple(row(place, at, leader) for place, at in places.items())


def in_view(rows: Sequence[TreeRow], **by_hand: bool) -> str:
    """The last ids of the rows in view, with what was opened or folded by hand."""
    toggled = {tuple(place.split("_")): is_open for place, is_open in by_hand.items()}
    return " ".join(one.row.node for one in shown_rows(rows, toggled))


SEEN: tuple[tuple[Entry, ...], ...] = (
    (),
    (Seen("stain", "large"),),
    (Seen("stain", "small", 0.8), Seen("lift", "whole")),
)


def marginals_elsewhere(now: Situation, tables: DiscreteNetwork) -> Callable[[str], float]:
    """P(present) by lazy propagation in pyAgrum, on the same tables with the same likelihoods."""
    lazy = gum.LazyPropagation(oracle.to_pyagrum(tables))
    lazy.setEvidence({name: list(likelihood) for name, likelihood in now.evidence.items()})
    lazy.addAllTargets()
    lazy.makeInference()
    return lambda node: float(oracle.pyagrum_array(lazy.posterior(node), [node])[1])


@pytest.mark.parametrize("entries", SEEN)
def test_every_probability_of_the_tree_is_that_of_pyagrum(known: Known_, entries: tuple[Entry, ...]) -> None:
    """Each kind of gate, each cause and what is not listed, without and with readings, one of them unsure."""
    knowledge = known(ALL_GATES)
    before, now = weighed(knowledge), weighed(knowledge, *entries)
    tables = build(knowledge, "c").tables
    then, expected = marginals_elsewhere(before, tables), marginals_elsewhere(now, tables)
    rows = by_node(tree_rows(now, before))
    assert set(rows) >= {"c", "roof", "crack_in_rain", "doors", "vent", "seal", "unlisted:c", "unlisted:roof"}
    for node, one in rows.items():
        assert one.probability == pytest.approx(expected(node), abs=EXACT), node
        assert one.before == pytest.approx(then(node), abs=EXACT), node
    assert rows["c"].probability == 1.0


@pytest.mark.parametrize("name", ["flat_battery", "poor_cooling"])
def test_probabilities_of_shipped_branches_are_those_of_pgmpy(shipped: Knowledge, name: str) -> None:
    """The branches below a shipped complaint, by variable elimination in pgmpy on the bare tree."""
    network = build(shipped, name)
    now = Situation.of(shipped, compile_tables(network.tables), Case(name))
    bare = [one for one in network.tables.tables if one.child not in network.readings]
    outcomes = {one.child: network.tables.outcomes[one.child] for one in bare}
    elimination = VariableElimination(
        oracle.to_pgmpy(DiscreteNetwork(tuple(bare), outcomes, network.targets, ()))
    )
    rows = by_node(tree_rows(now, now))
    branches = [member for member in shipped.complaints[name].gate.members if member in shipped.branches]
    assert branches
    for node in branches:
        expected = elimination.query([node], {name: 1}, show_progress=False).values[1]
        assert rows[node].probability == pytest.approx(float(expected), abs=EXACT), node


def test_after_a_repair_the_tree_is_that_of_the_car_as_it_is_now(known: Known_) -> None:
    """The branch above a repaired fault falls with it, and what it was before stands beside it."""
    knowledge = known(ALL_GATES)
    before = weighed(knowledge, Seen("lift", "torn"))
    now = weighed(knowledge, Seen("lift", "torn"), Repaired("seal", "2030-01-15T12:00:00+00:00"))
    rows = by_node(tree_rows(now, before))
    assert rows["seal"].probability < rows["seal"].before / 5
    assert rows["roof"].probability < rows["roof"].before
    expected = marginals_elsewhere(now, build(knowledge, "c", now.case.repairs).tables)
    assert rows["roof"].probability == pytest.approx(expected("roof"), abs=EXACT)


def test_rows_keep_the_order_of_the_author_and_tell_their_gates(known: Known_) -> None:
    """Members follow their gate as written, what is not listed comes last; a branch is told once."""
    now = weighed(known(ALL_GATES))
    rows = tree_rows(now, now)
    assert [(one.depth, one.title, one.gate) for one in rows] == [
        (0, "Complaint", "any of"),
        (1, "Roof leaks", "any of"),
        (2, "Fault drain", ""),
        (2, "Rain meets a crack", "all of"),
        (3, "Fault crack", ""),
        (3, "Fault rain", ""),
        (2, "Fault seal", ""),
        (2, "Not listed here", ""),
        (1, "Doors leak", "at least 2 of"),
        (2, "Fault seal", ""),
        (2, "Fault film", ""),
        (2, "Rain meets a crack", "all of"),
        (2, "Vent leaks", "exactly one of"),
        (3, "Fault flap", ""),
        (3, "Fault frame", ""),
        (1, "Fault hose", ""),
        (1, "Not listed here", ""),
    ]
    assert [one.again for one in rows if one.node == "crack_in_rain"] == [False, True]
    assert [one.last for one in rows if one.node == "frame"] == [(False, True, True)]
    assert sum(one.leads for one in rows if one.node == "seal") in (0, 2)
    assert {one.node for one in rows if one.leads} == {advise(now).suspects[0].fault}


THREE = {"a": None, "b": None, "d": None}


def test_gates_are_told_in_words() -> None:
    """Each kind that can be written."""
    gates = (
        Gate("any_of", 1, 3, THREE),
        Gate("all_of", 3, 3, THREE),
        Gate("exactly_one_of", 1, 1, THREE),
        Gate("at_least", 2, 3, THREE),
    )
    assert [gate_words(gate) for gate in gates] == ["any of", "all of", "exactly one of", "at least 2 of"]


def test_an_event_that_stands_again_hides_its_causes_once_more(known: Known_) -> None:
    """A branch below two gates counts its faults below both, but is unfolded below the first only."""
    now = weighed(known(ALL_GATES))
    rows = tree_rows(now, now)
    shown = {one.row.node: one for one in shown_rows(rows, {("c", "roof"): False, ("c", "doors"): False})}
    assert shown["roof"].hidden == 4  # drain, crack, rain, seal; what is not listed is no fault
    assert shown["doors"].hidden == 6  # seal, film, crack, rain, flap, frame
    assert shown["hose"].hidden == 0


@pytest.mark.parametrize(
    ("facts", "excluded"),
    [
        ({}, {}),
        ({"kind": "one"}, {}),
        ({"kind": "two"}, {"sensor": "not this car"}),
        ({"extras": "none"}, dict.fromkeys(("hook", "rack", "plug", "pair"), "none fitted")),
    ],
)
def test_facts_that_rule_an_event_out_are_told(
    known: Known_, facts: dict[str, str], excluded: dict[str, str]
) -> None:
    """By the fault's own words or by a share of 0; a branch too where it cannot be true without them."""
    knowledge = known(FITTED)
    now = weighed(knowledge, *(Known(fact, value) for fact, value in facts.items()))
    rows = by_node(tree_rows(now, weighed(knowledge)))
    assert {node: one.excluded for node, one in rows.items() if one.excluded} == excluded
    assert all(rows[node].probability == 0 for node in excluded)
    for node in excluded:
        words = proof_words(knowledge, now.case, advise(now), rows[node])
        assert words.startswith(("None fitted on this car", "Does not apply to this car"))
        assert node == "pair" or words.endswith((" (Kind of car: two).", " (Extras: none)."))


def test_what_the_reading_on_the_card_can_move_is_marked(known: Known_) -> None:
    """A cause that some answer moves by five points, and what is above it; nothing without a reading."""
    knowledge = known(ALL_GATES)
    now = weighed(knowledge)
    answers = outcome_effects(now, "lift")
    rows = tree_rows(now, now, answers)
    moved = {one.node for one in rows if not one.gate and one.moves}
    assert moved == {
        fault
        for fault, at in now.beliefs.items()
        if any(abs(answer.after[fault] - at) >= NOTICEABLE for answer in answers)
    }
    assert "seal" in moved
    assert {"c", "roof", "doors"} <= {one.node for one in rows if one.moves}
    assert not any(one.moves for one in tree_rows(now, now))


def test_a_proved_cause_is_told_to_be(known: Known_) -> None:
    """Its row says so, and so does the line on how to prove it."""
    knowledge = known(ALL_GATES)
    now = weighed(knowledge, Seen("lift", "torn"))
    rows = by_node(tree_rows(now, now))
    assert [node for node, one in rows.items() if one.proved] == ["seal"]
    assert proof_words(knowledge, now.case, advise(now), rows["seal"]) == "Proved. Repair 5 min."


def test_the_line_on_a_row_tells_its_proof_and_its_repair(known: Known_) -> None:
    """The reading with its minutes; that there is none; that it was taken in vain; what a gate takes."""
    knowledge = known(ALL_GATES)
    now = weighed(knowledge)
    rows = by_node(tree_rows(now, now))

    def told(node: str, situation: Situation = now) -> str:
        return proof_words(knowledge, situation.case, advise(situation), rows[node])

    assert told("seal") == "Proved by “Lift the seal”, 9 min. Repair 5 min."
    assert told("hose") == "No reading proves it by itself. Repair 5 min."
    assert told("doors") == "At least 2 of the causes below it."
    assert told("unlisted:roof") == "A cause that is not in this tree. No reading proves it."
    assert told("c").startswith("Several causes can be there at once")
    whole = weighed(knowledge, Seen("lift", "whole"))
    assert told("seal", whole) == "“Lift the seal” was taken and has not proved it. Repair 5 min."


def test_branches_are_open_on_the_way_to_noticeable_causes() -> None:
    """A branch with many unlikely causes stays folded, whatever they add up to."""
    unlikely = {"TOP_A_D": 0.06, "TOP_A_D_d": 0.04, "TOP_A_D_e": 0.02, "TOP_E": 0.05, "TOP_E_f": 0.05}
    rows = tree("TOP A B b", TOP=1.0, TOP_A=0.9, TOP_A_B=0.8, TOP_A_B_b=0.7, TOP_A_B_c=0.1, **unlikely)
    assert opens(rows) == {("TOP",), ("TOP", "A"), ("TOP", "A", "B"), ("TOP", "E")}
    assert in_view(rows) == "TOP A B b c D E f"


def test_the_leader_is_in_view_however_improbable() -> None:
    """Where nothing is noticeable, the way to the leader is open all the same."""
    assert in_view(tree("TOP A a", TOP=1.0, TOP_A=0.1, TOP_A_a=0.04, TOP_B=0.1, TOP_B_b=0.04)) == "TOP A a B"


def test_answers_fold_branches_away_and_keep_the_order() -> None:
    """What was probable and is not any more is folded; no row changes its place."""
    before = tree("TOP A a", TOP=1.0, TOP_A=0.5, TOP_A_a=0.5, TOP_B=0.3, TOP_B_b=0.3)
    after = tree("TOP B b", TOP=1.0, TOP_A=0.01, TOP_A_a=0.01, TOP_B=0.9, TOP_B_b=0.9)
    assert in_view(before) == "TOP A a B b"
    assert in_view(after) == "TOP A B b"
    assert in_view(after, TOP_A=True) == "TOP A a B b"


def test_what_a_person_has_opened_is_never_folded_and_what_is_above_it_neither() -> None:
    """Opened by hand it stays open after any answer; folded by hand it stays folded, the complaint never."""
    rows = tree("TOP e", TOP=1.0, TOP_A=0.01, TOP_A_B=0.01, TOP_A_B_b=0.01, TOP_e=0.9)
    assert in_view(rows) == "TOP A e"
    assert in_view(rows, TOP_A_B=True) == "TOP A B b e"
    assert in_view(rows, TOP_A_B=True, TOP_A=False) == "TOP A e"
    assert in_view(rows, TOP=False) == "TOP A e"


def candidates(now: Situation) -> tuple[CandidateReading, ...]:
    """The readings that can be taken."""
    return advise(now).proposals


@pytest.mark.parametrize("node", ["seal", "roof", "doors", "vent", "hose", "unlisted:c"])
def test_what_a_reading_tells_of_an_event_is_what_its_answers_do(known: Known_, node: str) -> None:
    """Least, most and bits from the posterior after every single answer, by pyAgrum."""
    knowledge = known(ALL_GATES)
    now = weighed(knowledge, Seen("stain", "small", 0.7))
    tables = build(knowledge, "c").tables
    there = marginals_elsewhere(now, tables)(node)
    found = {one.reading.reading: one for one in readings_about(now, candidates(now), node)}
    said = knowledge.readings["lift"]
    shares, after = [], []
    for answer, probability in zip(said.answers, now.posterior.predictive["lift"].tolist(), strict=True):
        then = weighed(knowledge, *now.case.entries, Seen("lift", answer))
        shares.append(probability)
        after.append(marginals_elsewhere(then, tables)(node))
    bits = oracle.entropy([there, 1 - there]) - sum(
        share * oracle.entropy([at, 1 - at]) for share, at in zip(shares, after, strict=True)
    )
    if bits < 0.01:
        assert found == {}
        return
    one = found["lift"]
    assert (one.least, one.most) == pytest.approx((min(after), max(after)), abs=EXACT)
    assert one.bits == pytest.approx(bits, abs=EXACT)
    assert one.proves == (node == "seal")


def test_proofs_come_first_with_their_minutes(known: Known_) -> None:
    """Also where another reading would tell more of it."""
    weak = ALL_GATES.replace("causes: {seal: 0.95}", "causes: {seal: 0.3}")
    text = (
        weak
        + """\
  feel:
    name: Feel the seal
    minutes: 2
    outcomes: {whole: Whole, torn: Torn}
    noisy_or: {leak: 0.02, causes: {seal: 0.99}}
"""
    )
    knowledge = known(text)
    now = weighed(knowledge)
    found = readings_about(now, candidates(now), "seal")
    assert [one.reading.reading for one in found][:2] == ["lift", "feel"]
    assert found[0].bits < found[1].bits
    told = telling_words(knowledge, found[0])
    assert told.startswith("Proves it. Lift the seal\n    9 min. After it: ")


def test_a_normal_answer_while_the_complaint_is_not_there_tells_nothing_of_an_event(known: Known_) -> None:
    """Then the event cannot become less probable by it, as on the card."""
    knowledge = known(ALL_GATES)
    now = weighed(knowledge, Confirmed("c", NOT_PRESENT))
    there = now.beliefs["seal"]
    (one,) = [one for one in readings_about(now, candidates(now), "seal") if one.reading.reading == "lift"]
    assert one.least == pytest.approx(there, abs=EXACT)
    answers = outcome_effects(now, "lift")
    assert one.most == pytest.approx(max(answer.after["seal"] for answer in answers), abs=EXACT)


def test_nothing_is_told_of_what_is_certain(known: Known_) -> None:
    """The complaint itself, and what the facts rule out."""
    knowledge = known(FITTED)
    now = weighed(knowledge, Known("extras", "none"))
    assert readings_about(now, candidates(now), "c") == ()
    assert readings_about(now, candidates(now), "hook") == ()


def test_what_only_was_read_or_prepared_is_not_the_last_step_that_tells() -> None:
    """The tree stays compared with what was before the answer while its cautions are confirmed."""
    at = "2030-01-15T12:00:00+00:00"
    case = Case("c")
    steps = []
    for entry in (Acknowledged("hot", at), Seen("lift", "torn"), Acknowledged("hot", at), TakenBack(2, "")):
        case = case.with_entry(entry)
        steps.append(last_telling_step(case))
    assert steps == [0, 2, 2, 4]
