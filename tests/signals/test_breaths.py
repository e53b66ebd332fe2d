"""Volume, breaths and drift on signals whose truth is written down here."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.records import FloatArray
from quietsleep.signals.breaths import (
    closed_zeros,
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


def test_pressure_that_a_late_filter_makes_of_breathing_is_no_manoeuvre() -> None:
    """40 mL/s of difference between channels for 20 ms, through 4 kPa.s/L."""
    airway = np.zeros(2000)
    for at in range(100, 2000, 300):
        airway[at : at + 8] = 0.16
    assert not manoeuvres({"airway_pressure": airway}, np.zeros(2000), 400.0).any()
    airway[500:560] = 0.5
    assert manoeuvres({"airway_pressure": airway}, np.zeros(2000), 400.0).sum() == 60


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
def test_a_closed_shutter_shows_the_zero_of_the_flow_head(rate_hz: float) -> None:
    rng = np.random.default_rng(6)
    parts, busy, at = [], [], [0]
    for zero in (0.8, 1.2):
        ringing = np.exp(-np.arange(round(0.5 * rate_hz)) / rate_hz / 0.025)
        parts += [sine_flow(rate_hz, 8.0), 40.0 * ringing]
        busy += [np.zeros(parts[-2].size, bool), np.ones(parts[-1].size, bool)]
        parts[-1] += zero
        at.append(sum(p.size for p in parts))
    flow = np.concatenate([*parts, sine_flow(rate_hz, 8.0)])
    mask = np.concatenate([*busy, np.zeros(flow.size - at[-1], bool)])
    samples, zeros = closed_zeros(flow + rng.normal(0, 0.05, flow.size), mask, rate_hz)
    assert zeros == pytest.approx([0.8, 1.2], abs=0.25)
    assert [mask[s] for s in samples] == [True, True]
    assert closed_zeros(flow, np.zeros(flow.size, bool), rate_hz)[0].size == 0


def test_with_a_shutter_the_volume_drifts_by_its_zero_only() -> None:
    """An offset of 0.7 mL/s goes, 6 mL lost in each manoeuvre stay."""
    rate_hz = 200.0
    breath = sine_flow(rate_hz, PERIOD_S)
    held = np.zeros(round(0.6 * rate_hz))
    flow = np.concatenate([np.tile(breath, 7), held, np.tile(breath, 7), held, np.tile(breath, 7)])
    busy = np.zeros(flow.size, dtype=bool)
    for number in (1, 2):
        begin = number * 7 * breath.size + (number - 1) * held.size
        busy[begin : begin + held.size] = True
    lost = np.zeros(flow.size)  # what a leak behind the shutter leaves in recorded volume: 6 mL
    for number in (1, 2):
        end = number * (7 * breath.size + held.size)
        lost[end : end + 20] = 6.0 / 20 * rate_hz
    shifted = flow + 0.7 + lost
    volume = integrate(shifted, rate_hz)
    breaths = find_breaths(shifted, volume, rate_hz)
    leveled_ml, told = level_volume(shifted, volume, breaths, busy, rate_hz, has_shutter=True)
    settled = told.settled_ml[np.isfinite(told.settled_ml)]
    groups = np.round((settled - settled.min()) / 6.0)
    assert set(groups) == {0.0, 1.0, 2.0}
    assert np.abs(settled - settled.min() - 6.0 * groups).max() < 1.2
    assert leveled_ml[told.start] == pytest.approx(told.eel_ml)
