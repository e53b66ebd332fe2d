"""Signal files as devices write them: read by registration, or refused in words that help."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from quietsleep.errors import StudyError
from quietsleep.intake.files.header import heading_of
from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.records import FloatArray, Problem
from quietsleep.study.devices import ChannelMap, Device
from quietsleep.study.study import Study, check_units

NEEDED = ("flow", "airway_pressure")
RATE_HZ = 200.0
Samples = dict[str, FloatArray]
Change = Callable[[str], str]


def text_of(samples: Samples) -> str:
    """Comma and point, a heading, seconds: what today's registration reads."""
    lines = [",".join(samples)]
    lines += [",".join(f"{v:.4f}" for v in row) for row in zip(*samples.values(), strict=True)]
    return "\n".join(lines) + "\n"


@pytest.fixture
def device(kit: SimpleNamespace) -> Device:
    found: Device = kit.device()
    return found


@pytest.fixture
def text(kit: SimpleNamespace) -> str:
    return text_of(kit.samples())


@pytest.fixture
def read(tmp_path: Path) -> Callable[[bytes, Device], Any]:
    def of_bytes(data: bytes, device: Device) -> Any:
        path = tmp_path / "sample"
        path.write_bytes(data)
        return read_signal(path, device, NEEDED, where="signals/s/r.csv")

    return of_bytes


@pytest.fixture
def refused(read: Callable[[bytes, Device], Any]) -> Callable[[bytes, Device], Problem]:
    def of_bytes(data: bytes, device: Device) -> Problem:
        with pytest.raises(Unreadable) as caught:
            read(data, device)
        return caught.value.problem

    return of_bytes


def times_as(text: str, show: Callable[[float], str]) -> str:
    head, *rows = text.strip().split("\n")
    shown = [f"{show(float(row.split(',')[0]))},{row.split(',', 1)[1]}" for row in rows]
    return "\n".join([head, *shown]) + "\n"


