"""The pre-screen by phone: which complaint it is, what to ask the customer next, and when to stop asking.

What a customer says is weaker than what somebody at the car finds: an answer counts with its reading's
`right_by_phone`, and a question is worth the bits of that answer. Several complaints about one car are a
case each; what they share is asked once and entered in all of them. A call is an engine, built with
`network.build(…, by_phone=True)`, and the case of one complaint.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from advisor.advice.rules import most_first
from advisor.advice.situation import Situation
from advisor.case.case import Case
from advisor.case.entries import CUSTOMER, NOT_KNOWN, Entry, Known, SaidByCustomer, Seen, Skipped
from advisor.inference.engine import Engine, InferenceEngine
from advisor.knowledge.conditions import minutes_for, not_on
from advisor.knowledge.dangers import Heard, heard_dangers, heard_phrases
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.phrases import alike, telling
from advisor.knowledge.vocabulary import Complaint, Harmless
from advisor.model.nodes import by_phone
from advisor.policy import DEFAULT, Policy

REASONS = {
    "nothing-left": "Everything that a customer can answer has been asked.",
    "not-worth-it": "What could still be asked would hardly tell anything.",
    "time": "The minutes for questions are used up.",
}
"""Why no further question is asked, in words."""
LEAST_PART = 0.5
"""A single word fits a complaint if it is this much of a phrase, or if nothing else was said."""
GENERAL = frozenset(
    re.findall(
        r"\S+",
        """
        air back boot charge come comes days door driver driver's driver’s few front head if like long
        morning need needs night on one passenger passenger's seat side sides sound sounds speed start starts
        think time up want week window windows work working works
        """,
    )
)
"""Words that say where, when or how, but not what: they fit no complaint by themselves (chosen by hand)."""

EngineCase = tuple[Engine, Case]


@dataclass(frozen=True)
class FamilyQuestion:
    """A short question that shows whether the complaint belongs to a family, and its complaints."""

    family: str
    name: str
    ask: str
    complaints: tuple[str, ...]


@dataclass(frozen=True)
class Fitting:
    """Complaints that fit what was said, best first; the families' questions where none does.

    `harmless` are normal things that may be meant, by id; none where a danger was heard or where what was
    said besides fits a complaint.
    """

    complaints: tuple[str, ...]
    ask: tuple[FamilyQuestion, ...]
    harmless: tuple[str, ...] = ()
    dangers: tuple[Heard, ...] = ()


@dataclass(frozen=True)
class Question:
    """A question for the customer, with the bits that an answer on the phone tells about each complaint."""

    reading: str
    ask: str
    answers: Mapping[str, str]
    minutes: float
    told: Mapping[str, float]

    @property
    def bits(self) -> float:
        """Return the sum over the complaints."""
        return sum(self.told.values())


@dataclass(frozen=True)
class Next:
    """The next question, or why there is none; `worth` is how many are worth asking now."""

    question: Question | None
    reason: Literal["nothing-left", "not-worth-it", "time"] | None
    worth: int

    @property
    def words(self) -> str:
        """Return the question, or why none is asked any more."""
        return self.question.ask if self.question else REASONS[self.reason or "nothing-left"]


# Which complaint


def fitting(knowledge: Knowledge, said: str) -> Fitting:
    """Return the complaints that share words with what the customer said, best first.

    A complaint counts by the one of its phrases, or its name, that shares most words; among equals the phrase
    that has fewest others, then the order of the knowledge. One does not fit that shares one word of a longer
    phrase where something else was said, or only words of which another shares more.
    """
    spoken = telling(said)
    found = _complaints(knowledge, spoken)
    dangers = heard_dangers(knowledge, said)
    normal = [name for name, one in knowledge.harmless.items() if _is_normal(knowledge, one, said)]
    return Fitting(found, () if found else families(knowledge), () if dangers else tuple(normal), dangers)


def _complaints(knowledge: Knowledge, spoken: frozenset[str]) -> tuple[str, ...]:
    """Return the complaints that share words with those said, best first, if the best shares enough."""
    best = {name: _best_overlap(spoken, one) for name, one in knowledge.complaints.items()}
    fits = {name: one for name, one in best.items() if one.fits(len(spoken))}
    found = [
        name for name, one in fits.items() if not any(one.words < other.words for other in fits.values())
    ]
    return tuple(sorted(found, key=lambda name: fits[name].score, reverse=True))


def _is_normal(knowledge: Knowledge, normal: Harmless, said: str) -> bool:
    """Return whether something normal was said, and nothing else that fits a complaint."""
    if not any(heard_phrases(normal.customer, said)):
        return False
    its_own = telling(" ".join(normal.customer))
    besides = (word for word in telling(said) if not any(alike(word, one) for one in its_own))
    return not _complaints(knowledge, frozenset(besides))


@dataclass(frozen=True)
class _Overlap:
    """The spoken words that are in a phrase, and which part of the phrase they are."""

    words: frozenset[str]
    part: float

    @property
    def score(self) -> tuple[int, float]:
        """More words are better, and of equal ones a larger part of the phrase."""
        return len(self.words), self.part

    def fits(self, spoken: int) -> bool:
        """Return whether enough of what was said, or of the phrase, is shared, and that says what it is."""
        shared = len(self.words)
        if self.words <= GENERAL and spoken > shared:
            return False
        return shared > 1 or (shared == 1 and (self.part >= LEAST_PART or shared == spoken))


def _best_overlap(spoken: frozenset[str], complaint: Complaint) -> _Overlap:
    """Return how well the words fit a complaint, by the best of its phrases."""
    phrases = [words for one in (*complaint.customer, complaint.name) if (words := telling(one))]
    overlaps = [_overlap(spoken, phrase) for phrase in phrases]
    return max(
        overlaps, key=lambda one: (one.fits(len(spoken)), one.score), default=_Overlap(frozenset(), 0.0)
    )


def families(knowledge: Knowledge) -> tuple[FamilyQuestion, ...]:
    """Return a question for each family with complaints, in the order of the complaints."""
    members: dict[str, list[str]] = {}
    for name, complaint in knowledge.complaints.items():
        members.setdefault(complaint.family, []).append(name)
    return tuple(_family(knowledge, family, tuple(names)) for family, names in members.items())


def _family(knowledge: Knowledge, family: str, complaints: tuple[str, ...]) -> FamilyQuestion:
    said = knowledge.families.get(family)
    if said is not None:
        return FamilyQuestion(family, said.name, said.ask, complaints)
    names = "; ".join(knowledge.complaints[one].name.lower() for one in complaints)
    return FamilyQuestion(family, family.replace("_", " "), f"Is it one of these: {names}?", complaints)


def _overlap(spoken: frozenset[str], phrase: frozenset[str]) -> _Overlap:
    shared = frozenset(word for word in spoken if any(alike(word, one) for one in phrase))
    return _Overlap(shared, len(shared) / len(phrase))


# What to ask


def next_question(
    knowledge: Knowledge,
    weighed: Sequence[Situation],
    asked_minutes: float,
    policy: Policy = DEFAULT,
    waiting: str = "",
) -> Next:
    """Return the most informative question on several complaints of one car, by the sum of bits.

    `asked_minutes` are those of the questions so far (`minutes_asked`). The question that is `waiting` for an
    answer stays the next one as long as an answer tells anything.
    """
    left = [one for one in questions(knowledge, weighed) if one.bits > 0]
    for one in left:
        if one.reading == waiting:
            return Next(one, None, 1)
    complaints = [situation.case.complaint for situation in weighed]
    still = {complaint: sum(one.told.get(complaint, 0.0) for one in left) for complaint in complaints}
    going_on = {complaint for complaint, bits in still.items() if bits >= policy.phone_bits}
    worth = [one for one in left if going_on.intersection(one.told)]
    if not worth:
        return Next(None, "not-worth-it" if left else "nothing-left", 0)
    in_time = [one for one in worth if asked_minutes + one.minutes <= policy.phone_minutes]
    return Next(in_time[0], None, len(worth)) if in_time else Next(None, "time", len(worth))


def questions(knowledge: Knowledge, weighed: Sequence[Situation]) -> tuple[Question, ...]:
    """Return every question that can still be asked, the most informative first.

    Among equals the shorter one comes first, then that whose id does. What a known fact of the car answers
    is not asked, nor what cannot be on this car.
    """
    told: dict[str, dict[str, float]] = {}
    facts = {fact: value for one in weighed for fact, value in one.case.facts.items()}
    done = {name for one in weighed for name in (*one.case.taken, *one.case.skipped)}
    done.update(
        name
        for name, one in knowledge.readings.items()
        if any(fact in facts for fact in one.answered_by) or not_on(knowledge, name, facts)
    )
    for situation in weighed:
        bits = situation.posterior.expected_information_bits
        for name in asked_by_phone(situation.engine):
            if name not in done:
                told.setdefault(name, {})[situation.case.complaint] = bits[by_phone(name)]
    found = [
        Question(name, said.ask or said.name, said.answers, minutes_for(knowledge, said.minutes, facts), bits)
        for name, bits in told.items()
        if (said := knowledge.readings[name])
    ]
    return tuple(sorted(found, key=lambda one: most_first(one.bits, one.minutes, one.reading)))


def asked_by_phone(engine: InferenceEngine) -> tuple[str, ...]:
    """Return the readings of a complaint that a customer can be asked for on the phone."""
    return tuple(name for name in engine.readings if by_phone(name) in engine.outcomes)


# What was answered


def said(knowledge: Knowledge, reading: str, outcome: str) -> Seen:
    """Return the entry for a customer's answer."""
    return Seen(reading, outcome, knowledge.readings[reading].right_by_phone, CUSTOMER)


