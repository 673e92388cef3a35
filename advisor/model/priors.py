"""From "of 100 such cars, so many" to priors that give back exactly those numbers.

Given a cause below any-of gates, the complaint holds, so P(cause) = share x P(gate above). One unknown is
left, P(complaint) = T, and the tree itself has to yield it: for a flat tree T = 1 - prod(1 - q_i T), with
q_i the shares. A branch's own unlisted cause takes what its listed ones leave. Faults that stand under
several gates, depend on vehicle facts or bring others make their gates dependent; the tree is then evaluated
for every combination of those, one array axis each.

*Shares by a vehicle fact.* Where a gate's numbers are by a fact, all this holds for each of its values: of
the cars with a value, so many have the cause as is written for it. A plain number in such a gate, and in
those below, holds for each value. Of 100 cars with a complaint whose own numbers are by the fact, as many
have each value as on the road: in its network the fact's prior is road share / T(value), scaled. For T(value)
follows from how far the numbers exceed 100, which says how often causes meet and must not say how often such
cars come. Of the cars with a branch, as many have a value as on the road, times the number for it of the
branch, if that is by the fact; a factor of the fact under `given` compares those cars.

*Faults that others bring.* P(fault) stays share x P(gate above), all cars with it counted. With parents'
strengths s_j it is 1 - (1 - own) prod(1 - s_j parent_j); `own` is what is left for cars on which none did.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from graphlib import TopologicalSorter

import numpy as np

from advisor.arrays import Floats, root
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Problem, ProblemsFound
from advisor.knowledge.unlisted import unlisted_of
from advisor.knowledge.vocabulary import Branch, Complaint, Gate, Gated
from advisor.model.gates import KINDS, Numbers, either, gate_probability, stated

MOST_COMBINATIONS = 2**18
"""Combinations of shared faults and facts up to which a tree is evaluated."""
LEAST_TOP = 1e-15
"""Guess of P(complaint) for one value of a fact that stands for 0: the other values have to stay finite."""
MOST_SWEEPS = 20
"""Rounds over the values of a fact until P(complaint) of each agrees with the others."""


@dataclass(frozen=True)
class CauseTable:
    """P(a cause is there | its parents): an axis for each vehicle fact, or fault that brings it."""

    parents: tuple[str, ...]
    present: Floats


@dataclass(frozen=True)
class Priors:
    """Prior probabilities of a complaint's faults and unlisted causes.

    `faults` are averages over everything they depend on, `tables` say how they depend on it. `facts` has the
    values' probabilities of a fact by which the complaint's own numbers are; others are as on the road. Of
    the cars with a gate or cause, `listed` is the part that has a listed cause.
    """

    top: float
    faults: Mapping[str, float]
    tables: Mapping[str, CauseTable]
    facts: Mapping[str, Floats]
    listed: Mapping[str, float]


def tree_of(knowledge: Knowledge, complaint: str) -> dict[str, Gated]:
    """Return the complaint's gates, members before the gates that use them."""
    gates: dict[str, Gated] = {}
    gated: Mapping[str, Gated] = {**knowledge.complaints, **knowledge.branches}

    def visit(node: str) -> None:
        if node in gated and node not in gates:
            for member in gated[node].gate.members:
                visit(member)
            gates[node] = gated[node]

    visit(complaint)
    return gates


def ways_up(
    knowledge: Knowledge, cause: str, facts: Mapping[str, str] | None = None
) -> Iterator[tuple[tuple[str, float], ...]]:
    """Yield each way from a cause up to a complaint along stated shares: (gate, share of 100 there), ….

    Of 100 cars with the complaint, the product of a way's shares have the cause. Shares by a fact are those
    of cars with these `facts`.
    """
    facts = facts or {}
    for name, owner in {**knowledge.complaints, **knowledge.branches}.items():
        share = owner.gate.shares.get(cause)
        by_fact = owner.gate.by_fact.get(cause)
        if by_fact is not None and by_fact.by in facts:
            share = by_fact.values[facts[by_fact.by]]
        if share is not None and name in knowledge.complaints:
            yield ((name, share),)
        elif share is not None:
            yield from (((name, share), *rest) for rest in ways_up(knowledge, name, facts))


