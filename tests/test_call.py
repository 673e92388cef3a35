"""A call at the service desk without a screen: what is asked, saved, taken back and booked."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from advisor.advice.situation import InconsistentEvidence
from advisor.bench.customer import customer_sheet
from advisor.bench.jobcard import job_card
from advisor.bench.session import Engines
from advisor.bench.wording import entry_words
from advisor.case.entries import (
    ASKED,
    CUSTOMER,
    NOT_KNOWN,
    PHONE,
    TOLD,
    Booked,
    Cancelled,
    Closed,
    Entry,
    Known,
    SaidByCustomer,
    Seen,
    Skipped,
    TakenBack,
    Warned,
)
from advisor.checks.lint import checked
from advisor.desk import call as desks
from advisor.desk.booking import (
    ASK_THE_DESK,
    IN_DOUBT,
    MAY_BE_DRIVEN,
    NOT_DRIVEN,
    BookedMinutes,
    Needed,
    SetupNeeded,
    _minutes,
    booking_sheet,
    gets_here,
)
from advisor.desk.bookingsheet import as_dict, document, overview_lines, stay_words
from advisor.desk.call import (
    ANOTHER_COMPLAINT,
    INSPECTION,
    Call,
    Inspection,
    appointments,
    booked_words,
    heard,
    to_book_words,
    visits,
)
from advisor.desk.questions import fitting, minutes_asked, next_question, questions
from advisor.desk.schedule import (
    Appointment,
    closed_words,
    day_and_wish,
    day_meant,
    evening_words,
    first_with_evening,
    hour_of,
    next_open,
    next_open_words,
    overview,
    read_back,
)
from advisor.knowledge.knowledge import Knowledge
from advisor.opendays import NEVER_CLOSED, ClosedDays, refusal
from advisor.papers.document import html, markdown
from advisor.papers.format import duration
from advisor.policy import DEFAULT, Policy
from advisor.store.records import StoredCase
from advisor.store.store import STRAY, Store
from tests.benchmarks.answer import EVIDENCE, counted
from tests.conftest import HEAD, faults

NOON = datetime(2030, 1, 15, 12, 0, tzinfo=UTC)
TODAY = date(2030, 1, 15)

DOORS = (
    HEAD
    + """\
complaints:
  rattle:
    name: Rattle
    family: doors
    customer: [it rattles]
    warn: Keep the window shut.
    exactly_one_of: {strap: 60, glass: 30}
    unlisted: 10
  knock: {name: Knock, family: doors, exactly_one_of: {strap: 50, hinge: 40}, unlisted: 10}
  creak: {name: Creak, family: seats, exactly_one_of: {spring: 60, rail: 30}, unlisted: 10}
dangers:
  smoke:
    name: Smoke
    customer: smoke
    ask: Is there smoke?
    tell: Get out and well away.
    do: Have it brought.
    standing: common practice
"""
    + faults("strap", "glass", "hinge", "spring", "rail")
    + """\
facts:
  frame: {name: Frame, ask: Is there a frame?, values: {framed: 90, frameless: 10}}
readings:
  bumps:
    name: Over bumps
    who: customer
    ask: Is it there over bumps?
    right_by_phone: 0.8
    minutes: 2
    outcomes: {quiet: "No", loud: "Yes"}
    warn: {loud: Drive slowly.}
    noisy_or: {leak: 10 of 100, causes: {strap: 90 of 100}}
  speed:
    name: At speed
    who: customer
    ask: Is it there at speed?
    minutes: 1
    outcomes: {quiet: "No", loud: "Yes"}
    table:
      - when: {frame: frameless, glass: present}
        gives: {quiet: 5 of 100, loud: 95 of 100}
      - when: {glass: present}
        gives: {quiet: 20 of 100, loud: 80 of 100}
      - otherwise: {quiet: 90 of 100, loud: 10 of 100}
  sags:
    name: Door sags
    who: customer
    ask: Does the door sag?
    minutes: 1
    outcomes: {straight: "No", sags: "Yes"}
    noisy_or: {leak: 5 of 100, causes: {hinge: 70 of 100}}
  wiggle:
    name: Wiggle the strap
    minutes: 1
    outcomes: {firm: Firm, loose: Loose}
    table:
      - when: {strap: present}
        gives: {loose: 97 of 100, firm: 3 of 100}
      - otherwise: {firm: 1.0, loose: 0.0}
  slam:
    name: Slam the door
    minutes: 1
    outcomes: {clack: Clack, thud: Thud}
    table:
      - when: {strap: present}
        gives: {thud: 1.0, clack: 0.0}
      - otherwise: {clack: 1.0, thud: 0.0}
"""
)
"""Invented: the strap bears on two complaints, glass and hinge on one each, spring and rail on a third."""


@pytest.fixture(scope="module")
def engines(tmp_path_factory: pytest.TempPathFactory) -> Engines:
    """The engines of the invented knowledge, as the desk needs them."""
    file = tmp_path_factory.mktemp("knowledge") / "doors.yaml"
    file.write_text(DOORS, encoding="utf-8")
    return Engines(checked([file]), by_phone=True)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A store at a fixed time."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}", clock=lambda: NOON)
    yield store
    store.close()


@pytest.fixture
def call(engines: Engines, store: Store) -> Call:
    """A call about a rattle."""
    return stored(Call.begun(engines, store, "red van", ["rattle"]))


@pytest.fixture
def both(engines: Engines, store: Store) -> Call:
    """A call about a rattle and a knock."""
    return stored(Call.begun(engines, store, "red van", ["rattle", "knock"]))


def stored(call: Call) -> Call:
    """A call whose jobs are in the store without an entry, so that others can enter something first."""
    return replace(call, jobs=call.store.append_each(*((job, ()) for job in call.jobs)))


def entries(call: Call) -> list[tuple[Entry, ...]]:
    """What is stored of each job of a call; the call has the same."""
    found = tuple(call.store.case(job.number) for job in call.jobs)
    assert found == call.jobs
    return [job.case.entries for job in call.jobs]


def by_phone(reading: str, outcome: str, right: float = 0.9) -> Seen:
    """A customer's answer."""
    return Seen(reading, outcome, right, CUSTOMER)


def test_words_that_fit_nothing_lead_to_every_complaint_by_family(engines: Engines) -> None:
    """What fits is taken as it is; otherwise the families' questions and all that they may lead to."""
    knowledge = engines.knowledge
    assert heard(knowledge, "it rattles") == fitting(knowledge, "it rattles")
    assert heard(knowledge, "it rattles").complaints == ("rattle",)
    for words in ("", "purple"):
        found = heard(knowledge, words)
        assert found.complaints == ("rattle", "knock", "creak")
        assert found.ask == fitting(knowledge, words).ask
        assert [one.family for one in found.ask] == ["doors", "seats"]
    assert [one.danger for one in heard(knowledge, "purple smoke").dangers] == ["smoke"]


