"""The walk: days in a workshop, each with its own knowledge and database, three terminals, and the checks.

Every act is written down before it is done, as a line of JSON. The seed gives the same walk again as far as
threads allow; `replay` does the acts of a log in their order.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import os
import random
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import chdir, contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import forkserver, resource_tracker
from pathlib import Path
from typing import Any, TextIO

from advisor.bench.session import Engines
from advisor.checks.lint import checked
from advisor.diskcache import Cache, this_program
from tests.soak.visitor import fresh, killed, places
from tests.soak.visitor.checks import Figures, Found, Watch
from tests.soak.visitor.light import Painting, lightly
from tests.soak.visitor.once import once
from tests.soak.visitor.seen import keys, world
from tests.soak.visitor.terminal import DOUBLE_TAP, UNHURRIED, Clock, Hangs, Terminal
from tests.soak.visitor.ways import Act, do, ways

FRESH_EVERY = 200
"""After so many acts every job is opened in a fresh process."""
PAINTED_EVERY = 25
"""One act in so many is painted on a day that is not painted in full."""
DAY = 500
"""So many acts are done on one database, at most."""
JOBS = 40
"""With so many jobs a day ends as well."""


@dataclass
class Options:
    """What a walk is to be."""

    seconds: float = 60.0
    acts: int = 10**9
    seed: int = 1
    log: Path = Path("visitor.jsonl")
    knowledge: tuple[str, ...] = places.KINDS
    databases: tuple[str, ...] = ("sqlite",)
    kill_every: int = 500
    day: int = DAY


def looked(
    url: str, when: str, paths: list[str], cache: str, numbers: list[int] | None
) -> tuple[Any, list[str]]:
    """Look at the jobs in this process, which is a fresh one, with what the program keeps on disk."""
    from datetime import datetime

    from advisor.store.store import Store

    now = datetime.fromisoformat(when)
    kept = cache_in(cache)
    store = Store(url, lambda: now)
    try:
        knowledge = checked([Path(one) for one in paths], kept)
        return fresh.look(Engines(knowledge, cache=kept), store, numbers)
    finally:
        store.close()


def cache_in(folder: str) -> Cache:
    """What programs that start with this folder for caches keep there."""
    made_by = this_program()
    assert made_by is not None
    return Cache(Path(folder) / "advisor", made_by)


class Walk:
    """Walks until time or acts are used up, or something is found."""

    def __init__(self, options: Options, log: TextIO) -> None:
        self.options, self.log = options, log
        self.figures = Figures()
        self.draw = random.Random(options.seed)
        self.end = time.monotonic() + options.seconds
        self.problems: list[str] = []
        self.cache = tempfile.TemporaryDirectory(prefix="visitor-cache")
        self.engines: dict[Path, Engines] = {}
        """The engines of knowledge that stays the same from day to day, made without a cache on disk."""
        self.processes = multiprocessing.get_context("forkserver")
        self.processes.set_forkserver_preload(["tests.soak.visitor.walk"])
        resource_tracker.ensure_running()  # before a terminal takes over what is printed
        forkserver.ensure_running()

    def write(self, line: dict[str, Any]) -> None:
        """Write a line into the log."""
        print(json.dumps(line, ensure_ascii=True), file=self.log, flush=True)

    @property
    def is_over(self) -> bool:
        """Whether time or acts are used up."""
        used_up = time.monotonic() > self.end or self.figures.acts >= self.options.acts
        return used_up or bool(self.problems)

    async def run(self) -> None:
        """Walk day after day."""
        asyncio.get_running_loop().set_exception_handler(self.unhandled)
        number = 0
        while not self.is_over:
            kind = self.options.knowledge[number % len(self.options.knowledge)]
            base = self.options.databases[number // 2 % len(self.options.databases)]
            seed = self.draw.randrange(10**6)
            with tempfile.TemporaryDirectory(prefix="visitor") as folder:
                day = Day(self, kind, base, seed, Path(folder))
                self.write({"day": number, "knowledge": kind, "database": base, "seed": seed})
                await day.walked()
            number += 1
        self.problems += self.figures.silent_keys()

    def engines_of(self, path: Path) -> Engines:
        """The engines that the program's own are compared with."""
        found = self.engines.get(path) or Engines(checked([path]))
        if path.is_relative_to(places.ROOT):
            self.engines[path] = found
        return found

    def unhandled(self, loop: Any, context: dict[str, Any]) -> None:
        """What asyncio could tell nobody else."""
        error = context.get("exception")
        words = "".join(traceback.format_exception(error)) if error else ""
        self.problems.append(f"{context.get('message')} {words}")


