"""What an author may write about complaints, faults and readings, as frozen objects.

The words are explained for authors in knowledge/README.md; the names here are the same.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date
from difflib import get_close_matches
from functools import lru_cache
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal, NamedTuple, get_args

import numpy as np
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    PlainSerializer,
    SerializerFunctionWrapHandler,
    Tag,
    WithJsonSchema,
    model_serializer,
    model_validator,
)
from pydantic_core import PydanticCustomError

from advisor.arrays import Floats
from advisor.knowledge.pictures import picture_name
from advisor.knowledge.probability import WORDS, parse_probability

REMEDY_SUCCESS = 0.95
"""How often a remedy works, if the author does not say (estimate)."""


RIGHT_BY_PHONE = 0.9
"""How often a customer's answer is what somebody at the car would find, by default (estimate)."""


USUAL_PEOPLE = ("customer", "technician", "certified")
"""Who readings are for, as a rule; an author may name others, such as "two people"."""


CHECK_MINUTES = 10.0
"""Minutes to check for the complaint again, if the author does not say (estimate)."""


def _members(said: Any) -> Any:
    if not isinstance(said, list):
        return said
    twice = [name for name, times in Counter(map(str, said)).items() if times > 1]
    if twice:
        raise ValueError(f"'{min(twice)}' stands twice in one gate. Name each member once.")
    return {one if isinstance(one, str) else str(one): None for one in said}


def _by_fact(said: Any) -> Any:
    if not isinstance(said, dict):
        return said
    if "by" not in said:
        raise ValueError("What depends on a fact says 'by: FACT' first. Add 'by: …'.")
    return {"by": said["by"], "values": {key: value for key, value in said.items() if key != "by"}}


def _several(said: Any) -> Any:
    return (said,) if isinstance(said, str) else said


def _no_slip(who: str) -> str:
    if who not in USUAL_PEOPLE and get_close_matches(who, USUAL_PEOPLE, 1, 0.8):
        usual = ", ".join(f"'{one}'" for one in USUAL_PEOPLE)
        raise PydanticCustomError("literal_error", "Input should be {expected}", {"expected": usual})
    return who


def _day(said: Any) -> Any:
    if isinstance(said, date):
        return said
    try:
        return date.fromisoformat(said)
    except (TypeError, ValueError):
        raise ValueError(f"'{said}' is no day. Write it like 2027-01-31.") from None


def _initials(said: str) -> str:
    if not (2 <= len(said) <= 4 and said.isalpha() and said.isupper()):
        raise ValueError(f"'{said}' is nobody's initials. Write two to four capitals, such as JM.")
    return said


def _percent(said: Any) -> Any:
    return (said, said) if isinstance(said, int | float) else said


def _factor(said: Any) -> Any:
    return 0.0 if said == "impossible" else said


_SAID_PROBABILITY = {
    "anyOf": [
        {"type": "number", "minimum": 0, "maximum": 1},
        {"type": "string", "pattern": r"^\s*\d+(\.\d+)?\s+of\s+\d+(\.\d+)?\s*$"},
        {"enum": list(WORDS)},
    ]
}


_SAID_ID_OR_LIST = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}


_SAID_BY_FACT = {
    "type": "object",
    "properties": {"by": {"type": "string"}},
    "required": ["by"],
    "additionalProperties": {"type": "number"},
}


_SAID_FACTOR = {"anyOf": [{"type": "number", "minimum": 0, "maximum": 1000}, {"const": "impossible"}]}


_SAID_SHARES_BY_FACT = {
    "type": "object",
    "properties": {"by": {"type": "string"}},
    "required": ["by"],
    "additionalProperties": {
        "anyOf": [{"type": "number", "minimum": 0, "maximum": 100}, {"const": "impossible"}]
    },
}


_SAID_MEMBERS = {
    "anyOf": [
        {"type": "array", "items": {"type": "string"}, "minItems": 1},
        {
            "type": "object",
            "additionalProperties": {
                "anyOf": [
                    {"type": "number", "exclusiveMinimum": 0, "maximum": 100},
                    {"type": "null"},
                    _SAID_SHARES_BY_FACT,
                ]
            },
        },
    ]
}


Probability = Annotated[float, BeforeValidator(parse_probability), WithJsonSchema(_SAID_PROBABILITY)]


OneOrMany = Annotated[tuple[str, ...], BeforeValidator(_several), WithJsonSchema(_SAID_ID_OR_LIST)]


NoneOrMore = Annotated[OneOrMany, PlainSerializer(lambda said: said if said[1:] else "".join(said) or None)]
"""Written as it always was where it is one word at most, so that a version stays what it is."""


Share = Annotated[float, Field(gt=0, le=100)]


Size = Annotated[float, Field(ge=-1e12, le=1e12)]


Minutes = Annotated[float, Field(ge=0, le=20_000)]


