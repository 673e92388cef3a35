"""Shares by kind of car, and faults that bring others: what was written comes back, on every kind of car.

Two routes outside the engine check the numbers: pgmpy's variable elimination on the model that is handed out,
and the sum over every state of the faults, written here from the definitions in the guide.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
from pgmpy.inference import VariableElimination

from advisor.case.confirmed import Finding, faults_below
from advisor.checks.lint import checked
from advisor.inference.compiler import compile_tables
from advisor.knowledge.knowledge import Knowledge
from advisor.learning.revision import learn, listed_part
from advisor.model.after_repair import Repair
from advisor.model.network import build
from advisor.model.priors import solve, tree_of
from advisor.papers.fault_tree import tree_svg
from tests.conftest import HEAD, Ran, complaint, faults, given_complaint
from tests.test_priors import branch, fact, refusal

Known = Callable[[str], Knowledge]

EXACT = 1e-9
AGES = "new: 30, used: 45, old: 25"
OTHER = "{by: t, new: 40, used: 70, old: 80}"

BY_FACT: dict[str, str] = {
    "the complaint's numbers": (
        complaint("any_of: {a: {by: t, new: 12, used: 30, old: 48}, b: {by: t, new: 95, used: 80, old: 70}}")
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b")
    ),
    "beside plain numbers": (
        complaint("any_of: {a: {by: t, new: 12, used: 30, old: 48}, b: 60, d: 40}")
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d")
    ),
    "only within a branch": (
        complaint("any_of: {x: 70, b: 60}")
        + "branches:\n"
        + branch("x", "any_of: {a: {by: t, new: 12, used: 30, old: 48}, d: 45}", rest=True)
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d")
    ),
    "in the complaint, and by another fact within a branch": (
        complaint("any_of: {x: {by: t, new: 50, used: 60, old: 70}, b: 60}")
        + "branches:\n"
        + branch("x", "any_of: {a: {by: n, p: 60, q: impossible}, d: 30}", rest=True)
        + "facts:\n"
        + fact(AGES)
        + fact("p: 80, q: 20", "n")
        + faults("a", "b", "d")
    ),
    "a branch that some cars lack": (
        complaint("any_of: {x: {by: t, new: 50, used: 60, old: 0}, b: {by: t, new: 60, used: 60, old: 99}}")
        + "branches:\n"
        + branch("x", "any_of: {a: 60, d: 30}", rest=True)
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d")
    ),
    "one at a time": (
        complaint(
            "exactly_one_of: {a: {by: t, new: 60, used: 30, old: 20}, b: {by: t, new: 35, used: 65, old: 75}}"
        )
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b")
    ),
    "one at a time within a branch": (
        complaint("any_of: {x: 50, b: 70}")
        + "branches:\n"
        + branch("x", "exactly_one_of: {a: {by: t, new: 60, used: 30, old: 20}, d: " + OTHER + "}")
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d")
    ),
    "two needed": (
        complaint("at_least: 2, of: {a: {by: t, new: 90, used: 85, old: 80}, b: 80, d: 50}")
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d")
    ),
    "beside factors of another fact and of the same": (
        complaint("any_of: {a: {by: t, new: 20, used: 30, old: 48}, b: 70, d: 45, e: 10}")
        + "facts:\n"
        + fact(AGES)
        + fact("p: 80, q: 20", "n")
        + faults(
            "a", "b", "d", "e", a="given: {n: {q: 2}}", d="given: {n: {p: 0.5}}", e="given: {t: {old: 3}}"
        )
    ),
    "a plain prior beside them": (
        complaint("any_of: {a: {by: t, new: 60, used: 30, old: 48}, b: 80, d: }")
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d", d="prior: 0.002")
    ),
    "a fault under two branches": (
        complaint("any_of: {x: 70, y: 60}")
        + "branches:\n"
        + branch("x", "any_of: {b: 60, s: {by: t, new: 10, used: 20, old: 30}}", rest=True)
        + branch("y", "any_of: {d: 55, s: }", rest=True)
        + "facts:\n"
        + fact(AGES)
        + faults("b", "d", "s")
    ),
    "and one brings another": (
        complaint(
            "any_of: {a: {by: t, new: 30, used: 40, old: 48}, b: {by: t, new: 95, used: 80, old: 75}, d: 20}"
        )
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d", d="brought_by: {a: 20 of 100}")
    ),
}


def road(knowledge: Knowledge, name: str) -> dict[str, float]:
    """Of 1 car on the road, how much of it has each value."""
    return {value: cars / 100 for value, cars in knowledge.facts[name].values.items()}


@pytest.mark.parametrize("tree", BY_FACT)
def test_each_kind_of_car_has_the_shares_written_for_it(known: Known, tree: str) -> None:
    """With the fact known the gate gives back that value's numbers, with it unknown the mix of cars."""
    knowledge = known(BY_FACT[tree])
    engine, _ = given_complaint(knowledge)
    count = 0
    for name, gated in tree_of(knowledge, "c").items():
        gate = gated.gate
        there = {name: engine.one_hot(name, "present")}
        mixed = engine.query(there)
        for by in gate.facts:
            of_gate = dict(zip(knowledge.facts[by].values, mixed.marginals[by], strict=True))
            if name == "c":
                assert of_gate == pytest.approx(road(knowledge, by), abs=EXACT)
            known_fact = {
                value: engine.query({**there, by: engine.one_hot(by, value)})
                for value in knowledge.facts[by].values
                if of_gate[value] > 0
            }
            for member in gate.members:
                share = gate.by_fact.get(member)
                plain = gate.shares[member]
                if share is None and (plain is None or by in knowledge.faults[member].given):
                    continue
                numbers = share.values if share else dict.fromkeys(known_fact, plain or 0.0)
                for value, posterior in known_fact.items():
                    assert posterior.marginals[member][1] == pytest.approx(numbers[value] / 100, abs=EXACT)
                mean = sum(of_gate[value] * numbers[value] / 100 for value in known_fact)
                assert mixed.marginals[member][1] == pytest.approx(mean, abs=EXACT)
                count += 1
        for member, plain in gate.shares.items():
            if plain is not None:
                assert mixed.marginals[member][1] == pytest.approx(plain / 100, abs=EXACT)
    assert count >= 2


