"""Numbers, times and probabilities as people read them."""

from __future__ import annotations

from datetime import datetime

BAR = 20
"""Characters in a full bar."""


def bar(probability: float, width: int = BAR) -> str:
    """Return a probability as a bar of block characters, to an eighth of a character."""
    eighths = round(probability * width * 8)
    whole, part = divmod(eighths, 8)
    return ("█" * whole + (" ▏▎▍▌▋▊▉"[part] if part else "")).ljust(width)


def percent(probability: float) -> str:
    """Return a probability in percent for people: 0 % and 100 % only for exactly 0 and 1."""
    if 0 < probability < 0.005:
        return "<1 %"
    if 0.995 < probability < 1:
        return ">99 %"
    return f"{round(100 * probability, 8):.0f} %"  # round-off must not turn 60 into 61


def duration(minutes: float) -> str:
    """Return minutes for people, such as "5 min" or "1 h 15"."""
    whole = round(minutes)
    if whole < 60:
        return f"{minutes:.2g} min" if minutes < 1 else f"{whole} min"
    hours, rest = divmod(whole, 60)
    return f"{hours} h {rest:02}" if rest else f"{hours} h"


def clock_words(when: datetime) -> str:
    """Return the weekday and time of day in the local time zone."""
    return f"{when.astimezone():%a %H:%M}"


def age(since: str, now: datetime) -> str:
    """Return how long ago a time (ISO 8601) was, such as "3 days ago"; a future time is "just now"."""
    minutes = (now - datetime.fromisoformat(since)).total_seconds() / 60
    if minutes < 1:
        return "just now"
    if minutes < 24 * 60:
        return f"{duration(minutes)} ago"
    days = round(minutes / (24 * 60))
    return f"{days} day{'' if days == 1 else 's'} ago"


def plain(word: str) -> str:
    """Return an id with spaces for underscores."""
    return word.replace("_", " ")


def when(at: str, year: bool = True) -> str:
    """Return a time (ISO 8601, with zone) as local time: "4 Mar 2030, 09:20", or "4 Mar 09:20"."""
    try:
        here = datetime.fromisoformat(at).astimezone()
    except ValueError:
        return at
    return f"{here.day} {here:%b %Y, %H:%M}" if year else f"{here.day} {here:%b %H:%M}"
