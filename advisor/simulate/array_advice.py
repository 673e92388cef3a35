"""The plain advice's rules in arrays: what `advice.advise` would propose first, and when it would stop.

For simulation, which asks it of thousands of states. Rules and ties are those of `advice`, to which tests
hold it; what people see comes from there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from advisor.advice import rules
from advisor.advice.meaning import gives_meaning
from advisor.advice.proof import asks_for_proof
from advisor.advice.rules import Workshop, comparable
from advisor.advice.situation import current_faults
from advisor.arrays import Bools, Floats, Ints
from advisor.inference.batch import Batch, condition
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted
from advisor.model.nodes import is_instrument_leaf, reading_and_instrument, reading_of, shown_by
from advisor.model.observation import seen_with
from advisor.policy import DEFAULT, Policy
from advisor.simulate.conditions import Conditions

PlayedRanking = Literal["bits for the time", "bits"]
"""What readings are ordered by: by default the bits they tell for the time they take."""
Reason = Literal["sure", "nothing-left", "unlisted", "enough", "halted"]

REASONS: tuple[Reason, ...] = (*rules.REASONS, "enough", "halted")
"""Why a job ended: as `advice.Stop` says, or the caller had enough of this job, or halted everything."""


@dataclass(frozen=True, eq=False)
class Ranker:
    """What the plain advice goes by at one workshop, as arrays; made by `compile_ranker`.

    `readings` are those that can be taken here, in alphabetical order, `faults` likewise. `bands` says for
    numbers that may forbid or prove something which band each cell tells, by the column that shows it, and
    `proving` which cells of a column prove what its reading `proves`, of the faults and then of the `groups`.
    A remedy that waits for a proof has its proofs `due` once the search would end with it.
    """

    knowledge: Knowledge
    batch: Batch
    readings: tuple[str, ...]
    seen_with: Ints  # (readings, instruments): columns of the batch's readings, in the order of preference
    conditions: Conditions
    faults: tuple[str, ...]
    unlisted: Bools  # (faults,)
    policy: Policy
    ranking: PlayedRanking
    bands: Mapping[int, Ints]
    proving: Mapping[int, Bools]
    groups: tuple[str, ...]  # branches that have a proof
    proves: Bools  # (faults and groups, readings)
    due: Bools  # (faults, readings)
    questions: Bools  # (readings,)
    gives_meaning: Mapping[int, Ints]  # readings by which others may be understood, with those others

    def posteriors(self, potentials: Floats, gone: Bools | None = None) -> tuple[Floats, Floats]:
        """Beliefs in `faults`, shape (states, faults), and the batch's bits (see `Batch.posteriors`).

        Readings marked in `gone`, (states, readings), are not asked about.
        """
        unasked = None if gone is None else gone[:, self._reading_of_column]
        beliefs, bits = self.batch.posteriors(potentials, unasked)
        return beliefs[:, [self.batch.engine.targets.index(fault) for fault in self.faults]], bits

    @cached_property
    def _reading_of_column(self) -> Ints:
        """Which of `readings` each column of the batch's readings shows."""
        columns = np.empty(len(self.batch.readings), dtype=np.intp)
        columns[self.seen_with] = np.arange(len(self.readings))[:, None]
        return columns


@dataclass(frozen=True, eq=False)
class Offers:
    """Of each reading in each state: bits it tells (0 once gone), minutes with setups, and seen with what.

    Minutes include waiting; hands-on minutes do not. With the reading that would follow it one that tells
    nothing by itself may have a `gain`, and `pair_rate` are the bits of both for the time of both.
    """

    bits: Floats  # (states, readings), as all of these
    minutes: Floats
    hands_on_minutes: Floats
    seen_with: Ints
    gain: Floats
    pair_rate: Floats


@dataclass(frozen=True, eq=False)
class Choices:
    """What the advice says in each state: the reading to take (-1 at a stop), seen with what, why to stop."""

    reading: Ints
    seen_with: Ints
    reason: Ints


