"""The commands. Exit codes: 0 fine, 1 problems in knowledge or evidence, 2 wrong use, 3 disk or database."""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn, TypeVar

import click

if TYPE_CHECKING:
    from advisor.case import Case, Entry
    from advisor.engine import Engine
    from advisor.knowledge import Knowledge
    from advisor.network import Network
    from advisor.simulation import Played, Scenario
    from advisor.store import Filed, Store

DEMO = "drain/01_boot_lamp.yaml"
WATCHED_EVERY_SECONDS = 0.5
NEWEST = 8
"""So many open jobs are listed where the one asked for does not exist."""

_Found = TypeVar("_Found")

# pgmpy and textual take seconds to import: each command imports what it needs when it runs.


def shipped(folder: str) -> Path:
    """The knowledge or scenarios that come along: inside the package, or beside it in a checkout."""
    here = Path(__file__).parent
    inside = here / "shipped" / folder
    return inside if inside.is_dir() else here.parent / folder


def main() -> NoReturn:
    """Run the program; every expected failure ends in a message and an exit code."""
    from advisor.problems import ProblemsFound

    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A stream with few letters shows bars and arrows as question marks, and goes on.
            stream.reconfigure(errors="replace")
    try:
        commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        _fail(["Stopped."], 1)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.exceptions.Exit as leaving:
        sys.exit(leaving.exit_code)
    except ProblemsFound as error:
        _fail([str(problem) for problem in error.problems], 1)
    except BrokenPipeError:
        # Whoever read our output has gone: nothing to say, and nothing more to flush.
        sys.stdout = None
        sys.exit(0)
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        _fail([f"The disk or a file does not let me: {error.strerror or error}{where}."], 3)
    sys.exit(0)


def _fail(lines: Iterable[str], code: int) -> NoReturn:
    for line in lines:
        click.echo(line, err=True)
    sys.exit(code)


class _Pair(click.ParamType[tuple[str, str]]):
    name = "ID=VALUE"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        if isinstance(value, tuple):
            return value
        left, equals, right = str(value).partition("=")
        if not equals or not left or not right:
            self.fail(f"'{value}' is not of the form ID=VALUE.", param, ctx)
        return left.strip(), right.strip()


_knowledge = click.option(
    "--knowledge",
    "paths",
    type=click.Path(path_type=Path),
    multiple=True,
    help="A YAML file or a folder of them; may be repeated. Default: the shipped knowledge.",
)
_complaint = click.option("--complaint", required=True, metavar="ID", help="The complaint's id.")
_store = click.option(
    "--store",
    metavar="URL",
    help="The database of cases, such as sqlite:///cases.sqlite or postgresql+psycopg://user@host/cases. "
    "Default: a SQLite file in your data folder.",
)
_output = click.option(
    "--output", type=click.Path(path_type=Path, dir_okay=False), help="Default: standard output."
)
_facts = click.option(
    "--fact",
    "facts",
    type=_Pair(),
    multiple=True,
    help="What is known of the vehicle; the last on a fact counts.",
)
_number = click.argument("number", metavar="CASE", type=click.IntRange(1, 2**31 - 1))
_without = click.option(
    "--without", multiple=True, metavar="INSTRUMENT", help="An instrument that is missing."
)


@click.group(invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.pass_context
def commands(context: click.Context) -> None:
    """Find the cause of a car's complaint by the readings that tell most.

    Without a command the screens open; where there is no terminal, a shipped scenario is played as text.
    """
    if context.invoked_subcommand is None:
        context.invoke(bench if sys.stdin.isatty() and sys.stdout.isatty() else demo)


@commands.command()
@_knowledge
@_without
@_store
def bench(paths: tuple[Path, ...], without: tuple[str, ...], store: str | None) -> None:
    """Open the technician's screens."""
    served = "TEXTUAL_DRIVER" in os.environ
    if not served and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise click.UsageError("The screens need a terminal. `advisor demo` tells a case as text.")
    from advisor.screens.app import AdvisorApp

    app = AdvisorApp(list(paths) or [shipped("knowledge")], frozenset(without), store)
    app.run()
    sys.exit(app.return_code or 0)


@commands.command()
@_knowledge
@_without
@_store
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="The address to serve at; 0.0.0.0 is every address of this machine. Other than for this machine "
    "alone it takes a token.",
)
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8765, show_default=True, help="0 takes a free one."
)
@click.option(
    "--token",
    envvar="ADVISOR_TOKEN",
    show_envvar=True,
    help="What a browser has to know to get in. Default: none for this machine alone, else one is made.",
)
def serve(
    paths: tuple[Path, ...],
    without: tuple[str, ...],
    store: str | None,
    host: str,
    port: int,
    token: str | None,
) -> None:
    """Open the technician's screens in browsers, such as of tablets in the bays: up to 24 at a time.

    A token keeps others out, but nothing is encrypted: serve on a network that you trust.
    """
    from advisor import serve as server

    known = _checked(paths).instruments
    _refuse([_no("instrument", one, known) for one in without if one not in known])
    command = [sys.executable, "-m", "advisor", "bench"]
    command += [f"--knowledge={path}" for path in paths]
    command += [f"--without={one}" for one in without]
    command += [f"--store={store}"] if store else []
    try:
        server.serve(command, host, port, token, click.echo)
    except server.CannotListen as error:
        _fail([str(error)], 3)


