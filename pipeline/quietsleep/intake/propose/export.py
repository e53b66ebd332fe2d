"""An export opened without a registration: its samples, names, units, time and rate."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from quietsleep.intake.files.csv import read_csv
from quietsleep.intake.files.edf import ANNOTATIONS, edf_header, read_edf
from quietsleep.intake.files.misfit import is_number, kind_of_file
from quietsleep.intake.files.parquet import open_parquet, read_parquet
from quietsleep.intake.files.read import read_bounded
from quietsleep.intake.files.request import SignalRequest, Unreadable
from quietsleep.intake.files.times import format_of
from quietsleep.intake.propose.columns import (
    BY_SIZE,
    IN_FILE,
    TIME,
    NamedColumn,
    counts_samples,
    named_column,
)
from quietsleep.intake.propose.dialect import CsvDialect, NoTable, dialect_of
from quietsleep.intake.reference import DeliveryReference
from quietsleep.records import FloatArray
from quietsleep.study.devices import ChannelMap, Device, FileFormat, TimeFormat

# What a registration may say of the rate; a step of time outside is in another unit.
_LEAST_HZ, _MOST_HZ = 50.0, 20_000.0
# A rate this near to a whole number is meant to be it.
_WHOLE = 2e-3
# Steps of a clock are rounded to milliseconds; those of time differ by no more of their median.
_EVEN = 0.6
_UNIT_KEYS = ("unit", "units", "ucum", "dimension", "physical_dimension")
_TEXT_SUFFIXES = (".csv", ".txt", ".tsv", ".tab", ".dat", ".asc")
_MS = {"seconds": 1.0, "milliseconds": 1e-3}


@dataclass(frozen=True, slots=True)
class Export:
    """What an export says of itself, and its samples.

    `samples` are the raw numbers of each column of numbers, shape (n,); `rate_hz` is what its time
    column or header tells, `time_sure` and `rate_sure` how sure that is. `unread` are columns of
    something else.
    """

    path: Path
    file_format: FileFormat
    columns: tuple[NamedColumn, ...]
    samples: Mapping[str, FloatArray]
    rate_hz: float
    rate_sure: str
    time_column: str | None = None
    time_format: TimeFormat = "seconds"
    time_sure: str = IN_FILE
    dialect: CsvDialect | None = None
    unread: tuple[str, ...] = ()
    layout: Mapping[str, Any] = field(default_factory=dict)


def open_export(path: Path) -> Export:
    """Open an export in csv, parquet or EDF; raises NoTable with what is in the way."""
    try:
        data = read_bounded(path)
    except OSError as error:
        raise NoTable(f"It cannot be read: {error.strerror or error}.") from None
    kind = kind_of_file(data)
    if kind is None:
        return _open_csv(path, data)
    if kind[0] == "parquet":
        return _open_parquet(path, data)
    if kind[0] == "edf":
        return _open_edf(path, data)
    raise NoTable(f"It is {kind[1]}. Export it as csv, parquet or EDF.")


def _open_csv(path: Path, data: bytes) -> Export:
    dialect = dialect_of(data)
    units = dict(zip(dialect.names, dialect.units, strict=False))
    columns = [named_column(name, units.get(name, "")) for name in dialect.names]
    cells = {c.column: _cells(dialect, i) for i, c in enumerate(columns)}
    once = [c for c in columns if c.column and dialect.names.count(c.column) == 1]
    words = [c for c in once if all(map(format_of, cells[c.column]))]
    numbers = [c for c in once if any(map(is_number, cells[c.column])) and c not in words
               and all(is_number(cell) or not cell for cell in cells[c.column])]  # fmt: skip
    layout: dict[str, Any] = {
        "csv_delimiter": dialect.delimiter,
        "csv_decimal": dialect.decimal,
        "csv_encoding": dialect.encoding,
        "csv_skip_lines": dialect.skip_lines,
        "csv_units_row": dialect.units_row,
    }
    worded: tuple[str, TimeFormat] | None = None
    for column in words[:1]:
        if (seen := format_of(cells[column.column][0])) is not None:
            worded = column.column, seen
    reading = _Reading(path, data, "csv", layout, _words(columns))
    return _with_time(reading, once, numbers, worded=worded, dialect=dialect)


def _cells(dialect: CsvDialect, number: int) -> list[str]:
    return [row[number] for row in dialect.first]


@dataclass(frozen=True, slots=True)
class _Reading:
    """The bytes of an export, read by the readers of deliveries with what was found so far."""

    path: Path
    data: bytes
    file_format: FileFormat
    layout: Mapping[str, Any]
    words: Mapping[str, str]

    def columns(
        self, names: Sequence[str], time_column: str | None, time_format: TimeFormat = "seconds"
    ) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Return time in seconds and the raw numbers of columns; raises NoTable."""
        device = Device(
            device="export",
            centre="",
            equipment_class="export",
            file_format=self.file_format,
            rate_hz=_LEAST_HZ,
            time_column=time_column,
            time_format=time_format,
            gas_state="measured",
            channels=tuple(self._as_it_stands(name) for name in names),
            **self.layout,
        )
        request = SignalRequest(
            DeliveryReference("", ""), self.path.name, device, {name: name for name in names}
        )
        reader = {"csv": read_csv, "parquet": read_parquet, "edf": read_edf}[self.file_format]
        try:
            raw = reader(self.data, request)
        except Unreadable as error:
            raise NoTable(error.problem.sentence) from None
        return raw.time_s, dict(raw.columns)

    def _as_it_stands(self, name: str) -> ChannelMap:
        """A column whose numbers are read as they are, whatever unit the header names."""
        word = self.words.get(name)
        return ChannelMap(name, name, "1", 1.0, 0.0, "above", header_unit=word or None)


