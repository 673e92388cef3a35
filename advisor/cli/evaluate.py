"""Commands that measure the advice on simulated cars and compare two versions of the knowledge."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from advisor.cli.errors import fail_with, refuse_unknown
from advisor.cli.options import (
    NumberRange,
    at_hand,
    checked,
    knowledge_option,
    policy_of,
    shipped,
    without_option,
    workshop_option,
)
from advisor.cli.output import json_text, say
from advisor.cli.progress import working

if TYPE_CHECKING:
    from advisor.evaluation.scorecard import Scorecard

_cars = click.option(
    "--cars",
    type=click.IntRange(1, 1_000_000),
    default=1000,
    show_default=True,
    help="Cars for each complaint.",
)
_seed = click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Seed for drawing the cars."
)
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
    help="JSON for other programs.",
)


@click.command()
@knowledge_option
@without_option
@workshop_option
@_some_complaints
@_cars
@_seed
@_jobs
@click.option("--fault", metavar="ID", help="Only cars that have this fault, of the complaints it can cause.")
@click.option(
    "--disturb",
    "noises",
    type=NumberRange(0.0, 5.0, min_open=True),
    multiple=True,
    help="Also try the advice with noise of this size on its log-odds, such as 0.5; may be repeated.",
)
@click.option(
    "--worse-proofs",
    is_flag=True,
    help="Also try the advice on cars whose proofs show less often, and falsely more often, than is written.",
)
@click.option(
    "--costly", type=click.IntRange(1), help="List this many of the numbers whose errors would cost most."
)
@_text_or_json
@click.option(
    "--html",
    "page_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also write a page with plots.",
)
def evaluate(  # noqa: PLR0913 - one argument for each option
    paths: tuple[Path, ...],
    without: tuple[str, ...],
    workshop: Path | None,
    some: tuple[str, ...],
    cars: int,
    seed: int,
    jobs: int | None,
    fault: str | None,
    noises: tuple[float, ...],
    worse_proofs: bool,
    costly: int | None,
    form: str,
    page_file: Path | None,
) -> None:
    """Measure on simulated cars how well the advice finds causes, compared with other policies."""
    from dataclasses import asdict

    from advisor.case.confirmed import faults_below
    from advisor.evaluation import trials as evaluation
    from advisor.evaluation.report import lines, page
    from advisor.evaluation.scorecard import scorecards
    from advisor.evaluation.sensitivity import Costly, most_costly
    from advisor.knowledge.looked_over import review_counts
    from advisor.papers.document import html

    policy = policy_of(workshop)
    with working("Reading the knowledge"):
        knowledge = checked(paths)
    workshop_now = at_hand(knowledge, without)
    refuse_unknown("complaint", some, knowledge.complaints)
    if fault is not None:
        refuse_unknown("fault", [fault], knowledge.faults)
    chosen = tuple(dict.fromkeys(some or knowledge.complaints))
    caused = tuple(one for one in chosen if fault is None or fault in faults_below(knowledge, one))
    if not caused:
        raise click.UsageError(f"No such complaint can come from '{fault}'. Leave out --complaint.")
    plan = evaluation.TrialPlan(
        caused,
        cars,
        seed,
        noises=tuple(dict.fromkeys(noises)),
        worse_proofs=worse_proofs,
        fault=fault,
        workshop=workshop_now,
        workshop_policy=policy,
    )
    with working("Playing simulated cars") as progress:
        trials = evaluation.evaluate(knowledge, plan, jobs or -1, progress)
        families, complaints = scorecards(knowledge, trials)
    numbers: tuple[Costly, ...] = ()
    if costly:
        with working("Trying numbers") as progress:
            numbers = most_costly(knowledge, plan, costly, progress)
    if page_file is not None:
        text = html(page(plan, families, complaints, numbers, knowledge))
        page_file.write_text(text, encoding="utf-8")
    if form == "json":
        answer = {
            "knowledge": knowledge.version,
            "cars_for_each_complaint": cars,
            "seed": seed,
            "fault": fault,
            "policy": dict(policy.values),
            "families": [_card(card) for card in families],
            "complaints": [_card(card) for card in complaints],
            "costly": [asdict(one) for one in numbers],
            "looked_over": review_counts(knowledge),
        }
        say(json_text(answer))
        return
    for line in (*lines(plan, families, complaints, numbers), "", review_counts(knowledge)):
        say(line)


def _card(card: Scorecard) -> dict[str, object]:
    """Return a scorecard for JSON; its policies have the documented key `ways`."""
    from dataclasses import asdict

    said = asdict(card)
    said["ways"] = said.pop("policies")
    del said["endings"]
    worse = card.with_worse_proofs
    said["with_worse_proofs"] = worse.as_dict if worse else None
    return {**said, **card.endings.as_dict}


@click.command()
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
    """Compare two versions of the knowledge on the same simulated cars and scenarios.

    Exit codes: 0 nothing is worse by more than chance, 1 something is, 2 wrong use.
    """
    from dataclasses import asdict

    from advisor.evaluation.comparison import compare as compared
    from advisor.evaluation.report import comparison_lines
    from advisor.knowledge.loading import knowledge_files
    from advisor.knowledge.problems import ProblemsFound

    try:
        with working("Reading both versions"):
            before, after = checked([old]), checked([new])
    except ProblemsFound as error:
        fail_with(error.problems, 2)
    unknown = [
        complaint
        for complaint in some
        if complaint not in before.complaints or complaint not in after.complaints
    ]
    if unknown:
        raise click.UsageError(
            f"Not both versions have the complaint '{unknown[0]}'. Name one that both have, or none."
        )
    folders = [
        folder for path in scenarios or [shipped("scenarios")] for folder in (path, *sorted(path.rglob("*/")))
    ]
    files = knowledge_files([folder for folder in folders if folder.exists()])
    with working("Comparing") as progress:
        comparison = compared(before, after, cars, seed, list(files), some, progress)
    if form == "json":
        answer = {**asdict(comparison), "anything_worse": comparison.anything_worse}
        say(json_text(answer))
    else:
        for line in comparison_lines(after, comparison):
            say(line)
    sys.exit(1 if comparison.anything_worse else 0)
