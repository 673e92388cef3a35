"""The account of a draw."""

from __future__ import annotations

import math

import pytest

from advisor.bench.wording import account_line, account_lines
from advisor.case.case import Case
from advisor.case.confirmed import faults_below
from advisor.case.current_draw import account
from advisor.case.entries import Accounted, Entry, Measured, Repaired, Seen
from advisor.knowledge.knowledge import Knowledge
from advisor.model.observation import Measurement


def draw(milliamps: float, instrument: str = "low_current_clamp") -> Measured:
    """The total as measured."""
    typed = f"{milliamps:g} mA"
    return Measured("sleeping_current", (Measurement("sleeping_current", milliamps, instrument, typed),))


def part(what: str, milliamps: float, instrument: str = "low_current_clamp", behind: str = "") -> Accounted:
    """A part found by disconnecting, behind a fuse that was measured or not."""
    return Accounted(what, Measurement("part", milliamps, instrument, f"{milliamps:g} mA"), behind)


def case(*entries: Entry) -> Case:
    """A case with these entries."""
    return Case("flat_battery", entries)


def test_without_a_number_for_the_total_there_is_no_account(knowledge: Knowledge) -> None:
    """A band picked by hand is no number to subtract from."""
    assert account(knowledge, case(Seen("sleeping_current", "high"))) is None


def test_one_part_that_leaves_a_usual_rest_is_the_whole_draw(knowledge: Knowledge) -> None:
    """380 of 405 mA found: 25 mA are left, within 50 (common practice, no source): done."""
    found = account(knowledge, case(draw(405), part("glovebox lamp", 380)))
    assert found is not None
    assert found.unexplained.value == pytest.approx(25.0)
    assert found.limit_ma == 50
    assert found.verdict == "done"


def early(milliamps: float) -> Seen:
    """The sleeping current, read before the car was asleep."""
    take = (Measurement("sleeping_current", milliamps, "low_current_clamp", f"{milliamps:g} mA"),)
    return Seen("sleeping_current", "high", 0.7, take=take)


def test_a_total_read_too_early_counts_and_says_so(knowledge: Knowledge) -> None:
    """Number, instrument and uncertainty are kept with the guess; read again in time, the guess is gone."""
    found = account(knowledge, case(early(420), part("glovebox lamp", 65)))
    assert found is not None
    assert found.total.value == 420
    assert found.total.uncertainty > 0
    assert found.verdict == "another one"
    assert "420 mA (read before the car was asleep) in all, 65 mA found" in account_line(found)
    assert account_line(found).endswith("355 mA unexplained, limit 50 mA: not the whole of it (key d).")
    total = next(line for line in account_lines(found) if line.startswith("Total draw"))
    assert total.endswith("(read before the car was asleep)")
    later = account(knowledge, case(early(420), draw(300)))
    assert later is not None
    assert later.total.value == 300
    assert not later.early


def test_a_part_that_carries_more_than_the_whole_car_is_named_to_repeat(knowledge: Knowledge) -> None:
    """Kirchhoff's current law: a branch of a sleeping car carries no more than the whole of it."""
    found = account(knowledge, case(draw(420), part("audio", 742)))
    assert found is not None
    assert found.verdict == "contradiction"
    assert found.repeat == "audio"
    sentence = (
        "“audio” carries 742 mA, more than the whole car (420 mA): that cannot be. Repeat “audio” first."
    )
    assert sentence in account_line(found)
    assert sentence in "\n".join(account_lines(found))
    several = account(knowledge, case(draw(420), part("audio", 742), part("lamp", 600)))
    assert several is not None
    assert several.repeat == knowledge.readings["sleeping_current"].name
    assert several.larger[0][0] == "audio"
    near = account(knowledge, case(draw(420), part("audio", 421)))
    assert near is not None
    assert near.larger == ()


def test_a_large_rest_means_another_one(knowledge: Knowledge) -> None:
    """380 of 560 mA found: 180 mA are left: there is another one."""
    found = account(knowledge, case(draw(560), part("glovebox lamp", 380)))
    assert found is not None
    assert found.verdict == "another one"