def compile_ranker(
    knowledge: Knowledge,
    engine: Engine,
    complaint: str,
    workshop: Workshop | None = None,
    policy: Policy = DEFAULT,
    ranking: PlayedRanking = "bits for the time",
) -> Ranker:
    """Put what the advice goes by into arrays, once for a complaint at a workshop."""
    workshop = workshop or Workshop()
    readings = sorted(
        name
        for name in engine.readings
        if not is_instrument_leaf(name) and not rules.lacks(knowledge, name, workshop)
    )
    columns: dict[str, int] = {}
    by_reading = []
    for name in readings:
        at_hand = [
            instrument
            for instrument in knowledge.readings[name].instrument
            if instrument not in workshop.without
        ]
        shown = [
            shown_by(name, instrument) if shown_by(name, instrument) in engine.entries else name
            for instrument in at_hand
        ] or [name]
        by_reading.append([columns.setdefault(leaf, len(columns)) for leaf in shown])
    most = max(map(len, by_reading), default=1)
    faults = tuple(sorted(current_faults(dict.fromkeys(engine.targets, 0.0))))
    bands = _bands(knowledge, tuple(columns))
    groups = tuple(one for one in knowledge.proofs if one in knowledge.branches and one in engine.entries)
    proves = flags([knowledge.readings[name].proves for name in readings], (*faults, *groups)).T
    waits = np.array([asks_for_proof(knowledge, policy, fault) for fault in faults], dtype=bool)
    return Ranker(
        knowledge=knowledge,
        batch=condition(engine, {complaint: engine.one_hot(complaint, "present")}, tuple(columns)),
        readings=tuple(readings),
        # The first of several that tell the same is taken: repeating it fills up the row.
        seen_with=np.array([row + row[:1] * (most - len(row)) for row in by_reading], dtype=np.intp).reshape(
            len(readings), most
        ),
        conditions=Conditions(knowledge, readings),
        faults=faults,
        unlisted=np.array([is_unlisted(name) for name in faults]),
        policy=policy,
        ranking=ranking,
        bands=bands,
        proving=_proving(knowledge, tuple(columns), bands),
        groups=groups,
        proves=proves,
        due=proves[: len(faults)] & waits[:, np.newaxis],
        questions=np.array([rules.is_question(knowledge, name, policy) for name in readings], dtype=bool),
        gives_meaning={
            readings.index(name): np.array(
                [readings.index(other) for other in others if other in readings], dtype=np.intp
            )
            for name, others in gives_meaning(knowledge, engine, complaint, policy).items()
            if name in readings
        },
    )


def _bands(knowledge: Knowledge, shown: Sequence[str]) -> dict[int, Ints]:
    """Return which band explains each cell best, as the case goes by the band that explains its number best.

    Where a safe limit lies between two bands a number decides, however unsure: forbidding waits for no proof.
    """
    bands = {}
    for column, name in enumerate(shown):
        if not is_instrument_leaf(name):
            continue
        reading, instrument = reading_and_instrument(name)
        said = knowledge.readings[reading]
        table = seen_with(knowledge, reading, instrument) if said.forbids or said.proves else None
        if table is not None:
            bands[column] = table.argmax(axis=0)
    return bands


def _proving(knowledge: Knowledge, shown: Sequence[str], bands: Mapping[int, Ints]) -> dict[int, Bools]:
    """Return which cells prove something, by the column that shows it."""
    found = {}
    for column, name in enumerate(shown):
        said = knowledge.readings[reading_of(name)]
        if said.proves:
            proving = np.array([one in said.proving_outcomes for one in said.answers])
            found[column] = proving[bands[column]] if column in bands else proving
    return found


