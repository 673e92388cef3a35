"""The commands. Exit codes: 0 fine, 1 problems in knowledge or evidence, 2 wrong use, 3 disk or database.

The list of commands is the one thing that is printed without click: importing click takes three times as long
as starting Python. The list lies beside this file, as click writes it where lines are 80 letters long.
"""

from __future__ import annotations

import io
import os
import sys
from typing import NoReturn

LIST_OF_COMMANDS = __file__.replace("__init__.py", "help.txt")
LETTERS = 80
"""Of the longest lines that click writes."""
CALLED = {"advisor": "advisor", "__main__.py": "python -m advisor"}
"""What click calls the program, by the file that is started."""


def main() -> NoReturn:
    """Run the program; every expected failure ends in a message and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A stream with few letters shows bars and arrows as question marks, and goes on.
            stream.reconfigure(errors="replace")
    try:
        if not _listed():
            from advisor.cli.program import run

            run()
        sys.stdout.flush()
    except KeyboardInterrupt:  # before click has begun to heed it
        sys.stderr.write("\nStopped.\n")
        sys.exit(1)
    except BrokenPipeError:
        # Whoever read our output has gone: nothing to say, and nothing more to flush.
        sys.stdout = None
    sys.exit(0)


def _listed() -> bool:
    """Print the list of commands where nothing else is asked for, and the terminal is wide enough."""
    name = CALLED.get(sys.argv[0].rpartition(os.sep)[2])
    if sys.argv[1:] not in (["--help"], ["-h"]) or name is None or not _wide():
        return False
    with open(LIST_OF_COMMANDS, encoding="utf-8") as file:  # noqa: PTH123 (pathlib takes as long as the rest)
        sys.stdout.write(file.read().replace("advisor", name, 1))
    return True


def _wide() -> bool:
    """Return whether lines may be as long as in the list, by the rules of `shutil.get_terminal_size`."""
    said = os.environ.get("COLUMNS", "")
    if said.isdecimal() and int(said):
        return int(said) >= LETTERS
    try:
        return os.get_terminal_size().columns >= LETTERS
    except OSError:  # no terminal
        return True
