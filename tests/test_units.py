"""What people type as a quantity, how it is converted, and how it is shown."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from advisor.measure.units import (
    KNOWN,
    PREFERENCES,
    NotAQuantity,
    UnknownUnit,
    convert,
    kind_of,
    parse,
    preferred,
    show,
)


def bounded(examples: int) -> settings:
    """The same examples every time, and no clock."""
    return settings(
        derandomize=True,
        max_examples=examples,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )


def refusal(text: str, unit: str) -> str:
    """The sentences with which an entry is refused."""
    with pytest.raises(NotAQuantity) as refused:
        parse(text, unit)
    return str(refused.value)


# Numbers and units as people type them


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("12.4", "V", 12.4),
        ("430 mA", "mA", 430),
        ("0.43A", "mA", 430),
        ("0.38mV", "mV", 0.38),
        (".5 V", "V", 0.5),
        ("+12.6V", "V", 12.6),
        ("12.6 V.", "V", 12.6),
        ("  12.6 \t V ", "V", 12.6),
        ("-3 °C", "°C", -3),
        ("- 3 °C", "°C", -3),
        ("45%", "%", 45),
        ("7", "1", 7),
        ("62 dB(A)", "dB(A)", 62),
        ("62 dBA", "dB(A)", 62),
        ("2000 rpm", "rpm", 2000),
        ("300 m3/h", "m³/h", 300),
        ("28 000 miles", "mile", 28000),
        ("80 km / h", "km/h", 80),
        ("70 Ah", "mAh", 70000),
    ],
)
def test_a_number_with_or_without_a_unit_is_read(text: str, unit: str, expected: float) -> None:
    """The unit may stand close or apart; a number alone is in the reading's own unit."""
    assert parse(text, unit) == expected


@pytest.mark.parametrize("minus", ["-", "−", "–"])
def test_any_minus_sign_counts(minus: str) -> None:
    """Hyphen, minus sign and the dash that keyboards make of it all mean minus."""
    assert parse(f"{minus}3°C", "°C") == -3


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12,4", 12.4),
        ("0,438", 0.438),
        ("1234,567", 1234.567),
        ("1 234,5", 1234.5),
        ("1 234.5", 1234.5),
        ("1\u202f234\u00a0567", 1234567),
        ("1'234.5", 1234.5),
        ("1’234’567", 1234567),
        ("1,234.5", 1234.5),
        ("1.234,5", 1234.5),
        ("1,234,567", 1234567),
        ("1.234.567", 1234567),
        ("1,234,567.8", 1234567.8),
        ("1.234.567,8", 1234567.8),
        ("1.234", 1.234),
        ("1e3", 1000),
        ("4,3e-1", 0.43),
        ("4.3E+2", 430),
    ],
)
def test_decimals_and_thousands_are_told_apart(text: str, expected: float) -> None:
    """A dot is the decimal mark, a comma a decimal comma, unless other marks show that they group."""
    assert parse(f"{text} mA", "mA") == expected


def test_a_comma_before_three_digits_is_ambiguous() -> None:
    """Nobody can know whether "1,234" is a little over 1 or over 1000, so both are offered."""
    assert refusal("-1,234 mA", "mA") == (
        "The comma in '-1,234 mA' can mark decimals or thousands. Write -1.234 mA or -1234 mA."
    )


