"""Box pump check against pumps of known stroke."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.contract import CHECKS
from quietsleep.records import FloatArray, MeasuredTrial, Measures, Recording
from quietsleep.signals.breaths import find_breaths
from quietsleep.simulation.checks import box_pump as simulate
from quietsleep.simulation.physiology import SimulatedRecording
from quietsleep.techniques.checks import box_pump as check


def as_recording(box: FloatArray, rate_hz: float, known_volume_ml: float = 10.0) -> Recording:
    still = np.zeros(box.size)
    breaths = find_breaths(still, still, rate_hz)
    context = {"known_volume_ml": known_volume_ml}
    pressures = {"box_pressure": box}
    return Recording("c", "box_pump", rate_hz, still, still, pressures, breaths, context)


def seen(simulated: SimulatedRecording, *, noise_kpa: float = 3e-5) -> Recording:
    box = simulated.channels["box_pressure_kpa"]
    time = np.arange(box.size) / simulated.rate_hz
    box = box + noise_kpa * np.random.default_rng(1).standard_normal(box.size)
    box = box + 0.003 + 2e-5 * time
    return as_recording(box, simulated.rate_hz, simulated.context["known_volume_ml"])


def measured(recording: Recording) -> Measures:
    values = [check.measure_trial(recording, t) for t in check.find_trials(recording)]
    return check.measure_test([MeasuredTrial(1, 0.0, 1.0, v, v.reasons) for v in values])


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize("frequency_hz", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("factor_ml_kpa", [320.0, 650.0])
def test_factor_comes_back(rate_hz: float, frequency_hz: float, factor_ml_kpa: float) -> None:
    simulated = simulate(
        rng=np.random.default_rng(2),
        rate_hz=rate_hz,
        factor_ml_kpa=factor_ml_kpa,
        frequency_hz=frequency_hz,
    )
    values = measured(seen(simulated))
    assert values["n_strokes"] == 15.0
    assert values["box_factor_ml_kpa"] == pytest.approx(factor_ml_kpa, rel=0.01)
    limit = next(r.high for r in CHECKS["box_pump"].rules if r.quantity == "factor_cv_pct")
    assert limit is not None
    assert values["factor_cv_pct"] < limit


def test_each_stroke_gives_its_own_factor_and_uneven_ones_their_spread() -> None:
    simulated = simulate(rng=np.random.default_rng(3), stroke_cv=0.06)
    recording = seen(simulated)
    found = [check.measure_trial(recording, t) for t in check.find_trials(recording)]
    truth = [trial["pump_factor_ml_kpa"] for trial in simulated.trials]
    assert [v["pump_factor_ml_kpa"] for v in found] == pytest.approx(truth, rel=0.01)
    spread = measured(recording)["factor_cv_pct"]
    assert spread == pytest.approx(simulated.truth["factor_cv_pct"], abs=0.3)


@pytest.mark.parametrize("box", [np.zeros(2000), np.zeros(4)])
def test_a_still_box_gives_no_factor(box: FloatArray) -> None:
    recording = as_recording(box, 200.0)
    assert check.find_trials(recording) == []
    values = measured(recording)
    assert values["n_strokes"] == 0.0
    assert np.isnan(values["box_factor_ml_kpa"])
    assert values.reasons["box_factor_ml_kpa"]


def test_an_unknown_stroke_gives_a_reason() -> None:
    simulated = simulate(rng=np.random.default_rng(4))
    recording = as_recording(simulated.channels["box_pressure_kpa"], 200.0, float("nan"))
    trial = check.find_trials(recording)[0]
    values = check.measure_trial(recording, trial)
    assert np.isnan(values["pump_factor_ml_kpa"])
    assert "known volume" in values.reasons["pump_factor_ml_kpa"]


def test_marks_follow_the_stroke() -> None:
    simulated = simulate(rng=np.random.default_rng(5))
    recording = as_recording(simulated.channels["box_pressure_kpa"], 200.0)
    box = recording.pressures_kpa["box_pressure"]
    for trial in check.find_trials(recording):
        (wave,) = check.mark_trial(recording, trial)
        places = np.minimum((np.array(wave.x) * 200.0).astype(int), box.size - 1)
        assert np.abs(box[places] - np.array(wave.y)).max() < 0.06 * np.ptp(box)
