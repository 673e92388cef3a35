"""Exact inference by one junction tree: every belief and every reading's information in one pass.

A network is compiled once. Per step, what was seen is multiplied into the cliques, messages go to the
root and back (Jensen, Lauritzen & Olesen 1990), and three sparse products turn the calibrated cliques
into posteriors, predictions and informations. One case is an array (entries,), many are (entries, cases):
the same lines serve both.

Information of a reading R is about the joint state of all sought nodes S (the faults), in bits:

    I(R; S | seen) = H(R | seen) - sum over s of P(s | seen) H(R | s, seen)

*Steady* nodes are functions of S. If all parents of R are steady, H(R | s, seen) hangs on the parents
alone. Other hidden nodes are *noise* (a noisy state, an unknown vehicle fact): what R tells about them
beyond S does not count. Noise nodes that share tables form a group, and given S the group hangs on
S only through the steady nodes in those tables, its *border* b. With border and R's parents together in
one clique, P(R | b, seen) = P(R | s, seen), and the second term is exact as well.
"""

from __future__ import annotations

import itertools
import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from graphlib import TopologicalSorter

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse

from advisor.arrays import Floats, Ints
from advisor.inference.cliquetree import TooWide as TooWide
from advisor.inference.cliquetree import clique_tree, to_blame
from advisor.inference.propagation import (
    SMALLEST,
    Clique,
    Entry,
    collect,
    collect_logs,
    distribute,
    distribute_logs,
    enter_logs,
    logarithms,
)
from advisor.inference.tables import CPT, DiscreteNetwork

Evidence = Mapping[str, ArrayLike]

NUMBERS_AT_ONCE = 800_000
"""Cases go through the tree together while all their numbers are no more: these fit a processor's cache."""
MOST_AT_ONCE = 128
"""Nor more cases than these, which share out what a call of numpy costs well enough."""
PLAIN = (1e-100, 1e100)
"""Likelihoods and readings' tables between these, or 0, are multiplied as they are; others as logarithms."""
ROUND_OFF_BITS = 1e-12
"""An information below this is a difference of equal numbers: it is 0."""


