"""Clique trees of networks in the literature: what is together, what can be, and what is too wide."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable, Sequence
from graphlib import TopologicalSorter

import networkx
import numpy as np
import pytest
from numpy.typing import NDArray

from advisor.inference import cliquetree
from advisor.inference.cliquetree import Bag, Scope, TooWide, clique_tree, to_blame
from advisor.inference.compiler import compile_tables
from advisor.inference.tables import CPT, DiscreteNetwork
from tests import oracle
from tests.oracle import BINARY
from tests.test_engine_properties import assert_agrees
from tests.test_published import network, tree

TREES = ("nureg0492_pressure_tank", "hipps_2oo3_ccf", "hecs_memory_3of5", "ne574", "inl_logic2")
NETWORKS = ("asia", "firealarm", "earthquake")


def literature(identity: str, readings: bool = False) -> DiscreteNetwork:
    """A fault tree or network of the literature; with `readings`, what has no children is one."""
    if identity in TREES:
        shape = tree(identity)
        seen = [
            CPT(f"{name} seen", (name,), np.array([[0.8, 0.2], [0.3, 0.7]]))
            for name in list(shape["gates"])[:2]
        ]
        return oracle.tree_tables(shape, seen if readings else ())
    nodes = network(identity)["nodes"]
    parents = {parent for said in nodes.values() for parent in said["parents"]}
    leaves = [name for name in nodes if name not in parents] if readings else []
    targets = [name for name in nodes if name not in leaves][:3]
    return oracle.network_tables(nodes, leaves, targets)


def cliques_of(tables: DiscreteNetwork) -> tuple[list[Bag], list[int]]:
    """The clique tree of a network without readings."""
    order = tuple(TopologicalSorter({one.child: one.parents for one in tables.tables}).static_order())
    return clique_tree(order, sizes(tables), scopes_of(tables), tables.tables)


def sizes(tables: DiscreteNetwork) -> dict[str, int]:
    """How many states each node has."""
    return {name: len(states) for name, states in tables.outcomes.items()}


def scopes_of(tables: DiscreteNetwork) -> list[Scope]:
    """Each node with its parents and itself."""
    return [(one.child, (*one.parents, one.child)) for one in tables.tables]


def what_can_be(tables: DiscreteNetwork, names: Sequence[str]) -> set[tuple[int, ...]]:
    """The combinations of states of some nodes that the whole joint, written out, gives any probability."""
    axes = [[one.child for one in tables.tables].index(name) for name in names]
    return {tuple(states) for states in np.argwhere(oracle.enumerate_joint(tables, {}) > 0)[:, axes].tolist()}


def test_the_chest_clinic_has_its_published_cliques(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lauritzen & Spiegelhalter (1988): six cliques; of smoking's circle either chord is as good."""
    monkeypatch.setattr(cliquetree, "MERGE_UP_TO", 0)
    bags, _ = cliques_of(literature("asia"))
    outside = [{"asia", "tub"}, {"tub", "lung", "either"}, {"either", "bronc", "dysp"}, {"either", "xray"}]
    chords = (
        [{"smoke", "lung", "bronc"}, {"lung", "bronc", "either"}],
        [{"smoke", "bronc", "either"}, {"smoke", "lung", "either"}],
    )
    found = sorted(sorted(bag.names) for bag in bags)
    assert found in [sorted(map(sorted, [*outside, *circle])) for circle in chords]


@pytest.mark.parametrize("merge", [0, 8, 24, 128])
@pytest.mark.parametrize("identity", [*TREES, *NETWORKS])
def test_cliques_hold_what_can_be_and_hang_together(
    monkeypatch: pytest.MonkeyPatch, identity: str, merge: int
) -> None:
    """Every table lies within one; each holds exactly what the whole joint gives any probability, once.

    Those that hold a node are neighbours (Jensen 1988: a join tree), parents come first, the largest is the
    root, and two neighbours stay apart only where their union is larger than both and than the limit.
    """
    monkeypatch.setattr(cliquetree, "MERGE_UP_TO", merge)
    tables = literature(identity)
    bags, parents = cliques_of(tables)
    for _, scope in scopes_of(tables):
        assert any(set(scope) <= set(bag.names) for bag in bags)
    for bag in bags:
        held = [tuple(states) for states in bag.states.T.tolist()]
        assert sorted(held) == sorted(what_can_be(tables, bag.names))
        assert len(bag) == len(held) <= len(bags[0])
    assert parents[0] == -1
    assert all(0 <= parent < at for at, parent in enumerate(parents) if at)
    for name in tables.outcomes:
        holding = [at for at, bag in enumerate(bags) if name in bag.names]
        assert sum(at == 0 or name not in bags[parents[at]].names for at in holding) == 1
    for at, parent in enumerate(parents[1:], start=1):
        union = dict.fromkeys((*bags[at].names, *bags[parent].names))
        assert len(what_can_be(tables, list(union))) > max(merge, len(bags[at]), len(bags[parent]))


