"""Every number that closed jobs revise, against hand calculation, enumeration and SciPy's Beta distribution.

A Dirichlet prior worth s cars becomes the mean (s p + k)/(s + n) after k of n cars, each share of it a Beta
distribution (Gelman et al. 2013, Bayesian Data Analysis, sections 2.4 and 3.4).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import beta

from advisor.case.confirmed import Finding
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.learning.revision import Change, Learned, Weights, learn, listed_part
from advisor.model.priors import solve
from tests.conftest import complaint, faults, given_complaint

Made = Callable[[str], Knowledge]

VEHICLE = "facts:\n  door: {name: Door, ask: Which, values: {framed: 90, frameless: 10}}\n"
ABD = complaint("any_of: {a: 40, b: 36, d: 30}", 6) + faults("a", "b", "d")


def branch(name: str, gate: str) -> str:
    """One branch, to be put under `branches:`."""
    return f"  {name}: {{name: Branch {name}, {gate}}}\n"


def reading(hangs: str, outcomes: str = "{fine: Fine, odd: Odd}") -> str:
    """A section of one reading `look`."""
    return f"readings:\n  look: {{name: Look at it, minutes: 1, outcomes: {outcomes}, {hangs}}}\n"


def car(
    *causes: str, look: tuple[float, ...] = (), about: str = "c", unclear: str = "", **facts: str
) -> Finding:
    """A car with confirmed causes, and what the reading showed if it was taken."""
    read = {"look": np.array(look, dtype=float)} if look else {}
    return Finding(about, frozenset(causes), frozenset(unclear.split()), facts, read)


def numbers(learned: Learned) -> dict[Path, Change]:
    """What was learned, by the path to each number, which comes up only once."""
    found = {one.path: one for one in learned.changes}
    assert len(found) == len(learned.changes)
    return found


def of_look(learned: Learned) -> dict[Path, Change]:
    """What was learned about the reading, by the path within it."""
    return {path[2:]: one for path, one in numbers(learned).items() if path[:2] == ("readings", "look")}


def is_beta(change: Change, yes: float, no: float, level: float = 0.95, scale: float = 1.0) -> bool:
    """Whether the interval is that of a Beta distribution."""
    expected = beta.interval(level, yes, no)
    return (change.low, change.high) == pytest.approx((scale * expected[0], scale * expected[1]), rel=1e-9)


# Shares


def test_a_number_moves_in_cars_of_100() -> None:
    """In cars of 100, up or down: shares as they stand, likelihoods a hundredfold."""
    share = Change(("complaints", "c", "any_of", "a"), 40.0, 34.5, 0.0, 0.0, 1.0)
    likelihood = Change(("readings", "look", "noisy_or", "leak"), 0.1, 0.25, 0.0, 0.0, 1.0)
    assert (share.is_share, likelihood.is_share) == (True, False)
    assert (share.moved, likelihood.moved) == pytest.approx((5.5, 15.0))


def test_shares_of_one_at_a_time_keep_their_sum(known: Made) -> None:
    """30 and 10 of 40 cars on 60 and 25 of 100, worth 50: 85 (50·60/85 + 30)/90 = 61.67, and the rest of 85.

    A car with both, or with neither, is none of which just one is there.
    """
    knowledge = known(complaint("exactly_one_of: {a: 60, b: 25}", 15) + faults("a", "b"))
    cars = [car("a")] * 30 + [car("b")] * 10
    found = numbers(learn(knowledge, [*cars, *[car("a", "b")] * 7, *[car()] * 3]))
    a, b = (found["complaints", "c", "exactly_one_of", one] for one in ("a", "b"))
    assert len(found) == 2
    assert (a.before, a.after, a.cars) == pytest.approx((60, 85 * (50 * 60 / 85 + 30) / 90, 40))
    assert (b.before, b.after, b.cars) == pytest.approx((25, 85 * (50 * 25 / 85 + 10) / 90, 40))
    assert is_beta(a, 50 * 60 / 85 + 30, 50 * 25 / 85 + 10, scale=85)
    half = numbers(learn(knowledge, cars, Weights(share_cars=10, level=0.5)))
    a = half["complaints", "c", "exactly_one_of", "a"]
    assert a.after == pytest.approx(85 * (600 / 85 + 30) / 50)
    assert is_beta(a, 600 / 85 + 30, 250 / 85 + 10, level=0.5, scale=85)
    assert not learn(knowledge, [car()]).changes
    one = numbers(learn(knowledge, [car("a")]))["complaints", "c", "exactly_one_of", "a"]
    assert (one.after, one.cars) == pytest.approx((85 * (50 * 60 / 85 + 1) / 51, 1))


NESTED = complaint("any_of: {v: 60, h: 50}") + "branches:\n"
H = faults("f", "g", "h")


@pytest.mark.parametrize("held", list(itertools.product((False, True), repeat=2)))
def test_the_part_with_a_listed_cause_by_enumeration(known: Made, held: tuple[bool, bool]) -> None:
    """Of all combinations of causes and unlisted causes, the part in which a listed one is there.

    With and without unlisted causes of the branch, and with a number left out.
    """
    rest, every = held
    gate = f"any_of: {{f: 30, g: {40 if rest else 70}}}" + (", unlisted: rest" if rest else "")
    shares = "v: 60, h: 50" if every else "v: 60, h: "
    text = complaint(f"any_of: {{{shares}}}") + "branches:\n" + branch("v", gate)
    knowledge = known(text + faults("f", "g", "h", **({} if every else {"h": "prior: 0.02"})))
    probabilities = {
        name: probability for name, probability in solve(knowledge, "c").faults.items() if probability > 0
    }
    weight = {"v": 0.0, "c": 0.0, "listed v": 0.0, "listed c": 0.0}
    for there in itertools.product((False, True), repeat=len(probabilities)):
        state = dict(zip(probabilities, there, strict=True))
        p = float(np.prod([probabilities[one] if state[one] else 1 - probabilities[one] for one in state]))
        v, c = state["f"] or state["g"], state["f"] or state["g"] or state["h"]
        of_v = v or state.get("unlisted:v", False)
        for name, true in (("listed v", v), ("listed c", c), ("v", of_v)):
            weight[name] += p * true
        weight["c"] += p * (of_v or c or state["unlisted:c"])
    part = listed_part(knowledge, "c")
    assert part["v"] == pytest.approx(weight["listed v"] / weight["v"], abs=1e-9)
    assert part["c"] == pytest.approx(weight["listed c"] / weight["c"], abs=1e-9)
    assert (part["v"] < 0.9) == rest
    assert part["f"] == part["h"] == 1.0


def either(*probabilities: float) -> float:
    """The chance of one or more of independent causes."""
    return 1 - float(np.prod([1 - one for one in probabilities]))


def test_the_part_of_gates_below_another(known: Made) -> None:
    """One at a time: 0.4 of the cars count by their part and 0.6 wholly; all of: it is wholly listed.

    Of exclusive members 0.4 and 0.6 with odds p and g, p (1 - g) and g (1 - p) are as 0.4 to 0.6.
    """
    half = branch("p", "any_of: {f: 30, k: 20}, unlisted: rest")
    knowledge = known(NESTED + half + branch("v", "exactly_one_of: {p: 40, g: 60}") + faults(*"fghk"))
    priors, part = solve(knowledge, "c"), listed_part(knowledge, "c")
    odds = 0.4 / 0.6 * priors.faults["g"] / (1 - priors.faults["g"])
    p = odds / (1 + odds)
    assert (priors.faults["f"], priors.faults["k"]) == pytest.approx((0.3 * p, 0.2 * p))
    assert part["p"] == pytest.approx(either(0.3 * p, 0.2 * p) / p)
    assert part["v"] == pytest.approx(0.4 * part["p"] + 0.6)
    assert part["c"] == pytest.approx(either(part["v"] * 0.6 * priors.top, 0.5 * priors.top) / priors.top)
    knowledge = known(NESTED + branch("v", "all_of: {f: , g: }") + H)
    part, top = listed_part(knowledge, "c"), solve(knowledge, "c").top
    assert part["v"] == 1.0
    assert part["c"] == pytest.approx(either(0.6 * top, 0.5 * top) / top)


def test_the_part_of_a_gate_where_all_are_needed(known: Made) -> None:
    """Of 100 cars with k and a branch only as many have listed causes as of those with the branch."""
    half = branch("p", "any_of: {f: 30, g: 20}, unlisted: rest")
    knowledge = known(NESTED + half + branch("v", "all_of: {p: , k: }") + faults(*"fghk", k="prior: 0.6"))
    part, top = listed_part(knowledge, "c"), solve(knowledge, "c").top
    p = 0.6 * top / 0.6
    assert part["p"] == pytest.approx(either(0.3 * p, 0.2 * p) / p)
    assert part["v"] == pytest.approx(part["p"])
    found = numbers(learn(knowledge, [car("f", "k")] * 6 + [car("g", "k")] * 4))
    scale = 100 * part["p"]
    assert found["branches", "p", "any_of", "f"].after == pytest.approx(scale * (1500 / scale + 6) / 60)


def test_the_part_where_a_fact_makes_two_faults_likelier(known: Made) -> None:
    """It is the network's to 1 car in 100, though worked out as if faults were independent."""
    given = "given: {door: {frameless: 6}}"
    text = NESTED + branch("v", "any_of: {f: 60, g: 45}, unlisted: rest") + VEHICLE
    knowledge = known(text + faults("f", "g", "h", f=given, g=given))
    engine, _ = given_complaint(knowledge)
    none = {name: engine.one_hot(name, "absent") for name in ("f", "g")}
    held = {"v": engine.one_hot("v", "present")}
    whole, without = engine.log2_evidence_probability([held, {**held, **none}])
    assert listed_part(knowledge, "c")["v"] == pytest.approx(1 - 2.0 ** (without - whole), abs=0.01)


