"""Hostile files one by one. Archives and bytes at large are in tests/intake, pages in tests/pages,
all cases of memory in benchmarks/heavy.py.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchmarks.heavy import is_bounded, measured
from quietsleep import contract
from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.intake.find import found_at
from quietsleep.records import RawSignal
from quietsleep.simulation.exports import relist
from quietsleep.study.study import Device, load_study

TABLES = ("sessions", "recordings", "checks", "reported")
N = 400


@pytest.mark.parametrize(("case", "megabytes"), [("one_line", 300), ("large_entry", 100)])
def test_a_night_on_a_heavy_delivery_stays_small(case: str, megabytes: int) -> None:
    found = measured(case, megabytes)
    assert is_bounded(found), found


ATTACKS = (
    "=1+1", "+1+1|cmd", "-2+3+cmd|' /C calc'!A0", "@SUM(A1:A9)", "\t=1", "=HYPERLINK(\"http://x\")",
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "&lt;b&gt;",
    "javascript:alert(1)",
    "{{ 7*7 }}", "{% for x in y %}", "'; DROP TABLE sessions; --", "' OR '1'='1",
    "x\" UNION SELECT 1",
    "); ATTACH 'x' AS y; --", "$(touch x)", "`id`", "%s%s%n", "..\\..\\x", "\x1b[31m", "a\u202eb",
    "\u200b", "ï»¿", "x\u2028y",
)  # fmt: skip


@pytest.fixture
def take(small_deliveries: Path, tmp_path: Path) -> Callable[[str, bytes], ReadDelivery]:
    """Take in a delivery with one table changed; its signals are left out."""
    study = load_study(small_deliveries)
    source = study.deliveries_path / "larch" / "larch-01"
    folder = tmp_path / "larch" / "larch-01"
    shutil.copytree(source, folder, ignore=shutil.ignore_patterns("signals"))
    kept = {name: (folder / f"{name}.csv").read_bytes() for name in TABLES}

    def take_changed(table: str, data: bytes) -> ReadDelivery:
        for name, sound in kept.items():
            (folder / f"{name}.csv").write_bytes(data if name == table else sound)
        content = (source / "delivery.json").read_text()
        (folder / "delivery.json").write_text(content)
        for path in (p for p in source.rglob("signals/*/*") if p.is_file()):
            target = folder / path.relative_to(source)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(b"x")
        relist(folder)
        return read_delivery(study, found_at(folder, "larch"))

    return take_changed


def rows_of(small_deliveries: Path, table: str) -> list[list[str]]:
    text = (small_deliveries / "deliveries" / "larch" / "larch-01" / f"{table}.csv").read_text()
    return list(csv.reader(io.StringIO(text)))


@pytest.mark.parametrize("table", TABLES)
def test_no_text_that_means_something_elsewhere_is_taken_in(
    take: Callable[[str, bytes], ReadDelivery], small_deliveries: Path, table: str
) -> None:
    header, *rows = rows_of(small_deliveries, table)
    for at, name in enumerate(header):
        changed = []
        for number, attack in enumerate(ATTACKS):
            row = list(rows[0])
            key = 0 if at else 1
            row[key] = row[key] if table == "reported" else f"{row[key]}-{number}"
            row[at] = attack
            changed.append(row)
        sink = io.StringIO()
        csv.writer(sink, quoting=csv.QUOTE_ALL).writerows([header, *changed])
        delivered = take(table, sink.getvalue().encode())
        if delivered.state == "quarantined":  # one of them looks like a person: nothing is kept
            assert {p.kind for p in delivered.problems} == {"person"}, name
            continue
        for frames in (delivered.tables, delivered.held):
            texts = {str(v) for v in frames[table][name].dropna()}
            assert not texts & set(ATTACKS), name
        sentences = " ".join(p.sentence + (p.value or "") for p in delivered.problems)
        assert not [a for a in ATTACKS if len(a) > 6 and a in sentences], name


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"op1", b"op\x001"), (b"op2", b"op\xe92"), (b"larch-i001", "lärch-i001".encode("cp1252")),
        (b"male", b"m\xc3\xa4le\xe9"), (b"chloral", b"\xef\xbb\xbfchloral"), (b"yes", b"yes\x1a"),
        (b"larch-s001", "larch\u00ads001".encode()), (b"37", "３７".encode()),
        (b"yes", b"y\xcc\x81es"),
    ],
)  # fmt: skip
def test_mixed_encodings_hold_their_rows_only(
    take: Callable[[str, bytes], ReadDelivery], small_deliveries: Path, old: bytes, new: bytes
) -> None:
    sound = small_deliveries / "deliveries" / "larch" / "larch-01" / "sessions.csv"
    header, first, *rest = sound.read_bytes().splitlines(keepends=True)
    spoilt = first.replace(old, new, 1)
    if spoilt == first:
        spoilt = first.replace(b"larch-i001", new, 1)
    delivered = take("sessions", b"".join([header, spoilt, *rest]))
    assert delivered.state == "accepted"
    assert len(delivered.tables["sessions"]) == len(rest)
    assert len(delivered.held["sessions"]) == 1 and delivered.problems


@pytest.fixture
def device(small_deliveries: Path) -> Device:
    return next(iter(load_study(small_deliveries).centres["willow"].devices.values()))


def table_for(device: Device) -> dict[str, np.ndarray]:
    columns = {c.column: np.sin(np.arange(N) / 9.0) for c in device.channels}
    return {str(device.time_column): np.arange(N) / device.rate_hz, **columns}


def read(path: Path, device: Device, table: pa.Table, **options: object) -> RawSignal:
    pq.write_table(table, path, **options)
    return read_signal(path, device, ("flow",))


@pytest.mark.parametrize(
    ("value", "in_time", "in_flow"),
    [
        (np.nan, False, True), (np.inf, False, False), (-np.inf, False, False),
        (1e308, False, False), (-1e308, False, False), (5e-324, False, True), (-0.0, False, True),
        (-1.0, False, True),
    ],
)  # fmt: skip
def test_odd_numbers(
    tmp_path: Path, device: Device, value: float, in_time: bool, in_flow: bool
) -> None:
    flow = next(c.column for c in device.channels if c.channel == "flow")
    for name, is_good in ((str(device.time_column), in_time), (flow, in_flow)):
        columns = table_for(device)
        columns[name][N // 2] = value
        if is_good:
            raw = read(tmp_path / "x", device, pa.table(columns))
            assert np.isnan(raw.columns[flow][N // 2]) == np.isnan(value)
        else:
            with pytest.raises(Unreadable) as refused:
                read(tmp_path / "x", device, pa.table(columns))
            assert refused.value.problem.sentence.endswith(".")


def test_times_below_zero_are_times_and_times_that_turn_back_are_not(
    tmp_path: Path, device: Device
) -> None:
    columns = table_for(device)
    time = str(device.time_column)
    columns[time] = columns[time] - 100.0
    assert read(tmp_path / "x", device, pa.table(columns)).time_s[0] == -100.0
    columns[time] = columns[time][::-1]
    with pytest.raises(Unreadable, match="backwards"):
        read(tmp_path / "x", device, pa.table(columns))


@pytest.mark.parametrize(
    "column",
    [
        pa.array([[1.0]] * N), pa.array([{"a": 1.0}] * N), pa.array([[[1.0]]] * N),
        pa.array(["1.0"] * N), pa.array([b"1.0"] * N), pa.array([True] * N), pa.nulls(N),
        pa.array(["1.0"] * N).dictionary_encode(), pa.array([1] * N).cast(pa.decimal128(38, 2)),
        pa.array(np.arange(N), pa.timestamp("us")), pa.array(np.arange(N), pa.duration("s")),
        pa.MapArray.from_arrays(np.arange(N + 1, dtype=np.int32), ["k"] * N, [1.0] * N),
    ],
    ids=lambda column: str(column.type),
)  # fmt: skip
def test_columns_that_are_no_numbers(tmp_path: Path, device: Device, column: pa.Array) -> None:
    flow = next(c.column for c in device.channels if c.channel == "flow")
    spoilt = pa.table(table_for(device) | {flow: column})
    with pytest.raises(Unreadable, match="not as numbers"):
        read(tmp_path / "x", device, spoilt)
    # Beside the registered columns they may stand.
    beside = pa.table(table_for(device)).append_column("Marker", column)
    assert read(tmp_path / "x", device, beside).time_s.size == N


def test_wrong_statistics_change_no_number(tmp_path: Path, device: Device) -> None:
    columns = table_for(device)
    sound = read(tmp_path / "x", device, pa.table(columns), use_dictionary=False)
    data = (tmp_path / "x").read_bytes()
    at = len(data) - 8 - int.from_bytes(data[-8:-4], "little")
    footer = data[at:]
    for values in columns.values():
        for limit in (values.min(), values.max()):
            footer = footer.replace(np.float64(limit).tobytes(), np.float64(7e77).tobytes())
    assert footer != data[at:]
    (tmp_path / "x").write_bytes(data[:at] + footer)
    again = read_signal(tmp_path / "x", device, ("flow",))
    for name, values in sound.columns.items():
        assert np.array_equal(values, again.columns[name])


def test_every_text_of_a_delivery_has_a_form() -> None:
    """Free text is nowhere: each text column has choices or a pattern without signs of markup."""
    for name in TABLES:
        for column in contract.TABLES[f"delivery_{name}"].columns:
            if column.type == "text":
                assert column.pattern, (name, column.name)
