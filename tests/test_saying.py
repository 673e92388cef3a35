"""Warnings as they are read out to a caller."""

from __future__ import annotations

from collections import Counter

from advisor.desk.bookingsheet import dangers_lines
from advisor.desk.saying import said_once, without_repeats
from advisor.knowledge.dangers import Heard
from advisor.knowledge.knowledge import Knowledge


def test_the_same_sentence_is_said_once_and_the_strictest_warning_first() -> None:
    """By hand: what is under a condition comes last, and its sentences are left as they are."""
    assert said_once(
        [
            "If the gauge rises, stop, engine off. Call the workshop.",
            "Stop where it is safe, engine off.",
            "Keep the cap shut.",
            "Do not drive it, and keep the cap shut. Call the workshop.",
            "Stop where it is safe, engine off, and leave it off.",
        ]
    ) == (
        "Do not drive it, and keep the cap shut. Call the workshop.",
        "Stop where it is safe, engine off, and leave it off.",
        "If the gauge rises, stop, engine off.",
    )


def test_a_sentence_that_begins_as_one_before_keeps_the_rest() -> None:
    """The name of what it is about stays with it."""
    assert without_repeats(["Smoke: Stop, everybody out.", "Fuel: Stop, engine off. No flames."]) == (
        "Smoke: Stop, everybody out.",
        "Fuel: Engine off. No flames.",
    )
    assert without_repeats(["If it smells, stop.", "If it smells, open the doors."]) == (
        "If it smells, stop.",
        "If it smells, open the doors.",
    )


def test_a_caller_with_two_dangers_is_told_once_to_stop(shipped: Knowledge) -> None:
    """The lamp comes after smoke and fuel, which are danger; what is only asked is left whole."""
    heard = [Heard("red_lamp", True), Heard("smoke_or_fire", True), Heard("fuel_escapes", True)]
    lines = list(dangers_lines(shipped, heard))
    text = " ".join(lines)
    assert text.count("Stop where it is safe") == 1
    assert text.index("DANGER: Smoke or fire") < text.index("DANGER: Fuel") < text.index("WARNING: Red")
    assert "Engine off and leave it off. No smoking" in text
    unsure = " ".join(dangers_lines(shipped, [*heard, Heard("lamp_oil", False)]))
    assert shipped.dangers["lamp_oil"].tell in unsure


def test_no_sentence_is_lost_from_the_warnings_of_ours(shipped: Knowledge) -> None:
    """Of all dangers together: each part of each sentence is still there, and no sentence twice."""
    told = [one.tell for one in shipped.dangers.values()]
    left = " ".join(without_repeats(told)).casefold()
    for one in told:
        for part in one.casefold().replace(".", ",").split(","):
            assert part.strip().removeprefix("and ") in left
    sentences = Counter(one.strip() for one in left.split(".") if one.strip())
    assert max(sentences.values()) == 1


def test_no_warning_of_ours_asks_something_that_has_no_key(shipped: Knowledge) -> None:
    """A question is asked where it has answers; a warning is read out, and says for whom it is."""
    warnings = [
        *(one for complaint in shipped.complaints.values() for one in complaint.warn),
        *(one for reading in shipped.readings.values() for one in reading.warn.values()),
        *(danger.tell for danger in shipped.dangers.values()),
    ]
    assert len(warnings) > 40
    assert [one for one in warnings if "?" in one] == []


def test_a_car_on_which_nothing_lights_up_has_an_answer_to_every_question_about_lamps(
    shipped: Knowledge,
) -> None:
    """By phone a dead car is the usual one: each has an answer that says so (common practice, no source)."""
    lamps = {"lamps_bright", "lamps_dim", "charge_lamp", "key_lamp", "click_or_slow"} & {*shipped.readings}
    assert len(lamps) >= 3
    for name in lamps:
        said = " ".join(shipped.readings[name].answers.values()).casefold()
        assert any(one in said for one in ("nothing", "neither", "no such", "dark")), name
