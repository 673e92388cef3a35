"""Knowledge as a network: its tables say what the author said, and other programs read the same from it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
from pgmpy.inference import VariableElimination
from pgmpy.models import DiscreteBayesianNetwork
from pgmpy.readwrite import BIFReader, XMLBIFReader

from advisor.arrays import Floats
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.inference.tables import CPT
from advisor.knowledge.knowledge import Knowledge
from advisor.measure.uncertainty import cells
from advisor.model.export import write
from advisor.model.network import Network, build, phone_answers
from advisor.model.nodes import node_then
from advisor.model.noisy import noisy_max, noisy_or
from tests.conftest import complaint, faults, given_complaint
from tests.oracle import from_pgmpy

Known = Callable[[str], Knowledge]


def tables(knowledge: Knowledge, name: str = "c") -> dict[str, CPT]:
    """A complaint's tables by the node that they are of."""
    return {table.child: table for table in build(knowledge, name).tables.tables}


def present(engine: Engine, **nodes: int) -> dict[str, Floats]:
    """Evidence that these nodes are present (1) or absent (0)."""
    return {name: engine.one_hot(name, "present" if here else "absent") for name, here in nodes.items()}


def reading(name: str, how: str, outcomes: str = "{normal: As usual, odd: Odd}") -> str:
    """One entry of a section of readings."""
    return f"  {name}: {{name: Reading {name}, minutes: 3, outcomes: {outcomes}, {how}}}\n"


TWO = complaint("any_of: {a: 60, b: 45}") + faults("a", "b")


def one_reading(how: str, outcomes: str = "{normal: As usual, odd: Odd}") -> str:
    """Two faults and a reading `r` that depends on them."""
    return TWO + "readings:\n" + reading("r", how, outcomes)


# ------------------------------------------------------------------------------------------- all tables


@pytest.mark.parametrize("which", ["shipped", "example"])
def test_every_row_of_every_table_adds_up_to_1(
    which: str, drain_network: Network, rattle: tuple[Knowledge, Network]
) -> None:
    """A table is a distribution for each state of its parents, and no entry is below 0 or above 1."""
    network = drain_network if which == "shipped" else rattle[1]
    for table in network.tables.tables:
        assert table.values.min() >= 0
        assert table.values.max() <= 1
        np.testing.assert_allclose(table.values.sum(axis=-1), 1, rtol=0, atol=1e-12, err_msg=table.child)


@pytest.mark.parametrize(
    "gate",
    ["any_of: [{}]", "all_of: [{}]", "at_least: 3, of: [{}]", "at_least: 20, of: [{}]"],
)
def test_wide_gates_are_split(known: Known, gate: str) -> None:
    """However many members a gate has, no table has more than two parents, or a row for each combination."""
    names = [f"f{number}" for number in range(20)]
    text = complaint(gate.format(", ".join(names))) + faults(*names, **dict.fromkeys(names, "prior: 0.01"))
    network = build(known(text), "c")
    assert max(len(table.parents) for table in network.tables.tables) == 2
    assert max(table.values.size for table in network.tables.tables) <= 21 * 2 * 21
    assert len(network.tables.tables) < 3 * len(names)


def test_a_wide_exactly_one_of_is_split(known: Known) -> None:
    """The gate that never holds with two members needs three states a step, for none, one and more."""
    names = [f"f{number}" for number in range(19)]
    shares = ", ".join(f"{name}: 5" for name in names)
    network = build(known(complaint(f"exactly_one_of: {{{shares}}}", 5) + faults(*names)), "c")
    assert max(table.values.size for table in network.tables.tables) == 3 * 2 * 3


def test_no_gate_of_the_shipped_knowledge_is_wide(shipped: Knowledge, drain_network: Network) -> None:
    """Branches and the complaint have at most two parents a table; only readings and states have more."""
    for table in drain_network.tables.tables:
        reading = table.child.partition("@")[0]
        if reading not in (*shipped.readings, *shipped.states, *shipped.faults):
            assert len(table.parents) <= 2, table.child


