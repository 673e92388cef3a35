"""Do the conditions of the car hang together: can each be reached, does each end, can they hold at once?"""

from __future__ import annotations

from collections.abc import Iterator

from advisor.checks.registry import consistency_check
from advisor.knowledge.conditions import UNKNOWN, OutOfReach, way_to
from advisor.knowledge.knowledge import Knowledge, Path
from advisor.knowledge.problems import Problem
from advisor.knowledge.vocabulary import Changing, Setup


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
def applicable(knowledge: Knowledge) -> Iterator[Problem]:
    """Cars and figures of the day that say of a reading what they cannot say."""
    for name, reading in knowledge.readings.items():
        for fact, values in reading.given.items():
            for value, times in values.items():
                if times not in (0, 1):
                    yield Problem(
                        knowledge.place("readings", name, "given", fact, value),
                        "wrong-value",
                        f"'{name}' is {times:g} times as possible with '{value}'.",
                        "A reading can be taken on such a car, or it cannot.",
                        f"Write '{value}: impossible', or leave it out.",
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