def offers(
    ranker: Ranker, potentials: Floats, bits: Floats, gone: Bools, condition: Ints, left: Floats
) -> Offers:
    """Return what each reading offers in many states, with the instrument at hand that tells most.

    `bits` are the batch's; the others are as in `Starts`. A reading that has to wait for another one
    (`rules.held_back`), or that there is no way to, tells nothing.
    """
    told = bits[:, ranker.seen_with]
    which = comparable(told).argmax(axis=2)
    seen_with = ranker.seen_with[np.arange(told.shape[1]), which]
    numbers, at = np.unique(condition, return_inverse=True)
    ways = [ranker.conditions.ways(number) for number in numbers.tolist()]
    hands_on = np.stack([way.hands_on_minutes for way in ways])[at]
    waiting = np.stack([way.setup_waiting_minutes for way in ways])[at]
    in_reach = np.stack([way.in_reach for way in ways])[at]
    spends = np.stack([way.spends for way in ways])[at]
    if left.any():
        built_on = np.stack([way.built_on for way in ways])[at]
        relied_on = np.stack([way.relied_on for way in ways])[at]
        runs = left[:, np.newaxis]
        waiting += np.where(built_on, runs, 0.0).max(axis=2)
        waiting = np.maximum(waiting, np.where(relied_on, runs, 0.0).max(axis=2))
        spends |= np.stack([way.ends for way in ways])[at] & (left > 0)[:, np.newaxis]
    minutes = hands_on + waiting + np.stack([way.own_waiting_minutes for way in ways])[at]
    most = np.take_along_axis(told, which[:, :, np.newaxis], axis=2)[:, :, 0]
    none = np.zeros(minutes.shape)
    offered = Offers(np.where(gone | ~in_reach, 0.0, most), minutes, hands_on, seen_with, none, none)
    offered = _with_pairs(ranker, potentials, offered, gone, in_reach)
    if not spends.any():
        return offered
    wanted = ranker.conditions.wanted
    waits = rules.held_back(worth_taking(ranker, offered), wanted, spends)
    return replace(
        offered,
        bits=np.where(waits, 0.0, offered.bits),
        gain=np.where(waits, 0.0, offered.gain),
        pair_rate=np.where(waits, 0.0, offered.pair_rate),
    )


def _with_pairs(ranker: Ranker, potentials: Floats, offered: Offers, gone: Bools, in_reach: Bools) -> Offers:
    """Return the same offers with what readings that tell nothing by themselves tell with the next one."""
    gain, pair_rate = offered.gain.copy(), offered.pair_rate.copy()
    crumbs = (comparable(offered.bits) < ranker.policy.least_bits) & ~gone & in_reach
    times = rules.charged_minutes(ranker.policy, offered.minutes, offered.hands_on_minutes)
    for reading, others in ranker.gives_meaning.items():
        rows = np.flatnonzero(crumbs[:, reading])
        if not len(rows) or not len(others):
            continue
        name = ranker.readings[reading]
        weights = ranker.batch.engine.entries[name].weights
        believed = ranker.batch.configuration_probabilities(potentials[rows], [name])[name]
        probability = believed @ weights
        told = np.zeros((*probability.shape, len(others)))
        open_to = (~gone & in_reach)[np.ix_(rows, others)]
        for outcome in range(probability.shape[1]):
            possible = np.flatnonzero(probability[:, outcome] > 0)
            after = potentials[rows[possible]].copy()
            ranker.batch.observe(after, np.arange(len(after)), name, np.full(len(after), outcome))
            _, bits = ranker.posteriors(after, gone[rows[possible]])
            best = bits[:, ranker.seen_with[others]].max(axis=2)
            told[possible, outcome] = np.where(open_to[possible], best, 0.0)
        now = offered.bits[np.ix_(rows, others)]
        own = offered.bits[rows, reading]
        found = rules.pairs(own, times[rows, reading], probability, told, now, times[np.ix_(rows, others)])
        gain[rows, reading], pair_rate[rows, reading] = np.maximum(found.gain, 0.0), found.rate
    return replace(offered, gain=gain, pair_rate=pair_rate)


