"""What a person types for a quantity reading."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from advisor.case.case import Case
from advisor.case.entries import Known, Measured, Repaired
from advisor.case.typed import NotUnderstood, ask_for_unit, direct, fields, since_when, understand
from advisor.checks.lint import problems
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load
from advisor.model.observation import Measurement, estimate

CASE = Case("flat_battery")


def lines(knowledge: Knowledge, reading: str, text: str, **preferences: str) -> tuple[str, ...]:
    """What is shown while a number is typed."""
    instruments = {reading: knowledge.readings[reading].instrument[0]}
    return understand(knowledge, CASE, reading, {reading: text}, instruments, preferences).lines


def test_a_number_is_shown_with_its_conversion_uncertainty_and_band(knowledge: Knowledge) -> None:
    """0.43 A for a reading in mA: what it comes to, how sure, and the band it falls in."""
    assert lines(knowledge, "sleeping_current", "0.43A") == (
        "= 430 mA ± 4.8 mA (standard uncertainty)",
        "In the band: High",
    )


def test_a_plain_number_is_in_the_readings_own_unit(knowledge: Knowledge) -> None:
    """430 is 430 mA where the reading is in mA."""
    assert lines(knowledge, "sleeping_current", "430")[0].startswith("= 430 mA")


def test_a_decimal_comma_is_accepted(knowledge: Knowledge) -> None:
    """12,4 V is 12.4 V."""
    assert lines(knowledge, "cranking_voltage", "12,4 V")[0].startswith("= 12.4 V")


def test_near_a_limit_both_bands_are_named(knowledge: Knowledge) -> None:
    """50 mA with ±5 mA may be usual or raised."""
    assert lines(knowledge, "sleeping_current", "51 mA")[1] == "May be: Within the usual limit or Raised"


def test_takes_from_before_a_repair_are_not_averaged_with_those_after_it(knowledge: Knowledge) -> None:
    """290 mA before the repair and 10 mA after it are two cars: 10 mA is shown, and kept."""

    def take(milliamps: float) -> Measured:
        one = Measurement("sleeping_current", milliamps, "low_current_clamp", f"{milliamps:g} mA")
        return Measured("sleeping_current", (one,))

    repaired = (take(290), Repaired("alternator_diode", "2030-03-04T09:00:00+00:00"))
    shown = understand(
        knowledge,
        Case("flat_battery", repaired),
        "sleeping_current",
        {"sleeping_current": "10"},
        {"sleeping_current": "low_current_clamp"},
        {},
    ).lines[0]
    assert shown.startswith("= 10 mA ±")
    assert "takes" not in shown
    after = Case("flat_battery", (*repaired, take(10), take(12)))
    assert [one[0].value for one in after.measured["sleeping_current"]] == [10, 12]
    assert len(after.takes_now(knowledge, "sleeping_current")) == 2


def clamped(knowledge: Knowledge, text: str, clamp: str) -> str:
    """What is shown for the sleeping current by one of the clamps, or asked about it."""
    taken_with = {"sleeping_current": clamp}
    try:
        return understand(
            knowledge, CASE, "sleeping_current", {"sleeping_current": text}, taken_with, {}
        ).lines[0]
    except NotUnderstood as error:
        return str(error)


@pytest.mark.parametrize("clamp", ["general_clamp", "low_current_clamp"])
def test_a_number_that_seems_to_be_in_amperes_is_asked_about(knowledge: Knowledge, clamp: str) -> None:
    """0.28 where the clamp shows A: 0.28 mA is less than it can tell from 0, 0.28 A would be ordinary."""
    asked = "0.28 mA or 0.28 A? Write the unit as well: 0.28mA or 0.28A."
    assert clamped(knowledge, "0.28", clamp) == asked
    assert clamped(knowledge, "0.28A", clamp).startswith("= 280 mA")
    assert clamped(knowledge, "0.28 mA", clamp).startswith("= 0.28 mA")


@pytest.mark.parametrize("text", ["0", "0.0", "28", "280", "2800"])
def test_a_number_that_can_be_what_its_field_says_is_taken(knowledge: Knowledge, text: str) -> None:
    """Nothing is 0 in any unit; 28 mA is usual after a repair, and 28 A would not be ordinary."""
    assert clamped(knowledge, text, "general_clamp").startswith("= ")


def test_a_pressure_that_cannot_be_in_bar_is_asked_about(knowledge: Knowledge) -> None:
    """100 where the gauge shows psi: 100 bar cannot be, 100 psi (6.9 bar) is ordinary."""
    with pytest.raises(NotUnderstood, match="100 bar g or 100 psi g"):
        ask_for_unit(knowledge, "100", "bar g", "gauge_set", "bar g", (-0.6, 10.0), 10.0)
    ask_for_unit(knowledge, "6.9", "bar g", "gauge_set", "bar g", (-0.6, 10.0), 10.0)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("12 V", "'12 V' is a voltage. A current is wanted, for example 430 mA."),
        ("43000", "43000 mA is not plausible here: 0 mA to 30000 mA is. Read again."),
        ("", "Something is missing. Fill in: Quiescent current"),
    ],
)
def test_what_cannot_be_is_asked_again_with_what_would_be_right(
    knowledge: Knowledge, text: str, sentence: str
) -> None:
    """Wrong kinds, implausible values and nothing at all: a sentence, and nothing is entered."""
    with pytest.raises(NotUnderstood) as caught:
        lines(knowledge, "sleeping_current", text)
    assert str(caught.value) == sentence


def test_a_computed_reading_asks_for_its_inputs(knowledge: Knowledge) -> None:
    """A fuse reading asks for millivolts, size and rating, and not for milliamps."""
    asked = fields(knowledge, CASE, "fuse_audio", {}, ())
    assert [(one.key, one.unit) for one in asked] == [
        ("fuse_drop", "mV"),
        ("fuse_size", None),
        ("fuse_rating", None),
    ]


def test_a_computed_reading_shows_its_result(knowledge: Knowledge) -> None:
    """0.38 mV over a regular 10 A fuse: 49.35 mA (check value W3)."""
    filled = {"fuse_drop": "0.38mV", "fuse_size": "regular", "fuse_rating": "10 A"}
    found = understand(knowledge, CASE, "fuse_audio", filled, {"fuse_drop": "millivoltmeter"}, {})
    assert found.lines[0].startswith("= 49.35 mA ± ")


CLIMATE = """
language: 1
standing: estimate
complaints:
  warm: {name: Blows warm, family: climate, any_of: {low_charge: 60, flap: 45}, unlisted: 5}
