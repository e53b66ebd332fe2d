"""Writing what a centre hands over: signal files, tables, the list of files, archives.

Every byte follows from the seed: no clock, no random name, fixed dates inside archives.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from quietsleep.simulation.bodies import FloatArray
from quietsleep.simulation.sensors import UNIT_SIZE, Sensor

Cells = Mapping[str, str]
CONTRACT = "1"  # version of the contract that the invented centres deliver by


@dataclass(frozen=True, slots=True)
class SignalFormat:
    """File format of a device."""

    file_format: str
    rate_hz: float
    time_column: str = "t_s"
    csv_delimiter: str = ","
    csv_decimal: str = "."


def signal_bytes(
    columns: Mapping[str, FloatArray],
    time_s: FloatArray,
    *,
    form: SignalFormat,
    sensors: Sequence[Sensor],
    header_units: Mapping[str, str] | None = None,
) -> bytes:
    """One signal file in the format of the device.

    `header_units` are the units that an EDF header names, by column, where they are not those of
    the sensors.
    """
    if form.file_format == "edf":
        return edf_bytes(
            columns, rate_hz=form.rate_hz, sensors=sensors, header_units=header_units or {}
        )
    digits = 6 if form.file_format == "csv" else 9
    arrays = {form.time_column: np.round(time_s, 6)}
    arrays |= {name: np.round(values, digits) for name, values in columns.items()}
    if form.file_format == "parquet":
        return parquet_bytes(arrays)
    return csv_bytes(arrays, delimiter=form.csv_delimiter, decimal=form.csv_decimal)


def csv_bytes(arrays: Mapping[str, FloatArray], *, delimiter: str, decimal: str) -> bytes:
    """A csv file with one header row; the decimal mark is put in after writing."""
    table = pa.table({name: pa.array(values) for name, values in arrays.items()})
    options = pa.csv.WriteOptions(
        include_header=False, delimiter=delimiter, quoting_style="none", batch_size=8192
    )
    sink = io.BytesIO()
    pa.csv.write_csv(table, sink, options)
    body = sink.getvalue()
    if decimal != ".":
        body = body.replace(b".", decimal.encode())
    return (delimiter.join(arrays) + "\n").encode() + body


def parquet_bytes(arrays: Mapping[str, FloatArray]) -> bytes:
    """A parquet file, zstd with byte-stream-split, which suits slowly varying floats."""
    table = pa.table({name: pa.array(values) for name, values in arrays.items()})
    sink = io.BytesIO()
    pa.parquet.write_table(
        table,
        sink,
        compression="zstd",
        use_dictionary=False,
        use_byte_stream_split=True,
        write_statistics=False,
    )
    return sink.getvalue()


def edf_bytes(
    columns: Mapping[str, FloatArray],
    *,
    rate_hz: float,
    sensors: Sequence[Sensor],
    header_units: Mapping[str, str],
) -> bytes:
    """An EDF+ file with records of 1 s; samples beyond the last whole second are left out."""
    import edfio

    by_column = {sensor.column: sensor for sensor in sensors}
    whole = len(next(iter(columns.values()))) // round(rate_hz) * round(rate_hz)
    signals = []
    for name, values in columns.items():
        sensor = by_column[name]
        low, high = edf_range(sensor)
        signals.append(
            edfio.EdfSignal(
                np.clip(values[:whole], low, high),
                rate_hz,
                label=name,
                physical_dimension=header_units.get(name, sensor.unit),
                physical_range=(low, high),
                digital_range=(-32768, 32767),
            )
        )
    sink = io.BytesIO()
    start = edfio.EdfAnnotation(0.0, None, "start")
    edfio.Edf(signals, data_record_duration=1.0, annotations=[start]).write(sink)
    return sink.getvalue()


def edf_range(sensor: Sensor) -> tuple[float, float]:
    """Physical range of a sensor in raw units, short enough for the eight characters of EDF."""
    half = sensor.full_scale / UNIT_SIZE[sensor.unit] / sensor.gain
    low, high = sensor.offset - half, sensor.offset + half
    return float(f"{low:.3f}"), float(f"{high:.3f}")


def table_bytes(rows: Sequence[Cells], columns: Sequence[str]) -> bytes:
    """A csv table of text cells; cells of no column are left out."""
    sink = io.StringIO()
    writer = csv.DictWriter(
        sink, fieldnames=list(columns), lineterminator="\n", extrasaction="ignore"
    )
    writer.writeheader()
    writer.writerows(rows)
    return sink.getvalue().encode()


def manifest_bytes(
    files: Mapping[str, bytes], *, centre: str, delivery: str, created: datetime
) -> bytes:
    """delivery.json: what the delivery holds, with sizes and checksums."""
    listed = [
        {"path": path, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for path, data in sorted(files.items())
    ]
    whole = {
        "contract": CONTRACT,
        "centre": centre,
        "delivery": delivery,
        "created": created.isoformat(),
        "files": listed,
    }
    return (json.dumps(whole, indent=1) + "\n").encode()


def relist(folder: Path, *changed: Path) -> None:
    """Write size and checksum of changed files into delivery.json, as a centre would.

    Without any named, those of all that are listed.
    """
    path = folder / "delivery.json"
    manifest = json.loads(path.read_bytes())
    for entry in manifest["files"]:
        if not changed or folder / entry["path"] in changed:
            data = (folder / entry["path"]).read_bytes()
            entry |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    path.write_text(json.dumps(manifest), encoding="utf-8")


def hand_over(
    folder: Path,
    files: Mapping[str, bytes],
    *,
    spoiled: Mapping[str, bytes | None],
    manifest: bytes,
    zipped: bool,
) -> None:
    """Write a delivery as a folder or as a .zip, delivery.json last.

    `spoiled` replaces files after the list was made; None takes them away.
    """
    final = {path: spoiled.get(path, data) for path, data in sorted(files.items())}
    kept = {path: data for path, data in final.items() if data is not None}
    kept["delivery.json"] = manifest
    if zipped:
        folder.parent.mkdir(parents=True, exist_ok=True)
        archive = folder.with_name(f"{folder.name}.zip")
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
            for path, data in kept.items():
                entry = zipfile.ZipInfo(path, date_time=(2026, 1, 1, 0, 0, 0))
                entry.compress_type = zipfile.ZIP_DEFLATED
                entry.external_attr = 0o644 << 16
                out.writestr(entry, data)
        return
    for path, data in kept.items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
