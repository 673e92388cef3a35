"""A call at the service desk: what the desk's screens ask for, and what they may do.

One car may have several complaints: a case each under the same tag, answered together. Every answer is in the
store before the next question, so that the bench goes on where the desk has stopped.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from types import MappingProxyType
from typing import Literal

from advisor.advice.advice import FaultPosterior, possible, present
from advisor.advice.engines import Engines
from advisor.case.case import CUSTOMER, Booked, Case, Entry, Known, Seen, Skipped, TakenBack, Warned
from advisor.desk.booking import IN_DOUBT, BookingSheet, booking_sheet, safety, what_is_done
from advisor.desk.bookingsheet import as_dict, document
from advisor.desk.questions import (
    ALLOWED_MINUTES,
    NOT_KNOWN,
    Fitting,
    Next,
    entered,
    facts_to_ask,
    fitting,
    minutes_asked,
    next_question_of_all,
    not_known,
    said,
)
from advisor.desk.schedule import Appointment
from advisor.inference.engine import Engine, ImpossibleEvidence
from advisor.knowledge.dangers import heard_dangers
from advisor.knowledge.knowledge import Fact, Knowledge
from advisor.papers.document import html, markdown
from advisor.store.records import StoredCase
from advisor.store.store import Store

MOST_WORDS = 5
"""The name of a car has no more words than this (our choice)."""


def heard(knowledge: Knowledge, words: str, tag: str = "") -> Fitting:
    """What the words may mean; without words or a fit all complaints, by family.

    Danger is heard in the tag as well: it is typed first, and may be typed there by mistake.
    """
    found = fitting(knowledge, words)
    if tag and (dangers := heard_dangers(knowledge, f"{tag} . {words}")):
        found = replace(found, dangers=dangers, harmless=())
    if found.complaints:
        return found
    return replace(found, complaints=tuple(name for one in found.ask for name in one.complaints))


def looks_said(knowledge: Knowledge, tag: str) -> bool:
    """Whether a tag looks like what a customer says, and not like the name of a car."""
    found = fitting(knowledge, tag)
    return bool(found.dangers or found.complaints) or len(tag.split()) > MOST_WORDS


@dataclass(frozen=True)
class Call:
    """A call. Every method that changes it saves first and returns a new call."""

    knowledge: Knowledge
    engines: Engines
    store: Store
    jobs: tuple[StoredCase, ...]
    allowed_minutes: float = ALLOWED_MINUTES
    given: tuple[str, ...] = ()
    """The questions in the order answered, those taken back not among them."""

    @classmethod
    def begun(
        cls,
        engines: Engines,
        store: Store,
        tag: str,
        complaints: Sequence[str],
        allowed_minutes: float,
        dangers: Mapping[str, str] = MappingProxyType({}),
    ) -> Call:
        """A new call about a car: a case for each complaint, all stored with the first entry.

        `dangers` are those that were heard, with whether the customer was told, or asked and it is not so.
        """
        knowledge = engines.knowledge
        jobs = tuple(store.draft(tag, complaint, knowledge.version) for complaint in complaints)
        warned = [Warned(danger, how) for danger, how in dangers.items()]
        if warned:
            jobs = store.append_each(*((job, warned) for job in jobs))
        return cls(knowledge, engines, store, jobs, allowed_minutes)

    @cached_property
    def calls(self) -> tuple[tuple[Engine, Case], ...]:
        """Engine and case of each complaint."""
        return tuple((self.engines.one(job.case), job.case) for job in self.jobs)

    @cached_property
    def next(self) -> Next:
        """The next question, or why there is none."""
        return next_question_of_all(self.knowledge, self.calls, self.minutes, self.allowed_minutes)

    @property
    def minutes(self) -> float:
        """How long the questions so far took."""
        return minutes_asked(self.knowledge, [job.case for job in self.jobs])

    @cached_property
    def suspects(self) -> tuple[FaultPosterior, ...]:
        """The leading causes over all complaints, each with its largest probability."""
        best: dict[str, float] = {}
        for engine, case in self.calls:
            beliefs = present(engine.query(case.evidence(self.knowledge, engine)).beliefs)
            for fault, chance in beliefs.items():
                best[fault] = max(chance, best.get(fault, 0.0))
        order = sorted(best, key=lambda fault: (-best[fault], fault))
        return tuple(FaultPosterior(one, self.knowledge.title(one), best[one], best[one]) for one in order)

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """What has to be told at once: of the complaints, and of the answers given so far; each once."""
        every = (one for job in self.jobs for one in safety(self.knowledge, job.case))
        return tuple(one for one in dict.fromkeys(every) if one != IN_DOUBT)

    @property
    def facts(self) -> Mapping[str, Fact]:
        """The vehicle facts that bear on the complaints and are not known yet."""
        return {name: self.knowledge.facts[name] for name in facts_to_ask(self.knowledge, self.calls)}

    @cached_property
    def sheets(self) -> tuple[BookingSheet, ...]:
        """The booking sheet of each complaint; takes seconds, best worked out off the event loop."""
        return tuple(booking_sheet(self.knowledge, engine, case) for engine, case in self.calls)

    def sheet(self, form: Literal["markdown", "html", "json"]) -> str:
        """The booking sheets of all complaints as one paper, or for a booking system."""
        tag = self.jobs[0].tag
        if form == "json":
            kept = {"tag": tag, "sheets": [as_dict(one) for one in self.sheets]}
            return json.dumps(kept, ensure_ascii=False, indent=2) + "\n"
        paper = document(self.sheets, tag, self.store.clock().astimezone().strftime("%d %B %Y %H:%M"))
        return html(paper) if form == "html" else markdown(paper)

    def answered(self, reading: str, outcome: str) -> Call:
        """With the customer's answer; raises `InconsistentEvidence` and saves nothing where it cannot be."""
        return self._entered(said(self.knowledge, reading, outcome)).having_asked(reading)

    def unknown(self, reading: str) -> Call:
        """With a question that the customer cannot answer."""
        return self._entered(not_known(reading)).having_asked(reading)

    def having_asked(self, reading: str) -> Call:
        """With one more question at the end of those answered."""
        return replace(self, given=(*self.given, reading))

    def knows(self, facts: Mapping[str, str]) -> Call:
        """With facts of the vehicle."""
        return self._entered(*(Known(fact, value) for fact, value in facts.items()))

    def undone(self) -> Call:
        """Without the last answer, whatever the clock says; the record of it stays."""
        if not self.given:
            return self
        *given, last = self.given
        taken_back = []
        for job in self.jobs:
            steps = [
                step
                for step, entry in job.case.counting.items()
                if isinstance(entry, Seen | Skipped) and entry.reading == last
            ]
            taken_back.append((job, [TakenBack(step, "") for step in steps[-1:]]))
        return replace(self, jobs=self.store.append_each(*taken_back), given=tuple(given))

    @property
    def asked(self) -> tuple[str, ...]:
        """The readings asked for on the phone, each once, in order."""
        return tuple(
            dict.fromkeys(
                entry.reading
                for job in self.jobs
                for entry in job.case.counting.values()
                if _on_the_phone(entry) and isinstance(entry, Seen | Skipped)
            )
        )

    def booked(self, day: str, remark: str = "") -> Call:
        """With the day the car comes (ISO 8601 date)."""
        jobs = self.store.append_each(*((job, [Booked(day, remark)]) for job in self.jobs))
        return replace(self, jobs=jobs)

    def refreshed(self) -> Call:
        """The call as others have left its jobs in the meantime, without those that they have erased."""
        found = (self.store.case(job.number) if job.number else job for job in self.jobs)
        return replace(self, jobs=tuple(job for job in found if job is not None) or self.jobs)

    def worked_out(self) -> Call:
        """The same call with what a screen shows worked out; best done off the event loop."""
        self.next, self.suspects, self.warnings  # noqa: B018
        return self

    def _entered(self, *entries: Entry) -> Call:
        if not entries:
            return self
        calls = self.calls
        for entry in entries:
            after = entered(calls, entry)
            calls = tuple((engine, case) for (engine, _), case in zip(calls, after, strict=True))
        for engine, case in calls:
            possible(self.knowledge, engine, case)
        new = [case.entries[job.entries :] for job, (_, case) in zip(self.jobs, calls, strict=True)]
        return replace(self, jobs=self.store.append_each(*zip(self.jobs, new, strict=True)))


