"""A call at the service desk: what the desk's screens ask for, and what they may do.

One car may have several complaints: a case each under the same tag, answered together. Every answer is in the
store before the next question, so that the bench goes on where the desk has stopped.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from types import MappingProxyType
from typing import Literal

from advisor import logfile
from advisor.advice.advice import FaultPosterior
from advisor.advice.engines import Engines
from advisor.advice.rules import most_probable_first
from advisor.advice.situation import Situation, Situations
from advisor.case.case import Case
from advisor.case.entries import (
    ASKED,
    CUSTOMER,
    NOT_KNOWN,
    PHONE,
    TOLD,
    Booked,
    Cancelled,
    Entry,
    Known,
    SaidByCustomer,
    Seen,
    Skipped,
    TakenBack,
    Warned,
)
from advisor.case.typed import known_with
from advisor.desk.booking import (
    BookingSheet,
    answers_warn,
    booking_sheet,
    danger_words,
    gets_here,
    in_doubt,
    sheet_at_once,
    stay_together,
    told_of,
    what_is_done,
)
from advisor.desk.bookingsheet import WORKING, as_dict, document, inspection_document, stay_words
from advisor.desk.calendarfile import calendar_file, closing_of
from advisor.desk.heard_facts import heard_facts
from advisor.desk.questions import (
    EngineCase,
    Fitting,
    Next,
    Question,
    entered,
    facts_to_ask,
    fitting,
    minutes_asked,
    next_question,
    not_known,
    said,
)
from advisor.desk.saying import said_once
from advisor.desk.schedule import Appointment, evening_is_left, evening_words, first_with_evening, read_back
from advisor.inference.engine import Engine, ImpossibleEvidence
from advisor.knowledge.dangers import Heard, heard_dangers
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.vocabulary import Fact
from advisor.papers.document import Paper, html, markdown, under
from advisor.policy import DEFAULT, Policy
from advisor.store.records import StoredCase
from advisor.store.store import Store

ANOTHER_COMPLAINT = "about another complaint, by phone"
"""Why a job is cancelled whose call turned out to be about something else."""
MOST_WORDS = 5
"""The name of a car has no more words than this (our choice)."""


def dangers_now(knowledge: Knowledge, words: str, tag: str) -> tuple[Heard, ...]:
    """Return the dangers in what is typed: the first to look for, quick enough for every key.

    Danger is heard in the tag as well: it is typed first, and may be typed there by mistake.
    """
    return heard_dangers(knowledge, f"{tag} . {words}")


def heard(knowledge: Knowledge, words: str, tag: str = "") -> Fitting:
    """Return what the words may mean; without words or a fit, all complaints by family."""
    found = fitting(knowledge, words)
    if tag and (dangers := dangers_now(knowledge, words, tag)):
        found = replace(found, dangers=dangers, harmless=())
    if found.complaints:
        return found
    return replace(found, complaints=tuple(name for one in found.ask for name in one.complaints))


def looks_said(knowledge: Knowledge, tag: str) -> bool:
    """Whether a tag looks like what a customer says, and not like the name of a car."""
    found = fitting(knowledge, tag)
    return bool(found.dangers or found.complaints) or len(tag.split()) > MOST_WORDS


_OPENS = frozenset(("my", "it", "its", "it's", "the", "there", "there's", "is", "i", "we", "has", "since"))
"""Words that begin what a customer says, and stand in no name of a car (chosen by hand)."""


def tag_and_said(knowledge: Knowledge, tag: str) -> tuple[str, str]:
    """Split what was typed as a tag into the name of the car and what the customer says.

    The name ends at the first comma or the like, or before the first word that opens a sentence. Where no
    name is left that way, all of it was said.
    """
    words = tag.split()
    for at, word in enumerate(words):
        ends = word[-1] in ",;:."
        if ends or word.casefold().replace("’", "'") in _OPENS:
            name = " ".join(words[: at + ends]).rstrip(",;:. ")
            if name and not looks_said(knowledge, name):
                return name, " ".join(words[at + ends :])
            break
    return "", " ".join(words)


@dataclass(frozen=True)
class CallDangers:
    """The dangers of a call while it is typed: they follow the words, unless the desk has confirmed them.

    `settled` are those of which the customer was told, or asked and it is not so; `withdrawn` those that the
    words said and do not say any more; `named` those that the customer named when asked which it is, each
    with the one that was heard and that it stands for; `unsure` those of which the customer, asked, was not
    sure: they count as being so.
    """

    heard: tuple[Heard, ...] = ()
    settled: Mapping[str, str] = field(default_factory=dict)
    withdrawn: tuple[str, ...] = ()
    named: Mapping[str, str] = field(default_factory=dict)
    unsure: tuple[str, ...] = ()

    @property
    def open(self) -> tuple[Heard, ...]:
        """What is heard or named and not settled."""
        done = {*self.settled, *self.named.values()}
        heard = (Heard(one.danger, one.sure or one.danger in self.unsure) for one in self.heard)
        said = dict.fromkeys([*heard, *(Heard(name, True) for name in self.named)])
        return tuple(one for one in said if one.danger not in done)

    @property
    def told(self) -> tuple[str, ...]:
        """What the desk has confirmed: the customer was told."""
        return tuple(name for name, how in self.settled.items() if how == TOLD)

    @property
    def unsaid(self) -> tuple[str, ...]:
        """What the desk has confirmed although the words do not say it any more."""
        said = {*(one.danger for one in self.heard), *self.named}
        return tuple(name for name in self.told if name not in said)

    @property
    def sure(self) -> tuple[str, ...]:
        """What forbids to drive for now: heard for sure, or confirmed."""
        return (*(one.danger for one in self.open if one.sure), *self.told)

    def hearing(self, now: tuple[Heard, ...]) -> CallDangers:
        """Return them with what is heard in the words as they are now.

        A "not so" ends with the words it was about: the next caller's are asked about anew.
        """
        heard = {one.danger for one in now}
        named = {name: stands_for for name, stands_for in self.named.items() if stands_for in heard}
        said = {*heard, *named}
        gone = [one.danger for one in self.open if one.sure]
        settled = {name: how for name, how in self.settled.items() if how == TOLD or name in said}
        withdrawn = [one for one in dict.fromkeys([*self.withdrawn, *gone]) if one not in {*said, *settled}]
        unsure = tuple(one for one in self.unsure if one in heard)
        return CallDangers(now, settled, tuple(withdrawn), named, unsure)

    def were_told(self, which: Collection[str] = ()) -> CallDangers:
        """Return them with the customer told of all that is open, or of those named here."""
        return self._settle(TOLD, which)

    def naming(self, danger: str, which: str) -> CallDangers:
        """Return them with the customer's answer to which danger it is: it takes the place of that one."""
        return replace(self, named={**self.named, which: danger})

    def not_sure(self, which: Collection[str] = ()) -> CallDangers:
        """Return them with the customer not sure of those named here, by default of all that are asked about.

        They count as being so: what has to be done is told, and the car is not driven.
        """
        asked = [one.danger for one in self.open if not one.sure and (not which or one.danger in which)]
        return replace(self, unsure=tuple(dict.fromkeys([*self.unsure, *asked])))

    def not_so(self, which: Collection[str] = ()) -> CallDangers:
        """Return them with those of the open ones not being so, by default all of them.

        Without any open, what is told but unsaid is withdrawn.
        """
        if self.open:
            return self._settle(ASKED, which)
        kept = {name: how for name, how in self.settled.items() if name not in self.unsaid}
        return replace(self, settled=kept, withdrawn=(*self.withdrawn, *self.unsaid))

    def _settle(self, how: str, which: Collection[str] = ()) -> CallDangers:
        names = [one.danger for one in self.open if not which or one.danger in which]
        return replace(self, settled={**self.settled, **dict.fromkeys(names, how)})


