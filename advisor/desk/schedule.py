"""Who comes when: booked jobs by day and by the setups they need, overnight ones the evening before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from advisor.desk.booking import BookingSheet, SetupNeeded


@dataclass(frozen=True)
class Appointment:
    """A job that is booked for a day, by its number and tag.

    It has no sheet while it is worked out, and where what was entered does not fit the knowledge. `dangers`
    were heard on the phone: name, and what is done. Nothing is prepared on such a car before that.
    """

    number: int
    tag: str
    day: date
    sheet: BookingSheet | None
    dangers: tuple[tuple[str, str], ...] = ()
    complaint: str = ""
    working: bool = False

    @property
    def overnight(self) -> bool:
        """Whether the car comes the evening before."""
        return any(one.overnight for one in self.setups)

    @property
    def setups(self) -> tuple[SetupNeeded, ...]:
        """The setups that the search will probably need."""
        return self.sheet.setups if self.sheet and not self.dangers else ()


@dataclass(frozen=True)
class Group:
    """Jobs that need the same state of the car."""

    setup: str
    name: str
    overnight: bool
    jobs: tuple[Appointment, ...]


@dataclass(frozen=True)
class Day:
    """A day at the workshop: `jobs` booked for it, `groups` of them by setup, and who comes in the evening.

    `evening` are jobs of the next day whose cars stand here overnight; `here` are jobs of this day whose
    cars have come the evening before.
    """

    day: date
    jobs: tuple[Appointment, ...]
    groups: tuple[Group, ...]
    here: tuple[Appointment, ...]
    evening: tuple[Appointment, ...]


def overview(appointments: Iterable[Appointment], today: date) -> tuple[Day, ...]:
    """Which cars come when, and what is prepared together: today, tomorrow, and later days with bookings."""
    jobs = sorted(appointments, key=lambda one: (one.day, one.number))
    days = {today, today + timedelta(days=1), *(one.day for one in jobs if one.day > today)}
    return tuple(_day(jobs, day) for day in sorted(days))


def _day(jobs: Sequence[Appointment], day: date) -> Day:
    mine = tuple(one for one in jobs if one.day == day)
    next_day = day + timedelta(days=1)
    setups = {one.setup: one for job in mine for one in job.setups}
    groups = [
        Group(
            name,
            one.name,
            one.overnight,
            tuple(job for job in mine if any(needed.setup == name for needed in job.setups)),
        )
        for name, one in setups.items()
    ]
    groups.sort(key=lambda group: (not group.overnight, -len(group.jobs), group.setup))
    return Day(
        day,
        mine,
        tuple(groups),
        here=tuple(job for job in mine if job.overnight),
        evening=tuple(job for job in jobs if job.day == next_day and job.overnight),
    )