class ImpossibleEvidence(Exception):
    """What was seen cannot be so together.

    `clash` are nodes that show it: one or two where that few do, else a set that none can be spared from.
    """

    def __init__(self, clash: tuple[str, ...]) -> None:
        self.clash = clash
        super().__init__("cannot be so together: " + ", ".join(clash))


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is believed, and what each reading would tell, after what was seen.

    Where exactness was too dear (see `bounded`) no belief is off by more than `belief_error`, and no
    information by more than `bits_error`; both are 0 otherwise.
    """

    _layout: InferenceEngine
    _hidden: Floats
    _predictive: Floats
    _bits: Floats
    _seen: frozenset[str]
    log2_evidence: float
    belief_error: float = 0.0
    bits_error: float = 0.0

    @cached_property
    def marginals(self) -> Mapping[str, Floats]:
        """P(state | seen) of every hidden node."""
        return {name: self._hidden[span] for name, span in self._layout.hidden_spans.items()}

    @cached_property
    def beliefs(self) -> Mapping[str, float]:
        """P(present | seen) of every sought node: the probability of its last state."""
        return dict(zip(self._layout.targets, self._hidden[self._layout.sought_at].tolist(), strict=True))

    @cached_property
    def predictive(self) -> Mapping[str, Floats]:
        """P(outcome | seen) of every reading; of one seen already, of an independent repeat of it."""
        return {name: self._predictive[span] for name, span in self._layout.reading_spans.items()}

    @cached_property
    def expected_information_bits(self) -> Mapping[str, float]:
        """Bits that each reading not yet seen would tell about the joint state of the sought nodes."""
        bits = dict(zip(self._layout.readings, self._bits.tolist(), strict=True))
        return {name: value for name, value in bits.items() if name not in self._seen}


class InferenceEngine(ABC):
    """What advice asks: an `Engine`, or a `bounded.Bounded` in its place."""

    outcomes: Mapping[str, tuple[str, ...]]
    targets: tuple[str, ...]
    readings: tuple[str, ...]
    hidden_spans: Mapping[str, slice]  # where the numbers of an outlook stand
    sought_at: Ints
    reading_spans: Mapping[str, slice]

    def one_hot(self, node: str, outcome: str) -> Floats:
        """The likelihood that says: the node is in this state for certain."""
        vector = np.zeros(len(self.outcomes[node]))
        vector[self.outcomes[node].index(outcome)] = 1.0
        return vector

    def query(self, evidence: Evidence) -> Posterior:
        """What is believed after the evidence, a likelihood over the states of each node seen.

        Only ratios within a likelihood matter. Raises `ImpossibleEvidence` with the nodes that clash.
        """
        return self.query_batch([evidence])[0]

    @abstractmethod
    def query_batch(self, cases: Sequence[Evidence]) -> tuple[Posterior, ...]:
        """The outlooks of many cases; raises `ImpossibleEvidence` for the first that cannot be."""

    @abstractmethod
    def log2_evidence_probability(self, cases: Sequence[Evidence]) -> Floats:
        """log2 of P(evidence) for each case, -inf where it cannot be; likelihoods count as they are."""


@dataclass(frozen=True, eq=False)
class Engine(InferenceEngine):
    """A compiled network. Made by `compile_tables`; it never changes."""

    outcomes: Mapping[str, tuple[str, ...]]
    targets: tuple[str, ...]
    readings: tuple[str, ...]
    cliques: tuple[Clique, ...]  # parents before children
    widest: tuple[str, int]  # the node that ties most of the largest clique together, and its entries
    start: Floats  # all cliques' potentials, one after the other
    start_log2: Floats  # their logarithms
    faint: bool  # some of them, or of the readings' tables, are too small to be multiplied as they are
    entries: Mapping[str, Entry]
    hidden_spans: Mapping[str, slice]
    sought_at: Ints
    reading_spans: Mapping[str, slice]
    to_hidden: sparse.csr_matrix  # cliques -> marginals of hidden nodes
    to_joints: sparse.csr_matrix  # cliques -> joints that the readings hang on
    to_terms: sparse.csr_matrix  # joints -> predictions first, then what stands in the entropies
    to_bits: sparse.csr_matrix  # x log2 x of the terms -> information, but for
    to_certain: sparse.csr_matrix  # joints -> the entropy that remains when all parents are known

    def query_batch(self, cases: Sequence[Evidence]) -> tuple[Posterior, ...]:
        """The outlooks of many cases, many at once through the cliques."""
        found: list[Posterior] = []
        count = at_once(len(self.start) + sum(self.to_terms.shape))
        for first in range(0, len(cases), count):
            found += self._outlooks([checked(self.outcomes, one) for one in cases[first : first + count]])
        return tuple(found)

    def log2_evidence_probability(self, cases: Sequence[Evidence]) -> Floats:
        """log2 of P(evidence) for each case, by the way to the root alone."""
        return self._log2([checked(self.outcomes, evidence) for evidence in cases])

    def _outlooks(self, cases: Sequence[dict[str, Floats]]) -> list[Posterior]:
        try:
            entries, log2 = self._calibrated(cases)
        except FloatingPointError:
            entries, log2 = self._calibrated_by_logs(cases)
        joints = self.to_joints @ entries
        terms = self.to_terms @ joints
        bits = self.to_bits @ x_log2_x(terms) - self.to_certain @ joints
        bits[bits < ROUND_OFF_BITS] = 0.0
        hidden = self.to_hidden @ entries
        predictive = terms[: self._predicted]
        if len(cases) == 1:
            return [Posterior(self, hidden, predictive, bits, frozenset(cases[0]), float(log2[0]))]
        columns = zip(hidden.T, predictive.T, bits.T, cases, log2.tolist(), strict=True)
        return [Posterior(self, h, p, b, frozenset(seen), total) for h, p, b, seen, total in columns]

    @np.errstate(under="raise")
    def _calibrated(self, cases: Sequence[dict[str, Floats]]) -> tuple[Floats, Floats]:
        """P(entry | seen) of the cliques, and log2 P(evidence).

        FloatingPointError where a number leaves what a float can hold.
        """
        entries, log2 = self._entered(cases)
        messages, total = collect(self.cliques, entries)
        self._refuse_impossible(cases, log2 + total)
        distribute(self.cliques, entries, messages)
        return entries, log2 + total

    def _calibrated_by_logs(self, cases: Sequence[dict[str, Floats]]) -> tuple[Floats, Floats]:
        """The same for numbers of any size, more slowly."""
        logs = self._entered_as_logs(cases)
        messages, total = collect_logs(self.cliques, logs)
        log2 = np.atleast_1d(total)
        self._refuse_impossible(cases, log2)
        return distribute_logs(self.cliques, logs, messages), log2

    def _refuse_impossible(self, cases: Sequence[dict[str, Floats]], log2: Floats) -> None:
        if -math.inf in log2:
            raise ImpossibleEvidence(self._clash(cases[int(np.argmin(log2))]))

    def _log2(self, cases: Sequence[dict[str, Floats]]) -> Floats:
        found = [np.empty(0)]
        count = at_once(len(self.start))
        for first in range(0, len(cases), count):
            some = cases[first : first + count]
            try:
                with np.errstate(under="raise"):
                    entries, log2 = self._entered(some)
                    found.append(log2 + collect(self.cliques, entries)[1])
            except FloatingPointError:
                found.append(np.atleast_1d(collect_logs(self.cliques, self._entered_as_logs(some))[1]))
        return np.concatenate(found)

    @cached_property
    def _predicted(self) -> int:
        return max((span.stop for span in self.reading_spans.values()), default=0)

    def _entered(self, cases: Sequence[Mapping[str, Floats]]) -> tuple[Floats, Floats]:
        """The cliques with the evidence in, brought to at most their start; log2 of what that took out.

        FloatingPointError where that needs numbers too far from 1.
        """
        if self.faint:
            raise FloatingPointError
        entries = np.repeat(self.start[None, :], len(cases), axis=0)
        log2 = np.zeros(len(cases))
        # Likelihoods on one clique are added as logarithms first: many small ones would underflow.
        logs: dict[int, Floats] = {}
        with np.errstate(divide="ignore"):
            for node in dict.fromkeys(itertools.chain.from_iterable(cases)):
                entry = self.entries[node]
                rows = [row for row, evidence in enumerate(cases) if node in evidence]
                likelihood = np.array([cases[row][node] for row in rows])
                if np.any((likelihood > 0) & (likelihood < PLAIN[0]) | (likelihood > PLAIN[1])):
                    raise FloatingPointError
                log = np.log2(likelihood @ entry.weights.T).take(entry.index, axis=1)
                if len(rows) < len(cases):
                    silent = np.zeros((len(cases), log.shape[1]))
                    silent[rows] = log
                    log = silent
                logs[entry.clique] = logs[entry.clique] + log if entry.clique in logs else log
        for at, log in logs.items():
            largest = np.maximum.reduce(log, axis=1)
            log2 += largest
            log -= np.maximum(largest, -1e300)[:, None]
            if np.any((log < math.log2(SMALLEST)) & (log > -math.inf)):
                raise FloatingPointError
            entries[:, self.cliques[at].span] *= np.exp2(log)
        return (entries[0] if len(cases) == 1 else np.ascontiguousarray(entries.T)), log2

    def _entered_as_logs(self, cases: Sequence[Mapping[str, Floats]]) -> Floats:
        """The logarithms of the cliques with the evidence in, as it is."""
        logs = np.repeat(self.start_log2[:, None], len(cases), axis=1)
        for node in dict.fromkeys(itertools.chain.from_iterable(cases)):
            silent = np.ones(len(self.outcomes[node]))
            likelihood = np.array([evidence.get(node, silent) for evidence in cases])
            enter_logs(self.cliques, logs, self.entries[node], likelihood)
        return logs[:, 0] if len(cases) == 1 else logs

    def _clash(self, evidence: Mapping[str, Floats]) -> tuple[str, ...]:
        """Nodes whose evidence is impossible: one, else a pair, else a set that none can be spared from."""
        for size in (1, 2):
            subsets = list(itertools.combinations(evidence, size))
            log2 = self._log2([{node: evidence[node] for node in subset} for subset in subsets])
            if -math.inf in log2:
                return subsets[int(np.argmin(log2))]
        needed = dict(evidence)
        for node in evidence:
            without = {name: likelihood for name, likelihood in needed.items() if name != node}
            if self._log2([without])[0] == -math.inf:
                needed = without
        return tuple(needed)


def checked(outcomes: Mapping[str, tuple[str, ...]], evidence: Evidence) -> dict[str, Floats]:
    """The evidence as arrays; raises `KeyError` and `ValueError` where it does not fit the nodes."""
    fitting = {}
    for node, said in evidence.items():
        if node not in outcomes:
            raise KeyError(f"there is no node '{node}'")
        likelihood = np.asarray(said, dtype=np.float64)
        if likelihood.shape != (len(outcomes[node]),):
            raise ValueError(f"'{node}' has {len(outcomes[node])} states, not {likelihood.shape}")
        if not (np.minimum.reduce(likelihood) >= 0 and np.maximum.reduce(likelihood) < math.inf):
            raise ValueError(f"the likelihood on '{node}' has to be numbers from 0 up")
        fitting[node] = likelihood
    return fitting


def at_once(numbers: int) -> int:
    """How many cases of so many numbers each should be worked on together."""
    return max(1, min(MOST_AT_ONCE, NUMBERS_AT_ONCE // max(numbers, 1)))


def x_log2_x(x: Floats) -> Floats:
    """x log2 x, 0 where x is 0."""
    logs = np.maximum(x, SMALLEST)
    return np.asarray(x * np.log2(logs, out=logs))


def compile_tables(tables: DiscreteNetwork, asked: Sequence[str] | None = None) -> Engine:
    """Compile a network into an engine; raises `TooWide` where exactness would need too large a table.

    `asked` are the readings it will inform about, all if not given; the others can only be seen.
    """
    return _Compiler(tables, tables.readings if asked is None else asked).engine()


def steady_nodes(tables: DiscreteNetwork) -> set[str]:
    """The nodes that are functions of the sought ones."""
    by_child = {table.child: table for table in tables.tables}
    steady = set(tables.targets)
    for name in parents_first(tables.tables):
        values = by_child[name].values
        if steady.issuperset(by_child[name].parents) and np.all((values == 0) | (values == 1)):
            steady.add(name)
    return steady


def parents_first(tables: Sequence[CPT]) -> tuple[str, ...]:
    """The tables' nodes in an order in which parents come before children."""
    return tuple(TopologicalSorter({table.child: table.parents for table in tables}).static_order())


