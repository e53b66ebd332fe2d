"""In which dialect a csv export is written: told by its own lines, without any registration."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from quietsleep.contract.unit_words import any_unit_of_word
from quietsleep.intake.files.misfit import is_number
from quietsleep.intake.files.text import as_utf8, cells_of, first_lines, utf_16_without_mark
from quietsleep.intake.files.times import format_of

Delimiter = Literal[",", ";", "\t", "|"]
Decimal = Literal[".", ","]
Encoding = Literal["utf-8", "utf-16", "latin-1"]
_LINES_LOOKED_AT = 400
# So many rows like each other in a row are samples; what stands above them is none.
_ROWS_ALIKE = 3
_LEAST_COLUMNS = 2


class NoTable(Exception):
    """An export that holds no table of samples; the message says what is missing."""


@dataclass(frozen=True, slots=True)
class CsvDialect:
    """How a csv export is written. `names` and `units` are the cells of its heading.

    `row` is the line of the first sample.
    """

    encoding: Encoding
    delimiter: Delimiter
    decimal: Decimal
    skip_lines: int
    units_row: bool
    names: tuple[str, ...]
    units: tuple[str, ...]
    first: tuple[tuple[str, ...], ...]
    row: int


def encoding_of(data: bytes) -> Encoding:
    """Return how text is encoded: by its mark, its zero bytes, or what it cannot be."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or utf_16_without_mark(data):
        return "utf-16"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def dialect_of(data: bytes) -> CsvDialect:
    """Tell the dialect of a csv export from its first lines; raises NoTable."""
    encoding = encoding_of(data)
    text = as_utf8(data, encoding)
    if b"\0" in text[:65_536]:
        raise NoTable("It is no text: it holds zero bytes.")
    lines = [line for _, line in first_lines(text, _LINES_LOOKED_AT)]
    found = [
        (_score(lines, delimiter, decimal), delimiter, decimal)
        for decimal in get_args(Decimal)
        for delimiter in get_args(Delimiter)
        if delimiter != decimal
    ]
    score, delimiter, decimal = max(found, key=lambda each: each[0])
    if score == (0.0, 0):
        raise NoTable("It holds no rows of numbers in two or more columns.")
    return _heading(lines, encoding, delimiter, decimal)


def _is_sample(cell: str, decimal: str) -> bool:
    other = {".": ",", ",": "."}[decimal]
    return (is_number(cell) and other not in cell) or format_of(cell) is not None


def _score(lines: Sequence[str], delimiter: str, decimal: str) -> tuple[float, int]:
    """Return the share of filled cells of usual rows that are numbers or times, and how many."""
    rows = [cells_of(line, delimiter) for line in lines if line.strip()]
    width = _usual_width(rows)
    # What stands on top is no row of samples: the later half tells more.
    usual = [row for row in rows[len(rows) // 2 :] if len(row) == width]
    filled = [cell for row in usual for cell in row if cell.strip()]
    n = sum(_is_sample(cell, decimal) for cell in filled)
    if width < _LEAST_COLUMNS or not n:
        return 0.0, 0
    return n / len(filled), width


def _usual_width(rows: Sequence[Sequence[str]]) -> int:
    later = [len(row) for row in rows[len(rows) // 2 :]]
    return Counter(later).most_common(1)[0][0] if later else 0


def _heading(
    lines: Sequence[str], encoding: Encoding, delimiter: Delimiter, decimal: Decimal
) -> CsvDialect:
    rows = [tuple(cell.strip() for cell in cells_of(line, delimiter)) for line in lines]
    width = _usual_width([row for row in rows if any(row)])
    like = [
        len(row) == width and sum(_is_sample(cell, decimal) for cell in row) >= _LEAST_COLUMNS
        for row in rows
    ]
    blank = [not any(row) for row in rows]
    begin = next((i for i in range(len(rows)) if like[i] and _goes_on(like, blank, i)), None)
    if begin is None:
        raise NoTable("It holds no rows of numbers that follow each other.")
    above = [i for i in range(begin) if not blank[i]]
    heading = [i for i in above if len(rows[i]) == width]
    if not heading:
        raise NoTable(
            "No names of columns stand above its numbers. Export it with a row of names, for the "
            "registration goes by them."
        )
    last = heading[-1]
    units_row = (
        len(heading) > 1
        and heading[-2] == last - 1
        and any(map(any_unit_of_word, rows[last]))
        and not any(is_number(cell) for cell in rows[last - 1])
        and _more_units(rows[last], rows[last - 1])
    )
    named = last - 1 if units_row else last
    return CsvDialect(
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        skip_lines=named,
        units_row=units_row,
        names=rows[named],
        units=rows[last] if units_row else (),
        first=tuple(row for row, usual in zip(rows[begin:], like[begin:], strict=True) if usual),
        row=begin + 1,
    )


def _goes_on(like: Sequence[bool], blank: Sequence[bool], begin: int) -> bool:
    """Whether the next rows that are not blank are samples as well."""
    following = [like[i] for i in range(begin, len(like)) if not blank[i]]
    return all(following[:_ROWS_ALIKE])


def _more_units(row: Sequence[str], above: Sequence[str]) -> bool:
    return sum(map(bool, map(any_unit_of_word, row))) > sum(map(bool, map(any_unit_of_word, above)))
