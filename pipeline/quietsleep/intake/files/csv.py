"""Read the csv export of a device; on failure, find and name the bad cell."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from quietsleep.intake.files.request import MOST_SAMPLES as MOST_ROWS
from quietsleep.intake.files.request import SignalRequest, Unreadable
from quietsleep.records import FloatArray, RawSignal

MISSING = frozenset({"", "nan", "NaN", "NAN"})
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_LINE_END = re.compile(rb"\r\n|\n|\r")
_NOT_BLANK = re.compile(rb"\S")
# The search for the bad cell ends here; a usual recording has some ten thousand rows.
MOST_ROWS_SEARCHED = 400_000
LONGEST_LINE = 65_536


def as_utf8(data: bytes) -> bytes:
    """Return text as UTF-8 without a byte order mark; UTF-16 is known by its mark."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace").encode("utf-8")
    return data.removeprefix(b"\xef\xbb\xbf")


def split_heading(data: bytes, delimiter: str) -> tuple[list[str], int]:
    """Return the stripped column names of UTF-8 text, and where the second line begins."""
    end = _LINE_END.search(data)
    last, body = end.span() if end else (len(data), len(data))
    line = data[: min(last, LONGEST_LINE)]
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("cp1252", "replace")
    return [name.strip() for name in cells_of(text, delimiter)], body


def cells_of(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line; a line with a broken quote is split at each delimiter.

    A line beyond all measure is cut off, so that it is a row with too few cells or half a cell.
    """
    line = line[:LONGEST_LINE]
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def read_csv(data: bytes, request: SignalRequest) -> RawSignal:
    """Read the wanted columns of a csv file; raises Unreadable."""
    data = as_utf8(data)
    if data.count(b"\n") > MOST_ROWS:
        what = f"holds more than {MOST_ROWS} rows"
        raise request.refuse("too_long", what, "one recording of one technique")
    zero = data.find(b"\0")
    if zero >= 0:
        row = data.count(b"\n", 0, zero) + 1
        what = f"holds zero bytes from row {row} on, as a file has that was cut short in a copy"
        raise request.refuse("zero_bytes", what, "text", row=row)
    names, body = split_heading(data, request.device.csv_delimiter)
    request.check_names(names, with_time=True)
    if not _NOT_BLANK.search(data, body):
        raise request.refuse("cut_short", "holds a header and no samples", "samples")
    try:
        table = _parse(memoryview(data)[body:], names, request)
    except (pa.ArrowException, ValueError):
        raise name_bad_cell(data, request) from None
    return RawSignal(
        _floats(table, request.time_name),
        {name: _floats(table, name) for name in request.columns.values()},
    )


def _parse(body: memoryview, names: list[str], request: SignalRequest) -> pa.Table:
    device = request.device
    wanted = [request.time_name, *request.columns.values()]
    # Only wanted columns need unlike names; the others are never read.
    column_names = [n if n in wanted else f"unread {i}" for i, n in enumerate(names)]
    return arrow_csv.read_csv(
        pa.BufferReader(body),
        arrow_csv.ReadOptions(use_threads=False, column_names=column_names),
        arrow_csv.ParseOptions(delimiter=device.csv_delimiter),
        arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(wanted, pa.float64()),
            include_columns=wanted,
            decimal_point=device.csv_decimal,
            null_values=sorted(MISSING),
        ),
    )


def _floats(table: pa.Table, name: str) -> FloatArray:
    values: FloatArray = table.column(name).to_numpy()
    return np.asarray(values, dtype=np.float64)


def name_bad_cell(data: bytes, request: SignalRequest, *, largest: float = math.inf) -> Unreadable:
    """Return the exception that names the first bad cell, and counts the others."""
    device = request.device
    names, _ = split_heading(as_utf8(data), device.csv_delimiter)
    wanted = {request.time_name, *request.columns.values()}
    first: tuple[str, str, int] | None = None
    others = 0
    for row, line in _rows(data):
        cells = cells_of(line, device.csv_delimiter)
        if len(cells) != len(names) and first is None:
            return _wrong_count(request, row, len(cells), len(names))
        for name, cell in zip(names, cells, strict=False):
            if name not in wanted or _is_sample(cell, name, request, largest):
                continue
            others += first is not None
            first = first or (name, cell, row)
    if first is None:
        what = "cannot be read as a csv table of numbers"
        return request.refuse("file_not_read", what, request.number_looks_like)
    name, cell, row = first
    return request.bad_cell(name, cell, row=row, others=others)


def line_of_sample(data: bytes, sample: int) -> int:
    """Return the row, as an editor shows it, of a sample counted from 0."""
    for index, (row, _) in enumerate(_rows(data)):
        if index == sample:
            return row
    return sample + 2


def _rows(data: bytes) -> Iterator[tuple[int, str]]:
    """Rows below the header that are not blank, numbered as an editor does."""
    data = as_utf8(data)
    begin = 0
    for row, end in enumerate(_LINE_END.finditer(data), start=1):
        if row > MOST_ROWS_SEARCHED:
            return
        line = data[begin : end.start()]
        begin = end.end()
        if row > 1 and line.strip():
            yield row, line.decode("utf-8", "replace")
    if begin and data[begin:].strip():
        yield row + 1, data[begin:].decode("utf-8", "replace")


def _wrong_count(request: SignalRequest, row: int, count: int, expected: int) -> Unreadable:
    """A row with too many or too few cells; the last row of a file cut short is such a row."""
    what = f"has {count} cells in row {row}, but its header has {expected}"
    return request.refuse("ragged_row", what, f"{expected} cells in each row", row=row)


def _is_sample(cell: str, name: str, request: SignalRequest, largest: float) -> bool:
    text = cell.strip()
    if text in MISSING:
        return name != request.time_name
    if request.device.csv_decimal == ",":
        if "." in text:
            return False
        text = text.replace(",", ".")
    return bool(_NUMBER.fullmatch(text)) and abs(float(text)) <= largest
