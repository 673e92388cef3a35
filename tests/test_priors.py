"""Shares go in, and come out again: the complaint alone gives back the numbers that the author wrote."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.checks.lint import problems
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import parse
from advisor.knowledge.problems import ProblemsFound
from advisor.knowledge.unlisted import UNLISTED
from advisor.knowledge.vocabulary import Document, Gated
from advisor.model.priors import solve, tree_of
from tests.conftest import HEAD, complaint, faults, given_complaint, text_at

Known = Callable[[str], Knowledge]

EXACT = 1e-9


def branch(name: str, gate: str, rest: bool = False) -> str:
    """One entry of a section of branches."""
    return f"  {name}: {{name: Branch {name}, {gate}{', unlisted: rest' if rest else ''}}}\n"


def fact(values: str = "u: 50, v: 50", name: str = "t") -> str:
    """One entry of a section of facts."""
    return f"  {name}: {{name: Fact, ask: Which?, values: {{{values}}}}}\n"


def stated(gates: dict[str, Gated]) -> Iterator[tuple[str, str, float]]:
    """Every share of a tree as (gate, member, of 1)."""
    for name, gated in gates.items():
        for member, share in gated.gate.shares.items():
            if share is not None:
                yield name, member, share / 100


def assert_shares_come_back(knowledge: Knowledge, name: str = "c", count: int = 0) -> Engine:
    """Of the cars with a gate, so many have each member, as written; and so many something unlisted."""
    engine, posterior = given_complaint(knowledge, name)
    gates = tree_of(knowledge, name)
    seen = {gate: engine.query({gate: engine.one_hot(gate, "present")}).marginals for gate in gates}
    shares = list(stated(gates))
    for gate, member, share in shares:
        assert seen[gate][member][1] == pytest.approx(share, abs=EXACT), (gate, member)
    assert posterior.beliefs[UNLISTED + name] == pytest.approx(
        knowledge.complaints[name].unlisted / 100, abs=EXACT
    )
    assert len(shares) >= count
    return engine


def refusal(text: str) -> tuple[list[str], list[str]]:
    """The sentences said of a text's shares, and the words that they point at."""
    text = HEAD + text
    document, places = parse(text, "x.yaml", Document)
    parts = {
        name: getattr(document, name)
        for name in Document.model_fields
        if name not in ("language", "standing")
    }
    found = [
        one
        for one in problems(Knowledge(**parts, places=places, standings={"x.yaml": "estimate"}))
        if one.severity == "error"
    ]
    return [str(one).split(": ", 1)[1] for one in found], [text_at(text, one.place) for one in found]


# ------------------------------------------------------------------------------ shares that come back


