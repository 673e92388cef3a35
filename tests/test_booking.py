"""The booking sheet: how likely, how long, with what, whether at all, what to say, and who comes when."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from advisor.advice.rules import Workshop
from advisor.case.case import Case
from advisor.case.entries import SEEN_TODAY, TOLD, Confirmed, Known, Prepared, Seen, Skipped, Warned
from advisor.desk.booking import (
    AT_THE_CAR,
    IN_DOUBT,
    NOT_DRIVEN,
    PEOPLE_WORDS,
    BookedMinutes,
    BookingSheet,
    Cause,
    SetupNeeded,
    booking_sheet,
    in_words,
    no_visit,
    people_needed,
    safety,
    simulated,
    stay_together,
)
from advisor.desk.bookingsheet import KEYS, as_dict, document, odds, overview_lines, text_lines
from advisor.desk.questions import not_known, said
from advisor.desk.schedule import Appointment, overview
from advisor.inference.compiler import compile_tables
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.probability import WORDS
from advisor.model.network import build
from advisor.papers.document import Section, html, markdown
from advisor.papers.format import duration
from advisor.simulate.array_advice import compile_ranker
from tests.conftest import Ran, faults

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
    arrange: Bring every key.
"""


SPLIT = """\
complaints:
  puddle:
    name: Water under the car
    family: water
    exactly_one_of: {{tank: {tank}, hose: {hose}, seal: {seal}}}
    unlisted: 1
faults:
  tank: {{name: Tank, remedy: Mend it, remedy_minutes: 20, price: low}}
  hose: {{name: Hose, remedy: Mend it, remedy_minutes: 100, price: low}}
  seal: {{name: Seal, remedy: Mend it, remedy_minutes: 60, price: low}}
instruments:
  pump: {{name: Pressure pump}}
  torch: {{name: Torch}}
setups:
  jacked: {{name: Jacked up, hands_on_minutes: 5, bay: Bay with a lift}}
readings:
  look:
    name: Look under the tank
    minutes: 1
    instrument: torch
    outcomes: {{dry: Dry, wet: Wet}}
    table: [{{when: {{tank: present}}, gives: {{wet: 1.0}}}}, {{otherwise: {{dry: 1.0}}}}]
  pressed:
    name: System under pressure
    who: certified
    minutes: 10
    instrument: pump
    setup: jacked
    outcomes: {{holds: Holds, falls: Falls}}
    table: [{{when: {{hose: present}}, gives: {{falls: 1.0}}}}, {{otherwise: {{holds: 1.0}}}}]
  felt:
    name: Felt for pressure
    who: certified
    minutes: 90
    instrument: pump
    outcomes: {{holds: Holds, falls: Falls}}
    table:
      - when: {{hose: present}}
        gives: {{falls: 0.51, holds: 0.49}}
      - otherwise: {{falls: 0.5, holds: 0.5}}
"""
"""A look tells the tank from the rest; only then the hose is pressed. The last reading tells too little."""


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
    assert [(one.fault, one.name, round(one.probability, 6), one.words) for one in sheet.causes] == [
        ("condensed", "Water from cooling the air", 0.5, "as likely as not"),
        ("hose", "Hose leaks", 0.4, "as likely as not"),
        ("unlisted:puddle", "Something not listed here", 0.1, "unlikely"),
    ]


def test_halfway_between_two_anchors_the_lower_word_is_said() -> None:
    """0.375 is as far from 0.25 as from 0.50."""
    assert in_words(0.375) == "possible"


def many_causes(shares: dict[str, int], unlisted: int) -> str:
    """A complaint with exactly one of many causes, and nothing to read but by the customer."""
    listed = ", ".join(f"{name}: {share}" for name, share in shares.items())
    return (
        "complaints:\n  puddle:\n    name: Water\n    family: water\n"
        f"    exactly_one_of: {{{listed}}}\n    unlisted: {unlisted}\n" + faults(*shares)
    )


