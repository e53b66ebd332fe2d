"""Timing and peaks finer than the sampling interval, on shapes with known answers."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.signals.breaths import find_breaths, integrate, peak_flows, shape_breaths


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0])
@pytest.mark.parametrize("phase_s", [0.0, 0.0013, 0.0042])
def test_zero_flow_and_peak_of_a_sine(rate_hz: float, phase_s: float) -> None:
    period_s, vt_ml = 1.5, 40.0
    time_s = np.arange(round(15 * rate_hz)) / rate_hz + phase_s
    omega = 2 * np.pi / period_s
    flow = 0.5 * vt_ml * omega * np.sin(omega * time_s)
    volume = integrate(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    shapes = shape_breaths(breaths, flow, volume, rate_hz, smoothing_s=0.03)
    begin_s = shapes.begin / rate_hz + phase_s
    assert (begin_s + 1e-4) % period_s == pytest.approx(1e-4, abs=2e-4)
    assert (shapes.turn - shapes.begin) / rate_hz == pytest.approx(period_s / 2, abs=1e-4)
    assert (shapes.peak - shapes.turn) / rate_hz == pytest.approx(period_s / 4, abs=2e-3)
    assert shapes.peak_flow_ml_s == pytest.approx(0.5 * vt_ml * omega, rel=1e-3)
    assert shapes.turn_ml - shapes.end_ml == pytest.approx(vt_ml, rel=2e-3)
    assert shapes.roughness == pytest.approx(1.0, abs=0.02)


def test_peak_of_a_parabola_between_samples_is_exact() -> None:
    place = np.arange(20.0)
    flow = 50.0 - 0.3 * (place - 7.3) ** 2
    top, at = peak_flows(flow, np.array([0]), np.array([20]))
    assert top == pytest.approx(50.0)
    assert at == pytest.approx(7.3)


def test_ripples_make_a_breath_rough() -> None:
    rate_hz = 200.0
    time_s = np.arange(3000) / rate_hz
    flow = 80.0 * np.sin(2 * np.pi * time_s / 1.5)
    inside = (time_s > 6.2) & (time_s < 6.9)
    flow[inside] += 30.0 * np.sin(2 * np.pi * 7.0 * time_s[inside])
    volume = integrate(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    shapes = shape_breaths(breaths, flow, volume, rate_hz, smoothing_s=0.03)
    rough = np.argmax(shapes.roughness)
    assert shapes.roughness[rough] > 1.4
    assert breaths.start[rough] / rate_hz == pytest.approx(6.0, abs=0.05)
    assert np.delete(shapes.roughness, rough).max() < 1.05
