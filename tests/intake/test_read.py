"""Signal files in three formats, and the sentences for those that cannot be read."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from edfio import Edf, EdfSignal

from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.records import Problem, RawSignal
from quietsleep.study.study import Device

Reader = Callable[..., RawSignal]
Refusal = Callable[..., Problem]
Change = Callable[[bytes], bytes]

NEEDED = ("flow", "airway_pressure")


@pytest.fixture
def read(tmp_path: Path) -> Reader:
    def read_bytes(data: bytes, device: Device, needed: tuple[str, ...] = NEEDED) -> RawSignal:
        path = tmp_path / "sample-1"
        path.write_bytes(data)
        return read_signal(path, device, needed, delivery="d1", where="signals/s/sample-1")

    return read_bytes


@pytest.fixture
def refusal(read: Reader) -> Refusal:
    def problem_of(data: bytes, device: Device, needed: tuple[str, ...] = NEEDED) -> Problem:
        with pytest.raises(Unreadable) as caught:
            read(data, device, needed)
        return caught.value.problem

    return problem_of


@pytest.mark.parametrize("file_format", ["csv", "parquet", "edf"])
def test_formats_give_the_samples_back(
    read: Reader, kit: SimpleNamespace, file_format: str
) -> None:
    device, samples = kit.device(file_format), kit.samples()
    raw = read(kit.signal_bytes(samples, device), device)
    tolerance = 400 / 65535 if file_format == "edf" else 1e-9
    assert set(raw.columns) == {"Flow", "Pao"}
    assert raw.time_s.dtype == np.float64
    np.testing.assert_allclose(raw.time_s, samples["t_s"], atol=1e-9)
    np.testing.assert_allclose(raw.columns["Flow"], samples["Flow"], atol=tolerance)
    np.testing.assert_allclose(raw.columns["Pao"], samples["Pao"], atol=tolerance)


@pytest.mark.parametrize(
    "change",
    [
        lambda b: b"\xef\xbb\xbf" + b,
        lambda b: b.decode().encode("utf-16"),
        lambda b: b.replace(b"\n", b"\r\n"),
        lambda b: b.replace(b"\n", b"\r"),
        lambda b: b.replace(b"\n", b"\n\n", 3),
        lambda b: b.rstrip(),
        lambda b: b.replace(b"t_s;Flow", b't_s ; "Flow"', 1),
        lambda b: b.replace(b"Pj", "Pj\u00b0".encode("cp1252"), 1),
    ],
)
def test_decimal_comma_and_habits_of_editors(
    read: Reader, kit: SimpleNamespace, change: Change
) -> None:
    device, samples = kit.device(delimiter=";", decimal=","), kit.samples()
    raw = read(change(kit.signal_bytes(samples, device)), device)
    np.testing.assert_allclose(raw.columns["Flow"], samples["Flow"], atol=1e-9)
    np.testing.assert_allclose(raw.columns["Pao"], samples["Pao"], atol=1e-9)


def with_cell(kit: SimpleNamespace, row: int, column: int, cell: bytes) -> bytes:
    lines = kit.signal_bytes(kit.samples(), kit.device()).split(b"\n")
    cells = lines[row - 1].split(b",")
    cells[column] = cell
    lines[row - 1] = b",".join(cells)
    return b"\n".join(lines)


@pytest.mark.parametrize(
    ("cell", "shown"),
    [
        (b"1O.5", "1O.5"),
        (b"12.3.4", "12.3.4"),
        (b"inf", "inf"),
        (b"1e308", "1e308"),
        (b"1e999", "1e999"),
        (b"--", "--"),
        (b"7.4kg?", "7.4kg?"),
        (b"Hollis", None),
        (b"\xff\xfe", None),
    ],
)
def test_a_bad_cell_is_named_by_row_column_and_value(
    refusal: Refusal, kit: SimpleNamespace, cell: bytes, shown: str
) -> None:
    problem = refusal(with_cell(kit, 37, 1, cell), kit.device())
    assert (problem.kind, problem.row, problem.column) == ("bad_cell", 37, "Flow")
    assert problem.value == shown
    assert "Row 37 of signals/s/sample-1, column Flow" in problem.sentence
    assert (shown in problem.sentence) if shown else ("Hollis" not in repr(problem))
    assert problem.centre == "larch" and problem.delivery == "d1"
    assert problem.remedy and problem.expected


def test_all_other_bad_cells_are_counted(refusal: Refusal, kit: SimpleNamespace) -> None:
    device = kit.device(delimiter=";", decimal=",")
    points = kit.signal_bytes(kit.samples(), kit.device(delimiter=";"))
    problem = refusal(points, device)
    assert problem.row == 2 and problem.column == "t_s"
    assert "12,5" in problem.expected and "1199 more cells" in problem.sentence
    assert "has a decimal point in row 2" in problem.sentence
    assert 'csv_decimal = "."' in problem.remedy


@pytest.mark.parametrize("cell", [b"", b"nan", b"NaN"])
def test_an_empty_cell_is_a_missing_sample_but_not_in_time(
    read: Reader, refusal: Refusal, kit: SimpleNamespace, cell: bytes
) -> None:
    raw = read(with_cell(kit, 10, 1, cell), kit.device())
    assert np.flatnonzero(np.isnan(raw.columns["Flow"])).tolist() == [8]
    assert refusal(with_cell(kit, 10, 0, cell), kit.device()).column == "t_s"


def test_unread_columns_may_hold_anything(read: Reader, kit: SimpleNamespace) -> None:
    raw = read(with_cell(kit, 10, 4, b"Hollis"), kit.device())
    assert raw.time_s.size == 400


def test_row_numbers_count_blank_lines_as_an_editor_does(
    refusal: Refusal, kit: SimpleNamespace
) -> None:
    data = with_cell(kit, 37, 1, b"x").replace(b"\n", b"\n\n\n", 1)
    assert refusal(data, kit.device()).row == 39


@pytest.mark.parametrize(
    ("spoil", "kind", "words"),
    [
        (lambda b: b"", "cut_short", "is empty"),
        (lambda b: b.split(b"\n")[0], "cut_short", "no samples"),
        (lambda b: b"\n".join(b.split(b"\n")[:2]), "cut_short", "fewer than two"),
        (lambda b: b[:-20], "ragged_row", "row 401"),
        (lambda b: b[:5000] + bytes(50), "zero_bytes", "zero bytes"),
        (lambda b: b.replace(b"Flow", b"Flow_raw", 1), "column_missing", "no column Flow"),
        (lambda b: b.replace(b"Pj", b"Flow", 1), "column_twice", "column Flow 2 times"),
        (lambda b: b.replace(b",", b";"), "delimiter", "by semicolons in row 1, where commas"),
        (lambda b: b.replace(b"\n0.5000,", b"\n0.1000,"), "time_backwards", "row 102"),
    ],
)
def test_spoilt_csv_files(
    refusal: Refusal, kit: SimpleNamespace, spoil: Change, kind: str, words: str
) -> None:
    problem = refusal(spoil(kit.signal_bytes(kit.samples(), kit.device())), kit.device())
    assert problem.kind == kind
    assert words in problem.sentence
    assert "/tmp" not in repr(problem)


def test_the_nearest_name_is_suggested(refusal: Refusal, kit: SimpleNamespace) -> None:
    data = kit.signal_bytes(kit.samples(), kit.device())
    assert "Is Flow_raw meant?" in refusal(data.replace(b"Flow", b"Flow_raw"), kit.device()).remedy
    assert "delimiter is ','" in refusal(data.replace(b",", b";"), kit.device()).remedy


def test_time_in_milliseconds_is_seen(refusal: Refusal, kit: SimpleNamespace) -> None:
    samples = kit.samples()
    samples["t_s"] = samples["t_s"] * 1000
    problem = refusal(kit.signal_bytes(samples, kit.device()), kit.device())
    assert problem.kind == "rate"
    assert "step of 5" in problem.sentence and "0.005 s" in problem.sentence


def test_a_channel_that_is_not_registered(refusal: Refusal, kit: SimpleNamespace) -> None:
    assert refusal(b"", kit.device(), ("flow", "spo2")).kind == "channel_not_registered"


@pytest.mark.parametrize("file_format", ["parquet", "edf"])
def test_cut_short_binary_files(refusal: Refusal, kit: SimpleNamespace, file_format: str) -> None:
    device = kit.device(file_format)
    data = kit.signal_bytes(kit.samples(), device)
    for size in (1, 100, 300, 700, 1500, len(data) // 2, len(data) - 1):
        assert refusal(data[:size], device).kind in {"file_not_read", "cut_short"}


def test_parquet_columns_must_be_numbers(
    refusal: Refusal, read: Reader, kit: SimpleNamespace
) -> None:
    device, samples = kit.device("parquet"), kit.samples()
    sink = io.BytesIO()
    pq.write_table(pa.table(samples | {"Flow": [str(v) for v in samples["Flow"]]}), sink)
    assert refusal(sink.getvalue(), device).kind == "column_type"
    sink = io.BytesIO()
    far = samples["Flow"].copy()
    far[7] = np.inf
    pq.write_table(pa.table(samples | {"Flow": far}), sink)
    problem = refusal(sink.getvalue(), device)
    assert (problem.kind, problem.row) == ("bad_cell", 8)
    sink = io.BytesIO()
    whole = pa.array([None, *range(399)], pa.int32())
    pq.write_table(pa.table(samples | {"Flow": whole}), sink)
    assert np.isnan(read(sink.getvalue(), device).columns["Flow"]).sum() == 1


def test_parquet_that_claims_rows_without_end_is_not_read(
    refusal: Refusal, kit: SimpleNamespace
) -> None:
    sink = io.BytesIO()
    n = 5_000_001
    table = pa.table({name: pa.nulls(n, pa.float64()) for name in ("t_s", "Flow", "Pao")})
    pq.write_table(table, sink, compression="zstd")
    assert len(sink.getvalue()) < 100_000
    assert refusal(sink.getvalue(), kit.device("parquet")).kind == "too_long"


def test_edf_refusals(refusal: Refusal, kit: SimpleNamespace) -> None:
    device = kit.device("edf")
    data = bytearray(kit.signal_bytes(kit.samples(), device))
    unfinished, longer, flat = bytearray(data), bytes(data) + bytes(2), bytearray(data)
    unfinished[236:244] = b"-1      "
    assert refusal(bytes(unfinished), device).kind == "cut_short"
    assert refusal(longer, device).kind == "file_not_read"
    interrupted = bytearray(data)
    interrupted[192:197] = b"EDF+D"
    assert refusal(bytes(interrupted), device).kind == "interrupted"
    n_signals = 4
    flat[256 + 104 * n_signals : 256 + 104 * n_signals + 8] = b"200     "
    assert refusal(bytes(flat), device).kind == "file_not_read"
    unlike = [
        EdfSignal(np.zeros(400), 200, label="Flow", physical_range=(-1, 1)),
        EdfSignal(np.zeros(200), 100, label="Pao", physical_range=(-1, 1)),
    ]
    problem = refusal(Edf(unlike).to_bytes(), device)
    assert problem.kind == "rate" and "Pao 100 Hz" in problem.sentence


def with_units(kit: SimpleNamespace, **words: str) -> bytes:
    """An EDF file whose header names these units: eight characters a signal, after the labels."""
    data = bytearray(kit.signal_bytes(kit.samples(), kit.device("edf")))
    for number, name in enumerate(("Flow", "Pao")):
        at = 256 + 96 * 4 + 8 * number
        data[at : at + 8] = words.get(name, "").encode().ljust(8)
    return bytes(data)


def registered(kit: SimpleNamespace, channel: str, **changed: Any) -> Device:
    device: Device = kit.device("edf")
    channels = tuple(replace(c, **changed) if c.channel == channel else c for c in device.channels)
    return replace(device, channels=channels)


@pytest.mark.parametrize(
    "word", ["mL/s", "ml/s", "ML/S", "mL/sec", "[mL/s]", "ml.s^-1", "mL s-1", "", "uV", "au", "V"]
)
def test_an_edf_header_that_agrees_or_says_nothing_is_read(
    read: Reader, kit: SimpleNamespace, word: str
) -> None:
    assert read(with_units(kit, Flow=word), kit.device("edf")).columns["Flow"].size == 400


@pytest.mark.parametrize(
    ("column", "word", "registered_in"),
    [
        ("Flow", "L/min", "mL/s"),
        ("Flow", "l/s", "mL/s"),
        ("Flow", "LPM", "mL/s"),
        ("Flow", "[L/s]", "mL/s"),
        ("Flow", "kPa", "mL/s"),
        ("Pao", "cmH2O", "kPa"),
        ("Pao", "cm H2O", "kPa"),
        ("Pao", "cm[H2O]", "kPa"),
        ("Pao", "mbar", "kPa"),
        ("Pao", "hPa", "kPa"),
        ("Pao", "PA", "kPa"),
        ("Pao", "mmHg", "kPa"),
    ],
)
def test_a_unit_in_an_edf_header_that_contradicts_the_registration_is_named(
    refusal: Refusal, kit: SimpleNamespace, column: str, word: str, registered_in: str
) -> None:
    problem = refusal(with_units(kit, **{column: word}), kit.device("edf"))
    assert (problem.kind, problem.column, problem.value) == ("unit_contradicts", column, word)
    assert f"is in {word};" in problem.sentence and f"in {registered_in}." in problem.sentence
    assert f'header_unit = "{word}"' in problem.remedy


@pytest.mark.parametrize(
    ("word", "gain", "unit"),
    [
        ("cmH2O", 0.0980665, "kPa"),  # the gain makes kPa of it
        ("cmH2O", 1.02, "cm[H2O]"),  # a gain that calibrates
        ("mbar", 1.0, "cm[H2O]"),  # 2 % apart: two names of one thing in practice
        ("kPa", 10.2, "cm[H2O]"),
    ],
)
def test_a_gain_that_changes_the_unit_is_counted(
    read: Reader, kit: SimpleNamespace, word: str, gain: float, unit: str
) -> None:
    device = registered(kit, "airway_pressure", gain=gain, unit=unit)
    assert read(with_units(kit, Pao=word), device).columns["Pao"].size == 400


@pytest.mark.parametrize(
    ("word", "gain", "unit"), [("kPa", 1.0, "cm[H2O]"), ("kPa", 10.2, "kPa"), ("Pa", 2.5, "kPa")]
)
def test_a_gain_does_not_excuse_another_unit(
    refusal: Refusal, kit: SimpleNamespace, word: str, gain: float, unit: str
) -> None:
    device = registered(kit, "airway_pressure", gain=gain, unit=unit)
    assert refusal(with_units(kit, Pao=word), device).kind == "unit_contradicts"


def test_a_resistance_makes_flow_of_a_pressure(read: Reader, kit: SimpleNamespace) -> None:
    read(with_units(kit, Flow="Pa"), registered(kit, "flow", gain=12.5))


def test_a_header_that_is_known_to_be_wrong_is_not_asked(
    read: Reader, refusal: Refusal, kit: SimpleNamespace
) -> None:
    device = registered(kit, "flow", header_unit="L/min")
    read(with_units(kit, Flow="l/min"), device)
    assert refusal(with_units(kit, Flow="L/s"), device).kind == "unit_contradicts"


def test_only_channels_that_are_needed_are_asked(read: Reader, kit: SimpleNamespace) -> None:
    read(with_units(kit, Pao="mmHg"), kit.device("edf"), ("flow",))


def test_links_and_devices_are_not_read(tmp_path: Path, kit: SimpleNamespace) -> None:
    device = kit.device()
    (tmp_path / "real").write_bytes(kit.signal_bytes(kit.samples(), device))
    (tmp_path / "link").symlink_to(tmp_path / "real")
    os.mkfifo(tmp_path / "pipe")
    for name, kind in (
        ("link", "not_opened"),
        ("pipe", "file_not_read"),
        ("no", "missing_file"),
    ):
        with pytest.raises(Unreadable) as caught:
            read_signal(tmp_path / name, device, NEEDED)
        assert caught.value.problem.kind == kind
        assert str(tmp_path) not in repr(caught.value.problem)


def test_files_beyond_all_measure_are_refused_without_reading_on(
    refusal: Refusal, kit: SimpleNamespace
) -> None:
    device = kit.device()
    assert refusal(b"t_s,Flow,Pao\n" + b"\n" * 5_000_001, device).kind == "too_long"
    assert refusal(b"," * 5_000_000, device).kind == "column_count"
    assert refusal(b"t_s,Flow,Pao\n1,2,3\n" + b"," * 5_000_000, device).kind == "ragged_row"
