"""Options that commands share, and the values they stand for.

Each command is imported only when it runs, and imports what it needs inside its functions, so that help
comes at once: textual and pgmpy take seconds to import.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from advisor.cli.errors import fail, refuse, refuse_unknown, there_is_no
from advisor.cli.output import say

if TYPE_CHECKING:
    from advisor.advice.engines import Engines
    from advisor.case.case import Case
    from advisor.inference.engine import Engine, InferenceEngine
    from advisor.knowledge.knowledge import Knowledge
    from advisor.policy import Policy

_Engine = TypeVar("_Engine", bound="InferenceEngine")


def shipped(folder: str) -> Path:
    """Return the folder of shipped knowledge or scenarios: in the package, or beside it in a checkout."""
    package = Path(__file__).parent.parent
    inside = package / "shipped" / folder
    return from_here(inside if inside.is_dir() else package.parent / folder)


def from_here(path: Path) -> Path:
    """Return a path relative to the current folder if it lies below it, else the absolute path."""
    path, here = path.resolve(), Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path


class Pair(click.ParamType[tuple[str, str]]):
    """A pair written ID=VALUE."""

    name = "ID=VALUE"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Split at the first equals sign and strip spaces."""
        if isinstance(value, tuple):
            return value
        left, equals, right = str(value).partition("=")
        if not equals or not left or not right:
            self.fail(
                f"'{value}' is not of the form ID=VALUE. Write for example battery_type=agm.", param, ctx
            )
        return left.strip(), right.strip()


class NumberRange(click.FloatRange):
    """A number within a range; unlike click's own type, it refuses nan and infinity."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number if it is finite and in the range."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is not a finite number. Write a finite one.", param, ctx)
        return number


knowledge_option = click.option(
    "--knowledge",
    "paths",
    type=click.Path(path_type=Path),
    multiple=True,
    help="A YAML file or a folder of them; may be repeated. Default: the shipped knowledge.",
)
complaint_option = click.option("--complaint", required=True, metavar="ID", help="The complaint's id.")
store_option = click.option(
    "--store",
    metavar="URL",
    help="The database of cases, such as sqlite:///cases.sqlite or postgresql+psycopg://user@host/cases. "
    "Default: a SQLite file in your data folder.",
)
output_option = click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The file to write. Default: standard output.",
)
facts_option = click.option(
    "--fact",
    "facts",
    type=Pair(),
    multiple=True,
    help="A known fact of the vehicle; of two values for one fact the last counts.",
)
number_argument = click.argument("number", metavar="CASE", type=click.IntRange(1, 2**31 - 1))
any_number_argument = click.argument("number", metavar="CASE", type=click.IntRange(0, 2**31 - 1))
without_option = click.option(
    "--without", multiple=True, metavar="INSTRUMENT", help="A missing instrument; may be repeated."
)
workshop_option = click.option(
    "--workshop",
    type=click.Path(path_type=Path),
    help="A file with the workshop's own values; `advisor policy` shows them all. "
    "Default: workshop.toml in your data folder, if there is one.",
)


def policy_of(workshop: Path | None) -> Policy:
    """Return the workshop's policy from this file or the usual one; may raise `ProblemsFound`."""
    from advisor.knowledge.workshop_file import read_policy, usual_file

    return read_policy(workshop or usual_file())


def checked(paths: Iterable[Path]) -> Knowledge:
    """Return the knowledge in these files and folders, or the shipped one; may raise `ProblemsFound`."""
    from advisor import diskcache as cache
    from advisor.checks import lint

    meant = list(paths) or [shipped("knowledge")]
    tell_of_changes(meant)
    return lint.checked(meant, cache.of_this_user())


def tell_of_changes(paths: Iterable[Path]) -> None:
    """Finish or undo an interrupted change of these files, and say so on standard error."""
    from advisor.knowledge.loading import settled

    for line in settled(paths):
        say(line, err=True)


def for_screens(paths: Iterable[Path]) -> list[Path]:
    """Return the files and folders for the screens to read, by default the shipped ones."""
    from advisor.knowledge.problems import ProblemsFound

    meant = list(paths) or [shipped("knowledge")]
    with suppress(ProblemsFound):  # the screens show these problems themselves
        tell_of_changes(meant)
    return meant


def engines_of(knowledge: Knowledge, by_phone: bool = False) -> Engines:
    """Return the engines of this knowledge, with this user's cache of compiled ones."""
    from advisor import diskcache as cache
    from advisor.advice.engines import Engines

    return Engines(knowledge, by_phone, cache.of_this_user())


def engine_of(knowledge: Knowledge, complaint: str, by_phone: bool = False) -> Engine:
    """Return the exact engine of a complaint; exit if the complaint is unknown or too wide for it."""
    return _found(knowledge, complaint, engines_of(knowledge, by_phone).one)


def reasoner_of(knowledge: Knowledge, complaint: str) -> InferenceEngine:
    """Return the exact or bounded engine of a complaint; exit if it is unknown or too wide for both."""
    return _found(knowledge, complaint, engines_of(knowledge).of)


def _found(knowledge: Knowledge, complaint: str, find: Callable[[Case], _Engine]) -> _Engine:
    from advisor.case.case import Case
    from advisor.inference.engine import TooWide

    refuse_unknown("complaint", [complaint], knowledge.complaints)
    try:
        return find(Case(complaint))
    except TooWide as error:
        section = "readings" if error.node in knowledge.readings else "states"
        fail([f"{knowledge.place(section, error.node)}: too-wide: {error}"], 1)


def case_of(
    knowledge: Knowledge,
    complaint: str,
    facts: tuple[tuple[str, str], ...],
    saw: tuple[tuple[str, str], ...],
    without: tuple[str, ...],
) -> Case:
    """Return a case of this complaint with these facts and outcomes; exit if an id is unknown."""
    from advisor.case.case import Case
    from advisor.case.entries import Seen
    from advisor.case.typed import NotUnderstood, direct, known_with

    refuse_unknown("complaint", [complaint], knowledge.complaints)
    case, problems = Case(complaint), []
    for fact, value in facts:
        if fact not in knowledge.facts:
            problems.append(there_is_no("vehicle fact", fact, knowledge.facts))
        elif value not in knowledge.facts[fact].values:
            problems.append(there_is_no(f"value of {fact}", value, knowledge.facts[fact].values))
        for one in known_with(knowledge, case.facts, fact, value):
            case = case.with_entry(one)
    for reading, outcome in saw:
        if reading not in knowledge.readings:
            problems.append(there_is_no("reading", reading, knowledge.readings))
        elif outcome in knowledge.readings[reading].answers:
            case = case.with_entry(Seen(reading, outcome))
        elif knowledge.readings[reading].quantity and any(letter.isdigit() for letter in outcome):
            at_hand = [
                instrument
                for instrument in knowledge.readings[reading].instrument
                if instrument not in without
            ]
            try:
                case = case.with_entry(direct(knowledge, reading, outcome, at_hand[0] if at_hand else ""))
            except NotUnderstood as error:
                problems.append(f"{reading}: {error}")
        else:
            problems.append(
                there_is_no(f"outcome of {reading}", outcome, knowledge.readings[reading].answers)
            )
    refuse(problems)
    return case
