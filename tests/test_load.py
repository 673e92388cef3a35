"""Many at once on one store: no answer is lost, none is stored twice, and none on another's job."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from aiohttp import ClientSession, ClientWebSocketResponse, WSMsgType

from advisor.case.case import Case
from advisor.case.entries import Seen, Skipped
from advisor.screens.widgets.attention import PAUSE_SECONDS
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.benchmarks import load
from tests.databases import KINDS, Database, fresh
from tests.test_serve import Shown, browser, entered, served

LOAD_SECONDS = 3.0
F10 = "\x1b[21~"
JOBS_HAVE_FOCUS = "n New job  / Search"
"""What the bottom line says while keys go to the list of jobs, and not into the search."""
ANSWERS = {"1": "loose", "2": "firm"}
"""The answers of the readings that `served` knows, by their keys."""


@pytest.fixture(params=KINDS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """An empty database of each kind."""
    with fresh(request.param, tmp_path) as made:
        yield made


def test_four_desks_and_eight_bays_lose_and_cross_nothing(database: Database) -> None:
    """Twelve processes answer as fast as they can, on jobs of their own and on shared ones."""
    outcome = load.run(database.url, LOAD_SECONDS)
    assert outcome.problems == ()
    assert outcome.stored == len(outcome.answers)
    assert len(outcome.told) == load.DESKS + load.BAYS
    assert all(one.answers for one in outcome.told)
    assert outcome.overtaken > 0


KEPT = StoredCase(
    7,
    "bay",
    "",
    Case("c", (Seen("a", "bay0 0 for 7"), Skipped("b", "bay1 0 for 7"), Seen("c", "bay0 1 for 7"))),
)
"""A job as the load leaves one, and what was acknowledged on it."""
ACKNOWLEDGED = [
    load.Answer(7, step, load.words_of(one), 0.0) for step, one in enumerate(KEPT.case.entries, 1)
]


@pytest.mark.parametrize(
    ("order", "given", "said"),
    [
        ([0, 1, 2], ACKNOWLEDGED, []),
        ([0, 1], ACKNOWLEDGED, ["lost: bay0 1 for 7"]),
        ([0, 1, 2], ACKNOWLEDGED[:2], ["stored, but not acknowledged: bay0 1 for 7, job 7 step 3"]),
        ([0, 1, 2, 1], ACKNOWLEDGED, ["crossed", "out of order", "stored 2 times: bay1 0 for 7"]),
        ([2, 1, 0], ACKNOWLEDGED, ["crossed", "crossed", "out of order: bay0 0 for 7, job 7 step 3"]),
        ([0, 1, 2], [replace(one, job=8) for one in ACKNOWLEDGED], ["crossed", "crossed", "crossed"]),
    ],
    ids=["right", "lost", "not acknowledged", "twice", "out of order", "on another job"],
)
def test_the_load_comparison_finds_every_kind_of_loss(
    order: list[int], given: list[load.Answer], said: list[str]
) -> None:
    """What is compared at the end finds every kind of loss; here it is made up."""
    case = Case("c", tuple(KEPT.case.entries[at] for at in order))
    found = list(load.wrong([replace(KEPT, case=case)], given))
    assert len(found) == len(said)
    assert all(one.startswith(words) for one, words in zip(found, said, strict=True))


class Page(Shown):
    """A page of the served screens without a browser: it reads what a terminal would show, and types."""

    reading: asyncio.Task[None]

    def __init__(self, socket: ClientWebSocketResponse) -> None:
        self.socket = socket
        self.letters = {}
        self.row, self.column = 1, 1

    async def read(self) -> None:
        """Take what comes until the page is closed."""
        async for message in self.socket:
            if message.type is WSMsgType.BINARY:
                self.feed(message.data)

    async def type(self, keys: str) -> None:
        """Send keys as a terminal does, from somebody who has read what is there."""
        await asyncio.sleep(PAUSE_SECONDS + 0.1)
        await self.socket.send_json(["stdin", keys])


@asynccontextmanager
async def page_of(address: str, session: ClientSession) -> AsyncIterator[Page]:
    """A page of a server, which reads along; `page.reading` is done when its socket is closed."""
    here = await entered(session, address)
    origin = {"Origin": here.rstrip("/")}
    async with session.ws_connect(f"{here}ws?width=110&height=40", headers=origin) as socket:
        page = Page(socket)
        page.reading = asyncio.create_task(page.read())
        try:
            yield page
        finally:
            page.reading.cancel()


async def at_the_bench(page: Page, tag: str) -> None:
    """Open a job by its tag, and leave the questions about the vehicle where it is a new one."""
    await page.until(JOBS_HAVE_FOCUS)
    await page.until(tag)
    await page.again_until(lambda: page.type("/"), lambda: not page.shows(JOBS_HAVE_FOCUS))
    await page.type(f"{tag}\r")
    await page.until(JOBS_HAVE_FOCUS)
    await page.again_until(
        lambda: page.type("\r"), lambda: page.shows("The vehicle") or page.shows("The story so far")
    )
    if page.shows("The vehicle"):
        await page.type(F10)
    await page.until("Seems loose")


async def bench(address: str, session: ClientSession, store: Store, filed: StoredCase, keys: str) -> None:
    """Be a technician: open a job, and answer by keys, each when the answer before is stored and shown.

    A key that a busy machine took for too early is pressed again.
    """

    def is_stored(count: int) -> bool:
        return store.length(filed) >= count

    async with page_of(address, session) as page:
        await at_the_bench(page, filed.tag)
        for count, key in enumerate(keys, start=1):
            await page.again_until(partial(page.type, key), partial(is_stored, count))
            await page.until(f"{count} reading")


async def test_benches_in_browsers_answer_at_once_and_cross_nothing(
    tmp_path: Path,
) -> None:
    """Three pages of one server, each a bench of its own on the same store, each with its own answers."""
    with fresh("sqlite", tmp_path) as database, database.opened() as store:
        jobs = {store.open_case(f"bay {keys}", "c"): keys for keys in ("1212", "2112", "2211")}
        async with served(tmp_path, "--store", database.url) as (_, address), browser() as session:
            await asyncio.gather(*(bench(address, session, store, job, keys) for job, keys in jobs.items()))
        for job, keys in jobs.items():
            found = store.case(job.number)
            assert found is not None
            assert [load.words_of(entry) for entry in found.case.entries] == [ANSWERS[key] for key in keys]
            assert len(found.case.outcomes) == len(keys)