@pytest.mark.parametrize(
    ("gate", "probability"),
    [
        ("exactly_one_of: {f: , g: }", 0.1 * 0.8 + 0.2 * 0.9),
        ("all_of: {f: , g: }", 0.1 * 0.2),
        ("at_least: 1, of: {f: , g: }", 0.1 * 0.8 + 0.2 * 0.9 + 0.1 * 0.2),
        ("any_of: {f: , g: }", 0.1 * 0.8 + 0.2 * 0.9 + 0.1 * 0.2),
    ],
)
def test_the_part_of_gates_over_plain_priors(known: Made, gate: str, probability: float) -> None:
    """A gate without numbers is as common as its members' priors make it, 0.1 and 0.2, by enumeration."""
    text = complaint("any_of: {v: , h: 50}") + "branches:\n" + branch("v", gate)
    knowledge = known(text + faults("f", "g", "h", f="prior: 0.1", g="prior: 0.2"))
    top = solve(knowledge, "c").top
    assert top == pytest.approx(either(probability, 0.5 * top, 0.05 * top))
    part = listed_part(knowledge, "c")
    assert part["v"] == 1.0
    assert part["c"] == pytest.approx(either(probability, 0.5 * top) / top)
    found = numbers(learn(knowledge, [car("h")] * 10))
    assert list(found) == [("complaints", "c", "any_of", "h")]
    scale = 100 * part["c"]
    assert found["complaints", "c", "any_of", "h"].after == pytest.approx(scale * (50 * 50 / scale + 10) / 60)


