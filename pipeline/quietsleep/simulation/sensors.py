"""From true channels to the raw columns that a device writes: gas, noise, scale, digits.

Gas conditions of the flow heads have a vapour formula of their own: Buck, J Appl Meteorol
1981;20:1527-1532, p = 0.61121 exp(17.502 T / (240.97 + T)) kPa, T in C.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from quietsleep.simulation.bodies import FloatArray
from quietsleep.simulation.physiology import ChannelFilter, SimulatedRecording


def vapour_kpa(temperature_c: float) -> float:
    """Saturated vapour pressure, kPa."""
    return 0.61121 * math.exp(17.502 * temperature_c / (240.97 + temperature_c))


def head_volume_share(
    temperature_c: float, humidity_pct: float, barometric_pressure_kpa: float
) -> float:
    """Volume at the flow head of gas that fills 1 mL in the lung (37 C, saturated).

    Ideal gas at one ambient pressure: the dry part keeps its amount,
    V_head / V_lung = (T_head / 310.15) (PB - p37) / (PB - p_head), T in K.
    """
    vapour = humidity_pct / 100.0 * vapour_kpa(temperature_c)
    kelvin = temperature_c + 273.15
    dry = (barometric_pressure_kpa - vapour_kpa(37.0)) / (barometric_pressure_kpa - vapour)
    return kelvin / 310.15 * dry


def flow_at_head(
    flow_ml_s: FloatArray, *, inspired_share: float, expired_share: float
) -> FloatArray:
    """Lung flow (BTPS) to flow as it passes the head, per direction."""
    return np.where(flow_ml_s > 0.0, flow_ml_s * inspired_share, flow_ml_s * expired_share)


CHANNEL_KEYS = {
    "flow": "flow_ml_s",
    "airway_pressure": "airway_pressure_kpa",
    "box_pressure": "box_pressure_kpa",
    "jacket_pressure": "jacket_pressure_kpa",
}
# One unit in mL/s or kPa. 1 cm[H2O] = 0.0980665 kPa by definition, 1 mm[Hg] = 0.1333224 kPa.
UNIT_SIZE = {
    "mL/s": 1.0,
    "L/s": 1000.0,
    "L/min": 1000.0 / 60.0,
    "mL/min": 1.0 / 60.0,
    "kPa": 1.0,
    "Pa": 0.001,
    "cm[H2O]": 0.0980665,
    "mbar": 0.1,
    "mm[Hg]": 0.1333224,
}
# What a unit is mistaken for: factors of 10.197, 16.67, 60 or 1000.
MISTAKEN_FOR = {
    "kPa": "cm[H2O]",
    "Pa": "cm[H2O]",
    "mbar": "kPa",
    "cm[H2O]": "kPa",
    "mL/s": "mL/min",
    "L/s": "mL/s",
    "L/min": "mL/s",
    "mL/min": "mL/s",
}
OTHER_WAY = {
    "inspiration": "expiration",
    "expiration": "inspiration",
    "above": "below",
    "below": "above",
}
CHECKS = ("syringe", "shutter_hold", "box_decay", "box_pump")


@dataclass(frozen=True, slots=True)
class Sensor:
    """One channel of a device: true value = sign * (raw - offset) * gain, in `unit`.

    `noise` is its SD and `full_scale` the largest value it can show either way, both in mL/s or
    kPa; `bits` its resolution over that range (0: none lost). Ahead of the converter stands a
    low-pass of `filter_order` (0: none) with its corner at `corner_hz`, and a delay.
    """

    channel: str
    column: str
    unit: str
    gain: float = 1.0
    offset: float = 0.0
    positive: str = "inspiration"
    noise: float = 0.0
    full_scale: float = 3000.0
    bits: int = 16
    filter_kind: Literal["bessel", "butterworth"] = "bessel"
    filter_order: int = 0
    corner_hz: float = 100.0
    delay_ms: float = 0.0

    @property
    def channel_filter(self) -> ChannelFilter | None:
        """What stands between channel and converter."""
        if not self.filter_order and not self.delay_ms:
            return None
        return ChannelFilter(
            self.filter_kind, self.filter_order, self.corner_hz, self.delay_ms / 1000.0
        )


@dataclass(frozen=True, slots=True)
class Head:
    """Gas state of a device's flow head."""

    gas_state: str = "measured"
    expired_temperature_c: float = 34.0
    expired_humidity_pct: float = 100.0


IDEAL = (
    Sensor("flow", "flow", "mL/s", bits=0),
    Sensor("airway_pressure", "airway", "kPa", positive="above", bits=0, full_scale=20.0),
    Sensor("box_pressure", "box", "kPa", positive="above", bits=0, full_scale=2.0),
    Sensor("jacket_pressure", "jacket", "kPa", positive="above", bits=0, full_scale=20.0),
)


def slipped(sensor: Sensor, slip: str) -> Sensor:
    """The sensor as it truly writes where the registration has a slip of "unit" or of "sign"."""
    if slip == "sign":
        return replace(sensor, positive=OTHER_WAY[sensor.positive])
    if slip == "unit":
        return replace(sensor, unit=MISTAKEN_FOR[sensor.unit])
    raise ValueError(f"{slip} is no slip of a registration")


def flow_seen(recording: SimulatedRecording, head: Head) -> FloatArray:
    """Flow as the head sees it. Checks move room air both ways and stay as they are."""
    flow = recording.channels["flow_ml_s"]
    if head.gas_state == "btps" or recording.technique in CHECKS:
        return flow
    pressure = recording.context["barometric_pressure_kpa"]
    return flow_at_head(
        flow,
        inspired_share=head_volume_share(
            recording.context["room_temperature_c"],
            recording.context["room_humidity_pct"],
            pressure,
        ),
        expired_share=head_volume_share(
            head.expired_temperature_c, head.expired_humidity_pct, pressure
        ),
    )


def sense(
    recording: SimulatedRecording,
    sensors: Sequence[Sensor],
    *,
    head: Head,
    rng: np.random.Generator,
) -> dict[str, FloatArray]:
    """Raw columns of the sensors whose channel the recording has, by column name."""
    columns = {}
    for sensor in sensors:
        key = CHANNEL_KEYS[sensor.channel]
        if key not in recording.channels:
            continue
        seen = flow_seen(recording, head) if key == "flow_ml_s" else recording.channels[key]
        columns[sensor.column] = raw_column(seen, sensor, rng, top=recording.ranges.get(key))
    return columns


def raw_column(
    true: FloatArray, sensor: Sensor, rng: np.random.Generator, *, top: float | None = None
) -> FloatArray:
    """Noise, range and resolution of the sensor, then the inverse of its export map."""
    seen = true + sensor.noise * rng.standard_normal(len(true)) if sensor.noise else true
    if top is not None:
        seen = np.clip(seen, -top, top)
    if sensor.bits:
        step = 2.0 * sensor.full_scale / 2**sensor.bits
        last = 2 ** (sensor.bits - 1) - 1
        seen = np.clip(np.round(seen / step), -last - 1, last) * step
    sign = -1.0 if sensor.positive in ("expiration", "below") else 1.0
    return sign * seen / UNIT_SIZE[sensor.unit] / sensor.gain + sensor.offset


def read_back(raw: FloatArray, sensor: Sensor) -> FloatArray:
    """The registered export map: sign * (raw - offset) * gain, in mL/s or kPa."""
    sign = -1.0 if sensor.positive in ("expiration", "below") else 1.0
    return sign * (raw - sensor.offset) * sensor.gain * UNIT_SIZE[sensor.unit]
