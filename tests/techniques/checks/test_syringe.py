"""Syringe check against strokes of known volume through heads of known error."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from quietsleep.records import FloatArray, MeasuredTrial, Measures, Recording
from quietsleep.signals.breaths import find_breaths, integrate
from quietsleep.simulation.checks import MAKERS
from quietsleep.simulation.checks import syringe as simulate
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.physiology import SimulatedRecording
from quietsleep.simulation.scenario import load_scenarios
from quietsleep.techniques.checks import syringe

RATES = (100.0, 200.0, 500.0)
SYRINGE = {
    key: fault
    for key, fault in FAULTS.items()
    if fault.owner == "syringe" and fault.level == "check"
}


def as_recording(
    flow: FloatArray, rate_hz: float, context: Mapping[str, float] | None = None
) -> Recording:
    volume = integrate(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    return Recording("c", "syringe", rate_hz, flow, volume, {}, breaths, dict(context or {}))


def seen(simulated: SimulatedRecording, *, noise: float, offset: float = 0.0) -> Recording:
    rng = np.random.default_rng(9)
    flow = simulated.channels["flow_ml_s"] + offset
    flow = flow + noise * rng.standard_normal(flow.size)
    return as_recording(flow, simulated.rate_hz, simulated.context)


def measured(recording: Recording) -> tuple[list[Measures], Measures]:
    strokes = [syringe.measure_trial(recording, t) for t in syringe.find_trials(recording)]
    return strokes, syringe.measure_test([MeasuredTrial(1, 0.0, 1.0, s, {}) for s in strokes])


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize(("noise", "offset"), [(0.0, 0.0), (0.8, 0.3), (1.5, -2.0)])
@pytest.mark.parametrize("gains", [(1.0, 1.0), (1.03, 0.98)])
def test_errors_are_found_back(
    rate_hz: float, noise: float, offset: float, gains: tuple[float, float]
) -> None:
    simulated = simulate(
        rng=np.random.default_rng(2),
        rate_hz=rate_hz,
        gain_inspired=gains[0],
        gain_expired=gains[1],
        gain_slope_per_l_s=0.05,
    )
    strokes, check = measured(seen(simulated, noise=noise, offset=offset))
    assert len(strokes) == len(simulated.trials)
    for stroke, truth in zip(strokes, simulated.trials, strict=True):
        assert stroke["stroke_inspired"] == truth["stroke_inspired"]
        assert stroke["stroke_flow_ml_s"] == pytest.approx(truth["stroke_flow_ml_s"], rel=0.05)
    for name in ("error_inspired_pct", "error_expired_pct"):
        assert check[name] == pytest.approx(simulated.truth[name], abs=0.2), name
    assert check["flow_ratio"] == pytest.approx(simulated.truth["flow_ratio"], rel=0.05)
    flows, errors = (
        np.array([truth[name] for truth in simulated.trials])
        for name in ("stroke_flow_ml_s", "stroke_error_pct")
    )
    true_slope = float(np.polyfit(flows, errors, 1)[0] * np.ptp(flows))
    assert check["error_slope_pct"] == pytest.approx(true_slope, abs=0.4)
    assert check["heated_min"] == 45.0


def test_every_declared_quantity_is_measured_and_no_other() -> None:
    strokes, check = measured(seen(simulate(rng=np.random.default_rng(2)), noise=0.8))
    assert set(strokes[0]) == set(syringe.SPEC.names("trial"))
    common = {"manoeuvre_clipped_s"}  # measured alike on every check
    assert set(check) | common == set(syringe.SPEC.names("check"))
    assert set(syringe.measure_test([])) | common == set(syringe.SPEC.names("check"))


def broken_rules(check: Mapping[str, float]) -> set[str]:
    broken = set()
    for rule in syringe.SPEC.rules:
        observed = check.get(rule.quantity, float("nan"))
        low = -np.inf if rule.low is None else rule.low
        high = np.inf if rule.high is None else rule.high
        if np.isfinite(observed) and not low <= observed <= high:
            broken.add(rule.key)
    return broken


def demo_check(options: dict[str, Any]) -> Recording:
    return seen(
        MAKERS["syringe"](load_scenarios()[0], np.random.default_rng(5), options), noise=0.8
    )


@pytest.mark.parametrize("key", list(SYRINGE))
def test_planted_fault_breaks_the_rule_that_names_it(key: str) -> None:
    _, check = measured(demo_check(dict(SYRINGE[key].options)))
    expected = SYRINGE[key].expected_rule
    assert expected in broken_rules(check) if expected else not broken_rules(check)


def test_a_sound_check_breaks_no_rule() -> None:
    _, check = measured(demo_check({}))
    assert broken_rules(check) == set()


def test_strokes_without_rests_are_told_apart() -> None:
    rate_hz = 200.0
    time_s = np.arange(round(9 * rate_hz)) / rate_hz
    flow = 100.0 * np.pi * 0.5 * np.sin(np.pi * time_s)  # strokes of 1 s and 100 mL, no rest
    strokes, check = measured(as_recording(flow, rate_hz, {"known_volume_ml": 100.0}))
    assert len(strokes) == 7  # the file begins in the first and ends in the last
    assert check["error_inspired_pct"] == pytest.approx(0.0, abs=0.5)


def test_a_hesitating_stroke_is_one_and_half_a_stroke_is_none() -> None:
    rate_hz = 200.0
    half = 100.0 * np.pi * 0.5 * np.sin(np.pi * np.arange(200) / 200)
    rest, halt = np.zeros(120), np.zeros(15)
    short = 0.3 * half
    flow = np.r_[rest, half[:100], halt, half[100:], rest, -half, rest, short, rest]
    strokes, _ = measured(as_recording(flow, rate_hz, {"known_volume_ml": 100.0}))
    assert [s["stroke_inspired"] for s in strokes] == [1.0, 0.0]
    assert strokes[0]["stroke_volume_ml"] == pytest.approx(100.0, rel=0.005)


def test_nothing_known_and_nothing_found_are_said() -> None:
    flow = seen(simulate(rng=np.random.default_rng(2)), noise=0.8).flow_ml_s
    strokes, check = measured(as_recording(flow, 200.0))
    assert strokes[0].reasons == {
        "stroke_error_pct": "no known volume",
        "heated_min": "not recorded",
    }
    assert "error_inspired_pct" in check.reasons
    assert syringe.find_trials(as_recording(np.zeros(2000), 200.0)) == []
    assert syringe.find_trials(as_recording(np.zeros(2), 200.0)) == []
    still = np.random.default_rng(1).normal(0, 1, 4000)
    assert syringe.find_trials(as_recording(still, 200.0, {"known_volume_ml": 100.0})) == []


def test_marks_span_the_strokes() -> None:
    recording = seen(simulate(rng=np.random.default_rng(2)), noise=0.8)
    trial = syringe.find_trials(recording)[0]
    (mark,) = syringe.mark_trial(recording, trial)
    assert mark.x == pytest.approx((trial.start / 200.0, (trial.end - 1) / 200.0))


@pytest.mark.parametrize("cut_s", [0.1, 0.2])
def test_a_stroke_that_the_recording_cuts_off_is_left_out(cut_s: float) -> None:
    simulated = simulate(rng=np.random.default_rng(2))
    flow, rate_hz = simulated.channels["flow_ml_s"], simulated.rate_hz
    last = int(np.flatnonzero(flow)[-1])
    cut = as_recording(flow[: last - round(cut_s * rate_hz)], rate_hz, simulated.context)
    strokes, check = measured(cut)
    assert len(strokes) == len(simulated.trials) - 1
    assert abs(check["error_expired_pct"]) < 0.2
