"""What has to hold after each act, whatever it was."""

from __future__ import annotations

import inspect
import random
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import sqlalchemy as sa
from textual.actions import ActionError, parse

from advisor.advice.rules import Workshop
from advisor.bench.session import BY_MISTAKE, Engines, Session
from advisor.case.entries import (
    CORRECTED,
    Booked,
    Checked,
    Closed,
    Measured,
    Repaired,
    Seen,
    TakenBack,
)
from advisor.papers.format import percent
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.soak.visitor.fresh import PAPERS, advised, differ, most_percent, told, without_typed, wrong_in
from tests.soak.visitor.seen import NamedKey, keys, messages, texts, world
from tests.soak.visitor.terminal import Terminal

ONCE = (Repaired, Checked, Closed, Booked, TakenBack)
"""What one act enters at most once on a job."""
LENGTHS = "SELECT case_id, count(*), max(number) FROM entries GROUP BY case_id"
SILENT_TRIES = 25
"""A key that was pressed so often on a kind of screen, and never did anything, does nothing."""


def goes_with_another(entry: Any) -> bool:
    """Whether an entry is part of a larger act: a setup entered by mistake takes with it what it built."""
    return isinstance(entry, TakenBack) and entry.reason == BY_MISTAKE


class Found(Exception):
    """Something is wrong."""


@dataclass
class Figures:
    """What was done so far."""

    acts: int = 0
    jobs: int = 0
    closings: int = 0
    kills: int = 0
    reopened: int = 0
    repairs: int = 0
    papers: int = 0
    fresh: int = 0
    screens: Counter[str] = field(default_factory=Counter)
    pressed: Counter[tuple[str, str]] = field(default_factory=Counter)
    silent: Counter[tuple[str, str]] = field(default_factory=Counter)

    def silent_keys(self) -> list[str]:
        """Named keys that were pressed often on a kind of screen, and never did anything."""
        return [
            f"key {key} of {screen} did nothing, pressed {count} times"
            for (screen, key), count in sorted(self.pressed.items())
            if self.is_silent((screen, key))
        ]

    def is_silent(self, key: tuple[str, str]) -> bool:
        """Whether a key of a kind of screen was pressed often, and never did anything."""
        return self.pressed[key] >= SILENT_TRIES and self.silent[key] == self.pressed[key]

    def __str__(self) -> str:
        return (
            f"{self.acts} acts, {self.jobs} jobs, {self.repairs} repairs, {self.closings} closings, "
            f"{self.reopened} starts, {self.kills} kills, {self.papers} papers, {self.fresh} fresh looks"
        )


def _asks_anew(entry: Any) -> bool:
    """Whether an entry takes a step back so that it can be answered once more."""
    return isinstance(entry, TakenBack) and entry.reason == CORRECTED


