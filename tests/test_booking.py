"""The booking sheet: how likely, how long, with what, whether at all, what to say, and who comes when."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from advisor.advice import Workshop
from advisor.agenda import Appointment, overview
from advisor.booking import (
    AT_THE_CAR,
    IN_DOUBT,
    PEOPLE_WORDS,
    BookingSheet,
    booking_sheet,
    in_words,
    no_visit,
    safety,
    simulated,
)
from advisor.bookingsheet import KEYS, as_dict, document, text_lines
from advisor.case import Case, Known
from advisor.document import html, markdown
from advisor.engine import compile_tables
from advisor.knowledge import Knowledge
from advisor.likelihoods import WORDS
from advisor.network import build
from advisor.phone import not_known, said
from advisor.ranking import compile_ranker
from tests.conftest import Ran

Made = Callable[[str], Knowledge]
Advisor = Callable[..., Ran]

TEXT = """\
complaints:
  puddle:
    name: Water under the car
    family: water
    warn: Stop at once if the engine gets hot
    exactly_one_of: {condensed: 50, hose: 40}
    unlisted: 10
faults:
  condensed:
    name: Water from cooling the air
    remedy: Explain it
    remedy_minutes: 10
    price: none
    no_visit: Clear water after cooling is normal.
  hose: {name: Hose leaks, remedy: Replace the hose, remedy_minutes: 30, price: low}
facts:
  colour: {name: Colour of the coolant, ask: Which colour is the coolant?, values: {pink: 60, blue: 40}}
readings:
  coloured:
    name: Colour of the puddle
    who: customer
    ask: Is the water <coloured> & sweet?
    right_by_phone: 0.95
    warn: {coloured: "Keep children & pets <away> from it"}
    minutes: 1
    outcomes: {clear: It is clear, coloured: It is coloured}
    noisy_or: {leak: 1 of 100, causes: {hose: 99 of 100}}
  pressed:
    name: System under pressure
    who: certified
    minutes: 10
    instrument: [pump, spare_pump]
    setup: cold_night
    outcomes: {holds: Holds, falls: Falls}
    noisy_or: {leak: 1 of 100, causes: {hose: 99 of 100}}
instruments:
  pump: {name: Pressure pump}
  spare_pump: {name: Spare pump}
setups:
  jacked: {name: Jacked up, hands_on_minutes: 5, bay: Bay with a lift}
  cold_night:
    name: Cold after a night
    hands_on_minutes: 2
    waiting_minutes: 480
    needs: [jacked]
    arrange: Bring it the evening before.
