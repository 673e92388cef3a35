"""The command that shows everything a workshop may choose, and writes the file to edit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import click

from advisor.cli.options import (
    chosen,
    knowledge_option,
    store_option,
    without_option,
    workshop_file,
    workshop_option,
)
from advisor.cli.output import json_text, say, write_private

if TYPE_CHECKING:
    from advisor.policy import Policy

WIDE, INDENT = 100, " " * 6
"""Letters in a line of the list, and what an explanation begins with."""
BEFORE = ".before"
"""What the name of the file as it was ends with."""


@click.command()
@workshop_option
@store_option
@knowledge_option
@without_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "toml", "json"]),
    default=lambda: "toml" if click.get_current_context().info_name == "policy" else "text",
    help="Text to read (default); TOML to save, edit and name with --workshop; JSON for other programs.",
)
@click.option("--write", is_flag=True, help="Write the workshop's file, with what each choice changes.")
def settings(workshop: Path | None, form: str, write: bool, **_: object) -> None:
    """Show each choice of the workshop, where it comes from and what it changes, or write a file to edit.

    A flag comes first, then a variable of the environment, then the workshop's file, then the default.
    `advisor policy` is the same command by its old name.
    """
    from advisor.knowledge.workshop_file import as_toml, place, read_file
    from advisor.settings import without_password

    file = workshop_file(workshop)
    if write:
        target = file or place()
        said = read_file(target if target.exists() else None)
        _write(target, as_toml(said.policy, target if target.exists() else None, said.choices))
        return
    said = read_file(file)
    if form == "toml":
        choices = dict(said.choices)
        store = str(choices.get("store", ""))
        if store and without_password(store) != store:
            del choices["store"]  # a password is not shown
        say(as_toml(said.policy, file, choices), nl=False)
    elif form == "json":
        say(json_text([*_choices(), *_figures(said.policy)]))
    else:
        for line in settings_lines(said.policy, file):
            say(line)


def _write(file: Path, text: str) -> None:
    """Write the file, and keep the one that was there under another name."""
    if file.exists():
        kept = file.with_name(file.name + BEFORE)
        write_private(kept, file.read_text(encoding="utf-8"))
        say(f"The file as it was is kept as {kept}.")
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    write_private(file, text)
    say(f"Written: {file}. Take the # from a line to set it.")


def settings_lines(policy: Policy, file: Path | None) -> Iterator[str]:
    """Yield each choice with its value, where it comes from and what it changes; passwords are left out."""
    yield f"The workshop's file is {file}." if file else "There is no workshop's file: --write makes one."
    heading = ""
    for one in (*_choices(), *_figures(policy)):
        if one["heading"] != heading:
            heading = one["heading"]
            yield ""
            yield heading
        flag = f"{one['flag']}, " if one["flag"] else ""
        by = f" (also {flag}{one['variable']})" if one["variable"] else ""
        yield f"  {one['name']} = {_shown(one['value'])}   [{one['source']}]"
        yield from wrap(f"{one['changes']}{by}", WIDE, initial_indent=INDENT, subsequent_indent=INDENT)


def _choices() -> Iterator[dict[str, Any]]:
    from advisor.settings import CHOICES, variable, without_password

    said, sources = chosen()
    for name, value in said.values.items():
        choice = CHOICES[name]
        yield {
            "name": name,
            "value": without_password(str(value)) if name == "store" and value else value,
            "source": sources[name],
            "is_default": sources[name] == "default",
            "heading": choice.heading,
            "flag": choice.flag,
            "variable": variable(name),
            "changes": choice.changes,
        }


def _figures(policy: Policy) -> Iterator[dict[str, Any]]:
    from advisor.policy import parameters

    changed: Mapping[str, float] = policy.changed
    for name, value in policy.values.items():
        known = parameters()[name]
        yield {
            "name": name,
            "value": value,
            "source": "file" if name in changed else "default",
            "is_default": name not in changed,
            "heading": known.heading,
            "flag": "",
            "variable": "",
            "unit": known.unit,
            "from": known.low,
            "to": known.high,
            "standing": known.standing,
            "changes": known.changes,
        }


def _shown(value: object) -> str:
    from advisor.settings import in_toml

    return in_toml(value) if value not in ("", ()) else "not set"
