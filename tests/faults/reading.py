"""Reads a warehouse over and over while nights are killed, and counts what no reader may see.

Started as a program with a study and a file: it looks until the file is there, then says what it
saw as one line of JSON. It reads all whenever anything of the published night is not as it was at
the last look, and now and then where all is; reading the same bytes again would show nothing.
"""

from __future__ import annotations

import json
import sys
import time
from contextlib import closing
from pathlib import Path

import pyarrow.parquet as pq

from quietsleep.errors import WarehouseError
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.database import open_night

PAUSE_S = 0.3
READ_AGAIN_S = 5.0


def read_once(study: Path) -> str:
    """Read the published night as a person would; returns its name, raises when it is not whole."""
    night = current_night(study)
    facts = night_facts(night)
    with closing(open_night(night)) as database:
        names = database.execute("SELECT night FROM nights").fetchall()
        assert names == [(facts["night"],)] and night.name == facts["night"], names
        for table, expected in facts["counts"].items():
            row = database.execute(f'SELECT count(*) FROM "{table}"').fetchone()
            assert row == (expected,), (table, row, expected)
    rows = dict.fromkeys(facts["counts"], 0)
    for part in facts["parts"]:
        rows[part["table"]] += pq.read_metadata(night / part["path"]).num_rows
    assert rows == facts["counts"], rows
    return night.name


def look_of(study: Path) -> list[tuple[str, int, int, int]]:
    """Name the files of the published night, with what tells that one was put or written anew."""
    try:
        night = current_night(study)
        told = [(str(path), path.stat()) for path in sorted(night.rglob("*"))]
    except (OSError, WarehouseError):
        return []  # reading says what is wrong, if it still is
    return [(name, said.st_ino, said.st_size, said.st_mtime_ns) for name, said in told]


def main(study: Path, end: Path) -> None:
    seen: set[str] = set()
    faults: list[str] = []
    reads, last, read_at = 0, [("", 0, 0, 0)], 0.0
    while not end.exists():
        look = look_of(study)
        if not look or look != last or time.monotonic() - read_at > READ_AGAIN_S:
            try:
                seen.add(read_once(study))
            except Exception as error:
                faults.append(f"{type(error).__name__}: {error}")
            reads, last, read_at = reads + 1, look, time.monotonic()
        time.sleep(PAUSE_S)
    print(json.dumps({"reads": reads, "nights": sorted(seen), "faults": faults}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
