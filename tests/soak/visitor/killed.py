"""The real program in a terminal of its own, used in haste and killed at a random moment."""

from __future__ import annotations

import fcntl
import importlib
import os
import pkgutil
import pty
import random
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from textual.app import App
from textual.binding import Binding
from textual.dom import DOMNode

from advisor import screens
from advisor.logfile import usual_file
from tests.soak.visitor.ways import NUMBERS, ODD_WORDS, TAGS

ROOT = Path(__file__).parent.parent.parent.parent
STARTS_SECONDS, LIVES_SECONDS, ENDS_SECONDS = 600.0, (0.05, 4.0), 120.0
READY = ("New job", "New call")
"""What stands on the first screens once they can be used."""
BYTES = {
    **{"escape": b"\x1b", "enter": b"\r", "space": b" ", "slash": b"/", "question_mark": b"?", "tab": b"\t"},
    **{"up": b"\x1b[A", "down": b"\x1b[B", "pageup": b"\x1b[5~", "pagedown": b"\x1b[6~", "f1": b"\x1bOP"},
    **{"f2": b"\x1bOQ", "f10": b"\x1b[21~", "ctrl+s": b"\x13"},
}
"""What a terminal sends for keys that are no letters."""


@cache
def bound() -> tuple[str, ...]:
    """Every key that any screen binds, but for the one that leaves."""
    for module in pkgutil.walk_packages(screens.__path__, "advisor.screens."):
        importlib.import_module(module.name)
    found: set[str] = set()
    nodes: list[type[DOMNode]] = [DOMNode]
    while nodes:
        node = nodes.pop()
        nodes += node.__subclasses__()
        if node.__module__.startswith("advisor.") and not issubclass(node, App):
            for said in node.__dict__.get("BINDINGS", ()):
                key = said.key if isinstance(said, Binding) else said[0]
                found.update(key.split(","))
    return tuple(sorted(found))


def keystrokes(draw: random.Random) -> list[bytes]:
    """A hasty visit: a new job or the first there is, and then whatever comes under the fingers."""
    tag = draw.choice(TAGS).encode()
    begun = [[b"n", tag, b"\r", b"\r", b"\r", BYTES["f10"]], [BYTES["down"], b"\r", b"1"], []]
    strokes = list(draw.choice(begun))
    for _ in range(draw.randrange(200)):
        chance = draw.random()
        if chance < 0.4:
            strokes.append(draw.choice((b"\r", b"1", b"2", b"y", BYTES["down"], BYTES["f10"])))
        elif chance < 0.85:
            key = draw.choice(bound())
            strokes.append(BYTES.get(key, key.encode() if len(key) == 1 else b"\r"))
        elif chance < 0.92:
            strokes.append(draw.choice(NUMBERS).encode() + b"\r")
        elif chance < 0.95:
            strokes.append(draw.choice(ODD_WORDS).encode("utf-8", "replace").replace(b"\x1b", b""))
        else:
            at = f"{draw.randint(1, 80)};{draw.randint(1, 24)}"
            strokes.append(f"\x1b[<0;{at}M\x1b[<0;{at}m".encode())
    return strokes


def listen(terminal: int, seconds: float) -> bytes:
    """Return what the program paints within so many seconds."""
    said = b""
    end = time.monotonic() + seconds
    while True:
        ready, _, _ = select.select([terminal], [], [], max(0.0, end - time.monotonic()))
        if not ready:
            return said
        try:
            said += os.read(terminal, 65536)
        except OSError:  # nobody holds the other end any more
            return said
        if time.monotonic() > end:
            return said


def logged() -> str:
    """Return the end of the program's log, which says where it failed."""
    file = usual_file()
    return f"\n{file.name}:\n{file.read_text(encoding='utf-8')[-3000:]}" if file.exists() else ""


def visit(url: str, paths: Sequence[Path], desk: bool, seed: int) -> tuple[int, bool, str]:
    """Use the program and kill it: how many keys it got, whether it was killed, and what is wrong, or ""."""
    draw = random.Random(seed)
    words = [sys.executable, "-m", "advisor", "prescreen" if desk else "bench", "--store", url]
    for path in paths:
        words += ["--knowledge", str(path)]
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    program = subprocess.Popen(
        words,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        cwd=ROOT,
        env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(ROOT)},
    )
    os.close(theirs)
    said = b""
    given = 0
    try:
        patience = time.monotonic() + STARTS_SECONDS
        while not any(one.encode() in said for one in READY) and program.poll() is None:
            if time.monotonic() > patience:
                return 0, False, f"the program was not ready after {STARTS_SECONDS:.0f} s"
            said += listen(ours, 0.05)
        end = time.monotonic() + draw.uniform(*LIVES_SECONDS)
        for stroke in keystrokes(draw):
            if time.monotonic() > end or program.poll() is not None:
                break
            try:
                os.write(ours, stroke)
            except OSError:  # it has just ended
                break
            given += 1
            said += listen(ours, draw.choice((0.0, 0.005, 0.02, 0.08)))
        killed = program.poll() is None
        if killed:
            os.kill(program.pid, signal.SIGKILL)
        program.wait(ENDS_SECONDS)
        said += listen(ours, 0.0)
        if b"Traceback" in said or (not killed and program.returncode not in (0, None)):
            return (
                given,
                killed,
                f"it ended with {program.returncode}: {said[-3000:].decode(errors='replace')}{logged()}",
            )
        return given, killed, ""
    finally:
        if program.poll() is None:
            program.kill()
            program.wait(ENDS_SECONDS)
        os.close(ours)
