"""Properties of pure refrigerants, liquid and gas together: by CoolProp, here or in a process beside.

When it is first asked CoolProp reads all its fluids: two seconds in one call, in which no other thread of
Python runs, and a screen stands still. So a program with screens has a process beside asked, which does
nothing else. It ends with its input, so that a program which was killed leaves none. Numbers lose nothing.
"""

from __future__ import annotations

import atexit
import json
import subprocess
import sys
import threading
from contextlib import suppress
from functools import lru_cache

_ANSWERING = """
import sys
sys.path[:] = sys.argv[1:]
from advisor.measure.refrigerants import answer
answer()
"""


class _Beside:
    """The process beside; one question at a time."""

    def __init__(self) -> None:
        self.asking = threading.Lock()
        self.process = subprocess.Popen(
            [sys.executable, "-c", _ANSWERING, *sys.path],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="ascii",
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
        atexit.register(self.end)

    def ask(self, question: tuple[str, str, float, str]) -> float | None:
        """Its answer; None where it has ended. Raises `ValueError` as CoolProp does."""
        stdin, stdout = self.process.stdin, self.process.stdout
        assert stdin is not None
        assert stdout is not None
        with self.asking:
            try:
                stdin.write(json.dumps(question) + "\n")
                stdin.flush()
                line = stdout.readline()
            except OSError:
                return None
        if not line.endswith("\n"):
            return None
        answered: float | str = json.loads(line)
        if isinstance(answered, str):
            raise ValueError(answered)
        return answered

    def end(self) -> None:
        """End it; there is nothing that it could lose."""
        with suppress(BrokenPipeError), self.process:  # a question that nobody hears any more
            self.process.kill()


_beside: _Beside | None = None


def beside() -> None:
    """From now on have a process of its own asked, if one can be started; ready after two seconds."""
    global _beside
    if _beside is None or _beside.process.poll() is not None:
        try:
            _beside = _Beside()
        except OSError:
            _beside = None  # then it is asked here, which gives the same numbers


@lru_cache(maxsize=4096)
def saturated(wanted: str, known: str, value: float, fluid: str) -> float:
    """Return a property of a saturated gas by another one, in SI units and CoolProp's letters.

    A process beside that has ended is not missed: CoolProp is asked here then.
    """
    answered = _beside.ask((wanted, known, value, fluid)) if _beside is not None else None
    return _here(wanted, known, value, fluid) if answered is None else answered


def _here(wanted: str, known: str, value: float, fluid: str) -> float:
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI(wanted, known, value, "Q", 1.0, fluid))


def answer() -> None:
    """Answer questions, a line each, to the end of the input: what the process beside does.

    It asks itself first, so that what takes long is done when somebody asks.
    """
    _here("P", "T", 293.15, "R134a")
    for line in sys.stdin:
        answered: float | str
        try:
            answered = _here(*json.loads(line))
        except ValueError as error:
            answered = str(error)
        sys.stdout.write(json.dumps(answered) + "\n")
        sys.stdout.flush()