def test_a_branch_by_a_fact_holds_more_of_the_cars_where_it_is_common(known: Known) -> None:
    """Of 100 cars with the branch as many have a value as on the road times the branch's number, scaled."""
    text = (
        complaint("any_of: {x: {by: t, new: 20, used: 40, old: 60}, b: 90}")
        + "branches:\n"
        + branch("x", "any_of: {a: {by: t, new: 10, used: 50, old: 70}, d: 20}", rest=True)
        + "facts:\n"
        + fact(AGES)
        + faults("a", "b", "d")
    )
    engine, posterior = given_complaint(known(text))
    with_branch = engine.query({"x": engine.one_hot("x", "present")})
    weights = np.array([0.30 * 20, 0.45 * 40, 0.25 * 60])
    assert with_branch.marginals["t"] == pytest.approx(weights / weights.sum(), abs=EXACT)
    assert with_branch.beliefs["a"] == pytest.approx(weights @ [0.1, 0.5, 0.7] / weights.sum(), abs=EXACT)
    assert posterior.beliefs["a"] == pytest.approx(
        0.30 * 0.2 * 0.1 + 0.45 * 0.4 * 0.5 + 0.25 * 0.6 * 0.7, abs=EXACT
    )


@pytest.mark.parametrize(
    "tree", ["the complaint's numbers", "and one brings another", "beside plain numbers"]
)
def test_pgmpy_finds_the_same(known: Known, tree: str) -> None:
    """Variable elimination on the exported model gives the engine's beliefs, with the fact known and not."""
    knowledge = known(BY_FACT[tree])
    network = build(knowledge, "c")
    assert network.model.check_model()
    engine = compile_tables(network.tables)
    elimination = VariableElimination(network.model)
    for value in (None, *knowledge.facts["t"].values):
        said = {} if value is None else {"t": value}
        posterior = engine.query(
            {"c": engine.one_hot("c", "present"), **{k: engine.one_hot(k, v) for k, v in said.items()}}
        )
        for name in network.targets:
            from_pgmpy = elimination.query([name], {"c": "present", **said}, show_progress=False)
            assert from_pgmpy.get_value(**{name: "present"}) == pytest.approx(
                posterior.beliefs[name], abs=EXACT
            )


