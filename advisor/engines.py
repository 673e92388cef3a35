"""The engines of a knowledge: each made when it is first needed, then kept at hand and on disk."""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Sequence

from advisor.cache import Cache
from advisor.case import Case
from advisor.engine import Engine, compile_tables
from advisor.junction import Clique, Entry
from advisor.knowledge import Knowledge
from advisor.network import Repair, build
from advisor.packing import packed, unpacked

MOST_ENGINES = 24
"""Compiled networks that are kept at hand."""
KINDS = (Engine, Clique, Entry)
"""What an engine is made of."""


class Engines:
    """The compiled networks of a knowledge; seconds the first time, where `cache` does not have them.

    With `by_phone` they know what questions tell when a customer answers them.
    """

    def __init__(self, knowledge: Knowledge, by_phone: bool = False, cache: Cache | None = None) -> None:
        self.knowledge, self.by_phone, self.cache = knowledge, by_phone, cache
        self._made: OrderedDict[tuple[str, tuple[Repair, ...]], Engine] = OrderedDict()

    def of(self, case: Case) -> Engine:
        """The engine of a case's complaint and repairs; raises `ProblemsFound` or `TooWide`."""
        key = (case.complaint, case.repairs)
        if key not in self._made:
            self._made[key] = self._kept_or_made(*key)
        self._made.move_to_end(key)
        while len(self._made) > MOST_ENGINES:
            self._made.popitem(last=False)
        return self._made[key]

    def _kept_or_made(self, complaint: str, repairs: Sequence[Repair]) -> Engine:
        done = [(repair.fault, sorted(repair.read)) for repair in repairs]
        key = ("engine", self.knowledge.digest, complaint, json.dumps([done, self.by_phone]))
        kept = self.cache.find(*key) if self.cache else None
        if kept is not None:
            engine: Engine = unpacked(kept, KINDS)
            return engine
        engine = compile_tables(build(self.knowledge, complaint, repairs, by_phone=self.by_phone).tables)
        if self.cache:
            self.cache.keep(packed(engine), *key)
        return engine