def test_five_causes_are_shown_and_none_below_one_in_twenty_but_the_first(known: Made) -> None:
    """The likeliest first, by id among equals; just 0.05 is shown, and the first in any case."""
    six = known(many_causes({"f": 30, "e": 15, "d": 15, "c": 15, "b": 12, "a": 12}, 1))
    assert [one.fault for one in sheet_of(six, Case("puddle")).causes] == ["f", "c", "d", "e", "a"]
    limit = known(many_causes({"a": 87, "b": 6, "c": 4}, 3))
    assert [(one.fault, one.words) for one in sheet_of(limit, Case("puddle")).causes] == [
        ("a", "very likely"),
        ("b", "very unlikely"),
    ]
    crowd = known(many_causes({f"c{number:02d}": 4 for number in range(24)}, 4))
    assert [one.fault for one in sheet_of(crowd, Case("puddle")).causes] == ["c00"]


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
    case = Case("no_air").with_entry(Confirmed("no_air", SEEN_TODAY))
    made = booking_sheet(shipped, engine, case, Workshop())
    ranker = compile_ranker(shipped, engine, "no_air")
    *_, jobs = simulated(ranker, case, seed=20_260_301, cars=400)
    assert np.mean(jobs.minutes < made.total.upto) <= 0.8 <= np.mean(jobs.minutes <= made.total.upto)
    assert made.total.expected == pytest.approx(made.hands_on.expected + made.waiting.expected)


def test_the_sheet_names_instruments_bay_person_and_setups_that_jobs_need(sheet: BookingSheet) -> None:
    """With the share of the jobs; a setup that another one needs is among them."""
    assert (sheet.complaint, sheet.name) == ("puddle", "Water under the car")
    assert [(one.name, one.share) for one in sheet.instruments] == [("Pressure pump", 1.0)]
    assert [(one.name, one.share) for one in sheet.bays] == [("Bay with a lift", 1.0)]
    assert (sheet.certified, sheet.certified_share) == (True, 1.0)
    assert [one.setup for one in sheet.setups] == ["jacked", "cold_night"]
    assert sheet.arrange == ("Bring it the evening before; it stays the night.", "Bring every key.")
    assert sheet.overnight


@pytest.mark.parametrize(
    ("tank", "hose", "seal", "needed", "upto"),
    [(74, 12, 13, True, 16), (79, 10, 10, True, 16), (80, 9, 10, True, 4), (84, 7, 8, False, 1)],
)
def test_what_some_jobs_need_is_booked_where_one_in_five_do(
    known: Made, tank: int, hose: int, seal: int, needed: bool, upto: float
) -> None:
    """By hand: everybody looks for a minute; all but the tanks are jacked up in 5 and pressed for 10.

    Whoever presses is certified, though the other certified reading is never taken. Of 400 jobs in order the
    minutes booked are those of the 320th, and part of the way to the 321st: at just one in five, 1 + 0.2·15.
    """
    others = (100 - tank) / 100
    made = sheet_of(known(SPLIT.format(tank=tank, hose=hose, seal=seal)), Case("puddle"))
    assert made.hands_on.expected == pytest.approx(1 + 15 * others, abs=1e-9)
    assert (made.hands_on.upto, made.total.upto) == (pytest.approx(upto), pytest.approx(upto))
    assert (made.waiting.expected, made.waiting.upto) == (0, 0)
    assert made.certified_share == pytest.approx(others)
    assert made.certified == needed
    pump = [("pump", pytest.approx(others))] if needed else []
    assert [(one.what, one.share) for one in made.instruments] == [("torch", 1.0), *pump]
    assert [one.what for one in made.bays] == (["Bay with a lift"] if needed else [])
    assert [one.setup for one in made.setups] == (["jacked"] if needed else [])
    assert not made.overnight
    assert made.remedy_minutes == pytest.approx((tank * 20 + hose * 100 + seal * 60) / 100)


