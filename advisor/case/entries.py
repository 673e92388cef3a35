"""What can be entered on a job. `Entry` lists the kinds, once for all who need them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, get_args

from advisor.knowledge.unlisted import is_unlisted
from advisor.model.observation import Measurement

TECHNICIAN, CUSTOMER = "technician", "customer"
"""Who reported an answer."""


@dataclass(frozen=True)
class Known:
    """A vehicle fact has this value."""

    kind: ClassVar[str] = "known"
    fact: str
    value: str


@dataclass(frozen=True)
class Seen:
    """A reading showed this outcome; `confidence` is the probability that it is right, 1 if certain.

    `by` is who reported it: "technician" at the car, or "customer" on the phone. `before` is the step that it
    was read before, where it was entered after that one; 0 where it was entered when it was read.
    """

    kind: ClassVar[str] = "seen"
    reading: str
    outcome: str
    confidence: float = 1.0
    by: str = TECHNICIAN
    take: tuple[Measurement, ...] = ()
    before: int = 0


@dataclass(frozen=True)
class Measured:
    """A quantity reading was measured. Measuring again adds to what was measured before.

    `before` is the step that it was read before, as in `Seen`.
    """

    kind: ClassVar[str] = "measured"
    reading: str
    take: tuple[Measurement, ...]
    before: int = 0


@dataclass(frozen=True)
class Accounted:
    """A current was found by disconnecting something: a part of the draw.

    `behind` is the reading of the fuse that feeds it, or "" where none was measured.
    """

    kind: ClassVar[str] = "accounted"
    what: str
    measurement: Measurement
    behind: str = ""


@dataclass(frozen=True)
class Skipped:
    """A reading cannot be taken on this car, and why."""

    kind: ClassVar[str] = "skipped"
    reading: str
    reason: str


@dataclass(frozen=True)
class Prepared:
    """A setup was made at a time (ISO 8601, with zone); its waiting begins then."""

    kind: ClassVar[str] = "prepared"
    setup: str
    at: str


@dataclass(frozen=True)
class Stated:
    """Somebody says that a setup is in place, and since when (ISO 8601, with zone): nobody has to make it."""

    kind: ClassVar[str] = "stated"
    setup: str
    since: str


@dataclass(frozen=True)
class Ready:
    """The wait of a setup was over at a time (ISO 8601, with zone), sooner than planned."""

    kind: ClassVar[str] = "ready"
    setup: str
    at: str


@dataclass(frozen=True)
class Noted:
    """A figure of the day, such as the temperature outside: a number or a word for a measurand."""

    kind: ClassVar[str] = "noted"
    measurand: str
    measurement: Measurement


@dataclass(frozen=True)
class Ended:
    """A setup is no longer in place, because of `reason`."""

    kind: ClassVar[str] = "ended"
    setup: str
    reason: str


@dataclass(frozen=True)
class Acknowledged:
    """A person has read a caution at a time (ISO 8601, with zone)."""

    kind: ClassVar[str] = "acknowledged"
    caution: str
    at: str


@dataclass(frozen=True)
class Repaired:
    """The remedy of a fault was done at a time (ISO 8601, with zone).

    `how` says what was done where the remedy leaves a choice, or "".
    """

    kind: ClassVar[str] = "repaired"
    fault: str
    at: str
    how: str = ""


@dataclass(frozen=True)
class Checked:
    """The complaint was looked for again after a repair: it is "gone" or "still there"."""

    kind: ClassVar[str] = "checked"
    complaint: str
    found: str


@dataclass(frozen=True)
class Finished:
    """What has to be done to every repaired car before it leaves was done, or was not, for `reason`."""

    kind: ClassVar[str] = "finished"
    what: str
    reason: str


@dataclass(frozen=True)
class Confirmed:
    """The complaint was looked for at the car before the cause was found.

    It was "seen today", it was "not present today", or that is "not tried yet".
    """

    kind: ClassVar[str] = "confirmed"
    complaint: str
    found: str


@dataclass(frozen=True)
class Booked:
    """The car comes on a day (ISO 8601 date), with a remark for whoever takes it in."""

    kind: ClassVar[str] = "booked"
    day: str
    remark: str


@dataclass(frozen=True)
class Warned:
    """A danger was heard in words: the customer was "told" what to do, or "asked" and denied it."""

    kind: ClassVar[str] = "warned"
    danger: str
    how: str


@dataclass(frozen=True)
class SaidByCustomer:
    """What the customer said, in their own words as they were typed; `where` is "phone" or "bench"."""

    kind: ClassVar[str] = "said"
    where: str
    words: str


@dataclass(frozen=True)
class Guessed:
    """Somebody named the cause they suspect before the bench showed its own; `leading` led then.

    It is no evidence: the record of guesses shows learners how often they were right.
    """

    kind: ClassVar[str] = "guessed"
    fault: str
    leading: str


@dataclass(frozen=True)
class Replayed:
    """From here on the entries are weighed by another version of the knowledge; `before` was the last one."""

    kind: ClassVar[str] = "replayed"
    version: str
    before: str


@dataclass(frozen=True)
class TakenBack:
    """An earlier step, counted from 1, no longer counts."""

    kind: ClassVar[str] = "taken back"
    step: int
    reason: str


@dataclass(frozen=True)
class Closed:
    """The job is done: the fault that was found, or "" where none was, and a remark.

    With the unlisted cause of the complaint the remark says in words what it was.
    """

    kind: ClassVar[str] = "closed"
    fault: str
    remark: str

    @property
    def in_words(self) -> bool:
        """Return whether the cause is described in words because it is not listed."""
        return is_unlisted(self.fault) and bool(self.remark)


CORRECTED = "corrected"
"""Why a step is taken back that another answer takes the place of."""
CORRECTION = "to correct the cause"
"""The reason for reopening a job whose complaint has not come back."""
CAME_BACK = "the complaint has come back"
"""The reason for reopening a job whose repair did not hold, or whose cause was not the only one."""
NOT_WAITED_FOR = "not waited for"
"""Why a setup is no longer in place after an answer that did not wait for it: nothing is said of it."""


@dataclass(frozen=True)
class Reopened:
    """A closed job goes on, for `reason` or "", at a time (ISO 8601, with zone)."""

    kind: ClassVar[str] = "reopened"
    reason: str
    at: str


@dataclass(frozen=True)
class Cancelled:
    """The job was called off before its end, for a reason and with a remark. Nothing is learned from it."""

    kind: ClassVar[str] = "cancelled"
    reason: str
    remark: str


Entry = (
    Known
    | Seen
    | Measured
    | Accounted
    | Skipped
    | Prepared
    | Stated
    | Ready
    | Noted
    | Ended
    | Acknowledged
    | Repaired
    | Checked
    | Finished
    | Confirmed
    | Booked
    | Warned
    | SaidByCustomer
    | Guessed
    | Replayed
    | TakenBack
    | Closed
    | Reopened
    | Cancelled
)


GONE, STILL_THERE = "gone", "still there"
SEEN_TODAY, NOT_PRESENT, NOT_TRIED = "seen today", "not present today", "not tried yet"


TOLD, ASKED = "told", "asked"
PHONE, BENCH = "phone", "bench"
NOT_KNOWN = "the customer does not know"
"""The reason under which a question is skipped that the customer cannot answer."""

KINDS: dict[str, type[Entry]] = {entry.kind: entry for entry in get_args(Entry)}
"""The kinds of entry by their word in the database; `Entry` is the one list of them."""