def test_a_branch_with_unlisted_causes_among_shares(known: Made) -> None:
    """Its share and those within it are scaled by the parts that have a listed cause.

    Where it is found each time the interval ends at 100 of 100 cars.
    """
    knowledge = known(NESTED + branch("v", "any_of: {f: 30, g: 20}, unlisted: rest") + H)
    part = listed_part(knowledge, "c")
    found = numbers(learn(knowledge, [car("f")] * 6 + [car("h")] * 14))
    scale = 100 * part["c"] / part["v"]
    v = found["complaints", "c", "any_of", "v"]
    assert v.after == pytest.approx(scale * (50 * 60 / scale + 6) / 70)
    assert is_beta(v, 50 * 60 / scale + 6, 50 * (1 - 60 / scale) + 14, scale=scale)
    scale = 100 * part["v"]
    f = found["branches", "v", "any_of", "f"]
    assert (f.before, f.after, f.cars) == pytest.approx((30, scale * (50 * 30 / scale + 6) / 56, 6))
    assert is_beta(f, 50 * 30 / scale + 6, 50 * (1 - 30 / scale), scale=scale)
    v = numbers(learn(knowledge, [car("f")] * 20))["complaints", "c", "any_of", "v"]
    assert v.high == 100.0


def test_a_branch_of_two_complaints_is_counted_once_over_both(known: Made) -> None:
    """Cars of either complaint speak of its shares; a complaint's own are for its own cars."""
    text = (
        "complaints:\n"
        "  c: {name: C, family: made_up, any_of: {v: 60, h: 50}, unlisted: 5}\n"
        "  e: {name: E, family: made_up, any_of: {v: 80, k: 30}, unlisted: 5}\n"
        "branches:\n" + branch("v", "any_of: {f: 70, g: 30}")
    )
    knowledge = known(text + faults("f", "g", "h", "k"))
    cars = [car("f")] * 3 + [car("g", about="e")] * 4 + [car("h")] * 2 + [car("k", about="e")]
    found = numbers(learn(knowledge, cars))
    assert {path: one.cars for path, one in found.items()} == {
        ("branches", "v", "any_of", "f"): 7,
        ("branches", "v", "any_of", "g"): 7,
        ("complaints", "c", "any_of", "v"): 5,
        ("complaints", "c", "any_of", "h"): 5,
        ("complaints", "e", "any_of", "v"): 5,
        ("complaints", "e", "any_of", "k"): 5,
    }
    of_v = 0.6 * solve(knowledge, "c").top
    scale = 100 * either(0.7 * of_v, 0.3 * of_v) / of_v
    for name, share, count in (("f", 70, 3), ("g", 30, 4)):
        after = scale * (50 * share / scale + count) / 57
        assert found["branches", "v", "any_of", name].after == pytest.approx(after)


