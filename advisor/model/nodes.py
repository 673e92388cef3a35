"""The rules of node names.

Nodes are the ids of the knowledge, and besides:

- `unlisted:ID` for causes not written here (see `knowledge.unlisted`),
- `READING@INSTRUMENT` for a quantity as an instrument shows it,
- `READING@phone` for what a customer says of it on the phone,
- `ID~2`, `ID~3` … for the steps into which wide gates are split (parent divorcing), so that no table grows
  with 2 to the power of the members, and `ID~` for a gate without its unlisted cause,
- `ID#1` for what the first repair has changed, as it was before; plain ids are the car as it is now.
"""

from __future__ import annotations

from collections.abc import Container

from advisor.knowledge.unlisted import UNLISTED

WITH = "@"
PHONE = "phone"
BEFORE = "#"
STEP = "~"


def shown_by(reading: str, instrument: str) -> str:
    """Return the node of a reading as an instrument shows it."""
    return f"{reading}{WITH}{instrument}"


def by_phone(reading: str) -> str:
    """Return the node of what a customer says of a reading on the phone."""
    return shown_by(reading, PHONE)


def is_instrument_leaf(name: str) -> bool:
    """Whether the node is a reading as an instrument or a customer shows it."""
    return WITH in name


def reading_and_instrument(name: str) -> tuple[str, str]:
    """Return a leaf's reading, and the instrument that shows it or ""."""
    reading, _, instrument = name.partition(WITH)
    return reading, instrument


def reading_of(name: str) -> str:
    """Return the reading that a leaf shows, whatever shows it."""
    return reading_and_instrument(name)[0]


def step(gate: str, count: int | None = None) -> str:
    """Return the node of a gate's members up to the `count`-th; of all its listed ones without a count."""
    return f"{gate}{STEP}{'' if count is None else count}"


def before_repair(name: str, number: int) -> str:
    """Return the node of `name` as it was before repair `number`, counted from 1."""
    return f"{name}{BEFORE}{number}"


def is_before_repair(name: str) -> bool:
    """Whether the node is of the car as it was before some repair."""
    return BEFORE in name


def base(name: str) -> str:
    """Return the id of the knowledge that a node stands for, before or after repairs."""
    return name.partition(BEFORE)[0]


def node_then(name: str, era: int, repairs: int, nodes: Container[str]) -> str:
    """Return the node of `name` when `era` of `repairs` repairs had been done.

    A later one may have changed what it stands for.
    """
    earlier = (before_repair(name, number) for number in range(era + 1, repairs + 1))
    return next((node for node in earlier if node in nodes), name)


def spelled(name: str) -> str:
    """Return the name for formats that allow letters, digits and underscores only."""
    return name.replace(UNLISTED, "unlisted__").replace(STEP, "__step")
