"""Empty tables of a delivery for people who fill them in by hand, made from the contract."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path

from quietsleep import contract
from quietsleep.contract import Column
from quietsleep.contract.units import show_unit
from quietsleep.errors import QuietsleepError
from quietsleep.intake.dialect import DELIVERY_TABLES
from quietsleep.intake.files.workbook import WorkbookSheet, write_workbook
from quietsleep.intake.find import COLUMNS_EXPLAINED

WORKBOOK = "delivery.xlsx"


class TemplateError(QuietsleepError):
    """Templates cannot be written; the message is one plain sentence."""


def write_templates(folder: Path, *, as_workbook: bool = False) -> list[Path]:
    """Write a table each with its headings alone, and a list that says what each column holds.

    A workbook has the tables as sheets. TemplateError where a file of that name is there: it may
    have been filled in.
    """
    heads = {name: [column.name for column in _columns(name)] for name in DELIVERY_TABLES}
    files: dict[str, bytes] = {}
    if as_workbook:
        sheets = [_sheet(name, [head]) for name, head in heads.items()]
        files[WORKBOOK] = write_workbook(sheets)
    else:
        files |= {f"{name}.csv": _csv([head]) for name, head in heads.items()}
    files[COLUMNS_EXPLAINED] = _csv([list(row) for row in _explained()])
    for name in files:
        if (folder / name).exists():
            raise TemplateError(
                f"{folder / name} is there already and may have been filled in; it stays as it is. "
                "Name another folder."
            )
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in files]


def _columns(table: str) -> tuple[Column, ...]:
    return contract.TABLES[f"delivery_{table}"].columns


def _explained() -> Iterator[tuple[str, ...]]:
    yield "table", "column", "may be empty", "what is written", "meaning"
    for table in DELIVERY_TABLES:
        for column in _columns(table):
            yield (
                table,
                column.name,
                "yes" if column.nullable else "no",
                _written(column),
                column.meaning,
            )


def _written(column: Column) -> str:
    """Say what a cell holds."""
    if column.choices:
        return " or ".join(column.choices)
    kinds = {
        "number": "a number",
        "integer": "a whole number",
        "yes_no": "yes or no",
        "datetime": "date and time with offset, 2026-03-02T10:15:00+01:00",
        "date": "a date, 2026-03-02",
        "text": "text",
    }
    said = kinds.get(column.type, column.type)
    if column.unit and column.unit != "1":
        said += f" in {show_unit(column.unit)}"
    if column.low is not None and column.high is not None:
        said += f", {column.low:g} to {column.high:g}"
    return said


def _sheet(title: str, rows: list[list[str]]) -> WorkbookSheet:
    return WorkbookSheet(title, tuple(enumerate((tuple(row) for row in rows), start=1)))


def _csv(rows: list[list[str]]) -> bytes:
    sink = io.StringIO()
    csv.writer(sink, lineterminator="\n").writerows(rows)
    return sink.getvalue().encode()
