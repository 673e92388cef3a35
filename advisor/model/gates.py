"""The kinds of gate, a class each: what numbers they take, and the probabilities that these fix.

A kind of gate is added by a class here and its name in `Gate.kind` of the vocabulary. The tree of a complaint
(`priors`) asks its gates in turn and knows nothing of their kinds.
"""

from __future__ import annotations

import itertools
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike

from advisor.arrays import Floats, root
from advisor.knowledge.unlisted import UNLISTED
from advisor.knowledge.vocabulary import Gate

ONE_AT_A_TIME = 0.05
"""P(complaint) where its causes never come together: it then has no influence on anything."""


class Wrong(NamedTuple):
    """What is wrong with a gate's numbers, why, and what to write instead."""

    what: str
    why: str
    instead: str


class Guessed(Protocol):
    """A tree evaluated for a guess of P(complaint): what it yields, and by how much that is more."""

    top: float
    excess: float


@dataclass(frozen=True)
class Numbers:
    """The numbers of a gate: of 100, with the unlisted share of a complaint, None in a branch.

    `fills_up` says that a branch has an unlisted cause for what its numbers leave.
    """

    gate: Gate
    unlisted: float | None
    fills_up: bool

    @property
    def stated(self) -> list[float]:
        """Return the numbers of members."""
        return [share for share in self.gate.shares.values() if share is not None]

    @property
    def are_whole(self) -> bool:
        """Return whether every member has one."""
        return len(self.stated) == len(self.gate.shares)

    @property
    def total(self) -> float:
        """Return their sum, a complaint's unlisted share included."""
        return sum(self.stated) + (self.unlisted or 0.0)


class KindOfGate(ABC):
    """A kind of gate. Shares are parts of 1 here; `unlisted` is that of a complaint, None in a branch."""

    takes_what_is_left = False
    """Whether a branch of this kind may have an unlisted cause."""
    stands_by_itself = False
    """Whether its numbers fix its members without a number of the gate itself."""

    @abstractmethod
    def wrong(self, numbers: Numbers) -> Wrong | None:
        """Return what is wrong with numbers that were stated, or None."""

    @abstractmethod
    def members(
        self, gate: Gate, target: float | None, unlisted: float | None, known: Mapping[str, float]
    ) -> dict[str, float]:
        """Return the probabilities of members that are fixed by the shares, or by the gate's own `target`.

        `known` are those of faults that are fixed elsewhere.
        """

    def probability(self, gate: Gate, members: Sequence[Floats]) -> Floats:
        """Return P(least to most of independent members): their count, built up one by one."""
        zero: Floats = np.zeros(())
        counts: list[Floats] = [np.ones(())]
        for member in members:
            counts = [
                (counts[k] * (1 - member) if k < len(counts) else zero)
                + (counts[k - 1] * member if k else zero)
                for k in range(len(counts) + 1)
            ]
        total: Floats = sum(counts[gate.least : gate.most + 1], zero)
        return total

    def top(self, evaluate: Callable[[float], Guessed]) -> float | None:
        """Return P(complaint), or None where no tree yields it again; by default what the members make it."""
        return evaluate(math.nan).top

    def with_unlisted(
        self,
        gate: Gate,
        members: Sequence[Floats],
        top: float,
        unlisted: float,
        mean: Callable[[Floats], float],
    ) -> tuple[float, Floats]:
        """Return a complaint's unlisted prior, by its share, and P(complaint) with it.

        `mean` averages over what the tree is evaluated for.
        """
        held = self.probability(gate, members)
        prior = unlisted_beside(unlisted, mean(held))
        return prior, either(held, prior)

    def jointly(
        self, gate: Gate, member: str, probabilities: Mapping[str, Floats], unlisted: float | Floats | None
    ) -> Floats:
        """Return P(member and gate); `unlisted` is the prior of a complaint's unlisted cause."""
        rest = gate._replace(least=gate.least - 1, most=gate.most - 1)
        others = [probabilities[other] for other in gate.members if other != member]
        held = probabilities[member] * self.probability(rest, others)
        if unlisted is None:
            return held
        return held * (1 - unlisted) + probabilities[member] * self._beside_unlisted(unlisted)

    def _beside_unlisted(self, unlisted: float | Floats) -> float | Floats:
        """Return P(the unlisted cause is there, and the gate holds by it whatever the members)."""
        return unlisted


