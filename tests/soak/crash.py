"""Kill -9 at random moments of answering, undoing, opening, closing, erasing and serving: is anything lost?

Run from the top of the project: python -m tests.soak.crash --kills 600 --seed 1

Writers (`writers.py`) work on one database as processes of their own and keep a record outside it; one after
the other is killed at a random moment. Then all that they were told is saved has to be there, what they were
not told wholly or not at all, and nothing else. One kill in twenty is for `advisor serve` and the screens
behind its pages (`pages.py`). On PostgreSQL, which gets a server of its own, some are for one of the server's
processes or for the server, and the writers have to get on. The seed gives the same deeds and delays; where
they meet is the machine's. A process that is killed does not lose what the system has in its memory: a power
cut is not tried here.
"""

from __future__ import annotations

import argparse
import sys

# The processes of the writers import this module first: what takes time to import is imported in `main`.

KILLS, SEED = 600, 1


def main() -> int:
    """Run as the options say; 1 where anything is lost or wrong, 130 where it was stopped before its end."""
    from tests.databases import KINDS
    from tests.soak.kills import Figures, run, server_of_its_own

    parser = argparse.ArgumentParser(description="Kill -9 at random moments, and look what is lost.")
    parser.add_argument("--kills", type=int, default=KILLS, help="On all databases together.")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--on", choices=KINDS, action="append", help="Default: on both kinds of database.")
    options = parser.parse_args()
    kinds = options.on or list(KINDS)
    found = {kind: Figures() for kind in kinds}
    stopped = False

    def tell(words: str) -> None:
        print(f"\r{words:<100.100}", end="", file=sys.stderr, flush=True)

    try:
        for kind in kinds:
            with server_of_its_own(kind) as server:
                run(kind, options.kills // len(kinds), options.seed, found[kind], tell, server)
    except KeyboardInterrupt:
        stopped = True
    finally:
        print(file=sys.stderr)
        for kind, figures in found.items():
            print(f"{kind}, seed {options.seed}{', stopped before the end' if stopped else ''}")
            for line in figures.lines():
                print(f"  {line}")
    wrong = any(figures.problems for figures in found.values())
    return 1 if wrong else 130 if stopped else 0


if __name__ == "__main__":
    sys.exit(main())