def test_configurations_are_numbered_as_in_a_table() -> None:
    """The last name counts fastest, as in numpy's own numbering; without names all are number 0."""
    size = {"a": 2, "b": 3, "d": 4}
    states = np.array(list(itertools.product(range(4), range(2), range(3))), dtype=np.int16).T
    bag = Bag(("d", "a", "b"), states)
    expected = np.ravel_multi_index((states[1], states[2], states[0]), (2, 3, 4))
    assert bag.index(("a", "b", "d"), size).tolist() == expected.tolist()
    assert set(bag.index((), size).tolist()) == {0}
    assert bag.shared(Bag(("b", "d", "x"), np.zeros((3, 1), dtype=np.int16))) == ("d", "b")


def dense(parents: int) -> DiscreteNetwork:
    """A node with so many parents that all combinations can be."""
    names = [f"cause {at}" for at in range(parents)]
    tables = [oracle.root(name, (0.5, 0.5)) for name in names]
    tables.append(CPT("state", tuple(names), np.full((*[2] * parents, 2), 0.5)))
    return DiscreteNetwork(tuple(tables), dict.fromkeys((*names, "state"), BINARY), tuple(names), ())


@pytest.mark.parametrize("limit", [2, 3, 4, 15])
def test_a_table_above_the_limit_is_refused_with_its_node_and_size(
    monkeypatch: pytest.MonkeyPatch, limit: int
) -> None:
    """Three causes and their state need 2 to the power of 4 numbers, whichever limit they meet first."""
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", limit)
    with pytest.raises(TooWide) as refused:
        cliques_of(dense(3))
    assert (refused.value.node, refused.value.entries) == ("state", 16)
    assert refused.value.members == {"cause 0", "cause 1", "cause 2", "state"}
    assert str(refused.value) == (
        "'state' ties so many nodes together that a table of 16 numbers is needed. "
        "Let it depend on fewer causes, or on a branch of causes that act alike."
    )


