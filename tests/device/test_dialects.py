"""Whatever the dialect of an export: it is found, and by the proposal the same numbers are read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep.intake.files.header import heading_of
from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.intake.propose.columns import assign, named_column
from quietsleep.intake.propose.dialect import NoTable
from quietsleep.intake.propose.export import open_export
from quietsleep.records import FloatArray
from quietsleep.study.devices import ChannelMap, Device, TimeFormat

ROWS = 120


@dataclass(frozen=True)
class Dialect:
    """One way to write a table of time, flow and pressure."""

    delimiter: str
    decimal: str
    encoding: str
    on_top: int
    units: bool
    quoted: bool
    time: str
    line_end: str
    rate_hz: int
    extra: bool

    def write(self, time_s: FloatArray, flow: FloatArray, pressure: FloatArray) -> bytes:
        head = ["Time" if self.units else f"Time [{self.time_unit}]", "Flow [mL/s]", "Pao °"]
        units = [self.time_unit, "mL/s", "kPa"]
        rows = [
            [self.shown_time(t), self.number(f), self.number(p)]
            for t, f, p in zip(time_s, flow, pressure, strict=True)
        ]
        if self.extra:
            head, units = [*head, "Marker"], [*units, ""]
            rows = [[*row, "x" if i == 60 else ""] for i, row in enumerate(rows)]
        top = [f"Line {i}" + self.delimiter * (i % 2) for i in range(self.on_top)]
        table = [head, *([units] if self.units else []), *rows]
        lines = [*top, *(self.joined(row) for row in table)]
        return (self.line_end.join(lines) + self.line_end).encode(self.encoding)

    @property
    def time_unit(self) -> str:
        return {"seconds": "s", "milliseconds": "ms"}.get(self.time, "")

    def joined(self, cells: list[str]) -> str:
        return self.delimiter.join(f'"{c}"' for c in cells) if self.quoted else self.delimiter.join(cells)  # fmt: skip  # noqa: E501

    def number(self, value: float) -> str:
        return f"{value:.3f}".replace(".", self.decimal)

    def shown_time(self, t: float) -> str:
        if self.time == "seconds":
            return f"{t:.4f}".replace(".", self.decimal)
        if self.time == "milliseconds":
            return f"{1000 * t:.1f}".replace(".", self.decimal)
        us = round((8 * 3600 + 59 * 60 + 59.5 + t) * 1e6)
        minutes, rest = divmod(us, 60_000_000)
        clock = f"{minutes // 60:02d}:{minutes % 60:02d}:{rest / 1e6:07.4f}"
        return clock if self.time == "clock" else f"2026-03-10 {clock}"


DIALECTS = st.builds(
    Dialect,
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    on_top=st.integers(0, 12),
    units=st.booleans(),
    quoted=st.booleans(),
    time=st.sampled_from(["seconds", "milliseconds", "clock", "date_time"]),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    rate_hz=st.sampled_from([50, 100, 125, 200, 250, 500, 1000]),
    extra=st.booleans(),
).filter(lambda d: d.delimiter != d.decimal)


@given(DIALECTS, st.integers(0, 9))
@settings(max_examples=150, deadline=None)
def test_any_dialect_is_found_and_gives_the_same_numbers(dialect: Dialect, seed: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.arange(ROWS) / dialect.rate_hz
    flow = np.round(80.0 * np.sin(5.0 * time_s) + rng.normal(0.0, 1.0, ROWS), 3)
    pressure = np.round(rng.normal(0.0, 0.1, ROWS), 3)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "export.txt"
        path.write_bytes(dialect.write(time_s, flow, pressure))
        export = open_export(path)
        assert export.dialect is not None
        assert export.layout["csv_delimiter"] == dialect.delimiter
        assert export.layout["csv_decimal"] == dialect.decimal
        assert export.layout["csv_skip_lines"] == dialect.on_top
        assert export.layout["csv_units_row"] == dialect.units
        assert export.time_format == dialect.time
        assert export.rate_hz == pytest.approx(dialect.rate_hz, rel=2e-3)
        found = assign(export.columns, {})
        device = Device(
            device="d",
            centre="c",
            equipment_class="e",
            file_format="csv",
            rate_hz=export.rate_hz,
            time_column=export.time_column,
            time_format=export.time_format,
            gas_state="btps",
            channels=(
                ChannelMap("flow", found["flow"][0], "mL/s", 1.0, 0.0, "inspiration"),
                ChannelMap("airway_pressure", found["airway_pressure"][0], "kPa", 1, 0, "above"),
            ),
            **export.layout,
        )  # fmt: skip
        raw = read_signal(path, device, ("flow", "airway_pressure"))
    np.testing.assert_array_equal(raw.columns["Flow [mL/s]"], flow)
    np.testing.assert_array_equal(raw.columns["Pao °"], pressure)
    np.testing.assert_allclose(raw.time_s - raw.time_s[0], time_s, atol=2e-4)


@pytest.mark.parametrize(
    ("column", "channel", "unit"),
    [
        ("Flow (L/s)", "flow", "L/s"),
        ("flow_mL_s", "flow", "mL/s"),
        ("Fluss [l/min]", "flow", "L/min"),
        ("AIRFLOW, ml/sec", "flow", "mL/s"),
        ("Channel 1: Flow", "flow", ""),
        ("V'", "flow", ""),
        ("Mouth pressure [cmH2O]", "airway_pressure", "cm[H2O]"),
        ("P_mouth", "airway_pressure", ""),
        ("Pao/kPa", "airway_pressure", "kPa"),
        ("Munddruck in mbar", "airway_pressure", "mbar"),
        ("Pbox", "box_pressure", ""),
        ("Box pressure (Pa)", "box_pressure", "Pa"),
        ("Pj", "jacket_pressure", ""),
        ("Jacket pressure (kPa)", "jacket_pressure", "kPa"),
        ("SpO2 (%)", "spo2", "%"),
        ("HR [bpm]", "heart_rate", "/min"),
        ("Volume (mL)", "follows from others", "mL"),
        ("Vbox", "follows from others", ""),
        ("t[ms]", "time", "ms"),
        ("Zeit_s", "time", "s"),
        ("Elapsed time", "time", ""),
        ("Event", "", ""),
        ("Temperature (C)", "", ""),
        ("Flowers", "", ""),
    ],
)
def test_names_of_columns_as_laboratories_write_them(column: str, channel: str, unit: str) -> None:
    named = named_column(column)
    assert (named.channel, named.unit) == (channel, unit)


PIECES = st.lists(
    st.sampled_from(
        [b"t,Flow\n", b"s;mL/s\r", b"0.0", b",", b";", b"\t", b'"', b"\n", b"1,5", b"08:15:00.5",
         b"2026-03-10 08:15", b"\0", b"\xff\xfe", b"PAR1", b"nan", b"\xe9", b"-", b"7"]
    ),
    max_size=60,
)  # fmt: skip


@given(st.one_of(st.binary(max_size=400), PIECES.map(b"".join)))
@settings(max_examples=300, deadline=None)
def test_any_bytes_end_in_an_export_or_a_sentence(data: bytes) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "export.csv"
        path.write_bytes(data)
        try:
            assert open_export(path).samples
        except NoTable as error:
            assert str(error).endswith(".")


@given(st.one_of(st.binary(max_size=400), PIECES.map(b"".join)), st.integers(0, 3))
@settings(max_examples=300, deadline=None)
def test_any_bytes_by_a_tolerant_registration_end_in_numbers_or_a_problem(
    data: bytes, number: int
) -> None:
    formats: tuple[TimeFormat, ...] = ("seconds", "milliseconds", "clock", "date_time")
    device = Device(
        device="d",
        centre="c",
        equipment_class="e",
        file_format="csv",
        rate_hz=200.0,
        time_column="t",
        time_format=formats[number],
        csv_encoding="utf-16" if number == 1 else "latin-1",
        csv_skip_lines=number,
        csv_units_row=number > 1,
        gas_state="btps",
        channels=(ChannelMap("flow", "Flow", "mL/s", 1.0, 0.0, "inspiration"),),
    )
    heading_of(data, device)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "export.csv"
        path.write_bytes(data)
        try:
            assert read_signal(path, device, ("flow",)).time_s.size > 1
        except Unreadable as error:
            assert error.problem.sentence.endswith(".") and error.problem.remedy
