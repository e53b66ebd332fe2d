"""A stroke that the file cuts off is no stroke, wherever the file begins or ends in it."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.records import FloatArray, MeasuredTrial, Measures
from quietsleep.techniques.checks import syringe
from tests.physics_forced.device import Chain, recording_of
from tests.physics_forced.piston import PISTON_HZ, push


def errors_pct(flow: FloatArray, chain: Chain, rng: np.random.Generator) -> list[float]:
    recording = recording_of(
        {"flow": flow},
        technique="syringe",
        chain=chain,
        fine_hz=PISTON_HZ,
        rng=rng,
        context={"known_volume_ml": 100.0},
    )
    trials = syringe.find_trials(recording)
    return [syringe.measure_trial(recording, trial)["stroke_error_pct"] for trial in trials]


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize("slow_end", [False, True])
@pytest.mark.parametrize("cut", ["end", "start"])
def test_a_stroke_cut_off_anywhere_is_left_out(rate_hz: float, slow_end: bool, cut: str) -> None:
    chain = Chain(rate_hz=rate_hz, order=4, cutoff_hz=40.0)
    for seed in range(4):
        flow, spans = push(np.random.default_rng(seed), slow_end=slow_end)
        for share in np.linspace(0.04, 0.96, 24):
            rng = np.random.default_rng([seed, round(100 * share)])
            first, last = spans[0], spans[-1]
            if cut == "end":
                part = flow[: last[0] + round(share * (last[1] - last[0]))]
            else:
                part = flow[first[0] + round(share * (first[1] - first[0])) :]
            found = errors_pct(part, chain, rng)
            # What is kept is whole; at the very end of a stroke next to nothing of it is missing.
            assert len(found) in (len(spans) - 1, len(spans)), share
            assert np.abs(found).max() < 0.7, (seed, share)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
def test_whole_strokes_are_kept_with_little_rest_about_them(rate_hz: float) -> None:
    for seed in range(6):
        flow, spans = push(np.random.default_rng(seed))
        for before_s, after_s in ((0.05, 0.05), (0.3, 0.12), (0.12, 0.3)):
            part = flow[
                spans[0][0] - round(before_s * PISTON_HZ) : spans[-1][1]
                + round(after_s * PISTON_HZ)
            ]
            found = errors_pct(part, Chain(rate_hz=rate_hz), np.random.default_rng(seed))
            assert len(found) >= len(spans) - (2 if min(before_s, after_s) < 0.1 else 0)
            assert np.abs(found).max() < 0.7


def test_a_check_of_cut_strokes_only_has_none() -> None:
    flow, spans = push(np.random.default_rng(2), strokes=1)
    part = flow[spans[0][0] + 150 : spans[-1][1] - 150]
    assert errors_pct(part, Chain(), np.random.default_rng(2)) == []
    measures = syringe.measure_test([MeasuredTrial(1, 0.0, 1.0, Measures(), {})][:0])
    assert np.isnan(measures["error_inspired_pct"])
