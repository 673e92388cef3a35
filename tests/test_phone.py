"""The pre-screen by phone: which complaint it is, what is asked next, when asking ends, what it reaches."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from advisor.advice.situation import InconsistentEvidence, Situation, current_faults
from advisor.case.case import Case
from advisor.case.entries import NOT_KNOWN, Booked, Known, Seen, Skipped
from advisor.checks.lint import problems
from advisor.desk.booking import CARS
from advisor.desk.questions import (
    asked_by_phone,
    entered,
    facts_to_ask,
    fitting,
    minutes_asked,
    next_question,
    not_known,
    questions,
    said,
)
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.policy import Policy
from tests import oracle
from tests.benchmarks.calls import (
    TEST_SEED,
    Calls,
    covered,
    desks,
    family_calls,
    reached,
    remaining_minutes,
)
from tests.conftest import faults

Known_ = Callable[[str], Knowledge]
SimulatedCalls = Callable[[str], tuple[Calls, ...]]

WORDS = """\
families:
  doors: {name: Doors, ask: Is it about a door?}
  water: {name: Water, ask: Is anything wet?}
complaints:
  rattle:
    name: Door rattles
    family: doors
    customer: [Something rattles in the door, Clatters over bumps]
    any_of: {strap: 60, glass: 45}
    unlisted: 5
  whistle:
    name: Wind noise
    family: doors
    customer: It whistles at speed
    any_of: {strap: 60, glass: 45}
    unlisted: 5
  damp:
    name: Wet door trim
    family: water
    customer: The trim is wet
    any_of: {strap: 60, glass: 45}
    unlisted: 5
""" + faults("strap", "glass")

ASKED = (
    """\
complaints:
  rattle: {name: Rattle, family: doors, exactly_one_of: {strap: 60, glass: 30}, unlisted: 10}
  knock: {name: Knock, family: doors, exactly_one_of: {strap: 50, hinge: 40}, unlisted: 10}
"""
    + faults("strap", "glass", "hinge")
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
  tug:
    name: Tug at the strap
    minutes: 1
    outcomes: {firm: Firm, loose: Loose}
    noisy_or: {leak: 1 of 100, causes: {strap: 99 of 100}}
"""
)


SAGS = "    noisy_or: {leak: 5 of 100, causes: {hinge: 70 of 100}}\n"


def phone_engine(knowledge: Knowledge, complaint: str) -> Engine:
    """The engine of a complaint that knows what customers say."""
    return compile_tables(build(knowledge, complaint, by_phone=True).tables)


def weighed(knowledge: Knowledge, *calls: tuple[Engine, Case]) -> list[Situation]:
    """The case of each complaint, weighed."""
    return [Situation.of(knowledge, engine, case) for engine, case in calls]


# -------------------------------------------------------------------------------------- which complaint


def test_the_complaint_that_shares_most_words_with_what_was_said_comes_first(known: Known_) -> None:
    """Each phrase and the name count; words that say nothing do not, nor does "door" where more is said."""
    found = fitting(known(WORDS), "There is a noise, it rattles in the DOOR!").complaints
    assert found == ("rattle", "whistle")


def test_a_word_fits_in_any_of_its_forms(known: Known_) -> None:
    """People say whistling where the author wrote whistles."""
    assert fitting(known(WORDS), "a whistling").complaints == ("whistle",)
    assert fitting(known(WORDS), "clatter").complaints == ("rattle",)


def test_words_that_only_begin_alike_do_not_fit(known: Known_) -> None:
    """A window is not the wind."""
    assert fitting(known(WORDS), "the window").complaints == ()


def test_where_nothing_fits_a_short_question_finds_the_family(known: Known_) -> None:
    """The author's question where there is one, else the names of the complaints."""
    without = "complaints:\n" + WORDS.split("complaints:\n")[1]
    authored, plain = (fitting(known(one), "it is broken").ask for one in (WORDS, without))
    assert [(one.name, one.ask, one.complaints) for one in authored] == [
        ("Doors", "Is it about a door?", ("rattle", "whistle")),
        ("Water", "Is anything wet?", ("damp",)),
    ]
    assert [(one.name, one.ask, one.complaints) for one in plain] == [
        ("doors", "Is it one of these: door rattles; wind noise?", ("rattle", "whistle")),
        ("water", "Is it one of these: wet door trim?", ("damp",)),
    ]
    assert [one.family for one in authored] == [one.family for one in plain] == ["doors", "water"]
    assert fitting(known(WORDS), "it whistles").ask == ()