def test_values_of_the_complaints_fact_are_those_on_the_road_however_far_the_numbers_exceed_100(
    known: Known,
) -> None:
    """A sum of 103 makes T small and one of 205 large; that says nothing of how often such cars come."""
    text = (
        complaint("any_of: {a: {by: t, new: 48, old: 100}, b: {by: t, new: 50, old: 100}}")
        + "facts:\n"
        + fact("new: 90, old: 10")
        + faults("a", "b")
    )
    knowledge = known(text)
    engine, posterior = given_complaint(knowledge)
    assert posterior.marginals["t"] == pytest.approx([0.9, 0.1], abs=EXACT)
    assert posterior.beliefs["a"] == pytest.approx(0.9 * 0.48 + 0.1 * 1.0, abs=EXACT)
    assert engine.query({}).marginals["t"][0] > 0.98, "before the complaint, the prior makes up for T"


BROUGHT: dict[str, str] = {
    "one by one": complaint("any_of: {a: 60, b: 60}") + faults("a", "b", b="brought_by: {a: 20 of 100}"),
    "one by two": (
        complaint("any_of: {a: 40, b: 60, d: 50}") + faults("a", "b", "d", d="brought_by: {a: 0.3, b: 0.25}")
    ),
    "a chain": (
        complaint("any_of: {a: 60, b: 50, d: 40}")
        + faults("a", "b", "d", b="brought_by: {a: 0.2}", d="brought_by: {b: 0.3}")
    ),
    "across branches": (
        complaint("any_of: {x: 60, y: 60, e: 20}")
        + "branches:\n"
        + branch("x", "any_of: {a: 50, b: 30}", rest=True)
        + branch("y", "any_of: {d: 50, f: 30}", rest=True)
        + faults(*"abdef", d="brought_by: {a: 0.3}", f="brought_by: {e: 0.2, d: 0.1}")
    ),
    "beside factors, one of them impossible": (
        complaint("any_of: {a: 60, b: 50, d: 40}")
        + "facts:\n"
        + fact("u: 30, v: 70")
        + faults("a", "b", "d", a="given: {t: {u: 2}}", b="brought_by: {a: 0.2}, given: {t: {u: impossible}}")
    ),
    "a fault with a plain prior": (
        complaint("any_of: {a: 60, b: , d: 60}") + faults("a", "b", "d", b="prior: 0.3, brought_by: {a: 0.2}")
    ),
}


def enumerated(knowledge: Knowledge, listed: bool = False) -> Mapping[str, Mapping[str, float]]:
    """P(member | gate) of every gate by summing over every state, from the guide's definition.

    A fault is there where its own cause is, or where a fault that is there brings it; `own` is read off the
    table at "no parent is there".
    """
    priors = solve(knowledge, "c")
    names = list(priors.faults)
    facts = list(knowledge.facts)
    sums: dict[str, dict[str, float]] = {}
    for values in itertools.product(*(knowledge.facts[one].values for one in facts)):
        here = dict(zip(facts, values, strict=True))
        weight = math.prod(road(knowledge, one)[value] for one, value in here.items())
        for states in itertools.product((False, True), repeat=len(names)):
            there = dict(zip(names, states, strict=True))
            probability = weight
            for name in names:
                table = priors.tables[name]
                alone = tuple(
                    list(knowledge.facts[one].values).index(here[one]) if one in here else 0
                    for one in table.parents
                )
                absent = 1 - float(table.present[alone])
                said = knowledge.faults.get(name)
                barred = said and any(said.given.get(one, {}).get(value) == 0 for one, value in here.items())
                for parent, often in said.brought_by.items() if said and not barred else ():
                    absent *= 1 - often * there[parent]
                probability *= (1 - absent) if there[name] else absent
            for gate, gated in tree_of(knowledge, "c").items():
                there[gate] = any(there[one] for one in gated.gate.members) or there[f"unlisted:{gate}"]
            below = {
                gate: any(there[one] for one in faults_below(knowledge, gate))
                for gate in tree_of(knowledge, "c")
            }
            for gate in tree_of(knowledge, "c"):
                if there[gate]:
                    of_gate = sums.setdefault(gate, dict.fromkeys([*there, ""], 0.0))
                    of_gate[""] += probability
                    for one, so in there.items():
                        of_gate[one] = of_gate.get(one, 0.0) + probability * so
                    if listed:
                        of_gate["listed"] = of_gate.get("listed", 0.0) + probability * below[gate]
    return {gate: {one: held / said[""] for one, held in said.items()} for gate, said in sums.items()}