def clock(seconds: float, begin_s: float = 29_699.0, mark: str = ".") -> str:
    """Time of day, hh:mm:ss.fff; past midnight it begins anew."""
    ms = round((begin_s + seconds) * 1000) % 86_400_000
    minutes, rest = divmod(ms, 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest // 1000:02d}{mark}{rest % 1000:03d}"


def afternoon(seconds: float) -> str:
    """The same from a second before one o'clock on, as twelve hours are counted."""
    shown = clock(seconds, 3_599.0)
    return f"{'12' + shown[2:] if shown.startswith('00') else shown} PM"


def with_units(text: str) -> str:
    return text.replace("\n", "\ns,mL/s,kPa,kPa,kPa\n", 1)


def date_times(text: str) -> str:
    return times_as(text, lambda s: f"10.03.2026 {clock(s)}")


READ: dict[str, tuple[dict[str, Any], Change, str]] = {
    "utf-16 without a mark": ({"csv_encoding": "utf-16"}, str, "utf-16-le"),
    "utf-16 of the other end": ({"csv_encoding": "utf-16"}, str, "utf-16-be"),
    "utf-16 with its mark": ({"csv_encoding": "utf-16"}, str, "utf-16"),
    "latin-1": ({"csv_encoding": "latin-1"}, lambda t: t.replace("Pj", "P°"), "cp1252"),
    "a mark": ({}, lambda t: "\ufeff" + t, "utf-8"),
    "lines on top": (
        {"csv_skip_lines": 3},
        lambda t: 'Exported by: "Spiro, 2"\n\nRate: 200 Hz\n' + t,
        "utf-8",
    ),
    "row of units": ({"csv_units_row": True}, with_units, "utf-8"),
    "milliseconds": (
        {"time_format": "milliseconds"},
        lambda t: times_as(t, lambda s: f"{1000 * s:.1f}"),
        "utf-8",
    ),
    "clock": ({"time_format": "clock"}, lambda t: times_as(t, clock), "utf-8"),
    "clock over midnight": (
        {"time_format": "clock"},
        lambda t: times_as(t, lambda s: clock(s, 86_399.0)),
        "utf-8",
    ),
    "afternoon": ({"time_format": "clock"}, lambda t: times_as(t, afternoon), "utf-8"),
    "date and time": ({"time_format": "date_time"}, date_times, "utf-8"),
    "date and time with its offset": (
        {"time_format": "date_time"},
        lambda t: times_as(t, lambda s: f"2026-03-10T{clock(s)}+01:00"),
        "utf-8",
    ),
    "heading in other case": ({}, lambda t: t.replace("t_s,Flow,Pao", "T_S,FLOW, pao"), "utf-8"),
    "quoted numbers": (
        {},
        lambda t: "\n".join(
            ",".join(f'"{c}"' for c in line.split(",")) for line in t.strip().split("\n")
        ),
        "utf-8",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", READ)
def test_a_registered_dialect_reads_the_same_numbers(
    read: Callable[[bytes, Device], Any], device: Device, text: str, kit: SimpleNamespace, name: str
) -> None:
    keys, change, encoding = READ[name]
    raw = read(change(text).encode(encoding), replace(device, **keys))
    samples = kit.samples()
    np.testing.assert_allclose(raw.columns["Flow"], samples["Flow"], atol=1e-9)
    np.testing.assert_allclose(raw.columns["Pao"], samples["Pao"], atol=1e-9)
    np.testing.assert_allclose(np.diff(raw.time_s), 1 / RATE_HZ, atol=1e-6)


def commas(text: str) -> str:
    return text.replace(",", ";").replace(".", ",")


REFUSED: dict[str, tuple[dict[str, Any], Change, str, str, tuple[str, ...]]] = {
    "units": ({}, with_units, "utf-8", "units_row",
              ("row 2", "s, mL/s, kPa", "csv_units_row = true")),
    "no units": ({"csv_units_row": True}, str, "utf-8", "units_row",
                 ("row 2", "numbers", "csv_units_row = false")),
    "utf-16": ({}, str, "utf-16-le", "encoding", ("UTF-16", 'csv_encoding = "utf-16"')),
    "on top": ({}, lambda t: "a\nb\n" + t, "utf-8", "lines_on_top",
               ("2 lines above", "row 3", "csv_skip_lines = 2")),
    "nothing on top": ({"csv_skip_lines": 2}, str, "utf-8", "lines_on_top",
                       ("row 1", "csv_skip_lines = 0")),
    "tabs": ({}, lambda t: t.replace(",", "\t"), "utf-8", "delimiter",
             ("tabs", 'csv_delimiter = "\\t"')),
    "decimal comma": ({"csv_delimiter": ";"}, commas, "utf-8", "decimal_mark",
                      ("decimal comma", "row 2", 'csv_decimal = ","')),
    "milliseconds": ({}, lambda t: times_as(t, lambda s: f"{1000 * s:.1f}"), "utf-8", "rate",
                     ("likely in milliseconds", 'time_format = "milliseconds"')),
    "no milliseconds": ({"time_format": "milliseconds"}, str, "utf-8", "rate",
                        ("likely in seconds", 'time_format = "seconds"')),
    "a count": ({}, lambda t: times_as(t, lambda s: f"{round(s * RATE_HZ)}"), "utf-8", "rate",
                ("counts samples",)),
    "whole seconds": ({"time_format": "clock"},
                      lambda t: times_as(t, lambda s: clock(s).split(".")[0]), "utf-8", "rate",
                      ("whole seconds",)),
    "clock": ({}, lambda t: times_as(t, clock), "utf-8", "time_format",
              ("row 2", "time of day", 'time_format = "clock"')),
    "date": ({"time_format": "clock"}, date_times, "utf-8", "time_format",
             ("a date with its time", 'time_format = "date_time"')),
    "numbers for a clock": ({"time_format": "clock"}, str, "utf-8", "time_format",
                            ("number of seconds", 'time_format = "seconds"')),
    "other rate": ({"rate_hz": 500.0}, str, "utf-8", "rate", ("200 samples a second",)),
    "unit in the row": ({"csv_units_row": True},
                        lambda t: with_units(t).replace("mL/s", "L/s"), "utf-8",
                        "unit_contradicts", ("row 2", "L/s", "mL/s", 'header_unit = "L/s"')),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_does_not_fit_its_registration_says_what_to_do(
    refused: Callable[[bytes, Device], Problem], device: Device, text: str, name: str
) -> None:
    keys, change, encoding, kind, words = REFUSED[name]
    problem = refused(change(text).encode(encoding), replace(device, **keys))
    assert problem.kind == kind
    said = f"{problem.sentence} {problem.remedy}"
    for word in words:
        assert word in said
    assert "cut short" not in said and problem.sentence.count(". ") <= 1


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"PK\x03\x04" + bytes(400), "an .xlsx workbook"),
        (b"\xd0\xcf\x11\xe0" + bytes(400), "office program"),
        (b"PAR1" + bytes(400), "a parquet file"),
        (b"%PDF-1.7 ...", "a PDF document"),
    ],
)
def test_a_file_of_another_kind_is_called_what_it_is(
    refused: Callable[[bytes, Device], Problem], device: Device, data: bytes, words: str
) -> None:
    problem = refused(data, device)
    assert problem.kind == "other_format" and words in problem.sentence
    assert heading_of(data, device).words == ()


def test_a_wrong_guess_of_a_row_of_units_is_none(
    refused: Callable[[bytes, Device], Problem], device: Device, text: str
) -> None:
    problem = refused(text.replace("\n", "\nx,y,z,a,b\n", 1).encode(), device)
    assert (problem.kind, problem.row) == ("bad_cell", 2)


def test_rows_are_counted_below_lines_on_top(
    refused: Callable[[bytes, Device], Problem], device: Device, text: str
) -> None:
    tolerant = replace(device, csv_skip_lines=2)
    lines = ["one", "two", *text.split("\n")[:5], "x,1,1,1,1"]
    assert refused("\n".join(lines).encode(), tolerant).row == 8


def parquet_of(samples: Samples, time: pa.Array) -> bytes:
    sink = io.BytesIO()
    pq.write_table(pa.table({**samples, "t_s": time}), sink)
    return sink.getvalue()


@pytest.mark.parametrize("kind", ["timestamp", "time", "text", "milliseconds"])
def test_times_of_parquet(
    read: Callable[[bytes, Device], Any], kit: SimpleNamespace, kind: str
) -> None:
    samples, device = kit.samples(), kit.device("parquet")
    ms = np.round(samples["t_s"] * 1000).astype(np.int64)
    of_day = pa.array(((ms + 86_399_000) % 86_400_000).astype(np.int32))
    columns: dict[str, tuple[str, pa.Array]] = {
        "timestamp": ("date_time", pa.array(ms + 1_770_000_000_000, pa.timestamp("ms"))),
        "time": ("clock", of_day.cast(pa.time32("ms"))),
        "text": ("clock", pa.array([clock(s) for s in samples["t_s"]])),
        "milliseconds": ("milliseconds", pa.array(ms)),
    }  # fmt: skip
    time_format, time = columns[kind]
    tolerant = replace(device, time_format=time_format)
    raw = read(parquet_of(samples, time), tolerant)
    np.testing.assert_allclose(np.diff(raw.time_s), 1 / RATE_HZ, atol=1e-6)
    np.testing.assert_allclose(raw.columns["Flow"], samples["Flow"], atol=1e-9)


def test_names_above_the_heading_are_looked_for(device: Device, text: str) -> None:
    tolerant = replace(device, csv_skip_lines=2)
    named = heading_of(("Patient name: Hollis Brown\nRate: 200\n" + text).encode(), tolerant)
    assert named.gives_away is not None
    plain = heading_of(("Device: Spiro 2\nPatient name: X\n" + text).encode(), tolerant)
    assert plain.gives_away is None and "Spiro 2" in plain.words
    assert plain.names == ("t_s", "Flow", "Pao", "Pbox", "Pj")


def test_ignored_columns_are_not_told_of(device: Device, text: str) -> None:
    heading = heading_of(text.replace("Pj", "Marker").encode(), device)
    assert heading.unregistered(device) == ["Marker"]
    assert heading.unregistered(replace(device, ignored_columns=("Marker",))) == []
    trailing = heading_of(text.replace("Pj\n", "Pj,\n").encode(), device)
    assert trailing.unregistered(device) == []


def test_a_unit_that_is_no_code_is_told_with_its_code(study: Study, device: Device) -> None:
    pressure = ChannelMap("airway_pressure", "Pao", "cmH2O", 1.0, 0.0, "above")
    wrong = replace(device, channels=(device.channels[0], pressure))
    with pytest.raises(StudyError, match=r"Write cm\[H2O\] for it"):
        check_units(replace(study, devices={device.device: wrong}))
