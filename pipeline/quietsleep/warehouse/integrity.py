"""Whether a published night is as it was published: its files by their digests, its database."""

from __future__ import annotations

import hashlib
from contextlib import closing
from pathlib import Path

from quietsleep.errors import WarehouseError
from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.database import open_night


def is_complete(night_path: Path) -> bool:
    """Say whether a night holds all its files at their sizes; their bytes are not read."""
    try:
        parts = night_facts(night_path)["parts"]
        sizes = [(night_path / part["path"]).stat().st_size == part["bytes"] for part in parts]
        return all(sizes) and (night_path / "study.duckdb").stat().st_size > 0
    except (OSError, ValueError, KeyError, TypeError):
        return False


def damage(night_path: Path) -> list[str]:
    """Name what of a night's parquet files is not as it was published; empty when all is."""
    try:
        digests = {part["path"]: part["file_sha256"] for part in night_facts(night_path)["parts"]}
    except (OSError, ValueError, KeyError, TypeError):
        return [f"{night_path.name}: NIGHT.json is missing or cannot be read."]
    found = []
    for path, sha256 in digests.items():
        try:
            same = hashlib.sha256((night_path / path).read_bytes()).hexdigest() == sha256
        except OSError:
            same = False
        if not same:
            found.append(f"{night_path.name}: {path} is missing or was changed.")
    return found


def database_damage(night_path: Path) -> list[str]:
    """Name what is wrong with a night's database; empty when it holds the rows that were counted.

    Every block is read.
    """
    import duckdb

    try:
        counts = night_facts(night_path)["counts"]
        with closing(open_night(night_path)) as database:
            for table, expected in counts.items():
                sql = f'SELECT count(*), bit_xor(hash(t)) FROM "{table}" AS t'
                row = database.execute(sql).fetchone()
                if row is None or row[0] != expected:
                    return [f"{night_path.name}: table {table} of study.duckdb has lost rows."]
    except (OSError, ValueError, KeyError, TypeError, WarehouseError, duckdb.Error):
        return [f"{night_path.name}: study.duckdb is missing or damaged."]
    return []
