"""The engines of a knowledge: each compiled when first needed, then kept in memory and on disk."""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Sequence

from advisor.case.case import Case
from advisor.diskcache import Cache
from advisor.inference.bounded import compile_bounded
from advisor.inference.compiler import compile_tables
from advisor.inference.engine import Engine, InferenceEngine, TooWide
from advisor.inference.propagation import Clique, EvidenceEntry
from advisor.inference.serialize import packed, unpacked
from advisor.inference.tables import DiscreteNetwork
from advisor.knowledge.knowledge import Knowledge
from advisor.model.after_repair import Repair
from advisor.model.network import build

MOST_ENGINES = 24
"""How many compiled networks are kept in memory."""
KINDS = (Engine, Clique, EvidenceEntry)
"""The classes that an engine consists of."""


class Engines:
    """The compiled networks of a knowledge; compiling takes seconds unless `cache` has them.

    With `by_phone` they model what a customer's answers on the phone tell.
    """

    def __init__(self, knowledge: Knowledge, by_phone: bool = False, cache: Cache | None = None) -> None:
        self.knowledge, self.by_phone, self.cache = knowledge, by_phone, cache
        self._made: OrderedDict[tuple[str, tuple[Repair, ...]], InferenceEngine] = OrderedDict()

    def of(self, case: Case) -> InferenceEngine:
        """Return the engine for a case's complaint and repairs, or a bounded one if that would be too wide.

        Raises `ProblemsFound`, or `TooWide` if the faults and states alone are too wide.
        """
        key = (case.complaint, case.repairs)
        if key not in self._made:
            self._made[key] = self._kept_or_made(*key)
        self._made.move_to_end(key)
        while len(self._made) > MOST_ENGINES:
            self._made.popitem(last=False)
        return self._made[key]

    def one(self, case: Case) -> Engine:
        """Return the single engine that cars are simulated from; raises `ProblemsFound` or `TooWide`."""
        engine = self.of(case)
        return (
            engine
            if isinstance(engine, Engine)
            else compile_tables(self._tables(case.complaint, case.repairs))
        )

    def _tables(self, complaint: str, repairs: Sequence[Repair]) -> DiscreteNetwork:
        return build(self.knowledge, complaint, repairs, by_phone=self.by_phone).tables

    def _kept_or_made(self, complaint: str, repairs: Sequence[Repair]) -> InferenceEngine:
        done = [(repair.fault, sorted(repair.read)) for repair in repairs]
        key = ("engine", self.knowledge.digest, complaint, json.dumps([done, self.by_phone]))
        kept = self.cache.find(*key) if self.cache else None
        if kept is not None:
            engine: Engine = unpacked(kept, KINDS)
            return engine
        tables = self._tables(complaint, repairs)
        try:
            engine = compile_tables(tables)
        except TooWide:
            return compile_bounded(tables)
        if self.cache:
            self.cache.keep(packed(engine), *key)
        return engine