TREES: dict[str, tuple[str, int]] = {
    # what the tree shows, with the number of shares in it
    "two causes": (complaint("any_of: {a: 60, b: 45}") + faults("a", "b"), 2),
    "ten causes": (
        complaint("any_of: {a: 1, b: 2, d: 3, e: 5, f: 8, g: 13, h: 21, i: 34, j: 55, k: 13}")
        + faults(*"abdefghijk"),
        10,
    ),
    "a hair above 100": (complaint("any_of: {a: 60, b: 35.01}") + faults("a", "b"), 2),
    "nearly always several": (complaint("any_of: {a: 99, b: 99, d: 99}", 99) + faults("a", "b", "d"), 3),
    "branches in branches": (
        complaint("any_of: {x: 70, a: 40}")
        + "branches:\n"
        + branch("x", "any_of: {y: 60, b: 42}", rest=True)
        + branch("y", "any_of: {z: 50, d: 48}", rest=True)
        + branch("z", "any_of: {e: 80, f: 20.5}")
        + faults(*"abdef"),
        8,
    ),
    "a fault under two branches": (
        complaint("any_of: {x: 70, y: 60}")
        + "branches:\n"
        + branch("x", "any_of: {b: 60, s: 30}", rest=True)
        + branch("y", "any_of: {d: 55, s: }", rest=True)
        + faults("b", "d", "s"),
        5,
    ),
    "a branch under two branches": (
        complaint("any_of: {x: 70, y: 70}")
        + "branches:\n"
        + branch("x", "any_of: {b: 60, s: 35}", rest=True)
        + branch("y", "any_of: {d: 50, s: }", rest=True)
        + branch("s", "any_of: {e: 60, f: 30}", rest=True)
        + faults("b", "d", "e", "f"),
        7,
    ),
    "twelve faults under two branches": (
        complaint("any_of: {x: 70, y: 60}")
        + "branches:\n"
        + branch("x", f"any_of: {{b: 60, {', '.join(f's{at}: 3' for at in range(12))}}}", rest=True)
        + branch("y", f"any_of: {{d: 55, {', '.join(f's{at}: ' for at in range(12))}}}", rest=True)
        + faults("b", "d", *(f"s{at}" for at in range(12))),
        16,
    ),
    "a fault twice as likely on some cars": (
        complaint("any_of: {a: 60, b: 45}") + "facts:\n" + fact() + faults("a", "b", a="given: {t: {u: 3}}"),
        2,
    ),
    "a fault impossible on most cars": (
        complaint("any_of: {a: 5, b: 95}")
        + "facts:\n"
        + fact("u: 90, v: 10")
        + faults("a", "b", a="given: {t: {u: impossible}}"),
        2,
    ),
    "two faults on one fact, one fault on two": (
        complaint("any_of: {x: 50, b: 70}")
        + "branches:\n"
        + branch("x", "any_of: {a: 60, d: 35}", rest=True)
        + "facts:\n"
        + fact("u: 20, v: 30, w: 50")
        + fact("p: 70, q: 30", "n")
        + faults(
            "a",
            "b",
            "d",
            a="given: {t: {u: 2, v: impossible}, n: {p: 1.5}}",
            b="given: {t: {u: 0.3, w: 1.2}}",
        ),
        4,
    ),
    "a shared fault that depends on a fact": (
        complaint("any_of: {x: 70, y: 60}")
        + "branches:\n"
        + branch("x", "any_of: {b: 60, s: 30}", rest=True)
        + branch("y", "any_of: {d: 55, s: }", rest=True)
        + "facts:\n"
        + fact("u: 60, v: 40")
        + faults("b", "d", "s", s="given: {t: {u: 4}}"),
        5,
    ),
    "one at a time": (complaint("exactly_one_of: {a: 60, b: 25, d: 10}", 5) + faults("a", "b", "d"), 3),
    "one at a time within a branch": (
        complaint("any_of: {x: 70, b: 45}")
        + "branches:\n"
        + branch("x", "exactly_one_of: {d: 60, e: 40}")
        + faults("b", "d", "e"),
        4,
    ),
    "one at a time within a branch, nearly as common as three alike can be": (
        complaint("any_of: {x: 46.4, b: 95}")
        + "branches:\n"
        + branch("x", "exactly_one_of: {d: 33.4, e: 33.3, f: 33.3}")
        + faults("b", "d", "e", "f"),
        5,
    ),
    "one at a time within a branch, one of them nearly always": (
        complaint("any_of: {x: 99, b: 50}")
        + "branches:\n"
        + branch("x", "exactly_one_of: {d: 99.9999999999, e: 1.0e-10}")
        + faults("b", "d", "e"),
        4,
    ),
    "all needed within a branch that hardly ever is": (
        complaint("any_of: {x: 1.0e-7, a: 60, b: 45}")
        + "branches:\n"
        + branch("x", "all_of: [d, e]")
        + faults("a", "b", "d", "e"),
        3,
    ),
    "two needed within a branch": (
        complaint("any_of: {x: , b: 50, a: 60}")
        + "branches:\n"
        + branch("x", "at_least: 2, of: {d: 90, e: 80, f: 50}")
        + faults("a", "b", "d", "e", "f"),
        5,
    ),
    "two needed, nearly always the same two": (
        complaint("any_of: {x: , b: 50, a: 60}")
        + "branches:\n"
        + branch("x", "at_least: 2, of: {d: 99, e: 98, f: 4}")
        + faults("a", "b", "d", "e", "f"),
        5,
    ),
    "two needed for the complaint": (
        complaint("at_least: 2, of: {a: 90, b: 80, d: 50}") + faults("a", "b", "d"),
        3,
    ),
    "two needed for the complaint, and half of it unlisted": (
        complaint("at_least: 2, of: {a: 90, b: 80, d: 50}", 50) + faults("a", "b", "d"),
        3,
    ),
    "two needed for the complaint, one of them nearly always": (
        complaint("at_least: 2, of: {a: 99.9, b: 80, d: 50}", 90) + faults("a", "b", "d"),
        3,
    ),
    "all needed within a branch": (
        complaint("any_of: {x: 20, b: 90}")
        + "branches:\n"
        + branch("x", "all_of: [d, e]")
        + faults("b", "d", "e"),
        2,
    ),
    "two of three needed within a branch, equally common": (
        complaint("any_of: {x: 20, b: 90}")
        + "branches:\n"
        + branch("x", "at_least: 2, of: [d, e, f]")
        + faults("b", "d", "e", "f"),
        2,
    ),
    "all needed, one of them a branch": (
        complaint("any_of: {x: 20, b: 90}")
        + "branches:\n"
        + branch("x", "all_of: [y, e]")
        + branch("y", "any_of: {d: 60, f: 50}", rest=True)
        + faults("b", "d", "e", "f"),
        4,
    ),
    "a plain prior beside shares": (
        complaint("any_of: {a: 60, b: , d: 45}") + faults("a", "b", "d", b="prior: 0.002"),
        2,
    ),
    "a plain prior within a branch": (
        complaint("any_of: {x: 60, a: 60}")
        + "branches:\n"
        + branch("x", "any_of: {b: , d: 60}", rest=True)
        + faults("a", "b", "d", b="prior: 0.01"),
        3,
    ),
    "plain priors alone": (
        complaint("any_of: [a, b]", 20) + faults("a", "b", a="prior: 0.03", b="prior: 0.02"),
        0,
    ),
    "plain priors that are next to nothing, and a share": (
        complaint("any_of: {x: 45, a: , b: }", 20)
        + "branches:\n"
        + branch("x", "exactly_one_of: {d: 70, e: 30}")
        + faults("a", "b", "d", "e", a="prior: 3.0e-12", b="prior: 1.0e-16"),
        3,
    ),
    "all needed for the complaint": (
        complaint("all_of: [a, b]") + faults("a", "b", a="prior: 0.1", b="prior: 0.2"),
        0,
    ),
    "all needed for the complaint, one of them a branch": (
        complaint("all_of: [x, b]")
        + "branches:\n"
        + branch("x", "any_of: [d, e]")
        + faults("b", "d", "e", b="prior: 0.1", d="prior: 0.1", e="prior: 0.2"),
        0,
    ),
}


