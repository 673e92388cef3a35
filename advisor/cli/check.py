"""Knowledge files checked, once or on every save."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable
from pathlib import Path

import click

from advisor.cli.options import shipped, tell_of_changes
from advisor.cli.output import json_text, say

WATCHED_EVERY_SECONDS = 0.5


@click.command()
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
            say("Watching; stop with Ctrl+C.", err=True)
        time.sleep(WATCHED_EVERY_SECONDS)


def _check(paths: list[Path], form: str) -> int:
    """Print what is wrong and weak; returns the exit code."""
    from advisor.checks.informativeness import review
    from advisor.checks.lint import leaning, problems
    from advisor.knowledge.loading import load
    from advisor.knowledge.problems import ProblemsFound

    try:
        tell_of_changes(paths)
        knowledge = load(paths)
        found = leaning(paths, problems(knowledge))
        if not any(problem.severity == "error" for problem in found):
            found = sorted([*found, *review(knowledge)], key=lambda one: (one.place, one.code))
        counted = (
            f"{len(knowledge.complaints)} complaints, {len(knowledge.faults)} faults, "
            f"{len(knowledge.readings)} readings: "
        )
    except ProblemsFound as error:
        found, counted = list(error.problems), ""
    if form == "json":
        say(json_text([one.as_dict() for one in found]))
    else:
        for problem in found:
            say(str(problem))
    errors = sum(problem.severity == "error" for problem in found)
    say(f"{counted}{errors} errors, {len(found) - errors} weak points.", err=True)
    return 1 if errors else 0


def _stamps(paths: Iterable[Path]) -> dict[Path, tuple[int, int]]:
    from advisor.knowledge.loading import knowledge_files

    stamps = {}
    for file in knowledge_files(paths):
        try:
            stat = file.stat()
        except OSError:
            continue  # between the two halves of a save; the next look finds it again
        stamps[file] = (stat.st_mtime_ns, stat.st_size)
    return stamps
