"""The setups a case has used, and the minutes planned for them."""

from __future__ import annotations

from advisor.case.case import Case
from advisor.case.entries import Measured, Prepared, Seen
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
    """Return the planned hands-on and waiting minutes of the readings taken; each setup is charged once."""
    setups = [knowledge.setups[name] for name in used_setups(knowledge, case)]
    readings = [knowledge.readings[name] for name in case.taken if name in knowledge.readings]
    hands_on = sum(one.minutes for one in readings) + sum(one.hands_on_minutes for one in setups)
    return hands_on, sum(one.waiting_minutes for one in setups)