@pytest.mark.parametrize("text", ["≈ 50 mA", "~50", "≈50mA", "about 50 mA", "ca. 50 mA", "approx 50"])
def test_a_sign_for_about_is_passed_over(text: str) -> None:
    """People write "about"; how far the number can be trusted is the instrument's to say."""
    assert parse(text, "mA") == 50


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("430 ma", "mA", 430),
        ("12 v", "V", 12),
        ("12 Volts", "V", 12),
        ("2.9 BAR", "bar g", 2.9),
        ("2.9 Bar G", "bar g", 2.9),
        ("42 PSI", "psi g", 42),
        ("20 Deg C", "°C", 20),
        ("20 degrees c", "°C", 20),
        ("20 celsius", "°C", 20),
        ("20 °c", "°C", 20),
        ("20 ℃", "°C", 20),
        ("20 ºC", "°C", 20),
        ("68f", "°F", 68),
        ("15 k", "K", 15),
        ("4.7 ohm", "Ω", 4.7),
        ("4.7 OHMS", "Ω", 4.7),
        ("4.7 \u2126", "Ω", 4.7),
        ("2.2 KOhm", "kΩ", 2.2),
        ("1.5 MOhm", "MΩ", 1.5),
        ("35 mOhm", "mΩ", 35),
        ("35 mOHM", "mΩ", 35),
        ("250 uA", "µA", 250),
        ("250 \u03bcA", "µA", 250),
        ("1.2 khz", "kHz", 1.2),
        ("80 KM/H", "km/h", 80),
        ("5 LITRES", "l", 5),
    ],
)
def test_case_and_spelling_are_forgiven(text: str, unit: str, expected: float) -> None:
    """Where only one unit can be meant, it need not be typed as the standard writes it."""
    assert parse(text, unit) == expected


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        (
            "430 MA",
            "mA",
            "In '430 MA' it matters whether M is small (a thousandth) or capital (a million). Write mA.",
        ),
        (
            "5 MOHM",
            "MΩ",
            "In '5 MOHM' it matters whether M is small (a thousandth) or capital (a million). "
            "Write MΩ or mΩ.",
        ),
        (
            "1.5 mpa",
            "MPa g",
            "In '1.5 mpa' it matters whether M is small (a thousandth) or capital (a million). Write MPa.",
        ),
        (
            "5 M",
            "m",
            "'M' is no unit that is known here. "
            "Write a length in mm, cm, m, km, in, ft or mile, for example 1.2 m.",
        ),
    ],
)
def test_milli_and_mega_are_never_guessed(text: str, unit: str, expected: str) -> None:
    """A factor of a thousand million does not depend on the caps lock key."""
    assert refusal(text, unit) == expected


@pytest.mark.parametrize("unit", [unit for unit in KNOWN if unit not in ("1", "MΩ", "mΩ")])
def test_wrong_case_never_means_another_unit(unit: str) -> None:
    """In capitals or small letters a unit is itself or is refused, never a different one.

    Left out are mega- and milliohm: there the small letter m really is milli.
    """
    for typed in (unit.lower(), unit.upper(), unit.swapcase(), unit.title()):
        try:
            assert parse(f"3 {typed}", unit) == 3
        except NotAQuantity:
            assert "it matters whether M is small" in refusal(f"3 {typed}", unit) or unit == "m"


# Times


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("90 min", "h", 1.5),
        ("1h20", "min", 80),
        ("1 h 20 min", "min", 80),
        ("1h20m", "min", 80),
        ("1 hour 20 minutes", "min", 80),
        ("2 min 30", "s", 150),
        ("2 min 30.5 s", "s", 150.5),
        ("2 d 4 h", "h", 52),
        ("1 h 0 min 30 s", "s", 3630),
        ("-1 h 20 min", "min", -80),
        ("3 d", "h", 72),
    ],
)
def test_a_time_may_be_said_in_parts(text: str, unit: str, expected: float) -> None:
    """Hours and minutes are typed as people say them."""
    assert parse(text, unit) == expected


def test_a_clock_time_is_ambiguous() -> None:
    """ "1:20" can be hours or minutes, so both ways of writing it are offered."""
    assert refusal("1:20", "min") == (
        "'1:20' can mean hours and minutes or minutes and seconds. Write 1 h 20 min or 1 min 20 s."
    )


