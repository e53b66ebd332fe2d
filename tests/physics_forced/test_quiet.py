"""Quiet breathing of driven lungs: every outcome over elevations, rates, filters and noise."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import pytest

from quietsleep.measure.recording import measure_recording
from quietsleep.records import Measures, Recording
from quietsleep.techniques import tidal
from tests.physics_forced.device import Chain, recording_of
from tests.physics_forced.lungs import FINE_HZ, Body, Course, draw_body
from tests.physics_forced.quiet import record_quiet

ELEVATIONS = (0.02, 0.12, 0.22, 0.32)
CHAINS = ((100.0, 2, 80.0), (100.0, 4, 40.0), (200.0, 8, 28.0), (250.0, 2, 25.0), (500.0, 4, 100.0),
          (1000.0, 8, 25.0))  # fmt: skip
# Largest error: percent, or of the share itself.
WITHIN = {
    "vt_ml": 1.0, "rr_per_min": 1.0, "ti_s": 2.0, "te_s": 2.0, "ptef_ml_s": 1.0, "tptef_te": 0.02,
    "vptef_ve": 0.03,
}  # fmt: skip
SHARES = ("tptef_te", "vptef_ve")


def body_of(seed: int, elevation: float) -> tuple[Body, np.random.Generator]:
    rng = np.random.default_rng([seed, round(100 * elevation)])
    weight_kg = float(rng.uniform(3.2, 11.5))
    return draw_body(rng, weight_kg=weight_kg, elevation=elevation, relaxing=bool(seed % 2)), rng


def as_recording(flow: np.ndarray, body: Body, chain: Chain, seed: int) -> Recording:
    return recording_of(
        {"flow": flow},
        technique="tidal",
        chain=chain,
        fine_hz=FINE_HZ,
        rng=np.random.default_rng([seed, 3]),
        context={"weight_kg": body.weight_kg},
    )


@cache
def grid() -> tuple[tuple[Measures, Mapping[str, float]], ...]:
    found = []
    for seed in range(3):
        for elevation in ELEVATIONS:
            body, rng = body_of(seed, elevation)
            quiet = record_quiet(body, rng)
            for rate_hz, order, cutoff_hz in CHAINS:
                recording = as_recording(quiet.flow, body, Chain(rate_hz, order, cutoff_hz), seed)
                assert recording.clipped == ()
                (trial,) = tidal.find_trials(recording)
                found.append((tidal.measure_trial(recording, trial), quiet.truth))
    return tuple(found)


@pytest.mark.parametrize("name", WITHIN)
def test_outcomes_of_quiet_breathing(name: str) -> None:
    for values, truth in grid():
        off = values[name] - truth[name]
        error = off if name in SHARES else 100.0 * off / truth[name]
        assert abs(error) < WITHIN[name]


def test_no_breath_of_quiet_breathing_is_left_out() -> None:
    for values, _ in grid():
        assert values["n_artefacts"] == values["n_sighs"] == values["n_apnoeas"] == 0.0
        assert values["n_breaths"] >= 22.0
        assert values["n_epochs"] == 1.0
        assert values["volume_imbalance_pct"] < 2.0


def test_epochs_are_counted_apart() -> None:
    """Twelve quiet breaths, some wild ones, twelve quiet ones; and eight, too few for an epoch."""
    for seed in range(3):
        body, rng = body_of(seed, 0.12)
        course = Course(body, rng)
        for breaths in (14, 14, 9):
            course.breathe(breaths)
            for size in (2.9, 0.3, 2.9, 0.3):
                course.breathe(1, size=size)
        recording = as_recording(course.whole("flow"), body, Chain(), seed)
        (trial,) = tidal.find_trials(recording)
        values = tidal.measure_trial(recording, trial)
        assert values["n_epochs"] == 2.0
        stored = measure_recording(recording, key="").trials
        test = tidal.measure_test([stored[0], stored[0]])
        assert (test["n_accepted"], test["n_epochs"]) == (2.0, 4.0)


@pytest.mark.parametrize(("sigh", "clipped"), [(True, False), (False, True)])
def test_a_clipped_sigh_clips_no_breath_that_counts(sigh: bool, clipped: bool) -> None:
    """The range ends above quiet breaths, or cuts them."""
    body, rng = body_of(2, 0.12)
    course = Course(body, rng)
    course.breathe(9)
    usual = float(np.abs(course.whole("flow")).max())
    if sigh:
        course.breathe(1, size=3.0)
    course.breathe(9)
    small = Chain(range_of={"flow": (1.3 if sigh else 0.85) * usual})
    recording = as_recording(course.whole("flow"), body, small, 2)
    (trial,) = measure_recording(recording, key="").trials
    assert recording.clipped
    assert trial.values["n_breaths"] >= 16.0
    assert (trial.values["manoeuvre_clipped_s"] > 0.0) is clipped
