"""What a night's or release's folder holds, written and counted: tables, database, descriptions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.contract import TABLES
from quietsleep.contract.model import Table
from quietsleep.store.tables import Rows
from quietsleep.warehouse.current import WarehouseError, night_facts
from quietsleep.warehouse.database import write_database
from quietsleep.warehouse.descriptor import write_datapackage, write_dictionary, write_json
from quietsleep.warehouse.parquet import Part, part_rows, write_parts
from quietsleep.warehouse.views import stored_view_sql, view_sql

Tables = Mapping[str, Rows]


def warehouse_contract() -> dict[str, Table]:
    """Return the tables of the warehouse by name."""
    return {name: table for name, table in TABLES.items() if table.group == "warehouse"}


def write_tables(folder: Path, tables: Tables, *, before: Path | None) -> list[Part]:
    """Write tables below an empty folder and return their parts.

    Parts that the night at `before` holds already become links to its files.
    """
    known = {row["path"]: Part(**row) for row in night_facts(before)["parts"]} if before else {}
    return write_parts(tables, folder, before=before, parts_before=known)


def describe_tables(
    folder: Path, tables: Tables, parts: Sequence[Part], facts: Mapping[str, Any]
) -> None:
    """Write the database and all that describes the parts in a folder, and count what is there.

    `facts` becomes NIGHT.json, with the counts and parts added. WarehouseError when a count is
    wrong.
    """
    parts = sorted(parts, key=lambda part: part.path)
    contract = [rows.table for _, rows in sorted(tables.items())]
    counts = {name: rows.n_rows for name, rows in sorted(tables.items())}
    _check_counts(folder, counts, parts)
    write_database(folder, contract, parts, stored_view_sql())
    (folder / "views.sql").write_text(view_sql() + "\n", encoding="utf-8")
    write_datapackage(
        folder / "datapackage.json",
        contract,
        parts,
        study=str(facts["study"]),
        night=str(facts["night"]),
    )
    write_dictionary(folder / "dictionary.csv")
    write_json(folder / "NIGHT.json", {**facts, "counts": counts, "parts": part_rows(parts)})


def _check_counts(folder: Path, counts: Mapping[str, int], parts: Sequence[Part]) -> None:
    """Count the rows in the files, and compare with what was handed over."""
    held = dict.fromkeys(counts, 0)
    for part in parts:
        held[part.table] += pq.read_metadata(folder / part.path).num_rows
    for name, expected in counts.items():
        if held[name] != expected:
            raise WarehouseError(
                f"Table {name} holds {held[name]} rows in its files, not {expected}."
            )


def read_table(folder: Path, name: str) -> pa.Table:
    """Read one table of a night or release from its parquet parts, in their order."""
    paths = [part["path"] for part in night_facts(folder)["parts"] if part["table"] == name]
    if not paths:
        raise WarehouseError(
            f"{folder.name} has no table {name}: an older version published it. Run a night first."
        )
    return pa.concat_tables([pq.ParquetFile(folder / path).read() for path in paths])
