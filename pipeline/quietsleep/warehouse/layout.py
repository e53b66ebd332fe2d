"""Lays out study.duckdb, in a process of its own: it imports nothing but the engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from quietsleep.contract.sql import exact_path, identifier, literal
from quietsleep.errors import WarehouseError
from quietsleep.store.engine import frugal_engine

if TYPE_CHECKING:
    import duckdb

# Older clients open a file only if it is written at a storage version they know.
STORAGE_VERSION = "v1.0.0"


@dataclass(frozen=True, slots=True)
class TableToLayOut:
    """What a table of the database is made of: its definition, its parts, and all of their rows."""

    name: str
    ddl: str
    paths: tuple[str, ...]
    rows: int


def lay_out(folder: Path, tables: Sequence[TableToLayOut], view_statements: Sequence[str]) -> None:
    """Fill study.duckdb from parts; WarehouseError where a table does not hold every row."""
    with frugal_engine(folder.parent) as connection:
        path = literal(str(folder / "study.duckdb"))
        connection.execute(f"ATTACH {path} AS study (STORAGE_VERSION '{STORAGE_VERSION}')")
        connection.execute("USE study")
        for table in tables:
            connection.execute(f"BEGIN; {table.ddl}")
            connection.execute(
                f"INSERT INTO {identifier(table.name)} BY NAME "
                "SELECT * FROM read_parquet(?, hive_partitioning = false)",
                [[exact_path(path) for path in table.paths]],
            )
            _check_count(connection, table.name, table.rows)
            connection.execute("COMMIT")
        # What a view holds has no order of its own, and keeping one takes much memory.
        connection.execute("SET preserve_insertion_order = false")
        for statements in view_statements:
            connection.execute(statements)
        connection.execute("USE memory; DETACH study")


def _check_count(connection: duckdb.DuckDBPyConnection, name: str, expected: int) -> None:
    row = connection.execute(f"SELECT count(*) FROM {identifier(name)}").fetchone()
    held = row[0] if row else 0
    if held != expected:
        raise WarehouseError(f"Table {name} holds {held} rows in the database, not {expected}.")
