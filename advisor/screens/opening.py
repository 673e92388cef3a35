"""What the welcome screen waits for: slow imports, the knowledge, the database.

Importing this module takes seconds, so it is done in a thread.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from textual.screen import Screen

from advisor import diskcache as cache
from advisor import logfile
from advisor.advice.rules import workshop_of
from advisor.bench.session import Engines, preload
from advisor.checks.lint import checked
from advisor.desk.retention import carried_out
from advisor.knowledge.problems import ProblemsFound
from advisor.policy import Policy
from advisor.screens.desk.days import DeskScreen
from advisor.screens.start import StartScreen
from advisor.settings import Settings, kind_of_store
from advisor.store.errors import StoreError
from advisor.store.store import Store, default_url


class CannotOpen(Exception):
    """The program cannot start: what is wrong in one line, the details in `lines`, and an exit code."""

    def __init__(self, what: str, lines: Sequence[str], exit_code: int) -> None:
        super().__init__(what)
        self.what, self.lines, self.exit_code = what, list(lines), exit_code


class Opened:
    """The opened knowledge and database of a workshop; opening them may raise `CannotOpen`."""

    def __init__(
        self,
        paths: Sequence[Path],
        without: frozenset[str],
        url: str | None,
        policy: Policy,
        settings: Settings = Settings(),  # noqa: B008 - frozen
    ) -> None:
        try:
            kept = cache.of_this_user()
            with logfile.timed("read the knowledge"):
                knowledge = checked(list(paths), kept)
            with logfile.timed("open the store"):
                self.store = Store(url or default_url(), workshop=settings)
                self.store.told += carried_out(self.store).sentences
        except ProblemsFound as error:
            for one in error.problems:
                logfile.log_event("the knowledge has a problem", line=one.place.line, code=one.code)
            raise CannotOpen(
                "The knowledge has problems.", [str(one) for one in error.problems], 1
            ) from error
        except (StoreError, OSError) as error:
            logfile.log_error("the cases cannot be reached", error)
            raise CannotOpen("The cases cannot be reached.", [str(error)], 3) from error
        unknown = without - set(knowledge.instruments)
        if unknown:
            names = ", ".join(sorted(knowledge.instruments))
            raise CannotOpen(f"There is no instrument '{min(unknown)}'.", [f"Known are: {names}."], 2)
        try:
            self.workshop = workshop_of(knowledge, without, settings.people)
        except ValueError as error:
            raise CannotOpen(str(error), ["Change `people` in the workshop's file."], 2) from error
        self.engines = Engines(knowledge, cache=kept)
        store = kind_of_store(url) if url else "sqlite"
        logfile.log_event("opened", knowledge=knowledge.version, store=store)
        self.policy = policy

    def screen(self, desk: bool) -> Screen[None]:
        """Return the service desk's screen, or the list of jobs."""
        if desk:
            return DeskScreen(self.engines, self.store, self.policy)
        return StartScreen(self.engines, self.store, self.workshop, self.policy)


__all__ = ["CannotOpen", "Opened", "preload"]
