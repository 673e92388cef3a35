"""From "of 100 such cars, so many" to independent priors that give back exactly those numbers.

Given a cause below any-of gates, the complaint holds, so P(cause) = share x P(gate above). One unknown is
left, P(complaint) = T, and the tree itself has to yield it: for a flat tree T = 1 - prod(1 - q_i T), with
q_i the shares. A branch's own unlisted cause takes what its listed ones leave. Faults that stand under
several gates or depend on vehicle facts make their gates dependent; the tree is then evaluated for
every combination of those, one array axis each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from advisor.arrays import Floats, root
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Problem, ProblemsFound
from advisor.knowledge.unlisted import unlisted_of
from advisor.knowledge.vocabulary import Branch, Complaint, Gate, Gated
from advisor.model.gates import KINDS, Numbers, either, gate_probability, stated

MOST_COMBINATIONS = 2**18
"""Combinations of shared faults and facts up to which a tree is evaluated."""


@dataclass(frozen=True)
class Priors:
    """Prior probabilities of a complaint's faults and unlisted causes, facts averaged over."""

    top: float
    faults: Mapping[str, float]


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


def ways_up(knowledge: Knowledge, cause: str) -> Iterator[tuple[tuple[str, float], ...]]:
    """Yield each way from a cause up to a complaint along stated shares: (gate, share of 100 there), ….

    Of 100 cars with the complaint, the product of a way's shares have the cause.
    """
    for name, owner in {**knowledge.complaints, **knowledge.branches}.items():
        share = owner.gate.shares.get(cause)
        if share is not None and name in knowledge.complaints:
            yield ((name, share),)
        elif share is not None:
            yield from (((name, share), *rest) for rest in ways_up(knowledge, name))


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