@pytest.mark.parametrize(
    "text", ["1 h 90 min", "1.5 h 20 min", "20 min 1 h", "1 h 20 h", "1 d 20", "1 h 2 3"]
)
def test_parts_that_do_not_follow_each_other_are_refused(text: str) -> None:
    """Larger units come first, and only the last part has decimals."""
    assert refusal(text, "min") == (f"'{text}' is not one number with one unit. Write for example 90 min.")


# Physics


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        # F = 9/5 C + 32, exact
        ("126 °F", "°C", 52.22),
        ("113 °F", "°C", 45),
        ("140F", "°C", 60),
        ("−40 °C", "°F", -40),
        # 1 psi = 6894.757 Pa (NIST SP 811, appendix B)
        ("42 psi", "bar g", 2.896),
        ("1 psi abs", "kPa abs", 6.894757),
        # 1 mile = 1.609344 km, exact (NIST SP 811)
        ("1 mile", "km", 1.609344),
        ("50 mph", "km/h", 80.4672),
        # 1 in = 25.4 mm, 1 lb = 0.45359237 kg, 1 oz = lb/16, exact (NIST SP 811)
        ("1 in", "mm", 25.4),
        ("1 lb", "kg", 0.45359237),
        ("16 oz", "lb", 1),
        # 1 bar = 100 kPa, exact
        ("1 bar", "kPa g", 100),
        ("1.5 MPa", "bar g", 15),
        ("250 mbar", "bar g", 0.25),
        ("1 hPa", "Pa", 100),
        ("36 km/h", "m/s", 10),
        ("6 m³/h", "l/min", 100),
    ],
)
def test_conversions_agree_with_their_definitions(text: str, unit: str, expected: float) -> None:
    """Each factor is the one that the standard prints, to the digits written here."""
    decimals = len(str(expected).partition(".")[2])
    assert round(parse(text, unit), decimals) == expected


def test_conversions_that_come_out_even_are_exact() -> None:
    """No rounding error puts a temperature on the wrong side of a limit."""
    assert convert(113, "°F", "°C") == 45.0
    assert convert(27, "Δ°F", "K") == 15.0
    assert parse("0.43 A", "mA") == 430.0


# Kinds


@pytest.mark.parametrize(
    ("unit", "kind"),
    [
        ("°C", "temperature"),
        ("K", "temperature difference"),
        ("Δ°F", "temperature difference"),
        ("bar g", "gauge pressure"),
        ("psi abs", "absolute pressure"),
        ("mbar", "pressure difference"),
        ("mA", "current"),
        ("V", "voltage"),
        ("mΩ", "resistance"),
        ("kW", "power"),
        ("d", "time"),
        ("mile", "length"),
        ("mph", "speed"),
        ("kHz", "frequency"),
        ("l", "volume"),
        ("l/min", "volume flow"),
        ("kg", "mass"),
        ("Ah", "charge"),
        ("%", "ratio"),
        ("1", "count"),
        ("dB", "level difference"),
        ("dB(A)", "sound level"),
    ],
)
def test_each_unit_has_a_kind(unit: str, kind: str) -> None:
    """Kinds are finer than physical dimensions where mixing them would be a mistake."""
    assert kind_of(unit) == kind


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("12 V", "mA", "'12 V' is a voltage. A current is wanted, for example 430 mA."),
        ("1 h 20 min", "mA", "'1 h 20 min' is a time. A current is wanted, for example 430 mA."),
        ("90 m", "min", "'90 m' is a length. A time is wanted, for example 90 min."),
        ("3 V", "1", "'3 V' is a voltage. A plain number is wanted, for example 3."),
        (
            "15 K",
            "°C",
            "'15 K' is a temperature difference. A temperature is wanted, for example 20 °C.",
        ),
        (
            "27 °F",
            "K",
            "'27 °F' is a temperature. This reading is a difference of two temperatures; "
            "write it in K (27 °F difference = 15 K).",
        ),
        (
            "-3.5 °C",
            "K",
            "'-3.5 °C' is a temperature. This reading is a difference of two temperatures; "
            "write it in K (−3.5 °C difference = −3.5 K).",
        ),
        (
            "2.9 bar abs",
            "bar g",
            "'2.9 bar abs' is an absolute pressure. A gauge pressure is wanted, which is lower by the "
            "ambient pressure (about 1.013 bar at sea level); write what the gauge shows, "
            "for example 2.9 bar g.",
        ),
        (
            "42 psig",
            "bar abs",
            "'42 psig' is a gauge pressure. An absolute pressure is wanted, which is higher by the "
            "ambient pressure (about 1.013 bar at sea level); write for example 2.9 bar abs.",
        ),
        (
            "2.9 bar",
            "bar abs",
            "'2.9 bar' does not say that it is absolute. Write 2.9 bar abs if it is; to what a gauge "
            "shows, first add the ambient pressure (about 1.013 bar at sea level).",
        ),
        (
            "2.9 bar g",
            "mbar",
            "'2.9 bar g' is a gauge pressure. A pressure difference is wanted, for example 25 mbar.",
        ),
        (
            "62 dB",
            "dB(A)",
            "'62 dB' does not say the weighting. Write 62 dB(A) if the meter is set to A, or set it so.",
        ),
    ],
)
def test_kinds_are_not_mixed(text: str, unit: str, expected: str) -> None:
    """A quantity of another kind is named for what it is, and what is wanted is shown."""
    assert refusal(text, unit) == expected


