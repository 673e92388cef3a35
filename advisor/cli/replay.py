"""Commands that play scenarios to their end."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from advisor.cli.options import (
    checked,
    knowledge_option,
    policy_of,
    reasoner_of,
    shipped,
    workshop_option,
)
from advisor.cli.output import say
from advisor.text import counted

if TYPE_CHECKING:
    from advisor.evaluation.scenarios import Played
    from advisor.inference.engine import InferenceEngine
    from advisor.knowledge.knowledge import Knowledge
    from advisor.simulate.array_advice import PlayedRanking

DEMO = "drain/01_boot_lamp.yaml"


@click.command()
def demo() -> None:
    """Play a shipped scenario as text, from complaint to cause."""
    from advisor.evaluation.scenarios import play, read_scenarios

    knowledge = checked(())
    file, scenario = next(iter(read_scenarios([shipped("scenarios") / DEMO], knowledge).items()))
    say(f"An invented car, from {file.name}: {scenario.name}. {scenario.story}")
    say()
    engine = reasoner_of(knowledge, scenario.complaint)
    for line in _story(knowledge, play(knowledge, engine, scenario)):
        say(line)


@click.command()
@click.argument("scenarios", nargs=-1, type=click.Path(path_type=Path))
@knowledge_option
@workshop_option
@click.option("--story", is_flag=True, help="Print each scenario step by step.")
@click.option(
    "--by-bits", is_flag=True, help="Order readings by bits alone. Default: for the time they take."
)
def replay(
    scenarios: tuple[Path, ...],
    paths: tuple[Path, ...],
    workshop: Path | None,
    story: bool,
    by_bits: bool,
) -> None:
    """Play scenario files to the end and say whether the true causes come out on top."""
    from advisor.advice.situation import InconsistentEvidence
    from advisor.evaluation.scenarios import play, read_scenarios
    from advisor.papers.format import duration

    policy = policy_of(workshop)
    ranking: PlayedRanking = "bits" if by_bits else "bits for the time"
    knowledge = checked(paths)
    if policy.words:
        say(policy.words)
    engines: dict[str, InferenceEngine] = {}
    missed = clashes = 0
    for file, scenario in read_scenarios(scenarios or [shipped("scenarios")], knowledge).items():
        if scenario.complaint not in engines:
            engines[scenario.complaint] = reasoner_of(knowledge, scenario.complaint)
        try:
            played = play(knowledge, engines[scenario.complaint], scenario, policy, ranking)
        except InconsistentEvidence as error:
            clashes += 1
            say(f"{file}:1:1: clash: {error}", err=True)
            continue
        missed += not played.right
        mark = "found    " if played.right else "NOT FOUND"
        say(
            f"{mark}  {len(played.steps):2} readings  {duration(played.minutes):>8}  "
            f"{file.name}: {scenario.name}"
        )
        if story or not played.right:
            for line in _story(knowledge, played):
                say("    " + line)
    if missed:
        cars = counted(missed, "scenario")
        say(f"{cars} did not end with the true causes on top. Look at the steps above.", err=True)
    if clashes:
        say(f"{counted(clashes, 'scenario')} could not be played. Change what is told above.", err=True)
    if missed or clashes:
        sys.exit(1)


def _story(knowledge: Knowledge, played: Played) -> Iterable[str]:
    from advisor.bench.wording import entry_words, remedy_lines, stop_sentence, suspect_lines
    from advisor.papers.format import duration

    yield f"Complaint: {knowledge.complaints[played.scenario.complaint].name}"
    yield from suspect_lines(played.start.suspects, 3)
    for number, step in enumerate(played.steps, start=1):
        reading = knowledge.readings[step.proposal.reading]
        yield ""
        yield (
            f"{number}. {reading.name} ({step.proposal.expected_information_bits:.2f} bits, "
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
