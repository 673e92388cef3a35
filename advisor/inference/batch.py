"""Thousands of cases at once: a compiled engine conditioned on what all share, and cars simulated from it.

What holds in all cases of a batch (the complaint) rules out entries of the cliques; these are removed once,
and so are readings that nobody asks about. The rest is the engine's own arithmetic over many cases. Beliefs
and information agree with `Engine.query` to within rounding.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from advisor.arrays import Bools, Floats, Ints, x_log2_x
from advisor.inference.engine import MOST_AT_ONCE, ROUND_OFF_BITS, Engine, Evidence, at_once
from advisor.inference.propagation import Clique, collect, distribute, summing

TERMS_AT_ONCE = 2048
"""Entropy terms worked on together: more of them, over many cases, would not fit a processor's cache."""
TINY = 1e-300
"""Replaces a likelihood's largest value where that is 0."""


@dataclass(frozen=True, eq=False)
class Batch:
    """An engine restricted by `condition` to the possible entries; it informs about `readings`."""

    engine: Engine
    readings: tuple[str, ...]
    kept: Ints  # where the entries stand in the engine's long array
    cliques: tuple[Clique, ...]  # those of the engine with the entries kept
    start: Floats
    to_target: sparse.csr_matrix
    to_joints: sparse.csr_matrix
    to_certain: sparse.csr_matrix
    entropies: tuple[tuple[slice, sparse.csr_matrix, sparse.csr_matrix], ...]  # readings, to_terms, to_bits

    def potentials(self, cases: Sequence[Evidence]) -> Floats:
        """Return each case's clique potentials before messages are sent, shape (cases, entries).

        The evidence is not checked: `Engine.query` reports impossible evidence.
        """
        rows = np.repeat(self.start[None, :], len(cases), axis=0)
        for row, evidence in zip(rows, cases, strict=True):
            for node, likelihood in evidence.items():
                span, index = self._placed[node]
                weights = self.engine.entries[node].weights
                _multiply(
                    row[None, span], (np.asarray(likelihood, dtype=np.float64) @ weights.T)[None, index]
                )
        return rows

    def observe(self, potentials: Floats, rows: Ints, node: str, outcomes: Ints) -> None:
        """Enter in place that `node` showed `outcomes`, one for each of `rows`."""
        span, index = self._placed[node]
        likelihoods = self.engine.entries[node].weights.T[outcomes][:, index]
        updated = potentials[rows, span]
        _multiply(updated, likelihoods)
        potentials[rows, span] = updated

    def posteriors(self, potentials: Floats, unasked: Bools | None = None) -> tuple[Floats, Floats]:
        """Return P(present) of the targets, (cases, targets), and bits of `readings`, (cases, readings).

        A reading already taken has the bits of an independent repeat. Those marked in `unasked`, (cases,
        readings), have 0 bits, which saves working out theirs.
        """
        beliefs = np.empty((len(potentials), len(self.engine.targets)))
        bits = np.zeros((len(potentials), len(self.readings)))
        if unasked is None:
            unasked = np.zeros(bits.shape, dtype=bool)
        asked = np.array([~unasked[:, readings].all(axis=1) for readings, _, _ in self.entropies], dtype=bool)
        # Cases that are asked the same go through together, so that most blocks are for all of them or none.
        order = np.lexsort([*asked[self._by_size], np.arange(len(bits))][::-1])
        count = at_once(len(self.kept) + self.to_joints.shape[0])
        for first in range(0, len(potentials), count):
            some = order[first : first + count]
            entries = self.calibrated(potentials[some])
            beliefs[some] = (self.to_target @ entries).T
            if unasked[some].all():
                continue
            joints = self.to_joints @ entries
            bits[some] = -(self.to_certain @ joints).T
            for (readings, to_terms, to_bits), wanted in zip(self.entropies, asked[:, some], strict=True):
                if wanted.any():
                    terms = to_terms @ (joints if wanted.all() else joints[:, wanted])
                    bits[some[wanted], readings] += (to_bits @ x_log2_x(terms)).T
        bits[unasked | (bits < ROUND_OFF_BITS)] = 0.0
        return beliefs, bits

    @cached_property
    def _by_size(self) -> Ints:
        """Return where the blocks of `entropies` stand, those with most terms first."""
        return np.argsort([-to_terms.shape[0] for _, to_terms, _ in self.entropies], kind="stable")

    def draw(self, potentials: Floats, case: Ints, random: np.random.Generator) -> Ints:
        """Draw cars from the posterior of cases: one entry of each clique, shape (cars, cliques).

        `case` gives the row of `potentials` that each car is drawn from.
        """
        believed = np.empty_like(potentials)
        count = at_once(len(self.kept))
        for first in range(0, len(potentials), count):
            some = slice(first, first + count)
            believed[some] = self.calibrated(potentials[some]).T
        drawn = np.empty((len(case), len(self.cliques)), dtype=np.intp)
        for index, clique in enumerate(self.cliques):
            uniforms = stratified_uniforms(len(case), random)
            for first in range(0, len(case), MOST_AT_ONCE):
                some = slice(first, first + MOST_AT_ONCE)
                probabilities = believed[case[some], clique.span]
                if index:
                    separator = clique.above[drawn[some, clique.parent]]
                    probabilities = probabilities * (clique.own == separator[:, None])
                drawn[some, index] = sample_categorical(probabilities, uniforms[some])
        return drawn

    def configurations(self, node: str, drawn: Ints) -> Ints:
        """Return for each drawn car the state of a hidden node, or the joint state of a reading's parents."""
        _, index = self._placed[node]
        return np.asarray(index[drawn[:, self.engine.entries[node].clique]])

    def configuration_probabilities(self, potentials: Floats, nodes: Sequence[str]) -> dict[str, Floats]:
        """Return P(state | evidence) of hidden nodes or readings' joint parents: (cases, configurations)."""
        entries = self.calibrated(potentials)
        probabilities = {}
        for node in nodes:
            span, index = self._placed[node]
            probabilities[node] = (summing(index, len(self.engine.entries[node].weights)) @ entries[span]).T
        return probabilities

    @cached_property
    def _placed(self) -> Mapping[str, tuple[slice, Ints]]:
        """For each node, where its clique's entries stand, and their index into its table's rows."""
        placed = {}
        for node, entry in self.engine.entries.items():
            span = self.cliques[entry.clique].span
            start = self.engine.cliques[entry.clique].span.start
            placed[node] = (span, entry.index[self.kept[span] - start])
        return placed

    def calibrated(self, potentials: Floats) -> Floats:
        """Return P(entry | evidence) of every clique's entries, shape (entries, cases)."""
        entries = np.array(potentials.T, order="C")
        messages, _ = collect(self.cliques, entries)
        distribute(self.cliques, entries, messages)
        return entries


