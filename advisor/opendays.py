"""The days on which a workshop is closed: weekdays, single dates, and dates from one to another."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
LEAST_LETTERS = 3
"""So many letters of a weekday or month name it."""
HOW_TO_CLOSE = "Write weekdays and dates, such as Sunday, 2030-12-27 or 2030-12-24 to 2031-01-01."
_DATES = re.compile(r"(\d{4}-\d{2}-\d{2})(?: to (\d{4}-\d{2}-\d{2}))?")


def place_of(text: str, names: Sequence[str]) -> int | None:
    """Return the place of the name that a text begins to spell, dot or not."""
    start = text.rstrip(".")
    if len(start) < LEAST_LETTERS:
        return None
    return next((at for at, name in enumerate(names) if name.startswith(start)), None)


@dataclass(frozen=True)
class ClosedDays:
    """When nobody is there to take a car in; `dates` are from and to, both of them closed."""

    weekdays: frozenset[int] = frozenset()
    dates: tuple[tuple[date, date], ...] = ()

    @classmethod
    def of(cls, said: Iterable[str]) -> ClosedDays:
        """Return what a workshop has written; raises `ValueError` with what to write."""
        weekdays, dates = set(), []
        for one in said:
            text = " ".join(one.casefold().split())
            weekday = place_of(text.removesuffix("s"), WEEKDAYS)
            if weekday is not None:
                weekdays.add(weekday)
            else:
                dates.append(_from_and_to(one, text))
        if len(weekdays) == len(WEEKDAYS):
            raise ValueError("All seven weekdays are closed. Leave out those on which you are open.")
        return cls(frozenset(weekdays), tuple(dates))

    def __contains__(self, day: date) -> bool:
        return day.weekday() in self.weekdays or any(first <= day <= last for first, last in self.dates)

    def open_from(self, day: date) -> date:
        """Return the first open day from this one on."""
        return next(one for one in _days(day, 1) if one not in self)

    def open_before(self, day: date) -> date:
        """Return the last open day before this one."""
        return next(one for one in _days(day - timedelta(days=1), -1) if one not in self)


NEVER_CLOSED = ClosedDays()


def refusal(said: Iterable[str]) -> str:
    """Return what would be right instead, or "" if it is accepted."""
    try:
        ClosedDays.of(said)
    except ValueError as error:
        return str(error)
    return ""


def _from_and_to(said: str, text: str) -> tuple[date, date]:
    found = _DATES.fullmatch(text)
    try:
        dates = [date.fromisoformat(one) for one in found.groups() if one] if found else []
    except ValueError:  # the calendar has none such
        dates = []
    if not dates or dates[-1] < dates[0]:
        raise ValueError(f"'{said}' names no closed days. {HOW_TO_CLOSE}")
    if dates[-1].year >= date.max.year:
        raise ValueError(f"'{said}' never ends. {HOW_TO_CLOSE}")
    return dates[0], dates[-1]


def _days(day: date, step: int) -> Iterator[date]:
    while True:
        yield day
        day += timedelta(days=step)
