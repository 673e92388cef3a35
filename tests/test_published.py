"""The engine against numbers that stand in the literature; each test names its source.

The data are in published/*.json: `published` is as printed and rounded, `expected` is exact. `standing`
says how far the print itself was seen.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike

from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, ImpossibleEvidence, Posterior
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.model.noisy import noisy_max, noisy_or
from tests import oracle
from tests.oracle import BINARY

ABSENT, PRESENT = (1.0, 0.0), (0.0, 1.0)


@cache
def published(name: str) -> Any:
    """The content of one data file."""
    return json.loads((Path(__file__).parent / "published" / f"{name}.json").read_text(encoding="utf-8"))


def tree(identity: str) -> Any:
    """One tree of fault_trees.json."""
    return next(tree for tree in published("fault_trees")["trees"] if tree["id"] == identity)


def network(identity: str) -> Any:
    """One network of networks.json."""
    return next(net for net in published("networks")["networks"] if net["id"] == identity)


def exactly(value: float) -> Any:
    """Within 1e-9, and within 1e-9 of its size where it is small."""
    return pytest.approx(value, rel=1e-9, abs=1e-13)


def within(value: float, tolerance: float = 1e-9) -> Any:
    """Within an absolute tolerance."""
    return pytest.approx(value, rel=0, abs=tolerance)


def present(posterior: Posterior, names: Sequence[str] | Mapping[str, Any]) -> dict[str, float]:
    """P(present | seen) of binary hidden nodes."""
    return {name: float(posterior.marginals[name][1]) for name in names}


def compile_with_event_readings(shape: Mapping[str, Any]) -> Engine:
    """A tree whose sought node is its top, each basic event with a reading "EVENT seen" that never errs."""
    readings = [oracle.copy_of(f"{name} seen", name, 2) for name in shape["basic_events"]]
    return compile_tables(oracle.tree_tables(shape, readings, targets=(shape["top"],)))


def assert_tree_is_exact(identity: str) -> None:
    """P(top), P(event | top) and I(event ; top) are those of the exact calculation."""
    shape = tree(identity)
    expected = shape["expected"]
    engine = compile_with_event_readings(shape)
    before, after = engine.query_batch([{}, {shape["top"]: PRESENT}])
    assert before.marginals[shape["top"]][1] == exactly(expected["p_top"])
    assert after.log2_evidence == exactly(math.log2(expected["p_top"]))
    assert present(after, shape["basic_events"]) == {
        name: exactly(p) for name, p in expected["posterior_given_top"].items()
    }
    assert before.expected_information_bits == {
        f"{name} seen": pytest.approx(bits, rel=1e-6, abs=1e-12)
        for name, bits in expected["information_with_top_bits"].items()
    }


# Fault trees


def test_the_pressure_tank_ruptures_as_often_as_printed() -> None:
    """Vesely, Goldberg, Roberts & Haasl, Fault Tree Handbook, NUREG-0492 (1981): the pressure tank."""
    assert_tree_is_exact("nureg0492_pressure_tank")


def test_single_causes_of_the_pressure_tank_have_their_printed_importance() -> None:
    """Vesely et al., Fault Tree Handbook (1981): T has 14 % of the ruptures, K2 has 86 %, rounded."""
    engine = compile_tables(oracle.tree_tables(tree("nureg0492_pressure_tank")))
    assert present(engine.query({"E1": PRESENT}), ("T", "K2")) == {
        "T": within(0.14, 5e-3),
        "K2": within(0.86, 5e-3),
    }


def test_pressure_tank_cut_sets_are_minimal() -> None:
    """Vesely et al., Fault Tree Handbook (1981): each cut set ruptures the tank, no part of it does."""
    shape = tree("nureg0492_pressure_tank")
    engine = compile_tables(oracle.tree_tables(shape))
    for cut in shape["published"]["minimal_cut_sets"]:
        for size in range(len(cut) + 1):
            for part in itertools.combinations(cut, size):
                seen = {name: PRESENT if name in part else ABSENT for name in shape["basic_events"]}
                assert engine.query(seen).marginals["E1"][1] == (1.0 if size == len(cut) else 0.0)


def test_the_multiprocessor_fails_as_often_as_printed() -> None:
    """Bobbio, Portinale, Minichino & Ciancamerla, Improving the analysis of dependable systems (2001)."""
    assert_tree_is_exact("bobbio2001_multiprocessor")


def test_parts_of_the_multiprocessor_have_their_printed_posteriors() -> None:
    """Bobbio et al. (2001), table of posteriors: disk 0.9844, processor 0.0225, bus 0.00081."""
    engine = compile_tables(oracle.tree_tables(tree("bobbio2001_multiprocessor")))
    beliefs = present(engine.query({"TE": PRESENT}), ("D11", "P1", "N"))
    assert beliefs == {"D11": within(0.9844, 5e-5), "P1": within(0.0225, 5e-5), "N": within(0.00081, 5e-6)}


def test_the_tree_of_vesely_comes_to_its_printed_top() -> None:
    """W. E. Vesely, A time-dependent methodology for fault tree evaluation (1970), Fig. 1 at 5000 h."""
    assert_tree_is_exact("vesely1970_fig1")


def test_vesely_1970_irrelevant_events_tell_nothing() -> None:
    """Vesely (1970): events 7 to 10 are in the tree, yet logically irrelevant; they tell exactly 0 bits."""
    shape = tree("vesely1970_fig1")
    engine = compile_with_event_readings(shape)
    before, after = engine.query_batch([{}, {"TOP": PRESENT}])
    irrelevant = ("7", "8", "9", "10")
    assert [before.expected_information_bits[f"{name} seen"] for name in irrelevant] == [0.0] * 4
    assert present(after, irrelevant) == {name: exactly(shape["basic_events"][name]) for name in irrelevant}


def test_the_tree_of_vesely_follows_its_printed_curve_over_time() -> None:
    """Vesely (1970), Table 3: the probability of the top at 1000 to 10000 h, from the rates of Table 2."""
    shape = tree("vesely1970_fig1")
    rates = shape["published"]["failure_rates_per_h"]
    for hours, p_top in shape["published"]["p_top_by_time_h"].items():
        events = {name: -math.expm1(-rate * float(hours)) for name, rate in rates.items()}
        engine = compile_tables(oracle.tree_tables({**shape, "basic_events": events}))
        assert engine.query({}).marginals["TOP"][1] == exactly(p_top)


def test_two_trains_fail_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA Model Exchange Format examples (2019): two trains, 0.4 to 0.7."""
    assert_tree_is_exact("two_train_p4567")


