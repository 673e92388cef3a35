"""Compile the tables of a network into an engine.

Information of a reading R is about the joint state of all target nodes S (the faults), in bits:

    I(R; S | seen) = H(R | seen) - sum over s of P(s | seen) H(R | s, seen)

*Deterministic* nodes are functions of S. If all parents of R are deterministic, H(R | s, seen) depends on
the parents alone. Other hidden nodes are a *nuisance* (a noisy state, an unknown vehicle fact): what R tells
about them beyond S does not count. Nuisance nodes that share tables form a group, and given S the group
depends on S only through the deterministic nodes in those tables, its *interface* b. With interface and R's
parents together in one clique, P(R | b, seen) = P(R | s, seen), and the second term is exact as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from graphlib import TopologicalSorter

import numpy as np
from scipy import sparse

from advisor.arrays import SMALLEST, Floats, Ints, entropy
from advisor.inference.cliquetree import clique_tree, to_blame
from advisor.inference.engine import PLAIN, Engine
from advisor.inference.propagation import (
    Clique,
    EvidenceEntry,
    logarithms,
)
from advisor.inference.tables import CPT, DiscreteNetwork


def compile_tables(tables: DiscreteNetwork, asked: Sequence[str] | None = None) -> Engine:
    """Compile a network into an engine; raises `TooWide` if exactness would need too large a table.

    The engine informs about the readings `asked` (default: all); the others can only be evidence.
    """
    return _Compiler(tables, tables.readings if asked is None else asked).engine()


def deterministic_nodes(tables: DiscreteNetwork) -> set[str]:
    """Return the nodes that are functions of the target ones."""
    by_child = {table.child: table for table in tables.tables}
    deterministic = set(tables.targets)
    for name in parents_first(tables.tables):
        values = by_child[name].values
        if deterministic.issuperset(by_child[name].parents) and np.all((values == 0) | (values == 1)):
            deterministic.add(name)
    return deterministic


def parents_first(tables: Sequence[CPT]) -> tuple[str, ...]:
    """Return the tables' nodes in an order in which parents come before children."""
    return tuple(TopologicalSorter({table.child: table.parents for table in tables}).static_order())