class AuthoredModel(BaseModel):
    """Anything an author writes: frozen, and unknown words are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, allow_inf_nan=False)


class ByFact(AuthoredModel):
    """Minutes that depend on a vehicle fact."""

    by: str
    values: Annotated[dict[str, Minutes], Field(min_length=1)]


MinutesByFact = Annotated[
    Annotated[Minutes, Tag("number")]
    | Annotated[ByFact, BeforeValidator(_by_fact), WithJsonSchema(_SAID_BY_FACT), Tag("by fact")],
    Discriminator(lambda said: "by fact" if isinstance(said, dict | ByFact) else "number"),
]
"""A slip in a number is told as one: the form that is not meant has nothing to say."""


class SharesByFact(AuthoredModel):
    """Shares of a member for each value of a vehicle fact; 0 where cars with it never have the member."""

    by: str
    values: Annotated[
        dict[str, Annotated[float, BeforeValidator(_factor), Field(ge=0, le=100)]], Field(min_length=1)
    ]


_ShareOrByFact = Annotated[
    Annotated[Share | None, Tag("number")]
    | Annotated[SharesByFact, BeforeValidator(_by_fact), Tag("by fact")],
    Discriminator(lambda said: "by fact" if isinstance(said, dict | SharesByFact) else "number"),
]


Members = Annotated[
    dict[str, _ShareOrByFact], BeforeValidator(_members), Field(min_length=1), WithJsonSchema(_SAID_MEMBERS)
]


Factor = Annotated[float, BeforeValidator(_factor), Field(ge=0, le=1000), WithJsonSchema(_SAID_FACTOR)]


Distribution = dict[str, Probability]


Text = Annotated[str, Field(min_length=1, max_length=2000)]


Steps = tuple[Text, ...]


PictureName = Annotated[str, AfterValidator(picture_name)]


Who = Annotated[
    Text, AfterValidator(_no_slip), WithJsonSchema({"type": "string", "examples": list(USUAL_PEOPLE)})
]


Day = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]


Initials = Annotated[
    str,
    AfterValidator(_initials),
    WithJsonSchema({"type": "string", "pattern": "^[A-Z]{2,4}$", "examples": ["JM"]}),
]


OfHundred = Annotated[float, Field(ge=0, le=100)]


_SAID_PERCENT = {
    "anyOf": [
        {"type": "number", "minimum": 0, "maximum": 100},
        {
            "type": "array",
            "items": {"type": "number", "minimum": 0, "maximum": 100},
            "minItems": 2,
            "maxItems": 2,
        },
    ]
}


class Source(AuthoredModel):
    """A named source that a number comes from, with what was counted there.

    `count` of `of` had it, or `percent`, with two numbers where the source gives a range. A count of those
    that had several at once says how many `together`. `allowance` is how many points of 100 other cars may
    differ by, and `note` says why a number that lies outside stays.
    """

    source: Text
    of: Annotated[int, Field(ge=1)] | None = None
    count: Annotated[int, Field(ge=0)] | None = None
    percent: (
        Annotated[tuple[OfHundred, OfHundred], BeforeValidator(_percent), WithJsonSchema(_SAID_PERCENT)]
        | None
    ) = None
    together: Annotated[int, Field(ge=1, le=20)] = 1
    allowance: Annotated[float, Field(ge=0, le=50)] = 0.0
    note: Text | None = None

    @model_validator(mode="after")
    def _count_with_of(self) -> Source:
        if (self.of is None) != (self.count is None):
            raise ValueError("'of: 667' and 'count: 156' go together. Write both.")
        if self.of is not None and self.count is not None and self.count > self.of:
            raise ValueError(f"{self.count} of {self.of} cannot be. Give as 'count' those that had it.")
        if self.of is not None and self.percent is not None:
            raise ValueError("Both a count and 'percent' stand here. Keep the count.")
        if self.percent is not None and self.percent[0] > self.percent[1]:
            raise ValueError("The range runs backwards. Write the smaller number first.")
        return self

    @property
    def has_numbers(self) -> bool:
        """Return whether it says what was counted, so that a number can be compared with it."""
        return self.count is not None or self.percent is not None

    @model_serializer(mode="wrap")
    def _as_written(self, written: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return {word: said for word, said in written(self).items() if word in self.model_fields_set}


class Estimate(AuthoredModel):
    """An estimate, with whose it is and of which day."""

    estimate_by: Initials
    on: Day


def _kind_of_standing(said: Any) -> str:
    if isinstance(said, Estimate) or (isinstance(said, dict) and "estimate_by" in said):
        return "estimate"
    return "source" if isinstance(said, dict | Source) else "word"


Standing = Annotated[
    Annotated[Literal["estimate", "common practice"], Tag("word")]
    | Annotated[Source, Tag("source")]
    | Annotated[Estimate, Tag("estimate")],
    Discriminator(_kind_of_standing),
]


Status = Literal["drafted", "read", "tried", "confirmed"]
"""How far an item has been looked over; an item without a `review` is drafted."""


class Review(AuthoredModel):
    """That somebody read an item, tried it on cars, or saw closed jobs confirm it. Only people write this."""

    status: Literal["read", "tried", "confirmed"]
    by: Initials
    on: Day
    cars: Annotated[int, Field(ge=1)] | None = None
    jobs: Annotated[int, Field(ge=1)] | None = None

    @model_validator(mode="after")
    def _how_many(self) -> Review:
        if (self.cars is not None) != (self.status == "tried"):
            raise ValueError("'status: tried' goes with 'cars:', on how many. Write both, or neither.")
        if (self.jobs is not None) != (self.status == "confirmed"):
            raise ValueError("'status: confirmed' goes with 'jobs:', by how many. Write both, or neither.")
        return self


class Item(AuthoredModel):
    """What every section's entries share.

    `later` are words that the language has got since: where they are not said they are no part of the
    knowledge's version, so that files that nobody has changed stay the version that they were.
    """

    later: ClassVar[frozenset[str]] = frozenset()

    name: Annotated[str, Field(min_length=1, max_length=80)]
    note: Text | None = None
    standing: Standing | None = None
    standing_of: dict[str, Standing] = {}
    review: tuple[Review, ...] = ()

    @property
    def no_part_of_version(self) -> frozenset[str]:
        """Return the words that do not count for the version: later ones not said, and who looked it over."""
        return (self.later - self.model_fields_set) | {"review"}

    @property
    def status(self) -> Status:
        """Return the furthest that its review has come."""
        words = get_args(Status)
        return max((one.status for one in self.review), key=words.index, default="drafted")


class Gate(NamedTuple):
    """A gate of IEC 61025: `least` to `most` of the members; `shares` are of 100 where stated.

    A member in `by_fact` has its share there, one for each value of a vehicle fact, and None among `shares`.
    """

    kind: Literal["any_of", "all_of", "at_least", "exactly_one_of"]
    least: int
    most: int
    shares: Mapping[str, float | None]
    by_fact: Mapping[str, SharesByFact] = MappingProxyType({})

    @classmethod
    def of(
        cls,
        kind: Literal["any_of", "all_of", "at_least", "exactly_one_of"],
        least: int,
        most: int,
        members: Mapping[str, float | SharesByFact | None],
    ) -> Gate:
        """Return the gate over members as an author writes them."""
        by_fact = {name: share for name, share in members.items() if isinstance(share, SharesByFact)}
        shares = {name: None if isinstance(share, SharesByFact) else share for name, share in members.items()}
        return cls(kind, least, most, shares, by_fact)

    @property
    def facts(self) -> tuple[str, ...]:
        """Return the vehicle facts that its shares depend on: one at most where the knowledge is sound."""
        return tuple(dict.fromkeys(share.by for share in self.by_fact.values()))

    @property
    def has_numbers(self) -> bool:
        """Return whether any member has a share."""
        return bool(self.by_fact) or any(share is not None for share in self.shares.values())

    def on(self, facts: Mapping[str, str]) -> Gate:
        """Return the gate with the plain shares that it has on cars with these facts."""
        here = {name: share.values[facts[share.by]] for name, share in self.by_fact.items()}
        return self._replace(shares={**self.shares, **here}, by_fact={}) if here else self

    @property
    def key(self) -> str:
        """Return the key under which the members are written."""
        return "of" if self.kind == "at_least" else self.kind

    @property
    def members(self) -> tuple[str, ...]:
        """Return the ids of the members, as written."""
        return tuple(self.shares)


class Gated(Item):
    """An item that follows its members by a gate."""

    any_of: Members | None = None
    all_of: Members | None = None
    exactly_one_of: Members | None = None
    at_least: int | None = None
    of: Members | None = None

    @model_validator(mode="after")
    def _one_gate(self) -> Gated:
        said = [self.any_of, self.all_of, self.exactly_one_of, self.at_least]
        count = sum(one is not None for one in said)
        if count > 1:
            raise ValueError(
                "There are two gates here. Keep one of any_of, all_of, at_least, exactly_one_of."
            )
        if count == 0 and self._needs_gate():
            raise ValueError(
                "There is no gate here. Say any_of, all_of, at_least with of, or exactly_one_of."
            )
        if (self.at_least is None) != (self.of is None):
            raise ValueError("'at_least: 2' and 'of: …' go together. Write both.")
        return self

    def _needs_gate(self) -> bool:
        return True

    @property
    def gate(self) -> Gate:
        """Return the gate, whichever way it was written."""
        if self.any_of is not None:
            return Gate.of("any_of", 1, len(self.any_of), self.any_of)
        if self.all_of is not None:
            return Gate.of("all_of", len(self.all_of), len(self.all_of), self.all_of)
        if self.exactly_one_of is not None:
            return Gate.of("exactly_one_of", 1, 1, self.exactly_one_of)
        members = self.of or {}
        return Gate.of("at_least", self.at_least or 0, len(members), members)


class Confirmation(AuthoredModel):
    """How a complaint is looked for at the car: what to do, the minutes, and the setups it needs.

    It may be `shown_by` the number of a reading: there where that is not normal.
    """

    how: Text
    minutes: Minutes
    setup: OneOrMany = ()
    shown_by: str | None = None

    @model_serializer(mode="wrap")
    def _as_written(self, written: SerializerFunctionWrapHandler) -> dict[str, Any]:
        unsaid = {"shown_by"} - self.model_fields_set  # a later word, as in `Item.later`
        return {word: said for word, said in written(self).items() if word not in unsaid}


class Counted(AuthoredModel):
    """What a source counted among cars with the complaint, where no single number of the knowledge says it.

    Of `of` cars, `at_all` had one of the `causes` at least (or gave the `answer` to a reading), `alone` these
    and no other cause, `with_others` another one as well, and `others_only` none of them, but another one.
    Where only part of what the causes stand for was counted (`part_only`), the knowledge may say more.
    """

    what: Text
    causes: tuple[str, ...] = ()
    answer: dict[str, str] = {}
    given: dict[str, str] = {}
    source: Text
    of: Annotated[int, Field(ge=1)]
    at_all: Annotated[int, Field(ge=0)] | None = None
    alone: Annotated[int, Field(ge=0)] | None = None
    with_others: Annotated[int, Field(ge=0)] | None = None
    others_only: Annotated[int, Field(ge=0)] | None = None
    part_only: bool = False
    allowance: Annotated[float, Field(ge=0, le=50)] = 0.0
    note: Text | None = None

    @model_validator(mode="after")
    def _counts_something(self) -> Counted:
        if bool(self.causes) == (len(self.answer) == 1):
            raise ValueError("What was counted? Name 'causes', or one 'answer: {READING: OUTCOME}'.")
        if not self.counts:
            raise ValueError("No count stands here. Say at_all, alone, with_others or others_only.")
        if self.answer and set(self.counts) != {"at_all"}:
            raise ValueError("An answer is given or not. Say 'at_all' only.")
        for count in self.counts.values():
            Source(source=self.source, of=self.of, count=count)
        return self

    @property
    def counts(self) -> dict[str, int]:
        """Return the counts by the word that says of which cars."""
        words = ("at_all", "alone", "with_others", "others_only")
        return {word: getattr(self, word) for word in words if getattr(self, word) is not None}


class Complaint(Gated):
    """A top event: what the customer complains about. `comes` is how such a car gets here, for the caller.

    `confirm` says how somebody sees at the car that it is there, before anything is measured, and `come_back`
    under which conditions the car comes again where no fault was found. `before_leaving` is what has to be
    done after a repair, whatever the cause, before the car leaves.
    """

    later = frozenset({"check_setup", "comes", "confirm", "come_back", "before_leaving", "counted"})

    family: Text
    customer: OneOrMany = ()
    warn: OneOrMany = ()
    comes: Text | None = None
    unlisted: Share
    confirm: Confirmation | None = None
    come_back: Text | None = None
    check: Text | None = None
    check_minutes: Minutes = CHECK_MINUTES
    check_setup: OneOrMany = ()
    before_leaving: Text | None = None
    counted: tuple[Counted, ...] = ()

    @property
    def looked_for(self) -> Confirmation:
        """Return how the complaint is looked for at the car, before anything is measured."""
        return self.confirm or Confirmation(how=self._as_noticed, minutes=CHECK_MINUTES)

    @property
    def check_after_repair(self) -> Confirmation:
        """Return how it is looked for after a repair: by its own `check`, or else as it was confirmed."""
        if self.check is None and self.confirm is not None:
            return self.confirm
        how = self.check or self._as_noticed
        return Confirmation(how=how, minutes=self.check_minutes, setup=self.check_setup)

    @property
    def _as_noticed(self) -> str:
        return f"as the customer noticed it: {self.name}"


class Changing(Item):
    """Something that changes the condition of the car: setups that it ends, and those that never return.

    `put_back` is what has to be put back before the car leaves.
    """

    ends: OneOrMany = ()
    ends_for_good: OneOrMany = ()
    put_back: Text | None = None


class Family(Item):
    """Complaints that belong together, and what a customer is asked to find out which it is."""

    ask: Text


class Harmless(Item):
    """Something that people call about and that is normal: no visit is needed, and what to tell them.

    `customer` are phrases whose words are all said, as those of a danger.
    """

    customer: Annotated[OneOrMany, Field(min_length=1)]
    tell: Text


_WORDS = re.compile(r"<(\w+)>")
"""Where a phrase has one of the words that a danger has under a name."""


class Danger(Item):
    """Danger that people tell of on the phone: what to tell them at once, and what is done about it.

    `customer` are phrases whose words are all said; `petrol/fuel` is one or the other, ` ... ` parts what
    may be said far apart, and `<escapes>` is one of the `words` under that name. `perhaps` are phrases that
    may mean it, and `unless` are phrases in which words of the others mean something else: then it is asked
    about. `ask` is asked where it was said not to be so, and with `ask_first` always; `otherwise` is what to
    tell where it is not so. `answers` are other dangers, one of which it is: the desk asks which, and goes on
    with that one.
    """

    later = frozenset({"answers", "words", "perhaps", "unless"})

    words: dict[str, Text] = {}
    customer: Annotated[OneOrMany, Field(min_length=1)]
    perhaps: OneOrMany = ()
    unless: OneOrMany = ()
    ask: Text
    tell: Text
    do: Text
    answers: OneOrMany = ()
    signal: Literal["danger", "warning", "caution"] = "danger"
    may_be_driven: bool = False
    ask_first: bool = False
    otherwise: Text | None = None

    @model_validator(mode="after")
    def _words_are_written(self) -> Danger:
        for phrase in (*self.customer, *self.perhaps, *self.unless):
            for name in _WORDS.findall(phrase):
                if name not in self.words:
                    raise ValueError(f"'<{name}>' in '{phrase}' is none of its words")
        return self

    def phrases(self, which: Literal["customer", "perhaps", "unless"]) -> tuple[str, ...]:
        """Return phrases with the words in place of their names."""
        said: tuple[str, ...] = getattr(self, which)
        return _in_full(said, tuple(self.words.items()))


@lru_cache(maxsize=1 << 8)
def _in_full(said: tuple[str, ...], words: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    """Return phrases with the words in place of their names."""
    named = dict(words)
    return tuple(_WORDS.sub(lambda name: "/".join(named[name[1]].split()), one) for one in said)


class Branch(Gated):
    """An intermediate event of the tree."""

    unlisted: Literal["rest"] | None = None


ProofKind = Literal["look", "isolate", "substitute", "recreate", "repair"]
"""How a cause is proved: it is seen; taken out of play; a known good part takes its place; it is brought
about; or it is put right, where that is cheaper than any proof.
"""


class Proof(Changing):
    """How a workshop proves one fault before it sells the repair.

    It is a reading of that fault alone, whose second outcome proves it. `shows` is how often it comes with
    the fault, `without` how often with the complaint but not this fault.
    """

    later = frozenset({"shows_before_wait", "picture"})

    kind: ProofKind
    who: Who = "technician"
    minutes: MinutesByFact
    waiting_minutes: MinutesByFact = 0.0
    instrument: OneOrMany = ()
    setup: OneOrMany = ()
    given: dict[str, dict[str, Factor]] = {}
    holds: dict[str, tuple[Size, Size]] = {}
    forbids: dict[str, OneOrMany] = {}
    shows_at_rest: bool = False
    shows_before_wait: OneOrMany = ()
    complaints: tuple[str, ...] = ()
    steps: Steps = ()
    picture: PictureName | None = None
    cautions: tuple[str, ...] = ()
    outcomes: Annotated[dict[str, Text], Field(min_length=2, max_length=2)] = {
        "not_shown": "Not shown",
        "shown": "Shown",
    }
    shows: Probability
    without: Probability

    def as_reading(self, fault: str, given: Mapping[str, Mapping[str, float]]) -> Reading:
        """Return the reading that it is; `given` is that of the fault: what a car lacks needs no proof."""
        words = set(type(self).model_fields) & set(Reading.model_fields) & self.model_fields_set
        lacks = {fact: {at: by for at, by in values.items() if by == 0} for fact, values in given.items()}
        for fact, values in self.given.items():
            lacks[fact] = {**lacks.get(fact, {}), **values}
        return Reading(
            **{word: getattr(self, word) for word in words - {"outcomes", "given"}},
            outcomes=self.outcomes,
            given={fact: values for fact, values in lacks.items() if values},
            noisy_or=NoisyOr(leak=self.without, strengths="with_leak", causes={fault: self.shows}),
            proof=self.kind,
            proves=(fault,),
        )

    @model_serializer(mode="wrap")
    def _as_written(self, written: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return {word: said for word, said in written(self).items() if word not in self.no_part_of_version}


class Fault(Changing):
    """A basic event: something that a remedy puts right.

    `ends`, `ends_for_good` and `restores` are what the remedy does to the condition of the car, and `proof`
    are the ways to prove it, by the id of the reading that each of them is. Of the cars with a fault named in
    `brought_by`, so many have this one because of it. `done` tells the customer what was done.
    """

    later = frozenset({"ends", "ends_for_good", "put_back", "restores", "proof", "brought_by", "done"})

    remedy: Text
    done: Text | None = None
    remedy_minutes: Minutes
    price: Literal["none", "low", "middling", "high"]
    no_visit: Text | None = None
    remedy_success: Annotated[Probability, Field(gt=0, le=1)] = REMEDY_SUCCESS
    prior: Annotated[Probability, Field(gt=0, lt=1)] | None = None
    given: dict[str, dict[str, Factor]] = {}
    brought_by: dict[str, Annotated[Probability, Field(gt=0, le=1)]] = {}
    cautions: tuple[str, ...] = ()
    restores: OneOrMany = ()
    proof: dict[str, Proof] = {}


class Fact(Item):
    """Something about the vehicle that is known at intake or by asking.

    `customer` are phrases for each value, as those of a danger: who says one is offered that value. `tells`
    says what a value tells of other facts, so that nobody has to ask for those as well. `words` are how its
    values are shown as answers to what is asked.
    """

    later = frozenset({"tells", "customer", "words"})

    ask: Text
    tells: dict[str, dict[str, str]] = {}
    values: Annotated[dict[str, Annotated[float, Field(ge=0, le=100)]], Field(min_length=2, max_length=8)]
    customer: dict[str, OneOrMany] = {}
    words: dict[str, Text] = {}

    @model_validator(mode="after")
    def _of_its_values(self) -> Fact:
        for name in (*self.customer, *self.words):
            if name not in self.values:
                raise ValueError(f"'{name}' is none of its values. Write one of {', '.join(self.values)}.")
        return self

    def in_words(self, value: str) -> str:
        """Return how a value is shown: as the author says it, else its id with spaces."""
        return self.words.get(value, value.replace("_", " "))


class NoisyOr(AuthoredModel):
    """Leaky noisy-OR: each cause alone can bring about the abnormal outcome."""

    leak: Probability
    strengths: Literal["alone", "with_leak"] = "alone"
    causes: Annotated[dict[str, Probability], Field(min_length=1)]


class NoisyMax(AuthoredModel):
    """Leaky noisy-MAX: each cause gives a spread over graded outcomes, the worst one wins."""

    leak: Distribution
    strengths: Literal["alone", "with_leak"] = "alone"
    causes: Annotated[dict[str, Distribution], Field(min_length=1)]


class Row(AuthoredModel):
    """A row of a full table: what the outcomes' chances are where `when` fits."""

    when: Annotated[dict[str, str], Field(min_length=1)] | None = None
    gives: Distribution | None = None
    otherwise: Distribution | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Row:
        if (self.otherwise is None) != (self.when is not None and self.gives is not None):
            raise ValueError("A row is 'when: …' with 'gives: …', or 'otherwise: …'. Write one of the two.")
        return self

    def holds(self, here: Mapping[str, str]) -> bool:
        """Return whether causes with these values meet the row; a cause that is not named is absent."""
        return all(here.get(cause, "absent") == value for cause, value in (self.when or {}).items())

    @property
    def spread(self) -> Distribution:
        """Return the outcomes' probabilities in this row."""
        return self.gives or self.otherwise or {}


