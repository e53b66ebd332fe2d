"""Volume, breaths and drift on signals whose truth is written down here."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.records import FloatArray
from quietsleep.signals.breaths import (
    find_breaths,
    integrate,
    level_volume,
    manoeuvres,
    regular_breaths,
    smooth,
)

RATES = (100.0, 200.0, 500.0)
PERIOD_S = 1.6
VT_ML = 50.0


def sine_flow(rate_hz: float, seconds: float = 32.0) -> FloatArray:
    """Flow of a sine of volume VT_ML, beginning at end-expiration."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    omega = 2 * np.pi / PERIOD_S
    return 0.5 * VT_ML * omega * np.sin(omega * time_s)


def leveled(flow: FloatArray, rate_hz: float, busy: np.ndarray | None = None) -> FloatArray:
    volume = integrate(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    mask = np.zeros(flow.size, dtype=bool) if busy is None else busy
    return level_volume(flow, volume, breaths, mask, rate_hz)[0]


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("noise", [0.0, 2.0])
def test_every_breath_of_a_sine_is_found_where_it_is(rate_hz: float, noise: float) -> None:
    flow = sine_flow(rate_hz) + np.random.default_rng(3).normal(0, noise, round(32 * rate_hz))
    volume = integrate(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    true_start = np.arange(20) * PERIOD_S
    found = breaths.start / rate_hz
    nearest = np.abs(found[:, None] - true_start).min(axis=1)
    assert 18 <= found.size <= 19
    assert nearest.max() <= 0.025
    assert volume[breaths.turn] - volume[breaths.start] == pytest.approx(VT_ML, rel=0.02)
    assert (breaths.end[:-1] == breaths.start[1:]).all()


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("offset", [-1.5, 0.7])
def test_offset_of_flow_is_taken_out_of_volume(rate_hz: float, offset: float) -> None:
    clean = leveled(sine_flow(rate_hz), rate_hz)
    assert leveled(sine_flow(rate_hz) + offset, rate_hz) == pytest.approx(clean, abs=0.5)


def test_occlusion_with_step_does_not_bend_the_drift_line() -> None:
    rate_hz = 200.0
    flow = sine_flow(rate_hz)
    stop = round(10.4 * rate_hz)  # an end-inspiratory occlusion of 1 s with a loss of 15 mL after
    held = np.zeros(round(rate_hz))
    lost = np.full(round(0.2 * rate_hz), -75.0)
    flow = np.r_[flow[:stop], held, lost, flow[stop:]]
    busy = np.zeros(flow.size, dtype=bool)
    busy[stop : stop + held.size + lost.size] = True
    volume = leveled(flow, rate_hz, busy)
    breaths = find_breaths(flow, volume, rate_hz)
    eel = volume[breaths.start]
    before, after = eel[breaths.start < stop], eel[breaths.start > stop + 300]
    assert np.ptp(before) < 0.2
    assert np.ptp(after) < 0.2
    assert before.mean() - after.mean() == pytest.approx(15.0, abs=0.3)


def test_sighs_do_not_bend_the_drift_line() -> None:
    rate_hz = 200.0
    flow = sine_flow(rate_hz)
    for breath in (3, 11):
        at = round(breath * PERIOD_S * rate_hz)
        flow[at : at + round(PERIOD_S * rate_hz)] *= 2.6
    volume = leveled(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    assert np.abs(volume[breaths.start]).max() < 0.3
    assert regular_breaths(breaths, volume).sum() == breaths.start.size - 2


def test_small_ripples_of_flow_are_no_breaths() -> None:
    rate_hz = 200.0
    flow = sine_flow(rate_hz)
    pause = np.zeros(round(3 * rate_hz))
    time_s = np.arange(pause.size) / rate_hz
    ripple = 6.0 * np.sin(2 * np.pi * 2.3 * time_s)  # heart beats during an apnoea
    at = round(5 * PERIOD_S * rate_hz)
    joined = np.r_[flow[:at], ripple, flow[at:]]
    breaths = find_breaths(joined, integrate(joined, rate_hz), rate_hz)
    seconds = (breaths.end - breaths.start) / rate_hz
    assert (seconds > 3.0).sum() == 1
    assert breaths.start.size == find_breaths(flow, integrate(flow, rate_hz), rate_hz).start.size


@pytest.mark.parametrize("samples", [0, 1, 2, 5])
def test_too_short_signals_have_no_breaths(samples: int) -> None:
    flow = np.ones(samples)
    assert find_breaths(flow, integrate(flow, 200.0), 200.0).start.size == 0
    assert leveled(flow, 200.0).size == samples


def test_manoeuvres_are_seen_in_either_pressure() -> None:
    airway, jacket = np.full(1000, 0.02), np.full(1000, 0.1)
    airway[100:200] = 0.6
    jacket[500:900] = 5.0
    pressures = {"airway_pressure": airway, "jacket_pressure": jacket}
    busy = manoeuvres(pressures, np.zeros(1000), 200.0)
    assert np.flatnonzero(np.diff(busy)).tolist() == [99, 199, 499, 899]


def test_breathing_through_a_resistance_is_no_manoeuvre() -> None:
    flow = 350.0 * np.sin(np.arange(4000) / 40.0)
    flow[1000:1100] = 0.0
    airway = 0.02 - 0.0007 * flow
    airway[1000:1100] = 0.5
    busy = manoeuvres({"airway_pressure": airway}, flow, 200.0)
    assert np.flatnonzero(np.diff(busy)).tolist() == [999, 1099]


def test_ringing_of_a_valve_before_a_breath_is_not_part_of_it() -> None:
    rate_hz = 200.0
    breath = sine_flow(rate_hz, PERIOD_S)
    ringing = np.zeros(round(0.8 * rate_hz))
    ringing[:12] = 9.0 * np.sin(np.pi * np.arange(12) / 12)  # overshoot after expiration
    flow = np.tile(np.r_[breath, ringing], 8)
    breaths = find_breaths(flow, integrate(flow, rate_hz), rate_hz)
    cycle = breath.size + ringing.size
    assert np.abs(breaths.start % cycle - 1).max() == 0
    assert (breaths.end - breaths.start == cycle).all()


def test_smoothing_is_that_of_savitzky_and_golay() -> None:
    """Against scipy.signal.savgol_filter, inside and at the ends (mode "nearest")."""
    signal = pytest.importorskip("scipy.signal")
    values = np.random.default_rng(8).normal(0, 1, 400)
    expected = signal.savgol_filter(values, 11, 2, mode="nearest")
    assert smooth(values, 200.0, window_s=0.055) == pytest.approx(expected)
    assert smooth(values, 100.0, window_s=0.02) is values
    assert smooth(np.zeros(0), 200.0, window_s=0.05).size == 0


def test_drift_between_inflations_is_told_from_where_they_begin() -> None:
    """Six breaths without drift, then inflations through a head whose zero is off by 0.8 mL/s."""
    rate_hz = 200.0
    breath = sine_flow(rate_hz, PERIOD_S)
    inflation = 3.0 * sine_flow(rate_hz, PERIOD_S)
    flow = np.r_[np.tile(breath, 6), np.tile(inflation, 6), np.tile(breath, 5)]
    during = slice(6 * breath.size, 12 * breath.size)
    offset = np.zeros(flow.size)
    offset[during] = 0.8
    busy = np.zeros(flow.size, dtype=bool)
    for begin in range(6 * breath.size, 12 * breath.size, breath.size):
        busy[begin + 5 : begin + breath.size // 2] = True
    flow = flow + offset
    volume = integrate(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    level, _ = level_volume(flow, volume, breaths, busy, rate_hz)
    begins = np.arange(7, 12) * breath.size
    seconds = (begins[-1] - begins[0]) / rate_hz
    before = (volume[begins[-1]] - volume[begins[0]]) / seconds
    assert before == pytest.approx(0.8, abs=0.05)
    assert abs(level[begins[-1]] - level[begins[0]]) / seconds < 0.3
