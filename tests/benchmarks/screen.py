"""How long the bench takes from a key to the new advice on the screen, and what holds up its event loop.

Run from the top of the project: python -m tests.benchmarks.screen

Textual's own driver presses the keys. Of each complaint so many answers are given, job after job; times are
from the key to the first paint of what follows, and to the last one: Textual settles sizes in several. All
the while a task sleeps for a few milliseconds and notes how much too late it wakes: while it is late nothing
on the screen moves and no key is read. Beside it stands what the loop's own thread worked in one go, as other
programs on the machine make a loop late as well; so does the lateness of a loop on which nothing happens.
What the first screen had to import, and how long it took to be there, is told first.
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
from typing import Any

from textual.events import Key
from textual.screen import Screen
from textual.widgets import Input, OptionList

from advisor.bench.session import Session
from advisor.screens.app import AdvisorApp
from advisor.screens.bench.cautions import CautionsScreen
from advisor.screens.bench.entry import EntryScreen
from advisor.screens.bench.new import NewJobScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.start import StartScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.screens.widgets.facts import FactsScreen
from tests.benchmarks.step import KNOWLEDGE, machine
from tests.test_screens import listed, settled, until

COMPLAINTS = ("flat_battery", "water_inside", "no_air")
NAP = 0.005
STILL_SECONDS = 0.15
"""A screen on which nothing was painted for so long has come to rest."""
READING_SECONDS = 1.0
"""A person looks at the list of jobs for so long at least."""
ENTRIES = 5
VISITS = (
    ("b", "c", "c", "escape"),
    ("h", "escape"),
    ("question_mark", "escape"),
    ("s", "escape"),
    ("o", "escape"),
    ("f", "escape"),
    ("t", "escape"),
)
"""Keys that lead away from the bench and back."""
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


class Painted(AdvisorApp):
    """The program, which notes when it has last painted, and is used faster than anybody reads."""

    last = 0.0
    """When it last painted, or was sent a key."""
    first: float | None = 0.0
    """When it painted first since this was set to None."""

    def on_load(self) -> None:
        """Keys count at once."""
        self.attention.seconds = 0.0

    def post_display_hook(self) -> None:
        """Something was painted."""
        self.last = time.perf_counter()
        self.first = self.first or self.last


def press(app: Painted, key: str) -> None:
    """Send a key as a terminal does, and wait for nothing."""
    app.last = time.perf_counter()
    app.post_message(Key(key, key if len(key) == 1 else None))


CHOICES = ("saw ", "known ", "made ", "confirmed not tried")
"""The choices of a card that are made: answers, facts, what is prepared, and that the look is put off."""


async def still(app: Painted) -> float:
    """Wait until nothing has been painted for a while; when the last paint (or the key) was."""
    while time.perf_counter() - app.last < STILL_SECONDS:
        await asyncio.sleep(NAP)
    return app.last


async def came(app: Painted, *kinds: type[Screen[Any]]) -> Screen[Any]:
    """Wait for one of these screens, and until it is painted."""
    for _ in range(12_000):
        if isinstance(app.screen, kinds) and app.screen.is_mounted:
            await still(app)
            return app.screen
        await asyncio.sleep(NAP)
    raise AssertionError(f"never came to it; the screen is {app.screen}")


async def new_job(app: Painted, complaint: str) -> TaskScreen:
    """A new job on a complaint, nothing known of the vehicle."""
    await came(app, StartScreen)
    press(app, "n")
    asks = await came(app, NewJobScreen)
    asks.query_one("#tag", Input).value = "bay 1"
    complaints = asks.query_one("#complaints", OptionList)
    complaints.highlighted = [one.id for one in complaints.options].index(complaint)
    for _ in ("from the tag", "from the words", "on the complaint"):
        press(app, "enter")
        await still(app)
    if isinstance(await came(app, FactsScreen, TaskScreen), FactsScreen):
        press(app, "f10")
    task = await came(app, TaskScreen)
    assert isinstance(task, TaskScreen)
    return task


async def acted(app: Painted, task: TaskScreen, key: str) -> tuple[float, float] | None:
    """Press a key that changes the job; seconds until what follows is painted, and until all is still.

    Where something is asked first, leave the question; None.
    """
    session, shown = task.session, task.changed

    def changed(session: Session, keep: str | None = None) -> None:
        app.first = None
        shown(session, keep)

    task.changed = changed  # type: ignore[method-assign]
    pressed = time.perf_counter()
    press(app, key)
    async with asyncio.timeout(60):
        while task.session is session:
            if isinstance(app.screen, ChoiceScreen):
                press(app, "escape")
                await came(app, TaskScreen)
                task.changed = shown  # type: ignore[method-assign]
                return None
            await asyncio.sleep(NAP / 5)
    task.changed = shown  # type: ignore[method-assign]
    app.last = time.perf_counter()
    last = await still(app)
    assert app.first is not None
    return app.first - pressed, last - pressed


async def answered(app: Painted, task: TaskScreen, luck: random.Random) -> tuple[float, float] | None:
    """Make one of the choices of the card that change the job; None where there is none."""
    if any(action == "read" for action, _, _ in task.shown.choices):
        session = task.session
        press(app, "y")
        await came(app, CautionsScreen)
        while isinstance(app.screen, CautionsScreen):
            press(app, "y")
            await still(app)
        while task.session is session:
            await asyncio.sleep(NAP)
        await still(app)
    lines = task.query_one("#answers", OptionList)
    choices = [at for at, one in enumerate(lines.options) if (one.id or "").startswith(CHOICES)]
    if not choices:
        return None
    lines.highlighted = luck.choice(choices)
    return await acted(app, task, "enter")


async def measuring(app: Painted, task: TaskScreen) -> None:
    """Type into the entries of the job's quantities, those with the most fields first, and go back."""
    readings = task.session.knowledge.readings
    asked = [one for one in task.session.engine.readings if one in readings and readings[one].quantity]
    for reading in sorted(asked, key=lambda one: -len(task.session.fields(one)))[:ENTRIES]:
        task.measure(reading, "1")
        await came(app, EntryScreen)
        for key in ("2", "tab", "escape"):
            press(app, key)
            await still(app)
        await came(app, TaskScreen)