def test_causes_of_two_trains_have_their_printed_importance() -> None:
    """Rakhimov et al., Open-PSA examples (2019): Birnbaum, diagnosis, achievement and reduction worth."""
    shape = tree("two_train_p4567")
    engine = compile_tables(oracle.tree_tables(shape))
    p_top = engine.query({}).marginals["TopEvent"][1]
    for name, printed in shape["published"]["importance"].items():
        with_it, without = (
            posterior.marginals["TopEvent"][1]
            for posterior in engine.query_batch([{name: PRESENT}, {name: ABSENT}])
        )
        given_top = engine.query({"TopEvent": PRESENT}).marginals[name][1]
        assert {
            "birnbaum": with_it - without,
            "posterior_given_top": given_top,
            "raw": with_it / p_top,
            "rrw": p_top / without,
        } == {measure: pytest.approx(value, rel=1e-3) for measure, value in printed.items()}


def test_two_trains_alike_fail_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019): two trains with valves 0.5 and pumps 0.7, top 0.7225."""
    assert_tree_is_exact("two_train_5577")


def test_the_operating_theatre_loses_power_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019): operating-theatre power supply, top 0.00207."""
    assert_tree_is_exact("theatre")


def test_the_lift_door_fails_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019): lift door, with probabilities down to 1e-18 inside."""
    assert_tree_is_exact("lift")


def test_an_event_shared_by_two_trains_counts_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019), lecture tree ne574: C in both trains, top 0.662208."""
    assert_tree_is_exact("ne574")


def test_two_of_three_hold_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019): 2 of 3 with 0.1, 0.2, 0.3, top 0.098."""
    assert_tree_is_exact("atleast_2of3")


def test_one_or_two_of_three_hold_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019): cardinality gate 1 to 2 of 3, top 0.49."""
    assert_tree_is_exact("cardinality_1to2of3")