"""


def sheet_of(knowledge: Knowledge, case: Case, workshop: Workshop | None = None) -> BookingSheet:
    """The sheet of a case about the puddle."""
    engine = compile_tables(build(knowledge, "puddle", by_phone=True).tables)
    return booking_sheet(knowledge, engine, case, workshop)


@pytest.fixture
def puddle(known: Made) -> Knowledge:
    """A small knowledge with everything that a sheet can say."""
    return known(TEXT)


@pytest.fixture
def sheet(puddle: Knowledge) -> BookingSheet:
    """The sheet of a car about which nothing is known but the complaint."""
    return sheet_of(puddle, Case("puddle"))


# ------------------------------------------------------------------------------------------ how likely


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (1.0, "almost certain"),
        (0.93, "almost certain"),
        (0.82, "very likely"),
        (0.7, "likely"),
        (0.4, "as likely as not"),
        (0.22, "possible"),
        (0.12, "unlikely"),
        (0.02, "very unlikely"),
    ],
)
def test_a_probability_is_said_by_the_nearest_word_of_the_published_scale(
    probability: float, words: str
) -> None:
    """And none of the words promises anything or rules anything out."""
    assert in_words(probability) == words


def test_every_word_of_the_scale_has_a_word_for_people() -> None:
    """No probability is left without one."""
    assert list(PEOPLE_WORDS) == list(WORDS)


def test_the_leading_causes_come_with_their_numbers(sheet: BookingSheet) -> None:
    """Nothing but the complaint is known: they are as the author wrote them."""
    assert [(one.fault, round(one.probability, 6), one.words) for one in sheet.causes] == [
        ("condensed", 0.5, "as likely as not"),
        ("hose", 0.4, "as likely as not"),
        ("unlisted:puddle", 0.1, "unlikely"),
    ]


# -------------------------------------------------------------------------------- how long, with what


def test_the_minutes_are_those_of_the_simulated_jobs_split_in_two(sheet: BookingSheet) -> None:
    """Every job here takes one reading: 10 minutes, 7 for setups by hand, and a night."""
    assert (sheet.total.expected, sheet.total.upto) == (497, 497)
    assert (sheet.hands_on.expected, sheet.waiting.upto) == (17, 480)
    assert sheet.remedy_minutes == pytest.approx(0.5 * 10 + 0.4 * 30, abs=0.1)


def test_the_same_case_gives_the_same_sheet(puddle: Knowledge, sheet: BookingSheet) -> None:
    """The seed is fixed; who rings twice hears the same."""
    assert sheet_of(puddle, Case("puddle")) == sheet


def test_four_in_five_of_the_sheets_own_jobs_are_done_in_the_minutes_booked(shipped: Knowledge) -> None:
    """On shipped knowledge, where jobs differ; the parts add up on average and not in their percentiles."""
    engine = compile_tables(build(shipped, "no_air").tables)
    made = booking_sheet(shipped, engine, Case("no_air"), Workshop())
    ranker = compile_ranker(shipped, engine, "no_air")
    *_, jobs = simulated(ranker, Case("no_air"), seed=20_260_301, cars=400)
    assert 0.79 <= np.mean(jobs.minutes <= made.total.upto) <= 0.82
    assert made.total.expected == pytest.approx(made.hands_on.expected + made.waiting.expected)


def test_the_sheet_names_instruments_bay_person_and_setups_that_jobs_need(sheet: BookingSheet) -> None:
    """With the share of the jobs; a setup that another one needs is among them."""
    assert [(one.name, one.share) for one in sheet.instruments] == [("Pressure pump", 1.0)]
    assert [(one.name, one.share) for one in sheet.bays] == [("Bay with a lift", 1.0)]
    assert (sheet.certified, sheet.certified_share) == (True, 1.0)
    assert [one.setup for one in sheet.setups] == ["cold_night", "jacked"]
    assert [(one.setup, one.arrange) for one in sheet.arrange] == [
        ("cold_night", "Bring it the evening before.")
    ]
    assert sheet.overnight


def test_an_instrument_that_is_missing_is_replaced_by_the_next(puddle: Knowledge) -> None:
    """The job is planned with what the workshop has."""
    without = sheet_of(puddle, Case("puddle"), Workshop(frozenset({"pump"}), AT_THE_CAR.who))
    assert [one.what for one in without.instruments] == ["spare_pump"]


def test_what_few_jobs_need_is_not_on_the_sheet(known: Made) -> None:
    """After a clear answer the pump tells too little: nothing is taken, and nothing has to be arranged."""
    knowledge = known(TEXT.replace("right_by_phone: 0.95", "right_by_phone: 1"))
    case = Case("puddle").with_entry(said(knowledge, "coloured", "coloured"))
    made = sheet_of(knowledge, case)
    assert (made.total.expected, made.instruments, made.setups, made.certified) == (0, (), (), False)


def test_where_nothing_can_be_read_at_the_car_no_time_is_booked_for_reading(known: Made) -> None:
    """A complaint may have questions for the customer alone; the repair is still on the sheet."""
    knowledge = known(TEXT.replace("who: certified", "who: customer\n    ask: Does it hold pressure?"))
    made = sheet_of(knowledge, Case("puddle"))
    assert (made.total.expected, made.instruments, made.bays, made.setups) == (0, (), (), ())
    assert made.remedy_minutes > 0


# ------------------------------------------------------------------------------ whether at all, and safety


@pytest.mark.parametrize(
    ("beliefs", "needed"),
    [
        ({"condensed": 0.8, "hose": 0.09, "unlisted:puddle": 0.09}, False),
        ({"condensed": 0.79, "hose": 0.09, "unlisted:puddle": 0.09}, True),
        ({"condensed": 0.95, "hose": 0.1, "unlisted:puddle": 0.01}, True),
        ({"condensed": 0.95, "hose": 0.01, "unlisted:puddle": 0.1}, True),
    ],
)
def test_nobody_has_to_come_for_what_is_normal_where_nothing_else_is_likely(
    puddle: Knowledge, beliefs: dict[str, float], needed: bool
) -> None:
    """A harmless cause at 80 %, and every other below 10 %, what is not listed included."""
    told = no_visit(puddle, beliefs)
    assert told == (() if needed else ("Clear water after cooling is normal.",))


def test_the_sheet_says_that_no_visit_is_needed(known: Made) -> None:
    """And why, in the author's words."""
    knowledge = known(
        TEXT.replace("condensed: 50, hose: 40", "condensed: 90, hose: 8").replace(": 10\nf", ": 2\nf")
    )
    made = sheet_of(knowledge, Case("puddle").with_entry(said(knowledge, "coloured", "clear")))
    assert not made.visit
    assert "No visit is needed" in markdown(document([made], "car 7", "today"))


