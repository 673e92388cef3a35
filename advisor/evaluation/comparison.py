"""Two versions of the knowledge on the same simulated cars and scenarios: what got better, worse, slower.

Half of the cars are drawn from the old version and half from the new one, and each is played by both. On cars
from one version alone that version would always seem better, since advice that believes what the cars are
drawn from cannot be beaten; with half of each, a number that was merely changed gains on one half about what
it loses on the other, and what counts is what was taken away or added.

A car shows to both versions what both can read alike: a reading whose outcomes, limits or instruments differ
is not to be had on cars of the other version. A cause that a version does not know is one not listed there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from scipy.stats import norm

from advisor.advice.situation import InconsistentEvidence
from advisor.arrays import Bools, Floats
from advisor.case.case import Case
from advisor.evaluation.scenarios import Scenario, play, read_scenarios
from advisor.evaluation.trials import ranker_of
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.problems import ProblemsFound
from advisor.model.network import build
from advisor.model.nodes import reading_of
from advisor.simulate.array_advice import Ranker
from advisor.simulate.jobs import Cars, Jobs, Starts, draw_cars, play_many, starts_of

MEASURES = {
    "first": "right cause first, of 100",
    "hands_on": "hands-on minutes",
    "waiting": "waiting minutes",
}
LEAST: dict[str, float] = {"first": 0.5, "hands_on": 0.5, "waiting": 1.0}
"""Smaller differences of means are not reported."""
FALSE_ALARM = 0.05
"""The probability of calling anything worse or better if nothing is, over all comparisons."""
LEAST_MOVED = 0.0005
"""Smaller changes of a cause's probability are not told."""
FEWEST_CARS = 30
"""A fault with fewer cars is not compared."""

Verdict = Literal["better", "worse", "same"]


@dataclass(frozen=True)
class Difference:
    """New less old in one measure on the same cars, with the standard error of the paired difference."""

    complaint: str
    fault: str | None
    measure: str
    cars: int
    old: float
    new: float
    standard_error: float
    verdict: Verdict

    @property
    def change(self) -> float:
        """Return how much it rose from the old version to the new one."""
        return self.new - self.old


@dataclass(frozen=True)
class ReplayedScenario:
    """A scenario under both versions: whether its causes came out on top, and its minutes.

    Where a version cannot play it, that is None and the minutes are no number.
    """

    name: str
    old_right: bool | None
    new_right: bool | None
    old_minutes: float
    new_minutes: float

    @property
    def verdict(self) -> Verdict:
        """Return worse if its causes were found and no longer are, better the other way round."""
        if bool(self.old_right) == bool(self.new_right):
            return "same"
        return "worse" if self.old_right else "better"


@dataclass(frozen=True)
class ShareChange:
    """How probable a cause is given its complaint alone, before and after; None where it is not known."""

    complaint: str
    cause: str
    name: str
    old: float | None
    new: float | None

    @property
    def change(self) -> float:
        """Return how much more probable it became."""
        return (self.new or 0.0) - (self.old or 0.0)


@dataclass(frozen=True)
class Comparison:
    """The differences between two versions of the knowledge."""

    cars: int
    removed: tuple[str, ...]  # complaints that the new version no longer has
    added: tuple[str, ...]
    new_readings: tuple[str, ...]
    gone_readings: tuple[str, ...]
    shares: tuple[ShareChange, ...]  # the largest changes of a complaint first
    differences: tuple[Difference, ...]
    scenarios: tuple[ReplayedScenario, ...]

    @property
    def anything_worse(self) -> bool:
        """Return whether anything is worse by more than chance; a removed complaint is."""
        verdicts = {one.verdict for one in self.differences} | {one.verdict for one in self.scenarios}
        return bool(self.removed) or "worse" in verdicts


@dataclass(frozen=True, eq=False)
class _Pairs:
    """One complaint's cars under both versions: their causes by name, and each measure, (2, cars)."""

    complaint: str
    causes: Mapping[str, Bools]
    measures: Mapping[str, Floats]