@commands.command()
def demo() -> None:
    """Play a shipped scenario as text, from complaint to cause."""
    from advisor.simulation import play, read_scenarios

    knowledge = _checked(())
    file, scenario = next(iter(read_scenarios([shipped("scenarios") / DEMO], knowledge).items()))
    click.echo(f"An invented car, from {file.name}: {scenario.name}. {scenario.story}")
    click.echo()
    engine = _engine(_network(knowledge, scenario.complaint), knowledge)
    for line in _story(knowledge, play(knowledge, engine, scenario)):
        click.echo(line)


@commands.command(name="next")
@_knowledge
@_complaint
@_facts
@click.option(
    "--saw",
    type=_Pair(),
    multiple=True,
    help="What a reading showed: READING=OUTCOME, or a quantity as READING='430 mA'.",
)
@_without
@click.option("--json", "as_json", is_flag=True, help="JSON on standard output, and nothing else there.")
def next_reading(
    paths: tuple[Path, ...],
    complaint: str,
    facts: tuple[tuple[str, str], ...],
    saw: tuple[tuple[str, str], ...],
    without: tuple[str, ...],
    as_json: bool,
) -> None:
    """Say what to read next on a case, and how sure we are."""
    from advisor.advice import Contradiction, Workshop, advise
    from advisor.report import advice_lines

    knowledge = _checked(paths)
    network = _network(knowledge, complaint)
    case = _case(knowledge, complaint, facts, saw, without)
    _refuse(
        [_no("instrument", one, knowledge.instruments) for one in without if one not in knowledge.instruments]
    )
    try:
        advice = advise(knowledge, _engine(network, knowledge), case, Workshop(frozenset(without)))
    except Contradiction as error:
        _fail([str(error)], 1)
    if not as_json:
        for line in advice_lines(knowledge, advice):
            click.echo(line)
        return
    answer = {
        "complaint": complaint,
        "faults": [
            {"id": one.fault, "name": one.name, "probability": one.probability} for one in advice.suspects
        ],
        "readings": [
            {
                "id": one.reading,
                "name": one.name,
                "information_bits": one.information_bits,
                "minutes": one.minutes,
                "information_bits_per_minute": one.information_bits_per_minute,
                "worth_taking": one in advice.per_minute,
            }
            for one in advice.proposals
        ],
        "stop": advice.stop and {"reason": advice.stop.reason, "fault": advice.stop.fault},
    }
    click.echo(json.dumps(answer, ensure_ascii=False, indent=2))


@commands.command()
@_knowledge
@_store
@click.option("--words", metavar="TEXT", help="What the customer says: lists the complaints that fit.")
@click.option(
    "--complaint", "complaints", metavar="ID", multiple=True, help="A complaint's id; may be repeated."
)
@_facts
@click.option("--said", type=_Pair(), multiple=True, help="What the customer answered: READING=OUTCOME.")
@click.option("--unknown", multiple=True, metavar="READING", help="What the customer does not know.")
@click.option(
    "--minutes",
    type=click.FloatRange(min=0),
    default=10,
    show_default=True,
    help="How long the questions may take.",
)
@_without
@click.option("--tag", default="no tag", show_default=True, help="Which car it is, for the booking sheet.")
@click.option("--sheet", is_flag=True, help="Print the booking sheet even if there are questions left.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "markdown", "html", "json"]),
    default="text",
    show_default=True,
    help="Markdown and HTML are the booking sheet's; JSON holds the next question and the sheets once due.",
)
def prescreen(
    paths: tuple[Path, ...],
    store: str | None,
    words: str | None,
    complaints: tuple[str, ...],
    facts: tuple[tuple[str, str], ...],
    said: tuple[tuple[str, str], ...],
    unknown: tuple[str, ...],
    minutes: float,
    without: tuple[str, ...],
    tag: str,
    sheet: bool,
    form: str,
) -> None:
    """Open the service desk's screens; with --words or --complaint say as text what to ask and to book.

    What was answered is given with --said and --unknown; once nothing is worth asking, or with --sheet,
    the booking sheet is printed.
    """
    if words is None and not complaints and sys.stdin.isatty() and sys.stdout.isatty():
        from advisor.screens.app import AdvisorApp

        app = AdvisorApp(list(paths) or [shipped("knowledge")], frozenset(without), store, minutes)
        app.run()
        sys.exit(app.return_code or 0)
    from advisor.advice import Contradiction, Workshop
    from advisor.booking import AT_THE_CAR, booking_sheet
    from advisor.bookingsheet import (
        as_dict,
        document,
        fitting_lines,
        question_dict,
        question_lines,
        text_lines,
    )
    from advisor.document import html, markdown
    from advisor.phone import fitting, minutes_asked, next_question_of_all

    knowledge = _checked(paths)
    if not complaints:
        for line in fitting_lines(knowledge, fitting(knowledge, words or "")):
            click.echo(line)
        return
    _refuse(
        [_no("instrument", one, knowledge.instruments) for one in without if one not in knowledge.instruments]
    )
    calls = _calls(knowledge, tuple(dict.fromkeys(complaints)), facts, said, unknown)
    asked = minutes_asked(knowledge, [case for _, case in calls])
    try:
        found = next_question_of_all(knowledge, calls, asked, minutes)
    except Contradiction as error:
        _fail([str(error)], 1)
    if sheet or found.question is None or form in ("markdown", "html"):
        at_hand = Workshop(frozenset(without), AT_THE_CAR.who)
        sheets = [booking_sheet(knowledge, engine, case, at_hand) for engine, case in calls]
    else:
        sheets = []
    paper = document(sheets, tag, time.strftime("%Y-%m-%d")) if sheets else None
    if form == "json":
        answer = {**question_dict(found), "sheets": [as_dict(one) for one in sheets]}
        click.echo(json.dumps(answer, ensure_ascii=False, indent=2))
    elif paper is None:
        for line in question_lines(found, asked, minutes):
            click.echo(line)
    elif form == "text":
        for line in text_lines(paper):
            click.echo(line)
    else:
        click.echo(markdown(paper) if form == "markdown" else html(paper), nl=False)


