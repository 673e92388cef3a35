"""Many made-up jobs at once, played by the plain advice to its stop.

Cars are drawn from what is believed of a case: their hidden states first, then what each reading would show
of them with each instrument at hand, errors included. What is read next and when a job ends is asked of
`ranking`. Jobs that have seen the same share one calculation: a batch grows like a tree of answers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.advice.obstacles import obstacle
from advisor.advice.proof import shown_by_proof
from advisor.advice.rules import Workshop
from advisor.arrays import Bools, Floats, Ints
from advisor.case.case import Case
from advisor.case.condition import present
from advisor.inference.batch import sample_categorical, stratified_uniforms
from advisor.knowledge.conditions import Condition, Way, after_reading
from advisor.model.nodes import is_instrument_leaf, reading_of
from advisor.simulate.array_advice import REASONS, Choices, Offers, Ranker, choose, flags, offers

StoppingRule = Callable[[Floats, Floats], Bools]
"""From beliefs, (states, faults), and minutes of the next reading, (states,): where to read no more."""
ReadingPolicy = Callable[[Floats, Offers], Floats]
"""From beliefs and offers: how much each reading is wished for, (states, readings); the most is taken."""
NUMBERS_AT_ONCE = 2**23
"""Jobs are played in blocks whose states fill this many numbers at most (64 MB)."""


@dataclass(frozen=True, eq=False)
class Starts:
    """Cases as the ranker sees them: `gone` readings are seen or cannot be taken on this car.

    `condition` is the number of each car's condition among those of the ranker, `left` the minutes that the
    waiting of setups in place still takes. `proved` are the faults and groups that a proof has shown.
    """

    potentials: Floats  # (starts, entries)
    gone: Bools  # (starts, readings)
    condition: Ints  # (starts,)
    left: Floats  # (starts, setups of the ranker's conditions)
    proved: Bools  # (starts, faults and groups)

    def of(self, which: Ints) -> Starts:
        """Return the starts at these places, in this order."""
        return Starts(
            self.potentials[which],
            self.gone[which],
            self.condition[which],
            self.left[which],
            self.proved[which],
        )


@dataclass(frozen=True, eq=False)
class Cars:
    """Made-up cars: which case each belongs to, its faults, and what each reading shows of it.

    `shows` has a column for each of the batch's readings: the outcome, or the cell that the instrument shows.
    """

    start: Ints  # (cars,)
    faults: Bools  # (cars, faults)
    shows: Ints  # (cars, readings of the batch)


@dataclass(frozen=True, eq=False)
class Jobs:
    """Jobs played to their stop, one for each car.

    `taken` are columns of the batch's readings in the order taken, -1 from the stop on; `reason` indexes
    `REASONS`; `beliefs` are those at the stop, `made` the setups that had to be made, and `proved` the faults
    and groups that a proof has shown.
    """

    ranker: Ranker
    taken: Ints  # (jobs, steps)
    hands_on_minutes: Floats  # (jobs,)
    waiting_minutes: Floats  # (jobs,)
    beliefs: Floats  # (jobs, faults)
    reason: Ints  # (jobs,)
    made: Bools  # (jobs, setups of the ranker's conditions)
    proved: Bools  # (jobs, faults and groups)
    group_beliefs: Floats  # (jobs, groups)

    @property
    def minutes(self) -> Floats:
        """Minutes of each job, hands on and waiting."""
        return self.hands_on_minutes + self.waiting_minutes

    @property
    def halted(self) -> bool:
        """Whether the caller stopped it before every job was over."""
        return bool(np.any(self.reason == REASONS.index("halted")))

    def readings(self, job: int) -> tuple[str, ...]:
        """Return the readings that a job took, in order."""
        names = self.ranker.batch.readings
        return tuple(reading_of(names[column]) for column in self.taken[job].tolist() if column >= 0)


@dataclass(frozen=True)
class JobStep:
    """A reading of a job played: the way to it, what it showed, and the setups that taking it put an end to.

    `outcome` is None for a number on which nothing hangs.
    """

    reading: str
    way: Way
    outcome: str | None
    ended: frozenset[str]


def steps_of(jobs: Jobs, starts: Starts, cars: Cars, job: int) -> Iterator[JobStep]:
    """Return what was done on a job, in order: found again from its readings and what its car shows."""
    conditions = jobs.ranker.conditions
    number = int(starts.condition[cars.start[job]])
    for column in jobs.taken[job].tolist():
        if column < 0:
            return
        name = reading_of(jobs.ranker.batch.readings[column])
        reading = conditions.readings.index(name)
        outcome = _outcome(jobs.ranker, column, int(cars.shows[job, column]))
        way = conditions.ways(number).to[reading]
        if not isinstance(way, Way):
            raise ValueError(f"There was no way to “{name}”: the jobs were not played on these cars.")
        after = after_reading(jobs.ranker.knowledge, way, name, outcome)
        yield JobStep(name, way, outcome, way.after.in_place - after.in_place)
        number = conditions.after(number, reading, outcome)


def starts_of(
    ranker: Ranker,
    cases: Sequence[Case],
    car: Condition | None = None,
    waiting: Mapping[str, float] | None = None,
) -> Starts:
    """Where the jobs begin; raises `ImpossibleEvidence` where what was seen of a case cannot be so.

    Cars are in the condition that their entries say, or all in that of `car`. `waiting` gives the minutes
    that the waiting of setups in place still takes (default: all waits are over).
    """
    engine, knowledge = ranker.batch.engine, ranker.knowledge
    evidence = [case.evidence(knowledge, engine) for case in cases]
    engine.query_batch(evidence)
    gone = [
        {*observed, *(name for name in ranker.readings if obstacle(knowledge, case, name, Workshop()))}
        for observed, case in zip(evidence, cases, strict=True)
    ]
    conditions = [present(knowledge, case).condition if car is None else car for case in cases]
    numbers = [ranker.conditions.number(one, case.facts) for one, case in zip(conditions, cases, strict=True)]
    return Starts(
        ranker.batch.potentials(evidence),
        flags([frozenset(one) for one in gone], ranker.readings),
        np.array(numbers, dtype=np.intp),
        np.tile([(waiting or {}).get(name, 0.0) for name in ranker.conditions.setups], (len(cases), 1)),
        flags([shown_by_proof(knowledge, case) for case in cases], (*ranker.faults, *ranker.groups)),
    )


def draw_cars(ranker: Ranker, starts: Starts, start: Ints, random: np.random.Generator) -> Cars:
    """Made-up cars, one for each of `start` (indices of cases), from what is believed of that case."""
    batch = ranker.batch
    drawn = batch.draw(starts.potentials, start, random)
    faults = [batch.configurations(name, drawn) > 0 for name in ranker.faults]
    shows = np.empty((len(start), len(batch.readings)), dtype=np.intp)
    uniforms: dict[str, Floats] = {}
    for column, name in enumerate(batch.readings):
        # One reading of one car has one uniforms, whatever it is read with.
        reading = reading_of(name)
        if reading not in uniforms:
            uniforms[reading] = stratified_uniforms(len(start), random)
        probabilities = batch.engine.entries[name].weights[batch.configurations(name, drawn)]
        shows[:, column] = sample_categorical(probabilities, uniforms[reading])
    return Cars(start, np.stack(faults, axis=1), shows)


def play_many(
    ranker: Ranker,
    starts: Starts,
    cars: Cars,
    first: str | None = None,
    enough: StoppingRule | None = None,
    progress: Callable[[int, int], None] | None = None,
    stop: Callable[[], bool] | None = None,
    wish: ReadingPolicy | None = None,
) -> Jobs:
    """Play a job on every car to the stop of the plain advice.

    With `first`, every job begins with that reading. `enough` may end jobs sooner, `wish` choose the readings
    otherwise. `progress` is told how many jobs of how many are over; once `stop` says so, jobs not yet over
    end as "halted".
    """
    count = len(cars.start)
    blocks = []
    done = 0

    def over(jobs: int) -> None:
        nonlocal done
        done += jobs
        if progress is not None:
            progress(done, count)

    size = max(1, NUMBERS_AT_ONCE // max(len(ranker.batch.kept), 1))
    for begin in range(0, count, size):
        some = slice(begin, begin + size)
        block = Cars(cars.start[some], cars.faults[some], cars.shows[some])
        blocks.append(_play_block(ranker, starts, block, first, enough, over, stop, wish))
    steps = max((block.taken.shape[1] for block in blocks), default=0)
    taken = [np.pad(b.taken, ((0, 0), (0, steps - b.taken.shape[1])), constant_values=-1) for b in blocks]
    none = np.empty(0)
    return Jobs(
        ranker,
        np.concatenate([np.empty((0, steps), dtype=np.intp), *taken]),
        np.concatenate([none, *(block.hands_on_minutes for block in blocks)]),
        np.concatenate([none, *(block.waiting_minutes for block in blocks)]),
        np.concatenate([np.empty((0, len(ranker.faults))), *(block.beliefs for block in blocks)]),
        np.concatenate([np.empty(0, dtype=np.intp), *(block.reason for block in blocks)]),
        np.concatenate([_none_made(ranker, 0), *(block.made for block in blocks)]),
        np.concatenate([_none_proved(ranker, 0), *(block.proved for block in blocks)]),
        np.concatenate([np.empty((0, len(ranker.groups))), *(block.group_beliefs for block in blocks)]),
    )


def _play_block(
    ranker: Ranker,
    starts: Starts,
    cars: Cars,
    first: str | None,
    enough: StoppingRule | None,
    over: Callable[[int], None],
    stop: Callable[[], bool] | None,
    wish: ReadingPolicy | None,
) -> Jobs:
    count = len(cars.start)
    hands_on, waiting = np.zeros(count), np.zeros(count)
    beliefs, reason = np.zeros((count, len(ranker.faults))), np.full(count, REASONS.index("halted"))
    taken: list[Ints] = []
    made, proved = _none_made(ranker, count), _none_proved(ranker, count)
    groups = np.zeros((count, len(ranker.groups)))
    jobs = np.arange(count)  # those not over yet
    begun, at = np.unique(cars.start, return_inverse=True)  # the state each of them is in
    states = starts.of(begun)
    while len(jobs):
        believed, bits = ranker.posteriors(states.potentials, states.gone)
        offered = offers(ranker, states.potentials, bits, states.gone, states.condition, states.left)
        wishes = None if wish is None else wish(believed, offered)
        choices = choose(ranker, believed, offered, wishes, states.proved)
        if first is not None and not taken:
            choices = _all_taking(ranker.readings.index(first), offered)
        elif enough is not None:
            choices = _ended(
                choices, enough(believed, offered.minutes[np.arange(len(bits)), choices.reading])
            )
        beliefs[jobs], proved[jobs] = believed[at], states.proved[at]
        if stop is not None and stop():
            break
        ended = choices.reading[at] < 0
        reason[jobs[ended]] = choices.reason[at[ended]]
        if ranker.groups and ended.any():
            over_now, of_job = np.unique(at[ended], return_inverse=True)
            groups[jobs[ended]] = group_beliefs(ranker, states.potentials[over_now])[of_job]
        over(int(ended.sum()))
        jobs, at = jobs[~ended], at[~ended]
        if not len(jobs):
            break
        own = np.arange(len(bits))
        worked, took = offered.hands_on_minutes[own, choices.reading], offered.minutes[own, choices.reading]
        hands_on[jobs] += worked[at]
        waiting[jobs] += (took - worked)[at]
        ways = [ranker.conditions.ways(number) for number in states.condition.tolist()]
        chosen = zip(ways, choices.reading.tolist(), strict=True)
        made[jobs] |= np.stack([way.makes[reading] for way, reading in chosen])[at]
        taken.append(np.full(count, -1))
        taken[-1][jobs] = choices.seen_with[at]
        states, at = _after(ranker, states, choices, took, at, cars.shows[jobs, choices.seen_with[at]])
    return Jobs(
        ranker,
        np.stack(taken, axis=1) if taken else np.empty((count, 0), dtype=np.intp),
        hands_on,
        waiting,
        beliefs,
        reason,
        made,
        proved,
        groups,
    )


def _none_made(ranker: Ranker, jobs: int) -> Bools:
    return np.zeros((jobs, len(ranker.conditions.setups)), dtype=bool)


def _none_proved(ranker: Ranker, jobs: int) -> Bools:
    return np.zeros((jobs, len(ranker.proves)), dtype=bool)


def group_beliefs(ranker: Ranker, potentials: Floats) -> Floats:
    """Return the probability of each of the ranker's groups, (states, groups)."""
    there = ranker.batch.configuration_probabilities(potentials, ranker.groups)
    return np.stack([there[group][:, -1] for group in ranker.groups], axis=1)


