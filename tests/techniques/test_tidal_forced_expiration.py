"""Tidal forced expiration: flow at a level by hand, missing jacket, steps, marks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from quietsleep.records import MeasuredTrial, Recording
from quietsleep.simulation.forced import SimulatedSqueeze, tidal_forced_expiration
from quietsleep.simulation.physiology import SimulatedRecording, draw_infant
from quietsleep.simulation.recordings import record
from quietsleep.techniques import tidal_forced_expiration as technique

OnDevice = Callable[..., Recording]


def session(
    seed: int, *, length_cm: float = 68.0
) -> tuple[SimulatedRecording, np.random.Generator]:
    rng = np.random.default_rng(seed)
    infant = draw_infant(rng, length_cm=length_cm)
    return record("tidal_forced_expiration", infant, rng=rng), rng


def stored(vmaxfrc_ml_s: float, jacket_kpa: float = 6.0) -> MeasuredTrial:
    values = {"vmaxfrc_ml_s": vmaxfrc_ml_s, "jacket_pressure_kpa": jacket_kpa}
    return MeasuredTrial(1, 0.0, 1.0, values, {})


def test_flow_where_a_straight_limb_passes_a_level() -> None:
    """V' = 4 (V_total - V): 4 * (80 - 50) = 120 mL/s at 50 mL out, by hand."""
    out = np.array([0.0, 10.0, 22.0, 33.0, 41.0, 48.0, 54.0, 59.0, 63.0])
    flow = 4 * (80.0 - out)
    for window_ml in (1.0, 12.0):
        place, value = technique.flow_at_level_ml_s(flow, out, level_ml=50.0, window_ml=window_ml)
        assert place == 6 and value == pytest.approx(120.0)
    assert technique.flow_at_level_ml_s(flow, out, level_ml=70.0, window_ml=5.0)[0] == -1
    place, value = technique.flow_at_level_ml_s(flow, out, level_ml=float("nan"), window_ml=5.0)
    assert (place, np.isnan(value)) == (-1, True)


def test_flow_at_a_level_averages_noise() -> None:
    rng = np.random.default_rng(0)
    out = np.linspace(0, 100, 400)
    values = [
        technique.flow_at_level_ml_s(
            4 * (150 - out) + rng.normal(0, 10, 400), out, level_ml=60.0, window_ml=8.0
        )[1]
        for _ in range(200)
    ]
    assert np.mean(values) == pytest.approx(360.0, abs=0.6)
    assert np.std(values) < 10 / np.sqrt(30)


def test_jacket_rise_and_pressure(on_device: OnDevice) -> None:
    for tau_s in (0.02, 0.04, 0.06):
        rng = np.random.default_rng(3)
        infant = draw_infant(rng, length_cm=72.0)
        given = [SimulatedSqueeze(7.0, jacket_tau_s=tau_s)] * 3
        simulated = tidal_forced_expiration(infant, rng=rng, manoeuvres=given)
        recording = on_device(simulated, rng, 1.0)
        for trial, truth in zip(technique.find_trials(recording), simulated.trials, strict=True):
            values = technique.measure_trial(recording, trial)
            assert values["jacket_rise_s"] == pytest.approx(tau_s * np.log(9.0), rel=0.05)
            assert values["jacket_pressure_kpa"] == pytest.approx(
                truth["jacket_pressure_kpa"], rel=0.03
            )


def test_without_jacket_pressure_squeezes_are_found_by_their_flow(on_device: OnDevice) -> None:
    simulated, rng = session(4)
    whole = on_device(simulated, rng, 1.0)
    airway = {"airway_pressure": whole.pressures_kpa["airway_pressure"]}
    bare = replace(whole, pressures_kpa=airway)
    trials = technique.find_trials(bare)
    assert len(trials) == len(simulated.trials)
    for trial, other in zip(trials, technique.find_trials(whole), strict=True):
        values = technique.measure_trial(bare, trial)
        usual = technique.measure_trial(whole, other)
        assert values["vmaxfrc_ml_s"] == pytest.approx(usual["vmaxfrc_ml_s"], rel=0.02)
        for name in ("jacket_pressure_kpa", "jacket_rise_s", "squeeze_onset_pct"):
            assert np.isnan(values[name])
            assert values.reasons[name] == "no jacket pressure was recorded"
        assert technique.mark_trial(bare, trial)


def test_quiet_breathing_has_no_squeeze(on_device: OnDevice) -> None:
    rng = np.random.default_rng(5)
    quiet = record("tidal", draw_infant(rng, length_cm=66.0), rng=rng)
    recording = on_device(quiet, rng, 1.0)
    assert technique.find_trials(recording) == []
    jacket = dict(recording.pressures_kpa) | {
        "jacket_pressure": rng.normal(0.05, 0.01, recording.flow_ml_s.size)
    }
    assert technique.find_trials(replace(recording, pressures_kpa=jacket)) == []


def test_spread_of_the_three_highest() -> None:
    test = technique.measure_test([stored(v) for v in (100.0, 120.0, 118.0, 111.0)])
    assert test["n_accepted"] == 4.0
    assert test["vmaxfrc_spread_ml_s"] == pytest.approx(9.0)
    assert test["vmaxfrc_spread_pct"] == pytest.approx(7.5)
    two = technique.measure_test([stored(100.0), stored(120.0)])
    assert np.isnan(two["vmaxfrc_spread_pct"])
    assert "three" in two.reasons["vmaxfrc_spread_pct"]


def test_gain_between_the_two_highest_jacket_steps() -> None:
    trials = [
        stored(70.0, 3.0),
        stored(100.0, 4.98),
        stored(104.0, 5.05),
        stored(110.0, 6.02),
        stored(114.2, 5.9),
    ]
    test = technique.measure_test(trials)
    assert test["flow_gain_pct"] == pytest.approx(100 * (112.1 / 102.0 - 1))
    one = technique.measure_test([stored(100.0, 5.0), stored(101.0, 5.1)])
    assert np.isnan(one["flow_gain_pct"])
    assert "two jacket steps" in one.reasons["flow_gain_pct"]


def test_marks_point_at_the_crossing(on_device: OnDevice) -> None:
    simulated, rng = session(6)
    recording = on_device(simulated, rng, 1.0)
    for trial, squeeze_s in zip(
        technique.find_trials(recording), simulated.events["squeeze"], strict=True
    ):
        values = technique.measure_trial(recording, trial)
        marks = {(m.axis, m.label): m for m in technique.mark_trial(recording, trial)}
        level = marks["volume", "end-expiratory level before"].y[0]
        crossing = marks["flow", "V'maxFRC"]
        place = round(crossing.x[0] * recording.rate_hz)
        assert recording.volume_ml[place] <= level + 0.1 <= recording.volume_ml[place - 1] + 0.2
        assert -crossing.y[0] == pytest.approx(values["vmaxfrc_ml_s"])
        assert marks["loop", "V'maxFRC"].x[0] == level
        assert recording.flow_ml_s[place] == pytest.approx(crossing.y[0], abs=8.0)
        onset = marks["jacket_pressure", "jacket begins to fill"].x[0]
        assert onset == pytest.approx(squeeze_s, abs=0.02)
