"""Invented cars played to the end: the advice asks, the car answers, and the true causes head the list."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from advisor.case.entries import Seen
from advisor.evaluation.scenarios import Played, Scenario, play, read_scenarios, typical_outcomes
from advisor.inference.engine import Engine
from advisor.knowledge.conditions import minutes_for
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from tests.conftest import SCENARIOS
from tests.test_conflict import among

FILES = sorted(SCENARIOS.rglob("*.yaml"))

LATER = {"12_tracker_and_short_trips", "09_leak_and_filter"}
"""Asked by bits alone, the first cause of these cars is found within a few readings and explains the
complaint well enough to stop; the second comes up once the first is put right."""

LATER_AS_USUAL = {"08_rear_drain_and_lamp"}
"""So it is in the usual order here: a bottle in the rear corners explains the boot before lamps are tried."""

CAR = """\
language: 1
invented: true
name: A car
complaint: flat_battery
causes: [boot_lamp]
story: It was dead in the morning.
"""


@pytest.fixture(scope="module")
def scenarios(shipped: Knowledge) -> dict[str, Scenario]:
    """The shipped scenarios by the names of their files."""
    return {file.stem: scenario for file, scenario in read_scenarios([SCENARIOS], shipped).items()}


@pytest.fixture(scope="module")
def as_usual(
    scenarios: dict[str, Scenario], shipped: Knowledge, shipped_engine: Callable[[str], Engine]
) -> Callable[[str], Played]:
    """Plays a shipped scenario in the usual order, once for all tests."""
    return cache(lambda name: play(shipped, shipped_engine(scenarios[name].complaint), scenarios[name]))


def test_there_are_enough_cars_to_try_the_knowledge_on(scenarios: dict[str, Scenario]) -> None:
    """At least 36 cars: 12 with two causes, 6 misled by a reading, 6 without an instrument."""
    assert len(scenarios) == len(FILES) >= 36
    assert sum(len(scenario.causes) == 2 for scenario in scenarios.values()) >= 12
    assert sum(bool(scenario.misleads) for scenario in scenarios.values()) >= 6
    assert sum(bool(scenario.without) for scenario in scenarios.values()) >= 6


def test_every_car_says_that_it_is_invented(scenarios: dict[str, Scenario]) -> None:
    """No file passes for a real car."""
    assert all(scenario.invented for scenario in scenarios.values())


@pytest.mark.parametrize("name", [file.stem for file in FILES])
def test_asking_in_the_usual_order_finds_what_is_wrong(
    scenarios: dict[str, Scenario], as_usual: Callable[[str], Played], name: str
) -> None:
    """By bits for the time each car's causes and no others head the list, but for the car named above."""
    played = as_usual(name)
    assert played.end.stop is not None
    if name in LATER_AS_USUAL:
        assert not played.right
        assert played.end.suspects[0].fault in scenarios[name].causes
        return
    assert {one.fault for one in played.end.suspects[: len(scenarios[name].causes)]} == set(
        scenarios[name].causes
    )
    assert played.right


def test_shipped_scenarios_with_a_single_cause_seldom_raise_it(
    scenarios: dict[str, Scenario],
    shipped: Knowledge,
    shipped_engine: Callable[[str], Engine],
    as_usual: Callable[[str], Played],
) -> None:
    """What typical cars show is no disagreement: at most one in twenty shipped scenarios raises it."""
    cars = {name: car for name, car in scenarios.items() if len(car.causes) == 1}
    raised = []
    for name, car in cars.items():
        engine = shipped_engine(car.complaint)
        evidence = as_usual(name).case.evidence(shipped, engine)
        readings = {one: evidence.pop(one) for one in list(evidence) if one in shipped.readings}
        if among(engine, evidence, readings) and not car.misleads:
            raised.append(car.name)
    assert len(raised) <= len(cars) / 20, raised


@pytest.mark.parametrize("name", [file.stem for file in FILES])
def test_asking_by_bits_finds_what_is_wrong(
    scenarios: dict[str, Scenario], shipped: Knowledge, shipped_engine: Callable[[str], Engine], name: str
) -> None:
    """The same by bits, but for the car named above, whose first cause is found all the same."""
    scenario = scenarios[name]
    played = play(shipped, shipped_engine(scenario.complaint), scenario, ranking="bits")
    assert played.end.stop is not None
    if name in LATER:
        assert not played.right
        assert played.end.suspects[0].fault in scenario.causes
        return
    assert played.right


def test_what_a_car_shows_is_what_was_seen(
    scenarios: dict[str, Scenario], shipped: Knowledge, drain: Engine
) -> None:
    """A reading named in the file shows what the file says; any other what such a car most often shows."""
    scenario = scenarios["01_boot_lamp"]
    played = play(shipped, drain, scenario)
    start = played.case
    while start.taken:
        start = start.without_last()
    typical = typical_outcomes(shipped, drain, start, scenario.causes)
    assert played.case.facts == scenario.facts
    assert [step.proposal.reading for step in played.steps] == list(played.case.taken)
    for step in played.steps:
        reading = step.proposal.reading
        said = scenario.shows.get(reading, typical[reading])
        if isinstance(step.entry, Seen):
            assert step.entry.outcome == said
        else:
            assert [one.typed for one in step.entry.take] == [said]


