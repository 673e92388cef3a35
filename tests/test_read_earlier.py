"""An answer that was read before something else was entered: it counts from where it was read."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from textual.widgets import OptionList

from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.bench.session import Session
from advisor.bench.wording import entry_words
from advisor.case.case import Case
from advisor.case.condition import moves, present
from advisor.case.confirmed import before_repair
from advisor.case.entries import (
    NOT_PRESENT,
    SEEN_TODAY,
    Confirmed,
    Entry,
    Measured,
    Prepared,
    Repaired,
    Seen,
    Skipped,
    Stated,
    TakenBack,
)
from advisor.knowledge.knowledge import Knowledge
from advisor.model.observation import Measurement
from advisor.screens.bench.readings import ReadingsScreen
from advisor.screens.bench.task import TaskScreen
from advisor.screens.widgets.choices import ChoiceScreen
from advisor.store.errors import CorruptRow
from advisor.store.records import row_of
from advisor.store.store import Store
from tests.test_condition import MORNING
from tests.test_condition_at_the_bench import AT_THE_BENCH, Bench, bench, car
from tests.test_screens import listed, running, settled, until, words

__all__ = ["bench", "car"]
AT = MORNING.isoformat()


def test_it_counts_for_the_condition_from_where_it_was_read(car: Knowledge) -> None:
    """Read on the cold engine before it was started: nothing is cold afterwards, and no cold wait is made."""
    cold, hot = Stated("cold", AT), Prepared("hot", AT)
    level = next(iter(car.readings["level"].answers))
    late = Case("c", (cold, hot, Seen("level", level)))
    earlier = Case("c", (cold, hot, Seen("level", level, before=2)))
    assert "cold" in present(car, late).condition.in_place
    assert present(car, earlier).condition == present(car, Case("c", (cold, hot))).condition
    assert [move.made for move in moves(car, earlier) if move.step == 3] == [()]
    assert list(earlier.counting) == [1, 3, 2]
    assert list(earlier.with_entry(TakenBack(2, "")).counting) == [1, 3]


def test_it_belongs_to_the_car_before_the_repair_and_to_the_complaint_of_then(car: Knowledge) -> None:
    """A remedy and a complaint that was away come after it, as on a job entered in order."""
    seen = Seen("told", "squeals")
    in_order: tuple[Entry, ...] = (seen, Repaired("belt", AT))
    afterwards = Case("c", (Repaired("belt", AT), Seen("told", "squeals", before=1)))
    assert afterwards.repairs == Case("c", in_order).repairs
    assert before_repair(afterwards).entries == (seen,)
    away = Case(
        "c", (Confirmed("c", SEEN_TODAY), Confirmed("c", NOT_PRESENT), Seen("told", "quiet", before=2))
    )
    assert not away.was_at_rest(3)
    assert away.was_at_rest(2)


def test_the_store_keeps_it_and_writes_all_else_as_before(car: Knowledge, tmp_path: Path) -> None:
    """Entries come back as they were; those without it have the rows that earlier versions wrote."""
    number = Measurement("amps", 3.0, "clamp", "3 A")
    entries: tuple[Entry, ...] = (
        Prepared("hot", AT),
        Seen("level", "low", before=1),
        Seen("level", "low", 0.8, before=1, take=(number,)),
        Measured("amps", (number,), before=2),
    )
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        filed = store.append(store.open_case("bay", "c"), *entries)
        read = store.case(filed.number)
        assert read is not None
        assert read.case.entries == entries
    finally:
        store.close()
    assert row_of(Seen("level", "low"))[2] == "low"
    assert row_of(Measured("amps", (number,)))[2].startswith("[")


@pytest.mark.parametrize("said", ['["low", 1.0, "technician", [], 9]', '["low", 1.0, "technician", [], "x"]'])
def test_a_step_that_cannot_be_is_damage(said: str, tmp_path: Path) -> None:
    """What this program never wrote is refused with its step, and not guessed at."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        filed = store.append(store.open_case("bay", "c"), Seen("level", "low", 0.8))
        with closing(sqlite3.connect(tmp_path / "cases.sqlite")) as database, database:
            database.execute("UPDATE entries SET said = ?", (said,))
        with pytest.raises(CorruptRow, match="Step 1"):
            store.case(filed.number)
    finally:
        store.close()


