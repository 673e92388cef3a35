"""Progress of long work, on standard error; Ctrl+C stops it."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from typing import Any

import click


def bar_of(length: int, label: str) -> contextlib.AbstractContextManager[Any]:
    """Return a progress bar for so many pieces of work."""
    return click.progressbar(length=length, label=label, file=sys.stderr)


def moving(bar: Any) -> Callable[[int, int], None]:
    """Return a function that moves the bar, given pieces done and their total."""

    def progress(done: int, _: int) -> None:
        bar.update(done - bar.pos)

    return progress
