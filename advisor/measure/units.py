"""Parse what a person types as a quantity, convert, and show it.

Temperature and temperature difference are different kinds, and so are gauge and absolute pressure:
nothing converts one into the other unasked. Conversions are exact fractions, rounded once at the end.

How numbers are read: a dot is always the decimal mark, unless several dots, or a comma after it, show
that it groups thousands. A comma is a decimal comma, unless several commas, or a dot after it, show that
it groups thousands. "1,234" could be either and is refused. Spaces and apostrophes group thousands.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Context, Decimal
from fractions import Fraction
from functools import cache
from itertools import zip_longest
from typing import TYPE_CHECKING

from advisor.settings import UNITS
from advisor.text import nearest

if TYPE_CHECKING:
    import pint

LONGEST = 60
"""Characters of the longest text that is read as a quantity."""


class _Refused(ValueError):
    """Two sentences: `what` is wrong, and what would be right `instead`."""

    def __init__(self, what: str, instead: str) -> None:
        self.what, self.instead = what, instead
        super().__init__(what, instead)

    def __str__(self) -> str:
        return f"{self.what} {self.instead}"


class NotAQuantity(_Refused):
    """The text is not a quantity of the kind wanted."""


class UnknownUnit(_Refused):
    """A unit, or a preference for one, is unknown."""


@dataclass(frozen=True)
class _Unit:
    """A unit by the name that knowledge uses, the name that pint uses, and a usual number of it."""

    name: str
    kind: str
    in_pint: str
    usual: str

    @property
    def example(self) -> str:
        return _with_unit(self.usual, self.name)


_BARE = "pressure"
"""The kind of a pressure without a reference; people may type it, knowledge may not use it."""

_TABLE = """
V       | voltage      | volt              | 12.4  | volt volts
mV      | voltage      | millivolt         | 0.38  | millivolt millivolts
A       | current      | ampere            | 4.2   | amp amps ampere amperes
mA      | current      | milliampere       | 430   | milliamp milliamps milliampere milliamperes
µA      | current      | microampere       | 250   | uA microamp microamps microampere microamperes
Ω       | resistance   | ohm               | 4.7   | ohm ohms
mΩ      | resistance   | milliohm          | 35    | mohm mohms milliohm milliohms
kΩ      | resistance   | kiloohm           | 2.2   | kohm kohms kiloohm kiloohms
MΩ      | resistance   | megaohm           | 1.5   | Mohm Mohms MOhm MOhms megohm megohms megaohm megaohms
W       | power        | watt              | 55    | watt watts
kW      | power        | kilowatt          | 1.5   | kilowatt kilowatts
°C      | temperature  | degree_Celsius    | 20    | C degC degreeC degreesC celsius centigrade
°F      | temperature  | degree_Fahrenheit | 68    | F degF degreeF degreesF fahrenheit
K       | temperature difference | kelvin    | 15    | °K kelvin kelvins
Δ°F     | temperature difference | delta_degree_Fahrenheit | 27 |
mbar    | pressure difference    | millibar  | 25    | millibar millibars hPa
Pa      | pressure difference    | pascal    | 150   | pascal pascals
s       | time         | second            | 30    | sec secs second seconds
ms      | time         | millisecond       | 20    | millisecond milliseconds
min     | time         | minute            | 90    | mins minute minutes
h       | time         | hour              | 8     | hr hrs hour hours
d       | time         | day               | 3     | day days
mm      | length       | millimeter        | 1.5   | millimetre millimetres millimeter millimeters
cm      | length       | centimeter        | 12    | centimetre centimetres centimeter centimeters
m       | length       | meter             | 1.2   | metre metres meter meters
km      | length       | kilometer         | 45000 | kilometre kilometres kilometer kilometers
in      | length       | inch              | 0.5   | inch inches
ft      | length       | foot              | 4     | foot feet
mile    | length       | mile              | 28000 | mi miles
km/h    | speed        | kilometer/hour    | 80    | kmh kph kmph
mph     | speed        | mile/hour         | 50    | mi/h
m/s     | speed        | meter/second      | 3.5   |
Hz      | frequency    | hertz             | 200   | hertz
kHz     | frequency    | kilohertz         | 1.2   | kilohertz
rpm     | rotational speed | revolution/minute | 2000 | r/min rev/min
ml      | volume       | milliliter        | 150   | millilitre millilitres milliliter milliliters
l       | volume       | liter             | 5.5   | litre litres liter liters
l/min   | volume flow  | liter/minute      | 8     | lpm
m³/h    | volume flow  | meter**3/hour     | 300   | m3/h
g       | mass         | gram              | 450   | gram grams
kg      | mass         | kilogram          | 0.45  | kilo kilos kilogram kilograms
oz      | mass         | ounce             | 16    | ounce ounces
lb      | mass         | pound             | 1.5   | lbs pound pounds
Ah      | charge       | ampere_hour       | 70    | amphour amphours amperehour amperehours
mAh     | charge       | milliampere_hour  | 500   |
%       | ratio        | percent           | 45    | percent pct %rh
1       | count        | dimensionless     | 3     |
dB      | level difference | decibel       | 6     | decibel decibels
dB(A)   | sound level  | decibel           | 62    |
"""

_PRESSURES = {
    "bar": ("bar", "2.9"),
    "psi": ("pound_force_per_square_inch", "42"),
    "kPa": ("kilopascal", "290"),
    "MPa": ("megapascal", "1.5"),
    "mbar": ("millibar", "250"),
}
_AGAINST = {
    "g": ("gauge pressure", ("g", "gauge")),
    "abs": ("absolute pressure", ("a", "abs", "absolute")),
}
_NAMELESS = ("1",)
_AMBIENT = "the ambient pressure (about 1.013 bar at sea level)"


def _squeezed(word: str) -> str:
    """Return the text of a unit without what people add or omit at will."""
    return re.sub(r"[ ()]", "", word).rstrip(".")


def _rows() -> Iterator[tuple[_Unit, list[str]]]:
    """Yield every unit with its spellings."""
    for line in _TABLE.strip().splitlines():
        name, kind, in_pint, usual, spellings = (cell.strip() for cell in line.split("|"))
        written = spellings.split() + ([] if name in _NAMELESS else [name])
        if name in ("K", "Δ°F"):
            letter, word = ("C", "celsius") if name == "K" else ("F", "fahrenheit")
            around = ("Δ{}", "delta{}", "{}difference", "{}diff")
            degrees = (f"°{letter}", letter, f"deg{letter}", word)
            written += [one.format(degree) for degree in degrees for one in around]
        yield _Unit(name, kind, in_pint, usual), written
    for word, (in_pint, usual) in _PRESSURES.items():
        if word != "mbar":
            yield _Unit(word, _BARE, in_pint, usual), [word]
        for against, (kind, endings) in _AGAINST.items():
            yield _Unit(f"{word} {against}", kind, in_pint, usual), [f"{word}{ending}" for ending in endings]


_UNITS = {unit.name: unit for unit, _ in _rows()}
_EXACT = {_squeezed(spelling): unit for unit, written in _rows() for spelling in written}
_FOLDED: dict[str, dict[str, _Unit]] = {}
for _spelling, _one in _EXACT.items():
    if _spelling != "m":  # a lone capital M could be metre, mile, minute or mega
        _FOLDED.setdefault(_spelling.casefold(), {})[_spelling] = _one

KNOWN = tuple(name for name, unit in _UNITS.items() if unit.kind != _BARE)
"""The names of units that knowledge may use."""

PREFERENCES: Mapping[str, tuple[str, ...]] = UNITS
"""What a person may prefer to see; temperature differences follow as K or Δ°F."""


def kind_of(unit: str) -> str:
    """Return the kind of quantity that a unit measures, such as "gauge pressure"; raises `UnknownUnit`."""
    return _named(unit).kind


def nearest_unit(word: str) -> str:
    """Say which unit of knowledge was probably meant by a word that people type for one."""
    folded = _squeezed(word.translate(_SAME)).casefold()
    meant = {candidate.name: candidate.kind for candidate in _FOLDED.get(folded, {}).values()}
    for name, kind in meant.items():
        if kind == _BARE:
            return _either_reference(name)
    if len(meant) > 1:
        return f"Write {' or '.join(sorted(meant))}."
    return nearest(next(iter(meant), word), KNOWN)


def parse(text: str, unit: str) -> float:
    """Return a typed quantity in `unit`; a number alone is in `unit` already.

    Raises NotAQuantity with a sentence for the person who typed, and UnknownUnit for a bad `unit`.
    """
    wanted = _named(unit)
    tidied = _tidied(text, wanted)
    return float(sum((_in_unit(part, tidied, wanted) for part in _parts(tidied, wanted)), Fraction()))


def convert(value: float, source: str, target: str) -> float:
    """Convert a number from `source` to `target`; raises `NotAQuantity` if they are of different kinds."""
    given, wanted = _named(source), _named(target)
    typed = _with_unit(_digits(value, 6), given.name)
    exact = Fraction(float(value))
    if given.kind != wanted.kind:
        raise _other_kind(exact, given, typed, wanted)
    try:
        return float(_converted(exact, given, wanted))
    except OverflowError:
        raise NotAQuantity(f"'{typed}' is too large.", f"Write for example {wanted.example}.") from None


def show(value: float, unit: str, digits: int = 3) -> str:
    """Format a quantity with significant `digits`, without trailing zeros: "430 mA", "−3 °C"."""
    return _with_unit(_digits(value, digits), _named(unit).name)


def preferred(unit: str, preferences: Mapping[str, str]) -> str:
    """Return the unit in which this person prefers a reading that is in `unit`.

    Keys and values are those of PREFERENCES; others, as a newer program may have left them, count for
    nothing. Small pressures stay in mbar or Pa; raises UnknownUnit for a bad `unit`.
    """
    known = {what: choice for what, choice in preferences.items() if choice in PREFERENCES.get(what, ())}
    named = _named(unit)
    if named.kind.startswith("temperature") and "temperature" in known:
        fahrenheit = known["temperature"] == "°F"
        if named.kind == "temperature":
            return "°F" if fahrenheit else "°C"
        return "Δ°F" if fahrenheit else "K"
    word, _, against = named.name.partition(" ")
    if against and word != "mbar" and "pressure" in known:
        return f"{known['pressure']} {against}"
    return named.name


# What is known of units


def _either_reference(bare: str) -> str:
    return f"Write '{bare} g' for gauge pressure or '{bare} abs' for absolute pressure."


def _named(unit: str) -> _Unit:
    """Return the unit of a name that knowledge uses."""
    named = _UNITS.get(unit) or _UNITS.get(unit.translate(_SAME))
    if named and named.kind != _BARE:
        return named
    if named:
        raise UnknownUnit(
            f"The unit '{unit}' does not say what the pressure is measured against.",
            _either_reference(unit),
        )
    raise UnknownUnit(f"The unit '{_shortened(unit)}' is not known.", nearest_unit(unit))


def _typed_unit(word: str, said: str, wanted: _Unit) -> _Unit:
    """Return the unit that somebody typed, ignoring case if that is unambiguous."""
    squeezed = _squeezed(word)
    if squeezed in _EXACT:
        return _EXACT[squeezed]
    candidates = _FOLDED.get(squeezed.casefold(), {})
    if any(_case_matters(spelling, unit) for spelling, unit in candidates.items()):
        candidates = {
            spelling: unit for spelling, unit in candidates.items() if squeezed[0] == spelling[0] == "m"
        }
        if not candidates:
            names = {unit.name for unit in _FOLDED[squeezed.casefold()].values()}
            raise NotAQuantity(
                f"In '{said}' it matters whether M is small (a thousandth) or capital (a million).",
                f"Write {_listed(sorted(names))}.",
            )
    kilo = squeezed == "k" and wanted.kind != "temperature difference"
    if candidates and not kilo:
        return next(iter(candidates.values()))
    if wanted.name in _NAMELESS:
        raise NotAQuantity(
            f"'{word}' is no unit that is known here.",
            f"Write the number alone, for example {wanted.example}.",
        )
    units = [name for name in KNOWN if _UNITS[name].kind == wanted.kind]
    raise NotAQuantity(
        f"'{word}' is no unit that is known here.",
        f"Write {_a(wanted.kind)} in {_listed(units)}, for example {wanted.example}.",
    )


def _case_matters(spelling: str, unit: _Unit) -> bool:
    """Return whether the spelling begins with an abbreviated milli or mega."""
    prefixed = unit.in_pint.startswith(("milli", "mega")) and spelling[0] in "mM"
    return prefixed and not spelling.startswith(("milli", "meg"))


# Reading what was typed

_SAME = str.maketrans({
    **dict.fromkeys("−–‐‑－", "-"),
    **dict.fromkeys("’ʼ", "'"),
    **dict.fromkeys("º˚", "°"),
    "\u03bc": "µ",
    "\u2126": "Ω",
    "\u212a": "K",
    "\u2206": "Δ",
    "℃": "°C",
    "℉": "°F",
})  # fmt: skip
_APPROXIMATELY = re.compile(r"(?:[≈~]|(?:about|approx\.?|ca\.?|circa) ) ?", re.IGNORECASE)
_TYPED = re.compile(
    r"(?P<sign>[+-]?) ?(?P<number>[0-9.,](?:[0-9.,' ]*[0-9.,])?)(?P<power>[eE][+-]?[0-9]{1,2})?"
    r" ?(?P<unit>.*)",
    re.DOTALL,
)
_PLAIN = re.compile(r"[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+")
_EITHER = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")
_GROUPED = re.compile(
    r"""[0-9]{1,3} (?: (?:[ ][0-9]{3})+ (?:[.,][0-9]+)?
                     | (?:'[0-9]{3})+ (?:[.,][0-9]+)?
                     | (?:,[0-9]{3})+ \.[0-9]+ | (?:,[0-9]{3}){2,}
                     | (?:\.[0-9]{3})+ ,[0-9]+ | (?:\.[0-9]{3}){2,} )""",
    re.VERBOSE,
)
_CLOCK = re.compile(r"([0-9]{1,2}):([0-9]{2})")
_OVER_RANGE = ("ol", "o.l", "o.l.", "overload")
_MOST_BELOW = {"d": 0, "h": 24, "min": 60, "s": 60}
"""The units of "1 h 20 min" in order, each with how many make one of the unit before."""

_Part = tuple[Fraction, _Unit]


def _tidied(text: str, wanted: _Unit) -> str:
    """Return the typed text with spaces and signs normalised, without "about"."""
    tidied = " ".join(text.split()).translate(_SAME)
    if not tidied:
        raise NotAQuantity("Nothing was typed.", f"Write for example {wanted.example}.")
    if len(tidied) > LONGEST or not tidied.isprintable():
        raise NotAQuantity(
            f"'{_shortened(tidied)}' is too long or too strange for a quantity.",
            f"Write for example {wanted.example}.",
        )
    if any(letter.isdecimal() and not letter.isascii() for letter in tidied):
        raise NotAQuantity(
            f"'{tidied}' has digits other than 0 to 9.", f"Write for example {wanted.example}."
        )
    if tidied.casefold() in _OVER_RANGE:
        raise NotAQuantity(
            f"'{tidied}' means more than the meter can show in this range.",
            f"Choose a higher range and write what it shows, for example {wanted.example}.",
        )
    return tidied[about.end() :] if (about := _APPROXIMATELY.match(tidied)) else tidied


def _parts(said: str, wanted: _Unit) -> list[_Part]:
    """Return the number and its unit; several of them for a time such as "1 h 20 min"."""
    match = _TYPED.fullmatch(said)
    if not match:
        raise NotAQuantity(
            f"'{said}' does not begin with a number.",
            f"Write the number, then the unit, for example {wanted.example}.",
        )
    sign = -1 if match["sign"] == "-" else 1
    word = match["unit"]
    if any(digit in word for digit in "0123456789") and _squeezed(word) not in _EXACT:
        parts = _duration(said[match.start("number") :])
        if parts is None:
            raise _not_one(said, wanted)
    else:
        number = _plain_number(match["number"], said, wanted)
        unit = _typed_unit(word, said, wanted) if word else wanted
        parts = [(Fraction(number + (match["power"] or "")), unit)]
    return [(sign * amount, unit) for amount, unit in parts]


def _plain_number(number: str, said: str, wanted: _Unit) -> str:
    """Return a number with a decimal point and no thousands separators."""
    if _EITHER.fullmatch(number):
        decimal, thousands = (said.replace(",", mark) for mark in (".", ""))
        raise NotAQuantity(
            f"The comma in '{said}' can mark decimals or thousands.",
            f"Write {decimal} or {thousands}.",
        )
    if _GROUPED.fullmatch(number):
        mark = next(letter for letter in number if not letter.isdigit())
        number = number.replace(mark, "")
    elif not _PLAIN.fullmatch(number):
        raise _not_one(said, wanted)
    return number.replace(",", ".")


def _duration(said: str) -> list[_Part] | None:
    """Return the parts of a time such as "1h20" or "2 min 30 s", larger units first; else None."""
    tokens = re.findall(r"[0-9.,]+|[^0-9., ]+", said.lower())
    order = list(_MOST_BELOW)
    parts: list[_Part] = []
    for number, word in zip_longest(tokens[::2], tokens[1::2], fillvalue=""):
        before = parts[-1] if parts else None
        if before and word in ("", "m") and before[1].name == "h":
            name = "min"
        elif before and not word and before[1].name == "min":
            name = "s"
        else:
            name = _EXACT[word].name if word in _EXACT else ""
        if name not in order or not _PLAIN.fullmatch(number):
            return None
        amount = Fraction(number.replace(",", "."))
        if before and (
            order.index(name) <= order.index(before[1].name)
            or amount >= _MOST_BELOW[name]
            or before[0].denominator > 1
        ):
            return None
        parts.append((amount, _UNITS[name]))
    return parts


# Converting


@cache
def _registry() -> pint.UnitRegistry[Fraction]:
    """Return pint's units with exact factors; imported here, because most entries do not need it."""
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)


