"""A complaint's knowledge as the tables of a network; `nodes` has the rules of their names."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from advisor.arrays import Floats, spread_confidence
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import unlisted_of
from advisor.knowledge.vocabulary import REMEDY_SUCCESS, Gate, Reading, State
from advisor.model import nodes
from advisor.model.after_repair import Repair, with_repair
from advisor.model.export import to_pgmpy
from advisor.model.noisy import noisy_max, noisy_or
from advisor.model.observation import seen_with
from advisor.model.priors import solve, tree_of

if TYPE_CHECKING:
    from advisor.model.export import DiscreteBayesianNetwork

ABSENT_PRESENT = ("absent", "present")


@dataclass(frozen=True, eq=False)
class Network:
    """A complaint's network: its tables, which the engine takes, and the pgmpy model of the same numbers."""

    tables: DiscreteNetwork

    @property
    def targets(self) -> tuple[str, ...]:
        """The nodes whose probabilities are wanted."""
        return self.tables.targets

    @property
    def readings(self) -> tuple[str, ...]:
        """The nodes that can be read."""
        return self.tables.readings

    @cached_property
    def model(self) -> DiscreteBayesianNetwork:
        """The network as a pgmpy model, made when it is first asked for; importing pgmpy takes a second."""
        return to_pgmpy(self.tables.tables, self.tables.outcomes)


def build(
    knowledge: Knowledge, complaint: str, repairs: Sequence[Repair] = (), *, by_phone: bool = False
) -> Network:
    """Return the network of one complaint; raises `ProblemsFound` where its shares cannot be.

    Faults outside the complaint's tree are taken as absent; readings that tell nothing then are left out.
    After repairs it holds the car as it is and as it was. Faults persist but for the one repaired, which is
    there still only if it was and its remedy did not take; what depends on it is there twice (persistence:
    Breese & Heckerman 1996, Decision-theoretic troubleshooting: a framework for repair and experiment).
    With `by_phone` what a customer would say on the phone stands beside the readings that can be asked there.
    """
    tables, outcomes, targets, readings = _Builder(knowledge, complaint, by_phone).built()
    for number, repair in enumerate(repairs, start=1):
        if repair.fault in targets:
            fault = knowledge.faults.get(repair.fault)
            success = fault.remedy_success if fault else REMEDY_SUCCESS
            tables = with_repair(tables, complaint, repair, number, success, stay=targets)
            outcomes = {table.child: outcomes[nodes.base(table.child)] for table in tables}
            targets = (*targets, nodes.before_repair(repair.fault, number))
    return Network(DiscreteNetwork(tuple(tables), outcomes, targets, readings))


def phone_answers(reading: Reading) -> Floats:
    """P(a customer says on the phone | somebody at the car would find), (outcomes, outcomes).

    Wrong answers are spread evenly over the other outcomes, as an answer seen with a confidence is.
    """
    count = len(reading.answers)
    return np.array([spread_confidence(count, index, reading.right_by_phone) for index in range(count)])


