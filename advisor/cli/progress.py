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
"""Work that is done sooner says nothing."""
SAID_EVERY_SECONDS = 1.0
CLEARED = "\r\x1b[K"
"""Back to the beginning of the line, and everything after it away."""


@contextmanager
def working(what: str) -> Iterator[Callable[[int, int], None]]:
    """Say what is being done, how far it is and for how long, in one line that is gone when it is done.

    Yields a function that takes the pieces done and their total; who cannot say them does not call it.
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
    """Return a progress bar for so many pieces of work."""
    return click.progressbar(length=length, label=label, file=sys.stderr)