@pytest.mark.parametrize(
    ("gate", "holds"),
    [
        ("any_of: [a, b, d, e]", lambda count: count >= 1),
        ("all_of: [a, b, d, e]", lambda count: count == 4),
        ("at_least: 2, of: [a, b, d, e]", lambda count: count >= 2),
        ("at_least: 3, of: [a, b, d, e]", lambda count: count >= 3),
    ],
    ids=["any_of", "all_of", "at_least 2", "at_least 3"],
)
def test_a_gate_holds_for_exactly_the_combinations_it_should(
    known: Known, gate: str, holds: Callable[[int], bool]
) -> None:
    """Every combination of the members, one by one: the split gate is the gate (IEC 61025)."""
    names = ("a", "b", "d", "e")
    knowledge = known(complaint(gate) + faults(*names, **dict.fromkeys(names, "prior: 0.1")))
    engine = compile_tables(build(knowledge, "c").tables)
    for members in itertools.product((0, 1), repeat=4):
        seen = present(engine, **dict(zip(names, members, strict=True))) | present(
            engine, **{"unlisted:c": 0}
        )
        assert engine.query(seen).marginals["c"][1] == float(holds(sum(members)))


def test_exactly_one_of_holds_for_one_member_only(known: Known) -> None:
    """None, one, two and three members: the gate holds for one."""
    knowledge = known(complaint("exactly_one_of: {a: 60, b: 30}", 10) + faults("a", "b"))
    engine = compile_tables(build(knowledge, "c").tables)
    for members in itertools.product((0, 1), repeat=3):
        seen = present(engine, **dict(zip(("a", "b", "unlisted:c"), members, strict=True)))
        assert engine.query(seen).marginals["c"][1] == float(sum(members) == 1)


# --------------------------------------------------------------------------------- how an outcome follows


def odd(knowledge: Knowledge) -> Mapping[tuple[int, ...], float]:
    """P(second outcome) of reading `r` for a and b absent or present."""
    table = tables(knowledge)["r"]
    assert table.parents == ("a", "b")
    return {states: float(table.values[(*states, 1)]) for states in itertools.product((0, 1), repeat=2)}


BOTH_FORMS = {(0, 0): 0.1, (1, 0): 0.73, (0, 1): 0.46, (1, 1): 0.838}
"""Leak 0.1, effects 0.7 and 0.4 of the causes alone: 1 - 0.9 x 0.3 x 0.6 = 0.838 with both."""


def test_strengths_are_the_effect_of_the_cause_alone(known: Known) -> None:
    """Without a word about it, strengths are without the leak (Díez 1993)."""
    text = one_reading("noisy_or: {leak: 0.1, causes: {a: 0.7, b: 0.4}}")
    assert odd(known(text)) == pytest.approx(BOTH_FORMS, abs=1e-12)


def test_strengths_with_leak_are_what_is_seen_with_the_cause(known: Known) -> None:
    """Where the author says so, strengths include the leak (Henrion 1989): the same table, other numbers."""
    text = one_reading("noisy_or: {leak: 0.1, strengths: with_leak, causes: {a: 0.73, b: 0.46}}")
    assert odd(known(text)) == pytest.approx(BOTH_FORMS, abs=1e-12)


def test_the_normal_outcome_need_not_be_the_first(known: Known) -> None:
    """Where the second outcome is normal, causes bring about the first."""
    text = one_reading("normal: odd, noisy_or: {leak: 0.1, causes: {a: 0.7, b: 0.4}}")
    assert odd(known(text)) == pytest.approx({states: 1 - p for states, p in BOTH_FORMS.items()}, abs=1e-12)


GRADED = "{fine: Fine, raised: Raised, high: High}"


