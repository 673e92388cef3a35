"""Scenario files played to the end: the advice asks, and an invented car answers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from advisor.advice.advice import Advice, CandidateReading, advise
from advisor.advice.rules import Workshop
from advisor.advice.situation import InconsistentEvidence, Situation
from advisor.case.case import Case
from advisor.case.entries import Known, Measured, Seen, Stated
from advisor.case.typed import NotUnderstood, direct
from advisor.inference.engine import ImpossibleEvidence, InferenceEngine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import knowledge_files, read
from advisor.knowledge.problems import Place, Problem, ProblemsFound
from advisor.knowledge.vocabulary import AuthoredModel, Text
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import PlayedRanking
from advisor.text import nearest

ARRIVED = "2030-01-01T08:00:00+00:00"
"""Since when the condition of an invented car holds; nobody's clock runs there."""


class Scenario(AuthoredModel):
    """A car whose causes are known: what is wrong with it, and what its readings show.

    A reading that `shows` does not name shows what such a car most often shows. `invented` is true, or the
    word "recorded" where the rest was taken from a closed job (see `recording`). `condition` are setups that
    the car is in when it comes, as somebody says.
    """

    language: Literal[1]
    invented: Literal[True, "recorded"]
    name: Text
    complaint: str
    story: Text
    facts: Mapping[str, str] = Field(default_factory=dict)
    condition: tuple[str, ...] = ()
    causes: Annotated[tuple[str, ...], Field(min_length=1)]
    shows: Mapping[str, str] = Field(default_factory=dict)
    without: tuple[str, ...] = ()
    misleads: tuple[str, ...] = ()  # readings of `shows` that point the wrong way


@dataclass(frozen=True)
class Step:
    """One reading of a played scenario: what was proposed, what it showed, and the advice after it."""

    proposal: CandidateReading
    entry: Seen | Measured
    advice: Advice


@dataclass(frozen=True)
class Played:
    """A scenario played to the stop."""

    scenario: Scenario
    case: Case
    start: Advice
    steps: tuple[Step, ...]

    @property
    def end(self) -> Advice:
        """Return the advice at the stop."""
        return self.steps[-1].advice if self.steps else self.start

    @property
    def minutes(self) -> float:
        """Return the minutes spent on readings and setups."""
        return sum(step.proposal.minutes for step in self.steps)

    @property
    def right(self) -> bool:
        """Whether the true causes, and no others, head the list at the end."""
        causes = self.scenario.causes
        return {suspect.fault for suspect in self.end.suspects[: len(causes)]} == set(causes)


def read_scenarios(paths: Iterable[Path], knowledge: Knowledge) -> dict[Path, Scenario]:
    """Read scenario files and folders, all below included; raises `ProblemsFound` with every problem."""
    found: dict[Path, Scenario] = {}
    problems: list[Problem] = []
    meant = list(paths)
    for path in meant:
        folders = sorted(one for one in path.rglob("*") if one.is_dir()) if path.is_dir() else []
        for file in knowledge_files([path, *folders]):
            try:
                scenario, places = read(file, Scenario)
            except ProblemsFound as error:
                problems += error.problems
                continue
            found[file] = scenario
            problems += _unknown(scenario, places, knowledge)
    if not found and not problems:
        where = Place(str(next(iter(meant), Path())), 1, 1)
        what = "There is no scenario here."
        problems.append(Problem(where, "no-knowledge", what, "", "Name a file or a folder with some."))
    if problems:
        raise ProblemsFound(problems)
    return found


