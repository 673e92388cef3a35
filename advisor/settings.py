"""What a workshop chooses besides the figures of its policy: where things are, what it has, how screens look.

A choice comes from a flag, else from the environment, else from the workshop's file, else it is the default.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any, Literal

from advisor import opendays

Source = Literal["flag", "environment", "file", "default"]
Value = str | bool | int | tuple[str, ...]

UNITS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"temperature": ("°C", "°F"), "pressure": ("bar", "psi", "kPa")}
)
"""What a person may prefer to see, by kind of quantity."""
YES, NO = ("1", "true", "yes", "on"), ("0", "false", "no", "off")
"""What the environment may say for a choice that is on or off."""
HIDDEN = "***"
"""What stands in place of a password."""
_PLAIN_URL = re.compile(
    r"(?P<scheme>[a-z0-9+]+://)(?:(?P<user>[^:@/?#]*)(?P<password>:[^@/?#]*)?@)?"
    r"(?P<rest>(?:\[[0-9a-fA-F:.]*\]|[^@?#:/]*)(?::\d+)?(?:/[^@?#:]*)?)(?P<query>\?[^@]*)?",
    re.IGNORECASE,
)

WHERE, KEPT, HAS = "Where things are", "How long jobs are kept", "What is at hand"
SCREENS, PAPERS = "The screens", "The papers"
LONGEST_KEPT = 240
"""The most months that jobs can be said to be kept."""
OPEN = "When the workshop is open"


@dataclass(frozen=True)
class Choice:
    """What is said of one choice: its heading, what it changes, an example, and the only values it takes."""

    heading: str
    changes: str
    example: Value
    takes: tuple[str, ...] = ()
    flag: str = ""
    refuses: Callable[[Iterable[str]], str] | None = None
    """Returns what would be right instead of a list of texts, or "" if it is accepted."""

    def refusal(self, value: object) -> str:
        """Return what would be right instead of a value, or "" if it is accepted."""
        if isinstance(self.example, bool):
            return "" if isinstance(value, bool) else "Write true or false."
        if isinstance(self.example, int):
            number = isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= LONGEST_KEPT
            return "" if number else f"Write a whole number from 0 to {LONGEST_KEPT}."
        if isinstance(self.example, tuple):
            if not isinstance(value, list | tuple) or not all(isinstance(one, str) and one for one in value):
                return f"Write a list of texts, such as {in_toml(self.example)}."
            return self.refuses(value) if self.refuses else ""
        if self.takes:
            words = " or ".join(in_toml(one) for one in self.takes)
            return "" if value in self.takes else f"Write {words}."
        text = isinstance(value, str) and value and value.isprintable()
        return "" if text else f"Write a text in one line, such as {in_toml(self.example)}."


CHOICES: Mapping[str, Choice] = MappingProxyType(
    {
        "store": Choice(
            WHERE,
            "The database of cases. Without it they are in a SQLite file in your data folder. Leave "
            "the password to PGPASSWORD or a .pgpass file.",
            "postgresql+psycopg://user@host/cases",
            flag="--store",
        ),
        "knowledge": Choice(
            WHERE,
            "The files and folders of knowledge; the shipped ones without it. A path that is not absolute "
            "starts at the folder of this file.",
            ("knowledge",),
            flag="--knowledge",
        ),
        "keep_months": Choice(
            KEPT,
            "So many months after its last entry a job that is closed or cancelled, or a call after which no "
            "car came, is erased for good, words and tag and all, and learning no longer counts it. It is "
            "announced 14 days before; `advisor case retention` lists what is due. 0 keeps all. Set it "
            "alike wherever a store is shared.",
            36,
        ),
        "missing_instruments": Choice(
            HAS,
            "Instruments the workshop lacks, by their ids: readings that need them are left out.",
            ("thermal_camera",),
            flag="--without",
        ),
        "people": Choice(
            HAS,
            "Who is there to take readings besides the customer; everybody without it. What only others may "
            "do is left out.",
            ("technician", "certified"),
        ),
        "closed_days": Choice(
            OPEN,
            "When no car is taken in: weekdays, dates, and dates from one to another. The desk books none of "
            "these days and names the next open one.",
            ("Sunday", "2030-12-24 to 2031-01-01"),
            refuses=opendays.refusal,
        ),
        "temperature_unit": Choice(
            SCREENS, "The unit of temperatures until somebody chooses with key n.", "°C", UNITS["temperature"]
        ),
        "pressure_unit": Choice(
            SCREENS, "The unit of pressures until somebody chooses with key n.", "bar", UNITS["pressure"]
        ),
        "theme": Choice(
            SCREENS,
            "The colours the screens start with. F2 switches them, and in a terminal writes this line.",
            "dark",
            ("dark", "light"),
        ),
        "reduced_motion": Choice(SCREENS, "Nothing on the screens slides or fades.", True),
        "guess_first": Choice(
            SCREENS,
            "For learners: the bench hides what it suspects until somebody has put down a guess of their own "
            "(key l). The command track says how often guesses were right.",
            True,
        ),
        "workshop_name": Choice(
            PAPERS, "Stands at the end of the customer's page and of the booking sheet.", "Our workshop"
        ),
        "workshop_address": Choice(
            PAPERS, "Stands there after the name.", "1 Example Street, telephone 555 0100"
        ),
    }
)
"""Every choice by its name in the file; the fields of `Settings`."""


@dataclass(frozen=True)
class Settings:
    """The choices of a workshop; empty where nothing is chosen."""

    store: str = ""
    knowledge: tuple[str, ...] = ()
    keep_months: int = 0
    missing_instruments: tuple[str, ...] = ()
    people: tuple[str, ...] = ()
    closed_days: tuple[str, ...] = ()
    temperature_unit: str = ""
    pressure_unit: str = ""
    theme: str = "dark"
    reduced_motion: bool = False
    guess_first: bool = False
    workshop_name: str = ""
    workshop_address: str = ""

    @property
    def values(self) -> Mapping[str, Value]:
        """Return every choice by name, in the order of the fields."""
        return {one.name: getattr(self, one.name) for one in fields(self)}

    @property
    def units(self) -> Mapping[str, str]:
        """Return the chosen units by kind of quantity."""
        said = {"temperature": self.temperature_unit, "pressure": self.pressure_unit}
        return {kind: unit for kind, unit in said.items() if unit}

    @property
    def closed(self) -> opendays.ClosedDays:
        """Return the days on which no car is taken in."""
        return opendays.ClosedDays.of(self.closed_days)

    @property
    def letterhead(self) -> str:
        """Return name and address in one line, or ""."""
        return ", ".join(filter(None, (self.workshop_name, self.workshop_address)))


class Refused(ValueError):
    """Variables of the environment say what will not do; one sentence for each in `lines`."""

    def __init__(self, lines: Iterable[str]) -> None:
        self.lines = list(lines)
        super().__init__(" ".join(self.lines))


def variable(name: str) -> str:
    """Return the name of a choice in the environment."""
    return f"ADVISOR_{name.upper()}"


def settled(
    flags: Mapping[str, Value], environment: Mapping[str, str], file: Mapping[str, Value]
) -> tuple[Settings, Mapping[str, Source]]:
    """Return what applies, and where each choice comes from: the first of flag, environment and file.

    The environment holds variables by their own names, of which an empty one says nothing. Raises `Refused`.
    """
    said: list[tuple[Source, Mapping[str, Value]]] = [
        ("flag", flags),
        ("environment", _of_environment(environment)),
        ("file", file),
    ]
    values: dict[str, Any] = {}
    sources: dict[str, Source] = dict.fromkeys(CHOICES, "default")
    for source, given in reversed(said):
        values |= given
        sources |= dict.fromkeys(given, source)
    return Settings(**values), sources


def _of_environment(environment: Mapping[str, str]) -> Mapping[str, Value]:
    values: dict[str, Value] = {}
    wrong = []
    for name, choice in CHOICES.items():
        text = environment.get(variable(name), "").strip()
        if not text:
            continue
        value: Value = text
        if isinstance(choice.example, bool) and text.casefold() in YES + NO:
            value = text.casefold() in YES
        elif isinstance(choice.example, int) and text.isdecimal():
            value = int(text)
        elif isinstance(choice.example, tuple):
            value = tuple(part.strip() for part in text.split(",") if part.strip())
        if words := choice.refusal(value):
            shown = without_password(text) if name == "store" else text
            wrong.append(f"{variable(name)} in the environment cannot be '{shown}'. {words}")
        values[name] = value
    if wrong:
        raise Refused(wrong)
    return values


def without_password(url: str) -> str:
    """Return the URL of a database without its password and parameters; of an odd one only the kind."""
    if url.startswith("sqlite:///"):
        return url.partition("?")[0]
    found = _PLAIN_URL.fullmatch(url)
    if found is None:
        scheme, parts, _ = url.partition("://")
        return f"{scheme}://{HIDDEN}" if parts and scheme.replace("+", "").isalnum() else HIDDEN
    user, password, query = found["user"], found["password"], found["query"]
    who = "" if user is None else f"{user}{f':{HIDDEN}' if password else ''}@"
    return f"{found['scheme']}{who}{found['rest']}{f'?{HIDDEN}' if query else ''}"


def kind_of_store(url: str) -> str:
    """Return only what kind of database a URL names, such as "postgresql"."""
    kind = re.match(r"[a-z0-9]+", url, re.IGNORECASE)
    return kind[0].casefold() if kind else "unknown"


def in_toml(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(in_toml, value))}]"
    if isinstance(value, str):
        said = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{said}"'
    return repr(value)
