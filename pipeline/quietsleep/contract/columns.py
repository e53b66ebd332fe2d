"""Reads one table of the contracts and refuses columns that no schema could be made of."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

from quietsleep.contract.entries import Entry, read_entry, unique
from quietsleep.contract.known import Known
from quietsleep.contract.model import Column, ColumnType, Table


def _column(entry: Entry, names: Known) -> Column:
    kind = entry.one_of("type", get_args(ColumnType))
    has_unit = entry.optional_text("unit") is not None
    column = Column(
        name=entry.text("name"),
        type=kind,
        meaning=entry.text("meaning"),
        unit=names.unit(entry) if has_unit else None,
        low=entry.optional_number("low"),
        high=entry.optional_number("high"),
        choices=entry.texts("choices", ()),
        pattern=entry.optional_text("pattern"),
        nullable=entry.yes("nullable", False),
        publishable=entry.yes("publishable", True),
        unit_from=entry.optional_text("unit_from"),
    )
    entry.done()
    numeric = kind in ("number", "integer")
    if kind == "number" and has_unit == (column.unit_from is not None):
        entry.refuse("a number needs unit or unit_from; the unit is 1 when it has no dimension")
    if not numeric and (has_unit or column.low is not None or column.high is not None):
        entry.refuse("unit, low and high belong to numbers only")
    if (kind == "choice") != bool(column.choices):
        entry.refuse("choices belong to columns of type choice, and to no other")
    return column


def read_table(path: Path, names: Known) -> Table:
    """Read one table; it is named by its file, and its key columns are never empty."""
    entry = read_entry(path)
    columns = tuple(_column(c, names) for c in entry.list_of("columns"))
    table = Table(
        name=entry.text("name"),
        group=entry.one_of("group", ("delivery", "warehouse")),
        one_row_is=entry.text("one_row_is"),
        key=entry.texts("key"),
        columns=columns,
    )
    entry.done()
    unique(entry, "column", [c.name for c in columns])
    if table.name != path.stem:
        entry.refuse(f"name = {table.name!r} differs from the name of the file")
    for name in table.key:
        if name not in {c.name for c in columns}:
            entry.refuse(f"key names the unknown column {name!r}")
        if table.column(name).nullable:
            entry.refuse(f"the key column {name!r} may not be nullable")
    return table
