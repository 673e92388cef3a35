"""The booking sheet: what to book for a car, from what is believed of it before anybody has seen it.

Jobs are played by the technician's plain advice on simulated cars drawn from that belief (`simulate.jobs`):
how long they take, what they are read with and what has to be arranged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from advisor.advice.rules import Workshop, most_probable_first
from advisor.advice.situation import Situation
from advisor.arrays import Bools, Floats
from advisor.case.case import Case
from advisor.case.condition import moves
from advisor.case.entries import SEEN_TODAY, Confirmed
from advisor.case.setups import minutes
from advisor.inference.engine import Engine
from advisor.knowledge.conditions import minutes_for
from advisor.knowledge.knowledge import Knowledge, worst_first
from advisor.knowledge.probability import WORDS
from advisor.knowledge.unlisted import is_unlisted
from advisor.knowledge.vocabulary import Danger, Stay
from advisor.model.nodes import reading_and_instrument, reading_of
from advisor.policy import DEFAULT, Policy
from advisor.simulate.array_advice import Ranker, compile_ranker
from advisor.simulate.jobs import Cars, Jobs, Starts, draw_cars, play_many, starts_of

SEED, CARS = 20_260_301, 400
"""The same case gives the same sheet: the seed of the simulated cars, and how many there are."""
AT_THE_CAR = Workshop(who=frozenset({"technician", "certified"}))
"""Without the customer, who has gone: what was not asked by phone stays unasked (our choice)."""
ASK_THE_DESK = "This knowledge does not say what is done. Leave the car outside and ask who took the call."
"""What is done about a danger that was heard under other knowledge."""
PEOPLE_WORDS = {
    "certain": "almost certain",
    "probable": "very likely",
    "expected": "likely",
    "fifty-fifty": "as likely as not",
    "uncertain": "possible",
    "improbable": "unlikely",
    "impossible": "very unlikely",
}
"""`probability.WORDS` as they are said to people; none of them promises or rules out."""
TOO_EARLY = "Too early to say: it can be several things; the workshop measures."
"""What a customer is told where no cause is as likely as not."""
STAY_WORDS: Mapping[Stay, str] = {
    "half a day": "Leave it for half a day",
    "a whole day": "Leave it for a whole day",
    "overnight": "Bring it the evening before; it stays the night",
    "two days": "Leave it for two days",
}
"""How long a car is left here, as the customer is told."""
IN_DOUBT = (
    "If in doubt do not drive, and call roadside help or the workshop: with a red warning lamp, smoke, a "
    "smell of burning or fuel, a hot engine, glass that does not clear, or brakes or steering that feel "
    "different."
)
"""What is said to everybody of whose car no danger was heard (common practice)."""
NOT_DRIVEN = "May be driven: no. Do not start it either; a recovery truck brings it here."
MAY_BE_DRIVEN = "May be driven: yes, gently and by the shortest way here."
"""The one answer to whether a car may be driven of which a danger was heard (common practice)."""


@dataclass(frozen=True)
class Cause:
    """A possible cause with its probability, as a number and in words."""

    fault: str
    name: str
    probability: float
    words: str


@dataclass(frozen=True)
class BookedMinutes:
    """Minutes of a job: on average, and those that most jobs stay within (`covered`)."""

    expected: float
    upto: float


NOT_YET = BookedMinutes(0.0, 0.0)
"""The minutes of a sheet for which no job has been played."""


@dataclass(frozen=True)
class Needed:
    """Something that jobs need, by id and name, and the share of jobs that need it."""

    what: str
    name: str
    share: float


@dataclass(frozen=True)
class SetupNeeded:
    """A state of the car that a share of jobs need, and what the customer has to do for it, if anything.

    For one that is made `overnight` the car has to come the evening before.
    """

    setup: str
    name: str
    share: float
    waiting_minutes: float
    arrange: str | None
    stay: Stay | None = None
    overnight_minutes: float = DEFAULT.overnight_minutes
    """One that waits so long is made overnight."""

    @property
    def overnight(self) -> bool:
        """Return whether the car has to come the evening before."""
        return self.stay == "overnight" or self.waiting_minutes >= self.overnight_minutes


@dataclass(frozen=True)
class BookingSheet:
    """What to book and to say. `said` are questions with the answers, None where the customer knows none.

    `total` is the search, of which `hands_on` and `waiting` are parts (percentiles do not add up);
    `remedy_minutes` come on top on average. `no_visit` is what to say where nobody has to come, else empty.
    """

    complaint: str
    name: str
    knowledge: str
    causes: tuple[Cause, ...]
    no_visit: tuple[str, ...]
    total: BookedMinutes
    hands_on: BookedMinutes
    waiting: BookedMinutes
    remedy_minutes: float
    instruments: tuple[Needed, ...]
    bays: tuple[Needed, ...]
    certified_share: float
    setups: tuple[SetupNeeded, ...]
    safety: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    said: tuple[tuple[str, str | None], ...]
    dangers: tuple[tuple[str, str], ...] = ()
    """Return the name of each danger that was heard on the phone, and what is done about it."""
    customer_words: tuple[str, ...] = ()
    """Return what the customer said, as it was typed."""
    comes: str = ""
    """Return whether it may be driven and how it gets here; "" where nothing special is said."""
    people: tuple[str, ...] = ()
    """Return who has to be there because of what can hurt on this very car."""
    is_worked_out: bool = True
    """Whether jobs were played; without that it has no times, tools and bays."""
    policy: Policy = DEFAULT

    @property
    def visit(self) -> bool:
        """Return whether the car has to come at all."""
        return not self.no_visit

    @property
    def certified(self) -> bool:
        """Return whether a certified person has to be booked."""
        return self.certified_share >= self.policy.used_in

    @property
    def stay(self) -> Stay | None:
        """Return how long the car is left here: the longest that its setups or the search take.

        In the minutes of the search setups that cannot be in place together wait one after the other.
        """
        return stay_together([self])

    @property
    def arrange(self) -> tuple[str, ...]:
        """Return what the customer has to do beforehand, the stay once for all setups, each sentence once."""
        return arranged([self])

    @property
    def overnight(self) -> bool:
        """Return whether the car has to come the evening before."""
        return self.stay in ("overnight", "two days") or any(one.overnight for one in self.setups)


def sheet_at_once(knowledge: Knowledge, engine: Engine, case: Case, policy: Policy = DEFAULT) -> BookingSheet:
    """Return what is known of a sheet before any job is played: without times, tools and bays.

    Of the setups it has those of looking for the complaint, which every job begins with. May raise
    `InconsistentEvidence`.
    """
    beliefs = Situation.of(knowledge, engine, case).beliefs
    made = dict.fromkeys(_made_to_look(knowledge, _looked_for(knowledge, case)))
    looking = _setups(knowledge, case, [(name, 1.0) for name in made], policy)
    return BookingSheet(
        complaint=case.complaint,
        name=knowledge.complaints[case.complaint].name,
        knowledge=knowledge.version,
        causes=_causes(knowledge, beliefs, policy),
        no_visit=() if case.dangers else no_visit(knowledge, beliefs, policy),
        total=NOT_YET,
        hands_on=NOT_YET,
        waiting=NOT_YET,
        remedy_minutes=0.0,
        instruments=(),
        bays=(),
        certified_share=0.0,
        setups=() if case.dangers else looking,
        safety=safety(knowledge, case),
        facts=tuple(_facts(knowledge, case)),
        said=tuple(_said(knowledge, case)),
        dangers=what_is_done(knowledge, case),
        customer_words=case.customer_words,
        comes=gets_here(knowledge, case.dangers) or knowledge.complaints[case.complaint].comes or "",
        people=people_needed(knowledge, engine, case),
        policy=policy,
        is_worked_out=False,
    )


def booking_sheet(
    knowledge: Knowledge,
    engine: Engine,
    case: Case,
    workshop: Workshop | None = None,
    seed: int = SEED,
    cars: int = CARS,
    policy: Policy = DEFAULT,
    progress: Callable[[int, int], None] | None = None,
) -> BookingSheet:
    """Return the booking sheet of a case, given the engine of its complaint; may raise `ImpossibleEvidence`.

    If a danger was heard, it has no setup and no bay: what they ask for may be exactly what hurts. `progress`
    is told how many cars of how many are over; what it raises ends the work.
    """
    workshop = workshop or AT_THE_CAR
    ranker = compile_ranker(knowledge, engine, case.complaint, workshop, policy)
    looked = _looked_for(knowledge, case)
    _, drawn, jobs = simulated(ranker, looked, seed, cars, progress)
    first = sheet_at_once(knowledge, engine, case, policy)
    looking = _looking(ranker, case, looked)
    jobs = replace(
        jobs,
        hands_on_minutes=jobs.hands_on_minutes + looking.hands_on_minutes,
        waiting_minutes=jobs.waiting_minutes + looking.waiting_minutes,
        made=jobs.made | looking.made,
    )
    used = _columns_used(jobs, len(ranker.batch.readings))
    columns = [reading_of(name) for name in ranker.batch.readings]
    instruments = [_instruments(knowledge, name, workshop) for name in ranker.batch.readings]
    named = {name: one.name for name, one in knowledge.instruments.items()}
    certified = np.array([knowledge.readings[name].who == "certified" for name in columns], dtype=bool)
    return replace(
        first,
        total=_minutes(jobs.minutes, policy.covered),
        hands_on=_minutes(jobs.hands_on_minutes, policy.covered),
        waiting=_minutes(jobs.waiting_minutes, policy.covered),
        remedy_minutes=_remedy_minutes(ranker, drawn),
        instruments=_needed(named, instruments, used, policy.used_in),
        bays=() if case.dangers else _bays(knowledge, ranker.conditions.setups, jobs.made, policy.used_in),
        certified_share=float(used[:, certified].any(axis=1).mean()),
        setups=() if case.dangers else _setups_needed(ranker, case, jobs.made),
        is_worked_out=True,
    )


def people_needed(knowledge: Knowledge, engine: Engine, case: Case) -> tuple[str, ...]:
    """Return who has to be there by the cautions of the work on this complaint.

    Only cautions count of which the car is known to be one that they hold for.
    """
    readings = [one for name in engine.readings if (one := knowledge.readings.get(name))]
    named = [caution for one in readings for caution in one.cautions]
    for setup in dict.fromkeys(name for one in readings for name in one.setup):
        for needed in knowledge.setup_rules.first_to_last(setup):
            named += knowledge.setups[needed].cautions
    for fault in engine.targets:
        named += knowledge.faults[fault].cautions if fault in knowledge.faults else ()
    hold = [knowledge.cautions[name] for name in worst_first(knowledge, named, case.facts)]
    sure = (one for one in hold if all(fact in case.facts for fact in one.given))
    return tuple(dict.fromkeys(one.person for one in sure if one.person))


@dataclass(frozen=True)
class _Looking:
    """What it takes to see first that the complaint is there; `made` has shape (setups,)."""

    hands_on_minutes: float
    waiting_minutes: float
    made: Bools


def _looked_for(knowledge: Knowledge, case: Case) -> Case:
    """Return the case once the complaint was seen at the car, as the bench asks for it before any reading."""
    if knowledge.complaints[case.complaint].confirm is None or case.present_today is not None:
        return case
    return case.with_entry(Confirmed(case.complaint, SEEN_TODAY))


def _looking(ranker: Ranker, case: Case, looked: Case) -> _Looking:
    knowledge = ranker.knowledge
    before, after = minutes(knowledge, case), minutes(knowledge, looked)
    made = _made_to_look(knowledge, looked)
    flags = np.array([one in made for one in ranker.conditions.setups], dtype=bool)
    return _Looking(after[0] - before[0], after[1] - before[1], flags)


def _made_to_look(knowledge: Knowledge, looked: Case) -> tuple[str, ...]:
    """Return the setups made to see that the complaint is there."""
    return tuple(
        one for move in moves(knowledge, looked) if isinstance(move.entry, Confirmed) for one in move.made
    )


def simulated(
    ranker: Ranker,
    case: Case,
    seed: int,
    cars: int,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Starts, Cars, Jobs]:
    """Draw cars from the posterior of a case, and play each job to the stop of the plain advice."""
    starts = starts_of(ranker, [case])
    drawn = draw_cars(ranker, starts, np.zeros(cars, dtype=np.intp), np.random.default_rng(seed))
    return starts, drawn, play_many(ranker, starts, drawn, progress=progress)


def in_words(probability: float) -> str:
    """Return the word whose anchor on the verbal scale is nearest; the lower of two."""
    word = min(reversed(WORDS), key=lambda one: abs(WORDS[one] - probability))
    return PEOPLE_WORDS[word]


def longest(stays: Iterable[Stay | None]) -> Stay | None:
    """Return the longest of some stays; None if there is none among them."""
    return max((stay for stay in stays if stay), key=get_args(Stay).index, default=None)


def stay_together(sheets: Sequence[BookingSheet]) -> Stay | None:
    """Return how long a car is left here for several complaints: one search comes after the other."""
    stays = [one.stay or ("overnight" if one.overnight else None) for sheet in sheets for one in sheet.setups]
    minutes = sum(sheet.total.upto for sheet in sheets)
    if sheets and not sheets[0].dangers and minutes > sheets[0].policy.half_day_minutes:
        stays.append("overnight" if minutes > sheets[0].policy.working_day_minutes else "a whole day")
    return longest(stays)


def arranged(sheets: Sequence[BookingSheet], evening: str = "") -> tuple[str, ...]:
    """Return what the customer of one car has to do beforehand: the stay, and each sentence once.

    `evening` says for a day that is known when a car is brought that stays the night before.
    """
    stay = stay_together(sheets)
    beforehand = [one.arrange for sheet in sheets for one in sheet.setups if one.arrange]
    told = evening if stay == "overnight" and evening else f"{STAY_WORDS[stay]}." if stay else ""
    return tuple(dict.fromkeys(filter(None, [told, *beforehand])))


def to_tell(causes: Mapping[str, float]) -> str:
    """Return what the desk can tell a customer of causes, by name: those as likely as not, or none yet."""
    least = WORDS["fifty-fifty"]
    likely = [name for name in most_probable_first(causes) if causes[name] >= least]
    return "   ".join(f"{name}: {in_words(causes[name])}" for name in likely) or TOO_EARLY


def no_visit(knowledge: Knowledge, beliefs: Mapping[str, float], policy: Policy = DEFAULT) -> tuple[str, ...]:
    """Return what to tell a customer who need not come, or "" if somebody has to look at the car."""
    texts = {name: knowledge.faults[name].no_visit for name in beliefs if name in knowledge.faults}
    harmless = [name for name in beliefs if texts.get(name)]
    sure = [name for name in harmless if beliefs[name] >= policy.no_visit_at]
    others = (beliefs[name] for name in beliefs if name not in harmless)
    if not sure or any(one >= policy.no_visit_others_below for one in others):
        return ()
    order = most_probable_first({name: beliefs[name] for name in sure})
    return tuple(text for name in order if (text := texts[name]))


def safety(knowledge: Knowledge, case: Case) -> tuple[str, ...]:
    """Return what the customer has to be told: for the complaint, for the answers, and to everybody."""
    said = (
        *told_of(knowledge, case),
        *knowledge.complaints[case.complaint].warn,
        *answers_warn(knowledge, case),
        *in_doubt(knowledge, case),
    )
    return tuple(dict.fromkeys(said))


def answers_warn(knowledge: Knowledge, case: Case) -> tuple[str, ...]:
    """Return what has to be told for the answers so far."""
    readings = knowledge.readings
    return tuple(
        readings[name].warn[outcome]
        for name, outcome in case.outcomes.items()
        if name in readings and outcome in readings[name].warn
    )


def in_doubt(knowledge: Knowledge, case: Case) -> tuple[str, ...]:
    """Return what is said to everybody, unless it was said already that the car is not driven."""
    return () if gets_here(knowledge, case.dangers) == NOT_DRIVEN else (IN_DOUBT,)


def gets_here(knowledge: Knowledge, dangers: Iterable[str]) -> str:
    """Return whether a car may be driven of which dangers were heard: the strictest answer; "" without any.

    A danger that this knowledge does not know is taken as one that forbids it.
    """
    known = knowledge.dangers
    answers = [one in known and known[one].may_be_driven for one in dangers]
    if not answers:
        return ""
    return MAY_BE_DRIVEN if all(answers) else NOT_DRIVEN


def told_of(knowledge: Knowledge, case: Case) -> tuple[str, ...]:
    """Return what the customer was told of each danger that was heard on the phone."""
    return tuple(map(danger_words, _dangers(knowledge, case)))


def danger_words(danger: Danger) -> str:
    """Return what a customer is told of a danger, after its name."""
    return f"{danger.name}: {danger.tell}"


def what_is_done(knowledge: Knowledge, case: Case) -> tuple[tuple[str, str], ...]:
    """Return the name of each danger that was heard on the phone, and what is done about it."""
    known = knowledge.dangers
    return tuple(
        (known[one].name, known[one].do) if one in known else (one.replace("_", " "), ASK_THE_DESK)
        for one in case.dangers
    )


def _dangers(knowledge: Knowledge, case: Case) -> tuple[Danger, ...]:
    """Return the dangers heard on the phone that the knowledge knows."""
    return tuple(knowledge.dangers[one] for one in case.dangers if one in knowledge.dangers)


def _causes(knowledge: Knowledge, beliefs: Mapping[str, float], policy: Policy) -> tuple[Cause, ...]:
    order = most_probable_first(beliefs)[: policy.most_causes_shown]
    least = policy.causes_shown_from
    shown = [name for at, name in enumerate(order) if not at or beliefs[name] >= least]
    return tuple(Cause(name, knowledge.title(name), beliefs[name], in_words(beliefs[name])) for name in shown)


def _minutes(minutes: Floats, covered: float) -> BookedMinutes:
    return BookedMinutes(float(minutes.mean()), float(np.quantile(minutes, covered)))


def _remedy_minutes(ranker: Ranker, cars: Cars) -> float:
    faults = ranker.knowledge.faults
    minutes = [0.0 if is_unlisted(name) else faults[name].remedy_minutes for name in ranker.faults]
    return float((cars.faults @ np.array(minutes)).mean())


def _columns_used(jobs: Jobs, columns: int) -> Bools:
    """Return which readings, as columns of the batch, each job took."""
    used = np.zeros((len(jobs.taken), columns + 1), dtype=bool)
    np.put_along_axis(used, jobs.taken, True, axis=1)  # -1, no reading, falls into the spare column
    return used[:, :-1]


def _instruments(knowledge: Knowledge, column: str, workshop: Workshop) -> frozenset[str]:
    """Return the instruments of a reading seen as `column` says: the first at hand of each kind."""
    name, instrument = reading_and_instrument(column)
    reading = knowledge.readings[name]
    kinds = [(instrument,) if instrument else reading.instrument]
    derived = reading.quantity.derived if reading.quantity else None
    for source in derived.inputs.values() if derived else ():
        measurand = knowledge.measurands.get(str(source))
        kinds.append(measurand.instrument if measurand else ())
    at_hand = ([one for one in kind if one not in workshop.without] for kind in kinds)
    return frozenset(kind[0] for kind in at_hand if kind)


def _needed(
    names: Mapping[str, str], needs: Sequence[frozenset[str]], used: Bools, used_in: float
) -> tuple[Needed, ...]:
    """Return what enough jobs need, most used first; `needs` is what each column of `used` needs."""
    found = []
    for what in names:
        columns = np.array([what in one for one in needs], dtype=bool)
        share = float(used[:, columns].any(axis=1).mean())
        if share >= used_in:
            found.append(Needed(what, names[what], share))
    return tuple(sorted(found, key=lambda one: (-one.share, one.what)))


def _bays(knowledge: Knowledge, setups: Sequence[str], made: Bools, used_in: float) -> tuple[Needed, ...]:
    bays = [frozenset(filter(None, [knowledge.setups[name].bay])) for name in setups]
    return _needed({bay: bay for bay in sorted(frozenset().union(*bays))}, bays, made, used_in)


def _setups_needed(ranker: Ranker, case: Case, made: Bools) -> tuple[SetupNeeded, ...]:
    knowledge, policy, setups = ranker.knowledge, ranker.policy, ranker.conditions.setups
    names = {name: knowledge.setups[name].name for name in setups}
    needed = _needed(names, [frozenset([name]) for name in setups], made, policy.used_in)
    shares = [(one.what, one.share) for one in _in_order_of_doing(knowledge, needed)]
    return _setups(knowledge, case, shares, policy)


def _setups(
    knowledge: Knowledge, case: Case, shares: Iterable[tuple[str, float]], policy: Policy
) -> tuple[SetupNeeded, ...]:
    """Return setups as they are booked, each with the share of jobs that need it."""
    return tuple(
        SetupNeeded(
            name,
            said.name,
            share,
            minutes_for(knowledge, said.waiting_minutes, case.facts),
            said.arrange,
            said.stay,
            policy.overnight_minutes,
        )
        for name, share in shares
        if (said := knowledge.setups[name])
    )


def _in_order_of_doing(knowledge: Knowledge, needed: Sequence[Needed]) -> tuple[Needed, ...]:
    """Return setups so that each stands after those it needs, else most used first."""
    by_name = {one.what: one for one in needed}
    ordered = dict.fromkeys(
        name for setup in by_name for name in knowledge.setup_rules.first_to_last(setup) if name in by_name
    )
    return tuple(by_name[name] for name in ordered)


def _facts(knowledge: Knowledge, case: Case) -> Iterator[tuple[str, str]]:
    for fact, value in case.facts.items():
        if fact in knowledge.facts:
            yield knowledge.facts[fact].name, knowledge.facts[fact].in_words(value)


def _said(knowledge: Knowledge, case: Case) -> Iterator[tuple[str, str | None]]:
    """Return the customer's questions with their answers, in the order of the knowledge."""
    for name, reading in knowledge.readings.items():
        if reading.who != "customer" or not reading.ask:
            continue
        if name in case.outcomes:
            yield reading.ask, reading.answers.get(case.outcomes[name], case.outcomes[name])
        elif name in case.skipped:
            yield reading.ask, None