def not_known(reading: str) -> Skipped:
    """Return the entry for a question that the customer cannot answer."""
    return Skipped(reading, NOT_KNOWN)


def entered(calls: Sequence[EngineCase], entry: Entry) -> tuple[Case, ...]:
    """Return the cases with one more entry: facts and words go to all, an answer to those it is about."""
    return tuple(case.with_entry(entry) if _is_about(engine, entry) else case for engine, case in calls)


def _is_about(engine: Engine, entry: Entry) -> bool:
    if isinstance(entry, Seen | Skipped):
        return entry.reading in engine.entries
    return isinstance(entry, Known | SaidByCustomer)


def facts_to_ask(knowledge: Knowledge, calls: Sequence[EngineCase]) -> tuple[str, ...]:
    """Return the facts that matter for a complaint and are not known yet, in the order of the knowledge."""
    known = {fact for _, case in calls for fact in case.facts}
    bearing = {name for engine, _ in calls for name in engine.entries}
    return tuple(fact for fact in knowledge.facts if fact in bearing - known)


def minutes_asked(knowledge: Knowledge, cases: Iterable[Case]) -> float:
    """Return the minutes of the questions so far; one about several complaints counts once."""
    calls = list(cases)
    facts = calls[0].facts if calls else {}
    asked = {name for case in calls for name in _asked(case)}
    known = [knowledge.readings[name] for name in sorted(asked) if name in knowledge.readings]
    return sum(minutes_for(knowledge, one.minutes, facts) for one in known)


def _asked(case: Case) -> Iterator[str]:
    yield from case.by_customer
    yield from (name for name, reason in case.skipped.items() if reason == NOT_KNOWN)