class _Tree:
    def __init__(self, knowledge: Knowledge, complaint: str) -> None:
        self.knowledge, self.complaint = knowledge, complaint
        self.gates = tree_of(knowledge, complaint)
        self.unlisted = knowledge.complaints[complaint].unlisted / 100
        self.problems: list[Problem] = []
        self.factors = {
            member: given_factors(knowledge, member)
            for gated in self.gates.values()
            for member in gated.gate.members
            if member in knowledge.faults
        }
        uses: dict[str, int] = {complaint: 1}
        for name in reversed(self.gates):
            for member in self.gates[name].gate.members:
                uses[member] = uses.get(member, 0) + uses[name]
        facts = dict.fromkeys(fact for factors in self.factors.values() for fact in factors)
        self.shared = [name for name in self.factors if uses[name] > 1]
        self.shared += [
            unlisted_of(n) for n in self.gates if uses[n] > 1 and isinstance(self.gates[n], Branch)
        ]
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
                if share is not None and member in numbered:
                    part = gated.gate.key
                    self._problem(
                        "two-numbers",
                        (name, part, member),
                        f"'{member}' is given a number here and elsewhere.",
                        "One of them must give way.",
                        "Leave it empty in all gates but one, and without a prior.",
                    )
                if share is not None:
                    numbered.add(member)
        for name, gated in self.gates.items():
            gate = gated.gate
            unlisted = gated.unlisted if isinstance(gated, Complaint) else None
            fills_up = isinstance(gated, Branch) and gated.unlisted is not None
            numbers = Numbers(gate, unlisted, fills_up)
            if numbers.stated and (wrong := KINDS[gate.kind].wrong(numbers)):
                self._problem("shares", (name, gate.key), *wrong)

    def solved(self) -> Priors:
        self._refuse()
        gate = self.gates[self.complaint].gate
        top = KINDS[gate.kind].top(self._evaluate)
        if top is None:
            self._problem(
                "shares",
                (self.complaint, gate.key),
                "These numbers cannot be so together, whatever the priors.",
                "Faults that stand under several branches tie their numbers together.",
                "Give shared faults their number where they are most common, and lower the others.",
            )
            raise ProblemsFound(self.problems)
        result = self._evaluate(top, report=True)
        self._refuse()
        return Priors(result.top, result.priors)

    def _refuse(self) -> None:
        """Raise what was found, if anything was."""
        if self.problems:
            raise ProblemsFound(self.problems)

    def _evaluate(self, top: float, report: bool = False) -> _Evaluated:
        """Evaluate the tree for a guess of P(complaint)."""
        say = self._problem if report else _silent
        result = _Evaluated(top)
        targets = self._targets(top, result.priors, say)
        weight = np.ones([1] * len(self.axes))  # an axis counts once its probabilities are known
        vectors: dict[str, Floats] = {}
        too_large: set[str] = set()  # branches that are, or hold one that is
        for fact in self.axes[: len(self.axes) - len(self.shared)]:
            weight = weight * self._along(
                fact, np.array(list(self.knowledge.facts[fact].values.values())) / 100
            )
        for fault in self.factors:
            probability = self._fault_probability(fault, result.priors, say)
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
                result.priors[unlisted_of(name)], vectors[name] = kind.with_unlisted(
                    gate, members, top, self.unlisted, averaged(weight)
                )
            elif kind.takes_what_is_left and name in targets:
                listed = float((weight * gate_probability(gate, members)).sum())
                unlisted = (targets[name] - listed) / (1 - listed) if listed < 1 else -1.0
                if report and unlisted < -1e-12:
                    self._too_large(name, gate, targets[name], too_large)
                if report:
                    unlisted = max(unlisted, 0.0)
                result.priors[unlisted_of(name)] = unlisted
                own = np.full([1] * len(self.axes), unlisted)
                if unlisted_of(name) in self.shared:
                    present = self._along(unlisted_of(name), np.array([0.0, 1.0]))
                    weight = weight * (own * present + (1 - own) * (1 - present))
                    own = present
                vectors[name] = either(gate_probability(gate, members), own)
            else:
                vectors[name] = gate_probability(gate, members)
        result.top = float((weight * vectors[self.complaint]).sum())
        result.excess = result.top - top
        if report:
            self._verify(targets, vectors, weight, result.priors)
        return result

    def _fault_probability(self, fault: str, priors: dict[str, float], say: Callable[..., None]) -> Floats:
        """Return P(fault) for every value of the facts that act on it; enters a prior where none is fixed."""
        prior = priors.get(fault)
        if prior is None:
            if not any(fault in stated(gated.gate) for gated in self.gates.values()):
                say(
                    "no-number",
                    (self._user(fault),),
                    f"'{fault}' has neither a number nor a prior.",
                    "Its probability cannot be found.",
                    "Give it a number in one branch, or a prior.",
                )
            prior = priors[fault] = 0.5
        probability = np.full([1] * len(self.axes), prior)
        for fact, factor in self.factors[fault].items():
            probability = probability * self._along(fact, factor)
        if np.any(probability > 1):
            say(
                "too-likely",
                (fault, "given"),
                "For some vehicles this fault would be more than certain.",
                "Its share times the factors passes 1.",
                "Lower the factors, or the number.",
            )
        return probability

    def _targets(self, top: float, priors: dict[str, float], say: Callable[..., None]) -> dict[str, float]:
        """P of every gate that the shares fix; enters the priors of faults on the way."""
        targets: dict[str, float] = {} if math.isnan(top) else {self.complaint: top}
        for name, fault in self.knowledge.faults.items():
            if name in self.factors and fault.prior is not None:
                priors[name] = fault.prior
        for name in reversed(self.gates):
            gate = self.gates[name].gate
            kind = KINDS[gate.kind]
            if stated(gate) and not kind.stands_by_itself and name not in targets:
                say(
                    "no-number",
                    (name,),
                    f"'{name}' has numbers inside but none where it is used.",
                    "How common it is cannot be found.",
                    "Give it a number in the gate above.",
                )
            unlisted = self.unlisted if name == self.complaint else None
            probabilities = kind.members(gate, targets.get(name), unlisted, priors)
            for member, probability in probabilities.items():
                where = targets if member in self.gates else priors
                where[member] = probability
        return targets

    def _verify(
        self,
        targets: Mapping[str, float],
        vectors: Mapping[str, Floats],
        weight: Floats,
        priors: Mapping[str, float],
    ) -> None:
        """Report every stated share that the solved tree does not give back."""
        for name, target in targets.items():
            held = float((weight * vectors[name]).sum())
            if name != self.complaint and abs(held - target) > 1e-10 * target and not self.problems:
                self._problem(
                    "shares",
                    (name,),
                    f"'{name}' cannot be as common as its number says, {held / target:.3g} times as much.",
                    "Its members do not come together that often, or come too often.",
                    "Change its number, or the plain priors of its members.",
                )
        for name, gated in self.gates.items():
            gate = gated.gate
            for member, share in gate.shares.items():
                if share is None or self.problems:
                    continue
                unlisted = priors[unlisted_of(name)] if name == self.complaint else None
                joint = KINDS[gate.kind].jointly(gate, member, vectors, unlisted)
                held = float((weight * joint).sum())
                stated_share = share / 100 * float((weight * vectors[name]).sum())
                if abs(held - stated_share) > 1e-10 * stated_share:
                    self._problem(
                        "shares",
                        (name, gate.key, member),
                        f"'{member}' comes out at {held / stated_share * share:.4g} of 100, not {share:g}.",
                        "Shared faults or vehicle facts tie the members of this gate together.",
                        "Use any_of here, or plain priors.",
                    )

    def _too_large(self, name: str, gate: Gate, target: float, blamed: set[str]) -> None:
        """Report a branch whose numbers independent causes cannot have, and the largest sum they can.

        One that is too large only because a branch in it is, is sound; it is entered as blamed all the same.
        """
        shares = stated(gate)

        def beyond(scale: float) -> float:
            return 1 - math.prod(1 - min(1.0, scale * share * target) for share in shares.values()) - target

        itself = beyond(1.0) > 0
        follows = not itself and not blamed.isdisjoint(gate.members)
        blamed.add(name)
        if follows:
            return
        total = 100 * sum(shares.values())
        numbers = ", ".join(f"{member} {100 * share:g}" for member, share in shares.items())
        sentence = f"The numbers of '{name}' add up to {total:g} ({numbers})"
        if itself:
            sentence += f"; here at most about {total * root(beyond, 0.0, 1.0):.4g} is possible"
        self._problem(
            "shares",
            (name, gate.kind),
            f"{sentence}.",
            "Independent causes come together more rarely than that, by the complaint's sum.",
            "Lower the numbers of the branch.",
        )

    def _along(self, axis: str, values: Floats) -> Floats:
        shape = [1] * len(self.axes)
        shape[self.axes.index(axis)] = len(values)
        return values.reshape(shape)

    def _user(self, fault: str) -> str:
        return next(name for name, gated in self.gates.items() if fault in gated.gate.members)


@dataclass
class _Evaluated:
    top: float
    excess: float = 0.0
    priors: dict[str, float] = field(default_factory=dict)


def _silent(*_: object) -> None:
    """Problems are reported once, from the solved tree."""


def averaged(weight: Floats) -> Callable[[Floats], float]:
    """Return the average over everything that a tree is evaluated for."""
    return lambda values: float((weight * values).sum())