def _calls(
    knowledge: Knowledge,
    complaints: tuple[str, ...],
    facts: tuple[tuple[str, str], ...],
    said: tuple[tuple[str, str], ...],
    unknown: tuple[str, ...],
) -> list[tuple[Engine, Case]]:
    """A call for each complaint, with what was answered entered where it belongs."""
    from advisor.case import Case
    from advisor.network import build
    from advisor.phone import asked_by_phone, entered, not_known
    from advisor.phone import said as answered

    _refuse(
        [_no("complaint", one, knowledge.complaints) for one in complaints if one not in knowledge.complaints]
    )
    engines = [_engine(build(knowledge, one, by_phone=True), knowledge) for one in complaints]
    known = _case(knowledge, complaints[0], facts, (), ())
    cases = [Case(one, known.entries) for one in complaints]
    questions = {name: None for engine in engines for name in asked_by_phone(engine)}
    problems: list[str] = []
    entries: list[Entry] = []
    for reading in (*(name for name, _ in said), *unknown):
        if reading not in questions:
            problems.append(_no("question by phone", reading, questions))
    for reading, outcome in said:
        if reading in questions and outcome not in knowledge.readings[reading].answers:
            problems.append(_no(f"outcome of {reading}", outcome, knowledge.readings[reading].answers))
        elif reading in questions:
            entries.append(answered(knowledge, reading, outcome))
    _refuse(problems)
    for entry in (*entries, *map(not_known, unknown)):
        cases = list(entered(list(zip(engines, cases, strict=True)), entry))
    return list(zip(engines, cases, strict=True))


@commands.command()
@_knowledge
@_complaint
@click.option(
    "--format",
    "form",
    type=click.Choice(["bif", "xmlbif"]),
    default="bif",
    show_default=True,
    help="The open format.",
)
@_output
def export(paths: tuple[Path, ...], complaint: str, form: str, output: Path | None) -> None:
    """Write a complaint's network for any other Bayesian-network program."""
    from advisor.network import write

    text = write(_network(_checked(paths), complaint), form)
    if output is None:
        click.echo(text)
    else:
        output.write_text(text, encoding="utf-8")


@commands.command()
@click.argument("root", metavar="ID")
@_knowledge
@_output
@click.option("--probabilities", is_flag=True, help="Show every probability, given the complaint.")
@click.option("--complaint", metavar="ID", help="The complaint to take probabilities from, for a branch.")
@click.option("--fact", "facts", type=_Pair(), multiple=True, help="What is known of the vehicle.")
@click.option("--saw", type=_Pair(), multiple=True, help="What a reading showed: READING=OUTCOME.")
@click.option("--no-readings", is_flag=True, help="Leave the readings out.")
def draw(
    root: str,
    paths: tuple[Path, ...],
    output: Path | None,
    probabilities: bool,
    complaint: str | None,
    facts: tuple[tuple[str, str], ...],
    saw: tuple[tuple[str, str], ...],
    no_readings: bool,
) -> None:
    """Draw a complaint's or a branch's tree as an SVG picture, with the gate symbols of IEC 61025."""
    from advisor.draw import tree_svg

    knowledge = _checked(paths)
    known = {**knowledge.complaints, **knowledge.branches}
    _refuse([_no("complaint or branch", root, known)] if root not in known else [])
    shown = None
    if probabilities or facts or saw:
        of = complaint or root
        if of not in knowledge.complaints:
            raise click.UsageError(f"'{of}' is a branch: name the complaint too, with --complaint.")
        shown = _probabilities(knowledge, of, facts, saw)
        if root not in shown:
            _fail([f"'{root}' is no part of the complaint '{of}'."], 1)
    text = tree_svg(knowledge, root, shown, readings=not no_readings)
    if output is None:
        click.echo(text)
    else:
        output.write_text(text, encoding="utf-8")


