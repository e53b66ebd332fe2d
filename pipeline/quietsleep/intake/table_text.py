"""The tables of a delivery as text: rows of cells with the row numbers that an editor shows.

Every line is read by itself, so that a stray quote spoils its own row and swallows no other.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from quietsleep import contract
from quietsleep.contract.model import Table
from quietsleep.intake.files.csv import as_utf8, cells_of
from quietsleep.intake.files.request import MOST_COLUMNS, may_show_column
from quietsleep.intake.reference import Place, nearest
from quietsleep.records import Problem

MOST_BYTES = 64 * 1024**2
MOST_ROWS = 200_000
DELIVERY_TABLES = ("sessions", "recordings", "checks", "reported")
OPTIONAL_TABLES = frozenset({"reported"})
_LINE_END = re.compile(r"\r\n|\n|\r")


@dataclass(frozen=True, slots=True)
class TextRow:
    """One row: its number in the file and its cells, stripped."""

    row: int
    cells: tuple[str, ...]


@dataclass(slots=True)
class TextTable:
    """One table as text. `problems` hold the delivery; `warnings` do not."""

    name: str
    header: tuple[str, ...] = ()
    rows: list[TextRow] = field(default_factory=list)
    decimal: str = "."
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)

    @property
    def file(self) -> str:
        """Name of the file inside the delivery."""
        return f"{self.name}.csv"

    @property
    def contract(self) -> Table:
        """The table as the contract has it."""
        return contract.TABLES[f"delivery_{self.name}"]


def read_text_table(name: str, data: bytes, place: Place) -> TextTable:
    """Split a table into cells; what is wrong with the table as a whole becomes a problem."""
    table = TextTable(name)
    if len(data) > MOST_BYTES or data.count(b"\n") + data.count(b"\r") > 2 * MOST_ROWS:
        what = f"is larger than {MOST_BYTES // 1024**2} MB or {MOST_ROWS} rows"
        _refuse(table, place, "table_size", what)
        return table
    data = as_utf8(data)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    lines = _LINE_END.split(text)
    delimiter = _delimiter(lines[0])
    table.decimal = "," if delimiter == ";" else "."
    table.header = tuple(cell.strip() for cell in cells_of(lines[0], delimiter))
    if len(table.header) > MOST_COLUMNS:
        table.header = ()
        _refuse(table, place, "column_count", f"has more than {MOST_COLUMNS} columns")
        return table
    for row, line in enumerate(lines[1:], start=2):
        cells = tuple(cell.strip() for cell in cells_of(line, delimiter))
        if any(cells):
            table.rows.append(TextRow(row, cells))
    return table


def empty_table(name: str) -> TextTable:
    """Return an optional table that the centre did not deliver."""
    table = TextTable(name)
    table.header = tuple(column.name for column in table.contract.columns)
    return table


def check_header(table: TextTable, place: Place) -> None:
    """Note missing, doubled and unknown columns. Call it after the privacy scan."""
    if table.problems:
        return
    names = [column.name for column in table.contract.columns]
    unknown = [n for n in table.header if n not in names]
    for name in names:
        count = table.header.count(name)
        if count == 1:
            continue
        what = f"has no column {name}" if count == 0 else f"has the column {name} {count} times"
        hint = nearest(name, [n for n in unknown if may_show_column(n)]) if count == 0 else ""
        kind = "column_missing" if count == 0 else "column_twice"
        _refuse(table, place, kind, what, column=name, hint=hint)
    for name in unknown:
        table.warnings.append(_unknown_column(table, place, name, names))


def _unknown_column(table: TextTable, place: Place, name: str, names: Sequence[str]) -> Problem:
    number = table.header.index(name) + 1
    title = f"column {name}" if may_show_column(name) else f"column {number}"
    free = [n for n in names if n not in table.header]
    return place.problem(
        "column_unknown",
        table.file,
        f"The {title} of {table.file} is not in the contract; it was not read.",
        expected="the columns of the contract",
        remedy=f"Leave the column out, or name it as the contract does.{nearest(name, free)}",
        column=name if may_show_column(name) else None,
    )


def _refuse(
    table: TextTable,
    place: Place,
    kind: str,
    what: str,
    *,
    column: str | None = None,
    hint: str = "",
) -> None:
    table.problems.append(
        place.problem(
            kind,
            table.file,
            f"{table.file} {what}, so the whole delivery is held.",
            expected="the columns of the contract, each once",
            remedy=f"Correct the header and deliver again; an empty column may stay empty.{hint}",
            column=column,
        )
    )


def _delimiter(line: str) -> str:
    """Comma; semicolon (with a decimal comma) or tab where the header has more of them."""
    return max((",", ";", "\t"), key=line.count)
