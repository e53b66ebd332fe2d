"""Exports of five makes, written for these tests by physics and writers of their own.

One compartment (resistance, compliance) is driven by a muscle that pulls and lets go; its airway is
closed once at the end of an inspiration. Nothing here is shared with the pipeline or its simulator.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from edfio import Edf, EdfSignal

from quietsleep.records import FloatArray

CMH2O_KPA = 0.0980665
FINE_HZ = 20_000
COMPLIANCE_ML_KPA = 60.0
TAU_S = 0.24
INSPIRATION_S, BREATH_S = 0.75, 1.60
PULL_KPA = 1.60
APPARATUS_KPA_S_ML = 0.5e-3
OCCLUDED_BREATH, OCCLUSION_S, BREATHS = 16, 0.5, 22
NOISE_ML_S = 0.15
WEIGHT_KG = 6.2


@dataclass(frozen=True)
class Breathing:
    """Flow (inspiration positive, mL/s) and airway pressure (kPa), shape (n,), and the truth."""

    rate_hz: float
    time_s: FloatArray
    flow_ml_s: FloatArray
    airway_kpa: FloatArray
    volume_ml: FloatArray
    vt_ml: float
    rr_per_min: float
    ptef_ml_s: float
    crs_ml_kpa: float = COMPLIANCE_ML_KPA


@dataclass(frozen=True)
class _Solved:
    """Flow, volume and airway pressure at the fine step, and one steady breath."""

    flow_ml_s: FloatArray
    volume_ml: FloatArray
    airway_kpa: FloatArray
    steady_flow: FloatArray
    steady_volume: FloatArray


@cache
def _solve(*, with_occlusion: bool) -> _Solved:
    """Solve R dV/dt + V/C = P(t) at a fine step."""
    r = TAU_S / COMPLIANCE_ML_KPA
    dt = 1.0 / FINE_HZ
    n_breath = round(BREATH_S * FINE_HZ)
    pull = np.zeros(n_breath)
    n_in = round(INSPIRATION_S * FINE_HZ)
    pull[:n_in] = PULL_KPA * np.sin(np.pi * np.arange(n_in) / n_in) ** 2
    volume = 0.0
    parts: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    for breath in range(BREATHS):
        flow, inside = np.empty(n_breath), np.empty(n_breath)
        for i in range(n_breath):
            flow[i] = (pull[i] - volume / COMPLIANCE_ML_KPA) / r
            volume += flow[i] * dt
            inside[i] = volume
        if not (with_occlusion and breath == OCCLUDED_BREATH):
            parts.append((flow, inside, np.zeros(n_breath)))
            continue
        top, held = int(np.argmax(inside)), round(OCCLUSION_S * FINE_HZ)
        at_top = inside[top]
        # The muscle lets go behind the shutter, then the lung empties by itself.
        left = pull[top : top + held]
        left = np.pad(left, (0, held - left.size))
        out = at_top * np.exp(-np.arange(round(2.0 * FINE_HZ)) * dt / TAU_S)
        parts.append((flow[:top], inside[:top], np.zeros(top)))
        parts.append((np.zeros(held), np.full(held, at_top), at_top / COMPLIANCE_ML_KPA - left))
        parts.append((-out / TAU_S, out, np.zeros(out.size)))
        volume = float(out[-1])
    flows, volumes, behind = (np.concatenate(each) for each in zip(*parts, strict=True))
    steady_flow, steady_volume, _ = parts[OCCLUDED_BREATH - 2]
    return _Solved(flows, volumes, behind - APPARATUS_KPA_S_ML * flows, steady_flow, steady_volume)


def breathe(rate_hz: float, *, with_occlusion: bool = True, seed: int = 3) -> Breathing:
    """Sample an infant's breathing at a rate by an integrating converter, with noise."""
    solved = _solve(with_occlusion=with_occlusion)
    every = round(FINE_HZ / rate_hz)

    def sampled(fine: FloatArray) -> FloatArray:
        n = fine.size // every * every
        means: FloatArray = fine[:n].reshape(-1, every).mean(axis=1)
        return means

    flow = sampled(solved.flow_ml_s)
    rng = np.random.default_rng(seed)
    return Breathing(
        rate_hz=rate_hz,
        time_s=np.arange(flow.size) / rate_hz,
        flow_ml_s=flow + rng.normal(0.0, NOISE_ML_S, flow.size),
        airway_kpa=sampled(solved.airway_kpa) + rng.normal(0.0, 5e-4, flow.size),
        volume_ml=sampled(solved.volume_ml),
        vt_ml=float(np.ptp(solved.steady_volume)),
        rr_per_min=60.0 / BREATH_S,
        ptef_ml_s=float(-solved.steady_flow.min()),
    )