@pytest.mark.parametrize("text", ["2.9 bara", "2.9 bar(a)", "2.9 bar absolute", "42 psia", "290 kPa abs"])
def test_an_absolute_pressure_is_not_taken_for_gauge_however_written(text: str) -> None:
    """An error of one bar does not slip in by way of an abbreviation."""
    assert "is an absolute pressure. A gauge pressure is wanted" in refusal(text, "bar g")
    assert parse(text, "bar abs") == pytest.approx(2.9, rel=0.01)


@pytest.mark.parametrize("text", ["2.9", "2.9 bar", "2.9 bar g", "2.9 barg", "2.9 bar (g)", "2.9 bar gauge"])
def test_a_gauge_shows_gauge_pressure(text: str) -> None:
    """For a gauge reading a pressure without more words is what the gauge shows."""
    assert parse(text, "bar g") == 2.9


def test_a_number_alone_is_taken_for_an_absolute_reading() -> None:
    """The screen names the unit beside the field, so a number alone is in it."""
    assert parse("1.2", "bar abs") == 1.2


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("15 K", "K", 15),
        ("15", "K", 15),
        ("15 °C difference", "K", 15),
        ("27 °F diff", "K", 15),
        ("27 Δ°F", "K", 15),
        ("15 K", "Δ°F", 27),
        ("0.2 bar", "mbar", 200),
    ],
)
def test_a_difference_is_read_where_it_is_said_to_be_one(text: str, unit: str, expected: float) -> None:
    """The zero of the scale plays no part in a difference."""
    assert parse(text, unit) == expected


def test_convert_stays_within_a_kind() -> None:
    """What cannot be typed cannot be computed either."""
    with pytest.raises(NotAQuantity) as refused:
        convert(2, "bar abs", "V")
    assert str(refused.value) == (
        "'2 bar abs' is an absolute pressure. A voltage is wanted, for example 12.4 V."
    )


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_only_finite_numbers_are_converted_and_shown(value: float) -> None:
    """A number that is none is an error at once, not further on."""
    with pytest.raises(NotAQuantity, match=f"{value} is not a finite number. Give a finite one."):
        convert(value, "mA", "A")
    with pytest.raises(NotAQuantity, match=f"{value} is not a finite number. Give a finite one."):
        show(value, "mA")


