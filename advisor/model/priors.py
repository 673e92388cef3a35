"""From "of 100 such cars, so many" to independent priors that give back exactly those numbers.

Given a cause below any-of gates, the complaint holds, so P(cause) = share x P(gate above). One unknown is
left, P(complaint) = T, and the tree itself has to yield it: for a flat tree T = 1 - prod(1 - q_i T), with
q_i the shares. A branch's own unlisted cause takes what its listed ones leave. Faults that stand under
several gates or depend on vehicle facts make their gates dependent; the tree is then evaluated for
every combination of those, one array axis each.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from advisor.arrays import Floats
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import Problem, ProblemsFound
from advisor.knowledge.unlisted import UNLISTED, unlisted_of
from advisor.knowledge.vocabulary import Branch, Complaint, Gate, Gated
from advisor.model.roots import root

ONE_AT_A_TIME = 0.05
"""P(complaint) where its causes never come together: it then has no influence on anything."""
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

    def _check_sums(self) -> None:  # noqa: C901 - one branch a kind of gate
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
            stated = [share for share in gate.shares.values() if share is not None]
            if not stated:
                continue
            path = (name, gate.key)
            total = sum(stated)
            whole = len(stated) == len(gate.shares)
            if isinstance(gated, Complaint):
                total += gated.unlisted
            if gate.kind == "exactly_one_of" and (not whole or abs(total - 100) > 1e-6):
                self._problem(
                    "shares",
                    path,
                    f"The numbers add up to {total:g}.",
                    "One at a time means that every one of 100 cars has exactly one.",
                    "Give each member a number; together 100.",
                )
            elif gate.kind == "at_least" and (not whole or total <= 100 * gate.least or max(stated) >= 100):
                self._problem(
                    "shares",
                    path,
                    f"The numbers add up to {total:g}.",
                    f"Each of 100 cars has {gate.least} or more of them.",
                    f"Give each member a number below 100; together more than {100 * gate.least}.",
                )
            elif gate.kind == "all_of":
                self._problem(
                    "shares",
                    path,
                    "Members of all_of carry numbers.",
                    "Where all are needed, each is there in 100 of 100 cars.",
                    "Leave them out, or give the faults plain priors.",
                )
            elif gate.kind == "any_of" and whole and isinstance(gated, Complaint) and total <= 100:
                missing = 100 - total
                self._problem(
                    "shares",
                    path,
                    f"The numbers and unlisted add up to {total:g}"
                    + (f": {missing:g} of 100 cars are missing." if missing > 1e-9 else "."),
                    "Cars with several causes are counted more than once, so the sum is over 100.",
                    "How many of 100 cars have more than one cause? Add that many to their causes.",
                )
            elif (
                gate.kind == "any_of"
                and whole
                and total < 100 - 1e-9
                and isinstance(gated, Branch)
                and gated.unlisted is None
            ):
                self._problem(
                    "shares",
                    path,
                    f"The numbers add up to {total:g}: {100 - total:g} of 100 cars are missing.",
                    "A car with this branch has one of its causes.",
                    "Raise the numbers, or write 'unlisted: rest' for causes not written here.",
                )

    def solved(self) -> Priors:
        self._refuse()
        gate = self.gates[self.complaint].gate
        if gate.kind == "exactly_one_of":
            top = ONE_AT_A_TIME
        elif gate.kind == "any_of":
            top = self._top()
        else:
            top = self._evaluate(math.nan).top
        result = self._evaluate(top, report=True)
        self._refuse()
        return Priors(result.top, result.priors)

    def _refuse(self) -> None:
        """Raise what was found, if anything was."""
        if self.problems:
            raise ProblemsFound(self.problems)

    def _top(self) -> float:
        """P(complaint) that the tree yields again."""

        def excess(top: float) -> float:
            return self._evaluate(top).excess

        # Shares alone make no excess at 0, only just above it; plain priors do, be they ever so small.
        guesses = (0.0, 1e-9, *np.linspace(0.02, 1.0, 50).tolist())
        for low, high in itertools.pairwise(guesses):
            if excess(low) > 0 >= excess(high):
                return root(excess, low, high, xtol=1e-300, rtol=1e-15)
        self._problem(
            "shares",
            (self.complaint, "any_of"),
            "These numbers cannot be so together, whatever the priors.",
            "Faults that stand under several branches tie their numbers together.",
            "Give shared faults their number where they are most common, and lower the others.",
        )
        raise ProblemsFound(self.problems)

    def _evaluate(self, top: float, report: bool = False) -> _Evaluated:  # noqa: C901 - one branch a kind of gate
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
            prior = result.priors.get(fault)
            if prior is None:
                if not any(fault in _stated(gated.gate) for gated in self.gates.values()):
                    say(
                        "no-number",
                        (self._user(fault),),
                        f"'{fault}' has neither a number nor a prior.",
                        "Its probability cannot be found.",
                        "Give it a number in one branch, or a prior.",
                    )
                prior = result.priors[fault] = 0.5
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
            if fault in self.shared:
                present = self._along(fault, np.array([0.0, 1.0]))
                weight = weight * (probability * present + (1 - probability) * (1 - present))
                probability = present
            vectors[fault] = probability
        for name, gated in self.gates.items():
            gate = gated.gate
            members = [vectors[member] for member in gate.members]
            if name == self.complaint and gate.kind == "exactly_one_of":
                odds = self.unlisted * _total_odds(top, self._parts(gate))
                unlisted = result.priors[unlisted_of(name)] = odds / (1 + odds)
                one_more = gate._replace(shares={**gate.shares, UNLISTED: None})
                vectors[name] = gate_probability(one_more, [*members, np.full((1,), unlisted)])
            elif name == self.complaint and gate.kind != "any_of":
                held = gate_probability(gate, members)
                unlisted = result.priors[unlisted_of(name)] = self._unlisted_beside(
                    float((weight * held).sum())
                )
                vectors[name] = _either(held, unlisted)
            elif name == self.complaint:
                unlisted = result.priors[unlisted_of(name)] = self.unlisted * top
                vectors[name] = _either(gate_probability(gate, members), unlisted)
            elif gate.kind == "any_of" and name in targets:
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
                vectors[name] = _either(gate_probability(gate, members), own)
            else:
                vectors[name] = gate_probability(gate, members)
        result.top = float((weight * vectors[self.complaint]).sum())
        result.excess = result.top - top
        if report:
            self._verify(targets, vectors, weight, result.priors)
        return result

    def _voting(self, gate: Gate, stated: Mapping[str, float]) -> dict[str, float]:
        """Priors of a voting complaint, whose unlisted cause is as common as its own share asks."""

        def priors(rest: float) -> dict[str, float]:
            return _conditional_bernoulli(gate.least, stated, rest)

        def excess(rest: float) -> float:
            held = gate_probability(gate, [np.array(prior) for prior in priors(rest).values()])
            return self._unlisted_beside(float(held)) - rest

        return priors(root(excess, 0.0, 1.0, xtol=1e-300, rtol=1e-15))

    def _parts(self, gate: Gate) -> list[float]:
        """Return the shares of a one-at-a-time complaint, its unlisted one last."""
        return [share / 100 for share in gate.shares.values() if share] + [self.unlisted]

    def _unlisted_beside(self, held: float) -> float:
        """Return the unlisted cause's prior u T beside a gate of P = held: T = 1 - (1 - held)(1 - u T)."""
        return self.unlisted * held / (1 - self.unlisted * (1 - held))

    def _targets(self, top: float, priors: dict[str, float], say: Callable[..., None]) -> dict[str, float]:
        """P of every gate that the shares fix; enters the priors of faults on the way."""
        targets: dict[str, float] = {} if math.isnan(top) else {self.complaint: top}
        for name, fault in self.knowledge.faults.items():
            if name in self.factors and fault.prior is not None:
                priors[name] = fault.prior
        for name in reversed(self.gates):
            gate = self.gates[name].gate
            stated = _stated(gate)
            found: dict[str, float] = {}
            if stated and gate.kind == "at_least":
                found = (
                    self._voting(gate, stated)
                    if name == self.complaint
                    else _conditional_bernoulli(gate.least, stated)
                )
            elif stated and name not in targets:
                say(
                    "no-number",
                    (name,),
                    f"'{name}' has numbers inside but none where it is used.",
                    "How common it is cannot be found.",
                    "Give it a number in the gate above.",
                )
            elif stated and gate.kind == "any_of":
                found = {member: share * targets[name] for member, share in stated.items()}
            elif stated and gate.kind == "exactly_one_of":
                shares = list(stated.values())
                if name == self.complaint:
                    shares.append(self.unlisted)
                total = _total_odds(targets[name], shares)
                found = {m: share * total / (1 + share * total) for m, share in stated.items()}
            elif name in targets and gate.kind in ("all_of", "at_least") and name != self.complaint:
                open_members = [m for m in gate.members if m not in priors]
                known = [np.array(priors[m]) for m in gate.members if m in priors]
                if open_members:
                    equal = _equal_prior(gate, known, len(open_members), targets[name])
                    found = dict.fromkeys(open_members, equal)
            for member, probability in found.items():
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
                held = self._jointly(gate, name, member, vectors, weight, priors)
                stated = share / 100 * float((weight * vectors[name]).sum())
                if abs(held - stated) > 1e-10 * stated:
                    self._problem(
                        "shares",
                        (name, gate.key, member),
                        f"'{member}' comes out at {held / stated * share:.4g} of 100, not {share:g}.",
                        "Shared faults or vehicle facts tie the members of this gate together.",
                        "Use any_of here, or plain priors.",
                    )

    def _jointly(
        self,
        gate: Gate,
        name: str,
        member: str,
        vectors: Mapping[str, Floats],
        weight: Floats,
        priors: Mapping[str, float],
    ) -> float:
        """P(member and gate)."""
        if gate.kind == "any_of":
            return float((weight * vectors[member]).sum())
        others = [vectors[other] for other in gate.members if other != member]
        rest = gate._replace(least=gate.least - 1, most=gate.most - 1)
        held = vectors[member] * gate_probability(rest, others)
        if name == self.complaint:
            unlisted = priors[unlisted_of(name)]
            alone = 0.0 if gate.kind == "exactly_one_of" else unlisted
            held = held * (1 - unlisted) + vectors[member] * alone
        return float((weight * held).sum())

    def _too_large(self, name: str, gate: Gate, target: float, blamed: set[str]) -> None:
        """Report a branch whose numbers independent causes cannot have, and the largest sum they can.

        One that is too large only because a branch in it is, is sound; it is entered as blamed all the same.
        """
        stated = _stated(gate)

        def beyond(scale: float) -> float:
            return 1 - math.prod(1 - min(1.0, scale * share * target) for share in stated.values()) - target

        itself = beyond(1.0) > 0
        follows = not itself and not blamed.isdisjoint(gate.members)
        blamed.add(name)
        if follows:
            return
        total = 100 * sum(stated.values())
        numbers = ", ".join(f"{member} {100 * share:g}" for member, share in stated.items())
        said = f"The numbers of '{name}' add up to {total:g} ({numbers})"
        if itself:
            said += f"; here at most about {total * root(beyond, 0.0, 1.0):.4g} is possible"
        self._problem(
            "shares",
            (name, gate.kind),
            f"{said}.",
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


def _stated(gate: Gate) -> dict[str, float]:
    """Return the members with a number, as shares of 1."""
    return {member: share / 100 for member, share in gate.shares.items() if share is not None}


def _either(one: ArrayLike, other: ArrayLike) -> Floats:
    """P(one or the other) of two independent ones; as a sum, which keeps the digits of what is rare."""
    some, more = np.asarray(one), np.asarray(other)
    return np.asarray(some + more * (1 - some))


def gate_probability(gate: Gate, members: list[Floats]) -> Floats:
    """P(least to most of independent members): their count, built up one by one."""
    if gate.kind == "any_of":
        some: Floats = np.zeros(())
        for member in members:
            some = _either(some, member)
        return some
    zero: Floats = np.zeros(())
    counts: list[Floats] = [np.ones(())]
    for member in members:
        counts = [
            (counts[k] * (1 - member) if k < len(counts) else zero) + (counts[k - 1] * member if k else zero)
            for k in range(len(counts) + 1)
        ]
    total: Floats = sum(counts[gate.least : gate.most + 1], zero)
    return total


def _equal_prior(gate: Gate, known: list[Floats], count: int, target: float) -> float:
    """Return the prior that `count` equally common members need for the gate to reach the target."""

    def beyond(prior: float) -> float:
        return float(gate_probability(gate, [*known, *[np.array(prior)] * count])) - target

    if beyond(1.0) < 0:
        return 1.0
    return root(beyond, 0.0, 1.0, xtol=1e-17, rtol=1e-15)


def _total_odds(target: float, shares: list[float]) -> float:
    """Return the sum O of odds for which P(exactly one) = O / prod(1 + share O) reaches the target."""

    def probability(total: float) -> float:
        return float(total / np.prod([1 + share * total for share in shares]))

    highest = 1.0
    while probability(highest * 1.1) > probability(highest):
        highest *= 1.1
    return root(
        lambda o: probability(o) - min(target, probability(highest)), 0, highest, xtol=1e-300, rtol=1e-15
    )


def _conditional_bernoulli(
    least: int, shares: Mapping[str, float], otherwise: float = 0.0
) -> dict[str, float]:
    """Independent priors whose members, given that at least `least` are there, have these shares.

    With fewer of them there what is given may come about all the same, with the probability `otherwise`.
    Newton's method on the log-odds, whose likelihood is concave.
    """
    names = list(shares)
    states = np.indices([2] * len(names)).reshape(len(names), -1).T.astype(float)
    probabilities = np.where(states.sum(axis=1) >= least, 1.0, otherwise)
    states, probabilities = states[probabilities > 0], probabilities[probabilities > 0]
    wanted = np.array([shares[name] for name in names])
    log_odds = np.zeros(len(names))
    for _ in range(200):
        weights = probabilities * np.exp(states @ log_odds - (states @ log_odds).max())
        weights /= weights.sum()
        mean = weights @ states
        spread = states - mean
        step = np.linalg.lstsq(spread.T @ (weights[:, None] * spread), wanted - mean, rcond=None)[0]
        log_odds = log_odds + step * min(1.0, 2.0 / max(1e-9, float(np.abs(step).max())))
        if np.abs(wanted - mean).max() < 1e-15:
            break
    return dict(zip(names, (1 / (1 + np.exp(-log_odds))).tolist(), strict=True))