@pytest.mark.parametrize("tree", BROUGHT)
def test_shares_come_back_where_a_fault_brings_another(known: Known, tree: str) -> None:
    """By the engine and by enumeration: every share, and the unlisted one, is what was written."""
    knowledge = known(BROUGHT[tree])
    engine, posterior = given_complaint(knowledge)
    found = enumerated(knowledge)
    count = 0
    for name, gated in tree_of(knowledge, "c").items():
        seen = engine.query({name: engine.one_hot(name, "present")})
        for member, share in gated.gate.shares.items():
            assert seen.marginals[member][1] == pytest.approx(found[name][member], abs=EXACT)
            if share is not None:
                assert found[name][member] == pytest.approx(share / 100, abs=EXACT)
                count += 1
    assert posterior.beliefs["unlisted:c"] == pytest.approx(0.05, abs=EXACT)
    assert count >= 2


def test_of_100_cars_with_the_parent_so_many_have_the_fault_because_of_it(known: Known) -> None:
    """P(b | a) = 1 - (1 - own)(1 - 0.2), and own is the share of b on cars without a."""
    engine, _ = given_complaint(known(BROUGHT["one by one"]))
    with_a, without = (
        engine.query({"a": engine.one_hot("a", one)}).beliefs["b"] for one in ("present", "absent")
    )
    assert with_a == pytest.approx(1 - (1 - without) * 0.8, abs=EXACT)


def test_finding_the_parent_explains_the_fault_away(known: Known) -> None:
    """A sign of b makes a likelier where a brings b; where both stand by themselves it speaks against a.

    Beside it: once b is there, what else points at b's parent or not tells whether it was brought.
    """
    reading = (
        "readings:\n  r: {name: Reading, minutes: 1, outcomes: {n: No, y: Yes}, "
        "noisy_or: {leak: 0.05, causes: {b: 0.9}}}\n"
    )

    def moved(more: str) -> float:
        text = complaint("any_of: {a: 30, b: 30, d: 70}") + faults("a", "b", "d", b=more) + reading
        engine, before = given_complaint(known(text))
        after = engine.query({"c": engine.one_hot("c", "present"), "r": engine.one_hot("r", "y")})
        return after.beliefs["a"] - before.beliefs["a"]

    assert moved("brought_by: {a: 50 of 100}") > 0.05
    assert moved("note: by itself") < -0.01


def test_two_parents_compete_for_the_fault_that_they_bring(known: Known) -> None:
    """Explaining away (Pearl 1988): b and d are independent, and with a there each lowers the other."""
    text = complaint("any_of: {e: 95, a: 30, b: 20, d: 20}") + faults(
        "e", "a", "b", "d", a="brought_by: {b: 0.6, d: 0.6}"
    )
    engine, _ = given_complaint(known(text))
    a, b = engine.one_hot("a", "present"), engine.one_hot("b", "present")
    assert engine.query({"b": b}).beliefs["d"] == pytest.approx(engine.query({}).beliefs["d"], abs=EXACT)
    assert engine.query({"a": a, "b": b}).beliefs["d"] < engine.query({"a": a}).beliefs["d"] - 0.05


def test_repairing_the_parent_leaves_what_it_brought(known: Known) -> None:
    """After a's remedy took for certain, b is as likely as it was; after b's, a is."""
    text = BROUGHT["one by one"].replace("remedy_minutes: 5", "remedy_minutes: 5, remedy_success: 1.0")
    knowledge = known(text)
    for repaired, other in (("a", "b"), ("b", "a")):
        engine = compile_tables(build(knowledge, "c", [Repair(repaired, frozenset())]).tables)
        was = {
            "c#1": engine.one_hot("c#1", "present"),
            f"{repaired}#1": engine.one_hot(f"{repaired}#1", "present"),
        }
        now = engine.query(was)
        assert now.beliefs[repaired] == pytest.approx(0, abs=EXACT)
        before, _ = given_complaint(knowledge)
        said = {"c": before.one_hot("c", "present"), repaired: before.one_hot(repaired, "present")}
        assert now.beliefs[other] == pytest.approx(before.query(said).beliefs[other], abs=EXACT)
        assert now.beliefs[other] > 0.3


