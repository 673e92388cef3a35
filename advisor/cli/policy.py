"""The command that shows the values a workshop may set."""

from __future__ import annotations

from pathlib import Path

import click

from advisor.cli.options import policy_of, workshop_option
from advisor.cli.output import json_text, say


@click.command()
@workshop_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["toml", "json"]),
    default="toml",
    show_default=True,
    help="TOML to save, edit and name with --workshop; JSON for other programs.",
)
def policy(workshop: Path | None, form: str) -> None:
    """Show the values that a workshop may set, with what each changes, as a file to edit."""
    from advisor.knowledge.workshop_file import as_toml, usual_file
    from advisor.policy import parameters

    used = policy_of(workshop)
    if form == "toml":
        say(as_toml(used, workshop or usual_file()), nl=False)
        return
    known = parameters()
    values = [
        {
            "name": name,
            "value": value,
            "is_default": name not in used.changed,
            "unit": known[name].unit,
            "from": known[name].low,
            "to": known[name].high,
            "standing": known[name].standing,
            "changes": known[name].changes,
        }
        for name, value in used.values.items()
    ]
    say(json_text(values))