def test_a_call_begins_with_a_job_for_each_complaint_and_the_dangers_on_all(
    engines: Engines, store: Store
) -> None:
    """Told or only asked: it is in the store before the first question, with the knowledge's version."""
    dangers = {"smoke": TOLD, "fuel": ASKED}
    call = Call.begun(engines, store, "red van", ["rattle", "knock"], Policy(phone_minutes=7), dangers)
    assert [job.case.complaint for job in call.jobs] == ["rattle", "knock"]
    assert {(job.tag, job.knowledge) for job in call.jobs} == {("red van", engines.knowledge.version)}
    assert entries(call) == [(Warned("smoke", TOLD), Warned("fuel", ASKED))] * 2
    assert (call.knowledge, call.engines, call.store) == (engines.knowledge, engines, store)
    assert (call.policy.phone_minutes, call.answered_readings, call.asked) == (7, (), ())
    assert [case for _, case in call.calls] == [job.case for job in call.jobs]
    assert [engine for engine, _ in call.calls] == [engines.one(job.case) for job in call.jobs]
    assert Call.begun(engines, store, "blue van", ["rattle"]).policy == DEFAULT


def test_a_call_is_stored_with_all_its_jobs_by_the_first_entry(engines: Engines, store: Store) -> None:
    """Until then nothing of it is there; an answer to one complaint stores the others too."""
    call = Call.begun(engines, store, "red van", ["rattle", "knock"])
    assert call.knows({}) is call
    assert store.cases() == []
    with closing(sqlite3.connect(str(store._engine.url.database))) as past:
        past.execute("INSERT INTO entries VALUES (0, 1, '', 'a damaged row', 'of no job', '')")
        past.commit()
    assert call.refreshed() == call
    assert store.erase(STRAY)
    assert entries(call.answered("sags", "sags")) == [(), (by_phone("sags", "sags"),)]
    assert len(store.cases()) == 2


def test_the_next_question_is_that_of_all_complaints_in_the_minutes_that_are_left(both: Call) -> None:
    """Each question's minutes are counted once; where they are used up none is asked."""
    knowledge = both.knowledge
    assert both.minutes == 0
    assert both.next == next_question(knowledge, both.weighed, 0)
    after = both.answered("bumps", "quiet").unknown("sags")
    assert after.minutes == minutes_asked(knowledge, [job.case for job in after.jobs]) == 3
    assert after.next == next_question(knowledge, after.weighed, 3)
    assert after.next.question is not None
    short = Call.begun(both.engines, both.store, "blue van", ["rattle"], Policy(phone_minutes=0.5))
    assert (short.next.question, short.next.reason) == (None, "time")
    used_up = Call.begun(both.engines, both.store, "blue van", ["rattle"], Policy(phone_minutes=2)).answered(
        "bumps", "quiet"
    )
    assert (used_up.next.question, used_up.next.reason) == (None, "time")


def test_an_answer_goes_to_every_job_that_it_bears_on_with_what_a_customer_is_worth(both: Call) -> None:
    """A fact goes to all; the call in hand stays as it was, and answers keep their order."""
    call = both.answered("bumps", "loud")
    assert entries(call) == [(by_phone("bumps", "loud", 0.8),)] * 2
    assert (both.answered_readings, call.answered_readings) == ((), ("bumps",))
    call = call.unknown("sags")
    assert [one[1:] for one in entries(call)] == [(), (Skipped("sags", NOT_KNOWN),)]
    call = call.knows({"frame": "framed"})
    assert [one[-1] for one in entries(call)] == [Known("frame", "framed")] * 2
    assert call.answered_readings == ("bumps", "sags")
    assert call.asked == ("bumps", "sags")
    assert call.having_asked("speed").answered_readings == ("bumps", "sags", "speed")


def test_only_what_a_customer_was_asked_on_the_phone_counts_as_asked(call: Call) -> None:
    """Neither what somebody has read at the car nor what was skipped there for another reason."""
    at_car: list[Entry] = [
        Seen("wiggle", "firm"),
        Skipped("slam", "no door"),
        Known("frame", "framed"),
        Seen("speed", "quiet"),
    ]
    call.store.append(call.answered("bumps", "loud").unknown("speed").jobs[0], *at_car)
    assert call.refreshed().asked == ("bumps", "speed")


def test_a_contradiction_is_refused_on_all_jobs_of_a_call(both: Call) -> None:
    """A strap that is surely loose and cannot be: nothing of the second answer is saved anywhere."""
    loose = both.store.append_each(*((job, [Seen("wiggle", "loose")]) for job in both.jobs))
    call = both.refreshed()
    assert call.jobs == loose
    with pytest.raises(InconsistentEvidence):
        call._entered(Known("frame", "framed"), Seen("slam", "clack"))
    assert entries(call) == [(Seen("wiggle", "loose"),)] * 2


def test_the_last_answer_is_taken_back_on_every_job_that_has_it(both: Call) -> None:
    """In the order given, "don't know" included; facts stay, and so does the record."""
    call = both.answered("bumps", "loud").unknown("sags").knows({"frame": "framed"})
    call = call.undone()
    assert [one[-1] for one in entries(call)] == [Known("frame", "framed"), TakenBack(2, "")]
    assert call.answered_readings == ("bumps",)
    call = call.undone()
    assert [one[-1] for one in entries(call)] == [TakenBack(1, "")] * 2
    assert (call.answered_readings, call.asked) == ((), ())
    assert call.undone() is call
    assert [job.case.facts for job in call.jobs] == [{"frame": "framed"}] * 2


def test_of_an_answer_given_twice_the_last_is_taken_back_first(call: Call) -> None:
    """What was said before it counts again."""
    call = call.answered("bumps", "loud").answered("bumps", "quiet").undone()
    assert call.jobs[0].case.outcomes == {"bumps": "loud"}
    assert call.answered_readings == ("bumps",)
    assert call.undone().jobs[0].case.outcomes == {}


def test_the_leading_causes_are_those_of_all_complaints_each_at_its_largest(both: Call) -> None:
    """In order of probability, among equals by id, with their titles."""
    call = both.answered("bumps", "loud")
    each = [engine.query(case.evidence(call.knowledge, engine)).beliefs for engine, case in call.calls]
    wanted = {fault: max(one.get(fault, 0.0) for one in each) for fault in {*each[0], *each[1]}}
    assert {one.fault: one.probability for one in call.suspects} == wanted
    assert {one.fault: one.before for one in call.suspects} == wanted
    assert [one.fault for one in call.suspects] == sorted(wanted, key=lambda one: (-wanted[one], one))
    assert [one.name for one in call.suspects] == [call.knowledge.title(one.fault) for one in call.suspects]
    assert call.suspects[0].fault == "strap"
    assert {"glass", "hinge"} < set(wanted)
    creak = Call.begun(both.engines, both.store, "blue van", ["creak"])
    assert [one.fault for one in creak.suspects] == ["spring", "rail", "unlisted:creak"]


