"""The demo study's published tables as they were recorded, to see what a change changes.

`python -m tests.recorded.record STUDY` writes them anew from the published night of a demo study.
Whoever does that says in CHANGELOG.md which numbers changed and why.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
import pyarrow.dataset as ds

TABLES = Path(__file__).parent / "tables"
# Tables that name nights, times of running or the code, and nothing else.
OF_THE_NIGHT = ("nights", "changes", "session_changes", "briefing")
# Columns that do.
NAMES_NIGHT_OR_CODE = (
    "night", "first_night", "opened_in", "closed_in", "arrived_at", "last_delivery_at", "seal",
    "code_fingerprint", "content_key",
)  # fmt: skip


def published_tables(study: Path) -> dict[str, pd.DataFrame]:
    """Return each table of the published night, ordered, without what names a night or code."""
    folders = sorted((study / "warehouse" / "current" / "tables").iterdir())
    return {f.name: _rows(f) for f in folders if f.name not in OF_THE_NIGHT}


def _rows(folder: Path) -> pd.DataFrame:
    files = [str(file) for file in sorted(folder.rglob("*.parquet"))]
    rows: pd.DataFrame = ds.dataset(files).to_table().to_pandas()
    rows = rows.drop(columns=[name for name in NAMES_NIGHT_OR_CODE if name in rows])
    return rows.sort_values(list(rows.columns), ignore_index=True)


def recorded_tables() -> dict[str, pd.DataFrame]:
    """Return each table as it was recorded."""
    return {file.stem: pd.read_parquet(file) for file in sorted(TABLES.glob("*.parquet"))}


def main(study: Path) -> None:
    """Record the published tables of a demo study."""
    TABLES.mkdir(exist_ok=True)
    for old in TABLES.glob("*.parquet"):
        old.unlink()
    for name, rows in published_tables(study).items():
        rows.to_parquet(TABLES / f"{name}.parquet", index=False, compression="zstd")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
