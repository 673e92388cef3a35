"""Play the advice on cars that can complain: python -m tests.car --jobs 2000 --family drain --seed 1.

Prints every complaint with the steps of its job, and ends with 1 if there is one.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter


def main() -> int:
    """Play as the options say."""
    from advisor.checks.lint import checked
    from tests.car.bench import BenchJobs
    from tests.car.play import complaints_of, play
    from tests.conftest import SHIPPED

    knowledge = checked([SHIPPED])
    families = tuple(dict.fromkeys(one.family for one in knowledge.complaints.values()))
    parser = argparse.ArgumentParser(prog="python -m tests.car", description=__doc__)
    parser.add_argument("--jobs", type=int, default=2000, help="Played on simulated cars, in each family.")
    parser.add_argument("--bench", type=int, default=20, help="Played at the bench, step by step.")
    parser.add_argument("--walks", type=int, default=20, help="By somebody who does not follow the advice.")
    parser.add_argument("--family", choices=families, action="append")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--all", action="store_true", help="Print every job with a complaint.")
    given = parser.parse_args()
    wrong = 0
    for family in given.family or families:
        names = [name for name, one in knowledge.complaints.items() if one.family == family]
        begun = time.process_time()
        counts: Counter[str] = Counter()
        kinds: Counter[str] = Counter()
        for at, name in enumerate(names):
            share = [len(range(at, total, len(names))) for total in (given.jobs, given.bench, given.walks)]
            played = play(knowledge, name, share[0], given.seed)
            found = list(complaints_of(played, given.seed, name))
            counts["jobs"] += share[0]
            counts["readings"] += int((played.jobs.taken >= 0).sum())
            with BenchJobs(knowledge, name) as bench:
                for number in range(share[1]):
                    found += bench.followed(given.seed, number)
                for number in range(share[2]):
                    found += bench.walked(given.seed, number)
            counts["at the bench"] += share[1]
            counts["walks"] += share[2]
            counts.update(bench.counts)
            for one in found:
                fresh = [str(each) for each in one.complaints if str(each) not in kinds]
                kinds.update(str(each) for each in one.complaints)
                if fresh or given.all:
                    print(one, flush=True)
            wrong += len(found)
        seconds = time.process_time() - begun
        figures = ", ".join(f"{number:,} {what}" for what, number in counts.items())
        print(
            f"{family}, seed {given.seed}: {figures}; {kinds.total()} complaints; {seconds:.0f} s", flush=True
        )
        for words, number in kinds.most_common():
            print(f"  {number:5} {words}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