class State(Gated):
    """A hidden consequence of faults that is no fault itself, and that readings depend on."""

    noisy_or: NoisyOr | None = None

    def _needs_gate(self) -> bool:
        return self.noisy_or is None

    @model_validator(mode="after")
    def _gate_or_noisy(self) -> State:
        if self.noisy_or is not None and any([self.any_of, self.all_of, self.exactly_one_of, self.of]):
            raise ValueError("A state follows a gate or noisy_or, not both. Keep one.")
        return self

    @property
    def causes(self) -> tuple[str, ...]:
        """Return the ids that the state depends on."""
        return tuple(self.noisy_or.causes) if self.noisy_or else self.gate.members


class LimitByFact(AuthoredModel):
    """A limit between two bands that depends on a vehicle fact."""

    by: str
    values: Annotated[dict[str, float], Field(min_length=1)]


class Derived(AuthoredModel):
    """A quantity that is computed: a formula by name, and where each of its inputs comes from.

    An input is a measurand's id, a vehicle fact's id, a number, or a word that the formula knows.
    """

    formula: str
    inputs: Annotated[dict[str, str | Size], Field(min_length=1)]


class Quantity(AuthoredModel):
    """A measured quantity: `limits` stand between the bands, in the unit, from low to high.

    `account` says what a current is for the account of a draw: the "total", or a "part" of it.
    """

    unit: Text
    range: tuple[Size, Size]
    derived: Derived | None = None
    account: Literal["total", "part"] | None = None
    bands: Annotated[dict[str, Text], Field(min_length=2, max_length=8)]
    limits: tuple[
        float | Annotated[LimitByFact, BeforeValidator(_by_fact), WithJsonSchema(_SAID_BY_FACT)], ...
    ]

    def limits_for(self, facts: Mapping[str, str]) -> tuple[float, ...] | None:
        """Return the limits for a vehicle, in the unit; None while a fact they depend on is unknown."""
        numbers = []
        for limit in self.limits:
            if isinstance(limit, LimitByFact):
                if facts.get(limit.by) not in limit.values:
                    return None
                numbers.append(limit.values[facts[limit.by]])
            else:
                numbers.append(limit)
        return tuple(numbers)