def _probabilities(
    knowledge: Knowledge,
    complaint: str,
    facts: tuple[tuple[str, str], ...],
    saw: tuple[tuple[str, str], ...],
) -> dict[str, float]:
    """P(present) of every fault, branch and state, given the complaint and what was seen."""
    from advisor.engine import ImpossibleEvidence

    network = _network(knowledge, complaint)
    engine = _engine(network, knowledge)
    case = _case(knowledge, complaint, facts, saw, ())
    try:
        marginals = engine.outlook(case.evidence(knowledge, engine)).marginals
    except ImpossibleEvidence as error:
        _fail([f"These cannot be so together: {', '.join(error.clash)}."], 1)
    return {node: float(chances[-1]) for node, chances in marginals.items() if node not in knowledge.facts}


@commands.command(name="report")
@_number
@_store
@_knowledge
@click.option(
    "--format",
    "form",
    type=click.Choice(["markdown", "html"]),
    default="markdown",
    show_default=True,
    help="HTML is a page to print on A4.",
)
@click.option("--customer", is_flag=True, help="One page in plain words for the customer.")
@_output
def report_case(
    number: int,
    store: str | None,
    paths: tuple[Path, ...],
    form: str,
    customer: bool,
    output: Path | None,
) -> None:
    """Write the card of a job, or with --customer a page for the customer; CASE is the job's number."""
    from advisor.customer import customer_sheet
    from advisor.document import html, markdown
    from advisor.jobcard import job_card
    from advisor.session import Engines

    knowledge = _checked(paths)
    filed, preferences, now = _filed(store, number)
    if filed.case.complaint not in knowledge.complaints:
        _fail(
            [
                f"Job {number} is about the complaint '{filed.case.complaint}', which is not in this "
                "knowledge. Name the knowledge it was opened with, with --knowledge."
            ],
            1,
        )
    write = customer_sheet if customer else job_card
    document = write(knowledge, Engines(knowledge).of, filed, preferences, now)
    text = html(document) if form == "html" else markdown(document)
    if output is None:
        click.echo(text, nl=False)
    else:
        output.write_text(text, encoding="utf-8")


def _filed(url: str | None, number: int) -> tuple[Filed, dict[str, str], str]:
    """A job as it lies in the database, the units preferred there, and the time."""

    def find(store: Store) -> tuple[Filed, dict[str, str], str] | None:
        filed = store.case(number)
        return (filed, store.preferences(), store.now()) if filed else None

    return _of_job(url, number, find)


def _of_job(url: str | None, number: int, find: Callable[[Store], _Found | None]) -> _Found:
    """What is found of a job in the database; where that is None there is no such job, and we end."""
    from advisor.document import clean
    from advisor.store import Store, StoreTrouble, default_url

    try:
        store = Store(url or default_url())
        try:
            found = find(store)
            if found is not None:
                return found
            still_open = [one for one in store.cases() if not one.case.closed][:NEWEST]
        finally:
            store.close()
    except StoreTrouble as error:
        _fail([str(error)], 3)
    lines = [f"  {one.number}  {clean(one.tag)}" for one in still_open]
    _fail(
        [
            f"There is no job {number}. " + ("Open jobs, newest first:" if lines else "No job is open."),
            *lines,
        ],
        1,
    )


@commands.group(name="case")
def stored_case() -> None:
    """Hand out or erase everything that is stored of one job."""


@stored_case.command(name="export")
@_number
@_store
@_output
def export_case(number: int, store: str | None, output: Path | None) -> None:
    """Write everything that is stored of a job as JSON; CASE is the job's number.

    \b
    {"version": 1,      of this format
     "number": 12,      the job's number
     "tag": "…",        what the workshop calls the car
     "complaint": "…",  the complaint's id
     "opened": "…",     when, as all times: ISO 8601 with zone
     "knowledge": "…",  its version when the job was opened, "" if unknown
     "entries": [       in the order entered, taken back ones included
       {"step": 1,      counted from 1
        "at": "…",      when it was entered
        "kind": "…",    such as seen, measured, skipped, taken back
        "about": "…",   the id or number of what it is about
        "said": "…"}]}  what was said, word for word

    With the kinds measured, accounted and unsure, "said" is itself JSON.
    """
    found = _of_job(store, number, lambda there: there.export(number))
    text = json.dumps(found, ensure_ascii=False, indent=2) + "\n"
    if output is None:
        click.echo(text.encode("utf-8"), nl=False)  # word for word, whatever letters the terminal has
    else:
        output.write_text(text, encoding="utf-8")


@stored_case.command(name="erase")
@_number
@_store
@click.option("--yes", is_flag=True, help="Do not ask.")
def erase_case(number: int, store: str | None, yes: bool) -> None:
    """Delete a job for good, with everything that was entered on it; CASE is the job's number.

    In a SQLite file nothing of its text is left. Backups and papers are yours to delete. No other job will
    have its number.
    """
    from advisor.document import clean

    if not yes:
        filed, _, _ = _filed(store, number)
        click.echo(
            f"Job {number}, {clean(filed.tag)}, with {filed.entries} entries will be gone for good.", err=True
        )
        typed = click.prompt("Type its number to erase it", default="", show_default=False, err=True)
        if typed.strip() != str(number):
            _fail(["That is not its number. Nothing was erased."], 1)
    _of_job(store, number, lambda there: there.erase(number) or None)
    click.echo(f"Job {number} is erased.")


