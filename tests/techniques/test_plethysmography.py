"""Plethysmography: printed check value, and what wrong pressure, factor or leak do to FRC."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest

from quietsleep.records import Recording
from quietsleep.signals.gas import BODY_C, saturated_vapour_kpa
from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording, draw_infant
from quietsleep.simulation.plethysmograph import Effort, plethysmography
from quietsleep.techniques import plethysmography as technique
from quietsleep.techniques.plethysmography import box_factor_ml_kpa, undo_leak

OnDevice = Callable[..., Recording]


def mean_frc_ml(recording: Recording, context: Mapping[str, float] | None = None) -> float:
    changed = replace(recording, context=dict(recording.context) | dict(context or {}))
    trials = technique.find_trials(changed)
    return float(np.mean([technique.measure_trial(changed, t)["frc_ml"] for t in trials]))


def session(
    seed: int = 1, *, setting: Setting | None = None, effort: Effort | None = None
) -> tuple[Infant, SimulatedRecording, np.random.Generator]:
    rng = np.random.default_rng(seed)
    infant = draw_infant(rng, length_cm=68.0)
    simulated = plethysmography(
        infant, rng=rng, setting=setting, manoeuvres=[effort or Effort()] * 4
    )
    return infant, simulated, rng


def test_check_value_of_the_limit_of_small_pressures() -> None:
    """2.10 mL for 1.20 kPa at 101.325 kPa; worked by hand with PH2O(37 C) = 6.2795 kPa (CRC)."""
    volumes = technique.lung_volumes(
        slope_ml_kpa=2.10 / 1.20,
        barometric_pressure_kpa=101.325,
        volume_above_eel_ml=12.0,
        compressible_dead_space_ml=8.0,
    )
    assert volumes["tgv_ml"] == pytest.approx(166.3, abs=0.05)
    assert volumes["frc_ml"] == pytest.approx(146.3, abs=0.05)


@pytest.mark.parametrize(("pressure_kpa", "moved_ml"), [(1.20, -2.074), (-1.20, 2.126)])
def test_check_value_without_the_short_form(pressure_kpa: float, moved_ml: float) -> None:
    """166.3 mL at K = 95.045 kPa: 166.3 * 1.20 / 96.245 and 166.3 * 1.20 / 93.845, by hand."""
    pressure = np.array([0.0, pressure_kpa])
    compression = technique.compression_kpa(pressure, dry_kpa=95.045)
    slope = moved_ml / (compression[1] - compression[0])
    volumes = technique.lung_volumes(
        slope_ml_kpa=-slope,
        barometric_pressure_kpa=101.325,
        volume_above_eel_ml=0.0,
        compressible_dead_space_ml=0.0,
    )
    assert volumes["tgv_ml"] == pytest.approx(166.3, abs=0.05)
    assert technique.compression_kpa(pressure * 1e-6, dry_kpa=95.045) == pytest.approx(
        pressure * 1e-6, rel=1e-7
    )


def test_without_barometric_pressure_the_loop_is_still_drawn(on_device: OnDevice) -> None:
    _, simulated, rng = session()
    recording = on_device(simulated, rng, 1.0)
    nowhere = replace(
        recording,
        context=dict(recording.context) | {"barometric_pressure_kpa": float("nan")},
    )
    values = technique.measure_trial(nowhere, technique.find_trials(nowhere)[0])
    assert np.isnan(values["tgv_ml"]) and "barometric" in values.reasons["tgv_ml"]
    assert values["fit_r2"] > 0.95 and np.isfinite(values["loop_opening_pct"])


@pytest.mark.parametrize("off_kpa", [-5.0, 3.0])
def test_wrong_barometric_pressure_moves_frc_as_predicted(
    off_kpa: float, on_device: OnDevice
) -> None:
    _, simulated, rng = session()
    recording = on_device(simulated, rng, 1.0)
    pressure = recording.context["barometric_pressure_kpa"]
    values = [technique.measure_trial(recording, t) for t in technique.find_trials(recording)]
    tgv = float(np.mean([v["tgv_ml"] for v in values]))
    dry = pressure - saturated_vapour_kpa(BODY_C)
    moved = mean_frc_ml(recording, {"barometric_pressure_kpa": pressure + off_kpa})
    # What is compressed hangs on K too, by P / K.
    assert moved - mean_frc_ml(recording) == pytest.approx(tgv * off_kpa / dry, rel=0.02)


def test_undoing_the_leak_gives_the_movement_back() -> None:
    time = np.arange(0, 4, 0.005)
    chest = 3 * np.sin(2 * np.pi * 0.7 * time)
    keep = np.exp(-np.log(2) / 5.0 * 0.005)
    shown = np.zeros_like(chest)
    for i in range(1, chest.size):
        shown[i] = keep * shown[i - 1] + (chest[i] - chest[i - 1])
    assert np.abs(shown - chest).max() > 0.1
    assert undo_leak(shown, half_life_s=5.0, rate_hz=200.0) == pytest.approx(chest, abs=0.01)


def test_the_infant_takes_volume_from_a_box_calibrated_empty() -> None:
    """65 L, 10.5 kg at 1.05 kg/L: 55 of 65 L are left, by hand."""
    context = {"box_factor_ml_kpa": 650.0, "box_volume_l": 65.0, "weight_kg": 10.5}
    empty = box_factor_ml_kpa(context | {"box_calibrated_empty": 1.0}, body_density_kg_l=1.05)
    full = box_factor_ml_kpa(context | {"box_calibrated_empty": 0.0}, body_density_kg_l=1.05)
    assert empty == pytest.approx(550.0) and full == 650.0
    assert np.isnan(box_factor_ml_kpa(context, body_density_kg_l=1.05)) is np.False_
    del context["weight_kg"]
    assert np.isnan(box_factor_ml_kpa(context, body_density_kg_l=1.05))


def test_frc_is_the_same_from_either_end_of_a_breath(on_device: OnDevice) -> None:
    for at in ("end_expiration", "end_inspiration"):
        infant, simulated, rng = session(3, effort=Effort(at=at))
        recording = on_device(simulated, rng, 1.0)
        assert mean_frc_ml(recording) == pytest.approx(infant.frc_ml, rel=0.02)


@pytest.mark.parametrize("drift_kpa_s", [-3e-4, 3e-4])
def test_drift_of_the_box_and_its_zero_do_not_move_frc(
    drift_kpa_s: float, on_device: OnDevice
) -> None:
    _, simulated, rng = session(4)
    recording = on_device(simulated, rng, 0.0)
    box = recording.pressures_kpa["box_pressure"]
    time = np.arange(box.size) / recording.rate_hz
    pressures = dict(recording.pressures_kpa) | {
        "box_pressure": box + 0.02 + drift_kpa_s * (time - time.mean())
    }
    drifting = replace(recording, pressures_kpa=pressures)
    assert mean_frc_ml(drifting) == pytest.approx(mean_frc_ml(recording), rel=0.003)


@pytest.mark.parametrize("name", ["box_factor_ml_kpa", "box_half_life_s"])
def test_without_a_check_of_the_box_there_is_no_volume(name: str, on_device: OnDevice) -> None:
    _, simulated, rng = session(5)
    recording = on_device(simulated, rng, 1.0)
    context = dict(recording.context) | {name: float("nan")}
    trial = technique.find_trials(recording)[0]
    values = technique.measure_trial(replace(recording, context=context), trial)
    for missing in ("slope_ml_kpa", "tgv_ml", "frc_ml", "frc_ml_kg", "fit_r2"):
        assert np.isnan(values[missing])
        assert "check" in values.reasons[missing]
    assert values["n_efforts"] >= 3
    assert np.isfinite(values["volume_above_eel_ml"])


@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_complete_efforts_are_counted(count: int, on_device: OnDevice) -> None:
    for at in ("end_expiration", "end_inspiration"):
        effort = Effort(count=count, at=at)
        _, simulated, rng = session(6, effort=effort)
        recording = on_device(simulated, rng, 1.0)
        found = technique.find_trials(recording)
        counts = [technique.measure_trial(recording, t)["n_efforts"] for t in found]
        assert counts == [count] * len(simulated.trials)


def test_a_half_effort_at_the_end_does_not_count() -> None:
    rate = 200.0
    time = np.arange(0, 3.25, 1 / rate)
    pull = -1.2 * np.clip(np.sin(2 * np.pi * time), 0, None)
    edges = technique.complete_efforts(pull, rate, share=0.3)
    assert len(edges) - 1 == 3
    assert technique.complete_efforts(np.zeros(600), rate, share=0.3) == ()


def test_marks_lie_on_the_loop_and_bound_the_efforts(on_device: OnDevice) -> None:
    _, simulated, rng = session(7)
    recording = on_device(simulated, rng, 1.0)
    factor = box_factor_ml_kpa(recording.context, body_density_kg_l=1.05)
    shown = factor * recording.pressures_kpa["box_pressure"]
    airway = recording.pressures_kpa["airway_pressure"]
    for trial, closed_s, opened_s in zip(
        technique.find_trials(recording),
        simulated.events["closed"],
        simulated.events["opened"],
        strict=True,
    ):
        values = technique.measure_trial(recording, trial)
        marks = technique.mark_trial(recording, trial)
        efforts = [m for m in marks if m.label.startswith("effort")]
        assert len(efforts) == values["n_efforts"]
        assert closed_s <= efforts[0].x[0] < efforts[-1].x[1] <= opened_s
        (line,) = [m for m in marks if m.label == "fitted line"]
        slope = (line.y[-1] - line.y[0]) / (line.x[-1] - line.x[0])
        assert -slope == pytest.approx(values["slope_ml_kpa"], rel=0.03)
        held = slice(trial.landmarks["closed"] + 8, trial.landmarks["released"] - 8)
        off = shown[held] - np.interp(airway[held], line.x, line.y)
        assert np.abs(off).mean() < 0.15 * np.ptp(shown[held])