def test_a_family_without_a_question_is_named_by_its_id(known: Known_) -> None:
    """With spaces where the id has none."""
    without = WORDS.split("complaints:\n")[1].replace("family: doors", "family: front_doors")
    asked = fitting(known("complaints:\n" + without), "it is broken").ask
    assert [(one.family, one.name) for one in asked] == [("front_doors", "front doors"), ("water", "water")]


def test_an_apostrophe_is_one_however_it_is_typed(known: Known_) -> None:
    """Phones turn it; the author wrote it straight."""
    knowledge = known(WORDS.replace("The trim is wet", "At six o'clock"))
    assert fitting(knowledge, "o’clock").complaints == fitting(knowledge, "o'clock").complaints == ("damp",)


@pytest.mark.parametrize(
    ("phrase", "spoken", "fits"),
    [
        ("rain", "rains", True),
        ("wind", "wink", False),
        ("ices", "icy", False),
        ("rusty", "rusted", True),
        ("rust", "ruster", True),
        ("rust", "rusk", False),
        ("wets", "wet", True),
    ],
)
def test_words_are_the_same_but_for_endings_from_three_letters_on(
    known: Known_, phrase: str, spoken: str, fits: bool
) -> None:
    """Two letters in common are too few, and what comes after the difference does not count."""
    found = fitting(known(WORDS.replace("The trim is wet", phrase)), spoken).complaints
    assert found == (("damp",) if fits else ())


def test_a_normal_thing_is_named_where_all_words_of_a_phrase_are_said(known: Known_) -> None:
    """In any order; not where they are denied, and not where the rest of what is said is a complaint."""
    normal = "harmless:\n  drips: {name: Drops, customer: clear/clean drops below, tell: That is normal.}\n"
    knowledge = known(WORDS + normal)
    assert fitting(knowledge, "below it are clean drops").harmless == ("drips",)
    assert fitting(knowledge, "clear drops below").dangers == ()
    for words in ("clear drops", "drops below", "no clear drops below", "clear drops below, the trim is wet"):
        assert fitting(knowledge, words).harmless == (), words


@pytest.mark.parametrize(
    ("spoken", "fits"),
    [
        ("lamp", True),
        ("lamp purple", False),
        ("lamp glove purple", True),
        ("hatch purple", True),
        ("hatch purple orange", True),
        ("purple", False),
    ],
)
def test_one_word_of_a_longer_phrase_is_too_little_beside_others(
    known: Known_, spoken: str, fits: bool
) -> None:
    """Of "lamp glove shelf" one word counts if it is all that was said; half of "hatch lid" always does."""
    text = WORDS.replace("customer: The trim is wet", "customer: [lamp glove shelf, hatch lid]")
    assert fitting(known(text), spoken).complaints == (("damp",) if fits else ())


def test_a_name_of_words_that_say_nothing_fits_nothing(known: Known_) -> None:
    """It is no fault of a complaint that its name could be any."""
    knowledge = known(
        WORDS.replace("name: Wind noise", "name: It does not").replace("It whistles at speed", "It has it")
    )
    assert fitting(knowledge, "it does not, it has not").complaints == ()
    assert fitting(knowledge, "the trim").complaints == ("damp",)


def test_a_family_that_complaints_are_of_is_used_and_has_no_numbers(known: Known_) -> None:
    """Writing families brings no weak point of its own."""
    knowledge = replace(known(WORDS), standings={})
    assert [one.what for one in problems(knowledge) if "'doors'" in one.what or "'water'" in one.what] == []


# -------------------------------------------------------------------------------------------- the network


def test_what_is_said_on_the_phone_is_the_exact_table_seen_through_wrong_answers(known: Known_) -> None:
    """Right as often as the reading says, the rest evenly on the other outcomes."""
    tables = {one.child: one for one in build(known(ASKED), "rattle", by_phone=True).tables.tables}
    exact, phone = tables["bumps"].values, tables["bumps@phone"].values
    np.testing.assert_allclose(phone[..., 1], 0.8 * exact[..., 1] + 0.2 * exact[..., 0])
    assert tables["bumps@phone"].parents == tables["bumps"].parents