def test_graded_outcomes_combine_by_noisy_max(known: Known) -> None:
    """The worst effect wins: sums up to each outcome multiply (Díez 1993).

    Sums of the leak 0.85, 0.95, 1; of a 0.2, 0.5, 1; of b 0.6, 0.9, 1.
    """
    text = one_reading(
        "noisy_max: {leak: {raised: 0.1, high: 0.05}, "
        "causes: {a: {raised: 0.3, high: 0.5}, b: {raised: 0.3, high: 0.1}}}",
        GRADED,
    )
    values = tables(known(text))["r"].values
    np.testing.assert_allclose(values[0, 0], [0.85, 0.10, 0.05], atol=1e-12)
    np.testing.assert_allclose(values[1, 0], [0.17, 0.475 - 0.17, 1 - 0.475], atol=1e-12)
    np.testing.assert_allclose(values[0, 1], [0.51, 0.855 - 0.51, 1 - 0.855], atol=1e-12)
    np.testing.assert_allclose(values[1, 1], [0.102, 0.4275 - 0.102, 1 - 0.4275], atol=1e-12)


def test_graded_outcomes_include_the_leak(known: Known) -> None:
    """With the leak included, what is seen with one cause alone is what the author wrote (Henrion 1989).

    With both the sums are products divided once by the leak's: 0.2 x 0.6 / 0.85 and 0.5 x 0.9 / 0.95.
    """
    text = one_reading(
        "noisy_max: {leak: {raised: 0.1, high: 0.05}, strengths: with_leak, "
        "causes: {a: {raised: 0.3, high: 0.5}, b: {raised: 0.3, high: 0.1}}}",
        GRADED,
    )
    values = tables(known(text))["r"].values
    np.testing.assert_allclose(values[1, 0], [0.2, 0.3, 0.5], atol=1e-12)
    np.testing.assert_allclose(values[0, 1], [0.6, 0.3, 0.1], atol=1e-12)
    both = [0.12 / 0.85, 0.45 / 0.95 - 0.12 / 0.85, 1 - 0.45 / 0.95]
    np.testing.assert_allclose(values[1, 1], both, atol=1e-12)


def test_outcomes_can_be_graded_in_another_order_than_they_are_written(known: Known) -> None:
    """Bands go from low to high, badness need not: mildest_first says the order, outcomes keep theirs."""
    text = one_reading(
        "normal: mid, mildest_first: [mid, over, low], "
        "noisy_max: {leak: {over: 0.1, low: 0.05}, causes: {a: {over: 0.3, low: 0.5}}}",
        "{low: Low, mid: Right, over: Over}",
    )
    network = build(known(text), "c")
    values = next(table for table in network.tables.tables if table.child == "r").values
    assert network.tables.outcomes["r"] == ("low", "mid", "over")
    np.testing.assert_allclose(values[0], [0.05, 0.85, 0.10], atol=1e-12)
    np.testing.assert_allclose(values[1], [1 - 0.475, 0.17, 0.475 - 0.17], atol=1e-12)


def test_a_table_counts_its_first_row_that_fits(known: Known) -> None:
    """A row says nothing of causes it does not name; rows further down never override."""
    text = one_reading(
        "table: [{when: {a: present}, gives: {odd: 0.9, normal: 0.1}}, "
        "{when: {b: present}, gives: {normal: 0.4, odd: 0.6}}, "
        "{when: {a: absent, b: absent}, gives: {odd: 0.2}}, {otherwise: {normal: 0.5, odd: 0.5}}]"
    )
    assert odd(known(text)) == pytest.approx({(0, 0): 0.2, (1, 0): 0.9, (0, 1): 0.6, (1, 1): 0.9}, abs=1e-12)


def test_a_table_asks_for_vehicle_facts(known: Known) -> None:
    """A fact in a row counts with the shares of its values until it is known."""
    text = (
        TWO
        + "facts:\n  t: {name: T, ask: Which?, values: {u: 25, v: 75}}\nreadings:\n"
        + reading(
            "r",
            "table: [{when: {a: present, t: u}, gives: {odd: 0.9, normal: 0.1}}, {otherwise: {odd: 0.1}}]",
        )
    )
    engine, _ = given_complaint(known(text))
    with_a = present(engine, a=1)
    assert engine.query(with_a).predictive["r"][1] == pytest.approx(0.25 * 0.9 + 0.75 * 0.1, abs=1e-12)
    with_u = {**with_a, "t": engine.one_hot("t", "u")}
    assert engine.query(with_u).predictive["r"][1] == pytest.approx(0.9, abs=1e-12)


