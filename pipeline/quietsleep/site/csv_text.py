"""Rows as csv that a spreadsheet opens without running anything in it."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import Any

from quietsleep.site.words import seen

# A spreadsheet runs a cell that begins so as a formula; delivered text never may.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"-?\d+(\.\d+)?(e[+-]?\d+)?", re.IGNORECASE)


def csv_text(rows: Iterable[Sequence[Any]]) -> str:
    """Return rows as csv (RFC 4180); a cell like a formula begins with a mark, but no number."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        writer.writerow([_harmless("" if value is None else str(value)) for value in row])
    return out.getvalue()


def _harmless(text: str) -> str:
    shown = seen(text)
    return f"'{shown}" if shown.startswith(_FORMULA) and not _NUMBER.fullmatch(shown) else shown