class AnyOf(KindOfGate):
    """At least one. Given a member the gate holds, so P(member) = share x P(gate)."""

    takes_what_is_left = True

    def wrong(self, numbers: Numbers) -> Wrong | None:
        """Ask for more than 100 in a complaint, and in a branch for 100 at least, or a rest."""
        total = numbers.total
        if numbers.are_whole and numbers.unlisted is not None and total <= 100:
            missing = 100 - total
            return Wrong(
                f"The numbers and unlisted add up to {total:g}"
                + (f": {missing:g} of 100 cars are missing." if missing > 1e-9 else "."),
                "Cars with several causes are counted more than once, so the sum is over 100.",
                "How many of 100 cars have more than one cause? Add that many to their causes.",
            )
        if numbers.are_whole and total < 100 - 1e-9 and numbers.unlisted is None and not numbers.fills_up:
            return Wrong(
                f"The numbers add up to {total:g}: {100 - total:g} of 100 cars are missing.",
                "A car with this branch has one of its causes.",
                "Raise the numbers, or write 'unlisted: rest' for causes not written here.",
            )
        return None

    def members(
        self, gate: Gate, target: float | None, unlisted: float | None, known: Mapping[str, float]
    ) -> dict[str, float]:
        """Return share x P(gate)."""
        return {} if target is None else {member: share * target for member, share in stated(gate).items()}

    def probability(self, gate: Gate, members: Sequence[Floats]) -> Floats:
        """Return P(one or more), one after the other, which keeps the digits of what is rare."""
        some: Floats = np.zeros(())
        for member in members:
            some = either(some, member)
        return some

    def top(self, evaluate: Callable[[float], Guessed]) -> float | None:
        """Return P(complaint) that the tree yields again."""

        def excess(top: float) -> float:
            return evaluate(top).excess

        # Shares alone make no excess at 0, only just above it; plain priors do, be they ever so small.
        guesses = (0.0, 1e-9, *np.linspace(0.02, 1.0, 50).tolist())
        for low, high in itertools.pairwise(guesses):
            if excess(low) > 0 >= excess(high):
                return root(excess, low, high, xtol=1e-300, rtol=1e-15)
        return None

    def with_unlisted(
        self,
        gate: Gate,
        members: Sequence[Floats],
        top: float,
        unlisted: float,
        mean: Callable[[Floats], float],
    ) -> tuple[float, Floats]:
        """Return the unlisted cause as one more member."""
        prior = unlisted * top
        return prior, either(self.probability(gate, members), prior)

    def jointly(
        self, gate: Gate, member: str, probabilities: Mapping[str, Floats], unlisted: float | Floats | None
    ) -> Floats:
        """Return P(member): with it the gate holds."""
        return probabilities[member]


class AllOf(KindOfGate):
    """Every one. Members carry no numbers: plain priors, or as common as the gate's own number needs."""

    def wrong(self, numbers: Numbers) -> Wrong | None:
        """Refuse every number."""
        return Wrong(
            "Members of all_of carry numbers.",
            "Where all are needed, each is there in 100 of 100 cars.",
            "Leave them out, or give the faults plain priors.",
        )

    def members(
        self, gate: Gate, target: float | None, unlisted: float | None, known: Mapping[str, float]
    ) -> dict[str, float]:
        """Return the same prior for all that are open."""
        return {} if target is None or unlisted is not None else _equally_common(self, gate, target, known)


class AtLeast(KindOfGate):
    """At least so many. Its numbers fix the priors of members whatever stands above."""

    stands_by_itself = True

    def wrong(self, numbers: Numbers) -> Wrong | None:
        """Ask for more than 100 for each that is needed, and less than 100 each."""
        gate, given, total = numbers.gate, numbers.stated, numbers.total
        if numbers.are_whole and total > 100 * gate.least and min(given) > 0 and max(given) < 100:
            return None
        return Wrong(
            f"The numbers add up to {total:g}.",
            f"Each of 100 cars has {gate.least} or more of them.",
            f"Give each member a number below 100; together more than {100 * gate.least}.",
        )

    def members(
        self, gate: Gate, target: float | None, unlisted: float | None, known: Mapping[str, float]
    ) -> dict[str, float]:
        """Return a conditional Bernoulli distribution's priors; equal ones without numbers."""
        shares = stated(gate)
        if shares and unlisted is not None:
            return self._beside(gate, shares, unlisted)
        if shares:
            return conditional_bernoulli(gate.least, shares)
        return {} if target is None or unlisted is not None else _equally_common(self, gate, target, known)

    def _beside(self, gate: Gate, shares: Mapping[str, float], unlisted: float) -> dict[str, float]:
        """Return priors of a complaint's members, whose unlisted cause is as common as its own share asks."""

        def priors(rest: float) -> dict[str, float]:
            return conditional_bernoulli(gate.least, shares, rest)

        def excess(rest: float) -> float:
            held = self.probability(gate, [np.array(prior) for prior in priors(rest).values()])
            return unlisted_beside(unlisted, float(held)) - rest

        return priors(root(excess, 0.0, 1.0, xtol=1e-300, rtol=1e-15))


