"""A technician's work on one case at a time: what the screens ask for, and what they may do.

It ties knowledge, engine and store together, so that screens hold no rules. Every change is in the
store before it counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from advisor import network
from advisor.account import Account, account
from advisor.advice import (
    Advice,
    Answer,
    Contradiction,
    Proposal,
    Workshop,
    advise,
    suspicion,
    what_answers_do,
)
from advisor.case import Accounted, Closed, Entry, Known, Seen, Skipped
from advisor.conflict import Disagreement, disagreement
from advisor.derived import saturation_bar
from advisor.engine import Engine, compile_tables
from advisor.entry import Field, NotUnderstood, Understood, fields, understand
from advisor.evidence import Measurement
from advisor.knowledge import Fact, Knowledge, LimitByFact
from advisor.network import build
from advisor.store import Filed, Store
from advisor.units import NotAQuantity, convert, parse, show

LARGEST_PART_MA = 100_000.0
"""Above this a part of a sleeping car's draw is a slip of the finger."""

Ranking = Literal["bits", "bits per minute"]


def preload() -> None:
    """Load what takes seconds to import and every case will need; best done while a person reads."""
    network.preload()
    convert(1.0, "°C", "°F")
    saturation_bar(20.0, "r134a")


def engine_for(knowledge: Knowledge, complaint: str) -> Engine:
    """The compiled network of a complaint; takes seconds the first time, while libraries load."""
    return compile_tables(build(knowledge, complaint).tables)


@dataclass(frozen=True)
class Session:
    """The case on the bench. Every method that changes it saves first and returns a new session."""

    knowledge: Knowledge
    engine: Engine
    store: Store
    filed: Filed
    workshop: Workshop
    ranking: Ranking = "bits"

    @cached_property
    def advice(self) -> Advice:
        """What to do next."""
        return advise(self.knowledge, self.engine, self.filed.case, self.workshop)

    @cached_property
    def stages(self) -> tuple[Mapping[str, float], ...]:
        """Every fault's probability at the start and after each entry."""
        return suspicion(self.knowledge, self.engine, self.filed.case)

    @cached_property
    def facts(self) -> Mapping[str, Fact]:
        """The vehicle facts that matter here: for faults, for limits, or for a formula of this complaint."""
        names = set(self.engine.entries)
        for reading in self.engine.entries:
            said = self.knowledge.readings.get(reading)
            if said and said.quantity:
                names.update(limit.by for limit in said.quantity.limits if isinstance(limit, LimitByFact))
                names.update(map(str, said.quantity.derived.inputs.values() if said.quantity.derived else ()))
        return {name: fact for name, fact in self.knowledge.facts.items() if name in names}

    @property
    def proposals(self) -> tuple[Proposal, ...]:
        """The readings that can be taken, by the ranking that was chosen."""
        if self.ranking == "bits":
            return self.advice.proposals
        rest = tuple(one for one in self.advice.proposals if one not in self.advice.per_minute)
        return self.advice.per_minute + rest

    def answers(self, reading: str) -> tuple[Answer, ...]:
        """What each possible answer of a reading would do."""
        return what_answers_do(self.knowledge, self.engine, self.filed.case, reading)

    def ranked(self, ranking: Ranking) -> Session:
        """The same case with another ranking of the readings."""
        return Session(self.knowledge, self.engine, self.store, self.filed, self.workshop, ranking)

    def knows(self, facts: Mapping[str, str]) -> Session:
        """With facts that are new or differ; raises `Contradiction` and saves nothing if they clash."""
        new = [
            Known(fact, value) for fact, value in facts.items() if self.filed.case.facts.get(fact) != value
        ]
        return self._entered(*new)

    def saw(self, reading: str, outcome: str) -> Session:
        """With a reading's outcome; raises `Contradiction` and saves nothing where it cannot be."""
        return self._entered(Seen(reading, outcome))

    @cached_property
    def preferences(self) -> Mapping[str, str]:
        """Preferred units by kind of quantity."""
        return self.store.preferences()

    def prefers(self, kind: str, unit: str) -> Session:
        """With a preferred unit, remembered for everybody at this store."""
        self.store.prefer(kind, unit)
        return self._with(self.filed)

    def fields(self, reading: str) -> tuple[Field, ...]:
        """What has to be filled in for a quantity reading."""
        return fields(self.knowledge, self.filed.case, reading, self.preferences, self.workshop.without)

    def understand(
        self, reading: str, filled: Mapping[str, str], instruments: Mapping[str, str]
    ) -> Understood:
        """What was filled in comes to; raises `NotUnderstood` with a sentence."""
        return understand(self.knowledge, self.filed.case, reading, filled, instruments, self.preferences)

    def measured(self, understood: Understood) -> Session:
        """With a quantity as measured; raises `Contradiction` and saves nothing where it cannot be."""
        return self._entered(*understood.facts, understood.measured)

    def accounted(self, what: str, text: str, instrument: str) -> Session:
        """With a part of the draw that was found by disconnecting; raises `NotUnderstood`."""
        try:
            milliamps = parse(text, "mA")
        except NotAQuantity as error:
            raise NotUnderstood(str(error)) from error
        if not 0 <= milliamps <= LARGEST_PART_MA:
            raise NotUnderstood(f"{show(milliamps, 'mA')} is not plausible for a part of the draw.")
        measurement = Measurement("part", milliamps, instrument, show(milliamps, "mA"))
        return self._entered(Accounted(what, measurement))

    @cached_property
    def account(self) -> Account | None:
        """The account of the draw, once its total was measured."""
        return account(self.knowledge, self.filed.case)

    @property
    def account_instrument(self) -> str:
        """What the total was measured with: parts are taken with the same instrument."""
        readings = self.knowledge.readings
        for reading, takes in self.filed.case.measured.items():
            quantity = readings[reading].quantity if reading in readings else None
            if quantity and quantity.account == "total":
                return takes[-1][0].instrument
        return ""

    @cached_property
    def disagreement(self) -> Disagreement | None:
        """Readings that do not fit together, if any."""
        case = self.filed.case
        evidence = case.evidence(self.knowledge, self.engine)
        readings = {name: evidence.pop(name) for name in case.taken if name in evidence}
        return disagreement(self.engine, evidence, readings)

    def skipped(self, reading: str, reason: str) -> Session:
        """With a reading that cannot be taken on this car."""
        return self._entered(Skipped(reading, reason))

    def undone(self) -> Session:
        """Without the last entry."""
        if not self.filed.case.entries:
            return self
        return self._with(self.store.take_back(self.filed))

    def closed(self, fault: str) -> Session:
        """With the job done and the cause that was found, or "" for none."""
        return self._entered(Closed(fault, ""))

    def _entered(self, *entries: Entry) -> Session:
        case = self.filed.case
        for entry in entries:
            case = case.with_entry(entry)
        advise(self.knowledge, self.engine, case, self.workshop)
        filed = self.filed
        for entry in entries:
            filed = self.store.append(filed, entry)
        return self._with(filed)

    def _with(self, filed: Filed) -> Session:
        return Session(self.knowledge, self.engine, self.store, filed, self.workshop, self.ranking)


__all__ = ["Contradiction", "NotUnderstood", "Ranking", "Session", "engine_for"]
