"""A clique tree of a network: minimum fill-in, possible configurations only, small cliques merged.

A clique holds only the configurations of its nodes that the tables leave possible. Gates are functions of
their members, so in a fault tree that is a small part of all combinations, and that decides a clique's cost.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from advisor.arrays import Ints
from advisor.inference.tables import CPT

MERGE_UP_TO = 128
"""Neighbouring cliques are merged up to this many entries: numpy's call costs more than the work saved."""
LARGEST_CLIQUE = 2**20
"""A network that needs a clique with more entries than this is refused."""

Scope = tuple[str, tuple[str, ...]]
"""A node, and the nodes that have to be together in one clique for its sake."""


class TooWide(Exception):
    """Exact inference would need a table of `entries` numbers over `members`, for the sake of `node`."""

    def __init__(self, node: str, entries: float, members: Iterable[str] = ()) -> None:
        self.node, self.entries, self.members = node, entries, frozenset(members)
        super().__init__(
            f"'{node}' ties so many nodes together that a table of {entries:.3g} numbers is needed. "
            "Let it depend on fewer causes, or on a branch of causes that act alike."
        )


@dataclass(frozen=True, eq=False)
class Bag:
    """Nodes that belong together and their possible configurations, shape (nodes, entries)."""

    names: tuple[str, ...]
    states: NDArray[np.int16]

    def __len__(self) -> int:
        return int(self.states.shape[1])

    def index(self, names: Iterable[str], size: Mapping[str, int]) -> Ints:
        """Return for each entry the number of its configuration of `names`; the last name varies fastest."""
        index = np.zeros(len(self), dtype=np.intp)
        for name in names:
            index = index * size[name] + self.states[self.names.index(name)]
        return index

    def shared(self, other: Bag) -> tuple[str, ...]:
        """Return the nodes that are in both."""
        there = set(other.names)
        return tuple(name for name in self.names if name in there)


def clique_tree(
    order: Sequence[str], size: Mapping[str, int], scopes: Sequence[Scope], tables: Sequence[CPT]
) -> tuple[list[Bag], list[int]]:
    """Return the cliques, parents before children, and each one's parent, -1 for the first and largest.

    `order` lists all nodes, parents first. Each scope lies within a clique. Combinations of states that the
    tables make impossible are dropped. Raises `TooWide`.
    """
    graph: dict[str, set[str]] = {name: set() for name in order}
    for owner, scope in scopes:
        if math.prod(size[name] for name in scope) > LARGEST_CLIQUE**2:
            raise TooWide(owner, math.prod(size[name] for name in scope), scope)
        for name in scope:
            graph[name].update(scope)
    for name, around in graph.items():
        around.discard(name)
    sets, parents = _bags(graph, size, scopes)
    rank = {name: index for index, name in enumerate(order)}
    ruled_out: dict[str, list[CPT]] = {name: [] for name in order}
    for table in tables:
        if not np.all(table.values > 0):
            last = max((*table.parents, table.child), key=rank.__getitem__)
            ruled_out[last].append(table)
    bags = []
    for names in sets:
        states = _possible(sorted(names, key=rank.__getitem__), size, ruled_out)
        if states is None:
            raise TooWide(to_blame(names, scopes), math.prod(size[name] for name in names), names)
        bags.append(states)
    return _in_order(*_merged(_agreed(bags, parents, size), parents, size))


def _bags(
    graph: dict[str, set[str]], size: Mapping[str, int], scopes: Sequence[Scope]
) -> tuple[list[set[str]], list[int]]:
    """Maximal cliques of the graph made chordal, and each one's parent, before it in the list or -1."""
    eliminated = []
    for name, around in _elimination(graph, size):
        eliminated.append((name, around))
        together = {name, *around}
        if math.prod(size[one] for one in together) > LARGEST_CLIQUE**2:
            # Half of a clique's nodes may be gates, hardly more: the rest would be too many.
            raise TooWide(to_blame(together, scopes), math.prod(size[one] for one in together), together)
    bags: list[set[str]] = []
    parents: list[int] = []
    home: dict[str, int] = {}
    place = {name: index for index, (name, _) in enumerate(eliminated)}
    for name, around in reversed(eliminated):
        above = home[min(around, key=place.__getitem__)] if around else len(bags) - 1
        if around and bags[above] == around:
            bags[above].add(name)
            home[name] = above
        else:
            home[name] = len(bags)
            bags.append({name, *around})
            parents.append(above)
    return bags, parents


def _elimination(graph: dict[str, set[str]], size: Mapping[str, int]) -> Iterator[tuple[str, set[str]]]:
    """Yield nodes by least fill-in, each with its neighbours at that point; consumes the graph."""

    def cost(name: str) -> tuple[int, int, str]:
        around = graph[name]
        missing = sum(len(around) - 1 - len(around & graph[other]) for other in around)
        return missing, math.prod(size[other] for other in around) * size[name], name

    costs = {name: cost(name) for name in graph}
    waiting = sorted(costs.values())
    while waiting:
        entry = heapq.heappop(waiting)
        missing, _, name = entry
        if costs.get(name) != entry:
            continue
        around = graph.pop(name)
        del costs[name]
        yield name, around
        changed = set(around)
        for other in around:
            graph[other].discard(name)
            if missing:
                graph[other] |= around - {other}
                changed |= graph[other]
        for other in changed:
            costs[other] = cost(other)
            heapq.heappush(waiting, costs[other])