def test_a_conversion_too_large_for_a_number_is_refused() -> None:
    """Overflow is said in words."""
    with pytest.raises(NotAQuantity) as refused:
        convert(1e308, "kW", "W")
    assert str(refused.value) == "'1e308 kW' is too large. Write for example 55 W."


# What is no quantity


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "Nothing was typed. Write for example 12.4 V."),
        (" \n", "Nothing was typed. Write for example 12.4 V."),
        (
            "abc",
            "'abc' does not begin with a number. Write the number, then the unit, for example 12.4 V.",
        ),
        (
            "nan",
            "'nan' does not begin with a number. Write the number, then the unit, for example 12.4 V.",
        ),
        (
            "inf",
            "'inf' does not begin with a number. Write the number, then the unit, for example 12.4 V.",
        ),
        (
            "<5 V",
            "'<5 V' does not begin with a number. Write the number, then the unit, for example 12.4 V.",
        ),
        (
            "OL",
            "'OL' means more than the meter can show in this range. "
            "Choose a higher range and write what it shows, for example 12.4 V.",
        ),
        ("١٢ V", "'١٢ V' has digits other than 0 to 9. Write for example 12.4 V."),
        ("１２", "'１２' has digits other than 0 to 9. Write for example 12.4 V."),
        ("12.4.5", "'12.4.5' is not one number with one unit. Write for example 12.4 V."),
        ("12. V", "'12. V' is not one number with one unit. Write for example 12.4 V."),
        ("12.4 12.5", "'12.4 12.5' is not one number with one unit. Write for example 12.4 V."),
        ("12-13 V", "'12-13 V' is not one number with one unit. Write for example 12.4 V."),
        ("12 ± 0.1 V", "'12 ± 0.1 V' is not one number with one unit. Write for example 12.4 V."),
        ("12:30", "'12:30' is not one number with one unit. Write for example 12.4 V."),
        ("1e400", "'1e400' is not one number with one unit. Write for example 12.4 V."),
        ("0x10", "'0x10' is not one number with one unit. Write for example 12.4 V."),
        (
            "12 foo",
            "'foo' is no unit that is known here. Write a voltage in V or mV, for example 12.4 V.",
        ),
        (
            "12 k",
            "'k' is no unit that is known here. Write a voltage in V or mV, for example 12.4 V.",
        ),
        (
            "12 \x00V",
            "'12 �V' is too long or too strange for a quantity. Write for example 12.4 V.",
        ),
        (
            "1" * 400,
            f"'{'1' * 40}…' is too long or too strange for a quantity. Write for example 12.4 V.",
        ),
    ],
)
def test_what_is_no_quantity_is_refused_with_what_to_write(text: str, expected: str) -> None:
    """The first sentence says what is wrong, the second what would be right."""
    assert refusal(text, "V") == expected


def test_a_unit_after_a_plain_number_is_refused() -> None:
    """Where only a count is wanted, no unit is offered."""
    assert refusal("3 foo", "1") == (
        "'foo' is no unit that is known here. Write the number alone, for example 3."
    )


def test_an_error_carries_its_sentences_apart() -> None:
    """A screen can show what is wrong and what to do in two places."""
    with pytest.raises(NotAQuantity) as refused:
        parse("12 V", "mA")
    assert refused.value.what == "'12 V' is a voltage."
    assert refused.value.instead == "A current is wanted, for example 430 mA."


# Units in knowledge


@pytest.mark.parametrize(
    ("unit", "expected"),
    [
        ("mv", "The unit 'mv' is not known. Did you mean 'mV'?"),
        ("ohm", "The unit 'ohm' is not known. Did you mean 'Ω'?"),
        ("Bar abs", "The unit 'Bar abs' is not known. Did you mean 'bar abs'?"),
        ("celsius", "The unit 'celsius' is not known. Did you mean '°C'?"),
        (
            "bar",
            "The unit 'bar' does not say what the pressure is measured against. "
            "Write 'bar g' for gauge pressure or 'bar abs' for absolute pressure.",
        ),
    ],
)
def test_an_unknown_unit_is_refused_with_the_nearest(unit: str, expected: str) -> None:
    """An author who writes a unit as people type it is told how knowledge writes it."""
    for use in (
        lambda: kind_of(unit),
        lambda: parse("3", unit),
        lambda: show(3, unit),
        lambda: convert(3, unit, "V"),
        lambda: convert(3, "V", unit),
        lambda: preferred(unit, {}),
    ):
        with pytest.raises(UnknownUnit) as refused:
            use()
        assert str(refused.value) == expected


