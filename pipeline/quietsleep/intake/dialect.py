"""Which files of a delivery are its tables, and how their text falls into rows and cells.

Equal content gives equal cells whatever the writing: UTF-8, UTF-16 or an older code page, comma,
semicolon, tab or bar, decimal point or comma, a first line that names the separator.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from quietsleep.contract.model import Column
from quietsleep.intake.files.text import LONGEST_LINE, as_utf8, cells_of
from quietsleep.study.dialect import TableWords, fold_unit

DELIVERY_TABLES = ("sessions", "recordings", "checks", "reported")
OPTIONAL_TABLES = frozenset({"reported"})
TEXT_ENDINGS = ("csv", "txt", "tsv")
WORKBOOK_ENDING = "xlsx"
DELIMITERS = (",", ";", "\t", "|")
# A quoted cell may run over some lines; what runs on longer is a quote that was never closed.
MOST_LINES_A_ROW = 20
LINE_END = re.compile(r"\r\n|\n|\r")
_SEPARATOR_LINE = re.compile(r"sep=(.)", re.I)
_COMMA_NUMBER = re.compile(r"[-+]?\d+,(\d+)(?:[eE][-+]?\d+)?")
_POINT_NUMBER = re.compile(r"[-+]?\d*\.\d+(?:[eE][-+]?\d+)?")
_LOOKED_AT = 200
NAMING = frozenset({"session", "recording", "check"})
# What stands in a row of units below the heading of a code.
_NO_UNIT = frozenset({"", "-", "--", "1", "code", "einheit", "id", "none", "text", "unit", "units"})


@dataclass(frozen=True, slots=True)
class TextRow:
    """One row: its number in the file, its cells, stripped, and how many lines it takes."""

    row: int
    cells: tuple[str, ...]
    n_lines: int = 1


@dataclass(frozen=True, slots=True)
class TableFiles:
    """Files of a delivery that may hold its tables: by table, workbooks, and tables given twice."""

    texts: Mapping[str, str] = field(default_factory=dict)
    workbooks: tuple[str, ...] = ()
    twice: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def paths(self) -> frozenset[str]:
        """All of them."""
        doubles = (path for paths in self.twice.values() for path in paths)
        return frozenset([*self.texts.values(), *self.workbooks, *doubles])


def find_tables(paths: Iterable[str]) -> TableFiles:
    """Find the files of the tables among the paths of a delivery, whatever case and ending."""
    found: dict[str, list[str]] = {}
    workbooks = []
    for path in sorted(paths):
        stem, _, ending = path.casefold().rpartition(".")
        if stem in DELIVERY_TABLES and ending in TEXT_ENDINGS:
            found.setdefault(stem, []).append(path)
        elif "/" not in path and ending == WORKBOOK_ENDING:
            workbooks.append(path)
    twice = {name: tuple(own) for name, own in found.items() if len(own) > 1}
    return TableFiles({name: own[0] for name, own in found.items()}, tuple(workbooks), twice)


@dataclass(frozen=True, slots=True)
class SplitText:
    """A text as rows of cells; `delimiter` is what stands between the cells."""

    header: tuple[str, ...]
    rows: Sequence[TextRow]
    delimiter: str


def decoded(data: bytes) -> str:
    """Return the text of a file: UTF-8, UTF-16 with or without its mark, else code page 1252."""
    head = re.split(rb"[\r\n]", data[:_LOOKED_AT], maxsplit=1)[0]
    marked = head.startswith((b"\xff\xfe", b"\xfe\xff"))
    for places, encoding in ((head[1::2], "utf-16-le"), (head[::2], "utf-16-be")):
        # Of the letters of a heading every second byte is zero.
        if not marked and places.count(0) > max(2, 0.8 * len(places)):
            return data.decode(encoding, "replace")
    data = as_utf8(data)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def split_rows(text: str, is_known: Callable[[str], bool]) -> SplitText:
    """Split a text into its header and its rows, numbered as an editor shows them.

    `is_known` says of a heading whether it means a column: the delimiter is the one by which most
    headings do.
    """
    lines = LINE_END.split(text)
    at = _first_line(lines, 0)
    named = _SEPARATOR_LINE.fullmatch(lines[at].strip())
    if named:
        at = _first_line(lines, at + 1)
    heading = lines[at] if at < len(lines) else ""
    delimiter = named[1] if named else _delimiter(heading, is_known)
    header = tuple(cell.strip() for cell in cells_of(heading, delimiter))
    rows: list[TextRow] = []
    at += 1
    while at < len(lines):
        n_lines, cells = _row(lines, at, delimiter, len(header))
        stripped = tuple(cell.strip() for cell in cells)
        if any(stripped):
            rows.append(TextRow(at + 1, stripped, n_lines))
        at += n_lines
    return SplitText(header, rows, delimiter)


def _first_line(lines: Sequence[str], start: int) -> int:
    """Return the place of the first line from `start` on that is not blank."""
    return next((n for n in range(start, len(lines)) if lines[n].strip()), start)


def _delimiter(heading: str, is_known: Callable[[str], bool]) -> str:
    def score(delimiter: str) -> tuple[int, int]:
        cells = cells_of(heading, delimiter)
        return sum(is_known(cell.strip()) for cell in cells), heading.count(delimiter)

    return max(DELIMITERS, key=score)


def _row(
    lines: Sequence[str], at: int, delimiter: str, n_columns: int
) -> tuple[int, Sequence[str]]:
    """Return how many lines the row at a place takes, and its cells.

    It takes several only where a quoted cell runs on and all of them are one whole row.
    """
    n_quotes = lines[at].count('"')
    if n_quotes % 2:
        for n in range(2, min(MOST_LINES_A_ROW, len(lines) - at) + 1):
            n_quotes += lines[at + n - 1].count('"')
            if n_quotes % 2 == 0:
                cells = _quoted_cells("\n".join(lines[at : at + n]), delimiter)
                if len(cells) == n_columns:
                    return n, cells
                break
    return 1, cells_of(lines[at], delimiter)


def _quoted_cells(text: str, delimiter: str) -> Sequence[str]:
    if len(text) > LONGEST_LINE:
        return ()
    try:
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        first, *others = rows
    except (csv.Error, ValueError):
        return ()
    return [] if others else first


def decimal_of(cells: Iterable[str], delimiter: str) -> str:
    """Return the decimal mark of a table, out of the cells of its columns of numbers.

    A comma where numbers have commas and none a point. Three digits behind each comma could as
    well be thousands: then it is a comma only where a semicolon stands between the cells, as
    programs write it that also write a decimal comma.
    """
    by_default = "," if delimiter == ";" else "."
    commas: set[str] = set()
    for cell in cells:
        if match := _COMMA_NUMBER.fullmatch(cell):
            commas.add(match[1])
        elif _POINT_NUMBER.fullmatch(cell):
            return by_default
    if any(len(digits) != 3 for digits in commas):
        return ","
    return by_default


def units_of_row(
    columns: Sequence[Column | None], cells: Sequence[str], words: TableWords
) -> list[tuple[Column, str]] | None:
    """Return the units of a row of units that are not those of the contract.

    None for a row of data: it has a code where the table names its rows, or a number, or no cell
    that is the unit of its column.
    """
    n_units = 0
    others: list[tuple[Column, str]] = []
    for column, cell in zip(columns, cells, strict=False):
        if column is None or not cell:
            continue
        if column.name in NAMING and fold_unit(cell) not in _NO_UNIT:
            return None
        if column.unit is None or fold_unit(cell) in _NO_UNIT:
            continue
        if any(char.isdecimal() for char in cell):
            return None
        if words.is_unit(column.unit, cell):
            n_units += 1
        else:
            others.append((column, cell))
    return others if n_units else None
