"""How long the program takes to start, beside Python doing nothing and beside importing the model library.

Run from the top of the project: python -m tests.benchmarks.start

In each round every command runs once, as a process of its own, one after the other; the medians of the
rounds are compared, so that a machine that is busy for a while is so for all of them. Ratios are of the time
on the clock and, behind it, of the time on the processor, which other programs disturb less. Memory is the
largest that one process had resident. `advisor` is run as the installed script runs it. Compiled Python
files and engines lie in folders of this benchmark's own. The first run of `next` checks the knowledge and
compiles the network: each of those begins with no engine kept. The second finds both done.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
FAMILIES = {"drain": "flat_battery", "ingress": "wind_noise", "climate": "poor_cooling"}
SCRIPT = "import sys; sys.argv[0] = 'advisor'; from advisor.cli import main; main()"
NOTHING = "python -c pass"
LIBRARY = 'python -c "import pgmpy.models"'
LIST = "advisor --help"
MOST = {LIST: 4.0, "next": 0.6}
"""What the ratios to `NOTHING` and to `LIBRARY` should be at most."""


@dataclass(frozen=True)
class Run:
    """One process: seconds on the clock and on the processor, and its largest resident memory."""

    clock_seconds: float
    processor_seconds: float
    megabytes: float


def run(words: Iterable[str], environment: Mapping[str, str]) -> Run:
    """Run Python with these words to its end; `CalledProcessError` where that is not a good one."""
    command = [sys.executable, *words]
    start = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    clock = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    unit = 1e6 if sys.platform == "darwin" else 1e3  # bytes there, kilobytes elsewhere
    return Run(clock, used.ru_utime + used.ru_stime, used.ru_maxrss / unit)


PARTS = ("clock_seconds", "processor_seconds")


def row(name: str, runs: list[Run], beside: list[Run], wanted: float | None = None) -> str:
    """One line of the table: medians of a command, and its ratios to the one it is compared with."""
    clock, processor = (statistics.median(getattr(one, part) for one in runs) for part in PARTS)
    against = [statistics.median(getattr(one, part) for one in beside) for part in PARTS]
    memory = max(one.megabytes for one in runs)
    limit = "" if wanted is None else f"{wanted:g}"
    numbers = f"{len(runs):>10}{1000 * clock:>10.0f}{1000 * processor:>10.0f}{memory:>10.0f}"
    return f"{name:<32}{numbers}{clock / against[0]:>10.2f}{processor / against[1]:>10.2f}{limit:>10}"


def main() -> None:
    """Time the list of commands, and `next` on a complaint of each family, the first and the second time."""
    parser = argparse.ArgumentParser(description="Time how the program starts.")
    parser.add_argument("--rounds", type=int, default=20, help="of everything but first runs")
    parser.add_argument("--first", type=int, default=5, help="rounds of first runs, which take longest")
    options = parser.parse_args()
    own = Path(tempfile.mkdtemp())
    try:
        measure(own, options.rounds, options.first)
    finally:
        shutil.rmtree(own)


def measure(own: Path, rounds: int, first: int) -> None:
    """Run the rounds with folders below `own`, and print the table."""
    environment = {name: said for name, said in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment |= {"XDG_CACHE_HOME": str(own / "kept"), "PYTHONPYCACHEPREFIX": str(own / "compiled")}
    commands = {
        NOTHING: ["-c", "pass"],
        LIST: ["-c", SCRIPT, "--help"],
        LIBRARY: ["-c", "import pgmpy.models"],
    }
    asked = {f"next, {name}": ["-c", SCRIPT, "next", "--complaint", one] for name, one in FAMILIES.items()}
    for words in (*commands.values(), *asked.values()):
        run(words, environment)  # compiles Python files
    fresh: dict[str, list[Run]] = {name: [] for name in (LIBRARY, *asked)}
    for _ in range(first):
        fresh[LIBRARY].append(run(commands[LIBRARY], environment))
        for name, words in asked.items():
            shutil.rmtree(own / "kept")
            fresh[name].append(run(words, environment))
    for words in asked.values():
        run(words, environment)
    again: dict[str, list[Run]] = {name: [] for name in (*commands, *asked)}
    for _ in range(rounds):
        for name, words in (commands | asked).items():
            again[name].append(run(words, environment))
    kept = [one.stat().st_size for one in (own / "kept" / "advisor").iterdir()]
    from tests.benchmarks.step import machine  # large, and processes begin as large as their parent

    print(f"{machine()}, load {os.getloadavg()[0]:.1f}")
    head = ("runs", "clock ms", "cpu ms", "MB", "ratio", "cpu ratio", "at most")
    print(f"{'':<32}" + "".join(f"{one:>10}" for one in head))
    print(row(NOTHING, again[NOTHING], again[NOTHING]))
    print(row(LIST, again[LIST], again[NOTHING], MOST[LIST]))
    print(row(LIBRARY, again[LIBRARY], again[LIBRARY]))
    for name in asked:
        print(row(f"{name}, first run", fresh[name], fresh[LIBRARY]))
    for name in asked:
        print(row(f"{name}, second run", again[name], again[LIBRARY], MOST["next"]))
    print(f"kept on disk: {len(kept)} files, {sum(kept) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
