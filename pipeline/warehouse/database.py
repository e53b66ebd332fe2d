"""study.duckdb of one night: every table and view in one file, each column with its comment."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import duckdb
import pyarrow as pa

from contracts.model import Table
from contracts.schemas import duckdb_ddl
from pipeline.warehouse.current import WarehouseError

# Older clients open a file only if it is written at a storage version they know.
STORAGE_VERSION = "v1.0.0"


def write_database(
    path: Path, tables: Mapping[str, tuple[Table, pa.Table]], view_statements: str
) -> None:
    """Create the database file and check that each table holds every row that was handed over."""
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as connection:
        connection.execute(f"ATTACH '{path}' AS study (STORAGE_VERSION '{STORAGE_VERSION}')")
        connection.execute("USE study")
        connection.execute("BEGIN")
        for name in sorted(tables):
            table, data = tables[name]
            connection.execute(duckdb_ddl(table))
            connection.register("handed_over", data)
            connection.execute(f'INSERT INTO "{name}" BY NAME SELECT * FROM handed_over')
            connection.unregister("handed_over")
            _check_count(connection, name, data.num_rows)
        connection.execute(view_statements)
        connection.execute("COMMIT")
        connection.execute("USE memory; DETACH study")


def _check_count(connection: duckdb.DuckDBPyConnection, name: str, expected: int) -> None:
    row = connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()
    held = row[0] if row else 0
    if held != expected:
        raise WarehouseError(f"Table {name} holds {held} rows in the database, not {expected}.")
