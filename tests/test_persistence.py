"""After a repair: what was read before it still counts, but never against what was repaired.

The reference is a plain enumeration of the car before and after each repair, slice by slice: a fault stays as
it was but for the one repaired, what depends on that one is drawn anew, everything else stays (persistence:
Breese & Heckerman 1996, "Decision-theoretic troubleshooting: a framework for repair and experiment",
Uncertainty in Artificial Intelligence 12). It shares no code with `network` and `engine` but the tables of
the car before any repair.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from advisor.advice.advice import advise
from advisor.advice.situation import Situation, current_faults
from advisor.case.case import MISSED_BY_CHECK, Case
from advisor.case.entries import Checked, Entry, Known, Repaired, Seen, TakenBack
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.inference.tables import CPT
from advisor.knowledge.knowledge import Knowledge
from advisor.model.after_repair import Repair
from advisor.model.network import Network, build

TEXT = """\
complaints:
  c: {name: Hums, family: made_up, any_of: {belt: 50, pump: 40, fan: 30}, unlisted: 5}
faults:
  belt: {name: Belt, remedy: New belt, remedy_minutes: 20, price: low, remedy_success: 0.9}
  pump: {name: Pump, remedy: New pump, remedy_minutes: 60, price: high, given: {old: {yes: 3, no: 1}}}
  fan: {name: Fan, remedy: New fan, remedy_minutes: 40, price: low, remedy_success: 1}
facts:
  old: {name: Old, ask: Is it old?, values: {yes: 40, no: 60}}
states:
  slack: {name: Belt runs slack, noisy_or: {leak: 0.05, causes: {belt: 0.8, pump: 0.3}}}
  hot: {name: Fan motor hot, noisy_or: {leak: 0.1, causes: {fan: 0.7}}}
readings:
  squeal:
    name: Squeals
    minutes: 2
    outcomes: {quiet: Quiet, squeals: Squeals}
    noisy_or: {leak: 0.1, causes: {belt: 0.7, pump: 0.2}}
  sag:
    name: Sags
    minutes: 2
    outcomes: {taut: Taut, sags: Sags}
    noisy_or: {leak: 0.05, causes: {slack: 0.9}}
  touch:
    name: Fan motor by hand
    minutes: 1
    outcomes: {cool: Cool, warm: Warm}
    noisy_or: {leak: 0.02, causes: {hot: 0.95}}
  smell:
    name: Smells hot
    minutes: 1
    outcomes: {none: Nothing, burnt: Burnt}
    noisy_or: {leak: 0.05, causes: {hot: 0.6, belt: 0.4}}