def test_without_the_word_phone_the_network_is_what_it_was(known: Known_) -> None:
    """Nothing but the leaves for the phone is added, and only beside questions for the customer."""
    knowledge = known(ASKED)
    plain, phone = (build(knowledge, "rattle", by_phone=said_so).tables for said_so in (False, True))
    assert {one.child for one in phone.tables} - {one.child for one in plain.tables} == {
        "bumps@phone",
        "speed@phone",
    }
    assert plain.readings == tuple(name for name in phone.readings if "@" not in name)


def test_the_bits_of_a_question_are_those_of_the_weaker_answer(known: Known_) -> None:
    """By hand: the strap is there with 0.6, "yes" is said with 0.746 where it is and with 0.26 where not."""
    knowledge = known(ASKED)
    (one, *_) = [
        each
        for each in questions(
            knowledge, weighed(knowledge, (phone_engine(knowledge, "rattle"), Case("rattle")))
        )
        if each.reading == "bumps"
    ]

    def entropy(p: float) -> float:
        return -p * math.log2(p) - (1 - p) * math.log2(1 - p)

    with_it, without = 0.8 * 0.91 + 0.2 * 0.09, 0.8 * 0.1 + 0.2 * 0.9
    mean = 0.6 * with_it + 0.4 * without
    assert one.bits == pytest.approx(
        entropy(mean) - 0.6 * entropy(with_it) - 0.4 * entropy(without), abs=1e-9
    )


def test_an_answer_moves_the_belief_by_what_it_is_worth_on_the_phone(known: Known_) -> None:
    """Bayes by hand with the same figures."""
    knowledge = known(ASKED)
    engine = phone_engine(knowledge, "rattle")
    case = Case("rattle").with_entry(said(knowledge, "bumps", "loud"))
    believed = engine.query(case.evidence(knowledge, engine)).beliefs["strap"]
    with_it, without = 0.8 * 0.91 + 0.2 * 0.09, 0.8 * 0.1 + 0.2 * 0.9
    assert believed == pytest.approx(0.6 * with_it / (0.6 * with_it + 0.4 * without), abs=1e-9)
    assert case.by_customer == {"bumps"}


# ----------------------------------------------------------------------------------------- what is asked


def test_only_what_a_customer_can_answer_is_asked_and_the_most_telling_first(known: Known_) -> None:
    """The tug at the strap tells more than anything, and is for somebody at the car."""
    knowledge = known(ASKED)
    engine = phone_engine(knowledge, "rattle")
    assert asked_by_phone(engine) == ("bumps", "speed")
    found = next_question(knowledge, weighed(knowledge, (engine, Case("rattle"))), 0)
    left = questions(knowledge, weighed(knowledge, (engine, Case("rattle"))))
    assert found.question == left[0]
    assert [one.bits for one in left] == sorted((one.bits for one in left), reverse=True)
    assert found.question.answers == {"quiet": "No", "loud": "Yes"}


def test_what_was_answered_or_is_not_known_is_not_asked_again(known: Known_) -> None:
    """Then everything has been asked, and asking ends."""
    knowledge = known(ASKED)
    engine = phone_engine(knowledge, "rattle")
    case = Case("rattle").with_entry(said(knowledge, "bumps", "loud")).with_entry(not_known("speed"))
    assert case.skipped == {"speed": NOT_KNOWN}
    found = next_question(knowledge, weighed(knowledge, (engine, case)), 3)
    assert (found.question, found.reason) == (None, "nothing-left")


def test_asking_ends_where_what_is_left_tells_too_little_together(known: Known_) -> None:
    """The bits of all the questions left are added up, and that sum has to reach the policy's."""
    knowledge = known(ASKED)
    engine, case = phone_engine(knowledge, "rattle"), Case("rattle")
    together = sum(one.bits for one in questions(knowledge, weighed(knowledge, (engine, case))))
    on = next_question(knowledge, weighed(knowledge, (engine, case)), 0, Policy(phone_bits=together * 0.999))
    ended = next_question(
        knowledge, weighed(knowledge, (engine, case)), 0, Policy(phone_bits=together * 1.001)
    )
    assert (on.reason, on.worth) == (None, 2)
    assert (ended.question, ended.reason) == (None, "not-worth-it")