def test_a_setup_that_is_in_place_is_not_made_again(puddle: Knowledge) -> None:
    """The car is on the lift already: 10 minutes and 2 are left, the night, and no bay to book."""
    made = sheet_of(puddle, Case("puddle", (Prepared("jacked", "2030-01-01T08:00:00+00:00"),)))
    assert (made.hands_on.expected, made.waiting.expected) == (12, 480)
    assert [one.setup for one in made.setups] == ["cold_night"]
    assert made.bays == ()


def test_a_sheet_is_of_four_hundred_cars_of_the_stated_seed(known: Made) -> None:
    """Another seed or number gives other cars; who gives the same gets the same."""
    knowledge = known(TEXT)
    engine = compile_tables(build(knowledge, "puddle").tables)
    ranker = compile_ranker(knowledge, engine, "puddle", AT_THE_CAR)

    def minutes(seed: int, cars: int) -> float:
        return booking_sheet(knowledge, engine, Case("puddle"), seed=seed, cars=cars).remedy_minutes

    def by_hand(seed: int, cars: int) -> float:
        _, drawn, _ = simulated(ranker, Case("puddle"), seed, cars)
        assert len(drawn.faults) == cars
        per_car = {"condensed": 10, "hose": 30, "unlisted:puddle": 0}
        return float(np.mean(drawn.faults @ [per_car[name] for name in ranker.faults]))

    standard = booking_sheet(knowledge, engine, Case("puddle")).remedy_minutes
    assert standard == by_hand(20_260_301, 400)
    assert [minutes(seed, 7) for seed in range(4)] == [by_hand(seed, 7) for seed in range(4)]
    assert len({minutes(seed, 7) for seed in range(4)}) > 1


MEASURED = """\
complaints:
  puddle: {name: Water, family: water, exactly_one_of: {leak: 50, valve: 49}, unlisted: 1}
faults:
  leak: {name: Leak, remedy: Mend it, remedy_minutes: 5, price: low}
  valve: {name: Valve, remedy: Mend it, remedy_minutes: 5, price: low}
instruments:
  scale: {name: Scale, units: [kg], accuracy: {kg: {absolute: 0.003}}}
  coarse: {name: Coarse gauge, units: [bar g], accuracy: {bar g: {absolute: 2}}}
  fine: {name: Fine gauge, units: [bar g], accuracy: {bar g: {absolute: 0.01}}}
  spare: {name: Spare scale, units: [kg], accuracy: {kg: {absolute: 0.03}}}
  paper: {name: Paper}
measurands:
  got: {name: Recovered, ask: How much?, unit: g, range: [0, 1000], instrument: [scale, spare]}
readings:
  one:
    name: One
    minutes: 3
"""
CHARGE = """\
    instrument: paper
    quantity:
      unit: "%"
      range: [0, 150]
      bands: {short: Short, right: Right}
      limits: [80]
      derived: {formula: charge_share, inputs: {recovered_g: got, plate_g: 500}}
    table: [{when: {leak: present}, gives: {short: 0.9, right: 0.1}}, {otherwise: {short: 0.1, right: 0.9}}]
"""
PRESSURE = """\
    instrument: [coarse, fine]
    quantity: {unit: bar g, range: [0, 10], bands: {short: Short, right: Right}, limits: [5]}
    table: [{when: {leak: present}, gives: {short: 0.9, right: 0.1}}, {otherwise: {short: 0.1, right: 0.9}}]
"""


@pytest.mark.parametrize(
    ("text", "without", "needed"),
    [
        (CHARGE, [], ["paper", "scale"]),
        (CHARGE, ["scale"], ["paper", "spare"]),
        (PRESSURE, [], ["fine"]),
        (PRESSURE, ["fine"], ["coarse"]),
    ],
)
def test_the_instruments_are_those_that_readings_and_their_numbers_are_taken_with(
    known: Made, text: str, without: list[str], needed: list[str]
) -> None:
    """A worked-out reading needs what its numbers are measured with; of two gauges the better one."""
    made = sheet_of(known(MEASURED + text), Case("puddle"), Workshop(frozenset(without), AT_THE_CAR.who))
    assert [(one.what, one.share) for one in made.instruments] == [(what, 1.0) for what in needed]


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