@pytest.mark.parametrize("with_leak", [False, True])
def test_every_combination_of_causes_is_worked_out_as_if_there_were_no_others(with_leak: bool) -> None:
    """Bit for bit: a row of the table of five causes is the last one of the table of those present."""
    leak = np.array([0.9, 0.07, 0.03])
    milder = [(0.0, 0.7), (0.2, 0.75), (0.45, 0.8), (0.8, 0.92), (0.89, 0.96)]
    effects = [np.diff([0.0, *upto, 1.0]) for upto in milder]
    table = noisy_max(leak, effects, with_leak)
    for present in itertools.product((0, 1), repeat=len(effects)):
        alone = noisy_max(leak, list(itertools.compress(effects, present)), with_leak)
        assert np.array_equal(table[present], alone[(-1,) * sum(present)])


def test_a_noisy_state_is_shared_by_its_readings(known: Known) -> None:
    """Two looks at a state are not two proofs of a fault: what they say together, the state says alone."""
    state = "states:\n  low: {name: Low, noisy_or: {leak: 0.2, causes: {a: 0.8}}}\n"
    look = "noisy_or: {leak: 0, causes: {low: 1.0}}"
    engine, _ = given_complaint(known(TWO + state + "readings:\n" + reading("r", look) + reading("s", look)))
    once = engine.query(present(engine, c=1) | {"r": engine.one_hot("r", "odd")})
    twice = engine.query(
        present(engine, c=1) | {"r": engine.one_hot("r", "odd"), "s": engine.one_hot("s", "odd")}
    )
    assert twice.beliefs == pytest.approx(once.beliefs, abs=1e-12)
    assert once.expected_information_bits["s"] == 0.0


# ---------------------------------------------------------------------- what has no bearing on a complaint

OTHER = """\
complaints:
  c: {name: Complaint, family: made_up, any_of: {a: 60, b: 45}, unlisted: 5}
  other: {name: Another, family: made_up, any_of: {b: 70, f: 40}, unlisted: 10}
"""


def test_readings_that_only_another_complaint_needs_are_left_out(known: Known) -> None:
    """A reading is in the network where one of its causes can be there; the others count as absent."""
    text = (
        OTHER
        + faults("a", "b", "f")
        + "readings:\n"
        + reading("of_a", "noisy_or: {leak: 0.1, causes: {a: 0.5}}")
        + reading("of_f", "noisy_or: {leak: 0.1, causes: {f: 0.5}}")
        + reading("of_both", "noisy_or: {leak: 0.1, causes: {f: 0.5, b: 0.8}}")
        + reading(
            "rows", "table: [{when: {f: absent, a: present}, gives: {odd: 0.7}}, {otherwise: {odd: 0.1}}]"
        )
        + reading("of_unlisted", "noisy_or: {leak: 0.1, causes: {'unlisted:other': 0.5}}")
    )
    network = build(known(text), "c")
    by_name = {table.child: table for table in network.tables.tables}
    assert network.readings == ("of_a", "of_both", "rows")
    assert network.targets == ("a", "b", "unlisted:c")
    assert by_name["of_both"].parents == ("b",)
    np.testing.assert_allclose(by_name["rows"].values, [[0.9, 0.1], [0.3, 0.7]], atol=1e-12)


def test_a_state_without_causes_here_is_left_out_with_its_readings(known: Known) -> None:
    """A state that only other complaints bring about never comes with this one."""
    text = (
        OTHER
        + faults("a", "b", "f")
        + "states:\n  wet: {name: Wet, noisy_or: {leak: 0.1, causes: {f: 0.9}}}\nreadings:\n"
        + reading("of_wet", "noisy_or: {leak: 0.1, causes: {wet: 0.5}}")
    )
    knowledge = known(text)
    assert build(knowledge, "c").readings == ()
    assert build(knowledge, "other").readings == ("of_wet",)


