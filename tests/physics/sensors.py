"""What a device makes of flow and pressure: filters, delays, sampling, drift, noise, converters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import signal

from tests.physics.bodies import Floats
from tests.physics.ventilation import FINE_HZ, Tape

Family = Literal["bessel", "butter"]


@dataclass(frozen=True, slots=True)
class Channel:
    """Low-pass filter ahead of the converter, delay, noise SD and step of the converter."""

    family: Family
    order: int
    corner_hz: float
    delay_s: float = 0.0
    noise: float = 0.0
    step: float = 0.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Head:
    """Slow error of the flow head: offset, trend and wave, mL/s."""

    offset_ml_s: float = 0.0
    trend_ml_s_s: float = 0.0
    wave_ml_s: float = 0.0
    wave_s: float = 80.0


def sampled(
    samples: Floats, channel: Channel, *, rate_hz: float, rng: np.random.Generator
) -> Floats:
    """Filter, delay and sample a channel of FINE_HZ; the rate divides FINE_HZ."""
    if channel.family == "bessel":
        sections = signal.bessel(
            channel.order, channel.corner_hz, fs=FINE_HZ, output="sos", norm="mag"
        )
    else:
        sections = signal.butter(channel.order, channel.corner_hz, fs=FINE_HZ, output="sos")
    start = signal.sosfilt_zi(sections) * samples[0]
    smooth, _ = signal.sosfilt(sections, samples, zi=start)
    late = round(channel.delay_s * FINE_HZ)
    smooth = np.concatenate([np.full(late, smooth[0]), smooth])[: samples.size]
    picked = np.asarray(smooth[:: round(FINE_HZ / rate_hz)]) + channel.offset
    picked = picked + channel.noise * rng.standard_normal(picked.size)
    return np.round(picked / channel.step) * channel.step if channel.step > 0 else picked


def recorded(
    tape: Tape,
    *,
    rate_hz: float,
    flow: Channel,
    pressure: Channel,
    head: Head,
    rng: np.random.Generator,
) -> dict[str, Floats]:
    """Flow (mL/s) and airway pressure (kPa) as the device wrote them."""
    time = np.arange(tape.flow_ml_s.size) / FINE_HZ
    wave = head.wave_ml_s * np.sin(2 * np.pi * (time / head.wave_s + rng.uniform()))
    slow = head.offset_ml_s + head.trend_ml_s_s * (time - 0.5 * time[-1]) + wave
    return {
        "flow_ml_s": sampled(tape.flow_ml_s + slow, flow, rate_hz=rate_hz, rng=rng),
        "airway_pressure_kpa": sampled(
            tape.airway_kpa.astype(np.float64), pressure, rate_hz=rate_hz, rng=rng
        ),
    }
