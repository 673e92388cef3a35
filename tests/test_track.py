"""How well we are doing: rates with intervals, over time, and silence where there are too few jobs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from advisor.bench.session import Engines
from advisor.case.case import Case
from advisor.case.entries import Closed, Entry, Known, Repaired, Seen
from advisor.knowledge.knowledge import Knowledge
from advisor.learning.track_record import (
    Judged,
    TooFew,
    checklist_minutes,
    judge,
    period_of,
    summed_up,
    wilson,
)
from advisor.store.records import StoredCase
from advisor.store.store import Store
from tests.conftest import Ran, complaint, faults

Made = Callable[[str], Knowledge]
Runs = Callable[..., Ran]

KNOWLEDGE = (
    complaint("any_of: {a: 50, b: 48}", 8)
    + faults("a", "b")
    + """\
readings:
  look: {name: Look, minutes: 10, outcomes: {fine: Fine, odd: Odd}, noisy_or: {leak: 0.02, causes: {a: 0.5}}}
  knock:
    name: Knock
    minutes: 2
    outcomes: {dull: Dull, rings: Rings}
    noisy_or: {leak: 0.001, causes: {b: 1}}
"""
)


def filed(number: int, cause: str, *entries: Entry, at: str = "2030-02-01T08:00:00+00:00") -> StoredCase:
    """A job closed with a cause at a time."""
    case = Case("c", (*entries, Closed(cause, "")))
    return StoredCase(number, "plate", at, case, (at,) * len(case.entries))


def judged(
    right: bool, sure: float = 0.9, at: str = "2030-02-01T08:00:00+00:00", than: float | None = None
) -> Judged:
    """A job that ended so sure of `a`, which was right or not."""
    return Judged(1, at, frozenset({"a" if right else "b"}), {"a": sure, "b": 1 - sure}, 10.0, than)


@pytest.mark.parametrize(
    ("hits", "count", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilsons_interval_is_the_published_one(hits: int, count: int, low: float, high: float) -> None:
    """The examples of Newcombe (1998), Statistics in Medicine 17, 857-872, table I, score method."""
    rate = wilson(hits, count)
    assert (rate.low, rate.high) == pytest.approx((low, high), abs=5e-5)


def test_below_twenty_jobs_nothing_is_said() -> None:
    """The message names the number there is and the number it takes."""
    with pytest.raises(TooFew, match=r"There are 19 closed jobs with a confirmed cause. Below 20 nothing"):
        summed_up([judged(True)] * 19, {})


def test_rates_over_all_jobs() -> None:
    """Of 40 jobs 30 had the confirmed cause first; among the first three it was in all."""
    record = summed_up([judged(True)] * 30 + [judged(False)] * 10, {})
    assert (record.first.hits, record.first.count, record.in_three.hits) == (30, 40, 40)
    assert record.first.low < 0.75 < record.first.high


def test_a_period_with_few_jobs_is_only_counted() -> None:
    """Quarters come in order, and one with too few jobs has no rates."""
    late = [judged(True, at="2030-04-01T08:00:00+00:00")] * 20
    record = summed_up([*late, *[judged(True)] * 5], {})
    assert [(one.name, one.jobs, one.first is None) for one in record.periods] == [
        ("2030 Q1", 5, True),
        ("2030 Q2", 20, False),
    ]


def test_sureness_is_held_against_what_came_true() -> None:
    """Of 40 jobs that were 90 % sure 20 were right: the promise lies outside the interval."""
    record = summed_up([judged(True)] * 20 + [judged(False)] * 20, {})
    (grade,) = record.sureness
    assert (grade.low, grade.high) == (0.8, 0.95)
    assert grade.promised == pytest.approx(0.9)
    assert grade.right.high < grade.promised


def test_minutes_are_compared_where_they_can_be() -> None:
    """Jobs whose checklist cannot be told are left out; of few others nothing is said."""
    some = [judged(True, than=20.0 + at) for at in range(20)]
    record = summed_up(some + [judged(True)] * 5, {})
    assert record.compared == 20
    assert record.saved is not None
    assert record.saved[0] == pytest.approx(19.5)
    assert record.saved[1] < 19.5 < record.saved[2]
    assert summed_up(some[:19] + [judged(True)] * 5, {}).saved is None


def test_the_checklist_is_told_where_its_readings_were_taken(known: Made) -> None:
    """In the order written it looks first, then knocks; without a look nobody knows what it would show."""
    knowledge = known(KNOWLEDGE)
    engine = Engines(knowledge).of(Case("c"))
    knocked = Case("c", (Seen("knock", "rings"),))
    assert checklist_minutes(knowledge, engine, knocked) is None
    both = knocked.with_entry(Seen("look", "fine"))
    assert checklist_minutes(knowledge, engine, both) == 12.0


def test_a_job_is_judged_as_it_was_before_the_repair(known: Made) -> None:
    """What was entered from the repair on does not help the judgement."""
    knowledge = known(KNOWLEDGE)
    job = filed(1, "b", Seen("knock", "rings"), Repaired("b", ""), Seen("look", "odd"))
    (one,), excluded = judge(knowledge, Engines(knowledge).of, [job])
    assert (one.first, one.minutes, excluded) == (True, 2.0, {})
    assert one.beliefs["b"] > 0.95


def test_jobs_that_cannot_be_judged_are_counted_by_reason(known: Made) -> None:
    """Open jobs and those closed without a cause are left out, and said."""
    knowledge = known(KNOWLEDGE)
    jobs = [filed(1, ""), StoredCase(2, "", "", Case("c", (Known("x", "y"),)))]
    found, excluded = judge(knowledge, Engines(knowledge).of, jobs)
    assert found == ()
    assert excluded == {"closed without a cause that was confirmed": 1, "still open": 1}


@pytest.mark.parametrize(
    ("at", "month", "quarter", "year"),
    [
        ("2030-03-31T23:00:00+00:00", "2030-03", "2030 Q1", "2030"),
        ("2030-10-01T00:00:00+02:00", "2030-10", "2030 Q4", "2030"),
        ("long ago", "", "", ""),
    ],
)
def test_a_time_belongs_to_its_month_quarter_and_year(at: str, month: str, quarter: str, year: str) -> None:
    """A time belongs to one month, quarter and year, in order of their names."""
    assert (period_of(at, "month"), period_of(at, "quarter"), period_of(at, "year")) == (month, quarter, year)


def test_the_command_says_how_many_jobs_it_takes(tmp_path: Path, advisor: Runs) -> None:
    """With three jobs nothing is said but that."""
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    store = Store(url)
    for _ in range(3):
        store.append(store.open_case("plate", "flat_battery"), Closed("boot_lamp", ""))
    store.close()
    ran = advisor("track", "--store", url)
    assert ran.code == 0
    assert ran.out.startswith("There are 3 closed jobs with a confirmed cause. Below 20 nothing is said")


def test_the_command_shows_rates_with_intervals(tmp_path: Path, advisor: Runs) -> None:
    """With twenty-two jobs there is a line for all and one for each period."""
    url = f"sqlite:///{tmp_path / 'jobs.sqlite'}"
    store = Store(url)
    for _ in range(22):
        opened = store.open_case("plate", "flat_battery")
        store.append(opened, Seen("warm_boot", "warmer"), Closed("boot_lamp", ""))
    store.close()
    ran = advisor("track", "--store", url, "--by", "year")
    assert ran.code == 0, ran.err
    assert "22 closed jobs with a confirmed cause" in ran.out
    assert "100% (85% to 100%)" in ran.out
