"""How long jobs are kept: announced first, erased then, and never what somebody may still work on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from advisor.case.entries import (
    CUSTOMER,
    Booked,
    Cancelled,
    Closed,
    Entry,
    Known,
    Reopened,
    SaidByCustomer,
    Seen,
)
from advisor.desk.retention import NOTICE_DAYS, announced_days, carried_out, kept_until
from advisor.settings import Settings
from advisor.store.backup import back_up, restore
from advisor.store.store import Store
from tests.conftest import Ran
from tests.databases import KINDS, Database, fresh
from tests.test_desk import at_desk
from tests.test_screens import KNOWLEDGE, listed, running, said, text_of, until, words

Runs = Callable[..., Ran]
WORDS = SaidByCustomer("phone", "dead every morning, says Hidden-Words")
ANSWER = Seen("key_near", "far", 0.7, CUSTOMER)
AT_THE_CAR = Seen("key_near", "far")
DONE = Closed("", "sold")
FIRST = datetime(2026, 1, 31, 12, tzinfo=UTC)


@dataclass
class Workshop:
    """A database that is opened again and again as time goes on."""

    database: Database
    now: datetime = FIRST
    keep_months: int = 1
    open: list[Store] = field(default_factory=list)

    def at(self, day: date) -> None:
        """Go on to the noon of a day."""
        self.now = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)

    def store(self) -> Store:
        """Open it."""
        store = Store(self.database.url, lambda: self.now, workshop=Settings(keep_months=self.keep_months))
        self.open.append(store)
        return store

    def job(self, *entries: Entry) -> int:
        """Enter a job now, and return its number."""
        store = self.store()
        return store.append(store.draft(f"bay {self.now:%H%M}", "flat_battery"), *entries).number

    def numbers(self) -> list[int]:
        """Return the numbers of all jobs."""
        return sorted(job.number for job in self.store().cases())


@pytest.fixture(params=KINDS)
def workshop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Workshop]:
    """An empty database of each kind, its jobs kept for a month."""
    with fresh(request.param, tmp_path) as made:
        workshop = Workshop(made)
        try:
            yield workshop
        finally:
            for store in workshop.open:
                store.close()


@pytest.fixture
def sqlite(tmp_path: Path) -> Workshop:
    """A SQLite database, for what does not depend on the kind."""
    return Workshop(Database(f"sqlite:///{tmp_path / 'cases.sqlite'}"))


@pytest.mark.parametrize(
    ("entries", "until"),
    [
        ((AT_THE_CAR, DONE), date(2026, 2, 28)),
        ((AT_THE_CAR, Cancelled("", "")), date(2026, 2, 28)),
        ((WORDS, ANSWER), date(2026, 2, 28)),
        ((WORDS, ANSWER, Booked("2026-03-31", "")), date(2026, 4, 30)),
        ((WORDS, Booked("2026-01-02", "")), date(2026, 2, 28)),
        ((WORDS, ANSWER, Booked("2026-02-02", ""), AT_THE_CAR), None),
        ((AT_THE_CAR,), None),
        ((Known("car_age", "old"),), None),
        ((AT_THE_CAR, DONE, Reopened("", FIRST.isoformat())), None),
    ],
)
def test_only_what_nobody_goes_on_with_falls_due(
    sqlite: Workshop, entries: tuple[Entry, ...], until: date | None
) -> None:
    """A month after the last entry, at the end of a shorter month; a booked car first has its day."""
    number = sqlite.job(*entries)
    with closing(sqlite.store()) as store:
        job = store.case(number)
    assert job is not None
    assert kept_until(job, 1) == until
    sqlite.open.pop().close()


def test_nothing_is_erased_unless_a_period_is_set(sqlite: Workshop) -> None:
    """By default everything is kept, however old."""
    assert Settings().keep_months == 0
    number, sqlite.keep_months = sqlite.job(AT_THE_CAR, DONE), 0
    for day in (date(2030, 1, 1), date(2040, 1, 1)):
        sqlite.at(day)
        with closing(sqlite.store()) as store:
            assert carried_out(store).sentences == []
            assert [job.number for job in store.cases()] == [number]


def test_a_job_is_announced_two_weeks_and_then_erased(workshop: Workshop) -> None:
    """At every start until then it is said which and when; what is still open stays."""
    closed, still_open, call = workshop.job(DONE), workshop.job(AT_THE_CAR), workshop.job(WORDS, ANSWER)
    workshop.at(date(2026, 2, 13))
    assert carried_out(workshop.store()).sentences == []
    workshop.at(date(2026, 2, 14))
    assert NOTICE_DAYS == 14
    for today, ahead in ((14, "in 14 days"), (20, "in 8 days"), (27, "tomorrow")):
        workshop.at(date(2026, 2, today))
        store = workshop.store()
        assert carried_out(store).sentences == [
            f"On Saturday 28 February, {ahead}, 2 jobs will be erased for good: {closed}, {call}. "
            "`advisor case retention` lists them."
        ]
        assert announced_days(store, store.cases()) == dict.fromkeys((closed, call), date(2026, 2, 28))
    assert workshop.numbers() == [closed, still_open, call]
    workshop.at(date(2026, 2, 28))
    store = workshop.store()
    assert carried_out(store).sentences == [
        f"Erased today, as was announced (keep_months = 1): {closed}, {call}."
    ]
    assert workshop.numbers() == [still_open]
    assert store.erased(closed) == store.erased(call) == "2026-02-28T12:00:00+00:00"
    assert carried_out(workshop.store()).sentences == []


def test_old_jobs_have_their_notice_when_the_period_is_set_or_changed(sqlite: Workshop) -> None:
    """Years of jobs are not gone on the day on which somebody writes the line, nor when it is shortened."""
    number, sqlite.keep_months = sqlite.job(DONE), 24
    sqlite.at(date(2030, 6, 1))
    with closing(sqlite.store()) as store:
        assert carried_out(store).day == date(2030, 6, 15)
    sqlite.keep_months = 12
    sqlite.at(date(2030, 6, 15))
    with closing(sqlite.store()) as store:
        assert carried_out(store).day == date(2030, 6, 29)
    sqlite.keep_months = 0
    sqlite.at(date(2030, 7, 1))
    with closing(sqlite.store()) as store:
        assert carried_out(store).day is None
    sqlite.keep_months = 12
    with closing(sqlite.store()) as store:
        assert carried_out(store).day == date(2030, 7, 15)
        assert [job.number for job in store.cases()] == [number]


def test_a_job_on_which_something_is_entered_is_kept(workshop: Workshop) -> None:
    """Reopened after it was announced, or by somebody else between looking and erasing."""
    kept, overtaken, gone = (workshop.job(DONE) for _ in range(3))
    workshop.at(date(2026, 6, 1))
    carried_out(workshop.store())
    store, other = workshop.store(), workshop.store()
    job = store.case(kept)
    assert job is not None
    store.append(job, Reopened("", workshop.now.isoformat()))
    seen = store.cases()

    def reads() -> list[object]:
        late = other.case(overtaken)
        assert late is not None
        other.append(late, Reopened("", workshop.now.isoformat()))
        return list(seen)

    store.cases = reads  # type: ignore[method-assign, assignment]
    workshop.at(date(2026, 6, 15))
    assert carried_out(store).erased == (gone,)
    assert workshop.numbers() == [kept, overtaken]


def test_what_fell_due_after_the_notice_waits_for_its_own(sqlite: Workshop) -> None:
    """The program was not started for a year: only what had been announced goes."""
    first = sqlite.job(DONE)
    sqlite.at(date(2026, 2, 20))
    with closing(sqlite.store()) as store:
        carried_out(store)
    second = sqlite.job(DONE)
    sqlite.at(date(2027, 2, 20))
    with closing(sqlite.store()) as store:
        done = carried_out(store)
    assert done.erased == (first,)
    assert (done.day, [job.number for job in done.due]) == (date(2027, 3, 6), [second])


def test_jobs_that_a_backup_brings_back_have_their_notice_again(sqlite: Workshop, tmp_path: Path) -> None:
    """The backup remembers a day that has long passed."""
    number = sqlite.job(DONE)
    sqlite.at(date(2026, 2, 20))
    with closing(sqlite.store()) as store:
        carried_out(store)
    back_up(sqlite.database.url, tmp_path / "jobs.sqlite")
    for url in (sqlite.database.url, f"sqlite:///{tmp_path / 'new.sqlite'}"):
        restore(url, tmp_path / "jobs.sqlite", FIRST, replace=True)
        sqlite.database = Database(url)
        sqlite.at(date(2026, 6, 1))
        with closing(sqlite.store()) as store:
            done = carried_out(store)
            assert (done.erased, done.day) == ((), date(2026, 6, 15))
            assert [job.number for job in store.cases()] == [number]


def aged(database: Database) -> None:
    """Make all entries of a database three years old."""
    then = (datetime.now(UTC) - timedelta(days=1100)).isoformat(timespec="seconds")
    database.run(f"UPDATE entries SET at = '{then}'", f"UPDATE cases SET opened = '{then}'")


def test_the_command_announces_lists_and_erases(
    sqlite: Workshop, advisor: Runs, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """And says where nothing is set; no word of what it erased is left in the file."""
    url = sqlite.database.url
    ran = advisor("case", "retention", "--store", url)
    assert ran.code == 3
    assert "none was made" in ran.err
    assert not list(tmp_path.iterdir())
    sqlite.job(WORDS, AT_THE_CAR, DONE)
    sqlite.job(WORDS, ANSWER)
    aged(sqlite.database)
    for store in sqlite.open:
        store.close()
    ran = advisor("case", "retention", "--store", url)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("keep_months is not set: nothing is erased by itself.")
    monkeypatch.setenv("ADVISOR_KEEP_MONTHS", "24")
    for _ in range(2):
        ran = advisor("case", "retention", "--store", url)
        assert (ran.code, ran.err) == (0, "")
        assert "are erased 24 months after their last entry.\nErased for good on " in ran.out
        assert (
            ", in 14 days, unless something is entered on them before:\n  1  bay 1200, closed, kept"
            in ran.out
        )
        assert "\n  2  bay 1200, no car came, kept until " in ran.out
    sqlite.database.run(f"UPDATE settings SET value = '{date.today()} 24'")
    assert b"Hidden-Words" in (tmp_path / "cases.sqlite").read_bytes()
    ran = advisor("case", "retention", "--store", url)
    assert (ran.code, ran.err) == (0, "")
    assert "Erased today, as was announced: 1, 2.\nNo job is due within 14 days.\n" in ran.out
    assert all(b"Hidden-Words" not in one.read_bytes() for one in tmp_path.iterdir())
    told = advisor("case", "export", "1", "--store", url)
    assert told.err.startswith("Job 1 was erased at ")


@pytest.mark.parametrize("wrong", ["-1", "241", "2.5", "two", "true"])
def test_a_period_that_cannot_be_is_refused(
    advisor: Runs, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, wrong: str
) -> None:
    """In the environment and in the workshop's file, with what would be right."""
    monkeypatch.setenv("ADVISOR_KEEP_MONTHS", wrong)
    ran = advisor("settings")
    assert ran.code == 2
    assert f"cannot be '{wrong}'. Write a whole number from 0 to 240." in ran.err
    monkeypatch.delenv("ADVISOR_KEEP_MONTHS")
    file = tmp_path / "workshop.toml"
    file.write_text(f"keep_months = {wrong if wrong != 'two' else '[2]'}\n", encoding="utf-8")
    ran = advisor("settings", "--workshop", file)
    assert ran.code == 1
    assert "Write a whole number from 0 to 240." in ran.err


async def test_the_screens_say_which_jobs_are_erased_when(sqlite: Workshop, tmp_path: Path) -> None:
    """The list of jobs, above and on the job's line; and the desk."""
    number = sqlite.job(WORDS, AT_THE_CAR, DONE)
    aged(sqlite.database)
    for store in sqlite.open:
        store.close()
    then = date.today() + timedelta(days=NOTICE_DAYS)
    async with running(KNOWLEDGE, tmp_path, (80, 24), settings=Settings(keep_months=24)) as pilot:
        await until(pilot, listed)
        assert f"1 job will be erased for good: {number}." in said(pilot, "#says")
        assert f"erased for good on {then:%a} {then.day} {then:%b}" in text_of(pilot)
    async with at_desk(tmp_path, (80, 24), settings=Settings(keep_months=24)) as pilot:
        assert f"1 job will be erased for good: {number}." in said(pilot, "#booked")
        assert "1 job will be erased for good" in words(pilot)