def test_what_is_to_be_told_at_once_is_told_once(both: Call) -> None:
    """Of the complaint, of answers, of dangers that were told; what is said to everybody is left out."""
    assert both.warnings == ("Keep the window shut.",)
    call = Call.begun(both.engines, both.store, "blue van", ["rattle", "knock"], dangers={"smoke": TOLD})
    told = (NOT_DRIVEN, "Smoke: Get out and well away.", "Keep the window shut.")
    assert call.warnings == told[2:]
    assert call.told_words() == "⚠ Told: May be driven: no · Smoke"
    question = call.next.question
    assert question is not None
    assert call.asking_words(question) == f"Ask, from memory alone, nothing is tried now: {question.ask}"
    assert both.asking_words(question) == f"Ask: {question.ask}"
    call = call.answered("bumps", "loud")
    assert call.warnings == ("Drive slowly.",)
    assert call.told == told
    assert IN_DOUBT not in call.warnings


def test_what_was_told_stays_in_view_in_one_line_until_the_call_is_booked(both: Call) -> None:
    """Danger, complaint and earlier answers, in short, or as it was told; what is new is not in it."""
    call = Call.begun(both.engines, both.store, "blue van", ["rattle", "knock"], dangers={"smoke": TOLD})
    on = call.answered("bumps", "loud")
    assert on.told_words() == "⚠ Told: May be driven: no · Smoke\n⚠ Remind the caller: Keep the window shut"
    on = on.unknown("speed")
    assert on.warnings == ()
    reminded = "⚠ Remind the caller: Keep the window shut · Drive slowly"
    assert on.told_words() == f"⚠ Told: May be driven: no · Smoke\n{reminded}"
    whole = f"⚠ What the caller has to know\n{NOT_DRIVEN}\nSmoke: Get out and well away.\n"
    assert on.told_words(whole=True).startswith(whole)


def test_the_warning_of_a_complaint_stands_in_full_over_the_first_question_only(both: Call) -> None:
    """Answered or not; again after undo and in a later call; the sheet has it throughout."""
    told, answer = "Keep the window shut.", "Drive slowly."
    assert both.warnings == (told,)
    on = both.unknown("bumps")
    assert (on.warnings, on.told) == ((), (told,))
    on = on.undone()
    assert (on.warnings, on.told) == ((told,), ())
    on = on.answered("bumps", "loud").answered("speed", "loud")
    assert on.told == (told, answer)
    assert told in on.sheet("markdown")
    later = Call.resumed(both.engines, both.store, on.jobs)
    assert later.warnings == (told, answer)
    assert later.unknown("sags").told == (told, answer)


def test_the_waiting_question_stays_when_a_fact_is_entered(both: Call) -> None:
    """What comes after it may be another; once it is answered the most telling one is next again."""
    every = [one.reading for one in questions(both.knowledge, both.weighed)]
    for waiting in every:
        before = replace(both, waiting=waiting)
        assert before.next.question is not None
        assert before.next.question.reading == waiting
        assert before.made_pointless == ""
    first = both.next.question
    assert first is not None
    known = both.knows({"frame": "frameless"})
    assert known.next.question is not None
    assert known.next.question.reading == first.reading
    assert known.answered(first.reading, next(iter(first.answers))).waiting == ""


def test_a_waiting_question_that_a_fact_has_made_pointless_is_said_to_be(both: Call) -> None:
    """It is not asked, and nobody wonders where it went."""
    waiting = "bumps"
    done = replace(both.answered(waiting, "loud"), waiting=waiting)
    assert done.next.question is None or done.next.question.reading != waiting
    assert done.made_pointless == (
        "What is known of the car has made this question pointless: Is it there over bumps?"
    )


def test_what_is_booked_is_said_in_one_line(both: Call, engines: Engines, store: Store) -> None:
    """Car, day, stay and person."""
    assert to_book_words(both, "Thursday") == "red van · Thursday · back the same day, 2 min in all"
    inspection = Inspection.begun(engines.knowledge, store, "red van", "squeaks", {})
    assert to_book_words(inspection, "") == "red van · general inspection"
    danger = Inspection.begun(engines.knowledge, store, "red van", "smoke", {"smoke": TOLD})
    assert to_book_words(danger, "") == "red van · DANGER, may be driven: no · general inspection"
    call = Call.begun(both.engines, store, "red van", ["knock"], dangers={"smoke": TOLD})
    assert to_book_words(call, "").startswith("red van · DANGER, may be driven: no · ")