def clock(seconds: float) -> str:
    """Time of day from nine o'clock on."""
    ms = round((9 * 3600 + 14 * 60 + 58.25 + seconds) * 1000)
    minutes, rest = divmod(ms, 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest // 1000:02d},{rest % 1000:03d}"


def semicolons(b: Breathing) -> bytes:
    """Semicolons, decimal comma, UTF-16, L/s and cmH2O in the heading, clock time."""
    lines = ["Uhrzeit;Fluss [L/s];Munddruck [cmH2O]"]
    for t, f, p in zip(b.time_s, b.flow_ml_s, b.airway_kpa, strict=True):
        numbers = f"{f / 1000:.6f};{p / CMH2O_KPA:.4f}".replace(".", ",")
        lines.append(f"{clock(t)};{numbers}")
    return "\r\n".join([*lines, ""]).encode("utf-16")


def tabs(b: Breathing) -> bytes:
    """Tabs, a row of units, milliseconds, mL/s, and flow positive in expiration."""
    lines = ["Time\tFlow\tPao", "ms\tml/s\tkPa"]
    for t, f, p in zip(b.time_s, b.flow_ml_s, b.airway_kpa, strict=True):
        lines.append(f"{1000 * t:.0f}\t{-f:.3f}\t{p:.5f}")
    return "\n".join(lines).encode()


def quoted(b: Breathing) -> bytes:
    """Eight lines on top, commas, quoted numbers, more columns than wanted, no unit of flow."""
    lines = [
        '"Recording","Tidal 001"', '"Protocol","quiet sleep"', '"Device","set 7"', "",
        '"Sampling rate","100 Hz"', '"Calibrated","yes"', '"Comment",""', "",
        '"Time (s)","Flow","Volume","P mouth","Event","Temp"',
    ]  # fmt: skip
    for i, (t, f, v, p) in enumerate(
        zip(b.time_s, b.flow_ml_s, b.volume_ml, b.airway_kpa, strict=True)
    ):
        event = "mark" if i == 700 else ""
        cells = (f"{t:.3f}", f"{f * 0.06:.5f}", f"{v:.3f}", f"{p / CMH2O_KPA:.4f}", event, "33.9")
        lines.append(",".join(f'"{cell}"' for cell in cells))
    return "\n".join([*lines, ""]).encode("latin-1")


def parquet(b: Breathing) -> bytes:
    """Parquet with single precision, units in the metadata of its fields."""
    arrays = {
        "t": (b.time_s, "s"), "airflow": (b.flow_ml_s / 1000, "L/s"), "paw": (b.airway_kpa, "kPa")
    }  # fmt: skip
    fields = [pa.field(name, pa.float32(), metadata={"unit": u}) for name, (_, u) in arrays.items()]
    table = pa.Table.from_arrays(
        [pa.array(v.astype(np.float32)) for v, _ in arrays.values()], schema=pa.schema(fields)
    )
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


def edf(b: Breathing) -> bytes:
    """EDF with L/s and cmH2O as the physical dimensions."""
    n = int(b.time_s.size // b.rate_hz * b.rate_hz)
    flow, pressure = b.flow_ml_s[:n] / 1000, b.airway_kpa[:n] / CMH2O_KPA
    signals = [
        EdfSignal(flow, b.rate_hz, label="Flow", physical_dimension="L/s",
                  physical_range=(-0.4, 0.4)),
        EdfSignal(pressure, b.rate_hz, label="Pmouth", physical_dimension="cmH2O",
                  physical_range=(-30, 30)),
    ]  # fmt: skip
    return Edf(signals).to_bytes()


@dataclass(frozen=True)
class Make:
    """One make of export: its file, rate and writer, and what has to be proposed of it."""

    file: str
    rate_hz: float
    write: Callable[[Breathing], bytes]
    flow: tuple[str, str, str]
    airway: tuple[str, str, str]
    keys: dict[str, object]


MAKES = {
    "semicolons": Make(
        "Messung 1.csv", 200.0, semicolons, ("Fluss [L/s]", "L/s", "inspiration"),
        ("Munddruck [cmH2O]", "cm[H2O]", "above"),
        {"csv_delimiter": ";", "csv_decimal": ",", "csv_encoding": "utf-16",
         "time_format": "clock", "time_column": "Uhrzeit"},
    ),
    "tabs": Make(
        "TIDAL.TXT", 500.0, tabs, ("Flow", "mL/s", "expiration"), ("Pao", "kPa", "above"),
        {"csv_delimiter": "\t", "csv_units_row": True, "time_format": "milliseconds",
         "time_column": "Time"},
    ),
    "quoted": Make(
        "Tidal_001.csv", 100.0, quoted, ("Flow", "L/min", "inspiration"),
        ("P mouth", "cm[H2O]", "above"),
        {"csv_skip_lines": 8, "time_column": "Time (s)", "time_format": "seconds",
         "ignored_columns": ("Volume", "Event", "Temp")},
    ),
    "parquet": Make(
        "run.parquet", 250.0, parquet, ("airflow", "L/s", "inspiration"), ("paw", "kPa", "above"),
        {"file_format": "parquet", "time_column": "t", "time_format": "seconds"},
    ),
    "edf": Make(
        "night.edf", 200.0, edf, ("Flow", "L/s", "inspiration"), ("Pmouth", "cm[H2O]", "above"),
        {"file_format": "edf", "time_column": None},
    ),
}  # fmt: skip
