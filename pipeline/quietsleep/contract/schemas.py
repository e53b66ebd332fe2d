"""Generates every schema of a table from the contract: the only generator.

pandera judges frames, arrow types files, DuckDB gets tables with comments, the dictionary and the
data package describe them. Heavy libraries are imported where they are used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from quietsleep import contract
from quietsleep.contract.model import Column, ColumnType, Table
from quietsleep.contract.sql import identifier, literal

if TYPE_CHECKING:
    import pandera.pandas as pandera
    import pyarrow as pa

DUCKDB_TYPES: Mapping[ColumnType, str] = {
    "text": "VARCHAR",
    "number": "DOUBLE",
    "integer": "BIGINT",
    "yes_no": "BOOLEAN",
    "choice": "VARCHAR",
    "date": "DATE",
    "datetime": "TIMESTAMP WITH TIME ZONE",
}
PACKAGE_TYPES: Mapping[ColumnType, str] = {
    "text": "string",
    "number": "number",
    "integer": "integer",
    "yes_no": "boolean",
    "choice": "string",
    "date": "date",
    "datetime": "datetime",
}
PANDAS_TYPES: Mapping[ColumnType, str] = {
    "text": "str",
    "number": "float64",
    "integer": "Int64",
    "yes_no": "boolean",
    "choice": "str",
    "date": "date",
    "datetime": "datetime64[us, UTC]",
}


def pandera_schema(table: Table, *, strict: bool = True) -> pandera.DataFrameSchema:
    """Build the pandera schema of a table whose cells are parsed already.

    Checks are named by what they ask (in_range, isin, str_matches, finite), so that a failure can
    be put into words. `strict` refuses columns that the contract does not know.
    """
    import pandera.pandas as pandera

    return pandera.DataFrameSchema(
        {column.name: _pandera_column(column) for column in table.columns},
        name=table.name,
        description=table.one_row_is,
        strict=strict,
        unique=list(table.key),
        report_duplicates="all",
        coerce=True,
    )


def _pandera_column(column: Column) -> Any:
    import numpy as np
    import pandera.pandas as pandera
    from pandera.engines import pandas_engine

    checks = []
    if column.type == "number":
        checks.append(pandera.Check(np.isfinite, name="finite"))
    if column.low is not None or column.high is not None:
        low = -np.inf if column.low is None else column.low
        high = np.inf if column.high is None else column.high
        checks.append(pandera.Check.in_range(low, high))
    if column.choices:
        checks.append(pandera.Check.isin(column.choices))
    if column.pattern:
        checks.append(pandera.Check.str_matches(column.pattern))
    dtype = pandas_engine.Date() if column.type == "date" else PANDAS_TYPES[column.type]
    return pandera.Column(
        dtype, checks=checks, nullable=column.nullable, description=column.meaning, coerce=True
    )


def arrow_schema(table: Table) -> pa.Schema:
    """Build the arrow schema of a table, unit and meaning carried as metadata of each field."""
    import pyarrow as pa

    types: Mapping[ColumnType, pa.DataType] = {
        "text": pa.string(),
        "number": pa.float64(),
        "integer": pa.int64(),
        "yes_no": pa.bool_(),
        "choice": pa.string(),
        "date": pa.date32(),
        "datetime": pa.timestamp("us", tz="UTC"),
    }
    fields = [
        pa.field(
            column.name,
            types[column.type],
            nullable=column.nullable,
            metadata={
                "meaning": column.meaning,
                **({"unit": column.unit} if column.unit else {}),
                **({"unit_from": column.unit_from} if column.unit_from else {}),
            },
        )
        for column in table.columns
    ]
    return pa.schema(fields, metadata={"one_row_is": table.one_row_is, "key": ",".join(table.key)})


def column_comment(column: Column) -> str:
    """Say what a column holds, its unit first."""
    if column.unit:
        return f"[{column.unit}] {column.meaning}"
    if column.unit_from:
        return f"[unit in {column.unit_from}] {column.meaning}"
    return column.meaning


def table_comment(table: Table) -> str:
    """Say what one row of a table is and what names it."""
    return f"One row is {table.one_row_is}. Key: {', '.join(table.key)}."


def duckdb_ddl(table: Table) -> str:
    """Build the statements that create a table in DuckDB, each ended by a semicolon."""
    columns = ",\n".join(
        f"    {identifier(c.name)} {DUCKDB_TYPES[c.type]}{'' if c.nullable else ' NOT NULL'}"
        for c in table.columns
    )
    comments = [
        f"COMMENT ON COLUMN {identifier(table.name)}.{identifier(c.name)} "
        f"IS {literal(column_comment(c))};"
        for c in table.columns
    ]
    return "\n".join(
        [
            f"CREATE TABLE {identifier(table.name)} (\n{columns}\n);",
            f"COMMENT ON TABLE {identifier(table.name)} IS {literal(table_comment(table))};",
            *comments,
        ]
    )


def dictionary_rows(tables: Iterable[Table] | None = None) -> list[dict[str, str]]:
    """Describe every column of tables, of all if left out, one row a column, all cells text."""
    return [
        {
            "group": table.group,
            "table": table.name,
            "one_row_is": table.one_row_is,
            "column": column.name,
            "key": "yes" if column.name in table.key else "no",
            "type": column.type,
            "unit": column.unit or "",
            "unit_from": column.unit_from or "",
            "nullable": "yes" if column.nullable else "no",
            "low": "" if column.low is None else f"{column.low:g}",
            "high": "" if column.high is None else f"{column.high:g}",
            "choices": "|".join(column.choices),
            "pattern": column.pattern or "",
            "publishable": "yes" if column.publishable else "no",
            "meaning": column.meaning,
        }
        for table in (contract.TABLES.values() if tables is None else tables)
        for column in table.columns
    ]


def package_field(column: Column) -> dict[str, Any]:
    """Build the Data Package (version 2) table-schema field of a column, its unit carried."""
    # An empty text is a text here and a missing value to those who check, so texts ask for nothing.
    asks = not column.nullable and column.type != "text"
    constraints: dict[str, Any] = {"required": True} if asks else {}
    if column.low is not None:
        constraints["minimum"] = column.low
    if column.high is not None:
        constraints["maximum"] = column.high
    if column.choices:
        constraints["enum"] = list(column.choices)
    if column.pattern:
        constraints["pattern"] = column.pattern
    field: dict[str, Any] = {
        "name": column.name,
        "type": PACKAGE_TYPES[column.type],
        "description": column.meaning,
    }
    if column.unit:
        field["unit"] = column.unit
    if column.unit_from:
        field["unitFrom"] = column.unit_from
    if constraints:
        field["constraints"] = constraints
    return field


# How programs that read the parts by way of frames write a number or moment that is not there.
MISSING = ("", "nan", "NaT")


def package_schema(table: Table) -> dict[str, Any]:
    """Build the Data Package (version 2) table schema of a table."""
    return {
        "fields": [package_field(column) for column in table.columns],
        "primaryKey": list(table.key),
        "missingValues": list(MISSING),
    }
