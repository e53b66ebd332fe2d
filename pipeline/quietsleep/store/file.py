"""The file of the state on disk: opened, or set aside when it is damaged; never deleted."""

from __future__ import annotations

from importlib.resources import files
from itertools import count
from pathlib import Path

import duckdb

from quietsleep.errors import is_damage

NAME = "state.duckdb"
ASIDE = "state.aside-"
# What does not fit is laid out on disk, beside the file.
MEMORY_LIMIT = "400MB"


def open_state_file(work: Path) -> duckdb.DuckDBPyConnection:
    """Open the state below `work`; a damaged one is set aside and an empty one begun.

    The night that begins an empty state takes everything in again. Any other error of the
    database (no space, open in another program) is raised as it is.
    """
    try:
        return _connect(work / NAME)
    except duckdb.Error as error:
        if not is_damage(error):
            raise
    set_aside(work)
    return _connect(work / NAME)


def _connect(path: Path) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(path, config={"memory_limit": MEMORY_LIMIT})
    try:
        connection.execute((files("quietsleep.store") / "state.sql").read_text(encoding="utf-8"))
    except BaseException:
        connection.close()
        raise
    return connection


def set_aside(work: Path) -> Path:
    """Rename a damaged state and its log of writes, so that a new one begins; returns its place."""
    names = (work / f"{ASIDE}{number}.duckdb" for number in count(1))
    aside = next(path for path in names if not path.exists())
    log = work / f"{NAME}.wal"
    if log.exists():
        log.replace(aside.with_name(f"{aside.name}.wal"))
    (work / NAME).replace(aside)
    return aside


def read_whole(work: Path) -> None:
    """Read every block of the state; raises the database's error where one is damaged."""
    with duckdb.connect(work / NAME, read_only=True) as connection:
        for (table,) in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall():
            connection.execute(f'SELECT bit_xor(hash(t)) FROM "{table}" AS t').fetchall()
