"""Shutter hold check against holds of known pressure and fall."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.records import FloatArray, MeasuredTrial, Measures, Recording
from quietsleep.signals.breaths import find_breaths
from quietsleep.simulation.checks import shutter_hold as simulate
from quietsleep.techniques.checks import shutter_hold as check

RATES = (100.0, 200.0, 1000.0)


def as_recording(airway: FloatArray, rate_hz: float) -> Recording:
    still = np.zeros(airway.size)
    breaths = find_breaths(still, still, rate_hz)
    pressures = {"airway_pressure": airway}
    return Recording("c", "shutter_hold", rate_hz, still, still, pressures, breaths, {})


def noisy(airway: FloatArray, noise_kpa: float) -> FloatArray:
    return airway + noise_kpa * np.random.default_rng(1).standard_normal(airway.size)


def measured(recording: Recording) -> Measures:
    trials = check.find_trials(recording)
    values = [check.measure_trial(recording, trial) for trial in trials]
    return check.measure_test([MeasuredTrial(1, 0.0, 1.0, v, v.reasons) for v in values])


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize(("pressure_kpa", "fall_pct"), [(3.5, 0.0), (3.2, 1.0), (2.0, 12.0)])
def test_pressure_and_fall_come_back(rate_hz: float, pressure_kpa: float, fall_pct: float) -> None:
    simulated = simulate(rate_hz=rate_hz, pressure_kpa=pressure_kpa, fall_pct_per_s=fall_pct)
    airway = noisy(simulated.channels["airway_pressure_kpa"], 0.003)
    values = measured(as_recording(airway, rate_hz))
    assert values["hold_pressure_kpa"] == pytest.approx(pressure_kpa, rel=0.01)
    assert values["pressure_fall_pct"] == pytest.approx(fall_pct, abs=0.15)


def test_a_steady_fall_by_hand() -> None:
    """Straight from 4.0 to 3.8 kPa in 1 s: 5 %."""
    rate = 200.0
    hold = 4.0 - 0.2 * np.arange(0, 2, 1 / rate)
    airway = np.concatenate([np.zeros(200), np.linspace(0, 4.0, 60), hold, np.zeros(200)])
    values = measured(as_recording(airway, rate))
    assert values["pressure_fall_pct"] == pytest.approx(5.0, abs=0.1)


def test_a_hold_of_less_than_a_second_has_a_pressure_but_no_fall() -> None:
    simulated = simulate(hold_s=0.7)
    values = measured(as_recording(simulated.channels["airway_pressure_kpa"], 200.0))
    assert values["hold_pressure_kpa"] == pytest.approx(3.5, rel=0.01)
    assert np.isnan(values["pressure_fall_pct"])
    assert "shorter" in values.reasons["pressure_fall_pct"]


def test_the_last_of_several_holds_counts() -> None:
    parts = [
        simulate(pressure_kpa=p, fall_pct_per_s=f).channels["airway_pressure_kpa"]
        for p, f in ((3.6, 8.0), (3.3, 1.0))
    ]
    recording = as_recording(np.concatenate(parts), 200.0)
    assert len(check.find_trials(recording)) == 2
    values = measured(recording)
    assert values["hold_pressure_kpa"] == pytest.approx(3.3, rel=0.01)
    assert values["pressure_fall_pct"] == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("airway", [np.zeros(1000), noisy(np.zeros(1000), 0.01), np.zeros(3)])
def test_no_hold_gives_no_trial_and_a_reason(airway: FloatArray) -> None:
    recording = as_recording(airway, 200.0)
    assert check.find_trials(recording) == []
    values = measured(recording)
    assert np.isnan(values["hold_pressure_kpa"])
    assert values.reasons["hold_pressure_kpa"]


def test_marks_lie_on_the_hold() -> None:
    simulated = simulate(fall_pct_per_s=6.0)
    recording = as_recording(simulated.channels["airway_pressure_kpa"], 200.0)
    (trial,) = check.find_trials(recording)
    start, later = check.mark_trial(recording, trial)
    assert start.x[0] == pytest.approx(1.4, abs=0.1)
    assert later.x[0] - start.x[0] == pytest.approx(1.0)
    assert later.y[0] / start.y[0] == pytest.approx(0.94, abs=0.003)
