"""The program on a terminal of its own, in this process: keys, taps and sizes go in, screens come out.

Nothing here waits by the clock: after an act the loop is let run until nothing in it is ready, no worker is
at work and nothing waits to be painted.
"""

from __future__ import annotations

import asyncio
import gc
import traceback
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from textual import events
from textual.geometry import Size
from textual.screen import Screen

from advisor.policy import Policy
from advisor.screens.app import AdvisorApp
from tests.soak.visitor.light import quiet

HANGS_SECONDS = 180.0
"""What works for longer than this is taken to hang."""
UNHURRIED, DOUBLE_TAP = 5.0, 0.16
"""Seconds between two acts of a person, and between the two taps of a double one."""


FRAME_SECONDS = 0.1
"""While something is at work the screen is laid out so often."""


class Hangs(Exception):
    """The program does not come to rest."""


class Clock:
    """The time in the visitor's world, which goes on by what is done and not by itself."""

    def __init__(self, start: datetime = datetime(2030, 1, 7, 8, 0, tzinfo=UTC)) -> None:
        self.start, self.seconds = start, 0.0

    def now(self) -> datetime:
        """The time of day."""
        return self.start + timedelta(seconds=self.seconds)

    def monotonic(self) -> float:
        """Seconds since some moment."""
        return 1000.0 + self.seconds


async def at_rest(loop: Any) -> None:
    """Let everything run that is ready in the loop."""
    await asyncio.sleep(0)
    while loop._ready:
        await asyncio.sleep(0)


class Terminal:
    """One person's terminal; `desk` where it stands at the service desk."""

    def __init__(
        self,
        name: str,
        paths: Sequence[Path],
        url: str,
        clock: Clock,
        desk: bool = False,
        looks_ahead: bool = False,
    ) -> None:
        self.name, self.paths, self.url, self.clock = name, tuple(paths), url, clock
        self.is_desk, self.looks_ahead = desk, looks_ahead
        self.size = (80, 24)
        self.app: AdvisorApp | None = None
        self.running: asyncio.Task[None] | None = None
        self.bells = 0

    @property
    def is_up(self) -> bool:
        """Whether the program runs."""
        return self.app is not None and self.running is not None and not self.running.done()

    @property
    def screen(self) -> Screen[Any]:
        """The screen on top."""
        assert self.app is not None
        return self.app.screen

    async def open(self) -> None:
        """Start the program, and wait for its first screen."""
        assert not self.is_up
        self.app = app = AdvisorApp(
            self.paths, frozenset(), self.url, self.is_desk, self.looks_ahead, Policy(phone_minutes=5)
        )
        self.bells = 0
        app.attention.clock = self.clock.monotonic
        app.bell = self.ring  # type: ignore[method-assign]
        self.running = asyncio.create_task(app.run_async(headless=True, size=self.size, mouse=True))
        while not app._running and not self.running.done():
            await asyncio.sleep(0.001)
        while self.is_up and app.opened is None and not app.welcome.exit_code:
            await asyncio.sleep(0.001)
            await self.settle()
        await self.settle()
        if app.opened is not None:
            app.opened.store.clock = self.clock.now

    def ring(self) -> None:
        """The terminal rings."""
        self.bells += 1

    async def settle(self, patience: float = HANGS_SECONDS) -> None:
        """Until the program has done all that it was asked for; it may go on to look ahead unasked."""
        app, loop = self.app, asyncio.get_running_loop()
        assert app is not None
        assert self.running is not None
        end = loop.time() + patience
        calm = 0
        while calm < 2:
            await at_rest(loop)
            if self.running.done() or app._exception is not None:
                return
            if app._exit:
                await asyncio.wait({self.running}, timeout=patience)
                return
            tasks = {
                one._task
                for one in app.workers
                if one._task is not None and not one._task.done() and one.group != "ahead"
            }
            if tasks:
                done, _ = await asyncio.wait(tasks, timeout=FRAME_SECONDS, return_when="FIRST_COMPLETED")
                if not done:  # what is at work may wait for what is on the screen
                    with app._context():
                        quiet(app.screen)
                calm = 0
                if loop.time() > end:
                    names = ", ".join(sorted(one.name for one in app.workers))
                    raise Hangs(f"Nothing came of {names} for {patience:.0f} s.")
                continue
            with app._context():
                quiet(app.screen)
            await at_rest(loop)
            calm += 1

    def failure(self) -> str:
        """What ended the program where an exception did; or ""."""
        if self.app is None:
            return ""
        error = self.app._exception
        if (
            error is None
            and self.running is not None
            and self.running.done()
            and not self.running.cancelled()
        ):
            error = self.running.exception()  # type: ignore[assignment]
        if error is None:
            return ""
        cause = getattr(error, "error", None) or error
        return "".join(traceback.format_exception(cause))

    def send(self, event: events.Event) -> None:
        """Hand an event over as the terminal's driver does."""
        assert self.app is not None
        assert self.app._driver is not None
        self.app._driver.process_message(event)

    def key(self, key: str) -> None:
        """Press a key, by Textual's name for it or by the letter."""
        self.send(events.Key(key, key if len(key) == 1 else {"space": " ", "slash": "/"}.get(key)))

    def paste(self, text: str) -> None:
        """Paste a text."""
        self.send(events.Paste(text))

    def tap(self, x: int, y: int) -> None:
        """Tap at a place."""
        for kind in (events.MouseDown, events.MouseUp):
            self.send(kind(None, x, y, 0, 0, 1, False, False, False, screen_x=x, screen_y=y))

    def wheel(self, x: int, y: int, down: bool) -> None:
        """Turn the wheel at a place."""
        kind = events.MouseScrollDown if down else events.MouseScrollUp
        self.send(kind(None, x, y, 0, 0, 0, False, False, False, screen_x=x, screen_y=y))

    def resize(self, width: int, height: int) -> None:
        """Make the terminal another size."""
        assert self.app is not None
        assert self.app._driver is not None
        self.size = (width, height)
        size = Size(width, height)
        self.app._driver._size = size
        self.send(events.Resize(size, size))

    async def time_passes(self) -> None:
        """What the screens do every few seconds comes about now."""
        assert self.app is not None
        with self.app._context():
            for screen in self.app.screen_stack:
                for timer in list(screen._timers):
                    if timer._interval >= 1.0 and timer._callback is not None:
                        with suppress(asyncio.CancelledError):
                            result = timer._callback()
                            if asyncio.iscoroutine(result):
                                await result
            self.app.clear_notifications()

    async def close(self) -> None:
        """Take the terminal away, whatever goes on; what it was is let go of."""
        app, running = self.app, self.running
        self.app = self.running = None
        if app is None or running is None:
            return
        if not running.done():
            with app._context():
                app.exit()
            await asyncio.wait({running}, timeout=HANGS_SECONDS)
        gc.unfreeze()
