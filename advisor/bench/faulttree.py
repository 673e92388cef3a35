"""The fault tree of a complaint as it stands on a job: live probabilities, in the order of its author.

The exact marginals of all gates come with every posterior of the engine, so that a tree costs no inference
of its own. What may be folded away is a rule here; how wide a row is drawn is for the screens.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.advice.advice import LEAST_SHOWN_BITS, Advice, Answer, CandidateReading
from advisor.advice.proof import shown_by_proof
from advisor.advice.rules import comparable, most_probable_first
from advisor.advice.situation import Situation
from advisor.arrays import Floats, x_log2_x
from advisor.bench.wording import minutes_words, task_words
from advisor.case.case import Case
from advisor.case.entries import Checked, Known, Measured, Repaired, Seen, TakenBack
from advisor.inference.engine import Posterior
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted, unlisted_of
from advisor.knowledge.vocabulary import Gate, Gated
from advisor.papers.format import duration, percent

Place = tuple[str, ...]
"""Where an event stands: the ids from the complaint down to it, as one event can be below several gates."""

NOTICEABLE = 0.05
"""From this probability on a cause keeps the branches above it open, and a reading that moves a cause by as
much is marked as moving it (the project's choice)."""
DECIMALS = 12
"""Round-off beyond these must not turn a certain event into one of more than 99 %."""
FITTED = "none"
"""A vehicle fact with this value is about whether something is fitted."""
NONE_FITTED, NOT_THIS_CAR = "none fitted", "not this car"
NOT_LISTED = "Not listed here"
MOST_READINGS = 6
"""So many readings are offered for one event."""


@dataclass(frozen=True)
class TreeRow:
    """An event at its place in the tree, now and before the last step that could move it.

    `gate` is in words and "" for a cause, `causes` are all at or below it, those not listed included, and
    `last` says for each level below the complaint whether the row ends it. `excluded` says why the facts of
    the vehicle rule the event out, in two words, and `excluded_by` by which fact. Where an event with members
    stands `again`, they are left out.
    """

    place: Place
    title: str
    gate: str
    probability: float
    before: float
    causes: tuple[str, ...]
    last: tuple[bool, ...]
    excluded: str = ""
    excluded_by: str = ""
    moves: bool = False
    leads: bool = False
    proved: bool = False
    again: bool = False

    @property
    def node(self) -> str:
        """The id of the event."""
        return self.place[-1]

    @property
    def depth(self) -> int:
        """How many gates are above it."""
        return len(self.place) - 1

    @property
    def has_members(self) -> bool:
        """Whether rows below it can be folded away."""
        return bool(self.gate) and not self.again

    @property
    def faults(self) -> int:
        """The number of listed faults at or below it."""
        return sum(not is_unlisted(one) for one in self.causes)


@dataclass(frozen=True)
class ShownRow:
    """A row in view: whether the rows below it are, and else how many faults are `hidden` there."""

    row: TreeRow
    is_open: bool
    hidden: int


@dataclass(frozen=True)
class TellingReading:
    """What a reading would tell about one event: the bits, and the least and the most that could be left.

    `least` and `most` are the event's probabilities after the answers that can come.
    """

    reading: CandidateReading
    proves: bool
    bits: float
    least: float
    most: float


def tree_rows(now: Situation, before: Situation, answers: Sequence[Answer] = ()) -> tuple[TreeRow, ...]:
    """Return the rows of a case's fault tree, each event before its members, in the order written.

    `answers` are those of the reading on the card; without any, no row is marked as moved by it.
    """
    return tuple(_Rows(now, before, answers).below((now.case.complaint,), (), ""))


def last_telling_step(case: Case) -> int:
    """Return the last step that can have moved the suspicion, counted from 1; 0 where there is none yet."""
    telling = Known | Seen | Measured | Repaired | Checked | TakenBack
    steps = enumerate(case.entries, start=1)
    return max((step for step, entry in steps if isinstance(entry, telling)), default=0)


def gate_words(gate: Gate) -> str:
    """Return in words how many of its members a gate takes."""
    if gate.kind == "at_least":
        return f"at least {gate.least} of"
    return {"any_of": "any of", "all_of": "all of", "exactly_one_of": "exactly one of"}[gate.kind]


def opens(rows: Sequence[TreeRow], by_hand: Mapping[Place, bool] | None = None) -> frozenset[Place]:
    """Return the places that are open: the ways to the leader and to every cause of noticeable probability.

    What a person has opened (True) or folded (False) `by_hand` stays so, whatever the answers say, and what
    is above a place opened by hand is open unless it was folded by hand. The complaint is always open.
    """
    by_hand = by_hand or {}
    opened: set[Place] = set()
    for row in rows:
        suspicious = row.leads or comparable(row.probability) >= NOTICEABLE
        if not row.has_members and suspicious:
            opened.update(_above(row.place))
        if row.has_members and by_hand.get(row.place):
            opened.update((row.place, *_above(row.place)))
    folded = {place for place, is_open in by_hand.items() if not is_open}
    return frozenset((opened - folded) | {row.place for row in rows[:1]})


def shown_rows(rows: Sequence[TreeRow], by_hand: Mapping[Place, bool] | None = None) -> tuple[ShownRow, ...]:
    """Return the rows that are in view, with the number of faults hidden below each that is folded."""
    opened = opens(rows, by_hand)
    shown = []
    for row in rows:
        if opened.issuperset(_above(row.place)):
            is_open = row.has_members and row.place in opened
            shown.append(ShownRow(row, is_open, row.faults if row.has_members and not is_open else 0))
    return tuple(shown)


def readings_about(
    situation: Situation, candidates: Iterable[CandidateReading], node: str
) -> tuple[TellingReading, ...]:
    """Return the readings whose answer moves a fault or branch: its proofs first, then by what they tell.

    Exact, from two queries: P(answer) with the event there, and with it absent.
    """
    known, engine, evidence = situation.knowledge.readings, situation.engine, situation.evidence
    there = _present(situation.posterior, node)
    if not 0 < comparable(there) < 1:
        return ()
    with_it, without = engine.query_batch(
        [{**evidence, node: engine.one_hot(node, state)} for state in ("present", "absent")]
    )
    found = []
    for one in candidates:
        said = known[one.reading]
        joint = np.stack(
            [there * with_it.predictive[one.reading], (1 - there) * without.predictive[one.reading]]
        )
        clears_nothing = situation.case.is_at_rest and said.needs_complaint
        counts = np.array([not (clears_nothing and name == said.normal_outcome) for name in said.answers])
        telling = _telling(one, joint[:, counts], there, node in said.proves)
        if telling.bits >= LEAST_SHOWN_BITS:
            found.append(telling)
    found.sort(key=lambda one: (not one.proves, -comparable(one.bits), one.reading.reading))
    return tuple(found[:MOST_READINGS])


def telling_words(knowledge: Knowledge, one: TellingReading) -> str:
    """Return a reading, and on a second line its minutes and what its answers would leave of the event."""
    proof = "Proves it. " if one.proves else ""
    then = f"After it: {percent(one.least)} to {percent(one.most)}"
    return f"{proof}{task_words(knowledge, one.reading.reading)}\n    {minutes_words(one.reading)}. {then}."


def proof_words(knowledge: Knowledge, case: Case, advice: Advice, row: TreeRow) -> str:
    """Say how the event of a row is proved and how long its repair takes, or that facts rule it out."""
    if row.excluded:
        why = "None fitted on this car" if row.excluded == NONE_FITTED else "Does not apply to this car"
        return f"{why}{f' ({row.excluded_by})' if row.excluded_by else ''}."
    if is_unlisted(row.node):
        return "A cause that is not in this tree. No reading proves it."
    fault = knowledge.faults.get(row.node)
    repair = f" Repair {duration(fault.remedy_minutes)}." if fault else ""
    return _how_proved(knowledge, case, advice, row) + repair


def _how_proved(knowledge: Knowledge, case: Case, advice: Advice, row: TreeRow) -> str:
    proofs = knowledge.proofs.get(row.node, ())
    if row.proved:
        return "Proved."
    if not row.depth:
        return "Several causes can be there at once: what is below may add up to more than the line above it."
    if row.gate and not proofs:
        return f"{row.gate[:1].upper()}{row.gate[1:]} the causes below it."
    if not proofs:
        return "No reading proves it by itself."
    for one, why in (*((each, "") for each in advice.proposals), *advice.unavailable):
        if one.reading in proofs:
            but = f" ({why.partition(': ')[0]})" if why else ""
            return f"Proved by “{task_words(knowledge, one.reading)}”, {minutes_words(one)}{but}."
    taken = next((one for one in proofs if one in case.taken), None)
    if taken is not None:
        return f"“{task_words(knowledge, taken)}” was taken and has not proved it."
    return f"Proved by “{task_words(knowledge, proofs[0])}”."


def _telling(reading: CandidateReading, joint: Floats, there: float, proves: bool) -> TellingReading:
    """Return what answers tell of an event; `joint` holds P(there, answer) and P(not there, answer)."""
    answers = joint.sum(axis=0)
    after = joint[0, answers > 0] / answers[answers > 0]
    prior = np.array([[there], [1 - there]])
    bits = float(
        (x_log2_x(joint).sum() - x_log2_x(answers).sum())
        - (joint * np.log2(prior, where=prior > 0, out=np.zeros_like(prior))).sum()
    )
    least = min(float(after.min(initial=1.0)), there)
    most = max(float(after.max(initial=0.0)), there)
    return TellingReading(reading, proves, bits, least, most)


def _present(posterior: Posterior, node: str) -> float:
    """Return the probability that an event is there; one that the network leaves out cannot be."""
    return round(float(posterior.marginals[node][-1]), DECIMALS) if node in posterior.marginals else 0.0


def _above(place: Place) -> Iterator[Place]:
    """Yield the places of all that is above a place."""
    return (place[:count] for count in range(1, len(place)))


class _Rows:
    """State that is needed only while the rows are put together."""

    def __init__(self, now: Situation, before: Situation, answers: Sequence[Answer]) -> None:
        self.knowledge, self.facts = now.knowledge, now.case.facts
        self.now, self.before = now.posterior, before.posterior
        self.gated: Mapping[str, Gated] = {**self.knowledge.complaints, **self.knowledge.branches}
        self.leader = next(iter(most_probable_first(now.beliefs)), "")
        self.proved = shown_by_proof(self.knowledge, now.case)
        self.moved = {
            fault
            for answer in answers
            for fault, after in answer.after.items()
            if comparable(abs(after - now.beliefs[fault])) >= NOTICEABLE
        }
        self.drawn: set[str] = set()

    def below(self, place: Place, last: tuple[bool, ...], fact: str) -> list[TreeRow]:
        """Return the row of an event, then those of its members.

        `fact` is the vehicle fact that rules it out at this place, "" where none does.
        """
        node = place[-1]
        gated = self.gated.get(node)
        again = gated is not None and node in self.drawn
        self.drawn.add(node)
        fact = fact or self._ruled_out(node)
        rows: list[TreeRow] = []
        members = self._members(node, gated) if gated else []
        for member in members:
            ruled_out = fact or (self._no_share(gated, member) if gated else "")
            rows += self.below((*place, member), (*last, member == members[-1]), ruled_out)
        own = [row for row in rows if len(row.place) == len(place) + 1]
        causes = tuple(dict.fromkeys(one for row in own for one in row.causes)) if gated else (node,)
        probability = _present(self.now, node)
        reasons = {row.excluded for row in own} - {""}
        excluded = _excluded(self.knowledge, fact) if fact else ""
        if own and reasons and not excluded:
            excluded = reasons.pop() if len(reasons) == 1 else NOT_THIS_CAR
        if comparable(probability) > 0:  # by another member, or brought by another fault
            excluded = ""
        row = TreeRow(
            place,
            NOT_LISTED if is_unlisted(node) else self.knowledge.title(node),
            gate_words(gated.gate) if gated else "",
            probability,
            _present(self.before, node),
            causes,
            last,
            excluded,
            self._fact_words(fact) if excluded and fact else "",
            not self.moved.isdisjoint(causes),
            node == self.leader,
            node in self.proved,
            again,
        )
        return [row] if again else [row, *rows]

    def _members(self, node: str, gated: Gated) -> list[str]:
        members = list(gated.gate.members)
        rest = unlisted_of(node)
        return [*members, rest] if rest in self.now.marginals else members

    def _ruled_out(self, node: str) -> str:
        """Return the fact of this vehicle with which a fault cannot be; "" if there is none."""
        said = self.knowledge.faults.get(node)
        for fact, factors in said.given.items() if said else ():
            if factors.get(self.facts.get(fact, "")) == 0:
                return fact
        return ""

    def _no_share(self, gated: Gated, member: str) -> str:
        """Return the fact of this vehicle by which none of its kind have the member here; "" if none."""
        share = gated.gate.by_fact.get(member)
        if share is not None and share.by in self.facts and share.values[self.facts[share.by]] == 0:
            return share.by
        return ""

    def _fact_words(self, fact: str) -> str:
        known = self.knowledge.facts[fact]
        return f"{known.name}: {known.in_words(self.facts[fact])}"


def _excluded(knowledge: Knowledge, fact: str) -> str:
    return NONE_FITTED if FITTED in knowledge.facts[fact].values else NOT_THIS_CAR