async def visiting(app: Painted) -> None:
    """Look at both papers and at the lists that lie over the bench."""
    for keys in VISITS:
        for key in keys:
            press(app, key)
            await still(app)
        await came(app, TaskScreen)


async def measured(complaint: str, answers: int) -> None:
    """Answer so often, and print how long it took and how late the loop was."""
    luck = random.Random(complaint)
    watch = Watch()
    late: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as folder:
        app = Painted([KNOWLEDGE], frozenset(), f"sqlite:///{folder}/cases.sqlite", looks_ahead=False)
        async with app.run_test(size=(80, 24)) as pilot:
            watching = asyncio.create_task(watch.run())
            begun = time.perf_counter()
            await until(pilot, listed)
            listed_after = time.perf_counter() - begun
            await settled(pilot)
            late["starting"], begun = watch.worst(begun), time.perf_counter()
            task = await new_job(app, complaint)
            late["opening a job"], begun = watch.worst(begun), time.perf_counter()
            times: list[tuple[float, float]] = []
            while len(times) < answers:
                took = await answered(app, task, luck)
                if took is None:
                    press(app, "escape")
                    await came(app, StartScreen)
                    await asyncio.sleep(READING_SECONDS)
                    task = await new_job(app, complaint)
                else:
                    times.append(took)
            late["answering, on several jobs"], begun = watch.worst(begun), time.perf_counter()
            await measuring(app, task)
            late["typing numbers"], begun = watch.worst(begun), time.perf_counter()
            await visiting(app)
            late["looking at papers and lists"], begun = watch.worst(begun), time.perf_counter()
            await asyncio.sleep(5)
            late["nothing to do"] = watch.worst(begun)
            watching.cancel()
    first, last = zip(*times, strict=True)
    to_advice, to_rest = (
        f"median {statistics.median(one) * 1000:.0f} ms, worst {max(one) * 1000:.0f}" for one in (first, last)
    )
    print(
        f"{complaint}: key to new advice {to_advice} of {len(times)}; until all is still {to_rest}; "
        f"list of jobs after {listed_after:.1f} s"
    )
    for doing, words in late.items():
        print(f"    {doing}: loop late at most {words}", flush=True)


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