def test_a_complaint_can_be_a_cause_within_another(known: Known) -> None:
    """A reading that depends on another complaint sees of it what this complaint's faults can bring about."""
    text = (
        OTHER
        + faults("a", "b", "f")
        + "readings:\n"
        + reading("r", "noisy_or: {leak: 0.1, causes: {other: 0.8}}")
    )
    engine, posterior = given_complaint(known(text))
    assert posterior.beliefs == pytest.approx({"a": 0.6, "b": 0.45, "unlisted:c": 0.05}, abs=1e-9)
    assert posterior.marginals["other"][1] == pytest.approx(0.45, abs=1e-9)
    assert engine.query(present(engine, b=1)).predictive["r"][1] == pytest.approx(0.82, abs=1e-12)


def test_a_fault_of_two_complaints_has_its_share_in_each(known: Known) -> None:
    """Each complaint is a network of its own, with the numbers written under it."""
    knowledge = known(OTHER + faults("a", "b", "f"))
    assert given_complaint(knowledge, "c")[1].beliefs["b"] == pytest.approx(0.45, abs=1e-9)
    assert given_complaint(knowledge, "other")[1].beliefs["b"] == pytest.approx(0.70, abs=1e-9)


# ------------------------------------------------------------------------------------------ vehicle facts


@pytest.mark.parametrize(
    ("fact", "value", "fault"),
    [
        ("keyless", "none", "keyless_polling"),
        ("alternator_control", "fixed", "charge_control"),
        ("added_equipment", "none", "camera_draw"),
        ("added_equipment", "towing_or_alarm", "camera_draw"),
        ("added_equipment", "camera_or_tracker", "towing_alarm_draw"),
    ],
)
def test_a_fact_rules_a_fault_out_for_good(drain: Engine, fact: str, value: str, fault: str) -> None:
    """What a car does not have cannot be broken: the probability is 0, not nearly 0."""
    seen = present(drain, flat_battery=1) | {fact: drain.one_hot(fact, value)}
    assert drain.query(seen).beliefs[fault] == 0.0


def test_limits_depend_on_what_is_known_of_the_car(shipped: Knowledge) -> None:
    """The limits of a resting voltage are those of the battery type, and unknown while the type is."""
    quantity = shipped.readings["resting_voltage"].quantity
    assert quantity is not None
    assert quantity.limits_for({"battery_type": "flooded"}) == (12.24, 12.45)
    assert quantity.limits_for({"battery_type": "agm"}) == (12.25, 12.55)
    assert quantity.limits_for({}) is None


# ------------------------------------------------------------------------------------------- open formats

ROUNDED = 1e-6
"""The formats hold decimal numbers, and some readers of BIF keep single precision: 2e-8 is lost."""


def read_back(network: Network, form: str, folder: Path) -> DiscreteBayesianNetwork:
    """The network as another program reads it from a file."""
    file = folder / f"network.{form}"
    file.write_text(write(network.tables, form), encoding="utf-8")
    return (BIFReader if form == "bif" else XMLBIFReader)(str(file)).get_model()


@pytest.mark.parametrize("form", ["bif", "xmlbif"])
def test_another_program_reads_the_same_beliefs(
    tmp_path: Path, rattle: tuple[Knowledge, Network], form: str
) -> None:
    """Exported, read back and queried by variable elimination, every belief is that of the engine."""
    knowledge, network = rattle
    model = read_back(network, form, tmp_path)
    engine = compile_tables(network.tables)
    seen = {"door_rattle": "present", "door_frame": "frameless", "door_play": "some", "bass_buzz": "buzzes"}
    beliefs = engine.query({node: engine.one_hot(node, state) for node, state in seen.items()}).beliefs
    query = VariableElimination(model)
    for fault in knowledge.faults:
        answer = query.query([fault], evidence=seen, show_progress=False)
        assert answer.get_value(**{fault: "present"}) == pytest.approx(beliefs[fault], abs=ROUNDED)
    answer = query.query(["unlisted__door_rattle"], evidence=seen, show_progress=False)
    unlisted = answer.get_value(unlisted__door_rattle="present")
    assert unlisted == pytest.approx(beliefs["unlisted:door_rattle"], abs=ROUNDED)