@contextmanager
def own_folders(folder: Path, downloads: bool, cache: str) -> Iterator[None]:
    """A home folder of the visitor's own, where papers are saved and which it is in, and one for caches."""
    home = folder / "home"
    (home / "Downloads").mkdir(parents=True) if downloads else home.mkdir()
    names = ("HOME", "XDG_DOWNLOAD_DIR", "XDG_CONFIG_HOME", "XDG_CACHE_HOME")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(HOME=str(home), XDG_CONFIG_HOME=str(home / ".config"), XDG_CACHE_HOME=cache)
    os.environ.pop("XDG_DOWNLOAD_DIR", None)
    try:
        with chdir(home):  # a paper may be saved under any words that are typed
            yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


class Day:
    """One database, two benches and a desk."""

    def __init__(self, walk: Walk, kind: str, base: str, seed: int, folder: Path) -> None:
        self.walk, self.base, self.folder = walk, base, folder
        self.draw = random.Random(seed)
        self.paths = [places.knowledge(kind, seed, folder)]
        self.clock = Clock()
        self.looks_ahead = self.draw.random() < 0.2
        self.downloads = self.draw.random() < 0.7
        self.light = self.draw.random() < 0.85
        self.cache = walk.cache.name if self.light else str(folder / "cache")
        self.looked_at: dict[int, int] = {}
        self.acts = 0
        self.hurried = False

    async def walked(self, acts: list[dict[str, Any]] | None = None) -> None:
        """Walk a day, or do its acts again."""
        with (
            places.database(self.base, self.folder) as self.url,
            own_folders(self.folder, self.downloads, self.cache),
            lightly(self.light),
        ):
            self.engines = self.walk.engines_of(self.paths[0])
            self.words = [said for one in self.engines.knowledge.complaints.values() for said in one.customer]
            self.watch = Watch(self.url, self.engines, self.clock, self.walk.figures, self.draw)
            self.terminals = [
                Terminal(name, self.paths, self.url, self.clock, name == "desk", self.looks_ahead)
                for name in ("bench", "desk", "other bench")
            ]
            try:
                await (self.walk_on() if acts is None else self.again(acts))
                if not self.walk.problems:
                    self.look(None)
            except (Found, Hangs) as found:
                self.walk.problems.append(str(found))
            except Exception:  # noqa: BLE001  # whatever it is, the walk ends with it
                self.walk.problems.append(traceback.format_exc())
            finally:
                self.watch.close()
                for one in self.terminals:
                    with suppress(Exception):
                        await one.close()

    async def walk_on(self) -> None:
        """Act after act."""
        at = self.terminals[0]
        while not self.walk.is_over and self.acts < self.walk.options.day:
            if len(self.watch.lengths) >= JOBS and self.acts > 100:
                return
            if self.draw.random() < 0.06:
                at = self.draw.choice(self.terminals)
            await self.act(self.next(at), at)

    def next(self, at: Terminal) -> Act:
        """What is done next."""
        if not at.is_up:
            return {"do": "start"}
        every = self.walk.options.kill_every
        if every and self.acts % every == every - 1:
            return {"do": "kill", "desk": self.draw.random() < 0.3, "seed": self.draw.randrange(10**6)}
        chance = self.draw.random()
        if chance < 0.0012:
            return {"do": "switch off"}
        found = ways(at, self.draw, self.words)
        weights, acts = zip(*found, strict=True)
        act = dict(self.draw.choices(acts, weights)[0])
        chance = self.draw.random()
        if chance < 0.03 and act["do"] in ("key", "tap"):
            act["twice"] = True
        elif chance < 0.07:
            act["hurry"] = True
        return act

    async def again(self, acts: list[dict[str, Any]]) -> None:
        """Do the acts of a log."""
        names = {one.name: one for one in self.terminals}
        for line in acts:
            await self.act(line["act"], names[line["who"]])

    async def act(self, act: Act, at: Terminal) -> None:
        """Write an act down, do it, and look whether all is well."""
        figures = self.walk.figures
        screen = type(at.screen).__name__ if at.is_up else ""
        self.walk.write({"n": figures.acts, "who": at.name, "on": screen, "act": act})
        figures.acts += 1
        self.acts += 1
        if act["do"] == "start":
            figures.reopened += 1
            await at.open()
        elif act["do"] == "switch off":
            await at.close()
        elif act["do"] == "kill":
            self.kill(act)
        elif at.is_up:
            await self.do(at, act, screen)
        await self.check(at, act)

    def kill(self, act: Act) -> None:
        """Use the program as a process of its own, kill it, and look at all jobs in another one."""
        given, was_killed, wrong = killed.visit(self.url, self.paths, act["desk"], act["seed"])
        self.walk.figures.acts += given
        self.walk.figures.kills += was_killed
        if wrong:
            raise Found(f"the program in a terminal: {wrong}")
        self.watch.grown()
        self.look(None)

    async def do(self, at: Terminal, act: Act, screen: str) -> None:
        """Do an act, as quickly as it says."""
        named = before = None
        if act["do"] == "key" and not act.get("hurry"):
            named = next(
                (
                    one
                    for one in keys(at.screen)
                    if one.key == act["key"] and (one.in_bottom_line or one.in_help)
                ),
                None,
            )
            before = world(at) if named else None
        self.clock.seconds += UNHURRIED
        Painting.on = not self.light or self.acts % PAINTED_EVERY == 0
        await do(at, act)
        if act.get("twice"):
            await at.settle()
            self.clock.seconds += DOUBLE_TAP
            if at.is_up and not at.failure():
                await do(at, act)
        if not act.get("hurry"):
            await at.settle()
            if not act.get("twice"):
                self.watch.pressed(at, screen, named, before)

    async def check(self, at: Terminal, act: Act) -> None:
        """Whether all is well."""
        self.still_run()
        leaves = act["do"] in ("switch off", "kill")
        hurried, self.hurried = self.hurried, bool(act.get("hurry")) or (self.hurried and leaves)
        if hurried and not self.hurried:
            await self.settled()
        new = self.watch.grown()
        if self.hurried or leaves:
            return
        if not hurried and act["do"] != "time":
            self.watch.once(new)
        if at.is_up:
            self.watch.screen(at)
            self.watch.stored(at)
        if self.acts % 10 == 0:
            self.watch.any_job()
        if self.acts % 10 == 5 and at.is_up:
            with at.app._context():  # type: ignore[union-attr]
                at.app.clear_notifications()  # type: ignore[union-attr]
        if self.acts % FRESH_EVERY == 0:
            await asyncio.sleep(0)
            self.look(self.changed())

    def still_run(self) -> None:
        """No program has ended with an exception, and none was lost on the way."""
        for one in self.terminals:
            failure = one.failure()
            if failure:
                raise Found(f"the program of the {one.name} ended with an exception:\n{failure}")
        if self.walk.problems:
            raise Found(self.walk.problems.pop())

    async def settled(self) -> None:
        """Wait for everybody's terminal: what was done in haste may have been done at another one."""
        for one in self.terminals:
            if one.is_up:
                await one.settle()

    def changed(self) -> list[int]:
        """The jobs that have grown since a fresh process last saw them, and three others."""
        new = [one for one, count in self.watch.lengths.items() if self.looked_at.get(one) != count]
        others = sorted(set(self.watch.lengths) - set(new))
        return sorted([*new, *self.draw.sample(others, min(3, len(others)))])

    def look(self, numbers: list[int] | None) -> None:
        """Have the jobs (all where no numbers are given) opened by a fresh process."""
        when = self.clock.now().isoformat()
        given = (self.url, when, [str(one) for one in self.paths], self.cache, numbers)
        with ProcessPoolExecutor(1, mp_context=self.walk.processes) as one:  # gone before the day's folder is
            told, wrong = one.submit(looked, *given).result()
        self.walk.figures.fresh += 1
        self.walk.figures.papers += fresh.PAPERS * len(told)
        if wrong:
            raise Found(f"in a fresh process: {wrong[0]}")
        here, wrong = fresh.look(self.engines, self.watch.store, list(told)[-5:])
        if wrong:
            raise Found(wrong[0])
        for number, account in here.items():
            unlike = fresh.differ(account, told[number])
            if unlike:
                raise Found(f"job {number} comes to something else in a fresh process: {unlike}")
        self.looked_at.update({one: self.watch.lengths[one] for one in told if one in self.watch.lengths})