def _words(columns: Sequence[NamedColumn]) -> dict[str, str]:
    return {c.column: c.word for c in columns}


def _with_time(
    reading: _Reading,
    columns: Sequence[NamedColumn],
    numbers: Sequence[NamedColumn],
    *,
    worded: tuple[str, TimeFormat] | None,
    dialect: CsvDialect | None = None,
) -> Export:
    """Find the time column, read all columns of numbers, and tell the rate."""
    names = [c.column for c in numbers]
    if worded is not None:
        time_column, time_format = worded
        sure = IN_FILE
        time_s, samples = reading.columns(names, time_column, time_format)
        rate_hz = _rate(time_s)
        if not _LEAST_HZ <= rate_hz <= _MOST_HZ:
            raise NoTable(
                f"Its times ({time_column}) tell no sampling rate: several samples have the same "
                "time. Export time with milliseconds."
            )
    else:
        timed = _time_of_numbers(reading, numbers)
        if timed is None:
            raise NoTable(
                "No column of it rises evenly, as time does. Export the time of each sample."
            )
        time_column, time_format, sure = timed
        names.remove(time_column)
        time_s, samples = reading.columns(names, time_column, time_format)
        rate_hz = _rate(time_s)
    read = {time_column, *samples}
    return Export(
        path=reading.path,
        file_format=reading.file_format,
        columns=tuple(c for c in columns if c.column != time_column),
        samples=samples,
        rate_hz=rate_hz,
        rate_sure=IN_FILE if sure == IN_FILE else sure,
        time_column=time_column,
        time_format=time_format,
        time_sure=sure,
        dialect=dialect,
        unread=tuple(c.column for c in columns if c.column not in read),
        layout=reading.layout,
    )


def _time_of_numbers(
    reading: _Reading, numbers: Sequence[NamedColumn]
) -> tuple[str, TimeFormat, str] | None:
    """Return the time column, what it holds, and how sure: that is named so, or else that rises."""
    named = [c for c in numbers if c.channel == TIME]
    others = [c for c in numbers if c not in named and not counts_samples(c.column)]
    for column in (*named, *others):
        others_of = [c.column for c in numbers if c is not column][:1]
        if not others_of:
            continue
        _, values = reading.columns([column.column], others_of[0])
        steps = np.diff(values[column.column])
        step = float(np.median(steps)) if steps.size else 0.0
        if not (step > 0.0 and np.mean(np.abs(steps - step) <= _EVEN * step) > 0.9):
            continue
        if column not in named and column.channel:
            continue
        if column.unit in {"s", "ms"}:
            return column.column, "seconds" if column.unit == "s" else "milliseconds", IN_FILE
        if (by_size := _format_by_size(step)) is not None:
            return column.column, by_size, BY_SIZE
    return None


def _format_by_size(step: float) -> TimeFormat | None:
    """Return what a step of time is in; None where it is possible in neither or in both."""
    possible: list[TimeFormat] = [
        name  # type: ignore[misc]
        for name, unit in _MS.items()
        if _LEAST_HZ * 0.99 <= 1.0 / (step * unit) <= _MOST_HZ
    ]
    return possible[0] if len(possible) == 1 else None


