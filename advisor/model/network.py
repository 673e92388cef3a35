"""A complaint's knowledge as the tables of a network, as a pgmpy model, and in open formats.

Nodes are the ids of the knowledge, plus `unlisted:ID` for causes not written here, `READING@INSTRUMENT`
for a quantity as an instrument shows it, `READING@phone` for what a customer says of it on the phone, and
`ID~2`, `ID~3` … for the steps into which wide gates are split (parent divorcing), so that no table grows with
2 to the power of the members. After repairs the plain ids are the car as it is now, and `ID#1` is what the
first repair has changed, as it was before.
"""

from __future__ import annotations

import itertools
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from graphlib import TopologicalSorter
from typing import TYPE_CHECKING

import numpy as np

from advisor.arrays import Floats
from advisor.inference.tables import CPT, DiscreteNetwork
from advisor.knowledge.knowledge import REMEDY_SUCCESS, UNLISTED, Gate, Knowledge, Reading, State
from advisor.knowledge.probability import noisy_max, noisy_or
from advisor.model.observation import seen_with
from advisor.model.priors import given_factors, solve, tree_of

if TYPE_CHECKING:
    from pgmpy.models import DiscreteBayesianNetwork

ABSENT_PRESENT = ("absent", "present")
WITH = "@"
"""Between a reading and an instrument: the reading as that instrument shows it."""
PHONE = "phone"
"""Stands for an instrument where the customer answers on the phone."""
BEFORE = "#"
"""Between a node and the number of a repair: the node as it was before that repair."""


@dataclass(frozen=True)
class Repair:
    """The remedy of `fault` was done; `read` are the readings that were taken before it."""

    fault: str
    read: frozenset[str]


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
        return _model(self.tables.tables, self.tables.outcomes)


def build(
    knowledge: Knowledge, complaint: str, repairs: Sequence[Repair] = (), *, by_phone: bool = False
) -> Network:
    """The network of one complaint; raises `ProblemsFound` where its shares cannot be.

    Faults outside the complaint's tree are taken as absent; readings that tell nothing then are left out.
    After repairs it holds the car as it is and as it was. Faults persist but for the one repaired, which is
    there still only if it was and its remedy did not take; what hangs on it is there twice (persistence:
    Breese & Heckerman 1996, Decision-theoretic troubleshooting: a framework for repair and experiment).
    With `by_phone` what a customer would say on the phone stands beside the readings that can be asked there.
    """
    tables, outcomes, targets, readings = _Builder(knowledge, complaint, by_phone).built()
    for number, repair in enumerate(repairs, start=1):
        if repair.fault in targets:
            fault = knowledge.faults.get(repair.fault)
            success = fault.remedy_success if fault else REMEDY_SUCCESS
            tables = _with_repair(tables, complaint, repair, number, success)
            outcomes = {one.child: outcomes[one.child.partition(BEFORE)[0]] for one in tables}
            targets = (*targets, before_repair(repair.fault, number))
    return Network(DiscreteNetwork(tuple(tables), outcomes, targets, readings))


def before_repair(name: str, number: int) -> str:
    """The node of `name` as it was before repair `number`, counted from 1."""
    return f"{name}{BEFORE}{number}"


def node_then(name: str, era: int, repairs: int, nodes: Container[str]) -> str:
    """The node of `name` when `era` of `repairs` repairs had been done: a later one may have changed it."""
    earlier = (before_repair(name, number) for number in range(era + 1, repairs + 1))
    return next((node for node in earlier if node in nodes), name)


def phone_answers(reading: Reading) -> Floats:
    """P(a customer says on the phone | somebody at the car would find), (outcomes, outcomes).

    Wrong answers are spread evenly over the other outcomes, as `case.Seen` with a confidence has it.
    """
    count = len(reading.answers)
    wrong = (1 - reading.right_by_phone) / (count - 1)
    return np.full((count, count), wrong) + np.eye(count) * (reading.right_by_phone - wrong)


