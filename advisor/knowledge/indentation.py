"""Slips of indentation in a file that YAML can read: what stands beside what it belongs to, or inside it.

One slip makes an error of almost every line below it. It is told once, and what follows from it is not.
"""

from __future__ import annotations

import typing
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import takewhile
from typing import Any

from pydantic import BaseModel

from advisor.knowledge.knowledge import Path
from advisor.knowledge.problems import Place, Problem

STEP = 2
"""Spaces by which a level is indented, as in the guide."""


@dataclass(frozen=True)
class Slip:
    """A slip as a problem, the paths of all that follows from it, and the words missed where they belong."""

    problem: Problem
    follows: tuple[Path, ...]
    missed: frozenset[Path] = field(default_factory=frozenset)

    def explains(self, path: Path, word: object) -> bool:
        """Whether a finding at a path, or the lack of a word there, follows from this slip."""
        return (*path, word) in self.missed or any(path[: len(one)] == one for one in self.follows)


class _Level(typing.NamedTuple):
    """A mapping of the file: the words it knows, or where it has ids, those that each item knows."""

    path: Path
    known: frozenset[str]
    item: frozenset[str]
    annotations: Mapping[str, Any]
    inner: type[BaseModel] | None


def slips(data: Mapping[str, Any], model: type[BaseModel], places: Mapping[Path, Place]) -> list[Slip]:
    """Find what stands too far left or too far right; which of it is wrong, validation has to say."""
    return list(_inside(data, _of_model((), model), (), places))


def _of_model(path: Path, model: type[BaseModel]) -> _Level:
    annotations = {name: one.annotation for name, one in model.model_fields.items()}
    return _Level(path, frozenset(annotations), frozenset(), annotations, None)


def _level(path: Path, annotation: Any) -> _Level | None:
    """Return what a mapping at a path may hold; None where no mapping is meant."""
    for kind in _kinds(annotation):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return _of_model(path, kind)
        if typing.get_origin(kind) is dict:
            value = typing.get_args(kind)[1]
            models = [one for one in _kinds(value) if isinstance(one, type) and issubclass(one, BaseModel)]
            words = frozenset(models[0].model_fields) if models else frozenset[str]()
            return _Level(path, frozenset(), words, {}, models[0] if models else None)
    return None


def _kinds(annotation: Any) -> Iterator[Any]:
    """Yield the forms that something may have; a mapping or list is one form."""
    if typing.get_origin(annotation) in (dict, list, tuple) or not typing.get_args(annotation):
        yield annotation
        return
    for part in typing.get_args(annotation):
        yield from _kinds(part)


def _inside(
    data: Mapping[str, Any], level: _Level, above: Sequence[_Level], places: Mapping[Path, Place]
) -> Iterator[Slip]:
    keys = list(data)
    taken: set[str] = set()
    for at, key in enumerate(keys):
        if key in taken:
            continue
        inner = _inner(level, key)
        home = next((one for one in reversed(above) if key in one.known), None)
        outside = list(takewhile(partial(_belongs_in, level, key), keys[at + 1 :]))
        if data[key] is None and inner is not None and outside:
            taken.update(outside)
            yield _too_far_left(level.path, key, outside, places)
        elif key not in level.known and home is not None and (inner is None or isinstance(data[key], dict)):
            more = list(takewhile((home.known - level.known).__contains__, keys[at + 1 :]))
            taken.update(more)
            yield _too_far_right(level.path, [key, *more], home.path, places)
        elif inner is not None and isinstance(data[key], dict):
            yield from _inside(data[key], inner, (*above, level), places)


def _inner(level: _Level, key: str) -> _Level | None:
    """Return what may stand in the mapping below a key."""
    path = (*level.path, key)
    if level.inner is not None:
        return _of_model(path, level.inner)
    return _level(path, level.annotations[key]) if key in level.annotations else None


def _belongs_in(level: _Level, key: str, sibling: str) -> bool:
    """Whether what stands beside a key can only be meant to stand in it."""
    if level.inner is not None:
        return sibling in level.item
    return key in level.known and sibling not in level.known


def _too_far_left(path: Path, key: str, outside: Sequence[str], places: Mapping[Path, Place]) -> Slip:
    column = places[(*path, key)].column + STEP
    first = outside[0]
    problem = Problem(
        places[(*path, first)],
        "indentation",
        f"'{first}' stands as far left as '{key}', so that nothing is in '{key}'.",
        "",
        f"Begin it in column {column}, and the lines below that belong to '{key}' with it.",
    )
    return Slip(problem, ((*path, key), *((*path, one) for one in outside)))


def _too_far_right(path: Path, keys: Sequence[str], home: Path, places: Mapping[Path, Place]) -> Slip:
    column = min(place.column for at, place in places.items() if at[:-1] == home and len(at) > len(home))
    problem = Problem(
        places[(*path, keys[0])],
        "indentation",
        f"'{keys[0]}' stands inside '{path[-1]}', where it means nothing.",
        "It is indented too far.",
        f"Begin it in column {column}, and the lines below that belong to it with it.",
    )
    missed = frozenset((*home, one) for one in keys)
    return Slip(problem, tuple((*path, one) for one in keys), missed)
