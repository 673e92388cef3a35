"""Exact inference by one junction tree: every belief and every reading's information in one pass.

A network is compiled once. Per step, what was seen is multiplied into the cliques, messages go to the
root and back (Jensen, Lauritzen & Olesen 1990), and three sparse products turn the calibrated cliques
into posteriors, predictions and informations. Many cases go through in one call: arrays are
(cases, entries).

Information of a reading R is about the joint state of all sought nodes S (the faults), in bits:

    I(R; S | seen) = H(R | seen) - sum over s of P(s | seen) H(R | s, seen)

*Steady* nodes are functions of S. If all parents of R are steady, H(R | s, seen) hangs on the parents
alone. Other hidden nodes are *noise* (a noisy state, an unknown vehicle fact): what R tells about them
beyond S does not count. Noise nodes that share tables form a group, and given S the group hangs on
S only through the steady nodes in those tables, its *border* b. With border and R's parents together in
one clique, P(R | s, seen) = P(R | b, seen), and the second term is exact as well.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import networkx as nx
import numpy as np
from networkx.algorithms.approximation import treewidth_min_fill_in
from numpy.typing import ArrayLike, NDArray
from scipy import sparse

from advisor.tables import Floats, Tables

Ints = NDArray[np.intp]
Evidence = Mapping[str, ArrayLike]

MERGE_UP_TO = 1024
"""Neighbouring cliques are merged up to this many entries: numpy's call costs more than the work saved."""
LARGEST_CLIQUE = 2**20
"""A network that needs a larger table than this is refused."""
SMALLEST = np.finfo(np.float64).tiny
"""Divides in place of 0, where the numerator is 0 too."""
ROUND_OFF_BITS = 1e-12
"""An information below this is a difference of equal numbers: it is 0."""


class ImpossibleEvidence(Exception):
    """What was seen cannot be so together.

    `clash` are nodes that show it: one or two where that few do, else a set that none can be spared from.
    """

    def __init__(self, clash: tuple[str, ...]) -> None:
        self.clash = clash
        super().__init__("cannot be so together: " + ", ".join(clash))


class TooWide(Exception):
    """Exact inference would need a table of `entries` numbers, for the sake of `node`."""

    def __init__(self, node: str, entries: float) -> None:
        self.node, self.entries = node, entries
        super().__init__(
            f"'{node}' ties so many nodes together that a table of {entries:.3g} numbers is needed"
        )


@dataclass(frozen=True, eq=False)
class Clique:
    """A clique's place in the long array, and its link to the parent clique nearer the root."""

    names: tuple[str, ...]  # the separator to the parent first
    span: slice
    separator: int  # number of separator states; 1 at the root
    parent: int  # -1 at the root
    gather: Ints  # parent entry -> separator state
    group: Ints  # order of the parent's entries that puts equal separator states together


@dataclass(frozen=True, eq=False)
class Entry:
    """Where evidence on a node goes: the likelihood over its states, by `weights`, onto a clique."""

    clique: int
    index: Ints
    weights: Floats  # (parent configurations, states)


@dataclass(frozen=True, eq=False)
class Outlook:
    """What is believed, and what each reading would tell, after what was seen."""

    _engine: Engine
    _hidden: Floats
    _predictive: Floats
    _bits: Floats
    _seen: frozenset[str]
    log2_evidence: float

    @cached_property
    def marginals(self) -> Mapping[str, Floats]:
        """P(state | seen) of every hidden node."""
        return {name: self._hidden[span] for name, span in self._engine.hidden_spans.items()}

    @cached_property
    def beliefs(self) -> Mapping[str, float]:
        """P(present | seen) of every sought node: the probability of its last state."""
        return dict(zip(self._engine.sought, self._hidden[self._engine.sought_at].tolist(), strict=True))

    @cached_property
    def predictive(self) -> Mapping[str, Floats]:
        """P(outcome | seen) of every reading; of one seen already, of an independent repeat of it."""
        return {name: self._predictive[span] for name, span in self._engine.reading_spans.items()}

    @cached_property
    def information_bits(self) -> Mapping[str, float]:
        """Bits that each reading not yet seen would tell about the joint state of the sought nodes."""
        bits = dict(zip(self._engine.readings, self._bits.tolist(), strict=True))
        return {name: value for name, value in bits.items() if name not in self._seen}