def test_minutes_are_those_of_readings_and_of_setups_made(
    scenarios: dict[str, Scenario], shipped: Knowledge, drain: Engine
) -> None:
    """The time of a played car is its readings and each setup as often as it had to be made."""
    played = play(shipped, drain, scenarios["01_boot_lamp"])
    setups = [setup for step in played.steps for setup in step.proposal.setups]
    readings = [shipped.readings[step.proposal.reading] for step in played.steps]
    known = [shipped.setups[setup] for setup in setups]
    parts = [part for one in readings for part in (one.minutes, one.waiting_minutes)]
    parts += [part for one in known for part in (one.hands_on_minutes, one.waiting_minutes)]
    assert "asleep" in setups
    assert played.minutes == sum(minutes_for(shipped, part, {}) for part in parts)


def test_a_workshop_never_uses_what_it_lacks(
    scenarios: dict[str, Scenario], shipped: Knowledge, drain: Engine
) -> None:
    """Readings with a missing instrument are not taken, and the car's cause is found without."""
    scenario = scenarios["01_boot_lamp"].model_copy(update={"without": ("low_current_clamp",)})
    played = play(shipped, drain, scenario)
    assert {step.proposal.instrument for step in played.steps}.isdisjoint(scenario.without)
    assert played.right


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "flat_battery",
            "flat_batery",
            "4:1: unknown-id: There is no complaint 'flat_batery'. Did you mean 'flat_battery'?",
        ),
        (
            "[boot_lamp]",
            "[boot_lmp]",
            "5:10: unknown-id: There is no fault 'boot_lmp'. Did you mean 'boot_lamp'?",
        ),
        (
            "story:",
            "facts: {keyles: none}\nstory:",
            "6:9: unknown-id: There is no fact 'keyles'. Did you mean 'keyless'?",
        ),
        (
            "story:",
            "facts: {keyless: nome}\nstory:",
            "6:9: unknown-id: There is no value 'nome'. Did you mean 'none'?",
        ),
        (
            "story:",
            "shows: {warm_boots: warmer}\nstory:",
            "6:9: unknown-id: There is no reading 'warm_boots'. Did you mean 'warm_boot'?",
        ),
        (
            "story:",
            "shows: {warm_boot: warm}\nstory:",
            "6:9: unknown-id: There is no outcome 'warm'. Did you mean 'warmer'?",
        ),
        (
            "story:",
            "without: [tourch]\nstory:",
            "6:11: unknown-id: There is no instrument 'tourch'. Did you mean 'torch'?",
        ),
        ("invented: true\n", "", "1:1: missing: 'invented' is missing. Add 'invented: …'."),
        (
            "invented: true",
            "invented: false",
            "2:1: not-one-of: 'false' is not one of the words for 'invented'.",
        ),
    ],
)
def test_a_car_that_the_knowledge_does_not_know_is_refused(
    tmp_path: Path, shipped: Knowledge, old: str, new: str, said: str
) -> None:
    """Unknown ids are refused at their place with the nearest known; so is a car that is not invented."""
    file = tmp_path / "car.yaml"
    file.write_text(CAR.replace(old, new), encoding="utf-8")
    with pytest.raises(ProblemsFound) as refused:
        read_scenarios([file], shipped)
    assert [str(one).removeprefix(f"{file}:")[: len(said)] for one in refused.value.problems] == [said]


def test_every_problem_of_a_folder_of_cars_is_reported_at_once(tmp_path: Path, shipped: Knowledge) -> None:
    """Folders below are read as well, and a car that cannot be read does not hide the next."""
    (tmp_path / "drain").mkdir()
    (tmp_path / "a.yaml").write_text(CAR.replace("[boot_lamp]", "[boot_lmp, radio]"), encoding="utf-8")
    (tmp_path / "drain" / "b.yaml").write_text("language: [\n", encoding="utf-8")
    with pytest.raises(ProblemsFound) as refused:
        read_scenarios([tmp_path], shipped)
    assert [(Path(one.place.file).name, one.code) for one in refused.value.problems] == [
        ("a.yaml", "unknown-id"),
        ("a.yaml", "unknown-id"),
        ("b.yaml", "yaml"),
    ]


def test_a_car_without_a_cause_is_refused(tmp_path: Path, shipped: Knowledge) -> None:
    """A car with nothing wrong would be found right whatever the advice says."""
    file = tmp_path / "car.yaml"
    file.write_text(CAR.replace("[boot_lamp]", "[]"), encoding="utf-8")
    with pytest.raises(ProblemsFound) as refused:
        read_scenarios([file], shipped)
    assert [one.place.line for one in refused.value.problems] == [5]