def test_what_is_said_for_safety_is_for_the_complaint_the_answers_and_everybody(puddle: Knowledge) -> None:
    """An answer brings its sentence only if it was given."""
    cold = Case("puddle")
    assert safety(puddle, cold) == ("Stop at once if the engine gets hot", IN_DOUBT)
    assert safety(puddle, cold.with_entry(said(puddle, "coloured", "clear"))) == safety(puddle, cold)
    assert safety(puddle, cold.with_entry(said(puddle, "coloured", "coloured"))) == (
        "Stop at once if the engine gets hot",
        "Keep children & pets <away> from it",
        IN_DOUBT,
    )


# ---------------------------------------------------------------------------------------------- on paper


def answered(puddle: Knowledge) -> Case:
    """A case in which the desk has asked."""
    case = Case("puddle").with_entry(Known("colour", "pink"))
    return case.with_entry(said(puddle, "coloured", "coloured"))


def test_what_was_asked_is_on_the_sheet_with_its_answer(puddle: Knowledge) -> None:
    """What the customer does not know is said to be so."""
    made = sheet_of(puddle, answered(puddle))
    assert made.facts == (("Colour of the coolant", "pink"),)
    assert made.said == (("Is the water <coloured> & sweet?", "It is coloured"),)
    unknown = sheet_of(puddle, Case("puddle").with_entry(not_known("coloured")))
    assert unknown.said == (("Is the water <coloured> & sweet?", None),)
    assert "does not know" in "\n".join(text_lines(document([unknown], "car 7", "today")))


def test_the_page_shows_text_as_text_and_loads_nothing(puddle: Knowledge) -> None:
    """A tag or a question with brackets in it is no markup."""
    page = html(document([sheet_of(puddle, answered(puddle))], "<script>1</script>", "today"))
    assert "<script" not in page
    assert "Is the water &lt;coloured&gt; &amp; sweet?" in page
    assert not re.search(r"https?:|src=|href=|@import|url\(", page)
    assert "size:A4" in page


def test_markdown_and_text_say_what_to_book_and_to_say(puddle: Knowledge) -> None:
    """Time with its percentile, bay, person, instruments and what the customer arranges."""
    paper = document([sheet_of(puddle, Case("puddle"))], "car 7", "today")
    for text in (markdown(paper), "\n".join(text_lines(paper))):
        for words in (
            "8 h 17 on average, 80 % of jobs within 8 h 17",
            "Bay with a lift (100 %)",
            "needed (for 100 % of such jobs)",
            "Pressure pump (100 %)",
            "Bring it the evening before.",
            "Stop at once if the engine gets hot",
            "as likely as not",
        ):
            assert words in text


def test_sheets_of_several_complaints_about_one_car_are_one_paper(sheet: BookingSheet) -> None:
    """Each section says which complaint it is about."""
    other = replace(sheet, name="Wet carpet")
    headings = [one.heading for one in document([sheet, other], "car 7", "today").sections]
    assert "Water under the car: to book" in headings
    assert "Wet carpet: to book" in headings


def test_the_form_for_other_programs_is_documented_key_by_key(sheet: BookingSheet) -> None:
    """Every key is explained, and what is written can be read again."""
    written = as_dict(sheet)
    assert list(written) == list(KEYS)
    assert json.loads(json.dumps(written)) == written
    assert written["minutes"]["total"] == {"expected": 497.0, "p80": 497.0}
    assert written["setups"][0]["overnight"] is True


# ------------------------------------------------------------------------------------------ who comes when


def test_a_car_that_has_to_stand_overnight_comes_the_evening_before(
    puddle: Knowledge, sheet: BookingSheet
) -> None:
    """Today's evening is of tomorrow's cars, tomorrow's of those of the day after."""
    quick = replace(sheet, setups=sheet.setups[1:])
    days = [date(2031, 5, 4), date(2031, 5, 5), date(2031, 5, 6)]
    jobs = [
        Appointment(4, "red", days[1], sheet),
        Appointment(3, "blue", days[1], quick),
        Appointment(2, "green", days[2], sheet),
        Appointment(1, "grey", days[0], sheet),
    ]
    today, tomorrow = overview(jobs, days[0])
    assert [one.tag for one in today.jobs] == ["grey"]
    assert [one.tag for one in today.evening] == ["red"]
    assert [one.tag for one in tomorrow.jobs] == ["blue", "red"]
    assert [one.tag for one in tomorrow.here] == ["red"]
    assert [one.tag for one in tomorrow.evening] == ["green"]