def test_look_alike_letters_name_the_same_unit() -> None:
    """Two code points each for micro and ohm look alike; an author cannot see which was typed."""
    assert kind_of("\u03bcA") == kind_of("\u00b5A") == "current"
    assert show(3, "\u2126") == "3 Ω"


# Showing


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (430, "mA", "430 mA"),
        (12.4, "V", "12.4 V"),
        (12.45, "V", "12.5 V"),
        (12.0, "V", "12 V"),
        (-3.0, "°C", "−3 °C"),
        (-0.0, "°C", "0 °C"),
        (2.8957981, "bar g", "2.9 bar g"),
        (9.996, "s", "10 s"),
        (45, "%", "45 %"),
        (3, "1", "3"),
        (27.49, "Δ°F", "27.5 Δ°F"),
        (1, "mile", "1 mile"),
        (28000, "mile", "28000 miles"),
        (0.000123456, "A", "0.000123 A"),
        (0.0001, "A", "0.0001 A"),
        (0.00009996, "A", "0.0001 A"),
        (0.0000999, "A", "9.99e−5 A"),
        (1e7, "Ω", "10000000 Ω"),
        (12345678, "Ω", "1.23e7 Ω"),
    ],
)
def test_three_significant_digits_are_shown(value: float, unit: str, expected: str) -> None:
    """Trailing zeros are dropped, and an exponent is used only beyond 1e-4 and 1e7."""
    assert show(value, unit) == expected


def test_more_digits_are_shown_where_asked_for() -> None:
    """What somebody typed can be shown as it was typed."""
    assert show(1234.5, "mA", digits=6) == "1234.5 mA"


# Preferences


@pytest.mark.parametrize(
    ("unit", "preferences", "expected"),
    [
        ("°C", {"temperature": "°F"}, "°F"),
        ("°F", {"temperature": "°C"}, "°C"),
        ("K", {"temperature": "°F"}, "Δ°F"),
        ("Δ°F", {"temperature": "°C"}, "K"),
        ("bar g", {"pressure": "psi", "temperature": "°F"}, "psi g"),
        ("psi abs", {"pressure": "kPa"}, "kPa abs"),
        ("mbar", {"pressure": "psi"}, "mbar"),
        ("mbar abs", {"pressure": "psi"}, "mbar abs"),
        ("V", {"pressure": "psi", "temperature": "°F"}, "V"),
        ("°C", {"pressure": "psi"}, "°C"),
        ("bar g", {}, "bar g"),
    ],
)
def test_readings_are_shown_in_the_preferred_unit(
    unit: str, preferences: dict[str, str], expected: str
) -> None:
    """Differences follow the scale, gauge stays gauge, and other readings keep their unit."""
    assert preferred(unit, preferences) == expected


@pytest.mark.parametrize(
    "preferences",
    [{"ranking": "bits"}, {"presure": "psi"}, {"temperature": "F"}, {"pressure": ""}, {"": "°F"}],
)
def test_an_unknown_preference_counts_for_nothing(preferences: dict[str, str]) -> None:
    """Whatever a newer program or somebody's hand has left in the database, readings are still shown."""
    assert preferred("°C", preferences) == "°C"
    assert preferred("bar g", {**preferences, "temperature": "°F"}) == "bar g"


