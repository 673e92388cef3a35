"""The car that knows nothing of the knowledge: it finds what is wrong, and has nothing to complain about."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from advisor.case.condition import Present
from advisor.knowledge import conditions
from advisor.knowledge.conditions import Condition, minutes_for
from advisor.knowledge.knowledge import Knowledge, SetupRules
from advisor.knowledge.vocabulary import Changing
from advisor.model.nodes import is_instrument_leaf, reading_of
from advisor.simulate.jobs import play_many, steps_of
from tests.car import acts
from tests.car.bench import BenchJobs
from tests.car.model import Car
from tests.car.play import Found, complaints_of, play

SEED = 3
COMPLAINTS = ("flat_battery", "water_inside", "no_heat", "smell", "uneven_vents")


def told(found: Iterator[Found] | list[Found]) -> str:
    """What was found, to be read."""
    return "\n".join(map(str, found))


def complaints(knowledge: Knowledge, complaint: str, jobs: int = 60) -> set[str]:
    """What cars complain about along played jobs."""
    found = complaints_of(play(knowledge, complaint, jobs, SEED), SEED, complaint)
    return {str(one) for each in found for one in each.complaints}


def test_the_car_knows_every_setup_and_reading_of_the_shipped_knowledge(knowledge: Knowledge) -> None:
    """Whoever writes a new one says by hand in `tests/car/acts.py` what it does to a car."""
    assert set(knowledge.setups) == set(acts.SETUPS)
    assert set(knowledge.readings) == acts.KNOWN_READINGS
    refilled = {name for name, one in knowledge.faults.items() if "circuit_filled" in one.restores}
    assert set(acts.REFILLS.split()) == refilled


@pytest.mark.parametrize("act", [acts.read, lambda car, name, minutes: acts.set_up(car, name, minutes, 0)])
def test_the_car_refuses_what_nobody_has_told_it(act: Callable[[Car, str, float], None]) -> None:
    """It is not silently content with it."""
    with pytest.raises(acts.UnknownToTheCar):
        act(Car(), "seat_heater", 1)


@pytest.mark.parametrize("complaint", COMPLAINTS)
def test_along_played_jobs_the_car_has_nothing_to_complain_about(
    knowledge: Knowledge, complaint: str
) -> None:
    """`python -m tests.car` plays thousands."""
    assert not told(list(complaints_of(play(knowledge, complaint, 60, SEED), SEED, complaint)))


@pytest.mark.parametrize("complaint", ["flat_battery", "water_inside", "no_heat"])
def test_at_the_bench_the_car_has_nothing_to_complain_about(knowledge: Knowledge, complaint: str) -> None:
    """Neither where the advice is followed, repairs and checks included, nor where it is not."""
    with BenchJobs(knowledge, complaint) as bench:
        assert not told([*bench.followed(SEED, 1), *bench.walked(SEED, 1), *bench.walked(SEED, 2)])
        assert bench.counts["steps followed"] > 5
        assert bench.counts["steps walked"] > 20


def test_the_steps_of_a_job_take_the_minutes_that_were_counted(knowledge: Knowledge) -> None:
    """What the car is told is what the players have done."""
    played = play(knowledge, "uneven_vents", 30, SEED)
    for job, start in enumerate(played.cars.start.tolist()):
        steps, facts = list(steps_of(played.jobs, played.starts, played.cars, job)), played.facts[start]
        readings = [knowledge.readings[step.reading] for step in steps]
        assert tuple(step.reading for step in steps) == played.jobs.readings(job)
        minutes = sum(step.way.hands_on_minutes for step in steps)
        minutes += sum(minutes_for(knowledge, one.minutes, facts) for one in readings)
        assert minutes == pytest.approx(played.jobs.hands_on_minutes[job])
        waits = sum(step.way.waiting_minutes for step in steps)
        waits += sum(minutes_for(knowledge, one.waiting_minutes, facts) for one in readings)
        assert waits == pytest.approx(played.jobs.waiting_minutes[job])


def test_a_number_from_an_instrument_forbids_as_an_answer_in_words_does(knowledge: Knowledge) -> None:
    """If a high sleeping current forbade cranking, no simulated car that shows one would be cranked."""
    first = "sleeping_current"
    said = knowledge.readings[first]
    worst = list(said.answers)[-1]
    strict = said.model_copy(update={"forbids": {worst: ("cranking_inhibited",)}})
    played = play(
        replace(knowledge, readings={**knowledge.readings, first: strict}), "flat_battery", 40, SEED
    )
    ranker, cars = played.ranker, played.cars
    columns = [at for at, name in enumerate(ranker.batch.readings) if reading_of(name) == first]
    assert all(is_instrument_leaf(ranker.batch.readings[column]) for column in columns)
    for column in columns:
        cars.shows[:, column] = len(ranker.bands[column]) - 1
    jobs = play_many(ranker, played.starts, cars, first)
    for job in range(40):
        measured, *later = steps_of(jobs, played.starts, cars, job)
        assert (measured.reading, measured.outcome) == (first, worst)
        assert later
        assert not any("cranking_inhibited" in step.way.made for step in later)


# -------------------------------------------------------------------- faults that it has to find


def without_end(knowledge: Knowledge, setup: str) -> Knowledge:
    """The same knowledge, in which nothing ends a setup any more."""
    rules = knowledge.setup_rules
    ended_by = {name: over - {setup} for name, over in rules.ended_by.items()}
    spent_by = {name: over - {setup} for name, over in rules.spent_by.items()}
    worse = replace(knowledge)
    worse.__dict__["setup_rules"] = SetupRules(rules.setups, rules.built_on, ended_by, spent_by)
    return worse


def test_a_hot_engine_that_still_counts_as_cold_is_found(knowledge: Knowledge) -> None:
    """Somebody opens a hot cooling system."""
    found = complaints(without_end(knowledge, "engine_cold"), "no_heat", 150)
    assert any("scalded (somebody is hurt)" in one for one in found)


def is_found(knowledge: Knowledge, complaint: str, what: str, walks: int = 60) -> bool:
    """Whether somebody who does not follow the advice finds it, in so many walks at most."""
    with BenchJobs(knowledge, complaint) as bench:
        return any(what in str(one) for at in range(walks) for one in bench.walked(SEED, at))


def test_a_wait_that_is_not_waited_for_is_found(
    knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The program says that the car is asleep as soon as it was locked."""

    def over(here: Present, *_: object) -> dict[str, float]:
        return dict.fromkeys(here.condition.in_place, 0.0)

    monkeypatch.setattr(Present, "waiting_minutes", over)
    assert is_found(knowledge, "flat_battery", "asleep: the program says that it is in place, and it is not")


def test_an_emptied_circuit_that_is_forgotten_is_found(
    knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pressures are read where there is no gas."""
    monkeypatch.setattr("advisor.simulate.array_advice.rules.held_back", lambda worth, *_: worth & False)
    found = complaints(without_end(knowledge, "circuit_filled"), "uneven_vents", 300)
    assert any("circuit is empty" in one or "empty circuit" in one for one in found)


def test_a_reading_that_forgets_to_say_what_it_ends_is_found(
    knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sleeping currents are read after a door was opened."""
    real = conditions.done

    def forgetful(rules: SetupRules, condition: Condition, by: Changing) -> Condition:
        return real(rules, condition, by.model_copy(update={"ends": (), "ends_for_good": ()}))

    monkeypatch.setattr(conditions, "done", forgetful)
    assert any("control units are awake" in one for one in complaints(knowledge, "flat_battery", 150))


def test_a_repair_after_which_the_car_still_counts_as_asleep_is_found(
    knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The check would be made on a car that somebody has just worked on."""
    monkeypatch.setattr("advisor.case.condition.no_longer_known", lambda rules, condition, setups: condition)
    assert is_found(knowledge, "flat_battery", "asleep: the program says that it is in place, and it is not")
