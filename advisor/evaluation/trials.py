"""Simulated cars played by several policies, on all cores, with the results.

Cars are drawn from each complaint's network: their causes, several of them where it so happens, and what
every reading would show with each instrument, errors included. Nothing but the complaint is known at the
start. The figures are properties of the numbers written in the knowledge, not of cars in a workshop.

Each run of cars has a seed of its own, so that the result is the same whatever the number of cores.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import joblib
import numpy as np

from advisor.advice.rules import Workshop, comparable, endings
from advisor.arrays import Bools, Floats, Ints
from advisor.case.case import Case
from advisor.evaluation.bounds import all_readings, told_of_single_faults
from advisor.evaluation.perturbation import disturbed_tables, tables_of_worse_proofs
from advisor.evaluation.policies import POLICY_TITLES, play_policy
from advisor.inference.compiler import compile_tables
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import REASONS, Ranker, compile_ranker
from advisor.simulate.jobs import Cars, Jobs, Starts, draw_cars, play_many, starts_of

EVERYTHING = "everything"
"""The name of taking every reading, among the policies."""
WORSE_PROOFS = "worse proofs"
"""The name of the advice on cars whose proofs show less often, and falsely more often, than is written."""
CARS_AT_ONCE = 250
"""Cars of one run; disturbances are drawn anew for each run."""


def disturbed(noise: float) -> str:
    """Return the policy name of the advice with this much log-odds noise."""
    return f"disturbed {noise:g}"


@dataclass(frozen=True, eq=False)
class TrialRecord:
    """The results of playing cars by one policy, one entry for each car."""

    beliefs: Floats  # (cars, faults)
    readings: Ints
    hands_on_minutes: Floats
    waiting_minutes: Floats
    unresolved: Bools  # ended with nothing left to read, or with an unlisted cause ahead
    ending: Ints  # an index of `rules.ENDINGS`

    @property
    def leading(self) -> Ints:
        """Return the leading suspect of each car at the end, as a column of the beliefs."""
        return np.asarray(np.asarray(comparable(self.beliefs)).argmax(axis=1))

    @classmethod
    def of(cls, jobs: Jobs) -> TrialRecord:
        """Return the record of jobs."""
        ranker, faults = jobs.ranker, len(jobs.ranker.faults)
        sure = jobs.group_beliefs >= ranker.policy.sure_at
        group = np.asarray((sure & jobs.proved[:, faults:]).any(axis=1))
        proved = jobs.proved[:, :faults]
        open_ends = [REASONS.index("nothing-left"), REASONS.index("unlisted")]
        return cls(
            jobs.beliefs,
            np.asarray((jobs.taken >= 0).sum(axis=1)),
            jobs.hands_on_minutes,
            jobs.waiting_minutes,
            np.isin(jobs.reason, open_ends),
            endings(ranker.policy, jobs.beliefs, ranker.unlisted, proved, group),
        )


@dataclass(frozen=True, eq=False)
class Trial:
    """Cars of one complaint, and a record for each policy by which they were played."""

    complaint: str
    faults: tuple[str, ...]
    present: Bools  # (cars, faults)
    records: Mapping[str, TrialRecord]


@dataclass(frozen=True)
class TrialPlan:
    """What to play: cars for each complaint, policies, disturbances, and the seed."""

    complaints: tuple[str, ...]
    cars: int
    seed: int
    policies: tuple[str, ...] = tuple(POLICY_TITLES)
    noises: tuple[float, ...] = ()
    worse_proofs: bool = False
    fault: str | None = None  # only cars that have it
    workshop: Workshop = field(default_factory=Workshop)
    workshop_policy: Policy = DEFAULT


@dataclass(frozen=True, eq=False)
class _Run:
    ranker: Ranker
    complaint: str
    told: Floats
    count: int
    seed: np.random.SeedSequence
    plan: TrialPlan


def evaluate(
    knowledge: Knowledge, plan: TrialPlan, cores: int, progress: Callable[[int, int], None] | None = None
) -> tuple[Trial, ...]:
    """Play simulated cars of every complaint of the plan; `progress` receives cars done and their total.

    `cores` of -1 means all. An interrupt ends it without a result.
    """
    sizes = _sizes(plan.cars)
    done, parts = 0, []
    # An interrupt is this process's to answer: it ends the others, which would each print where they were.
    parallel = joblib.Parallel(
        n_jobs=cores,
        return_as="generator",
        pre_dispatch="n_jobs",
        initializer=partial(signal.signal, signal.SIGINT, signal.SIG_IGN),
    )
    for part in parallel(joblib.delayed(_played)(run) for run in _runs(knowledge, plan, sizes)):
        parts.append(part)
        done += len(part.present)
        if progress is not None:
            progress(done, plan.cars * len(plan.complaints))
    each = len(sizes)
    return tuple(_joined(parts[at : at + each]) for at in range(0, len(parts), each))


def ranker_of(
    knowledge: Knowledge, complaint: str, workshop: Workshop | None = None, policy: Policy = DEFAULT
) -> Ranker:
    """Return what the advice on a complaint goes by, from the knowledge as written."""
    return compile_ranker(
        knowledge, compile_tables(build(knowledge, complaint).tables), complaint, workshop, policy
    )


def _sizes(cars: int) -> list[int]:
    return [min(CARS_AT_ONCE, cars - first) for first in range(0, cars, CARS_AT_ONCE)]


def _runs(knowledge: Knowledge, plan: TrialPlan, sizes: Sequence[int]) -> Iterator[_Run]:
    for complaint in plan.complaints:
        ranker = ranker_of(knowledge, complaint, plan.workshop, plan.workshop_policy)
        told = told_of_single_faults(ranker, complaint)
        # A complaint's cars are the same whatever other complaints are played with it.
        own = np.random.SeedSequence([plan.seed, *complaint.encode()])
        for size, seed in zip(sizes, own.spawn(len(sizes)), strict=True):
            yield _Run(ranker, complaint, told, size, seed, plan)


def _played(run: _Run) -> Trial:
    ranker, plan = run.ranker, run.plan
    for_cars, for_order, *for_noise = run.seed.spawn(2 + len(plan.noises))
    starts = starts_of(ranker, [Case(run.complaint)])
    everywhere = np.zeros(run.count, dtype=np.intp)
    having = _drawn_from(ranker, starts, plan.fault)
    cars = draw_cars(ranker, having, everywhere, np.random.default_rng(for_cars))
    order = np.random.default_rng(for_order)
    records = {
        str(policy): TrialRecord.of(play_policy(ranker, starts, cars, policy, run.told, order))
        for policy in plan.policies
    }
    if plan.worse_proofs:
        worse = _drawn_with_worse_proofs(run, np.random.default_rng(for_cars))
        records[WORSE_PROOFS] = TrialRecord.of(play_many(ranker, starts, worse))
    records[EVERYTHING] = TrialRecord.of(all_readings(ranker, starts, cars))
    for noise, seed in zip(plan.noises, for_noise, strict=True):
        tables = disturbed_tables(ranker.knowledge, run.complaint, noise, np.random.default_rng(seed))
        other = compile_ranker(
            ranker.knowledge, compile_tables(tables), run.complaint, plan.workshop, plan.workshop_policy
        )
        jobs = play_many(other, starts_of(other, [Case(run.complaint)]), cars)
        records[disturbed(noise)] = TrialRecord.of(jobs)
    return Trial(run.complaint, ranker.faults, cars.faults, records)


def _drawn_with_worse_proofs(run: _Run, random: np.random.Generator) -> Cars:
    """Return the cars of a run, with the same causes, as worse proofs would show them."""
    ranker, plan = run.ranker, run.plan
    engine = compile_tables(tables_of_worse_proofs(ranker.knowledge, run.complaint))
    other = compile_ranker(ranker.knowledge, engine, run.complaint, plan.workshop, plan.workshop_policy)
    starts = _drawn_from(other, starts_of(other, [Case(run.complaint)]), plan.fault)
    return draw_cars(other, starts, np.zeros(run.count, dtype=np.intp), random)


def _drawn_from(ranker: Ranker, starts: Starts, fault: str | None) -> Starts:
    """Return the starts that cars are drawn from: those of the plan, or only such as have a fault."""
    if fault is None:
        return starts
    potentials = starts.potentials.copy()
    every = np.arange(len(potentials))
    ranker.batch.observe(potentials, every, fault, np.ones(len(every), dtype=np.intp))
    return replace(starts, potentials=potentials)


def _joined(parts: Sequence[Trial]) -> Trial:
    first = parts[0]
    records = {
        policy: TrialRecord(
            np.concatenate([part.records[policy].beliefs for part in parts]),
            np.concatenate([part.records[policy].readings for part in parts]),
            np.concatenate([part.records[policy].hands_on_minutes for part in parts]),
            np.concatenate([part.records[policy].waiting_minutes for part in parts]),
            np.concatenate([part.records[policy].unresolved for part in parts]),
            np.concatenate([part.records[policy].ending for part in parts]),
        )
        for policy in first.records
    }
    return Trial(first.complaint, first.faults, np.concatenate([part.present for part in parts]), records)