@dataclass(frozen=True)
class Call:
    """A call. Every method that changes it saves first and returns a new call."""

    knowledge: Knowledge
    engines: Engines
    store: Store
    jobs: tuple[StoredCase, ...]
    situations: Situations
    """The jobs' situations worked out so far, handed on from call to call."""
    answered_readings: tuple[str, ...] = ()
    """The questions in the order answered, without those taken back."""
    unsaved: tuple[Entry, ...] = ()
    """What goes with the first entry of every job: nothing is stored before that."""
    asked_before: int = 0
    """How many questions had been answered when this call began."""
    waiting: str = ""
    """The question that was before the caller when a fact of the car was entered."""

    @classmethod
    def begun(
        cls,
        engines: Engines,
        store: Store,
        tag: str,
        complaints: Sequence[str],
        policy: Policy = DEFAULT,
        dangers: Mapping[str, str] = MappingProxyType({}),
        words: str = "",
    ) -> Call:
        """Begin a call about a car: a case for each complaint, all stored with the first entry.

        `dangers` are those that were heard, with whether the customer was told, or asked and it is not so;
        `words` are what the customer said.
        """
        knowledge = engines.knowledge
        jobs = tuple(store.draft(tag, complaint, knowledge.version) for complaint in complaints)
        new = on_the_phone(words, dangers)
        if dangers:
            jobs = store.append_each(*((job, new) for job in jobs))
        situations = Situations(knowledge, engines.one, policy)
        return cls(knowledge, engines, store, jobs, situations, unsaved=() if dangers else new)

    @classmethod
    def resumed(
        cls,
        engines: Engines,
        store: Store,
        jobs: tuple[StoredCase, ...],
        policy: Policy = DEFAULT,
        dangers: Mapping[str, str] = MappingProxyType({}),
        words: str = "",
    ) -> Call:
        """Go on with a call about stored jobs, with the dangers and the words that were heard this time."""
        if new := on_the_phone(words, dangers):
            jobs = store.append_each(*((job, new) for job in jobs))
        situations = Situations(engines.knowledge, engines.one, policy)
        call = cls(engines.knowledge, engines, store, jobs, situations)
        return replace(call, answered_readings=call.asked, asked_before=len(call.asked))

    @cached_property
    def calls(self) -> tuple[tuple[Engine, Case], ...]:
        """Return engine and case of each complaint."""
        return tuple((self.engines.one(job.case), job.case) for job in self.jobs)

    @property
    def policy(self) -> Policy:
        """Return what this workshop has decided."""
        return self.situations.policy

    @property
    def weighed(self) -> tuple[Situation, ...]:
        """Return the case of each complaint, weighed; raises `InconsistentEvidence`."""
        return tuple(self.situations.of(job.case) for job in self.jobs)

    @cached_property
    def next(self) -> Next:
        """The next question, or why there is none; one that is waiting for an answer stays."""
        return next_question(self.knowledge, self.weighed, self.minutes, self.policy, self.waiting)

    @property
    def made_pointless(self) -> str:
        """Say that what is known of the car has made the waiting question pointless; "" where it has not."""
        now = self.next.question
        if not self.waiting or (now is not None and now.reading == self.waiting):
            return ""
        said = self.knowledge.readings[self.waiting]
        return f"What is known of the car has made this question pointless: {said.ask or said.name}"

    @property
    def minutes(self) -> float:
        """Return the minutes of the questions so far."""
        return minutes_asked(self.knowledge, [job.case for job in self.jobs])

    @cached_property
    def suspects(self) -> tuple[FaultPosterior, ...]:
        """Return the leading causes over all complaints, each with its largest probability."""
        best: dict[str, float] = {}
        for situation in self.weighed:
            for fault, probability in situation.beliefs.items():
                best[fault] = max(probability, best.get(fault, 0.0))
        return tuple(
            FaultPosterior(fault, self.knowledge.title(fault), best[fault], best[fault])
            for fault in most_probable_first(best)
        )

    @cached_property
    def to_tell(self) -> Mapping[str, str]:
        """Return what has to be told of dangers, complaints and answers, with the words in short."""
        known, found = self.knowledge, dict(self._dangers_told)
        for case in (job.case for job in self.jobs):
            warns = (*known.complaints[case.complaint].warn, *answers_warn(known, case))
            found |= {one: one.rstrip(".") for one in warns}
        return found

    @property
    def _dangers_told(self) -> Mapping[str, str]:
        """Return what was told of dangers and of driving, with the words in short."""
        known, heard = self.knowledge, [one for job in self.jobs for one in job.case.dangers]
        comes = gets_here(known, heard)
        named = [known.dangers[one] for one in dict.fromkeys(heard) if one in known.dangers]
        drives = {comes: comes.partition(".")[0]} if comes else {}
        return drives | {danger_words(one): one.name for one in named}

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """Return what has to be told at once: with the first question of a call what there is but dangers.

        Those were told before a call began. After that it is what the last answer brings up.
        """
        if len(self.answered_readings) <= self.asked_before:
            return tuple(one for one in self.to_tell if one not in self._dangers_told)
        last = self.answered_readings[-1]
        answers = (job.case.outcomes.get(last, "") for job in self.jobs)
        warn = self.knowledge.readings[last].warn
        return tuple(dict.fromkeys(warn[one] for one in answers if one in warn))

    @property
    def to_say(self) -> tuple[str, ...]:
        """Return what has to be told at once as it is read out: the strictest first, each sentence once."""
        return said_once(self.warnings)

    @property
    def told(self) -> tuple[str, ...]:
        """Return what was told earlier in this call: it stays in view until the car is booked."""
        return tuple(one for one in self.to_tell if one not in self.warnings)

    def asking_words(self, question: Question) -> str:
        """Return a question as it is asked; after a danger was told, nobody is to go and try it."""
        alone = ", from memory alone, nothing is tried now" if self._dangers_told else ""
        return f"Ask{alone}: {question.ask}"

    def told_words(self, whole: bool = False) -> str:
        """Return what was told earlier, in short or as it was told; "" where nothing was.

        "Told" is said of what somebody confirmed: danger. What the answers brought up is there to remind.
        """
        if whole:
            return "\n".join(["⚠ What the caller has to know", *said_once(self.told)]) if self.told else ""
        danger = [self.to_tell[one] for one in self.told if one in self._dangers_told]
        others = [self.to_tell[one] for one in self.told if one not in self._dangers_told]
        named = (("Told", danger), ("Remind the caller", others))
        return "\n".join(f"⚠ {label}: {' · '.join(short)}" for label, short in named if short)

    @property
    def known_facts(self) -> Mapping[str, str]:
        """Return what is known of the vehicle."""
        return {fact: value for job in self.jobs for fact, value in job.case.facts.items()}

    @property
    def all_facts(self) -> Mapping[str, Fact]:
        """Return the facts that matter for the complaints, those known included: they may be put right."""
        matter = {*self.facts, *self.known_facts}
        return {name: fact for name, fact in self.knowledge.facts.items() if name in matter}

    @property
    def facts(self) -> Mapping[str, Fact]:
        """Return the facts that matter for the complaints and are not known yet."""
        return {name: self.knowledge.facts[name] for name in facts_to_ask(self.knowledge, self.calls)}

    @cached_property
    def heard(self) -> Mapping[str, str]:
        """Return what the words and the tag seem to say of the facts that are not known: to be confirmed."""
        return heard_facts(self.facts, f"{self.jobs[0].tag} . {self.words}")

    @property
    def heard_words(self) -> str:
        """Return what was heard of the car, as it is read back to the customer."""
        told = ((self.facts[name], value) for name, value in self.heard.items())
        return "; ".join(f"{fact.name}: {fact.in_words(value)}" for fact, value in told)

    @property
    def words(self) -> str:
        """Return what the customer said, as it was typed."""
        said = [one.words for one in self.unsaved if isinstance(one, SaidByCustomer)]
        return " / ".join([*self.jobs[0].case.customer_words, *said])

    @property
    def complete(self) -> tuple[EngineCase, ...]:
        """Return engine and case of each complaint, with what is not saved yet."""
        return tuple(
            (engine, replace(case, entries=(*case.entries, *self.unsaved))) for engine, case in self.calls
        )

    @cached_property
    def sheets(self) -> tuple[BookingSheet, ...]:
        """Return the booking sheet of each complaint; takes seconds, so compute it off the event loop."""
        return self.played(lambda _, __: None)

    @cached_property
    def sheets_at_once(self) -> tuple[BookingSheet, ...]:
        """Return what is known of each sheet before jobs are played."""
        return tuple(
            sheet_at_once(self.knowledge, engine, case, self.policy) for engine, case in self.complete
        )

    def played(self, progress: Callable[[int, int], None]) -> tuple[BookingSheet, ...]:
        """Return `sheets`, telling `progress` how many cars of how many are over; what it raises ends it."""
        if "sheets" not in vars(self):
            complete = self.complete

            def over(at: int) -> Callable[[int, int], None]:
                return lambda done, count: progress(at * count + done, len(complete) * count)

            vars(self)["sheets"] = tuple(
                booking_sheet(self.knowledge, engine, case, policy=self.policy, progress=over(at))
                for at, (engine, case) in enumerate(complete)
            )
        return self.sheets

    def sheet(self, form: Literal["markdown", "html", "json"]) -> str:
        """Return the booking sheets of all complaints as one paper, or for a booking system."""
        if form == "json":
            kept = {"tag": self.jobs[0].tag, "sheets": [as_dict(one) for one in self.sheets]}
            return json.dumps(kept, ensure_ascii=False, indent=2) + "\n"
        paper = self._paper(self.sheets)
        return html(paper) if form == "html" else markdown(paper)

    @property
    def first_sheet(self) -> str:
        """Return the booking sheets as Markdown before jobs are played: without times, tools and bays."""
        return markdown(self._paper(self.sheets_at_once))

    def _paper(self, sheets: Sequence[BookingSheet]) -> Paper:
        printed = self.store.clock().astimezone().strftime("%d %B %Y %H:%M")
        booked = self.jobs[0].case.booked
        evening = self.evening_words(date.fromisoformat(booked.day)) if booked else ""
        paper = document(sheets, tag_and_numbers(self), printed, booked_day(self), evening)
        return under(paper, self.store.workshop.letterhead)

    @property
    def stays_the_night(self) -> bool:
        """Return whether the car comes the evening before; takes seconds unless it is worked out."""
        return stay_together(self.sheets) == "overnight"

    def evening_words(self, day: date) -> str:
        """Say when a car is brought that stays the night before this day."""
        now, closed = self.store.clock().astimezone(), self.store.workshop.closed
        return evening_words(day, now, self.policy.closing_hour, closed)

    def night_words(self, day: date) -> str:
        """Say for which day a car is brought when that stays the night; "too late" names the day itself."""
        words = self.evening_words(day)
        if self.day_with_evening(day) != day:
            return words
        return f"For {read_back(day, self.store.clock().astimezone().date())}: {words}"

    def day_with_evening(self, day: date) -> date:
        """Return this day, or the first before which the car can still be brought in the evening."""
        now, closing = self.store.clock().astimezone(), self.policy.closing_hour
        closed = self.store.workshop.closed
        left = evening_is_left(day, now, closing, closed)
        return day if left else first_with_evening(now, closing, closed)

    def answered(self, reading: str, outcome: str) -> Call:
        """Save the customer's answer; raise `InconsistentEvidence` and save nothing if it cannot be."""
        return self._entered(said(self.knowledge, reading, outcome)).having_asked(reading)

    def unknown(self, reading: str) -> Call:
        """Save that the customer cannot answer a question."""
        return self._entered(not_known(reading)).having_asked(reading)

    def having_asked(self, reading: str) -> Call:
        """Return the call with one more question at the end of those answered."""
        return replace(self, answered_readings=(*self.answered_readings, reading), waiting="")

    def knows(self, facts: Mapping[str, str], is_asked: bool = True) -> Call:
        """Save facts of the vehicle that are new or put right.

        The next question stays the next one if it `is_asked`, which means that the caller has heard it.
        """
        before = self.known_facts
        facts = {fact: value for fact, value in facts.items() if before.get(fact) != value}
        if not facts:
            return self
        question = self.next.question if is_asked else None
        said = {**before, **facts}
        new = (one for fact, value in facts.items() for one in known_with(self.knowledge, said, fact, value))
        saved = self._entered(*new)
        return replace(saved, waiting=question.reading if question else "")

    def about(self, complaints: Sequence[str]) -> Call:
        """Save that the call is about these complaints, and go on with what was heard and answered.

        Facts, words, dangers and the answers that bear on a new complaint go with it. A job that is left is
        cancelled, unless somebody at the car has gone on with it. Raises `InconsistentEvidence` and saves
        nothing if the answers cannot be so.
        """
        before = {job.case.complaint: job for job in self.jobs}
        kept = {name: job for name, job in before.items() if name in complaints or has_begun(job.case)}
        new = [name for name in complaints if name not in before]
        left = [job for name, job in before.items() if name not in kept]
        drafts = [self.store.draft(self.jobs[0].tag, name, self.knowledge.version) for name in new]
        entries = [tuple(self._bearing_on(draft.case)) for draft in drafts]
        for draft, carried in zip(drafts, entries, strict=True):
            self.situations.of(replace(draft.case, entries=(*carried, *self.unsaved)))
        if any(job.number for job in self.jobs):
            stopped = [(job, (Cancelled(ANOTHER_COMPLAINT, ""),)) for job in left]
            saved = self.store.append_each(*zip(drafts, entries, strict=True), *stopped)
            drafts = list(saved[: len(drafts)])
        jobs = {**kept, **dict(zip(new, drafts, strict=True))}
        call = replace(self, jobs=tuple(jobs[name] for name in dict.fromkeys([*kept, *new])), waiting="")
        asked = set(call.asked)
        return replace(
            call,
            answered_readings=tuple(one for one in self.answered_readings if one in asked),
            asked_before=sum(one in asked for one in self.answered_readings[: self.asked_before]),
        )

    def inspected(self) -> Inspection:
        """Return the inspection that takes the place of this call where no complaint fits, not stored yet.

        Words and dangers go with it. The call's jobs are cancelled once its day is saved, unless somebody at
        the car has gone on with them.
        """
        (_, case), *_ = self.complete
        warned = {one.danger: one.how for one in case.counting.values() if isinstance(one, Warned)}
        begun = Inspection.begun(self.knowledge, self.store, self.jobs[0].tag, self.words, warned)
        left = tuple(job for job in self.jobs if job.number and not has_begun(job.case))
        return replace(begun, left=left)

    def _bearing_on(self, case: Case) -> Iterator[Entry]:
        """Yield what was entered in this call that means something for another complaint, each once."""
        engine = self.engines.one(case)
        told = (entry for job in self.jobs for entry in job.case.counting.values())
        for entry in dict.fromkeys(told):
            if isinstance(entry, Seen | Skipped):
                if _on_the_phone(entry) and entry.reading in engine.entries:
                    yield entry
            elif isinstance(entry, Known | SaidByCustomer | Warned):
                yield entry

    def undone(self) -> Call:
        """Take back the last answer, whatever the clock says; its record stays."""
        if not self.answered_readings:
            return self
        *answered_readings, last = self.answered_readings
        taken_back = []
        for job in self.jobs:
            steps = [
                step
                for step, entry in job.case.counting.items()
                if isinstance(entry, Seen | Skipped) and entry.reading == last
            ]
            taken_back.append((job, [TakenBack(step, "") for step in steps[-1:]]))
        return replace(
            self,
            jobs=self.store.append_each(*taken_back),
            answered_readings=tuple(answered_readings),
            waiting="",
        )

    @property
    def asked(self) -> tuple[str, ...]:
        """Return the readings asked for on the phone, each once, in order."""
        return tuple(
            dict.fromkeys(
                entry.reading
                for job in self.jobs
                for entry in job.case.counting.values()
                if _on_the_phone(entry) and isinstance(entry, Seen | Skipped)
            )
        )

    def booked(self, day: str, remark: str = "") -> Call:
        """Save the day the car comes (ISO 8601 date)."""
        new = (*self.unsaved, Booked(day, remark))
        return replace(self, jobs=self.store.append_each(*((job, new) for job in self.jobs)), unsaved=())

    def refreshed(self) -> Call:
        """Return the call with its jobs as others have left them, without those they have erased."""
        found = (self.store.case(job.number) if job.number else job for job in self.jobs)
        return replace(self, jobs=tuple(job for job in found if job is not None) or self.jobs)

    @logfile.timed("weigh the answers of a call")
    def worked_out(self) -> Call:
        """Return the same call with everything a screen shows computed; call it off the event loop."""
        self.next, self.suspects, self.warnings  # noqa: B018
        return self

    def _entered(self, *entries: Entry) -> Call:
        if not entries:
            return self
        calls = self.calls
        for entry in (*self.unsaved, *entries):
            after = entered(calls, entry)
            calls = tuple((engine, case) for (engine, _), case in zip(calls, after, strict=True))
        for _, case in calls:
            self.situations.of(case)  # raises where it cannot be, before anything is saved
        new = [case.entries[job.entries :] for job, (_, case) in zip(self.jobs, calls, strict=True)]
        return replace(self, jobs=self.store.append_each(*zip(self.jobs, new, strict=True)), unsaved=())


