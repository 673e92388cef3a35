"""Walk through the program at random: python -m tests.soak.visitor --seconds 600 --seed 1.

Ends with 1 where something is wrong, and says where the log is; --replay LOG does its last day again.
PostgreSQL is walked on as well where ADVISOR_TEST_POSTGRESQL names a server (see tests.postgresql).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path


def main() -> int:
    """Walk as the options say."""
    from tests.soak.visitor import places
    from tests.soak.visitor.walk import DAY, Options, walked

    parser = argparse.ArgumentParser(prog="python -m tests.soak.visitor", description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--acts", type=int, default=10**9, help="At most so many.")
    parser.add_argument("--day", type=int, default=DAY, help="Acts on one database.")
    parser.add_argument("--kill-every", type=int, default=500, help="Acts between two kills; 0 for none.")
    parser.add_argument("--knowledge", choices=places.KINDS, action="append")
    parser.add_argument("--on", choices=("sqlite", "postgresql"), action="append")
    parser.add_argument("--log", type=Path, default=None)
    parser.add_argument("--replay", type=Path, default=None)
    given = parser.parse_args()
    options = Options(
        given.seconds,
        given.acts,
        given.seed,
        given.log or Path(tempfile.gettempdir()) / f"visitor-{given.seed}.jsonl",
        tuple(given.knowledge or places.KINDS),
        tuple(given.on or places.databases()),
        day=given.day,
        kill_every=given.kill_every,
    )
    started = time.monotonic()
    figures, problems = walked(options, given.replay)
    seconds = time.monotonic() - started
    for problem in problems:
        print(f"FOUND at act {figures.acts}: {problem}")
    print(f"seed {given.seed}: {figures} in {seconds:.0f} s ({figures.acts / seconds:.1f} acts a second)")
    if problems:
        print(f"Log: {options.log}; again: python -m tests.soak.visitor --replay {options.log}")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