def test_of_several_harmless_causes_each_that_is_sure_is_explained(puddle: Knowledge) -> None:
    """The likelier first, by id among equals; a harmless one that is not sure keeps nobody at home."""
    explained = {
        name: puddle.faults["condensed"].model_copy(update={"no_visit": text})
        for name, text in (("b", "About b."), ("a", "About a."), ("z", "About z."))
    }
    both = replace(puddle, faults={**puddle.faults, **explained})
    assert no_visit(both, {"b": 0.9, "a": 0.9, "z": 0.95, "hose": 0.05}) == (
        "About z.",
        "About a.",
        "About b.",
    )
    assert no_visit(both, {"b": 0.85, "a": 0.5}) == ("About b.",)
    assert no_visit(both, {"b": 0.5, "a": 0.5}) == ()
    assert no_visit(both, {"hose": 0.9, "b": 0.01}) == ()
    assert no_visit(both, {}) == ()


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


def test_a_warning_is_said_once_and_a_question_that_is_gone_is_passed_over(known: Made) -> None:
    """Two answers may bring one sentence; the knowledge may have changed since the answer."""
    twice = known(TEXT.replace("Keep children & pets <away> from it", "Stop at once if the engine gets hot"))
    case = Case("puddle", (Seen("gone", "yes"), said(twice, "coloured", "coloured")))
    assert safety(twice, case) == ("Stop at once if the engine gets hot", IN_DOUBT)


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


def test_what_is_said_keeps_to_the_questions_of_the_knowledge(known: Made) -> None:
    """In their order, questions for the customer alone, an answer or fact that is gone as it was entered."""
    text = TEXT.replace("{pink: 60, blue: 40}", "{dark_pink: 60, blue: 40}").replace(
        "  pressed:\n",
        "  smell:\n    name: Smell\n    who: customer\n    ask: Does it smell?\n    minutes: 1\n"
        "    outcomes: {nothing: Of nothing, sweet: Sweet}\n"
        "    noisy_or: {leak: 1 of 100, causes: {hose: 50 of 100}}\n  pressed:\n",
    )
    knowledge = known(text)
    case = Case(
        "puddle",
        (
            Known("colour", "dark_pink"),
            Skipped("pressed", "no pump"),
            said(knowledge, "smell", "sweet"),
            not_known("coloured"),
        ),
    )
    made = sheet_of(knowledge, case)
    assert made.facts == (("Colour of the coolant", "dark pink"),)
    assert made.said == (("Is the water <coloured> & sweet?", None), ("Does it smell?", "Sweet"))


def test_a_fact_that_the_knowledge_has_no_more_is_not_on_the_sheet(puddle: Knowledge) -> None:
    """What was entered under other knowledge does not stop the paper."""
    made = sheet_of(puddle, Case("puddle", (Known("gone", "yes"), Known("colour", "blue"))))
    assert made.facts == (("Colour of the coolant", "blue"),)


def test_the_page_shows_text_as_text_and_loads_nothing(puddle: Knowledge) -> None:
    """A tag or a question with brackets in it is no markup."""
    page = html(document([sheet_of(puddle, answered(puddle))], "<script>1</script>", "today"))
    assert "<script" not in page
    assert "Is the water &lt;coloured&gt; &amp; sweet?" in page
    assert not re.search(r"https?:|src=|href=|@import|url\(", page)
    assert "size:A4" in page