@pytest.mark.parametrize("tree", TREES)
def test_the_complaint_alone_gives_back_what_the_author_wrote(known: Known, tree: str) -> None:
    """Through network and engine, every share of the tree and the unlisted one return to 1e-9."""
    text, count = TREES[tree]
    assert_shares_come_back(known(text), count=count)


def test_every_share_of_the_shipped_knowledge_comes_back(shipped: Knowledge) -> None:
    """All 45 shares of the flat battery, those inside branches included, are what is written in the file."""
    assert_shares_come_back(shipped, "flat_battery", count=45)


def test_every_share_of_the_example_comes_back(rattle: tuple[Knowledge, object]) -> None:
    """The example that authors copy gives back its own numbers."""
    assert_shares_come_back(rattle[0], "door_rattle", count=5)


@st.composite
def trees(draw: st.DrawFn) -> str:
    """A tree of up to three branches with any shares; it may be impossible."""
    numbers = st.integers(1, 99)
    names = iter("abdefghijklmnopqrs")
    used: list[str] = []

    def members(least: int) -> dict[str, int | None]:
        fresh = [next(names) for _ in range(draw(st.integers(least, 3)))]
        used.extend(fresh)
        return {name: draw(numbers) for name in fresh}

    branches = ""
    top = members(1)
    for name in ("x", "y", "z")[: draw(st.integers(0, 3))]:
        inside = members(2)
        shared: bool = draw(st.booleans()) if used else False
        if shared:
            inside.setdefault(draw(st.sampled_from(used)), None)
        branches += branch(name, f"any_of: {shares(inside)}", rest=True)
        top[name] = draw(numbers)
    if len(top) == 1:
        top |= members(1)
    more = {}
    if draw(st.booleans()):
        more[draw(st.sampled_from(used))] = (
            f"given: {{t: {{u: {draw(st.sampled_from(['impossible', '2', '0.3']))}}}}}"
        )
    sections = complaint(f"any_of: {shares(top)}", draw(st.integers(1, 30)))
    if branches:
        sections += "branches:\n" + branches
    return sections + "facts:\n" + fact("u: 30, v: 70") + faults(*used, **more)