faults:
  low_charge: {name: Charge low, remedy: Find the leak, remedy_minutes: 90, price: high}
  flap: {name: Flap stuck, remedy: Free the flap, remedy_minutes: 60, price: middling}
facts:
  refrigerant: {name: Refrigerant, ask: Which refrigerant?, values: {r134a: 60, r1234yf: 40}}
instruments:
  gauges: {name: Gauge set, units: [bar g], accuracy: {bar g: {absolute: 0.05}}}
  probe: {name: Probe, units: ["°C"], accuracy: {"°C": {absolute: 0.5}}}
measurands:
  low_side: {name: Low side, ask: Low-side pressure, unit: bar g, range: [-1, 8], instrument: gauges}
  suction_pipe: {name: Suction pipe, ask: Temperature of the suction pipe, unit: "°C", range: [-30, 60],
    instrument: probe}
readings:
  superheat:
    name: Superheat
    minutes: 10
    quantity:
      unit: K
      range: [-10, 60]
      bands: {low: Low, usual: Usual, high: High}
      limits: [2, 12]
      derived: {formula: superheat,
        inputs: {low_bar_g: low_side, pipe_c: suction_pipe, refrigerant: refrigerant}}
    normal: usual
    table:
      - when: {low_charge: present}
        gives: {high: 0.8, usual: 0.15, low: 0.05}
      - otherwise: {high: 0.05, usual: 0.9, low: 0.05}
  suction_again:
    name: Superheat once more
    minutes: 1
    quantity:
      unit: K
      range: [-10, 60]
      bands: {low: Low, high: High}
      limits: [12]
      derived: {formula: superheat,
        inputs: {low_bar_g: low_side, pipe_c: suction_pipe, refrigerant: r134a}}
    table:
      - when: {low_charge: present}
        gives: {high: 0.8, low: 0.2}
      - otherwise: {high: 0.1, low: 0.9}