class ExactlyOneOf(KindOfGate):
    """One and no other. Shares are in the ratio of the members' odds."""

    def wrong(self, numbers: Numbers) -> Wrong | None:
        """Ask for 100 together."""
        if numbers.are_whole and abs(numbers.total - 100) <= 1e-6:
            return None
        return Wrong(
            f"The numbers add up to {numbers.total:g}.",
            "One at a time means that every one of 100 cars has exactly one.",
            "Give each member a number; together 100.",
        )

    def members(
        self, gate: Gate, target: float | None, unlisted: float | None, known: Mapping[str, float]
    ) -> dict[str, float]:
        """Return the probabilities of odds in the ratio of the shares."""
        shares = stated(gate)
        if target is None or not shares:
            return {}
        more = [] if unlisted is None else [unlisted]
        total = total_odds(target, [*shares.values(), *more])
        return {member: share * total / (1 + share * total) for member, share in shares.items()}

    def top(self, evaluate: Callable[[float], Guessed]) -> float | None:
        """Return any figure: it has no influence."""
        return ONE_AT_A_TIME

    def with_unlisted(
        self,
        gate: Gate,
        members: Sequence[Floats],
        top: float,
        unlisted: float,
        mean: Callable[[Floats], float],
    ) -> tuple[float, Floats]:
        """Return the unlisted cause as one more of which no other is there."""
        parts = [share / 100 for share in gate.shares.values() if share]
        odds = unlisted * total_odds(top, [*parts, unlisted])
        prior = odds / (1 + odds)
        one_more = gate._replace(shares={**gate.shares, UNLISTED: None})
        return prior, self.probability(one_more, [*members, np.full((1,), prior)])

    def _beside_unlisted(self, unlisted: float | Floats) -> float | Floats:
        """Return 0: it is never there with a member."""
        return 0.0


KINDS: Mapping[str, KindOfGate] = MappingProxyType(
    {"any_of": AnyOf(), "all_of": AllOf(), "at_least": AtLeast(), "exactly_one_of": ExactlyOneOf()}
)
"""Every kind, by the key of the vocabulary."""


def gate_probability(gate: Gate, members: Sequence[Floats]) -> Floats:
    """Return P(gate) of independent members."""
    return KINDS[gate.kind].probability(gate, members)


def stated(gate: Gate) -> dict[str, float]:
    """Return the members with a number, as shares of 1."""
    return {member: share / 100 for member, share in gate.shares.items() if share is not None}


def either(one: ArrayLike, other: ArrayLike) -> Floats:
    """Return P(one or the other) of two independent ones, as a sum: it keeps the digits of what is rare."""
    some, more = np.asarray(one), np.asarray(other)
    return np.asarray(some + more * (1 - some))


def unlisted_beside(unlisted: float, held: float) -> float:
    """Return the unlisted cause's prior u T beside a gate of P = held: T = 1 - (1 - held)(1 - u T)."""
    return unlisted * held / (1 - unlisted * (1 - held))


def _equally_common(
    kind: KindOfGate, gate: Gate, target: float, known: Mapping[str, float]
) -> dict[str, float]:
    """Return the prior that the open members need, all the same, for the gate to reach the target."""
    there = [np.array(known[member]) for member in gate.members if member in known]
    left = [member for member in gate.members if member not in known]

    def beyond(prior: float) -> float:
        return float(kind.probability(gate, [*there, *[np.array(prior)] * len(left)])) - target

    if not left:
        return {}
    equal = 1.0 if beyond(1.0) < 0 else root(beyond, 0.0, 1.0, xtol=1e-17, rtol=1e-15)
    return dict.fromkeys(left, equal)


def total_odds(target: float, shares: Sequence[float]) -> float:
    """Return the sum O of odds for which P(exactly one) = O / prod(1 + share O) reaches the target."""

    def probability(total: float) -> float:
        return float(total / np.prod([1 + share * total for share in shares]))

    highest = 1.0
    while probability(highest * 1.1) > probability(highest):
        highest *= 1.1
    return root(
        lambda o: probability(o) - min(target, probability(highest)), 0, highest, xtol=1e-300, rtol=1e-15
    )


def conditional_bernoulli(
    least: int, shares: Mapping[str, float], otherwise: float = 0.0
) -> dict[str, float]:
    """Return independent priors whose members, given that at least `least` are there, have these shares.

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