def shares(members: dict[str, int | None]) -> str:
    """Members with their shares as YAML."""
    return (
        "{" + ", ".join(f"{name}: {'' if share is None else share}" for name, share in members.items()) + "}"
    )


@settings(derandomize=True, max_examples=150, deadline=None, database=None)
@given(trees())
def test_shares_of_any_tree_come_back_or_are_refused(text: str) -> None:
    """Whatever an author writes, it comes back to 1e-9 or is refused in words; never a third thing."""
    document, places = parse(HEAD + text, "x.yaml", Document)
    sections = {name: getattr(document, name) for name in ("complaints", "branches", "faults", "facts")}
    knowledge = Knowledge(**sections, places=places)
    try:
        solve(knowledge, "c")
    except ProblemsFound as error:
        assert error.problems
    else:
        assert_shares_come_back(knowledge)


# ------------------------------------------------------------------------------ the numbers behind them


def test_two_causes_come_out_as_computed_by_hand(known: Known) -> None:
    """T = 1 - (1 - 0.6 T)(1 - 0.45 T)(1 - 0.05 T), found here by halving an interval.

    Divided by T it is the quadratic 0.0135 T² - 0.3225 T + 0.1 = 0, whose smaller root is 0.31422.
    """
    priors = solve(known(complaint("any_of: {a: 60, b: 45}", 5) + faults("a", "b")), "c")
    low, high = 0.1, 1.0
    for _ in range(200):
        middle = (low + high) / 2
        if 1 - (1 - 0.6 * middle) * (1 - 0.45 * middle) * (1 - 0.05 * middle) > middle:
            low = middle
        else:
            high = middle
    quadratic = (0.3225 - math.sqrt(0.3225**2 - 4 * 0.0135 * 0.1)) / (2 * 0.0135)
    assert low == pytest.approx(quadratic, abs=1e-14)
    assert priors.top == pytest.approx(quadratic, abs=1e-14)
    assert dict(priors.faults) == pytest.approx(
        {"a": 0.6 * quadratic, "b": 0.45 * quadratic, "unlisted:c": 0.05 * quadratic}, abs=1e-14
    )


def test_the_excess_over_100_is_the_cars_with_several_causes(known: Known) -> None:
    """With two causes the excess is exactly the cars that have both: 60 + 45 + 0.000001 - 100 = 5."""
    _, posterior = given_complaint(known(complaint("any_of: {a: 60, b: 45}", 0.000001) + faults("a", "b")))
    engine, _ = given_complaint(known(complaint("any_of: {a: 60, b: 45}", 0.000001) + faults("a", "b")))
    with_a = engine.query({"c": engine.one_hot("c", "present"), "a": engine.one_hot("a", "present")})
    assert posterior.beliefs["a"] * with_a.beliefs["b"] == pytest.approx(0.05, abs=1e-7)


def test_all_needed_takes_its_priors_as_they_are(known: Known) -> None:
    """P(a and b) = 0.1 x 0.2; with 5 of 100 unlisted, T = 0.02 / (1 - 0.05 x 0.98) = 0.0210305."""
    priors = solve(known(complaint("all_of: [a, b]") + faults("a", "b", a="prior: 0.1", b="prior: 0.2")), "c")
    assert priors.top == pytest.approx(0.02 / 0.951, rel=1e-12)
    assert dict(priors.faults) == pytest.approx(
        {"a": 0.1, "b": 0.2, "unlisted:c": 0.05 * 0.02 / 0.951}, rel=1e-12
    )