def test_what_needs_no_played_job_is_on_the_sheet_at_once(
    both: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Words, what to say, facts and answers; times come later, with a count, and playing can be ended."""
    call = both.knows({"frame": "framed"}).answered("bumps", "loud")
    (job, other), words = call.jobs, SaidByCustomer(PHONE, "it rattles and knocks")
    call = replace(call, jobs=call.store.append_each((job, (words,)), (other, (words,))))
    with monkeypatch.context() as without:
        without.setattr(desks, "booking_sheet", None)  # playing would fail
        text = call.first_sheet
        line = to_book_words(call, "Thursday", "12 of 800 cars")
    for one in ("it rattles and knocks", "Keep the window shut.", "Drive slowly.", "framed", "Yes"):
        assert one in text, one
    assert "working out how long it takes" in text
    assert "of waiting" not in text
    assert line == "red van · Thursday · working out how long it takes … 12 of 800 cars"
    seen: list[tuple[int, int]] = []
    sheets = call.played(lambda done, count: seen.append((done, count)))
    assert seen == sorted(seen)
    assert seen[-1] == (800, 800)
    assert sheets == call.sheets
    assert "working out" not in call.sheet("markdown")
    for first, made in zip(call.sheets_at_once, sheets, strict=True):
        assert (first.causes, first.safety, first.facts, first.said) == (
            made.causes,
            made.safety,
            made.facts,
            made.said,
        )

    def ends(done: int, count: int) -> None:
        raise InterruptedError

    with pytest.raises(InterruptedError):
        call.answered("sags", "sags").played(ends)


def test_the_complaint_is_changed_in_the_middle_of_a_call(both: Call) -> None:
    """What still means something goes along and is not asked again; the old job is not left open."""
    call = Call.begun(both.engines, both.store, "blue van", ["rattle"], words="it knocks")
    call = call.knows({"frame": "framed"}).answered("bumps", "loud").answered("speed", "quiet")
    (old,) = call.jobs
    changed = call.about(["knock"])
    (new,) = changed.jobs
    assert entries(changed) == [
        (SaidByCustomer(PHONE, "it knocks"), Known("frame", "framed"), by_phone("bumps", "loud", 0.8))
    ]
    assert new.case.complaint == "knock"
    assert (changed.asked, changed.answered_readings) == (("bumps",), ("bumps",))
    assert changed.words == "it knocks"
    stored_now = both.store.case(old.number)
    assert stored_now is not None
    assert not stored_now.case.is_open
    assert stored_now.case.cancelled == Cancelled(ANOTHER_COMPLAINT, "")
    assert changed.undone().asked == ()
    more = changed.about(["knock", "creak"])
    assert [job.case.complaint for job in more.jobs] == ["knock", "creak"]
    assert more.jobs[0] == new
    assert more.jobs[1].case.facts == {"frame": "framed"}


def test_a_call_of_which_no_complaint_fits_becomes_an_inspection(engines: Engines, store: Store) -> None:
    """Words and dangers go with it; its job is cancelled with the booking and not before."""
    call = Call.begun(engines, store, "van", ["rattle"], dangers={"smoke": TOLD}, words="it hums")
    call = call.unknown("bumps")
    inspection = call.inspected()
    assert [job.case.is_open for job in store.cases()] == [True]
    saved = inspection.booked("2030-01-16").jobs[0].case
    assert (saved.complaint, saved.customer_words, saved.dangers) == (INSPECTION, ("it hums",), ("smoke",))
    by_complaint = {job.case.complaint: job.case for job in store.cases()}
    assert not by_complaint["rattle"].is_open
    assert by_complaint[INSPECTION].is_open
    unstored = Call.begun(engines, store, "bus", ["rattle"], words="it sings").inspected()
    assert unstored.left == ()
    assert unstored.booked("2030-01-16").jobs[0].case.customer_words == ("it sings",)


def test_a_call_without_an_answer_stores_nothing_by_another_complaint(both: Call) -> None:
    """The words wait for the first answer as before; a job that somebody at the car has begun stays."""
    before = len(both.store.cases())
    call = Call.begun(both.engines, both.store, "blue van", ["rattle"], words="it knocks").about(["knock"])
    assert len(both.store.cases()) == before
    assert call.answered("bumps", "loud").jobs[0].case.customer_words == ("it knocks",)
    both.store.append(both.jobs[0], Seen("wiggle", "loose"))
    changed = both.refreshed().about(["creak"])
    assert [job.case.complaint for job in changed.jobs] == ["rattle", "creak"]
    assert [job.case.is_open for job in changed.jobs] == [True, True]


def test_facts_that_matter_are_asked_until_they_are_known(both: Call) -> None:
    """By id, with what the knowledge says of them."""
    assert both.facts == {"frame": both.knowledge.facts["frame"]}
    assert both.knows({"frame": "framed"}).facts == {}
    assert Call.begun(both.engines, both.store, "van", ["creak"]).facts == {}


def test_a_fact_entered_wrongly_is_put_right(both: Call) -> None:
    """It stays on the form; the same again enters nothing."""
    wrong = both.knows({"frame": "framed"})
    assert wrong.known_facts == {"frame": "framed"}
    assert "frame" in wrong.all_facts
    assert wrong.knows({"frame": "framed"}) is wrong
    assert wrong.knows({"frame": "frameless"}).known_facts == {"frame": "frameless"}


def test_the_sheets_are_those_of_the_jobs_in_each_form(both: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    """Markdown, a page or JSON, with the tag and the time here; letters stay letters."""
    call = Call.begun(both.engines, both.store, "rötlich", ["rattle", "knock"]).answered("bumps", "loud")
    made = tuple(booking_sheet(call.knowledge, engine, case) for engine, case in call.calls)
    assert call.sheets == made
    here = NOON.astimezone().strftime("%d %B %Y %H:%M")
    first, second = (job.number for job in call.jobs)
    paper = document(made, f"rötlich, job {first}, {second}", here)
    assert call.sheet("markdown") == markdown(paper)
    assert call.sheet("html") == html(paper)
    text = call.sheet("json")
    assert json.loads(text) == {
        "tag": "rötlich",
        "sheets": [json.loads(json.dumps(as_dict(one))) for one in made],
    }
    assert text.startswith('{\n  "tag": "rötlich",\n')
    assert text.endswith("\n}\n")
    one = Call.begun(both.engines, both.store, "blue van", ["creak"])
    assert json.loads(one.sheet("json"))["tag"] == "blue van"


def test_a_booking_is_on_every_job(both: Call) -> None:
    """The day and what was remarked; without a remark it is empty."""
    call = both.booked("2030-01-16", "early").booked("2030-01-17")
    assert entries(call) == [(Booked("2030-01-16", "early"), Booked("2030-01-17", ""))] * 2


def test_a_call_goes_on_without_the_jobs_that_others_have_erased(both: Call) -> None:
    """With what others have entered on the rest; where all are gone the call stays as it was."""
    bench = both.store.append(both.jobs[1], Seen("wiggle", "loose"))
    both.store.erase(both.jobs[0].number)
    call = both.refreshed()
    assert call.jobs == (bench,)
    assert call.answered("sags", "sags").jobs[0].case.outcomes == {"wiggle": "loose", "sags": "sags"}
    both.store.erase(bench.number)
    assert both.refreshed().jobs == both.jobs


def test_a_case_is_weighed_once_for_each_answer(both: Call) -> None:
    """The question, the causes and the check before an answer is saved go by the same situation."""
    both.worked_out()
    with counted() as counts:
        call = both.answered("bumps", "loud").worked_out()
    assert counts[EVIDENCE] == len(both.jobs) == 2
    with counted() as counts:
        call.booked("2030-01-17").undone().worked_out()
    assert counts[EVIDENCE] == 2


def test_what_a_screen_shows_is_worked_out_before_it_shows_it(
    call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Question, causes and warnings: nothing is left to the screen's own time."""

    def late(*_: object) -> None:
        raise AssertionError("this was to be worked out beforehand")

    assert call.worked_out() is call
    for name in ("next_question", "answers_warn"):
        monkeypatch.setattr(desks, name, late)
    monkeypatch.setattr(call.situations, "of", late)
    assert call.next.question is not None
    assert call.suspects
    assert call.warnings


# ----------------------------------------------------------------------------------------- who comes when


def booked(store: Store, days: int, *more: Entry, complaint: str = "rattle") -> StoredCase:
    """A job that is booked for so many days from today."""
    filed = store.open_case(f"in {days}", complaint)
    return store.append(filed, Booked(str(TODAY + timedelta(days=days)), ""), *more)


def test_jobs_from_today_on_are_expected(engines: Engines, store: Store) -> None:
    """None of days that are past, none that is closed or not booked, none whose complaint is unknown here."""
    store.open_case("unbooked", "rattle")
    booked(store, 1, complaint="squeal")
    booked(store, 1, Closed("strap", ""))
    wanted = [booked(store, days) for days in (-1, 0, 1, 20)][1:]
    wanted.append(booked(store, 9, Booked(str(TODAY), "")))
    booked(store, 0, Booked(str(TODAY - timedelta(days=9)), ""))
    found = appointments(engines, store, TODAY, lambda: False)
    assert found is not None
    assert [(one.number, one.tag, (one.day - TODAY).days) for one in found] == [
        (wanted[3].number, "in 9", 0),
        (wanted[2].number, "in 20", 20),
        (wanted[1].number, "in 1", 1),
        (wanted[0].number, "in 0", 0),
    ]
    for one, filed in zip(found, reversed(wanted), strict=True):
        assert one.sheet == booking_sheet(engines.knowledge, engines.one(filed.case), filed.case)


def test_working_out_who_comes_can_be_stopped_between_two_jobs(engines: Engines, store: Store) -> None:
    """It is asked before each job, and not where there is none."""
    asked: list[bool] = []

    def second() -> bool:
        asked.append(len(asked) == 1)
        return asked[-1]

    assert appointments(engines, store, TODAY, second) == ()
    assert asked == []
    booked(store, 0)
    booked(store, 1)
    assert appointments(engines, store, TODAY, second) is None
    assert asked == [False, True]


def test_a_booked_job_that_does_not_fit_the_knowledge_is_listed_all_the_same(
    engines: Engines, store: Store
) -> None:
    """The knowledge has changed since: it says where to put it right, and the others have their sheets."""
    whole = booked(store, 0)
    hit = booked(store, 0, Warned("smoke", TOLD), Seen("wiggle", "loose"), Seen("slam", "clack"))
    found = appointments(engines, store, TODAY, lambda: False)
    assert found is not None
    assert [(one.number, one.sheet is None) for one in found] == [(hit.number, True), (whole.number, False)]
    lines = list(overview_lines(overview(found, TODAY)))
    assert lines[1].startswith(f"  {whole.number} in 0: Rattle, ")
    assert lines[2] == (
        f"  DANGER, {hit.number} in 0: what was entered does not fit this knowledge: open it on the bench to "
        "put it right"
    )


def test_who_is_booked_is_shown_before_it_is_worked_out(engines: Engines, store: Store) -> None:
    """At once with tag and complaint, then with a sheet more each time; never as if nobody were booked."""
    booked(store, 20)
    booked(store, 0)
    shown: list[tuple[Appointment, ...]] = []
    found = appointments(engines, store, TODAY, lambda: False, shown.append)
    assert [[one.sheet is not None for one in each] for each in shown] == [
        [False, False],
        [True, False],
        [True, True],
    ]
    assert shown[-1] == found
    lines = list(overview_lines(overview(shown[0], TODAY)))
    assert lines[1] == "  2 in 0: Rattle …"
    assert lines[-3:] == ["Monday 4 February, in 20 days", "  1 in 20: Rattle …", ""]


def test_nothing_is_prepared_on_a_dangerous_car_and_its_line_says_what_is_done(
    engines: Engines, store: Store
) -> None:
    """Also under other knowledge, which has no such danger."""
    filed = booked(store, 0, Warned("smoke", TOLD), Warned("acid_rain", TOLD))
    sheet = booking_sheet(engines.knowledge, engines.one(filed.case), filed.case)
    assert (sheet.setups, sheet.bays) == ((), ())
    setup = SetupNeeded("hot", "Engine hot", 0.9, 600.0, "Bring it warm.")
    (found,) = appointments(engines, store, TODAY, lambda: False) or ()
    careless = replace(found, sheet=replace(sheet, setups=(setup,)))
    lines = list(overview_lines(overview([careless], TODAY)))
    assert not [line for line in lines if "Engine hot" in line or "evening" in line]
    assert lines[1].startswith(f"  DANGER, {filed.number} in 0: Rattle, ")
    assert lines[2:6] == [
        f"    {NOT_DRIVEN}",
        "    DANGER Smoke: Have it brought.",
        f"    DANGER acid rain: {ASK_THE_DESK}",
        "    Until that is done the car stays outside, and nothing is set up on it.",
    ]


def test_what_is_told_of_a_danger_stands_once_on_the_sheet_of_two_complaints(
    engines: Engines, store: Store
) -> None:
    """What to tell and what is done, each once, for the car and not for each complaint."""
    call = Call.begun(engines, store, "red van", ["rattle", "knock"], dangers={"smoke": TOLD})
    text = call.sheet("markdown")
    for words in ("Get out and well away.", "Have it brought.", NOT_DRIVEN):
        assert text.count(words) == 1, words
    assert IN_DOUBT not in text


def test_of_dangers_heard_the_strictest_answer_on_driving_is_said_once_and_first(
    tmp_path: Path, store: Store
) -> None:
    """On the call's screen, the sheet, the inspection's note and the list."""
    file = tmp_path / "doors.yaml"
    mild = (
        "  drip: {name: Drip, customer: drips, ask: A, tell: Catch it., do: Wipe it., may_be_driven: true}\n"
    )
    file.write_text(DOORS.replace("dangers:\n", f"dangers:\n{mild}"), encoding="utf-8")
    knowledge = checked([file])
    assert gets_here(knowledge, []) == ""
    assert gets_here(knowledge, ["drip"]) == MAY_BE_DRIVEN
    assert gets_here(knowledge, ["drip", "smoke"]) == gets_here(knowledge, ["unheard_of"]) == NOT_DRIVEN
    engines = Engines(knowledge, by_phone=True)
    for dangers, answer in (({"drip": TOLD}, MAY_BE_DRIVEN), ({"drip": TOLD, "smoke": TOLD}, NOT_DRIVEN)):
        call = Call.begun(engines, store, "red van", ["rattle", "knock"], dangers=dangers).booked(str(TODAY))
        assert call.told[0] == answer
        note = Inspection.begun(knowledge, store, "blue van", "odd", dangers).sheet("markdown")
        found = appointments(engines, store, TODAY, lambda: False) or ()
        rows = "\n".join(
            overview_lines(overview([one for one in found if one.number == call.jobs[0].number], TODAY))
        )
        for text in (call.sheet("markdown"), note, rows):
            assert text.count("May be driven") == text.count(answer) == 1
        for text in (call.sheet("markdown"), note):
            assert text.index(answer) < text.index("Wipe it.") < text.index("Catch it.")
            assert (IN_DOUBT in text) is (answer == MAY_BE_DRIVEN)


def test_no_danger_of_ours_says_a_word_of_its_own_on_driving(shipped: Knowledge) -> None:
    """Three sentences on it disagreed: the one answer stands in the program."""
    said = [f"{one.tell} {one.do}".casefold() for one in shipped.dangers.values()]
    assert [one for one in said if re.search(r"\bdriv|recovery truck|roadside|not start\b", one)] == []


def test_the_sheet_and_the_list_tell_time_in_a_workshops_words(engines: Engines, store: Store) -> None:
    """Hands-on time, and whether the car stays the night: one figure, no average beside a percentile."""
    filed = booked(store, 0)
    sheet = booking_sheet(engines.knowledge, engines.one(filed.case), filed.case)
    night = SetupNeeded("cold", "Cold", 0.9, 600.0, None, "overnight")
    stays = replace(sheet, hands_on=BookedMinutes(31.0, 65.0), setups=(night,))
    text = markdown(document([stays], "red van", "today"))
    assert "1 h 05" in text
    assert "stays the night, from the evening before" in text
    assert not [words for words in ("on average", "of jobs within", "31 min") if words in text]
    here = Appointment(1, "red van", TODAY, stays)
    assert "  1 red van: Rattle, 1 h 05 of work, here from the evening before" in list(
        overview_lines(overview([here], TODAY))
    )


def test_the_minutes_booked_are_enough_for_four_of_five_jobs() -> None:
    """By hand: of ten jobs eight take 0, one 100 and one 200 minutes."""
    minutes = _minutes(np.array([0.0] * 8 + [100.0, 200.0]), 0.8)
    assert (minutes.expected, minutes.upto) == (30.0, pytest.approx(20.0))


@pytest.mark.parametrize(
    ("day", "hour", "words"),
    [
        (16, 12, "Bring it today until closing; it stays the night."),
        (17, 12, "Bring it tomorrow until closing; it stays the night."),
        (18, 19, "Bring it on Thursday 17 until closing; it stays the night."),
        (16, 18, "Too late for tomorrow: book Thursday 17 January, or it stays the night at ours."),
        (15, 12, "Too late for today: book Wednesday 16 January, or it stays the night at ours."),
        (15, 20, "Too late for today: book Thursday 17 January, or it stays the night at ours."),
    ],
)
def test_the_evening_before_is_said_by_its_day(day: int, hour: int, words: str) -> None:
    """On 15 January, a Tuesday, in a workshop that closes at 18 hours."""
    assert evening_words(date(2030, 1, day), datetime(2030, 1, 15, hour), 18.0) == words


SUNDAYS = ClosedDays.of(["Sunday", "Saturdays", "2030-01-16 to 2030-01-17"])


def test_closed_days_are_weekdays_dates_and_ranges() -> None:
    """15 January 2030 is a Tuesday: the next open day is the Friday, and the one before Monday too."""
    assert [day for day in range(13, 22) if date(2030, 1, day) in SUNDAYS] == [13, 16, 17, 19, 20]
    assert SUNDAYS.open_from(date(2030, 1, 15)) == date(2030, 1, 15)
    assert SUNDAYS.open_from(date(2030, 1, 16)) == date(2030, 1, 18)
    assert SUNDAYS.open_before(date(2030, 1, 21)) == date(2030, 1, 18)
    assert next_open(TODAY, SUNDAYS) == date(2030, 1, 18)
    assert next_open_words(TODAY, SUNDAYS) == "Fri 18 Jan"
    assert next_open_words(TODAY, NEVER_CLOSED) == "Tomorrow"


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (["Restday"], "'Restday' names no closed days. Write weekdays and dates, such as Sunday, "),
        (["2030-02-30"], "'2030-02-30' names no closed days."),
        (["2031-01-01 to 2030-12-24"], "'2031-01-01 to 2030-12-24' names no closed days."),
        (["2031-01-01 to 9999-12-31"], "'2031-01-01 to 9999-12-31' never ends."),
        (
            ["mon", "tue", "wed", "thu", "fri", "sat", "sun"],
            "All seven weekdays are closed. Leave out those on which you are open.",
        ),
    ],
)
def test_closed_days_that_will_not_do_are_refused(said: list[str], why: str) -> None:
    """With what can be written; a workshop that never opens again books nobody."""
    with pytest.raises(ValueError, match=re.escape(why)):
        ClosedDays.of(said)
    assert refusal(said).startswith(why)