class Reading(Changing):
    """A question or a measurement.

    `given` says on which cars it cannot be taken, `holds` within which figures of the day its limits hold,
    `forbids` which setups and readings are forbidden after an outcome. What `shows_at_rest` is there whether
    or not the complaint is: stains, corrosion, wear. Outcomes that it `shows_before_wait` hang on no wait
    of its setups: seen on the way there they count in full. One that `proves` faults, or a branch of them,
    does so by a `proof` of some kind, and with the outcomes `proved_by`. `picture` is a drawing of how it is
    taken.
    """

    later = frozenset(
        {
            *("ends", "ends_for_good", "put_back", "waiting_minutes", "given", "holds", "forbids"),
            *("shows_at_rest", "shows_before_wait", "proof", "proves", "proved_by", "picture"),
        }
    )

    who: Who = "technician"
    ask: Text | None = None
    right_by_phone: Annotated[Probability, Field(gt=0.5, le=1)] = RIGHT_BY_PHONE
    answered_by: OneOrMany = ()  # facts of the same matter: once one of them is known, nobody asks
    warn: dict[str, Text] = {}
    minutes: MinutesByFact
    waiting_minutes: MinutesByFact = 0.0
    instrument: OneOrMany = ()
    setup: NoneOrMore = ()
    given: dict[str, dict[str, Factor]] = {}
    holds: dict[str, tuple[Size, Size]] = {}
    forbids: dict[str, OneOrMany] = {}
    shows_at_rest: bool = False
    shows_before_wait: OneOrMany = ()
    complaints: tuple[str, ...] = ()  # where it makes sense; none named: wherever its causes are
    steps: Steps = ()
    picture: PictureName | None = None
    cautions: tuple[str, ...] = ()
    outcomes: Annotated[dict[str, Text], Field(min_length=2, max_length=8)] | None = None
    quantity: Quantity | None = None
    normal: str | None = None
    mildest_first: tuple[str, ...] | None = None
    noisy_or: NoisyOr | None = None
    noisy_max: NoisyMax | None = None
    table: Annotated[tuple[Row, ...], Field(min_length=1)] | None = None
    proof: ProofKind | None = None
    proves: OneOrMany = ()
    proved_by: OneOrMany = ()

    @model_validator(mode="after")
    def _proof_and_what_it_proves(self) -> Reading:
        if (self.proof is None) == bool(self.proves) or (self.proved_by and not self.proves):
            raise ValueError(
                "'proof' and 'proves' go together, with 'proved_by' where several outcomes are not normal. "
                "Write both, such as 'proof: look' and 'proves: boot_lamp'."
            )
        if self.proves and len(self.answers) > 2 and not self.proved_by:
            raise ValueError(
                "There are several outcomes, and nothing says which of them prove it. "
                f"Add 'proved_by: {list(self.answers)[-1]}'."
            )
        return self

    @model_validator(mode="after")
    def _one_of_each(self) -> Reading:
        if (self.outcomes is None) == (self.quantity is None):
            raise ValueError(
                "A reading has either 'outcomes' or a 'quantity'. "
                "Write one of them, such as 'outcomes: {firm: Firm, loose: Loose}'."
            )
        if sum(one is not None for one in (self.noisy_or, self.noisy_max, self.table)) != 1:
            raise ValueError(
                "Say only once how the outcome depends on its causes. Write noisy_or, noisy_max or table."
            )
        return self

    @property
    def answers(self) -> Mapping[str, str]:
        """Return outcome ids with their words, in the order written."""
        return self.outcomes or (self.quantity.bands if self.quantity else {})

    @property
    def normal_outcome(self) -> str:
        """Return the outcome of a car without any of the causes."""
        return self.normal or next(iter(self.answers))

    @property
    def proving_outcomes(self) -> tuple[str, ...]:
        """Return the outcomes that prove what the reading `proves`; none where it proves nothing."""
        others = (one for one in self.answers if one != self.normal_outcome)
        return self.proved_by or tuple(others) if self.proves else ()

    @property
    def needs_complaint(self) -> bool:
        """Return whether a fault may look normal here while its complaint is not there.

        What the customer tells is about the days when it was.
        """
        return not self.shows_at_rest and self.who != "customer"

    @property
    def graded(self) -> tuple[str, ...]:
        """Return the outcomes from the normal one to the worst."""
        return self.mildest_first or tuple(self.answers)

    @property
    def causes(self) -> tuple[str, ...]:
        """Return the ids of everything the outcome depends on, facts included, each once."""
        if self.noisy_or:
            return tuple(self.noisy_or.causes)
        if self.noisy_max:
            return tuple(self.noisy_max.causes)
        return tuple(dict.fromkeys(cause for row in self.table or () for cause in row.when or ()))

    def spreads(self) -> Iterator[tuple[tuple[str | int, ...], Distribution]]:
        """Yield every stated distribution over outcomes, with its path within the reading."""
        if self.noisy_max:
            yield ("noisy_max", "leak"), self.noisy_max.leak
            for cause, spread in self.noisy_max.causes.items():
                yield ("noisy_max", "causes", cause), spread
        for at, row in enumerate(self.table or ()):
            yield ("table", at, "gives" if row.gives else "otherwise"), row.spread

    def probabilities(self, spread: Distribution, order: tuple[str, ...]) -> Floats:
        """Return the outcomes' probabilities in the given order; the rest to 1 goes to the normal one."""
        said = dict(spread)
        if self.normal_outcome not in said:
            said[self.normal_outcome] = 1 - sum(spread.values())
        return np.array([said.get(outcome, 0.0) for outcome in order])