def test_markdown_and_text_say_what_to_book_and_to_say(puddle: Knowledge) -> None:
    """Hands-on time, stay, bay, person, instruments and what the customer arranges."""
    paper = document([sheet_of(puddle, Case("puddle"))], "car 7", "today")
    for text in (markdown(paper), "\n".join(text_lines(paper))):
        for words in (
            "17 min",
            "stays the night, from the evening before",
            "Bay with a lift (needed in 100 of 100 such jobs)",
            "in 100 of 100 such jobs",
            "Pressure pump (needed in 100 of 100 such jobs)",
            "Please arrange beforehand: Bring it the evening before; it stays the night. Bring every key.",
            "Stop at once if the engine gets hot",
            "as likely as not",
            "Setups, in order",
        ):
            assert words in text


def test_of_the_stays_the_longest_is_told_once_and_without_percentages(sheet: BookingSheet) -> None:
    """Half a day, a whole day and half a day again: a caller hears one sentence."""
    half = SetupNeeded("a", "A", 0.5, 60.0, "Bring every key.", "half a day")
    whole = SetupNeeded("b", "B", 0.3, 240.0, "Bring every key.", "a whole day")
    sheet = replace(sheet, total=BookedMinutes(100.0, 240.0))
    made = replace(sheet, setups=(half, whole, replace(half, arrange="Empty the boot.")))
    assert (made.stay, made.overnight) == ("a whole day", False)
    assert made.arrange == ("Leave it for a whole day.", "Bring every key.", "Empty the boot.")
    to_say = document([made], "car 7", "today").sections[0]
    assert "%" not in str(to_say)
    assert replace(sheet, setups=(whole, replace(half, stay="two days"))).stay == "two days"
    assert replace(sheet, setups=()).stay is None


@pytest.mark.parametrize(
    ("minutes", "stay"), [(240.0, None), (241.0, "a whole day"), (480.0, "a whole day"), (481.0, "overnight")]
)
def test_what_takes_longer_than_a_working_day_stays_the_night(
    sheet: BookingSheet, minutes: float, stay: str | None
) -> None:
    """Half a day is 4 hours of a workshop, a day 8 (common practice, no source)."""
    long = replace(sheet, setups=(), total=BookedMinutes(100.0, minutes))
    assert (long.stay, long.overnight) == (stay, stay == "overnight")


def test_waits_of_a_flat_battery_that_cannot_overlap_need_a_night(shipped: Knowledge) -> None:
    """Asleep for an hour, charged for four, rested for four, and 3 h 35 of work: no day has as much."""
    engine = compile_tables(build(shipped, "flat_battery", by_phone=True).tables)
    made = booking_sheet(shipped, engine, Case("flat_battery"), cars=200)
    assert made.total.upto > 480
    assert made.stay == "overnight"
    order = [one.setup for one in made.setups]
    for before, after in (("asleep", "asleep_logged"), ("charged", "charged_and_rested")):
        assert after not in order or order.index(before) < order.index(after)
    assert order.index("engine_hot") < order.index("engine_loaded")


def test_a_flat_battery_may_be_jump_started_or_recovered_and_nothing_says_otherwise(
    shipped: Knowledge,
) -> None:
    """One sentence on how it gets here (common practice, no source), and none where danger forbids it."""
    engine = compile_tables(build(shipped, "flat_battery", by_phone=True).tables)
    made = booking_sheet(shipped, engine, Case("flat_battery"), cars=50)
    text = markdown(document([made], "car 7", "today"))
    assert text.count("a jump start or a recovery truck will get it here") == 1
    assert text.count("beforehand unless") == 1
    assert "Do not charge the battery first" not in text
    hurt = booking_sheet(shipped, engine, Case("flat_battery", (Warned("battery_hurt", TOLD),)), cars=50)
    assert hurt.comes == NOT_DRIVEN
    assert "will get it here" not in markdown(document([hurt], "car 7", "today"))


def test_nobody_is_asked_to_arrange_the_weather(shipped: Knowledge) -> None:
    """On a day that is fixed it cannot be done: it is a wish (common practice, no source)."""
    arrange = [one.arrange for one in shipped.setups.values() if one.arrange and "humid" in one.arrange]
    assert arrange == ["If a day can be chosen, take a warm, humid one."]


