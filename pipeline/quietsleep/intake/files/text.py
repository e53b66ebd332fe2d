"""The text of a csv export: its bytes as UTF-8, its heading, its cells and rows."""

from __future__ import annotations

import csv
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from itertools import islice

from quietsleep.study.study import Device

_LINE_END = re.compile(rb"\r\n|\n|\r")
# The search for the bad cell ends here; a usual recording has some ten thousand rows.
MOST_ROWS_SEARCHED = 400_000
LONGEST_LINE = 65_536
_MARKS_16 = (b"\xff\xfe", b"\xfe\xff")
_BYTES_LOOKED_AT = 512
# Of the bytes of UTF-16 without a mark, more than this share of every other one is zero.
_ZERO_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class CsvHead:
    """What stands above the samples: `row` is the line of the heading, `first_row` the next sample.

    `units` are the cells of the row of units, empty where none is registered; `body` is the byte at
    which samples begin, `top` that at which the heading does.
    """

    names: list[str]
    units: list[str]
    row: int
    first_row: int
    top: int
    body: int


def as_utf8(data: bytes, encoding: str = "utf-8") -> bytes:
    """Return text as UTF-8 without a byte order mark; a mark tells more than `encoding` does."""
    if data.startswith(_MARKS_16):
        return data.decode("utf-16", "replace").encode("utf-8")
    if data.startswith(b"\xef\xbb\xbf"):
        return data.removeprefix(b"\xef\xbb\xbf")
    if encoding == "utf-16":
        named = utf_16_without_mark(data) or "utf-16-le"
        return data.decode(named, "replace").encode("utf-8")
    if encoding == "latin-1" and not data.isascii():
        return data.decode("cp1252", "replace").encode("utf-8")
    return data


def utf_16_without_mark(data: bytes) -> str | None:
    """Return how text without a mark is encoded in UTF-16; None where it is not."""
    first = data[:_BYTES_LOOKED_AT]
    half = len(first) // 2
    if half < 2 or b"\0" not in first:
        return None
    for named, zeros, letters in (("utf-16-le", first[1::2], first[::2]),
                                  ("utf-16-be", first[::2], first[1::2])):  # fmt: skip
        if zeros.count(0) > _ZERO_SHARE * half and letters.count(0) < half - _ZERO_SHARE * half:
            return named
    return None


def head_of(data: bytes, device: Device) -> CsvHead:
    """Return the heading of UTF-8 text, where it is registered to stand."""
    top, row = 0, 1
    for _ in range(device.csv_skip_lines):
        top, row = _after_line(data, top), row + 1
    names, body = split_line(data, device.csv_delimiter, top)
    units: list[str] = []
    if device.csv_units_row:
        units, body = split_line(data, device.csv_delimiter, body)
    return CsvHead(names, units, row, row + 1 + device.csv_units_row, top, body)


def split_line(data: bytes, delimiter: str, begin: int = 0) -> tuple[list[str], int]:
    """Return the stripped cells of one line of UTF-8 text, and where the next line begins."""
    end = _LINE_END.search(data, begin)
    last, body = end.span() if end else (len(data), len(data))
    text = _as_text(data[begin : min(last, begin + LONGEST_LINE)])
    return [name.strip() for name in cells_of(text, delimiter)], body


def _after_line(data: bytes, begin: int) -> int:
    end = _LINE_END.search(data, begin)
    return end.end() if end else len(data)


def _as_text(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace")


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


def as_registered(names: list[str], wanted: Collection[str]) -> list[str]:
    """Return the names of columns as they are registered, where they differ in case or blanks."""
    missing = {fold(name): name for name in wanted if name not in names}
    if not missing:
        return names
    folded = [fold(name) for name in names]
    return [
        missing[key] if key in missing and folded.count(key) == 1 else name
        for name, key in zip(names, folded, strict=True)
    ]


def fold(name: str) -> str:
    """Return the name of a column as it is compared: without regard to case and blanks."""
    return "".join(name.split()).casefold()


def first_lines(data: bytes, most: int, begin: int = 0) -> Iterator[tuple[int, str]]:
    """The first lines of UTF-8 text from a byte on, blank ones too, numbered from 1."""
    yield from islice(lines(data, begin), most)


def lines(data: bytes, begin: int = 0, row: int = 1) -> Iterator[tuple[int, str]]:
    """All lines of UTF-8 text from a byte on; the first is number `row`."""
    last = row + MOST_ROWS_SEARCHED
    for end in _LINE_END.finditer(data, begin):
        if row > last:
            return
        yield row, _as_text(data[begin : end.start()])
        row, begin = row + 1, end.end()
    if begin < len(data):
        yield row, _as_text(data[begin:])


def rows(data: bytes, head: CsvHead) -> Iterator[tuple[int, str]]:
    """Rows of samples that are not blank, numbered as an editor does."""
    return ((row, line) for row, line in lines(data, head.body, head.first_row) if line.strip())