class _Builder:
    def __init__(self, knowledge: Knowledge, complaint: str, by_phone: bool) -> None:
        self.knowledge, self.complaint, self.by_phone = knowledge, complaint, by_phone
        self.priors = solve(knowledge, complaint)
        self.tree = tree_of(knowledge, complaint)
        self.tables: dict[str, CPT] = {}
        self.outcomes: dict[str, tuple[str, ...]] = {}

    def built(self) -> tuple[list[CPT], dict[str, tuple[str, ...]], tuple[str, ...], tuple[str, ...]]:
        named = {cause for reading in self.knowledge.readings.values() for cause in reading.causes}
        targets = tuple(name for name, prior in self.priors.faults.items() if prior > 0 or name in named)
        for name in targets:
            table = self.priors.tables[name]
            for parent in table.parents:
                if parent in self.knowledge.facts:
                    self._fact(parent)
            values = np.stack([1 - table.present, table.present], axis=-1)
            self._add(name, table.parents, values, ABSENT_PRESENT)
        self._live(self.complaint)
        readings = []
        for name, reading in self.knowledge.readings.items():
            if reading.complaints and self.complaint not in reading.complaints:
                continue
            causes = [cause for cause in reading.causes if cause in self.knowledge.facts or self._live(cause)]
            if any(cause not in self.knowledge.facts for cause in causes):
                self._reading(name, reading, causes)
                readings.append(name)
                readings += self._seen_with_instruments(name, reading)
                if self.by_phone and reading.who == "customer" and reading.ask:
                    readings.append(self._told_by_phone(name, reading))
        return list(self.tables.values()), self.outcomes, targets, tuple(readings)

    def _add(self, name: str, parents: tuple[str, ...], values: Floats, outcomes: Iterable[str]) -> None:
        self.tables[name] = CPT(name, parents, np.ascontiguousarray(values))
        self.outcomes[name] = tuple(outcomes)

    def _fact(self, name: str) -> None:
        if name not in self.tables:
            values = self.knowledge.facts[name].values
            shares = self.priors.facts.get(name, np.array(list(values.values())) / 100)
            self._add(name, (), shares, values)

    def _live(self, name: str) -> bool:
        """Whether the node can be present with this complaint; adds it to the network if so."""
        if name in self.tables:
            return True
        state = self.knowledge.states.get(name)
        if state is not None and state.noisy_or:
            return self._noisy_state(name, state)
        gated = self.knowledge.gated().get(name)
        if gated is None:
            return False
        gate = gated.gate
        members = [member for member in gate.members if self._live(member)]
        if len(members) < gate.least:
            return False
        rest = unlisted_of(name)
        if name in self.tree and rest in self.tables and gate.kind in ("any_of", "exactly_one_of"):
            members.append(rest)
        elif name in self.tree and rest in self.tables:
            self._gate(nodes.step(name), gate, members)
            members, gate = [nodes.step(name), rest], Gate("any_of", 1, 2, {})
        self._gate(name, gate, members)
        return True

    def _gate(self, name: str, gate: Gate, members: list[str]) -> None:
        """Add a gate, split into steps that take in one member each.

        A step counts its members, 0, 1 … up to where counting on makes no difference.
        """
        cap = 2 if gate.kind == "exactly_one_of" else gate.least
        most = 1 if gate.kind == "exactly_one_of" else cap
        before, states = members[0], 2
        for count, member in enumerate(members[1:] or [None], start=2):
            last = count >= len(members)
            after = 2 if last else min(count, cap) + 1
            values = np.zeros((states, 2, after) if member else (states, after))
            for counted in itertools.product(range(states), range(2) if member else [0]):
                total = min(sum(counted), cap)
                result = int(gate.least <= total <= most) if last else total
                values[counted if member else counted[0]][result] = 1.0
            step = name if last else nodes.step(name, count)
            outcomes = ABSENT_PRESENT if after == 2 else tuple(map(str, range(after)))
            self._add(step, (before, member) if member else (before,), values, outcomes)
            before, states = step, after

    def _noisy_state(self, name: str, state: State) -> bool:
        noisy = state.noisy_or
        causes = [cause for cause in state.causes if self._live(cause)]
        if noisy is None or not causes:
            return False
        strengths = [noisy.causes[cause] for cause in causes]
        self._add(
            name,
            tuple(causes),
            noisy_or(noisy.leak, strengths, noisy.strengths == "with_leak"),
            ABSENT_PRESENT,
        )
        return True

    def _reading(self, name: str, reading: Reading, causes: list[str]) -> None:
        answers = tuple(reading.answers)
        if reading.noisy_or:
            strengths = [reading.noisy_or.causes[cause] for cause in causes]
            values = noisy_or(reading.noisy_or.leak, strengths, reading.noisy_or.strengths == "with_leak")
            if reading.normal_outcome != answers[0]:
                values = values[..., ::-1]
        elif reading.noisy_max:
            noisy = reading.noisy_max
            effects = [reading.probabilities(noisy.causes[cause], reading.graded) for cause in causes]
            leak = reading.probabilities(noisy.leak, reading.graded)
            values = noisy_max(leak, effects, noisy.strengths == "with_leak")
            values = values[..., [reading.graded.index(answer) for answer in answers]]
        else:
            values = self._full_table(reading, causes, answers)
        self._add(name, tuple(causes), values, answers)

    def _seen_with_instruments(self, name: str, reading: Reading) -> Iterator[str]:
        """Beside a quantity, what each of its instruments would show of it: `READING@INSTRUMENT`."""
        for instrument in reading.instrument if reading.quantity else ():
            shown = seen_with(self.knowledge, name, instrument)
            if shown is not None:
                exact = self.tables[name]
                numbers = tuple(str(cell) for cell in range(shown.shape[1]))
                self._add(nodes.shown_by(name, instrument), exact.parents, exact.values @ shown, numbers)
                yield nodes.shown_by(name, instrument)

    def _told_by_phone(self, name: str, reading: Reading) -> str:
        """Beside a question for the customer, what is said of it on the phone: `READING@phone`."""
        exact = self.tables[name]
        answers = tuple(reading.answers)
        self._add(nodes.by_phone(name), exact.parents, exact.values @ phone_answers(reading), answers)
        return nodes.by_phone(name)

    def _full_table(self, reading: Reading, causes: list[str], answers: tuple[str, ...]) -> Floats:
        for cause in causes:
            if cause in self.knowledge.facts:
                self._fact(cause)
        shape = [len(self.outcomes[cause]) for cause in causes]
        values = np.empty((*shape, len(answers)))
        for states in np.ndindex(*shape):
            present = {
                cause: self.outcomes[cause][state] for cause, state in zip(causes, states, strict=True)
            }
            row = next(row for row in reading.table or () if row.holds(present))
            values[states] = reading.probabilities(row.spread, answers)
        return values
