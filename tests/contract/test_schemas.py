"""pandera, arrow, DuckDB, dictionary and data package say the same of every table."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import duckdb
import pandas as pd
import pandera.errors
import pyarrow as pa
import pytest

from quietsleep import contract
from quietsleep.contract import schemas
from quietsleep.contract.model import Column, Table

TABLES = list(contract.TABLES.values())


def example(column: Column, row: int) -> Any:
    """A value that the column takes; `row` makes keys differ."""
    if column.pattern:
        special = {"file": f"signals/s/{row}.csv", "outcome": f"vt_ml_{row}"}
        return special.get(column.name, f"a{row}")
    by_type: dict[str, Any] = {
        "choice": column.choices[0] if column.choices else None,
        "number": 1.5 if column.low is None else column.low,
        "integer": row,
        "yes_no": row % 2 == 0,
        "date": date(2026, 1, 1 + row),
        "datetime": datetime(2026, 1, 1, row, 30, 0, 123456, tzinfo=UTC),
        "text": f"it's {row}",
    }
    return by_type[column.type]


def frame(table: Table) -> pd.DataFrame:
    """Two full rows and one with every cell empty that may be empty."""
    rows = [{c.name: example(c, row) for c in table.columns} for row in (1, 2)]
    rows.append({c.name: None if c.nullable else example(c, 3) for c in table.columns})
    return pd.DataFrame(rows)


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_a_row_survives_pandera_arrow_and_duckdb(table: Table) -> None:
    clean = schemas.pandera_schema(table).validate(frame(table))
    arrow = pa.Table.from_pandas(clean, schemas.arrow_schema(table), preserve_index=False)
    arrow.validate(full=True)
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute(schemas.duckdb_ddl(table))
        connection.register("incoming", arrow)
        connection.execute(f'INSERT INTO "{table.name}" SELECT * FROM incoming')
        back = connection.sql(f'SELECT * FROM "{table.name}"').to_arrow_table()
    assert back.cast(schemas.arrow_schema(table)).to_pylist() == arrow.to_pylist()


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_an_empty_table_has_the_same_types(table: Table) -> None:
    empty = pd.DataFrame({c.name: [] for c in table.columns})
    clean = schemas.pandera_schema(table).validate(empty)
    arrow = pa.Table.from_pandas(clean, schemas.arrow_schema(table), preserve_index=False)
    assert arrow.schema.equals(schemas.arrow_schema(table)) and arrow.num_rows == 0


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_comments_of_duckdb_are_the_meanings(table: Table) -> None:
    with duckdb.connect() as connection:
        connection.execute(schemas.duckdb_ddl(table))
        columns = connection.execute(
            "SELECT column_name, comment, is_nullable FROM duckdb_columns() "
            "WHERE table_name = ? ORDER BY column_index",
            [table.name],
        ).fetchall()
        comment = connection.execute(
            "SELECT comment FROM duckdb_tables() WHERE table_name = ?", [table.name]
        ).fetchone()
    expected = [(c.name, schemas.column_comment(c), c.nullable) for c in table.columns]
    assert columns == expected
    assert comment == (schemas.table_comment(table),)
    for column in table.columns:
        if column.unit:
            assert f"[{column.unit}]" in schemas.column_comment(column)


def test_an_empty_cell_does_not_become_a_word() -> None:
    table = contract.TABLES["waivers"]
    row = {c.name: example(c, 1) for c in table.columns} | {"reason": None}
    with pytest.raises(pandera.errors.SchemaError, match="reason"):
        schemas.pandera_schema(table).validate(pd.DataFrame([row]))


BAD_CELLS = {
    "age_days": (5000.0, "in_range"),
    "sex": ("boy", "isin"),
    "infant": ("Jo Example", "str_matches"),
    "birth_weight_kg": (float("inf"), "finite"),
    "weight_kg": (float("nan"), "not_nullable"),
}


def test_bad_cells_are_named_with_row_and_check() -> None:
    table = contract.TABLES["delivery_sessions"]
    good = {c.name: example(c, 1) for c in table.columns}
    rows = [good] + [
        good | {"session": f"b{i}", name: value}
        for i, (name, (value, _)) in enumerate(BAD_CELLS.items())
    ]
    with pytest.raises(pandera.errors.SchemaErrors) as caught:
        schemas.pandera_schema(table).validate(pd.DataFrame(rows), lazy=True)
    cases = caught.value.failure_cases
    for i, (name, (_, check)) in enumerate(BAD_CELLS.items(), start=1):
        found = cases[(cases["column"] == name) & (cases["index"] == i)]["check"].tolist()
        assert any(str(c).startswith(check) for c in found), (name, found)
    assert not (cases["index"] == 0).any()


def test_a_key_that_stands_twice_and_a_strange_column_are_refused() -> None:
    table = contract.TABLES["centres"]
    row = {c.name: example(c, 1) for c in table.columns}
    with pytest.raises(pandera.errors.SchemaError, match="not unique"):
        schemas.pandera_schema(table).validate(pd.DataFrame([row, row]))
    strange = pd.DataFrame([row | {"row": 2}])
    with pytest.raises(pandera.errors.SchemaErrors, match="row"):
        schemas.pandera_schema(table).validate(strange)
    assert "row" in schemas.pandera_schema(table, strict=False).validate(strange).columns


def test_the_dictionary_holds_each_column_once() -> None:
    rows = schemas.dictionary_rows()
    listed = [(r["table"], r["column"]) for r in rows]
    assert listed == [(t.name, c.name) for t in TABLES for c in t.columns]
    assert all(set(r) == set(rows[0]) and all(isinstance(v, str) for v in r.values()) for r in rows)
    numbers = [r for r in rows if r["type"] == "number"]
    assert numbers and all(bool(r["unit"]) != bool(r["unit_from"]) for r in numbers)


def test_arrow_and_data_package_carry_the_unit() -> None:
    table = contract.TABLES["recordings"]
    name = "apparatus_resistance_kpa_s_l"
    assert schemas.arrow_schema(table).field(name).metadata[b"unit"] == b"kPa.s/L"
    field = schemas.package_field(table.column(name))
    assert (field["type"], field["unit"]) == ("number", "kPa.s/L")
    assert "constraints" not in field
    sex = schemas.package_field(contract.TABLES["delivery_sessions"].column("sex"))
    assert sex["constraints"] == {"required": True, "enum": ["female", "male"]}
    assert schemas.package_schema(table)["primaryKey"] == ["centre", "item"]
