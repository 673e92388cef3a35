"""Options that commands share, and the values they stand for.

Each command is imported only when it runs, and imports what it needs inside its functions, so that help
comes at once: textual and pgmpy take seconds to import.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource

from advisor.cli.errors import fail, refuse, refuse_unknown, there_is_no
from advisor.cli.output import say

if TYPE_CHECKING:
    from advisor.advice.engines import Engines
    from advisor.advice.rules import Workshop
    from advisor.case.case import Case
    from advisor.inference.engine import Engine, InferenceEngine
    from advisor.knowledge.knowledge import Knowledge
    from advisor.policy import Policy
    from advisor.settings import Settings, Source, Value

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


WORKSHOP = "ADVISOR_WORKSHOP"
"""The variable that names the workshop's file, where --workshop does not."""
FLAGS = {"store": "store", "paths": "knowledge", "without": "missing_instruments"}
"""The choices that have a flag, by the name of the parameter."""


def chosen() -> tuple[Settings, Mapping[str, Source]]:
    """Return all that the workshop chooses for the command that runs, and where each choice comes from.

    May raise `ProblemsFound`.
    """
    return _settled(
        {
            FLAGS[parameter]: tuple(map(str, value)) if isinstance(value, tuple) else value
            for parameter, value in flags().items()
        }
    )


def flags() -> dict[str, Any]:
    """Return what was chosen by a flag of the command that runs, by the name of the parameter."""
    context = click.get_current_context()
    return {
        parameter: context.params[parameter]
        for parameter in FLAGS
        if context.get_parameter_source(parameter) is ParameterSource.COMMANDLINE
    }


def _settled(by_flag: Mapping[str, Value]) -> tuple[Settings, Mapping[str, Source]]:
    from advisor.knowledge.workshop_file import read_file
    from advisor.settings import Refused, settled

    try:
        return settled(by_flag, os.environ, read_file(workshop_file()).choices)
    except Refused as error:
        raise click.UsageError("\n".join(error.lines)) from error


def workshop_file(named: Path | None = None) -> Path | None:
    """Return the file that is named here, on the command line or by the environment, or the usual one."""
    from advisor.knowledge.workshop_file import usual_file

    by_flag = named or click.get_current_context().params.get("workshop")
    if isinstance(by_flag, Path):  # while click still reads the line it may be a mark of its own
        return by_flag
    by_variable = os.environ.get(WORKSHOP)
    return Path(by_variable) if by_variable else usual_file()


def _usual(name: str) -> Callable[[], Value | None]:
    """Return what finds a choice that no flag makes: click asks for it only then."""
    return lambda: _settled({})[0].values[name] or None


knowledge_option = click.option(
    "--knowledge",
    "paths",
    type=click.Path(path_type=Path),
    multiple=True,
    default=_usual("knowledge"),
    help="A YAML file or a folder of them; may be repeated. Default: the workshop's, or the "
    "shipped knowledge.",
)
complaint_option = click.option("--complaint", required=True, metavar="ID", help="The complaint's id.")
store_option = click.option(
    "--store",
    metavar="URL",
    default=_usual("store"),
    help="The database of cases, such as sqlite:///cases.sqlite or postgresql+psycopg://user@host/cases. "
    "Default: the workshop's, or a SQLite file in your data folder.",
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
    "--without",
    multiple=True,
    metavar="INSTRUMENT",
    default=_usual("missing_instruments"),
    help="A missing instrument; may be repeated. Default: the workshop's.",
)
workshop_option = click.option(
    "--workshop",
    type=click.Path(path_type=Path),
    is_eager=True,
    help="The file with the workshop's own choices; `advisor settings` shows them all. "
    "Default: ADVISOR_WORKSHOP, or workshop.toml in your data folder, if there is one.",
)


def policy_of(workshop: Path | None) -> Policy:
    """Return the workshop's policy from this file or the usual one; may raise `ProblemsFound`."""
    from advisor.knowledge.workshop_file import read_policy

    return read_policy(workshop_file(workshop))


def remembers(workshop: Path | None) -> Callable[[str, str], None]:
    """Return what writes a choice made on the screens into the workshop's file."""
    from advisor.knowledge.workshop_file import place, remember

    file = workshop_file(workshop) or place()
    return lambda name, value: remember(file, name, value)


def begin_log(command: str) -> None:
    """Write down from here on what happens, and say where that cannot be."""
    from importlib.metadata import version

    from advisor import logfile

    if no_log := logfile.begin(command, version("advisor")):
        say(no_log, err=True)


def at_hand(knowledge: Knowledge, without: Iterable[str]) -> Workshop:
    """Return the instruments and people of the workshop; exit if one is unknown."""
    from advisor.advice.rules import workshop_of

    without = tuple(without)
    refuse_unknown("instrument", without, knowledge.instruments)
    try:
        return workshop_of(knowledge, without, chosen()[0].people)
    except ValueError as error:
        fail([str(error)], 2)


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