def test_a_table_of_just_the_largest_size_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit itself is allowed, and a gate counts by what can be: 8 of its 16 combinations."""
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 16)
    assert [len(bag) for bag in cliques_of(dense(3))[0]] == [16]
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 8)
    with pytest.raises(TooWide):
        cliques_of(dense(3))
    causes = [oracle.root(name, (0.5, 0.5)) for name in "abd"]
    gated = DiscreteNetwork(
        (*causes, oracle.gate("top", "or", "abd")), dict.fromkeys(("a", "b", "d", "top"), BINARY), ("a",), ()
    )
    assert [len(bag) for bag in cliques_of(gated)[0]] == [8]


@pytest.mark.parametrize("together", [True, False], ids=["by one scope", "by pairs"])
def test_gates_of_the_same_causes_widen_a_clique_up_to_the_square_of_the_limit(
    monkeypatch: pytest.MonkeyPatch, together: bool
) -> None:
    """Three causes and three or four gates on them: 8 of 64 combinations can be, and 8 of 128."""
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 8)
    gates = {"ab": "ab", "bd": "bd", "ad": "ad", "abd": "abd"}
    tables = [oracle.root(name, (0.5, 0.5)) for name in "abd"]
    tables += [oracle.gate(name, "or", causes) for name, causes in gates.items()]
    for count, refused in ((6, False), (7, True)):
        names = tuple(table.child for table in tables[:count])
        apart: list[Scope] = [
            (f"{one} {other}", (one, other)) for one, other in itertools.combinations(names, 2)
        ]
        scopes: list[Scope] = [("look", names)] if together else apart
        size = dict.fromkeys(names, 2)
        if refused:
            with pytest.raises(TooWide) as error:
                clique_tree(names, size, scopes, tables[:count])
            assert (error.value.entries, error.value.members) == (128, set(names))
        else:
            (bag,), _ = clique_tree(names, size, scopes, tables[:count])
            assert len(bag) == 8


def pairs(edges: Iterable[Sequence[str]]) -> list[Scope]:
    """A scope for each edge of a graph."""
    return [(f"{one} {other}", (one, other)) for one, other in edges]


CHORDAL = {
    "two cliques and a node between": networkx.barbell_graph(5, 1),
    "two cliques and two nodes between": networkx.barbell_graph(4, 2),
    "a tree": networkx.balanced_tree(2, 3),
    "two trees": networkx.disjoint_union(networkx.path_graph(5), networkx.star_graph(4)),
    "intervals": networkx.interval_graph([(at, at + 2 + at % 3) for at in range(12)]),
}


@pytest.mark.parametrize("graph", CHORDAL.values(), ids=CHORDAL)
def test_a_graph_without_circles_to_cut_keeps_its_cliques(
    monkeypatch: pytest.MonkeyPatch, graph: networkx.Graph
) -> None:
    """Least fill-in adds no edge to a chordal graph, so that its largest cliques are those networkx finds."""
    monkeypatch.setattr(cliquetree, "MERGE_UP_TO", 0)
    names = {node: f"n{at}" for at, node in enumerate(graph)}
    named = networkx.relabel_nodes(graph, names)
    size = {name: 2 + at % 2 for at, name in enumerate(named)}
    bags, _ = clique_tree(list(named), size, pairs(named.edges), [])
    expected = sorted(map(sorted, networkx.find_cliques(named)))
    assert networkx.is_chordal(named)
    assert sorted(sorted(bag.names) for bag in bags) == expected


def test_a_circle_that_is_too_wide_is_blamed_on_a_scope_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A circle of four needs a chord, and so three of 3 states together: 27 numbers, above 4 x 4."""
    circle: list[Scope] = [("ab", ("a", "b")), ("bd", ("b", "d")), ("de", ("d", "e")), ("ea", ("e", "a"))]
    size = dict.fromkeys("abde", 3)
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 4)
    with pytest.raises(TooWide) as refused:
        clique_tree("abde", size, circle, [])
    assert refused.value.entries == 27
    assert len(refused.value.members) == 3
    assert refused.value.node in {owner for owner, _ in circle}


def test_the_node_that_ties_most_together_is_blamed() -> None:
    """By how much of the clique its scope holds; of two alike, the later name."""
    scopes: list[Scope] = [("b", ("x", "y")), ("d", ("x", "y")), ("a", ("x",)), ("e", ("u", "v", "w"))]
    assert to_blame({"x", "y", "u"}, scopes) == "d"
    assert to_blame(["u", "v"], scopes) == "e"


@pytest.mark.parametrize("weak", [1.0, 1e-90, 1e-200, 1e-300])
@pytest.mark.parametrize("merge", [0, 128])
@pytest.mark.parametrize("identity", [*TREES, "asia"])
def test_messages_between_many_cliques_give_enumeration(
    monkeypatch: pytest.MonkeyPatch, identity: str, merge: int, weak: float
) -> None:
    """With every clique by itself as with all merged, one case or several, however weak the evidence is."""
    monkeypatch.setattr(cliquetree, "MERGE_UP_TO", merge)
    tables = literature(identity, readings=True)
    engine = compile_tables(tables)
    assert (len(engine.cliques) > 2) == (merge == 0)
    assert engine.widest[1] == max(len(clique.own) for clique in engine.cliques)
    cases = [seen_softly(tables, count) for count in (0, 1, 3)]
    first = tables.tables[0].child
    cases.append({**cases[1], first: np.eye(len(tables.outcomes[first]))[-1]})
    weakened = [{name: weak * said for name, said in case.items()} for case in cases]
    for case, alone, together, probability in zip(
        cases,
        map(engine.query, weakened),
        engine.query_batch(weakened),
        engine.log2_evidence_probability(weakened).tolist(),
        strict=True,
    ):
        answers = oracle.enumerate_answers(tables, case)
        expected = dataclasses.replace(
            answers, log2_evidence=answers.log2_evidence + len(case) * math.log2(weak)
        )
        assert_agrees(alone, expected)
        assert_agrees(together, expected)
        assert probability == pytest.approx(expected.log2_evidence, abs=1e-9)


def seen_softly(tables: DiscreteNetwork, count: int) -> dict[str, NDArray[np.float64]]:
    """Soft evidence on so many nodes, from the last one back: readings first."""
    nodes = [table.child for table in tables.tables][::-1][:count]
    return {name: 0.9 / np.arange(1, len(tables.outcomes[name]) + 1) ** 2 for name in nodes}
