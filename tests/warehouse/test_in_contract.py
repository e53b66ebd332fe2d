"""Frames are brought to the contract as the plain way does it: each step on the whole frame."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.contract.model import Column, Table
from quietsleep.contract.schemas import PANDAS_TYPES, arrow_schema
from quietsleep.errors import WarehouseError
from quietsleep.store import tables
from quietsleep.store.rows_digest import RowsDigest
from quietsleep.store.tables import in_contract, to_arrow

MOMENT = datetime(2026, 3, 3, 9, 30, tzinfo=UTC)
# Values that fit each type, the ways to say that there is none, and values that do not fit.
VALUES: dict[Any, list[Any]] = {
    "text": ["", "a", "B", "é"],
    "number": [0.0, -1.5, 1e300, 7],
    "integer": [0, 3, -4],
    "yes_no": [True, False],
    "date": [date(2026, 3, 3), date(1999, 12, 31)],
    "datetime": [MOMENT, MOMENT.replace(year=2001, microsecond=7)],
}
NOTHING = [None, np.nan, pd.NaT, pd.NA]
WRONG = ["no number", 1.5, MOMENT, True, [1]]
TABLE = Table(
    "plain", "warehouse", "one of a test", ("text_0", "integer_0"),
    tuple(
        Column(f"{kind}_{i}", kind, "A column.", "1" if kind == "number" else None, nullable=i > 0)
        for kind in VALUES for i in range(3)
    ),
)  # fmt: skip


def plain_in_contract(frame: pd.DataFrame) -> pd.DataFrame:
    rows = frame.reindex(columns=[column.name for column in TABLE.columns])
    for name in rows.columns[rows.isna().all()]:
        rows[name] = pd.Series(None, index=rows.index, dtype="object")
    types = {column.name: PANDAS_TYPES[column.type] for column in TABLE.columns}
    rows = rows.astype({name: "object" if t == "date" else t for name, t in types.items()})
    if rows[list(TABLE.key)].isna().any(axis=None):
        raise ValueError("rows without a key")
    return rows.sort_values(list(TABLE.key), ignore_index=True)


def plain_to_arrow(frame: pd.DataFrame) -> pa.Table:
    schema = arrow_schema(TABLE)
    arrays = []
    for field in schema:
        values = frame[field.name]
        if values.isna().all():
            values = values.astype(object)
        elif values.dtype.kind == "M" and pa.types.is_timestamp(field.type):
            values = values.dt.as_unit("us")
        try:
            arrays.append(pa.Array.from_pandas(values, type=field.type))
        except (pa.ArrowException, TypeError, ValueError) as error:
            raise WarehouseError(str(error)) from error
        if arrays[-1].null_count and not field.nullable:
            raise WarehouseError("empty cells")
    data = pa.Table.from_arrays(arrays, schema=schema)
    order = [(name, "ascending") for name in dict.fromkeys((*TABLE.key, *schema.names))]
    data = data.take(pc.sort_indices(data, sort_keys=order)).combine_chunks()
    if len({tuple(row.values()) for row in data.select(list(TABLE.key)).to_pylist()}) < len(data):
        raise WarehouseError("a key twice")
    return data


@st.composite
def frames(draw: st.DrawFn) -> pd.DataFrame:
    """Frames with columns left out, without values, of their type or of none, and some wrong."""
    n = draw(st.integers(0, 6))
    columns: dict[str, Any] = {}
    for column in TABLE.columns:
        is_key = column.name in TABLE.key
        how = draw(st.sampled_from(["typed"] * 4 if is_key else ["typed", "objects", "gone"]))
        if how == "gone" and draw(st.booleans()):
            continue
        held = VALUES[column.type]
        cells = held if is_key else [*held, *NOTHING]
        cells = NOTHING if how == "gone" else cells
        values = draw(st.lists(st.sampled_from(cells), min_size=n, max_size=n))
        series = pd.Series(values, dtype=object)
        if draw(st.integers(0, 60)) == 0 and n:
            series[0] = draw(st.sampled_from([*WRONG, None]))
        elif how == "typed" and draw(st.booleans()):
            series = series.infer_objects()
        columns[column.name] = series
    frame = pd.DataFrame(columns, index=range(n))
    return frame.set_index(pd.Index(draw(st.permutations(range(n)))))


def outcome(make: Callable[[], Any]) -> tuple[Any, type[Exception] | None]:
    try:
        return make(), None
    except Exception as error:
        return None, type(error)


def digest(data: pa.Table) -> str:
    rows = RowsDigest(data.schema)
    for batch in data.to_batches():
        rows.add(batch)
    return rows.close()


@settings(max_examples=150, deadline=None)
@given(frame=frames())
def test_frames_and_arrow_tables_are_those_of_the_plain_way(frame: pd.DataFrame) -> None:
    before = frame.copy()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(contract, "TABLES", {TABLE.name: TABLE}, raising=False)
        patch.setattr(tables, "frames_are_checked", lambda: False)
        rows, error = outcome(lambda: in_contract(frame, TABLE.name))
    expected, as_plain = outcome(lambda: plain_in_contract(frame))
    pd.testing.assert_frame_equal(frame, before)
    assert error is as_plain
    if expected is None:
        return
    pd.testing.assert_frame_equal(rows, expected, check_exact=True)
    assert list(rows.dtypes) == list(expected.dtypes)
    assert type(rows.index) is type(expected.index)
    assert rows.map(repr).equals(expected.map(repr))
    data, error = outcome(lambda: to_arrow(TABLE, rows))
    same, as_plain = outcome(lambda: plain_to_arrow(expected))
    assert error is as_plain
    if same is not None:
        assert data.equals(same, check_metadata=True)
        assert digest(data) == digest(same)


def test_result_shares_no_cell_with_what_it_came_from() -> None:
    frame = pd.DataFrame({"text_0": ["a", "b"], "integer_0": pd.array([1, 2], dtype="Int64")})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(contract, "TABLES", {TABLE.name: TABLE}, raising=False)
        patch.setattr(tables, "frames_are_checked", lambda: False)
        rows = in_contract(frame, TABLE.name)
    rows.loc[0, "integer_0"] = 7
    rows.loc[0, "text_1"] = "x"
    assert list(frame["integer_0"]) == [1, 2]
    assert rows["text_2"].isna().all()


def test_a_column_twice_is_refused() -> None:
    frame = pd.DataFrame([[1, 2]], columns=["a", "a"])
    with pytest.raises(ValueError, match="column comes twice"):
        in_contract(frame, "sources")
