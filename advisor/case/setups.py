"""The setups a case has used, and the minutes planned for them."""

from __future__ import annotations

from advisor.case.case import Case
from advisor.case.condition import moves
from advisor.case.entries import NOT_TRIED, Checked, Confirmed, Measured, Prepared, Seen
from advisor.knowledge.conditions import minutes_for
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
    confirming = [
        knowledge.complaints[one.complaint].looked_for.minutes
        for one in looked
        if one.complaint in knowledge.complaints
    ]
    searching = (move for move in moves(knowledge, case) if not isinstance(move.entry, Checked))
    setups = [knowledge.setups[name] for move in searching for name in move.made]
    readings = [knowledge.readings[name] for name in case.taken if name in knowledge.readings]
    hands_on = [reading.minutes for reading in readings] + [one.hands_on_minutes for one in setups]
    waiting = [one.waiting_minutes for one in readings] + [one.waiting_minutes for one in setups]
    return (
        sum(confirming) + sum(minutes_for(knowledge, minutes, facts) for minutes in hands_on),
        sum(minutes_for(knowledge, minutes, facts) for minutes in waiting),
    )
