"""Frozen objects full of arrays as bytes and back, bit for bit, without running anything.

The bytes are a table of contents as JSON, then the arrays' own bytes. Reading makes only plain values,
arrays, sparse matrices and the kinds of dataclass that the reader names.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

ALIGNED = 64
"""Arrays begin at multiples of this."""
COMPRESSED = 3
"""This level shrinks files to a tenth, in the time of level 1."""
LENGTH = 8
"""Bytes that say how long the table of contents is."""

Array = NDArray[Any]


def packed(value: object) -> bytes:
    """Return the bytes of a value; raises `TypeError` if it holds something that cannot be written."""
    arrays: list[Array] = []
    tree = _tree(value, arrays)
    head = json.dumps([tree, [[array.dtype.str, array.shape, _order(array)] for array in arrays]]).encode()
    out = bytearray(len(head).to_bytes(LENGTH, "little") + head)
    for array in arrays:
        out += bytes(-len(out) % ALIGNED)
        out += array.tobytes(_order(array))
    return zlib.compress(out, COMPRESSED)


def unpacked(data: bytes, kinds: Iterable[type]) -> Any:
    """Return the value with these bytes; `kinds` are the dataclasses that may occur in it."""
    buffer = bytearray(zlib.decompress(data))  # writable, as arrays usually are
    offset = LENGTH + int.from_bytes(buffer[:LENGTH], "little")
    tree, listed = json.loads(buffer[LENGTH:offset])
    arrays: list[Array] = []
    for kind, shape, order in listed:
        offset += -offset % ALIGNED
        arrays.append(np.ndarray(shape, np.dtype(kind), buffer, offset, order=order))
        offset += arrays[-1].nbytes
    return _value(tree, arrays, {kind.__name__: kind for kind in kinds})


def _order(array: Array) -> Literal["C", "F"]:
    """Return the memory order of an array: products of matrices round differently by it."""
    return "F" if array.flags.f_contiguous and not array.flags.c_contiguous else "C"


def _tree(value: object, arrays: list[Array]) -> object:
    """Return the value for JSON: all but text, numbers, booleans and null is a list that names its kind."""
    if value is None or type(value) in (bool, int, float, str):
        return value
    if isinstance(value, np.ndarray) and not value.dtype.hasobject:
        arrays.append(value)
        return ["array", len(arrays) - 1]
    if isinstance(value, sparse.csr_matrix):
        parts = (value.data, value.indices, value.indptr)
        return ["sparse", value.shape, *(_tree(part, arrays) for part in parts)]
    if isinstance(value, slice):
        return ["slice", value.start, value.stop, value.step]
    if isinstance(value, tuple):
        return ["tuple", *(_tree(item, arrays) for item in value)]
    if isinstance(value, Mapping):
        return ["mapping", *([_tree(key, arrays), _tree(item, arrays)] for key, item in value.items())]
    if is_dataclass(value) and not isinstance(value, type):
        named = ([field.name, _tree(getattr(value, field.name), arrays)] for field in fields(value))
        return ["object", type(value).__name__, *named]
    raise TypeError(f"{type(value)} cannot be written")


def _value(tree: Any, arrays: Sequence[Array], kinds: Mapping[str, type]) -> Any:
    if not isinstance(tree, list):
        return tree
    what, *rest = tree
    if what == "array":
        return arrays[rest[0]]
    if what == "slice":
        return slice(*rest)
    if what == "tuple":
        return tuple(_value(item, arrays, kinds) for item in rest)
    if what == "mapping":
        return {_value(key, arrays, kinds): _value(item, arrays, kinds) for key, item in rest}
    if what == "sparse":
        shape, *parts = rest
        return sparse.csr_matrix(tuple(_value(item, arrays, kinds) for item in parts), shape=shape)
    if what == "object":
        name, *named = rest
        return kinds[name](**{field: _value(item, arrays, kinds) for field, item in named})
    raise ValueError(f"{what} is no kind of value")
