"""An equipment check whose signal ran into the end of its range is refused, a level one is not."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.contract import CHECKS
from quietsleep.measure.recording import measure_recording
from tests.physics_forced.device import Array, Chain, recording_of
from tests.physics_forced.piston import PISTON_HZ, push


def pump(amplitude_kpa: float) -> Array:
    t = np.arange(round(12 * PISTON_HZ)) / PISTON_HZ
    return np.asarray(amplitude_kpa * np.sin(2 * np.pi * 1.1 * t))


def steps(height_kpa: float) -> Array:
    t = np.arange(round(30 * PISTON_HZ)) / PISTON_HZ
    after = np.maximum(t - 2.0, 0.0)
    return np.asarray(np.where(t < 2.0, 0.0, height_kpa * np.exp2(-after / 9.0)))


def hold(pressure_kpa: float) -> Array:
    t = np.arange(round(6 * PISTON_HZ)) / PISTON_HZ
    rise = pressure_kpa * (1.0 - np.exp(-np.maximum(t - 1.0, 0.0) / 0.08))
    return np.asarray(np.where(t < 4.5, rise * np.exp(-np.maximum(t - 1.5, 0.0) / 60.0), 0.0))


SIGNALS = {
    "box_pump": ("box_pressure", pump(0.04), 0.03),
    "box_decay": ("box_pressure", steps(0.12), 0.1),
    "shutter_hold": ("airway_pressure", hold(4.2), 3.6),
    "syringe": ("flow", push(np.random.default_rng(3))[0], 120.0),
}


def clipped_s(check: str, most: float | None, rate_hz: float, *, noise: float = 1.0) -> float:
    channel, fine, _ = SIGNALS[check]
    recording = recording_of(
        {channel: fine},
        technique=check,
        chain=Chain(rate_hz, noise=noise, range_of={channel: most} if most else None),
        fine_hz=PISTON_HZ,
        rng=np.random.default_rng(1),
        context={"known_volume_ml": 100.0},
    )
    measured = measure_recording(recording, key="")
    assert set(measured.test_values) == set(CHECKS[check].names("check"))
    assert measured.trials
    return measured.test_values["manoeuvre_clipped_s"]


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
@pytest.mark.parametrize("check", SIGNALS)
def test_a_check_at_the_rail_is_refused(check: str, rate_hz: float) -> None:
    rule = next(r for r in CHECKS[check].rules if r.name == "manoeuvre_clipped")
    assert rule.severity == "reject" and rule.high == 0.0
    assert clipped_s(check, SIGNALS[check][2], rate_hz) > 0.02
    assert clipped_s(check, None, rate_hz) == 0.0


def test_a_hold_without_noise_is_tight_and_not_clipped() -> None:
    assert clipped_s("shutter_hold", None, 200.0, noise=0.0) == 0.0
