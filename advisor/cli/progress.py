"""Progress of long work, on standard error if that is a terminal; Ctrl+C stops it."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

import click

FIRST_SAID_SECONDS = 1.0
"""Shorter work shows no progress."""
SAID_EVERY_SECONDS = 1.0
CLEARED = "\r\x1b[K"
"""Return to the start of the line and clear it."""


@contextmanager
def working(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show on one line what is being done, how far it is and for how long; clear the line at the end.

    Yields a function to report progress with: the pieces done and their total. Calling it is optional.
    """
    part = ""

    def progress(done: int, total: int) -> None:
        nonlocal part
        part = f" {done / total:.0%}," if total else ""

    if not sys.stderr.isatty():
        yield progress
        return
    began, over = time.monotonic(), threading.Event()

    def tell() -> None:
        pause = FIRST_SAID_SECONDS
        while not over.wait(pause):
            seconds = time.monotonic() - began
            sys.stderr.write(f"{CLEARED}{what}:{part} {seconds:.0f} s. Ctrl+C stops it.")
            sys.stderr.flush()
            pause = SAID_EVERY_SECONDS

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        yield progress
    finally:
        over.set()
        teller.join()
        if time.monotonic() - began >= FIRST_SAID_SECONDS:
            sys.stderr.write(CLEARED)
            sys.stderr.flush()


def bar_of(length: int, label: str) -> AbstractContextManager[Any]:
    """Return a progress bar for this many pieces of work."""
    return click.progressbar(length=length, label=label, file=sys.stderr)