def stratified_uniforms(count: int, random: np.random.Generator) -> Floats:
    """Return numbers in [0, 1) in random order, one from each of `count` equal parts (McKay et al. 1979).

    Each is uniform, and together they cover the range more evenly than independent ones.
    """
    return np.asarray((random.permutation(count) + random.random(count)) / count)


def sample_categorical(probabilities: Floats, uniform: Floats) -> Ints:
    """Return, for each row of probabilities (up to a factor), the column that a number in [0, 1) falls in."""
    upto = np.cumsum(probabilities, axis=1)
    column = (upto <= (uniform * upto[:, -1])[:, None]).sum(axis=1)
    return np.asarray(np.minimum(column, probabilities.shape[1] - 1))


def condition(engine: Engine, always: Evidence, readings: Sequence[str]) -> Batch:
    """Condition an engine on `always`: remove what that rules out, and all readings but those named.

    Raises `ImpossibleEvidence` if `always` itself is impossible.
    """
    engine.query(always)
    whole = _restricted(engine, np.flatnonzero(engine.start > 0), readings)
    entries = whole.calibrated(whole.potentials([always]))[:, 0]
    return _restricted(engine, whole.kept[entries > 0], readings)


def _restricted(engine: Engine, kept: Ints, readings: Sequence[str]) -> Batch:
    bounds = np.searchsorted(kept, [0, *(clique.span.stop for clique in engine.cliques)])
    spans = [
        slice(start, stop) for start, stop in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True)
    ]
    cliques = []
    for clique, span in zip(engine.cliques, spans, strict=True):
        own, above = clique.own[kept[span] - clique.span.start], clique.above
        if clique.parent >= 0:
            above = above[kept[spans[clique.parent]] - engine.cliques[clique.parent].span.start]
        states, number = np.unique(np.concatenate([own, above]), return_inverse=True)
        own, above = number[: len(own)], number[len(own) :]
        cliques.append(Clique(span, clique.parent, len(states), own, above))
    named = dict(zip(engine.readings, range(len(engine.readings)), strict=True))
    joints, terms, bits, certain = _joints(engine, kept, [named[reading] for reading in readings])
    return Batch(
        engine=engine,
        readings=tuple(readings),
        kept=kept,
        cliques=tuple(cliques),
        start=engine.start[kept],
        to_target=engine.to_hidden[engine.target_indices][:, kept],
        to_joints=joints,
        to_certain=certain,
        entropies=tuple(_blocks(terms, bits)),
    )


def _joints(engine: Engine, kept: Ints, rows: Sequence[int]) -> tuple[sparse.csr_matrix, ...]:
    """Return the engine's matrices to joints, terms, bits and certain entropies, without what stays 0."""
    joints = engine.to_joints[:, kept]
    possible = np.diff(joints.indptr) > 0
    bits, certain = engine.to_bits[rows], engine.to_certain[rows][:, possible]
    terms = engine.to_terms[:, possible]
    used = _columns(bits) & (np.diff(terms.indptr) > 0)
    terms = terms[used]
    hangs_on = _columns(terms) | _columns(certain)
    return joints[possible][hangs_on], terms[:, hangs_on], bits[:, used], certain[:, hangs_on]


def _blocks(
    terms: sparse.csr_matrix, bits: sparse.csr_matrix
) -> Iterator[tuple[slice, sparse.csr_matrix, sparse.csr_matrix]]:
    """Return runs of readings with at most `TERMS_AT_ONCE` terms, unless one reading alone has more."""
    first = 0
    for after in range(1, bits.shape[0] + 1):
        if after == bits.shape[0] or bits.indptr[after + 1] - bits.indptr[first] > TERMS_AT_ONCE:
            own = _columns(bits[first:after])
            yield slice(first, after), terms[own], bits[first:after, own]
            first = after


def _columns(matrix: sparse.csr_matrix) -> Ints:
    """Which columns hold anything."""
    held = np.zeros(matrix.shape[1], dtype=bool)
    held[matrix.indices] = True
    return held


def _multiply(potentials: Floats, likelihoods: Floats) -> None:
    """Multiply rows in place, keeping their largest at 1: many small likelihoods would underflow."""
    potentials *= likelihoods
    potentials /= np.maximum(potentials.max(axis=1, keepdims=True), TINY)
