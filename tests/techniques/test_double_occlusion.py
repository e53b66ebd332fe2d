"""Double occlusion: lines by hand, sub-sample closure, several points, and its marks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from quietsleep.records import Recording
from quietsleep.simulation.physiology import Setting, draw_infant
from quietsleep.simulation.quiet import double_occlusion
from quietsleep.techniques import double_occlusion as technique

OnDevice = Callable[..., Recording]


def test_two_points_give_the_difference_quotient() -> None:
    line = technique.compliance_line(np.array([60.0, 30.0]), np.array([0.65, 0.35]))
    assert line.slope == pytest.approx(100.0)
    assert line.intercept == pytest.approx(-5.0)
    one = technique.compliance_line(np.array([60.0]), np.array([0.65]))
    assert np.isnan(one.slope)


def test_resistance_of_a_later_occlusion() -> None:
    """0.35 kPa after 140 mL/s through 0.5 kPa.s/L of apparatus: 2.5 - 0.5, by hand."""
    flow = np.array([np.nan, 140.0])
    value = technique.resistance_kpa_s_l(np.array([0.65, 0.35]), flow, apparatus_kpa_s_l=0.5)
    assert value == pytest.approx(2.0)
    none = technique.resistance_kpa_s_l(np.array([0.65]), np.array([np.nan]), apparatus_kpa_s_l=0.5)
    assert np.isnan(none)


@pytest.mark.parametrize("shares", [(0.85, 0.4), (0.9, 0.6, 0.3), (0.9, 0.7, 0.5, 0.3)])
def test_all_occlusions_of_one_expiration_are_points_of_one_trial(
    shares: tuple[float, ...], on_device: OnDevice
) -> None:
    rng = np.random.default_rng(len(shares))
    infant = draw_infant(rng, length_cm=70.0, condition="obstructed")
    simulated = double_occlusion(infant, rng=rng, rate_hz=200.0, shares=shares)
    recording = on_device(simulated, rng, 0.0)
    trials = technique.find_trials(recording)
    assert len(trials) == len(simulated.trials)
    for trial, truth in zip(trials, simulated.trials, strict=True):
        values = technique.measure_trial(recording, trial)
        assert values["n_points"] == len(shares)
        assert values["crs_ml_kpa"] == pytest.approx(truth["crs_ml_kpa"], rel=0.01)
        assert values["rrs_kpa_s_l"] == pytest.approx(truth["rrs_kpa_s_l"], rel=0.02)
        # the sleeping infant's level lies above passive rest: V0 is below it
        assert values["intercept_volume_ml"] == pytest.approx(
            truth["intercept_volume_ml"], abs=0.03 * infant.vt_ml
        )


def test_one_occlusion_alone_is_a_trial_without_compliance(on_device: OnDevice) -> None:
    rng = np.random.default_rng(8)
    infant = draw_infant(rng, length_cm=70.0)
    simulated = double_occlusion(infant, rng=rng, shares=(0.7,))
    recording = on_device(simulated, rng, 1.0)
    trials = technique.find_trials(recording)
    assert len(trials) == len(simulated.trials)
    values = technique.measure_trial(recording, trials[0])
    assert values["n_points"] == 1.0
    for name in ("crs_ml_kpa", "rrs_kpa_s_l", "volume_between_pct"):
        assert np.isnan(values[name])
        assert values.reasons[name]
    assert technique.mark_trial(recording, trials[0])


def test_closure_between_two_samples_is_found_at_100_hz(on_device: OnDevice) -> None:
    """A sample period of 10 ms is worth 1 mL at 100 mL/s; the pressure tells when it closed."""
    errors = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        infant = draw_infant(rng, length_cm=50.0 + 5 * seed, condition="stiff")
        simulated = double_occlusion(infant, rng=rng, rate_hz=100.0)
        recording = on_device(simulated, rng, 0.0)
        for trial, truth in zip(technique.find_trials(recording), simulated.trials, strict=True):
            values = technique.measure_trial(recording, trial)
            errors.append(abs(values["crs_ml_kpa"] / truth["crs_ml_kpa"] - 1))
    assert max(errors) < 0.02


def test_resistance_leaves_the_apparatus_out(on_device: OnDevice) -> None:
    rng = np.random.default_rng(9)
    infant = draw_infant(rng, length_cm=66.0)
    for apparatus in (0.2, 0.8):
        setting = Setting(apparatus_resistance_kpa_s_l=apparatus)
        simulated = double_occlusion(infant, rng=rng, setting=setting)
        recording = on_device(simulated, rng, 0.0)
        values = [technique.measure_trial(recording, t) for t in technique.find_trials(recording)]
        mean = np.mean([v["rrs_kpa_s_l"] for v in values])
        assert mean == pytest.approx(infant.rrs_kpa_s_l, rel=0.01)


def test_marks_point_at_each_occlusion(on_device: OnDevice) -> None:
    rng = np.random.default_rng(10)
    simulated = double_occlusion(draw_infant(rng, length_cm=66.0), rng=rng)
    recording = on_device(simulated, rng, 1.0)
    closed = np.reshape(simulated.events["closed"], (-1, 2))
    for trial, closures_s in zip(technique.find_trials(recording), closed, strict=True):
        marks = [m for m in technique.mark_trial(recording, trial) if m.axis == "volume"]
        seen = [m.x[0] for m in marks if m.label.startswith("occlusion")]
        assert seen == pytest.approx(closures_s, abs=0.006)
        loop = {m.label: m for m in technique.mark_trial(recording, trial) if m.axis == "loop"}
        line = loop["compliance line"]
        slope = (line.y[1] - line.y[0]) / (line.x[1] - line.x[0])
        values = technique.measure_trial(recording, trial)
        assert slope == pytest.approx(values["crs_ml_kpa"])
        for number in (1, 2):
            point = loop[f"occlusion {number}"]
            assert line.y[0] + slope * (point.x[0] - line.x[0]) == pytest.approx(point.y[0])