def _with_repair(
    tables: Sequence[CPT],
    complaint: str,
    repair: Repair,
    number: int,
    success: float,
) -> list[CPT]:
    """The tables with what hangs on the repaired fault there twice: as it is now, and as it was.

    Of the car as it was only what has been seen stays, and what that hangs on.
    """
    now = [table for table in tables if BEFORE not in table.child]
    changed = {repair.fault}
    for table in _parents_first(now):
        if changed.intersection(table.parents):
            changed.add(table.child)
    was = {name: before_repair(name, number) for name in changed}

    def then(table: CPT) -> CPT:
        parents = tuple(was.get(name, name) for name in table.parents)
        return CPT(was.get(table.child, table.child), parents, table.values)

    past = {one.child: one for one in map(then, tables) if BEFORE in one.child}
    seen = {was[name] for name in changed if name in (repair.fault, complaint) or name in repair.read}
    needed: set[str] = set()
    ahead = [*seen, *(table.child for table in tables if BEFORE in table.child)]
    while ahead:
        name = ahead.pop()
        if name in past and name not in needed:
            needed.add(name)
            ahead += past[name].parents
    took = CPT(repair.fault, (was[repair.fault],), np.array([[1.0, 0.0], [success, 1 - success]]))
    present = [took if table.child == repair.fault else table for table in now]
    return present + [table for name, table in past.items() if name in needed]


def _parents_first(tables: Sequence[CPT]) -> list[CPT]:
    by_child = {table.child: table for table in tables}
    order = TopologicalSorter({table.child: table.parents for table in tables}).static_order()
    return [by_child[name] for name in order if name in by_child]


def write(network: Network, form: str) -> str:
    """The network in an open format, "bif" or "xmlbif"; names keep letters, digits and underscores.

    What instruments would show of a quantity serves the ranking only, and is left out.
    """
    from pgmpy.readwrite import BIFWriter, XMLBIFWriter

    def plain(name: str) -> str:
        return name.replace(UNLISTED, "unlisted__").replace("~", "__step")

    tables = network.tables
    renamed = [
        CPT(plain(table.child), tuple(map(plain, table.parents)), table.values)
        for table in tables.tables
        if WITH not in table.child
    ]
    model = _model(renamed, {plain(name): states for name, states in tables.outcomes.items()})
    if form == "bif":
        return str(BIFWriter(model))
    text = XMLBIFWriter(model).__str__()
    return text.decode() if isinstance(text, bytes) else str(text)


def _model(tables: Iterable[CPT], outcomes: Mapping[str, tuple[str, ...]]) -> DiscreteBayesianNetwork:
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.models import DiscreteBayesianNetwork

    tables = list(tables)
    model = DiscreteBayesianNetwork()
    model.add_nodes_from([table.child for table in tables])
    for table in tables:
        for parent in table.parents:
            # The knowledge has no circles (lint); DiGraph's own method spares a search for each edge.
            super(DiscreteBayesianNetwork, model).add_edge(parent, table.child)
    model.add_cpds(
        *(
            TabularCPD(
                table.child,
                len(outcomes[table.child]),
                np.moveaxis(table.values, -1, 0).reshape(len(outcomes[table.child]), -1),
                evidence=list(table.parents) or None,
                evidence_card=[len(outcomes[parent]) for parent in table.parents] or None,
                state_names={name: list(outcomes[name]) for name in (table.child, *table.parents)},
            )
            for table in tables
        )
    )
    return model


