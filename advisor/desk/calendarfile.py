"""A booking as an iCalendar file (RFC 5545), for any calendar program.

It has the tag and the complaint, and nothing that the caller has said. A car that stays the night has the
evening on which it is brought as an hour, any other its day. Written here: it takes five properties and two
rules of RFC 5545, no time zones and no repeats, and a library would bring three more with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from uuid import NAMESPACE_OID, uuid5

from advisor.text import clean

MOST_OCTETS = 75
"""A longer line is folded (RFC 5545, section 3.1)."""
EVENING_HOUR = timedelta(hours=1)
"""So long before closing a car is brought that stays the night (our choice)."""


def calendar_file(
    what: str, made: datetime, tag: str, complaints: str, day: date, closing: datetime | None
) -> str:
    """Return one event: the day, or the hour before `closing` of the evening on which the car is brought.

    The same `what` names the same event, so that a file made again replaces the first. `made` and `closing`
    have a time zone and are written in UTC.
    """
    summary = f"{tag}: {complaints}"
    if closing is None:
        when = [
            f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{day + timedelta(days=1):%Y%m%d}",
        ]
    else:
        when = [f"DTSTART:{_utc(closing - EVENING_HOUR)}", f"DTEND:{_utc(closing)}"]
        summary += f", stays the night, for {day:%A} {day.day} {day:%B}"
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//advisor//booking//EN",
        "BEGIN:VEVENT",
        f"UID:{uuid5(NAMESPACE_OID, what)}",
        f"DTSTAMP:{_utc(made)}",
        *when,
        f"SUMMARY:{_escaped(summary)}",
        "END:VEVENT",
        "END:VCALENDAR",
    ]
    return "".join(f"{part}\r\n" for line in lines for part in _folded(line))


def closing_of(day: date, closing_hour: float) -> datetime:
    """Return when the workshop closes on a day, by the clock on its wall."""
    return (datetime.combine(day, time()) + timedelta(hours=closing_hour)).astimezone()


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _escaped(text: str) -> str:
    """Return text as a value of type TEXT (RFC 5545, section 3.3.11)."""
    for mark in ("\\", ";", ","):
        text = text.replace(mark, f"\\{mark}")
    return clean(text)


def _folded(line: str) -> Iterator[str]:
    """Yield a content line in parts of at most 75 octets, of which no letter is torn."""
    part = ""
    for letter in line:
        if len(f"{part}{letter}".encode()) > MOST_OCTETS:
            yield part
            part = " "
        part += letter
    yield part