@commands.command()
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="JSON is for editors and other programs.",
)
@click.option("--watch", is_flag=True, help="Check again whenever a file is saved, until stopped.")
def check(paths: tuple[Path, ...], form: str, watch: bool) -> None:
    """Check knowledge files and print every problem with file, line and column."""
    meant = list(paths) or [shipped("knowledge")]
    if not watch:
        sys.exit(_check(meant, form))
    last: object = None
    while True:
        stamps = _stamps(meant)
        if stamps != last:
            last = stamps
            _check(meant, form)
            click.echo("Watching; stop with Ctrl+C.", err=True)
        time.sleep(WATCHED_EVERY_SECONDS)


def _stamps(paths: Iterable[Path]) -> dict[Path, tuple[int, int]]:
    from advisor.loading import knowledge_files

    stamps = {}
    for file in knowledge_files(paths):
        try:
            stat = file.stat()
        except OSError:
            continue  # between the two halves of a save; the next look finds it again
        stamps[file] = (stat.st_mtime_ns, stat.st_size)
    return stamps


def _check(paths: list[Path], form: str) -> int:
    """Print what is wrong and weak; returns the exit code."""
    from advisor.lint import problems
    from advisor.loading import load
    from advisor.problems import ProblemsFound
    from advisor.review import review

    try:
        knowledge = load(paths)
        found = problems(knowledge)
        if not any(problem.severity == "error" for problem in found):
            found = sorted([*found, *review(knowledge)], key=lambda one: (one.place, one.code))
        counted = (
            f"{len(knowledge.complaints)} complaints, {len(knowledge.faults)} faults, "
            f"{len(knowledge.readings)} readings: "
        )
    except ProblemsFound as error:
        found, counted = list(error.problems), ""
    if form == "json":
        click.echo(json.dumps([one.as_dict() for one in found], ensure_ascii=False, indent=2))
    else:
        for problem in found:
            click.echo(str(problem))
    errors = sum(problem.severity == "error" for problem in found)
    click.echo(f"{counted}{errors} errors, {len(found) - errors} weak points.", err=True)
    return 1 if errors else 0


@commands.command(name="schema")
def print_schema() -> None:
    """Print the JSON Schema of knowledge files, for editors that complete by one."""
    from advisor.knowledge import schema

    click.echo(json.dumps(schema(), ensure_ascii=False, indent=2))


@commands.command()
@click.argument("scenarios", nargs=-1, type=click.Path(path_type=Path))
@_knowledge
@click.option("--story", is_flag=True, help="Tell each scenario step by step.")
@click.option("--per-minute", is_flag=True, help="Ask by bits per minute. Default: by bits.")
def replay(scenarios: tuple[Path, ...], paths: tuple[Path, ...], story: bool, per_minute: bool) -> None:
    """Play scenario files to the end, and say whether the true causes came out on top."""
    from advisor.advice import Contradiction
    from advisor.report import duration
    from advisor.simulation import play, read_scenarios

    knowledge = _checked(paths)
    engines: dict[str, Engine] = {}
    wrong = 0
    for file, scenario in read_scenarios(scenarios or [shipped("scenarios")], knowledge).items():
        if scenario.complaint not in engines:
            engines[scenario.complaint] = _engine(_network(knowledge, scenario.complaint), knowledge)
        try:
            played = play(knowledge, engines[scenario.complaint], scenario, per_minute=per_minute)
        except Contradiction as error:
            wrong += 1
            click.echo(f"{file}:1:1: clash {error}", err=True)
            continue
        wrong += not played.right
        mark = "found    " if played.right else "NOT FOUND"
        click.echo(
            f"{mark}  {len(played.steps):2} readings  {duration(played.minutes):>8}  "
            f"{file.name}: {scenario.name}"
        )
        if story or not played.right:
            for line in _story(knowledge, played):
                click.echo("    " + line)
    if wrong:
        _fail([f"{wrong} scenarios did not end with their causes on top."], 1)


_cars = click.option(
    "--cars", type=click.IntRange(1, 1_000_000), default=1000, show_default=True, help="For each complaint."
)
_seed = click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Draws the cars.")
_some_complaints = click.option(
    "--complaint", "some", multiple=True, metavar="ID", help="Only this complaint; may be repeated."
)
_jobs = click.option(
    "--jobs", type=click.IntRange(1), help="Cores to use. Default: all. The result is the same."
)
_text_or_json = click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="JSON is for other programs.",
)