def test_a_second_repair_knows_what_the_first_fault_had_brought(known: Known) -> None:
    """With a and then b repaired for certain, only what is not listed is left, and the other way round."""
    text = BROUGHT["one by one"].replace("remedy_minutes: 5", "remedy_minutes: 5, remedy_success: 1.0")
    knowledge = known(text)
    for first, second in (("a", "b"), ("b", "a")):
        repairs = [Repair(first, frozenset()), Repair(second, frozenset())]
        engine = compile_tables(build(knowledge, "c", repairs).tables)
        posterior = engine.query({"c#1": engine.one_hot("c#1", "present")})
        assert posterior.beliefs["a"] == pytest.approx(0, abs=EXACT)
        assert posterior.beliefs["b"] == pytest.approx(0, abs=EXACT)
        assert posterior.beliefs["unlisted:c"] == pytest.approx(0.05, abs=EXACT)
        assert posterior.beliefs[f"{first}#1"] == pytest.approx(0.6, abs=EXACT)
        assert posterior.beliefs[f"{second}#2"] == pytest.approx(0.6, abs=EXACT)


REFUSED: dict[str, tuple[str, str, str]] = {
    # what is wrong: the text, the words pointed at, how the sentence begins
    "below 100 for one value": (
        complaint("any_of: {a: {by: t, u: 60, v: 20}, b: 70}") + "facts:\n" + fact() + faults("a", "b"),
        "any_of: {a",
        "shares: For v: the numbers and unlisted add up to 95: 5 of 100 cars are missing.",
    ),
    "a value without a number": (
        complaint("any_of: {a: {by: t, u: 60}, b: 70}") + "facts:\n" + fact() + faults("a", "b"),
        "a: {by",
        "limit: There is no number for 'v'. Add 'v: …'.",
    ),
    "a value that the fact does not have": (
        complaint("any_of: {a: {by: t, u: 60, v: 50, w: 3}, b: 70}") + "facts:\n" + fact() + faults("a", "b"),
        "w: 3",
        "unknown-id: There is no value 'w'.",
    ),
    "a fact that nobody defines": (
        complaint("any_of: {a: {by: tt, u: 60, v: 50}, b: 70}") + "facts:\n" + fact() + faults("a", "b"),
        "by: tt",
        "unknown-id: There is no fact 'tt'. Did you mean 't'?",
    ),
    "two facts in one gate": (
        complaint("any_of: {a: {by: t, u: 60, v: 50}, b: {by: n, p: 70, q: 80}}")
        + "facts:\n"
        + fact()
        + fact("p: 50, q: 50", "n")
        + faults("a", "b"),
        "b: {by",
        "gate: 'b' is by 'n', and another member by 't'.",
    ),
    "by the fact and times as likely by it": (
        complaint("any_of: {a: {by: t, u: 60, v: 50}, b: 70}")
        + "facts:\n"
        + fact()
        + faults("a", "b", a="given: {t: {u: 2}}"),
        "a: {by",
        "two-numbers: 'a' is by 't' here and under its 'given'.",
    ),
    "never": (
        complaint("any_of: {a: {by: t, u: 0, v: impossible}, b: 99}")
        + "facts:\n"
        + fact()
        + faults("a", "b"),
        "a: {by",
        "ruled-out: 't' makes 'a' impossible on every car.",
    ),
    "too large a branch for one value": (
        complaint("any_of: {x: 60, b: 50}")
        + "branches:\n"
        + branch("x", "any_of: {a: {by: t, u: 90, v: 40}, d: 80}", rest=True)
        + "facts:\n"
        + fact()
        + faults("a", "b", "d"),
        "any_of: {a",
        "shares: The numbers of 'x' for u add up to 170 (a 90, d 80); here at most about",
    ),
    "brought more often than it is there": (
        complaint("any_of: {a: 95, b: 10}") + faults("a", "b", b="brought_by: {a: 20 of 100}"),
        "brought_by",
        "brought: Of 100 cars with 'c' 'a' would bring 'b' in 20.9, and its number comes to 11.",
    ),
    "no room for both": (
        complaint("any_of: {a: 60, b: 60}") + faults("a", "b", b="brought_by: {a: 90 of 100}"),
        "any_of: {a",
        "brought: Faults that bring others leave 29 of 100 cars without a cause.",
    ),
    "each by the other": (
        complaint("any_of: {a: 60, b: 50}")
        + faults("a", "b", a="brought_by: {b: 0.2}", b="brought_by: {a: 0.2}"),
        "a: {name",
        "circle: 'a' depends on itself: a → b → a.",
    ),
    "by a fault that is not there": (
        complaint("any_of: {a: 60, b: 50}") + faults("a", "b", b="brought_by: {aa: 0.2}"),
        "aa: 0.2",
        "unknown-id: There is no fault 'aa'. Did you mean 'a'?",
    ),
}


