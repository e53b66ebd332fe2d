"""A digest of rows as arrow lays them out, by which equal content is known."""

from __future__ import annotations

import hashlib
from typing import Any

import pyarrow as pa


class _HashingSink:
    """A file-like object that keeps nothing but a digest of what is written to it."""

    closed = False

    def __init__(self) -> None:
        self.sha256 = hashlib.sha256(pa.__version__.encode())

    def write(self, data: Any) -> int:
        self.sha256.update(data)
        return len(data)

    def flush(self) -> None:
        pass

    def close(self) -> None:
        pass


class RowsDigest:
    """Digest of a schema and of rows, so that equal content is known by it."""

    def __init__(self, schema: pa.Schema) -> None:
        self._sink = _HashingSink()
        self._writer = pa.ipc.new_stream(pa.PythonFile(self._sink, mode="w"), schema)

    def add(self, batch: pa.RecordBatch) -> None:
        """Add rows; the same rows in other batches give another digest."""
        self._writer.write_batch(batch)

    def close(self) -> str:
        """Return the digest of all rows that were added."""
        self._writer.close()
        return self._sink.sha256.hexdigest()