@commands.command()
@_knowledge
@_without
@_some_complaints
@_cars
@_seed
@_jobs
@click.option(
    "--disturb",
    "noises",
    type=click.FloatRange(0.0, 5.0, min_open=True),
    multiple=True,
    help="Also let the advice go by numbers with so much noise in their log-odds, as 0.5; may be repeated.",
)
@click.option("--costly", type=click.IntRange(1), help="Name so many numbers whose error would cost most.")
@_text_or_json
@click.option(
    "--html",
    "page_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a page with plots too.",
)
def evaluate(
    paths: tuple[Path, ...],
    without: tuple[str, ...],
    some: tuple[str, ...],
    cars: int,
    seed: int,
    jobs: int | None,
    noises: tuple[float, ...],
    costly: int | None,
    form: str,
    page_file: Path | None,
) -> None:
    """Play made-up cars, and say how well the advice finds their causes, and against what else."""
    from dataclasses import asdict

    from advisor import evaluation
    from advisor.advice import Workshop
    from advisor.document import html
    from advisor.proofpage import lines, page
    from advisor.scorecard import scorecards
    from advisor.sensitivity import most_costly

    knowledge = _checked(paths)
    _refuse([_no("instrument", w, knowledge.instruments) for w in without if w not in knowledge.instruments])
    _refuse([_no("complaint", one, knowledge.complaints) for one in some if one not in knowledge.complaints])
    plan = evaluation.Plan(
        tuple(dict.fromkeys(some or knowledge.complaints)),
        cars,
        seed,
        noises=tuple(dict.fromkeys(noises)),
        workshop=Workshop(frozenset(without)),
    )
    with _bar(cars * len(plan.complaints), "Playing") as bar:
        trials = evaluation.evaluate(knowledge, plan, jobs or -1, _on(bar))
    families, complaints = scorecards(knowledge, trials)
    numbers = most_costly(knowledge, plan, costly) if costly else ()
    if page_file is not None:
        text = html(page(plan, families, complaints, numbers, knowledge.version))
        page_file.write_text(text, encoding="utf-8")
    if form == "json":
        answer = {
            "knowledge": knowledge.version,
            "cars_for_each_complaint": cars,
            "seed": seed,
            "families": [asdict(card) for card in families],
            "complaints": [asdict(card) for card in complaints],
            "costly": [asdict(one) for one in numbers],
        }
        click.echo(json.dumps(answer, ensure_ascii=False, indent=2))
        return
    for line in lines(plan, families, complaints, numbers):
        click.echo(line)


@commands.command()
@click.argument("old", type=click.Path(exists=True, path_type=Path))
@click.argument("new", type=click.Path(exists=True, path_type=Path))
@_some_complaints
@_cars
@_seed
@click.option(
    "--scenarios",
    type=click.Path(exists=True, path_type=Path),
    multiple=True,
    help="A scenario file or a folder of them; may be repeated. Default: the shipped ones.",
)
@_text_or_json
def compare(
    old: Path,
    new: Path,
    some: tuple[str, ...],
    cars: int,
    seed: int,
    scenarios: tuple[Path, ...],
    form: str,
) -> None:
    """Compare two versions of the knowledge, files or folders, on the same made-up cars and scenarios.

    Exit codes: 0 nothing is worse by more than chance, 1 something is, 2 wrong use.
    """
    from dataclasses import asdict

    from advisor.comparison import compare as compared
    from advisor.loading import knowledge_files
    from advisor.problems import ProblemsFound
    from advisor.proofpage import comparison_lines

    try:
        before, after = _checked([old]), _checked([new])
    except ProblemsFound as error:
        _fail([str(problem) for problem in error.problems], 2)
    unknown = [one for one in some if one not in before.complaints or one not in after.complaints]
    if unknown:
        raise click.UsageError(f"There is no complaint '{unknown[0]}' in both versions.")
    folders = [
        one for path in scenarios or [shipped("scenarios")] for one in (path, *sorted(path.rglob("*/")))
    ]
    files = knowledge_files([one for one in folders if one.exists()])
    with _bar(len(set(some) or before.complaints), "Comparing") as bar:
        found = compared(before, after, cars, seed, list(files), some, _on(bar))
    if form == "json":
        answer = {**asdict(found), "anything_worse": found.anything_worse}
        click.echo(json.dumps(answer, ensure_ascii=False, indent=2))
    else:
        for line in comparison_lines(after, found):
            click.echo(line)
    sys.exit(1 if found.anything_worse else 0)


def _bar(length: int, label: str) -> contextlib.AbstractContextManager[Any]:
    """A progress bar on standard error."""
    return click.progressbar(length=length, label=label, file=sys.stderr)


def _on(bar: Any) -> Callable[[int, int], None]:
    """Moves the bar to where the work is."""

    def progress(done: int, _: int) -> None:
        bar.update(done - bar.pos)

    return progress


def _story(knowledge: Knowledge, played: Played) -> Iterable[str]:
    from advisor.report import duration, entry_words, remedy_lines, stop_sentence, suspect_lines

    yield f"Complaint: {knowledge.complaints[played.scenario.complaint].name}"
    yield from suspect_lines(played.start.suspects, 3)
    for number, step in enumerate(played.steps, start=1):
        reading = knowledge.readings[step.proposal.reading]
        yield ""
        yield (
            f"{number}. {reading.name} ({step.proposal.information_bits:.2f} bits, "
            f"{duration(step.proposal.minutes)})"
        )
        yield f"   → {entry_words(knowledge, played.case, step.entry).removeprefix(reading.name + ': ')}"
        yield from suspect_lines(step.advice.suspects, 3)
    yield ""
    if played.end.stop:
        yield stop_sentence(knowledge, played.end.stop)
        yield from remedy_lines(knowledge, played.end.stop)
    true = ", ".join(knowledge.title(cause) for cause in played.scenario.causes)
    yield f"What was wrong with this car: {true}. Time spent: {duration(played.minutes)}."


