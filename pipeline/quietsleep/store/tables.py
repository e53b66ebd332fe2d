"""Rows of one table on their way into a night: held in memory, or on disk in blocks.

Both hand their rows over centre by centre, in the order of the table's key and in batches of one
size, so that the same rows give the same bytes whichever way they came.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from pandas.api.extensions import ExtensionArray
from pandas.api.types import pandas_dtype

from quietsleep import contract
from quietsleep.contract.model import Table
from quietsleep.contract.schemas import DUCKDB_TYPES, PANDAS_TYPES, arrow_schema, pandera_schema
from quietsleep.contract.sql import exact_path, exact_paths, identifier
from quietsleep.errors import WarehouseError

if TYPE_CHECKING:
    import duckdb

PLAIN_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
NO_CENTRE = "__HIVE_DEFAULT_PARTITION__"
ROWS_A_BATCH = 65_536
# What a frame holds for each type of the contract; days are objects.
FRAME_TYPES = {
    name: pandas_dtype("object" if kind == "date" else kind) for name, kind in PANDAS_TYPES.items()
}


class Rows(Protocol):
    """Rows of one table."""

    @property
    def table(self) -> Table:
        """The table by its contract."""

    @property
    def n_rows(self) -> int:
        """How many there are."""

    def by_centre(
        self, engine: duckdb.DuckDBPyConnection
    ) -> Iterator[tuple[str, Iterator[pa.RecordBatch]]]:
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

    def by_centre(
        self, engine: duckdb.DuckDBPyConnection
    ) -> Iterator[tuple[str, Iterator[pa.RecordBatch]]]:
        """Yield the folder of each centre inside the table's folder, and its rows in order."""
        for folder, rows in split_by_centre(self.table, self.data):
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

    def keep(self, blocks: Collection[str] = ()) -> None:
        """Take away the rows of all blocks but these, and count from none."""
        self.n_rows = 0
        self._folder.mkdir(parents=True, exist_ok=True)
        for folder in self._folder.iterdir():
            for file in folder.iterdir():
                if file.stem not in blocks:
                    file.unlink()
            if not any(folder.iterdir()):
                folder.rmdir()

    def add(self, frame: pd.DataFrame, *, block: str) -> int:
        """Keep the rows of one block, brought to the contract; WarehouseError if they do not fit.

        The frame has the columns of the contract. Returns how many rows there are.
        """
        if frame.empty:
            return 0
        data = to_arrow(self.table, frame)
        for folder, rows in split_by_centre(self.table, data):
            target = self._folder / (folder or "all")
            target.mkdir(exist_ok=True)
            pq.write_table(rows, target / f"{block}.parquet", compression="lz4")
        return int(data.num_rows)

    def note(self, n_rows: int) -> None:
        """Count rows that were added."""
        self.n_rows += n_rows

    def files(self) -> list[Path]:
        """Return the files that hold the rows, in no order of theirs."""
        return sorted(self._folder.rglob("*.parquet"))

    def by_centre(
        self, engine: duckdb.DuckDBPyConnection
    ) -> Iterator[tuple[str, Iterator[pa.RecordBatch]]]:
        """Yield the folder of each centre inside the table's folder, and its rows in order.

        The engine sorts them. The rows of a centre have to be taken before the next centre is asked
        for.
        """
        folders = sorted(self._folder.iterdir())
        if not folders:
            yield "", iter(())
        for folder in folders:
            yield "" if folder.name == "all" else folder.name, self._sorted(folder, engine)

    def _sorted(self, folder: Path, engine: duckdb.DuckDBPyConnection) -> Iterator[pa.RecordBatch]:
        """Yield the rows of a centre in the order of the key; WarehouseError for a key twice."""
        schema = arrow_schema(self.table)
        names, key = ", ".join(map(identifier, schema.names)), list(self.table.key)
        files = [exact_path(file) for file in sorted(folder.iterdir())]
        ordered = engine.sql(
            f"SELECT {names} FROM read_parquet(?, hive_partitioning = false) "
            f"ORDER BY {', '.join(key)}",
            params=[files],
        )
        last: list[pa.RecordBatch] = []
        for batch in even_batches(ordered.to_arrow_reader(ROWS_A_BATCH), schema):
            keys = batch.select(key)
            refuse_same_key(self.table, pa.Table.from_batches([*last, keys]))
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


