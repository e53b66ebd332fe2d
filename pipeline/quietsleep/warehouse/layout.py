"""Lays out study.duckdb, as a program of its own: it imports nothing but the engine.

Started by `database.py`. What to lay out comes as one line of JSON on standard input, which stays
open as long as whoever asked is alive; the answer on standard output is the error, or null.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from traceback import format_exception
from typing import TYPE_CHECKING, Any

from quietsleep.contract.sql import exact_path, identifier, literal
from quietsleep.errors import WarehouseError
from quietsleep.store.engine import frugal_engine
from quietsleep.store.processes import end_with_input

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


@dataclass(frozen=True, slots=True)
class Order:
    """What is to be laid out: the folder of a night, its tables, the statements of its views."""

    folder: str
    tables: tuple[TableToLayOut, ...]
    view_statements: tuple[str, ...]

    def line(self) -> bytes:
        """Return it as one line; a path of bytes that are no text comes through as it is."""
        return json.dumps(asdict(self)).encode() + b"\n"

    @classmethod
    def of_line(cls, line: bytes) -> Order:
        """Read what `line` wrote."""
        said = json.loads(line)
        tables = tuple(
            TableToLayOut(**table | {"paths": tuple(table["paths"])}) for table in said["tables"]
        )
        return cls(said["folder"], tables, tuple(said["view_statements"]))


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


def said_of(error: Exception) -> dict[str, Any]:
    """Put an error into what JSON holds: its kind, what it was made of, and where it happened."""
    where = "".join(format_exception(error))
    if isinstance(error, OSError) and error.errno is not None:
        name = None if error.filename is None else str(error.filename)
        return {"kind": "OSError", "made_of": [error.errno, error.strerror, name], "where": where}
    return {"kind": type(error).__name__, "made_of": [str(error)], "where": where}


def error_of(said: Mapping[str, Any]) -> Exception:
    """Make the error again: a sentence of ours, what the machine put in the way, or a mistake."""
    import duckdb

    ours: dict[str, type[Exception]] = {
        "WarehouseError": WarehouseError,
        "OSError": OSError,
        "MemoryError": MemoryError,
    }
    kind, made_of = said["kind"], said["made_of"]
    known = ours.get(kind) or getattr(duckdb, kind, None)
    if isinstance(known, type) and issubclass(known, Exception):
        error: Exception = known(*made_of)
    else:
        error = RuntimeError(f"{kind}: {made_of[0]}")
    error.add_note(f"While study.duckdb was laid out:\n{said['where']}")
    return error


def main() -> None:
    """Lay out what standard input asks for, and answer."""
    line = sys.stdin.buffer.readline()
    if not line.endswith(b"\n"):  # whoever asked is gone
        return
    end_with_input()
    order = Order.of_line(line)
    answer = None
    try:
        lay_out(Path(order.folder), order.tables, order.view_statements)
    except Exception as error:
        answer = said_of(error)
    print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