def test_a_sheet_begins_with_four_lines_for_the_desk(sheet: BookingSheet) -> None:
    """What it is in odds as people say them, whether it is safe, how it comes, how long; no percentage."""
    paper = document([sheet], "car 7", "today")
    section = next(one for one in paper.sections if one.heading == "At a glance")
    rows = [row for part in section.parts for row in getattr(part, "rows", ())]
    assert [name for name, _ in rows] == ["What it is", "Safe to drive", "How it comes", "How long"]
    assert "%" not in str(rows)
    leading = Cause("drain", "Drain blocked", 0.22, "unlikely")
    named = document([replace(sheet, causes=(leading,))], "car 7", "today")
    assert "most likely “Drain blocked”, about 1 in 5 so far" in "\n".join(text_lines(named))
    towed = document([replace(sheet, comes=NOT_DRIVEN)], "car 7", "today")
    assert "Safe to drive        no. Do not start it either" in "\n".join(text_lines(towed))


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.2, "1 in 5"),
        (0.27, "1 in 4"),
        (0.5, "1 in 2"),
        (0.7, "2 in 3"),
        (0.93, "19 in 20"),
        (0.88, "9 in 10"),
    ],
)
def test_odds_are_the_nearest_of_a_few_fractions(probability: float, words: str) -> None:
    """By distance; nobody says 27 of 100 on the phone."""
    assert odds(probability) == f"about {words}"


def test_sheets_of_several_complaints_about_one_car_are_one_paper(sheet: BookingSheet) -> None:
    """One car is booked once; what the workshop needs says which complaint it is about."""
    other = replace(sheet, name="Wet carpet", hands_on=BookedMinutes(5.0, 10.0))
    paper = document([sheet, other], "car 7", "today")
    headings = [one.heading for one in paper.sections]
    assert headings[:3] == ["At a glance", "Say to the customer", "To book"]
    assert "For the workshop: Water under the car: leading causes" in headings
    assert "For the workshop: Wet carpet: leading causes" in headings
    text = "\n".join(text_lines(paper))
    assert f"How long             up to {duration(sheet.hands_on.upto + 10)} of work; " in text
    for once in ("How long ", "Please arrange", "Stop at once if the engine gets hot"):
        assert text.count(once) == 1, once
    warned = document([sheet, replace(other, safety=("Mind the cap.", IN_DOUBT))], "car 7", "today")
    say = "\n".join(text_lines(warned))
    assert say.index("Mind the cap.") < say.index(IN_DOUBT)  # what is said to everybody comes last
    one_day = replace(sheet, setups=(), total=BookedMinutes(100.0, 240.0))
    assert stay_together([one_day]) is None
    assert stay_together([one_day, one_day]) == "a whole day"


def test_no_probability_stands_as_a_number_before_the_part_for_the_workshop(sheet: BookingSheet) -> None:
    """What is said and booked has words; the technician's part has both. One line names the person."""
    sections = document([sheet], "car 7", "today").sections
    for one in sections:
        of_the_workshop = one.heading.startswith("For the workshop")
        assert of_the_workshop is bool(re.search(r"%|of 100", str(one.parts))) or "known" in one.heading
    desk = " ".join(str(one) for one in sections if not one.heading.startswith("For the workshop"))
    assert desk.count("ertified") == 1
    causes = next(one for one in sections if one.heading.endswith("leading causes"))
    assert sheet.causes[0].words in str(causes)


def test_the_form_for_other_programs_is_documented_key_by_key(sheet: BookingSheet) -> None:
    """Every key is explained, and what is written can be read again."""
    written = as_dict(sheet)
    assert list(written) == list(KEYS)
    assert json.loads(json.dumps(written)) == written
    assert written["minutes"]["total"] == {"expected": 497.0, "p80": 497.0}
    assert written["setups"][1]["overnight"] is True


# ------------------------------------------------------------------------------------------ who comes when