def test_jobs_of_a_day_are_grouped_by_the_setup_they_need(sheet: BookingSheet) -> None:
    """What stands overnight comes first, then what serves most cars."""
    quick = replace(sheet, setups=sheet.setups[1:])
    day = date(2031, 5, 4)
    jobs = [Appointment(1, "red", day, sheet), Appointment(2, "blue", day, quick)]
    groups = overview(jobs, day)[0].groups
    assert [(one.setup, one.overnight, [job.tag for job in one.jobs]) for one in groups] == [
        ("cold_night", True, ["red"]),
        ("jacked", False, ["red", "blue"]),
    ]


# ------------------------------------------------------------------------------------- from the command line


def test_prescreen_lists_what_fits_the_customers_words(advisor: Advisor) -> None:
    """Without a fit it says what to ask."""
    found = advisor("prescreen", "--words", "the carpet is wet")
    assert (found.code, found.out.splitlines()[1].split()[0]) == (0, "water_inside")
    assert advisor("prescreen", "--words", "xyz").out.startswith("No complaint fits these words. Ask:\n")


def test_prescreen_asks_with_the_words_to_enter_each_answer(advisor: Advisor) -> None:
    """What it prints can be typed: the next question is another one."""
    first = advisor("prescreen", "--complaint", "flat_battery")
    assert (first.code, first.err) == (0, "")
    words = re.findall(r"--said (\S+)", first.out)
    unknown = re.search(r"--unknown (\S+)", first.out)
    assert len(words) >= 2
    assert unknown is not None
    second = advisor("prescreen", "--complaint", "flat_battery", "--said", words[0])
    third = advisor("prescreen", "--complaint", "flat_battery", "--unknown", unknown[1])
    assert unknown[0] not in second.out + third.out
    assert " of 10 minutes used." in second.out


def test_prescreen_prints_the_sheet_when_the_minutes_are_used_up(advisor: Advisor) -> None:
    """And before, if it is asked for."""
    for words in (["--minutes", "0"], ["--sheet"]):
        ran = advisor("prescreen", "--complaint", "smell", "--tag", "car 7", *words)
        assert ran.code == 0
        assert ran.out.startswith("Booking sheet: car 7 (Smell from the vents)\n")


def test_prescreen_gives_json_with_the_question_and_the_sheets(advisor: Advisor) -> None:
    """Standard output is JSON and nothing else, with one sheet for each complaint once they are due."""
    both = ("prescreen", "--complaint", "water_inside", "--complaint", "misting_glass", "--format", "json")
    asked = json.loads(advisor(*both).out)
    assert set(asked["question"]["complaints"]) == {"water_inside", "misting_glass"}
    assert (asked["ended"], asked["sheets"]) == (None, [])
    due = json.loads(advisor(*both, "--minutes", "0").out)
    assert (due["question"], due["ended"]) == (None, "time")
    assert [one["complaint"] for one in due["sheets"]] == ["water_inside", "misting_glass"]


@pytest.mark.parametrize(("form", "begins"), [("markdown", "# Booking sheet"), ("html", "<!DOCTYPE html>")])
def test_prescreen_writes_the_sheet_as_a_page(advisor: Advisor, form: str, begins: str) -> None:
    """Markdown and HTML are the sheet's, whether or not there are questions left."""
    assert advisor("prescreen", "--complaint", "smell", "--format", form).out.startswith(begins)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--complaint", "smel"], "There is no complaint 'smel'. Did you mean 'smell'?"),
        (["--complaint", "smell", "--said", "nothing=yes"], "There is no question by phone 'nothing'."),
        (["--complaint", "smell", "--unknown", "nothing"], "There is no question by phone 'nothing'."),
        (["--complaint", "smell", "--fact", "nothing=yes"], "There is no vehicle fact 'nothing'."),
        (
            ["--complaint", "smell", "--without", "torhc"],
            "There is no instrument 'torhc'. Did you mean 'torch'?",
        ),
    ],
)
def test_prescreen_says_what_it_does_not_know(advisor: Advisor, words: list[str], sentence: str) -> None:
    """A wrong word ends with 1 and the nearest that could have been meant."""
    ran = advisor("prescreen", *words)
    assert (ran.code, ran.out) == (1, "")
    assert ran.err.startswith(sentence)
