"""Tidal breathing against simulated infants whose breaths are known, and against planted faults."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from quietsleep.contract import TECHNIQUES
from quietsleep.records import Measures, Recording, Trial
from quietsleep.signals.breaths import find_breaths, integrate
from quietsleep.simulation.disturbances import USUAL, Disturbance, disturb
from quietsleep.simulation.physiology import SimulatedRecording, draw_infant
from quietsleep.simulation.quiet import Quirks
from quietsleep.simulation.quiet import tidal as simulate
from quietsleep.simulation.recordings import record
from quietsleep.techniques import tidal
from tests.techniques.conftest import faults_of_trials

OnDevice = Callable[..., Recording]
TIDAL = faults_of_trials("tidal", asked=("gap_s", "clipped_share_pct"))
RATES = (100.0, 200.0, 500.0)


def measured(recording: Recording) -> Measures:
    (trial,) = tidal.find_trials(recording)
    return tidal.measure_trial(recording, trial)


def begins_hidden(simulated: SimulatedRecording, recording: Recording) -> bool:
    """Whether noise hides where the first breath begins, a few samples into the recording."""
    first_s, second_s = simulated.events["breath_start"][:2]
    hidden = bool(recording.breaths.start[0] / recording.rate_hz > 0.5 * (first_s + second_s))
    assert not hidden or first_s < 0.05
    return hidden


def whole_breaths(
    simulated: SimulatedRecording, recording: Recording
) -> tuple[Mapping[str, float], ...]:
    """Regular breaths that a recording shows whole: the last has no end."""
    return simulated.trials[begins_hidden(simulated, recording) : -1]


def means_of(rows: Sequence[Mapping[str, float]]) -> dict[str, float]:
    truth = {name: float(np.mean([row[name] for row in rows])) for name in rows[0]}
    return truth | {"minute_ventilation_ml_min": truth["vt_ml"] * truth["rr_per_min"]}


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize(("noise", "usual"), [(0.0, Disturbance()), (1.0, USUAL), (3.0, USUAL)])
@pytest.mark.parametrize(
    ("length_cm", "condition"),
    [(50.0, "healthy"), (65.0, "obstructed"), (65.0, "stiff"), (82.0, "healthy")],
)
def test_truth_is_found_back(
    *,
    rate_hz: float,
    noise: float,
    usual: Disturbance,
    length_cm: float,
    condition: str,
    on_device: OnDevice,
) -> None:
    rng = np.random.default_rng(round(length_cm + 7 * noise))
    infant = draw_infant(rng, length_cm=length_cm, condition=condition)  # type: ignore[arg-type]
    simulated = simulate(infant, rng=rng, rate_hz=rate_hz)
    recording = on_device(disturb(simulated, usual, rng), rng, noise)
    whole, values = whole_breaths(simulated, recording), measured(recording)
    truth = means_of(whole)
    assert noise or len(whole) == len(simulated.trials) - 1
    assert values["n_breaths"] == len(whole)
    assert values["rr_per_min"] == pytest.approx(truth["rr_per_min"], abs=0.5)
    for name in ("vt_ml", "vt_ml_kg", "minute_ventilation_ml_min", "ptef_ml_s"):
        assert values[name] == pytest.approx(truth[name], rel=0.01), name
    for name in ("ti_s", "te_s", "ti_ttot"):
        assert values[name] == pytest.approx(truth[name], rel=0.02), name
    assert values["tptef_te"] == pytest.approx(truth["tptef_te"], abs=0.02)
    assert values["vptef_ve"] == pytest.approx(truth["vptef_ve"], abs=0.05)
    assert values["volume_imbalance_pct"] < 2.0
    assert values["n_sighs"] == values["n_apnoeas"] == values["n_artefacts"] == 0.0


def test_spread_over_breaths_is_that_of_the_breaths(on_device: OnDevice) -> None:
    rng = np.random.default_rng(4)
    infant = draw_infant(rng, length_cm=62.0)
    simulated = simulate(infant, rng=rng)
    recording = on_device(simulated, rng)
    rows, values = whole_breaths(simulated, recording), measured(recording)
    for name, sd_name, cv_name in (
        ("vt_ml", "vt_sd_ml", "vt_cv_pct"),
        ("rr_per_min", "rr_sd_per_min", "rr_cv_pct"),
        ("ptef_ml_s", "ptef_sd_ml_s", "ptef_cv_pct"),
    ):
        true = np.array([row[name] for row in rows])
        assert values[sd_name] == pytest.approx(true.std(ddof=1), rel=0.08), sd_name
        assert values[cv_name] == pytest.approx(100 * values[sd_name] / values[name]), cv_name


def test_every_declared_quantity_is_measured_and_no_other(on_device: OnDevice) -> None:
    rng = np.random.default_rng(4)
    values = measured(on_device(simulate(draw_infant(rng, length_cm=62.0), rng=rng), rng))
    assert set(values) == set(tidal.SPEC.measured())
    assert set(tidal.measure_test([])) == {"n_accepted", "n_epochs"}


def test_sighs_and_apnoeas_are_left_out_and_counted(on_device: OnDevice) -> None:
    rng = np.random.default_rng(11)
    infant = draw_infant(rng, length_cm=66.0)
    simulated = simulate(infant, rng=rng, quirks=Quirks(sighs=(9, 20), apnoeas=(14,)))
    recording = on_device(disturb(simulated, USUAL, rng), rng)
    values = measured(recording)
    assert (values["n_sighs"], values["n_apnoeas"], values["n_artefacts"]) == (2.0, 1.0, 0.0)
    assert len(simulated.trials) == 34 - 2 - 1
    assert values["n_breaths"] == len(whole_breaths(simulated, recording))
    assert values["vt_ml"] == pytest.approx(simulated.truth["vt_ml"], rel=0.02)
    assert values["rr_per_min"] == pytest.approx(simulated.truth["rr_per_min"], abs=0.6)


def test_a_movement_ends_the_run_or_is_counted(on_device: OnDevice) -> None:
    rng = np.random.default_rng(12)
    simulated = simulate(draw_infant(rng, length_cm=66.0), rng=rng)
    moved = replace(USUAL, movement_at_s=20.0, movement_ml_s=120.0)
    recording = on_device(disturb(simulated, moved, rng), rng)
    (trial,) = tidal.find_trials(recording)
    values = tidal.measure_trial(recording, trial)
    disturbed = trial.start < 20.0 * recording.rate_hz < trial.end
    assert values["n_artefacts"] >= 1.0 if disturbed else values["n_breaths"] < 30.0
    truth = means_of(whole_breaths(simulated, recording))
    assert values["vt_ml"] == pytest.approx(truth["vt_ml"], rel=0.04)


@pytest.mark.parametrize("leak_share", [0.08, 0.14])
def test_a_leak_shows_although_drift_is_removed(leak_share: float, on_device: OnDevice) -> None:
    rng = np.random.default_rng(13)
    simulated = simulate(draw_infant(rng, length_cm=66.0), rng=rng)
    leaky = disturb(simulated, replace(USUAL, leak_share=leak_share), rng)
    recording = on_device(leaky, rng)
    values = measured(recording)
    assert values["volume_imbalance_pct"] == pytest.approx(100 * leak_share, abs=2.0)
    assert np.ptp(recording.breaths.eel_ml) < 0.25 * values["vt_ml"]


def broken_rules(values: Measures) -> set[str]:
    """Rules of the contract that these values break, judged here without the pipeline's judge."""
    broken = set()
    for rule in TECHNIQUES["tidal"].rules:
        observed = values.get(rule.quantity, float("nan"))
        if rule.level != "trial" or np.isnan(observed):
            continue
        low = -np.inf if rule.low is None else rule.low
        high = np.inf if rule.high is None else rule.high
        if not low <= observed <= high:
            broken.add(rule.key)
    return broken