def test_a_coarse_clamp_cannot_tell(knowledge: Knowledge) -> None:
    """With ±50 mA and drift, 60 mA left may be within 50 mA or not."""
    coarse = "general_clamp"
    found = account(knowledge, case(draw(440, coarse), part("glovebox lamp", 380, coarse)))
    assert found is not None
    assert found.verdict == "cannot tell"


def test_uncertainties_add_in_quadrature(knowledge: Knowledge) -> None:
    """The rest's uncertainty is that of the total and of the parts (JCGM 100:2008, 5.1.2)."""
    found = account(knowledge, case(draw(405), part("lamp", 380)))
    assert found is not None
    expected = math.hypot(found.total.uncertainty, found.parts[0][1].uncertainty)
    assert found.unexplained.uncertainty == pytest.approx(expected)


def test_a_fuse_reading_is_a_part(knowledge: Knowledge) -> None:
    """3 mV over a regular 10 A fuse (389.6 mA) counts as found, with the fuse's spread."""
    take = (
        Measurement("fuse_drop", 3.0, "millivoltmeter", "3 mV"),
        Measurement("fuse_size", "regular", "", "regular"),
        Measurement("fuse_rating", "10 A", "", "10 A"),
    )
    found = account(knowledge, case(draw(430), Measured("fuse_interior", take)))
    assert found is not None
    name, current = found.parts[0]
    assert name == knowledge.readings["fuse_interior"].name
    assert current.value == pytest.approx(3.0 / 7.70 * 1000)
    assert current.uncertainty > 30


def fuse(millivolts: float, reading: str = "fuse_interior") -> Measured:
    """The drop over a regular 10 A fuse: 3 mV are 389.6 mA."""
    take = (
        Measurement("fuse_drop", millivolts, "millivoltmeter", f"{millivolts:g} mV"),
        Measurement("fuse_size", "regular", "", "regular"),
        Measurement("fuse_rating", "10 A", "", "10 A"),
    )
    return Measured(reading, take)


def test_parts_that_are_more_than_the_total_contradict_it(knowledge: Knowledge) -> None:
    """459 mA found of 280: no verdict, what to check, and no days with the parts put right."""
    found = account(knowledge, case(draw(280), part("glovebox lamp", 259), part("radio", 200)))
    assert found is not None
    assert found.unexplained.value < -100
    assert found.verdict == "contradiction"
    text = "\n".join(account_lines(found))
    assert "whole draw" not in text
    assert "with the parts found put right" not in text
    for words in ("contradict each other", "size and rating of each fuse", "zero", "counted twice"):
        assert words in text
    assert "contradict each other" in account_line(found)


def test_parts_a_little_over_the_total_are_within_its_uncertainty(knowledge: Knowledge) -> None:
    """The coarse clamp may be off by that much: nothing contradicts."""
    coarse = "general_clamp"
    found = account(knowledge, case(draw(440, coarse), part("lamp", 450, coarse)))
    assert found is not None
    assert found.verdict != "contradiction"


@pytest.mark.parametrize(("lamp", "counted"), [(380.0, 3.0 / 7.70 * 1000), (420.0, 420.0)])
def test_a_part_behind_a_measured_fuse_is_counted_once(
    knowledge: Knowledge, lamp: float, counted: float
) -> None:
    """The larger of the fuse and of what is behind it counts; the other one is named as counted already."""
    entries = draw(430), fuse(3.0), part("glovebox lamp", lamp, behind="fuse_interior")
    found = account(knowledge, case(*entries))
    assert found is not None
    assert found.found_ma == pytest.approx(counted)
    name = knowledge.readings["fuse_interior"].name
    inside = ("glovebox lamp", name) if lamp < counted else (name, "glovebox lamp")
    assert [(what, counts) for what, counts, _ in found.within] == [inside]
    assert f"counted already in {inside[1]}: {inside[0]}" in "\n".join(account_lines(found))


def taken_out(milliamps: float) -> Measured:
    """What went with the radio's fuse out, and came back with it."""
    reading = "radio_out_and_in"
    return Measured(reading, (Measurement(reading, milliamps, "low_current_clamp", f"{milliamps:g} mA"),))


