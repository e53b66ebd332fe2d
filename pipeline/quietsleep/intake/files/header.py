"""What stands around the samples of a signal file: column names, words that could name people."""

from __future__ import annotations

import io
import json
import re
import warnings
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.intake.files.edf import ANNOTATIONS, EdfHeader, edf_header
from quietsleep.intake.files.misfit import kind_of_file
from quietsleep.intake.files.parquet import open_parquet
from quietsleep.intake.files.request import MOST_COLUMNS, MOST_SAMPLES
from quietsleep.intake.files.text import CsvHead, as_registered, as_utf8, cells_of, fold, head_of
from quietsleep.intake.files.times import format_of
from quietsleep.intake.identifiers import (
    BIRTH_DATE,
    NAME,
    column_identifies,
    value_identifies,
)
from quietsleep.study.study import Device

_ROWS_LOOKED_AT = 20
_HEAD_BYTES = 16 * 1024
_VALUES_LOOKED_AT = 20_000
# From a letter that is in no number on, to the end of the cell; then back to its beginning.
_WORDS = re.compile(rb"(?!nan\b|NaN\b|NAN\b)[A-DF-Za-df-z@\x80-\xff][^\r\n;,\t|]{2,200}")
_IN_NUMBERS = b"0123456789.,;+-eE \t\r\n|"
_CELL_ENDS = re.compile(rb"[\r\n;,\t|]")
_LONGEST_BEFORE = 60
_ANONYMOUS = re.compile(r"[Xx\s_.-]*")


@dataclass(frozen=True, slots=True)
class SignalHeader:
    """Column names of a signal file, words outside its samples, and what they give away."""

    names: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    gives_away: str | None = None

    def unregistered(self, device: Device) -> list[str]:
        """Names of columns that the study has not registered for the device."""
        columns = [c.column for c in device.channels]
        known = {device.time_column, ANNOTATIONS, *columns, *device.ignored_columns}
        names = as_registered(list(self.names), [n for n in known if n])
        return [name for name in names if name not in known and name]


def heading_of(data: bytes, device: Device) -> SignalHeader:
    """Look at the heading of a signal file; an unreadable one is empty, `read` says why."""
    readers = {"csv": _csv_heading, "parquet": _parquet_heading, "edf": _edf_heading}
    heading = readers[device.file_format](data, device)
    return heading if len(heading.names) <= MOST_COLUMNS else SignalHeader()


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
    # What keeps to no field is looked at as a whole; a date behind Startdate is that of the test.
    in_order = recording[:1] == ["Startdate"]
    told = [recording[0], *recording[2:]] if in_order else recording
    fields += [(" ".join(patient), False), (" ".join(told), not in_order)]
    kinds = (value_identifies(t.replace("_", " "), is_code=strict) for t, strict in fields)
    return next((kind for kind in kinds if kind), None)


def _csv_heading(data: bytes, device: Device) -> SignalHeader:
    text = as_utf8(data, device.csv_encoding)
    if kind_of_file(data) or b"\0" in text[:_HEAD_BYTES]:
        return SignalHeader()  # no text; why it is not read says `read`
    head = head_of(text, device)
    below = text[head.body : head.body + _HEAD_BYTES].decode("utf-8", "replace")
    lines = below.splitlines()[:_ROWS_LOOKED_AT]
    columns = {device.time_column, *(c.column for c in device.channels)}
    known = {fold(name) for name in columns if name}
    words = {
        cell.strip()
        for line in lines
        for name, cell in zip(head.names, cells_of(line, device.csv_delimiter), strict=False)
        if fold(name) not in known
    }
    words |= _csv_words(text, head.body)
    if device.time_format == "date_time":
        words = {word for word in words if format_of(word) is None}
    above = _above(text, head, device)
    words |= {word for line in above for word in line}
    told = next((kind for line in above if (kind := _asks_for_person(line))), None)
    return SignalHeader(tuple(head.names), tuple(sorted(words)), told)


def _above(text: bytes, head: CsvHead, device: Device) -> list[list[str]]:
    """The words of each line above the heading, set apart as labels and values are."""
    lines = text[: min(head.top, _HEAD_BYTES)].decode("utf-8", "replace").splitlines()
    split = re.compile(rf"[\t;,|={re.escape(device.csv_delimiter)}]|:(?=\s|$|[A-Za-z])")
    found = [[part.strip(' "') for part in split.split(line)] for line in lines]
    return [[part for part in line if part] for line in found]


