"""The commands. Exit codes: 0 fine, 1 problems in knowledge or evidence, 2 wrong use, 3 disk or database.

The list of commands is printed without click, whose import takes three times as long as starting Python. It
is the file beside this one: click's own help text at a width of 80 characters.
"""

from __future__ import annotations

import io
import os
import sys
from typing import NoReturn

LIST_OF_COMMANDS = __file__.replace("__init__.py", "help.txt")
LETTERS = 80
"""Longest line of click's help text, in characters."""
CALLED = {"advisor": "advisor", "__main__.py": "python -m advisor"}
"""What click calls the program, by the name of the file started."""


def main() -> NoReturn:
    """Run the program and exit; every expected failure ends in a message and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal whose encoding lacks bars and arrows shows question marks instead.
            stream.reconfigure(errors="replace")
    try:
        if not _listed():
            from advisor.cli.program import run

            run()
        sys.stdout.flush()
    except KeyboardInterrupt:  # before click handles it
        sys.stderr.write("\nStopped.\n")
        sys.exit(1)
    except BrokenPipeError:
        # The reader of our output has gone: nothing to say, and nothing more to flush.
        sys.stdout = None
    sys.exit(0)


def _listed() -> bool:
    """Print the list of commands if only that is asked for and it fits; return whether it was printed."""
    name = CALLED.get(sys.argv[0].rpartition(os.sep)[2])
    if sys.argv[1:] not in (["--help"], ["-h"]) or name is None or not _wide():
        return False
    with open(LIST_OF_COMMANDS, encoding="utf-8") as file:  # noqa: PTH123 (pathlib takes as long as the rest)
        sys.stdout.write(file.read().replace("advisor", name, 1))
    return True


def _wide() -> bool:
    """Return whether the terminal fits the list, by the rules of `shutil.get_terminal_size`."""
    columns = os.environ.get("COLUMNS", "")
    if columns.isdecimal() and int(columns):
        return int(columns) >= LETTERS
    try:
        return os.get_terminal_size().columns >= LETTERS
    except OSError:  # no terminal
        return True
