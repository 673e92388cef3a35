"""The command that checks knowledge files, once or on every save."""

from __future__ import annotations

import itertools
import math
import sys
import textwrap
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from advisor.cli.errors import refuse_unknown, rest_unchecked
from advisor.cli.options import chosen, policy_of, shipped, tell_of_changes, workshop_option
from advisor.cli.output import json_text, say
from advisor.cli.progress import working
from advisor.text import counted

if TYPE_CHECKING:
    from advisor.evaluation.sensitivity import Costly
    from advisor.knowledge.knowledge import Knowledge
    from advisor.knowledge.problems import Problem
    from advisor.policy import Policy

WATCHED_EVERY_SECONDS = 0.5
RATED_CARS, MOST_RATED = 200, 10
"""Simulated cars of each complaint to find the numbers on which most hangs, and how many are named."""


@dataclass(frozen=True)
class Looked:
    """What is looked at besides errors and weak points."""

    shares: tuple[str, ...]
    proofs: bool
    complaints: tuple[str, ...]
    standing: bool


@click.command()
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@workshop_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="JSON for editors and other programs.",
)
@click.option("--watch", is_flag=True, help="Check again whenever a file is saved, until stopped.")
@click.option(
    "--share",
    "shares",
    multiple=True,
    metavar="ID",
    help="Also say how many of 100 cars with the complaint have this fault or branch; may be repeated.",
)
@click.option(
    "--proofs",
    is_flag=True,
    help="Also name the faults without a proof, those that no readings can make sure of, and the numbers on "
    "which most hangs. Takes minutes.",
)
@click.option(
    "--complaint",
    "some",
    multiple=True,
    metavar="ID",
    help="Look at the proofs of this complaint only; may be repeated.",
)
@click.option(
    "--standing",
    is_flag=True,
    help="Also write, as a page in Markdown, what is published, common practice and estimate. Takes minutes.",
)
def check(
    paths: tuple[Path, ...],
    workshop: Path | None,
    form: str,
    watch: bool,
    shares: tuple[str, ...],
    proofs: bool,
    some: tuple[str, ...],
    standing: bool,
) -> None:
    """Check knowledge files and print every problem with file, line and column."""
    if (shares or proofs or standing) and form == "json":
        raise click.UsageError("--share, --proofs and --standing answer in words. Leave out --format json.")
    if some and not proofs:
        raise click.UsageError("--complaint narrows --proofs. Add --proofs, or leave it out.")
    looked = Looked(shares, proofs, some, standing)
    policy = policy_of(workshop)
    meant = [*paths] or [*map(Path, chosen()[0].knowledge)] or [shipped("knowledge")]
    if not watch:
        sys.exit(_check(meant, form, policy, looked))
    last: object = None
    while True:
        stamps = _stamps(meant)
        if stamps != last:
            last = stamps
            _check(meant, form, policy, looked)
            say("Watching; stop with Ctrl+C.", err=True)
        time.sleep(WATCHED_EVERY_SECONDS)


def _check(paths: list[Path], form: str, policy: Policy, looked: Looked) -> int:
    """Print errors, weak points, and what else is looked at; returns the exit code."""
    from advisor.knowledge.looked_over import review_counts
    from advisor.knowledge.problems import ProblemsFound

    tell_of_changes(paths)
    knowledge = None
    try:
        with working("Checking"):
            knowledge, found = _found(paths, policy)
    except ProblemsFound as error:
        found = list(error.problems)
    if form == "json":
        say(json_text([one.as_dict() for one in found]))
    else:
        for problem in found:
            say(str(problem))
    errors = sum(problem.severity == "error" for problem in found)
    held = ""
    if knowledge is not None:
        parts = (
            (knowledge.complaints, "complaint"),
            (knowledge.faults, "fault"),
            (knowledge.readings, "reading"),
        )
        held = ", ".join(counted(len(part), thing) for part, thing in parts) + ": "
    weak = counted(len(found) - errors, "weak point")
    if errors:
        counts = [counted(errors, "error"), *([weak] if len(found) > errors else [])]
        say(f"{held}{', '.join(counts)}. {rest_unchecked(errors)}", err=True)
        return 1
    say(f"{held}{counted(errors, 'error')}, {weak}.", err=True)
    if knowledge is not None:
        say(review_counts(knowledge), err=True)
        for line in _looked_at(knowledge, policy, looked):
            say(line)
    return 0


def _looked_at(knowledge: Knowledge, policy: Policy, looked: Looked) -> Iterator[str]:
    """Say what is looked at besides errors and weak points."""
    if looked.shares:
        refuse_unknown("fault or branch", looked.shares, [*knowledge.faults, *knowledge.branches])
        for cause in looked.shares:
            yield from _share_lines(knowledge, cause)
    if looked.proofs:
        refuse_unknown("complaint", looked.complaints, knowledge.complaints)
        yield from _proof_lines(knowledge, policy, looked.complaints or tuple(knowledge.complaints))
    if looked.standing:
        yield from _standing_lines(knowledge, policy)


