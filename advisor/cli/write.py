"""Commands that write knowledge in other forms: networks, pictures, the schema."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from advisor.cli.errors import fail, refuse_unknown
from advisor.cli.options import (
    Pair,
    case_of,
    checked,
    complaint_option,
    engine_of,
    knowledge_option,
    output_option,
)
from advisor.cli.output import json_text, say

if TYPE_CHECKING:
    from advisor.knowledge.knowledge import Knowledge


@click.command()
@knowledge_option
@complaint_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["bif", "xmlbif"]),
    default="bif",
    show_default=True,
    help="The file format.",
)
@output_option
def export(paths: tuple[Path, ...], complaint: str, form: str, output: Path | None) -> None:
    """Write a complaint's network for other Bayesian-network programs."""
    from advisor.model.export import write
    from advisor.model.network import build

    knowledge = checked(paths)
    refuse_unknown("complaint", [complaint], knowledge.complaints)
    text = write(build(knowledge, complaint).tables, form)
    if output is None:
        say(text)
    else:
        output.write_text(text, encoding="utf-8")


@click.command()
@click.argument("root", metavar="ID")
@knowledge_option
@output_option
@click.option(
    "--probabilities", is_flag=True, help="Show the probability of every event, given the complaint."
)
@click.option("--complaint", metavar="ID", help="For a branch: the complaint to take probabilities from.")
@click.option("--fact", "facts", type=Pair(), multiple=True, help="A known fact of the vehicle.")
@click.option("--saw", type=Pair(), multiple=True, help="What a reading showed: READING=OUTCOME.")
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
    """Draw the fault tree of a complaint or branch as SVG, with the gate symbols of IEC 61025."""
    from advisor.papers.fault_tree import tree_svg

    knowledge = checked(paths)
    known = {**knowledge.complaints, **knowledge.branches}
    refuse_unknown("complaint or branch", [root], known)
    shown = None
    if probabilities or facts or saw:
        of = complaint or root
        if of not in knowledge.complaints:
            raise click.UsageError(f"'{of}' is a branch. Name its complaint too, with --complaint.")
        shown = _probabilities(knowledge, of, facts, saw)
        if root not in shown:
            fail([f"'{root}' is not part of the complaint '{of}'. Name a complaint that it is part of."], 1)
    text = tree_svg(knowledge, root, shown, readings=not no_readings)
    if output is None:
        say(text)
    else:
        output.write_text(text, encoding="utf-8")


def _probabilities(
    knowledge: Knowledge,
    complaint: str,
    facts: tuple[tuple[str, str], ...],
    saw: tuple[tuple[str, str], ...],
) -> dict[str, float]:
    """Return P(present) of every fault, branch and state, given the complaint, facts and outcomes."""
    from advisor.inference.engine import ImpossibleEvidence

    engine = engine_of(knowledge, complaint)
    case = case_of(knowledge, complaint, facts, saw, ())
    try:
        marginals = engine.query(case.evidence(knowledge, engine)).marginals
    except ImpossibleEvidence as error:
        fail([f"These answers contradict each other: {', '.join(error.clash)}. Leave one of them out."], 1)
    return {
        node: float(probabilities[-1])
        for node, probabilities in marginals.items()
        if node not in knowledge.facts
    }


@click.command(name="schema")
def print_schema() -> None:
    """Print the JSON Schema of knowledge files, for editors that complete and check by it."""
    from advisor.knowledge.vocabulary import schema

    say(json_text(schema()))
