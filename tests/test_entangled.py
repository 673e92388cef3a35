"""Jobs on knowledge too wide for one engine: worked on as any other, and it is said what is not exact."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from advisor.advice.engines import Engines
from advisor.advice.rules import Workshop
from advisor.bench.session import Session
from advisor.checks.lint import checked
from advisor.desk.call import Call
from advisor.inference import bounded, cliquetree
from advisor.inference.bounded import Bounded, compile_bounded
from advisor.inference.engine import TooWide
from advisor.inference.tables import DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.model.network import build
from advisor.screens.bench.card import card
from advisor.store.store import Store
from tests import oracle
from tests.conftest import entangled
from tests.oracle import gum

OFF_BY = "Too much hangs together to be exact: probabilities are off by at most 0."


@pytest.fixture(scope="module")
def knowledge(tmp_path_factory: pytest.TempPathFactory) -> Knowledge:
    """Invented knowledge too wide for one engine."""
    file = tmp_path_factory.mktemp("entangled") / "x.yaml"
    file.write_text(entangled(), encoding="utf-8")
    return checked([file])


@pytest.fixture(scope="module")
def engines(knowledge: Knowledge) -> Engines:
    """Its engines, which keep what one test has worked out for the next."""
    return Engines(knowledge)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    made = Store(f"sqlite:///{tmp_path / 'cases.sqlite'}")
    yield made
    made.close()


def begun(engines: Engines, store: Store) -> Session:
    """A new job on it."""
    filed = store.open_case("bay 1", "c", engines.knowledge.version)
    return Session.opened(engines, store, filed, Workshop())


def test_a_job_is_worked_on_and_its_beliefs_are_exact(
    knowledge: Knowledge, engines: Engines, store: Store
) -> None:
    """Stage by stage the beliefs are those of pyAgrum's lazy propagation on the part that was seen."""
    session = begun(engines, store).saw("r0", "y").saw("r3", "n").worked_out()
    assert isinstance(session.engine, Bounded)
    tables = build(knowledge, "c").tables
    for count, stage in enumerate(session.stages):
        seen = {"c": [0.0, 1.0], **dict([("r0", [0.0, 1.0]), ("r3", [1.0, 0.0])][:count])}
        barren = set(tables.readings).difference(seen)
        pruned = tuple(one for one in tables.tables if one.child not in barren)
        kept = tuple(name for name in tables.readings if name in seen)
        lazy = gum.LazyPropagation(
            oracle.to_pyagrum(DiscreteNetwork(pruned, tables.outcomes, tables.targets, kept))
        )
        lazy.setEvidence(seen)
        lazy.makeInference()
        assert len(stage) == 25
        for fault, believed in stage.items():
            assert believed == pytest.approx(lazy.posterior(fault).toarray()[1], abs=1e-9)
    assert {one.reading for one in session.proposals} == {"r1", "r2", "r4", "r5"}
    assert session.advice.belief_error == session.advice.bits_error == 0
    assert OFF_BY not in session.job_card("markdown", customer=False)


def test_cars_are_not_played_out_on_it_and_calls_are_refused(
    knowledge: Knowledge, engines: Engines, store: Store
) -> None:
    """Both draw cars from one engine; the refusal names what ties too much together."""
    session = begun(engines, store)
    assert session.proposals
    assert not session.can_look_ahead
    assert session.better_ahead(lambda: False) is None
    with pytest.raises(TooWide, match="ties so many"):
        Call.begun(Engines(knowledge, by_phone=True), store, "bay 1", ["c"]).calls  # noqa: B018


def test_what_is_not_exact_is_said_on_bench_and_paper(
    knowledge: Knowledge, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With room for 512 entries parents are cut: the error is told, small differences count for nothing."""
    monkeypatch.setattr(cliquetree, "LARGEST_CLIQUE", 2**9)
    session = begun(Engines(knowledge), store).saw("r0", "y").saw("r1", "n").worked_out()
    assert 0 < session.advice.belief_error < 1
    assert session.disagreement is None
    assert session.one_cause is None
    first = card(session, session.proposals[0], "certain").lines[0]
    assert first.plain.startswith(OFF_BY)
    assert OFF_BY in session.job_card("markdown", customer=False)


def test_the_order_of_asking_changes_no_answer(knowledge: Knowledge) -> None:
    """Engines made for more than was seen are used again, and say the same as engines of their own."""
    tables = build(knowledge, "c").tables
    less = {"c": [0.0, 1.0], "r0": [0.0, 1.0]}
    used, fresh = compile_bounded(tables), compile_bounded(tables)
    used.query({**less, "r5": [1.0, 0.0]})
    again, alone = used.query(less), fresh.query(less)
    assert len(used.plans) == len(fresh.plans) == 1
    assert again.beliefs == pytest.approx(dict(alone.beliefs), abs=1e-12)
    assert again.expected_information_bits == pytest.approx(dict(alone.expected_information_bits), abs=1e-12)
    assert again.log2_evidence == pytest.approx(alone.log2_evidence, abs=1e-9)


def test_old_engines_are_given_up_for_new_ones(knowledge: Knowledge, monkeypatch: pytest.MonkeyPatch) -> None:
    """All that are kept have room for so many entries; the newest are there whatever their size."""
    monkeypatch.setattr(bounded, "MOST_ENTRIES", 400_000)
    network = compile_bounded(build(knowledge, "c").tables)
    for name in ("r0", "r1", "r2"):
        network.query({"c": [0.0, 1.0], name: [0.0, 1.0]})
        assert frozenset({name}) in network.plans
    assert len(network.plans) == 1
