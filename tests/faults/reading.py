"""Reads a warehouse over and over while nights are killed, and counts what no reader may see.

Started as a program with a study and a file: it reads until the file is there, then says what it
saw as one line of JSON.
"""

from __future__ import annotations

import json
import sys
import time
from contextlib import closing
from pathlib import Path

import pyarrow.parquet as pq

from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.database import open_night

PAUSE_S = 0.3


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


def main(study: Path, end: Path) -> None:
    seen: set[str] = set()
    faults: list[str] = []
    reads = 0
    while not end.exists():
        try:
            seen.add(read_once(study))
        except Exception as error:
            faults.append(f"{type(error).__name__}: {error}")
        reads += 1
        time.sleep(PAUSE_S)
    print(json.dumps({"reads": reads, "nights": sorted(seen), "faults": faults}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
