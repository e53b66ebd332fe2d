"""Ways in which programs write one and the same delivery; its signals stay as they are."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from quietsleep import contract
from tests.intake.conftest import Draft

Rows = list[dict[str, str]]
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
ZONE = "Europe/Berlin"


def cells_of(name: str, rows: Rows) -> list[list[str]]:
    """Header and rows of a table as text."""
    columns = [c.name for c in contract.TABLES[f"delivery_{name}"].columns]
    for row in rows:
        columns += [c for c in row if c not in columns]
    return [columns, *([row.get(c, "") for c in columns] for row in rows)]


def text_of(cells: Sequence[Sequence[str]], delimiter: str = ",", *, quoting: int = 0) -> str:
    sink = io.StringIO()
    csv.writer(sink, delimiter=delimiter, lineterminator="\n", quoting=quoting).writerows(cells)  # type: ignore[arg-type]
    return sink.getvalue()


def numeric(name: str) -> set[str]:
    columns = contract.TABLES[f"delivery_{name}"].columns
    return {c.name for c in columns if c.type in ("number", "integer")}


def with_comma(name: str, cells: list[list[str]]) -> list[list[str]]:
    """The same table with a decimal comma."""
    at = {n for n, title in enumerate(cells[0]) if title in numeric(name)}
    rows = [[c.replace(".", ",") if n in at else c for n, c in enumerate(r)] for r in cells[1:]]
    return [cells[0], *rows]


def with_units(name: str, cells: list[list[str]]) -> list[list[str]]:
    """The same table with its units below the heading."""
    units = {c.name: c.unit or "" for c in contract.TABLES[f"delivery_{name}"].columns}
    return [cells[0], [f"[{units[t]}]" if units.get(t) else "" for t in cells[0]], *cells[1:]]


def rewritten(
    draft: Draft, write: Callable[[str, list[list[str]]], bytes], path: str = "{}.csv"
) -> Draft:
    """Return the delivery with each table written by `write`, in files of that name."""
    tables, draft.tables = draft.tables, {}
    for name, rows in tables.items():
        draft.signals[path.format(name)] = write(name, cells_of(name, rows))
    return draft


def as_typed(title: str, cell: str, column: Any) -> Any:
    """A cell as a spreadsheet holds it that somebody filled by hand."""
    if column is not None and column.type in ("number", "integer") and _NUMBER.fullmatch(cell):
        return float(cell)
    if column is not None and column.type == "datetime" and cell:
        return datetime.fromisoformat(cell).replace(tzinfo=None)
    return cell or None


def as_text(_title: str, cell: str, _column: Any) -> Any:
    return cell or None


def as_text_with_comma(title: str, cell: str, column: Any) -> Any:
    numbers = column is not None and column.type in ("number", "integer")
    return cell.replace(".", ",") if numbers and cell else cell or None


def fill(sheet: Worksheet, name: str, cells: Iterable[Sequence[str]], cell_as: Any) -> None:
    columns = {c.name: c for c in contract.TABLES[f"delivery_{name}"].columns}
    header, *rows = cells
    sheet.append(list(header))
    for row in rows:
        sheet.append([cell_as(t, c, columns.get(t)) for t, c in zip(header, row, strict=True)])


def book_of(draft: Draft, cell_as: Any = as_typed) -> Workbook:
    """The tables of a delivery as one workbook."""
    book = Workbook()
    book.remove(book.active)
    for name, rows in draft.tables.items():
        fill(book.create_sheet(name.title()), name, cells_of(name, rows), cell_as)
    return book


def book_bytes(book: Workbook) -> bytes:
    sink = io.BytesIO()
    book.save(sink)
    return sink.getvalue()


def in_workbook(draft: Draft, book: Workbook | bytes, path: str = "Export.xlsx") -> Draft:
    """Return the delivery with its tables in a workbook."""
    draft.tables = {}
    draft.signals[path] = book if isinstance(book, bytes) else book_bytes(book)
    return draft
