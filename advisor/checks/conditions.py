"""Do the conditions of the car hang together: can each be reached, does each end, can they hold at once?"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from itertools import combinations, permutations

from advisor.checks.registry import consistency_check
from advisor.knowledge.conditions import UNKNOWN, OutOfReach, way_to
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.problems import Problem
from advisor.knowledge.vocabulary import ByFact, Changing, Measurand, Setup


@consistency_check
def contradictions(knowledge: Knowledge) -> Iterator[Problem]:
    """Setups that end what they build on, and readings and checks that need two conditions of one kind."""
    reached = True
    for name in knowledge.setups:
        ended = [one for one in _before(knowledge, name) if one in knowledge.setup_rules.ended_by[name]]
        if ended:
            reached = False
            yield Problem(
                knowledge.place("setups", name),
                "condition",
                f"'{name}' builds on '{ended[0]}' and ends it.",
                _why(knowledge, name, ended[0]),
                "Put what only has to be there at its beginning under 'starts_from'.",
            )
        elif isinstance(way_to(knowledge, UNKNOWN, [name], {}), OutOfReach):
            reached = False
            yield _never_together(knowledge, name, (name,), "setups", name)
    needing: list[tuple[tuple[str, ...], Path]] = []
    for name, reading in knowledge.readings.items():
        needing.append((reading.setup, ("readings", name, "setup")))
    for name, complaint in knowledge.complaints.items():
        needing.append((complaint.check_setup, ("complaints", name, "check_setup")))
        if complaint.confirm is not None:
            needing.append((complaint.confirm.setup, ("complaints", name, "confirm", "setup")))
    for setups, path in needing if reached else ():
        if isinstance(way_to(knowledge, UNKNOWN, setups, {}), OutOfReach):
            yield _never_together(knowledge, str(path[1]), setups, *path)


def _before(knowledge: Knowledge, setup: str) -> tuple[str, ...]:
    """Everything that a setup builds on."""
    return tuple(one for one in knowledge.setup_rules.first_to_last(setup) if one != setup)


def _why(knowledge: Knowledge, setup: str, ended: str) -> str:
    kind = knowledge.setups[setup].kind
    if kind is not None and knowledge.setups[ended].kind == kind:
        return f"Both are of the kind '{kind}', and two of a kind never hold together."
    if ended in knowledge.setups[setup].ends or ended in knowledge.setups[setup].ends_for_good:
        return f"'{setup}' says so itself."
    return f"'{setup}' ends what '{ended}' builds on."


def _never_together(knowledge: Knowledge, name: str, setups: tuple[str, ...], *path: str | int) -> Problem:
    """Return the problem that setups, with all that comes before them, can never be in place together."""
    rules = knowledge.setup_rules
    needed = list(dict.fromkeys(one for setup in setups for one in rules.first_to_last(setup)))
    made = list(needed)
    for one in made:
        before = (step for first in knowledge.setups[one].starts_from for step in rules.first_to_last(first))
        made += [step for step in dict.fromkeys(before) if step not in made]
    pairs = [(first, second) for second in made for first in needed if first in rules.ended_by[second]]
    pairs.sort(key=lambda pair: made.index(pair[0]) > made.index(pair[1]))
    first, second = pairs[0]
    return Problem(
        knowledge.place(*path),
        "condition",
        f"'{name}' needs '{first}' and '{second}', and the second ends the first.",
        _why(knowledge, second, first),
        "Name one of them, make two readings of it, or put the one that ends the other first.",
    )


@consistency_check
def unending(knowledge: Knowledge) -> Iterator[Problem]:
    """Conditions of a kind, or that cars arrive with, that nothing ends: they would hold for ever."""
    ended = {one for setups in knowledge.setup_rules.ended_by.values() for one in setups}
    for _, _, item in knowledge.items():
        if isinstance(item, Changing) and not isinstance(item, Setup):
            ended |= knowledge.setup_rules.with_built_on((*item.ends, *item.ends_for_good))
    for name, setup in knowledge.setups.items():
        speaks = setup.kind is not None or setup.on_arrival
        if speaks and name not in ended and setup.lasts_minutes is None:
            yield Problem(
                knowledge.place("setups", name),
                "unending",
                f"Nothing ends '{name}'.",
                "Once in place it would hold to the end of the job, whatever is done to the car.",
                "Name it under 'ends' of what ends it, give another setup the same 'kind', or say "
                "'lasts_minutes'.",
                "weak",
            )


@consistency_check
def lapsing(knowledge: Knowledge) -> Iterator[Problem]:
    """Name readings that need a setup which is over before another one is in place, whichever comes first."""
    for name, reading in knowledge.readings.items():
        needed = dict.fromkeys(
            one for setup in reading.setup for one in knowledge.setup_rules.first_to_last(setup)
        )
        for first, second in permutations(needed, 2):
            lasts, waits = knowledge.setups[first].lasts_minutes, _least_wait(knowledge, second)
            if lasts is not None and waits > lasts and _is_over_before(knowledge, first, second):
                yield Problem(
                    knowledge.place("readings", name, "setup"),
                    "lapses",
                    f"'{name}' needs '{first}', which lasts {lasts:g} minutes, and '{second}', which waits "
                    f"{waits:g}.",
                    "The first is over before the second is in place, so the reading can never be taken.",
                    f"Say under 'lasts_minutes' how long '{first}' holds, or make two readings of it.",
                    "weak",
                )
                break


def _is_over_before(knowledge: Knowledge, first: str, second: str) -> bool:
    """Whether making the second setup first is no way out: it builds on the first, or is over by then."""
    lasts = knowledge.setups[second].lasts_minutes
    builds = second in knowledge.setup_rules.built_on[first]
    return builds or (lasts is not None and _least_wait(knowledge, first) > lasts)


def _least_wait(knowledge: Knowledge, setup: str) -> float:
    """Minutes that a setup waits on the car on which it waits least."""
    said = knowledge.setups[setup].waiting_minutes
    return min(said.values.values()) if isinstance(said, ByFact) else said


@consistency_check
def applicable(knowledge: Knowledge) -> Iterator[Problem]:
    """Cars and figures of the day that say of a reading or caution what they cannot say."""
    for name, caution in knowledge.cautions.items():
        yield from _either_or(knowledge, "cautions", name, caution.given)
    for name, reading in knowledge.readings.items():
        yield from _either_or(knowledge, "readings", name, reading.given)
        for fact in reading.given:
            if _leaves_no_car(knowledge, name, fact):
                yield Problem(
                    knowledge.place("readings", name, "given", fact),
                    "no-car",
                    f"'{name}' can be taken on no car: every value of '{fact}' is impossible.",
                    "",
                    "Leave out the values on which it can be taken.",
                )
        for measurand, (low, high) in reading.holds.items():
            if knowledge.measurands[measurand].unit is None:
                yield Problem(
                    knowledge.place("readings", name, "holds", measurand),
                    "unit",
                    f"'{measurand}' is chosen from words and has no range.",
                    "",
                    "Name a measurand with a unit.",
                )
            elif low >= high:
                yield Problem(
                    knowledge.place("readings", name, "holds", measurand),
                    "limit",
                    f"The range does not rise: {low:g}, {high:g}.",
                    "It goes from the lowest to the highest figure at which the limits hold.",
                    "Put them in rising order.",
                )
            elif _is_never_read(knowledge.measurands[measurand], low, high):
                least, most = knowledge.measurands[measurand].range or (low, high)
                yield Problem(
                    knowledge.place("readings", name, "holds", measurand),
                    "limit",
                    f"'{measurand}' goes from {least:g} to {most:g}, and never from {low:g} to {high:g}.",
                    "On no day would the limits hold, and the reading would never be offered.",
                    f"Write figures between {least:g} and {most:g}.",
                )


def _either_or(
    knowledge: Knowledge, section: str, name: str, given: Mapping[str, Mapping[str, float]]
) -> Iterator[Problem]:
    """Refuse cars on which something is more or less possible instead of possible or not."""
    for fact, values in given.items():
        for value, times in values.items():
            if times not in (0, 1):
                yield Problem(
                    knowledge.place(section, name, "given", fact, value),
                    "wrong-value",
                    f"'{name}' is {times:g} times as possible with '{value}'.",
                    "On such a car it has its place, or it has none.",
                    f"Write '{value}: impossible', or leave it out.",
                )


def _leaves_no_car(knowledge: Knowledge, reading: str, fact: str) -> bool:
    times = knowledge.readings[reading].given[fact]
    return all(times.get(value, 1.0) == 0 for value in knowledge.facts[fact].values)


def _is_never_read(measurand: Measurand, low: float, high: float) -> bool:
    """Whether no figure that is accepted of a measurand lies in a range."""
    return measurand.range is not None and (high < measurand.range[0] or low > measurand.range[1])


@consistency_check
def forbidding(knowledge: Knowledge) -> Iterator[Problem]:
    """Refuse normal answers that forbid something: on every sound car it would be forbidden."""
    for name, reading in knowledge.readings.items():
        normal = reading.normal_outcome
        if normal is not None and reading.forbids.get(normal):
            yield Problem(
                knowledge.place("readings", name, "forbids", normal),
                "forbids-normal",
                f"The normal answer of '{name}', '{normal}', forbids something.",
                "The first outcome is the one of a sound car.",
                "Put it under the answer that shows the danger, or put the outcomes in order.",
            )


OPPOSITES = (
    ("cold", "hot"),
    ("asleep", "awake"),
    ("empty", "full"),
    ("emptied", "filled"),
    ("in", "out"),
    ("on", "off"),
    ("open", "shut"),
    ("open", "closed"),
    ("wet", "dry"),
    ("connected", "disconnected"),
)
"""Words of which no car is both at once (common practice, no source)."""


@consistency_check
def kinds(knowledge: Knowledge) -> Iterator[Problem]:
    """Kinds that are nearly another's name, and setups that oppose each other and are not of one kind."""
    members: dict[str, list[str]] = {}
    for name, setup in knowledge.setups.items():
        if setup.kind is not None:
            members.setdefault(setup.kind, []).append(name)
    order = list(members)
    for kind, names in members.items():
        near = difflib.get_close_matches(kind, [one for one in members if one != kind], n=1, cutoff=0.8)
        if (
            len(names) == 1
            and near
            and (len(members[near[0]]) > 1 or order.index(near[0]) < order.index(kind))
        ):
            yield Problem(
                knowledge.place("setups", names[0], "kind"),
                "kind",
                f"'{names[0]}' is alone of the kind '{kind}', and there is a kind '{near[0]}'.",
                "Setups of different kinds can be in place together.",
                f"Write 'kind: {near[0]}' if that is meant, or give the kind a name of its own.",
                "weak",
            )
    ended_by = knowledge.setup_rules.ended_by
    for first, second in combinations(knowledge.setups, 2):
        own = knowledge.setups[first].kind
        if own is not None and own == knowledge.setups[second].kind:
            continue
        if own is None and _end_each_other(knowledge, first, second):
            why = "Each ends the other, so they are two of one kind."
        elif _are_opposites(knowledge, first, second) and not (
            first in ended_by[second] and second in ended_by[first]
        ):
            why = "By their names no car is both at once, and nothing says so."
        else:
            continue
        yield Problem(
            knowledge.place("setups", second),
            "kind",
            f"'{first}' and '{second}' oppose each other and have no kind in common.",
            why,
            "Give both the same 'kind'.",
            "weak",
        )


def _end_each_other(knowledge: Knowledge, first: str, second: str) -> bool:
    """Whether two setups without a kind say of each other that they end it."""
    one, other = knowledge.setups[first], knowledge.setups[second]
    return (
        other.kind is None
        and second in (*one.ends, *one.ends_for_good)
        and first in (*other.ends, *other.ends_for_good)
    )


def _are_opposites(knowledge: Knowledge, first: str, second: str) -> bool:
    """Whether two setups are called the same but for two opposite words, by their ids or by their names."""
    ids = frozenset(first.split("_")), frozenset(second.split("_"))
    named = (knowledge.setups[first].name, knowledge.setups[second].name)
    names = tuple(frozenset(name.lower().replace(",", " ").split()) for name in named)
    return any(
        one ^ other == {here, there} and (one - other) and (other - one)
        for one, other in (ids, (names[0], names[1]))
        for here, there in OPPOSITES
    )