"""
SUCCESS = {"belt": 0.9, "pump": 0.95, "fan": 1.0}
"""As written above; 0.95 is what holds where the author says nothing."""

States = Mapping[str, str]


@dataclass(frozen=True)
class Hum:
    """The small knowledge, and the tables of the car before any repair."""

    knowledge: Knowledge
    tables: tuple[CPT, ...]
    outcomes: Mapping[str, tuple[str, ...]]

    def engine(self, case: Case) -> Engine:
        """The engine of a case with its repairs."""
        return compile_tables(build(self.knowledge, "c", case.repairs).tables)

    def beliefs(self, case: Case) -> dict[str, float]:
        """What the program believes of the car as it is now."""
        engine = self.engine(case)
        return current_faults(engine.query(case.evidence(self.knowledge, engine)).beliefs)


@pytest.fixture(scope="module")
def hum(tmp_path_factory: pytest.TempPathFactory) -> Hum:
    """The knowledge of a humming engine, invented."""
    from advisor.checks.lint import checked

    file = tmp_path_factory.mktemp("hum") / "hum.yaml"
    file.write_text("language: 1\nstanding: estimate\n" + TEXT, encoding="utf-8")
    knowledge = checked([file])
    tables = build(knowledge, "c").tables
    return Hum(knowledge, tables.tables, tables.outcomes)


def probability(hum: Hum, table: CPT, states: States) -> float:
    """P(the table's node | its parents) in these states."""
    at = tuple(hum.outcomes[name].index(states[name]) for name in (*table.parents, table.child))
    return float(table.values[at])


def hidden_tables(hum: Hum) -> list[CPT]:
    """The tables of everything that is no reading, parents first."""
    left = [table for table in hum.tables if table.child not in hum.knowledge.readings]
    ordered: list[CPT] = []
    while left:
        done = {table.child for table in ordered}
        ready = [table for table in left if done.issuperset(table.parents)]
        ordered += ready
        left = [table for table in left if table not in ready]
    return ordered


def cars(hum: Hum) -> Iterator[tuple[float, dict[str, str]]]:
    """Every car before any repair, with its probability."""
    tables = hidden_tables(hum)
    for states in itertools.product(*(hum.outcomes[table.child] for table in tables)):
        car = dict(zip([table.child for table in tables], states, strict=True))
        weight = 1.0
        for table in tables:
            weight *= probability(hum, table, car)
        if weight:
            yield weight, car


def repaired(hum: Hum, fault: str, car: States) -> Iterator[tuple[float, dict[str, str]]]:
    """Every car that a repair of `fault` may make of a car, with its probability."""
    worlds: list[tuple[float, dict[str, str]]] = [(1.0, {})]
    changed: set[str] = set()
    for table in hidden_tables(hum):
        name, grown = table.child, []
        for weight, now in worlds:
            if name == fault:
                stays = 1 - SUCCESS[fault] if car[fault] == "present" else 0.0
                grown += [
                    (weight * stays, {**now, name: "present"}),
                    (weight * (1 - stays), {**now, name: "absent"}),
                ]
                changed.add(name)
            elif changed.intersection(table.parents):
                changed.add(name)
                for state in hum.outcomes[name]:
                    after = {**now, name: state}
                    grown.append((weight * probability(hum, table, after), after))
            else:
                grown.append((weight, {**now, name: car[name]}))
        worlds = [(weight, now) for weight, now in grown if weight]
    yield from worlds


def by_enumeration(hum: Hum, entries: tuple[Entry, ...]) -> dict[str, float]:
    """P(fault present now | everything entered), for entries in which no reading is taken twice."""
    readings = {table.child: table for table in hum.tables if table.child in hum.knowledge.readings}
    worlds = [(weight, car) for weight, car in cars(hum) if car["c"] == "present"]
    for entry in entries:
        if isinstance(entry, Known):
            worlds = [(weight, car) for weight, car in worlds if car[entry.fact] == entry.value]
        elif isinstance(entry, Seen):
            table = readings[entry.reading]
            worlds = [
                (weight * probability(hum, table, {**car, entry.reading: entry.outcome}), car)
                for weight, car in worlds
            ]
        elif isinstance(entry, Repaired):
            worlds = [
                (weight * part, after)
                for weight, car in worlds
                for part, after in repaired(hum, entry.fault, car)
            ]
        elif isinstance(entry, Checked):
            says = {"present": float(entry.found == "still there"), "absent": float(entry.found == "gone")}
            says["present"] = says["present"] or MISSED_BY_CHECK
            worlds = [(weight * says[car["c"]], car) for weight, car in worlds]
    total = sum(weight for weight, _ in worlds)
    return {
        fault: sum(weight for weight, car in worlds if car[fault] == "present") / total
        for fault in ("belt", "pump", "fan", "unlisted:c")
    }


def repair(fault: str) -> Repaired:
    """A remedy done."""
    return Repaired(fault, "2030-01-01T10:00:00+00:00")


STILL, GONE = Checked("c", "still there"), Checked("c", "gone")
STORIES: dict[str, tuple[Entry, ...]] = {
    "nothing read, repaired, still there": (repair("belt"), STILL),
    "read, repaired": (Seen("squeal", "squeals"), repair("belt")),
    "read, repaired, still there": (Seen("squeal", "squeals"), Seen("sag", "sags"), repair("belt"), STILL),
    "read, repaired, gone": (Seen("squeal", "squeals"), repair("belt"), GONE),
    "read on after the repair": (
        Known("old", "yes"),
        Seen("squeal", "squeals"),
        Seen("touch", "warm"),
        repair("belt"),
        STILL,
        Seen("sag", "taut"),
        Seen("smell", "burnt"),
    ),
    "a fact that is not known": (Seen("sag", "sags"), repair("pump"), STILL, Seen("squeal", "quiet")),
    "two repairs": (
        Seen("squeal", "squeals"),
        Seen("smell", "burnt"),
        repair("belt"),
        STILL,
        Seen("sag", "sags"),
        repair("fan"),
        STILL,
        Seen("touch", "cool"),
    ),
    "the same repair twice": (
        Seen("squeal", "squeals"),
        repair("belt"),
        STILL,
        Seen("sag", "sags"),
        repair("belt"),
        STILL,
    ),
}


@pytest.mark.parametrize("story", STORIES)
def test_beliefs_after_repairs_are_those_of_enumeration(hum: Hum, story: str) -> None:
    """Every fault's probability agrees with the enumeration of all cars, slice by slice, to 1e-9."""
    entries = STORIES[story]
    assert hum.beliefs(Case("c", entries)) == pytest.approx(by_enumeration(hum, entries), abs=1e-9)


def test_a_remedy_that_always_takes_clears_its_fault(hum: Hum) -> None:
    """Readings from before the repair never count against what was repaired, whatever they said."""
    case = Case("c", (Seen("touch", "warm"), Seen("smell", "burnt"), repair("fan"), STILL))
    before = hum.beliefs(Case("c", case.entries[:2]))
    after = hum.beliefs(case)
    assert before["fan"] > 0.5
    assert after["fan"] == 0
    assert after["pump"] > before["pump"]


def test_a_remedy_may_not_have_taken(hum: Hum) -> None:
    """Everything pointed at the belt; it was done and the hum is still there: perhaps it did not take."""
    sure = Case("c", (Seen("squeal", "squeals"), Seen("sag", "sags"), Seen("touch", "cool"), repair("belt")))
    done = hum.beliefs(sure)["belt"]
    still = hum.beliefs(sure.with_entry(STILL))["belt"]
    assert 0 < done < 0.1
    assert still > 2 * done


def test_a_reading_taken_again_after_the_repair_is_of_the_new_car(hum: Hum) -> None:
    """Before the repair it squealed, after it is quiet: both count, each for the car as it was then."""
    old = (Seen("squeal", "squeals"), repair("belt"), STILL)
    again = hum.beliefs(Case("c", (*old, Seen("squeal", "quiet"))))
    replaced = hum.beliefs(Case("c", (Seen("squeal", "quiet"), repair("belt"), STILL)))
    assert again["belt"] < hum.beliefs(Case("c", old))["belt"]
    assert again != pytest.approx(replaced, abs=1e-3)


def test_a_repair_taken_back_was_never_done(hum: Hum) -> None:
    """Taking back the repair gives the beliefs of the case without it; the record stays."""
    case = Case("c", (Seen("squeal", "squeals"), repair("belt"), TakenBack(2, "a slip of the finger")))
    assert hum.beliefs(case) == pytest.approx(hum.beliefs(Case("c", (Seen("squeal", "squeals"),))), abs=1e-12)
    assert len(case.entries) == 3


def test_after_a_repair_the_complaint_is_looked_for_before_anything_else(hum: Hum) -> None:
    """Remedy done: check; gone: close; still there: the search goes on with the rest."""

    def stop(*entries: Entry) -> str | None:
        case = Case("c", (Seen("squeal", "squeals"), repair("belt"), *entries))
        found = advise(Situation.of(hum.knowledge, hum.engine(case), case)).stop
        return found.reason if found else None

    assert stop() == "check"
    assert stop(GONE) == "gone"
    assert stop(STILL) is None


def test_shipped_networks_stay_narrow_after_two_repairs(shipped: Knowledge) -> None:
    """On every shipped complaint the network after two repairs keeps its largest table below 2^16."""
    for complaint in shipped.complaints:
        network = build(shipped, complaint)
        faults = [name for name in network.targets if name in shipped.faults]
        read = frozenset(name for name in network.readings if "@" not in name)
        case = Case(complaint, tuple(Seen(name, "") for name in sorted(read)[::2]))
        for fault in (faults[0], faults[-1]):
            case = case.with_entry(repair(fault))
        engine = compile_tables(build(shipped, complaint, case.repairs).tables)
        assert engine.widest[1] < 2**16, complaint


def past(network: Network) -> set[str]:
    """The nodes of the car as it was."""
    return {table.child for table in network.tables.tables if "#" in table.child}


def test_of_the_car_as_it_was_only_what_was_seen_is_kept(hum: Hum) -> None:
    """The repaired fault, the complaint, the readings and what they depend on; the rest is as it is now."""
    always = {"belt#1", "c~2#1", "c~3#1", "c#1"}
    for read, more in (
        (set(), set()),
        ({"squeal"}, {"squeal#1"}),
        ({"sag", "touch"}, {"sag#1", "slack#1"}),
    ):
        network = build(hum.knowledge, "c", (Repair("belt", frozenset(read)),))
        assert past(network) == always | more
        assert network.targets == ("belt", "pump", "fan", "unlisted:c", "belt#1")
        assert set(network.tables.outcomes) == {table.child for table in network.tables.tables}


@pytest.mark.parametrize(
    ("fault", "took"), [("belt", 0.9), ("pump", 0.95), ("fan", 1.0), ("unlisted:c", 0.95)]
)
def test_a_repaired_fault_is_there_if_it_was_and_the_remedy_did_not_take(
    hum: Hum, fault: str, took: float
) -> None:
    """Its table depends on itself before the repair; by default 95 of 100 remedies take."""
    network = build(hum.knowledge, "c", (Repair(fault, frozenset()),))
    table = next(one for one in network.tables.tables if one.child == fault)
    assert table.parents == (f"{fault}#1",)
    assert table.values.tolist() == pytest.approx(np.array([[1.0, 0.0], [took, 1 - took]]))


def test_repairing_what_is_no_cause_of_the_complaint_changes_nothing(hum: Hum) -> None:
    """A remedy done in passing: the network is the one before, and the next repair is counted on."""
    lamp, belt = Repair("lamp", frozenset()), Repair("belt", frozenset({"squeal"}))
    assert past(build(hum.knowledge, "c", (lamp,))) == set()
    assert past(build(hum.knowledge, "c", (lamp, belt))) == {"belt#2", "c~2#2", "c~3#2", "c#2", "squeal#2"}
