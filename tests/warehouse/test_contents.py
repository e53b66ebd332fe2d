"""Digests of contents: the same for the same values, however they came; another for any other."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep.warehouse.contents import digest_of_rows

SCHEMA = pa.schema(
    [
        ("code", pa.string()),
        ("value", pa.float64()),
        ("n", pa.int64()),
        ("flagged", pa.bool_()),
        ("day", pa.date32()),
        ("at", pa.timestamp("us", tz="UTC")),
    ]
)
CELLS: dict[str, st.SearchStrategy[Any]] = {
    "code": st.text("abé☃ ", max_size=4),
    "value": st.floats(allow_nan=False),
    "n": st.integers(-(2**63), 2**63 - 1),
    "flagged": st.booleans(),
    "day": st.dates(date(1900, 1, 1), date(2100, 1, 1)),
    "at": st.datetimes(datetime(1900, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)),
}
ROW = st.fixed_dictionaries({name: st.none() | cells for name, cells in CELLS.items()})
ROWS = st.lists(ROW, max_size=12)


def table(rows: list[dict[str, Any]], schema: pa.Schema = SCHEMA) -> pa.Table:
    return pa.Table.from_pylist(rows, schema=schema)


def digest(rows: list[dict[str, Any]], size: int = 100) -> str:
    return digest_of_rows(SCHEMA, table(rows).to_batches(max_chunksize=size))


@given(ROWS, st.integers(1, 5), st.integers(0, 3))
def test_batches_slices_and_the_order_of_columns_do_not_count(
    rows: list[dict[str, Any]], size: int, before: int
) -> None:
    more = [*rows[:before], *rows]
    sliced = table(more).slice(len(rows[:before]))
    assert digest_of_rows(SCHEMA, sliced.to_batches(max_chunksize=size)) == digest(rows)
    turned = pa.schema(list(reversed(list(SCHEMA))))
    assert digest_of_rows(turned, table(rows, turned).to_batches()) == digest(rows)


@given(ROWS.filter(bool), st.data())
def test_another_cell_order_or_number_of_rows_counts(
    rows: list[dict[str, Any]], data: st.DataObject
) -> None:
    place = data.draw(st.integers(0, len(rows) - 1))
    name = data.draw(st.sampled_from(list(CELLS)))
    cell = rows[place][name]
    other = data.draw((st.none() | CELLS[name]).filter(lambda value: value != cell))
    changed = [dict(row) for row in rows]
    changed[place][name] = other
    assert digest(changed) != digest(rows)
    assert digest([*rows, rows[place]]) != digest(rows)
    turned = rows[::-1]
    # Zero and minus zero are equal, and written down as two.
    assert (digest(turned) == digest(rows)) == (repr(turned) == repr(rows))


@pytest.mark.parametrize(
    ("one", "other"), [(("ab", "c"), ("a", "bc")), ((None, ""), ("", None)), ((None,), ("",))]
)
def test_texts_do_not_run_together(one: tuple[Any, ...], other: tuple[Any, ...]) -> None:
    assert digest([{"code": text} for text in one]) != digest([{"code": text} for text in other])


def test_a_digest_written_down_once_stands() -> None:
    """What a register keeps for years must not hang on a version of a library."""
    row = {"code": "s1", "value": 1.5, "n": 3, "flagged": True, "day": date(2026, 3, 1),
           "at": datetime(2026, 3, 1, 12, tzinfo=UTC)}  # fmt: skip
    assert digest([row, dict.fromkeys(row)]) == RECORDED


# Worked out once more from the words of the module alone, with the standard library.
RECORDED = "d3d121d6205f1f587fdeec2e50f848b563b6a8b17b822fe2bd38ad04a8c305fa"