def test_what_is_left_may_just_be_enough(known: Known_) -> None:
    """The sum of the bits has to reach the policy's; where it is the same, asking goes on."""
    knowledge = known(ASKED)
    engine, case = phone_engine(knowledge, "rattle"), Case("rattle")
    told = sum(one.told["rattle"] for one in questions(knowledge, weighed(knowledge, (engine, case))))
    assert (
        next_question(knowledge, weighed(knowledge, (engine, case)), 0, Policy(phone_bits=told)).reason
        is None
    )
    ended = next_question(
        knowledge, weighed(knowledge, (engine, case)), 0, Policy(phone_bits=math.nextafter(told, 9))
    )
    assert (ended.reason, ended.worth) == ("not-worth-it", 0)


def test_a_question_that_tells_nothing_is_none_that_is_left(known: Known_) -> None:
    """Its answers come alike with every cause: there is nothing left to ask, and nothing to weigh."""
    alike = """\
    table:
      - when: {hinge: present}
        gives: {straight: 0.5, sags: 0.5}
      - otherwise: {straight: 0.5, sags: 0.5}
"""
    knowledge = known(ASKED.replace(SAGS, alike))
    case = Case("knock").with_entry(said(knowledge, "bumps", "loud"))
    (only,) = questions(knowledge, weighed(knowledge, (phone_engine(knowledge, "knock"), case)))
    assert (only.reading, only.bits) == ("sags", 0)
    engine = phone_engine(knowledge, "knock")
    found = next_question(knowledge, weighed(knowledge, (engine, case)), 0, Policy(phone_bits=0.0))
    assert (found.question, found.reason, found.worth) == (None, "nothing-left", 0)
    assert found.words == "Everything that a customer can answer has been asked."


def test_ten_minutes_are_asked_for_where_the_desk_says_nothing(known: Known_) -> None:
    """After nine minutes the question of one still fits, and a moment later none does."""
    knowledge = known(ASKED)
    engine = phone_engine(knowledge, "rattle")
    found = [
        next_question(knowledge, weighed(knowledge, (engine, Case("rattle"))), minutes)
        for minutes in (9, 9.01)
    ]
    assert [one.question and one.question.reading for one in found] == ["speed", None]
    assert (found[1].reason, found[1].worth) == ("time", 2)
    assert [one.words for one in found] == ["Is it there at speed?", "The minutes for questions are used up."]


def test_what_a_fact_of_the_car_has_answered_is_not_asked_again(known: Known_) -> None:
    """Known with any of its values, and in the case of any complaint; until then it is asked."""
    knowledge = known(
        ASKED.replace("    right_by_phone: 0.8\n", "    right_by_phone: 0.8\n    answered_by: frame\n")
    )
    rattle, knock = (phone_engine(knowledge, name) for name in ("rattle", "knock"))

    def asked(*calls: tuple[Engine, Case]) -> set[str]:
        return {one.reading for one in questions(knowledge, weighed(knowledge, *calls))}

    assert asked((rattle, Case("rattle"))) == {"bumps", "speed"}
    for value in ("framed", "frameless"):
        told = Case("rattle").with_entry(Known("frame", value))
        assert asked((rattle, told)) == {"speed"}
        assert asked((knock, Case("knock")), (rattle, told)) == {"speed", "sags"}


def test_what_is_not_on_this_car_is_not_asked(known: Known_) -> None:
    """Once the fact is known; until then it is asked."""
    knowledge = known(
        ASKED.replace(
            "    right_by_phone: 0.8\n",
            "    right_by_phone: 0.8\n    given: {frame: {frameless: impossible}}\n",
        )
    )
    engine = phone_engine(knowledge, "rattle")
    cases = [
        Case("rattle"),
        *(Case("rattle").with_entry(Known("frame", value)) for value in ("framed", "frameless")),
    ]
    asked = [
        {one.reading for one in questions(knowledge, weighed(knowledge, (engine, one)))} for one in cases
    ]
    assert asked == [{"bumps", "speed"}, {"bumps", "speed"}, {"speed"}]


def test_nobody_is_asked_how_the_starter_of_a_hybrid_sounds(shipped: Knowledge) -> None:
    """It has none of twelve volts; a petrol car is asked (common practice, no source)."""
    engine = phone_engine(shipped, "flat_battery")

    def asked(powertrain: str) -> set[str]:
        case = Case("flat_battery", (Known("powertrain", powertrain),))
        return {one.reading for one in questions(shipped, weighed(shipped, (engine, case)))}

    starter = {"click_or_slow", "lamps_dim"}
    assert asked("petrol") >= starter
    for powertrain in ("hybrid", "plug_in", "electric"):
        assert not asked(powertrain) & starter