def rates(ranker: Ranker, offered: Offers) -> Floats:
    """Bits of each reading for the time it takes, with the one that it gives a meaning where it does."""
    alone = rules.bits_per_minute(ranker.policy, offered.bits, offered.minutes, offered.hands_on_minutes)
    return np.where(_is_worth_with_next(ranker, offered), np.maximum(offered.pair_rate, alone), alone)


def worth_taking(ranker: Ranker, offered: Offers) -> Bools:
    """Which readings tell enough, alone or with the next one, and enough for the work that they are."""
    worth = rules.worth_taking(ranker.policy, offered.bits, offered.hands_on_minutes)
    return np.asarray(((offered.bits > 0) & worth) | _is_worth_with_next(ranker, offered))


def _is_worth_with_next(ranker: Ranker, offered: Offers) -> Bools:
    worth = rules.worth_taking(ranker.policy, offered.gain, offered.hands_on_minutes)
    return np.asarray((offered.gain > 0) & worth)


def choose(
    ranker: Ranker,
    beliefs: Floats,
    offered: Offers,
    wishes: Floats | None = None,
    proved: Bools | None = None,
) -> Choices:
    """Return what the plain advice would do in many states; beliefs and offers as the ranker gives them.

    `proved` are the faults and groups that a proof has shown, as in `Starts`, by default none. With `wishes`,
    (states, readings), the most wished reading that can tell anything is taken instead.
    """
    if not ranker.readings:
        nothing = np.full(len(beliefs), -1)
        none = np.zeros(len(beliefs), dtype=bool)
        reason = rules.stop_reasons(ranker.policy, beliefs, ranker.unlisted, none)
        return Choices(nothing, nothing, reason)
    worth = worth_taking(ranker, offered)
    reason = rules.stop_reasons(ranker.policy, beliefs, ranker.unlisted, np.asarray(worth.any(axis=1)))
    due = _due(ranker, beliefs, offered, reason, proved)
    waits = np.asarray(due.any(axis=1))
    reason = np.where(waits, -1, reason)
    told = offered.bits if ranker.ranking == "bits" else rates(ranker, offered)
    foremost = np.where(waits[:, np.newaxis], due, _foremost(ranker, offered, worth))
    rank = np.where(foremost, comparable(told), -1.0)
    best = rank == rank.max(axis=1, keepdims=True)
    reading = np.where(best, offered.minutes, np.inf).argmin(axis=1)
    if wishes is not None:  # a proof that is due comes first all the same
        wished = np.where((offered.bits > 0) | worth, wishes, -np.inf).argmax(axis=1)
        reading = np.where(waits, reading, wished)
    seen_with = offered.seen_with[np.arange(len(reading)), reading]
    return Choices(np.where(reason < 0, reading, -1), seen_with, reason)


def _foremost(ranker: Ranker, offered: Offers, worth: Bools) -> Bools:
    """Return the readings worth taking that come first: where questions to the customer do, those alone."""
    if ranker.ranking == "bits":
        return worth
    first = worth & rules.comes_first(ranker.policy, offered.bits, ranker.questions)
    return np.where(first.any(axis=1, keepdims=True), first, worth)


def _due(ranker: Ranker, beliefs: Floats, offered: Offers, reason: Ints, proved: Bools | None) -> Bools:
    """Return which readings would prove the cause that a search would end with, and whose remedy waits."""
    if not ranker.due.any():
        return np.zeros(offered.bits.shape, dtype=bool)
    leading = np.asarray(comparable(beliefs)).argmax(axis=1)
    shown = np.zeros(beliefs.shape, dtype=bool) if proved is None else proved
    waits = rules.seeks_proof(ranker.policy, beliefs, reason) & ~shown[np.arange(len(beliefs)), leading]
    return np.asarray(waits[:, np.newaxis] & ranker.due[leading] & (offered.bits > 0))


def flags(rows: Sequence[Sequence[str] | frozenset[str]], names: Sequence[str]) -> Bools:
    """Which of the names each row holds."""
    return np.array([[name in row for name in names] for row in rows], dtype=bool).reshape(
        len(rows), len(names)
    )