INSPECTION = "general inspection"
"""The complaint under which a job is stored that fits none of the knowledge, whose ids have no spaces."""
INSPECTION_NAME = "General inspection"


@dataclass(frozen=True)
class Inspection:
    """A booking without a complaint of the knowledge: the tag, the words, dangers heard, and the day.

    It is stored as a job once the day is known, so that nobody has to tick what is not so; the advice has
    nothing to say on it.
    """

    knowledge: Knowledge
    store: Store
    jobs: tuple[StoredCase, ...]
    new: tuple[Entry, ...] = ()
    left: tuple[StoredCase, ...] = ()
    """Jobs of the call that it takes the place of: cancelled with the booking."""

    @classmethod
    def begun(
        cls, knowledge: Knowledge, store: Store, tag: str, words: str, dangers: Mapping[str, str]
    ) -> Inspection:
        """Begin a new one; nothing is stored yet."""
        job = store.draft(tag, INSPECTION, knowledge.version)
        return cls(knowledge, store, (job,), on_the_phone(words, dangers))

    @classmethod
    def of(cls, knowledge: Knowledge, store: Store, job: StoredCase) -> Inspection:
        """One that is stored."""
        return cls(knowledge, store, (job,))

    def booked(self, day: str, remark: str = "") -> Inspection:
        """With the day the car comes (ISO 8601 date), stored."""
        (job,) = self.jobs
        stopped = ((one, (Cancelled(ANOTHER_COMPLAINT, ""),)) for one in self.left)
        saved, *_ = self.store.append_each((job, (*self.new, Booked(day, remark))), *stopped)
        return replace(self, jobs=(saved,), new=(), left=())

    def sheet(self, form: Literal["markdown", "html", "json"]) -> str:
        """Return the booking note as a paper, or for a booking system."""
        (job,) = self.jobs
        case = job.case
        for entry in self.new:
            case = case.with_entry(entry)
        dangers, comes = what_is_done(self.knowledge, case), gets_here(self.knowledge, case.dangers)
        told = (*told_of(self.knowledge, case), *in_doubt(self.knowledge, case))
        if form == "json":
            kept = {
                "tag": job.tag,
                "inspection": {
                    "customer_says": customer_says(case),
                    "comes": comes,
                    "dangers": [{"name": name, "do": do} for name, do in dangers],
                    "safety": list(told),
                },
            }
            return json.dumps(kept, ensure_ascii=False, indent=2) + "\n"
        printed = self.store.clock().astimezone().strftime("%d %B %Y %H:%M")
        paper = inspection_document(
            tag_and_numbers(self), customer_says(case), dangers, told, printed, booked_day(self), comes
        )
        paper = under(paper, self.store.workshop.letterhead)
        return html(paper) if form == "html" else markdown(paper)


