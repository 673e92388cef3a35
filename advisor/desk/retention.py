"""How long jobs are kept: which fall due, on which day they are erased, and erasing them once that is said.

Nothing is erased that was not announced `NOTICE_DAYS` before. The store remembers the day that is announced;
another period, or a backup that is restored, begins the notice anew.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import MAXYEAR, date, datetime, timedelta

from advisor import logfile
from advisor.desk.call import Visit, has_begun
from advisor.desk.schedule import read_back
from advisor.store.records import StoredCase
from advisor.store.store import ERASING_ANNOUNCED, Store
from advisor.text import counted

NOTICE_DAYS = 14
"""How many days before jobs are erased this is announced."""
MOST_NAMED = 3
"""The most jobs named in a sentence."""


@dataclass(frozen=True)
class Retention:
    """What was erased now, and the jobs that are erased on a later day; no day where none is due."""

    months: int
    today: date
    erased: tuple[int, ...] = ()
    day: date | None = None
    due: tuple[StoredCase, ...] = ()

    @property
    def sentences(self) -> list[str]:
        """Return what people have to hear of it."""
        told = []
        if self.erased:
            numbers = ", ".join(map(str, self.erased))
            told.append(f"Erased today, as was announced (keep_months = {self.months}): {numbers}.")
        if self.day is not None:
            named = ", ".join(str(job.number) for job in self.due[:MOST_NAMED])
            more = f" and {len(self.due) - MOST_NAMED} more" if len(self.due) > MOST_NAMED else ""
            told.append(
                f"On {read_back(self.day, self.today)}, {counted(len(self.due), 'job')} will be erased for "
                f"good: {named}{more}. `advisor case retention` lists them."
            )
        return told


def carried_out(store: Store) -> Retention:
    """Erase the jobs whose day was announced and has come, and announce the day of those due next.

    May raise `StoreError`.
    """
    months, today = store.workshop.keep_months, _day_of(store.now())
    announced = _announced(store.setting(ERASING_ANNOUNCED), months)
    if not months:
        if store.setting(ERASING_ANNOUNCED):
            store.set_to(ERASING_ANNOUNCED, "")
        return Retention(0, today)
    jobs, erased = store.cases(), []
    if announced is not None and today >= announced:
        erased = store.erase_unchanged(due_by(jobs, months, announced))
        logfile.log_event("jobs were erased that are kept no longer", jobs=len(erased))
        jobs, announced = [job for job in jobs if job.number not in erased], None
    day = announced or today + timedelta(days=NOTICE_DAYS)
    due = tuple(due_by(jobs, months, day))
    if announced is None:
        store.set_to(ERASING_ANNOUNCED, f"{day} {months}" if due else "")
    return Retention(months, today, tuple(sorted(erased)), day if due else None, due)


def announced_days(store: Store, jobs: Iterable[StoredCase]) -> Mapping[int, date]:
    """Return the day on which a job is erased, by its number, for those of which it is announced."""
    months = store.workshop.keep_months
    day = _announced(store.setting(ERASING_ANNOUNCED), months) if months else None
    return {job.number: day for job in due_by(jobs, months, day)} if day is not None else {}


def due_by(jobs: Iterable[StoredCase], months: int, day: date) -> list[StoredCase]:
    """Return the jobs that are kept no longer on a day, by number."""
    due = ((job, kept_until(job, months)) for job in jobs)
    return sorted((job for job, until in due if until and until <= day), key=lambda job: job.number)


def kept_until(filed: StoredCase, months: int) -> date | None:
    """Return the day until which a job is kept; None while somebody may go on with it.

    That is so many months after the last entry, or after the day for which a car was booked that never came.
    """
    last = max(map(_day_of, (filed.opened, *filed.times)))
    if filed.case.is_open:
        if not _is_abandoned(filed):
            return None
        if filed.case.booked:
            last = max(last, date.fromisoformat(filed.case.booked.day))
    year, month = divmod(last.year * 12 + last.month - 1 + months, 12)
    if year > MAXYEAR:
        return date.max
    return date(year, month + 1, min(last.day, monthrange(year, month + 1)[1]))


def _is_abandoned(filed: StoredCase) -> bool:
    """Return whether an open job was begun on the phone and nobody at the car has gone on with it."""
    if filed.case.booked:
        return not has_begun(filed.case)
    return Visit(filed.tag, None, (filed,)).is_only_a_call


def _day_of(at: str) -> date:
    return datetime.fromisoformat(at).astimezone().date()


def _announced(said: str | None, months: int) -> date | None:
    """Return the day announced for this period; None where there is none."""
    day, _, period = (said or "").partition(" ")
    if period != str(months):
        return None
    try:
        return date.fromisoformat(day)
    except ValueError:
        return None