def test_shares_of_a_voting_gate_stay_and_that_is_said(known: Made) -> None:
    """Only where a car speaks about them."""
    other = "  e: {name: E, family: made_up, any_of: {a: 80, f: 30}, unlisted: 5}\nfaults:\n"
    text = complaint("at_least: 2, of: {a: 80, b: 70, d: 60}") + faults("a", "b", "d", "f")
    knowledge = known(text.replace("faults:\n", other))
    learned = learn(knowledge, [car("a", "b")] * 3)
    assert learned == Learned((), ((("complaints", "c"), "shares of a voting gate are not revised"),))
    assert not learn(knowledge, [car("a", about="e")]).not_revised


# Noisy readings


def test_a_leak_and_a_strength_with_it_are_learned_from_their_own_cars(known: Made) -> None:
    """Odd on 5 of 20 cars without the cause: (20·0.1 + 5)/40; on 10 of 20 with it: (20·0.8 + 10)/40."""
    look = "noisy_or: {strengths: with_leak, leak: 0.1, causes: {a: 0.8}}"
    cars = [car("d", look=(0, 1))] * 5 + [car("b", look=(1, 0))] * 15
    cars += [car("a", look=(0, 1))] * 10 + [car("a", look=(1, 0))] * 10
    found = of_look(learn(known(ABD + reading(look)), cars))
    leak, a = found["noisy_or", "leak"], found["noisy_or", "causes", "a"]
    assert len(found) == 2
    assert (leak.before, leak.after, leak.cars) == pytest.approx((0.1, 7 / 40, 20))
    assert (a.before, a.after, a.cars) == pytest.approx((0.8, 26 / 40, 20))
    assert is_beta(leak, 7, 33)
    assert is_beta(a, 26, 14)
    worth = of_look(learn(known(ABD + reading(look)), cars, Weights(likelihood_cars=60, level=0.5)))
    assert worth["noisy_or", "leak"].after == pytest.approx(11 / 80)
    assert is_beta(worth["noisy_or", "leak"], 11, 69, level=0.5)
    assert is_beta(worth["noisy_or", "causes", "a"], 58, 22, level=0.5)


def test_the_normal_outcome_may_be_written_last(known: Made) -> None:
    """The numbers are about the other one, wherever it stands."""
    look = "normal: fine, noisy_or: {strengths: with_leak, leak: 0.1, causes: {a: 0.8}}"
    knowledge = known(ABD + reading(look, "{odd: Odd, fine: Fine}"))
    found = of_look(learn(knowledge, [car("d", look=(1, 0))] * 20 + [car("a", look=(0, 1))] * 20))
    assert found["noisy_or", "leak"].after == pytest.approx(22 / 40)
    assert found["noisy_or", "causes", "a"].after == pytest.approx(16 / 40)


GRADED = "{much: Much, none: None, some: Some}"
MAX = (
    "mildest_first: [none, some, much], normal: none, "
    "noisy_max: {strengths: HOW, leak: {some: 0.1, much: 0.02}, causes: {a: {some: 0.4, much: 0.45}}}"
)