def _unknown(
    scenario: Scenario, places: dict[tuple[str | int, ...], Place], knowledge: Knowledge
) -> Iterable[Problem]:
    checks: list[tuple[tuple[str | int, ...], str, Iterable[str], str]] = [
        (("complaint",), scenario.complaint, knowledge.complaints, "complaint")
    ]
    checks += [
        (("condition", at), setup, knowledge.setups, "setup") for at, setup in enumerate(scenario.condition)
    ]
    checks += [(("causes", at), cause, knowledge.faults, "fault") for at, cause in enumerate(scenario.causes)]
    checks += [
        (("without", at), w, knowledge.instruments, "instrument") for at, w in enumerate(scenario.without)
    ]
    checks += [
        (("misleads", at), one, scenario.shows, "reading under shows")
        for at, one in enumerate(scenario.misleads)
    ]
    for fact, value in scenario.facts.items():
        checks.append((("facts", fact), fact, knowledge.facts, "fact"))
        if fact in knowledge.facts:
            checks.append((("facts", fact), value, knowledge.facts[fact].values, "value"))
    for reading, outcome in scenario.shows.items():
        checks.append((("shows", reading), reading, knowledge.readings, "reading"))
        if reading in knowledge.readings:
            said = knowledge.readings[reading]
            if said.quantity and any(letter.isdigit() for letter in outcome) and outcome not in said.answers:
                yield from _not_a_number(knowledge, reading, outcome, places["shows", reading])
            else:
                checks.append((("shows", reading), outcome, said.answers, "outcome"))
    for path, word, choices, kind in checks:
        if word not in choices:
            yield Problem(
                places[path], "unknown-id", f"There is no {kind} '{word}'.", "", nearest(word, choices)
            )


def _not_a_number(knowledge: Knowledge, reading: str, said: str, place: Place) -> Iterable[Problem]:
    try:
        direct(knowledge, reading, said, "")
    except NotUnderstood as error:
        yield Problem(place, "wrong-value", f"'{said}' will not do.", "", str(error))


def play(
    knowledge: Knowledge,
    engine: InferenceEngine,
    scenario: Scenario,
    policy: Policy = DEFAULT,
    ranking: PlayedRanking = "bits for the time",
) -> Played:
    """Let the advice ask and the scenario's car answer, until the advice says stop."""
    workshop = Workshop(without=frozenset(scenario.without))
    known = [Known(fact, value) for fact, value in scenario.facts.items()]
    stated = [Stated(setup, ARRIVED) for setup in scenario.condition]
    case = Case(scenario.complaint, (*known, *stated))
    shows = {**typical_outcomes(knowledge, engine, case, scenario.causes), **scenario.shows}
    start = advice = advise(Situation.of(knowledge, engine, case, policy), workshop)
    steps: list[Step] = []
    while advice.stop is None:
        proposal = (advice.by_bits if ranking == "bits" else advice.proposals)[0]
        entry = shown(knowledge, proposal, shows[proposal.reading])
        case = case.with_entry(entry)
        before = {suspect.fault: suspect.probability for suspect in advice.suspects}
        advice = advise(Situation.of(knowledge, engine, case, policy), workshop, before=before)
        steps.append(Step(proposal, entry, advice))
    return Played(scenario, case, start, tuple(steps))


def shown(knowledge: Knowledge, proposal: CandidateReading, said: str) -> Seen | Measured:
    """Return a scenario's reading as an entry: an outcome, or a number with the instrument at hand."""
    if said in knowledge.readings[proposal.reading].answers:
        return Seen(proposal.reading, said)
    return direct(knowledge, proposal.reading, said, proposal.instrument or "")


def typical_outcomes(
    knowledge: Knowledge, engine: InferenceEngine, case: Case, causes: Iterable[str]
) -> dict[str, str]:
    """Return what each reading shows most often with these causes; may raise `InconsistentEvidence`."""
    causes = set(causes)
    evidence = case.evidence(knowledge, engine)
    for fault in engine.targets:
        evidence[fault] = engine.one_hot(fault, "present" if fault in causes else "absent")
    try:
        predictive = engine.query(evidence).predictive
    except ImpossibleEvidence as error:
        what = (
            f"A car with these facts cannot have exactly these causes: {', '.join(error.clash)}. "
            "Change the facts or the causes."
        )
        raise InconsistentEvidence(error.clash, what) from error
    return {
        reading: engine.outcomes[reading][int(probabilities.argmax())]
        for reading, probabilities in predictive.items()
    }