@commands.command()
@_knowledge
@_store
@click.option(
    "--weight",
    type=click.FloatRange(0.1, 100_000),
    help="So many cars the author's shares of a complaint or branch are worth. Default: 50.",
)
@click.option(
    "--likelihood-weight",
    type=click.FloatRange(0.1, 100_000),
    help="So many cars each of the author's likelihoods is worth. Default: 20.",
)
@click.option(
    "--interval",
    type=click.Choice(["90", "95"]),
    default="95",
    show_default=True,
    help="How many of 100 an interval holds.",
)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="Write the patch here.")
@click.option("--no-replay", is_flag=True, help="Do not try both versions on scenarios and closed jobs.")
@click.option(
    "--apply",
    "patch",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Change the knowledge files by a patch made before, and nothing else.",
)
def learn(
    paths: tuple[Path, ...],
    store: str | None,
    weight: float | None,
    likelihood_weight: float | None,
    interval: str,
    output: Path | None,
    no_replay: bool,
    patch: Path | None,
) -> None:
    """Propose numbers that closed jobs speak for: a table, and a patch that somebody accepts or not."""
    meant = list(paths) or [shipped("knowledge")]
    if patch is not None:
        _apply(patch, meant)
        return
    from advisor.confirmed import gather
    from advisor.learning import LIKELIHOOD_CARS, SHARE_CARS, Weights
    from advisor.learning import learn as learned
    from advisor.loading import knowledge_files
    from advisor.proposal import patched, propose, unified
    from advisor.tally import proposal_lines, replay_lines

    knowledge = _checked(paths)
    jobs = _stored_jobs(store)
    gathered = gather(knowledge, [one.case for one in jobs])
    weights = Weights(weight or SHARE_CARS, likelihood_weight or LIKELIHOOD_CARS, int(interval) / 100)
    texts = {str(file): file.read_bytes().decode("utf-8") for file in knowledge_files(meant)}
    proposal = propose(knowledge, learned(knowledge, gathered.findings, weights), texts)
    for line in proposal_lines(knowledge, proposal, weights, len(gathered.findings), gathered.left_out):
        click.echo(line)
    if not proposal.edits:
        return
    if not no_replay:
        click.echo()
        for line in replay_lines(_tried(jobs, knowledge, proposal.knowledge)):
            click.echo(line)
    if output is not None:
        after = patched(texts, proposal.edits)
        named = {name: _from_here(name) for name in texts}
        text = unified(
            {named[name]: texts[name] for name in texts}, {named[name]: after[name] for name in texts}
        )
        output.write_bytes(text.encode("utf-8"))
        click.echo(f"\nNothing was changed. `advisor learn --apply {output}` changes the files.")


def _from_here(name: str) -> str:
    """A file's name as it is from the current folder, where it is below that."""
    file, here = Path(name).resolve(), Path.cwd()
    return file.relative_to(here).as_posix() if file.is_relative_to(here) else file.as_posix()


def _apply(patch: Path, meant: list[Path]) -> None:
    """Change the knowledge files by a patch; they are put back if they then do not pass the checks."""
    from advisor.lint import checked
    from advisor.loading import knowledge_files
    from advisor.problems import ProblemsFound
    from advisor.proposal import CannotApply, applied, patch_files

    text = patch.read_bytes().decode("utf-8", errors="replace")
    known = {file.resolve() for file in knowledge_files(meant)}
    files = {name: Path(name) for name in patch_files(text)}
    _refuse(
        [
            f"The patch is for {name}, which is none of the knowledge files. Name them with --knowledge."
            for name, file in files.items()
            if file.resolve() not in known
        ]
        or ([] if files else [f"{patch} is no patch: it names no file."])
    )
    old = {name: file.read_bytes() for name, file in files.items()}
    try:
        new = applied(text, {name: said.decode("utf-8") for name, said in old.items()})
    except CannotApply as error:
        _fail([str(error)], 1)
    for name, said in new.items():
        files[name].write_bytes(said.encode("utf-8"))
    try:
        checked(meant)
    except ProblemsFound:
        for name, before in old.items():
            files[name].write_bytes(before)
        click.echo("With the patch the knowledge has errors; the files were put back.", err=True)
        raise
    click.echo(f"Changed: {', '.join(files)}.")


def _stored_jobs(url: str | None) -> list[Filed]:
    """Every job in the database."""
    from advisor.store import Store, StoreTrouble, default_url

    try:
        store = Store(url or default_url())
        try:
            return store.cases()
        finally:
            store.close()
    except StoreTrouble as error:
        _fail([str(error)], 3)