class _Compiler:
    """What is needed only while compiling."""

    def __init__(self, tables: DiscreteNetwork, asked: Sequence[str]) -> None:
        self.given = tables
        self.size = {name: len(outcomes) for name, outcomes in tables.outcomes.items()}
        readings = set(tables.readings)
        self.reading_tables = [table for table in tables.tables if table.child in readings]
        self.hidden_tables = [table for table in tables.tables if table.child not in readings]
        self.asked_tables = [table for table in self.reading_tables if table.child in set(asked)]
        self.hidden = tuple(table.child for table in self.hidden_tables)
        for table in tables.tables:
            if readings.intersection(table.parents):
                raise ValueError(f"'{table.child}' hangs on a reading; readings are leaves")
        self.steady = steady_nodes(tables)
        self.border = self._borders()

    def engine(self) -> Engine:
        scopes = [(table.child, (*table.parents, table.child)) for table in self.hidden_tables]
        scopes += [(table.child, self._scope(table)) for table in self.reading_tables]
        self.bags, parents = clique_tree(
            list(parents_first(self.hidden_tables)), self.size, scopes, self.hidden_tables
        )
        self.homes: dict[str, set[int]] = {name: set() for name in self.hidden}
        for at, bag in enumerate(self.bags):
            for name in bag.names:
                self.homes[name].add(at)
        stops = np.cumsum([len(bag) for bag in self.bags]).tolist()
        self.spans = [slice(stop - len(bag), stop) for bag, stop in zip(self.bags, stops, strict=True)]
        start, start_log2 = np.ones(stops[-1]), np.zeros(stops[-1])
        for table in self.hidden_tables:
            at, index = self._placed((*table.parents, table.child))
            start[self.spans[at]] *= table.values.ravel()[index]
            start_log2[self.spans[at]] += logarithms(table.values).ravel()[index]
        faint = bool(np.any((start_log2 > -math.inf) & (start_log2 < math.log2(SMALLEST)))) or any(
            np.any((table.values > 0) & (table.values < PLAIN[0])) for table in self.reading_tables
        )
        entries = {name: Entry(*self._placed((name,)), np.eye(self.size[name])) for name in self.hidden}
        for table in self.reading_tables:
            entries[table.child] = Entry(*self._placed(table.parents), _by_parents(table))
        hidden_spans = _spans(self.hidden, self.size)
        to_hidden = _Rows()
        for name in self.hidden:
            at, index = self._placed((name,))
            columns = np.arange(self.spans[at].start, self.spans[at].stop)
            to_hidden.add(self.size[name], index, columns, np.ones(len(index)))
        joints, terms, bits, certain, reading_spans = self._information()
        return Engine(
            outcomes=self.given.outcomes,
            targets=self.given.targets,
            readings=tuple(reading_spans),
            cliques=tuple(map(self._clique, range(len(self.bags)), parents)),
            widest=(to_blame(self.bags[0].names, scopes), len(self.bags[0])),
            start=start,
            start_log2=start_log2,
            faint=faint,
            entries=entries,
            hidden_spans=hidden_spans,
            sought_at=np.array([hidden_spans[name].stop - 1 for name in self.given.targets], dtype=np.intp),
            reading_spans=reading_spans,
            to_hidden=to_hidden.matrix(stops[-1]),
            to_joints=joints,
            to_terms=terms,
            to_bits=bits,
            to_certain=certain,
        )

    def _borders(self) -> dict[str, tuple[str, ...]]:
        """For each reading with noise among its parents: its parents and the border of their group."""
        scopes = [{*table.parents, table.child} for table in self.hidden_tables]
        scopes += [set(table.parents) for table in self.reading_tables]
        groups: dict[str, set[str]] = {}
        for scope in scopes:
            noise = scope - self.steady
            group = noise.union(*(groups[name] for name in noise if name in groups))
            groups.update(dict.fromkeys(group, group))
        around: dict[str, set[str]] = {name: set() for name in groups}
        for scope in scopes:
            for name in scope - self.steady:
                around[name] |= scope
        borders = {}
        for table in self.asked_tables:
            noise = set(table.parents) - self.steady
            if noise:
                group = groups[min(noise)]
                border = set().union(*(around[name] for name in group)) - group
                borders[table.child] = tuple(sorted(border.union(table.parents)))
        return borders

    def _scope(self, table: CPT) -> tuple[str, ...]:
        """What has to be together for a reading."""
        return self.border.get(table.child, table.parents)

    def _clique(self, at: int, parent: int) -> Clique:
        bag, above = self.bags[at], self.bags[parent]
        shared = bag.shared(above)  # the root's tells nothing, and is never asked
        both = np.concatenate([bag.index(shared, self.size), above.index(shared, self.size)])
        states, number = np.unique(both, return_inverse=True)
        own, theirs = number[: len(bag)], number[len(bag) :]
        return Clique(self.spans[at], parent, len(states), own, theirs)

    def _placed(self, scope: Sequence[str]) -> tuple[int, Ints]:
        """The smallest clique that holds the scope, and the index of its entries into the scope's table."""
        homes = set.intersection(*(self.homes[name] for name in scope)) if scope else {0}
        at = min(homes, key=lambda home: (len(self.bags[home]), home))
        return at, self.bags[at].index(scope, self.size)

    def _marginal(self, sums: _Rows, scope: Sequence[str]) -> tuple[Ints, Ints]:
        """Add the rows that sum the cliques' array down to the scope's table, without what cannot be.

        Returns the rows' numbers, and the configuration of the scope that each stands for.
        """
        at, index = self._placed(scope)
        possible, row = np.unique(index, return_inverse=True)
        columns = np.arange(self.spans[at].start, self.spans[at].stop)
        return sums.add(len(possible), row, columns, np.ones(len(row))), possible

    def _information(
        self,
    ) -> tuple[sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix, sparse.csr_matrix, dict[str, slice]]:
        """The matrices from cliques to joints, terms and bits (see `Engine`), and where predictions stand."""
        joints, terms, bits, certain = _Rows(), _Rows(), _Rows(), _Rows()
        held = {
            scope: self._marginal(joints, scope)
            for scope in dict.fromkeys(map(self._scope, self.asked_tables))
        }
        predicted = []
        chances = []
        for table in self.asked_tables:
            columns, possible = held[self._scope(table)]
            rows = _by_parents(table)[self._within(self._scope(table), possible, table.parents)]
            chances.append(rows)
            predicted.append(terms.add_each(columns, rows))
        for table, rows, outcomes in zip(self.asked_tables, chances, predicted, strict=True):
            scope = self._scope(table)
            columns, possible = held[scope]
            less = -np.ones(len(outcomes))
            if table.child not in self.border:
                certain.add_each(columns, -x_log2_x(rows).sum(axis=1)[:, None])
                bits.add_each(outcomes, less[:, None])
                continue
            certain.count += 1
            border = [name for name in scope if name in self.steady]
            states, where = np.unique(self._within(scope, possible, border), return_inverse=True)
            with_outcome = [terms.add(len(states), where, columns, one) for one in rows.T]
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
        """The configuration of some of a scope's names in each of its configurations."""
        states = {}
        left = configurations
        for name in reversed(scope):
            left, states[name] = np.divmod(left, self.size[name])
        index = np.zeros(len(configurations), dtype=np.intp)
        for name in names:
            index = index * self.size[name] + states[name]
        return index


class _Rows:
    """A sparse matrix in the making: rows below one another."""

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
        """The matrix of all rows so far."""
        if not self.parts:
            return sparse.csr_matrix((self.count, width))
        rows, columns, values = (np.concatenate(part) for part in zip(*self.parts, strict=True))
        matrix = sparse.csr_matrix((values, (rows, columns)), shape=(self.count, width))
        matrix.eliminate_zeros()
        return matrix


def _by_parents(table: CPT) -> Floats:
    """A table with a row for each configuration of the parents."""
    return table.values.reshape(-1, table.values.shape[-1])


def _spans(names: Sequence[str], size: Mapping[str, int]) -> dict[str, slice]:
    stops = np.cumsum([size[name] for name in names]).tolist()
    return {name: slice(stop - size[name], stop) for name, stop in zip(names, stops, strict=True)}