@pytest.mark.parametrize("rare", [1e-7, 1e-12, 1e-20, 1e-200])
def test_a_complaint_may_be_as_rare_as_its_causes(known: Known, rare: float) -> None:
    """Of causes that hardly ever meet: T = 4 p / (1 - 0.05 - 0.55), by p and 3 p beside 55 and 5 of 100 cars.

    That leaves out those with two causes, of which there are fewer than 1 in 1e6 among the cars with one.
    """
    branches = "branches:\n" + branch("x", "any_of: {d: 60, e: 30}", rest=True)
    plain = {"a": f"prior: {rare:.1e}", "b": f"prior: {3 * rare:.1e}"}
    text = complaint("any_of: {x: 55, a: , b: }", 5) + branches + faults("a", "b", "d", "e", **plain)
    engine, posterior = given_complaint(known(text))
    top = 4 * rare / 0.4
    assert engine.query({}).marginals["c"][1] == pytest.approx(top, rel=1e-5)
    assert {name: posterior.beliefs[name] for name in ("a", "b", "d", "unlisted:x")} == pytest.approx(
        {"a": 0.1, "b": 0.3, "d": 0.33, "unlisted:x": 0.055}, rel=1e-5
    )


def test_members_of_all_of_without_numbers_are_equally_common(known: Known) -> None:
    """Of 100 cars 20 have the branch, and it takes both: each is the root of 0.2 T."""
    text = (
        complaint("any_of: {x: 20, b: 90}")
        + "branches:\n"
        + branch("x", "all_of: [d, e]")
        + faults("b", "d", "e")
    )
    priors = solve(known(text), "c")
    assert priors.faults["d"] == priors.faults["e"] == pytest.approx(math.sqrt(0.2 * priors.top), rel=1e-12)


def test_a_fact_moves_a_fault_by_the_factor_written(known: Known) -> None:
    """Three times as likely on `u` cars: given the fact, and nothing else, the priors stand as 3 to 1."""
    text = (
        complaint("any_of: {a: 60, b: 45}")
        + "facts:\n"
        + fact("u: 20, v: 80")
        + faults("a", "b", a="given: {t: {u: 3}}")
    )
    engine, _ = given_complaint(known(text))
    with_u, with_v = (engine.query({"t": engine.one_hot("t", value)}).beliefs["a"] for value in ("u", "v"))
    average = engine.query({}).beliefs["a"]
    assert with_u / with_v == pytest.approx(3, rel=1e-12)
    assert 0.2 * with_u + 0.8 * with_v == pytest.approx(average, rel=1e-12)


def test_one_at_a_time_never_brings_two(known: Known) -> None:
    """Given one cause of an exactly_one_of, the others and the unlisted one are gone."""
    engine, _ = given_complaint(known(complaint("exactly_one_of: {a: 60, b: 30}", 10) + faults("a", "b")))
    beliefs = engine.query({"c": engine.one_hot("c", "present"), "a": engine.one_hot("a", "present")}).beliefs
    assert beliefs["b"] == beliefs["unlisted:c"] == 0.0


# ------------------------------------------------------------------------------------------- refusals

HOW_MANY = (
    "Cars with several causes are counted more than once, so the sum is over 100. "
    "How many of 100 cars have more than one cause? Add that many to their causes."
)
HOW_OFTEN = (
    "Its members do not come together that often, or come too often. "
    "Change its number, or the plain priors of its members."
)
SHARED = (
    "Faults that stand under several branches tie their numbers together. "
    "Give shared faults their number where they are most common, and lower the others."
)
TIED = (
    "Shared faults or vehicle facts tie the members of this gate together. Use any_of here, or plain priors."
)
NINETEEN = [f"s{at}" for at in range(19)]