def test_a_car_that_has_to_stand_overnight_comes_the_evening_before(
    puddle: Knowledge, sheet: BookingSheet
) -> None:
    """Today's evening is of tomorrow's cars, tomorrow's of those of the day after."""
    quick = replace(sheet, setups=sheet.setups[:1], total=BookedMinutes(17.0, 17.0))
    days = [date(2031, 5, 4), date(2031, 5, 5), date(2031, 5, 6)]
    jobs = [
        Appointment(4, "red", days[1], sheet),
        Appointment(3, "blue", days[1], quick),
        Appointment(2, "green", days[2], sheet),
        Appointment(1, "grey", days[0], sheet),
    ]
    today, tomorrow, day_after = overview(jobs, days[0])
    assert [one.tag for one in day_after.here] == ["green"]
    assert [one.tag for one in today.jobs] == ["grey"]
    assert [one.tag for one in today.evening] == ["red"]
    assert [one.tag for one in tomorrow.jobs] == ["red", "blue"]
    assert [one.tag for one in tomorrow.here] == ["red"]
    assert [one.tag for one in tomorrow.evening] == ["green"]


def test_jobs_of_a_day_are_grouped_by_the_setup_they_need(sheet: BookingSheet) -> None:
    """What the workshop sets up the evening before, and what customers do beforehand; nothing else."""
    quick = replace(sheet, setups=sheet.setups[:1], total=BookedMinutes(17.0, 17.0))
    day = date(2031, 5, 4)
    jobs = [Appointment(1, "red", day, sheet), Appointment(2, "blue", day, quick)]
    groups = overview(jobs, day)[0].groups
    assert [(one.setup, [job.tag for job in one.jobs]) for one in groups] == [("cold_night", ["red"])]
    lines = list(overview_lines(overview(jobs, day)))
    assert "  Ask the customer beforehand: Bring every key. 1 red" in lines
    assert "  Get ready the evening before: Cold after a night: 1 red" in lines
    assert not [line for line in lines if "jacked" in line.casefold()]


# ------------------------------------------------------------------------------------- from the command line


def test_prescreen_lists_what_fits_the_customers_words(advisor: Advisor) -> None:
    """Without a fit it says what to ask."""
    found = advisor("prescreen", "--words", "the carpet is wet")
    assert (found.code, found.out.splitlines()[1].split()[0]) == (0, "water_inside")
    outside = "These words are outside what the advisor knows: book a general inspection. Or ask:\n"
    assert advisor("prescreen", "--words", "xyz").out.startswith(outside)


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


@pytest.mark.parametrize(
    ("facts", "needed"),
    [({"powertrain": "hybrid"}, True), ({"powertrain": "electric"}, True), ({"powertrain": "petrol"}, False)],
)
def test_who_is_needed_on_a_high_voltage_car_is_said_beside_the_refrigerant_certificate(
    shipped: Knowledge, facts: dict[str, str], needed: bool
) -> None:
    """One is about refrigerant, the other about the car; while that is not known, nothing is said."""
    engine = compile_tables(build(shipped, "flat_battery", by_phone=True).tables)
    known = Case("flat_battery", tuple(Known(fact, value) for fact, value in facts.items()))
    person = shipped.cautions["high_voltage"].person
    assert person is not None
    assert "instructed for high voltage" in person
    assert people_needed(shipped, engine, known) == ((person,) if needed else ())
    assert people_needed(shipped, engine, Case("flat_battery")) == ()
    made = booking_sheet(shipped, engine, known, cars=5)
    rows = dict(row for part in sections_of(made)["To book"].parts for row in getattr(part, "rows", ()))
    assert rows["Work on refrigerant"] == "no certified person needed"
    assert rows.get("Also needed") == (person if needed else None)
    assert as_dict(made)["people"] == ([person] if needed else [])


def sections_of(sheet: BookingSheet) -> dict[str, Section]:
    """The sections of a sheet's paper by heading."""
    return {one.heading: one for one in document([sheet], "car 7", "today").sections}
