"""Squeezes, forced expirations and flow reversals on curves drawn here."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.records import FloatArray
from quietsleep.signals.breaths import integrate
from quietsleep.signals.squeezes import count_reversals, find_squeezes, follow_forced

RATE_HZ = 200.0


def jacket(*plateaus: tuple[float, float, float]) -> np.ndarray:
    """Pressure of 20 s with (from s, to s, kPa) plateaus that rise with 20 ms."""
    time_s = np.arange(4000) / RATE_HZ
    pressure = np.zeros_like(time_s)
    for start, end, kpa in plateaus:
        inside = (time_s >= start) & (time_s < end)
        pressure[inside] = kpa * (1 - np.exp(-(time_s[inside] - start) / 0.02))
    return pressure + np.random.default_rng(1).normal(0, 0.01, time_s.size)


def test_squeezes_of_unlike_pressure_are_found() -> None:
    found = find_squeezes(jacket((4, 5, 3.0), (12, 13.5, 8.0)), RATE_HZ, least_kpa=1.0)
    assert [round(s.onset / RATE_HZ, 2) for s in found] == [4.0, 12.0]
    assert [s.pressure_kpa for s in found] == pytest.approx([3.0, 8.0], rel=0.01)
    assert (found[1].full - found[1].onset) / RATE_HZ == pytest.approx(0.046, abs=0.006)
    assert found[1].release == round(13.5 * RATE_HZ) - 1


def test_no_jacket_movement_is_no_squeeze() -> None:
    assert find_squeezes(jacket(), RATE_HZ, least_kpa=1.0) == []
    assert find_squeezes(np.zeros(0), RATE_HZ, least_kpa=1.0) == []


def forced_flow(*, glottis: bool = False) -> FloatArray:
    """One second in, a forced expiration of 1 s from 200 samples on, then a breath in."""
    time_s = np.arange(200) / RATE_HZ
    out = 600.0 * np.exp(-time_s / 0.25) * (1 - np.exp(-time_s / 0.01))
    if glottis:
        out[60:80] = -40.0 * np.sin(np.pi * np.arange(20) / 20)
    breath = 200.0 * np.sin(np.pi * np.arange(160) / 160)
    return np.concatenate([np.full(200, 2.0), -out, breath, np.zeros(50)])


@pytest.mark.parametrize("glottis", [False, True])
def test_forced_expiration_ends_at_the_next_breath_not_at_the_glottis(glottis: bool) -> None:
    flow = forced_flow(glottis=glottis)
    volume = integrate(flow, RATE_HZ)
    forced = follow_forced(
        flow, volume, RATE_HZ, onset=200, least_breath_share=0.15, smoothing_s=0.03
    )
    assert forced is not None
    assert forced.start == pytest.approx(200, abs=1)
    assert forced.peak == pytest.approx(206, abs=3)
    assert forced.end == pytest.approx(400, abs=1)
    noise = count_reversals(forced.flow_out_ml_s, peak=forced.peak - forced.start, noise_ml_s=1.0)
    assert noise == int(glottis)


def test_inspiration_alone_is_no_forced_expiration() -> None:
    flow = np.full(400, 50.0)
    volume = integrate(flow, RATE_HZ)
    assert (
        follow_forced(flow, volume, RATE_HZ, onset=50, least_breath_share=0.15, smoothing_s=0.03)
        is None
    )


def test_a_slow_noisy_end_is_no_reversal() -> None:
    flow = 600.0 * np.exp(-np.arange(400) / 50.0) + np.random.default_rng(3).normal(0, 2.0, 400)
    assert count_reversals(flow, peak=0, noise_ml_s=2.0) == 0


def test_a_stop_without_turning_is_a_reversal() -> None:
    flow = 600.0 * np.exp(-np.arange(400) / 100.0)
    flow[100:110] = 1.0
    assert count_reversals(flow, peak=0, noise_ml_s=1.0) == 1