@cache
def _line(source: str, target: str) -> tuple[Fraction, Fraction]:
    """Return the factor and the offset from one pint unit to another."""
    registry = _registry()
    zero, one = (Fraction(registry.Quantity(Fraction(at), source).to(target).magnitude) for at in (0, 1))
    return one - zero, zero


def _converted(amount: Fraction, given: _Unit, wanted: _Unit) -> Fraction:
    """Return the amount in another unit of the same physical dimension."""
    if given.in_pint == wanted.in_pint:
        return amount
    factor, offset = _line(given.in_pint, wanted.in_pint)
    return amount * factor + offset


def _in_unit(part: _Part, said: str, wanted: _Unit) -> Fraction:
    """Return a typed part in the wanted unit; a bare pressure counts as gauge or difference as wanted."""
    amount, given = part
    bare = given.kind in (_BARE, "pressure difference")
    if given.kind != wanted.kind and not (bare and wanted.kind in ("gauge pressure", "pressure difference")):
        raise _other_kind(amount, given, said, wanted)
    return _converted(amount, given, wanted)


# Sentences


def _other_kind(amount: Fraction, given: _Unit, said: str, wanted: _Unit) -> NotAQuantity:
    """Return why a quantity of one kind is not taken for another, and how to convert it."""
    what = f"'{said}' is {_a(given.kind)}."
    kinds = (given.kind, wanted.kind)
    if kinds == ("temperature", "temperature difference"):
        difference = _UNITS["Δ°F" if given.name == "°F" else "K"]
        kelvin = _digits(float(_converted(amount, difference, _UNITS["K"])), 6)
        typed = f"{_digits(float(amount), 6)} {given.name}"
        instead = (
            "This reading is a difference of two temperatures; "
            f"write it in K ({typed} difference = {kelvin} K)."
        )
    elif kinds == ("absolute pressure", "gauge pressure"):
        instead = (
            f"A gauge pressure is wanted, which is lower by {_AMBIENT}; "
            f"write what the gauge shows, for example {wanted.example}."
        )
    elif kinds == ("gauge pressure", "absolute pressure"):
        instead = (
            f"An absolute pressure is wanted, which is higher by {_AMBIENT}; "
            f"write for example {wanted.example}."
        )
    elif wanted.kind == "absolute pressure" and given.kind in (_BARE, "pressure difference"):
        what = f"'{said}' does not say that it is absolute."
        instead = f"Write {said} abs if it is; to what a gauge shows, first add {_AMBIENT}."
    elif kinds == ("level difference", "sound level"):
        what = f"'{said}' does not say the weighting."
        instead = f"Write {wanted.example} if the meter is set to A, or set it so."
    else:
        instead = f"{_a(wanted.kind).capitalize()} is wanted, for example {wanted.example}."
    return NotAQuantity(what, instead)


