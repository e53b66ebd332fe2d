"""From the bytes of a file to flow at BTPS and pressures, and the breaths in them.

- A raw number becomes (raw - offset) x gain in its unit, then the sign turns (the delivery
  contract's own words).
- Gas to body conditions: V_BTPS = V x 310.15 / (273.15 + T) x (PB - RH PH2O(T)) / (PB - PH2O(37)),
  the combined gas law, inspired and expired gas apart (Frey et al., Eur Respir J 2000;16:731-740).
- Vapour pressure: the printed table (CRC Handbook of Chemistry and Physics, 73rd edition, 1992-93),
  between its rows ln p straight in 1/T (Clausius and Clapeyron).
- Breaths: zero crossings of flow, each confirmed by a threshold on its other side (Bates et al.,
  Eur Respir J 2000;16:1180-1192).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq

Floats = npt.NDArray[np.float64]

TABLE_C = np.array([15.0, 20.0, 25.0, 30.0, 37.0])
TABLE_KPA = np.array([1.7056, 2.3388, 3.1690, 4.2455, 6.2795])
BODY_C = 37.0
# Spans are given to the sample, breaths between samples.
SLACK_S = 0.05
# Water is 1 cm high at 0.0980665 kPa by definition of the unit.
TO_KPA = {"kPa": 1.0, "Pa": 1e-3, "mbar": 0.1, "cm[H2O]": 0.0980665}
TO_ML_S = {"mL/s": 1.0, "L/s": 1000.0, "L/min": 1000.0 / 60.0, "mL/min": 1.0 / 60.0}


def vapour_pressure_kpa(temperature_c: float) -> float:
    """Give the saturated vapour pressure of water (kPa) between 15 and 37 C."""
    inverse = 1.0 / (273.15 + TABLE_C[::-1])
    at = 1.0 / (273.15 + temperature_c)
    return float(np.exp(np.interp(at, inverse, np.log(TABLE_KPA[::-1]))))


def btps_factor(temperature_c: float, humidity_pct: float, barometric_kpa: float) -> float:
    """Give the factor from gas as it passes the flow head to BTPS."""
    vapour = humidity_pct / 100.0 * vapour_pressure_kpa(temperature_c)
    dry = (barometric_kpa - vapour) / (barometric_kpa - vapour_pressure_kpa(BODY_C))
    return (273.15 + BODY_C) / (273.15 + temperature_c) * dry


@dataclass(frozen=True, slots=True)
class Record:
    """Signals on one time base: flow in mL/s at BTPS, inspiration positive; pressures in kPa."""

    rate_hz: float
    flow: Floats
    airway: Floats
    box: Floats
    jacket: Floats

    @property
    def time(self) -> Floats:
        """Give the time of each sample (s)."""
        return np.arange(self.flow.size or self.box.size) / self.rate_hz

    def at(self, seconds: float) -> int:
        """Give the sample nearest to a time."""
        return round(seconds * self.rate_hz)


def _edf(content: bytes) -> dict[str, Floats]:
    """Read an EDF file: Kemp et al., Electroencephalogr Clin Neurophysiol 1992;82:391-393."""
    records, count = int(content[236:244]), int(content[252:256])
    place = 256

    def column(width: int) -> list[str]:
        nonlocal place
        part = content[place : place + width * count].decode("ascii")
        place += width * count
        return [part[n * width : (n + 1) * width].strip() for n in range(count)]

    labels = column(16)
    column(80), column(8)
    low, high, digital_low, digital_high = (np.array(column(8), float) for _ in range(4))
    column(80)
    samples = [int(word) for word in column(8)]
    column(32)
    numbers = np.frombuffer(content[place:], "<i2").reshape(records, sum(samples))
    edges = np.cumsum([0, *samples])
    gain = (high - low) / (digital_high - digital_low)
    return {
        label: low[n] + gain[n] * (numbers[:, edges[n] : edges[n + 1]].ravel() - digital_low[n])
        for n, label in enumerate(labels)
    }


def _text(content: bytes, delimiter: str, decimal: str) -> dict[str, Floats]:
    text = content.decode("utf-8-sig")
    heading, _, body = text.partition("\n")
    if decimal == ",":
        body = body.replace(",", ".")
    values = np.loadtxt(io.StringIO(body), delimiter=delimiter, ndmin=2)
    return dict(zip(heading.strip().split(delimiter), values.T, strict=True))


def raw_columns(content: bytes, device: Mapping[str, Any]) -> dict[str, Floats]:
    """Give the numbers of a file by the names of its columns, as they were written."""
    if device["file_format"] == "edf":
        return _edf(content)
    if device["file_format"] == "parquet":
        table = pq.read_table(io.BytesIO(content))
        return {name: table[name].to_numpy().astype(float) for name in table.column_names}
    return _text(content, device.get("csv_delimiter", ","), device.get("csv_decimal", "."))


def record(content: bytes, device: Mapping[str, Any], air: Mapping[str, str]) -> Record:
    """Read and calibrate a file; `air` holds the delivered room, or is empty for a box check."""
    columns = raw_columns(content, device)
    found: dict[str, Floats] = {}
    for channel in device["channels"]:
        if channel["column"] not in columns:
            continue
        scale = {**TO_KPA, **TO_ML_S}[channel["unit"]]
        turned = -1.0 if channel["positive"] in ("expiration", "below") else 1.0
        raw = columns[channel["column"]]
        found[channel["channel"]] = (raw - channel["offset"]) * channel["gain"] * scale * turned
    none = np.empty(0)
    flow = found.get("flow", none)
    if air and device["gas_state"] == "measured":
        pressure = float(air["barometric_pressure_kpa"])
        room = btps_factor(
            float(air["room_temperature_c"]), float(air["room_humidity_pct"]), pressure
        )
        breath = btps_factor(
            device.get("expired_temperature_c", 34.0),
            device.get("expired_humidity_pct", 100.0),
            pressure,
        )
        flow = np.where(flow > 0.0, flow * room, flow * breath)
    return Record(
        device["rate_hz"],
        flow,
        found.get("airway_pressure", none),
        found.get("box_pressure", none),
        found.get("jacket_pressure", none),
    )


def integral(flow: Floats, rate_hz: float) -> Floats:
    """Give the running trapezoid integral of flow (mL), 0 at the first sample."""
    return np.concatenate([[0.0], np.cumsum((flow[1:] + flow[:-1]) / 2.0) / rate_hz])


def smooth(values: Floats, rate_hz: float, sigma_s: float) -> Floats:
    """Smooth by a Gaussian of this SD in time; the ends are held."""
    reach = max(1, round(4.0 * sigma_s * rate_hz))
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / (sigma_s * rate_hz)) ** 2)
    padded = np.pad(values, reach, mode="edge")
    return np.asarray(np.convolve(padded, weights / weights.sum(), mode="valid"))


@dataclass(frozen=True, slots=True)
class Breath:
    """A breath by the times (s) at which inspiration begins, expiration begins, and it ends."""

    start_s: float
    turn_s: float
    end_s: float

    @property
    def te_s(self) -> float:
        """Give the duration of expiration (s)."""
        return self.end_s - self.turn_s


def _crossing(flow: Floats, rate_hz: float, before: int, after: int) -> float:
    """Give the middle of all zero crossings between two samples of unlike sign (s)."""
    part = flow[before : after + 1]
    turns = np.flatnonzero((part[:-1] > 0.0) != (part[1:] > 0.0))
    inner = part[turns] / (part[turns] - part[turns + 1])
    return float(np.mean((before + turns + inner)[[0, -1]])) / rate_hz


def breaths(flow: Floats, rate_hz: float, share: float = 0.05) -> list[Breath]:
    """Find breaths: flow goes beyond a share of its usual size on either side of zero."""
    usual = float(np.median(np.abs(flow[np.abs(flow) > np.median(np.abs(flow))])))
    state = np.where(flow > share * usual, 1, np.where(flow < -share * usual, -1, 0))
    marks = np.flatnonzero(state)
    change = np.flatnonzero(np.diff(state[marks]) != 0)
    turns = [
        (int(state[marks[n + 1]]), _crossing(flow, rate_hz, int(marks[n]), int(marks[n + 1])))
        for n in change
    ]
    return [
        Breath(turns[n][1], turns[n + 1][1], turns[n + 2][1])
        for n in range(len(turns) - 2)
        if turns[n][0] == 1
    ]


def drift_ml_s(times_s: Floats, levels: Floats) -> float:
    """Give the slope of levels on time: the median over all pairs (Theil and Sen)."""
    first, second = np.triu_indices(times_s.size, 1)
    return float(np.median((levels[second] - levels[first]) / (times_s[second] - times_s[first])))


@dataclass(frozen=True, slots=True)
class Levels:
    """Volume without its drift (mL), and the breaths outside the manoeuvres that fixed it."""

    volume: Floats
    flow: Floats
    found: list[Breath]
    zero_ml_s: float


def levelled(signal: Record, spans: list[tuple[float, float]]) -> Levels:
    """Integrate flow, and take off the flow that lets end-expiratory levels climb or fall.

    `spans` are the manoeuvres (s); breaths that begin in one are left out. Drift of volume is a
    zero of flow a little off (Frey et al., Eur Respir J 2000;16:1016-1022). One line over the whole
    recording: levels scatter by 2 mL, so that the 8 between two manoeuvres give the slope to 0.1
    mL/s, all 45 to 0.02 mL/s. Its price: a little gas lost in every manoeuvre looks like drift.
    """
    found = breaths(signal.flow, signal.rate_hz)
    quiet = [
        each
        for each in found
        if not any(low <= each.start_s <= high + SLACK_S for low, high in spans)
    ]
    volume = integral(signal.flow, signal.rate_hz)
    starts = np.array([each.start_s for each in quiet])
    slope = drift_ml_s(starts, np.interp(starts, signal.time, volume))
    return Levels(volume - slope * signal.time, signal.flow - slope, found, slope)


def level_before(signal: Record, levels: Levels, moment_s: float, count: int = 5) -> float:
    """Give the mean end-expiratory level (mL) of the last breaths that end before a moment.

    A level is the volume where an inspiration begins; the inspiration that leads into the
    manoeuvre begins at one too (three to five breaths: Gappa et al., Eur Respir J
    2001;17:141-148; Sly et al., Eur Respir J 2000;16:741-748).
    """
    starts = [each.start_s for each in levels.found if each.start_s < moment_s][-count:]
    return float(np.mean(np.interp(starts, signal.time, levels.volume)))


def open_pressure_kpa(signal: Record, start_s: float, end_s: float) -> float:
    """Give the airway pressure at no flow: the intercept of pressure on flow, airway open."""
    part = slice(max(0, signal.at(start_s)), signal.at(end_s))
    _, intercept = np.polyfit(signal.flow[part], signal.airway[part], 1)
    return float(intercept)
