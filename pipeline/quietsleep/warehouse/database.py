"""study.duckdb of one night: every table and view in one file, each column with its comment."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietsleep.errors import QuietsleepError, WarehouseError
from quietsleep.warehouse.current import current_night

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from quietsleep.contract.model import Table
    from quietsleep.warehouse.layout import Order
    from quietsleep.warehouse.parquet import Part


def write_database(
    folder: Path, tables: Sequence[Table], parts: Sequence[Part], view_statements: Sequence[str]
) -> None:
    """Create study.duckdb from the parts, and check that each table holds every row of them.

    It is laid out in a process of its own: an engine writes whole blocks, and with them what its
    memory held before, such as rows of the night before that were withdrawn since.
    """
    # What lays a database out is not loaded to ask one.
    from quietsleep.contract.schemas import duckdb_ddl
    from quietsleep.warehouse.layout import Order, TableToLayOut, error_of

    own = tuple(
        TableToLayOut(
            table.name,
            duckdb_ddl(table),
            tuple(str(folder / part.path) for part in parts if part.table == table.name),
            sum(part.rows for part in parts if part.table == table.name),
        )
        for table in tables
    )
    answer = _answer_to(Order(str(folder), own, tuple(view_statements)))
    if not answer.endswith(b"\n"):
        raise WarehouseError(
            "The process that lays out study.duckdb was ended from outside, most likely for "
            "want of memory. Nothing was published; the next night goes on from there."
        )
    if said := json.loads(answer):
        raise error_of(said)


def _answer_to(order: Order) -> bytes:
    """Have study.duckdb laid out by a program; return what it says, nothing where it was ended.

    Not by a pool's process: that would begin with the main module of whoever called, again. The end
    of its standard input, also by a kill of this process, ends it.
    """
    program = [sys.executable, "-P", "-m", "quietsleep.warehouse.layout"]
    answer = b""
    # A program that was ended before it read the order leaves a broken pipe.
    with (
        suppress(BrokenPipeError),
        subprocess.Popen(
            program,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            # It imports from where this process did.
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            start_new_session=True,  # Ctrl-C is for this process, which then lets go of it
        ) as process,
    ):
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write(order.line())
        process.stdin.flush()
        answer = process.stdout.read()
    return answer


ROWS_AT_ONCE = 65_536
# Of an answer in Python, by a generous guess.
BYTES_A_VALUE = 80
HARDENED = {
    "enable_external_access": "false",
    "autoload_known_extensions": "false",
    "autoinstall_known_extensions": "false",
    "allow_community_extensions": "false",
    "lock_configuration": "true",
}


@dataclass(frozen=True, slots=True)
class QueryLimits:
    """What one query of a person may take: memory in GB, and seconds."""

    memory_gb: float = 2.0
    seconds: float = 300.0

    def config(self) -> dict[str, str]:
        """Return the settings of a connection; without a folder for it nothing goes to disk."""
        return {"memory_limit": f"{self.memory_gb * 1e9:.0f}B", "temp_directory": ""}

    @property
    def too_large(self) -> str:
        """The sentence where memory does not do."""
        return (
            f"This query needs more than {self.memory_gb:g} GB of memory and was ended. Ask for "
            "fewer rows or columns, or give it more with --memory-gb."
        )

    @property
    def too_slow(self) -> str:
        """The sentence where time does not do."""
        return (
            f"This query took longer than {self.seconds:g} s and was ended. Ask for less, or give "
            "it more with --seconds."
        )


def open_night(night_path: Path, limits: QueryLimits | None = None) -> duckdb.DuckDBPyConnection:
    """Open the database of one night or release; it can be read and nothing else.

    WarehouseError where there is none. With `limits` it takes no more memory than they say.

    Views count months and days in UTC, so they say the same whatever the client's time zone.
    """
    import duckdb

    database = night_path / "study.duckdb"
    if not database.exists():
        raise WarehouseError(f"{night_path} holds no study.duckdb: it is no night and no release.")
    config = HARDENED | (limits.config() if limits else {})
    return duckdb.connect(database, read_only=True, config=dict(config))


def open_current(study_path: Path) -> duckdb.DuckDBPyConnection:
    """Resolve `current` once and open that night; the connection stays on it."""
    return open_night(current_night(study_path))


@dataclass(frozen=True, slots=True)
class QueryRows:
    """An answer of the warehouse: name and type of each column, and the rows as Python values."""

    columns: tuple[tuple[str, str], ...]
    rows: list[tuple[Any, ...]]


class QueryError(QuietsleepError):
    """A query that the warehouse does not answer; the message says why."""


def run_query(
    connection: duckdb.DuckDBPyConnection, sql: str, limits: QueryLimits | None = None
) -> pd.DataFrame:
    """Answer one query; QueryError with the database's own words when it cannot be answered."""
    import pyarrow as pa

    limits = limits or QueryLimits()
    with _within(connection, limits) as clock:
        answer = connection.sql(sql)
        if answer is None:
            return connection.sql("SELECT 1 WHERE false").df()
        # What the database hands over is no memory of its own any more, and is counted here.
        batches, held = [], 0
        reader = answer.to_arrow_reader(ROWS_AT_ONCE)
        for batch in reader:
            batches.append(batch)
            held += 2 * batch.nbytes  # once more as a frame
            clock.refuse(held)
        rows = pa.Table.from_batches(batches, reader.schema)
        frame: pd.DataFrame = connection.from_arrow(rows).df()
        return frame


def query_rows(
    connection: duckdb.DuckDBPyConnection, sql: str, limits: QueryLimits | None = None
) -> QueryRows:
    """Answer one query with the values as they are stored: a whole number stays one beside NULL."""
    limits = limits or QueryLimits()
    with _within(connection, limits) as clock:
        answer = connection.execute(sql)
        columns = tuple((str(c[0]), str(c[1])) for c in answer.description or ())
        rows: list[tuple[Any, ...]] = []
        while columns and (more := answer.fetchmany(ROWS_AT_ONCE)):
            rows += more
            clock.refuse(len(rows) * len(columns) * BYTES_A_VALUE)
        return QueryRows(columns, rows)


class _Clock:
    """Ends a query when its time is over, and refuses an answer that is too large."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, limits: QueryLimits) -> None:
        self.limits, self.is_over = limits, False
        self._connection = connection
        self.timer = threading.Timer(limits.seconds, self._end)
        self.timer.daemon = True

    def _end(self) -> None:
        self.is_over = True
        self._connection.interrupt()

    def refuse(self, n_bytes: int) -> None:
        """Raise QueryError where the time is over, or so many bytes are too many."""
        if self.is_over:
            raise QueryError(self.limits.too_slow)
        if n_bytes > self.limits.memory_gb * 1e9:
            raise QueryError(self.limits.too_large)


@contextmanager
def _within(connection: duckdb.DuckDBPyConnection, limits: QueryLimits) -> Iterator[_Clock]:
    import duckdb

    clock = _Clock(connection, limits)
    clock.timer.start()
    try:
        yield clock
    except (duckdb.OutOfMemoryException, MemoryError):
        raise QueryError(limits.too_large) from None
    except duckdb.Error as error:
        if clock.is_over:
            raise QueryError(limits.too_slow) from None
        raise QueryError(f"The warehouse does not answer this query. {error}") from None
    finally:
        clock.timer.cancel()