def _asks_for_person(line: Sequence[str]) -> str | None:
    """Say what a line above the heading tells of a person: a label that asks for it, and a value.

    What follows the label may be left out as X, or be a code, which is looked at as a word.
    """
    kinds = {NAME, BIRTH_DATE}
    for label, *values in (line[i:] for i in range(len(line) - 1)):
        kind = column_identifies(label)
        filled = [v for v in values if not _ANONYMOUS.fullmatch(v)]
        if kind in kinds and filled and not any(c.isdecimal() for c in filled[0]):
            return kind
        if kind == BIRTH_DATE and filled:
            return kind
    return None


def _csv_words(text: bytes, begin: int) -> set[str]:
    """What stands among the numbers of a csv file and is none, wherever it stands."""
    words: set[str] = set()
    if not text[begin:].translate(None, _IN_NUMBERS):
        return words  # nearly every file; looked through at a fortieth of the cost
    for match in islice(_WORDS.finditer(text, begin), _VALUES_LOOKED_AT):
        before = text[max(begin, match.start() - _LONGEST_BEFORE) : match.start()]
        cell = _CELL_ENDS.split(before)[-1] + match[0]
        words.add(cell.decode("utf-8", "replace").strip())
    return words


def _edf_heading(data: bytes, _: Device) -> SignalHeader:
    try:
        header = edf_header(data)
    except ValueError:
        return SignalHeader()
    words = (*header.remarks, header.reserved, *_annotations(data, header))
    return SignalHeader(header.labels, words, edf_gives_away(header))


def _parquet_heading(data: bytes, device: Device) -> SignalHeader:
    file = open_parquet(data)
    if file is None:
        return SignalHeader()
    schema = file.schema_arrow
    notes = [schema.metadata, *(schema.field(i).metadata for i in range(len(schema.names)))]
    pairs = [pair for note in notes if note for pair in note.items() if pair[0] != b"ARROW:schema"]
    texts = [text.decode("utf-8", "replace") for pair in pairs for text in pair]
    words = {word for text in texts for word in _words_of_json(text)}
    known = {device.time_column, *(c.column for c in device.channels)}
    if file.metadata.num_rows <= MOST_SAMPLES:
        words |= _parquet_words(
            data, {field.name for field in schema if not _is_sample(field, known)}
        )
    return SignalHeader(tuple(schema.names), tuple(sorted(words)))


def _words_of_json(text: str) -> Iterator[str]:
    """The texts inside a JSON document, such as pandas writes; any other text as it is."""
    try:
        nodes = [json.loads(text)]
    except (ValueError, RecursionError):
        yield text
        return
    while nodes:
        node = nodes.pop()
        if isinstance(node, dict):
            nodes += [*node, *node.values()]
        elif isinstance(node, list):
            nodes += node
        elif isinstance(node, str):
            yield node


def _is_sample(field: pa.Field, known: Collection[str | None]) -> bool:
    """Whether a column holds samples: floating numbers, or whole ones where it is registered."""
    whole = pa.types.is_integer(field.type) and field.name in known
    return whole or bool(pa.types.is_floating(field.type))


def _parquet_words(data: bytes, names: Collection[str]) -> set[str]:
    """What stands in columns that hold no samples.

    Texts are read as dictionaries, each text once: few texts may unfold to more than fits memory.
    """
    words: set[str] = set()
    try:
        plain = pq.ParquetFile(pa.BufferReader(data))
        leaves = [c.path for c in plain.schema if c.physical_type == "BYTE_ARRAY"]
        wanted = [path for path in leaves if path.split(".")[0] in names]
        file = pq.ParquetFile(pa.BufferReader(data), read_dictionary=wanted)
        for name in names:
            if _n_values(file, name) <= MOST_SAMPLES * 10:
                batches = file.iter_batches(columns=[name])
                texts = (text for batch in batches for text in _texts_in(batch.column(0)))
                words |= set(islice(texts, _VALUES_LOOKED_AT))
    except Exception:  # damaged pages: the library raises more than its own errors
        return words
    return words


def _n_values(file: pq.ParquetFile, name: str) -> int:
    """Number of values, nested ones too, that a column claims to hold."""
    groups = [file.metadata.row_group(i) for i in range(file.metadata.num_row_groups)]
    columns = [group.column(i) for group in groups for i in range(group.num_columns)]
    return sum(c.num_values for c in columns if c.path_in_schema.split(".")[0] == name)


def _texts_in(column: pa.Array) -> Iterator[str]:
    kind = column.type
    if pa.types.is_dictionary(kind):
        yield from map(str, column.dictionary.to_pylist())
    elif pa.types.is_struct(kind):
        for i in range(kind.num_fields):
            yield from _texts_in(column.field(i))
    elif pa.types.is_map(kind):
        yield from _texts_in(column.keys)
        yield from _texts_in(column.items)
    elif pa.types.is_nested(kind):
        yield from _texts_in(column.values)
    else:
        yield from map(str, column.slice(0, _VALUES_LOOKED_AT).to_pylist())


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