def facts_up(knowledge: Knowledge, cause: str) -> tuple[str, ...]:
    """Return the facts by which shares are on the ways from a cause up to its complaints."""
    found: dict[str, None] = {}
    for name, owner in {**knowledge.complaints, **knowledge.branches}.items():
        if cause in owner.gate.by_fact:
            found[owner.gate.by_fact[cause].by] = None
        if cause in owner.gate.members:
            found |= dict.fromkeys(facts_up(knowledge, name))
    return tuple(found)


def given_factors(knowledge: Knowledge, fault: str) -> dict[str, Floats]:
    """For each fact that acts on the fault: times as likely for each value, 1 on average over cars."""
    factors = {}
    for fact, times in knowledge.faults[fault].given.items() if fault in knowledge.faults else ():
        values = knowledge.facts[fact].values
        raw = np.array([times.get(value, 1.0) for value in values])
        factors[fact] = raw / (raw @ (np.array(list(values.values())) / 100))
    return factors


def solve(knowledge: Knowledge, complaint: str) -> Priors:
    """Find the priors of a complaint's faults; raises `ProblemsFound` where the numbers cannot be so.

    The references between items have to be sound (see `lint`).
    """
    return _Tree(knowledge, complaint).solved()


Value = float | Floats
"""A number, or one for each value of the facts by which shares are: an array with an axis for every axis."""