def compare(
    old: Knowledge,
    new: Knowledge,
    cars: int,
    seed: int,
    scenarios: Sequence[Path] = (),
    complaints: Sequence[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Play the same cars and scenarios under both versions.

    `progress` receives the complaints done and their total.
    """
    both = [name for name in old.complaints if name in new.complaints]
    both = [name for name in both if not complaints or name in complaints]
    pairs = []
    for done, complaint in enumerate(both):
        pairs.append(_pairs(old, new, complaint, cars, np.random.default_rng([seed, *complaint.encode()])))
        if progress is not None:
            progress(done + 1, len(both))
    return Comparison(
        cars,
        tuple(name for name in old.complaints if name not in new.complaints),
        tuple(name for name in new.complaints if name not in old.complaints),
        tuple(name for name in new.readings if name not in old.readings),
        tuple(name for name in old.readings if name not in new.readings),
        tuple(one for complaint in both for one in _share_changes(old, new, complaint)),
        _judged([one for pair in pairs for one in _differences(pair)]),
        tuple(_replayed(old, new, scenarios, both)),
    )


def _share_changes(old: Knowledge, new: Knowledge, complaint: str) -> list[ShareChange]:
    """Return the causes that are new, gone, or more or less probable than before, by size of the change."""
    before, after = (_beliefs(version, complaint) for version in (old, new))
    changes = [
        ShareChange(
            complaint,
            cause,
            (new if cause in after else old).title(cause),
            before.get(cause),
            after.get(cause),
        )
        for cause in dict.fromkeys((*after, *before))
    ]
    told = [one for one in changes if None in (one.old, one.new) or abs(one.change) >= LEAST_MOVED]
    return sorted(told, key=lambda one: -abs(one.change))


def _beliefs(knowledge: Knowledge, complaint: str) -> dict[str, float]:
    """Return how probable each cause is where nothing but the complaint is known."""
    engine = compile_tables(build(knowledge, complaint).tables)
    return dict(engine.query({complaint: engine.one_hot(complaint, "present")}).beliefs)


def _pairs(old: Knowledge, new: Knowledge, complaint: str, cars: int, random: np.random.Generator) -> _Pairs:
    versions = [ranker_of(old, complaint), ranker_of(new, complaint)]
    starts = [starts_of(ranker, [Case(complaint)]) for ranker in versions]
    causes: dict[str, list[Bools]] = {}
    halves: list[dict[str, Floats]] = []
    sizes = [cars - cars // 2, cars // 2]
    for at, (ranker, start, size) in enumerate(zip(versions, starts, sizes, strict=True)):
        drawn = draw_cars(ranker, start, np.zeros(size, dtype=np.intp), random)
        for name in dict.fromkeys(name for one in versions for name in one.faults):
            here = drawn.faults[:, ranker.faults.index(name)] if name in ranker.faults else None
            causes.setdefault(name, [np.zeros(n, dtype=bool) for n in sizes])
            if here is not None:
                causes[name][at] = here
        halves.append(_half(ranker, drawn, versions, starts))
    return _Pairs(
        complaint,
        {name: np.concatenate(parts) for name, parts in causes.items()},
        {measure: np.concatenate([half[measure] for half in halves], axis=1) for measure in MEASURES},
    )


def _half(
    home: Ranker, drawn: Cars, versions: Sequence[Ranker], starts: Sequence[Starts]
) -> dict[str, Floats]:
    """Return the measures of one version's cars under both, (2, cars) each."""
    found: dict[str, list[Floats]] = {measure: [] for measure in MEASURES}
    for ranker, start in zip(versions, starts, strict=True):
        cars, alike = _seen_by(home, ranker, drawn)
        jobs = play_many(ranker, replace(start, gone=start.gone | ~alike), cars)
        found["first"].append(100 * _right_first(home, ranker, drawn, jobs))
        found["hands_on"].append(jobs.hands_on_minutes)
        found["waiting"].append(jobs.waiting_minutes)
    return {measure: np.stack(rows) for measure, rows in found.items()}


def _seen_by(home: Ranker, other: Ranker, drawn: Cars) -> tuple[Cars, Bools]:
    """Return the cars as another version reads them, and which of its readings they can show."""
    columns = {name: at for at, name in enumerate(home.batch.readings)}
    shows = np.zeros((len(drawn.start), len(other.batch.readings)), dtype=np.intp)
    for at, name in enumerate(other.batch.readings):
        if name in columns:
            shows[:, at] = drawn.shows[:, columns[name]]
    alike = np.array([_alike(home, other, name) for name in other.readings], dtype=bool)
    return Cars(drawn.start, drawn.faults, shows), alike


def _alike(home: Ranker, other: Ranker, reading: str) -> bool:
    """Return whether a reading shows the same things in both versions."""
    if home is other:
        return True
    versions = (home.knowledge, other.knowledge)
    if any(reading not in one.readings for one in versions):
        return False
    said, also = (one.readings[reading] for one in versions)
    columns = [
        tuple(name for name in one.batch.readings if reading_of(name) == reading) for one in (home, other)
    ]
    instruments = ([one.instruments[name] for name in said.instrument] for one in versions)
    return (
        columns[0] == columns[1]
        and tuple(said.answers) == tuple(also.answers)
        and said.quantity == also.quantity
        and said.instrument == also.instrument
        and len({tuple((one.units, str(one.accuracy)) for one in known) for known in instruments}) == 1
    )


def _right_first(home: Ranker, other: Ranker, drawn: Cars, jobs: Jobs) -> Floats:
    """Return 1 for each car whose leading suspect is one of its causes; unknown ones count as unlisted."""
    known = [at for at, name in enumerate(other.faults) if name in home.faults]
    there = np.zeros((len(drawn.start), len(other.faults)), dtype=bool)
    there[:, known] = drawn.faults[:, [home.faults.index(other.faults[at]) for at in known]]
    unknown = drawn.faults[:, [at for at, name in enumerate(home.faults) if name not in other.faults]]
    there |= np.asarray(unknown.any(axis=1))[:, None] & other.unlisted
    return np.take_along_axis(there, jobs.beliefs.argmax(axis=1)[:, None], axis=1)[:, 0].astype(np.float64)


def _differences(pairs: _Pairs) -> Iterator[Difference]:
    """Return the paired differences of a complaint and of its faults with enough cars, not yet judged."""
    everyone = np.ones(len(next(iter(pairs.causes.values()))), dtype=bool)
    groups: list[tuple[str | None, Bools]] = [(None, everyone), *sorted(pairs.causes.items())]
    for fault, has in groups:
        count = int(has.sum())
        if count < FEWEST_CARS:
            continue
        for measure in MEASURES:
            old, new = pairs.measures[measure][:, has]
            error = float(np.std(new - old, ddof=1)) / math.sqrt(count)
            yield Difference(
                pairs.complaint, fault, measure, count, float(old.mean()), float(new.mean()), error, "same"
            )


def _judged(found: Sequence[Difference]) -> tuple[Difference, ...]:
    """Return the differences with verdicts: beyond chance (Bonferroni), and large enough to matter."""
    beyond = float(norm.isf(FALSE_ALARM / 2 / max(len(found), 1)))

    def verdict(one: Difference) -> Verdict:
        if abs(one.change) <= max(beyond * one.standard_error, LEAST[one.measure]):
            return "same"
        return "better" if (one.change > 0) == (one.measure == "first") else "worse"

    return tuple(replace(one, verdict=verdict(one)) for one in found)


def _replayed(
    old: Knowledge, new: Knowledge, paths: Sequence[Path], complaints: Sequence[str]
) -> Iterator[ReplayedScenario]:
    """Replay the scenarios of the complaints under both versions."""
    engines: dict[tuple[str, str], Engine] = {}
    for file in paths:
        scenarios = [_scenario(version, file) for version in (old, new)]
        about = next((one for one in scenarios if one is not None), None)
        if about is None or about.complaint not in complaints:
            continue
        (right, minutes), (also_right, also_minutes) = (
            _outcome(version, scenario, engines)
            for version, scenario in zip((old, new), scenarios, strict=True)
        )
        yield ReplayedScenario(file.name, right, also_right, minutes, also_minutes)


def _scenario(knowledge: Knowledge, file: Path) -> Scenario | None:
    """Return the scenario of a file, if this knowledge has everything it names."""
    try:
        (scenario,) = read_scenarios([file], knowledge).values()
    except ProblemsFound:
        return None
    return scenario


def _outcome(
    knowledge: Knowledge, scenario: Scenario | None, engines: dict[tuple[str, str], Engine]
) -> tuple[bool | None, float]:
    """Return whether a scenario's causes came out on top, and its minutes (see `ReplayedScenario`)."""
    if scenario is None:
        return None, math.nan
    key = (knowledge.version, scenario.complaint)
    if key not in engines:
        engines[key] = ranker_of(knowledge, scenario.complaint).batch.engine
    try:
        played = play(knowledge, engines[key], scenario)
    except InconsistentEvidence:
        return None, math.nan
    return played.right, played.minutes
