"""A case is weighed once a step, and everything said of it starts from there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.advice.situation import InconsistentEvidence, Situation, Situations, posterior_history
from advisor.bench.session import Session
from advisor.case.case import Case
from advisor.case.entries import Checked, Entry, Repaired, Seen
from advisor.knowledge.knowledge import Knowledge
from advisor.store.store import Store
from tests.benchmarks.answer import EVIDENCE, QUERIED, counted, shown
from tests.test_bench import HUM
from tests.test_screens import DOOR

ENTRIES: tuple[Entry, ...] = (
    Seen("glow", "glows"),
    Seen("hiss", "hisses"),
    Repaired("lamp", "2030-01-15T12:00:00+00:00"),
    Checked("hum", "still there"),
)

ANSWERS: tuple[Callable[[Session], Session], ...] = (
    lambda session: session.saw("glow", "glows"),
    lambda session: session.saw("glow", "dark"),
    lambda session: session.undone(),
    lambda session: session.skipped("hiss", "too loud"),
    lambda session: session.repaired("lamp"),
)


@pytest.fixture
def engines(known: Callable[[str], Knowledge]) -> Engines:
    """An invented knowledge and its engines."""
    return Engines(known(HUM.partition("standing: estimate\n")[2]))


def test_evidence_is_built_once_for_each_new_entry(engines: Engines, tmp_path: Path) -> None:
    """One case is weighed for an answer with all that the bench shows; nothing when it is shown again."""
    store = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    try:
        job = store.open_case("bay 2", "hum", engines.knowledge.version)
        with counted() as counts:
            session = shown(Session.opened(engines, store, job, Workshop()))
        assert counts[EVIDENCE] == 1
        for enter in ANSWERS:
            with counted() as counts:
                session = shown(enter(session))
            assert counts[EVIDENCE] == 1
        with counted() as counts:
            shown(session.refreshed())
            shown(session.ranked("bits for the time"))
        assert counts[EVIDENCE] == 0
        with counted() as counts:
            again = shown(Session.opened(engines, store, session.filed, Workshop()))
        assert counts[EVIDENCE] == len(session.case.entries) + 1
        assert again.advice.suspects == pytest.approx(session.advice.suspects)
    finally:
        store.close()


def test_the_history_is_that_of_each_step_weighed_by_itself(engines: Engines) -> None:
    """Weighed together or one by one, across a repair, every step has the same evidence and beliefs."""
    case = Case("hum", ENTRIES)
    situations = Situations(engines.knowledge, engines.of)
    last = situations.of(case)
    with counted() as counts:
        found = situations.history(case)
    assert (counts[EVIDENCE], counts[QUERIED]) == (len(ENTRIES), len(ENTRIES))
    assert found[-1] is last
    for count, situation in enumerate(found):
        step = Case("hum", ENTRIES[:count])
        alone = Situation.of(engines.knowledge, engines.of(step), step)
        assert situation is not None
        assert situation.case == step
        assert {node: list(seen) for node, seen in situation.evidence.items()} == {
            node: list(seen) for node, seen in alone.evidence.items()
        }
        assert dict(situation.beliefs) == pytest.approx(dict(alone.beliefs), abs=1e-12)
    assert [dict(one) for one in posterior_history(situations, case)] == [
        dict(one.beliefs) for one in found if one
    ]


def test_a_clash_is_refused_whenever_it_is_asked_for(known: Callable[[str], Knowledge]) -> None:
    """Its step of the history is empty, and asking for it again is refused again."""
    engines = Engines(known(DOOR.partition("standing: estimate\n")[2]))
    situations = Situations(engines.knowledge, engines.of)
    clash = Case("rattle", (Seen("wiggle", "loose"), Seen("slam", "clack")))
    for _ in range(2):
        with pytest.raises(InconsistentEvidence):
            situations.of(clash)
        assert [one is None for one in situations.history(clash)] == [False, False, True]