@pytest.mark.parametrize("unit", KNOWN)
def test_the_preferred_unit_is_of_the_same_kind(unit: str) -> None:
    """Whatever is preferred, a reading can be converted to it."""
    for temperature in PREFERENCES["temperature"]:
        for pressure in PREFERENCES["pressure"]:
            other = preferred(unit, {"temperature": temperature, "pressure": pressure})
            assert kind_of(other) == kind_of(unit)


# What holds of every quantity

PAIRS = [(one, other) for one in KNOWN for other in KNOWN if kind_of(one) == kind_of(other)]
VALUES = st.floats(min_value=-1e9, max_value=1e9, allow_subnormal=False)


def close(value: float, unit: str) -> object:
    """Within 1e-12 of the size of a number; for temperatures, of their distance from absolute zero."""
    return pytest.approx(value, rel=1e-12, abs=1e-12 * 273.15 if kind_of(unit) == "temperature" else 1e-300)


@bounded(300)
@given(VALUES, st.sampled_from(PAIRS))
def test_converting_there_and_back_gives_the_same_number(value: float, pair: tuple[str, str]) -> None:
    """There and back again is the same number."""
    one, other = pair
    assert convert(convert(value, one, other), other, one) == close(value, one)


@bounded(300)
@given(VALUES, st.sampled_from(PAIRS))
def test_the_unit_that_was_typed_does_not_matter(value: float, pair: tuple[str, str]) -> None:
    """The same quantity typed in another unit gives the same number."""
    unit, typed = pair
    assume(typed != "1")
    elsewhere = convert(value, unit, typed)
    assume(elsewhere == 0 or abs(elsewhere) > 1e-90)
    assert parse(f"{elsewhere!r} {typed}", unit) == close(value, unit)


@bounded(300)
@given(VALUES, st.sampled_from(KNOWN), st.integers(1, 15))
def test_what_is_shown_can_be_typed(value: float, unit: str, digits: int) -> None:
    """A shown quantity is read back as the same number, to the digits that were shown."""
    assume(value == 0 or abs(value) > 1e-90)
    assert parse(show(value, unit, digits), unit) == pytest.approx(value, rel=0.5001 * 10 ** (1 - digits))


PIECES = st.sampled_from(
    [
        *KNOWN,
        *"0123456789.,'+-−~≈: eEhms",
        "bar",
        "psi",
        "abs",
        "min",
        "1e",
        "٣",
        "difference",
        "000",
        "½",
        "\n",
    ]
)


@bounded(500)
@given(st.one_of(st.text(), st.lists(PIECES, max_size=12).map("".join)), st.sampled_from(KNOWN))
def test_any_text_is_a_quantity_or_is_refused(text: str, unit: str) -> None:
    """Whatever is typed ends in a finite number or in two sentences, never in another error."""
    try:
        assert abs(parse(text, unit)) < float("inf")
    except NotAQuantity as refused:
        assert refused.what.endswith(".")
        assert refused.instead.endswith(".")


@pytest.mark.parametrize("piece", ["1", "1 ", "1,", "1.", "1'", "1 h ", "-", "1 234 ", "e", " ", "bar "])
def test_long_text_is_refused_at_once(piece: str) -> None:
    """No pattern takes longer and longer over a long text."""
    with pytest.raises(NotAQuantity):
        parse(piece * 100_000, "V")


# Start-up


def test_pint_is_loaded_only_to_convert() -> None:
    """What needs no conversion does not wait for pint."""
    script = (
        "import sys; from advisor.measure import units\n"
        "units.parse('12.4', 'V'); units.parse('12.4 V', 'V'); units.parse('2.9 bar', 'bar g')\n"
        "units.show(12.4, 'V'); units.kind_of('V'); units.convert(3, 'V', 'V')\n"
        "assert 'pint' not in sys.modules\n"
        "assert units.parse('0.43 A', 'mA') == 430\n"
        "assert 'pint' in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
