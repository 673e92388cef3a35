"""What closed jobs say about the authored numbers, as Dirichlet and Beta updates. It proposes, never edits.

The author's number is worth a stated number of cars; what the workshop saw is added to them, and the mean
of both is the revised number (Gelman et al. 2013, Bayesian Data Analysis, sections 2.4 and 3.4).

*Shares* are counted over the cars with the complaint (or branch) that have a confirmed, listed cause. Jobs
that ended without one say nothing about which cause it was, so a gate's unlisted part stays as written, and
the listed shares are scaled by the part of cars that have a listed cause, as the author sees it.

*Likelihoods* use only cars on which the reading was taken, before any repair. What is read next depends on
what was read before, but given the true causes a reading's outcome is a fair draw whatever led to taking it;
so no correction is needed, and a reading not taken is missing, not normal. A noisy-OR or noisy-MAX cause is
counted on cars with exactly one of the reading's causes, the leak on cars with none, a table row by row. A
reading that depends on a noisy state is left out: nobody confirms a state.

An answer given with a confidence below 1, or a number near a limit, counts as so much of a car as it tells,
spread over the outcomes as its likelihood and the estimate itself have it (see `posterior`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.arrays import Floats
from advisor.case.confirmed import Finding, faults_below
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.vocabulary import Gate, Reading
from advisor.learning.dirichlet import interval, posterior, without_leak
from advisor.model.priors import solve, tree_of

SHARE_CARS = 50.0
"""How many cars an author's shares of one complaint or branch are worth (the project's choice)."""
LIKELIHOOD_CARS = 20.0
"""How many cars each of an author's likelihoods is worth (the project's choice)."""
LEVEL = 0.95
"""How much probability an interval holds (the project's choice)."""


@dataclass(frozen=True)
class Weights:
    """How many cars the author's numbers are worth, and what part of the belief an interval holds."""

    share_cars: float = SHARE_CARS
    likelihood_cars: float = LIKELIHOOD_CARS
    level: float = LEVEL


@dataclass(frozen=True)
class Change:
    """An authored number and its revised value: shares are of 100, likelihoods from 0 to 1.

    `path` leads to it in the knowledge; `cars` is how many cars speak about it, unsure ones in part.
    """

    path: Path
    before: float
    after: float
    low: float
    high: float
    cars: float

    @property
    def is_share(self) -> bool:
        """Return whether it is a share of 100 cars, not a likelihood."""
        return self.path[0] != "readings"

    @property
    def moved(self) -> float:
        """Return how far it moves, in cars of 100."""
        return abs(self.after - self.before) * (1 if self.is_share else 100)


@dataclass(frozen=True)
class Learned:
    """The numbers that move, and what was left out with the reason, by section and id."""

    changes: tuple[Change, ...]
    not_revised: tuple[tuple[Path, str], ...]


def learn(knowledge: Knowledge, findings: Sequence[Finding], weights: Weights | None = None) -> Learned:
    """Revise every share and likelihood that the findings inform. The knowledge has to be checked."""
    weights = weights or Weights()
    changes: list[Change] = []
    not_revised: list[tuple[Path, str]] = []
    present = {causes: _present(knowledge, causes) for causes in {one.causes for one in findings}}
    for name, gate, part, meant in _share_gates(knowledge):
        owner = ("complaints" if name in knowledge.complaints else "branches", name)
        cars = [present[one.causes] for one in findings if one.complaint in meant]
        if gate.by_fact and cars:
            not_revised.append((owner, f"shares by '{gate.facts[0]}' are not revised"))
        elif gate.kind in ("any_of", "exactly_one_of"):
            changes += _shares(owner, gate, part, cars, weights)
        elif cars:
            not_revised.append((owner, "shares of a voting gate are not revised"))
    for name, fault in knowledge.faults.items():
        if any(parent in there for parent in fault.brought_by for there in present.values()):
            not_revised.append((("faults", name), "how often another fault brings it is not revised"))
    for name, reading in knowledge.readings.items():
        takes = [one for one in findings if name in one.read]
        hidden = next((one for cause in reading.causes for one in _hidden(knowledge, cause)), None)
        if takes and hidden:
            not_revised.append((("readings", name), f"it depends on '{hidden}', which nobody confirms"))
        elif takes:
            changes += _likelihoods(knowledge, name, takes, present, weights)
    return Learned(tuple(changes), tuple(not_revised))


# Shares


def _share_gates(knowledge: Knowledge) -> Iterator[tuple[str, Gate, Mapping[str, float], set[str]]]:
    """Return every gate with numbers, its fraction of cars with a listed cause, and its complaint."""
    trees = {complaint: tree_of(knowledge, complaint) for complaint in knowledge.complaints}
    done: set[str] = set()
    for complaint, tree in trees.items():
        part = listed_part(knowledge, complaint)
        for name, gated in tree.items():
            if name not in done and gated.gate.has_numbers:
                done.add(name)
                yield name, gated.gate, part, {one for one, other in trees.items() if name in other}


def listed_part(knowledge: Knowledge, complaint: str) -> dict[str, float]:
    """Return the fraction of an item's cars that have a listed cause, as authored."""
    return dict(solve(knowledge, complaint).listed)


def _shares(
    owner: tuple[str, str],
    gate: Gate,
    part: Mapping[str, float],
    cars: Sequence[frozenset[str]],
    weights: Weights,
) -> Iterator[Change]:
    """Return the revised shares of a gate; for an exactly-one gate only cars with one member count."""
    section, name = owner
    held = [there for there in cars if 0 < len(there.intersection(gate.members)) <= gate.most]
    for member, share in gate.shares.items():
        if share is None or not held:
            continue
        count = sum(member in there for there in held)
        scale = 100 * part[name] / part[member]
        start = weights.share_cars * np.array([share / scale, 1 - share / scale])
        numbers = start + np.array([count, len(held) - count])
        low, high = (scale * one[0] for one in interval(numbers, weights.level))
        after = scale * float(numbers[0] / numbers.sum())
        path = (section, name, gate.kind, member)
        yield Change(path, share, after, float(low), min(100.0, float(high)), len(held))


def _present(knowledge: Knowledge, causes: frozenset[str]) -> frozenset[str]:
    """Return every fault, branch, gate state and complaint present with exactly these faults."""
    gated = knowledge.gated()
    held = dict.fromkeys(causes, True)

    def there(name: str) -> bool:
        if name not in held:
            gate = gated[name].gate if name in gated else None
            held[name] = gate is not None and gate.least <= sum(map(there, gate.members)) <= gate.most
        return held[name]

    return frozenset(name for name in (*causes, *gated) if there(name))


# Likelihoods


def _hidden(knowledge: Knowledge, name: str) -> Iterator[str]:
    """Return the noisy states that an item is, or depends on."""
    state = knowledge.states.get(name)
    if state is not None and state.noisy_or is not None:
        yield name
    elif state is not None:
        for cause in state.causes:
            yield from _hidden(knowledge, cause)


def _likelihoods(
    knowledge: Knowledge,
    name: str,
    takes: Sequence[Finding],
    present: Mapping[frozenset[str], frozenset[str]],
    weights: Weights,
) -> Iterator[Change]:
    reading = knowledge.readings[name]
    below = frozenset().union(*(faults_below(knowledge, cause) for cause in reading.causes))
    observed: dict[str | int, list[Floats]] = defaultdict(list)
    for one in takes:
        row = _row(knowledge, reading, present[one.causes], one.facts) if not below & one.unclear else None
        if row is not None:
            observed[row].append(one.read[name])
    if reading.table is not None:
        yield from _table(name, reading, observed, weights)
    else:
        yield from _noisy(name, reading, observed, weights)


def _row(
    knowledge: Knowledge, reading: Reading, present: frozenset[str], facts: Mapping[str, str]
) -> str | int | None:
    """Return what a car counts for: the leak (""), one cause alone, a row of a table, or None."""
    states = {cause: cause in present for cause in reading.causes if cause not in knowledge.facts}
    if reading.table is None:
        held = [cause for cause, there in states.items() if there]
        return None if len(held) > 1 else held[0] if held else ""
    for at, row in enumerate(reading.table):
        here = {cause: "present" if there else "absent" for cause, there in states.items()}
        here.update(facts)
        when = row.when or {}
        if any(cause in here and here[cause] != value for cause, value in when.items()):
            continue
        return at if all(cause in here for cause in when) else None  # it hangs on a fact nobody knows
    return None


def _table(
    name: str, reading: Reading, observed: Mapping[str | int, list[Floats]], weights: Weights
) -> Iterator[Change]:
    order = tuple(reading.answers)
    for at, row in enumerate(reading.table or ()):
        if at in observed:
            cars = np.array(observed[at])
            start = weights.likelihood_cars * reading.probabilities(row.spread, order)
            numbers = posterior(start, cars)
            path: Path = ("readings", name, "table", at, "gives" if row.gives else "otherwise")
            mean, (low, high) = numbers / numbers.sum(), interval(numbers, weights.level)
            yield from _changes(path, row.spread, order, (mean, low, high), _told(start, numbers))


def _noisy(
    name: str, reading: Reading, observed: Mapping[str | int, list[Floats]], weights: Weights
) -> Iterator[Change]:
    """Noisy-MAX, and noisy-OR as the one with two outcomes; outcomes from the mildest to the worst."""
    said = reading.noisy_or or reading.noisy_max
    if said is None:
        return
    answers = tuple(reading.answers)
    if reading.noisy_or is not None:
        kind, order = "noisy_or", tuple(sorted(answers, key=lambda one: one != reading.normal_outcome))
    else:
        kind, order = "noisy_max", reading.graded
    columns = [answers.index(one) for one in order]

    def probabilities(number: object) -> Floats:
        if isinstance(number, float):
            return np.array([1 - number, number])
        return reading.probabilities(dict(number), order)  # type: ignore[call-overload]

    start = leak = weights.likelihood_cars * probabilities(said.leak)
    if "" in observed:
        leak = posterior(start, np.array(observed[""])[:, columns])
        path: Path = ("readings", name, kind, "leak")
        found = (leak / leak.sum(), *interval(leak, weights.level))
        yield from _changes(path, said.leak, order, found, _told(start, leak))
    for cause, number in said.causes.items():
        if cause not in observed:
            continue
        effect = probabilities(number)
        if said.strengths == "alone":
            effect = np.diff(np.cumsum(effect) * np.cumsum(leak / leak.sum()), prepend=0.0)
        start = weights.likelihood_cars * effect
        numbers = posterior(start, np.array(observed[cause])[:, columns])
        if said.strengths == "alone":
            found = without_leak(numbers, leak, weights.level)
        else:
            found = (numbers / numbers.sum(), *interval(numbers, weights.level))
        path = ("readings", name, kind, "causes", cause)
        yield from _changes(path, number, order, found, _told(start, numbers))


def _changes(
    path: Path,
    said: float | Mapping[str, float],
    order: Sequence[str],
    found: tuple[Floats, Floats, Floats],
    cars: float,
) -> Iterator[Change]:
    """Return a change for each number written there."""
    mean, low, high = (one.tolist() for one in found)
    if isinstance(said, float):
        yield Change(path, said, mean[1], low[1], high[1], cars)
        return
    for outcome, before in said.items():
        at = order.index(outcome)
        yield Change((*path, outcome), before, mean[at], low[at], high[at], cars)


def _told(start: Floats, after: Floats) -> float:
    """Return how many cars were counted."""
    return max(0.0, float(after.sum() - start.sum()))
