"""The setups a case has used, and the minutes planned for them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

from advisor.case.case import Case
from advisor.case.condition import Move, moves
from advisor.case.entries import NOT_TRIED, Checked, Confirmed, Measured, Prepared, Seen
from advisor.knowledge.conditions import minutes_for, setup_minutes
from advisor.knowledge.knowledge import Knowledge, setups_of


def used_setups(knowledge: Knowledge, case: Case) -> tuple[str, ...]:
    """Return every setup begun or needed by a reading taken, each once, prerequisites first."""
    used: dict[str, None] = {}
    for entry in case.counting.values():
        if isinstance(entry, Prepared) and entry.setup in knowledge.setups:
            used[entry.setup] = None
        elif isinstance(entry, Seen | Measured) and entry.reading in knowledge.readings:
            used.update(dict.fromkeys(setups_of(knowledge, entry.reading)))
    return tuple(used)


def minutes(knowledge: Knowledge, case: Case) -> tuple[float, float]:
    """Return the planned hands-on and waiting minutes of the readings taken and the setups made for them.

    A setup is charged again if it had ended in between; one that somebody stated costs nothing. Looking for
    the complaint at the car is charged each time; what the check after a repair takes, its setups included,
    is no part of it.
    """
    facts = case.facts
    looked = [one for one in case.counting.values() if isinstance(one, Confirmed) and one.found != NOT_TRIED]
    hands_on = sum(
        knowledge.complaints[one.complaint].looked_for.minutes
        for one in looked
        if one.complaint in knowledge.complaints
    )
    waiting = 0.0
    for setups in _made_together(moves(knowledge, case)):
        work, wait = setup_minutes(knowledge, setups, facts)
        hands_on, waiting = hands_on + work, waiting + wait
    for name in case.taken:
        if name in knowledge.readings:
            hands_on += minutes_for(knowledge, knowledge.readings[name].minutes, facts)
            waiting += minutes_for(knowledge, knowledge.readings[name].waiting_minutes, facts)
    return hands_on, waiting


def _made_together(moved: Iterable[Move]) -> Iterator[tuple[str, ...]]:
    """Return the setups that were made for each entry of the search; those begun in one go are together."""
    searching = (move for move in moved if not isinstance(move.entry, Checked))
    for _, together in groupby(
        searching, lambda move: move.entry.at if isinstance(move.entry, Prepared) else move.step
    ):
        yield tuple(setup for move in together for setup in move.made)
