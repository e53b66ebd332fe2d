"""A table as text: what its headings mean, its rows, and what of it was read as something else.

It comes out of a text file or out of a sheet of a workbook; what is wrong with it as a whole holds
the delivery.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from quietsleep import contract
from quietsleep.contract.model import Column, Table
from quietsleep.intake.dialect import TextRow, decimal_of, decoded, split_rows, units_of_row
from quietsleep.intake.files.request import MOST_COLUMNS, may_show_column
from quietsleep.intake.files.workbook import MOST_ROWS, WorkbookSheet, number_text
from quietsleep.intake.reference import UNKNOWN, DeliveryReference, nearest, quoted, shown
from quietsleep.records import Problem
from quietsleep.study.dialect import TableWords

NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?", re.ASCII)
MOST_BYTES = 64 * 1024**2


@dataclass(slots=True)
class TextTable:
    """One table as text. `problems` hold the delivery.

    `file` is what the centre sees of it: a file, or a sheet of a workbook. `header` holds the
    columns of the contract that its headings mean, and the headings that mean none; `titles` are
    the headings as they are written, `units` is the row of units below them, if there is one.
    `read_as` counts what was read as something else.
    """

    name: str
    header: tuple[str, ...] = ()
    rows: list[TextRow] = field(default_factory=list)
    decimal: str = "."
    problems: list[Problem] = field(default_factory=list)
    file: str = ""
    titles: tuple[str, ...] = ()
    units: tuple[TextRow, ...] = ()
    words: TableWords = field(default_factory=TableWords)
    read_as: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.file = self.file or f"{self.name}.csv"

    @property
    def contract(self) -> Table:
        """The table as the contract has it; without columns for a sheet that is none of ours."""
        return contract.TABLES.get(f"delivery_{self.name}", NO_TABLE)

    @property
    def all_rows(self) -> list[TextRow]:
        """The rows, and that of units."""
        return [*self.units, *self.rows]

    def is_apart(self, heading: str) -> bool:
        """Whether a column belongs to no table, or is registered as one to be ignored."""
        return not self.name or self.words.is_ignored(heading)

    def title(self, column: str) -> str:
        """Return the heading of a column as the centre wrote it."""
        at = self.header.index(column) if column in self.header else -1
        return self.titles[at] if 0 <= at < len(self.titles) else column

    @property
    def told(self) -> str:
        """What was read as something else, in words; empty where nothing was."""
        parts = [what if n == 1 else f"{what} ({n} times)" for what, n in self.read_as.items()]
        return f"{self.file}: {', '.join(parts)}." if parts else ""


NO_TABLE = Table("no_table", "delivery", "nothing that is read", (), ())


def read_text_table(
    name: str,
    data: bytes,
    place: DeliveryReference,
    *,
    file: str = "",
    words: TableWords | None = None,
) -> TextTable:
    """Split a table into cells; what is wrong with the table as a whole becomes a problem.

    `file` is its file where it is not called after the table, `words` what is registered of it.
    """
    table = TextTable(name, file=file, words=words or TableWords())
    if len(data) > MOST_BYTES or data.count(b"\n") + data.count(b"\r") > 2 * MOST_ROWS:
        what = f"is larger than {MOST_BYTES // 1024**2} MB or {MOST_ROWS} rows"
        _refuse(table, place, "table_size", what)
        return table
    split = split_rows(decoded(data), lambda title: table.words.column(name, title) is not None)
    _put_rows(table, split.header, split.rows, place)
    table.decimal = decimal_of(_number_cells(table), split.delimiter)
    if split.delimiter == "|":
        table.read_as["a bar between the cells"] += 1
    if table.decimal == "," and split.delimiter != ";":
        table.read_as[DECIMAL_COMMA] += 1
    return table


DECIMAL_COMMA = "numbers with a decimal comma"


def _number_cells(table: TextTable) -> Iterator[str]:
    """Yield the cells of the columns that hold numbers."""
    kinds = {"number", "integer"}
    numbers = [n for n, c in enumerate(_columns(table)) if c is not None and c.type in kinds]
    for row in table.rows:
        yield from (row.cells[n] for n in numbers if n < len(row.cells))


def table_of_sheet(
    name: str, sheet: WorkbookSheet, place: DeliveryReference, *, file: str, words: TableWords
) -> TextTable:
    """Return a sheet of a workbook as a table; its first row that is not blank is the header."""
    table = TextTable(name, file=file, words=words)
    (_, heading), *rows = sheet.rows or ((1, ()),)
    titles = tuple(number_text(t, ".") if isinstance(t, float) else t for t in heading)
    # Numbers have the decimal mark of those that somebody typed as text.
    only_text = [
        TextRow(n, tuple("" if isinstance(c, float) else c for c in cells)) for n, cells in rows
    ]
    typed = [*_number_cells(_titled(TextTable(name, words=words), titles, only_text))]
    table.decimal = decimal_of(typed, "")
    texts = [
        TextRow(n, tuple(number_text(c, table.decimal) if isinstance(c, float) else c for c in row))
        for n, row in rows
    ]
    _put_rows(table, titles, texts, place)
    n_typed = sum(NUMBER.fullmatch(cell.replace(",", ".", 1)) is not None for cell in typed)
    said = (
        (DECIMAL_COMMA, table.decimal == ","),
        ("numbers that are text", n_typed),
        ("formulas as the values that they had", sheet.n_formulas),
    )
    table.read_as.update({what: int(n) for what, n in said if n})
    if sheet.fault and name:
        remedy = "Write each value into its own cell, as text or number, and deliver again."
        _refuse(table, place, "workbook", sheet.fault, remedy=remedy)
    return table


def _titled(table: TextTable, titles: tuple[str, ...], rows: Sequence[TextRow]) -> TextTable:
    """Put header and rows into a table, each heading as the column that it means."""
    meant = [table.words.column(table.name, t) if table.name else None for t in titles]
    table.titles = titles
    table.header = tuple(m or title for m, title in zip(meant, titles, strict=True))
    table.rows = list(rows)
    return table


def _put_rows(
    table: TextTable, titles: tuple[str, ...], rows: Sequence[TextRow], place: DeliveryReference
) -> None:
    """Put header and rows into a table, and set apart a row of units below the header."""
    if len(titles) > MOST_COLUMNS:
        _refuse(table, place, "column_count", f"has more than {MOST_COLUMNS} columns")
        return
    _titled(table, titles, rows)
    for name, title in zip(table.header, titles, strict=True):
        if name != title:
            table.read_as[f"column {title} as {name}"] += 1
    others = units_of_row(_columns(table), rows[0].cells, table.words) if rows else None
    if others is None:
        return
    table.units, table.rows = (table.rows[0],), table.rows[1:]
    table.read_as["a row of units below the heading"] += 1
    for column, cell in others:
        what = (
            f"gives {quoted(shown(cell, like=[column.unit or '']))} as the unit of "
            f"{table.title(column.name)}, which has {column.unit} in the contract"
        )
        remedy = f"Give {column.name} in {column.unit}, or have the word for the unit registered."
        _refuse(table, place, "unit", what, column=column.name, remedy=remedy)


def _columns(table: TextTable) -> list[Column | None]:
    """Return the column of the contract that each heading means, None where it means none."""
    known = {column.name: column for column in table.contract.columns}
    return [known.get(name) for name in table.header]


def empty_table(name: str) -> TextTable:
    """Return an optional table that the centre did not deliver."""
    table = TextTable(name)
    table.header = tuple(column.name for column in table.contract.columns)
    return table


def check_header(table: TextTable, place: DeliveryReference) -> None:
    """Note missing and doubled columns. Call it after the privacy scan."""
    if table.problems:
        return
    names = [column.name for column in table.contract.columns]
    optional = {column.name for column in table.contract.columns if column.optional}
    unknown = [n for n in table.header if n not in names]
    for name in names:
        count = table.header.count(name)
        if count == 1 or (count == 0 and name in optional):
            continue
        titles = [t for t, n in zip(table.titles, table.header, strict=False) if n == name]
        as_what = f" (as {' and '.join(titles)})" if len(set(titles)) > 1 else ""
        what = f"has the column {name} {count} times{as_what}" if count else f"has no column {name}"
        hint = nearest(name, [n for n in unknown if may_show_column(n)]) if count == 0 else ""
        kind = "column_missing" if count == 0 else "column_twice"
        _refuse(table, place, kind, what, column=name, hint=hint)


MOST_UNREAD_NAMED = 20


def unread_columns(tables: Iterable[TextTable], place: DeliveryReference) -> list[Problem]:
    """Name the columns that nobody registered in one sentence; they are not read."""
    said, files, first, hints = [], [], "", ""
    for table in tables:
        known = {column.name for column in table.contract.columns}
        names = [
            f"column {title}" if may_show_column(title) else f"column {number}"
            for number, (name, title) in enumerate(zip(table.header, table.titles, strict=False), 1)
            if name not in known and not table.words.is_ignored(title)
        ]
        if names:
            more = f" and {len(names) - MOST_UNREAD_NAMED} more" * (len(names) > MOST_UNREAD_NAMED)
            said.append(f"{', '.join(names[:MOST_UNREAD_NAMED])}{more} of {table.file}")
            files.append(table.file)
            first = first or names[0].removeprefix("column ")
            free = [name for name in known if name not in table.header]
            readable = [n for n in table.header if n not in known and may_show_column(n)]
            hints += "".join(nearest(name, free) for name in readable[:MOST_UNREAD_NAMED])
    if not said:
        return []
    return [
        place.problem(
            UNKNOWN,
            files[0],
            f"Not in the contract, and not read: {'; '.join(said)}.",
            expected="the columns of the contract",
            remedy="Leave them out, or have the coordinating centre register which columns they "
            f"are, or that they are to be ignored.{hints}",
            column=None if first.isdecimal() else first,
        )
    ]


def _refuse(
    table: TextTable,
    place: DeliveryReference,
    kind: str,
    what: str,
    *,
    column: str | None = None,
    hint: str = "",
    remedy: str = "Correct the header and deliver again; an empty column may stay empty.",
) -> None:
    table.problems.append(
        place.problem(
            kind,
            table.file,
            f"{table.file} {what}, so the whole delivery is held.",
            expected="the columns of the contract, each once",
            remedy=f"{remedy}{hint}",
            column=column,
        )
    )