def test_a_closed_day_is_refused_with_the_next_open_one() -> None:
    """An open day is not."""
    assert closed_words(date(2030, 1, 15), TODAY, SUNDAYS) == ""
    assert closed_words(date(2030, 1, 19), TODAY, SUNDAYS) == (
        "Saturday 19 January, in 4 days: the workshop is closed. "
        "The next open day is Monday 21 January, in 6 days."
    )


def test_the_evening_before_is_one_on_which_somebody_is_there() -> None:
    """For the Monday it is that of the Friday; once that is over, the Tuesday is the first."""
    at = datetime(2030, 1, 18, 12)
    words = evening_words(date(2030, 1, 21), at, 18.0, SUNDAYS)
    assert words == "Bring it today until closing; it stays the night."
    assert first_with_evening(at, 18.0, SUNDAYS) == date(2030, 1, 21)
    assert first_with_evening(datetime(2030, 1, 19, 12), 18.0, SUNDAYS) == date(2030, 1, 22)


def test_the_list_goes_by_time_and_shows_the_evening_on_which_a_car_is_brought(call: Call) -> None:
    """Over closed days too; who has not said when comes last, and what is kept free is said once."""
    night = SetupNeeded("cold", "Cold", 0.9, 600.0, None, "overnight")
    plain = replace(
        call.sheets[0],
        total=BookedMinutes(30.0, 60.0),
        setups=(),
        bays=(Needed("Pit", "Pit", 0.5), Needed("Ramp", "Ramp", 0.49)),
        instruments=(),
        certified_share=0.9,
    )
    stays, work = replace(plain, setups=(night,)), f"Rattle, {duration(plain.hands_on.upto)} of work"
    monday = date(2030, 1, 21)
    jobs = [
        Appointment(1, "no time", monday, plain),
        Appointment(2, "afternoon car", monday, plain, wish="at 2"),
        Appointment(3, "noon car", monday, plain, wish="noon"),
        Appointment(4, "early car", monday, plain, wish="before 9:30"),
        Appointment(5, "blue van", monday, stays),
    ]
    assert list(overview_lines(overview(jobs, date(2030, 1, 19), SUNDAYS))) == [
        "Saturday 19 January, today",
        "  Closed.",
        "",
        "Monday 21 January, in 2 days",
        f"  5 blue van: {work}, here from the evening before",
        f"  before 9:30 · 4 early car: {work}",
        f"  noon · 3 noon car: {work}",
        f"  at 2 · 2 afternoon car: {work}",
        f"  1 no time: {work}",
        "  Get ready the evening before: Cold: 5 blue van",
        "  Keep free for 5 blue van: person certified for refrigerant, pit",
        "  Keep free for 4 early car: person certified for refrigerant, pit",
        "  Keep free for 3 noon car: person certified for refrigerant, pit",
        "  Keep free for 2 afternoon car: person certified for refrigerant, pit",
        "  Keep free for 1 no time: person certified for refrigerant, pit",
        "",
    ]
    friday = list(overview_lines(overview(jobs, date(2030, 1, 18), SUNDAYS)))
    assert friday[:3] == [
        "Friday 18 January, today",
        "  Fri evening: 5 blue van, stays the night, for Mon",
        "",
    ]