def test_of_questions_that_tell_the_same_the_shorter_comes_first(known: Known_) -> None:
    """Then that whose id does; round-off decides nothing."""
    twice = """\
  {name}:
    name: Over kerbs
    who: customer
    ask: Is it there over kerbs?
    right_by_phone: 0.8
    minutes: {minutes}
    outcomes: {{quiet: "No", loud: "Yes"}}
    noisy_or: {{leak: 10 of 100, causes: {{strap: 90 of 100}}}}
"""
    extra = [("a_long", 5), ("z_short", 1), ("c_even", 2), ("a_even", 2)]
    knowledge = known(ASKED + "".join(twice.format(name=name, minutes=minutes) for name, minutes in extra))
    found = questions(knowledge, weighed(knowledge, (phone_engine(knowledge, "rattle"), Case("rattle"))))
    alike = [one.reading for one in found if one.reading != "speed"]
    assert alike == ["z_short", "a_even", "bumps", "c_even", "a_long"]


def test_questions_about_equally_likely_causes_stand_by_id(known: Known_) -> None:
    """Twenty-four causes with a question each, all alike: round-off puts none before another."""
    numbers = range(24)
    shares = ", ".join(f"c{number:02d}: 4" for number in numbers)
    asked = "".join(
        f"  q{number:02d}: {{name: Q, who: customer, ask: Is it {number}?, minutes: 1, "
        'outcomes: {quiet: "No", loud: "Yes"}, '
        f"noisy_or: {{leak: 0.1, causes: {{c{number:02d}: 0.6}}}}}}\n"
        for number in numbers
    )
    knowledge = known(
        f"complaints:\n  c: {{name: C, family: made_up, exactly_one_of: {{{shares}}}, unlisted: 4}}\n"
        + faults(*(f"c{number:02d}" for number in numbers))
        + f"readings:\n{asked}"
    )
    found = questions(knowledge, weighed(knowledge, (phone_engine(knowledge, "c"), Case("c"))))
    assert [one.reading for one in found] == [f"q{number:02d}" for number in numbers]


def test_questions_are_worth_what_they_tell_after_the_answers_so_far(known: Known_) -> None:
    """By hand: after "yes" over bumps the strap is likelier, and the bits of "at speed" are those of then."""
    knowledge = known(ASKED)
    engine = phone_engine(knowledge, "rattle")
    tables = build(knowledge, "rattle", by_phone=True).tables
    case = Case("rattle").with_entry(said(knowledge, "bumps", "loud"))
    (one,) = questions(knowledge, weighed(knowledge, (engine, case)))
    seen = {"rattle": [0.0, 1.0], "bumps@phone": [0.0, 1.0]}
    by_enumeration = oracle.enumerate_answers(tables, seen).expected_information_bits["speed@phone"]
    assert (one.reading, one.ask, one.minutes) == ("speed", "Is it there at speed?", 1)
    assert one.bits == pytest.approx(by_enumeration, abs=1e-9)


def test_only_what_was_asked_of_the_customer_takes_minutes(known: Known_) -> None:
    """Two for an answer and one for "does not know"; what was skipped at the car, or is gone, takes none."""
    knowledge = known(ASKED)
    case = Case("rattle").with_entry(said(knowledge, "bumps", "loud")).with_entry(not_known("speed"))
    assert minutes_asked(knowledge, [case]) == 3
    assert minutes_asked(knowledge, [case.with_entry(Skipped("sags", "no time"))]) == 3
    assert minutes_asked(knowledge, [case.with_entry(not_known("gone"))]) == 3


def test_a_question_that_takes_longer_than_is_left_gives_way_to_a_shorter_one(known: Known_) -> None:
    """With no minute left asking ends, and says so."""
    knowledge = known(ASKED)
    engine, case, rule = (
        phone_engine(knowledge, "rattle"),
        Case("rattle"),
        Policy(phone_minutes=3, phone_bits=0.01),
    )
    asked = [
        next_question(knowledge, weighed(knowledge, (engine, case)), minutes, rule) for minutes in (2, 3)
    ]
    assert asked[0].question is not None
    assert asked[0].question.reading == "speed"
    assert (asked[1].question, asked[1].reason) == (None, "time")