@pytest.mark.parametrize("form", ["bif", "xmlbif"])
def test_the_shipped_network_is_read_back_whole(
    tmp_path: Path, drain_network: Network, drain: Engine, form: str
) -> None:
    """All nodes, states and beliefs of the shipped knowledge survive the way through a file."""
    model = read_back(drain_network, form, tmp_path)
    plain = {
        name: name.replace("unlisted:", "unlisted__").replace("~", "__step")
        for name in drain.outcomes
        if "@" not in name
    }
    assert set(model.nodes) == set(plain.values())
    targets = tuple(plain[name] for name in drain_network.targets)
    readings = tuple(name for name in drain_network.readings if "@" not in name)
    again = compile_tables(from_pgmpy(model, targets, readings))
    assert {name: set(again.outcomes[plain[name]]) for name in plain} == {
        name: set(drain.outcomes[name]) for name in plain
    }
    seen = {
        "flat_battery": "present",
        "battery_age": "over_five_years",
        "sleeping_current": "high",
        "short_trips": "regular",
    }
    before, after = (
        engine.query({node: engine.one_hot(node, state) for node, state in seen.items()})
        for engine in (drain, again)
    )
    for name in drain_network.targets:
        at = again.outcomes[plain[name]].index("present")
        assert after.marginals[plain[name]][at] == pytest.approx(before.beliefs[name], abs=ROUNDED)


def test_one_fault_and_its_reading_are_bayes_rule(known: Known) -> None:
    """Prior 0.10, P(abnormal | fault) 0.85, leak 0.08: 0.5414, and 0.01779 if normal (check value W15).

    The noisy-OR strength that goes with them is 1 - 0.15 / 0.92 = 0.8370.
    """
    text = complaint("any_of: [a, b]") + faults("a", "b", a="prior: 0.1", b="prior: 0.2")
    reading = (
        "readings:\n  r: {name: R, minutes: 1, outcomes: {normal: N, abnormal: A}, noisy_or: "
        "{leak: 0.08, strengths: with_leak, causes: {a: 0.85}}}\n"
    )
    engine = compile_tables(build(known(text + reading), "c").tables)
    for outcome, probability in (("abnormal", 0.5414), ("normal", 0.01779)):
        beliefs = engine.query({"r": engine.one_hot("r", outcome)}).beliefs
        assert beliefs["a"] == pytest.approx(probability, abs=0.00005)
    alone = noisy_or(0.08, [0.8370], with_leak=False)[1, 1]
    assert alone == pytest.approx(0.85, abs=0.0001)


# ------------------------------------------------------------------------------ what depends on what, by hand

CAR = """\
facts:
  t: {name: T, ask: Which?, values: {u: 25, v: 75}}
  w: {name: W, ask: Which?, values: {x: 40, y: 60}}
"""


def test_a_fault_is_as_common_as_both_facts_of_the_car_say(known: Known) -> None:
    """Three times as common with u as with v, twice with y as with x; over all cars as common as written."""
    given = "given: {t: {u: 3, v: 1}, w: {x: 1, y: 2}}, prior: 0.1"
    knowledge = known(complaint("any_of: [a, b]") + CAR + faults("a", "b", a=given, b="prior: 0.2"))
    table = tables(knowledge)["a"]
    probability = table.values[..., 1]
    assert table.parents == ("t", "w")
    assert probability[0] == pytest.approx(3 * probability[1], rel=1e-12)
    assert probability[:, 1] == pytest.approx(2 * probability[:, 0], rel=1e-12)
    assert np.array([0.25, 0.75]) @ probability @ np.array([0.4, 0.6]) == pytest.approx(0.1, abs=1e-9)
    assert tables(knowledge)["t"].values.tolist() == [0.25, 0.75]


def test_what_no_car_has_is_no_suspect_unless_a_reading_names_it(known: Known) -> None:
    """Each of 100 cars with the branch has the same cause, which leaves nothing to what is not listed."""
    text = complaint("any_of: {x: 60, b: 60}") + faults("b", "d", "e")
    text += "branches:\n  x: {name: X, any_of: {d: 100, e: 1.0e-12}, unlisted: rest}\nreadings:\n"
    of_d, of_both = (
        known(text + reading("r", f"noisy_or: {{leak: 0.1, causes: {{{causes}}}}}"))
        for causes in ("d: 0.5", "d: 0.5, 'unlisted:x': 0.5")
    )
    assert set(given_complaint(of_d)[1].beliefs) == {"b", "d", "e", "unlisted:c"}
    assert given_complaint(of_both)[1].beliefs["unlisted:x"] == 0.0


