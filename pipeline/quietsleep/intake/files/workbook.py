"""Read the sheets of a workbook (.xlsx) as rows of cells; formulas as the values they had.

A workbook is an archive of XML: it is judged before anything of it is read, and bounded. What a
spreadsheet shows and a table cannot say (merged cells, formulas without a value) is a fault of its
sheet, in words.
"""

from __future__ import annotations

import io
import math
import re
import warnings
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from quietsleep.intake.files.request import MOST_COLUMNS

# Of the tables of one delivery, and of all sheets of one workbook.
MOST_ROWS = 200_000
MOST_SHEETS = 50
MOST_ENTRIES = 1_000
MOST_UNPACKED_BYTES = 64 * 1024**2
# Sheets of numbers shrink to a tenth or, where rows repeat, a hundredth.
MOST_RATIO = 500
# A cell has about seven tags and attributes; each costs memory while it is read.
MOST_MARKS = 4_000_000
_MARKS_A_CELL = 7
_SMALL_BYTES = 1024**2
_PIECE_BYTES = 1024**2
_LONGEST_MARK = 64
_MARK = b"\xef\xbb\xbf"
_NOT_UTF8 = "holds a part that is not written in UTF-8"
_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0"
_DOCTYPE = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY)", re.I)
_ENCODING = re.compile(rb"""^\s*<\?xml[^>]*?encoding\s*=\s*["']([^"']*)["']""")
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
_MERGED = re.compile(
    rb"""<(?:\w+:)?mergeCell\s[^>]*?ref\s*=\s*["']([A-Z]{1,3})(\d{1,7}):[A-Z]{1,3}(\d{1,7})"""
)
_ZEROS = re.compile(r"0{2,20}")

# A cell: its text, or its number where the sheet holds a number.
Cell = str | float


class WorkbookError(Exception):
    """A workbook cannot be read; the text says why, to follow its name in a sentence."""


@dataclass(frozen=True, slots=True)
class WorkbookSheet:
    """One sheet: its title and its rows that are not blank, numbered as a spreadsheet does.

    `fault` says why its cells may not stand for what is shown in it, to follow its name in a
    sentence; empty where they may. `n_formulas` cells are given as the values they had.
    """

    title: str
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    fault: str = ""
    n_formulas: int = 0


def read_workbook(data: bytes) -> list[WorkbookSheet]:
    """Return the sheets of a workbook in their order; raises WorkbookError."""
    if (reason := unsafe_workbook(data)) is not None:
        raise WorkbookError(reason)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _sheets(data)
    except WorkbookError:
        raise
    except Exception:  # any bytes may come: the library raises more than its own errors
        raise WorkbookError("is no workbook, or is damaged inside") from None


def unsafe_workbook(data: bytes) -> str | None:
    """Say why a workbook may not be opened; None where it may."""
    if data.startswith(_OLD_OR_LOCKED):
        return "is locked by a password, or is of the old form .xls"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            total = sum(entry.file_size for entry in entries)
            burst = total > max(_SMALL_BYTES, MOST_RATIO * len(data))
            checks = (
                (len(entries) > MOST_ENTRIES, f"has more than {MOST_ENTRIES} parts"),
                (
                    total > MOST_UNPACKED_BYTES,
                    f"unpacks to over {MOST_UNPACKED_BYTES // 1024**2} MB",
                ),
                (burst, f"unpacks to more than {MOST_RATIO} times its size"),
                (len({e.filename for e in entries}) < len(entries), "holds two parts of one name"),
                (any(e.flag_bits & 0x1 for e in entries), "is encrypted"),
            )
            reason = next((said for wrong, said in checks if wrong), None)
            return reason or _unsafe_parts(archive, entries)
    except Exception:  # any bytes may come: the library raises more than its own errors
        return "is no workbook, or was cut short"


def _unsafe_parts(archive: zipfile.ZipFile, entries: list[zipfile.ZipInfo]) -> str | None:
    """Look through the XML of all parts as bytes, before any of it is understood."""
    n_marks = 0
    for entry in entries:
        with archive.open(entry) as part:
            tail = b""
            piece = part.read(_PIECE_BYTES)
            if not _is_xml(entry.filename, piece):
                continue
            encoding = _ENCODING.match(piece.removeprefix(_MARK))
            if encoding and encoding[1].lower() not in (b"utf-8", b"us-ascii"):
                return _NOT_UTF8
            while piece:
                # Zeros are another width of letters: in it a definition would not be seen.
                if b"\0" in piece:
                    return _NOT_UTF8
                if _DOCTYPE.search(tail + piece):
                    return "holds a part that defines entities"
                n_marks += piece.count(b"<") + piece.count(b"=")
                if n_marks > MOST_MARKS:
                    return f"holds more than about {MOST_MARKS // _MARKS_A_CELL // 1000} 000 cells"
                tail = piece[-_LONGEST_MARK:]
                piece = part.read(_PIECE_BYTES)
    return None


def _is_xml(name: str, start: bytes) -> bool:
    """Whether a part is XML, whatever it is called."""
    begins = b"<" in start[:1024].lstrip()[:4] or start.startswith((b"\xff\xfe", b"\xfe\xff"))
    return begins or name.lower().endswith((".xml", ".rels", ".vml"))


