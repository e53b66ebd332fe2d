"""What real laboratories add to a clean recording, still in lung-truth units."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from quietsleep.simulation.bodies import FloatArray
from quietsleep.simulation.physiology import SimulatedRecording


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Disturbances of one recording; every default leaves the recording as it is.

    Heart beats move flow (with the shutter open) and airway pressure. `drift_ml_s` is a slow
    thermal wave of flow. A mask leak takes `leak_share` of expired flow from `leak_from_s` on.
    A movement artefact is a burst on flow and pressure. `jacket_share` of jacket pressure is
    passed on to the airway opening.
    """

    heart_flow_ml_s: float = 0.0
    heart_pressure_kpa: float = 0.0
    heart_rate_per_min: float = 128.0
    flow_offset_ml_s: float = 0.0
    drift_ml_s: float = 0.0
    leak_share: float = 0.0
    leak_from_s: float = 0.0
    movement_at_s: float | None = None
    movement_ml_s: float = 0.0
    box_drift_kpa_s: float = 0.0
    jacket_share: float = 0.0


USUAL = Disturbance(
    heart_flow_ml_s=1.2,
    heart_pressure_kpa=0.002,
    flow_offset_ml_s=0.3,
    drift_ml_s=0.25,
    box_drift_kpa_s=2e-6,
    jacket_share=0.002,
)
OF_CHECKS = Disturbance(flow_offset_ml_s=0.1)


def disturb(
    recording: SimulatedRecording, disturbance: Disturbance, rng: np.random.Generator
) -> SimulatedRecording:
    """Add the disturbances to a recording; its truth stays what it was."""
    channels = {name: values.copy() for name, values in recording.channels.items()}
    t, phase = recording.time_s, rng.random(3) * 2.0 * np.pi
    beat = heart_beat(t, rate_per_min=disturbance.heart_rate_per_min, phase=phase[0])
    if "flow_ml_s" in channels:
        flow = channels["flow_ml_s"]
        opened = (flow != 0.0) if recording.open_share is None else recording.open_share
        flow = leaked(flow, t, disturbance) + disturbance.heart_flow_ml_s * beat * opened
        flow += disturbance.flow_offset_ml_s
        flow += disturbance.drift_ml_s * np.sin(2.0 * np.pi * t / 47.0 + phase[1])
        channels["flow_ml_s"] = flow + movement(t, disturbance, rng)
    if "airway_pressure_kpa" in channels:
        airway = channels["airway_pressure_kpa"]
        airway += disturbance.heart_pressure_kpa * beat
        if "jacket_pressure_kpa" in channels:
            airway += disturbance.jacket_share * channels["jacket_pressure_kpa"]
        if disturbance.movement_at_s is not None:
            airway += movement(t, disturbance, rng) / 1000.0
    if "box_pressure_kpa" in channels:
        channels["box_pressure_kpa"] += disturbance.box_drift_kpa_s * t
    return replace(recording, channels=channels)


def heart_beat(time_s: FloatArray, *, rate_per_min: float, phase: float) -> FloatArray:
    """A beat of amplitude about 1 with one harmonic and zero mean."""
    w = 2.0 * np.pi * rate_per_min / 60.0
    beat = np.sin(w * time_s + phase) + 0.35 * np.sin(2.0 * w * time_s + 1.7 * phase)
    return np.asarray(beat, dtype=np.float64)


def leaked(flow_ml_s: FloatArray, time_s: FloatArray, disturbance: Disturbance) -> FloatArray:
    """Flow that still passes the head when the mask leaks on expiration."""
    lost = (flow_ml_s < 0.0) & (time_s >= disturbance.leak_from_s)
    return np.where(lost, flow_ml_s * (1.0 - disturbance.leak_share), flow_ml_s)


def movement(time_s: FloatArray, disturbance: Disturbance, rng: np.random.Generator) -> FloatArray:
    """A burst of 0.8 s under a bell: several random swings of 4 to 9 Hz."""
    if disturbance.movement_at_s is None:
        return np.zeros_like(time_s)
    bell = np.exp(-(((time_s - disturbance.movement_at_s) / 0.4) ** 2))
    swings = sum(
        np.sin(2.0 * np.pi * f * time_s + p)
        for f, p in zip(rng.uniform(4.0, 9.0, 4), rng.uniform(0.0, 6.28, 4), strict=True)
    )
    return np.asarray(disturbance.movement_ml_s * bell * swings, dtype=np.float64)