def test_an_exclusive_or_of_three_holds_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019): exclusive or of three, top 0.404."""
    assert_tree_is_exact("xor_abc")


def test_pressure_protection_with_a_common_cause_fails_as_often_as_printed() -> None:
    """Rakhimov et al., Open-PSA examples (2019): 2-of-3 sensors with a common cause, top 0.0016209."""
    assert_tree_is_exact("hipps_2oo3_ccf")


def test_the_small_tree_comes_to_its_printed_top() -> None:
    """Rakhimov et al., Open-PSA examples (2019): small tree, top 0.02678."""
    assert_tree_is_exact("small_tree")


def test_seven_gates_come_to_their_printed_top() -> None:
    """Idaho National Laboratory, fault tree quantification, example logic2 (2026): top 0.000694024."""
    assert_tree_is_exact("inl_logic2")


def test_memory_that_needs_three_of_five_fails_as_often_as_printed() -> None:
    """Stamatelatos, Vesely, Dugan et al., Fault Tree Handbook with Aerospace Applications (2002): memory."""
    assert_tree_is_exact("hecs_memory_3of5")


@pytest.mark.parametrize(
    ("identity", "printed"),
    [
        (shape["id"], shape["published"]["p_top"])
        for shape in published("fault_trees")["trees"]
        if "p_top" in shape.get("published", {})
    ],
)
def test_every_top_is_the_printed_one_to_its_digits(identity: str, printed: float) -> None:
    """Rakhimov et al. (2019) and Idaho National Laboratory (2026): P(top) as printed, to its digits."""
    shape = tree(identity)
    engine = compile_tables(oracle.tree_tables(shape))
    assert engine.query({}).marginals[shape["top"]][1] == pytest.approx(printed, rel=2e-4)


@pytest.mark.parametrize("identity", [shape["id"] for shape in published("fault_trees")["trees"]])
def test_a_look_at_the_top_tells_its_entropy(identity: str) -> None:
    """The top is a function of the basic events: reading it without error tells its whole entropy.

    The trees are those of the tests above, with their sources.
    """
    shape = tree(identity)
    top_seen = oracle.copy_of("top seen", shape["top"], 2)
    engine = compile_tables(oracle.tree_tables(shape, [top_seen]))
    p = shape["expected"]["p_top"]
    assert engine.query({}).expected_information_bits["top seen"] == exactly(oracle.entropy((1 - p, p)))


def test_at_least_k_of_n_equal_causes_follow_the_binomial_identity() -> None:
    """Binomial identity: the chance of at least k of n equal causes."""
    for case in published("k_out_of_n")["equal_p"]:
        names = [f"e{at}" for at in range(case["n"])]
        shape = {
            "basic_events": dict.fromkeys(names, case["p"]),
            "gates": {"top": {"type": "atleast", "inputs": names, "k": case["k"]}},
        }
        posterior = compile_tables(oracle.tree_tables(shape)).query({})
        assert posterior.marginals["top"][1] == exactly(case["p_at_least_k"])


def test_at_least_k_of_unequal_causes_follow_the_poisson_binomial_identity() -> None:
    """Poisson-binomial identity: the chance of at least, and of exactly, k of 5 unequal causes."""
    case = published("k_out_of_n")["unequal_p"]
    events = {f"e{at}": p for at, p in enumerate(case["p"])}
    for k in range(1, 6):
        shape = {
            "basic_events": events,
            "gates": {
                "at least": {"type": "atleast", "inputs": list(events), "k": k},
                "exactly": {"type": "cardinality", "inputs": list(events), "min": k, "max": k},
            },
        }
        posterior = compile_tables(oracle.tree_tables(shape)).query({})
        assert posterior.marginals["at least"][1] == exactly(case["p_at_least"][str(k)])
        assert posterior.marginals["exactly"][1] == exactly(case["p_exactly"][k])


# Bayesian networks


def assert_network_is_exact(identity: str) -> None:
    """Posteriors, P(evidence), and information of tests, leaves or not, about the joint of the sought."""
    net = network(identity)
    parents = {parent for said in net["nodes"].values() for parent in said["parents"]}
    for case in net["cases"]:
        targets = tuple(case["sought"])
        leaves = [name for name in net["nodes"] if name not in parents and name not in targets]
        copied = [name for name in case["information_bits"] if name not in leaves]
        engine = compile_tables(oracle.network_tables(net["nodes"], leaves, targets, copied))
        posterior = engine.query(
            {name: engine.one_hot(name, state) for name, state in case["evidence"].items()}
        )
        assert 2**posterior.log2_evidence == exactly(case["p_evidence"])
        for name, wanted in case["posterior"].items():
            believed = (posterior.predictive if name in leaves else posterior.marginals)[name]
            states = net["nodes"][name]["states"]
            for state, p in wanted.items():
                assert believed[states.index(state)] == exactly(p)
        bits = {
            name: posterior.expected_information_bits[f"{name} seen" if name in copied else name]
            for name in case["information_bits"]
        }
        assert bits == {name: within(value) for name, value in case["information_bits"].items()}
        assert sorted(bits, key=lambda name: -bits[name]) == case["ranking"]


def test_the_chest_clinic_gives_its_exact_beliefs() -> None:
    """Lauritzen & Spiegelhalter, Local computations with probabilities on graphical structures (1988)."""
    assert_network_is_exact("asia")


def test_the_chest_clinic_gives_its_printed_posteriors() -> None:
    """Lauritzen & Spiegelhalter (1988): lung 0.0995 and bronc 0.8114 after Asia and dyspnoea."""
    net = network("asia")
    engine = compile_tables(oracle.network_tables(net["nodes"], ("xray", "dysp"), ("tub", "lung", "bronc")))
    printed = net["published"]["asia yes, dysp yes"]
    posterior = engine.query({"asia": (1, 0), "dysp": (1, 0)})
    assert posterior.marginals["lung"][0] == within(printed["lung=yes"], 5e-8)
    assert posterior.marginals["bronc"][0] == within(printed["bronc=yes"], 5e-8)


def test_the_chest_clinic_asks_in_the_order_of_information() -> None:
    """Lauritzen & Spiegelhalter (1988): asked by information, x-ray comes first and smoking second."""
    net = network("asia")
    case = next(case for case in net["cases"] if "greedy" in case)
    tables = oracle.network_tables(net["nodes"], ("xray", "dysp"), ("tub", "lung", "bronc"), ("smoke",))
    engine = compile_tables(tables)
    seen: dict[str, ArrayLike] = {"asia": (1, 0), "dysp": (1, 0)}
    for asked, answered in zip(case["greedy"]["asked"], case["greedy"]["answered"], strict=True):
        bits = engine.query(seen).expected_information_bits
        best = max(bits, key=bits.__getitem__)
        assert best.removesuffix(" seen") == asked
        seen[best] = engine.one_hot(best, answered)
    posterior = engine.query(seen)
    for name, wanted in case["greedy"]["final_posterior"].items():
        assert posterior.marginals[name][0] == exactly(wanted["yes"])


def test_the_burglary_gives_its_exact_beliefs() -> None:
    """Russell & Norvig (after Pearl 1988), Artificial Intelligence: A Modern Approach (2010): burglary."""
    assert_network_is_exact("burglary_aima")


def test_the_burglary_gives_its_printed_posteriors() -> None:
    """Russell & Norvig (2010): P(burglary) 0.284 if both call, 0.00513 and 0.00688 if one does."""
    tables = oracle.network_tables(
        network("burglary_aima")["nodes"], ("JohnCalls", "MaryCalls"), ("Burglary", "Earthquake")
    )
    calls, silent = (1, 0), (0, 1)
    both, john, mary = compile_tables(tables).query_batch(
        [
            {"JohnCalls": calls, "MaryCalls": calls},
            {"JohnCalls": calls, "MaryCalls": silent},
            {"JohnCalls": silent, "MaryCalls": calls},
        ]
    )
    assert both.marginals["Burglary"][0] == within(0.284, 5e-4)
    assert john.marginals["Burglary"][0] == within(0.00513, 5e-6)
    assert mary.marginals["Burglary"][0] == within(0.00688, 5e-6)


def test_the_sprinkler_gives_its_exact_beliefs() -> None:
    """Pearl (1988), Murphy (1998), Russell & Norvig: the sprinkler network."""
    assert_network_is_exact("sprinkler")


def test_the_sprinkler_gives_its_printed_posteriors() -> None:
    """Pearl (1988), Murphy (1998): given wet grass, rain 0.7079, sprinkler 0.4298, cloudy 0.5758."""
    net = network("sprinkler")
    engine = compile_tables(oracle.network_tables(net["nodes"], ("WetGrass",), ("Rain", "Sprinkler")))
    posterior = engine.query({"WetGrass": (1, 0)})
    for name in ("Rain", "Sprinkler", "Cloudy"):
        assert posterior.marginals[name][0] == within(net["published"][f"P({name}|wet)"], 2e-10)


def test_the_earthquake_gives_its_exact_beliefs() -> None:
    """Korb & Nicholson, Bayesian Artificial Intelligence (2010): burglary with their parameters."""
    assert_network_is_exact("earthquake")


def test_the_cancer_network_gives_its_exact_beliefs() -> None:
    """Korb & Nicholson, Bayesian Artificial Intelligence (2010), ch. 2: lung cancer."""
    assert_network_is_exact("cancer")


def test_the_fire_alarm_gives_its_exact_beliefs() -> None:
    """Chan & Darwiche, When do numbers really matter? (2002): an alarm with a third state, malfunction."""
    assert_network_is_exact("firealarm")


# Readings on fault trees


def reading_case(identity: str) -> tuple[Any, Engine]:
    """One case of readings_on_trees.json, and its engine."""
    case = next(case for case in published("readings_on_trees")["cases"] if case["id"] == identity)
    readings = [
        CPT(name, tuple(said["parents"]), np.array(said["cpt"])) for name, said in case["readings"].items()
    ]
    outcomes = {name: tuple(said["outcomes"]) for name, said in case["readings"].items()}
    return case, compile_tables(oracle.tree_tables(tree(case["tree"]), readings, outcomes))


def as_evidence(engine: Engine, said: Mapping[str, str]) -> dict[str, Any]:
    """Likelihoods for "1", "0" on events and gates, and for outcomes of readings by name."""
    return {
        name: {"1": PRESENT, "0": ABSENT}[state] if state in ("0", "1") else engine.one_hot(name, state)
        for name, state in said.items()
    }


CASES = ("V1_two_train", "V2_hipps_2oo3", "V3_multiprocessor")


@pytest.mark.parametrize("identity", CASES)
def test_readings_on_published_trees_give_published_numbers(identity: str) -> None:
    """Beliefs, predictions, informations on trees of Rakhimov et al. (2019) and Bobbio et al. (2001)."""
    case, engine = reading_case(identity)
    for said in case["evidence_cases"]:
        posterior = engine.query(as_evidence(engine, said["evidence"]))
        assert 2**posterior.log2_evidence == exactly(said["p_evidence"])
        assert present(posterior, said["posterior"]) == {
            name: exactly(p) for name, p in said["posterior"].items()
        }
        for name, predicted in said["predictive"].items():
            assert dict(zip(engine.outcomes[name], posterior.predictive[name], strict=True)) == {
                outcome: exactly(p) for outcome, p in predicted.items()
            }
        assert posterior.expected_information_bits == {
            name: within(bits) for name, bits in said["information_bits"].items()
        }


@pytest.mark.parametrize("per_cost", [False, True], ids=["by information", "by information per cost"])
@pytest.mark.parametrize("identity", CASES)
def test_greedy_order_on_published_trees_is_the_published_one(identity: str, per_cost: bool) -> None:
    """The greedy order of questions on trees of Rakhimov et al. (2019) and Bobbio et al. (2001)."""
    case, engine = reading_case(identity)
    greedy = case["greedy_by_information_per_cost" if per_cost else "greedy_by_information"]
    seen = as_evidence(engine, {case["top"]: "1"})
    for step in greedy["steps"]:
        bits = engine.query(seen).expected_information_bits
        worth = {name: b / case["readings"][name]["cost"] if per_cost else b for name, b in bits.items()}
        best = max(worth, key=worth.__getitem__)
        assert (best, bits[best]) == (step["ask"], within(step["information_bits"]))
        seen[best] = engine.one_hot(best, step["answer"])
    beliefs = present(engine.query(seen), greedy["final_posterior"])
    assert beliefs == {name: exactly(p) for name, p in greedy["final_posterior"].items()}
    assert sorted(beliefs, key=lambda name: -beliefs[name])[:3] == greedy["final_top3"]


def test_flow_readings_tell_nothing_once_the_top_is_known() -> None:
    """Two trains of Rakhimov et al. (2019): the top proves both trains failed; their flow tells exactly 0."""
    _, engine = reading_case("V1_two_train")
    bits = engine.query({"TopEvent": PRESENT}).expected_information_bits
    assert (bits["flow1"], bits["flow2"]) == (0.0, 0.0)


# Information


def one_node(prior: Sequence[float], readings: Mapping[str, Sequence[Sequence[float]]]) -> Engine:
    """One sought node "cause" and readings of it by their tables."""
    tables = [oracle.root("cause", prior)]
    outcomes = {"cause": tuple(str(state) for state in range(len(prior)))}
    for name, values in readings.items():
        tables.append(CPT(name, ("cause",), np.array(values, dtype=np.float64)))
        outcomes[name] = tuple(str(state) for state in range(len(values[0])))
    return compile_tables(DiscreteNetwork(tuple(tables), outcomes, ("cause",), tuple(readings)))


def weighing(left: Sequence[int], right: Sequence[int]) -> list[list[float]]:
    """P(balance, left, right | which of 12 balls is odd: 0 to 11 heavy, 12 to 23 light)."""
    rows = []
    for ball, heavy in itertools.product(range(12), (True, False)):
        side = "left" if ball in left else "right" if ball in right else ""
        down = side if heavy or not side else {"left": "right", "right": "left"}[side]
        rows.append([float(down == outcome) for outcome in ("", "left", "right")])
    return rows


def test_first_weighing_of_twelve_balls() -> None:
    """MacKay, Information Theory, Inference, and Learning Algorithms (2003), exercise 4.1: 4 against 4."""
    data = published("information")["weighing_12_balls"]
    names = {f"{n}v{n}": weighing(range(n), range(n, 2 * n)) for n in range(1, 7)}
    bits = one_node([1 / 24] * 24, names).query({}).expected_information_bits
    assert bits == {
        name: within(said["expected_information"]) for name, said in data["first_weighing"].items()
    }
    assert max(bits, key=bits.__getitem__) == "4v4"
    assert bits["6v6"] == within(data["published"]["6v6"])


def test_second_weighing_of_twelve_balls() -> None:
    """MacKay (2003), section 4.1: after a balance of 4 against 4, three suspects against three good ones."""
    data = published("information")["weighing_12_balls"]["second_weighing_after_balance"]
    engine = one_node(
        [1 / 24] * 24,
        {
            "first": weighing(range(4), range(4, 8)),
            "3 suspects vs 3 good": weighing((8, 9, 10), (0, 1, 2)),
            "1 suspect vs 1 suspect": weighing((8,), (9,)),
            "2 vs 2 suspects": weighing((8, 9), (10, 11)),
        },
    )
    bits = engine.query({"first": (1, 0, 0)}).expected_information_bits
    assert bits == {name: within(value) for name, value in data.items()}


def test_submarine_search_gives_published_information() -> None:
    """MacKay (2003), section 4.1: one submarine in 64 squares; what was seen so far is worth -log2 P bits."""
    data = published("information")["submarine_64_squares"]
    squares = 64
    engine = one_node(
        [1 / squares] * squares,
        {f"shot {at}": [[float(s != at), float(s == at)] for s in range(squares)] for at in range(49)},
    )
    misses = [{f"shot {at}": (1, 0) for at in range(count)} for count in (0, 1, 32, 48)]
    none, one, half, many = engine.query_batch(misses)
    assert none.expected_information_bits["shot 0"] == within(data["first_shot_expected_information"])
    assert -one.log2_evidence == within(data["miss_first_information"])
    assert -half.log2_evidence == within(data["information_after_32_misses_total"])
    assert -many.log2_evidence == within(data["information_after_48_misses_total"])
    hit = engine.query({**misses[2], "shot 32": (0, 1)})
    assert half.log2_evidence - hit.log2_evidence == within(data["hit_on_33rd_shot_information"])
    assert -hit.log2_evidence == within(data["total_after_hit_on_33rd"])


def play_tennis() -> Engine:
    """Fourteen days alike, an unsought node; play and weather are functions of the day."""
    data = published("information")["play_tennis"]
    columns = {name: [row[at] for row in data["rows"]] for at, name in enumerate(data["columns"])}
    outcomes = {name: tuple(dict.fromkeys(values)) for name, values in columns.items()}
    days = len(data["rows"])
    tables = [oracle.root("day", [1 / days] * days)]
    for name, values in columns.items():
        table = np.array([[float(value == outcome) for outcome in outcomes[name]] for value in values])
        tables.append(CPT(name, ("day",), table))
    weather = tuple(name for name in columns if name != "PlayTennis")
    outcomes["day"] = tuple(f"day {at}" for at in range(1, days + 1))
    return compile_tables(DiscreteNetwork(tuple(tables), outcomes, ("PlayTennis",), weather))


def test_play_tennis_gives_published_information_gains() -> None:
    """Quinlan, Induction of decision trees (1986); Mitchell, Machine Learning (1997), 3.4.1: the gains."""
    data = published("information")["play_tennis"]
    bits = play_tennis().query({}).expected_information_bits
    assert bits == {name: within(gain) for name, gain in data["computed_gain"].items()}
    assert bits == {name: within(data["published"][name], 1e-3) for name in bits}


def test_play_tennis_gains_on_sunny_days() -> None:
    """Quinlan (1986); Mitchell (1997), 3.4.1: on the sunny branch humidity tells all, 0.97 bits."""
    data = published("information")["play_tennis"]
    engine = play_tennis()
    bits = engine.query({"Outlook": engine.one_hot("Outlook", "Sunny")}).expected_information_bits
    assert bits == {name: within(gain) for name, gain in data["computed_sunny_branch"].items()}
    assert bits == {name: within(gain, 1e-3) for name, gain in data["published"]["sunny branch"].items()}


def two_by_two(prior: float, sensitivity: float, false_positive: float) -> Engine:
    """A fault and one test of it."""
    rows = [[1 - false_positive, false_positive], [1 - sensitivity, sensitivity]]
    return one_node((1 - prior, prior), {"test": rows})


def test_mammography_gives_published_posterior() -> None:
    """Eddy (1982); Gigerenzer & Hoffrage, How to improve Bayesian reasoning (1995): 8 of 103, or 7.8 %."""
    data = published("information")["diagnostic_2x2"]
    said = data["mammography"]
    engine = two_by_two(said["prevalence"], said["sensitivity"], said["false_positive_rate"])
    assert engine.query({"test": PRESENT}).marginals["cause"][1] == within(data["published"]["ppv"], 5e-4)


def test_two_by_two_tables() -> None:
    """Gigerenzer & Hoffrage (1995) and a sweep of prevalence: predictive values and information of a test."""
    data = published("information")["diagnostic_2x2"]
    for said in (data["mammography"], data["hiv_low_risk_gigerenzer"], *data["sweep"]):
        engine = two_by_two(said["prevalence"], said["sensitivity"], said["false_positive_rate"])
        before, positive, negative = engine.query_batch([{}, {"test": PRESENT}, {"test": ABSENT}])
        assert before.predictive["test"][1] == exactly(said["p_positive"])
        assert positive.marginals["cause"][1] == exactly(said["ppv"])
        assert negative.marginals["cause"][0] == exactly(said["npv"])
        assert before.expected_information_bits["test"] == within(said["mutual_information"])


def test_symmetric_channel() -> None:
    """Shannon (1948); Cover & Thomas, Elements of Information Theory (2006), ch. 7: 1 - h(error) bits."""
    data = published("information")["channels"]
    for error, capacity in data["bsc_capacity"].items():
        engine = two_by_two(0.5, 1 - float(error), float(error))
        assert engine.query({}).expected_information_bits["test"] == within(capacity)
    for said in data["bsc_mi_nonuniform_input"]:
        engine = two_by_two(said["prior"], 1 - said["error"], said["error"])
        assert engine.query({}).expected_information_bits["test"] == within(said["mi"])


def test_chain_rule_of_two_tests() -> None:
    """Cover & Thomas, Elements of Information Theory (2006): I(1, 2 ; F) = I(1 ; F) + I(2 ; F | 1)."""
    data = published("information")["chain_rule_two_tests"]
    rows = {
        name: [[1 - data[name]["fpr"], data[name]["fpr"]], [1 - data[name]["sens"], data[name]["sens"]]]
        for name in ("test1", "test2")
    }
    both = [
        [p * q for p in first for q in second]
        for first, second in zip(rows["test1"], rows["test2"], strict=True)
    ]
    engine = one_node((1 - data["prior"], data["prior"]), {**rows, "both": both})
    before, no, yes = engine.query_batch([{}, {"test1": ABSENT}, {"test1": PRESENT}])
    p_no, p_yes = before.predictive["test1"]
    later = p_no * no.expected_information_bits["test2"] + p_yes * yes.expected_information_bits["test2"]
    assert before.expected_information_bits == {
        "test1": within(data["mi_test1"]),
        "test2": within(data["mi_test2"]),
        "both": within(data["mi_both"]),
    }
    assert later == within(data["mi_test2_given_test1_outcome_average"])
    assert before.expected_information_bits["test1"] + later == within(data["mi_both"])


def circuit(values: int) -> Engine:
    """The circuit of three multipliers and two adders, X, Y, Z each with a reading that never errs.

    A component that failed gives any of `values` numbers alike.
    """
    anything = 1 / values
    multiplier = np.full((2, values), anything)
    multiplier[0] = np.eye(values)[6]
    tables = [oracle.root(name, (0.99, 0.01)) for name in ("M1", "M2", "M3", "A1", "A2")]
    tables += [
        CPT(node, (component,), multiplier) for node, component in (("X", "M1"), ("Y", "M2"), ("Z", "M3"))
    ]
    tables += [oracle.copy_of(f"{node} seen", node, values) for node in "XYZ"]
    sums = np.add.outer(np.arange(values), np.arange(values))
    for name, parents, total in (("F is 10", ("X", "Y", "A1"), 10), ("G is 12", ("Y", "Z", "A2"), 12)):
        holds = np.stack([(sums == total).astype(float), np.full(sums.shape, anything)], axis=-1)
        tables.append(CPT(name, parents, np.stack([1 - holds, holds], axis=-1)))
    numbers = tuple(str(value) for value in range(values))
    outcomes = {table.child: numbers if table.child[0] in "XYZ" else BINARY for table in tables}
    readings = ("X seen", "Y seen", "Z seen", "F is 10", "G is 12")
    return compile_tables(DiscreteNetwork(tuple(tables), outcomes, ("M1", "M2", "M3", "A1", "A2"), readings))


@pytest.mark.parametrize("values", [13, 16])
def test_circuit_best_next_measurement(values: int) -> None:
    """De Kleer & Williams, Diagnosing multiple faults (1987): measure X next.

    What X tells is about the components; that X itself becomes known does not count.
    """
    data = published("information")["circuit_of_multipliers"]
    expected = data["expected"][str(values)]
    posterior = circuit(values).query({"F is 10": PRESENT, "G is 12": PRESENT})
    assert 2**posterior.log2_evidence == exactly(expected["p_observations"])
    assert present(posterior, expected["fault_probability"]) == {
        name: exactly(p) for name, p in expected["fault_probability"].items()
    }
    bits = posterior.expected_information_bits
    assert bits == {f"{node} seen": within(b) for node, b in expected["information_bits"].items()}
    assert max(bits, key=bits.__getitem__) == f"{data['published']['best_next_measurement']} seen"


def test_circuit_minimal_diagnoses() -> None:
    """De Kleer & Williams (1987): {A1}, {M1}, {A2, M2} and {M2, M3} explain all, and no part of one does."""
    published_sets = published("information")["circuit_of_multipliers"]["published"]["minimal_diagnoses"]
    engine = circuit(13)
    components = engine.targets
    found: list[tuple[str, ...]] = []
    for size in range(len(components) + 1):
        for failed in itertools.combinations(components, size):
            if any(set(smaller) <= set(failed) for smaller in found):
                continue
            healthy = {name: PRESENT if name in failed else ABSENT for name in components}
            try:
                engine.query({**healthy, "F is 10": PRESENT, "G is 12": PRESENT})
            except ImpossibleEvidence:
                continue
            found.append(failed)
    assert sorted(map(sorted, found)) == sorted(map(sorted, published_sets))


def test_circuit_minimal_conflicts() -> None:
    """De Kleer & Williams (1987): A1, M1, M2 cannot all be well, nor A1, A2, M1, M3; the clash names them."""
    engine = circuit(13)
    with pytest.raises(ImpossibleEvidence) as first:
        engine.query({"F is 10": PRESENT, **dict.fromkeys(("A1", "A2", "M1", "M2", "M3"), ABSENT)})
    assert set(first.value.clash) == {"F is 10", "A1", "M1", "M2"}
    with pytest.raises(ImpossibleEvidence) as second:
        engine.query(
            {"F is 10": PRESENT, "G is 12": PRESENT, **dict.fromkeys(("A1", "A2", "M1", "M3"), ABSENT)}
        )
    assert set(second.value.clash) == {"F is 10", "G is 12", "A1", "A2", "M1", "M3"}


def test_half_split_of_a_chain() -> None:
    """De Kleer & Williams (1987), a chain of stages: probe in the middle, or behind the likelier stage."""
    for case in published("information")["half_split"]["cases"].values():
        posterior = case["single_fault_posterior"]
        stages = len(posterior)
        probes = {
            f"after_{k}": [[float(stage >= k), float(stage < k)] for stage in range(stages)]
            for k in range(1, stages)
        }
        bits = one_node(posterior, probes).query({}).expected_information_bits
        assert bits == {
            name: within(value) for name, value in case["information_of_probing_after_stage_bits"].items()
        }
        assert max(bits, key=lambda name: round(bits[name], 9)) == case["best"]


# Noisy-OR


def test_fever_noisy_or_gives_published_table() -> None:
    """Russell & Norvig, Artificial Intelligence: A Modern Approach (2010), noisy-OR table of fever."""
    data = published("noisy_or")["fever"]
    strengths = [1 - data["inhibition"][name] for name in ("Cold", "Flu", "Malaria")]
    no_fever = noisy_or(0.0, strengths, with_leak=False)[..., 0].ravel()
    assert list(no_fever) == [within(p, 1e-12) for p in data["published_p_no_fever"]]


@pytest.mark.parametrize(
    ("parameters", "with_leak", "column"),
    [
        ("diez_net_parameters", False, "cpt_P(E)"),
        ("henrion_compound_parameters", True, "cpt_P(E)"),
        ("henrion_compound_parameters", False, "pitfall_if_parameterisations_are_mixed"),
    ],
)
def test_leaky_forms(parameters: str, with_leak: bool, column: str) -> None:
    """Henrion (1989), leak included, and Díez (1993), leak apart, give one table; mixed up they do not."""
    data = published("noisy_or")["leaky"]
    strengths = [data[parameters][name] for name in "AB"]
    table = noisy_or(data["leak"], strengths, with_leak)[..., 1]
    expected = data[column]
    assert [table[0, 0], table[1, 0], table[0, 1], table[1, 1]] == [
        within(expected[name], 1e-12) for name in ("none", "A", "B", "AB")
    ]


def test_leak_larger_than_the_strength_that_includes_it() -> None:
    """Henrion (1989): with the leak included, a strength below the leak is impossible."""
    with pytest.raises(ValueError, match="milder"):
        noisy_or(0.1, [0.05], with_leak=True)


@pytest.mark.parametrize(
    ("leak", "effect"),
    [
        # At most mild: 0.3 of the leak's 0.5; at most middle: 0.3 of its 0.6, which is less.
        ((0.5, 0.1, 0.4), (0.3, 0.0, 0.7)),
        # The leak alone never shows the mild outcome.
        ((0.0, 1.0), (0.3, 0.7)),
    ],
)
def test_a_cause_that_would_make_something_milder_is_refused(
    leak: tuple[float, ...], effect: tuple[float, ...]
) -> None:
    """Henrion (1989), by cumulative distributions: what a cause adds to the leak has to be a distribution."""
    with pytest.raises(ValueError, match=r"^the cause makes outcomes milder than they are without it$"):
        noisy_max(np.array(leak), [np.array(effect)], with_leak=True)


def test_an_outcome_that_the_leak_never_shows_is_never_shown() -> None:
    """P(at most middle): 0.4 by the leak, 0.3 and 0.1 with a cause, so 0.4 x 0.75 x 0.25 with both."""
    leak, effects = np.array([0.0, 0.4, 0.6]), [np.array([0.0, 0.3, 0.7]), np.array([0.0, 0.1, 0.9])]
    table = noisy_max(leak, effects, with_leak=True)
    assert list(table[1, 0]) == [0.0, within(0.3, 1e-12), within(0.7, 1e-12)]
    assert list(table[1, 1]) == [0.0, within(0.075, 1e-12), within(0.925, 1e-12)]


def test_noisy_max() -> None:
    """Díez, The generalized noisy OR-gate (1993): the cumulative distributions of the causes multiply."""
    leak, first, second = np.array([0.9, 0.08, 0.02]), np.array([0.3, 0.5, 0.2]), np.array([0.6, 0.1, 0.3])
    table = noisy_max(leak, [first, second], with_leak=False)
    # P(at most mild) = 0.9 * 0.3 * 0.6, P(at most middle) = 0.98 * 0.8 * 0.7
    assert list(table[1, 1]) == [within(0.162, 1e-12), within(0.5488 - 0.162, 1e-12), within(0.4512, 1e-12)]
    assert list(table[1, 0]) == [within(0.27, 1e-12), within(0.784 - 0.27, 1e-12), within(0.216, 1e-12)]
    assert list(table[0, 0]) == [within(p, 1e-12) for p in leak]


def test_quickscore_instance() -> None:
    """Heckerman, A tractable inference algorithm for diagnosing multiple diseases (1989): its formula."""
    data = published("noisy_or")["quickscore"]
    tables = [oracle.root(name, (1 - p, p)) for name, p in data["diseases"].items()]
    for name, said in data["links"].items():
        values = noisy_or(said["leak"], list(said["p"].values()), with_leak=False)
        tables.append(CPT(name, tuple(said["p"]), values))
    outcomes = {table.child: BINARY for table in tables}
    engine = compile_tables(
        DiscreteNetwork(tuple(tables), outcomes, tuple(data["diseases"]), tuple(data["links"]))
    )
    present_findings = dict.fromkeys(data["evidence"]["present"], PRESENT)
    posterior = engine.query({**present_findings, **dict.fromkeys(data["evidence"]["absent"], ABSENT)})
    assert 2**posterior.log2_evidence == exactly(data["p_evidence"])
    # The formula subtracts: its own rounding is about 1e-14, relative 1e-12.
    assert present(posterior, data["posterior"]) == {
        name: exactly(p) for name, p in data["posterior"].items()
    }
    assert posterior.expected_information_bits == {"f5": within(data["joint_mi_f5_bits"])}


# Soft readings


def test_uncertain_testimony() -> None:
    """Pearl, Probabilistic Reasoning in Intelligent Systems (1988), ch. 2: an alarm, or 4 : 1 for it."""
    data = published("soft_evidence")["pearl_alarm"]
    engine = two_by_two(
        data["prior_burglary"], data["p_alarm_given_burglary"], data["p_alarm_given_no_burglary"]
    )
    heard, told = engine.query_batch(
        [{"test": PRESENT}, {"test": (1.0, data["testimony_likelihood_ratio_alarm"])}]
    )
    assert heard.marginals["cause"][1] == exactly(data["posterior_given_alarm"])
    assert heard.marginals["cause"][1] == within(data["published_posterior_given_alarm"], 5e-6)
    assert told.marginals["cause"][1] == exactly(data["posterior_given_testimony_LR4"])


def test_of_a_soft_xray_only_the_ratio_matters() -> None:
    """Chest clinic of Lauritzen & Spiegelhalter (1988): of a soft reading only the ratio matters."""
    data = published("soft_evidence")["asia_soft_xray"]
    tables = oracle.network_tables(network("asia")["nodes"], ("xray", "dysp"), ("tub", "lung", "bronc"))
    engine = compile_tables(tables)
    for case in data["cases"]:
        posterior = engine.query({"dysp": (1, 0), "xray": case["likelihood"]})
        for name, p in case["posterior_yes"].items():
            assert posterior.marginals[name][0] == exactly(p)


def test_candlelight_observation_gives_published_beliefs() -> None:
    """Jeffrey, The Logic of Decision (1965); Chan & Darwiche (2005): new over old belief is a likelihood."""
    data = published("soft_evidence")["jeffrey_cloth"]
    colours = ("green", "blue", "violet")
    sold = [
        [1 - data["p_sold_tomorrow_given_colour"][c], data["p_sold_tomorrow_given_colour"][c]]
        for c in colours
    ]
    engine = one_node([data["prior_colour"][c] for c in colours], {"sold": sold})
    equivalent = [data["equivalent_virtual_evidence_likelihood"][c] for c in colours]
    misread = [data["new_colour_belief"][c] for c in colours]
    before, jeffrey, mistaken = engine.query_batch([{}, {"cause": equivalent}, {"cause": misread}])
    assert before.predictive["sold"][1] == exactly(data["prior_p_sold"])
    assert list(jeffrey.marginals["cause"]) == [exactly(data["new_colour_belief"][c]) for c in colours]
    assert jeffrey.predictive["sold"][1] == exactly(data["jeffrey_p_sold"])
    assert mistaken.predictive["sold"][1] == exactly(data["if_new_belief_misread_as_likelihood"])