@pytest.mark.parametrize(("radio", "counted"), [(380.0, 3.0 / 7.70 * 1000), (420.0, 420.0)])
def test_what_a_proof_takes_out_is_counted_once_with_its_fuse(
    knowledge: Knowledge, radio: float, counted: float
) -> None:
    """390 mA over the audio fuse and the radio's 380 mA are one current, put right by one remedy."""
    entries = draw(430), fuse(3.0, "fuse_audio"), taken_out(radio)
    found = account(knowledge, case(*entries))
    assert found is not None
    assert found.found_ma == pytest.approx(counted)
    repaired = account(knowledge, case(*entries, Repaired("radio_awake", AT)))
    assert repaired is not None
    assert repaired.put_right_ma == pytest.approx(counted)
    later = draw(100), fuse(0.6, "fuse_audio")
    again = account(knowledge, case(*entries, Repaired("alternator_weak", AT), *later))
    assert again is not None
    assert again.found_ma == pytest.approx(0.6 / 7.70 * 1000)


def test_what_a_proof_takes_out_is_a_part_without_a_fuse(knowledge: Knowledge) -> None:
    """A fuse that shows no current of the radio takes none of it: both count."""
    found = account(knowledge, case(draw(430), fuse(0.6, "fuse_motors"), taken_out(300)))
    assert found is not None
    assert found.found_ma == pytest.approx(300 + 0.6 / 7.70 * 1000)


def test_a_fuse_measured_again_after_a_repair_stands_for_what_is_behind_it(knowledge: Knowledge) -> None:
    """What was found behind it before is not added to what the fuse shows now."""
    lamp = part("glovebox lamp", 420, behind="fuse_interior")
    entries = draw(430), fuse(3.0), lamp, Repaired("alternator_weak", AT), draw(100), fuse(0.6)
    found = account(knowledge, case(*entries))
    assert found is not None
    assert found.found_ma == pytest.approx(0.6 / 7.70 * 1000)


def test_a_remedy_done_again_puts_nothing_right_twice(knowledge: Knowledge) -> None:
    """600 mA, the diodes renewed, 590 mA, renewed again: 600 of 640 mA were put right, not 1190."""
    again = Repaired("alternator_diode", "2030-03-04T11:00:00+00:00")
    entries = draw(640), into_alternator(600), part("glovebox lamp", 20)
    found = account(knowledge, case(*entries, Repaired("alternator_diode", AT), into_alternator(590), again))
    assert found is not None
    assert found.put_right_ma == pytest.approx(600)
    assert [name for name, _ in found.parts] == ["glovebox lamp"]
    lamp = next(one for one in faults_of(knowledge, "sleeping_current") if "lamp" in one)
    two = draw(640), part("glovebox lamp", 500), part("boot lamp", 100)
    found = account(knowledge, case(*two, Repaired(lamp, AT), Repaired(lamp, again.at)))
    assert found is not None
    assert found.put_right_ma == pytest.approx(500)


def test_days_until_flat_now_and_after(knowledge: Knowledge) -> None:
    """350 mA empties the usable 24 Ah of a 60 Ah battery in 2.83 days, 50 mA in 18.75 (check value W2).

    About 0.5 A empties a car battery within a few days: common practice, no source.
    """
    found = account(knowledge, case(draw(350), part("lamp", 300)))
    assert found is not None
    assert found.days_now == pytest.approx(2.830, abs=0.001)
    assert found.days_after == pytest.approx(18.75, abs=0.01)
    heavy = account(knowledge, case(draw(500)))
    assert heavy is not None
    assert heavy.days_now is not None
    assert 1 < heavy.days_now < 4


def test_the_account_is_told_in_words(knowledge: Knowledge) -> None:
    """Total, found, unexplained, limit, days, and whether that is the end of it."""
    text = "\n".join(account_lines(account(knowledge, case(draw(405), part("glovebox lamp", 380)))))
    for words in ("Total draw", "found: glovebox lamp", "Still unexplained", "that is the whole draw"):
        assert words in text