REFUSED: dict[str, tuple[str, str, str]] = {
    # what is wrong: the text, the words pointed at, the sentence
    "exactly 100": (
        complaint("any_of: {a: 60, b: 35}") + faults("a", "b"),
        "any_of",
        f"shares: The numbers and unlisted add up to 100. {HOW_MANY}",
    ),
    "below 100": (
        complaint("any_of: {a: 60, b: 34.5}") + faults("a", "b"),
        "any_of",
        f"shares: The numbers and unlisted add up to 99.5: 0.5 of 100 cars are missing. {HOW_MANY}",
    ),
    "below 100, above a branch without numbers": (
        complaint("any_of: {x: 20, b: 68}")
        + "branches:\n"
        + branch("x", "all_of: [d, e]")
        + faults("b", "d", "e"),
        "any_of: {x",
        f"shares: The numbers and unlisted add up to 93: 7 of 100 cars are missing. {HOW_MANY}",
    ),
    "a branch below 100 without unlisted": (
        complaint("any_of: {x: 60, b: 50}")
        + "branches:\n"
        + branch("x", "any_of: {d: 50, e: 40}")
        + faults("b", "d", "e"),
        "any_of: {d",
        "shares: The numbers add up to 90: 10 of 100 cars are missing. "
        "A car with this branch has one of its causes. "
        "Raise the numbers, or write 'unlisted: rest' for causes not written here.",
    ),
    "two numbers for one fault": (
        complaint("any_of: {x: 60, y: 60}")
        + "branches:\n"
        + branch("x", "any_of: {d: 60, s: 30}", rest=True)
        + branch("y", "any_of: {s: 30, e: 60}", rest=True)
        + faults("d", "e", "s"),
        "s: 30",
        "two-numbers: 's' is given a number here and elsewhere. One of them must give way. "
        "Leave it empty in all gates but one, and without a prior.",
    ),
    "a number and a prior": (
        complaint("any_of: {a: 60, b: 45}") + faults("a", "b", a="prior: 0.1"),
        "a: 60",
        "two-numbers: 'a' is given a number here and elsewhere. One of them must give way. "
        "Leave it empty in all gates but one, and without a prior.",
    ),
    "a number and a prior where two are needed": (
        complaint("at_least: 2, of: {a: 90, b: 80, d: 50}") + faults("a", "b", "d", b="prior: 0.1"),
        "b: 80",
        "two-numbers: 'b' is given a number here and elsewhere. One of them must give way. "
        "Leave it empty in all gates but one, and without a prior.",
    ),
    "no number": (
        complaint("any_of: {a: 60, b: 45, d: }") + faults("a", "b", "d"),
        "c: {name",
        "no-number: 'd' has neither a number nor a prior. Its probability cannot be found. "
        "Give it a number in one branch, or a prior.",
    ),
    "no number for all that are needed": (
        complaint("all_of: [a, b]") + faults("a", "b", a="prior: 0.1"),
        "c: {name",
        "no-number: 'b' has neither a number nor a prior. Its probability cannot be found. "
        "Give it a number in one branch, or a prior.",
    ),
    "more than certain": (
        complaint("any_of: {a: 90, b: 90}")
        + "facts:\n"
        + fact("u: 10, v: 90")
        + faults("a", "b", a="given: {t: {u: 30}}"),
        "given",
        "too-likely: For some vehicles this fault would be more than certain. "
        "Its share times the factors passes 1. Lower the factors, or the number.",
    ),
    # T is 0.99, and u makes it a third more: 0.9 x 0.99 x 2 / 1.5.
    "a little more than certain": (
        complaint("any_of: {a: 90, b: 90}") + "facts:\n" + fact() + faults("a", "b", a="given: {t: {u: 2}}"),
        "given",
        "too-likely: For some vehicles this fault would be more than certain. "
        "Its share times the factors passes 1. Lower the factors, or the number.",
    ),
    "one at a time and nearly 100": (
        complaint("exactly_one_of: {a: 60, b: 34.5}") + faults("a", "b"),
        "exactly_one_of",
        "shares: The numbers add up to 99.5. One at a time means that every one of 100 cars has exactly one. "
        "Give each member a number; together 100.",
    ),
    "one at a time and not 100": (
        complaint("exactly_one_of: {a: 60, b: 50}") + faults("a", "b"),
        "exactly_one_of",
        "shares: The numbers add up to 115. One at a time means that every one of 100 cars has exactly one. "
        "Give each member a number; together 100.",
    ),
    "at least two and too few": (
        complaint("any_of: {x: , b: 50, a: 60}")
        + "branches:\n"
        + branch("x", "at_least: 2, of: {d: 60, e: 80, f: 60}")
        + faults("a", "b", "d", "e", "f"),
        "of: {d",
        "shares: The numbers add up to 200. Each of 100 cars has 2 or more of them. "
        "Give each member a number below 100; together more than 200.",
    ),
    "numbers where all are needed": (
        complaint("all_of: {a: 60, b: 50}") + faults("a", "b"),
        "all_of",
        "shares: Members of all_of carry numbers. Where all are needed, each is there in 100 of 100 cars. "
        "Leave them out, or give the faults plain priors.",
    ),
    "at least one, and one of them always": (
        complaint("at_least: 1, of: {a: 100, b: 80}") + faults("a", "b"),
        "of: {a",
        "shares: The numbers add up to 185. Each of 100 cars has 1 or more of them. "
        "Give each member a number below 100; together more than 100.",
    ),
    # P(x) is 0.0001 at most, and 0.0001 = 1 - (1 - T) / ((1 - 0.9 T)(1 - 0.05 T)) gives 0.2 T = 0.000398.
    "both needed, and one too rare": (
        complaint("any_of: {x: 20, b: 90}")
        + "branches:\n"
        + branch("x", "all_of: [d, e]")
        + faults("b", "d", "e", d="prior: 0.0001"),
        "x: {name: Branch x",
        f"shares: 'x' cannot be as common as its number says, 0.251 times as much. {HOW_OFTEN}",
    ),
    # T is 0.314 as for 60 and 45 alone, so that 1e-6 T is asked of what comes with 1e-9 at most.
    "both needed, hardly ever, and one still rarer": (
        complaint("any_of: {x: 0.0001, a: 60, b: 45}")
        + "branches:\n"
        + branch("x", "all_of: [d, e]")
        + faults("a", "b", "d", "e", d="prior: 1.0e-9"),
        "x: {name: Branch x",
        f"shares: 'x' cannot be as common as its number says, 0.00318 times as much. {HOW_OFTEN}",
    ),
    # P(one of two whose odds are as 60 to 40) is 1 / (1 + 2 sqrt 0.24) = 0.505 at most, of 0.99 T = 0.909.
    "one at a time, and too common": (
        complaint("any_of: {x: 99, b: 90}")
        + "branches:\n"
        + branch("x", "exactly_one_of: {d: 60, e: 40}")
        + faults("b", "d", "e"),
        "x: {name: Branch x",
        f"shares: 'x' cannot be as common as its number says, 0.556 times as much. {HOW_OFTEN}",
    ),
    "shared, and more than its other branch": (
        complaint("any_of: {x: 60, y: 50}")
        + "branches:\n"
        + branch("x", "any_of: {d: 60, s: }", rest=True)
        + branch("y", "any_of: {e: 10, s: 90}", rest=True)
        + faults("d", "e", "s"),
        "any_of: {x: 60",
        f"shares: These numbers cannot be so together, whatever the priors. {SHARED}",
    ),
    "within a branch, and beside it": (
        complaint("any_of: {x: 60, e: 50}")
        + "branches:\n"
        + branch("x", "any_of: {e: , d: 60}", rest=True)
        + faults("e", "d"),
        "any_of: {x: 60",
        f"shares: These numbers cannot be so together, whatever the priors. {SHARED}",
    ),
    "two needed, and a fact that brings two of them": (
        complaint("any_of: {x: , y: 60, b: 50}")
        + "branches:\n"
        + branch("x", "at_least: 2, of: {d: 90, e: 80, f: 50}")
        + branch("y", "any_of: {g: 60, h: 50}", rest=True)
        + "facts:\n"
        + fact()
        + faults(*"bdefgh", d="given: {t: {u: 1.5}}", e="given: {t: {u: 1.5}}"),
        "d: 90",
        f"shares: 'd' comes out at 90.91 of 100, not 90. {TIED}",
    ),
    "one at a time, and a fact that brings both": (
        complaint("exactly_one_of: {a: 60, b: 35}")
        + "facts:\n"
        + fact()
        + faults("a", "b", a="given: {t: {u: 2}}", b="given: {t: {u: 2}}"),
        "a: 60",
        f"shares: 'a' comes out at 60.02 of 100, not 60. {TIED}",
    ),
    "numbers in a branch that has none itself": (
        complaint("any_of: {x: , b: 90, a: 60}")
        + "branches:\n"
        + branch("x", "any_of: {d: 60, e: 50}")
        + faults("a", "b", "d", "e"),
        "x: {name: Branch x",
        "no-number: 'x' has numbers inside but none where it is used. How common it is cannot be found. "
        "Give it a number in the gate above.",
    ),
    "a plain prior above the branch that it is in": (
        complaint("any_of: {x: 60, a: 60}")
        + "branches:\n"
        + branch("x", "any_of: {b: , d: 60}", rest=True)
        + faults("a", "b", "d", b="prior: 0.9"),
        "any_of: {b",
        "shares: The numbers of 'x' add up to 60 (d 60). "
        "Independent causes come together more rarely than that, by the complaint's sum. "
        "Lower the numbers of the branch.",
    ),
    "two causes that are next to always there within a branch that is not": (
        complaint("any_of: {x: 60, a: 60}")
        + "branches:\n"
        + branch("x", "any_of: {b: , e: , d: 60}", rest=True)
        + faults("a", "b", "d", "e", b="prior: 0.9999999999", e="prior: 0.9999999999"),
        "any_of: {b",
        "shares: The numbers of 'x' add up to 60 (d 60). "
        "Independent causes come together more rarely than that, by the complaint's sum. "
        "Lower the numbers of the branch.",
    ),
    "nineteen faults under two branches each": (
        complaint("any_of: {x: 70, y: 60}")
        + "branches:\n"
        + branch("x", f"any_of: {{b: 60, {', '.join(f'{name}: 9' for name in NINETEEN)}}}", rest=True)
        + branch("y", f"any_of: {{d: 55, {', '.join(f'{name}: ' for name in NINETEEN)}}}", rest=True)
        + faults("b", "d", *NINETEEN),
        "c: {name",
        "too-shared: 19 faults and facts act in several branches. "
        "The priors cannot be found for so many combinations. Let fewer branches share them.",
    ),
}