@dataclass(frozen=True, eq=False)
class Engine:
    """A compiled network. Made by `compile_tables`; it never changes."""

    outcomes: Mapping[str, tuple[str, ...]]
    sought: tuple[str, ...]
    readings: tuple[str, ...]
    cliques: tuple[Clique, ...]  # parents before children
    widest: tuple[str, int]  # the node that ties most of the largest clique together, and its entries
    start: Floats  # all cliques' potentials, one after the other
    entries: Mapping[str, Entry]
    hidden_spans: Mapping[str, slice]
    sought_at: Ints
    reading_spans: Mapping[str, slice]
    to_hidden: sparse.csr_matrix  # cliques -> marginals of hidden nodes
    to_joints: sparse.csr_matrix  # cliques -> joints that the readings hang on
    to_terms: sparse.csr_matrix  # joints -> predictions first, then what stands in the entropies
    to_bits: sparse.csr_matrix  # x log2 x of the terms -> information, but for
    to_certain: sparse.csr_matrix  # joints -> the entropy that remains when all parents are known

    def one_hot(self, node: str, outcome: str) -> Floats:
        """The likelihood that says: the node is in this state for certain."""
        vector = np.zeros(len(self.outcomes[node]))
        vector[self.outcomes[node].index(outcome)] = 1.0
        return vector

    def outlook(self, evidence: Evidence) -> Outlook:
        """What is believed after the evidence, a likelihood over the states of each node seen.

        Only ratios within a likelihood matter. Raises `ImpossibleEvidence` with the nodes that clash.
        """
        return self.outlook_many([evidence])[0]

    def outlook_many(self, cases: Sequence[Evidence]) -> tuple[Outlook, ...]:
        """The outlooks of many cases, in one pass over the cliques."""
        clean = [self._checked(evidence) for evidence in cases]
        if not clean:
            return ()
        cliques, messages, log2 = self._collected(clean)
        for evidence, total in zip(clean, log2, strict=True):
            if total == -math.inf:
                raise ImpossibleEvidence(self._clash(evidence))
        self._distribute(cliques, messages)
        flat = cliques[0] if len(cases) == 1 else np.ascontiguousarray(cliques.T)
        joints = self.to_joints @ flat
        terms = self.to_terms @ joints
        bits = self.to_bits @ _x_log2_x(terms) - self.to_certain @ joints
        bits[bits < ROUND_OFF_BITS] = 0.0
        hidden = self.to_hidden @ flat
        predictive = terms[: self._predicted]
        if len(cases) == 1:
            return (Outlook(self, hidden, predictive, bits, frozenset(clean[0]), float(log2[0])),)
        columns = zip(hidden.T, predictive.T, bits.T, clean, log2.tolist(), strict=True)
        return tuple(Outlook(self, h, p, b, frozenset(seen), total) for h, p, b, seen, total in columns)

    def log2_chances(self, cases: Sequence[Evidence]) -> Floats:
        """log2 of P(evidence) for each case, -inf where it cannot be; likelihoods count as they are."""
        clean = [self._checked(evidence) for evidence in cases]
        return self._collected(clean)[2] if clean else np.empty(0)

    @cached_property
    def _predicted(self) -> int:
        return max((span.stop for span in self.reading_spans.values()), default=0)

    def _checked(self, evidence: Evidence) -> dict[str, Floats]:
        checked = {}
        for node, said in evidence.items():
            if node not in self.entries:
                raise KeyError(f"there is no node '{node}'")
            likelihood = np.asarray(said, dtype=np.float64)
            if likelihood.shape != (len(self.outcomes[node]),):
                raise ValueError(f"'{node}' has {len(self.outcomes[node])} states, not {likelihood.shape}")
            if not np.all(np.isfinite(likelihood)) or np.any(likelihood < 0):
                raise ValueError(f"the likelihood on '{node}' has to be numbers from 0 up")
            checked[node] = likelihood
        return checked

    def _collected(self, cases: Sequence[Mapping[str, Floats]]) -> tuple[Floats, list[Floats], Floats]:
        """Enter the evidence and send messages to the root; returns cliques, messages, log2 P(evidence)."""
        count = len(cases)
        cliques = np.repeat(self.start[None, :], count, axis=0)
        scales = []
        # Likelihoods on one clique are added as logarithms first: many small ones would underflow.
        logs: dict[int, Floats] = {}
        for node in dict.fromkeys(itertools.chain.from_iterable(cases)):
            entry = self.entries[node]
            silent = np.ones(len(self.outcomes[node]))
            likelihood = np.array([evidence.get(node, silent) for evidence in cases])
            with np.errstate(divide="ignore"):
                log = np.log2(likelihood @ entry.weights.T)[:, entry.index]
            logs[entry.clique] = logs[entry.clique] + log if entry.clique in logs else log
        log2 = np.zeros(count)
        for at, log in logs.items():
            largest = np.maximum.reduce(log, axis=1)
            log2 += largest
            cliques[:, self.cliques[at].span] *= np.exp2(log - np.maximum(largest, -1e300)[:, None])
        messages: list[Floats] = [np.empty(0)] * len(self.cliques)
        for at in range(len(self.cliques) - 1, 0, -1):
            clique = self.cliques[at]
            span = cliques[:, clique.span]
            scales.append(_scale(span))
            message = np.add.reduce(span.reshape(count, clique.separator, -1), axis=2)
            cliques[:, self.cliques[clique.parent].span] *= message[:, clique.gather]
            messages[at] = message
        root = cliques[:, self.cliques[0].span]
        total = np.add.reduce(root, axis=1)
        root /= np.maximum(total, SMALLEST)[:, None]
        with np.errstate(divide="ignore"):
            log2 += np.log2([total, *scales]).sum(axis=0)
        return cliques, messages, log2

    def _distribute(self, cliques: Floats, messages: Sequence[Floats]) -> None:
        """Send messages from the root outwards, in place: each clique becomes P(its nodes | seen)."""
        count = len(cliques)
        for clique, sent in zip(self.cliques[1:], messages[1:], strict=True):
            parent = cliques[:, self.cliques[clique.parent].span]
            wanted = np.add.reduce(parent[:, clique.group].reshape(count, clique.separator, -1), axis=2)
            # Where nothing was sent nothing is wanted: 0/0 is 0 here.
            wanted /= np.maximum(sent, SMALLEST)
            span = cliques[:, clique.span].reshape(count, clique.separator, -1)
            span *= wanted[:, :, None]

    def _clash(self, evidence: Mapping[str, Floats]) -> tuple[str, ...]:
        """Nodes whose evidence is impossible: one, else a pair, else a set that none can be spared from."""
        for size in (1, 2):
            subsets = list(itertools.combinations(evidence, size))
            for start in range(0, len(subsets), 64):
                chunk = subsets[start : start + 64]
                _, _, log2 = self._collected([{node: evidence[node] for node in subset} for subset in chunk])
                for subset, total in zip(chunk, log2, strict=True):
                    if total == -math.inf:
                        return subset
        needed = dict(evidence)
        for node in evidence:
            without = {name: likelihood for name, likelihood in needed.items() if name != node}
            if self._collected([without])[2][0] == -math.inf:
                needed = without
        return tuple(needed)


