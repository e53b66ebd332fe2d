"""Box decay check against decays of known half-life."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.contract import CHECKS
from quietsleep.records import FloatArray, MeasuredTrial, Measures, Recording
from quietsleep.signals.breaths import find_breaths
from quietsleep.simulation.checks import box_decay as simulate
from quietsleep.techniques.checks import box_decay as check


def as_recording(box: FloatArray, rate_hz: float) -> Recording:
    still = np.zeros(box.size)
    breaths = find_breaths(still, still, rate_hz)
    return Recording("c", "box_decay", rate_hz, still, still, {"box_pressure": box}, breaths, {})


def simulated_box(seed: int, noise_kpa: float = 3e-5, **how: float) -> FloatArray:
    rng = np.random.default_rng(seed)
    box = simulate(rng=rng, **how).channels["box_pressure_kpa"]
    return box + noise_kpa * rng.standard_normal(box.size)


def measured(recording: Recording) -> Measures:
    values = [check.measure_trial(recording, t) for t in check.find_trials(recording)]
    return check.measure_test([MeasuredTrial(1, 0.0, 1.0, v, v.reasons) for v in values])


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize("half_life_s", [4.5, 7.0, 9.0, 11.0, 14.0])
@pytest.mark.parametrize("step_kpa", [0.1, -0.05])
def test_half_life_comes_back(rate_hz: float, half_life_s: float, step_kpa: float) -> None:
    box = simulated_box(1, rate_hz=rate_hz, half_life_s=half_life_s, step_kpa=step_kpa)
    values = measured(as_recording(box + 0.004, rate_hz))
    assert values["half_life_s"] == pytest.approx(half_life_s, rel=0.02)
    assert values["fit_r2"] > 0.999


def test_a_drifting_zero_of_the_box_channel_is_part_of_the_fit() -> None:
    box = simulated_box(2) + 0.01
    assert measured(as_recording(box, 200.0))["half_life_s"] == pytest.approx(9.0, rel=0.01)


def test_someone_leaning_on_the_box_lowers_r2_below_the_limit() -> None:
    limit = next(r.low for r in CHECKS["box_decay"].rules if r.quantity == "fit_r2")
    assert limit is not None
    for seed in range(4):
        assert measured(as_recording(simulated_box(seed, sway_kpa=0.02), 200.0))["fit_r2"] < limit


def test_two_decays_are_two_trials_and_their_mean_the_result() -> None:
    both = np.concatenate([simulated_box(3, half_life_s=8.0), simulated_box(4, half_life_s=10.0)])
    recording = as_recording(both, 200.0)
    trials = check.find_trials(recording)
    found = [check.measure_trial(recording, t)["half_life_s"] for t in trials]
    assert found == pytest.approx([8.0, 10.0], rel=0.02)
    assert measured(recording)["half_life_s"] == pytest.approx(9.0, rel=0.02)


def test_a_recording_that_begins_with_the_decay_is_one_trial() -> None:
    time = np.arange(0, 20, 0.01)
    recording = as_recording(0.1 * 2 ** (-time / 8.0), 100.0)
    assert measured(recording)["half_life_s"] == pytest.approx(8.0, rel=0.005)


@pytest.mark.parametrize("samples", [4, 1000])
def test_a_quiet_box_has_no_half_life(samples: int) -> None:
    values = measured(as_recording(np.zeros(samples), 200.0))
    assert np.isnan(values["half_life_s"])
    assert values.reasons["half_life_s"]


def test_marks_follow_the_decay() -> None:
    box = simulated_box(5)
    recording = as_recording(box, 200.0)
    (trial,) = check.find_trials(recording)
    fitted, half = check.mark_trial(recording, trial)
    places = (np.array(fitted.x) * 200.0).astype(int)[:-1]
    assert box[places] == pytest.approx(np.array(fitted.y)[:-1], abs=2e-4)
    assert half.x[0] - fitted.x[0] == pytest.approx(9.0, rel=0.02)
