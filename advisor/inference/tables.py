"""Conditional probability tables by name: the plain form that `network` gives and `engine` reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from advisor.arrays import Floats


@dataclass(frozen=True, eq=False)
class CPT:
    """P(child | parents): `values` has shape (*parent sizes, child size), summing to 1 over the last axis."""

    child: str
    parents: tuple[str, ...]
    values: Floats


@dataclass(frozen=True, eq=False)
class DiscreteNetwork:
    """A whole discrete network.

    `outcomes` names the states of each node. `targets` are the faults: information is about
    their joint state. `readings` are the leaves that can be read.
    """

    tables: tuple[CPT, ...]
    outcomes: Mapping[str, tuple[str, ...]]
    targets: tuple[str, ...]
    readings: tuple[str, ...]
