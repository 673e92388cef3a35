"""Who comes when: booked jobs by day and by the setups they need, overnight ones the evening before."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from advisor.desk.booking import BookingSheet, SetupNeeded
from advisor.opendays import NEVER_CLOSED, WEEKDAYS, ClosedDays, place_of

MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
MOST_JOBS = 0.5
"""A bay that this share of jobs needs is booked, and one that fewer need perhaps (our choice)."""
CERTIFIED = "person certified for refrigerant"
"""Who is kept free for work on refrigerant."""
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
    def hour(self) -> float:
        """Return about when it comes, to sort a day by: one that stood here overnight first."""
        return 0.0 if self.overnight else hour_of(self.wish)

    @property
    def overnight(self) -> bool:
        """Return whether the car comes the evening before."""
        return self.sheet is not None and self.sheet.overnight and not self.dangers

    @property
    def ready(self) -> tuple[str, ...]:
        """Return who and what is kept free for it: people, and what most such jobs need."""
        sheet = self.sheet
        if sheet is None:
            return ()
        people = [CERTIFIED] if sheet.certified else []
        people += [who.partition(",")[0] for who in sheet.people]
        tools = () if self.dangers else (*sheet.bays, *sheet.instruments)
        needed = [*people, *(one.name for one in tools if one.share >= MOST_JOBS)]
        return tuple(dict.fromkeys(f"{one[:1].lower()}{one[1:]}" for one in needed))

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
    set up during the search is on the workshop's part of the sheet. `evening` are jobs of the next open day
    whose cars stand here overnight; `here` are jobs of this day whose cars have come the evening before.
    """

    day: date
    jobs: tuple[Appointment, ...]
    arranged: Mapping[str, tuple[Appointment, ...]]
    groups: tuple[Group, ...]
    here: tuple[Appointment, ...]
    evening: tuple[Appointment, ...]
    is_closed: bool = False


def overview(
    appointments: Iterable[Appointment], today: date, closed: ClosedDays = NEVER_CLOSED
) -> tuple[Day, ...]:
    """Return which cars come when, and what is prepared together.

    The days are today, the next open one, those booked, and those on whose evening a car comes.
    """
    jobs = sorted(appointments, key=lambda one: (one.day, one.hour, one.number))
    evenings = (closed.open_before(one.day) for one in jobs if one.overnight)
    days = {today, next_open(today, closed)}
    days |= {day for day in (*(one.day for one in jobs), *evenings) if day > today}
    return tuple(_day(jobs, day, closed) for day in sorted(days))


def _day(jobs: Sequence[Appointment], day: date, closed: ClosedDays) -> Day:
    mine = tuple(one for one in jobs if one.day == day)
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
        evening=tuple(job for job in jobs if job.overnight and closed.open_before(job.day) == day),
        is_closed=day in closed,
    )


def day_meant(said: str, today: date) -> date:
    """Return the day that somebody means: "tomorrow", "thursday next week", "3.12.", "3 Dec", "the 10th".

    A weekday is the next one after today, a day without month or year the next such day from today on. Raises
    `ValueError` with what to write where it is no day, a day that is past, or one of two days.
    """
    words = [word for word in said.casefold().replace(",", " ").split() if word not in UNHEARD]
    weekday = place_of(words[0], WEEKDAYS) if words else None
    if weekday is None and len(words) > 1:  # "next thursday", "next week thursday"
        weekday = place_of(words[-1], WEEKDAYS)
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
    if found.year > today.year + YEARS_AHEAD:
        raise ValueError(f"{in_full(found)} is too far ahead. {HOW_TO_SAY}")
    return found


_WISH = re.compile(
    r"(?:^|[ ,])(?:in the |at )?("
    r"(?:early |late )?(?:morning|afternoon|evening)|noon|midday|lunchtime|first thing|am|pm"
    r"|(?:(?:before|after|by|from|around) )?\d{1,2}(?:[:.]\d{2})? ?(?:am|pm|o'clock)"
    r"|(?:(?:before|after|by|from|around|at) )?\d{1,2}:\d{2}"
    r"|(?:before|after|by|from|around|at) \d{1,2}(?:\.[0-5]\d)?|\d{1,2}\.[0-5]\d)$"
)
"""When on the day somebody would like to come, at the end of what they say."""
_CLOCK = re.compile(r"(at )?\d{1,2}[:.][0-5]\d")
"""A time of day by the clock; with a point and without "at" it may be a date."""


