"""Mutation testing on a small machine: a fair sample of the mutants, and the quick tests before the others.

As a plugin of pytest (`-p tests.soak.mutation`) it leaves out property tests and others that take seconds,
and puts tests that need the shipped knowledge after those that do not, so that most mutants are killed in a
fraction of a second. With `SLOW=1` in the environment nothing is left out: for a mutant that survives.
`python -m tests.soak.mutation observation 250` prints the names of that many of a module's mutants, drawn
with a fixed seed, for `mutmut run`;
`python -m tests.soak.mutation` prints how the mutants of each module fared.
"""

from __future__ import annotations

import collections
import json
import os
import random
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

MADE = Path("mutants/advisor")
SEED = 9
SHIPPED = {"advisor", "shipped", "knowledge", "drain", "drain_network", "rattle"}
SLOW = (
    "test_200_faults",
    "test_a_long_file_of_nonsense",
    "test_a_scripted_call_goes",
    "test_as_many_",
    "test_four_in_five_of_the_sheets",
    "test_half_of_the_questions_reach_what_all_of_them_would",
    "test_large_tree_agrees",
    "test_members_of_all_of_without_numbers",
    "test_prescreen_",
    "test_shipped_scenarios_with_a_single_cause_seldom",
    "test_soft_readings_agree",
    "test_the_call_spares_the_technician_minutes",
    "test_the_minutes_booked_cover_80_of_100_fresh_jobs",
    "test_the_same_tables_give_the_same_bits_in_every_process",
    "test_the_shipped_network_is_read_back_whole",
    "test_what_forty_readings_speak_against",
    "test_what_is_next_to_nothing",
)
"""How the names of tests begin that take seconds each."""
ENDED = {None: "not run", 0: "survived", 1: "killed", 3: "killed", 33: "not reached by a test"}
"""Exit codes of pytest, and mutmut's own for a mutant without a test; every other one is a timeout."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Quick tests only, and of those the quickest first; within each kind the order stays."""
    if "SLOW" not in os.environ:
        items[:] = [
            one for one in items if "hypothesis" not in one.keywords and not one.name.startswith(SLOW)
        ]
    items.sort(key=lambda item: bool(SHIPPED.intersection(getattr(item, "fixturenames", ()))))


def mutants(module: str) -> Mapping[str, int | None]:
    """Every mutant that was made of a module, with the exit code of its tests, None where it was not run."""
    said = json.loads((MADE / f"{module}.py.meta").read_text(encoding="utf-8"))
    return dict(said["exit_code_by_key"])


def sample(module: str, count: int) -> list[str]:
    """So many of a module's mutants, or all where there are fewer; the same ones for the same source."""
    names = sorted(mutants(module))
    return sorted(random.Random(SEED).sample(names, min(count, len(names))))


def main() -> None:
    """Print a sample's names, or the figures of all modules."""
    if len(sys.argv) > 1:
        sys.stdout.write("\n".join(sample(sys.argv[1], int(sys.argv[2]))) + "\n")
        return
    for file in sorted(MADE.glob("*.meta")):
        module = file.name.removesuffix(".py.meta")
        fared = collections.Counter(ENDED.get(code, "timed out") for code in mutants(module).values())
        sys.stdout.write(f"{module}: {', '.join(f'{count} {how}' for how, count in sorted(fared.items()))}\n")


if __name__ == "__main__":
    main()
