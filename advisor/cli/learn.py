"""Commands on closed jobs: revised numbers, and the track record."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Literal

import click

from advisor.cli.errors import fail, refuse
from advisor.cli.jobs import stored_jobs
from advisor.cli.options import (
    NumberRange,
    checked,
    engines_of,
    from_here,
    knowledge_option,
    shipped,
    store_option,
    tell_of_changes,
)
from advisor.cli.output import say
from advisor.cli.progress import bar_of

if TYPE_CHECKING:
    from advisor.evaluation.scenarios import Scenario
    from advisor.knowledge.knowledge import Knowledge
    from advisor.store.records import StoredCase


LARGEST_PATCH = 1_000_000
"""Size limit in bytes; a larger file was not written by `advisor learn`."""


@click.command()
@knowledge_option
@store_option
@click.option(
    "--weight",
    type=NumberRange(0.1, 100_000),
    help="How many cars the author's shares under a complaint or branch weigh as much as. Default: 50.",
)
@click.option(
    "--likelihood-weight",
    type=NumberRange(0.1, 100_000),
    help="How many cars each of the author's likelihoods weighs as much as. Default: 20.",
)
@click.option(
    "--interval",
    type=click.Choice(["90", "95"]),
    default="95",
    show_default=True,
    help="Coverage of the intervals in percent.",
)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="Write the patch here.")
@click.option("--no-replay", is_flag=True, help="Do not try both versions on scenarios and closed jobs.")
@click.option(
    "--apply",
    "patch",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Apply an earlier patch to the knowledge files; it may change numbers only.",
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
    """Propose revised numbers from closed jobs, as a table and a patch to accept or reject."""
    meant = list(paths) or [shipped("knowledge")]
    if patch is not None:
        _apply(patch, meant)
        return
    from advisor.case.confirmed import gather
    from advisor.knowledge.loading import knowledge_files
    from advisor.learning.proposal import patched, propose, unified
    from advisor.learning.revision import LIKELIHOOD_CARS, SHARE_CARS, Weights
    from advisor.learning.revision import learn as learned
    from advisor.learning.summary import in_words_lines, proposal_lines, replay_lines

    knowledge = checked(paths)
    jobs = stored_jobs(store)
    gathered = gather(knowledge, [job.case for job in jobs])
    weights = Weights(weight or SHARE_CARS, likelihood_weight or LIKELIHOOD_CARS, int(interval) / 100)
    texts = {str(file): file.read_bytes().decode("utf-8") for file in knowledge_files(meant)}
    proposal = propose(knowledge, learned(knowledge, gathered.findings, weights), texts)
    for line in proposal_lines(knowledge, proposal, weights, len(gathered.findings), gathered.excluded):
        say(line)
    for line in in_words_lines(gathered.in_words):
        say(line)
    if not proposal.edits:
        return
    if not no_replay:
        say()
        for line in replay_lines(_tried(jobs, knowledge, proposal.knowledge)):
            say(line)
    if output is not None:
        after = patched(texts, proposal.edits)
        named = {name: from_here(Path(name)).as_posix() for name in texts}
        text = unified(
            {named[name]: texts[name] for name in texts}, {named[name]: after[name] for name in texts}
        )
        output.write_bytes(text.encode("utf-8"))
        say(f"\nNothing was changed. `advisor learn --apply {output}` changes the files.")


def _apply(patch: Path, meant: list[Path]) -> None:
    """Apply a patch to the knowledge files, after a patched copy has passed the checks."""
    from advisor.knowledge.loading import knowledge_files, text_of
    from advisor.knowledge.replacing import ENDINGS, replace_all
    from advisor.learning.proposal import CannotApply, applied, only_numbers, patch_files

    if not patch.is_file() or patch.stat().st_size > LARGEST_PATCH:
        refuse(
            [f"{patch} is not a file, or too large for a patch. Name what `advisor learn --output` wrote."]
        )
    tell_of_changes(meant)
    text = patch.read_bytes().decode("utf-8", errors="replace")
    known = {file.resolve(): file for file in knowledge_files(meant)}
    files = {name: Path(name) for name in patch_files(text)}
    refuse(
        [
            f"The patch is for {name}, which is none of the knowledge files. Name them with --knowledge."
            for name, file in files.items()
            if file.resolve() not in known
        ]
        or ([] if files else [f"{patch} is no patch: it names no file."])
    )
    refuse(
        [
            f"{from_here(file)} does not end in {' or '.join(ENDINGS)}, and other files are not changed. "
            "Nothing was changed. Rename it and make the patch again."
            for file in files.values()
            if file.resolve().suffix not in ENDINGS
        ]
    )
    old = {name: text_of(file) for name, file in files.items()}
    try:
        new = applied(text, old)
        only_numbers(old, new)
    except CannotApply as error:
        fail([str(error)], 1)
    after = {file: text_of(file) for file in known.values()}
    after.update({known[files[name].resolve()]: changed for name, changed in new.items()})
    errors = _errors_of(after)
    if errors:
        fail(["With this patch the knowledge would have errors. Nothing was changed.", *errors], 1)
    replace_all({files[name]: changed.encode("utf-8") for name, changed in new.items()})
    say(f"Changed: {', '.join(files)}.")


def _errors_of(texts: Mapping[Path, str]) -> list[str]:
    """Return the errors of these texts, checked as knowledge in a temporary folder."""
    from advisor.checks.lint import checked as without_error
    from advisor.knowledge.problems import ProblemsFound

    with TemporaryDirectory() as folder:
        copies = {Path(folder) / str(index) / file.name: file for index, file in enumerate(texts)}
        for copy, file in copies.items():
            copy.parent.mkdir()
            copy.write_bytes(texts[file].encode("utf-8"))
        try:
            without_error(copies)
        except ProblemsFound as error:
            names = {str(copy): str(file) for copy, file in copies.items()}
            return [
                str(replace(one, place=replace(one.place, file=names.get(one.place.file, one.place.file))))
                for one in error.problems
            ]
    return []


def _tried(jobs: list[StoredCase], *versions: Knowledge) -> list[tuple[int, int, int]]:
    """Return (right before, right after, total) of the shipped scenarios, then of the closed jobs."""
    from advisor.advice.situation import InconsistentEvidence
    from advisor.case.case import Case
    from advisor.evaluation.scenarios import play, read_scenarios
    from advisor.knowledge.problems import ProblemsFound
    from advisor.learning.track_record import judge

    scenarios: list[Scenario] = []
    for file in sorted(shipped("scenarios").rglob("*.yaml")):
        with contextlib.suppress(ProblemsFound):  # other knowledge may lack the ids of these cars
            scenarios += read_scenarios([file], versions[0]).values()
    right: list[tuple[int, int, int]] = []
    with bar_of(len(versions) * (len(scenarios) + len(jobs)), "Playing") as bar:
        for knowledge in versions:
            engines, found = engines_of(knowledge), 0
            for scenario in scenarios:
                with contextlib.suppress(InconsistentEvidence):
                    found += play(knowledge, engines.of(Case(scenario.complaint)), scenario).right
                bar.update(1)
            closed = judge(knowledge, engines.of, jobs, checklist=False, progress=lambda: bar.update(1))[0]
            right.append((found, sum(job.right for job in closed), len(closed)))
    before, after = right
    return [(before[0], after[0], len(scenarios)), (before[1], after[1], before[2])]


@click.command()
@knowledge_option
@store_option
@click.option(
    "--by",
    "span",
    type=click.Choice(["month", "quarter", "year"]),
    default="quarter",
    show_default=True,
    help="The length of a period.",
)
def track(paths: tuple[Path, ...], store: str | None, span: Literal["month", "quarter", "year"]) -> None:
    """Show how often the confirmed causes of closed jobs came out first, over time."""
    from advisor.learning.summary import few_guesses_lines, record_lines, too_few_lines
    from advisor.learning.track_record import FEWEST, TooFew, judge, summed_up

    knowledge = checked(paths)
    jobs = stored_jobs(store)
    with bar_of(len(jobs), "Weighing") as bar:
        judged, excluded = judge(knowledge, engines_of(knowledge).of, jobs, progress=lambda: bar.update(1))
    try:
        record = summed_up(judged, excluded, span)
    except TooFew as error:
        for line in (*too_few_lines(error), *few_guesses_lines(judged)):
            say(line)
        return
    for line in record_lines(record, FEWEST):
        say(line)
