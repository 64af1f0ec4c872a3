"""Read a TFLite file: its tensors and operators, with a small reader of FlatBuffers.

The layout follows the FlatBuffers "internals" document and the TFLite schema, version 3 (field numbers from
schema.fbs). Only what a quantised image classifier of the MobileNet family needs is read.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray


class Kind(IntEnum):
    """Operator codes of the schema that are understood."""

    ADD = 0
    AVERAGE_POOL = 1
    CONV = 3
    DEPTHWISE_CONV = 4
    FULLY_CONNECTED = 9
    RESHAPE = 22
    SOFTMAX = 25


_DTYPES = {0: "<f4", 2: "<i4", 3: "u1", 9: "i1"}  # the schema's TensorType


class NotUnderstoodError(ValueError):
    """The file is no TFLite classifier of the kind that is understood."""


class Table:
    """One FlatBuffers table; its fields are read by their number in the schema."""

    def __init__(self, data: bytes, at: int) -> None:
        self._data, self._at = data, at
        self._fields = at - self._number("<i", at)
        self._size = self._number("<H", self._fields)

    def number(self, field: int, kind: str, default: int = 0) -> Any:
        """A scalar; `kind` is a letter of the struct module."""
        at = self._place(field)
        return default if at is None else self._number("<" + kind, at)

    def table(self, field: int) -> Table | None:
        """A table, or None where it is left out."""
        at = self._place(field)
        return None if at is None else Table(self._data, self._follow(at))

    def vector(self, field: int, dtype: str) -> NDArray[Any]:
        """A vector of scalars; empty where it is left out."""
        at = self._place(field)
        if at is None:
            return np.empty(0, dtype)
        start = self._follow(at)
        count = self._number("<I", start)
        if start + 4 + count * np.dtype(dtype).itemsize > len(self._data):
            raise NotUnderstoodError("the file is cut short")
        return np.frombuffer(self._data, dtype, count, start + 4)

    def tables(self, field: int) -> list[Table]:
        """A vector of tables."""
        at = self._place(field)
        if at is None:
            return []
        start = self._follow(at)
        places = range(start + 4, start + 4 + 4 * self._number("<I", start), 4)
        return [Table(self._data, self._follow(place)) for place in places]

    def _place(self, field: int) -> int | None:
        entry = 4 + 2 * field
        offset = self._number("<H", self._fields + entry) if entry < self._size else 0
        return self._at + offset if offset else None

    def _follow(self, at: int) -> int:
        return int(at + self._number("<I", at))

    def _number(self, kind: str, at: int) -> Any:
        try:
            return struct.unpack_from(kind, self._data, at)[0]
        except struct.error as error:
            raise NotUnderstoodError(f"the file is cut short: {error}") from error


@dataclass(frozen=True, slots=True)
class Tensor:
    """A tensor: its shape, its constant values if it has any, and real = (value - zero) * scale."""

    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    values: NDArray[Any] | None
    scale: NDArray[np.float32]
    zero: NDArray[np.int64]

    @property
    def per_channel(self) -> bool:
        return self.scale.size > 1


@dataclass(frozen=True, slots=True)
class Operator:
    """One step of the graph. Tensor numbers; `options` is the operator's own table."""

    kind: Kind
    inputs: tuple[int, ...]
    output: int
    options: Table | None

    def option(self, field: int, kind: str = "i", default: int = 0) -> int:
        """One of its options by its number in the schema."""
        return default if self.options is None else int(self.options.number(field, kind, default))


@dataclass(frozen=True, slots=True)
class Graph:
    """A classifier: one input, one output."""

    tensors: tuple[Tensor, ...]
    operators: tuple[Operator, ...]
    entry: int
    result: int


def read(data: bytes) -> Graph:
    """Read a TFLite file. Raises NotUnderstoodError."""
    if data[4:8] != b"TFL3":
        raise NotUnderstoodError("not a TFLite file of version 3")
    model = Table(data, struct.unpack_from("<I", data, 0)[0])
    graphs, buffers = model.tables(2), model.tables(4)
    if len(graphs) != 1:
        raise NotUnderstoodError(f"{len(graphs)} graphs, one is understood")
    codes = [max(code.number(0, "b"), code.number(3, "i")) for code in model.tables(1)]
    entries, results = graphs[0].vector(1, "<i4"), graphs[0].vector(2, "<i4")
    if len(entries) != 1 or len(results) != 1:
        raise NotUnderstoodError(f"{len(entries)} inputs and {len(results)} outputs, one each is understood")
    return Graph(
        tuple(_tensor(table, buffers) for table in graphs[0].tables(0)),
        tuple(_operator(table, codes) for table in graphs[0].tables(3)),
        int(entries[0]),
        int(results[0]),
    )


def _tensor(table: Table, buffers: list[Table]) -> Tensor:
    kind = table.number(1, "b")
    if kind not in _DTYPES:
        raise NotUnderstoodError(f"tensor type {kind} is not understood")
    shape, dtype = tuple(table.vector(0, "<i4").tolist()), np.dtype(_DTYPES[kind])
    raw = buffers[table.number(2, "I")].vector(0, "u1")
    values = np.frombuffer(raw.tobytes(), dtype).reshape(shape) if raw.size else None
    how = table.table(4)
    none = np.empty(0)
    scale = none.astype(np.float32) if how is None else how.vector(2, "<f4")
    zero = none.astype(np.int64) if how is None else how.vector(3, "<i8")
    return Tensor(shape, dtype, values, scale, zero)


def _operator(table: Table, codes: list[int]) -> Operator:
    code = codes[table.number(0, "I")]
    if code not in set(Kind):
        raise NotUnderstoodError(f"operator {code} is not understood")
    (output,) = table.vector(2, "<i4").tolist()
    return Operator(Kind(code), tuple(table.vector(1, "<i4").tolist()), output, table.table(4))