def _not_one(said: str, wanted: _Unit) -> NotAQuantity:
    """Return why a text with digits is not understood, and how a clock time would be written."""
    if wanted.kind == "time" and (clock := _CLOCK.fullmatch(said)):
        first, second = int(clock[1]), int(clock[2])
        return NotAQuantity(
            f"'{said}' can mean hours and minutes or minutes and seconds.",
            f"Write {first} h {second} min or {first} min {second} s.",
        )
    return NotAQuantity(f"'{said}' is not one number with one unit.", f"Write for example {wanted.example}.")


def _digits(value: float, digits: int) -> str:
    """Format a number with significant digits, halves away from zero, and a real minus sign."""
    exact = Decimal(repr(float(value)))
    if not exact.is_finite():
        raise NotAQuantity(f"{value} is not a finite number.", "Give a finite one.")
    short = Context(prec=digits, rounding=ROUND_HALF_UP).plus(exact).normalize()
    if not short:
        return "0"
    usual = Decimal("1e-4") <= abs(short) <= Decimal("1e7")
    return (f"{short:f}" if usual else f"{short:e}".replace("e+", "e")).replace("-", "−")


def _with_unit(number: str, name: str) -> str:
    """Return a number and the name of its unit, as people write them."""
    if name in _NAMELESS:
        return number
    return f"{number} miles" if name == "mile" and number != "1" else f"{number} {name}"


def _a(kind: str) -> str:
    """Return a kind with its article."""
    words = "plain number" if kind == "count" else kind
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def _listed(words: Sequence[str]) -> str:
    """Join words as "a, b or c"."""
    return " or ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _shortened(text: str, most: int = 40) -> str:
    """Return a text safe to quote in a sentence, however long or strange it is."""
    printable = "".join(letter if letter.isprintable() else "�" for letter in text[:most])
    return printable + ("…" if len(text) > most else "")
