"""Read the EDF+ export of a device. The header is checked against the size of the file first."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from quietsleep.intake.files.request import SignalRequest
from quietsleep.intake.files.unit_words import refuse_other_units
from quietsleep.records import FloatArray, RawSignal

if TYPE_CHECKING:
    from edfio import EdfSignal

ANNOTATIONS = "EDF Annotations"
MOST_SIGNALS = 512


@dataclass(frozen=True, slots=True)
class EdfHeader:
    """The fields of an EDF header that matter here."""

    patient: str
    recording: str
    reserved: str
    labels: tuple[str, ...]
    dimensions: tuple[str, ...]
    remarks: tuple[str, ...]
    samples_per_record: tuple[int, ...]
    n_records: int
    record_s: float
    file_bytes: int


def edf_header(data: bytes) -> EdfHeader:
    """Parse the header of an EDF file; raises ValueError with what is wrong."""
    text = data[:256].decode("ascii", "replace")
    if len(text) < 256 or text[:8].strip() != "0":
        raise ValueError("is no EDF file, or was cut short in its header")
    try:
        header_bytes, n_records = int(text[184:192]), int(text[236:244])
        record_s, n_signals = float(text[244:252]), int(text[252:256])
    except ValueError:
        raise ValueError("has an EDF header whose counts are no numbers") from None
    if not 1 <= n_signals <= MOST_SIGNALS or header_bytes != 256 * (n_signals + 1):
        raise ValueError("has an EDF header that contradicts itself")
    if not 0 < record_s <= 86_400:
        raise ValueError("has an EDF header without a length of its data records")
    fields = data[256:header_bytes].decode("ascii", "replace")
    if len(fields) < header_bytes - 256:
        raise ValueError("was cut short in its header")
    counts = [fields[(216 * n_signals + 8 * i) :][:8] for i in range(n_signals)]
    if not all(c.strip().isdecimal() and int(c) > 0 for c in counts):
        raise ValueError("has an EDF header whose counts of samples are no numbers")
    samples = tuple(int(c) for c in counts)
    return EdfHeader(
        patient=text[8:88].strip(),
        recording=text[88:168].strip(),
        reserved=text[192:236].strip(),
        labels=tuple(fields[16 * i : 16 * i + 16].strip() for i in range(n_signals)),
        dimensions=tuple(fields[96 * n_signals + 8 * i :][:8].strip() for i in range(n_signals)),
        remarks=_remarks(fields, n_signals),
        samples_per_record=samples,
        n_records=n_records,
        record_s=record_s,
        file_bytes=header_bytes + 2 * sum(samples) * max(n_records, 0),
    )


def _remarks(fields: str, n_signals: int) -> tuple[str, ...]:
    """The free texts of the signals: transducer and prefiltering, 80 characters each."""
    starts = (16 * n_signals, 136 * n_signals)
    texts = (fields[at + 80 * i :][:80].strip() for at in starts for i in range(n_signals))
    return tuple(dict.fromkeys(text for text in texts if text))


def read_edf(data: bytes, request: SignalRequest) -> RawSignal:
    """Read the wanted signals of an EDF+ file; raises Unreadable."""
    try:
        header = edf_header(data)
    except ValueError as error:
        raise request.refuse("file_not_read", str(error), "a complete EDF+ file") from None
    _check_size(header, len(data), request)
    request.check_names(list(header.labels), with_time=False)
    units = dict(zip(header.labels, header.dimensions, strict=True))
    refuse_other_units(units, request, place="header")
    wanted = list(request.columns.values())
    counts = {n: header.samples_per_record[header.labels.index(n)] for n in wanted}
    if len(set(counts.values())) > 1:
        rates = ", ".join(f"{n} {c / header.record_s:g} Hz" for n, c in counts.items())
        what = f"has needed signals at unlike rates: {rates}"
        raise request.refuse("rate", what, f"all at {request.device.rate_hz:g} Hz")
    columns = _signals(data, wanted, request)
    n = columns[wanted[0]].size
    time_s = np.arange(n, dtype=np.float64) * (header.record_s / counts[wanted[0]])
    return RawSignal(time_s, columns)


def _check_size(header: EdfHeader, size: int, request: SignalRequest) -> None:
    if header.n_records < 1 or size < header.file_bytes:
        what = "was cut short: it is smaller than its own header says"
        raise request.refuse("cut_short", what, f"{header.n_records} data records")
    if size > header.file_bytes:
        what = "is longer than its own header says"
        raise request.refuse("file_not_read", what, f"{header.file_bytes} bytes")
    if header.reserved.startswith("EDF+D"):
        what = "is an interrupted recording (EDF+D)"
        raise request.refuse("interrupted", what, "an unbroken recording (EDF or EDF+C)")


def _signals(data: bytes, wanted: list[str], request: SignalRequest) -> dict[str, FloatArray]:
    from edfio import read_edf as read_with_edfio

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            edf = read_with_edfio(io.BytesIO(data), header_encoding="latin-1")
            signals = {name: edf.get_signal(name) for name in wanted}
            flat = [n for n, s in signals.items() if _without_width(s)]
            columns = {n: np.asarray(s.data, dtype=np.float64) for n, s in signals.items()}
    except Exception:  # any bytes may come: the library raises more than its own errors
        what = "has a header that contradicts itself"
        raise request.refuse("file_not_read", what, "a complete EDF+ file") from None
    if flat:
        what = f"gives the signal {flat[0]} a range without width, so its numbers are lost"
        raise request.refuse("file_not_read", what, "a physical and a digital range")
    return columns


def _without_width(signal: EdfSignal) -> bool:
    ranges = (signal.physical_range, signal.digital_range)
    return any(not (np.isfinite([*r]).all() and r[0] != r[1]) for r in ranges)
