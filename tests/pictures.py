"""The three pictures of README.md, made from the program as it is.

Run from the top of the project, after a change to what they show: python -m tests.pictures

The bench shows an invented car of `scenarios/` after a few readings, the desk an invented call about another
one, and the tree is what `advisor draw` writes. `rsvg-convert scenarios/bench.svg -o bench.png` shows how
they look.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
from functools import partial
from pathlib import Path

from advisor.advice.engines import Engines
from advisor.case.case import Case
from advisor.evaluation.scenarios import Scenario, play, read_scenarios, typical_outcomes
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.loading import load
from advisor.screens.bench.task import TaskScreen
from advisor.screens.widgets import attention
from advisor.store.store import Store
from tests.conftest import ROOT
from tests.test_desk import at_desk, called
from tests.test_screens import KNOWLEDGE, listed, running, settled, until

PICTURES = ROOT / "scenarios"
BENCH, DESK, TREE = (PICTURES / f"{name}.svg" for name in ("bench", "desk", "tree"))
AT_BENCH, READINGS = PICTURES / "drain" / "06_parking_camera.yaml", 8
ON_PHONE, WORDS, QUESTIONS = PICTURES / "ingress" / "01_sunroof_front_drain.yaml", "wet carpet", 3
DRAWN = "no_air"
BENCH_SIZE, DESK_SIZE = (120, 36), (90, 22)
"""Columns and lines."""


def scenario_of(path: Path, knowledge: Knowledge) -> Scenario:
    """Return the one scenario of a file."""
    return read_scenarios([path], knowledge)[path]


async def draw_bench(knowledge: Knowledge, folder: Path) -> str:
    """Return the bench in the middle of a scenario, as the advice plays it."""
    scenario = scenario_of(AT_BENCH, knowledge)
    played = play(knowledge, Engines(knowledge).of(Case(scenario.complaint)), scenario)
    entries = played.case.entries[: len(scenario.facts) + READINGS]
    store = Store(f"sqlite:///{folder / 'cases.sqlite'}")
    try:
        store.append(store.draft("blue estate", scenario.complaint, knowledge.version), *entries)
    finally:
        store.close()
    async with running(KNOWLEDGE, folder, BENCH_SIZE) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        return pilot.app.export_screenshot(title="advisor")


async def draw_desk(knowledge: Knowledge, folder: Path) -> str:
    """Return a call after a few answers such as the scenario's owner would give."""
    scenario = scenario_of(ON_PHONE, knowledge)
    async with at_desk(folder, DESK_SIZE) as pilot:
        screen = await called(pilot, "red van", WORDS)
        engine, case = screen.call.calls[0]
        shows = {**typical_outcomes(knowledge, engine, case, scenario.causes), **scenario.shows}
        for _ in range(QUESTIONS):
            question = screen.call.next.question
            assert question is not None
            screen.change(partial(screen.call.answered, question.reading, shows[question.reading]))
            await settled(pilot)
        return pilot.app.export_screenshot(title="advisor prescreen")


def draw_tree() -> str:
    """Return a complaint's fault tree with its probabilities."""
    command = [sys.executable, "-m", "advisor", "draw", DRAWN, "--no-readings", "--probabilities"]
    return subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout


def main() -> None:
    """Write the pictures."""
    attention.PAUSE_SECONDS = 0.0  # the keys are pressed by this program, which slips on none
    knowledge = load([KNOWLEDGE])
    with tempfile.TemporaryDirectory() as folder:
        for part in ("bench", "desk"):
            (Path(folder) / part).mkdir()
        pictures = {
            BENCH: asyncio.run(draw_bench(knowledge, Path(folder) / "bench")),
            DESK: asyncio.run(draw_desk(knowledge, Path(folder) / "desk")),
            TREE: draw_tree(),
        }
    for path, picture in pictures.items():
        path.write_text(picture, encoding="utf-8")
        sys.stdout.write(f"{path.relative_to(ROOT)}: {len(picture) // 1000} kB\n")


if __name__ == "__main__":
    main()
