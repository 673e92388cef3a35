"""Writers, pages and servers are killed on one kind of database, and what is there is compared."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
import sqlalchemy as sa

from tests import postgresql
from tests.databases import Database, forked, fresh
from tests.soak.pages import Sitting
from tests.soak.record import Record, all_deeds, deeds, doing_now, stored, wrong
from tests.soak.writers import COMPLAINTS, write

PAGES_PART = 20
"""One kill in so many is for the screens in a browser."""
WRITERS = 3
"""So many writers are at work on a database at the same time."""
LONGEST_SECONDS = 0.5
"""A writer is killed at any moment within this, mostly from when all have begun to write."""
BEGUN_PART = 0.9
"""So many of the kills wait until then; the others may come while one is still opening the database."""
RESTARTS_PART = 0.3
"""So much of these is for the server as a whole."""
SERVER_PART = 0.2
"""So much of the kills on PostgreSQL is for the server or one of its processes."""
CHAPTER = 20
"""After so many kills of writers a new database is begun."""
STARTED_SECONDS = 60.0


@dataclass
class Figures:
    """What a run came to on one kind of database."""

    kills: Counter[str] = field(default_factory=Counter)
    """How many, by what was being done at that moment."""
    acknowledged: int = 0
    """How many entries, cases opened and cases erased were told to be done."""
    stored: int = 0
    """How many entries were there in the end."""
    unacknowledged: int = 0
    """How many deeds were not told to be done when their writer was killed."""
    problems: list[str] = field(default_factory=list)

    def lines(self) -> Iterator[str]:
        """The figures in words."""
        yield f"{self.kills.total()} kills, {self.acknowledged} acknowledged, {self.stored} entries stored"
        yield f"{self.unacknowledged} deeds cut off before they were acknowledged"
        named = Counter(one.partition(":")[0] for one in self.problems)
        kinds = ("lost", "torn", "unreadable")
        yield ", ".join(
            [*(f"{named.pop(one, 0)} {one}" for one in kinds), f"{named.total()} otherwise wrong"]
        )
        yield from (f"  {count:4} × {moment}" for moment, count in self.kills.most_common())
        yield from self.problems[:20]


Tell = Callable[[str], None]


class Crew:
    """Writers at work on a database, and their records in a folder."""

    def __init__(self, database: Database, folder: Path, seed: int) -> None:
        self.database, self.folder, self.seed = database, folder, seed
        self.made = 0
        self.at_work: dict[str, BaseProcess] = {}
        record = Record(self.file("shared"))
        record.line(doing="opening", tag="shared", complaints=COMPLAINTS)
        with database.opened() as store:
            self.shared = [one.number for one in store.open_cases("shared", COMPLAINTS)]
        record.told("saved", *self.shared)

    def file(self, name: str) -> Path:
        """A writer's record."""
        return self.folder / f"{name}.record"

    def hire(self) -> None:
        """Start another writer."""
        self.made += 1
        name = f"writer{self.made}"
        one = forked().Process(
            target=write,
            args=(self.database.url, name, self.seed, self.file(name), self.shared),
            daemon=True,
        )
        one.start()
        self.at_work[name] = one

    def wait_until_begun(self) -> None:
        """Wait until every writer has opened the database and is at its first deed."""
        patience = time.monotonic() + STARTED_SECONDS
        while not all(self.file(name).exists() and deeds(self.file(name)) for name in self.at_work):
            assert time.monotonic() < patience, "a writer does not begin"
            time.sleep(0.01)

    def kill(self, name: str) -> str:
        """Kill a writer; returns what it was doing."""
        one = self.at_work.pop(name)
        one.kill()
        one.join()
        assert one.exitcode == -signal.SIGKILL, f"{name} has ended by itself, with {one.exitcode}"
        return doing_now(self.file(name))

    def compare(self, figures: Figures) -> None:
        """Compare records and database, and put it into the figures."""
        done = all_deeds(self.folder)
        there, problems = stored(self.database)
        figures.problems += [*problems, *wrong(done, there)]
        saved = [one for one in done if one.told == "saved"]
        entries = sum(len(part.entries) for one in saved for part in one.parts)
        figures.acknowledged += entries + sum(
            len(one.cases) for one in saved if one.doing in ("opening", "erasing")
        )
        figures.unacknowledged += sum(one.told == "nothing" for one in done)
        figures.stored += len(there.entries)


def strike(server: postgresql.Server, database: Database, draw: random.Random) -> str:
    """Kill one of the server's processes, on which all the others are ended too, or restart the server."""
    busy = database.rows(
        "SELECT pid FROM pg_stat_activity WHERE application_name = current_setting('application_name') "
        "AND pid <> pg_backend_pid() ORDER BY pid"
    )
    if draw.random() < RESTARTS_PART or not busy:
        server.stop()
        server.start()
        return "the server is stopped at once and started"
    os.kill(draw.choice(busy)[0], signal.SIGKILL)
    patience = time.monotonic() + STARTED_SECONDS
    while True:
        time.sleep(0.1)
        try:
            database.rows("SELECT 1")
        except sa.exc.OperationalError:
            assert time.monotonic() < patience, "the server does not come back"
        else:
            return "a process of the server is killed"


def chapter(
    database: Database,
    folder: Path,
    kills: int,
    draw: random.Random,
    figures: Figures,
    tell: Tell,
    server: postgresql.Server | None = None,
) -> None:
    """So many kills on one database, and then those of the writers that are left."""
    crew = Crew(database, folder, draw.getrandbits(32))
    try:
        for _ in range(kills):
            while len(crew.at_work) < WRITERS:
                crew.hire()
            if draw.random() < BEGUN_PART:
                crew.wait_until_begun()
            time.sleep(draw.uniform(0, LONGEST_SECONDS))
            if server is not None and draw.random() < SERVER_PART:
                tell(strike(server, database, draw))
            else:
                tell(crew.kill(draw.choice(sorted(crew.at_work))))
    finally:
        for name in [*crew.at_work]:
            tell(crew.kill(name))
        crew.compare(figures)


@contextmanager
def server_of_its_own(kind: str) -> Iterator[postgresql.Server | None]:
    """For PostgreSQL a server that may be killed, where databases are made until this ends."""
    if kind == "sqlite":
        yield None
        return
    with postgresql.started() as server, pytest.MonkeyPatch.context() as patched:
        patched.setenv(postgresql.SERVER, server.url)
        yield server


def run(
    kind: str, kills: int, seed: int, figures: Figures, tell: Tell, server: postgresql.Server | None
) -> None:
    """Kill so many times on a kind of database, a few times more where that ends a chapter or a sitting."""
    draw = random.Random(f"{seed} {kind}")

    def told(moment: str) -> None:
        figures.kills[moment] += 1
        tell(f"{kind}: {figures.kills.total()} of {kills} kills, the last one: {moment}")

    def told_of_page(moment: str, shown: int, there: int, problems: list[str]) -> None:
        figures.acknowledged += shown
        figures.stored += there
        figures.problems += problems
        told(moment)

    while figures.kills.total() < kills - kills // PAGES_PART:
        with tempfile.TemporaryDirectory() as folder, fresh(kind, Path(folder)) as database:
            left = kills - kills // PAGES_PART - figures.kills.total()
            chapter(database, Path(folder), min(left, CHAPTER), draw, figures, told, server)
    while figures.kills.total() < kills:
        with tempfile.TemporaryDirectory() as folder, fresh(kind, Path(folder)) as database:
            asyncio.run(Sitting(database, draw, told_of_page).run(Path(folder)))
