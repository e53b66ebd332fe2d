"""Single occlusion: printed check value, sensitivities, and where its marks point."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from quietsleep.records import Breaths, Recording
from quietsleep.signals.fits import Line
from quietsleep.simulation.occlusions import SimulatedOcclusion
from quietsleep.simulation.physiology import SimulatedRecording, draw_infant
from quietsleep.simulation.quiet import single_occlusion
from quietsleep.simulation.recordings import record
from quietsleep.techniques import single_occlusion as technique

OnDevice = Callable[..., Recording]


def one_session(rng: np.random.Generator, length_cm: float = 66.0) -> SimulatedRecording:
    return record("single_occlusion", draw_infant(rng, length_cm=length_cm), rng=rng)


def test_check_value() -> None:
    """80 mL, 0.60 kPa, 0.30 s, 0.50 kPa.s/L; worked by hand from Crs = V/P, Rrs = tau/Crs."""
    slope = -1 / 0.30
    values = technique.mechanics(
        occlusion_volume_ml=92.0,
        plateau_pressure_kpa=0.60,
        fit=Line(slope, -slope * 12.0, 1.0, 0, 100),
        apparatus_resistance_kpa_s_l=0.50,
        weight_kg=8.0,
    )
    assert values["tau_s"] == pytest.approx(0.30)
    assert values["intercept_volume_ml"] == pytest.approx(12.0)
    assert values["crs_ml_kpa"] == pytest.approx(133.3, abs=0.05)
    assert values["crs_ml_kpa_kg"] == pytest.approx(133.333 / 8.0, abs=0.01)
    assert values["rrs_kpa_s_l"] == pytest.approx(1.75)


@pytest.mark.parametrize(("slope", "pressure_kpa"), [(0.5, 0.6), (-3.0, -0.1), (float("nan"), 0.6)])
def test_no_passive_expiration_or_plateau_gives_no_number(
    slope: float, pressure_kpa: float
) -> None:
    values = technique.mechanics(
        occlusion_volume_ml=80.0,
        plateau_pressure_kpa=pressure_kpa,
        fit=Line(slope, 10.0, 1.0, 0, 10),
        apparatus_resistance_kpa_s_l=0.5,
        weight_kg=8.0,
    )
    assert np.isnan(values["crs_ml_kpa"])
    assert np.isnan(values["rrs_kpa_s_l"])


def test_resistance_is_that_of_the_infant_without_the_apparatus(on_device: OnDevice) -> None:
    rng = np.random.default_rng(1)
    recording = on_device(one_session(rng), rng, 1.0)
    trial = technique.find_trials(recording)[0]
    context = dict(recording.context)
    context["apparatus_resistance_kpa_s_l"] += 0.2
    more = technique.measure_trial(replace(recording, context=context), trial)
    usual = technique.measure_trial(recording, trial)
    assert more["rrs_kpa_s_l"] == pytest.approx(usual["rrs_kpa_s_l"] - 0.2)
    assert more["crs_ml_kpa"] == usual["crs_ml_kpa"]


def test_zero_errors_of_flow_and_pressure_are_undone(on_device: OnDevice) -> None:
    rng = np.random.default_rng(2)
    recording = on_device(one_session(rng), rng, 1.0)
    airway = recording.pressures_kpa["airway_pressure"]
    off = replace(
        recording,
        flow_ml_s=recording.flow_ml_s + 2.0,
        pressures_kpa={"airway_pressure": airway + 0.03},
    )
    for trial in technique.find_trials(recording):
        usual = technique.measure_trial(recording, trial)
        shifted = technique.measure_trial(off, trial)
        for name in ("crs_ml_kpa", "rrs_kpa_s_l", "plateau_pressure_kpa"):
            assert shifted[name] == pytest.approx(usual[name], rel=0.003), name


def test_plateau_sd_is_the_noise_of_the_pressure(on_device: OnDevice) -> None:
    rng = np.random.default_rng(3)
    infant = draw_infant(rng, length_cm=70.0)
    simulated = single_occlusion(infant, rng=rng, rate_hz=500.0)
    for noise in (1.0, 3.0):
        recording = on_device(simulated, rng, noise)
        for trial in technique.find_trials(recording):
            sd = technique.measure_trial(recording, trial)["plateau_sd_kpa"]
            assert 0.6 * 0.002 * noise < sd <= 1.05 * 0.002 * noise


def test_plateau_lasts_as_long_as_the_level_pressure(on_device: OnDevice) -> None:
    rng = np.random.default_rng(4)
    infant = draw_infant(rng, length_cm=70.0)
    for duration_s in (0.4, 0.9):
        given = [SimulatedOcclusion(duration_s=duration_s, relaxation_s=0.05)] * 3
        simulated = single_occlusion(infant, rng=rng, manoeuvres=given)
        recording = on_device(simulated, rng, 0.0)
        for trial in technique.find_trials(recording):
            values = technique.measure_trial(recording, trial)
            # within 0.02 kPa of the recoil pressure from 0.05 s * ln(P / 0.02) on
            settled_s = 0.05 * np.log(values["plateau_pressure_kpa"] / 0.02)
            assert values["plateau_s"] == pytest.approx(duration_s - settled_s, abs=0.03)


def test_marks_point_at_the_manoeuvre(on_device: OnDevice) -> None:
    rng = np.random.default_rng(5)
    simulated = one_session(rng)
    recording = on_device(simulated, rng, 1.0)
    trials = technique.find_trials(recording)
    for trial, closed_s, opened_s in zip(
        trials, simulated.events["closed"], simulated.events["opened"], strict=True
    ):
        marks = {mark.label: mark for mark in technique.mark_trial(recording, trial)}
        values = technique.measure_trial(recording, trial)
        assert marks["release"].x[0] == pytest.approx(opened_s, abs=0.011)
        for label in ("plateau", "quietest window"):
            start_s, end_s = marks[label].x
            assert closed_s - 0.01 <= start_s < end_s <= opened_s + 0.01
        quiet_s = marks["quietest window"].x
        assert quiet_s[1] - quiet_s[0] == pytest.approx(0.1, abs=0.011)
        line = marks["fitted line"]
        slope = (line.y[1] - line.y[0]) / (line.x[1] - line.x[0])
        assert slope == pytest.approx(-1 / values["tau_s"])
        _assert_line_lies_on_the_loop(recording, trial.start, trial.end, line.x, line.y)
        level = marks["end-expiratory level before"].y[0]
        above = marks["occlusion"].y[0] - level
        assert above == pytest.approx(values["occlusion_volume_ml"], abs=0.5)


def _assert_line_lies_on_the_loop(
    recording: Recording, start: int, end: int, x: tuple[float, ...], y: tuple[float, ...]
) -> None:
    volume, flow = recording.volume_ml[start:end], recording.flow_ml_s[start:end]
    for along in (0.2, 0.5, 0.8):
        volume_ml, flow_ml_s = x[0] + along * (x[1] - x[0]), y[0] + along * (y[1] - y[0])
        near = (np.abs(volume - volume_ml) < 0.7) & (flow < 0)
        assert np.abs(flow[near] - flow_ml_s).min() < 3.0


def test_too_few_breaths_before_leave_the_level_open(on_device: OnDevice) -> None:
    rng = np.random.default_rng(6)
    recording = on_device(one_session(rng), rng, 1.0)
    trial = technique.find_trials(recording)[0]
    kept = slice(int(np.searchsorted(recording.breaths.start, trial.start)), None)
    all_of_them = recording.breaths
    breaths = Breaths(all_of_them.start[kept], all_of_them.turn[kept], all_of_them.end[kept],
                      all_of_them.eel_ml[kept], all_of_them.noise_ml_s)  # fmt: skip
    values = technique.measure_trial(replace(recording, breaths=breaths), trial)
    for name in ("eel_sd_pct", "eel_shift_pct", "occlusion_volume_ml"):
        assert np.isnan(values[name])
        assert "few breaths" in values.reasons[name]
    assert values["crs_ml_kpa"] > 0


def test_no_shutter_and_no_airway_pressure_give_no_trial(on_device: OnDevice) -> None:
    rng = np.random.default_rng(7)
    quiet = record("tidal", draw_infant(rng, length_cm=66.0), rng=rng)
    assert technique.find_trials(on_device(quiet, rng, 1.0)) == []
    occluded = on_device(one_session(rng), rng, 1.0)
    assert technique.find_trials(replace(occluded, pressures_kpa={})) == []