@pytest.mark.parametrize("mistake", REFUSED)
def test_numbers_that_cannot_be_are_refused_in_words(mistake: str) -> None:
    """What is wrong, why, and what to write instead, at the words that are wrong."""
    text, at, sentence = REFUSED[mistake]
    said, places = refusal(text)
    assert said == [sentence]
    assert places[0].startswith(at)


def test_a_branch_that_is_too_large_is_told_the_largest_sum() -> None:
    """The largest sum that is named is one that works: a hair more is refused, a hair less is taken."""

    def sums(total: float) -> str:
        inner = branch("x", f"any_of: {{d: {total * 9 / 17:.6f}, e: {total * 8 / 17:.6f}}}", rest=True)
        return complaint("any_of: {x: 60, b: 50}") + "branches:\n" + inner + faults("b", "d", "e")

    (said,), (at,) = refusal(sums(170))
    most = float(said.split("at most about ")[1].split()[0])
    assert said == (
        f"shares: The numbers of 'x' add up to 170 (d 90, e 80); here at most about {most:.4g} is possible. "
        "Independent causes come together more rarely than that, by the complaint's sum. "
        "Lower the numbers of the branch."
    )
    assert at.startswith("any_of: {d")
    assert 100 < most < 170
    assert refusal(sums(most - 0.1))[0] == []
    assert len(refusal(sums(most + 0.1))[0]) == 1