def test_answers_that_cannot_be_so_together_are_said_to_be(known: Known_) -> None:
    """A question whose answer is always right can clash; the sentence names it."""
    text = ASKED.replace("right_by_phone: 0.8", "right_by_phone: 1").replace(
        "noisy_or: {leak: 10 of 100, causes: {strap: 90 of 100}}",
        "table: [{otherwise: {quiet: 0.0, loud: 1.0}}, {otherwise: {quiet: 0.0, loud: 1.0}}]",
    )
    text = text.replace(
        "[{otherwise: {quiet: 0.0, loud: 1.0}},", "[{when: {strap: present}, gives: {loud: 1.0}},"
    )
    knowledge = known(text)
    case = Case("rattle").with_entry(said(knowledge, "bumps", "quiet"))
    with pytest.raises(InconsistentEvidence, match="Over bumps: No"):
        next_question(knowledge, weighed(knowledge, (phone_engine(knowledge, "rattle"), case)), 0)


# --------------------------------------------------------------------------------- several complaints


def test_a_question_that_two_complaints_share_counts_the_bits_of_both_and_is_asked_once(
    known: Known_,
) -> None:
    """The strap is suspected in both: what is asked about it counts twice and is entered twice."""
    knowledge = known(ASKED)
    calls = [(phone_engine(knowledge, name), Case(name)) for name in ("rattle", "knock")]
    alone = [
        {one.reading: one.bits for one in questions(knowledge, weighed(knowledge, call))} for call in calls
    ]
    both = {one.reading: one for one in questions(knowledge, weighed(knowledge, *calls))}
    assert both["bumps"].bits == pytest.approx(alone[0]["bumps"] + alone[1]["bumps"])
    assert set(both["bumps"].told) == {"rattle", "knock"}
    assert both["speed"].told == {"rattle": alone[0]["speed"]}
    cases = entered(calls, said(knowledge, "bumps", "loud"))
    assert [case.outcomes for case in cases] == [{"bumps": "loud"}] * 2
    assert minutes_asked(knowledge, cases) == 2


def test_an_answer_goes_to_the_complaint_it_is_about_and_a_fact_to_all(known: Known_) -> None:
    """What says nothing about a complaint is not in its case."""
    knowledge = known(ASKED)
    calls = [(phone_engine(knowledge, name), Case(name)) for name in ("rattle", "knock")]
    assert [len(case.entries) for case in entered(calls, not_known("sags"))] == [0, 1]
    assert [case.facts for case in entered(calls, Known("frame", "framed"))] == [{"frame": "framed"}] * 2
    assert entered(calls, Booked("2031-05-04", "")) == (Case("rattle"), Case("knock"))


def test_a_fact_that_bears_on_one_of_the_complaints_is_asked_until_it_is_known(known: Known_) -> None:
    """The frame matters for the glass alone."""
    knowledge = known(ASKED)
    calls = [(phone_engine(knowledge, name), Case(name)) for name in ("rattle", "knock")]
    assert facts_to_ask(knowledge, calls) == ("frame",)
    assert facts_to_ask(knowledge, calls[1:]) == ()
    known_now = entered(calls, Known("frame", "framed"))
    assert (
        facts_to_ask(knowledge, [(engine, case) for (engine, _), case in zip(calls, known_now, strict=True)])
        == ()
    )


def test_a_complaint_about_which_enough_is_known_asks_for_nothing_more_by_itself(known: Known_) -> None:
    """Two complaints with too little left each do not make one with enough."""
    knowledge = known(ASKED)
    calls = [(phone_engine(knowledge, name), Case(name)) for name in ("rattle", "knock")]
    left = {one.reading: one for one in questions(knowledge, weighed(knowledge, *calls))}
    sums = [sum(one.told.get(name, 0.0) for one in left.values()) for name in ("rattle", "knock")]
    found = next_question(knowledge, weighed(knowledge, *calls), 0, Policy(phone_bits=max(sums) * 1.01))
    assert sum(sums) > max(sums) * 1.01
    assert found.reason == "not-worth-it"
    one_left = next_question(knowledge, weighed(knowledge, *calls), 0, Policy(phone_bits=sum(sums) / 2))
    assert one_left.worth == 2


# ------------------------------------------------------------------------------- the shipped knowledge

SCRIPTS = {
    "flat_battery": ("Battery is flat after standing", 2),
    "water_inside": ("There is water inside, on the carpet", 1),
    "poor_cooling": ("The air con is not cold", 0),
}
"""A complaint of each family: what the customer says, and which answer is given, or the last there is."""