@pytest.mark.parametrize(
    ("wish", "hour"),
    [("first thing", 7.0), ("7:30", 7.5), ("after 4", 16.0), ("8 am", 8.0), ("12 am", 0.0), ("12 pm", 12.0)],
)
def test_a_day_is_sorted_by_about_when_a_car_comes(wish: str, hour: float) -> None:
    """An hour before seven is one of the afternoon, unless it says otherwise."""
    assert hour_of(wish) == hour


def test_the_day_of_a_night_that_is_too_late_is_said_once(call: Call) -> None:
    """In time it stands before the evening; too late it stands in the refusal itself."""
    for day, words in (
        (TODAY, "Too late for today: book Wednesday 16 January, or it stays the night at ours."),
        (
            date(2030, 1, 17),
            "For Thursday 17 January, in 2 days: Bring it tomorrow until closing; it stays the night.",
        ),
    ):
        assert call.night_words(day) == words


def test_a_booked_car_is_told_its_evening_on_the_sheet(call: Call) -> None:
    """In place of "the evening before", and only where it stays the night."""
    night = SetupNeeded("cold", "Cold", 0.9, 600.0, None, "overnight")
    stays = replace(call.sheets[0], setups=(night,))
    evening = "Bring it today until closing; it stays the night."
    text = markdown(document([stays], "red van", "today", evening=evening))
    assert evening in text
    assert "Bring it the evening before" not in text
    assert "Bring it the evening before" in markdown(document([stays], "red van", "today"))
    assert evening not in markdown(document(call.sheets, "red van", "today", evening=evening))


