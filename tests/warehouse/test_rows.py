"""Rows spooled in blocks come out sorted; a key is refused across blocks as within one."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from quietsleep.contract import TABLES
from quietsleep.errors import WarehouseError
from quietsleep.store.engine import frugal_engine
from quietsleep.store.tables import TableOnDisk


def block(*codes: str) -> pd.DataFrame:
    return pd.DataFrame({"source": list(codes), "citation": "a citation"})


def spooled(folder: Path, *blocks: pd.DataFrame) -> list[str]:
    spool = TableOnDisk(folder, TABLES["sources"])
    spool.keep()
    for number, rows in enumerate(blocks):
        spool.note(spool.add(rows, block=str(number)))
    with frugal_engine(folder) as engine:
        found = [
            code
            for _, batches in spool.by_centre(engine)
            for batch in batches
            for code in batch.column("source").to_pylist()
        ]
    assert len(found) == spool.n_rows
    return found


def test_blocks_come_out_as_one_sorted_table(tmp_path: Path) -> None:
    assert spooled(tmp_path, block("d", "b"), block("a", "c")) == ["a", "b", "c", "d"]
    assert spooled(tmp_path) == []


def test_a_key_in_two_blocks_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WarehouseError, match="two rows have the key source b"):
        spooled(tmp_path, block("a", "b"), block("b"))
