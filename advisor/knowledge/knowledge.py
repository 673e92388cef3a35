"""A workshop's knowledge as read, with the place of everything in its files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import Any, get_args

from advisor.knowledge.pictures import Picture
from advisor.knowledge.problems import Place
from advisor.knowledge.unlisted import is_unlisted, owner_of
from advisor.knowledge.vocabulary import (
    Branch,
    Caution,
    Complaint,
    Danger,
    Document,
    Fact,
    Family,
    Fault,
    Gated,
    Harmless,
    Instrument,
    Item,
    Measurand,
    Quantity,
    Reading,
    Setup,
    Signal,
    Standing,
    State,
)

SHORT = 12
"""Length of a version."""


SECTIONS = tuple(name for name in Document.model_fields if name not in ("language", "standing"))

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class SetupRules:
    """Which setups go together, worked out once: `ended_by` and `spent_by` hold what beginning a setup ends.

    What is built on a setup ends with it. What is ended for good is in both.
    """

    setups: Mapping[str, Setup]
    built_on: Mapping[str, frozenset[str]]  # each setup, and every other one that needs it
    ended_by: Mapping[str, frozenset[str]]
    spent_by: Mapping[str, frozenset[str]]

    @classmethod
    def of(cls, setups: Mapping[str, Setup]) -> SetupRules:
        """Work out the rules of setups."""
        needs = {name: set(_first_to_last(setups, name)) for name in setups}
        built_on = {name: frozenset(one for one in setups if name in needs[one]) for name in setups}
        spent_by = {name: frozenset(one.ends_for_good) for name, one in setups.items()}
        others = {
            name: [other for other, said in setups.items() if other != name and said.kind == one.kind]
            for name, one in setups.items()
            if one.kind is not None
        }
        ended_by = {
            name: _all_of(built_on, [*others.get(name, ()), *one.ends, *one.ends_for_good])
            for name, one in setups.items()
        }
        return cls(setups, built_on, ended_by, spent_by)

    def with_built_on(self, setups: Iterable[str]) -> frozenset[str]:
        """Setups with all that is built on them; those that this knowledge does not have are left out."""
        return _all_of(self.built_on, setups)

    def first_to_last(self, setup: str) -> tuple[str, ...]:
        """Return a setup with all that it needs, those that come first at the front."""
        return _first_to_last(self.setups, setup)


def _all_of(built_on: Mapping[str, frozenset[str]], setups: Iterable[str]) -> frozenset[str]:
    return frozenset().union(*(built_on.get(one, frozenset()) for one in setups))


def _first_to_last(setups: Mapping[str, Setup], *last: str) -> tuple[str, ...]:
    ordered: dict[str, None] = {}

    def visit(setup: str, on_the_way: frozenset[str]) -> None:
        for need in setups[setup].needs if setup in setups and setup not in on_the_way else ():
            visit(need, on_the_way | {setup})
        ordered[setup] = None

    for setup in last:
        visit(setup, frozenset())
    return tuple(ordered)


@dataclass(frozen=True)
class Knowledge:
    """Everything written in a set of files, by section and id, with the places it was read from."""

    families: Mapping[str, Family] = field(default_factory=dict)
    harmless: Mapping[str, Harmless] = field(default_factory=dict)
    dangers: Mapping[str, Danger] = field(default_factory=dict)
    complaints: Mapping[str, Complaint] = field(default_factory=dict)
    branches: Mapping[str, Branch] = field(default_factory=dict)
    faults: Mapping[str, Fault] = field(default_factory=dict)
    facts: Mapping[str, Fact] = field(default_factory=dict)
    states: Mapping[str, State] = field(default_factory=dict)
    readings: Mapping[str, Reading] = field(default_factory=dict)
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    measurands: Mapping[str, Measurand] = field(default_factory=dict)
    setups: Mapping[str, Setup] = field(default_factory=dict)
    cautions: Mapping[str, Caution] = field(default_factory=dict)
    standings: Mapping[str, Standing] = field(default_factory=dict)  # by file
    places: Mapping[Path, Place] = field(default_factory=dict, repr=False)
    pictures: Mapping[tuple[str, str], Picture] = field(default_factory=dict, repr=False)  # by section and id
    unused_pictures: tuple[Place, ...] = ()

    @cached_property
    def digest(self) -> str:
        """Return a digest of the whole knowledge in its order: equal digests mean equal networks."""
        return _digest(json.dumps(self._written, ensure_ascii=False))

    @property
    def version(self) -> str:
        """Return the digest, shortened. Order counts: reversed bands would swap meanings."""
        return self.digest[:SHORT]

    def is_version(self, said: str) -> bool:
        """Return whether a version that a job states is this one.

        Earlier programs ignored order in their versions; theirs of this knowledge count as well.
        """
        return said in (self.version, self._version_without_order)

    @cached_property
    def _version_without_order(self) -> str:
        return _digest(json.dumps(self._written, sort_keys=True, ensure_ascii=False))[:SHORT]

    @property
    def _written(self) -> dict[str, dict[str, Any]]:
        written: dict[str, dict[str, Any]] = {
            section: {
                name: item.model_dump(mode="json", exclude=set(item.no_part_of_version))
                for name, item in self.section(section).items()
            }
            for section in SECTIONS
        }
        if self.pictures:
            written["pictures"] = {" ".join(about): one.markup for about, one in self.pictures.items()}
        return written

    @cached_property
    def setup_rules(self) -> SetupRules:
        """Which setups go together, and what ends what."""
        return SetupRules.of(self.setups)

    @cached_property
    def proofs(self) -> Mapping[str, tuple[str, ...]]:
        """Return the readings that prove a fault, or a branch of faults, by its id, in the order written."""
        found: dict[str, list[str]] = {}
        for name, reading in self.readings.items():
            for cause in reading.proves:
                found.setdefault(cause, []).append(name)
        return MappingProxyType({cause: tuple(names) for cause, names in found.items()})

    def place(self, *path: str | int) -> Place:
        """Return where a path such as ("readings", id, "minutes") was written, or its nearest parent."""
        while path and path not in self.places:
            path = path[:-1]
        return self.places.get(path, Place("knowledge", 1, 1))

    def section(self, name: str) -> Mapping[str, Item]:
        """Return the items of a section."""
        section: Mapping[str, Item] = getattr(self, name)
        return section

    def items(self) -> Iterator[tuple[str, str, Item]]:
        """Yield every item as (section, id, item)."""
        for section in SECTIONS:
            for name, item in self.section(section).items():
                yield section, name, item

    def gated(self) -> Mapping[str, Gated]:
        """Return complaints, branches and the states that follow a gate."""
        states = {name: state for name, state in self.states.items() if not state.noisy_or}
        return MappingProxyType({**self.complaints, **self.branches, **states})

    def standing_of(self, section: str, name: str, part: str) -> Standing | None:
        """Return where a number comes from, as stated for the field, the item or the file."""
        item = self.section(section)[name]
        return (
            item.standing_of.get(part) or item.standing or self.standings.get(self.place(section, name).file)
        )

    def title(self, node: str) -> str:
        """Return the displayed name of a complaint, branch, fault, state or unlisted cause."""
        if is_unlisted(node):
            owner = owner_of(node)
            return "Something not listed here" + (
                f" ({self.branches[owner].name.lower()})" if owner in self.branches else ""
            )
        for section in (self.faults, self.branches, self.states, self.complaints):
            if node in section:
                return section[node].name
        return node


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def worst_first(
    knowledge: Knowledge, cautions: Iterable[str], facts: Mapping[str, str] | None = None
) -> tuple[str, ...]:
    """Return cautions, each once, the most severe first.

    One that cannot hold for a car with these facts is left out; while the fact is unknown it stays.
    """
    words, said, facts = get_args(Signal), knowledge.cautions, facts or {}
    hold = [
        one
        for one in dict.fromkeys(cautions)
        if all(values.get(facts.get(fact, ""), 1.0) > 0 for fact, values in said[one].given.items())
    ]
    return tuple(sorted(hold, key=lambda one: words.index(said[one].signal)))


def tellers(facts: Mapping[str, Fact]) -> dict[str, str]:
    """Return the facts that every value of another one tells, each with the first such.

    That one is asked in their place.
    """
    found: dict[str, str] = {}
    for name, fact in facts.items():
        always = set.intersection(*({*fact.tells.get(value, {})} for value in fact.values))
        for told in sorted(always & set(facts) - {name}):
            if name not in found:
                found.setdefault(told, name)
    return found


def answers_of(facts: Mapping[str, Fact], name: str, told: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Return a fact's answers as (fact, value), with what they leave open of facts that it tells."""
    own = [(name, value) for value in facts[name].values]
    for one in told:
        known = {values[one] for values in facts[name].tells.values() if one in values}
        own += [(one, value) for value in facts[one].values if value not in known]
    return tuple(own)


def setups_of(knowledge: Knowledge, reading: str) -> tuple[str, ...]:
    """Return every setup a reading needs, prerequisites first."""
    return _first_to_last(knowledge.setups, *knowledge.readings[reading].setup)


def quantity_of(knowledge: Knowledge, reading: str) -> Quantity:
    """Return the quantity of a reading; raises `ValueError` if it is answered in words."""
    quantity = knowledge.readings[reading].quantity
    if quantity is None:
        raise ValueError(f"'{reading}' is no quantity")
    return quantity
