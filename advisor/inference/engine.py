"""Exact inference by one junction tree: every belief and every reading's information in one pass.

A network is compiled once (see `compiler`). Per step, the evidence is multiplied into the cliques, messages
go to the root and back (Jensen, Lauritzen & Olesen 1990), and three sparse products turn the calibrated
cliques into posteriors, predictions and informations. One case is an array (entries,), many are
(entries, cases); the same code handles both.
"""

from __future__ import annotations

import itertools
import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse

from advisor.arrays import SMALLEST, Floats, Ints, x_log2_x
from advisor.inference.cliquetree import TooWide as TooWide
from advisor.inference.propagation import (
    Clique,
    EvidenceEntry,
    collect,
    collect_logs,
    distribute,
    distribute_logs,
    enter_logs,
)

Evidence = Mapping[str, ArrayLike]

NUMBERS_AT_ONCE = 800_000
"""Cases go through the tree together up to this many numbers, which fit a processor's cache."""
MOST_AT_ONCE = 128
"""And up to this many cases, enough to spread the cost of a numpy call."""
PLAIN = (1e-100, 1e100)
"""Likelihoods and readings' tables within these limits, or 0, are multiplied; others use logarithms."""
ROUND_OFF_BITS = 1e-12
"""Information below this is rounding error and counts as 0."""


class ImpossibleEvidence(Exception):
    """The evidence is impossible.

    `clash` are nodes that contradict each other: one or two if possible, else a minimal set.
    """

    def __init__(self, clash: tuple[str, ...]) -> None:
        self.clash = clash
        super().__init__("cannot be so together: " + ", ".join(clash))


@dataclass(frozen=True, eq=False)
class Posterior:
    """The beliefs given the evidence, and what each reading would tell.

    Where exactness was too expensive (see `bounded`) no belief is off by more than `belief_error` and no
    information by more than `bits_error`; otherwise both are 0.
    """

    _layout: InferenceEngine
    hidden: Floats
    _predictive: Floats
    _bits: Floats
    _observed: frozenset[str]
    log2_evidence: float
    belief_error: float = 0.0
    bits_error: float = 0.0

    @cached_property
    def marginals(self) -> Mapping[str, Floats]:
        """Return P(state | evidence) of every hidden node."""
        return {name: self.hidden[span] for name, span in self._layout.hidden_spans.items()}

    @cached_property
    def beliefs(self) -> Mapping[str, float]:
        """Return P(present | evidence) of every target node: the probability of its last state."""
        return dict(zip(self._layout.targets, self.hidden[self._layout.target_indices].tolist(), strict=True))

    @cached_property
    def predictive(self) -> Mapping[str, Floats]:
        """Return P(outcome | evidence) of every reading; for one already taken, of an independent repeat."""
        return {name: self._predictive[span] for name, span in self._layout.reading_spans.items()}

    @cached_property
    def expected_information_bits(self) -> Mapping[str, float]:
        """Return the bits that each reading not yet taken would tell about the targets' joint state."""
        bits = dict(zip(self._layout.readings, self._bits.tolist(), strict=True))
        return {name: value for name, value in bits.items() if name not in self._observed}


