"""How far the readings can bring each fault: its ceiling, and what stands in the way.

A fault whose ceiling is low cannot be found, however well the readings are taken: its rival looks the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from advisor.arrays import Floats
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, ImpossibleEvidence, TooWide
from advisor.knowledge.knowledge import Knowledge
from advisor.knowledge.unlisted import is_unlisted
from advisor.model.network import build
from advisor.model.nodes import is_instrument_leaf

TINY = 1e-300
"""Divides in place of a probability of 0."""


@dataclass(frozen=True)
class Ceiling:
    """The highest probability found for a fault of a complaint, and its nearest rival's at the same time."""

    complaint: str
    fault: str
    probability: float
    rival: str
    of_rival: float


def ceilings(knowledge: Knowledge, complaints: Iterable[str], enough: float) -> Iterator[Ceiling]:
    """Yield the ceiling of every fault in some complaints, except in those too wide for one engine.

    Every reading shows the outcome that speaks most for the fault, against all cars with the complaint that
    lack it. Where that does not bring it to `enough`, only those readings count that bring it higher in turn:
    some undo what others have shown. Another set of them may bring it a little higher still.
    """
    for complaint in complaints:
        try:
            engine = compile_tables(build(knowledge, complaint).tables)
        except TooWide:
            continue
        faults = [fault for fault in engine.targets if not is_unlisted(fault)]
        for fault, shown in zip(faults, _telling(engine, complaint, faults), strict=True):
            yield _ceiling(engine, complaint, fault, shown, enough)


def _telling(engine: Engine, complaint: str, faults: list[str]) -> Iterator[dict[str, Floats]]:
    """Yield for each fault the outcome of every reading that speaks most for it."""
    start = {complaint: engine.one_hot(complaint, "present")}
    absent = {one: engine.one_hot(one, "absent") for one in engine.targets}
    present = {one: engine.one_hot(one, "present") for one in faults}
    alone = engine.query_batch([{**start, **absent, fault: present[fault]} for fault in faults])
    lacking = engine.query_batch([{**start, fault: absent[fault]} for fault in faults])
    readings = [reading for reading in engine.readings if not is_instrument_leaf(reading)]
    for one, others in zip(alone, lacking, strict=True):
        shown = {}
        for reading in readings:
            ratio = one.predictive[reading] / np.maximum(others.predictive[reading], TINY)
            shown[reading] = engine.one_hot(reading, engine.outcomes[reading][int(ratio.argmax())])
        yield shown


def _ceiling(
    engine: Engine, complaint: str, fault: str, shown: Mapping[str, Floats], enough: float
) -> Ceiling:
    seen = {complaint: engine.one_hot(complaint, "present")}
    best = _beliefs(engine, {**seen, **shown})
    if best.get(fault, 0.0) < enough:
        best = _beliefs(engine, seen)
        for reading, outcome in shown.items():
            found = _beliefs(engine, {**seen, reading: outcome})
            if found.get(fault, 0.0) >= best[fault]:
                seen, best = {**seen, reading: outcome}, found
    rivals = {one: probability for one, probability in best.items() if one != fault}
    rival = max(rivals, key=lambda one: (rivals[one], one))
    return Ceiling(complaint, fault, best[fault], rival, rivals[rival])


def _beliefs(engine: Engine, evidence: Mapping[str, Floats]) -> Mapping[str, float]:
    """Return the beliefs; none where the evidence cannot be."""
    try:
        return engine.query(evidence).beliefs
    except ImpossibleEvidence:
        return {}
