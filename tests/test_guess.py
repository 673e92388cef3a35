"""A learner's guess first: the bench shows nothing of its own suspicion before, and the record counts it."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.pilot import Pilot

from advisor.case.entries import Guessed, Seen
from advisor.checks.lint import checked
from advisor.learning.summary import few_guesses_lines, record_lines
from advisor.learning.track_record import FEWEST, Judged, summed_up, wilson
from advisor.screens.bench.card import YOUR_GUESS_FIRST
from advisor.screens.bench.cause import CauseScreen
from advisor.screens.bench.faulttree import FaultTreeScreen
from advisor.screens.bench.readings import ReadingsScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.settings import Settings
from advisor.store.store import Store
from tests.test_screens import door, listed, running, said, settled, text_of, until  # noqa: F401 - a fixture

LEARNER = Settings(guess_first=True)


async def opened(pilot: Pilot[None]) -> TaskScreen:
    """The one job of the store, on the bench."""
    await until(pilot, listed)
    await pilot.press("down", "enter")
    await until(pilot, lambda screen: isinstance(screen, TaskScreen))
    await settled(pilot)
    task = pilot.app.screen
    assert isinstance(task, TaskScreen)
    return task


def job(door: Path, tmp_path: Path, *entries: Seen) -> str:  # noqa: F811
    """A store with a job on rattling doors; its address."""
    url = f"sqlite:///{tmp_path / 'guess.sqlite'}"
    store = Store(url)
    store.append(store.draft("bay 2", "rattle", checked([door]).version), *entries)
    store.close()
    return url


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_a_learner_guesses_before_the_causes_are_shown(
    door: Path,  # noqa: F811
    tmp_path: Path,
    size: tuple[int, int],
) -> None:
    """No probability, no effect, no tree; then the guess is entered with what led, and all is shown."""
    url = job(door, tmp_path, Seen("tap", "dull"))
    async with running(door, tmp_path, size, url, LEARNER) as pilot:
        task = await opened(pilot)
        assert said(pilot, "#suspicion") == YOUR_GUESS_FIRST
        assert "%" not in text_of(pilot)
        assert not task.query_one("#beside").display
        await pilot.press("t")
        await until(pilot, lambda screen: isinstance(screen, CauseScreen))
        assert "%" not in text_of(pilot)
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        assert task.session.case.guess is None
        await pilot.press("o")
        await until(pilot, lambda screen: isinstance(screen, ReadingsScreen))
        await settled(pilot)
        assert "TELLS MOST OF ALL" not in text_of(pilot)
        await pilot.press("escape")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await pilot.press("l")
        await until(pilot, lambda screen: isinstance(screen, CauseScreen))
        await pilot.press(*"loose", "enter", "down", "enter")
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "is this your guess?" in text_of(pilot)
        await pilot.press("1")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        leading = task.session.advice.suspects[0].fault
        assert task.session.case.guess == Guessed("strap", leading)
        assert "%" in said(pilot, "#suspicion")
        await pilot.press("t")
        await until(pilot, lambda screen: isinstance(screen, FaultTreeScreen))


async def test_a_guess_is_no_evidence_and_counts_once_it_was_put_down(door: Path, tmp_path: Path) -> None:  # noqa: F811
    """Nothing is believed otherwise after it; whoever takes it back has seen what the bench suspects."""
    url = job(door, tmp_path, Seen("tap", "dull"))
    async with running(door, tmp_path, (80, 24), url, LEARNER) as pilot:
        task = await opened(pilot)
        before = task.session.stages[-1]
        task.change(lambda: task.session.suspects("strap"))
        await until(pilot, lambda _: task.session.case.guess is not None)
        assert task.session.stages[-1] == before
        await settled(pilot)
        await pilot.press("u")
        await until(pilot, lambda _: Guessed not in map(type, task.session.case.counting.values()))
        await settled(pilot)
        assert "%" in said(pilot, "#suspicion")
        assert task.session.case.guess is not None


async def test_the_end_of_a_search_waits_for_the_guess(door: Path, tmp_path: Path) -> None:  # noqa: F811
    """The result would say which cause it is."""
    url = job(door, tmp_path, *(Seen("slam", "thud"), Seen("tap", "dull"), Seen("wiggle", "loose")))
    async with running(door, tmp_path, (80, 24), url, LEARNER) as pilot:
        task = await opened(pilot)
        assert task.session.advice.stop is not None
        assert task.shown.title == "Your guess first"
        assert "%" not in text_of(pilot)


async def test_without_the_setting_nothing_is_hidden(door: Path, tmp_path: Path) -> None:  # noqa: F811
    """The bench of everybody else shows its suspicion from the start, and `l` says why there is no guess."""
    async with running(door, tmp_path, (80, 24), job(door, tmp_path, Seen("tap", "dull"))) as pilot:
        task = await opened(pilot)
        assert "%" in said(pilot, "#suspicion")
        await pilot.press("l")
        await settled(pilot)
        assert pilot.app.screen is task


def test_the_record_counts_guesses_beside_what_led_then() -> None:
    """30 of 40 guesses were right, 36 of what led; Wilson's interval, as for every other rate."""
    causes, beliefs = frozenset({"a"}), {"a": 0.9, "b": 0.1}
    jobs = [
        Judged(at, "2030-02-01T08:00:00+00:00", causes, beliefs, 10.0, None, "proved", guess, led)
        for at, (guess, led) in enumerate(
            [("a", "a")] * 30 + [("b", "a")] * 6 + [("b", "b")] * 4 + [("", "")] * 5
        )
    ]
    record = summed_up(jobs, {})
    assert record.guesses == (wilson(30, 40), wilson(36, 40))
    (line,) = [one for one in record_lines(record, FEWEST) if one.startswith("Guesses")]
    assert "40 jobs, right in 75%" in line
    assert "was right in 90%" in line
    assert summed_up(jobs[40:] * 4, {}).guesses is None
    assert "30 of 40 right" in " ".join(few_guesses_lines(jobs))
    assert not list(few_guesses_lines(jobs[40:]))
