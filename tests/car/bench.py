"""Jobs at the bench, step by step on a clock of their own: somebody follows the advice, or does not."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType

import numpy as np

from advisor.advice.advice import CandidateReading
from advisor.advice.rules import Workshop
from advisor.bench.session import Engines, InconsistentEvidence, Session
from advisor.case.condition import present
from advisor.knowledge.knowledge import Knowledge, setups_of
from advisor.store.store import Store
from tests.car import acts, play
from tests.car.model import Car

MOST_STEPS = 40
"""A job that is not over by then is left."""
WALK_STEPS = 25
MORNING = datetime(2026, 11, 30, 8, tzinfo=UTC)


class BenchJobs:
    """A store and a bench for jobs of one complaint; `counts` says how much was done."""

    def __init__(self, knowledge: Knowledge, complaint: str) -> None:
        self.knowledge, self.complaint, self.engines = knowledge, complaint, Engines(knowledge)
        self.counts: Counter[str] = Counter()
        self.folder = tempfile.TemporaryDirectory()
        self.now = MORNING
        self.store = Store(f"sqlite:///{Path(self.folder.name) / 'jobs.sqlite'}", clock=lambda: self.now)

    def __enter__(self) -> BenchJobs:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.store.close()
        self.folder.cleanup()

    def followed(self, seed: int, number: int) -> Iterator[play.Found]:
        """Follow the advice to the end of a job, repairs and checks included."""
        visit = Visit(self, seed, number)
        while len(visit.done) < MOST_STEPS and visit.follow():
            self.counts["steps followed"] += 1
        yield from visit.found()

    def walked(self, seed: int, number: int) -> Iterator[play.Found]:
        """Do anything that somebody at a bench might do, and try on everything that is offered."""
        visit = Visit(self, seed + 1_000_000, number)
        for _ in range(WALK_STEPS):
            if not visit.wander():
                break
            self.counts["steps walked"] += 1
        yield from visit.found()


class Visit:
    """One car at the bench, and what is done with it."""

    def __init__(self, jobs: BenchJobs, seed: int, number: int) -> None:
        self.jobs, self.knowledge, self.seed, self.number = jobs, jobs.knowledge, seed, number
        self.random = np.random.default_rng([seed, number, *jobs.complaint.encode()])
        self.done: list[str] = []
        filed = jobs.store.open_case(f"{seed}-{number}", jobs.complaint)
        self.session = Session.opened(jobs.engines, jobs.store, filed, Workshop()).ranked("bits for the time")
        facts = {
            fact: self.drawn(list(said.values), list(said.values.values()))
            for fact, said in self.knowledge.facts.items()
        }
        self.car = Car(facts)

    def drawn(self, names: list[str], weights: list[float]) -> str:
        """One of several, by weight."""
        chances = np.array(weights, dtype=float)
        return names[int(self.random.choice(len(names), p=chances / chances.sum()))]

    def chance(self, share: float) -> bool:
        """Whether it happens this time."""
        return bool(self.random.random() < share)

    def found(self) -> Iterator[play.Found]:
        """What the car complained about."""
        if self.car.complaints:
            yield play.Found(
                self.jobs.complaint, self.seed, self.number, tuple(self.done), tuple(self.car.complaints)
            )

    def passes(self, minutes: float) -> None:
        """Time goes by, and nobody touches the car."""
        self.car.wait(minutes)
        self.in_step()

    def in_step(self) -> None:
        """Let the clock at the bench show what the car's shows."""
        self.jobs.now = MORNING + timedelta(minutes=self.car.minutes)
        self.session = self.session.refreshed()

    # Somebody follows the advice

    def follow(self) -> bool:
        """Do what the advice says first; False once the job is over."""
        stop = self.session.advice.stop
        if stop is None:
            return self.take(self.session.proposals[0])
        if stop.reason == "check":
            return self.check()
        if stop.reason == "gone" or stop.fault is None or stop.fault not in self.knowledge.faults:
            return False
        self.mend(stop.fault)
        return True

    def mend(self, fault: str) -> None:
        """Do a remedy, with what it ends."""
        self.done.append(f"repair {fault}")
        before = self.session.car.condition.in_place
        self.car.wait(self.knowledge.faults[fault].remedy_minutes)
        self.session = self.session.repaired(fault)
        acts.end(self.car, before - self.session.car.condition.in_place)
        acts.repair(self.car, fault)
        self.in_step()

    def check(self) -> bool:
        """Look for the complaint again, in the condition that the check needs."""
        setups = self.session.check_setups
        self.done.append(f"{', '.join(setups)} → check")
        for setup in setups:
            self.make(setup)
        for setup in self.knowledge.complaints[self.jobs.complaint].check_setup:
            acts.claimed(self.car, setup)
        self.session = self.session.checked(self.chance(0.7))
        return True

    def make(self, setup: str, part: float = 1.0) -> None:
        """Make a setup, and wait for it, or for a part of that."""
        hands_on, waiting = self.session.setup_minutes(setup)
        acts.end(self.car, play.ends_of(self.knowledge, setup))
        acts.begin_setup(self.car, setup, hands_on)
        self.in_step()
        self.session = self.session.prepared([setup])
        if part < 1:
            self.passes(waiting * part)
        else:
            acts.finish_setup(self.car, setup, waiting)
            self.in_step()

    def take(self, proposal: CandidateReading, part: float = 1.0) -> bool:
        """Take a reading with its setups; the facts and figures that decide whether it applies come first."""
        asked = {one: self.car.facts[one] for one in proposal.asks if one in self.knowledge.facts}
        if asked:
            self.done.append(", ".join(f"{fact}: {value}" for fact, value in asked.items()))
            self.session = self.session.knows(asked)
            return True
        for figure in proposal.asks:
            low, high = self.knowledge.readings[proposal.reading].holds[figure]
            said = f"{(low + high) / 2:g} {self.knowledge.measurands[figure].unit}"
            self.done.append(f"{figure}: {said}")
            self.session = self.session.noted(figure, said)
            return True
        left = self.waits(proposal)
        if left > 0:
            self.passes(left * part)
            if part < 1 and not self.session.early(proposal.reading):
                self.car.needs(proposal.reading, False, "its wait was left early, and nobody asks whether so")
        for setup in proposal.setups:
            self.make(setup)
        answers = self.session.answers(proposal.reading)
        outcome = self.drawn([one.outcome for one in answers], [one.probability for one in answers])
        self.done.append(
            f"{', '.join(proposal.setups) or 'nothing'} → {proposal.reading}: {outcome}"
            + (f", ends {', '.join(proposal.ends)}" if proposal.ends else "")
        )
        if part < 1:
            return self.guess(proposal, outcome)
        play.read(
            self.car,
            self.knowledge,
            self.session.case.facts,
            proposal.reading,
            outcome,
            self.needed(proposal.reading),
            self.put_an_end_to(proposal),
        )
        self.in_step()
        self.session = self.session.saw(proposal.reading, outcome)
        return True

    def guess(self, proposal: CandidateReading, outcome: str) -> bool:
        """Answer before the wait is over, which is kept as a guess."""
        self.session = self.session.saw(proposal.reading, outcome, self.session.policy.a_guess)
        return True

    def needed(self, reading: str) -> tuple[str, ...]:
        """The setups of a reading."""
        return setups_of(self.knowledge, reading)

    def put_an_end_to(self, proposal: CandidateReading) -> list[str]:
        """The setups that the card says taking a reading ends, but those that its own setups end."""
        said = self.knowledge.readings[proposal.reading]
        own = self.knowledge.setup_rules.with_built_on((*said.ends, *said.ends_for_good))
        return sorted(own.intersection(proposal.ends))

    def waits(self, proposal: CandidateReading) -> float:
        """Minutes that the setups of a reading which are in place still have to wait."""
        waiting = self.session.waiting
        return max((waiting.get(one, 0.0) for one in self.needed(proposal.reading)), default=0.0)

    # Somebody does not

    def wander(self) -> bool:
        """Do something at random; False where there is nothing left to do."""
        self.try_on_all()
        if not self.session.proposals:
            return False
        proposal = self.session.proposals[int(self.random.integers(len(self.session.proposals)))]
        act = self.drawn(
            ["take", "begin", "early", "slip", "state", "idle", "mend", "use"], [50, 12, 6, 8, 8, 8, 4, 4]
        )
        self.jobs.counts[act] += 1
        try:
            getattr(self, f"_{act}")(proposal)
        except InconsistentEvidence:
            self.done.append("that cannot be, and nothing was kept")
        return True

    def try_on_all(self) -> None:
        """Try on a twin of the car every reading that is offered, as the program says it can be taken."""
        for proposal in self.session.proposals:
            if any(self.car.facts.get(one, "") != self.session.case.facts.get(one) for one in proposal.asks):
                continue
            twin = self.car.twin()
            twin.wait(self.waits(proposal))
            for setup in proposal.setups:
                acts.end(twin, play.ends_of(self.knowledge, setup))
                acts.set_up(twin, setup, *self.session.setup_minutes(setup))
            needed = self.needed(proposal.reading)
            ended = self.put_an_end_to(proposal)
            play.read(twin, self.knowledge, self.session.case.facts, proposal.reading, None, needed, ended)
            self.car.complaints += [one for one in twin.complaints if one not in self.car.complaints]

    def _take(self, proposal: CandidateReading) -> None:
        self.take(proposal)

    def _begin(self, proposal: CandidateReading) -> None:
        """Make the setups of a reading and go away; what is done next may disturb the wait."""
        for setup in proposal.setups[:1]:
            self.done.append(f"begin {setup}")
            hands_on, _ = self.session.setup_minutes(setup)
            acts.end(self.car, play.ends_of(self.knowledge, setup))
            acts.begin_setup(self.car, setup, hands_on)
            self.in_step()
            self.session = self.session.prepared([setup])

    def _early(self, proposal: CandidateReading) -> None:
        waits = [one for one, left in self.session.waiting.items() if left > 0]
        for other in self.session.proposals:
            if not other.setups and set(waits) & set(self.needed(other.reading)) and not other.asks:
                self.take(other, part=0.3)
                return

    def _slip(self, proposal: CandidateReading) -> None:
        """Enter an answer by a slip of the finger, and undo it: everything is as it was before."""
        answers = self.session.answers(proposal.reading)
        outcome = self.drawn([one.outcome for one in answers], [one.probability for one in answers])
        before = present(self.knowledge, self.session.case, self.session.filed.times)
        slipped = self.session.saw(proposal.reading, outcome)
        self.session = slipped.undone()
        after = present(self.knowledge, self.session.case, self.session.filed.times)
        self.car.needs(f"undo {proposal.reading}", after == before, "the condition is not what it was before")

    def _state(self, proposal: CandidateReading) -> None:
        """Say what is so, where the program does not know it."""
        for setup in self.session.to_state(proposal)[0]:
            if acts.SETUPS[setup].is_in_place(self.car):
                self.done.append(f"somebody says: {setup}")
                self.session = self.session.stated(setup, 0.0)
                return

    def _idle(self, proposal: CandidateReading) -> None:
        minutes = float(self.random.integers(5, 200))
        self.done.append(f"{minutes:g} minutes go by")
        self.passes(minutes)
        kinds = [self.knowledge.setups[one].kind for one in self.session.car.condition.in_place]
        if "running" not in kinds:
            self.car.switch_off()  # nobody comes back to a running engine and leaves it on for nothing

    def _mend(self, proposal: CandidateReading) -> None:
        listed = [one for one in self.session.advice.suspects if one.fault in self.knowledge.faults]
        self.mend(listed[0].fault)
        self.check()

    def _use(self, proposal: CandidateReading) -> None:
        """Switch everything off, open a door, and say what is no longer so."""
        self.done.append("switched off and a door opened")
        self.car.switch_off()
        self.car.open_up()
        for setup in sorted(self.session.car.condition.in_place):
            waits = self.session.waiting.get(setup, 0.0) > 0
            untrue = waits or not acts.SETUPS[setup].is_in_place(self.car)
            if untrue and setup in self.session.car.condition.in_place:
                self.session = self.session.ended(setup, "a door was opened")
