"""Output of commands: printed without control characters, and papers readable by their owner only."""

from __future__ import annotations

import json
import os
from pathlib import Path

import click

from advisor.text import UNSEEN, visible


def say(text: str = "", err: bool = False, nl: bool = True) -> None:
    """Print a text, with control characters made visible."""
    click.echo(visible(text), err=err, nl=nl)


def json_text(answer: object) -> str:
    """Return a value as JSON, with control characters escaped."""
    text = json.dumps(answer, ensure_ascii=False, indent=2)
    return UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def write_private(file: Path, text: str) -> None:
    """Write a file about a job, readable by its owner only; an existing one is replaced whole or not at all.

    A temporary file beside it is renamed into place; leftovers of killed runs are removed.
    """
    if file.exists() and not file.is_file():  # a pipe or device cannot be replaced
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
        say(f"Others could read or write {file}; now only its owner can.", err=True)