async def replay(options: Options, file: Path, log: TextIO) -> Walk:
    """Do the acts of a log again."""
    walk = Walk(options, log)
    asyncio.get_running_loop().set_exception_handler(walk.unhandled)
    days: list[tuple[dict[str, Any], list[dict[str, Any]]]] = []
    for line in map(json.loads, file.read_text(encoding="utf-8").splitlines()):
        if "day" in line:
            days.append((line, []))
        elif "act" in line:
            days[-1][1].append(line)
    head, acts = days[-1]
    with tempfile.TemporaryDirectory(prefix="visitor") as folder:
        walk.write(head)
        await Day(walk, head["knowledge"], head["database"], head["seed"], Path(folder)).walked(acts)
    return walk


def walked(options: Options, again: Path | None = None) -> tuple[Figures, list[str]]:
    """Walk as the options say, or a log again; what was done, and what is wrong."""
    options.log.parent.mkdir(parents=True, exist_ok=True)
    with options.log.open("w", encoding="utf-8") as log, once():
        if again is not None:
            walk = asyncio.run(replay(options, again, log))
        else:
            walk = Walk(options, log)
            asyncio.run(walk.run())
        for problem in walk.problems:
            walk.write({"found": problem})
        walk.cache.cleanup()
    return walk.figures, walk.problems


def tell(words: str) -> None:
    """Say something past the programs on test, which take standard output for theirs."""
    print(words, file=sys.__stderr__, flush=True)