@pytest.mark.parametrize("gate", ["all_of: [a, b, d]", "at_least: 2, of: [a, b, d]"])
def test_what_is_not_listed_brings_a_complaint_about_alone(known: Known, gate: str) -> None:
    """However many listed causes a gate asks for, one that nobody wrote down does it by itself."""
    names = ("a", "b", "d")
    knowledge = known(complaint(gate) + faults(*names, **dict.fromkeys(names, "prior: 0.1")))
    engine = compile_tables(build(knowledge, "c").tables)
    for members in itertools.product((0, 1), repeat=3):
        seen = present(engine, **dict(zip(names, members, strict=True)), **{"unlisted:c": 1})
        assert engine.query(seen).marginals["c"][1] == 1.0


def test_a_gate_that_too_few_members_are_left_for_never_holds_here(known: Known) -> None:
    """Another complaint takes two causes, of which this one has a single one: what depends on it is left out.

    With two of three here, it is as likely as both together.
    """
    text = (
        complaint("any_of: [a, b]")
        + "  both: {name: Both, family: made_up, all_of: [a, f], unlisted: 5}\n"
        + "  two: {name: Two, family: made_up, at_least: 2, of: [a, b, f], unlisted: 5}\n"
        + faults("a", "b", "f", **dict.fromkeys(("a", "b", "f"), "prior: 0.1"))
        + "readings:\n"
        + reading("of_both", "noisy_or: {leak: 0.1, causes: {both: 0.5}}")
        + reading("of_two", "noisy_or: {leak: 0.1, causes: {two: 0.5}}")
    )
    engine, posterior = given_complaint(known(text))
    assert engine.readings == ("of_two",)
    assert posterior.marginals["two"][1] == pytest.approx(
        engine.query(present(engine, c=1, a=1)).beliefs["b"] * posterior.beliefs["a"], abs=1e-9
    )


def test_readings_of_another_complaint_are_not_asked(known: Known) -> None:
    """A reading that is said to belong to some complaints stands in their networks alone."""
    text = (
        OTHER
        + faults("a", "b", "f")
        + "readings:\n"
        + reading("here", "complaints: [c], noisy_or: {leak: 0.1, causes: {b: 0.5}}")
        + reading("there", "complaints: [other], noisy_or: {leak: 0.1, causes: {b: 0.5}}")
        + reading("anywhere", "noisy_or: {leak: 0.1, causes: {b: 0.5}}")
    )
    knowledge = known(text)
    assert build(knowledge, "c").readings == ("here", "anywhere")
    assert build(knowledge, "other").readings == ("there", "anywhere")


def test_a_reading_that_hangs_on_the_kind_of_car_alone_tells_nothing(known: Known) -> None:
    """A fact is no cause: without one the reading is left out, beside one the fact is in its table."""
    row = "{otherwise: {normal: 0.5, odd: 0.5}}"
    text = (
        OTHER
        + CAR
        + faults("a", "b", "f")
        + "readings:\n"
        + reading("lone", "table: [{when: {t: u, f: present}, gives: {odd: 0.9, normal: 0.1}}, " + row + "]")
        + reading("with", "table: [{when: {t: u, a: present}, gives: {odd: 0.9, normal: 0.1}}, " + row + "]")
    )
    network = build(known(text), "c")
    assert network.readings == ("with",)
    table = next(one for one in network.tables.tables if one.child == "with")
    assert set(table.parents) == {"t", "a"}


