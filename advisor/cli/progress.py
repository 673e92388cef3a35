"""How far long work has come, on standard error; Ctrl-C stops it."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from typing import Any

import click


def bar_of(length: int, label: str) -> contextlib.AbstractContextManager[Any]:
    """A bar for so many pieces of work."""
    return click.progressbar(length=length, label=label, file=sys.stderr)


def moving(bar: Any) -> Callable[[int, int], None]:
    """Moves the bar to where the work is, as told in pieces done of how many."""

    def progress(done: int, _: int) -> None:
        bar.update(done - bar.pos)

    return progress