@pytest.mark.parametrize("key", TIDAL)
def test_planted_fault_breaks_the_rule_that_names_it(key: str, on_device: OnDevice) -> None:
    rng = np.random.default_rng(21)
    infant = draw_infant(rng, length_cm=64.0)
    recording = on_device(record("tidal", infant, rng=rng, fault=TIDAL[key]), rng)
    values = measured(recording)
    values["gap_s"] = recording.gap_s
    values["clipped_share_pct"] = recording.clipped_share_pct
    broken = broken_rules(values)
    expected = TIDAL[key].expected_rule
    assert expected in broken if expected else broken == set()


def test_a_sound_recording_breaks_no_rule(on_device: OnDevice) -> None:
    rng = np.random.default_rng(21)
    recording = on_device(record("tidal", draw_infant(rng, length_cm=64.0), rng=rng), rng)
    values = measured(recording)
    values["gap_s"] = recording.gap_s
    values["clipped_share_pct"] = recording.clipped_share_pct
    assert broken_rules(values) == set()


def test_a_run_steps_over_one_irregular_breath_but_not_over_two() -> None:
    assert tidal._longest_run(np.array([1, 1, 0, 1, 0, 0, 1, 1], dtype=bool)) == (0, 3)
    assert tidal._longest_run(np.array([0, 1, 0, 0, 1, 1, 1], dtype=bool)) == (4, 6)
    assert tidal._longest_run(np.zeros(4, dtype=bool)) == (0, -1)


@pytest.mark.parametrize("flow", [np.zeros(4000), np.random.default_rng(2).normal(0, 1, 4000)])
def test_no_breathing_is_no_trial(flow: np.ndarray) -> None:
    volume = integrate(flow, 200.0)
    breaths = find_breaths(flow, volume, 200.0)
    assert tidal.find_trials(Recording("r", "tidal", 200.0, flow, volume, {}, breaths, {})) == []


def test_no_weight_is_said(on_device: OnDevice) -> None:
    rng = np.random.default_rng(4)
    recording = on_device(simulate(draw_infant(rng, length_cm=62.0), rng=rng), rng)
    values = measured(replace(recording, context={}))
    assert np.isnan(values["vt_ml_kg"])
    assert values.reasons["vt_ml_kg"] == "no body weight"


def test_marks_lie_on_the_signal(on_device: OnDevice) -> None:
    rng = np.random.default_rng(4)
    recording = on_device(simulate(draw_infant(rng, length_cm=62.0), rng=rng), rng)
    (trial,) = tidal.find_trials(recording)
    marks = tidal.mark_trial(recording, trial)
    peaks = [m for m in marks if m.quantity == "tptef_te"]
    assert len(peaks) == tidal.measure_trial(recording, trial)["n_breaths"]
    time_s = np.arange(recording.flow_ml_s.size) / recording.rate_hz
    for mark in peaks:
        at = np.interp(mark.x, time_s, recording.flow_ml_s)
        assert at == pytest.approx(mark.y, abs=4.0)
    assert {m.axis for m in marks} == {"flow", "volume"}
    assert isinstance(trial, Trial)