@pytest.mark.parametrize(("said", "both"), [("", 1 - 0.8 * 0.2 * 0.5), (", strengths: with_leak", 0.875)])
def test_a_state_is_a_noisy_or_of_its_causes(known: Known, said: str, both: float) -> None:
    """Leak 0.2, strengths 0.8 and 0.5: without the leak 1 - 0.8 x 0.2 x 0.5, with it 1 - 0.2 x 0.5 / 0.8.

    Díez (1993) and Henrion (1989).
    """
    state = f"states:\n  low: {{name: Low, noisy_or: {{leak: 0.2{said}, causes: {{a: 0.8, b: 0.5}}}}}}\n"
    knowledge = known(TWO + state + "readings:\n" + reading("r", "noisy_or: {leak: 0, causes: {low: 1.0}}"))
    table = tables(knowledge)["low"]
    assert table.parents == ("a", "b")
    assert table.values[1, 1, 1] == pytest.approx(both, abs=1e-12)
    assert table.values[0, 0, 1] == pytest.approx(0.2, abs=1e-12)


METERED = """\
instruments:
  meter: {name: Meter, units: [V], accuracy: {V: {absolute: 0.3}}}
  eye: {name: Eye, units: [V]}
readings:
  r:
    name: Volts
    minutes: 2
    instrument: [meter, eye]
    quantity: {unit: V, range: [0, 20], bands: {low: Low, full: Full}, limits: [12]}
    table: [{when: {a: present}, gives: {low: 0.8, full: 0.2}}, {otherwise: {low: 0.1, full: 0.9}}]
  s:
    name: Look
    minutes: 1
    instrument: meter
    outcomes: {dark: Dark, lit: Lit}
    noisy_or: {leak: 0.1, causes: {b: 0.5}}
"""


def test_beside_a_quantity_stands_what_a_meter_would_show_of_it(known: Known) -> None:
    """The exact table times the chances of numbers for each band, where its error is known."""
    network = build(known(TWO + METERED), "c")
    by_name = {one.child: one for one in network.tables.tables}
    shown = cells([0.3 / math.sqrt(3)], (0, 12, 20))
    assert network.readings == ("r", "r@meter", "s")
    assert by_name["r@meter"].parents == by_name["r"].parents == ("a",)
    np.testing.assert_allclose(by_name["r@meter"].values, by_name["r"].values @ shown, atol=1e-12)
    assert network.tables.outcomes["r@meter"] == tuple(str(cell) for cell in range(12))


@pytest.mark.parametrize("form", ["bif", "xmlbif"])
def test_names_in_a_file_are_plain_and_what_instruments_show_stays_out(
    known: Known, tmp_path: Path, form: str
) -> None:
    """Letters, digits and underscores: unlisted__c, c__step2; every state keeps its name."""
    network = build(known(TWO + METERED), "c")
    model = read_back(network, form, tmp_path)
    assert set(model.nodes) == {"a", "b", "unlisted__c", "c__step2", "c", "r", "s"}
    assert set(model.get_parents("c")) == {"c__step2", "unlisted__c"}
    states = {name: set(model.get_cpds(name).state_names[name]) for name in ("c", "r", "s")}
    assert states == {"c": {"absent", "present"}, "r": {"low", "full"}, "s": {"dark", "lit"}}


def test_a_wrong_answer_on_the_phone_is_any_of_the_others(known: Known) -> None:
    """Right in 8 of 10, the rest evenly on the other two."""
    how = "noisy_max: {leak: {raised: 0.1}, causes: {a: {high: 0.5}}}"
    asked = f"who: customer, ask: How odd?, right_by_phone: 0.8, {how}"
    said = phone_answers(known(one_reading(asked, GRADED)).readings["r"])
    np.testing.assert_allclose(said, [[0.8, 0.1, 0.1], [0.1, 0.8, 0.1], [0.1, 0.1, 0.8]], atol=1e-12)


def test_a_later_repair_says_which_node_was_meant(known: Known) -> None:
    """What was read before the second of three repairs is of the node as it was then, if it has changed."""
    nodes = {"a", "a#2", "a#3"}
    assert [node_then("a", era, 3, nodes) for era in range(4)] == ["a#2", "a#2", "a#3", "a"]
    assert node_then("a", 2, 2, nodes) == "a"
    assert node_then("b", 0, 3, nodes) == "b"