class _Tree:
    def __init__(self, knowledge: Knowledge, complaint: str) -> None:
        self.knowledge, self.complaint = knowledge, complaint
        self.gates = tree_of(knowledge, complaint)
        self.unlisted = knowledge.complaints[complaint].unlisted / 100
        self.problems: list[Problem] = []
        members = [
            member
            for gated in self.gates.values()
            for member in gated.gate.members
            if member in knowledge.faults
        ]
        self.brought = {
            name: {one: said for one, said in knowledge.faults[name].brought_by.items() if one in members}
            for name in dict.fromkeys(members)
        }
        self.factors = {name: given_factors(knowledge, name) for name in _parents_first(self.brought)}
        uses: dict[str, int] = {complaint: 1}
        for name in reversed(self.gates):
            for member in self.gates[name].gate.members:
                uses[member] = uses.get(member, 0) + uses[name]
        by = dict.fromkeys(fact for gated in self.gates.values() for fact in gated.gate.facts)
        facts = dict.fromkeys(fact for factors in self.factors.values() for fact in factors) | by
        bring = {parent for parents in self.brought.values() for parent in parents}
        self.shared = [name for name in self.factors if uses[name] > 1 or name in bring]
        self.shared += [
            unlisted_of(n) for n in self.gates if uses[n] > 1 and isinstance(self.gates[n], Branch)
        ]
        self.facts = tuple(facts)
        self.by = tuple(by)
        self.own_fact = next(iter(self.gates[complaint].gate.facts), None)
        self.axes = [*facts, *self.shared]
        self.sizes = [*(len(knowledge.facts[fact].values) for fact in facts), *(2 for _ in self.shared)]
        self._check_sums()
        if math.prod(self.sizes) > MOST_COMBINATIONS:
            self._problem(
                "too-shared",
                (complaint,),
                f"{len(self.axes)} faults and facts act in several branches.",
                "The priors cannot be found for so many combinations.",
                "Let fewer branches share them.",
            )

    def _problem(self, code: str, path: tuple[str, ...], what: str, why: str, instead: str) -> None:
        section = "complaints" if path[0] in self.knowledge.complaints else "branches"
        if path[0] in self.knowledge.faults:
            section = "faults"
        place = self.knowledge.place(section, *path)
        self.problems.append(Problem(place, code, what, why, instead))

    def _check_sums(self) -> None:
        numbered = {name for name in self.factors if self.knowledge.faults[name].prior is not None}
        for name in reversed(self.gates):
            gated = self.gates[name]
            for member, share in gated.gate.shares.items():
                by_fact = gated.gate.by_fact.get(member)
                if (share is not None or by_fact) and member in numbered:
                    part = gated.gate.key
                    self._problem(
                        "two-numbers",
                        (name, part, member),
                        f"'{member}' is given a number here and elsewhere.",
                        "One of them must give way.",
                        "Leave it empty in all gates but one, and without a prior.",
                    )
                if share is not None or by_fact:
                    numbered.add(member)
                if by_fact and by_fact.by in self.factors.get(member, {}):
                    self._problem(
                        "two-numbers",
                        (name, gated.gate.key, member),
                        f"'{member}' is by '{by_fact.by}' here and under its 'given'.",
                        "Both say how the cars with one value differ from those with another.",
                        f"Take '{by_fact.by}' out of its 'given'; 'impossible' can stand here, too.",
                    )
        for name, gated in self.gates.items():
            unlisted = gated.unlisted if isinstance(gated, Complaint) else None
            fills_up = isinstance(gated, Branch) and gated.unlisted is not None
            for here in self._combinations(gated.gate.facts):
                gate = gated.gate.on(here)
                numbers = Numbers(gate, unlisted, fills_up)
                if numbers.stated and (wrong := KINDS[gate.kind].wrong(numbers)):
                    what = wrong.what
                    if here:
                        what = f"For {_values(here)}: {what[0].lower()}{what[1:]}"
                    self._problem("shares", (name, gate.key), what, wrong.why, wrong.instead)
                    break

    def solved(self) -> Priors:
        self._refuse()
        gate = self.gates[self.complaint].gate
        top = self._top()
        if top is None:
            rare = self._evaluate(self._everywhere(1e-9))
            self._explain_brought(rare)
            self._explain_no_room(rare)
            self._refuse()
            self._problem(
                "shares",
                (self.complaint, gate.key),
                "These numbers cannot be so together, whatever the priors.",
                "Faults that stand under several branches tie their numbers together.",
                "Give shared faults their number where they are most common, and lower the others.",
            )
            raise ProblemsFound(self.problems)
        result = self._evaluate(top, report=True)
        self._explain_brought(result)
        self._refuse()
        faults = {name: self._average(result.weight, prior) for name, prior in result.priors.items()}
        own = {} if self.own_fact is None else {self.own_fact: result.own_values}
        tables = {name: self._table(name, result) for name in result.priors}
        top = self._average(result.weight, result.top)
        return Priors(top, faults, tables, own, self._listed(result))

    def _listed(self, result: _Evaluated) -> dict[str, float]:
        """Return the part of each gate's and cause's cars that has a listed cause."""
        part = dict.fromkeys(result.priors, 1.0)
        vectors = dict(result.vectors)
        for name, gated in self.gates.items():
            gate, whole = gated.gate, result.vectors[name]
            if gate.kind == "exactly_one_of" and gate.has_numbers:
                # Without an unlisted member, one more of the others would be the only one.
                unlisted = result.priors[unlisted_of(name)] if name == self.complaint else None
                for member in gate.members:
                    joint = KINDS[gate.kind].jointly(gate, member, result.vectors, unlisted)
                    share = self._average(result.weight, joint) / self._average(result.weight, whole)
                    part[name] = part.get(name, 0.0) + share * part[member]
                vectors[name] = part[name] * whole
            else:
                vectors[name] = gate_probability(gate, [vectors[member] for member in gate.members])
                held = self._average(result.weight, vectors[name])
                part[name] = held / self._average(result.weight, whole)
        return part

    def _top(self) -> Value | None:
        """Return P(complaint), by the fact of its numbers if they have one; None where there is none."""
        kind, fact = KINDS[self.gates[self.complaint].gate.kind], self.own_fact
        if fact is None:
            return kind.top(self._guessed)
        tops = np.full(len(self.knowledge.facts[fact].values), 0.5)
        for _ in range(MOST_SWEEPS):
            before = tops.copy()
            for value in range(len(tops)):
                found = kind.top(partial(self._guessed, value=value, tops=tops))
                if found is None:
                    return None
                tops[value] = found
            if np.allclose(tops, before, rtol=1e-14, atol=0):
                break
        return self._along(fact, tops)

    def _guessed(self, guess: float, value: int = 0, tops: Floats | None = None) -> _Guessed:
        """Evaluate the tree for a guess of P(complaint): for one value where `tops` has the others'."""
        if self.own_fact is None or tops is None:
            result = self._evaluate(guess)
            return _Guessed(float(result.top), float(result.excess))
        trial = tops.copy()
        trial[value] = guess if math.isnan(guess) else max(guess, LEAST_TOP)
        result = self._evaluate(self._along(self.own_fact, trial))
        return _Guessed(float(np.ravel(result.top)[value]), float(np.ravel(result.excess)[value]))

    def _everywhere(self, top: float) -> Value:
        if self.own_fact is None:
            return top
        return self._along(self.own_fact, np.full(len(self.knowledge.facts[self.own_fact].values), top))

    def _refuse(self) -> None:
        """Raise what was found, if anything was."""
        if self.problems:
            raise ProblemsFound(self.problems)

    def _evaluate(self, top: Value, report: bool = False) -> _Evaluated:
        """Evaluate the tree for a guess of P(complaint)."""
        say = self._problem if report else _silent
        result = _Evaluated(top)
        targets = self._targets(top, result.priors, say)
        weight = np.ones([1] * len(self.axes))  # an axis counts once its probabilities are known
        vectors: dict[str, Floats] = {}
        too_large: set[str] = set()  # branches that are, or hold one that is
        values: dict[str, Floats] = {}
        for fact in self.facts:
            road = np.array(list(self.knowledge.facts[fact].values.values())) / 100
            if fact == self.own_fact:
                tops = np.ravel(top)
                road = np.where(np.isnan(tops), road, road / np.where(np.isnan(tops), 1.0, tops))
                road = result.own_values = road / road.sum()
            values[fact] = self._along(fact, road)
            weight = weight * values[fact]
        for fault in self.factors:
            probability = self._fault_probability(fault, result, vectors, weight, values, say)
            result.present[fault] = probability
            if fault in self.shared:
                present = self._along(fault, np.array([0.0, 1.0]))
                weight = weight * (probability * present + (1 - probability) * (1 - present))
                probability = present
            vectors[fault] = probability
        for name, gated in self.gates.items():
            gate = gated.gate
            members = [vectors[member] for member in gate.members]
            kind = KINDS[gate.kind]
            if name == self.complaint:
                self._complaint(top, members, weight, result, vectors)
            elif kind.takes_what_is_left and name in targets:
                keep = self._varying(targets[name]) | set(gate.facts)
                listed = self._mean(weight, gate_probability(gate, members), keep)
                with np.errstate(divide="ignore", invalid="ignore"):
                    left = (targets[name] - np.asarray(listed)) / (1 - np.asarray(listed))
                unlisted = _plain(np.where(np.less(listed, 1), left, -1.0))
                if report and np.any(np.less(unlisted, -1e-12)):
                    self._too_large(name, gate, targets[name], unlisted, result.priors, too_large)
                if report:
                    unlisted = _plain(np.maximum(unlisted, 0.0))
                result.priors[unlisted_of(name)] = unlisted
                own = self._filled(unlisted)
                result.present[unlisted_of(name)] = own
                if unlisted_of(name) in self.shared:
                    present = self._along(unlisted_of(name), np.array([0.0, 1.0]))
                    weight = weight * (own * present + (1 - own) * (1 - present))
                    own = present
                vectors[name] = either(gate_probability(gate, members), own)
            else:
                vectors[name] = gate_probability(gate, members)
        keep = set() if self.own_fact is None else {self.own_fact}
        result.top = self._mean(weight, vectors[self.complaint], keep)
        result.excess = result.top - top
        result.weight, result.vectors = weight, vectors
        if report:
            self._verify(targets, vectors, weight, result.priors)
        return result

    def _complaint(
        self,
        top: Value,
        members: Sequence[Floats],
        weight: Floats,
        result: _Evaluated,
        vectors: dict[str, Floats],
    ) -> None:
        """Enter the complaint and its unlisted cause, value by value where its numbers are by a fact."""
        name, fact = self.complaint, self.own_fact
        gate = self.gates[name].gate
        kind = KINDS[gate.kind]
        if fact is None:
            result.priors[unlisted_of(name)], vectors[name] = kind.with_unlisted(
                gate, members, float(top), self.unlisted, averaged(weight)
            )
            result.present[unlisted_of(name)] = self._filled(result.priors[unlisted_of(name)])
            return
        axis = self.axes.index(fact)
        priors, parts = [], []
        for at, value in enumerate(self.knowledge.facts[fact].values):

            def here(values: Floats, at: int = at) -> Floats:
                values = values.reshape([1] * (len(self.axes) - values.ndim) + list(values.shape))
                return values if values.shape[axis] == 1 else values.take([at], axis)

            share = here(weight)
            total = share.sum()
            prior, part = kind.with_unlisted(
                gate.on({fact: value}),
                [here(member) for member in members],
                float(np.ravel(top)[at]),
                self.unlisted,
                averaged(share / total if total > 0 else share),
            )
            priors.append(prior)
            parts.append(part)
        result.priors[unlisted_of(name)] = self._along(fact, np.array(priors))
        result.present[unlisted_of(name)] = self._filled(result.priors[unlisted_of(name)])
        vectors[name] = np.concatenate(np.broadcast_arrays(*parts), axis=axis)

    def _fault_probability(
        self,
        fault: str,
        result: _Evaluated,
        vectors: Mapping[str, Floats],
        weight: Floats,
        values: Mapping[str, Floats],
        say: Callable[..., None],
    ) -> Floats:
        """Return P(fault | facts and faults that act on it); enters a prior where none is fixed."""
        prior = result.priors.get(fault)
        if prior is None:
            if not any(
                fault in gated.gate.members and self._numbered(gated.gate, fault)
                for gated in self.gates.values()
            ):
                say(
                    "no-number",
                    (self._user(fault),),
                    f"'{fault}' has neither a number nor a prior.",
                    "Its probability cannot be found.",
                    "Give it a number in one branch, or a prior.",
                )
            prior = result.priors[fault] = 0.5
        varying = self._varying(prior)
        for fact in varying.intersection(self.factors[fault]):
            # It compares the cars with the gate, among which values are not as common as on the road.
            factor = self._along(fact, self.factors[fault][fact])
            axis = self.axes.index(fact)
            share = values[fact] * prior
            held, whole = ((share * one).sum(axis=axis, keepdims=True) for one in (factor, 1.0))
            scale = np.divide(held, whole, out=np.ones_like(held), where=(held > 0) & (whole > 0))
            prior = prior * factor / scale
        result.priors[fault] = prior
        times = self._filled(1.0)
        for fact, factor in self.factors[fault].items():
            if fact not in varying:
                times = times * self._along(fact, factor)
        parents = self.brought[fault]
        if not parents:
            probability = self._filled(prior)
            for fact, factor in self.factors[fault].items():
                if fact not in varying:
                    probability = probability * self._along(fact, factor)
            most = probability
        else:
            brought = self._filled(0.0)
            for parent, strength in parents.items():
                brought = either(brought, strength * vectors[parent])
            brought = np.where((times > 0) & np.greater(prior, 0), brought, 0.0)
            result.brought[fault] = self._mean(weight, brought, varying)
            room = self._mean(weight, times * (1 - brought), varying)
            with np.errstate(divide="ignore", invalid="ignore"):
                own = np.where(np.greater(prior, 0), (prior - result.brought[fault]) / room, 0.0)
            most = times * own
            probability = either(brought, np.maximum(most, 0.0) if say is not _silent else most)
        if np.any(most > 1):
            say(
                "too-likely",
                (fault, "given"),
                "For some vehicles this fault would be more than certain.",
                "Its share times the factors passes 1.",
                "Lower the factors, or the number.",
            )
        return probability

    def _targets(self, top: Value, priors: dict[str, Value], say: Callable[..., None]) -> dict[str, Value]:
        """P of every gate that the shares fix; enters the priors of faults on the way."""
        targets: dict[str, Value] = {} if np.any(np.isnan(top)) else {self.complaint: top}
        for name, fault in self.knowledge.faults.items():
            if name in self.factors and fault.prior is not None:
                priors[name] = fault.prior
        for name in reversed(self.gates):
            gate = self.gates[name].gate
            kind = KINDS[gate.kind]
            if gate.has_numbers and not kind.stands_by_itself and name not in targets:
                say(
                    "no-number",
                    (name,),
                    f"'{name}' has numbers inside but none where it is used.",
                    "How common it is cannot be found.",
                    "Give it a number in the gate above.",
                )
            unlisted = self.unlisted if name == self.complaint else None
            probabilities = self._members(gate, targets.get(name), unlisted, priors)
            for member, probability in probabilities.items():
                where = targets if member in self.gates else priors
                where[member] = probability
        return targets

    def _members(
        self, gate: Gate, target: Value | None, unlisted: float | None, priors: Mapping[str, Value]
    ) -> Mapping[str, Value]:
        """Return the probabilities of a gate's members, for each value of the facts they depend on."""
        kind = KINDS[gate.kind]
        known = {member: priors[member] for member in gate.members if member in priors}
        varying = set(gate.facts).union(*map(self._varying, known.values()))
        if target is not None:
            varying |= self._varying(target)
        if not varying:
            plain = {member: float(prior) for member, prior in known.items()}
            return kind.members(gate, None if target is None else float(target), unlisted, plain)
        shape = [size if axis in varying else 1 for axis, size in zip(self.axes, self.sizes, strict=True)]
        found: dict[str, Floats] = {}
        for here in self._combinations([fact for fact in self.by if fact in varying]):
            at = tuple(
                list(self.knowledge.facts[axis].values).index(here[axis]) if axis in here else 0
                for axis in self.axes
            )
            members = kind.members(
                gate.on(here),
                None if target is None else self._at(target, at),
                unlisted,
                {member: self._at(prior, at) for member, prior in known.items()},
            )
            for member, probability in members.items():
                found.setdefault(member, np.zeros(shape))[at] = probability
        return found

    def _verify(
        self,
        targets: Mapping[str, Value],
        vectors: Mapping[str, Floats],
        weight: Floats,
        priors: Mapping[str, Value],
    ) -> None:
        """Report every stated share that the solved tree does not give back."""
        for name, target in targets.items():
            held = self._mean(weight, vectors[name], self._varying(target))
            off = np.abs(held - target) > 1e-10 * np.asarray(target)
            if name != self.complaint and np.any(off) and not self.problems:
                times = np.ravel(np.broadcast_to(held / target, off.shape)[off])[0]
                self._problem(
                    "shares",
                    (name,),
                    f"'{name}' cannot be as common as its number says, {times:.3g} times as much.",
                    "Its members do not come together that often, or come too often.",
                    "Change its number, or the plain priors of its members.",
                )
        for name, gated in self.gates.items():
            gate = gated.gate
            for member in gate.members:
                if self._numbered(gate, member) and not self.problems:
                    self._verify_share(name, member, vectors, weight, priors)

    def _verify_share(
        self,
        name: str,
        member: str,
        vectors: Mapping[str, Floats],
        weight: Floats,
        priors: Mapping[str, Value],
    ) -> None:
        gate = self.gates[name].gate
        unlisted = priors[unlisted_of(name)] if name == self.complaint else None
        joint = KINDS[gate.kind].jointly(gate, member, vectors, unlisted)
        # A factor of the gate's own fact moves the member from value to value; its number is of all cars.
        keep = set(gate.facts).difference(self.factors.get(member, ()))
        for here in self._combinations(sorted(keep)):
            by_fact = gate.by_fact.get(member)
            share = by_fact.values[here[by_fact.by]] if by_fact else gate.shares[member] or 0.0
            held = self._pick(self._mean(weight, joint, keep), here)
            stated_share = share / 100 * self._pick(self._mean(weight, vectors[name], keep), here)
            if abs(held - stated_share) > 1e-10 * stated_share:
                on = f" for {_values(here)}" if here else ""
                said = f"{held / stated_share * share:.4g} of 100{on}" if stated_share else "more than 0"
                self._problem(
                    "shares",
                    (name, gate.key, member),
                    f"'{member}' comes out at {said}, not {share:g}.",
                    "Shared faults or vehicle facts tie the members of this gate together.",
                    "Use any_of here, or plain priors.",
                )
                return

    def _explain_brought(self, result: _Evaluated) -> None:
        """Report faults that others bring more often than they are there, and sums without room for both."""
        top = self._average(result.weight, result.top)
        for fault, brought in result.brought.items():
            prior = result.priors[fault]
            if np.any(np.greater(brought, np.asarray(prior) * (1 + 1e-12))):
                cars, own = (100 * self._average(result.weight, one) / top for one in (brought, prior))
                parents = " and ".join(f"'{one}'" for one in self.brought[fault])
                self._problem(
                    "brought",
                    (fault, "brought_by"),
                    f"Of 100 cars with '{self.complaint}' {parents} would bring '{fault}' in {cars:.3g}, "
                    f"and its number comes to {own:.3g}.",
                    "A fault's number counts every car that has it, whatever brought it.",
                    "Raise its number above that, or lower how often it is brought.",
                )

    def _explain_no_room(self, result: _Evaluated) -> None:
        """Report a sum that leaves no room for the cars with a fault and the one that it brought."""
        room = np.min(np.asarray(result.top) / (np.asarray(result.top) - result.excess))
        if result.brought and not self.problems and room < 1:
            gate = self.gates[self.complaint].gate
            self._problem(
                "brought",
                (self.complaint, gate.key),
                f"Faults that bring others leave {100 * (1 - room):.3g} of 100 cars without a cause.",
                "A car with a fault and with the one that it brought is counted twice.",
                "Raise the numbers by more than that together, or lower how often faults are brought.",
            )

    def _too_large(
        self,
        name: str,
        gate: Gate,
        target: Value,
        unlisted: Value,
        priors: Mapping[str, Value],
        blamed: set[str],
    ) -> None:
        """Report a branch whose numbers independent causes cannot have, and the largest sum they can.

        One that is too large only because a branch in it is, is sound; it is entered as blamed all the same.
        """
        at = [int(step) for step in np.unravel_index(int(np.argmin(unlisted)), np.shape(unlisted))]
        here = {
            axis: list(self.knowledge.facts[axis].values)[step]
            for axis, step in zip(self.axes, at, strict=False)
            if axis in gate.facts
        }
        target = self._at(target, at) if np.ndim(unlisted) else float(target)
        shares = stated(gate.on(here))
        if here:  # factors of the fact count as well
            shares = {
                one: self._at(priors[one], at) / target if one in priors else shares[one] for one in shares
            }

        def beyond(scale: float) -> float:
            return 1 - math.prod(1 - min(1.0, scale * share * target) for share in shares.values()) - target

        itself = beyond(1.0) > 0
        follows = not itself and not blamed.isdisjoint(gate.members)
        blamed.add(name)
        if follows:
            return
        total = 100 * sum(shares.values())
        numbers = ", ".join(f"{member} {100 * share:g}" for member, share in shares.items())
        on = f" for {_values(here)}" if here else ""
        sentence = f"The numbers of '{name}'{on} add up to {total:g} ({numbers})"
        if itself:
            sentence += f"; here at most about {total * root(beyond, 0.0, 1.0):.4g} is possible"
        self._problem(
            "shares",
            (name, gate.kind),
            f"{sentence}.",
            "Independent causes come together more rarely than that, by the complaint's sum.",
            "Lower the numbers of the branch.",
        )

    def _table(self, name: str, result: _Evaluated) -> CauseTable:
        """Return how a cause depends on facts and on the faults that bring it."""
        present = result.present[name]
        depends = [axis for axis, size in zip(self.axes, present.shape, strict=True) if size > 1]
        given = [fact for fact in self.factors.get(name, ()) if fact in depends]
        parents = (*given, *(axis for axis in depends if axis not in given))
        order = [depends.index(parent) for parent in parents]
        return CauseTable(parents, present.squeeze().transpose(order))

    def _combinations(self, facts: Collection[str]) -> Iterator[dict[str, str]]:
        """Yield every combination of the values of facts; one without any where there are none."""
        for values in itertools.product(*(self.knowledge.facts[fact].values for fact in facts)):
            yield dict(zip(facts, values, strict=True))

    def _numbered(self, gate: Gate, member: str) -> bool:
        return gate.shares[member] is not None or member in gate.by_fact

    def _varying(self, value: Value) -> set[str]:
        """Return the axes along which a value differs."""
        return {axis for axis, size in zip(self.axes, np.shape(value), strict=False) if size > 1}

    def _at(self, value: Value, at: Sequence[int]) -> float:
        """Return a value at a place of the axes."""
        if np.ndim(value) == 0:
            return float(value)
        array = np.asarray(value)
        return float(
            array[tuple(step if size > 1 else 0 for step, size in zip(at, array.shape, strict=True))]
        )

    def _pick(self, value: Value, here: Mapping[str, str]) -> float:
        at = [
            list(self.knowledge.facts[axis].values).index(here[axis]) if axis in here else 0
            for axis in self.axes
        ]
        return self._at(value, at)

    def _mean(self, weight: Floats, values: Floats, keep: Collection[str]) -> Value:
        """Return the average over all axes but those kept."""
        if not keep:
            return float((weight * values).sum())
        over = tuple(at for at, axis in enumerate(self.axes) if axis not in keep)
        both = np.broadcast_shapes(np.shape(weight), np.shape(values))
        total = np.broadcast_to(weight, both).sum(axis=over, keepdims=True)
        return np.asarray((weight * values).sum(axis=over, keepdims=True) / total)

    def _average(self, weight: Floats, value: Value) -> float:
        """Return the average of a value over the facts that it depends on."""
        return float(value) if np.ndim(value) == 0 else float((weight * value).sum())

    def _filled(self, value: Value) -> Floats:
        return np.full([1] * len(self.axes), value) if np.ndim(value) == 0 else np.asarray(value)

    def _along(self, axis: str, values: Floats) -> Floats:
        shape = [1] * len(self.axes)
        shape[self.axes.index(axis)] = len(values)
        return values.reshape(shape)

    def _user(self, fault: str) -> str:
        return next(name for name, gated in self.gates.items() if fault in gated.gate.members)


