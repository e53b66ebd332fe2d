"""Real channels: a low-pass filter ahead of the converter, a delay, noise, codes, a range.

`recording_of` hands the samples over as a delivered file would.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt, sosfilt_zi

from quietsleep.contract import CHECKS, TECHNIQUES
from quietsleep.records import RawSignal, Recording
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.study.study import ChannelMap, Device

Array = NDArray[np.float64]
UNITS = {"flow": "mL/s", "airway_pressure": "kPa", "box_pressure": "kPa", "jacket_pressure": "kPa"}
NOISE = {"flow": 0.8, "airway_pressure": 0.002, "box_pressure": 1e-5, "jacket_pressure": 0.01}
RANGE = {"flow": 1500.0, "airway_pressure": 5.0, "box_pressure": 0.2, "jacket_pressure": 12.0}


@dataclass(frozen=True, slots=True)
class Chain:
    """How one device samples: filter of some order, noise in times of the usual, code width."""

    rate_hz: float = 200.0
    order: int = 2
    cutoff_hz: float = 80.0
    noise: float = 1.0
    bits: int = 16
    delay_s: Mapping[str, float] | None = None
    range_of: Mapping[str, float] | None = None
    own: Mapping[str, tuple[int, float]] | None = None  # order and cut-off of single channels


def sample(
    values: Array, name: str, chain: Chain, fine_hz: float, rng: np.random.Generator
) -> Array:
    """What the converter gives of one channel."""
    order, cutoff = (chain.own or {}).get(name, (chain.order, chain.cutoff_hz))
    if order:
        sos = butter(order, cutoff, fs=fine_hz, output="sos")
        start = sosfilt_zi(sos) * values[0]
        values = np.asarray(sosfilt(sos, values, zi=start)[0], dtype=np.float64)
    at = np.arange(0.0, values.size - 1.0, fine_hz / chain.rate_hz)
    at = at - (chain.delay_s or {}).get(name, 0.0) * fine_hz
    taken = np.interp(at, np.arange(values.size, dtype=np.float64), values)
    taken = taken + chain.noise * NOISE[name] * rng.standard_normal(taken.size)
    most = (chain.range_of or {}).get(name, RANGE[name])
    if chain.bits:
        code = 2.0 * RANGE[name] / 2**chain.bits
        taken, most = np.round(taken / code) * code, round(most / code) * code
    return np.clip(taken, -most, most)


def recording_of(
    channels: Mapping[str, Array],
    *,
    technique: str,
    chain: Chain,
    fine_hz: float,
    rng: np.random.Generator,
    context: Mapping[str, float],
) -> Recording:
    """Hand fine signals over as a file of a registered device, flow at BTPS already."""
    columns = {name: sample(values, name, chain, fine_hz, rng) for name, values in channels.items()}
    n = next(iter(columns.values())).size
    signal = RawSignal(np.arange(n) / chain.rate_hz, columns)
    spec = TECHNIQUES.get(technique) or CHECKS[technique]
    return assemble(
        calibrate(signal, device_of(chain, tuple(channels)), spec.channels),
        name="bench",
        technique=technique,
        device=device_of(chain, tuple(channels)),
        context=context,
    )


def device_of(chain: Chain, channels: tuple[str, ...]) -> Device:
    """The registered device of a chain."""
    maps = tuple(
        ChannelMap(name, name, UNITS[name], 1.0, 0.0, "inspiration" if name == "flow" else "above")
        for name in channels
    )
    return Device(
        device="bench",
        centre="bench",
        equipment_class="a",
        file_format="csv",
        rate_hz=chain.rate_hz,
        time_column="t",
        csv_delimiter=",",
        csv_decimal=".",
        gas_state="btps",
        expired_temperature_c=34.0,
        expired_humidity_pct=100.0,
        box_volume_l=65.0,
        box_calibrated_empty=False,
        channels=maps,
    )


def as_context(context: Mapping[str, float], **more: float) -> dict[str, float]:
    """A copy with more."""
    return dict(context) | more


__all__ = ["Chain", "as_context", "device_of", "recording_of", "replace", "sample"]