def in_contract(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return the columns of the contract in its order and types, rows ordered by its key.

    In tests, and where QUIETSLEEP_CHECK_FRAMES is set, every cell is held against the contract.
    """
    declared = contract.TABLES[table]
    if not frame.columns.is_unique:
        raise ValueError(f"table {table}: a column comes twice")
    # On small frames each step costs the same whatever it does, so a column is turned only if its
    # type is another one, and rows are sorted only if they are not in order.
    columns: dict[str, Any] = {}
    without: dict[Any, ExtensionArray] = {}
    for column in declared.columns:
        kind = FRAME_TYPES[column.type]
        values = frame.get(column.name)
        # The type of a column without values is anyone's guess, such as times without their zone.
        if values is None or values.array.isna().all():
            if kind not in without:
                without[kind] = _without_values(len(frame), kind)
            columns[column.name] = without[kind]
        else:
            columns[column.name] = (values if values.dtype == kind else values.astype(kind)).array
    rows = pd.DataFrame(columns)
    for name in declared.key:
        if rows[name].array.isna().any():
            raise ValueError(f"table {table}: rows without {name}")
    if not _are_in_order(rows, declared.key):
        rows = rows.sort_values(list(declared.key), ignore_index=True)
    return pandera_schema(declared).validate(rows, lazy=True) if frames_are_checked() else rows


def _without_values(n: int, kind: Any) -> ExtensionArray:
    """Return a column of `n` rows without values, in its pandas type."""
    return pd.Series(None, index=range(n), dtype="object").astype(kind).array


def _are_in_order(rows: pd.DataFrame, key: Sequence[str]) -> bool:
    """Say whether each row's key is larger than the one before it."""
    keys = zip(*(rows[name].tolist() for name in key), strict=True)
    return all(before < after for before, after in pairwise(keys))


def frames_are_checked() -> bool:
    """Say whether frames are held against their schema on the way, which costs time."""
    return os.environ.get("QUIETSLEEP_CHECK_FRAMES") == "1"


def to_arrow(table: Table, frame: pd.DataFrame) -> pa.Table:
    """Return the frame with the contract's columns, types and order of rows.

    Rows are ordered by the table's key. WarehouseError when columns are missing or unknown, a
    value does not fit its type, or two rows have the same key.
    """
    names = [column.name for column in table.columns]
    wrong = sorted(set(names) ^ set(frame.columns))
    if wrong:
        raise WarehouseError(f"Table {table.name}: columns missing or unknown: {', '.join(wrong)}.")
    schema = arrow_schema(table)
    arrays = [_to_array(table.name, frame[field.name], field) for field in schema]
    data = pa.Table.from_arrays(arrays, schema=schema)
    order = [(name, "ascending") for name in (*table.key, *names) if name in names]
    data = data.take(pc.sort_indices(data, sort_keys=list(dict.fromkeys(order))))
    refuse_same_key(table, data)
    return data.combine_chunks()


def _to_array(table: str, series: pd.Series[Any], field: pa.Field) -> pa.Array:
    """Convert one column; NaN, NaT and None become null."""
    try:
        values = series
        if series.array.isna().all():
            # pandas makes a column without any value one of floats, whatever it is meant to hold.
            values = pd.Series(None, index=series.index, dtype=object)
        elif pa.types.is_timestamp(field.type) and series.dtype.kind == "M":
            values = series.dt.as_unit(field.type.unit)
        array = pa.Array.from_pandas(values, type=field.type)
    except (pa.ArrowException, TypeError, ValueError) as error:
        raise WarehouseError(f"Table {table}, column {field.name}: {error}") from error
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    if not field.nullable and array.null_count:
        raise WarehouseError(f"Table {table}, column {field.name}: {array.null_count} empty cells.")
    return array


def refuse_same_key(table: Table, data: pa.Table) -> None:
    """Raise WarehouseError when two rows have the same key."""
    if not table.key or data.num_rows < 2:
        return
    keys = data.select(list(table.key))
    # Threads cost a small table more than they bring, and a large one no less.
    counts = keys.group_by(list(table.key), use_threads=False).aggregate([([], "count_all")])
    if counts.num_rows != data.num_rows:
        twice = counts.filter(pc.greater(counts["count_all"], 1)).slice(0, 1).to_pylist()[0]
        key = ", ".join(f"{name} {twice[name]}" for name in table.key)
        raise WarehouseError(f"Table {table.name}: two rows have the key {key}.")


def split_by_centre(table: Table, data: pa.Table) -> Iterator[tuple[str, pa.Table]]:
    """Yield (folder inside the table's folder, rows), one for each centre, or one for all."""
    if "centre" not in data.column_names or data.num_rows == 0:
        yield "", data
        return
    centres = pc.unique(data["centre"]).to_pylist()
    for centre in sorted(centres, key=lambda code: (code is None, code)):
        if centre is None:
            yield f"centre={NO_CENTRE}", data.filter(pc.is_null(data["centre"]))
            continue
        if not PLAIN_CODE.fullmatch(centre):
            raise WarehouseError(f"Table {table.name}: {centre!r} is not a plain centre code.")
        yield f"centre={centre}", data.filter(pc.equal(data["centre"], centre))


def show_files(
    connection: duckdb.DuckDBPyConnection, table: Table, files: Iterable[Path | str]
) -> None:
    """Let the rows of files be asked as a table of its name; no file is a table without rows."""
    listed = [str(file) for file in files]
    if listed:
        rows = f"SELECT * FROM read_parquet({exact_paths(listed)}, hive_partitioning = false)"
    else:
        empty = ", ".join(
            f"CAST(NULL AS {DUCKDB_TYPES[c.type]}) AS {identifier(c.name)}" for c in table.columns
        )
        rows = f"SELECT {empty} WHERE false"
    connection.execute(f"CREATE OR REPLACE TEMP VIEW {identifier(table.name)} AS {rows}")
