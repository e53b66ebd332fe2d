"""Text to typed cells, each bad cell with its own reason; then pandera judges the typed table."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from quietsleep.contract.model import Column, ColumnType
from quietsleep.intake.dialect import NAMING, TextRow
from quietsleep.intake.reference import DeliveryReference, nearest, quoted, shown
from quietsleep.intake.text_table import NUMBER, TextTable
from quietsleep.records import Problem
from quietsleep.study.dialect import YES_NO

if TYPE_CHECKING:
    import pandas as pd

# A table with more mistakes than this is no export of a centre.
MOST_FAULTS = 20_000
CORRECT = "Correct the cell and deliver the session again, in a new delivery."
LONGEST_TEXT = 200
_INTEGER = re.compile(r"[-+]?\d{1,15}", re.ASCII)
_TIME = re.compile(
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:\.\d{1,6})?)?(?:Z|[-+]\d\d:?\d\d)?", re.ASCII
)
TIME_EXPECTED = "a time with its offset such as 2026-03-02T09:30:00+01:00"
_YEARS = range(1990, 2101)


@dataclass(slots=True)
class TypedTable:
    """A typed table: contract columns plus `row` and `local_day`, the day where the centre is.

    Bad cells are missing in `frame`; `faults` maps the row to what is wrong with it.
    """

    name: str
    frame: pd.DataFrame
    faults: dict[int, list[Problem]] = field(default_factory=lambda: defaultdict(list))


class _Bad(Exception):
    """A cell that cannot be typed; `what` says why it is not what was expected."""

    def __init__(self, what: str = "") -> None:
        super().__init__(what)
        self.what = what


def typed_table(
    text: TextTable, place: DeliveryReference, zone: ZoneInfo | None = None
) -> TypedTable:
    """Type every cell of a table, then let pandera judge it; never raises for bad cells.

    Local days are those of `zone`, without one of the offset beside each time.
    """
    import pandas as pd

    typed = TypedTable(text.name, pd.DataFrame())
    at = {c.name: text.header.index(c.name) for c in text.contract.columns if c.name in text.header}
    values: dict[str, list[Any]] = {c.name: [] for c in text.contract.columns}
    n_faults = 0
    for number, row in enumerate(text.rows, start=1):
        if n_faults > MOST_FAULTS:
            del text.rows[number - 1 :]  # the table is refused as a whole
            break
        short = len(row.cells) != len(text.header)
        if short:
            typed.faults[row.row].append(_wrong_count(text, row, place))
        for column in text.contract.columns:
            # In a row of the wrong length cells have moved: only what names it is looked for.
            place_of = at.get(column.name, len(row.cells))  # an optional column may be left out
            there = place_of < len(row.cells) and (not short or column.name in NAMING)
            cell = row.cells[place_of] if there else ""
            try:
                values[column.name].append(_typed(cell, column, text, zone))
            except _Bad as bad:
                values[column.name].append(None)
                if not short:
                    problem = _bad_cell(text, row.row, column, cell, place, why=bad.what)
                    typed.faults[row.row].append(problem)
        n_faults += len(typed.faults.get(row.row, ()))
    typed.frame = _frame(text, values, zone)
    _judge(text, typed, place)
    return typed


def _typed(cell: str, column: Column, text: TextTable, zone: ZoneInfo | None) -> Any:
    """Type one cell; what stands for something else by registration is noted."""
    if cell and (column.choices or column.type == YES_NO):
        meant = text.words.choice(column, cell)
        if meant is not None:
            if meant != cell and cell.lower() not in ("yes", "no"):
                text.read_as[f'"{cell}" as {meant}'] += 1
            return meant == "yes" if column.type == YES_NO else meant
    if cell and text.words.is_missing(cell):
        text.read_as[f'"{cell}" as an empty cell'] += 1
        if not column.nullable:
            raise _Bad("is a missing value, and the cell may not be empty")
        return None
    if not cell:
        if column.nullable:
            return None
        raise _Bad
    if column.type == "datetime":
        return _datetime(cell, text, zone)
    return _PARSERS[column.type](cell, text.decimal)


def _number(cell: str, decimal: str) -> float:
    text = cell.replace(",", ".") if decimal == "," and cell.count(",") == 1 else cell
    if not NUMBER.fullmatch(text) or (decimal == "," and "." in cell and "," in cell):
        raise _Bad
    return float(text)


def _integer(cell: str, _: str) -> int:
    if not _INTEGER.fullmatch(cell):
        raise _Bad
    return int(cell)


def _yes_no(_cell: str, _: str) -> bool:
    raise _Bad


def _text(cell: str, _: str) -> str:
    if not cell.isprintable():
        raise _Bad("holds characters that cannot be printed")
    if len(cell) > LONGEST_TEXT:
        raise _Bad(f"is longer than {LONGEST_TEXT} characters")
    return cell


def _date(cell: str, _: str) -> date:
    try:
        return date.fromisoformat(cell)
    except ValueError:
        raise _Bad from None


def _datetime(cell: str, text: TextTable, zone: ZoneInfo | None) -> datetime:
    """Read a moment; without an offset it is the clock of a centre that names its time zone."""
    if NUMBER.fullmatch(cell):
        raise _Bad("is a number, as spreadsheets count days, and not a time as it is written")
    if not _TIME.fullmatch(cell):
        raise _Bad
    try:
        when = datetime.fromisoformat(cell)
    except (ValueError, OverflowError):
        raise _Bad from None
    if when.year not in _YEARS:
        raise _Bad
    if when.tzinfo is not None:
        return when
    if zone is None:
        raise _Bad(f"is not {TIME_EXPECTED}, and the centre has no time zone registered")
    first, second = (when.replace(tzinfo=zone, fold=n) for n in (0, 1))
    if first.utcoffset() != second.utcoffset():
        # Clocks were changed: the hour came twice, or never.
        raise _Bad("has no offset, and clocks were changed in that hour")
    text.read_as[f"times without an offset as {zone.key}"] += 1
    return first


_PARSERS: Mapping[ColumnType, Callable[[str, str], Any]] = {
    "text": _text,
    "choice": _text,
    "number": _number,
    "integer": _integer,
    "yes_no": _yes_no,
    "date": _date,
}


def _frame(text: TextTable, values: Mapping[str, list[Any]], zone: ZoneInfo | None) -> pd.DataFrame:
    """Lay the cells out; the local day is that of the first moment in a row."""
    import pandas as pd

    from quietsleep.contract.schemas import PANDAS_TYPES

    columns: dict[str, Any] = {}
    for column in text.contract.columns:
        cells = values[column.name]
        if column.type == "datetime":
            utc = [None if c is None else c.astimezone(UTC) for c in cells]
            columns[column.name] = pd.Series(utc, dtype="datetime64[us, UTC]")
            local = [c if c is None or zone is None else c.astimezone(zone) for c in cells]
            days = pd.Series([None if c is None else c.date() for c in local], dtype="object")
            columns.setdefault("local_day", days)
        elif column.type == "date":
            columns[column.name] = pd.Series(cells, dtype="object")
        else:
            columns[column.name] = pd.Series(cells, dtype=PANDAS_TYPES[column.type])
    columns["row"] = pd.Series([r.row for r in text.rows], dtype="int64")
    return pd.DataFrame(columns)


def _judge(text: TextTable, typed: TypedTable, place: DeliveryReference) -> None:
    """Let pandera judge all rows at once and put each failure into words."""
    if typed.frame.empty:
        return
    import pandera.errors

    from quietsleep.contract.schemas import pandera_schema

    names = [column.name for column in text.contract.columns]
    judged = typed.frame.set_index("row", drop=True)[names]
    try:
        pandera_schema(text.contract).validate(judged, lazy=True)
    except pandera.errors.SchemaErrors as errors:
        # Repeated keys are named in `holding`, which knows what hangs on them.
        cases = errors.failure_cases
        cases = cases[cases["check"] != "multiple_fields_uniqueness"]
        failed = {(int(r), str(c)) for c, r in zip(cases["column"], cases["index"], strict=True)}
        _name_failed(text, typed, failed, place)
        for name in {name for _, name in failed}:
            rows = [row for row, column in failed if column == name]
            typed.frame[name] = typed.frame[name].mask(typed.frame["row"].isin(rows))


def _name_failed(
    text: TextTable, typed: TypedTable, failed: set[tuple[int, str]], place: DeliveryReference
) -> None:
    """Put each failed cell into words, unless its row or cell has its reason already."""
    cells = {row.row: row.cells for row in text.rows}
    seen = {(p.row, p.column) for faults in typed.faults.values() for p in faults}
    titles = {column.name: text.title(column.name) for column in text.contract.columns}
    ragged = {p.row for faults in typed.faults.values() for p in faults if p.column is None}
    order = {column.name: number for number, column in enumerate(text.contract.columns)}
    for row, name in sorted(failed, key=lambda cell: (cell[0], order[cell[1]])):
        if row not in ragged and (row, titles[name]) not in seen:
            cell = cells[row][text.header.index(name)]
            problem = _bad_cell(text, row, text.contract.column(name), cell, place)
            typed.faults[row].append(problem)


def _wrong_count(text: TextTable, row: TextRow, place: DeliveryReference) -> Problem:
    return place.problem(
        "ragged_row",
        text.file,
        f"Row {row.row} of {text.file} has {len(row.cells)} cells, "
        f"but the header has {len(text.header)}.",
        expected=f"{len(text.header)} cells in each row",
        remedy=CORRECT,
        row=row.row,
    )


def _bad_cell(
    text: TextTable, row: int, column: Column, cell: str, place: DeliveryReference, *, why: str = ""
) -> Problem:
    seen = shown(cell, like=column.choices, is_time=column.type in {"date", "datetime"})
    if column.type in {"number", "integer"} and len(cell) <= 24:
        seen = seen if seen is None or _is_number_like(seen) else None
    expected = expectation(column, text.decimal)
    hint = nearest(cell, column.choices) if seen and column.choices else ""
    if cell and column.choices and not hint:
        hint = " A word of the centre's own can be registered by the coordinating centre."
    what = (
        f": {quoted(seen)} {why or f'is not {expected}'}" if cell else f" is empty: give {expected}"
    )
    return place.problem(
        "bad_cell",
        text.file,
        f"Row {row} of {text.file}, column {text.title(column.name)}{what}.",
        expected=expected,
        remedy=f"{CORRECT}{hint}",
        row=row,
        column=text.title(column.name),
        value=seen,
    )


def _is_number_like(text: str) -> bool:
    return len(re.sub(r"\D", "", text)) < 9


def expectation(column: Column, decimal: str = ".") -> str:
    """Say in words what a cell of a column may hold."""
    if column.choices:
        return f"one of {', '.join(column.choices)}"
    if column.type in {"number", "integer"}:
        kind = "a whole number" if column.type == "integer" else f"a number such as 4{decimal}2"
        unit = f" {column.unit}" if column.unit and column.unit != "1" else ""
        if column.low is not None and column.high is not None:
            return f"{kind} from {column.low:g} to {column.high:g}{unit}"
        return f"{kind}{f' in{unit}' if unit else ''}"
    return {
        "yes_no": "yes or no",
        "date": "a date such as 2026-03-02",
        "datetime": TIME_EXPECTED,
    }.get(column.type, _text_expectation(column))


def _text_expectation(column: Column) -> str:
    if column.name == "file":
        return "a path such as signals/<session>/<recording>.csv"
    return "a code of letters, digits, '-', '_' and '.'" if column.pattern else "a text"