class _Compiler:
    """State that is needed only while compiling."""

    def __init__(self, tables: DiscreteNetwork, asked: Sequence[str]) -> None:
        self.network = tables
        self.size = {name: len(outcomes) for name, outcomes in tables.outcomes.items()}
        readings = set(tables.readings)
        self.reading_tables = [table for table in tables.tables if table.child in readings]
        self.hidden_tables = [table for table in tables.tables if table.child not in readings]
        self.asked_tables = [table for table in self.reading_tables if table.child in set(asked)]
        self.hidden = tuple(table.child for table in self.hidden_tables)
        for table in tables.tables:
            if readings.intersection(table.parents):
                raise ValueError(f"'{table.child}' depends on a reading; readings are leaves")
        self.deterministic = deterministic_nodes(tables)
        self.interface = self._interfaces()

    def engine(self) -> Engine:
        scopes = [(table.child, (*table.parents, table.child)) for table in self.hidden_tables]
        scopes += [(table.child, self._scope(table)) for table in self.reading_tables]
        self.bags, parents = clique_tree(
            list(parents_first(self.hidden_tables)), self.size, scopes, self.hidden_tables
        )
        self.homes: dict[str, set[int]] = {name: set() for name in self.hidden}
        for clique, bag in enumerate(self.bags):
            for name in bag.names:
                self.homes[name].add(clique)
        stops = np.cumsum([len(bag) for bag in self.bags]).tolist()
        self.spans = [slice(stop - len(bag), stop) for bag, stop in zip(self.bags, stops, strict=True)]
        start, start_log2 = np.ones(stops[-1]), np.zeros(stops[-1])
        for table in self.hidden_tables:
            clique, index = self._placed((*table.parents, table.child))
            start[self.spans[clique]] *= table.values.ravel()[index]
            start_log2[self.spans[clique]] += logarithms(table.values).ravel()[index]
        faint = bool(np.any((start_log2 > -math.inf) & (start_log2 < math.log2(SMALLEST)))) or any(
            np.any((table.values > 0) & (table.values < PLAIN[0])) for table in self.reading_tables
        )
        entries = {
            name: EvidenceEntry(*self._placed((name,)), np.eye(self.size[name])) for name in self.hidden
        }
        for table in self.reading_tables:
            entries[table.child] = EvidenceEntry(*self._placed(table.parents), _by_parents(table))
        hidden_spans = _spans(self.hidden, self.size)
        to_hidden = _Rows()
        for name in self.hidden:
            clique, index = self._placed((name,))
            columns = np.arange(self.spans[clique].start, self.spans[clique].stop)
            to_hidden.add(self.size[name], index, columns, np.ones(len(index)))
        joints, terms, bits, certain, reading_spans = self._information()
        return Engine(
            outcomes=self.network.outcomes,
            targets=self.network.targets,
            readings=tuple(reading_spans),
            cliques=tuple(map(self._clique, range(len(self.bags)), parents)),
            widest=(to_blame(self.bags[0].names, scopes), len(self.bags[0])),
            start=start,
            start_log2=start_log2,
            faint=faint,
            entries=entries,
            hidden_spans=hidden_spans,
            target_indices=np.array(
                [hidden_spans[name].stop - 1 for name in self.network.targets], dtype=np.intp
            ),
            reading_spans=reading_spans,
            to_hidden=to_hidden.matrix(stops[-1]),
            to_joints=joints,
            to_terms=terms,
            to_bits=bits,
            to_certain=certain,
        )

    def _interfaces(self) -> dict[str, tuple[str, ...]]:
        """For each reading with nuisance among its parents: its parents and the interface of their group."""
        scopes = [{*table.parents, table.child} for table in self.hidden_tables]
        scopes += [set(table.parents) for table in self.reading_tables]
        groups: dict[str, set[str]] = {}
        for scope in scopes:
            nuisance = scope - self.deterministic
            group = nuisance.union(*(groups[name] for name in nuisance if name in groups))
            groups.update(dict.fromkeys(group, group))
        neighbours: dict[str, set[str]] = {name: set() for name in groups}
        for scope in scopes:
            for name in scope - self.deterministic:
                neighbours[name] |= scope
        interfaces = {}
        for table in self.asked_tables:
            nuisance = set(table.parents) - self.deterministic
            if nuisance:
                group = groups[min(nuisance)]
                interface = set().union(*(neighbours[name] for name in group)) - group
                interfaces[table.child] = tuple(sorted(interface.union(table.parents)))
        return interfaces

    def _scope(self, table: CPT) -> tuple[str, ...]:
        """Return the nodes that must share a clique for a reading."""
        return self.interface.get(table.child, table.parents)

    def _clique(self, clique: int, parent: int) -> Clique:
        bag, above = self.bags[clique], self.bags[parent]
        shared = bag.shared(above)  # the root's tells nothing, and is never asked
        both = np.concatenate([bag.index(shared, self.size), above.index(shared, self.size)])
        states, number = np.unique(both, return_inverse=True)
        own, theirs = number[: len(bag)], number[len(bag) :]
        return Clique(self.spans[clique], parent, len(states), own, theirs)

    def _placed(self, scope: Sequence[str]) -> tuple[int, Ints]:
        """Return the smallest clique that holds the scope, and where its entries are in the scope's table."""
        homes = set.intersection(*(self.homes[name] for name in scope)) if scope else {0}
        clique = min(homes, key=lambda home: (len(self.bags[home]), home))
        return clique, self.bags[clique].index(scope, self.size)

    def _marginal(self, sums: _Rows, scope: Sequence[str]) -> tuple[Ints, Ints]:
        """Add the rows that sum the cliques' array down to the scope's table, without what cannot be.

        Returns the rows' numbers, and the configuration of the scope that each stands for.
        """
        clique, index = self._placed(scope)
        possible, row = np.unique(index, return_inverse=True)
        columns = np.arange(self.spans[clique].start, self.spans[clique].stop)
        return sums.add(len(possible), row, columns, np.ones(len(row))), possible

    def _information(
        self,
    ) -> tuple[sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix, dict[str, slice]]:
        """Return the matrices from cliques to joints, terms and bits, and where predictions stand.

        `Engine` explains them.
        """
        joints, terms, bits, certain = _Rows(), _Rows(), _Rows(), _Rows()
        held = {
            scope: self._marginal(joints, scope)
            for scope in dict.fromkeys(map(self._scope, self.asked_tables))
        }
        predicted = []
        probabilities = []
        for table in self.asked_tables:
            columns, possible = held[self._scope(table)]
            rows = _by_parents(table)[self._within(self._scope(table), possible, table.parents)]
            probabilities.append(rows)
            predicted.append(terms.add_each(columns, rows))
        for table, rows, outcomes in zip(self.asked_tables, probabilities, predicted, strict=True):
            scope = self._scope(table)
            columns, possible = held[scope]
            less = -np.ones(len(outcomes))
            if table.child not in self.interface:
                certain.add_each(columns, entropy(rows)[:, None])
                bits.add_each(outcomes, less[:, None])
                continue
            certain.count += 1
            interface = [name for name in scope if name in self.deterministic]
            states, where = np.unique(self._within(scope, possible, interface), return_inverse=True)
            with_outcome = [terms.add(len(states), where, columns, outcome) for outcome in rows.T]
            alone = terms.add(len(states), where, columns, np.ones(len(where)))
            signs = [less, np.ones(len(states) * rows.shape[1]), -np.ones(len(states))]
            bits.add_each(np.concatenate([outcomes, *with_outcome, alone]), np.concatenate(signs)[:, None])
        names = [table.child for table in self.asked_tables]
        return (
            joints.matrix(self.spans[-1].stop),
            terms.matrix(joints.count),
            bits.matrix(terms.count),
            certain.matrix(joints.count),
            _spans(names, self.size),
        )

    def _within(self, scope: Sequence[str], configurations: Ints, names: Sequence[str]) -> Ints:
        """Return the configuration of some of a scope's names in each of its configurations."""
        states = {}
        left = configurations
        for name in reversed(scope):
            left, states[name] = np.divmod(left, self.size[name])
        index = np.zeros(len(configurations), dtype=np.intp)
        for name in names:
            index = index * self.size[name] + states[name]
        return index