def test_how_long_a_car_stays_is_one_believable_sentence(call: Call) -> None:
    """Today, one night or two days; with a danger nobody can say, and no hours of waiting stand alone."""
    (sheet,) = call.sheets
    long = replace(sheet, total=BookedMinutes(300.0, 900.0), waiting=BookedMinutes(200.0, 662.0))
    assert stay_words([sheet]) == f"back the same day, {duration(sheet.total.upto)} in all"
    assert stay_words([long]) == "stays the night, from the evening before"
    assert stay_words([replace(long, dangers=(("Smoke", "Wait."),))]) == (
        "not said before the danger is dealt with"
    )
    for setup, words in (("half a day", "half a day, back the same day"), ("two days", "two days")):
        needed = SetupNeeded("a", "A", 0.5, 60.0, None, setup)  # type: ignore[arg-type]
        assert stay_words([replace(sheet, setups=(needed,))]) == words
    assert "of waiting" not in markdown(document([replace(long, dangers=(("Smoke", "Wait."),))], "van", ""))


@pytest.mark.parametrize(
    ("said", "day"),
    [
        ("today", date(2030, 1, 15)),
        ("Tomorrow", date(2030, 1, 16)),
        ("Thursday", date(2030, 1, 17)),
        ("thu", date(2030, 1, 17)),
        ("next Tuesday", date(2030, 1, 22)),
        ("next Monday", date(2030, 1, 21)),
        ("Thursday next week", date(2030, 1, 24)),
        ("next week Thursday", date(2030, 1, 24)),
        ("Thursday week", date(2030, 1, 24)),
        ("Monday week", date(2030, 1, 28)),
        ("this Thursday", date(2030, 1, 17)),
        ("Thursday 24 January", date(2030, 1, 24)),
        ("the 24th", date(2030, 1, 24)),
        ("the 3rd", date(2030, 2, 3)),
        ("3.12.", date(2030, 12, 3)),
        ("3 Dec", date(2030, 12, 3)),
        ("3rd of December 2031", date(2031, 12, 3)),
        ("Jan 14", date(2031, 1, 14)),
        ("15 Jan", date(2030, 1, 15)),
        ("29 Feb", date(2032, 2, 29)),
        ("2030-01-31", date(2030, 1, 31)),
    ],
)
def test_a_day_is_understood_as_people_say_it(said: str, day: date) -> None:
    """The next such day from 15 January 2030, a Tuesday, on; a weekday is never today itself."""
    assert TODAY.weekday() == 1
    assert day_meant(said, TODAY) == day


@pytest.mark.parametrize(
    ("said", "day", "wish"),
    [
        ("Friday morning", date(2030, 1, 18), "morning"),
        ("tomorrow, early afternoon", date(2030, 1, 16), "early afternoon"),
        ("Thursday next week in the morning", date(2030, 1, 24), "morning"),
        ("Friday at 9:30", date(2030, 1, 18), "at 9:30"),
        ("Friday 7.30", date(2030, 1, 18), "at 7:30"),
        ("Friday before 10.30", date(2030, 1, 18), "before 10:30"),
        ("3.12. 7.30", date(2030, 12, 3), "at 7:30"),
        ("Tuesday 3.12", date(2030, 12, 3), ""),
        ("Friday at 3.12", date(2030, 1, 18), "at 3:12"),
        ("9.10", date(2030, 10, 9), ""),
        ("tomorrow at 9", date(2030, 1, 16), "at 9"),
        ("Friday before 10", date(2030, 1, 18), "before 10"),
        ("3 Feb 8 am", date(2030, 2, 3), "at 8 am"),
        ("Friday first thing", date(2030, 1, 18), "first thing"),
        ("3.12.", date(2030, 12, 3), ""),
        ("the 18th", date(2030, 1, 18), ""),
        ("Friday", date(2030, 1, 18), ""),
    ],
)
def test_a_wish_for_a_time_of_the_day_is_understood(said: str, day: date, wish: str) -> None:
    """As people add it behind the day."""
    assert day_and_wish(said, TODAY) == (day, wish)


def test_a_time_of_the_day_alone_is_no_day() -> None:
    """Nobody knows which morning."""
    with pytest.raises(ValueError, match="'morning' is no day"):
        day_and_wish("morning", TODAY)
    for said in ("7.30", "at 7.30", "at 9.10", "7:30"):
        with pytest.raises(ValueError, match=f"'{said}' is a time. Write the day before it"):
            day_and_wish(said, TODAY)


def test_two_complaints_of_one_car_are_one_visit_in_the_list(engines: Engines, store: Store) -> None:
    """One line with both numbers, the time of both together, and the wish for the day; another car apart."""
    call = Call.begun(engines, store, "red van", ["rattle", "knock"]).unknown("bumps")
    call = call.booked(str(TODAY), "morning")
    other = booked(store, 0)
    found = appointments(engines, store, TODAY, lambda: False) or ()
    both = [one.sheet for one in found if one.tag == "red van" and one.sheet]
    (line,) = (line for line in overview_lines(overview(found, TODAY)) if "red van" in line)
    hands_on = duration(sum(sheet.hands_on.upto for sheet in both))
    assert line == f"  morning · 1, 2 red van: Rattle and Knock, {hands_on} of work"
    assert other.number == 3
    assert booked_words(call) == "red van is booked for Tuesday 15 January, today, morning."


def test_a_day_that_may_be_one_of_two_is_asked_about() -> None:
    """Some mean the coming Thursday, some that of next week: both are named, and neither is taken."""
    with pytest.raises(ValueError, match="Which Thursday") as error:
        day_meant("next thursday", TODAY)
    assert str(error.value) == ("Which Thursday is meant: 17 January or 24 January? Write 17 Jan or 24 Jan.")


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (date(2030, 1, 14), "Monday 14 January, yesterday"),
        (date(2030, 1, 15), "Tuesday 15 January, today"),
        (date(2030, 1, 16), "Wednesday 16 January, tomorrow"),
        (date(2030, 1, 25), "Friday 25 January, in 10 days"),
        (date(2031, 1, 1), "Wednesday 1 January 2031, in 351 days"),
        (date(2029, 12, 31), "Monday 31 December 2029, 15 days ago"),
    ],
)
def test_a_day_is_read_back_with_its_distance(day: date, words: str) -> None:
    """Who meant another week hears it."""
    assert read_back(day, TODAY) == words