def _sheets(data: bytes) -> list[WorkbookSheet]:
    from openpyxl import load_workbook

    def opened(*, values: bool) -> Any:
        return load_workbook(io.BytesIO(data), read_only=True, data_only=values, keep_links=False)

    book = opened(values=True)
    formulas = None
    sheets: list[WorkbookSheet] = []
    try:
        if len(book.worksheets) > MOST_SHEETS:
            raise WorkbookError(f"has more than {MOST_SHEETS} sheets")
        n_left = MOST_ROWS
        for number, sheet in enumerate(book.worksheets):
            source = _source_of(sheet)
            written: Any = None
            if _FORMULA.search(source):
                formulas = formulas or opened(values=False)
                written = formulas.worksheets[number]
            read = _sheet(sheet, written, source, n_left)
            n_left -= len(read.rows)
            sheets.append(read)
    finally:
        book.close()
        if formulas is not None:
            formulas.close()
    return sheets


def _source_of(sheet: Any) -> bytes:
    # The library reads merged cells only where it keeps whole sheets in memory.
    with sheet._get_source() as source:
        whole: bytes = source.read()
        return whole


def _sheet(sheet: Any, written: Any, source: bytes, most_rows: int) -> WorkbookSheet:
    rows: list[tuple[int, tuple[Cell, ...]]] = []
    for number, cells in _rows(sheet):
        if len(rows) >= most_rows:
            raise WorkbookError(f"has more than {MOST_ROWS} rows")
        rows.append((number, cells))
    fault, n_formulas = _merged(source, rows), 0
    if written is not None:
        n_formulas, empty = _formulas(written, dict(rows))
        if empty and not fault:
            fault = (
                f"has formulas without a value, the first in cell {empty}, as a program leaves "
                "them that does not compute"
            )
    return WorkbookSheet(str(sheet.title), tuple(rows), fault, n_formulas)


def _rows(sheet: Any) -> Iterator[tuple[int, tuple[Cell, ...]]]:
    """Yield the rows of a sheet that hold something; what it claims to hold is not believed."""
    sheet.reset_dimensions()
    width = 0
    rows = sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS + 1)
    for number, row in enumerate(rows, start=1):
        if all(cell.value is None for cell in row):
            continue
        cells = [_cell(cell) for cell in row]
        while cells and cells[-1] == "":
            cells.pop()
        if not cells:
            continue
        if number > MOST_ROWS:
            raise WorkbookError(f"has more than {MOST_ROWS} rows")
        width = width or len(cells)  # of the heading, which all rows are filled up to
        yield number, tuple(cells + [""] * (width - len(cells)))


def _formulas(written: Any, values: dict[int, tuple[Cell, ...]]) -> tuple[int, str]:
    """Count the formulas of a sheet, and name the first cell whose formula has no value."""
    written.reset_dimensions()
    n_formulas, empty = 0, ""
    for row in written.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS + 1):
        for cell in row:
            if cell.data_type != "f":
                continue
            n_formulas += 1
            cells = values.get(cell.row, ())
            if not empty and (cell.column > len(cells) or cells[cell.column - 1] == ""):
                empty = cell.coordinate
    return n_formulas, empty


def _merged(source: bytes, rows: list[tuple[int, tuple[Cell, ...]]]) -> str:
    """Say which cells of the table are merged; of these only the first has the value."""
    if not rows:
        return ""
    heading, titles = rows[0]
    for column, first, last in _MERGED.findall(source):
        if int(last) > heading and _number_of(column) <= len(titles):
            text = column.decode()
            return f"has merged cells, the first of them from {text}{int(first)} to row {int(last)}"
    return ""


def _number_of(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + letter - ord("A") + 1
    return number


def _cell(cell: Any) -> Cell:
    """Return a cell as the tables of the contract write it.

    A whole number has no decimals; a day without a time of day none; a moment no offset: which
    clock it is, a workbook cannot say. A number shown with zeros before it keeps them.
    """
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(value, str(cell.number_format or ""))
    if isinstance(value, datetime):
        return _moment(value, str(cell.number_format or ""))
    if isinstance(value, date | time | timedelta):
        return str(value)
    return str(value).strip()


def _number(value: float, shown_as: str) -> Cell:
    if not math.isfinite(value):
        return "#NUM!"
    if _ZEROS.fullmatch(shown_as) and float(value).is_integer():
        return str(int(value)).zfill(len(shown_as))
    return float(value)


def _moment(value: datetime, shown_as: str) -> str:
    # A spreadsheet counts days: its moments are a little off what was typed.
    at = (value + timedelta(microseconds=500_000)).replace(microsecond=0)
    if at.time() == time() and "h" not in shown_as.lower():
        return at.date().isoformat()
    return at.isoformat(sep="T", timespec="seconds")


def write_workbook(sheets: Iterable[WorkbookSheet]) -> bytes:
    """Return a new workbook of these sheets, with their cells and nothing else of the old one."""
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    for sheet in sheets:
        new = book.create_sheet(sheet.title)
        for _, cells in sheet.rows:
            # A text that begins like a formula would become one.
            new.append([f"'{c}" if isinstance(c, str) and c[:1] == "=" else c for c in cells])
    sink = io.BytesIO()
    book.save(sink)
    return sink.getvalue()


def number_text(value: float, decimal: str) -> str:
    """Return a number as a spreadsheet shows it: to 15 digits, a whole one without decimals."""
    return f"{value:.15g}".replace(".", decimal)
