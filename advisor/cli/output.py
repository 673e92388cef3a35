"""What a command prints and writes: nothing in it drives a terminal, and papers are their owner's alone."""

from __future__ import annotations

import json
import os
from pathlib import Path

import click

from advisor.text import UNSEEN, visible


def say(text: str = "", err: bool = False, nl: bool = True) -> None:
    """Print a text; what it quotes from files, databases and the command line drives no terminal."""
    click.echo(visible(text), err=err, nl=nl)


def json_text(answer: object) -> str:
    """An answer as JSON; what drives a terminal is written as escapes, so that it stays word for word."""
    text = json.dumps(answer, ensure_ascii=False, indent=2)
    return UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def write_private(file: Path, text: str) -> None:
    """Write what is known of a job, to be read by its owner alone; a file is there whole or as it was.

    It is written beside and put in place, and what a killed run has left beside is gone afterwards.
    """
    if file.exists() and not file.is_file():  # a pipe or a device has nothing beside it
        file.write_text(text, encoding="utf-8")
        return
    place = file.resolve()
    wide = os.name == "posix" and place.exists() and place.stat().st_mode & 0o077
    beside = place.with_name(f".{place.name}.part")
    beside.unlink(missing_ok=True)
    try:
        new = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(new, "w", encoding="utf-8") as written:
            written.write(text)
            written.flush()
            os.fsync(new)
        beside.replace(place)
    finally:
        beside.unlink(missing_ok=True)
    if wide:
        say(f"Others could read or write {file}; now its owner alone can.", err=True)