@pytest.mark.parametrize("mistake", REFUSED)
def test_what_cannot_be_is_refused_in_words(mistake: str) -> None:
    """At the words that are wrong, with what would be right."""
    text, at, sentence = REFUSED[mistake]
    said, places = refusal(text)
    assert len(said) == 1, said
    assert said[0].startswith(sentence)
    assert places[0].startswith(at)


def test_the_picture_has_each_number_and_what_brings_a_fault(known: Known) -> None:
    """Numbers stand in the order of the values, which the legend names; a parent stands with the fault."""
    picture = tree_svg(known(BY_FACT["and one brings another"]), "c")
    words = " ".join(" ".join(re.findall(r">([^<]+)<", picture)).split())
    assert "30 | 40 | 48 of 100" in words
    assert "Fact: new | used | old" in words
    assert "Fault d (brought in 20 of 100 by Fault a)" in words


def test_check_says_for_each_kind_of_car_what_a_share_comes_to(
    advisor: Callable[..., Ran], tmp_path: Path
) -> None:
    """12 of 100 of 70 of 100 are 8.4 of 100 (by hand), on new cars; and so on."""
    file = tmp_path / "x.yaml"
    file.write_text(HEAD + BY_FACT["only within a branch"], encoding="utf-8")
    ran = advisor("check", file, "--share", "a")
    assert ran.code == 0
    lines = [line for line in ran.out.splitlines() if line.startswith(("Cars", "a:"))]
    assert lines == [
        "Cars with t new:",
        "a: 8.4 of 100 cars with c (12 of 100 with x, itself 70 of 100 with c).",
        "Cars with t used:",
        "a: 21 of 100 cars with c (30 of 100 with x, itself 70 of 100 with c).",
        "Cars with t old:",
        "a: 33.6 of 100 cars with c (48 of 100 with x, itself 70 of 100 with c).",
    ]


def test_learning_leaves_the_new_numbers_alone_and_says_so(known: Known) -> None:
    """Shares by a fact, and how often one fault brings another, are named as not revised."""
    learned = learn(known(BY_FACT["and one brings another"]), [Finding("c", frozenset({"a"}))] * 9)
    assert learned.changes == ()
    assert dict(learned.not_revised) == {
        ("complaints", "c"): "shares by 't' are not revised",
        ("faults", "d"): "how often another fault brings it is not revised",
    }


def test_listed_parts_are_exact_where_a_fault_brings_another(known: Known) -> None:
    """Of the cars with a gate, those with a listed cause below it, by the sum over every state."""
    knowledge = known(BROUGHT["across branches"])
    found = enumerated(knowledge, listed=True)
    part = listed_part(knowledge, "c")
    for gate in ("c", "x", "y"):
        assert part[gate] == pytest.approx(found[gate]["listed"], abs=EXACT)


def test_files_without_the_new_words_keep_their_version() -> None:
    """The version that open jobs were weighed by, computed before the language had these words."""
    assert checked([Path(__file__).parent / "old" / "first"]).version == "ef9eca1a5976"


def test_shares_by_fact_make_another_version(known: Known) -> None:
    """Whoever changes one value's number has another knowledge."""
    text = BY_FACT["beside plain numbers"]
    assert known(text).version != known(text.replace("old: 48", "old: 47")).version


def test_the_guides_example_of_times_as_likely_is_true(tmp_path: Path) -> None:
    """The numbers that knowledge/README.md states for a factor of 20 are those of the program."""
    guide = (Path(__file__).parent.parent / "knowledge" / "README.md").read_text(encoding="utf-8")
    part = guide.split("### What a factor compares")[1].split("\n## ")[0]
    file = tmp_path / "x.yaml"
    file.write_text(HEAD + part.split("```yaml\n")[1].split("```")[0], encoding="utf-8")
    engine, posterior = given_complaint(checked([file]), "no_cooling")
    assert posterior.beliefs["clutch"] == pytest.approx(0.20, abs=EXACT)
    of = {
        value: engine.query(
            {"no_cooling": engine.one_hot("no_cooling", "present"), "age": engine.one_hot("age", value)}
        ).beliefs["clutch"]
        for value in ("young", "old")
    }
    assert f"{100 * of['old']:.1f} of 100" in part
    assert f"{100 * of['young']:.1f} of 100" in part
    assert f"{of['old'] / of['young']:.1f} times" in part