def _tried(jobs: list[Filed], *versions: Knowledge) -> list[tuple[int, int, int]]:
    """How many of the shipped scenarios and of the closed jobs end right with each of two versions."""
    from advisor.advice import Contradiction
    from advisor.case import Case
    from advisor.problems import ProblemsFound
    from advisor.session import Engines
    from advisor.simulation import play, read_scenarios
    from advisor.track import judge

    scenarios: list[Scenario] = []
    for file in sorted(shipped("scenarios").rglob("*.yaml")):
        with contextlib.suppress(ProblemsFound):  # another knowledge may not know the words of these cars
            scenarios += read_scenarios([file], versions[0]).values()
    right: list[tuple[int, int, int]] = []
    for knowledge in versions:
        engines, found = Engines(knowledge), 0
        for scenario in scenarios:
            with contextlib.suppress(Contradiction):
                found += play(knowledge, engines.of(Case(scenario.complaint)), scenario).right
        closed = judge(knowledge, engines.of, jobs, checklist=False)[0]
        right.append((found, sum(one.right for one in closed), len(closed)))
    before, after = right
    return [(before[0], after[0], len(scenarios)), (before[1], after[1], before[2])]


@commands.command()
@_knowledge
@_store
@click.option(
    "--by",
    "span",
    type=click.Choice(["month", "quarter", "year"]),
    default="quarter",
    show_default=True,
    help="How long a period is.",
)
def track(paths: tuple[Path, ...], store: str | None, span: Literal["month", "quarter", "year"]) -> None:
    """Say how well we are doing: of closed jobs, how often the confirmed cause came out first, over time."""
    from advisor.session import Engines
    from advisor.tally import record_lines, too_few_lines
    from advisor.track import FEWEST, TooFew, judge, summed_up

    knowledge = _checked(paths)
    judged, left_out = judge(knowledge, Engines(knowledge).of, _stored_jobs(store))
    try:
        record = summed_up(judged, left_out, span)
    except TooFew as error:
        for line in too_few_lines(error):
            click.echo(line)
        return
    for line in record_lines(record, FEWEST):
        click.echo(line)


@stored_case.command(name="scenario")
@click.argument("number", metavar="CASE", type=click.IntRange(1, 2**31 - 1))
@_store
@_knowledge
@_output
def scenario_of_case(number: int, store: str | None, paths: tuple[Path, ...], output: Path | None) -> None:
    """Write a closed job as a scenario file, without its tag, remarks and times; CASE is its number."""
    from advisor.recording import NotRecordable, scenario_text

    filed, _, _ = _filed(store, number)
    try:
        text = scenario_text(_checked(paths), filed)
    except NotRecordable as error:
        _fail([str(error)], 1)
    if output is None:
        click.echo(text, nl=False)
    else:
        output.write_text(text, encoding="utf-8")


def _checked(paths: Iterable[Path]) -> Knowledge:
    from advisor.lint import checked

    return checked(list(paths) or [shipped("knowledge")])


def _network(knowledge: Knowledge, complaint: str) -> Network:
    from advisor.network import build

    _refuse(
        [_no("complaint", complaint, knowledge.complaints)] if complaint not in knowledge.complaints else []
    )
    return build(knowledge, complaint)


def _engine(network: Network, knowledge: Knowledge) -> Engine:
    from advisor.engine import TooWide, compile_tables

    try:
        return compile_tables(network.tables)
    except TooWide as error:
        section = "readings" if error.node in knowledge.readings else "states"
        _fail(
            [
                f"{knowledge.place(section, error.node)}: too-wide {error}. Exact advice takes too long. "
                "Hang it on fewer causes, or on a branch of causes that act alike."
            ],
            1,
        )


def _case(
    knowledge: Knowledge,
    complaint: str,
    facts: tuple[tuple[str, str], ...],
    saw: tuple[tuple[str, str], ...],
    without: tuple[str, ...],
) -> Case:
    from advisor.case import Case, Known, Seen
    from advisor.entry import NotUnderstood, direct

    case, problems = Case(complaint), []
    for fact, value in facts:
        if fact not in knowledge.facts:
            problems.append(_no("vehicle fact", fact, knowledge.facts))
        elif value not in knowledge.facts[fact].values:
            problems.append(_no(f"value of {fact}", value, knowledge.facts[fact].values))
        case = case.with_entry(Known(fact, value))
    for reading, outcome in saw:
        if reading not in knowledge.readings:
            problems.append(_no("reading", reading, knowledge.readings))
        elif outcome in knowledge.readings[reading].answers:
            case = case.with_entry(Seen(reading, outcome))
        elif knowledge.readings[reading].quantity and any(letter.isdigit() for letter in outcome):
            at_hand = [one for one in knowledge.readings[reading].instrument if one not in without]
            try:
                case = case.with_entry(direct(knowledge, reading, outcome, at_hand[0] if at_hand else ""))
            except NotUnderstood as error:
                problems.append(f"{reading}: {error}")
        else:
            problems.append(_no(f"outcome of {reading}", outcome, knowledge.readings[reading].answers))
    _refuse(problems)
    return case


def _no(kind: str, word: str, choices: Iterable[str]) -> str:
    from advisor.problems import nearest

    return f"There is no {kind} '{word}'. {nearest(word, choices)}"


def _refuse(problems: list[str]) -> None:
    if problems:
        _fail(problems, 1)