def on_the_phone(words: str, dangers: Mapping[str, str]) -> tuple[Entry, ...]:
    """Return the entries of what was heard on the phone: the dangers, and the words as they were typed."""
    warned = tuple(Warned(danger, how) for danger, how in dangers.items())
    return (*warned, SaidByCustomer(PHONE, words)) if words else warned


def customer_says(case: Case) -> str:
    """Return what the customer said of a car that is inspected; earlier programs wrote it beside the day."""
    return " / ".join(case.customer_words) or (case.booked.remark if case.booked else "")


def tag_and_numbers(booking: Call | Inspection) -> str:
    """Return which car it is, with the numbers under which its jobs are found again once they are stored."""
    numbers = ", ".join(str(job.number) for job in booking.jobs if job.number)
    return f"{booking.jobs[0].tag}, job {numbers}" if numbers else booking.jobs[0].tag


def wish_of(case: Case) -> str:
    """Return when on its day a car would like to come; earlier programs wrote the words beside the day."""
    if case.booked is None or (case.complaint == INSPECTION and not case.customer_words):
        return ""
    return case.booked.remark


def to_book_words(booking: Call | Inspection, day: str, so_far: str | None = None) -> str:
    """Say what is booked in one line: the car, the day, the stay and the people; may take seconds.

    With `so_far`, how many cars were played, it says at once what is known before.
    """
    sheets: tuple[BookingSheet, ...] = ()
    if isinstance(booking, Call):
        sheets = booking.sheets if so_far is None else booking.sheets_at_once
    entries = booking.new if isinstance(booking, Inspection) else booking.unsaved
    new = [one.danger for one in entries if isinstance(one, Warned) and one.how == TOLD]
    dangers = [one for job in booking.jobs for one in job.case.dangers]
    comes = gets_here(booking.knowledge, [*new, *dangers]).partition(".")[0]
    parts = [booking.jobs[0].tag, day, f"DANGER, {comes[:1].lower()}{comes[1:]}" if comes else ""]
    if sheets:
        parts.append(stay_words(sheets) if so_far is None else " ".join(filter(None, [WORKING, so_far])))
        if any(one.certified for one in sheets):
            parts.append("person certified for refrigerant")
        parts += dict.fromkeys(who.partition(",")[0].lower() for one in sheets for who in one.people)
    else:
        parts.append("general inspection")
    return " · ".join(filter(None, parts))