def _possible(
    names: Sequence[str], size: Mapping[str, int], ruled_out: Mapping[str, Sequence[CPT]]
) -> Bag | None:
    """Return the combinations that no table within the names rules out; None if there are too many."""
    states = np.zeros((0, 1), dtype=np.int16)
    place = {name: index for index, name in enumerate(names)}
    for name in names:
        own = np.tile(np.arange(size[name], dtype=np.int16), states.shape[1])
        states = np.vstack([np.repeat(states, size[name], axis=1), own])
        for table in ruled_out[name]:
            scope = (*table.parents, table.child)
            if place.keys() >= set(scope):
                states = states[:, table.values[tuple(states[place[one]] for one in scope)] > 0]
        if states.shape[1] > LARGEST_CLIQUE:
            return None
    return Bag(tuple(names), states)


def to_blame(members: Iterable[str], scopes: Sequence[Scope]) -> str:
    """Return the node whose scope accounts for most of a clique."""
    members = set(members)
    return max(scopes, key=lambda scope: (len(members & set(scope[1])), scope[0]))[0]


def _agreed(bags: Sequence[Bag], parents: Sequence[int], size: Mapping[str, int]) -> list[Bag]:
    """Return the bags without what neighbours rule out, so that every remaining entry is possible."""
    left = list(bags)

    def narrow(index: int, by: int) -> None:
        shared = left[index].shared(left[by])
        kept = np.isin(left[index].index(shared, size), left[by].index(shared, size))
        if not kept.all():
            left[index] = Bag(left[index].names, left[index].states[:, kept])

    links = [(index, parent) for index, parent in enumerate(parents) if parent >= 0]
    for index, parent in reversed(links):
        narrow(parent, index)
    for index, parent in links:
        narrow(index, parent)
    return left


def _merged(
    bags: list[Bag], parents: Sequence[int], size: Mapping[str, int]
) -> tuple[dict[int, Bag], list[set[int]]]:
    """Merge neighbours while the union stays small, or has no more entries than one of the two.

    Returns the bags left by number, and each number's neighbours.
    """
    left = dict(enumerate(bags))
    near: list[set[int]] = [set() for _ in bags]
    waiting: list[tuple[int, int, int]] = []

    def link(one: int, other: int) -> None:
        near[one].add(other)
        near[other].add(one)
        first, second = left[one], left[other]
        entries = int(_matches(first, second, size)[1].sum())
        if entries <= max(MERGE_UP_TO, len(first), len(second)):
            heapq.heappush(waiting, (entries, one, other))

    for index, parent in enumerate(parents):
        if parent >= 0:
            link(parent, index)
    while waiting:
        _, one, other = heapq.heappop(waiting)
        if one not in left or other not in left:
            continue
        union = len(near)
        left[union] = _joined(left.pop(one), left.pop(other), size)
        near.append(set())
        for neighbour in sorted((near[one] | near[other]) - {one, other}):
            near[neighbour] -= {one, other}
            link(union, neighbour)
    return left, near


def _matches(one: Bag, other: Bag, size: Mapping[str, int]) -> tuple[Ints, Ints, Ints]:
    """Where the other's entries that fit each of one's begin in an order of them, how many, and the order."""
    shared = one.shared(other)
    ours, theirs = one.index(shared, size), other.index(shared, size)
    order = np.argsort(theirs, kind="stable")
    first = np.searchsorted(theirs[order], ours)
    return first, np.searchsorted(theirs[order], ours, side="right") - first, order


def _joined(one: Bag, other: Bag, size: Mapping[str, int]) -> Bag:
    """Every pair of entries that agree on the nodes in both."""
    first, count, order = _matches(one, other, size)
    ours = np.repeat(np.arange(len(one)), count)
    theirs = order[np.arange(len(ours)) + np.repeat(first - np.cumsum(count) + count, count)]
    new = [index for index, name in enumerate(other.names) if name not in one.names]
    states = np.vstack([one.states[:, ours], other.states[new][:, theirs]])
    return Bag((*one.names, *(other.names[index] for index in new)), states)


def _in_order(left: Mapping[int, Bag], near: Sequence[set[int]]) -> tuple[list[Bag], list[int]]:
    """Return the bags from the largest outwards, each with the place of its parent."""
    root = max(left, key=lambda bag: (len(left[bag]), bag))
    ahead = [(root, -1)]
    bags: list[Bag] = []
    parents: list[int] = []
    while ahead:
        bag, parent = ahead.pop()
        index = len(bags)
        bags.append(left[bag])
        parents.append(parent)
        ahead += [(other, index) for other in sorted(near[bag])]
        for other in near[bag]:
            near[other].discard(bag)
    return bags, parents
