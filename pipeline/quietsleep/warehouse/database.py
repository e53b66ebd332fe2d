"""study.duckdb of one night: every table and view in one file, each column with its comment."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietsleep.contract.model import Table
from quietsleep.contract.schemas import duckdb_ddl
from quietsleep.errors import QuietsleepError, WarehouseError
from quietsleep.store.processes import new_processes
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.layout import TableToLayOut, lay_out
from quietsleep.warehouse.parquet import Part

if TYPE_CHECKING:
    import duckdb
    import pandas as pd


def write_database(
    folder: Path, tables: Sequence[Table], parts: Sequence[Part], view_statements: Sequence[str]
) -> None:
    """Create study.duckdb from the parts, and check that each table holds every row of them.

    It is laid out in a process of its own: an engine writes whole blocks, and with them what its
    memory held before, such as rows of the night before that were withdrawn since.
    """
    own = [
        TableToLayOut(
            table.name,
            duckdb_ddl(table),
            tuple(str(folder / part.path) for part in parts if part.table == table.name),
            sum(part.rows for part in parts if part.table == table.name),
        )
        for table in tables
    ]
    with new_processes(1) as fresh:
        try:
            fresh.submit(lay_out, folder, own, tuple(view_statements)).result()
        except BrokenProcessPool:
            raise WarehouseError(
                "The process that lays out study.duckdb was ended from outside, most likely for "
                "want of memory. Nothing was published; the next night goes on from there."
            ) from None


HARDENED = {
    "enable_external_access": "false",
    "autoload_known_extensions": "false",
    "autoinstall_known_extensions": "false",
    "allow_community_extensions": "false",
    "lock_configuration": "true",
}


def open_night(night_path: Path) -> duckdb.DuckDBPyConnection:
    """Open the database of one night or release; it can be read and nothing else.

    WarehouseError where there is none.

    Views count months and days in UTC, so they say the same whatever the client's time zone.
    """
    import duckdb

    database = night_path / "study.duckdb"
    if not database.exists():
        raise WarehouseError(f"{night_path} holds no study.duckdb: it is no night and no release.")
    return duckdb.connect(database, read_only=True, config=dict(HARDENED))


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


def run_query(connection: duckdb.DuckDBPyConnection, sql: str) -> pd.DataFrame:
    """Answer one query; QueryError with the database's own words when it cannot be answered."""
    import duckdb

    try:
        answer = connection.execute(sql)
        return answer.df() if answer.description else connection.sql("SELECT 1 WHERE false").df()
    except duckdb.Error as error:
        raise QueryError(f"The warehouse does not answer this query. {error}") from None


def query_rows(connection: duckdb.DuckDBPyConnection, sql: str) -> QueryRows:
    """Answer one query with the values as they are stored: a whole number stays one beside NULL."""
    import duckdb

    try:
        answer = connection.execute(sql)
        columns = tuple((str(c[0]), str(c[1])) for c in answer.description or ())
        return QueryRows(columns, answer.fetchall() if columns else [])
    except duckdb.Error as error:
        raise QueryError(f"The warehouse does not answer this query. {error}") from None