@pytest.mark.parametrize("complaint", SCRIPTS)
def test_a_scripted_call_goes_from_the_customers_words_to_the_end_of_the_questions(
    shipped: Knowledge, complaint: str
) -> None:
    """Found by words, asked one by one, every third question unknown, and ended for a reason in time."""
    words, pick = SCRIPTS[complaint]
    assert fitting(shipped, words).complaints[0] == complaint
    engine, case = phone_engine(shipped, complaint), Case(complaint)
    order = []
    while (
        found := next_question(
            shipped,
            weighed(shipped, (engine, case)),
            minutes_asked(shipped, [case]),
            Policy(phone_minutes=12),
        )
    ).question:
        question = found.question
        answers = list(question.answers)
        order.append(question.reading)
        unknown = len(order) % 3 == 0
        outcome = answers[min(pick, len(answers) - 1)]
        entry: Seen | Skipped = (
            not_known(question.reading) if unknown else said(shipped, question.reading, outcome)
        )
        (case,) = entered([(engine, case)], entry)
    assert len(order) == len(set(order)) >= 2
    assert {shipped.readings[name].who for name in order} == {"customer"}
    assert minutes_asked(shipped, [case]) <= 12
    assert found.reason in ("not-worth-it", "time")
    beliefs = current_faults(engine.query(case.evidence(shipped, engine)).beliefs)
    cold = current_faults(engine.query(Case(complaint).evidence(shipped, engine)).beliefs)
    assert max(abs(beliefs[name] - cold[name]) for name in cold) > 0.02


# ----------------------------------------------------------------------------------------- simulated calls

SIMULATED = 240
"""Calls in each family: with 30 a figure of 95 % could be off by 2 % either way."""
WITH_SHEET = 6
SLOW, FEWER_CARS = ("flat_battery", "poor_cooling"), 100
"""Of the complaints whose tables are largest, nine times the next, sheets are made of fewer cars.

The standard error of a sheet's share is the root of 0.32 for each of its cars. For the mean of six sheets of
drain it is 2.3 % (1.2 % with 400 cars), for the climate family, with one of them, 1.4 %. Tried in drain, with
these seeds: sheets of the 65th and of the 90th percentile are found (69 and 89 %), of the 70th not (76 %).
"""


@pytest.fixture(scope="module")
def simulated_calls(shipped: Knowledge) -> SimulatedCalls:
    """The calls of a family, made once; their seed is not the one that the stop was chosen on."""
    return cache(lambda family: family_calls(desks(shipped, family), SIMULATED, TEST_SEED))


FAMILIES = pytest.mark.parametrize("family", ["drain", "ingress", "climate"])


@FAMILIES
def test_half_of_the_questions_reach_what_all_of_them_would(
    simulated_calls: SimulatedCalls, family: str
) -> None:
    """At least 95 % of the first-three accuracy that all questions give, with at most half of them."""
    found = reached(simulated_calls(family))
    assert found.calls == SIMULATED
    assert found.reached >= 0.95
    assert found.share_asked <= 0.5
    assert found.asked > found.cold


LONGER_AFTER_A_CALL = pytest.param(
    "drain",
    marks=pytest.mark.xfail(
        reason="66 minutes longer (standard error 65; median 6 shorter): some cars then stand two nights",
        strict=False,
    ),
)
"""A night counts a quarter in the order of the readings and whole here: two outweigh what is spared."""


@pytest.mark.parametrize("family", [LONGER_AFTER_A_CALL, "ingress", "climate"])
def test_the_call_spares_the_technician_minutes(simulated_calls: SimulatedCalls, family: str) -> None:
    """The same cars, with nobody left to ask: the search is shorter on average than starting cold."""
    cold, after = map(np.concatenate, zip(*map(remaining_minutes, simulated_calls(family)), strict=True))
    assert len(cold) == SIMULATED
    assert (cold - after).mean() > 0


def sheets(calls: Calls, count: int) -> Iterator[float]:
    """For the first of the calls the share of fresh jobs within the minutes of their sheet."""
    return covered(calls, count, FEWER_CARS if calls.desk.complaint in SLOW else CARS)


@FAMILIES
def test_the_minutes_booked_cover_80_of_100_fresh_jobs(simulated_calls: SimulatedCalls, family: str) -> None:
    """The jobs are drawn with another seed than the sheet's."""
    found = simulated_calls(family)
    shares = [share for one in found for share in sheets(one, WITH_SHEET // len(found))]
    assert len(shares) == WITH_SHEET
    assert 0.75 <= np.mean(shares) <= 0.88