def booked_day(booking: Call | Inspection) -> str:
    """Return the day a car is booked for, as it is read back to the caller; "" where it is not."""
    case = booking.jobs[0].case
    today = booking.store.clock().astimezone().date()
    if case.booked is None:
        return ""
    return ", ".join(filter(None, [read_back(date.fromisoformat(case.booked.day), today), wish_of(case)]))


def calendar_of(booking: Call | Inspection, day: date) -> str:
    """Return the booking for a day as an iCalendar file; takes seconds unless it is worked out."""
    job, known, now = booking.jobs[0], booking.knowledge.complaints, booking.store.clock().astimezone()
    names = [
        known[one.case.complaint].name if one.case.complaint in known else INSPECTION_NAME
        for one in booking.jobs
    ]
    closing = None
    if isinstance(booking, Call) and booking.stays_the_night:
        evening = booking.store.workshop.closed.open_before(day)
        closing = closing_of(evening, booking.policy.closing_hour)
    uid = f"{'-'.join(str(one.number) for one in booking.jobs)} {job.tag} {job.opened}"
    return calendar_file(uid, now, job.tag, " and ".join(names), day, closing)


def booked_words(booking: Call | Inspection) -> str:
    """Say for which day a car is booked; "" where it is not."""
    day = booked_day(booking)
    return f"{booking.jobs[0].tag} is booked for {day}." if day else ""


