"""A case with its number, tag and times; writing its entries as rows and reading them back."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any

from advisor.case.case import Case
from advisor.case.entries import (
    CUSTOMER,
    GONE,
    KINDS,
    NOT_PRESENT,
    NOT_TRIED,
    SEEN_TODAY,
    STILL_THERE,
    TECHNICIAN,
    Accounted,
    Entry,
    Measured,
    Noted,
    Repaired,
    Seen,
    TakenBack,
)
from advisor.model.observation import Measurement
from advisor.store.errors import CorruptRow

UNSURE = "unsure"
STAMPED = ("prepared", "stated", "ready", "acknowledged", "repaired", "reopened")
"""Entries that say a time themselves."""
_SPEAKERS = (TECHNICIAN, CUSTOMER)
LONGEST_TAG = 80
"""The letters that a tag may have: it stands on one line of lists and papers."""
YEARS = range(1970, 9999)
"""The years of times that every time zone can tell."""


@dataclass(frozen=True)
class StoredCase:
    """A case as stored: one row for each of its entries, at the times given (ISO 8601).

    `knowledge` is the version it was opened with, or "" where that is not known. The number is 0 until the
    first entry is saved: a job without one is nowhere but in memory.
    """

    number: int
    tag: str
    opened: str
    case: Case
    times: tuple[str, ...] = ()
    knowledge: str = ""

    @property
    def entries(self) -> int:
        """How many rows there are."""
        return len(self.case.entries)

    @property
    def name(self) -> str:
        """Which job it is."""
        return f"Job {self.number}" if self.number else "New job"

    @property
    def last_modified(self) -> str:
        """When something was last entered."""
        return self.times[-1] if self.times else self.opened

    def with_entry(self, entry: Entry, at: str) -> StoredCase:
        """Return the case with one more entry at a time."""
        return replace(self, case=self.case.with_entry(entry), times=(*self.times, at))


def tag_too_long(tag: str) -> str:
    """Return what is wrong with a tag that has too many letters; "" where it fits."""
    if len(tag) <= LONGEST_TAG:
        return ""
    return f"The tag has {len(tag)} letters, and {LONGEST_TAG} fit. Shorten it."


def in_one_line(tag: str) -> str:
    """Return a tag on one line; an earlier version may have stored line breaks."""
    return " ".join(tag.split())


def but_for_time(entry: Entry) -> tuple[type[Entry], dict[str, Any]]:
    """Return an entry without its time, for comparison."""
    return type(entry), {name: value for name, value in vars(entry).items() if name != "at"}


def row_of(entry: Entry) -> tuple[str, str, str]:
    """Return what an entry is in the database: kind, what it is about, and what was said."""
    kind = entry.kind
    if isinstance(entry, Measured):
        take = [vars(measurement) for measurement in entry.take]
        said = {"take": take, "before": entry.before} if entry.before else take
        return kind, entry.reading, json.dumps(said, ensure_ascii=False)
    if isinstance(entry, Accounted):
        behind = {"behind": entry.behind} if entry.behind else {}
        return kind, entry.what, json.dumps({**vars(entry.measurement), **behind}, ensure_ascii=False)
    if isinstance(entry, Noted):
        return kind, entry.measurand, json.dumps(vars(entry.measurement), ensure_ascii=False)
    if isinstance(entry, Seen):
        if entry.confidence == 1.0 and entry.by == TECHNICIAN and not entry.take and not entry.before:
            return kind, entry.reading, entry.outcome
        unsure: list[object] = [entry.outcome, entry.confidence, entry.by]
        if entry.take or entry.before:
            unsure.append([vars(measurement) for measurement in entry.take])
        if entry.before:
            unsure.append(entry.before)
        return UNSURE, entry.reading, json.dumps(unsure, ensure_ascii=False)
    if isinstance(entry, Repaired):
        done = json.dumps([entry.at, entry.how], ensure_ascii=False)
        return kind, entry.fault, done if entry.how else entry.at
    about, said = vars(entry).values()
    return kind, str(about), said


def _entry(row: Any, case: Case) -> Entry:  # noqa: C901 - one branch a kind of entry
    """Return the entry of a row, given the entries before it."""
    if row.kind == "measured":
        said = json.loads(row.said)
        match said:
            case {"take": list(listed), "before": int(before)} if len(said) == 2:
                return Measured(row.about, tuple(map(_measurement, listed)), _step_before(before, case))
        return Measured(row.about, tuple(map(_measurement, _listed(said))))
    if row.kind == "noted":
        return Noted(row.about, _measurement(json.loads(row.said)))
    if row.kind == "accounted":
        said = json.loads(row.said)
        behind = said.pop("behind", "") if isinstance(said, dict) else ""
        part = _measurement(said)
        if isinstance(part.value, str) or not isinstance(behind, str):
            raise ValueError("no current")
        return Accounted(row.about, part, behind)
    if row.kind == UNSURE:
        match json.loads(row.said):
            case [str(outcome), float(confidence), str(by), *more] if (
                0 < confidence <= 1 and by in _SPEAKERS and len(more) <= 2
            ):
                take = tuple(map(_measurement, _listed(more[0]))) if more else ()
                before = _step_before(more[1], case) if len(more) == 2 else 0
                return Seen(row.about, outcome, confidence, by, take, before)
        raise ValueError("no outcome with a confidence from 0 to 1")
    if row.kind == "taken back":
        # Schema 1 wrote no step: it was always the last one that counted.
        step = int(row.about) if row.about else max(case.counting, default=0)
        if row.about and str(step) != row.about:
            raise ValueError("no step before this one")
        if not 0 <= step <= len(case.entries):
            raise ValueError("no step before this one")
        return TakenBack(step, row.said)
    if row.kind not in KINDS:
        raise ValueError("no kind of entry that is known here")
    if row.kind == "repaired" and row.said.startswith("["):
        match json.loads(row.said):
            case [str(at), str(how)]:
                _check_time(at)
                return Repaired(row.about, at, how)
        raise ValueError("no time of a repair with what was done")
    if row.kind in STAMPED:
        _check_time(row.said)
    if row.kind == "booked" and str(date.fromisoformat(row.about)) != row.about:
        raise ValueError("no day such as 2030-03-04")
    if row.kind == "checked" and row.said not in (GONE, STILL_THERE):
        raise ValueError(f"neither '{GONE}' nor '{STILL_THERE}'")
    if row.kind == "confirmed" and row.said not in (SEEN_TODAY, NOT_PRESENT, NOT_TRIED):
        raise ValueError(f"none of '{SEEN_TODAY}', '{NOT_PRESENT}' and '{NOT_TRIED}'")
    made: Callable[[str, str], Entry] = KINDS[row.kind]
    return made(row.about, row.said)


def _listed(said: Any) -> list[Any]:
    """Return a list read from JSON, or refuse it."""
    if not isinstance(said, list):
        raise ValueError("no list of measurements")
    return said


def _step_before(said: Any, case: Case) -> int:
    """Return the step that an answer was read before, or refuse what is no step of the case so far."""
    if not isinstance(said, int) or isinstance(said, bool) or not 1 <= said <= len(case.entries):
        raise ValueError("no step that it was read before")
    return said


def _measurement(said: Any) -> Measurement:
    """Return a measurement read from JSON, or refuse it."""
    match said:
        case {
            "measurand": str(measurand),
            "value": str() | float() | int() as value,
            "instrument": str(instrument),
            "typed": str(typed),
        } if len(said) == 4 and not isinstance(value, bool):
            if isinstance(value, str) or math.isfinite(value):
                return Measurement(measurand, value, instrument, typed)
    raise ValueError("no measurement")


def _check_time(said: str) -> None:
    """Refuse anything but a time with its zone."""
    try:
        time = datetime.fromisoformat(said)
    except ValueError:
        raise ValueError(f"'{said[:40]}' is no time") from None
    if time.tzinfo is None:
        raise ValueError(f"the time '{said}' has no zone")
    if time.year not in YEARS or time.astimezone(UTC).year not in YEARS:
        raise ValueError(f"the time '{said}' is in no year that can be")


def stored_case_from(number: int, head: Any, rows: list[Any]) -> StoredCase:
    """Return a case from its row and those of its entries; may raise `CorruptRow`."""
    tag = in_one_line(head.tag) if head and isinstance(head.tag, str) else ""
    try:
        if head is None:
            raise ValueError("what it is about is missing")
        if not all(isinstance(one, str) for one in (head.tag, head.complaint, head.opened, head.knowledge)):
            raise ValueError("no text")
        if not head.complaint:
            raise ValueError("it has no complaint")
        _check_time(head.opened)
    except (ValueError, OverflowError) as error:
        raise CorruptRow(
            number,
            tag,
            f"Job {number} is damaged in the database: {error}. This program did not write it like that, and "
            f"nothing was changed. Use the other jobs; `advisor case export {number}` writes down what there "
            "is of this one.",
        ) from error
    filed = StoredCase(number, tag, head.opened, Case(head.complaint), (), head.knowledge)
    for step, row in enumerate(rows, start=1):
        try:
            if row.number != step:
                raise ValueError("it is missing")
            if not all(isinstance(one, str) for one in (row.at, row.kind, row.about, row.said)):
                raise ValueError("no text")
            _check_time(row.at)
            entry = _entry(row, filed.case)
        except (ValueError, OverflowError, RecursionError) as error:
            why = str(error).splitlines()[0]
            raise CorruptRow(
                number,
                tag,
                f"Step {step} of job {number} is damaged in the database: {why}. This program did not "
                "write it like that, and nothing was changed. Use the other jobs; "
                f"`advisor case export {number}` writes down what there is of this one.",
            ) from error
        filed = filed.with_entry(entry, row.at)
    return filed