def test_the_bench_offers_what_may_have_come_after_it(bench: Callable[..., Bench]) -> None:
    """The step that ended what the reading needs, with its minutes; the record says where it was read."""
    job = bench(Stated("cold", (MORNING - timedelta(hours=3)).isoformat()), Prepared("hot", AT))
    session = job.after(12)
    assert session.read_earlier("level") == ((2, "“Begun: Engine hot”, 12 min ago"),)
    level = next(iter(session.knowledge.readings["level"].answers))
    read = session.saw("level", level, before=2)
    assert read.case.entries[2:] == (Seen("level", level, before=2),)
    assert read.waiting == session.waiting
    assert entry_words(read.knowledge, read.case, read.case.entries[-1]).endswith("(read before step 2)")
    assert "read before step 2" in read.job_card("markdown", customer=False)
    assert read.undone().case.outcomes == {}
    assert session.read_earlier("level", out_of_reach=True) == (), "it can be had again: the bench offers it"


async def test_an_answer_read_before_the_engine_ran_is_entered_from_the_card(tmp_path: Path) -> None:
    """The bench doubts it, and one line says that it was read before that."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        filed = store.open_case("bay", "c")
        since = store.clock() - timedelta(hours=3)
        cold, hot = Stated("cold", since.isoformat()), Prepared("hot", store.now())
        others = [Skipped(one, "no time now") for one in ("vent", "told")]
        store.append(filed, Confirmed("c", SEEN_TODAY), cold, hot, *others)
    finally:
        store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        task.choose("level")
        await settled(pilot)
        outcome = next(iter(task.session.knowledge.readings["level"].answers))
        task.enter(outcome)
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "It was read before that: before “Begun: Engine hot”, just now" in words(pilot)
        keys = [key for key, _ in pilot.app.screen.lines]  # type: ignore[attr-defined]
        await pilot.press(str(keys.index("3") + 1))
        await until(pilot, lambda screen: screen is task)
        await settled(pilot)
        assert task.session.case.entries[-1] == Seen("level", outcome, before=3)


async def test_a_reading_that_is_out_of_reach_now_can_be_entered_as_read_before(tmp_path: Path) -> None:
    """The circuit was emptied for good: the list asks whether it was read before, and takes the answer."""
    (tmp_path / "car.yaml").write_text("language: 1\nstanding: estimate\n" + AT_THE_BENCH, encoding="utf-8")
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        store.append(store.open_case("bay", "c"), Confirmed("c", SEEN_TODAY), Prepared("empty", store.now()))
    finally:
        store.close()
    async with running(tmp_path, tmp_path, (80, 24)) as pilot:
        await until(pilot, listed)
        await pilot.press("down", "enter")
        await until(pilot, lambda screen: isinstance(screen, TaskScreen))
        await settled(pilot)
        task = pilot.app.screen
        assert isinstance(task, TaskScreen)
        await pilot.press("o")
        await until(pilot, lambda screen: isinstance(screen, ReadingsScreen))
        screen = pilot.app.screen
        assert isinstance(screen, ReadingsScreen)
        readings = screen.query_one("#readings", OptionList)
        left_out = [one.id for one in readings.options if (one.id or "").startswith("left out ")]
        assert left_out
        reading = str(left_out[0]).removeprefix("left out ")
        screen.pick(str(left_out[0]))
        await until(pilot, lambda screen: isinstance(screen, ChoiceScreen))
        assert "It was read before that: before “Begun: Circuit emptied”, just now" in words(pilot)
        await pilot.press("1")
        await until(
            pilot, lambda screen: isinstance(screen, ChoiceScreen) and screen.heading.startswith("Vent")
        )
        await pilot.press("1")
        await until(pilot, lambda screen: screen is task)
        await settled(pilot)
        last = task.session.case.entries[-1]
        assert isinstance(last, Seen)
        assert (last.reading, last.before) == (reading, 2)


def test_a_corrected_answer_stays_where_it_was_read(bench: Callable[..., Bench]) -> None:
    """Who gives another answer for it gives it for the same moment."""
    job = bench(Prepared("hot", AT), Seen("level", "low", before=1))
    session: Session = job.session
    assert session.read_before(2) == 1
    assert (
        Session.opened(Engines(session.knowledge), session.store, session.filed, Workshop()).case
        == session.case
    )