@pytest.mark.parametrize("without", [0, 20])
def test_graded_outcomes_of_a_cause_alone_are_learned_without_the_leak(known: Made, without: int) -> None:
    """Leak 0.88, 0.10, 0.02 and effect 0.15, 0.40, 0.45: sums up to each outcome multiply (Díez 1993).

    That is 0.132, 0.539, 1 with both; times 20, and 20 cars at the worst: 0.066, 0.2695, 1. Divided by the
    leak's 0.88, 0.98, 1 the cause alone has 0.075, 0.275, 1. It is the same with 20 more cars on the leak.
    """
    knowledge = known(ABD + reading(MAX.replace("HOW", "alone"), GRADED))
    cars = [car("a", look=(1, 0, 0))] * 20 + [car("d", look=(0, 1, 0))] * without
    found = of_look(learn(knowledge, cars))
    some, much = (found["noisy_max", "causes", "a", one] for one in ("some", "much"))
    assert (some.before, some.after, some.cars) == pytest.approx((0.4, 0.2, 20))
    assert (much.before, much.after, much.cars) == pytest.approx((0.45, 0.725, 20))
    assert len(found) == (4 if without else 2)
    leak = np.array([17.6 + without, 2.0, 0.4])
    both = 20 * np.diff(np.cumsum([0.15, 0.4, 0.45]) * np.cumsum(leak) / leak.sum(), prepend=0)
    random = np.random.default_rng(5)
    with_cause = random.dirichlet([*both[:2], both[2] + 20], 100_000)
    worst = 1 - (1 - with_cause[:, 2]) / (1 - random.dirichlet(leak, 100_000)[:, 2])
    assert (much.low, much.high) == pytest.approx(np.quantile(worst, [0.025, 0.975]), abs=0.015)
    if without:
        leaks = [found["noisy_max", "leak", one] for one in ("some", "much")]
        assert [one.after for one in leaks] == pytest.approx([0.05, 0.01])
        assert [one.cars for one in leaks] == pytest.approx([20, 20])
        assert is_beta(leaks[0], 2, 38)


def test_graded_outcomes_with_the_leak_are_learned_as_cars_come(known: Made) -> None:
    """The numbers are those of cars as they come: (20·0.4 + 0)/40 and (20·0.45 + 20)/40."""
    knowledge = known(ABD + reading(MAX.replace("HOW", "with_leak"), GRADED))
    found = of_look(learn(knowledge, [car("a", look=(1, 0, 0))] * 20))
    assert {path: one.after for path, one in found.items()} == pytest.approx(
        {("noisy_max", "causes", "a", "some"): 0.2, ("noisy_max", "causes", "a", "much"): 0.725}
    )
    assert is_beta(found["noisy_max", "causes", "a", "much"], 29, 11)


def test_an_even_guess_counts_for_no_car(known: Made) -> None:
    """An answer that is as likely either way leaves an even number where it is, and counts for nobody."""
    look = "noisy_or: {strengths: with_leak, leak: 0.5, causes: {a: 0.8}}"
    leak = of_look(learn(known(ABD + reading(look)), [car("d", look=(0.5, 0.5))]))["noisy_or", "leak"]
    assert (leak.after, leak.cars) == pytest.approx((0.5, 0.0))


@pytest.mark.parametrize(
    ("gate", "causes", "counts_for"),
    [
        ("all_of: {a: , b: }", ("a",), "leak"),
        ("all_of: {a: , b: }", ("a", "b"), "s"),
        ("exactly_one_of: {a: , b: }", ("a",), "s"),
        ("exactly_one_of: {a: , b: }", ("a", "b"), "leak"),
        ("at_least: 2, of: {a: , b: , d: }", ("d",), "leak"),
        ("at_least: 2, of: {a: , b: , d: }", ("a", "d"), "s"),
        ("any_of: {a: , b: }", ("d",), "leak"),
    ],
)
def test_a_state_is_there_as_its_gate_says(
    known: Made, gate: str, causes: tuple[str, ...], counts_for: str
) -> None:
    """A reading that depends on a gate over faults counts for it, or for the leak if the gate is not met."""
    state = f"states:\n  s: {{name: State, {gate}}}\n"
    look = "noisy_or: {leak: 0.1, strengths: with_leak, causes: {s: 0.8}}"
    found = of_look(learn(known(ABD + state + reading(look)), [car(*causes, look=(0, 1))]))
    assert [path[-1] for path in found] == [counts_for]