class Accuracy(AuthoredModel):
    """How far an instrument may be off, in the unit it stands under.

    `absolute`, `percent` (of the reading) and `zero` (offset that stays from reading to reading) are
    half-widths; `resolution` is the last digit's step. With `coverage` the half-widths are expanded
    uncertainties of a normal distribution with that coverage factor, else limits of a rectangular one.
    """

    absolute: Annotated[Size, Field(ge=0)] = 0.0
    percent: Annotated[Size, Field(ge=0)] = 0.0
    zero: Annotated[Size, Field(ge=0)] = 0.0
    resolution: Annotated[Size, Field(ge=0)] = 0.0
    coverage: Annotated[float, Field(ge=1, le=4)] | None = None


class Instrument(Item):
    """What a reading is taken with, and how accurately, by unit."""

    units: tuple[Text, ...] = ()
    accuracy: dict[str, Accuracy] = {}


class Measurand(Item):
    """Something that formulas need: measured in a unit, or chosen from words.

    It is asked once in a case; with `each_time`, again for every reading.
    """

    ask: Text
    unit: Text | None = None
    range: tuple[Size, Size] | None = None
    instrument: OneOrMany = ()
    choices: Annotated[tuple[Text, ...], Field(min_length=2)] | None = None
    each_time: bool = False

    @model_validator(mode="after")
    def _number_or_choice(self) -> Measurand:
        if (self.choices is None) == (self.unit is None) or (self.unit is None) != (self.range is None):
            raise ValueError("A measurand has 'unit' and 'range', or 'choices'. Write one of the two.")
        return self