def test_the_day_is_read_back_on_the_sheet_and_after_saving(call: Call) -> None:
    """On the paper of a call and of an inspection, with how far away it is."""
    day = "Friday 25 January, in 10 days"
    assert booked_words(call) == ""
    assert "booked for" not in call.sheet("markdown")
    booked = call.booked("2030-01-25")
    assert booked_words(booked) == f"red van is booked for {day}."
    assert f"Rattle, booked for {day}" in booked.sheet("markdown")
    inspection = Inspection.begun(call.knowledge, call.store, "blue van", "purple", {}).booked("2030-01-25")
    assert f"General inspection, booked for {day}" in inspection.sheet("markdown")


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ("2030-01-14", "Monday 14 January 2030 is past."),
        ("14.1.2030", "Monday 14 January 2030 is past."),
        ("31 Feb", "'31 Feb' is no day."),
        ("soon", "'soon' is no day."),
        ("next", "'next' is no day."),
        ("Friday 24 January", "24 January is a Thursday."),
        ("2030-13-01", "'2030-13-01' is no day."),
        ("3 Ja", "'3 Ja' is no day."),
        ("9999-12-31", "Friday 31 December 9999 is too far ahead."),
    ],
)
def test_a_day_that_is_past_or_none_is_refused(said: str, why: str) -> None:
    """With what can be written."""
    with pytest.raises(ValueError, match="Write tomorrow, Thursday, Thursday next week, 3 Dec") as error:
        day_meant(said, TODAY)
    assert str(error.value).startswith(why)


def test_what_fits_no_complaint_is_booked_without_one(engines: Engines, store: Store) -> None:
    """Tag, words, danger and day are stored; the desk lists it, and nothing before the day is known."""
    new = Inspection.begun(engines.knowledge, store, "red van", "purple smoke", {"smoke": TOLD})
    note = new.sheet("markdown")
    assert store.cases() == []
    for words in ("Have it brought.", "Smoke: Get out and well away.", "purple smoke", NOT_DRIVEN):
        assert note.count(words) == 1, words
    new.booked("2030-01-16")
    (filed,) = store.cases()
    assert (filed.tag, filed.case.complaint) == ("red van", INSPECTION)
    assert filed.case.entries == (
        Warned("smoke", TOLD),
        SaidByCustomer(PHONE, "purple smoke"),
        Booked("2030-01-16", ""),
    )
    again = Inspection.of(engines.knowledge, store, filed).sheet("markdown")
    assert again == note.replace(
        "General inspection\n", "General inspection, booked for Wednesday 16 January, tomorrow\n"
    ).replace("sheet: red van", f"sheet: red van, job {filed.number}")
    assert json.loads(new.sheet("json"))["inspection"]["customer_says"] == "purple smoke"
    found = appointments(engines, store, TODAY, lambda: False)
    assert found is not None
    lines = list(overview_lines(overview(found, TODAY)))
    assert '  DANGER, 1 red van: General inspection, "purple smoke"' in lines
    assert "    DANGER Smoke: Have it brought." in lines


WORDS = "dead this morning, second time this week, somebody fitted a dash camera last month"


def test_what_the_caller_said_is_kept_as_typed_on_every_job_and_paper(engines: Engines, store: Store) -> None:
    """With the first entry and not before; on the sheet, the card, the customer's page and the story."""
    call = Call.begun(engines, store, "red van", ["rattle", "knock"], words=WORDS)
    assert call.sheet("markdown").count(WORDS) == 1
    assert store.cases() == []
    call = call.answered("bumps", "loud").answered("speed", "loud")
    assert [job.case.customer_words for job in call.jobs] == [(WORDS,)] * 2
    assert [len(job.case.entries) for job in call.jobs] == [3, 2]
    assert store.cases()[-1] == call.jobs[0]
    assert call.sheet("markdown").count(WORDS) == 1
    assert json.loads(call.sheet("json"))["sheets"][0]["customer_says"] == [WORDS]
    assert call.asked == ("bumps", "speed")
    call = call.undone()
    assert call.jobs[0].case.customer_words == (WORDS,)
    (job, _) = call.jobs
    assert entry_words(engines.knowledge, job.case, job.case.entries[0]) == f"Customer, by phone: “{WORDS}”"
    for page in (job_card, customer_sheet):
        text = markdown(page(engines.knowledge, engines.of, job, {}, NOON.isoformat()))
        assert f"“{WORDS}”" in text
        assert "it rattles" not in text
    again = Call.resumed(engines, store, call.jobs, dangers={"smoke": TOLD}, words="it smokes now")
    assert again.jobs[0].case.customer_words == (WORDS, "it smokes now")
    booked = Call.begun(engines, store, "blue van", ["rattle"], words="odd").booked("2030-01-16")
    assert booked.jobs[0].case.entries == (SaidByCustomer(PHONE, "odd"), Booked("2030-01-16", ""))
    danger = Call.begun(engines, store, "van", ["rattle"], dangers={"smoke": TOLD}, words="smoke")
    assert danger.jobs[0].case.entries == (Warned("smoke", TOLD), SaidByCustomer(PHONE, "smoke"))
    assert len(danger.answered("bumps", "loud").jobs[0].case.entries) == 3


def test_a_stock_phrase_is_never_shown_as_if_the_customer_had_said_it(call: Call) -> None:
    """Without words of their own the complaint's name stands, with no quotation marks."""
    for page in (job_card, customer_sheet):
        text = markdown(page(call.knowledge, call.engines.of, call.jobs[0], {}, NOON.isoformat()))
        assert "it rattles" not in text
        assert "“" not in text


def test_the_words_of_an_inspection_by_an_earlier_program_are_still_shown(
    engines: Engines, store: Store
) -> None:
    """It wrote them beside the day."""
    job = store.append(store.draft("red van", INSPECTION, "v"), Booked("2030-01-16", "purple"))
    assert "purple" in Inspection.of(engines.knowledge, store, job).sheet("markdown")


def test_visits_are_the_open_jobs_of_a_car_and_a_day(engines: Engines, store: Store) -> None:
    """Several complaints of one call together; half a call is told from a booking and from work begun."""
    half = Call.begun(engines, store, "red van", ["rattle", "knock"]).answered("bumps", "loud")
    other = Call.begun(engines, store, "Red Van", ["creak"], dangers={"smoke": TOLD}).booked("2030-01-17")
    bench = store.append(store.open_case("bay 2", "rattle"), Seen("wiggle", "firm"))
    store.append(store.open_case("done", "rattle"), Closed("strap", ""))
    found = visits(engines.knowledge, store)
    assert [(one.day, one.jobs) for one in found] == [
        (None, (bench,)),
        (date(2030, 1, 17), other.jobs),
        (None, half.jobs),
    ]
    assert [one.is_only_a_call for one in found] == [False, False, True]
    assert [one.words(engines.knowledge, TODAY) for one in found[1:]] == [
        "DANGER, 3 Red Van: Creak, booked for Thursday 17 January, in 2 days",
        "1, 2 red van: Rattle and Knock, not booked",
    ]
    again = Call.resumed(engines, store, half.jobs, dangers={"smoke": TOLD})
    assert (again.answered_readings, again.next) == (half.answered_readings, half.next)
    assert [job.case.dangers for job in again.jobs] == [("smoke",)] * 2
