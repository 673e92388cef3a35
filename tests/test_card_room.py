"""Room: what a technician needs of the longest shipped readings is in view at 80 by 24, without scrolling."""

from __future__ import annotations

from pathlib import Path

import pytest

from advisor.advice.advice import CandidateReading
from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.bench.session import Session
from advisor.knowledge.knowledge import Knowledge
from advisor.screens.bench.card import card
from advisor.screens.bench.room import fitted
from advisor.store.store import Store

WIDTH, HEIGHT = 80, 24
LONGEST = 6
"""So many readings of each complaint are looked at: those with the most to say."""


def much(knowledge: Knowledge, one: CandidateReading) -> int:
    """Return how many letters the steps of a reading and of its setups have, and its cautions."""
    reading = knowledge.readings[one.reading]
    setups = (knowledge.setups[setup] for setup in one.setups)
    steps = [*reading.steps, *(step for setup in setups for step in setup.steps)]
    return sum(map(len, steps)) + 60 * len(reading.cautions)


@pytest.mark.parametrize("complaint", ["flat_battery", "water_inside", "poor_cooling", "no_heat", "smell"])
def test_the_card_of_a_shipped_reading_needs_no_scrolling(
    shipped: Knowledge, complaint: str, tmp_path: Path
) -> None:
    """Title, minutes, why, steps, cautions, answers, a cause and the keys, before preparing and after it."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        engines = Engines(shipped)
        job = store.draft("bay 2", complaint, shipped.version)
        session = Session.opened(engines, store, job, Workshop())
        offered = sorted(session.advice.proposals, key=lambda one: much(shipped, one))[-LONGEST:]
        short = {
            (one.reading, was_made): fitted(
                card(session, one, "certain", was_made=was_made), WIDTH, HEIGHT
            ).short
            for one in offered
            for was_made in (False, True)
        }
        assert {key: rows for key, rows in short.items() if rows} == {}
    finally:
        store.close()