def _standing_lines(knowledge: Knowledge, policy: Policy) -> Iterator[str]:
    """Say what the numbers rest on, and on which of them most hangs."""
    from advisor.checks.informativeness import compiled
    from advisor.checks.published import compare
    from advisor.evaluation.standing import standing_lines

    networks = compiled(knowledge)
    engines = {name: one.engine for name, one in networks.items() if one.engine is not None}
    compared = compare(knowledge, {name: one.network for name, one in networks.items()}, engines)
    yield from standing_lines(
        knowledge, compared, _most_costly(knowledge, policy, tuple(knowledge.complaints))
    )


def _most_costly(knowledge: Knowledge, policy: Policy, complaints: tuple[str, ...]) -> tuple[Costly, ...]:
    """Return the numbers on which most hangs."""
    from advisor.evaluation.sensitivity import most_costly
    from advisor.evaluation.trials import TrialPlan

    plan = TrialPlan(complaints, RATED_CARS, 1, workshop_policy=policy)
    with working("Trying numbers") as progress:
        return most_costly(knowledge, plan, MOST_RATED, progress)


def _found(paths: list[Path], policy: Policy) -> tuple[Knowledge, list[Problem]]:
    """Return the knowledge and its weak points; raises `ProblemsFound` if it has errors."""
    from advisor.checks.informativeness import review
    from advisor.checks.lint import leaning, problems, with_unknown_ids
    from advisor.knowledge.loading import load
    from advisor.knowledge.problems import ProblemsFound

    try:
        knowledge = load(paths)
    except ProblemsFound as error:
        raise ProblemsFound(with_unknown_ids(paths, error.problems)) from error
    found = leaning(paths, problems(knowledge))
    if not any(problem.severity == "error" for problem in found):
        found = sorted([*found, *review(knowledge, policy)], key=lambda one: (one.place, one.code))
    return knowledge, found


def _share_lines(knowledge: Knowledge, cause: str) -> Iterator[str]:
    """Say how many of 100 cars with each complaint have a cause, for each kind of car by itself."""
    from advisor.model.priors import facts_up

    facts = facts_up(knowledge, cause)
    for values in itertools.product(*(knowledge.facts[fact].values for fact in facts)):
        here = dict(zip(facts, values, strict=True))
        if here:
            yield f"Cars with {', '.join(f'{fact} {value}' for fact, value in here.items())}:"
        yield from _share_lines_on(knowledge, cause, here)


def _share_lines_on(knowledge: Knowledge, cause: str, facts: Mapping[str, str]) -> Iterator[str]:
    """Say how many of 100 such cars with each complaint have a cause, and what to write for 1 of 100."""
    from advisor.model.priors import ways_up

    ways = list(ways_up(knowledge, cause, facts))
    if not ways:
        yield f"{cause} has no share of a complaint or of a branch that has one."
    for way in ways:
        gates = [gate for gate, _ in way]
        complaint, part = gates[-1], math.prod(share / 100 for _, share in way)
        chain = ", itself ".join(f"{share:g} of 100 with {gate}" for gate, share in way)
        yield f"{cause}: {100 * part:.3g} of 100 cars with {complaint}" + (
            f" ({chain})." if len(way) > 1 else "."
        )
        above = 100 * math.prod(share / 100 for _, share in way[1:])
        if len(way) > 1 and above >= 1:
            yield f"  For 1 of 100 cars with {complaint} write {100 / above:.3g} under {gates[0]}."
        elif len(way) > 1:
            yield f"  All cars with {gates[0]} are {above:.3g} of 100 with {complaint}."


def _proof_lines(knowledge: Knowledge, policy: Policy, complaints: tuple[str, ...]) -> Iterator[str]:
    """Say which faults have no proof, which can never be sure, and the numbers on which most hangs."""
    from advisor.case.confirmed import faults_below
    from advisor.checks.ceilings import ceilings
    from advisor.evaluation.report import LETTERS
    from advisor.evaluation.standing import as_written

    below = frozenset().union(*(faults_below(knowledge, one) for one in complaints))
    faults = [name for name in knowledge.faults if name in below]
    without = [name for name in faults if name not in knowledge.proofs]
    yield f"{len(faults) - len(without)} of {counted(len(faults), 'fault')} have a proof."
    if without:
        yield from textwrap.wrap(f"Without one: {', '.join(without)}.", LETTERS, subsequent_indent="  ")
    with working("Looking for ceilings"):
        found = sorted(
            ceilings(knowledge, complaints, policy.sure_at), key=lambda one: (one.probability, one.fault)
        )
    low = [one for one in found if one.probability < policy.sure_at]
    yield f"The readings can make sure of all but {len(low)} of {len(found)} faults, each for its complaint:"
    for one in low:
        yield (
            f"  {one.fault} ({one.complaint}): ceiling {one.probability:.2f}, "
            f"with {one.rival} at {one.of_rival:.2f}"
        )
    numbers = _most_costly(knowledge, policy, complaints)
    yield f"The {len(numbers)} numbers on which most hangs:"
    for number in numbers:
        yield f"  {number.place}: {number.name}"
        yield f"    {as_written(number.place)}"


def _stamps(paths: Iterable[Path]) -> dict[Path, tuple[int, int]]:
    from advisor.knowledge.loading import knowledge_files, picture_files

    paths, stamps = list(paths), {}
    for file in [*knowledge_files(paths), *picture_files(paths)]:
        try:
            stat = file.stat()
        except OSError:
            continue  # the file is being saved; it is there at the next look
        stamps[file] = (stat.st_mtime_ns, stat.st_size)
    return stamps
