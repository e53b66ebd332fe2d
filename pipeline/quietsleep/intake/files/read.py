"""Read a signal file (csv, parquet, EDF+) into a RawSignal, or say in words why it cannot be read.

Only the columns that are asked for are read. An empty cell or NaN is a missing sample, which
`signals.channels` measures as a gap; anything else that is not a number is named with its row.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from quietsleep.intake.files.csv import line_of_sample, name_bad_cell, read_csv
from quietsleep.intake.files.edf import read_edf
from quietsleep.intake.files.misfit import of_rate, refuse_other_kind
from quietsleep.intake.files.parquet import read_parquet
from quietsleep.intake.files.request import MOST_SAMPLES, SignalRequest, Unreadable
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.store import Address
from quietsleep.records import FloatArray, RawSignal
from quietsleep.study.study import Device

__all__ = ["MOST_BYTES", "Unreadable", "read_bounded", "read_signal"]

# Half an hour of eight channels at 1000 Hz in csv is about 150 MB.
MOST_BYTES = 256 * 1024 * 1024
# No sensor or converter gives numbers beyond this; they would overflow in squares and sums.
LARGEST_VALUE = 1e12
# A sampling rate further than this share from the registered one is a wrong unit or device.
LIKE_RATE = 0.3
ALIKE_SHARE = 0.01

_READERS = {"csv": read_csv, "parquet": read_parquet, "edf": read_edf}


def read_signal(
    path: Path | Address,
    device: Device,
    needed_channels: Sequence[str],
    *,
    delivery: str = "",
    where: str = "",
    sha256: str = "",
) -> RawSignal:
    """Read the needed channels of one file; raises Unreadable with its problem.

    `time_s` and each column have shape (n,), n >= 2; columns are keyed by their raw names and hold
    the numbers of the file. Times never run backwards. `delivery` and `where` (the path inside
    the delivery) name the file in the problem. With `sha256`, other bytes than those are refused.
    """
    request = _request(
        path, device, needed_channels, DeliveryReference(device.centre, delivery), where
    )
    data = _bytes_of(path, request, sha256)
    refuse_other_kind(data, request)
    raw = _READERS[device.file_format](data, request)
    _check_values(raw, data, request)
    _check_times(raw, data, request)
    return raw


def read_bounded(path: Path | Address, most_bytes: int = MOST_BYTES) -> bytes:
    """Read a plain file; raises OSError for links, devices, and files beyond `most_bytes`."""
    if isinstance(path, Address):
        return path.read(most_bytes)
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        info = os.fstat(handle)
        if not stat.S_ISREG(info.st_mode):
            raise OSError("it is no plain file")
        if info.st_size > most_bytes:
            raise OSError(f"it is larger than {most_bytes // 1024**2} MB")
        # Asked for what is there: a larger wish would have that much memory laid out first.
        return file.read(info.st_size)


def _request(
    path: Path | Address,
    device: Device,
    needed_channels: Sequence[str],
    place: DeliveryReference,
    where: str,
) -> SignalRequest:
    where = where or path.name
    columns: dict[str, str] = {}
    for channel in dict.fromkeys(needed_channels):
        mapped = device.channel(channel)
        if mapped is None:
            raise Unreadable(
                place.problem(
                    "channel_not_registered",
                    where,
                    f"Device {device.device} registers no column for the channel {channel}, "
                    f"which the recording {where} needs.",
                    expected=f"a [[devices.channels]] entry for {channel}",
                    remedy="Ask the coordinating centre to register the column of the channel.",
                )
            )
        columns[channel] = mapped.column
    return SignalRequest(place, where, device, columns)


def _bytes_of(path: Path | Address, request: SignalRequest, sha256: str) -> bytes:
    try:
        data = read_bounded(path)
    except FileNotFoundError:
        raise request.refuse("missing_file", "is not in the delivery", "the file") from None
    except OSError as error:
        reason = error.strerror or str(error)
        kind = "file_not_read" if error.errno is None else "not_opened"
        raise request.refuse(kind, f"cannot be read: {reason}", "a plain file") from None
    if sha256 and hashlib.sha256(data).hexdigest() != sha256:
        what = "is not the file any more that was taken in tonight: its checksum (sha256) differs"
        remedy = "Nothing, if it was being replaced: the next night takes it in again."
        raise request.refuse("changed_file", what, "the same bytes", remedy=remedy)
    if not data:
        raise request.refuse("cut_short", "is empty", "samples")
    return data


def _check_values(raw: RawSignal, data: bytes, request: SignalRequest) -> None:
    if raw.time_s.size > MOST_SAMPLES:
        what = f"holds {raw.time_s.size} samples, more than {MOST_SAMPLES}"
        raise request.refuse("too_long", what, "one recording of one technique")
    if raw.time_s.size < 2:
        raise request.refuse("cut_short", "holds fewer than two samples", "samples")
    named: Mapping[str, FloatArray] = {**raw.columns, request.time_name: raw.time_s}
    for name, values in named.items():
        largest = np.fmax.reduce(np.abs(values))  # NaN when all are missing
        missing = name == request.time_name and np.isnan(values).any()
        if not largest > LARGEST_VALUE and not missing:
            continue
        if request.device.file_format == "csv":
            raise name_bad_cell(data, request, largest=LARGEST_VALUE)
        bad = ~(np.abs(values) <= LARGEST_VALUE) if missing else np.abs(values) > LARGEST_VALUE
        sample = int(np.argmax(bad))
        raise request.bad_cell(
            name, repr(float(values[sample])), row=sample + 1, unit_of_row="Sample"
        )


def _usual_step_s(steps_s: FloatArray) -> float:
    """Median of the steps; where all are alike, as they nearly always are, any of them."""
    alike = steps_s.max() - steps_s.min() <= ALIKE_SHARE * steps_s[0]
    return float(steps_s[0] if alike else np.median(steps_s))


def _check_times(raw: RawSignal, data: bytes, request: SignalRequest) -> None:
    steps = np.diff(raw.time_s)
    if steps.min() < 0:
        sample = int(np.argmax(steps < 0)) + 1
        is_csv = request.device.file_format == "csv"
        row = line_of_sample(data, sample, request) if is_csv else sample + 1
        what = f"runs backwards in time at {'row' if is_csv else 'sample'} {row}"
        raise request.refuse("time_backwards", what, "times that rise", row=row)
    step_s = _usual_step_s(steps)
    rate_hz = request.device.rate_hz
    if step_s <= 0 or abs(1 / (step_s * rate_hz) - 1) > LIKE_RATE:
        raise of_rate(step_s, request)
    span_s = float(raw.time_s[-1] - raw.time_s[0])
    if span_s * rate_hz > MOST_SAMPLES:  # bridging the gap would fill all memory
        what = f"spans {span_s:g} s, more than {MOST_SAMPLES} samples at {rate_hz:g} Hz"
        raise request.refuse("too_long", what, "one recording of one technique")
