"""What a workshop may set: when to stop, what minutes and parts count for, and what is said or left out.

Every figure is a field of `Policy`, with its unit, the range that is accepted, where its default comes from
and what it changes. Functions get a policy as an argument; nothing here is changed while the program runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from types import MappingProxyType
from typing import Annotated, Any, get_args, get_type_hints

TRIED = "the project's choice, tried by simulation"
CHOICE = "the project's choice, no source"
ESTIMATE = "estimate"
ORDER_TRIED = (
    "simulation: the middle of what was tried, 2 to 6 minutes and 0.1 to 0.5, which chance outweighs "
    "(python -m tests.benchmarks.order --every)"
)


@dataclass(frozen=True)
class Parameter:
    """What is said of one field: its heading, unit, range, the standing of its default, what it changes."""

    heading: str
    unit: str
    low: float
    high: float
    standing: str
    changes: str

    def refusal(self, value: object, whole: bool) -> str:
        """Return what is wrong with a value, or "" if it is accepted."""
        number = isinstance(value, int if whole else int | float) and not isinstance(value, bool)
        if not number or not self.low <= float(value) <= self.high:  # type: ignore[arg-type]
            kind = "a whole number" if whole else "a number"
            return f"Write {kind} from {self.low:g} to {self.high:g} ({self.unit})."
        return ""


STOP = "When the search ends, and the order of the readings"
REPAIR = "Repair or test"
WAITS = "Readings around a wait"
DOUBT = "When to doubt what was read"
BENCH = "At the bench, and on the customer's page"
CALL = "On the phone"
SHEET = "On the booking sheet"
CHECKS = "Checks of the knowledge"

BITS, MINUTES, PROBABILITY, SHARE = "bits", "minutes", "probability", "share of jobs"


RISING = (
    ("low_price_minutes", "middling_price_minutes"),
    ("middling_price_minutes", "high_price_minutes"),
    ("a_guess", "fairly_sure"),
    ("likely_from", "sure_at"),
)
"""Pairs of values, of which the first may not be above the second."""


@dataclass(frozen=True)
class Policy:
    """What one workshop has decided, or the defaults; raises `ValueError` out of range."""

    sure_at: Annotated[
        float,
        Parameter(STOP, PROBABILITY, 0.5, 1.0, TRIED, "A cause at least this probable counts as found."),
    ] = 0.95
    settled_below: Annotated[
        float,
        Parameter(
            STOP,
            PROBABILITY,
            0.0,
            0.5,
            TRIED,
            "Once a cause is found, the search goes on while another one is more probable than this.",
        ),
    ] = 0.15
    least_bits: Annotated[
        float,
        Parameter(STOP, BITS, 0.0, 10.0, TRIED, "A reading that tells less is a crumb: not worth taking."),
    ] = 0.03
    least_bits_per_hour: Annotated[
        float,
        Parameter(
            STOP,
            "bits per hands-on hour",
            0.0,
            60.0,
            TRIED,
            "A reading that tells less for its hands-on time is not worth taking.",
        ),
    ] = 0.3
    weight_of_waiting: Annotated[
        float,
        Parameter(
            STOP,
            "factor",
            0.0,
            1.0,
            ORDER_TRIED,
            "What a minute of waiting counts for beside a hands-on minute in the order of the readings: with "
            "less, readings behind a wait come sooner.",
        ),
    ] = 0.25
    charge_minutes: Annotated[
        float,
        Parameter(
            STOP,
            MINUTES,
            0.01,
            60.0,
            ORDER_TRIED,
            "Turning to a reading at all is charged this in the order of the readings, on top of its own "
            "time: with more, quick looks that tell little come later.",
        ),
    ] = 4.0

    question_minutes: Annotated[
        float,
        Parameter(
            STOP,
            MINUTES,
            0.0,
            60.0,
            CHOICE,
            "A question to the customer that takes so long at most, without tools, counts as short.",
        ),
    ] = 2.0
    question_bits: Annotated[
        float,
        Parameter(
            STOP,
            BITS,
            0.0,
            10.0,
            "tried on 40 scenarios: 0.75 questions a car more, and 1 minute less, than with none put first",
            "A short question to the customer that tells this much comes before anything at the car.",
        ),
    ] = 0.1
    proof_from_minutes: Annotated[
        float,
        Parameter(
            REPAIR,
            MINUTES,
            0.0,
            10000.0,
            CHOICE,
            "A remedy that takes longer, or costs parts, is advised only once its cause is proved, where a "
            "proof can be made.",
        ),
    ] = 15.0
    likely_from: Annotated[
        float,
        Parameter(
            REPAIR,
            PROBABILITY,
            0.0,
            1.0,
            CHOICE,
            "A cause this probable is called likely at the end of a search that is not sure, and is proved "
            "before its remedy where that can be done.",
        ),
    ] = 0.5
    low_price_minutes: Annotated[
        float,
        Parameter(REPAIR, MINUTES, 0.0, 10000.0, ESTIMATE, "What 'low' parts count for, as work."),
    ] = 10.0
    middling_price_minutes: Annotated[
        float,
        Parameter(REPAIR, MINUTES, 0.0, 10000.0, ESTIMATE, "What 'middling' parts count for, as work."),
    ] = 60.0
    high_price_minutes: Annotated[
        float,
        Parameter(REPAIR, MINUTES, 0.0, 10000.0, ESTIMATE, "What 'high' parts count for, as work."),
    ] = 240.0
    escalation_minutes: Annotated[
        float,
        Parameter(
            REPAIR,
            MINUTES,
            1.0,
            10000.0,
            ESTIMATE,
            "What a senior technician needs to find and repair what is left (a day's work): with more, "
            "trying a remedy is advised sooner.",
        ),
    ] = 480.0

    long_wait_minutes: Annotated[
        float,
        Parameter(
            WAITS,
            MINUTES,
            0.0,
            10000.0,
            CHOICE,
            "A wait this long is planned around.",
        ),
    ] = 10.0
    asked_wait_minutes: Annotated[
        float,
        Parameter(
            WAITS,
            MINUTES,
            0.0,
            10000.0,
            CHOICE,
            "A wait this long is asked about where an answer comes and nobody has entered it.",
        ),
    ] = 2.0
    most_before_wait: Annotated[
        int,
        Parameter(WAITS, "readings", 0, 10, CHOICE, "So many readings at most are named before a wait."),
    ] = 3
    most_after_wait: Annotated[
        int,
        Parameter(WAITS, "readings", 1, 10, CHOICE, "So many readings at most are named after a wait."),
    ] = 4
    least_bits_around_wait: Annotated[
        float,
        Parameter(WAITS, BITS, 0.0, 1.0, CHOICE, "A reading named around a wait adds this at least."),
    ] = 0.05

    conflict_bits: Annotated[
        float,
        Parameter(
            DOUBT,
            BITS,
            0.5,
            20.0,
            "simulation: the 95th percentile of readings that are all right was 2.2 bits (150 cars, drain)",
            "From here on a reading is said to stand against the rest; 2.5 bits are nearly six times less "
            "likely than by itself.",
        ),
    ] = 2.5
    hardly_one_cause: Annotated[
        float,
        Parameter(
            DOUBT,
            PROBABILITY,
            0.0,
            1.0,
            CHOICE,
            "If a single cause is less probable than this, it is said that one cause hardly explains it all.",
        ),
    ] = 0.2
    fairly_sure: Annotated[
        float,
        Parameter(DOUBT, PROBABILITY, 0.5, 1.0, ESTIMATE, "How often a 'fairly sure' answer is right."),
    ] = 0.9
    a_guess: Annotated[
        float,
        Parameter(DOUBT, PROBABILITY, 0.5, 1.0, ESTIMATE, "How often an answer that is 'a guess' is right."),
    ] = 0.7

    quick_look_minutes: Annotated[
        float,
        Parameter(BENCH, MINUTES, 0.0, 60.0, CHOICE, "A quick look takes no longer, setups included."),
    ] = 3.0
    named_to_customer_from: Annotated[
        float,
        Parameter(BENCH, PROBABILITY, 0.0, 1.0, CHOICE, "A cause this probable is named to the customer."),
    ] = 0.3
    interruption_minutes: Annotated[
        float,
        Parameter(
            BENCH,
            MINUTES,
            0.0,
            10000.0,
            CHOICE,
            "Whoever comes back to a job after so long is told what was in place.",
        ),
    ] = 90.0
    shown_from: Annotated[
        float,
        Parameter(
            BENCH,
            PROBABILITY,
            0.0,
            1.0,
            CHOICE,
            "A sure reading that makes a cause likelier by so much has shown it; where none has, it is said "
            "before parts are fitted for it.",
        ),
    ] = 0.05

    phone_minutes: Annotated[
        float,
        Parameter(CALL, MINUTES, 0.0, 240.0, ESTIMATE, "The questions of one call may take this long."),
    ] = 10.0
    phone_bits: Annotated[
        float,
        Parameter(
            CALL,
            BITS,
            0.0,
            10.0,
            "simulation: python -m tests.benchmarks.calls --stops shows what other figures would do",
            "Asking about a complaint ends when all questions left, added up, tell less than this.",
        ),
    ] = 0.15

    covered: Annotated[
        float,
        Parameter(SHEET, SHARE, 0.5, 0.99, CHOICE, "This share of jobs ends within the minutes to book."),
    ] = 0.8
    used_in: Annotated[
        float,
        Parameter(
            SHEET,
            SHARE,
            0.01,
            1.0,
            CHOICE,
            "Instruments, bays, setups and a certified person are booked if this share of jobs needs them.",
        ),
    ] = 0.2
    no_visit_at: Annotated[
        float,
        Parameter(
            SHEET,
            PROBABILITY,
            0.5,
            1.0,
            CHOICE,
            "Nobody has to come if a cause that needs no visit is at least this probable.",
        ),
    ] = 0.8
    no_visit_others_below: Annotated[
        float,
        Parameter(
            SHEET,
            PROBABILITY,
            0.0,
            0.5,
            CHOICE,
            "The car has to come all the same if a cause that needs a visit is at least this probable.",
        ),
    ] = 0.1
    causes_shown_from: Annotated[
        float,
        Parameter(SHEET, PROBABILITY, 0.0, 1.0, CHOICE, "Causes less probable than this are left out."),
    ] = 0.05
    most_causes_shown: Annotated[
        int,
        Parameter(SHEET, "causes", 1, 20, CHOICE, "So many causes at most are shown."),
    ] = 5
    half_day_minutes: Annotated[
        float,
        Parameter(SHEET, MINUTES, 1.0, 1440.0, CHOICE, "A car with a longer search is left for a whole day."),
    ] = 240.0
    working_day_minutes: Annotated[
        float,
        Parameter(SHEET, MINUTES, 1.0, 1440.0, CHOICE, "A car with a longer search stays the night."),
    ] = 480.0
    overnight_minutes: Annotated[
        float,
        Parameter(SHEET, MINUTES, 1.0, 2880.0, CHOICE, "A setup that waits this long is made overnight."),
    ] = 360.0
    closing_hour: Annotated[
        float,
        Parameter(
            SHEET,
            "hour of the day",
            0.0,
            24.0,
            CHOICE,
            "Until then a car can be brought that stays the night before its day.",
        ),
    ] = 18.0

    alike_bits: Annotated[
        float,
        Parameter(
            CHECKS,
            BITS,
            0.0,
            1.0,
            CHOICE,
            "Two faults count as alike if no reading tells more than this about which of the two it is.",
        ),
    ] = 0.05

    def __post_init__(self) -> None:
        said = parameters()
        wrong = {name: refusal(name, getattr(self, name)) for name in said}
        for name, words in wrong.items():
            if words:
                raise ValueError(f"{name} = {getattr(self, name)!r} will not do. {words}")
        if message := disorder(self.values):
            raise ValueError(message)

    @property
    def values(self) -> Mapping[str, float]:
        """Return every value by name, in the order of the fields."""
        return {one.name: getattr(self, one.name) for one in fields(self)}

    @property
    def changed(self) -> Mapping[str, float]:
        """Return the values that differ from the default: what a result has to state."""
        return {name: value for name, value in self.values.items() if value != DEFAULT.values[name]}

    @property
    def words(self) -> str:
        """Return a sentence for papers with the values that differ from the default, or ""."""
        said = ", ".join(f"{name} = {value:g}" for name, value in self.changed.items())
        return f"Set by this workshop: {said}." if said else ""

    @property
    def price_minutes(self) -> Mapping[str, float]:
        """Return what parts count for as minutes of work, by their class of price."""
        return {
            "none": 0.0,
            "low": self.low_price_minutes,
            "middling": self.middling_price_minutes,
            "high": self.high_price_minutes,
        }

    @property
    def confidence(self) -> Mapping[str, float]:
        """Return how often an answer is right, by how sure the person says they are."""
        return {"certain": 1.0, "fairly sure": self.fairly_sure, "a guess": self.a_guess}


@cache
def parameters() -> Mapping[str, Parameter]:
    """Return what is said of each field, by name."""
    hints = get_type_hints(Policy, include_extras=True)
    return MappingProxyType({one.name: get_args(hints[one.name])[1] for one in fields(Policy)})


@cache
def _whole() -> frozenset[str]:
    """Return the fields whose values are whole numbers."""
    return frozenset(name for name, kind in get_type_hints(Policy).items() if kind is int)


def refusal(name: str, value: Any) -> str:
    """Return what is wrong with a value of a field, or "" if it is accepted."""
    return parameters()[name].refusal(value, name in _whole())


def disorder(values: Mapping[str, float]) -> str:
    """Return what is wrong with values together, or "" if they fit."""
    for low, high in RISING:
        if values[low] > values[high]:
            return f"{low} ({values[low]:g}) is above {high} ({values[high]:g}). Write them in rising order."
    return ""


DEFAULT = Policy()
"""What applies where a workshop has set nothing."""
