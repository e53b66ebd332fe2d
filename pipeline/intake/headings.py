"""What stands around the samples of a signal file: column names, words that could name people."""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass

from pipeline.intake.asked import MOST_COLUMNS
from pipeline.intake.identifiers import BIRTH_DATE, NAME, value_identifies
from pipeline.intake.read_csv import as_utf8, cells_of, split_heading
from pipeline.intake.read_edf import ANNOTATIONS, EdfHeader, edf_header
from pipeline.intake.read_parquet import open_parquet
from pipeline.study import Device

_ROWS_LOOKED_AT = 20
_HEAD_BYTES = 16 * 1024
_ANONYMOUS = re.compile(r"[Xx\s_.-]*")


@dataclass(frozen=True, slots=True)
class Heading:
    """Column names of a signal file, words outside its samples, and what they give away."""

    names: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    gives_away: str | None = None

    def unregistered(self, device: Device) -> list[str]:
        """Names of columns that the study has not registered for the device."""
        known = {device.time_column, ANNOTATIONS, *(c.column for c in device.channels)}
        return [name for name in self.names if name not in known]


def heading_of(data: bytes, device: Device) -> Heading:
    """Look at the heading of a signal file; an unreadable one is empty, `read` says why."""
    readers = {"csv": _csv_heading, "parquet": _parquet_heading, "edf": _edf_heading}
    heading = readers[device.file_format](data, device)
    return heading if len(heading.names) <= MOST_COLUMNS else Heading()


def edf_gives_away(header: EdfHeader) -> str | None:
    """Say what the patient and recording fields of an EDF header give away of a person.

    EDF+ has the fields "code sex birthdate name" and "Startdate date admin technician equipment",
    each X where left out, and some plain EDF keeps to that; otherwise it has free text.
    """
    patient, recording = header.patient.split(), header.recording.split()
    if not (header.reserved.startswith("EDF+") or header.recording.startswith("Startdate")):
        free = (header.patient.replace("_", " "), header.recording.replace("_", " "))
        kinds = (value_identifies(text, is_code=True) for text in free)
        return next((kind for kind in kinds if kind), None)
    code, birth, name = (patient[i] if i < len(patient) else "X" for i in (0, 2, 3))
    if not _ANONYMOUS.fullmatch(birth):
        return BIRTH_DATE
    if not _ANONYMOUS.fullmatch(name) and not any(c.isdecimal() for c in name):
        return NAME
    technician = recording[3:4]
    fields = [(t, True) for t in (code, name, *technician)]
    fields += [(t, False) for t in (*patient[4:], *recording[2:3], *recording[4:])]
    kinds = (value_identifies(t.replace("_", " "), is_code=strict) for t, strict in fields)
    return next((kind for kind in kinds if kind), None)


def _csv_heading(data: bytes, device: Device) -> Heading:
    head = as_utf8(data[:_HEAD_BYTES])
    names, body = split_heading(head, device.csv_delimiter)
    lines = head[body:].decode("utf-8", "replace").splitlines()[:_ROWS_LOOKED_AT]
    known = {device.time_column, *(c.column for c in device.channels)}
    words = {
        cell.strip()
        for line in lines
        for name, cell in zip(names, cells_of(line, device.csv_delimiter), strict=False)
        if name not in known
    }
    return Heading(tuple(names), tuple(sorted(words)))


def _edf_heading(data: bytes, _: Device) -> Heading:
    try:
        header = edf_header(data)
    except ValueError:
        return Heading()
    return Heading(header.labels, _annotations(data, header), edf_gives_away(header))


def _parquet_heading(data: bytes, _: Device) -> Heading:
    file = open_parquet(data)
    if file is None:
        return Heading()
    metadata = file.schema_arrow.metadata or {}
    own = {k: v for k, v in metadata.items() if k not in {b"pandas", b"ARROW:schema"}}
    words = tuple(t.decode("utf-8", "replace") for pair in own.items() for t in pair)
    return Heading(tuple(file.schema_arrow.names), words)


def _annotations(data: bytes, header: EdfHeader) -> tuple[str, ...]:
    if ANNOTATIONS not in header.labels or len(data) != header.file_bytes:
        return ()
    from edfio import read_edf

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            edf = read_edf(io.BytesIO(data), header_encoding="latin-1")
            return tuple({a.text for a in edf.annotations})
    except Exception:  # any bytes may come: the library raises more than its own errors
        return ()
