"""Answers in exact rational arithmetic, for networks of hundreds of nodes if their tables are small.

Every number of the tables and of the evidence is taken as the fraction that its float is. The nodes are
eliminated one after the other, fewest neighbours first (bucket elimination, Dechter 1999, Artificial
Intelligence 113), and a second pass back gives every joint. All of it is sums and products of whole numbers,
so nothing is rounded, however small it gets; logarithms have 50 digits. No code is shared with
`advisor.inference.engine`, and none with a library of networks.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext
from fractions import Fraction
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from advisor.inference.tables import DiscreteNetwork

DIGITS = 50
"""Of logarithms."""

Exact = tuple[Fraction, ...]


@dataclass(frozen=True)
class Factor:
    """Fractions over the states of some nodes, as whole numbers with one denominator."""

    scope: tuple[str, ...]
    values: Mapping[tuple[int, ...], int]
    denominator: int = 1


@dataclass(frozen=True)
class Bucket:
    """What one node was eliminated from: own factors, the messages that came, the buckets they came from."""

    node: str
    scope: tuple[str, ...]
    own: tuple[Factor, ...]
    senders: tuple[str, ...]


class Answers:
    """What is exactly so after the evidence; `possible` is False where it has no probability at all.

    `informations` holds for readings all of whose parents are functions of the sought nodes: it is what they
    tell about their parents.
    """

    def __init__(self, tables: DiscreteNetwork, evidence: Mapping[str, ArrayLike]) -> None:
        self.tables = tables
        self.sizes = {name: len(outcomes) for name, outcomes in tables.outcomes.items()}
        self.evidence = {name: np.asarray(said, dtype=np.float64) for name, said in evidence.items()}
        self.hidden = tuple(t.child for t in tables.tables if t.child not in tables.readings)
        self._buckets = self._laid_out()
        self._up = self._collected()
        self.probability = Fraction(1)
        for one in self._roots:
            self.probability *= Fraction(self._up[one.node].values[()], self._up[one.node].denominator)
        self.possible = self.probability > 0

    @cached_property
    def marginals(self) -> Mapping[str, Exact]:
        """P(state | evidence) of every hidden node."""
        return {name: self._joint((name,)) for name in self.hidden}

    @cached_property
    def predictive(self) -> Mapping[str, Exact]:
        """P(outcome | evidence) of every reading; of one already seen, of an independent repeat."""
        found = {}
        for table in self.tables.tables:
            if table.child in self.tables.readings:
                weights = self._joint(table.parents)
                rows = table.values.reshape(len(weights), -1).tolist()
                columns = zip(*([Fraction(one) for one in row] for row in rows), strict=True)
                found[table.child] = tuple(
                    sum((w * c for w, c in zip(weights, column, strict=True)), Fraction())
                    for column in columns
                )
        return found

    @cached_property
    def informations(self) -> Mapping[str, Decimal]:
        """Bits that each reading not seen tells about its parents."""
        found = {}
        with localcontext() as context:
            context.prec = DIGITS
            for table in self.tables.tables:
                if table.child in self.tables.readings and table.child not in self.evidence:
                    weights = self._joint(table.parents)
                    rows = table.values.reshape(len(weights), -1).tolist()
                    told = entropy(self.predictive[table.child])
                    for weight, row in zip(weights, rows, strict=True):
                        told -= to_decimal(weight) * entropy([Fraction(one) for one in row])
                    found[table.child] = told
        return found

    @cached_property
    def log2_probability(self) -> float:
        """log2 of P(evidence)."""
        with localcontext() as context:
            context.prec = DIGITS
            return float(log2(self.probability))

    def _factors(self) -> list[Factor]:
        """The tables, the evidence on readings summed onto their parents, and that on hidden nodes."""
        made = []
        for table in self.tables.tables:
            rows = table.values.reshape(-1, self.sizes[table.child]).tolist()
            exact = [[Fraction(one) for one in row] for row in rows]
            if table.child not in self.tables.readings:
                made.append(self._factor((*table.parents, table.child), itertools.chain(*exact)))
                continue
            # One that is not seen still binds its parents together, so that their joint can be asked for.
            seen = self.evidence.get(table.child)
            likelihood = None if seen is None else [Fraction(one) for one in seen.tolist()]
            made.append(
                self._factor(
                    table.parents,
                    (
                        Fraction(1)
                        if likelihood is None
                        else sum((a * b for a, b in zip(row, likelihood, strict=True)), Fraction())
                        for row in exact
                    ),
                )
            )
        for name, said in self.evidence.items():
            if name in self.hidden:
                made.append(self._factor((name,), map(Fraction, said.tolist())))
        return made

    def _factor(self, scope: tuple[str, ...], values: Iterable[Fraction]) -> Factor:
        listed = list(values)
        denominator = math.lcm(*(one.denominator for one in listed))
        whole = [one.numerator * (denominator // one.denominator) for one in listed]
        return Factor(scope, dict(zip(self._states(scope), whole, strict=True)), denominator)

    def _states(self, scope: Sequence[str]) -> Iterable[tuple[int, ...]]:
        return itertools.product(*(range(self.sizes[name]) for name in scope))

    def _laid_out(self) -> tuple[Bucket, ...]:
        """The buckets in the order of elimination, the node with the fewest neighbours first."""
        factors = self._factors()
        around: dict[str, set[str]] = {name: set() for name in self.hidden}
        for factor in factors:
            for name in factor.scope:
                around[name] |= set(factor.scope) - {name}
        order: list[tuple[str, tuple[str, ...]]] = []
        while around:
            node = min(around, key=lambda name: (len(around[name]), name))
            near = around.pop(node)
            for name in near:
                around[name] = (around[name] | near) - {node, name}
            order.append((node, (node, *sorted(near))))
        position = {node: at for at, (node, _) in enumerate(order)}
        owned: dict[str, list[Factor]] = {node: [] for node in position}
        for factor in factors:
            owned[min(factor.scope, key=position.__getitem__)].append(factor)
        senders: dict[str, list[str]] = {node: [] for node in position}
        for node, scope in order:
            if len(scope) > 1:
                senders[min(scope[1:], key=position.__getitem__)].append(node)
        return tuple(Bucket(node, scope, tuple(owned[node]), tuple(senders[node])) for node, scope in order)

    @property
    def _roots(self) -> list[Bucket]:
        return [bucket for bucket in self._buckets if len(bucket.scope) == 1]

    def _collected(self) -> dict[str, Factor]:
        sent: dict[str, Factor] = {}
        for bucket in self._buckets:
            factors = [*bucket.own, *(sent[sender] for sender in bucket.senders)]
            sent[bucket.node] = self._summed(bucket.scope, factors, bucket.scope[1:])
        return sent

    @cached_property
    def _down(self) -> Mapping[str, Factor]:
        """For each bucket what all the others say of its separator."""
        down = {one.node: Factor((), {(): 1}) for one in self._roots}
        scopes = {bucket.node: bucket.scope for bucket in self._buckets}
        for bucket in reversed(self._buckets):
            for sender in bucket.senders:
                others = [self._up[one] for one in bucket.senders if one != sender]
                factors = [*bucket.own, *others, down[bucket.node]]
                down[sender] = self._summed(bucket.scope, factors, scopes[sender][1:])
        return down

    def _summed(self, scope: tuple[str, ...], factors: Sequence[Factor], kept: Sequence[str]) -> Factor:
        """The product of the factors over the scope, summed down to the nodes kept."""
        picks = [[scope.index(name) for name in factor.scope] for factor in factors]
        to = [scope.index(name) for name in kept]
        values: dict[tuple[int, ...], int] = dict.fromkeys(self._states(kept), 0)
        for states in self._states(scope):
            product = 1
            for factor, pick in zip(factors, picks, strict=True):
                product *= factor.values[tuple(states[at] for at in pick)]
                if not product:
                    break
            values[tuple(states[at] for at in to)] += product
        return Factor(tuple(kept), values, math.prod(factor.denominator for factor in factors))

    def _joint(self, names: tuple[str, ...]) -> Exact:
        """P(states of the names | evidence), flat, the last name running fastest."""
        bucket = next(one for one in self._buckets if set(names) <= set(one.scope))
        factors = [*bucket.own, *(self._up[sender] for sender in bucket.senders), self._down[bucket.node]]
        joint = self._summed(bucket.scope, factors, names).values
        total = sum(joint.values())
        return tuple(Fraction(joint[states], total) for states in self._states(names))


def entropy(probabilities: Iterable[Fraction]) -> Decimal:
    """Shannon entropy in bits."""
    return -sum((to_decimal(one) * log2(one) for one in probabilities if one), Decimal())


def log2(number: Fraction) -> Decimal:
    """The logarithm to base 2."""
    return (Decimal(number.numerator).ln() - Decimal(number.denominator).ln()) / Decimal(2).ln()


def to_decimal(number: Fraction) -> Decimal:
    """A fraction rounded to the digits in force."""
    return Decimal(number.numerator) / Decimal(number.denominator)
