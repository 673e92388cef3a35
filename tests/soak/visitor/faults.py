"""Faults put into the program on purpose, to see how soon the visitor comes upon them.

`python -m tests.soak.visitor.faults --seeds 10 [NAME…]` walks with each fault, and prints after how many acts
and seconds of processor time it was found.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

from advisor.advice.situation import Situation, Situations
from advisor.bench.session import RANKING, Session
from advisor.case import confirmed
from advisor.case.case import Case
from advisor.case.entries import Known
from advisor.measure import units
from advisor.papers import format as formats
from advisor.screens.bench.task import TaskScreen
from advisor.screens.help import HelpScreen
from advisor.screens.widgets.attention import Attention
from advisor.store import store


def everywhere(right: Any, wrong: Any) -> Iterator[AbstractContextManager[Any]]:
    """Put something in the place of a function, wherever it was imported to."""
    for name, module in list(sys.modules.items()):
        if name.startswith(("advisor", "tests.soak.visitor")) and module is not sys.modules[__name__]:
            for word, value in list(vars(module).items()):
                if value is right:
                    yield mock.patch.object(module, word, wrong)


def does_nothing(*_: object) -> None:
    """In the place of what does something."""


@contextmanager
def patched(*patches: AbstractContextManager[Any]) -> Iterator[None]:
    """For a while."""
    with ExitStack() as stack:
        for one in patches:
            stack.enter_context(one)
        yield


def ranking_among_units() -> AbstractContextManager[None]:
    """The program as it once was: the ranking stood among the units, which refused what they did not know."""
    right, ranked = units.preferred, Session.ranked

    def preferred(unit: str, preferences: Mapping[str, str]) -> str:
        for what in preferences:
            if what not in units.PREFERENCES:
                raise units.UnknownUnit(f"There is no preference for '{what}'.", "")
        return right(unit, preferences)

    def remembered(session: Session, ranking: Any) -> Session:
        session.store.prefer(RANKING, ranking)
        return ranked(session, ranking)

    return patched(*everywhere(right, preferred), mock.patch.object(Session, "ranked", remembered))


def double_tap_answers_twice() -> AbstractContextManager[None]:
    """The second tap of a double one answers the next question."""
    return patched(
        mock.patch.object(Attention, "is_too_soon", return_value=False),
        mock.patch.object(Attention, "changed_since_pressed", False),
    )


def closed_jobs_counted_twice() -> AbstractContextManager[None]:
    """Learning counts what the last closed job has found twice."""
    right = confirmed.gather

    def gather(*given: Any) -> Any:
        found = right(*given)
        return replace(found, findings=(*found.findings, *found.findings[-1:]))

    return patched(*everywhere(right, gather))


def key_that_is_dead() -> AbstractContextManager[None]:
    """The key for the steps of a job does nothing."""
    return patched(mock.patch.object(TaskScreen, "action_steps", does_nothing))


def screen_without_way_out() -> AbstractContextManager[None]:
    """The help cannot be left."""
    return patched(mock.patch.object(HelpScreen, "dismiss", does_nothing))


def stale_advice() -> AbstractContextManager[None]:
    """What a case comes to is kept by what was read, whatever it was read as."""

    def of(self: Situations, case: Case) -> Situation:
        kept = self.__dict__.setdefault("kept by readings", {})
        key = (case.complaint, case.repairs, frozenset(case.taken), len(case.facts))
        if key not in kept:
            kept[key] = Situation.of(self.knowledge, self.engine_of(case), case)
        found: Situation = kept[key]
        return found

    return patched(mock.patch.object(Situations, "of", of))


def facts_not_stored() -> AbstractContextManager[None]:
    """A fact of the car is shown, and not stored."""
    entered = Session._entered

    def forgets(self: Session, *entries: Any) -> Session:
        right = store.Store.append
        wrong = right if not all(isinstance(one, Known) for one in entries) else _only_shown
        with mock.patch.object(store.Store, "append", wrong):
            return entered(self, *entries)

    return patched(mock.patch.object(Session, "_entered", forgets))


def _only_shown(self: store.Store, filed: Any, *entries: Any) -> Any:
    for entry in entries:
        filed = filed.with_entry(entry, self.now())
    return filed


def more_than_all() -> AbstractContextManager[None]:
    """Probabilities that are nearly 1 are shown as more than 1."""
    right = formats.percent
    return patched(*everywhere(right, lambda p: f"{100 * p + 10:.0f} %" if 0.9 < p < 1 else right(p)))


def folder_that_is_missing() -> AbstractContextManager[None]:
    """A paper cannot be saved where there is no folder for downloads."""

    def gone() -> Path:
        if not (Path.home() / "Downloads").is_dir():
            raise NotADirectoryError("no folder for downloads")
        return right()

    right = store.papers_folder
    return patched(*everywhere(right, gone))


FAULTS: dict[str, Callable[[], AbstractContextManager[None]]] = {
    "ranking among units": ranking_among_units,
    "double tap answers twice": double_tap_answers_twice,
    "closed jobs counted twice": closed_jobs_counted_twice,
    "key that is dead": key_that_is_dead,
    "screen without way out": screen_without_way_out,
    "stale advice": stale_advice,
    "facts not stored": facts_not_stored,
    "more than all": more_than_all,
    "folder that is missing": folder_that_is_missing,
}


def main() -> int:
    """Walk with each fault; ends with 1 where one of them was never found."""
    from tests.soak.visitor.walk import Options, walked

    parser = argparse.ArgumentParser(prog="python -m tests.soak.visitor.faults", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"Of: {', '.join(FAULTS)}.")
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--acts", type=int, default=3000, help="At most so many for each seed.")
    parser.add_argument("--seconds", type=float, default=3600.0, help="At most so many for each seed.")
    given = parser.parse_args()
    missed = []
    for name in given.names or FAULTS:
        found = 0
        for seed in range(1, given.seeds + 1):
            log = Path(tempfile.gettempdir()) / f"visitor-fault-{seed}.jsonl"
            options = Options(given.seconds, given.acts, seed, log, ("generated",), kill_every=0)
            started = time.process_time()
            with FAULTS[name]():
                figures, problems = walked(options)
            seconds = time.process_time() - started
            words = " ".join(problems[0].split())[-110:] if problems else "NOT FOUND"
            found += bool(problems)
            print(f"{name}, seed {seed}: {figures.acts} acts, {seconds:.0f} s: {words}", flush=True)
        if not found:
            missed.append(name)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
