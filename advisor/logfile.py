"""The log for whoever is called for help: what the program did, what failed and what was slow.

Nothing of a case is in it, and nothing is written before `begin`. Of an exception only the kind and the lines
of code are kept: its words may be a customer's. Events are fixed sentences; facts are figures or kinds.
"""

from __future__ import annotations

import logging
import os
import sys
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path

from platformdirs import user_data_path

NAME = "advisor.log"
LARGEST_BYTES, OLDER_FILES = 256 * 1024, 3
"""How large the file gets before it is put aside, and how many older ones are kept."""
SLOW_SECONDS = 2.0
"""A step that takes longer is written down."""
MOST_CHAINED = 10
"""So many exceptions that led to one another at most are written down."""

_log = logging.getLogger("advisor.logfile")
_log.propagate = False
_log.setLevel(logging.INFO)
_log.addHandler(logging.NullHandler())


def usual_file() -> Path:
    """Return the log in the user's data folder, beside the cases."""
    return user_data_path("advisor") / NAME


def begin(command: str, version: str) -> str:
    """Write from here on to the usual file; return "", or why that cannot be."""
    if any(isinstance(one, _Shared) for one in _log.handlers):
        return ""
    file = usual_file()
    try:
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)  # the cases will be there too
        handler = _Shared(file)
    except OSError as error:
        return f"There is no log: {error.strerror or error} ({file})."
    handler.setFormatter(logging.Formatter("%(asctime)s %(process)d %(levelname)s %(message)s"))
    _log.addHandler(handler)
    log_event("started", command=command, advisor=version, python=sys.version.split()[0], system=sys.platform)
    return ""


def sentence() -> str:
    """Return what a person is told after an error of the program itself."""
    return (
        "The program has ended because of an error of its own; every entry that was saved is kept, and "
        f"{usual_file()} holds what whoever helps you needs."
    )


def end() -> None:
    """Write nothing more, and close the file."""
    for handler in [one for one in _log.handlers if isinstance(one, _Shared)]:
        _log.removeHandler(handler)
        handler.close()


def log_event(event: str, **facts: str | float) -> None:
    """Write down that something happened."""
    _log.info("%s", _line(event, facts))


def log_error(event: str, error: BaseException, **facts: str | float) -> None:
    """Write down that something failed, with the lines of code that led there."""
    _log.error("%s\n%s", _line(event, facts), without_words(error))


@contextmanager
def timed(step: str) -> Iterator[None]:
    """Write a step down if it is slow; also a decorator."""
    began = time.monotonic()
    try:
        yield
    finally:
        took = time.monotonic() - began
        if took > SLOW_SECONDS:
            _log.warning("%s", _line("slow", {"step": step, "seconds": round(took, 1)}))


def without_words(error: BaseException) -> str:
    """Return the traceback of an exception and of those before it: kinds and lines of code, no words."""
    chain: list[BaseException] = []
    here: BaseException | None = error
    while here is not None and here not in chain and len(chain) < MOST_CHAINED:
        chain.append(here)
        here = here.__cause__ or (None if here.__suppress_context__ else here.__context__)
    return "\nThat led to:\n".join(_one(link) for link in reversed(chain))


def _one(error: BaseException) -> str:
    kind = type(error)
    name = kind.__qualname__ if kind.__module__ == "builtins" else f"{kind.__module__}.{kind.__qualname__}"
    reason = f": {os.strerror(error.errno)}" if isinstance(error, OSError) and error.errno else ""
    return f"{''.join(traceback.format_tb(error.__traceback__))}{name}{reason}"


def _line(event: str, facts: dict[str, str | float]) -> str:
    said = "".join(f", {name} {' '.join(str(value).split())}" for name, value in facts.items())
    return f"{event}{said}"


class _Shared(RotatingFileHandler):
    """A rotated file, readable by its owner only, that several programs may write.

    After another program has put the file aside, the next line goes into the new one.
    """

    def __init__(self, file: Path) -> None:
        super().__init__(file, maxBytes=LARGEST_BYTES, backupCount=OLDER_FILES, encoding="utf-8")

    def _open(self) -> TextIOWrapper:
        """Open the file as its owner's own."""
        Path(self.baseFilename).touch(mode=0o600)
        return super()._open()

    def emit(self, record: logging.LogRecord) -> None:
        """Write a line, into the file that has the name now."""
        self.acquire()
        try:
            if self.stream and not self._is_there(self.stream):
                self.stream.close()
                self.stream = self._open()
            super().emit(record)
        finally:
            self.release()

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 (named by logging)
        """Go on without the line: a full disk is no reason to stop, and the screens say so themselves."""

    def _is_there(self, stream: TextIOWrapper) -> bool:
        try:
            there, ours = Path(self.baseFilename).stat(), os.fstat(stream.fileno())
        except OSError:
            return False
        return (there.st_dev, there.st_ino) == (ours.st_dev, ours.st_ino)