def test_what_hangs_on_a_noisy_state_is_named_where_it_was_taken(known: Made) -> None:
    """At second hand too, and beside causes that are confirmed; a state that follows a gate hides nothing."""
    states = (
        "states:\n"
        "  wet: {name: Wet, noisy_or: {leak: 0.1, causes: {a: 0.9}}}\n"
        "  dry: {name: Dry, any_of: {b: , d: }}\n"
        "  far: {name: Far, any_of: {d: , wet: }}\n"
    )
    look = "noisy_or: {leak: 0.1, causes: {b: 0.5, CAUSE: 0.8}}"
    said = (("readings", "look"), "it depends on 'wet', which nobody confirms")
    for cause in ("wet", "far"):
        knowledge = known(ABD + states + reading(look.replace("CAUSE", cause)))
        learned = learn(knowledge, [car("b", look=(0, 1))])
        assert (learned.not_revised, of_look(learned)) == ((said,), {})
        assert not learn(knowledge, [car("b")]).not_revised
    learned = learn(known(ABD + states + reading(look.replace("CAUSE", "dry"))), [car("d", look=(0, 1))])
    assert not learned.not_revised
    assert list(of_look(learned)) == [("noisy_or", "causes", "dry")]


def test_an_unclear_fault_silences_only_what_hangs_on_it(known: Made) -> None:
    """Nobody knows whether it was there when the reading was taken; other readings still count."""
    knowledge = known(ABD + reading("noisy_or: {leak: 0.1, causes: {a: 0.8, b: 0.5}}"))
    assert not of_look(learn(knowledge, [car("a", look=(0, 1), unclear="b d")]))
    assert list(of_look(learn(knowledge, [car("a", look=(0, 1), unclear="d")]))) == [
        ("noisy_or", "causes", "a")
    ]


# Tables

TABLE = (
    "table: [{when: {b: present, door: framed}, gives: {much: 0.3, none: 0.2, some: 0.5}}, "
    "{when: {b: present}, gives: {none: 0.1, some: 0.2, much: 0.7}}, "
    "{otherwise: {some: 0.15, much: 0.05}}]"
)
THREE = "{none: None, some: Some, much: Much}"


@pytest.mark.parametrize(
    ("causes", "facts", "row"),
    [
        (("b",), {"door": "framed"}, 0),
        (("b",), {"door": "frameless"}, 1),
        (("b",), {}, None),
        (("a",), {}, 2),
        (("a", "d"), {"door": "framed"}, 2),
        (("a", "b"), {"door": "framed"}, 0),
    ],
)
def test_a_car_counts_for_the_first_row_that_fits(
    known: Made, causes: tuple[str, ...], facts: dict[str, str], row: int | None
) -> None:
    """The first one that fits; none where a fact that it depends on is not known."""
    knowledge = known(ABD + VEHICLE + reading(TABLE, THREE))
    found = of_look(learn(knowledge, [car(*causes, look=(0, 0, 1), **facts)]))
    assert {path[1] for path in found} == ({row} if row is not None else set())


def test_the_numbers_of_rows_are_learned_from_the_cars_that_they_fit(known: Made) -> None:
    """20 cars at the worst on 20·(0.2, 0.5, 0.3), and 5 in the middle on 20·(0.8, 0.15, 0.05)."""
    knowledge = known(ABD + VEHICLE + reading(TABLE, THREE))
    cars = [car("b", look=(0, 0, 1), door="framed")] * 20 + [car("a", look=(0, 1, 0))] * 5
    found = of_look(learn(knowledge, cars))
    assert {path: (one.before, one.after, one.cars) for path, one in found.items()} == {
        ("table", 0, "gives", "none"): pytest.approx((0.2, 4 / 40, 20)),
        ("table", 0, "gives", "some"): pytest.approx((0.5, 10 / 40, 20)),
        ("table", 0, "gives", "much"): pytest.approx((0.3, 26 / 40, 20)),
        ("table", 2, "otherwise", "some"): pytest.approx((0.15, 8 / 25, 5)),
        ("table", 2, "otherwise", "much"): pytest.approx((0.05, 1 / 25, 5)),
    }
    assert is_beta(found["table", 0, "gives", "much"], 26, 14)
    assert is_beta(found["table", 2, "otherwise", "some"], 8, 17)
    half = of_look(learn(knowledge, cars, Weights(likelihood_cars=10, level=0.5)))
    assert is_beta(half["table", 0, "gives", "much"], 23, 7, level=0.5)