AT = "2030-03-04T09:00:00+00:00"


def into_alternator(milliamps: float) -> Measured:
    """What flows back into the alternator, as measured."""
    typed = f"{milliamps:g} mA"
    take = (Measurement("reverse_current", milliamps, "low_current_clamp", typed),)
    return Measured("reverse_current", take)


def test_current_into_the_alternator_counts_as_found(knowledge: Knowledge) -> None:
    """600 of 640 mA flow back through the diodes: 40 mA are left."""
    found = account(knowledge, case(draw(640), into_alternator(600)))
    assert found is not None
    assert found.found_ma == pytest.approx(600)
    assert found.unexplained.value == pytest.approx(40)
    assert "600 mA found, 40 mA unexplained" in account_line(found)


def test_a_part_that_was_put_right_is_told_apart(knowledge: Knowledge) -> None:
    """After the repair it still counts as found, under its own words, and the draw of now is without it."""
    entries = draw(640), into_alternator(600), part("glovebox lamp", 10)
    found = account(knowledge, case(*entries, Repaired("alternator_diode", AT)))
    assert found is not None
    assert [name for name, _ in found.put_right] == [knowledge.readings["reverse_current"].name]
    assert [name for name, _ in found.parts] == ["glovebox lamp"]
    assert found.unexplained.value == pytest.approx(30)
    before = account(knowledge, case(*entries))
    assert before is not None
    assert before.days_now is not None
    assert found.days_now is not None
    assert found.days_now > 5 * before.days_now
    text = "\n".join(account_lines(found))
    assert "found and repaired: Current back into the alternator: 600 mA" in text
    assert "610 mA found (600 mA of it put right), 30 mA unexplained" in account_line(found)


def test_a_total_measured_after_the_repair_is_without_what_was_put_right(knowledge: Knowledge) -> None:
    """The new total stands alone, not averaged with the old one; parts not put right are still in it."""
    entries = draw(640), into_alternator(500), part("glovebox lamp", 100)
    found = account(knowledge, case(*entries, Repaired("alternator_diode", AT), draw(130)))
    assert found is not None
    assert found.total.value == pytest.approx(130)
    assert [name for name, _ in found.before] == [knowledge.readings["reverse_current"].name]
    assert [(name, one.value) for name, one in found.parts] == [("glovebox lamp", 100)]
    assert found.unexplained.value == pytest.approx(30)
    text = "\n".join(account_lines(found))
    assert "put right before this total: Current back into the alternator: 500 mA" in text


def test_a_part_entered_by_hand_is_put_right_by_a_cause_of_the_draw(knowledge: Knowledge) -> None:
    """A new battery puts no draw right; the lamp that stayed lit does."""
    entries = draw(405), part("boot lamp", 380)
    lamp = next(one for one in faults_of(knowledge, "sleeping_current") if "lamp" in one)
    found = account(knowledge, case(*entries, Repaired(lamp, AT)))
    other = account(knowledge, case(*entries, Repaired("alternator_weak", AT)))
    assert found is not None
    assert other is not None
    assert [name for name, _ in found.put_right] == ["boot lamp"]
    assert [name for name, _ in other.parts] == ["boot lamp"]
    adaptor = account(knowledge, case(draw(405), part("dash adaptor", 21), Repaired(lamp, AT)))
    assert adaptor is not None
    assert [name for name, _ in adaptor.parts] == ["dash adaptor"]


def test_a_part_measured_again_after_the_repair_does_not_undo_what_was_found(knowledge: Knowledge) -> None:
    """600 mA before the repair and 2 mA after it: 600 of the old total were found."""
    entries = draw(640), into_alternator(600), Repaired("alternator_diode", AT), into_alternator(2)
    found = account(knowledge, case(*entries))
    assert found is not None
    assert found.put_right_ma == pytest.approx(600)
    assert found.unexplained.value == pytest.approx(38)


def faults_of(knowledge: Knowledge, reading: str) -> list[str]:
    """The faults that a reading can show, in order."""
    causes = knowledge.readings[reading].causes
    return sorted(frozenset().union(*(faults_below(knowledge, one) for one in causes)))