"""


@pytest.fixture
def climate(tmp_path: Path) -> Knowledge:
    """A small invented knowledge with a computed temperature difference."""
    file = tmp_path / "climate.yaml"
    file.write_text(CLIMATE, encoding="utf-8")
    found = load([file])
    assert [str(one) for one in problems(found) if one.severity == "error"] == []
    return found


def test_superheat_from_any_common_units(climate: Knowledge) -> None:
    """R-134a at 2.00 bar g and a pipe of 8.0 °C: 7.206 K (check value W8); psi and °F give the same."""
    case = Case("warm", (Known("refrigerant", "r134a"),))
    taken_with = {"low_side": "gauges", "suction_pipe": "probe"}
    for pressure, pipe in (("2.00 bar", "8.0 °C"), ("29.00755 psi", "46.4 °F")):
        filled = {"low_side": pressure, "suction_pipe": pipe}
        shown = understand(climate, case, "superheat", filled, taken_with, {}).lines[0]
        assert shown.startswith("= 7.206 K ± ")


def test_gauge_and_absolute_pressure_do_not_mix(climate: Knowledge) -> None:
    """An absolute pressure where the gauge is meant is refused."""
    case = Case("warm", (Known("refrigerant", "r134a"),))
    with pytest.raises(NotUnderstood, match="gauge"):
        understand(climate, case, "superheat", {"low_side": "3.0 bar abs", "suction_pipe": "8"}, {}, {})


def test_an_unknown_fact_is_asked_with_the_inputs_and_kept(climate: Knowledge) -> None:
    """The refrigerant is asked where it is not known, and becomes a fact of the vehicle."""
    asked = [one.key for one in fields(climate, Case("warm"), "superheat", {}, ())]
    assert asked == ["low_side", "suction_pipe", "refrigerant"]
    filled = {"low_side": "2", "suction_pipe": "8", "refrigerant": "r1234yf"}
    assert understand(climate, Case("warm"), "superheat", filled, {}, {}).facts == (
        Known("refrigerant", "r1234yf"),
    )


def test_inputs_are_asked_once(climate: Knowledge) -> None:
    """What one reading measured is not asked again for the next, and counts there."""
    take = (
        Measurement("low_side", 2.0, "gauges", "2 bar"),
        Measurement("suction_pipe", 8.0, "probe", "8 °C"),
    )
    case = Case("warm", (Known("refrigerant", "r134a"), Measured("superheat", take)))
    assert fields(climate, case, "suction_again", {}, ()) == ()
    shown = understand(climate, case, "suction_again", {}, {}, {}).lines
    assert shown[0].startswith("= 7.206 K")


def test_a_preferred_unit_is_the_one_to_type_in(climate: Knowledge) -> None:
    """With psi and °F preferred, plain numbers are in those."""
    preferences = {"pressure": "psi", "temperature": "°F"}
    case = Case("warm", (Known("refrigerant", "r134a"),))
    asked = fields(climate, case, "superheat", preferences, ())
    assert [one.unit for one in asked] == ["psi g", "°F"]
    filled = {"low_side": "29.00755", "suction_pipe": "46.4"}
    shown = understand(climate, case, "superheat", filled, {}, preferences).lines[0]
    assert shown.startswith("= 7.206 K")


def test_a_fuse_without_a_voltage_needs_neither_size_nor_rating(knowledge: Knowledge) -> None:
    """0 mV are 0 mA by Ohm's law, whatever the fuse; its uncertainty is that of the least resistance.

    The meter's 0.05 mV or so over a fuse of 1.9 mΩ (30 A, as in `FUSES`) is the most it can be.
    """
    for typed in ("0", "0 mV", "0.00"):
        found = understand(
            knowledge, CASE, "fuse_audio", {"fuse_drop": typed}, {"fuse_drop": "millivoltmeter"}, {}
        )
        assert [one.measurand for one in found.measured.take] == ["fuse_drop"]
        assert found.lines[0].startswith("= 0 mA")
        value = estimate(knowledge, "fuse_audio", {}, [found.measured.take])
        known = {"fuse_size": "mini", "fuse_rating": "30 A"}
        whole = understand(
            knowledge, CASE, "fuse_audio", {"fuse_drop": typed, **known}, {"fuse_drop": "millivoltmeter"}, {}
        )
        largest = estimate(knowledge, "fuse_audio", {}, [whole.measured.take])
        assert value.value == 0
        assert value.uncertainty == pytest.approx(largest.uncertainty)


def test_a_fuse_with_a_voltage_still_asks_for_size_and_rating(knowledge: Knowledge) -> None:
    """0.1 mV may be much or little: the fuse has to be known."""
    with pytest.raises(NotUnderstood, match="Size of that fuse"):
        understand(knowledge, CASE, "fuse_audio", {"fuse_drop": "0.1"}, {"fuse_drop": "millivoltmeter"}, {})


def test_a_formula_outside_its_range_is_refused(knowledge: Knowledge) -> None:
    """There is no maxi fuse of 5 A: nothing is computed with it."""
    filled = {"fuse_drop": "30", "fuse_size": "maxi", "fuse_rating": "5 A"}
    with pytest.raises(NotUnderstood):
        understand(knowledge, CASE, "fuse_audio", filled, {}, {})


def test_a_quantity_can_be_given_as_one_text(knowledge: Knowledge) -> None:
    """On the command line and in scenarios the result of a formula may be given itself."""
    entry = direct(knowledge, "fuse_audio", "120 mA", "")
    assert entry.take == (Measurement("fuse_audio", 120.0, "", "120 mA"),)


def test_what_a_number_was_taken_with_is_what_was_used_last_or_has_to_be_said(knowledge: Knowledge) -> None:
    """The only one there is, or the last one of this job; never just the first of several."""
    name = "sleeping_current"
    first, second = knowledge.readings[name].instrument
    assert fields(knowledge, CASE, name, {}, ())[0].instrument == ""
    assert fields(knowledge, CASE, name, {}, (first,))[0].instrument == second
    with pytest.raises(NotUnderstood, match="Choose the meter for Quiescent current") as missing:
        understand(knowledge, CASE, name, {name: "60 mA"}, {}, {})
    assert missing.value.field == name
    once = CASE.with_entry(understand(knowledge, CASE, name, {name: "60 mA"}, {name: first}, {}).measured)
    both = once.with_entry(understand(knowledge, once, name, {name: "61 mA"}, {name: second}, {}).measured)
    assert [fields(knowledge, one, name, {}, ())[0].instrument for one in (once, both)] == [first, second]
    assert fields(knowledge, both, name, {}, (second,))[0].instrument == first


NOON = datetime(2030, 3, 4, 12, 0).astimezone()


@pytest.mark.parametrize(
    ("typed", "minutes"),
    [("20", 20), ("0", 0), ("1 h 20 min", 80), ("11:45", 15), (" 12:00 ", 0), ("22:30", 13.5 * 60)],
)
def test_since_when_is_never_in_the_future(typed: str, minutes: float) -> None:
    """A time that no clock has shown yet today was shown last night."""
    assert NOON - since_when(typed, NOON) == timedelta(minutes=minutes)


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("-5", "in the future"),
        ("90000", "too long ago"),
        ("25:10", "No clock shows 25:10"),
        ("early", "Write a time such as 7:45 if you mean one."),
    ],
)
def test_since_when_refuses_what_is_no_time_of_the_past(typed: str, why: str) -> None:
    """With what would be right."""
    with pytest.raises(NotUnderstood, match=why):
        since_when(typed, NOON)


def test_after_a_repair_and_for_a_repeat_numbers_are_read_afresh(shipped: Knowledge) -> None:
    """Of every reading that is worked out of numbers; words and figures of the day are not asked again.

    A number from before the repair once stood in for the one after it, and said that nothing had changed.
    """
    tried = 0
    for name, reading in shipped.readings.items():
        if reading.quantity is None or reading.quantity.derived is None:
            continue
        facts = {source: next(iter(shipped.facts[source].values)) for source in _facts_of(shipped, name)}
        case = Case("poor_cooling", tuple(Known(fact, value) for fact, value in facts.items()))
        asked = fields(shipped, case, name, {}, ())
        take = tuple(
            Measurement(one.key, 20.0 if one.unit else one.choices[0][0], one.instrument, "20")
            for one in asked
        )
        numbers = {one.key for one in asked if one.unit}
        once = case.with_entry(Measured(name, take))
        repaired = once.with_entry(Repaired("condenser_fan", "2030-01-15T12:00:00+00:00"))
        for again in (once, repaired):
            assert {one.key for one in fields(shipped, again, name, {}, ()) if one.unit} == numbers, name
        tried += bool(numbers)
    assert tried > 10


def _facts_of(knowledge: Knowledge, name: str) -> list[str]:
    """The facts that a derived reading goes by."""
    derived = knowledge.readings[name].quantity
    assert derived is not None
    assert derived.derived is not None
    return [str(one) for one in derived.derived.inputs.values() if str(one) in knowledge.facts]
