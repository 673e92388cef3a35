"""The iCalendar file of a booking, read back by an independent reader and by the rules of RFC 5545."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime

import icalendar
import pytest

from advisor.desk.calendarfile import calendar_file, closing_of
from tests.conftest import Ran

MADE = datetime(2030, 1, 15, 12, 0, tzinfo=UTC)
FRIDAY = date(2030, 1, 18)
AWKWARD = "red van; “Größe” \\ blue, " + "very long ä, " * 12 + "van"
"""A tag with every mark that has to be escaped, and letters of several octets over several lines."""


def by_the_rules(text: str) -> dict[str, str]:
    """Unfold and unescape as sections 3.1 and 3.3.11 say, and return the event's lines by their names."""
    assert text.endswith("\r\n")
    assert not re.search("(?<!\r)\n|\r(?!\n)", text)
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75
    lines = re.sub("\r\n[ \t]", "", text).split("\r\n")
    assert lines[:2] + lines[-3:] == ["BEGIN:VCALENDAR", "VERSION:2.0", "END:VEVENT", "END:VCALENDAR", ""]
    pairs = [line.partition(":") for line in lines if line]
    return {name: re.sub(r"\\([\\;,])", r"\1", value) for name, _, value in pairs}


def test_a_car_that_comes_for_the_day_has_the_whole_day() -> None:
    """The end is the next day, which is not part of it (section 3.6.1)."""
    event = by_the_rules(calendar_file("1", MADE, AWKWARD, "Flat battery", FRIDAY, None))
    assert event["DTSTART;VALUE=DATE"] == "20300118"
    assert event["DTEND;VALUE=DATE"] == "20300119"
    assert event["DTSTAMP"] == "20300115T120000Z"
    assert event["SUMMARY"] == f"{AWKWARD}: Flat battery"


def test_a_car_that_stays_the_night_has_the_hour_before_closing() -> None:
    """Of the evening on which it is brought, in UTC."""
    closing = datetime(2030, 1, 17, 18, 0, tzinfo=UTC)
    event = by_the_rules(calendar_file("1", MADE, "red van", "Flat battery", FRIDAY, closing))
    assert (event["DTSTART"], event["DTEND"]) == ("20300117T170000Z", "20300117T180000Z")
    assert event["SUMMARY"] == "red van: Flat battery, stays the night, for Friday 18 January"
    assert closing_of(FRIDAY, 17.5).strftime("%d %H:%M") == "18 17:30"


def test_a_file_made_again_names_the_same_event() -> None:
    """And another booking another one."""
    first, again, other = (
        by_the_rules(calendar_file(what, MADE, "red van", "Flat battery", FRIDAY, None))["UID"]
        for what in ("1", "1", "2")
    )
    assert first == again != other


@pytest.mark.parametrize("closing", [None, datetime(2030, 1, 17, 18, 0, tzinfo=UTC)])
def test_a_library_of_others_reads_the_same(closing: datetime | None) -> None:
    """The package `icalendar` finds the same event, and nothing to complain about."""
    text = calendar_file("1", MADE, AWKWARD, "Flat battery", FRIDAY, closing)
    calendar = icalendar.Calendar.from_ical(text)
    (event,) = calendar.walk("VEVENT")
    assert not event.errors
    assert str(event["SUMMARY"]).startswith(f"{AWKWARD}: Flat battery")
    assert event.decoded("DTSTAMP") == MADE
    assert event.decoded("DTSTART") == (FRIDAY if closing is None else datetime(2030, 1, 17, 17, tzinfo=UTC))


def test_the_command_writes_the_file_of_a_day(advisor: Callable[..., Ran]) -> None:
    """With tag and complaint and nothing else of the customer; without a day it is refused."""
    asked = ("prescreen", "--complaint", "smell", "--tag", "red van", "--format", "ics")
    command = [sys.executable, "-m", "advisor", *asked, "--day", "tomorrow"]
    event = by_the_rules(subprocess.run(command, capture_output=True, check=True).stdout.decode())
    assert event["SUMMARY"].startswith("red van: ")
    assert set(event) >= {"UID", "DTSTAMP", "SUMMARY", "PRODID"}
    assert not set(event) & {"DESCRIPTION", "ATTENDEE", "LOCATION"}
    assert advisor(*asked).err.startswith("A calendar file needs a day. Add --day")
    assert "'soon' is no day" in advisor(*asked, "--day", "soon").err
