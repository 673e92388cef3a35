"""The first screen is there at once, and what takes long to import never holds up the screen's own thread.

Each runs in a process of its own: in this one all has been imported by other tests.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.conftest import ROOT, SHIPPED

HEAVY = "numpy scipy networkx pandas pgmpy pint psychrolib pydantic sqlalchemy yaml CoolProp"
BEFORE = """
import asyncio, sys
from pathlib import Path
from textual.widgets import Static
from advisor.screens.app import AdvisorApp

class Waiting(AdvisorApp):
    def load(self):
        pass

async def shown():
    app = Waiting([Path(sys.argv[1])], frozenset(), sys.argv[2])
    async with app.run_test(size=(80, 24)):
        says = str(app.screen.query_one("#says", Static).content)
        print("shown" if "Reading the knowledge" in says else "")
        print(*(name for name in sys.argv[3].split() if name in sys.modules))

asyncio.run(shown())
"""
WHILE = """
import asyncio, sys, threading
from pathlib import Path
from textual.widgets import Input, OptionList
from advisor.screens.app import AdvisorApp

heavy, seen = sys.argv[3].split(), set()

class Watch:
    def find_spec(self, name, path=None, target=None):
        first = name.partition(".")[0]
        if first in heavy or first == "advisor":
            own = threading.current_thread() is threading.main_thread()
            seen.add(("screen" if own else "thread", first, name))

async def screen_is(pilot, name, but=""):
    for _ in range(4000):
        if type(pilot.app.screen).__name__ == name and (not but or pilot.app.screen.query(but)):
            await pilot.pause()
            return
        await pilot.pause(0.05)
    raise SystemExit(f"there is no {name}")

async def used():
    app = AdvisorApp([Path(sys.argv[1])], frozenset(), sys.argv[2], looks_ahead=False)
    app.attention.seconds = 0
    sys.meta_path.insert(0, Watch())
    async with app.run_test(size=(80, 24)) as pilot:
        await screen_is(pilot, "StartScreen", "#jobs")
        await app.workers.wait_for_complete()
        await pilot.press("n")
        await screen_is(pilot, "NewJobScreen", "#complaints")
        app.screen.query_one("#tag", Input).value = "bay 1"
        complaints = app.screen.query_one("#complaints", OptionList)
        ids = [one.id for one in complaints.options]
        complaints.highlighted = ids.index("poor_cooling")
        await pilot.press("enter", "enter", "enter")
        await screen_is(pilot, "FactsScreen", "Select")
        await pilot.press("f10")
        await screen_is(pilot, "TaskScreen", "#answers")
        task = app.screen
        task.measure("suction_superheat", "2")
        await screen_is(pilot, "EntryScreen", "#says")
        await pilot.press("escape")
        await screen_is(pilot, "TaskScreen")
        task.change(task.session.undone)
        await app.workers.wait_for_complete()
        await pilot.press("b")
        await screen_is(pilot, "JobCardScreen")
        app.exit()
    print(*sorted({first for where, first, _ in seen if where == "thread"}))
    print(*sorted(name for where, _, name in seen if where == "screen"))

asyncio.run(used())
"""


def said_by(program: str, folder: Path) -> list[str]:
    """The lines that a program prints on the shipped knowledge, its cases in a folder."""
    url = f"sqlite:///{folder / 'cases.sqlite'}"
    command = [sys.executable, "-W", "ignore", "-c", program, str(SHIPPED), url, HEAVY]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    return done.stdout.split("\n")


def test_the_first_screen_needs_nothing_that_takes_long(tmp_path: Path) -> None:
    """It is painted with none of the large libraries imported."""
    assert said_by(BEFORE, tmp_path) == ["shown", "", ""]


def test_the_thread_of_the_screen_imports_nothing_that_takes_long(tmp_path: Path) -> None:
    """From the first screen to a number and the job card: all is imported by another thread before."""
    by_others, by_screen, _ = said_by(WHILE, tmp_path)
    assert {"advisor", "numpy", "pint", "sqlalchemy"} <= set(by_others.split())
    assert "pgmpy" not in by_others.split()  # a job needs the tables only
    assert by_screen == ""
