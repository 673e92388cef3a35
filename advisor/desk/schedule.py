"""Who comes when: booked jobs by day and by the setups they need, overnight ones the evening before."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from advisor.desk.booking import BookingSheet, SetupNeeded

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
LEAST_LETTERS = 3
"""So many letters of a weekday or month name it."""
YEARS_AHEAD = 8
"""29 February comes again after so many years at most."""


@dataclass(frozen=True)
class Appointment:
    """A job booked for a day, by its number and tag.

    It has no sheet while it is worked out, and where what was entered does not fit the knowledge. `dangers`
    were heard on the phone: name, and what is done; `comes` says whether such a car may be driven. Nothing is
    prepared on it before that.
    """

    number: int
    tag: str
    day: date
    sheet: BookingSheet | None
    dangers: tuple[tuple[str, str], ...] = ()
    complaint: str = ""
    working: bool = False
    comes: str = ""
    wish: str = ""
    """When on the day the customer would like to come."""
    general: bool = False
    """Whether it is a general inspection, which is a visit of its own."""

    @property
    def overnight(self) -> bool:
        """Return whether the car comes the evening before."""
        return self.sheet is not None and self.sheet.overnight and not self.dangers

    @property
    def setups(self) -> tuple[SetupNeeded, ...]:
        """Return the setups that the search will probably need."""
        return self.sheet.setups if self.sheet and not self.dangers else ()


@dataclass(frozen=True)
class Group:
    """Jobs that need the same state of the car, made overnight."""

    setup: str
    name: str
    jobs: tuple[Appointment, ...]


@dataclass(frozen=True)
class Day:
    """A day at the workshop: `jobs` booked for it, what is done before they begin, who comes in the evening.

    `arranged` is what customers do beforehand, `groups` what the workshop sets up the evening before; what is
    set up during the search is on the workshop's part of the sheet. `evening` are jobs of the next day whose
    cars stand here overnight; `here` are jobs of this day whose cars have come the evening before.
    """

    day: date
    jobs: tuple[Appointment, ...]
    arranged: Mapping[str, tuple[Appointment, ...]]
    groups: tuple[Group, ...]
    here: tuple[Appointment, ...]
    evening: tuple[Appointment, ...]


def overview(appointments: Iterable[Appointment], today: date) -> tuple[Day, ...]:
    """Return which cars come when, and what is prepared together, for today, tomorrow and later bookings."""
    jobs = sorted(appointments, key=lambda one: (one.day, one.number))
    days = {today, today + timedelta(days=1), *(one.day for one in jobs if one.day > today)}
    return tuple(_day(jobs, day) for day in sorted(days))


def _day(jobs: Sequence[Appointment], day: date) -> Day:
    mine = tuple(one for one in jobs if one.day == day)
    next_day = day + timedelta(days=1)
    arrange = dict.fromkeys(one.arrange for job in mine for one in job.setups if one.arrange)
    setups = {one.setup: one for job in mine for one in job.setups if one.overnight}
    groups = [
        Group(
            name, one.name, tuple(job for job in mine if any(needed.setup == name for needed in job.setups))
        )
        for name, one in setups.items()
    ]
    groups.sort(key=lambda group: (-len(group.jobs), group.setup))
    return Day(
        day,
        mine,
        {
            sentence: tuple(job for job in mine if any(one.arrange == sentence for one in job.setups))
            for sentence in arrange
        },
        tuple(groups),
        here=tuple(job for job in mine if job.overnight),
        evening=tuple(job for job in jobs if job.day == next_day and job.overnight),
    )


def day_meant(said: str, today: date) -> date:
    """Return the day that somebody means: "tomorrow", "thursday next week", "3.12.", "3 Dec", "the 10th".

    A weekday is the next one after today, a day without month or year the next such day from today on. Raises
    `ValueError` with what to write where it is no day, a day that is past, or one of two days.
    """
    words = [word for word in said.casefold().replace(",", " ").split() if word not in UNHEARD]
    weekday = _named(words[0], WEEKDAYS) if words else None
    if weekday is None and len(words) > 1:  # "next thursday", "next week thursday"
        weekday = _named(words[-1], WEEKDAYS)
        words = words if weekday is None else [words[-1], *words[:-1]]
    if weekday is not None and all(word in ("next", "week") for word in words[1:]):
        return _weekday_meant(weekday, words[1:], today)
    text = " ".join(words if weekday is None else words[1:])
    if text in ("today", "tomorrow"):
        return today + timedelta(days=text == "tomorrow")
    found = _date(text, today)
    if found is None:
        raise ValueError(f"'{said.strip()}' is no day. {HOW_TO_SAY}")
    if weekday not in (None, found.weekday()):
        raise ValueError(f"{day_and_month(found)} is a {found:%A}. {HOW_TO_SAY}")
    if found < today:
        raise ValueError(f"{in_full(found)} is past. {HOW_TO_SAY}")
    return found


_WISH = re.compile(
    r"(?:^|[ ,])(?:in the |at )?("
    r"(?:early |late )?(?:morning|afternoon|evening)|noon|midday|lunchtime|first thing|am|pm"
    r"|(?:(?:before|after|by|from|around) )?\d{1,2}(?:[:.]\d{2})? ?(?:am|pm|o'clock)"
    r"|(?:(?:before|after|by|from|around) )?\d{1,2}:\d{2}|(?:before|after|by|from|around|at) \d{1,2})$"
)
"""When on the day somebody would like to come, at the end of what they say."""


def day_and_wish(said: str, today: date) -> tuple[date, str]:
    """Return the day that somebody means, and when on it they would like to come; "" where they do not say.

    Raises `ValueError` as `day_meant` does.
    """
    text = " ".join(said.casefold().split())
    wish = _WISH.search(text)
    if wish is None or not text[: wish.start()].strip(" ,"):
        return day_meant(said, today), ""
    return day_meant(text[: wish.start()].strip(" ,"), today), wish[1].removeprefix("at ")


def _weekday_meant(weekday: int, said: Sequence[str], today: date) -> date:
    """Return the day that a weekday means; raises `ValueError` where "next" may mean two of them.

    "Thursday next week" is that of the week that begins on the next Monday; "Thursday week" is a week after
    the coming Thursday.
    """
    coming = today + timedelta(days=(weekday - today.weekday() - 1) % 7 + 1)
    in_next_week = today + timedelta(days=7 - today.weekday() + weekday)
    if "week" in said:
        return in_next_week if "next" in said else coming + timedelta(days=7)
    if "next" in said and in_next_week != coming:
        raise ValueError(
            f"Which {coming:%A} is meant: {day_and_month(coming)} or {day_and_month(in_next_week)}? "
            f"Write {coming.day} {coming:%b} or {in_next_week.day} {in_next_week:%b}."
        )
    return coming


UNHEARD = frozenset(("on", "the", "of", "this", "coming"))
"""Words that change nothing about the day."""
HOW_TO_SAY = "Write tomorrow, Thursday, Thursday next week, 3 Dec, 3.12. or 2030-12-03 (year, month, day)."
"""How a day can be written."""


def in_full(day: date) -> str:
    """Return the day as people say it, with weekday and year."""
    return f"{day:%A} {day.day} {day:%B %Y}"


def day_and_month(day: date) -> str:
    """Return the day without weekday and year."""
    return f"{day.day} {day:%B}"


def read_back(day: date, today: date) -> str:
    """Return the day as it is read back to the caller: with the weekday and the days until then."""
    ahead = (day - today).days
    year = f" {day.year}" if day.year != today.year else ""
    how_far = {-1: ", yesterday", 0: ", today", 1: ", tomorrow"}
    otherwise = f", in {ahead} days" if ahead > 0 else f", {-ahead} days ago"
    return f"{day:%A} {day_and_month(day)}{year}{how_far.get(ahead, otherwise)}"


def evening_is_left(day: date, now: datetime, closing_hour: float) -> bool:
    """Return whether a car can still be brought the evening before a day."""
    days_left = (day - now.date()).days
    return days_left > 1 or (days_left == 1 and now.hour + now.minute / 60 < closing_hour)


def first_with_evening(now: datetime, closing_hour: float) -> date:
    """Return the first day before which an evening is left."""
    tomorrow = now.date() + timedelta(days=1)
    return tomorrow if evening_is_left(tomorrow, now, closing_hour) else tomorrow + timedelta(days=1)


def evening_words(day: date, now: datetime, closing_hour: float) -> str:
    """Say when a car is brought that stays the night before its day, by the name of that day."""
    today = now.date()
    if evening_is_left(day, now, closing_hour):
        evening = day - timedelta(days=1)
        named = {0: "today", 1: "tomorrow"}.get((evening - today).days, f"on {evening:%A} {evening.day}")
        return f"Bring it {named} until closing; it stays the night."
    which = {0: "today", 1: "tomorrow"}.get((day - today).days, read_back(day, today))
    first = first_with_evening(now, closing_hour)
    return f"Too late for {which}: book {first:%A} {day_and_month(first)}, or it stays the night at ours."


def _named(text: str, names: Sequence[str]) -> int | None:
    """Return the place of the name that a text begins to spell, dot or not."""
    start = text.rstrip(".")
    if len(start) < LEAST_LETTERS:
        return None
    return next((at for at, name in enumerate(names) if name.startswith(start)), None)


def _date(text: str, today: date) -> date | None:
    """Return the date that is written, without a year the next such day; None where it is none."""
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return _made(*map(int, text.split("-")))
    if match := re.fullmatch(r"(\d{1,2})(?:st|nd|rd|th)", text):
        months = ((today.year + at // 12, at % 12 + 1) for at in range(today.month - 1, today.month + 11))
        numbered = (_made(year, month, int(match[1])) for year, month in months)
        return next((one for one in numbered if one is not None and one >= today), None)
    match = re.fullmatch(r"(\d{1,2})\. ?(\d{1,2})(?:\.? ?(\d{4})|\.)?", text)
    if match:
        day, month = int(match[1]), int(match[2])
    else:
        match = re.fullmatch(r"(\d{1,2})(?:st|nd|rd|th|\.)? ?([a-z]+\.?)(?: (\d{4}))?", text)
        turned = re.fullmatch(r"([a-z]+\.?) (\d{1,2})(?:st|nd|rd|th)?(?: (\d{4}))?", text)
        match = match or turned
        if match is None:
            return None
        number, name = (match[2], match[1]) if match is turned else (match[1], match[2])
        at = _named(name, MONTHS)
        if at is None:
            return None
        day, month = int(number), at + 1
    if match[3]:
        return _made(int(match[3]), month, day)
    years = range(today.year, today.year + YEARS_AHEAD + 1)
    days = (_made(year, month, day) for year in years)
    return next((one for one in days if one is not None and one >= today), None)


def _made(year: int, month: int, day: int) -> date | None:
    """Return the date, or None where the calendar has none such."""
    try:
        return date(year, month, day)
    except ValueError:
        return None