@dataclass(frozen=True)
class Visit:
    """What is open about one car for one day, or without a day: a job for each complaint."""

    tag: str
    day: date | None
    jobs: tuple[StoredCase, ...]
    said: str = ""
    """What the customer says this time."""
    dangers: Mapping[str, str] = field(default_factory=dict)
    """The dangers heard this time, with what was done about each."""

    @property
    def is_only_a_call(self) -> bool:
        """Whether it was begun on the phone, is not booked, and nobody at the car has gone on with it."""
        entries = [entry for job in self.jobs for entry in job.case.entries]
        told = any(_on_the_phone(entry) or isinstance(entry, Warned | SaidByCustomer) for entry in entries)
        return self.day is None and told and not any(has_begun(job.case) for job in self.jobs)

    def words(self, knowledge: Knowledge, today: date) -> str:
        """Which jobs they are and when the car comes."""
        names = [
            INSPECTION_NAME
            if job.case.complaint == INSPECTION
            else knowledge.complaints[job.case.complaint].name
            for job in self.jobs
        ]
        numbers = ", ".join(str(job.number) for job in self.jobs)
        when = f"booked for {read_back(self.day, today)}" if self.day else "not booked"
        danger = "DANGER, " if any(job.case.dangers for job in self.jobs) else ""
        return f"{danger}{numbers} {self.tag}: {' and '.join(names)}, {when}"


