"""Rows of one table on their way into a night: held in memory, or spooled to disk in blocks.

Both hand their rows over centre by centre, in the order of the table's key and in batches of one
size, so that the same rows give the same bytes whichever way they came.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.contract.model import Table
from quietsleep.contract.schemas import arrow_schema
from quietsleep.store.engine import frugal_engine
from quietsleep.warehouse import parquet as parts

if TYPE_CHECKING:
    import pandas as pd

ROWS_A_BATCH = 65_536


class Rows(Protocol):
    """Rows of one table."""

    @property
    def table(self) -> Table:
        """The table by its contract."""

    @property
    def n_rows(self) -> int:
        """How many there are."""

    def by_centre(self) -> Iterator[tuple[str, Iterator[pa.RecordBatch]]]:
        """Yield the folder of each centre inside the table's folder, and its rows in order."""


@dataclass(frozen=True, slots=True)
class HeldTable:
    """Rows that are held in memory, in the order of the table's key."""

    table: Table
    data: pa.Table

    @property
    def n_rows(self) -> int:
        """How many there are."""
        return int(self.data.num_rows)

    def by_centre(self) -> Iterator[tuple[str, Iterator[pa.RecordBatch]]]:
        """Yield the folder of each centre inside the table's folder, and its rows in order."""
        for folder, rows in parts.split_by_centre(self.table, self.data):
            yield folder, iter(rows.combine_chunks().to_batches(max_chunksize=ROWS_A_BATCH))


class TableOnDisk:
    """Rows that come block by block and wait on disk; memory stays that of one block.

    A block may be added in another process: `add` keeps nothing but files, and the number of rows
    that it returns is handed to `note`.
    """

    def __init__(self, folder: Path, table: Table) -> None:
        self.table = table
        self.n_rows = 0
        self._folder = folder / table.name

    def clear(self) -> None:
        """Take away what an earlier night left."""
        shutil.rmtree(self._folder, ignore_errors=True)
        self._folder.mkdir(parents=True)

    def add(self, frame: pd.DataFrame, *, block: int) -> int:
        """Keep the rows of one block, brought to the contract; WarehouseError if they do not fit.

        The frame has the columns of the contract. Returns how many rows there are.
        """
        if frame.empty:
            return 0
        data = parts.to_arrow(self.table, frame)
        for folder, rows in parts.split_by_centre(self.table, data):
            target = self._folder / (folder or "all")
            target.mkdir(exist_ok=True)
            pq.write_table(rows, target / f"{block:06d}.parquet", compression="lz4")
        return int(data.num_rows)

    def note(self, n_rows: int) -> None:
        """Count rows that were added."""
        self.n_rows += n_rows

    def by_centre(self) -> Iterator[tuple[str, Iterator[pa.RecordBatch]]]:
        """Yield the folder of each centre inside the table's folder, and its rows in order."""
        folders = sorted(self._folder.iterdir())
        if not folders:
            yield "", iter(())
        for folder in folders:
            yield "" if folder.name == "all" else folder.name, self._sorted(folder)

    def _sorted(self, folder: Path) -> Iterator[pa.RecordBatch]:
        """Yield the rows of a centre in the order of the key; WarehouseError for a key twice."""
        schema = arrow_schema(self.table)
        names, key = ", ".join(f'"{n}"' for n in schema.names), list(self.table.key)
        files = [str(file) for file in sorted(folder.iterdir())]
        with frugal_engine(self._folder.parent) as connection:
            ordered = connection.sql(
                f"SELECT {names} FROM read_parquet(?, hive_partitioning = false) "
                f"ORDER BY {', '.join(key)}",
                params=[files],
            )
            last: list[pa.RecordBatch] = []
            for batch in even_batches(ordered.to_arrow_reader(ROWS_A_BATCH), schema):
                keys = batch.select(key)
                parts.refuse_same_key(self.table, pa.Table.from_batches([*last, keys]))
                last = [keys.slice(batch.num_rows - 1)]
                yield batch


def even_batches(batches: Iterable[pa.RecordBatch], schema: pa.Schema) -> Iterator[pa.RecordBatch]:
    """Cut batches anew so that all but the last have one size, in the types of the schema."""
    waiting: list[pa.RecordBatch] = []
    n_waiting = 0
    for batch in batches:
        waiting.append(batch.cast(schema))
        n_waiting += batch.num_rows
        while n_waiting >= ROWS_A_BATCH:
            whole = pa.Table.from_batches(waiting, schema).combine_chunks()
            yield whole.slice(0, ROWS_A_BATCH).to_batches()[0]
            waiting = whole.slice(ROWS_A_BATCH).to_batches()
            n_waiting -= ROWS_A_BATCH
    if n_waiting:
        yield pa.Table.from_batches(waiting, schema).combine_chunks().to_batches()[0]