class InferenceEngine(ABC):
    """What the advice queries: an `Engine`, or a `bounded.Bounded` in its place."""

    outcomes: Mapping[str, tuple[str, ...]]
    targets: tuple[str, ...]
    readings: tuple[str, ...]
    hidden_spans: Mapping[str, slice]  # where the numbers of a posterior stand
    target_indices: Ints
    reading_spans: Mapping[str, slice]

    def one_hot(self, node: str, outcome: str) -> Floats:
        """Return the likelihood that puts the node in this state for certain."""
        vector = np.zeros(len(self.outcomes[node]))
        vector[self.outcomes[node].index(outcome)] = 1.0
        return vector

    def query(self, evidence: Evidence) -> Posterior:
        """Return the posterior given evidence: a likelihood over the states of each observed node.

        Only ratios within a likelihood matter. Raises `ImpossibleEvidence` with the nodes that clash.
        """
        return self.query_batch([evidence])[0]

    @abstractmethod
    def query_batch(self, cases: Sequence[Evidence]) -> tuple[Posterior, ...]:
        """Return the posteriors of many cases; raises `ImpossibleEvidence` for the first impossible one."""

    def beliefs_of(self, cases: Sequence[Evidence]) -> tuple[Mapping[str, float], ...]:
        """Return P(present) of every target in each of many cases, without what readings would tell then.

        Raises `ImpossibleEvidence` as `query_batch` does, for half of its work.
        """
        return tuple(posterior.beliefs for posterior in self.query_batch(cases))

    @abstractmethod
    def log2_evidence_probability(self, cases: Sequence[Evidence]) -> Floats:
        """Return log2 of P(evidence) for each case, -inf if impossible; likelihoods are not normalised."""


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
    entries: Mapping[str, EvidenceEntry]
    hidden_spans: Mapping[str, slice]
    target_indices: Ints
    reading_spans: Mapping[str, slice]
    to_hidden: sparse.csr_matrix  # cliques -> marginals of hidden nodes
    to_joints: sparse.csr_matrix  # cliques -> joints that the readings depend on
    to_terms: sparse.csr_matrix  # joints -> predictions first, then what stands in the entropies
    to_bits: sparse.csr_matrix  # x log2 x of the terms -> information, but for
    to_certain: sparse.csr_matrix  # joints -> the entropy that remains when all parents are known

    def query_batch(self, cases: Sequence[Evidence]) -> tuple[Posterior, ...]:
        """Return the posteriors of many cases, many at once through the cliques."""
        posteriors: list[Posterior] = []
        count = at_once(len(self.start) + sum(self.to_terms.shape))
        for first in range(0, len(cases), count):
            posteriors += self._posteriors(
                [checked(self.outcomes, evidence) for evidence in cases[first : first + count]]
            )
        return tuple(posteriors)

    def beliefs_of(self, cases: Sequence[Evidence]) -> tuple[Mapping[str, float], ...]:
        """Return P(present) of every target in each of many cases, many at once through the cliques."""
        beliefs: list[Mapping[str, float]] = []
        count = at_once(len(self.start))
        for first in range(0, len(cases), count):
            some = [checked(self.outcomes, evidence) for evidence in cases[first : first + count]]
            present = (self._to_targets @ self._entries(some)[0]).reshape(len(self.targets), len(some))
            beliefs += [dict(zip(self.targets, column, strict=True)) for column in present.T.tolist()]
        return tuple(beliefs)

    def log2_evidence_probability(self, cases: Sequence[Evidence]) -> Floats:
        """Return log2 of P(evidence) for each case, from the messages to the root alone."""
        return self._log2([checked(self.outcomes, evidence) for evidence in cases])

    def _posteriors(self, cases: Sequence[dict[str, Floats]]) -> list[Posterior]:
        entries, log2 = self._entries(cases)
        joints = self.to_joints @ entries
        terms = self.to_terms @ joints
        bits = self.to_bits @ x_log2_x(terms) - self.to_certain @ joints
        bits[bits < ROUND_OFF_BITS] = 0.0
        hidden = self.to_hidden @ entries
        predictive = terms[: self._predicted]
        if len(cases) == 1:
            return [Posterior(self, hidden, predictive, bits, frozenset(cases[0]), float(log2[0]))]
        columns = zip(hidden.T, predictive.T, bits.T, cases, log2.tolist(), strict=True)
        return [Posterior(self, h, p, b, frozenset(observed), total) for h, p, b, observed, total in columns]

    def _entries(self, cases: Sequence[dict[str, Floats]]) -> tuple[Floats, Floats]:
        """Return P(entry | evidence) of the cliques, and log2 P(evidence)."""
        try:
            return self._calibrated(cases)
        except FloatingPointError:
            return self._calibrated_by_logs(cases)

    @cached_property
    def _to_targets(self) -> sparse.csr_matrix:
        """Cliques -> P(present) of each target."""
        return self.to_hidden[self.target_indices]

    @np.errstate(under="raise")
    def _calibrated(self, cases: Sequence[dict[str, Floats]]) -> tuple[Floats, Floats]:
        """Return P(entry | evidence) of the cliques, and log2 P(evidence).

        Raises `FloatingPointError` if a number leaves the range of a float.
        """
        entries, log2 = self._entered(cases)
        messages, total = collect(self.cliques, entries)
        self._refuse_impossible(cases, log2 + total)
        distribute(self.cliques, entries, messages)
        return entries, log2 + total

    def _calibrated_by_logs(self, cases: Sequence[dict[str, Floats]]) -> tuple[Floats, Floats]:
        """Do the same for numbers of any size, more slowly."""
        logs = self._entered_as_logs(cases)
        messages, total = collect_logs(self.cliques, logs)
        log2 = np.atleast_1d(total)
        self._refuse_impossible(cases, log2)
        return distribute_logs(self.cliques, logs, messages), log2

    def _refuse_impossible(self, cases: Sequence[dict[str, Floats]], log2: Floats) -> None:
        if -math.inf in log2:
            raise ImpossibleEvidence(self._clash(cases[int(np.argmin(log2))]))

    def _log2(self, cases: Sequence[dict[str, Floats]]) -> Floats:
        parts = [np.empty(0)]
        count = at_once(len(self.start))
        for first in range(0, len(cases), count):
            some = cases[first : first + count]
            try:
                with np.errstate(under="raise"):
                    entries, log2 = self._entered(some)
                    parts.append(log2 + collect(self.cliques, entries)[1])
            except FloatingPointError:
                parts.append(np.atleast_1d(collect_logs(self.cliques, self._entered_as_logs(some))[1]))
        return np.concatenate(parts)

    @cached_property
    def _predicted(self) -> int:
        return max((span.stop for span in self.reading_spans.values()), default=0)

    def _entered(self, cases: Sequence[Mapping[str, Floats]]) -> tuple[Floats, Floats]:
        """Return the cliques with the evidence in, scaled down to their start at most, and log2 of the scale.

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
                shared = len(rows) == len(cases) and all(one[node] is cases[0][node] for one in cases)
                likelihood = np.array([cases[row][node] for row in (rows[:1] if shared else rows)])
                if np.any((likelihood > 0) & (likelihood < PLAIN[0]) | (likelihood > PLAIN[1])):
                    raise FloatingPointError
                log = np.log2(likelihood @ entry.weights.T).take(entry.index, axis=1)
                if len(rows) < len(cases):
                    silent = np.zeros((len(cases), log.shape[1]))
                    silent[rows] = log
                    log = silent
                # What all cases share is one row, worked out once.
                logs[entry.clique] = logs[entry.clique] + log if entry.clique in logs else log
        for clique, log in logs.items():
            largest = np.maximum.reduce(log, axis=1)
            log2 += largest
            log -= np.maximum(largest, -1e300)[:, None]
            if np.any((log < math.log2(SMALLEST)) & (log > -math.inf)):
                raise FloatingPointError
            entries[:, self.cliques[clique].span] *= np.exp2(log)
        return (entries[0] if len(cases) == 1 else np.ascontiguousarray(entries.T)), log2

    def _entered_as_logs(self, cases: Sequence[Mapping[str, Floats]]) -> Floats:
        """Return the logarithms of the cliques with the evidence in, unscaled."""
        logs = np.repeat(self.start_log2[:, None], len(cases), axis=1)
        for node in dict.fromkeys(itertools.chain.from_iterable(cases)):
            silent = np.ones(len(self.outcomes[node]))
            likelihood = np.array([evidence.get(node, silent) for evidence in cases])
            enter_logs(self.cliques, logs, self.entries[node], likelihood)
        return logs[:, 0] if len(cases) == 1 else logs

    def _clash(self, evidence: Mapping[str, Floats]) -> tuple[str, ...]:
        """Return nodes whose evidence is impossible: one, else a pair, else a minimal set."""
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
    """Return the evidence as arrays; raises `KeyError` or `ValueError` if it does not fit the nodes."""
    fitting = {}
    for node, likelihoods in evidence.items():
        if node not in outcomes:
            raise KeyError(f"there is no node '{node}'")
        likelihood = np.asarray(likelihoods, dtype=np.float64)
        if likelihood.shape != (len(outcomes[node]),):
            raise ValueError(f"'{node}' has {len(outcomes[node])} states, not {likelihood.shape}")
        if not (np.minimum.reduce(likelihood) >= 0 and np.maximum.reduce(likelihood) < math.inf):
            raise ValueError(f"the likelihood on '{node}' has to be numbers from 0 up")
        fitting[node] = likelihood
    return fitting


def at_once(numbers: int) -> int:
    """Return how many cases of that many numbers each are worked on together."""
    return max(1, min(MOST_AT_ONCE, NUMBERS_AT_ONCE // max(numbers, 1)))
