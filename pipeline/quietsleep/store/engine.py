"""The database engine that a night works with: in little memory, the rest laid out on disk.

Light to import: the process that lays out study.duckdb needs no more than this.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

MEMORY_LIMIT = "300MB"


@contextmanager
def frugal_engine(beside: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open an engine in memory; what is larger than its limit is laid out on disk, `beside`."""
    import duckdb

    with (
        TemporaryDirectory(prefix=".spill-", dir=beside) as spill,
        duckdb.connect(
            config={
                "memory_limit": MEMORY_LIMIT,
                "temp_directory": spill,
                "autoinstall_known_extensions": "false",
            }
        ) as connection,
    ):
        yield connection
