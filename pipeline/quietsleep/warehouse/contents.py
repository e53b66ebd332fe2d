"""Digests of what tables hold, the same whatever wrote the rows, in which batches and which format.

A column is three streams of bytes over its rows in order: which cells are filled (one byte each),
their values (float64, int64 for whole numbers and for microseconds since 1970 UTC, int32 for days
since 1970, one byte for yes or no, all little-endian; texts as UTF-8), and the lengths of texts
(int64). Its digest is the SHA-256 of the three SHA-256; that of the rows is the SHA-256 of one line
`name type digest` a column, in the order of their names, after a line with the number of rows.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

# What a column is held as, by the type of the contract's schema: a choice is a text like others.
_HELD_AS: tuple[tuple[Any, str, Any], ...] = (
    (pa.types.is_floating, "number", pa.float64()),
    (pa.types.is_integer, "integer", pa.int64()),
    (pa.types.is_boolean, "yes_no", pa.uint8()),
    (pa.types.is_date, "date", pa.date32()),
    (pa.types.is_timestamp, "datetime", pa.timestamp("us", tz="UTC")),
)
_AS_NUMBERS = {"date": pa.int32(), "datetime": pa.int64()}


class _ColumnDigest:
    """Digest of one column."""

    def __init__(self, type_: pa.DataType) -> None:
        found = ((word, held) for is_it, word, held in _HELD_AS if is_it(type_))
        self.word, self._held = next(found, ("text", pa.large_string()))
        self._filled, self._values, self._lengths = (hashlib.sha256() for _ in range(3))

    def add(self, cells: pa.Array) -> None:
        """Add the cells of a batch."""
        filled: Any = cells.is_valid().cast(pa.uint8()).to_numpy(zero_copy_only=False)
        self._filled.update(np.ascontiguousarray(filled).data)
        held = cells.drop_null().cast(self._held)
        if self.word == "text":
            self._add_texts(held)
            return
        if self.word in _AS_NUMBERS:
            held = held.cast(_AS_NUMBERS[self.word])
        numbers: Any = held.to_numpy(zero_copy_only=False)
        self._values.update(np.ascontiguousarray(numbers, numbers.dtype.newbyteorder("<")).data)

    def _add_texts(self, texts: pa.Array) -> None:
        lengths: Any = pc.binary_length(texts).to_numpy(zero_copy_only=False)
        self._lengths.update(lengths.astype("<i8").data)
        _, offsets, data = texts.buffers()
        if len(texts) and data is not None:
            ends = np.frombuffer(offsets, "int64")[texts.offset : texts.offset + len(texts) + 1]
            self._values.update(memoryview(data)[int(ends[0]) : int(ends[-1])])

    def close(self) -> str:
        """Return the digest of all cells that were added."""
        parts = (self._filled, self._values, self._lengths)
        return hashlib.sha256(b"".join(part.digest() for part in parts)).hexdigest()


class ContentsDigest:
    """Digest of rows by their values alone."""

    def __init__(self, schema: pa.Schema) -> None:
        self._columns = {field.name: _ColumnDigest(field.type) for field in schema}
        self._n_rows = 0

    def add(self, rows: pa.RecordBatch) -> None:
        """Add rows; what counts is their order, not the batches that they come in."""
        self._n_rows += rows.num_rows
        for name, column in self._columns.items():
            column.add(rows.column(name))

    def close(self) -> str:
        """Return the digest of all rows that were added."""
        lines = [
            f"{name} {column.word} {column.close()}\n"
            for name, column in sorted(self._columns.items())
        ]
        return hashlib.sha256(f"{self._n_rows}\n{''.join(lines)}".encode()).hexdigest()


def digest_of_rows(schema: pa.Schema, batches: Iterable[pa.RecordBatch]) -> str:
    """Return the digest of rows that come in batches."""
    digest = ContentsDigest(schema)
    for batch in batches:
        digest.add(batch)
    return digest.close()
