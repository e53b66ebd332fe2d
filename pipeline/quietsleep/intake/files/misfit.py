"""Why a file does not fit what is registered of its device, in words that a technician can act on.

Asked only once a file could not be read: a well-formed file never comes here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from quietsleep.contract.unit_words import any_unit_of_word
from quietsleep.intake.files.request import EXPORT_AGAIN, SignalRequest, Unreadable
from quietsleep.intake.files.text import (
    CsvHead,
    as_registered,
    cells_of,
    first_lines,
    utf_16_without_mark,
)
from quietsleep.intake.files.times import LOOKS_LIKE, format_of, is_words
from quietsleep.study.devices import TimeFormat

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_LINES_LOOKED_AT = 200
_ANY_NUMBER = re.compile(r"\s*[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?\s*", re.ASCII)
_MAGIC = {
    b"PK\x03\x04": ("xlsx", "an .xlsx workbook or an archive"),
    b"\xd0\xcf\x11\xe0": ("xls", "a workbook or document of an office program"),
    b"PAR1": ("parquet", "a parquet file"),
    b"%PDF": ("pdf", "a PDF document"),
    b"\x1f\x8b": ("gzip", "a compressed file"),
}
_REGISTERED = {"csv": "text with columns (csv)", "parquet": "parquet", "edf": "EDF"}


def is_number(cell: str) -> bool:
    """Whether a cell is a number, with a decimal point or comma."""
    return _ANY_NUMBER.fullmatch(cell) is not None


def registered(key: str, value: str) -> str:
    """Tell what has to be registered of a device for its export to be read as it is."""
    return f"or have the coordinating centre register {key} = {value} for the device"


def kind_of_file(data: bytes) -> tuple[str, str] | None:
    """Return what a file is by its first bytes: a format and words for it; None for text."""
    if data[:8] == b"0       " and data[184:192].strip().isdigit():
        return "edf", "an EDF file"
    return next((kind for magic, kind in _MAGIC.items() if data.startswith(magic)), None)


def refuse_other_kind(data: bytes, request: SignalRequest) -> None:
    """Refuse a file that is of another kind than the device writes, whatever it is called."""
    kind, wanted = kind_of_file(data), request.device.file_format
    if kind is None or kind[0] == wanted:
        return
    raise request.refuse(
        "other_format",
        f"is {kind[1]}, whatever it is called; device {request.device.device} is registered to "
        f"write {_REGISTERED[wanted]}",
        _REGISTERED[wanted],
        remedy=f"Export the recording as {_REGISTERED[wanted]}, not with another name, "
        f"{registered('file_format', 'what it writes')}.",
    )


def of_zero_bytes(text: bytes, zero: int, request: SignalRequest) -> Unreadable:
    """Zero bytes in text: another encoding, or a copy that was cut short."""
    if utf_16_without_mark(text):
        return request.refuse(
            "encoding",
            "is UTF-16 text without a mark at its beginning that says so; device "
            f"{request.device.device} is registered as {request.device.csv_encoding}",
            f"text in {request.device.csv_encoding}",
            remedy="Save or export it as UTF-8, "
            f"{registered('csv_encoding', chr(34) + 'utf-16' + chr(34))}.",
        )
    row = text.count(b"\n", 0, zero) + 1
    what = f"holds zero bytes from row {row} on, as a file has that was cut short in a copy"
    return request.refuse("zero_bytes", what, "text", row=row)


def refuse_heading(
    text: bytes, head: CsvHead, names: Sequence[str], request: SignalRequest
) -> None:
    """Raise Unreadable for a heading without a wanted column, or with one twice."""
    wanted = request.wanted
    lines = list(first_lines(text, _LINES_LOOKED_AT))
    missing = [name for name in wanted if name not in names]
    for row, line in lines if missing else ():
        for delimiter in (request.device.csv_delimiter, *DELIMITERS):
            cells = as_registered([c.strip() for c in cells_of(line, delimiter)], wanted)
            if all(name in cells for name in wanted):
                if delimiter != request.device.csv_delimiter:
                    raise _other_delimiter(delimiter, row, request)
                if row != head.row:
                    raise _other_row(row, head, request)
    request.check_names(names, with_time=True)


def _other_delimiter(delimiter: str, row: int, request: SignalRequest) -> Unreadable:
    own = DELIMITERS[request.device.csv_delimiter]
    shown = {"\t": '"\\t"'}.get(delimiter, f'"{delimiter}"')
    return request.refuse(
        "delimiter",
        f"has its columns set apart by {DELIMITERS[delimiter]} in row {row}, where {own} are "
        f"registered for device {request.device.device}",
        f"columns set apart by {own}",
        remedy=f"Export with {own} between the columns, {registered('csv_delimiter', shown)}. The "
        f"registered delimiter is {request.device.csv_delimiter!r}.",
        row=row,
    )


def _other_row(row: int, head: CsvHead, request: SignalRequest) -> Unreadable:
    above = row - 1
    lines = f"{above} line{'s' if above != 1 else ''}"
    stands = f"{lines} above its heading, which stands in row {row}"
    return request.refuse(
        "lines_on_top",
        f"has {stands}; device {request.device.device} is registered with the heading in row "
        f"{head.row}",
        f"the names of the columns in row {head.row}",
        remedy=f"Export with {request.device.csv_skip_lines or 'no'} lines above the heading, "
        f"{registered('csv_skip_lines', str(above))}.",
        row=row,
    )


def is_row_of_units(cells: Sequence[str]) -> bool:
    """Whether a row holds units and no number."""
    filled = [cell for cell in cells if cell.strip()]
    return not any(map(is_number, filled)) and any(map(any_unit_of_word, filled))


def of_units_row(cells: Sequence[str], row: int, request: SignalRequest) -> Unreadable:
    """A row of units that is not registered."""
    units = [cell.strip() for cell in cells if any_unit_of_word(cell)]
    return request.refuse(
        "units_row",
        f"holds units in row {row} ({', '.join(units[:6])}), below its heading; device "
        f"{request.device.device} is registered without a row of units",
        "samples below the heading",
        remedy=f"Export without the row of units, {registered('csv_units_row', 'true')}.",
        row=row,
    )


def refuse_units_row(head: CsvHead, request: SignalRequest) -> None:
    """Refuse a file whose first sample stands where a row of units is registered."""
    if head.units and any(map(is_number, head.units)):
        row = head.row + 1
        raise request.refuse(
            "units_row",
            f"holds numbers in row {row}, where a row of units is registered for device "
            f"{request.device.device}",
            "a row of units below the heading",
            remedy=f"Export with the row of units, {registered('csv_units_row', 'false')}.",
            row=row,
        )


def of_cell_count(
    count: int, expected: int, row: int, head: CsvHead, request: SignalRequest
) -> Unreadable:
    """A row with too many or too few cells; the last row of a file cut short is such a row."""
    what = f"has {count} cells in row {row}, but its header has {expected}"
    remedy = EXPORT_AGAIN
    if row == head.first_row and count > expected:
        remedy = "Export with the same number of columns in all rows."
        if request.device.csv_delimiter == ",":
            remedy += (
                " If its numbers have a decimal comma, export with a decimal point, or with "
                "semicolons between the columns."
            )
    return request.refuse(
        "ragged_row", what, f"{expected} cells in each row", remedy=remedy, row=row
    )


def of_cell(name: str, cell: str, request: SignalRequest, *, row: int, others: int) -> Unreadable:
    """A cell that is no number, or no time as it is registered."""
    text, device = cell.strip(), request.device
    if name == request.time_name:
        seen = format_of(text) or ("seconds" if is_number(text) else None)
        if seen is not None and (is_words(device.time_format) or is_words(seen)):
            return _other_time(name, text, seen, request, row)
    other = {".": ",", ",": "."}[device.csv_decimal]
    if other in text and device.csv_decimal not in text and is_number(text):
        words = {",": "a decimal comma", ".": "a decimal point"}
        more = f", and {others} more cells are no such number" if others else ""
        return request.refuse(
            "decimal_mark",
            f"has {words[other]} in row {row}, column {name} ({text}){more}; "
            f"{words[device.csv_decimal]} is registered for device {device.device}",
            request.number_looks_like,
            remedy=f"Export with {words[device.csv_decimal]}, "
            f"{registered('csv_decimal', chr(34) + other + chr(34))}.",
            row=row,
            column=name,
            value=text,
        )
    return request.bad_cell(name, cell, row=row, others=others)


def _other_time(
    name: str, cell: str, seen: TimeFormat, request: SignalRequest, row: int
) -> Unreadable:
    wanted = request.device.time_format
    return request.refuse(
        "time_format",
        f"has in row {row}, column {name}, {LOOKS_LIKE[seen].split(' such')[0]}; device "
        f"{request.device.device} is registered with {LOOKS_LIKE[wanted]} there",
        LOOKS_LIKE[wanted],
        remedy=f"Export time as {LOOKS_LIKE[wanted]}, "
        f"{registered('time_format', chr(34) + seen + chr(34))}.",
        row=row,
        column=name,
    )


def of_rate(step_s: float, request: SignalRequest) -> Unreadable:
    """A step of time that is not that of the registered rate; `step_s` as it was read."""
    rate_hz, device = request.device.rate_hz, request.device
    is_ms = device.time_format == "milliseconds"
    as_written = step_s * 1e3 if is_ms else step_s
    unit = "" if device.file_format == "edf" else " ms" if is_ms else " s"
    what = (
        f"has a step of {as_written:g}{unit} between samples; at the registered {rate_hz:g} Hz "
        f"the step is {1 / rate_hz:g} s"
    )
    remedy = "Have the sampling rate of the device registered anew, or set it back on the device."
    likely = _likely_time(step_s * rate_hz, as_written, is_words(device.time_format))
    if likely is not None:
        said, seen = likely
        what += f". {said}"
        remedy = "Export time in seconds and fractions of it."
        if seen and device.file_format != "edf":
            remedy = f"Export time in {device.time_format}, {registered('time_format', seen)}."
    elif step_s > 0:
        what += f". The file has {1 / step_s:.6g} samples a second"
    return request.refuse(
        "rate",
        what,
        f"{LOOKS_LIKE[device.time_format]}, {rate_hz:g} samples a second",
        remedy=remedy,
        column=request.time_name,
    )


def _likely_time(ratio: float, step: float, words: bool) -> tuple[str, str] | None:
    """Say what a step of time is likely to mean, and which `time_format` that is, if any."""
    if step <= 0:
        return "Several samples have the same time: it is likely written to whole seconds only", ""
    alike = [
        (1e3, "The time is likely in milliseconds", '"milliseconds"'),
        (1e-3, "The time is likely in seconds", '"seconds"'),
        (1e6, "The time is likely in microseconds", ""),
        (1.0 / 60.0, "The time is likely in minutes", ""),
    ]
    for wanted, said, seen in alike if not words else ():
        if abs(ratio / wanted - 1.0) < _NEAR:
            return said, seen
    if step == 1.0 and not words:
        return "The column likely counts samples and holds no time", ""
    return None


# A step this near to that of another unit is likely in it.
_NEAR = 0.3