def _on_the_phone(entry: Entry) -> bool:
    """Whether an entry is an answer from a call, "don't know" included."""
    if isinstance(entry, Seen):
        return entry.by == CUSTOMER
    return isinstance(entry, Skipped) and entry.reason == NOT_KNOWN


def appointments(
    engines: Engines,
    store: Store,
    today: date,
    stop: Callable[[], bool],
    show: Callable[[tuple[Appointment, ...]], None] = lambda _: None,
) -> tuple[Appointment, ...] | None:
    """The jobs booked from today on with their sheets; None once `stop` says so.

    `show` gets all of them at once, and again with each sheet worked out, the next day first.
    """
    knowledge = engines.knowledge
    jobs = {}
    found = {}
    for filed in store.cases():
        booked, complaint = filed.case.booked, knowledge.complaints.get(filed.case.complaint)
        if booked is None or complaint is None or not filed.case.is_open or booked.day < str(today):
            continue
        day, dangers = date.fromisoformat(booked.day), what_is_done(knowledge, filed.case)
        jobs[filed.number] = filed.case
        found[filed.number] = Appointment(filed.number, filed.tag, day, None, dangers, complaint.name, True)
    show(tuple(found.values()))
    for one in sorted(found.values(), key=lambda one: (one.day, one.number)):
        if stop():
            return None
        case = jobs[one.number]
        try:
            worked_out = replace(one, working=False, sheet=booking_sheet(knowledge, engines.one(case), case))
        except ImpossibleEvidence:
            worked_out = replace(one, working=False, complaint="")
        found[one.number] = worked_out
        show(tuple(found.values()))
    return tuple(found.values())
