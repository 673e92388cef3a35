"""Jobs played by the advice on many cars at once, each handed step by step to a car that can complain."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.case.case import Case
from advisor.case.entries import Known
from advisor.evaluation.trials import ranker_of
from advisor.knowledge.conditions import minutes_for
from advisor.knowledge.knowledge import Knowledge, setups_of
from advisor.simulate.array_advice import Ranker
from advisor.simulate.jobs import Cars, Jobs, JobStep, Starts, draw_cars, play_many, starts_of, steps_of
from tests.car import acts
from tests.car.model import Car, Complaint

VEHICLES = 6
"""So many different vehicles bring each complaint; their facts decide which readings they can have."""


@dataclass(frozen=True)
class Found:
    """What cars complained about on a job, and what had been done on it until then."""

    complaint: str
    seed: int
    job: int
    steps: tuple[str, ...]
    complaints: tuple[Complaint, ...]

    def __str__(self) -> str:
        head = f"{self.complaint}, seed {self.seed}, job {self.job}"
        return "\n".join(
            (head, *(f"  {step}" for step in self.steps), *(f"  ! {one}" for one in self.complaints))
        )


@dataclass(frozen=True, eq=False)
class Played:
    """Jobs of one complaint, with the cars that they were played on."""

    ranker: Ranker
    starts: Starts
    cars: Cars
    jobs: Jobs
    facts: tuple[Mapping[str, str], ...]
    """Of each start."""


def vehicles(knowledge: Knowledge, ranker: Ranker, random: np.random.Generator) -> list[dict[str, str]]:
    """Made-up vehicles: the facts that decide which readings they can have, as common as is written."""
    deciding = sorted({fact for name in ranker.readings for fact in knowledge.readings[name].given})
    made: list[dict[str, str]] = []
    for _ in range(VEHICLES if deciding else 1):
        one = {}
        for fact in deciding:
            values, shares = zip(*knowledge.facts[fact].values.items(), strict=True)
            one[fact] = str(random.choice(values, p=np.array(shares) / sum(shares)))
        made.append(one)
    return made


def play(knowledge: Knowledge, complaint: str, jobs: int, seed: int) -> Played:
    """Play jobs of a complaint by the plain advice, on vehicles of several kinds."""
    random = np.random.default_rng([seed, *complaint.encode()])
    ranker = ranker_of(knowledge, complaint)
    facts = vehicles(knowledge, ranker, random)
    cases = [Case(complaint, tuple(Known(*fact) for fact in one.items())) for one in facts]
    starts = starts_of(ranker, cases)
    which = np.arange(jobs, dtype=np.intp) % len(cases)
    cars = draw_cars(ranker, starts, which, random)
    return Played(ranker, starts, cars, play_many(ranker, starts, cars), tuple(facts))


def complaints_of(played: Played, seed: int, complaint: str) -> Iterator[Found]:
    """Hand every job to a car of its own, and return what it complains about."""
    for job, start in enumerate(played.cars.start.tolist()):
        car, done = Car(played.facts[start]), []
        for step in steps_of(played.jobs, played.starts, played.cars, job):
            done.append(told(step))
            take(car, played.ranker.knowledge, played.facts[start], step)
        if car.complaints:
            yield Found(complaint, seed, job, tuple(done), tuple(car.complaints))


def told(step: JobStep) -> str:
    """A step in a line."""
    first = f"{', '.join(step.way.made)} → " if step.way.made else ""
    ends = f", ends {', '.join(sorted(step.ended))}" if step.ended else ""
    return f"{first}{step.reading}: {step.outcome or 'a number'}{ends}"


def take(car: Car, knowledge: Knowledge, facts: Mapping[str, str], step: JobStep) -> None:
    """Do on the car what a step says: its setups with their waits, then the reading."""
    own = setups_of(knowledge, step.reading)
    for setup in step.way.made:
        hands_on, waiting = minutes_of(knowledge, setup, facts)
        acts.end(car, ends_of(knowledge, setup))
        acts.set_up(car, setup, hands_on, waiting)
    read(car, knowledge, facts, step.reading, step.outcome, own, sorted(step.ended))


def read(
    car: Car,
    knowledge: Knowledge,
    facts: Mapping[str, str],
    reading: str,
    outcome: str | None,
    needed: Sequence[str],
    ended: Sequence[str],
) -> None:
    """Take a reading: what it needs is in place as the advice says, what it ends is put an end to first."""
    acts.end(car, [setup for setup in ended if setup not in needed])
    for setup in needed:
        acts.claimed(car, setup)
    said = knowledge.readings[reading]
    acts.read(car, reading, minutes_for(knowledge, said.minutes, facts), outcome)
    car.wait(minutes_for(knowledge, said.waiting_minutes, facts))
    acts.end(car, [setup for setup in ended if setup in needed])


def ends_of(knowledge: Knowledge, setup: str) -> list[str]:
    """The setups that the card says a setup ends, which somebody puts an end to first."""
    said = knowledge.setups[setup]
    return sorted(knowledge.setup_rules.with_built_on((*said.ends, *said.ends_for_good)))


def minutes_of(knowledge: Knowledge, setup: str, facts: Mapping[str, str]) -> tuple[float, float]:
    """Minutes of a setup, hands on and waiting."""
    said = knowledge.setups[setup]
    return (
        minutes_for(knowledge, said.hands_on_minutes, facts),
        minutes_for(knowledge, said.waiting_minutes, facts),
    )