@dataclass
class _Evaluated:
    """A tree for a guess of P(complaint).

    `present` has P(cause | what acts on it), `brought` P(a parent brought it), and `vectors` P(anything) for
    every combination of the axes, which have `weight`.
    """

    top: Value
    excess: Value = 0.0
    priors: dict[str, Value] = field(default_factory=dict)
    present: dict[str, Floats] = field(default_factory=dict)
    brought: dict[str, Value] = field(default_factory=dict)
    vectors: dict[str, Floats] = field(default_factory=dict)
    weight: Floats = field(default_factory=lambda: np.ones(()))
    own_values: Floats = field(default_factory=lambda: np.ones(1))


@dataclass
class _Guessed:
    """What a tree yields for a guess, and by how much that is more."""

    top: float
    excess: float


def _parents_first(brought: Mapping[str, Mapping[str, float]]) -> list[str]:
    """Return faults as they stand, but those that bring others before them."""
    if not any(brought.values()):
        return list(brought)
    return list(TopologicalSorter({name: list(parents) for name, parents in brought.items()}).static_order())


def _values(here: Mapping[str, str]) -> str:
    return " and ".join(here.values())


def _plain(value: Floats) -> Value:
    """Return an array without axes as the number that it is."""
    return float(value) if np.ndim(value) == 0 else value


def _silent(*_: object) -> None:
    """Problems are reported once, from the solved tree."""


def averaged(weight: Floats) -> Callable[[Floats], float]:
    """Return the average over everything that a tree is evaluated for."""
    return lambda values: float((weight * values).sum())
