"""Double occlusion: lines by hand, closures between samples, several points, and its marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from quietsleep.records import Recording
from quietsleep.techniques import double_occlusion as technique
from tests.physics.infants import DeviceOf, Ward, draw_ward
from tests.physics.seen import recording_of
from tests.physics.sensors import Channel, Head
from tests.physics.ventilation import Tape, breathe


def ward_with(
    shares: Sequence[float], *, seed: int, n: int = 2, count: int = 1
) -> tuple[Ward, list[Tape]]:
    """Infants whose expiration is interrupted at these shares of its volume, without noise."""
    rng = np.random.default_rng(seed)
    ward = draw_ward(rng, n, double=True, count=count)
    plan = replace(ward.plan, shares=np.tile(shares, (n, 1)), hold_s=np.full(n, 0.35))
    quiet = replace(ward.pattern, heart_kpa=np.zeros(n))
    still = tuple(on(device, 200.0) for device in ward.devices)
    ward = replace(ward, plan=plan, pattern=quiet, devices=still)
    return ward, list(breathe(ward.bodies, quiet, plan, rng=rng, after=4))


def on(device: DeviceOf, rate_hz: float) -> DeviceOf:
    """The device at a rate, with filters that suit it, without noise and drift."""
    filters = Channel("bessel", 4, min(0.45 * rate_hz, 60.0))
    return DeviceOf(rate_hz, filters, filters, Head())


@pytest.fixture(scope="module")
def two() -> tuple[Ward, list[Tape]]:
    return ward_with((0.9, 0.5), seed=31, n=5, count=2)


def recordings_at(made: tuple[Ward, list[Tape]], rate_hz: float) -> list[Recording]:
    ward, tapes = made
    ward = replace(ward, devices=tuple(on(d, rate_hz) for d in ward.devices))
    rng = np.random.default_rng(1)
    return [recording_of(ward, i, t, "double_occlusion", rng) for i, t in enumerate(tapes)]


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


@pytest.mark.parametrize("shares", [(0.9, 0.6, 0.35), (0.9, 0.7, 0.5, 0.3)])
def test_all_occlusions_of_one_expiration_are_points_of_one_trial(
    shares: tuple[float, ...],
) -> None:
    made = ward_with(shares, seed=len(shares))
    for i, recording in enumerate(recordings_at(made, 200.0)):
        trials = technique.find_trials(recording)
        assert len(trials) == 1
        for trial in trials:
            values = technique.measure_trial(recording, trial)
            assert values["n_points"] == len(shares)
            crs, rrs = made[0].bodies.compliance[i], 1000.0 * made[0].bodies.resistance[i]
            assert values["crs_ml_kpa"] == pytest.approx(crs, rel=0.015)
            assert values["rrs_kpa_s_l"] == pytest.approx(rrs, rel=0.03)


def test_one_occlusion_alone_is_a_trial_without_compliance() -> None:
    made = ward_with((0.7,), seed=8)
    for recording in recordings_at(made, 200.0):
        trials = technique.find_trials(recording)
        assert len(trials) == 1
        values = technique.measure_trial(recording, trials[0])
        assert values["n_points"] == 1.0
        for name in ("crs_ml_kpa", "rrs_kpa_s_l", "volume_between_pct", "plateau_loss_pct"):
            assert np.isnan(values[name])
            assert values.reasons[name]
        assert technique.mark_trial(recording, trials[0])


@pytest.mark.parametrize("rate_hz", [100.0, 125.0, 250.0, 1000.0])
def test_closing_edges_between_samples_cost_nothing(
    rate_hz: float, two: tuple[Ward, list[Tape]]
) -> None:
    """A sample period of 10 ms is worth 1 mL at 100 mL/s, a tenth of the volume between points."""
    ward, _ = two
    for i, recording in enumerate(recordings_at(two, rate_hz)):
        values = [technique.measure_trial(recording, t) for t in technique.find_trials(recording)]
        assert len(values) == 2
        crs = np.mean([v["crs_ml_kpa"] for v in values]) / ward.bodies.compliance[i]
        rrs = np.mean([v["rrs_kpa_s_l"] for v in values]) / (1000.0 * ward.bodies.resistance[i])
        assert crs == pytest.approx(1.0, abs=0.02)
        assert rrs == pytest.approx(1.0, abs=0.03)


def test_flow_before_a_closure_leaves_the_falling_filter_out(
    two: tuple[Ward, list[Tape]],
) -> None:
    """Plateau pressure over the flow that physics has at that volume, not over a falling one."""
    ward, _ = two
    for i, recording in enumerate(recordings_at(two, 100.0)):
        total = ward.bodies.resistance[i] + ward.bodies.apparatus[i]
        for trial in technique.find_trials(recording):
            marks = technique.mark_trial(recording, trial)
            flows = [m for m in marks if m.label.startswith("flow before")]
            plateau = technique._points(recording, trial).pressure_kpa[1]
            assert -flows[0].y[0] == pytest.approx(plateau / total, rel=0.04)


def test_resistance_leaves_the_apparatus_out(two: tuple[Ward, list[Tape]]) -> None:
    recording = recordings_at(two, 200.0)[0]
    trial = technique.find_trials(recording)[0]
    usual = technique.measure_trial(recording, trial)
    context = {"apparatus_resistance_kpa_s_l": 0.0}
    whole = technique.measure_trial(replace(recording, context=context), trial)
    apparatus = recording.context["apparatus_resistance_kpa_s_l"]
    assert whole["rrs_kpa_s_l"] - usual["rrs_kpa_s_l"] == pytest.approx(apparatus)


def test_marks_point_at_each_occlusion(two: tuple[Ward, list[Tape]]) -> None:
    _, tapes = two
    for recording, tape in zip(recordings_at(two, 200.0), tapes, strict=True):
        for trial, closes in zip(technique.find_trials(recording), tape.closes, strict=True):
            marks = [m for m in technique.mark_trial(recording, trial) if m.axis == "volume"]
            seen = [m.x[0] for m in marks if m.label.startswith("shutter closed")]
            assert seen == pytest.approx(closes, abs=0.035)
            loop = {m.label: m for m in technique.mark_trial(recording, trial) if m.axis == "loop"}
            line = loop["compliance line"]
            slope = (line.y[1] - line.y[0]) / (line.x[1] - line.x[0])
            values = technique.measure_trial(recording, trial)
            assert slope == pytest.approx(values["crs_ml_kpa"])
            for number in (1, 2):
                point = loop[f"occlusion {number}"]
                assert line.y[0] + slope * (point.x[0] - line.x[0]) == pytest.approx(point.y[0])
