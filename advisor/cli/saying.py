"""What a command prints and writes: nothing in it drives a terminal, and papers are their owner's alone."""

from __future__ import annotations

import json
from pathlib import Path

import click

from advisor.letters import UNSEEN, visible


def say(text: str = "", err: bool = False, nl: bool = True) -> None:
    """Print a text; what it quotes from files, databases and the command line drives no terminal."""
    click.echo(visible(text), err=err, nl=nl)


def json_text(answer: object) -> str:
    """An answer as JSON; what drives a terminal is written as escapes, so that it stays word for word."""
    text = json.dumps(answer, ensure_ascii=False, indent=2)
    return UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def write_private(file: Path, text: str) -> None:
    """Write what is known of a job; a file that is new can be read by its owner alone."""
    file.touch(mode=0o600)
    file.write_text(text, encoding="utf-8")