def proved_after(ranker: Ranker, proved: Bools, reading: Ints, seen_with: Ints, shown: Ints) -> Bools:
    """Return what a proof has shown once states have seen `shown` of a reading, as in `Starts`.

    A reading that is repeated counts as it came out last; here none is.
    """
    proved = proved.copy()
    for column, proving in ranker.proving.items():
        rows = np.flatnonzero(seen_with == column)
        rows = rows[proving[shown[rows]]]
        proved[rows] |= ranker.proves[:, reading[rows]].T
    return proved


def _after(
    ranker: Ranker, states: Starts, choices: Choices, took: Floats, at: Ints, shown: Ints
) -> tuple[Starts, Ints]:
    """Return the states after jobs in the states `at` have seen `shown`, and which of them each job is in.

    Waits that have begun run on while a reading is taken; it `took` so many minutes in each state.
    """
    most = int(shown.max()) + 1
    different, at = np.unique(at * most + shown, return_inverse=True)
    before, shown = np.divmod(different, most)
    reading, seen_with = choices.reading[before], choices.seen_with[before]
    potentials = states.potentials[before]
    for column in np.unique(seen_with).tolist():
        rows = np.flatnonzero(seen_with == column)
        ranker.batch.observe(potentials, rows, ranker.batch.readings[column], shown[rows])
    gone = states.gone[before]
    gone[np.arange(len(before)), reading] = True
    condition = [
        ranker.conditions.after(number, chosen, _outcome(ranker, column, cell))
        for number, chosen, column, cell in zip(
            states.condition[before].tolist(),
            reading.tolist(),
            seen_with.tolist(),
            shown.tolist(),
            strict=True,
        )
    ]
    made = np.stack(
        [
            ranker.conditions.ways(number).makes[chosen]
            for number, chosen in zip(states.condition[before].tolist(), reading.tolist(), strict=True)
        ]
    )
    numbers = np.array(condition, dtype=np.intp)
    runs = ranker.conditions.in_place(numbers) & ~made  # a setup made on the way has been waited for
    left = np.where(runs, np.maximum(states.left[before] - took[before, np.newaxis], 0.0), 0.0)
    proved = proved_after(ranker, states.proved[before], reading, seen_with, shown)
    return Starts(potentials, gone, numbers, left, proved), at


def _outcome(ranker: Ranker, column: int, cell: int) -> str | None:
    """Return the outcome that a column of the batch shows; None for a number on which nothing hangs."""
    name = ranker.batch.readings[column]
    if not is_instrument_leaf(name):
        return ranker.batch.engine.outcomes[name][cell]
    if column not in ranker.bands:
        return None
    return ranker.batch.engine.outcomes[reading_of(name)][int(ranker.bands[column][cell])]


def _ended(choices: Choices, ends: Bools) -> Choices:
    """Return the same choices, with an end in those states that go on and are marked."""
    ends = ends & (choices.reading >= 0)
    reading = np.where(ends, -1, choices.reading)
    return Choices(reading, choices.seen_with, np.where(ends, REASONS.index("enough"), choices.reason))


def _all_taking(reading: int, offered: Offers) -> Choices:
    """Return the same reading in every state."""
    count = len(offered.bits)
    return Choices(np.full(count, reading), offered.seen_with[:, reading], np.full(count, -1))
