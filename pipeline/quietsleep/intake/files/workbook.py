"""Read the sheets of a workbook (.xlsx) as rows of text; formulas as the values they had.

A workbook is an archive of XML: it is judged before anything of it is read, and bounded.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from quietsleep.intake.files.request import MOST_COLUMNS

MOST_ROWS = 200_000
MOST_SHEETS = 50
MOST_ENTRIES = 1_000
MOST_UNPACKED_BYTES = 128 * 1024**2
# Sheets of numbers shrink to a tenth or, where rows repeat, a hundredth.
MOST_RATIO = 500
_SMALL_BYTES = 1024**2
_DOCTYPE = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY)", re.I)
_LOOKED_AT = 65_536


class WorkbookError(Exception):
    """A workbook cannot be read; the text says why, to follow its name in a sentence."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: its title and its rows that are not blank, numbered as a spreadsheet does."""

    title: str
    rows: tuple[tuple[int, tuple[str, ...]], ...]


def read_workbook(data: bytes) -> list[Sheet]:
    """Return the sheets of a workbook in their order; raises WorkbookError."""
    if (reason := unsafe_workbook(data)) is not None:
        raise WorkbookError(reason)
    from openpyxl import load_workbook

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
            try:
                if len(book.worksheets) > MOST_SHEETS:
                    raise WorkbookError(f"has more than {MOST_SHEETS} sheets")
                return [Sheet(str(s.title), tuple(_rows(s))) for s in book.worksheets]
            finally:
                book.close()
    except WorkbookError:
        raise
    except Exception:  # any bytes may come: the library raises more than its own errors
        raise WorkbookError("is no workbook, or is damaged inside") from None


def unsafe_workbook(data: bytes) -> str | None:
    """Say why a workbook may not be opened; None where it may."""
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
            if reason is None and any(_defines_entities(archive, entry) for entry in entries):
                reason = "holds a part that defines entities"
            return reason
    except Exception:  # any bytes may come: the library raises more than its own errors
        return "is no workbook, or was cut short"


def _defines_entities(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bool:
    with archive.open(entry) as part:
        return _DOCTYPE.search(part.read(_LOOKED_AT)) is not None


def _rows(sheet: Any) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield the rows of a sheet that hold something; what it claims to hold is not believed."""
    sheet.reset_dimensions()
    rows = sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS + 1, values_only=True)
    width = 0
    for number, values in enumerate(rows, start=1):
        cells = [cell_text(value) for value in values]
        while cells and not cells[-1]:
            cells.pop()
        if not cells:
            continue
        if number > MOST_ROWS:
            raise WorkbookError(f"has a sheet of more than {MOST_ROWS} rows")
        width = width or len(cells)  # of the header, which all rows are filled up to
        yield number, tuple(cells + [""] * (width - len(cells)))


def cell_text(value: object) -> str:
    """Return the value of a cell as the tables of the contract write it.

    A whole number has no decimals, a moment no offset: which clock it is, a workbook cannot say.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        # A spreadsheet counts days: its moments are a little off what was typed.
        return _to_second(value).isoformat(sep="T", timespec="seconds")
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value).strip()


def _to_second(at: datetime) -> datetime:
    return (at + timedelta(microseconds=500_000)).replace(microsecond=0)
