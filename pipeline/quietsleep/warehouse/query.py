"""Read the published warehouse: read-only, and closed to files, network and extensions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from quietsleep.warehouse.current import current_night

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

HARDENED = {
    "enable_external_access": "false",
    "autoload_known_extensions": "false",
    "autoinstall_known_extensions": "false",
    "allow_community_extensions": "false",
    "lock_configuration": "true",
}


def open_night(night_path: Path) -> duckdb.DuckDBPyConnection:
    """Open the database of one night or release; it can be read and nothing else.

    Views count months and days in UTC, so they say the same whatever the client's time zone.
    """
    import duckdb

    return duckdb.connect(night_path / "study.duckdb", read_only=True, config=dict(HARDENED))


def open_current(study_path: Path) -> duckdb.DuckDBPyConnection:
    """Resolve `current` once and open that night; the connection stays on it."""
    return open_night(current_night(study_path))


class QueryError(ValueError):
    """A query that the warehouse does not answer; the message says why."""


def run_query(connection: duckdb.DuckDBPyConnection, sql: str) -> pd.DataFrame:
    """Answer one query; QueryError with the database's own words when it cannot be answered."""
    import duckdb

    try:
        answer = connection.execute(sql)
        return answer.df() if answer.description else connection.sql("SELECT 1 WHERE false").df()
    except duckdb.Error as error:
        raise QueryError(f"The warehouse does not answer this query. {error}") from None