def _scale(array: Floats) -> Floats:
    """Divide each case's numbers by their largest, in place, against underflow; returns the largest."""
    largest: Floats = np.maximum.reduce(array, axis=1)
    array /= np.maximum(largest, SMALLEST)[:, None]
    return largest


def _x_log2_x(x: Floats) -> Floats:
    out: Floats = np.zeros_like(x)
    np.log2(x, out=out, where=x > 0)
    out *= x
    return out


def compile_tables(tables: Tables) -> Engine:
    """Compile a network into an engine; raises `TooWide` where exactness would need too large a table."""
    return _Compiler(tables).engine()


class _Compiler:
    """What is needed only while compiling."""

    def __init__(self, tables: Tables) -> None:
        self.given = tables
        self.size = {name: len(outcomes) for name, outcomes in tables.outcomes.items()}
        readings = set(tables.readings)
        self.reading_tables = [table for table in tables.tables if table.child in readings]
        self.hidden_tables = [table for table in tables.tables if table.child not in readings]
        self.hidden = tuple(table.child for table in self.hidden_tables)
        for table in tables.tables:
            if readings.intersection(table.parents):
                raise ValueError(f"'{table.child}' hangs on a reading; readings are leaves")
        self.steady = self._steady()
        self.border = self._borders()

    def engine(self) -> Engine:
        bags, parents = self._bag_tree()
        cliques = self._laid_out(bags, parents)
        self.scopes = [clique.names for clique in cliques]
        self.spans = [clique.span for clique in cliques]
        self.length = cliques[-1].span.stop
        start = np.ones(self.length)
        for table in self.hidden_tables:
            at, index = self._placed((*table.parents, table.child))
            start[self.spans[at]] *= table.values.reshape(-1)[index]
        entries = {}
        for name in self.hidden:
            entries[name] = Entry(*self._placed((name,)), np.eye(self.size[name]))
        for table in self.reading_tables:
            entries[table.child] = Entry(
                *self._placed(table.parents), table.values.reshape(-1, self.size[table.child])
            )
        hidden_spans = _spans(self.hidden, self.size)
        to_hidden = sparse.vstack([self._marginal((name,)) for name in self.hidden]).tocsr()
        joints, terms, bits, certain, reading_spans = self._information()
        return Engine(
            outcomes=self.given.outcomes,
            sought=self.given.sought,
            readings=tuple(reading_spans),
            cliques=cliques,
            widest=self.widest,
            start=start,
            entries=entries,
            hidden_spans=hidden_spans,
            sought_at=np.array([hidden_spans[name].stop - 1 for name in self.given.sought], dtype=np.intp),
            reading_spans=reading_spans,
            to_hidden=to_hidden,
            to_joints=joints,
            to_terms=terms,
            to_bits=bits,
            to_certain=certain,
        )

    def _steady(self) -> set[str]:
        """The nodes that are functions of the sought ones."""
        steady = set(self.given.sought)
        tables = {table.child: table for table in self.hidden_tables}
        order = nx.DiGraph()
        order.add_nodes_from(tables)
        order.add_edges_from((parent, table.child) for table in tables.values() for parent in table.parents)
        for name in nx.topological_sort(order):
            values = tables[name].values
            if steady.issuperset(tables[name].parents) and np.all((values == 0) | (values == 1)):
                steady.add(name)
        return steady

    def _borders(self) -> dict[str, tuple[str, ...]]:
        """For each reading with noise among its parents: its parents and the border of their group."""
        steady = self.steady
        scopes = [{*table.parents, table.child} for table in self.hidden_tables]
        scopes += [set(table.parents) for table in self.reading_tables]
        groups = nx.Graph()
        for scope in scopes:
            noise = sorted(scope - steady)
            groups.add_nodes_from(noise)
            nx.add_path(groups, noise)
        border: dict[str, set[str]] = {}
        for group in nx.connected_components(groups):
            around = set().union(*(scope - group for scope in scopes if scope & group))
            border.update(dict.fromkeys(group, around))
        return {
            table.child: tuple(sorted(set(table.parents).union(*(border[name] for name in noise))))
            for table in self.reading_tables
            if (noise := [name for name in table.parents if name not in steady])
        }

    def _entries(self, names: Iterable[str]) -> int:
        return math.prod(self.size[name] for name in names)

    def _bag_tree(self) -> tuple[list[tuple[str, ...]], list[int]]:
        """Triangulate (minimum fill-in), merge small cliques, and root the tree at its largest clique."""
        graph = nx.Graph()
        graph.add_nodes_from(self.hidden)
        scopes = [(table.child, (*table.parents, table.child)) for table in self.hidden_tables]
        scopes += [(t.child, self.border.get(t.child, t.parents)) for t in self.reading_tables]
        for owner, scope in scopes:
            if self._entries(scope) > LARGEST_CLIQUE:
                raise TooWide(owner, self._entries(scope))
            graph.add_edges_from(itertools.combinations(scope, 2))
        forest = nx.Graph()
        for component in nx.connected_components(graph):
            # Sorted, so that the same knowledge always gives the same tree.
            part = nx.Graph()
            part.add_nodes_from(sorted(component))
            part.add_edges_from(sorted(map(sorted, graph.subgraph(component).edges)))
            _, tree = treewidth_min_fill_in(part)
            tree = _merged(tree, self._entries)
            if forest.number_of_nodes():
                forest.add_edge(next(iter(forest)), next(iter(tree)))
            forest = nx.compose(forest, tree)
        widest = max(forest, key=lambda bag: (self._entries(bag), sorted(bag)))
        self.widest = (self._to_blame(widest, scopes), self._entries(widest))
        if self._entries(widest) > LARGEST_CLIQUE:
            raise TooWide(*self.widest)
        order = list(nx.dfs_preorder_nodes(forest, widest))
        position = {bag: at for at, bag in enumerate(order)}
        parents = [-1] * len(order)
        for parent, child in nx.dfs_edges(forest, widest):
            parents[position[child]] = position[parent]
        return [tuple(sorted(bag)) for bag in order], parents

    def _to_blame(self, bag: Iterable[str], scopes: list[tuple[str, tuple[str, ...]]]) -> str:
        """The node whose table ties most of an over-wide clique together."""
        members = set(bag)
        return max(scopes, key=lambda scope: (len(members & set(scope[1])), scope[0]))[0]

    def _laid_out(self, bags: list[tuple[str, ...]], parents: list[int]) -> tuple[Clique, ...]:
        cliques: list[Clique] = []
        offset = 0
        for bag, parent in zip(bags, parents, strict=True):
            above = cliques[parent].names if parent >= 0 else ()
            separator = tuple(name for name in bag if name in above)
            names = separator + tuple(name for name in bag if name not in above)
            gather = self._index(above, separator)
            cliques.append(
                Clique(
                    names=names,
                    span=slice(offset, offset + self._entries(names)),
                    separator=self._entries(separator),
                    parent=parent,
                    gather=gather,
                    group=np.argsort(gather, kind="stable"),
                )
            )
            offset += self._entries(names)
        return tuple(cliques)

    def _index(self, names: Sequence[str], within: Sequence[str]) -> Ints:
        """For each entry of a table over `names`, the flat index of its states of `within`."""
        states = np.indices([self.size[name] for name in names]).reshape(len(names), self._entries(names))
        index = np.zeros(self._entries(names), dtype=np.intp)
        for name in within:
            index = index * self.size[name] + states[names.index(name)]
        return index

    def _placed(self, scope: Sequence[str]) -> tuple[int, Ints]:
        """The smallest clique that holds the scope, and the index of its entries into the scope's table."""
        at = min(
            (at for at, names in enumerate(self.scopes) if set(scope) <= set(names)),
            key=lambda at: self.spans[at].stop - self.spans[at].start,
        )
        return at, self._index(self.scopes[at], scope)

    def _marginal(self, scope: Sequence[str]) -> sparse.csr_matrix:
        """The matrix that sums the cliques' array down to the table over the scope."""
        at, index = self._placed(scope)
        columns = np.arange(self.spans[at].start, self.spans[at].stop)
        ones = np.ones(len(index))
        return sparse.csr_matrix((ones, (index, columns)), shape=(self._entries(scope), self.length))

    def _information(
        self,
    ) -> tuple[sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix, dict[str, slice]]:
        """The matrices from cliques to joints, terms and bits (see `Engine`), and where predictions stand."""
        if not self.reading_tables:
            none = sparse.csr_matrix((0, 0))
            return sparse.csr_matrix((0, self.length)), none, none, none, {}
        joints, predicted, conditional, certain, signs = [], [], [], [], []
        for table in self.reading_tables:
            scope = self.border.get(table.child, table.parents)
            joints.append(self._marginal(scope))
            rows = table.values.reshape(-1, self.size[table.child])[self._index(scope, table.parents)]
            predicted.append(rows.T)
            if table.child not in self.border:
                certain.append(-_x_log2_x(rows).sum(axis=1)[None, :])
                conditional.append(np.empty((0, len(rows))))
                signs.append(np.empty((1, 0)))
                continue
            border = [name for name in scope if name in self.steady]
            where = self._index(scope, border)
            states = self._entries(border)
            on_border = sparse.csr_matrix((np.ones(len(where)), (where, np.arange(len(where)))))
            pairs = [on_border.multiply(rows[:, outcome][None, :]) for outcome in range(rows.shape[1])]
            certain.append(np.zeros((1, len(rows))))
            conditional.append(sparse.vstack([*pairs, on_border]))
            signs.append(np.repeat([1.0, -1.0], [states * rows.shape[1], states])[None, :])
        to_terms = sparse.vstack([sparse.block_diag(predicted), sparse.block_diag(conditional)])
        names = tuple(table.child for table in self.reading_tables)
        entropies = sparse.block_diag([-np.ones((1, self.size[name])) for name in names])
        return (
            sparse.vstack(joints).tocsr(),
            to_terms.tocsr(),
            sparse.hstack([entropies, sparse.block_diag(signs)]).tocsr(),
            sparse.block_diag(certain).tocsr(),
            _spans(names, self.size),
        )


def _spans(names: Sequence[str], size: Mapping[str, int]) -> dict[str, slice]:
    stops = np.cumsum([size[name] for name in names]).tolist()
    return {name: slice(stop - size[name], stop) for name, stop in zip(names, stops, strict=True)}


def _merged(tree: nx.Graph, entries: Callable[[Iterable[str]], int]) -> nx.Graph:
    """Merge neighbouring cliques while the union stays small, or is no larger than one of the two."""
    while True:
        costs = {
            (a, b): entries(a | b)
            for a, b in tree.edges
            if entries(a | b) <= max(MERGE_UP_TO, entries(a), entries(b))
        }
        if not costs:
            return tree
        first, second = min(costs, key=lambda pair: (costs[pair], sorted(pair[0] | pair[1])))
        union = first | second
        around = (set(tree[first]) | set(tree[second])) - {first, second}
        tree.remove_nodes_from([first, second])
        tree.add_node(union)
        tree.add_edges_from((union, neighbour) for neighbour in around)
