"""The cliques of a junction tree, and the messages between them: of numbers, or of their logarithms.

A float holds numbers from 1e-308 to 1e308. Where a clique's entries lie further apart than that, which many
unlikely readings can bring about, the smaller ones would count as 0, and what can be would be refused once
something else rules out the larger ones. As logarithms (to base 2) they keep their size; that takes longer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from advisor.arrays import SMALLEST, Floats, Ints


@dataclass(frozen=True, eq=False)
class Clique:
    """A clique's entries in the long array, and how they and its parent's map to the nodes both share."""

    span: slice
    parent: int  # -1 at the root
    separator: int  # number of configurations of the shared nodes
    own: Ints  # entry -> configuration of the shared nodes
    above: Ints  # the parent's entry -> the same

    def own_sums(self, entries: Floats) -> Floats:
        """Return the clique's entries summed for each configuration of the shared nodes."""
        if entries.ndim == 1:
            return np.asarray(np.bincount(self.own, entries, self.separator), dtype=np.float64)
        return np.asarray(self._own_matrix @ entries)

    def above_sums(self, entries: Floats) -> Floats:
        """Return the parent's entries summed for each configuration of the shared nodes."""
        if entries.ndim == 1:
            return np.asarray(np.bincount(self.above, entries, self.separator), dtype=np.float64)
        return np.asarray(self._above_matrix @ entries)

    @cached_property
    def _own_matrix(self) -> sparse.csr_matrix:
        return summing(self.own, self.separator)

    @cached_property
    def _above_matrix(self) -> sparse.csr_matrix:
        return summing(self.above, self.separator)


@dataclass(frozen=True, eq=False)
class EvidenceEntry:
    """Where evidence on a node goes: the likelihood over its states, by `weights`, onto a clique."""

    clique: int
    index: Ints
    weights: Floats  # (parent configurations, states)


def collect(cliques: Sequence[Clique], entries: Floats) -> tuple[list[Floats], Floats]:
    """Send messages to the root, in place.

    Returns the messages of all cliques but the root, and log2 of the total of each case.
    """
    messages, scales = [], []
    for clique in reversed(cliques[1:]):
        message = clique.own_sums(entries[clique.span])
        messages.append(message)
        # Against underflow the largest number that goes up is 1.
        largest = np.maximum.reduce(message)
        scales.append(largest)
        scaled = message / np.maximum(largest, SMALLEST)
        entries[cliques[clique.parent].span] *= scaled.take(clique.above, axis=0)
    root = entries[cliques[0].span]
    total = np.add.reduce(root)
    root /= np.maximum(total, SMALLEST)
    with np.errstate(divide="ignore"):
        return messages[::-1], np.log2([total, *scales]).sum(axis=0)


def distribute(cliques: Sequence[Clique], entries: Floats, messages: Sequence[Floats]) -> None:
    """Send messages from the root outwards, in place: each clique becomes P(its nodes | evidence)."""
    for clique, sent in zip(cliques[1:], messages, strict=True):
        wanted = clique.above_sums(entries[cliques[clique.parent].span])
        # Where nothing was sent nothing is wanted: 0/0 is 0 here.
        wanted /= np.maximum(sent, SMALLEST)
        entries[clique.span] *= wanted.take(clique.own, axis=0)


def summing(groups: Ints, count: int) -> sparse.csr_matrix:
    """Return the matrix that sums the members of each group."""
    ones = np.ones(len(groups))
    return sparse.csr_matrix((ones, (groups, np.arange(len(groups)))), shape=(count, len(groups)))


def enter_logs(cliques: Sequence[Clique], logs: Floats, entry: EvidenceEntry, likelihood: Floats) -> None:
    """Add a likelihood of shape (cases, states), in place, to entries (entries, cases) as logarithms."""
    terms = logarithms(likelihood)[:, None, :] + logarithms(entry.weights)[None, :, :]
    largest = _finite(terms.max(axis=2))
    sums = np.exp2(terms - largest[:, :, None]).sum(axis=2)
    logs[cliques[entry.clique].span] += (largest + logarithms(sums)).T[entry.index]


def collect_logs(cliques: Sequence[Clique], logs: Floats) -> tuple[list[Floats], Floats]:
    """Do as `collect`, on logarithms."""
    messages, scales = [], []
    for clique in reversed(cliques[1:]):
        message = _log_sums(logs[clique.span], clique.own, clique.separator, clique.own_sums)
        messages.append(message)
        largest = message.max(axis=0)
        scales.append(largest)
        logs[cliques[clique.parent].span] += (message - _finite(largest))[clique.above]
    root = logs[cliques[0].span]
    largest = _finite(root.max(axis=0))
    whole = largest + logarithms(np.exp2(root - largest).sum(axis=0))
    root -= _finite(whole)
    return messages[::-1], sum(scales, whole)


def distribute_logs(cliques: Sequence[Clique], logs: Floats, messages: Sequence[Floats]) -> Floats:
    """Do as `distribute`, on logarithms; returns P(entry | evidence) itself."""
    for clique, sent in zip(cliques[1:], messages, strict=True):
        parent = logs[cliques[clique.parent].span]
        wanted = _log_sums(parent, clique.above, clique.separator, clique.above_sums) - _finite(sent)
        logs[clique.span] += wanted[clique.own]
    return np.asarray(np.exp2(logs))


def logarithms(numbers: Floats) -> Floats:
    """Return log2 of each number; -inf for 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.log2(numbers))


def _log_sums(logs: Floats, groups: Ints, count: int, sums: Callable[[Floats], Floats]) -> Floats:
    """Return log2 of each group's sum, given log2 of the numbers."""
    largest = np.full((count, *logs.shape[1:]), -np.inf)
    np.maximum.at(largest, groups, logs)
    largest = _finite(largest)
    return largest + logarithms(sums(np.exp2(logs - largest[groups])))


def _finite(logs: Floats) -> Floats:
    """Return the logarithms with 0 for -inf: subtracting it from entries that are all -inf keeps them so."""
    return np.asarray(np.where(np.isneginf(logs), 0.0, logs))