def day_and_wish(said: str, today: date) -> tuple[date, str]:
    """Return the day that somebody means, and when on it they would like to come; "" where they do not say.

    "Friday 7.30" is half past seven; "7.12", which may be a date, is one unless "at" stands before it. Raises
    `ValueError` as `day_meant` does.
    """
    text = " ".join(said.casefold().split())
    wish = _WISH.search(text)
    if wish is None or _date(wish[0].strip(" ,"), today):  # "Tuesday 3.12" names a date
        return day_meant(said, today), ""
    before = text[: wish.start()].strip(" ,")
    if not before:
        if _CLOCK.fullmatch(text):
            raise ValueError(f"'{said.strip()}' is a time. Write the day before it, such as Friday at 7:30.")
        return day_meant(said, today), ""
    when = re.sub(r"(\d)\.(?=\d)", r"\1:", wish[1].removeprefix("at "))
    return day_meant(before, today), f"at {when}" if when[0].isdecimal() else when


HOURS = {
    "first thing": 7.0,
    "early morning": 7.0,
    "morning": 9.0,
    "am": 9.0,
    "late morning": 11.0,
    "noon": 12.0,
    "midday": 12.0,
    "lunchtime": 12.0,
    "early afternoon": 13.0,
    "afternoon": 14.0,
    "pm": 14.0,
    "late afternoon": 16.0,
    "early evening": 17.0,
    "evening": 18.0,
    "late evening": 19.0,
}
"""About when a part of the day begins, to sort by (our choice)."""
FIRST_HOUR = 7
"""A number below this, without "am", is an hour of the afternoon (our choice)."""
NO_HOUR = 24.0
"""Who has not said when comes after those who have."""


def hour_of(wish: str) -> float:
    """Return about when on its day a car comes, to sort by."""
    if wish in HOURS:
        return HOURS[wish]
    found = re.search(r"(\d{1,2})(?:[:.](\d{2}))?", wish)
    if found is None:
        return NO_HOUR
    hour = int(found[1])
    if wish.endswith(("am", "pm")):
        hour = hour % 12 + 12 * wish.endswith("pm")
    elif hour < FIRST_HOUR:
        hour += 12
    return hour + int(found[2] or 0) / 60


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


def closed_words(day: date, today: date, closed: ClosedDays) -> str:
    """Say that a day is closed, and which is the next open one; "" for an open day."""
    if day not in closed:
        return ""
    following = read_back(closed.open_from(day), today)
    return f"{read_back(day, today)}: the workshop is closed. The next open day is {following}."


def next_open(today: date, closed: ClosedDays) -> date:
    """Return the first open day after today."""
    return closed.open_from(today + timedelta(days=1))


def next_open_words(today: date, closed: ClosedDays) -> str:
    """Name the first open day after today in a word or two."""
    following = next_open(today, closed)
    return "Tomorrow" if (following - today).days == 1 else f"{following:%a} {following.day} {following:%b}"


def evening_is_left(day: date, now: datetime, closing_hour: float, closed: ClosedDays = NEVER_CLOSED) -> bool:
    """Return whether a car can still be brought on the evening before a day, that of the last open one."""
    days_left = (closed.open_before(day) - now.date()).days
    return days_left > 0 or (days_left == 0 and now.hour + now.minute / 60 < closing_hour)


def first_with_evening(now: datetime, closing_hour: float, closed: ClosedDays = NEVER_CLOSED) -> date:
    """Return the first open day before which an evening is left."""
    day = next_open(now.date(), closed)
    while not evening_is_left(day, now, closing_hour, closed):
        day = next_open(day, closed)
    return day


def evening_words(day: date, now: datetime, closing_hour: float, closed: ClosedDays = NEVER_CLOSED) -> str:
    """Say when a car is brought that stays the night before its day, by the name of that day."""
    today = now.date()
    if evening_is_left(day, now, closing_hour, closed):
        evening = closed.open_before(day)
        named = {0: "today", 1: "tomorrow"}.get((evening - today).days, f"on {evening:%A} {evening.day}")
        return f"Bring it {named} until closing; it stays the night."
    which = {0: "today", 1: "tomorrow"}.get((day - today).days, read_back(day, today))
    first = first_with_evening(now, closing_hour, closed)
    return f"Too late for {which}: book {first:%A} {day_and_month(first)}, or it stays the night at ours."


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
        at = place_of(name, MONTHS)
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