def _rate(time_s: FloatArray) -> float:
    """Samples a second, over what has no gap; a whole number where it is near one."""
    steps = np.diff(time_s)
    step = float(np.median(steps))
    even = steps[(steps >= 0.0) & (steps <= 3.0 * max(step, 1e-9))]
    if not even.size or even.sum() <= 0.0 or step <= 0.0:
        return 0.0
    rate_hz = even.size / float(even.sum())
    whole = round(rate_hz)
    return float(whole) if whole and abs(rate_hz / whole - 1.0) < _WHOLE else rate_hz


def _open_parquet(path: Path, data: bytes) -> Export:
    file = open_parquet(data)
    if file is None:
        raise NoTable("It is no complete parquet file.")
    schema = file.schema_arrow
    units = _units_of_parquet(schema)
    columns = [named_column(f.name, units.get(f.name, "")) for f in schema]
    kinds = {f.name: f.type for f in schema}
    numbers = [
        c
        for c in columns
        if pa.types.is_floating(kinds[c.column]) or pa.types.is_integer(kinds[c.column])
    ]
    worded: tuple[str, TimeFormat] | None = None
    for name, kind in kinds.items():
        if worded is None and pa.types.is_timestamp(kind):
            worded = name, "date_time"
        elif worded is None and pa.types.is_time(kind):
            worded = name, "clock"
        elif worded is None and (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
            first = next((t for t in _first_texts(file, name) if t), "")
            if (seen := format_of(first)) is not None:
                worded = name, seen
    return _with_time(
        _Reading(path, data, "parquet", {}, _words(columns)), columns, numbers, worded=worded
    )


def _first_texts(file: Any, name: str) -> list[str]:
    batch = next(file.iter_batches(batch_size=20, columns=[name]), None)
    return [] if batch is None else [str(v) for v in batch.column(0).to_pylist() if v is not None]


def _units_of_parquet(schema: pa.Schema) -> dict[str, str]:
    """Units that the metadata of a parquet file names: of a field, or of the whole schema."""
    found: dict[str, str] = {}
    for name in schema.names:
        for key, value in (schema.field(name).metadata or {}).items():
            if key.decode("utf-8", "replace").casefold() in _UNIT_KEYS:
                found[name] = value.decode("utf-8", "replace")
    for raw_key, raw in (schema.metadata or {}).items():
        key, value = (part.decode("utf-8", "replace") for part in (raw_key, raw))
        head, _, tail = key.replace(":", ".").rpartition(".")
        for name, unit in ((head, tail), (tail, head)):
            if unit.casefold() in _UNIT_KEYS and name in schema.names:
                found.setdefault(name, value)
        for name, unit in _units_of_json(value).items():
            if name in schema.names:
                found.setdefault(name, unit)
    return found


def _units_of_json(text: str) -> dict[str, str]:
    try:
        said = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    if not isinstance(said, dict):
        return {}
    inner = next((said[k] for k in said if str(k).casefold() in _UNIT_KEYS), said)
    pairs = inner.items() if isinstance(inner, dict) else ()
    found = {}
    for name, value in pairs:
        unit = value.get("unit", value.get("units")) if isinstance(value, dict) else value
        if isinstance(unit, str):
            found[str(name)] = unit
    return found


def _open_edf(path: Path, data: bytes) -> Export:
    try:
        header = edf_header(data)
    except ValueError as error:
        raise NoTable(f"It {error}.") from None
    wanted = [i for i, label in enumerate(header.labels) if label and label != ANNOTATIONS]
    columns = [named_column(header.labels[i], header.dimensions[i]) for i in wanted]
    per_record = {header.labels[i]: header.samples_per_record[i] for i in wanted}
    most = max(per_record.values(), default=0)
    if not most:
        raise NoTable("It holds no signals.")
    usable = [c for c in columns if per_record[c.column] == most]
    reading = _Reading(path, data, "edf", {}, _words(columns))
    _, samples = reading.columns([c.column for c in usable], None)
    return Export(
        path=path,
        file_format="edf",
        columns=tuple(usable),
        samples=samples,
        rate_hz=most / header.record_s,
        rate_sure=IN_FILE,
        unread=tuple(c.column for c in columns if c not in usable),
    )