def visits(knowledge: Knowledge, store: Store) -> tuple[Visit, ...]:
    """Return the open jobs by car and day, the newest first; an inspection by itself."""
    found: dict[tuple[str, str, bool], list[StoredCase]] = {}
    for job in store.cases():
        general = job.case.complaint == INSPECTION
        if job.case.is_open and (general or job.case.complaint in knowledge.complaints):
            day = job.case.booked.day if job.case.booked else ""
            found.setdefault((job.tag.casefold(), day, general), []).append(job)
    return tuple(
        Visit(jobs[0].tag, date.fromisoformat(day) if day else None, tuple(sorted(jobs, key=_number)))
        for (_, day, _), jobs in found.items()
    )


def _number(job: StoredCase) -> int:
    return job.number


def has_begun(case: Case) -> bool:
    """Return whether somebody at the car has entered something, beside what was said and booked before."""
    before = Known | TakenBack | Warned | SaidByCustomer | Booked
    return not all(_on_the_phone(entry) or isinstance(entry, before) for entry in case.entries)


def _on_the_phone(entry: Entry) -> bool:
    """Return whether an entry is an answer from a call, "don't know" included."""
    if isinstance(entry, Seen):
        return entry.by == CUSTOMER
    return isinstance(entry, Skipped) and entry.reason == NOT_KNOWN