class Watch:
    """Looks at one database and the terminals on it."""

    def __init__(self, url: str, engines: Engines, clock: Any, figures: Figures, draw: random.Random) -> None:
        self.store = Store(url, clock.now)
        self.engines, self.figures, self.draw = engines, figures, draw
        self.most = most_percent(engines.knowledge)
        self.lengths: dict[int, int] = {}
        self.filed: dict[int, StoredCase] = {}
        self.resolved: set[tuple[str, str, str]] = set()
        self.unlooked: set[int] = set()
        """Jobs that have grown since their papers were last made."""
        self.fresh_advice: dict[tuple[Any, ...], dict[str, Any]] = {}
        self._past = sa.create_engine(url, isolation_level="AUTOCOMMIT", poolclass=sa.StaticPool)
        self._looking = self._past.connect()

    def close(self) -> None:
        """Let go of the database."""
        self._looking.close()
        self._past.dispose()
        self.store.close()

    # What is stored

    def grown(self) -> dict[int, tuple[Any, ...]]:
        """The entries that are new since the last look, by job; raises `Found` where steps are missing."""
        rows = self._looking.exec_driver_sql(LENGTHS).all()
        numbers = [number for (number,) in self._looking.exec_driver_sql("SELECT id FROM cases ORDER BY id")]
        lengths = dict.fromkeys(numbers, 0)
        for number, count, last in rows:
            if count != last:
                raise Found(f"job {number} has {count} entries, the last of which is numbered {last}")
            lengths[number] = count
        new: dict[int, tuple[Any, ...]] = {}
        for number, count in lengths.items():
            before = self.lengths.get(number)
            if before == count:
                continue
            filed = self.store.case(number)
            if filed is None:
                raise Found(f"job {number} is gone")
            if before is not None and count < before:
                raise Found(f"job {number} had {before} entries and now has {count}")
            self.filed[number] = filed
            new[number] = filed.case.entries[before or 0 : filed.entries]
        gone = set(self.lengths) - set(lengths)
        if gone:
            raise Found(f"jobs {sorted(gone)} are gone")
        self.unlooked.update(new)
        self.figures.jobs += len(set(lengths) - set(self.lengths))
        for entries in new.values():
            self.figures.closings += sum(isinstance(one, Closed) for one in entries)
            self.figures.repairs += sum(isinstance(one, Repaired) for one in entries)
        opened = [number for number in lengths if number not in self.lengths]
        self.lengths = lengths
        same = Counter((self.filed[one].tag, self.filed[one].case.complaint) for one in opened)
        self.opened_at_once = [key for key, count in same.items() if count > 1]
        return new

    def once(self, new: dict[int, tuple[Any, ...]]) -> None:
        """One act, even a double tap, answers one question at most and does one thing once."""
        readings = {
            one.reading for entries in new.values() for one in entries if isinstance(one, Seen | Measured)
        }
        if len(readings) > 1:
            raise Found(f"one act has answered {len(readings)} questions: {sorted(readings)}")
        if self.opened_at_once:
            raise Found(f"one act has opened the same job twice: {self.opened_at_once}")
        for number, entries in new.items():
            for kind in ONCE:
                several = [one for one in entries if isinstance(one, kind) and not goes_with_another(one)]
                if len(several) > 1:
                    raise Found(f"one act has entered on job {number} {several}")
            seen = [one for one in entries if isinstance(one, Seen | Measured)]
            if len(seen) > 1:
                raise Found(f"one act has entered on job {number} {seen}")

    # What is shown

    def screen(self, terminal: Terminal) -> None:
        """The words on the screen, and what stands behind them."""
        name = type(terminal.screen).__name__
        self.figures.screens[name] += 1
        said = texts(terminal)
        tags = sorted({one.tag for one in self.filed.values()}, key=len, reverse=True)
        for words in said:
            wrong = wrong_in(words, self.most) and wrong_in(without_typed(words), self.most)
            if wrong and not any(wrong_in(tag) for tag in tags):
                raise Found(f"on {name}: {wrong}: {words[:300]!r}")
        for words in messages(terminal):
            if not words.strip():
                raise Found(f"an empty message on {name}")
        self.way_out(terminal)

    def way_out(self, terminal: Terminal) -> None:
        """There is a named key that leads out, and every named key has its action."""
        named = keys(terminal.screen)
        name = type(terminal.screen).__name__
        if not any(one.key == "escape" and (one.binding.description or one.binding.tooltip) for one in named):
            raise Found(f"no key leads out of {name}")
        for one in named:
            key = (name, one.key, one.binding.action)
            if key not in self.resolved:
                self.resolved.add(key)
                self.action(terminal, one)

    def action(self, terminal: Terminal, named: NamedKey) -> None:
        """A key's action is there, and takes what it is given."""
        app = terminal.app
        assert app is not None
        for single in named.binding.action.split(","):
            try:
                space, action, given = parse(named.binding.action)
            except ActionError as error:
                raise Found(f"key {named.key}: {error}") from error
            node = {"app": app, "screen": app.screen}.get(space, named.node)
            method = getattr(node, f"action_{action}", None) or getattr(node, f"_action_{action}", None)
            if method is None:
                method = getattr(app, f"action_{action}", None)
            if method is None:
                raise Found(f"key {named.key} of {type(named.node).__name__} has no action {single}")
            try:
                inspect.signature(method).bind(*given)
            except TypeError as error:
                raise Found(f"key {named.key}: {named.binding.action}: {error}") from error

    def stored(self, terminal: Terminal) -> None:
        """What is shown is what is stored, and the advice that of a fresh start."""
        screen = terminal.screen
        session = getattr(screen, "session", None)
        jobs = getattr(getattr(screen, "call", None), "jobs", ())
        shown = [session.filed] if isinstance(session, Session) else list(jobs)
        for filed in shown:
            there = self.filed.get(filed.number)
            if filed.number == 0 and not filed.entries:
                continue  # it is stored with its first entry
            if there is None:
                raise Found(f"job {filed.number} is on the screen, and not in the database")
            said = filed.case.entries
            if not hasattr(screen, "show_session") and said[-1:] and _asks_anew(said[-1]):
                said = said[:-1]  # a step that is asked for anew is taken back with the new answer
            entries = there.case.entries[: len(said)]
            if entries != said or filed.tag != there.tag:
                raise Found(f"job {filed.number} is shown as {said}, and stored as {entries}")
        if isinstance(session, Session) and hasattr(screen, "show_session"):
            leading = session.advice.suspects[0]
            said = "\n".join(texts(terminal))
            for words in (percent(leading.probability), leading.name[:12], session.filed.tag[:20].strip()):
                if words.split() and " ".join(words.split()) not in " ".join(said.split()):
                    raise Found(f"{words!r} is not on the screen of job {session.filed.number}")
            self.as_fresh(session)

    def as_fresh(self, session: Session) -> None:
        """The advice of a session is the one that a new session on the stored job gives."""
        there = self.filed.get(session.filed.number, session.filed)
        if there.entries != session.filed.entries:
            return  # somebody else has gone on with it: shown within seconds
        # What another bench has chosen meanwhile counts here from the next opening on.
        chosen = session.ranking, session.off_trolley
        key = (there.number, there.case, *chosen, *session.waiting.items())
        if key not in self.fresh_advice:
            self.fresh_advice.clear()
            opened = Session.opened(self.engines, self.store, there, Workshop())
            fresh = replace(opened, ranking=chosen[0], off_trolley=chosen[1])
            self.fresh_advice[key] = advised(fresh)
        wrong = differ(advised(session), self.fresh_advice[key], waits=bool(session.waiting))
        if wrong:
            raise Found(f"the advice on job {there.number} is another one after a fresh start: {wrong}")

    def any_job(self) -> None:
        """A stored job can be opened, and its papers made: one that has grown, if one has."""
        jobs = sorted(self.unlooked) or sorted(self.filed)
        if not jobs:
            return
        number = self.draw.choice(jobs)
        self.unlooked.discard(number)
        _, wrong = told(self.engines, self.store, self.filed[number])
        self.figures.papers += PAPERS
        if wrong:
            raise Found(f"job {number}: {wrong[0]}")

    # What keys do

    def pressed(self, terminal: Terminal, screen: str, named: NamedKey | None, before: Any) -> None:
        """Count whether a named key has done anything."""
        if named is None:
            return
        key = (screen, named.key)
        self.figures.pressed[key] += 1
        if terminal.is_up and world(terminal) == before:
            self.figures.silent[key] += 1
            if named.key == "escape" and self.figures.is_silent(key):
                raise Found(f"nobody gets out of {screen}: Esc has done nothing {SILENT_TRIES} times")
