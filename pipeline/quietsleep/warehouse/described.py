"""What describes the tables of a night beside them: the data package and the dictionary."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from quietsleep.contract import TABLES
from quietsleep.contract.model import Table
from quietsleep.contract.schemas import dictionary_rows, package_schema
from quietsleep.warehouse.parquet import Part
from quietsleep.warehouse.views import views

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
TABLE_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"


def warehouse_contract() -> dict[str, Table]:
    """Return the tables of the warehouse by name."""
    return {name: table for name, table in TABLES.items() if table.group == "warehouse"}


def write_datapackage(
    path: Path, tables: Iterable[Table], parts: Iterable[Part], *, study: str, night: str
) -> None:
    """Write the Data Package v2 descriptor: one resource a table, with keys, fields and units."""
    by_table: dict[str, list[str]] = {}
    for part in parts:
        by_table.setdefault(part.table, []).append(part.path)
    package = {
        "$schema": PROFILE,
        "name": plain_name(study),
        "title": f"Warehouse of {study}, night {night}",
        "version": night,
        "resources": [_resource(t, by_table[t.name]) for t in sorted(tables, key=lambda t: t.name)],
    }
    text = json.dumps(package, indent=2, ensure_ascii=False, sort_keys=False)
    path.write_text(text + "\n", encoding="utf-8")


def plain_name(text: str) -> str:
    """Return a name made of lower-case letters, digits, dots, underscores and hyphens."""
    return "".join(c if (c.isalnum() and c.isascii()) or c in "._-" else "-" for c in text.lower())


def _resource(table: Table, paths: list[str]) -> dict[str, Any]:
    return {
        "name": plain_name(table.name),
        "title": f"One row is {table.one_row_is}",
        "path": sorted(paths),
        "format": "parquet",
        "mediatype": "application/vnd.apache.parquet",
        "schema": {"$schema": TABLE_PROFILE, **package_schema(table)},
    }


def dictionary(
    tables: Iterable[Table] | None = None, shown: Iterable[Table] | None = None
) -> list[dict[str, str]]:
    """Return one row for each column of every table and view; those of a night if left out."""
    described = warehouse_contract().values() if tables is None else tables
    of_views = views() if shown is None else shown
    return [*dictionary_rows(described), *(row for view in of_views for row in view_rows(view))]


def view_rows(view: Table) -> list[dict[str, str]]:
    """Describe the columns of a view, without the bounds that the contract sets for tables."""
    columns = (replace(c, low=None, high=None, pattern=None) for c in view.columns)
    rows = dictionary_rows([replace(view, columns=tuple(columns))])
    return [row | {"group": "view"} for row in rows]


def write_dictionary(path: Path, tables: Iterable[Table], shown: Iterable[Table]) -> None:
    """Write the dictionary of tables and views as a CSV file, in UTF-8."""
    rows = dictionary(tables, shown)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
