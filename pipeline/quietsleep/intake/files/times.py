"""Times of samples as devices write them, brought to seconds.

Of a clock or a date with its time only the time of day is read, and each day that passes while it
is recorded adds 24 hours: in which order a date is written makes no difference then.
"""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from quietsleep.records import FloatArray
from quietsleep.study.devices import TimeFormat

_DAY_S = 86_400.0
# A clock that falls by more than this has passed midnight (or noon, with AM and PM left out).
_TURNS_S = 43_200.0
_DATE = r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}(?:T|\s+)"
_CLOCK = (
    r"(?:(?P<h>\d{1,2}):)?(?P<m>\d{1,2}):(?P<s>\d{1,2})(?:[.,:](?P<f>\d{1,9}))?\s*"
    r"(?P<half>[AaPp][Mm])?\s*(?:Z|[+-]\d{2}:?\d{2})?"
)
_PATTERNS: dict[str, str] = {
    "clock": rf"^\s*{_CLOCK}\s*$",
    "date_time": rf"^\s*{_DATE}{_CLOCK}\s*$",
}
_COMPILED = {name: re.compile(pattern, re.ASCII) for name, pattern in _PATTERNS.items()}
LOOKS_LIKE: dict[TimeFormat, str] = {
    "seconds": "a number of seconds",
    "milliseconds": "a number of milliseconds",
    "clock": "a time of day such as 08:15:00.005",
    "date_time": "a date with its time such as 2026-03-10 08:15:00.005",
}


def is_words(time_format: TimeFormat) -> bool:
    """Whether times are no plain numbers."""
    return time_format in _PATTERNS


def format_of(cell: str) -> TimeFormat | None:
    """Return as what a cell that is no number could be read; None where it is no time."""
    found = (name for name, pattern in _COMPILED.items() if pattern.match(cell))
    return next(found, None)  # type: ignore[arg-type]


def is_time(cell: str, time_format: TimeFormat) -> bool:
    """Whether a cell is a time of this format, one of those in words."""
    return _COMPILED[time_format].match(cell) is not None


def seconds_of_words(times: pa.Array | pa.ChunkedArray, time_format: TimeFormat) -> FloatArray:
    """Return seconds since the first sample, shape (n,); ValueError where a cell is no time."""
    if isinstance(times, pa.ChunkedArray):
        times = times.combine_chunks()
    parts = pc.extract_regex(times, _PATTERNS[time_format])
    if parts.null_count:
        raise ValueError("a cell is no time")
    h, m, s = (_number(parts.field(name)) for name in ("h", "m", "s"))
    f, half = parts.field("f"), parts.field("half")
    digits = np.asarray(pc.utf8_length(f).to_numpy(zero_copy_only=False), dtype=np.float64)
    afternoon = np.asarray(pc.match_substring(half, "p", ignore_case=True), dtype=bool)
    named = np.asarray(pc.greater(pc.utf8_length(half), 0), dtype=bool)
    h = np.where(named, h % 12 + 12 * afternoon, h)
    of_day = h * 3600.0 + m * 60.0 + s + _number(f) / 10.0**digits
    return _unrolled(of_day)


def seconds_of_numbers(times: pa.ChunkedArray, time_format: TimeFormat) -> FloatArray | None:
    """Return times in seconds of a column that is none of words; None where it holds no times.

    A parquet file may hold true times: those of the day are read as a clock, timestamps as dates.
    """
    kind = times.type
    if pa.types.is_timestamp(kind) or pa.types.is_duration(kind):
        ns = times.cast(pa.timestamp("ns") if pa.types.is_timestamp(kind) else pa.duration("ns"))
        whole = ns.cast(pa.int64())
        return _since_first(whole) if time_format == "date_time" else None
    if pa.types.is_time(kind):
        whole = times.cast(pa.time64("ns")).cast(pa.int64())
        return _unrolled(_since_first(whole)) if time_format == "clock" else None
    if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)) or is_words(time_format):
        return None
    values = np.asarray(times.cast(pa.float64()).to_numpy(), dtype=np.float64)
    return in_seconds(values, time_format)


def in_seconds(values: FloatArray, time_format: TimeFormat) -> FloatArray:
    """Return plain numbers of time (n,) in seconds."""
    return values * 1e-3 if time_format == "milliseconds" else values


def _since_first(ns: pa.ChunkedArray) -> FloatArray:
    if ns.null_count:
        return np.full(len(ns), np.nan)
    whole = ns.to_numpy()
    return np.asarray((whole - whole[:1]) * 1e-9, dtype=np.float64)


def _number(texts: pa.StringArray) -> FloatArray:
    """Numbers of groups that matched nothing are 0."""
    filled = pc.if_else(pc.equal(texts, ""), "0", texts)
    return np.asarray(filled.cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=np.float64)


def _unrolled(of_day_s: FloatArray) -> FloatArray:
    if not of_day_s.size:
        return of_day_s
    passed = np.concatenate([[0.0], np.cumsum(np.diff(of_day_s) < -_TURNS_S)])
    return np.asarray(of_day_s - of_day_s[0] + passed * _DAY_S, dtype=np.float64)