class _Rows:
    """A sparse matrix built row by row."""

    def __init__(self) -> None:
        self.count = 0
        self.parts: list[tuple[Ints, Ints, Floats]] = []

    def add(self, count: int, rows: Ints, columns: Ints, values: Floats) -> Ints:
        """Add `count` rows with these values in them; returns the rows' numbers."""
        self.parts.append((rows + self.count, columns, values))
        self.count += count
        return np.arange(self.count - count, self.count)

    def add_each(self, columns: Ints, values: Floats) -> Ints:
        """Add a row for each column of `values`, which has a row for each of `columns`."""
        count = values.shape[1]
        rows = np.repeat(np.arange(count), len(columns))
        return self.add(count, rows, np.tile(columns, count), values.T.ravel())

    def matrix(self, width: int) -> sparse.csr_matrix:
        """Return the matrix of all rows so far."""
        if not self.parts:
            return sparse.csr_matrix((self.count, width))
        rows, columns, values = (np.concatenate(part) for part in zip(*self.parts, strict=True))
        matrix = sparse.csr_matrix((values, (rows, columns)), shape=(self.count, width))
        matrix.eliminate_zeros()
        return matrix


def _by_parents(table: CPT) -> Floats:
    """Return a table with a row for each configuration of the parents."""
    return table.values.reshape(-1, table.values.shape[-1])


def _spans(names: Sequence[str], size: Mapping[str, int]) -> dict[str, slice]:
    stops = np.cumsum([size[name] for name in names]).tolist()
    return {name: slice(stop - size[name], stop) for name, stop in zip(names, stops, strict=True)}
