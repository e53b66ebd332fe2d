"""Read the csv export of a device; on failure, find and name the bad cell."""

from __future__ import annotations

import math
import re

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from quietsleep.intake.files import misfit
from quietsleep.intake.files.request import MOST_SAMPLES as MOST_ROWS
from quietsleep.intake.files.request import SignalRequest, Unreadable
from quietsleep.intake.files.text import as_registered, as_utf8, cells_of, head_of, rows
from quietsleep.intake.files.times import in_seconds, is_time, is_words, seconds_of_words
from quietsleep.intake.files.unit_words import refuse_other_units
from quietsleep.records import FloatArray, RawSignal

MISSING = frozenset({"", "nan", "NaN", "NAN"})
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_NOT_BLANK = re.compile(rb"\S")


def read_csv(data: bytes, request: SignalRequest) -> RawSignal:
    """Read the wanted columns of a csv file; raises Unreadable."""
    text = as_utf8(data, request.device.csv_encoding)
    if text.count(b"\n") > MOST_ROWS:
        what = f"holds more than {MOST_ROWS} rows"
        raise request.refuse("too_long", what, "one recording of one technique")
    zero = text.find(b"\0")
    if zero >= 0:
        raise misfit.of_zero_bytes(text, zero, request)
    head = head_of(text, request.device)
    names = as_registered(head.names, request.wanted)
    if any(names.count(name) != 1 for name in request.wanted):
        misfit.refuse_heading(text, head, names, request)
    misfit.refuse_units_row(head, request)
    if head.units:
        said = dict(zip(names, head.units, strict=False))
        refuse_other_units(said, request, place=f"row {head.row + 1}")
    if not _NOT_BLANK.search(text, head.body):
        raise request.refuse("cut_short", "holds a header and no samples", "samples")
    try:
        table = _parse(memoryview(text)[head.body :], names, request)
        time_s = _times(table, request)
    except (pa.ArrowException, ValueError):
        raise name_bad_cell(data, request) from None
    return RawSignal(time_s, {name: _floats(table, name) for name in request.columns.values()})


def _parse(body: memoryview, names: list[str], request: SignalRequest) -> pa.Table:
    device = request.device
    # Only wanted columns need unlike names; the others are never read.
    column_names = [n if n in request.wanted else f"unread {i}" for i, n in enumerate(names)]
    types = dict.fromkeys(request.wanted, pa.float64())
    if is_words(device.time_format):
        types[request.time_name] = pa.string()
    return arrow_csv.read_csv(
        pa.BufferReader(body),
        arrow_csv.ReadOptions(use_threads=False, column_names=column_names),
        arrow_csv.ParseOptions(delimiter=device.csv_delimiter),
        arrow_csv.ConvertOptions(
            column_types=types,
            include_columns=request.wanted,
            decimal_point=device.csv_decimal,
            null_values=sorted(MISSING),
        ),
    )


def _times(table: pa.Table, request: SignalRequest) -> FloatArray:
    device = request.device
    if is_words(device.time_format):
        return seconds_of_words(table.column(request.time_name), device.time_format)
    return in_seconds(_floats(table, request.time_name), device.time_format)


def _floats(table: pa.Table, name: str) -> FloatArray:
    values: FloatArray = table.column(name).to_numpy()
    return np.asarray(values, dtype=np.float64)


def name_bad_cell(data: bytes, request: SignalRequest, *, largest: float = math.inf) -> Unreadable:
    """Return the exception that names the first bad cell, and counts the others."""
    text = as_utf8(data, request.device.csv_encoding)
    head = head_of(text, request.device)
    names = as_registered(head.names, request.wanted)
    first: tuple[str, str, int] | None = None
    others = 0
    for row, line in rows(text, head):
        cells = cells_of(line, request.device.csv_delimiter)
        if first is None and row == head.first_row and misfit.is_row_of_units(cells):
            return misfit.of_units_row(cells, row, request)
        if len(cells) != len(names) and first is None:
            return misfit.of_cell_count(len(cells), len(names), row, head, request)
        for name, cell in zip(names, cells, strict=False):
            if name not in request.wanted or _is_sample(cell, name, request, largest):
                continue
            others += first is not None
            first = first or (name, cell, row)
    if first is None:
        what = "cannot be read as a csv table of numbers"
        return request.refuse("file_not_read", what, request.number_looks_like)
    name, cell, row = first
    return misfit.of_cell(name, cell, request, row=row, others=others)


def line_of_sample(data: bytes, sample: int, request: SignalRequest) -> int:
    """Return the row, as an editor shows it, of a sample counted from 0."""
    text = as_utf8(data, request.device.csv_encoding)
    head = head_of(text, request.device)
    for index, (row, _) in enumerate(rows(text, head)):
        if index == sample:
            return row
    return sample + head.first_row


def _is_sample(cell: str, name: str, request: SignalRequest, largest: float) -> bool:
    text = cell.strip()
    if text in MISSING:
        return name != request.time_name
    if name == request.time_name and is_words(request.device.time_format):
        return is_time(text, request.device.time_format)
    if request.device.csv_decimal == ",":
        if "." in text:
            return False
        text = text.replace(",", ".")
    return bool(_NUMBER.fullmatch(text)) and abs(float(text)) <= largest
