"""Does every step and remedy that can hurt somebody have a caution that is about just that?"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from advisor.checks.registry import consistency_check
from advisor.knowledge.knowledge import Knowledge, setups_of, worst_first
from advisor.knowledge.problems import Place, Problem

MOST_OFFERED = MOST_NAMED = 3
"""So many cautions are offered of those that would do, and so many words named."""
ONLY_ASKED = re.compile(r"ask\b", re.IGNORECASE)
"""A step that begins so is a question to somebody, not work on the car."""


class Hazard(NamedTuple):
    """A way to get hurt: words of work that bring it about, and words of a caution that is about it."""

    name: str
    work: re.Pattern[str]
    caution: re.Pattern[str]


def _hazard(name: str, work: str, caution: str) -> Hazard:
    return Hazard(name, re.compile(work, re.IGNORECASE), re.compile(caution, re.IGNORECASE | re.DOTALL))


HAZARDS = (
    _hazard(
        "high voltage",
        r"high.voltage|orange (cable|lead|wire|plug|connector)s?|traction battery|drive battery|inverter|"
        r"\bhybrid\b|electric (car|vehicle|compressor)s?",
        r"high.voltage|\borange\b",
    ),
    _hazard(
        "refrigerant",
        r"refrigerant|\br-?(134a|1234yf|744)\b|service valves?|\brecover(?=[,;]|$| (it|the gas|with)\b)|"
        r"\bevacuate\b|fill by weight|(open|vent) the a/?c circuit",
        r"refrigerant|\br-?(134a|1234yf|744)\b",
    ),
    _hazard(
        "hot coolant",
        r"\b(hot|drain|catch|fill|top up|let out|open) (the |with )?coolant|"
        r"coolant (cap|hose|pipe|pump|tank|temperature sensor)s?|radiator cap|radiator hoses?|expansion tank|"
        r"cooling system|fill and bleed|bleed screw|thermostat|heater matrix",
        r"hot coolant|scald|cooling system|coolant[^.]*\b(hot|burns?|cap|pressure|°c)|"
        r"\b(hot|burns?)\b[^.]*coolant",
    ),
    _hazard(
        "fuel",
        r"\b(fuel|petrol|diesel) (line|hose|pipe|tank|pump|filter|rail|pressure|injector|leak|vapour)s?|"
        r"\binjectors?\b|\b(wet|leaking|dripping) (with )?(fuel|petrol|diesel)",
        r"\bfuel|\bpetrol|\bdiesel",
    ),
    _hazard(
        "airbags",
        r"airbags?|squibs?|pretensioners?|yellow (plug|connector)s?|steering wheel off",
        r"airbag|pretensioner|yellow (plug|connector)",
    ),
    _hazard(
        "the raised car",
        r"(lift|raise|jack up|hoist) (the|this) (car|vehicle)|(car|vehicle) (is )?(raised|lifted|jacked)|"
        r"(raised|lifted) (car|vehicle)|\bon (a|the) (lift|hoist|ramps?|jack|stands)\b|trolley jack|"
        r"axle stands?|from (below|underneath)|crawl under",
        r"raised|lifted|\blift\b|hoist|\bstands\b|\bjack\b|under the (car|vehicle)",
    ),
    _hazard(
        "exhaust gas",
        r"engine (is )?(running|idling|on\b|at \d)|(run|start|idle) the engine|\bidle\b|\d+ rpm|"
        r"exhaust (gas|smoke|pipe|leak|hose)|tailpipe|extraction hose",
        r"exhaust|carbon monoxide|tailpipe",
    ),
    _hazard(
        "battery acid and gas",
        r"battery (post|clamp|terminal|pole)s?|chargers?\b|charge (the|a) battery|jump.?start|booster pack|"
        r"disconnect the battery|(fit|fit a|replace the) (new )?battery(?! sensor)",
        r"\bacid\b|hydrogen|battery[^.]*\b(gas|explo\w+)",
    ),
    _hazard(
        "belts and fans",
        r"(?<!seat )(?<!seat-)\bbelt\b|cooling fan|pulleys?\b|(?<!cold-)(?<!cold )\bcrank",
        r"\bbelts?\b|\bfans?\b|pulley|(rotating|moving) parts",
    ),
    _hazard(
        "work on the roof",
        r"ladders?\b|(on|onto|over) the roof\b",
        r"\broof\b|ladder|platform",
    ),
    _hazard("smoke", r"smoke (into|in the cabin|machine|generator|tester)", r"\bsmoke\b"),
    _hazard(
        "water near electrics",
        r"hose over|water (hose|jet)|pressure washer",
        r"water[^.]*electric|electric[^.]*water|connectors",
    ),
    _hazard("the UV lamp", r"uv.(lamp|light)|ultraviolet", r"\buv\b|ultraviolet"),
    _hazard(
        "crushing",
        r"\bcrush\w*|(trap|pinch)\w* (a |your |the )?(hand|finger|sleeve)s?|"
        r"(lid|tailgate|bonnet|boot|strut)s?[^.]*\bfalls?\b|fall on (a|your|the|somebody)",
        r"crush|pinch|\btraps?\b|\bfall(s|ing)?\b|(rotating|moving) parts",
    ),
    _hazard("a spring under tension", r"coil spring|spring compressor|compress the spring", r"\bsprings?\b"),
)
"""What hurts people in a workshop, by the words that speak of it (the project's list; common practice)."""


class _Work(NamedTuple):
    """Words of one item about work on the car, the opening of a sentence on them, and the cautions beside."""

    place: Place
    opening: str
    words: tuple[str, ...]
    cautions: tuple[str, ...]


@consistency_check
def cautions(knowledge: Knowledge) -> Iterator[Problem]:
    """Find steps and remedies that speak of a danger without a caution, and certified readings with none."""
    for work in _works(knowledge):
        beside = [name for name in work.cautions if knowledge.cautions[name].hurts]
        for hazard in HAZARDS:
            said = _said(hazard, work.words)
            if not said or any(_is_about(knowledge, name, hazard) for name in beside):
                continue
            yield Problem(
                work.place,
                "caution",
                f"{work.opening} of {said}, and none of its cautions is about {hazard.name}.",
                "",
                _offer(knowledge, hazard),
                "weak",
            )
    for name, reading in knowledge.readings.items():
        around = [*reading.cautions, *_of_setups(knowledge, setups_of(knowledge, name))]
        if reading.who == "certified" and not around:
            yield Problem(
                knowledge.place("readings", name),
                "caution",
                f"'{name}' has no caution.",
                "It is for a certified person.",
                "Add 'cautions: […]'.",
                "weak",
            )


def _works(knowledge: Knowledge) -> Iterator[_Work]:
    """Every item that tells somebody to do something; a setup warns of its steps for all its readings."""
    for name, fault in knowledge.faults.items():
        place = knowledge.place("faults", name, "remedy")
        yield _Work(place, f"The remedy of '{name}' speaks", (fault.remedy,), fault.cautions)
    for name, setup in knowledge.setups.items():
        beside = (*setup.cautions, *_of_setups(knowledge, setup.needs))
        opening = f"The steps of '{name}' speak"
        yield _Work(knowledge.place("setups", name), opening, setup.steps, beside)
    for name, reading in knowledge.readings.items():
        beside = (*reading.cautions, *_of_setups(knowledge, setups_of(knowledge, name)))
        opening = f"The steps of '{name}' speak"
        yield _Work(knowledge.place("readings", name), opening, reading.steps, beside)


def _of_setups(knowledge: Knowledge, setups: Iterable[str]) -> tuple[str, ...]:
    """Return the cautions of setups and of all that these need."""
    found: list[str] = []
    for name in setups:
        found += (*knowledge.setups[name].cautions, *_of_setups(knowledge, knowledge.setups[name].needs))
    return tuple(found)


def _said(hazard: Hazard, words: Iterable[str]) -> str:
    """Return the words of work that bring a danger about, as they stand there, each once."""
    steps = (step for step in words if not ONLY_ASKED.match(step))
    found = dict.fromkeys(match[0].lower() for step in steps for match in hazard.work.finditer(step))
    return " and ".join(f"'{one}'" for one in list(found)[:MOST_NAMED])


def _is_about(knowledge: Knowledge, name: str, hazard: Hazard) -> bool:
    caution = knowledge.cautions[name]
    return hazard.caution.search(f"{caution.name}. {caution.text}") is not None


def _offer(knowledge: Knowledge, hazard: Hazard) -> str:
    """Which caution would do: one that is written already, or one to be written."""
    fitting = [
        name
        for name, caution in knowledge.cautions.items()
        if caution.hurts and _is_about(knowledge, name, hazard)
    ]
    named = [name for name in fitting if hazard.caution.search(knowledge.cautions[name].name)]
    offered = worst_first(knowledge, named or fitting)[:MOST_OFFERED]
    if offered:
        return f"Add to its 'cautions': {' or '.join(offered)}."
    return f"Write a caution about {hazard.name} (signal: danger or warning) and name it in its 'cautions'."