Stay = Literal["half a day", "a whole day", "overnight", "two days"]
"""How long a car is left here, the shortest first."""


class Setup(Changing):
    """A condition of the car that readings share; its minutes are charged once.

    Two setups of one `kind` are never in place together. It stays in place while what it `needs` does; what
    it `starts_from` has to be there only when it begins. `stay` is how long the car is left here for it, and
    `arrange` what the customer does besides.
    """

    later = frozenset(
        {
            *("ends", "ends_for_good", "kind", "starts_from", "on_arrival", "lasts_minutes", "put_back"),
            *("stay", "picture"),
        }
    )

    steps: Steps = ()
    picture: PictureName | None = None
    hands_on_minutes: MinutesByFact
    waiting_minutes: MinutesByFact = 0
    stay: Stay | None = None
    arrange: Text | None = None
    bay: Text | None = None
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    kind: Text | None = None
    starts_from: OneOrMany = ()
    on_arrival: bool = False
    lasts_minutes: Minutes | None = None


Signal = Literal["danger", "warning", "caution", "notice"]
"""From the most severe to the least."""


class Caution(Item):
    """What can hurt, and the usual precaution, under a signal word of ISO 3864-2.

    A notice is about property alone; the other three are about people, and have to be acknowledged. `given`
    says for which cars it does not hold. `short` is what to do or not to do, in one line of the card; where
    the author has not said it, the name stands for it. `person` is who has to be there for the work.
    """

    later = frozenset({"given", "short", "person"})

    text: Text
    signal: Signal = "warning"
    given: dict[str, dict[str, Factor]] = {}
    short: Text = ""
    person: Text | None = None

    @model_validator(mode="after")
    def _short_or_name(self) -> Caution:
        if "short" not in self.model_fields_set:
            object.__setattr__(
                self, "short", self.name
            )  # not among the fields set: the version stays as it was
        return self

    @property
    def hurts(self) -> bool:
        """Return whether people can be hurt."""
        return self.signal != "notice"


class Document(AuthoredModel):
    """One file, as written."""

    language: Literal[1]
    standing: Standing | None = None
    families: dict[str, Family] = {}
    harmless: dict[str, Harmless] = {}
    dangers: dict[str, Danger] = {}
    complaints: dict[str, Complaint] = {}
    branches: dict[str, Branch] = {}
    faults: dict[str, Fault] = {}
    facts: dict[str, Fact] = {}
    states: dict[str, State] = {}
    readings: dict[str, Reading] = {}
    instruments: dict[str, Instrument] = {}
    measurands: dict[str, Measurand] = {}
    setups: dict[str, Setup] = {}
    cautions: dict[str, Caution] = {}


def schema() -> dict[str, Any]:
    """Return the JSON Schema of a knowledge file, for editors that complete and check by it."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Document.model_json_schema()}
