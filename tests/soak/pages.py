"""The screens served in a browser, killed while somebody answers, takes back and closes jobs on them.

What counts as acknowledged is what the page shows: so many readings taken, or the list of jobs again after
one was closed.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from aiohttp import ClientSession

from advisor.case.entries import Closed, Entry, Seen, TakenBack
from tests.databases import Database
from tests.test_load import ANSWERS, JOBS_HAVE_FOCUS, Page, at_the_bench, page_of
from tests.test_serve import browser, served, until

MOST_READINGS = 4
"""After so many a technician takes one back or closes the job; then the search is not over yet."""
PAGES_OPEN, PAGES_KILLED = 2, 3
"""So many pages are open at a time, and so many are killed before their server is."""
OPENING = "opening a job on a page"
"""What somebody does who is not at the bench yet."""
LONGEST_SECONDS = 4.0
"""A page is killed at any moment within this, from when a technician has come to the bench."""

Tell = Callable[[str, int, int, list[str]], None]
"""Told of each kill: at which moment, what was acknowledged on its job, what is stored, what is wrong."""


@dataclass
class Technician:
    """Somebody with a page, on a job: what was shown as taken, and what has been typed since."""

    number: int
    tag: str
    random: random.Random
    taken: int = 0
    shown: list[str] = field(default_factory=list)
    typed: list[str] = field(default_factory=list)
    doing: str = OPENING

    async def work(self, page: Page) -> None:
        """Answer and take back, each when what was before is shown; in the end close the job."""
        await at_the_bench(page, self.tag)
        while True:
            await page.until(f"· {self.taken} reading")
            self.shown, self.typed = [*self.shown, *self.typed], []
            self.doing = "between two entries on a page"
            draw = self.random.random()
            if self.taken == MOST_READINGS and draw < 0.5:
                break
            if self.taken == MOST_READINGS or (self.taken and draw < 0.25):
                self.taken -= 1
                await self.type(page, "u", "undoing on a page", "taken back")
            else:
                key = "12"[self.taken % 2]  # one for each cause in turn, so that the search goes on
                self.taken += 1
                await self.type(page, key, "answering on a page", ANSWERS[key])
        await page.type("c")
        await page.until("Which cause was found")
        await page.type("1")
        await page.until("Do not close it")
        await self.type(page, "1", "closing on a page", "closed")
        await page.until(JOBS_HAVE_FOCUS)
        self.shown, self.typed = [*self.shown, *self.typed], []
        self.doing = "between two entries on a page"

    async def type(self, page: Page, keys: str, doing: str, what: str) -> None:
        """Type something that is to be saved."""
        self.doing, self.typed = doing, [what]
        await page.type(keys)

    def compare(self, database: Database) -> tuple[int, list[str]]:
        """How many entries of the job are stored, and what is wrong with them; goes on from there."""
        with database.opened() as store:
            filed = store.case(self.number)
        entries = [_said(one) for one in filed.case.entries] if filed else []
        wrong = []
        if entries not in (self.shown, self.shown + self.typed):
            wrong.append(f"lost: job {self.number} has {entries}, shown {self.shown}, typed {self.typed}")
        if filed is not None:
            self.shown, self.typed, self.taken = entries, [], len(filed.case.taken)
        self.doing = OPENING
        return len(entries), wrong


def _said(entry: Entry) -> str:
    """An entry in the words of what was typed."""
    match entry:
        case Seen(_, outcome):
            return outcome
        case TakenBack():
            return "taken back"
        case Closed():
            return "closed"
    return repr(entry)


@dataclass
class Seat:
    """A page that is open, and who is at it."""

    technician: Technician
    page: Page
    child: int
    work: asyncio.Task[None]


class Sitting:
    """A server with some pages, until it is killed."""

    def __init__(
        self,
        database: Database,
        draw: random.Random,
        tell: Tell,
        pages_open: int = PAGES_OPEN,
        pages_killed: int = PAGES_KILLED,
    ) -> None:
        self.database, self.random, self.tell = database, draw, tell
        self.pages_open, self.pages_killed = pages_open, pages_killed
        self.seats: list[Seat] = []

    async def run(self, folder: Path) -> None:
        """Kill some pages one after the other, and at last their server."""
        async with (
            served(folder, "--store", self.database.url) as (server, address),
            browser() as session,
            AsyncExitStack() as pages,
        ):
            for _ in range(self.pages_open):
                await self.sit_down(server.pid, address, session, pages, self.somebody())
            for _ in range(self.pages_killed):
                await asyncio.sleep(self.random.uniform(0, LONGEST_SECONDS))
                victim = self.seats.pop(self.random.randrange(len(self.seats)))
                moment = victim.technician.doing
                os.kill(victim.child, signal.SIGKILL)
                await self.left(victim)
                self.told(f"{moment}, the page is killed", victim.technician)
                technician = victim.technician
                if technician.shown[-1:] == ["closed"]:
                    technician = self.somebody()
                await self.sit_down(server.pid, address, session, pages, technician)
            await asyncio.sleep(self.random.uniform(0, LONGEST_SECONDS))
            moments = [seat.technician.doing for seat in self.seats]
            server.kill()
            for seat in self.seats:
                await self.left(seat)
                await until(partial(_ended, seat.child))
            self.told(f"{moments[0]}, the server is killed", *(seat.technician for seat in self.seats))
            self.seats.clear()

    def somebody(self) -> Technician:
        """A technician with a new job."""
        with self.database.opened() as store:
            number = store.open_case(f"bay {self.random.getrandbits(40):010x}", "c").number
            job = store.case(number)
        assert job is not None
        return Technician(number, job.tag, random.Random(self.random.random()))

    async def sit_down(
        self, server: int, address: str, session: ClientSession, pages: AsyncExitStack, who: Technician
    ) -> None:
        """Open a page and begin to work on it."""
        before = _children(server)
        page = await pages.enter_async_context(page_of(address, session))
        await until(lambda: len(_children(server) - before) == 1)
        (child,) = _children(server) - before
        seat = Seat(who, page, child, asyncio.create_task(self.working(who, page)))
        while who.doing == OPENING and not seat.work.done():
            await asyncio.sleep(0.05)
        if seat.work.done():
            seat.work.result()
        self.seats.append(seat)

    async def working(self, who: Technician, page: Page) -> None:
        """Work; when a job is closed, there is nothing more to do at this page."""
        await who.work(page)
        await page.reading

    async def left(self, seat: Seat) -> None:
        """Wait until the page is closed, as the other side was killed; then nobody works on it any more."""
        await until(seat.page.reading.done)
        seat.work.cancel()
        (ended,) = await asyncio.gather(seat.work, return_exceptions=True)
        if isinstance(ended, AssertionError):
            raise ended

    def told(self, moment: str, *those: Technician) -> None:
        """Compare, and tell what came of it."""
        shown = sum(len(one.shown) for one in those)
        compared = [one.compare(self.database) for one in those]
        self.tell(
            moment, shown, sum(count for count, _ in compared), [w for _, some in compared for w in some]
        )


def _children(process: int) -> set[int]:
    """The processes that a process has started."""
    text = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii")
    return set(map(int, text.split()))


def _ended(process: int) -> bool:
    """Whether a process runs no more, even where nobody has asked for its exit code."""
    try:
        return Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True