def test_only_the_branch_whose_own_numbers_are_too_large_is_named() -> None:
    """The branches around it, which come out too large through it alone, are sound and not blamed."""

    def tree(d: float, z: float) -> str:
        inner = [
            branch("x", f"any_of: {{y: 55, z: {z}}}", rest=True),
            branch("y", f"any_of: {{d: {d}, e: 90}}", rest=True),
        ]
        return (
            complaint("any_of: {x: 60, b: 50}") + "branches:\n" + "".join(inner) + faults("b", "d", "e", "z")
        )

    said, at = refusal(tree(90, 44))
    assert [one.split(";")[0] for one in said] == ["shares: The numbers of 'y' add up to 180 (d 90, e 90)"]
    assert at[0].startswith("any_of: {d")
    said, _ = refusal(tree(90, 95))
    assert [one.split("'")[1] for one in said] == ["x", "y"], "both are too large by themselves"
    assert refusal(tree(9, 44))[0] == []


def test_two_numbers_for_one_fault_are_named_even_where_the_sums_break_too() -> None:
    """The slip that the author made is named, not what follows from it."""
    said, _ = refusal(
        complaint("any_of: {x: 60, b: 50}")
        + "branches:\n"
        + branch("x", "any_of: {d: 60, b: 40}", rest=True)
        + faults("b", "d")
    )
    assert any("'b' is given a number here and elsewhere" in one for one in said)
