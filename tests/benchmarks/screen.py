"""How long the bench takes from a key to the new advice on the screen, and what holds up its event loop.

Run from the top of the project: python -m tests.benchmarks.screen

Textual's own driver presses the keys. Of each complaint so many answers are given, job after job; a time is
from the key to the paint that follows the new advice. All the while a task sleeps for a few milliseconds and
notes how much too late it wakes: while it is late nothing on the screen moves and no key is read. Beside it
stands what the loop's own thread worked in one go, as other programs on the machine make a loop late as well;
so does the lateness of a loop on which nothing happens. What the first screen had to import, and how long
it took to be there, is told first.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable

from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from advisor.screens.app import AdvisorApp
from advisor.screens.facts import FactsScreen
from advisor.screens.new import NewJobScreen
from advisor.screens.task import BOUNCE_SECONDS, TaskScreen
from tests.benchmarks.step import KNOWLEDGE, machine
from tests.test_screens import listed, settled, until

COMPLAINTS = ("flat_battery", "water_inside", "no_air")
NAP = 0.005
HEAVY = ("pgmpy", "scipy", "networkx", "pint", "CoolProp", "sqlalchemy", "pydantic", "pandas")
FIRST_SCREEN = """
import asyncio, sys, time
started = time.perf_counter()
from pathlib import Path
from advisor.screens.app import AdvisorApp
async def shown():
    app = AdvisorApp([Path(sys.argv[1])], frozenset(), sys.argv[2], looks_ahead=False)
    async with app.run_test(size=(80, 24)) as pilot:
        print(time.perf_counter() - started, *(name for name in sys.argv[3:] if name in sys.modules))
        app.exit()
asyncio.run(shown())
"""


class Watch:
    """Wakes every few milliseconds, and notes how late, and how long the loop's thread was at work."""

    def __init__(self) -> None:
        self.woken: list[tuple[float, float, float, float]] = []

    async def run(self) -> None:
        """Until it is cancelled."""
        while True:
            asleep, worked, all_worked = time.perf_counter(), time.thread_time(), time.process_time()
            await asyncio.sleep(NAP)
            woken = time.perf_counter()
            self.woken.append(
                (
                    woken,
                    woken - asleep - NAP,
                    time.thread_time() - worked,
                    time.process_time() - all_worked,
                )
            )

    def worst(self, moment: float) -> str:
        """The latest that it was from a moment on, the longest work of the loop, and of all threads."""
        since = [one[1:] for one in self.woken if one[0] >= moment]
        late, work, together = (max(column) * 1000 for column in zip(*since, strict=True))
        often = statistics.quantiles((one[0] * 1000 for one in since), n=100)[-1]
        return f"{late:.0f} ms (99 of 100: {often:.0f}; loop {work:.0f}, all {together:.0f})"


async def new_job(pilot: Pilot[None], complaint: str) -> TaskScreen:
    """A new job on a complaint, nothing known of the vehicle."""
    await until(pilot, listed)
    await pilot.press("n")
    await until(pilot, lambda screen: isinstance(screen, NewJobScreen))
    pilot.app.screen.query_one("#tag", Input).value = "bay 1"
    complaints = pilot.app.screen.query_one("#complaints", OptionList)
    ids = [complaints.get_option_at_index(at).id for at in range(complaints.option_count)]
    complaints.highlighted = ids.index(complaint)
    await pilot.press("enter", "enter")
    await until(pilot, lambda screen: isinstance(screen, FactsScreen | TaskScreen))
    if isinstance(pilot.app.screen, FactsScreen):
        await pilot.press("f10")
    await until(pilot, lambda screen: isinstance(screen, TaskScreen))
    assert isinstance(pilot.app.screen, TaskScreen)
    return pilot.app.screen


async def acted(pilot: Pilot[None], task: TaskScreen, key: str) -> float:
    """Press a key that changes the job; seconds until what follows is painted."""
    painted = asyncio.Event()
    shown: Callable[..., None] = TaskScreen.changed.__get__(task)

    def changed(*given: object) -> None:
        shown(*given)
        task.call_after_refresh(painted.set)

    task.changed = changed  # type: ignore[assignment,method-assign]
    await asyncio.sleep(BOUNCE_SECONDS + 0.05)
    pressed = time.perf_counter()
    await pilot.press(key)
    await asyncio.wait_for(painted.wait(), 60)
    return time.perf_counter() - pressed


async def answered(pilot: Pilot[None], task: TaskScreen, luck: random.Random) -> float | None:
    """Give one of the answers on the card; None where nothing is asked any more."""
    if task.proposal is None:
        return None
    if task.session.to_acknowledge(task.session.cautions(task.proposal)):
        await acted(pilot, task, "y")
    lines = task.query_one("#answers", OptionList)
    choices = [at for at, one in enumerate(lines.options) if (one.id or "").startswith("saw ")]
    lines.highlighted = luck.choice(choices)
    return await acted(pilot, task, "enter")


async def measured(complaint: str, answers: int) -> None:
    """Answer so often, and print how long it took and how late the loop was."""
    luck = random.Random(complaint)
    watch = Watch()
    with tempfile.TemporaryDirectory() as folder:
        app = AdvisorApp([KNOWLEDGE], frozenset(), f"sqlite:///{folder}/cases.sqlite", looks_ahead=False)
        async with app.run_test(size=(80, 24)) as pilot:
            watching = asyncio.create_task(watch.run())
            begun = time.perf_counter()
            await until(pilot, listed)
            listed_after = time.perf_counter() - begun
            await settled(pilot)
            starting, begun = watch.worst(begun), time.perf_counter()
            task = await new_job(pilot, complaint)
            opening, begun = watch.worst(begun), time.perf_counter()
            times: list[float] = []
            while len(times) < answers:
                took = await answered(pilot, task, luck)
                if took is None:
                    await pilot.press("escape")
                    task = await new_job(pilot, complaint)
                else:
                    times.append(took)
            answering, begun = watch.worst(begun), time.perf_counter()
            await asyncio.sleep(5)
            idle = watch.worst(begun)
            watching.cancel()
    print(
        f"{complaint}: key to new advice median {statistics.median(times) * 1000:.0f} ms, worst "
        f"{max(times) * 1000:.0f} ms of {len(times)}; list of jobs after {listed_after:.1f} s\n"
        f"    loop late at most (its own work): {starting} while starting, {opening} while opening a job, "
        f"{answering} while answering, {idle} with nothing to do",
        flush=True,
    )


def main() -> None:
    """Print what the first screen needs, then the times of each complaint."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--answers", type=int, default=50)
    parser.add_argument("--complaint", action="append", dest="complaints")
    given = parser.parse_args()
    print(machine())
    with tempfile.TemporaryDirectory() as folder:
        called = [sys.executable, "-c", FIRST_SCREEN, str(KNOWLEDGE), f"sqlite:///{folder}/cases.sqlite"]
        ran = subprocess.run([*called, *HEAVY], capture_output=True, text=True, check=True)
    seconds, *there = ran.stdout.split()
    print(f"first screen after {float(seconds):.2f} s; of what is heavy it had imported {', '.join(there)}")
    for complaint in given.complaints or COMPLAINTS:
        asyncio.run(measured(complaint, given.answers))


if __name__ == "__main__":
    main()