def _name(knowledge: Knowledge, complaint: str) -> str | None:
    """Return the name of a complaint or of an inspection; None where it is not known here."""
    if complaint == INSPECTION:
        return INSPECTION_NAME
    return knowledge.complaints[complaint].name if complaint in knowledge.complaints else None


def appointments(
    engines: Engines,
    store: Store,
    today: date,
    stop: Callable[[], bool],
    show: Callable[[tuple[Appointment, ...]], None] = lambda _: None,
    policy: Policy = DEFAULT,
) -> tuple[Appointment, ...] | None:
    """Return the jobs booked from today on with their sheets, or None once `stop` returns true.

    `show` gets all of them at once, and again with each sheet worked out, the next day first.
    """
    knowledge = engines.knowledge
    jobs = {}
    found = {}
    for filed in store.cases():
        booked, name = filed.case.booked, _name(knowledge, filed.case.complaint)
        if booked is None or name is None or not filed.case.is_open or booked.day < str(today):
            continue
        day, dangers = date.fromisoformat(booked.day), what_is_done(knowledge, filed.case)
        jobs[filed.number] = filed.case
        comes = gets_here(knowledge, filed.case.dangers)
        found[filed.number] = Appointment(
            filed.number,
            filed.tag,
            day,
            None,
            dangers,
            name,
            working=True,
            comes=comes,
            wish=wish_of(filed.case),
            general=filed.case.complaint == INSPECTION,
        )
    show(tuple(found.values()))
    for one in sorted(found.values(), key=lambda one: (one.day, one.number)):
        if stop():
            return None
        case = jobs[one.number]
        if case.complaint == INSPECTION:
            said = customer_says(case)
            found[one.number] = replace(one, working=False, complaint=f'{one.complaint}, "{said}"')
            continue
        try:
            sheet = booking_sheet(knowledge, engines.one(case), case, policy=policy)
            worked_out = replace(one, working=False, sheet=sheet)
        except ImpossibleEvidence:
            worked_out = replace(one, working=False, complaint="")
        found[one.number] = worked_out
        show(tuple(found.values()))
    return tuple(found.values())
