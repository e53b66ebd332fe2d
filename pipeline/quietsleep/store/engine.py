"""The database engine that a night works with: in little memory, the rest laid out on disk.

Light to import: the process that lays out study.duckdb needs no more than this.
"""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import mkdtemp
from time import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

MEMORY_LIMIT = "300MB"
SPILL = ".spill-"
# One that is younger may not have been locked yet by who made it.
SECONDS_TO_LOCK = 60.0


@contextmanager
def frugal_engine(beside: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open an engine in memory; what is larger than its limit is laid out on disk, `beside`."""
    import duckdb

    with (
        _spill_folder(beside) as spill,
        duckdb.connect(
            config={
                "memory_limit": MEMORY_LIMIT,
                "temp_directory": str(spill),
                "autoinstall_known_extensions": "false",
            }
        ) as connection,
    ):
        yield connection


@contextmanager
def _spill_folder(beside: Path) -> Iterator[Path]:
    """Make a folder that is taken away at the end; its lock says that somebody works in it."""
    spill = Path(mkdtemp(prefix=SPILL, dir=beside))
    handle = os.open(spill, os.O_RDONLY)
    try:
        with suppress(OSError):  # some network disks have no locks
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield spill
    finally:
        shutil.rmtree(spill, ignore_errors=True)
        os.close(handle)


def sweep_spills(*folders: Path) -> None:
    """Take away what engines of killed processes left behind in folders."""
    for spill in (s for folder in folders for s in folder.glob(f"{SPILL}*")):
        with suppress(OSError):
            if time() - spill.stat().st_mtime < SECONDS_TO_LOCK:
                continue
            handle = os.open(spill, os.O_RDONLY)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(spill, ignore_errors=True)
            finally:
                os.close(handle)
