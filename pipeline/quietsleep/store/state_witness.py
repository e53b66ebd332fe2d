"""Whether the state of a study is as the last night left it, by what this machine remembers.

What is remembered lies outside the study folder: a digest of the rows of every table, and size and
times of the file. Size and times are compared whenever the state is opened to be written; where
they are others, and by the doctor in any case, every row is read. A night that was killed left what
it had written so far; that is taken as it is. The digest is the database's own hash of rows: it
tells that a value was changed, and is none to be cited.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import duckdb

from quietsleep.contract.sql import identifier
from quietsleep.study.register_witness import forget_state, remember_state, remembered_state

AT_WORK = {"at_work": True}
DIGEST = "SELECT count(*), sum(hash(t))::VARCHAR, bit_xor(hash(t)) FROM (SELECT {} FROM {}) AS t"
COLUMNS = (
    "SELECT table_name, list(column_name ORDER BY column_index) FROM duckdb_columns() "
    "WHERE NOT internal AND database_name = current_database() GROUP BY ALL ORDER BY ALL"
)
Digests = dict[str, dict[str, Any]]


def changed_tables(
    file: Path, connection: duckdb.DuckDBPyConnection, stamp: list[int] | None
) -> list[str]:
    """Name the tables that hold other rows than the last night left; empty where nobody knows.

    `stamp` is that of the file before it was opened; None to read every row.
    """
    known = remembered_state(file.parent.parent)
    if known.get("duckdb") != duckdb.__version__ or (stamp and stamp == known.get("stamp")):
        return []
    there = dict(connection.execute(COLUMNS).fetchall())
    # By the columns of then: a newer program may have added some.
    return sorted(
        name
        for name, said in known["tables"].items()
        if not set(said["columns"]) <= set(there.get(name, ()))
        or _digest(connection, name, said["columns"]) != said["digest"]
    )


def stamp_of(file: Path) -> list[int] | None:
    """Return size and times of the state; None where it is not there, or a log waits beside it."""
    try:
        info = file.stat()
    except FileNotFoundError:
        return None
    if file.with_name(f"{file.name}.wal").exists():
        return []
    return [info.st_ino, info.st_size, info.st_mtime_ns, info.st_ctime_ns]


def say_at_work(file: Path) -> None:
    """Remember that the state is being written; what a kill leaves is nobody's change."""
    remember_state(file.parent.parent, AT_WORK)


def digests_of(connection: duckdb.DuckDBPyConnection) -> Digests:
    """Return the digest of every table, and the columns it was taken of."""
    return {
        name: {"columns": columns, "digest": _digest(connection, name, columns)}
        for name, columns in connection.execute(COLUMNS).fetchall()
    }


def keep_witness(file: Path, digests: Digests) -> None:
    """Remember the state with these digests; it must be closed."""
    said = {"duckdb": duckdb.__version__, "tables": digests, "stamp": stamp_of(file)}
    remember_state(file.parent.parent, said)


def forget_witness(file: Path) -> None:
    """Forget a state that is none any more."""
    forget_state(file.parent.parent)


def _digest(connection: duckdb.DuckDBPyConnection, name: str, columns: Sequence[str]) -> list[str]:
    listed = ", ".join(identifier(column) for column in columns)
    cells = connection.execute(DIGEST.format(listed, identifier(name))).fetchall()[0]
    return [str(cell) for cell in cells]
