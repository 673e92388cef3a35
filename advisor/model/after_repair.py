"""A complaint's tables after a repair: the car as it is now, and what is known of it as it was."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass

import numpy as np

from advisor.inference.compiler import parents_first
from advisor.inference.tables import CPT
from advisor.model.nodes import before_repair, is_before_repair


@dataclass(frozen=True)
class Repair:
    """The remedy of `fault` was done; `read` are the readings that were taken before it."""

    fault: str
    read: frozenset[str]


def with_repair(
    tables: Sequence[CPT],
    complaint: str,
    repair: Repair,
    number: int,
    success: float,
    stay: Container[str] = (),
) -> list[CPT]:
    """Return the tables with what hangs on the repaired fault there twice: as it is now, and as it was.

    Of the car as it was only what has been seen stays, and what that depends on. Causes that `stay` are
    not undone by the repair of a fault that brought them.
    """
    now = [table for table in tables if not is_before_repair(table.child)]
    changed = {repair.fault}
    parents = {table.child: table.parents for table in now}
    for name in parents_first(now):
        if name not in stay and changed.intersection(parents.get(name, ())):
            changed.add(name)
    was = {name: before_repair(name, number) for name in changed}

    def then(table: CPT) -> CPT:
        parents = tuple(was.get(name, name) for name in table.parents)
        return CPT(was.get(table.child, table.child), parents, table.values)

    past = {table.child: table for table in map(then, tables) if is_before_repair(table.child)}
    evidence = {was[name] for name in changed if name in (repair.fault, complaint) or name in repair.read}
    needed: set[str] = set()
    ahead = [*evidence, *(table.child for table in tables if is_before_repair(table.child))]
    while ahead:
        name = ahead.pop()
        if name in past and name not in needed:
            needed.add(name)
            ahead += past[name].parents
    took = CPT(repair.fault, (was[repair.fault],), np.array([[1.0, 0.0], [success, 1 - success]]))
    present = [
        took if table.child == repair.fault else then(table) if table.child in stay else table
        for table in now
    ]
    return present + [table for name, table in past.items() if name in needed]
