"""Read the parquet export of a device."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.intake.files.request import MOST_SAMPLES, SignalRequest
from quietsleep.intake.files.times import (
    in_seconds,
    is_words,
    seconds_of_numbers,
    seconds_of_words,
)
from quietsleep.records import FloatArray, RawSignal

_TIMES = {
    "seconds": "numbers of seconds",
    "milliseconds": "numbers of milliseconds",
    "clock": "times of the day",
    "date_time": "dates with their times",
}


def open_parquet(data: bytes) -> pq.ParquetFile | None:
    """Open a parquet file; None when it is none."""
    try:
        return pq.ParquetFile(pa.BufferReader(data))
    except Exception:  # any bytes may come: the library raises more than its own errors
        return None


def read_parquet(data: bytes, request: SignalRequest) -> RawSignal:
    """Read the wanted columns of a parquet file; raises Unreadable."""
    file = open_parquet(data)
    if file is None:
        what = "is no parquet file, or was cut short"
        raise request.refuse("file_not_read", what, "a complete parquet file")
    request.check_names(list(file.schema_arrow.names), with_time=True)
    # A small file can claim rows without end: its metadata is asked before anything is read.
    if file.metadata.num_rows > MOST_SAMPLES:
        what = f"holds {file.metadata.num_rows} rows, more than {MOST_SAMPLES}"
        raise request.refuse("too_long", what, "one recording of one technique")
    wanted = [request.time_name, *request.columns.values()]
    for name in wanted[1:]:
        kind = file.schema_arrow.field(name).type
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
            what = f"has the column {name} as {kind}, not as numbers"
            raise request.refuse("column_type", what, "floating or integer numbers", column=name)
    try:
        table = file.read(columns=wanted, use_threads=False)
        columns = {name: _floats(table.column(name)) for name in wanted[1:]}
        time_s = _seconds(table.column(wanted[0]), request)
    except Exception:  # damaged pages: the library raises more than its own errors
        what = "is damaged inside and cannot be read"
        raise request.refuse("file_not_read", what, "a complete parquet file") from None
    if time_s is None:
        kind = file.schema_arrow.field(wanted[0]).type
        what = f"has the column {wanted[0]} as {kind}, not as {_TIMES[request.device.time_format]}"
        expected = _TIMES[request.device.time_format]
        raise request.refuse("column_type", what, expected, column=wanted[0])
    return RawSignal(time_s, columns)


def _seconds(column: pa.ChunkedArray, request: SignalRequest) -> FloatArray | None:
    """Time in seconds (n,); None where the column holds something else than is registered."""
    time_format = request.device.time_format
    if not is_words(time_format):
        kind = column.type
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
            return None
        return in_seconds(_floats(column), time_format)
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        try:
            return seconds_of_words(column.cast(pa.string()), time_format)
        except ValueError:
            return None
    return seconds_of_numbers(column, time_format)


def _floats(column: pa.ChunkedArray) -> FloatArray:
    if not pa.types.is_float64(column.type):
        column = column.cast(pa.float64())
    values: FloatArray = column.to_numpy()
    missing = np.isnan(values)
    # A file may hold signalling NaNs, which reductions that pass over NaN do not pass over.
    return np.where(missing, np.nan, values) if missing.any() else values