class _Builder:
    def __init__(self, knowledge: Knowledge, complaint: str, by_phone: bool) -> None:
        self.knowledge, self.complaint, self.by_phone = knowledge, complaint, by_phone
        self.priors = solve(knowledge, complaint).faults
        self.tree = tree_of(knowledge, complaint)
        self.tables: dict[str, CPT] = {}
        self.outcomes: dict[str, tuple[str, ...]] = {}

    def built(self) -> tuple[list[CPT], dict[str, tuple[str, ...]], tuple[str, ...], tuple[str, ...]]:
        named = {cause for reading in self.knowledge.readings.values() for cause in reading.causes}
        targets = tuple(name for name, prior in self.priors.items() if prior > 0 or name in named)
        for name in targets:
            factors = given_factors(self.knowledge, name)
            for fact in factors:
                self._fact(fact)
            chance: Floats = np.array(self.priors[name])
            for factor in factors.values():
                chance = chance[..., None] * factor
            self._add(name, tuple(factors), np.stack([1 - chance, chance], axis=-1), ABSENT_PRESENT)
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
                    readings.append(self._said_by_phone(name, reading))
        return list(self.tables.values()), self.outcomes, targets, tuple(readings)

    def _add(self, name: str, parents: tuple[str, ...], values: Floats, outcomes: Iterable[str]) -> None:
        self.tables[name] = CPT(name, parents, np.ascontiguousarray(values))
        self.outcomes[name] = tuple(outcomes)

    def _fact(self, name: str) -> None:
        if name not in self.tables:
            values = self.knowledge.facts[name].values
            self._add(name, (), np.array(list(values.values())) / 100, values)

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
        rest = UNLISTED + name
        if name in self.tree and rest in self.tables and gate.kind in ("any_of", "exactly_one_of"):
            members.append(rest)
        elif name in self.tree and rest in self.tables:
            self._gate(name + "~", gate, members)
            members, gate = [name + "~", rest], Gate("any_of", 1, 2, {})
        self._gate(name, gate, members)
        return True

    def _gate(self, name: str, gate: Gate, members: list[str]) -> None:
        """Add a gate, split into steps that take in one member each.

        A step counts its members, 0, 1 … up to where counting on makes no difference.
        """
        cap = 2 if gate.kind == "exactly_one_of" else gate.least
        most = 1 if gate.kind == "exactly_one_of" else cap
        before, states = members[0], 2
        for at, member in enumerate(members[1:] or [None], start=2):
            last = at >= len(members)
            after = 2 if last else min(at, cap) + 1
            values = np.zeros((states, 2, after) if member else (states, after))
            for counted in itertools.product(range(states), range(2) if member else [0]):
                total = min(sum(counted), cap)
                result = int(gate.least <= total <= most) if last else total
                values[counted if member else counted[0]][result] = 1.0
            step = name if last else f"{name}~{at}"
            outcomes = ABSENT_PRESENT if after == 2 else tuple(str(count) for count in range(after))
            self._add(step, (before, member) if member else (before,), values, outcomes)
            before, states = step, after

    def _noisy_state(self, name: str, state: State) -> bool:
        said = state.noisy_or
        causes = [cause for cause in state.causes if self._live(cause)]
        if said is None or not causes:
            return False
        strengths = [said.causes[cause] for cause in causes]
        self._add(
            name, tuple(causes), noisy_or(said.leak, strengths, said.strengths == "with_leak"), ABSENT_PRESENT
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
            said = reading.noisy_max
            effects = [reading.chances(said.causes[cause], reading.graded) for cause in causes]
            leak = reading.chances(said.leak, reading.graded)
            values = noisy_max(leak, effects, said.strengths == "with_leak")
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
                self._add(name + WITH + instrument, exact.parents, exact.values @ shown, numbers)
                yield name + WITH + instrument

    def _said_by_phone(self, name: str, reading: Reading) -> str:
        """Beside a question for the customer, what is said of it on the phone: `READING@phone`."""
        exact = self.tables[name]
        answers = tuple(reading.answers)
        self._add(name + WITH + PHONE, exact.parents, exact.values @ phone_answers(reading), answers)
        return name + WITH + PHONE

    def _full_table(self, reading: Reading, causes: list[str], answers: tuple[str, ...]) -> Floats:
        for cause in causes:
            if cause in self.knowledge.facts:
                self._fact(cause)
        shape = [len(self.outcomes[cause]) for cause in causes]
        values = np.empty((*shape, len(answers)))
        for states in np.ndindex(*shape):
            here = {cause: self.outcomes[cause][at] for cause, at in zip(causes, states, strict=True)}
            row = next(
                row
                for row in reading.table or ()
                if all(here.get(cause, "absent") == value for cause, value in (row.when or {}).items())
            )
            values[states] = reading.chances(row.spread, answers)
        return values
