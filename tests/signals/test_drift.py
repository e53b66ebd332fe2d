"""Drift of the flow head told from end-expiratory levels, by levels of known slope."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.signals.drift import (
    drift_slope_ml_s,
    shrunk,
    uneven_share,
    wave_between_zeros_ml_s,
)

RATE_HZ = 100.0
BREATH_S = 1.5
STRETCHES, BREATHS = 6, 6
# Six stretches of six breaths with a manoeuvre of 6 s between any two.
TIME_S = np.array(
    [
        s * (BREATHS * BREATH_S + 6.0) + b * BREATH_S
        for s in range(STRETCHES)
        for b in range(BREATHS)
    ]
)
STRETCH = np.repeat(np.arange(STRETCHES), BREATHS)
SAMPLE = np.round(TIME_S * RATE_HZ).astype(np.int64)
N = int(SAMPLE[-1]) + 1


def slope(level_ml: np.ndarray) -> np.ndarray:
    return drift_slope_ml_s(SAMPLE, level_ml, STRETCH, n=N, rate_hz=RATE_HZ)


def test_one_straight_drift_is_found_exactly_and_steps_between_stretches_are_not_drift() -> None:
    steps = 5.0 * STRETCH
    assert slope(0.4 * TIME_S + steps) == pytest.approx(np.full(N, 0.4))


def test_a_slope_of_each_stretch_is_joined_across_manoeuvres() -> None:
    wave = 0.5 * np.cos(2 * np.pi * TIME_S / 60.0)
    found = slope(0.5 * 60.0 / (2 * np.pi) * np.sin(2 * np.pi * TIME_S / 60.0))
    middle = np.array([SAMPLE[s == STRETCH].mean() for s in range(STRETCHES)]).astype(int)
    true = np.array([wave[s == STRETCH].mean() for s in range(STRETCHES)])
    assert found[middle] == pytest.approx(true, abs=0.08)
    between = (middle[1:] + middle[:-1]) // 2
    assert found[between] == pytest.approx((found[middle][1:] + found[middle][:-1]) / 2, abs=0.02)


def test_scatter_of_the_level_without_drift_leaves_a_common_slope() -> None:
    spread = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        spread.append(np.ptp(slope(3.0 * rng.standard_normal(TIME_S.size))))
    # Slopes of single stretches scatter by 3 mL / sqrt(sum of squared times), about 0.48 mL/s.
    assert np.median(spread) < 0.25


def test_a_short_stretch_alone_has_no_drift() -> None:
    sample = np.array([0, 150, 300])
    found = drift_slope_ml_s(
        sample, np.array([0.0, 1.0, 2.0]), np.zeros(3, dtype=np.int64), n=400, rate_hz=RATE_HZ
    )
    assert not found.any()


def test_stretches_may_come_in_any_order() -> None:
    level = 4.0 * np.sin(2 * np.pi * TIME_S / 60.0)
    found = drift_slope_ml_s(SAMPLE, level, STRETCHES - STRETCH, n=N, rate_hz=RATE_HZ)
    assert found == pytest.approx(slope(level))


def unevenness(level_ml: np.ndarray) -> float:
    inspired = np.arange(1.0, TIME_S.size + 1.0) * 50.0
    return uneven_share(inspired, level_ml, STRETCH)


def test_what_every_breath_adds_is_drift() -> None:
    """2 % of 50 mL a breath, across manoeuvres as within stretches."""
    breath = np.arange(TIME_S.size, dtype=np.float64)
    noise = np.random.default_rng(1).normal(0, 0.3, TIME_S.size)
    assert unevenness(1.0 * breath) == pytest.approx(0.02)
    assert unevenness(1.0 * breath + noise) == pytest.approx(0.02, abs=0.003)


def test_gas_lost_in_manoeuvres_is_no_drift() -> None:
    noise = np.random.default_rng(2).normal(0, 0.5, TIME_S.size)
    assert abs(unevenness(10.0 * STRETCH + noise)) < 0.003


def test_a_rise_after_every_manoeuvre_that_leads_nowhere_is_no_drift() -> None:
    place = np.tile(np.arange(BREATHS), STRETCHES)
    assert abs(unevenness(-8.0 * 0.6**place)) < 0.002


def test_a_zero_that_moves_between_readings_is_told_from_the_levels() -> None:
    """A wave of flow of 30 s, read at every manoeuvre, where it is 0 by chance."""
    period = BREATHS * BREATH_S + 6.0
    zeros = np.round((np.arange(STRETCHES - 1) + 1) * period * RATE_HZ - 3.0 * RATE_HZ)
    wave = np.where(np.arange(N) < zeros[2], 0.2, -0.2)  # mL/s between the readings
    level = np.cumsum(wave)[SAMPLE] / RATE_HZ
    found = wave_between_zeros_ml_s(
        SAMPLE, level, STRETCH, zeros.astype(np.int64), n=N, rate_hz=RATE_HZ
    )
    left = level - np.cumsum(found)[SAMPLE] / RATE_HZ
    spans = [np.ptp(left[s == STRETCH]) / np.ptp(level[s == STRETCH]) for s in range(STRETCHES)]
    assert np.median(spans) < 0.35
    flat = wave_between_zeros_ml_s(
        SAMPLE, 0.0 * level, STRETCH, zeros.astype(np.int64), n=N, rate_hz=RATE_HZ
    )
    assert not flat.any()


def test_readings_are_drawn_together_as_far_as_they_scatter_by_noise() -> None:
    rng = np.random.default_rng(4)
    noisy = 1.0 + rng.normal(0, 0.2, 12)
    together = shrunk(noisy, np.full(12, 0.04))
    assert together.std() < 0.6 * noisy.std()
    apart = np.linspace(-1.0, 1.0, 12)
    assert shrunk(apart, np.full(12, 1e-4)) == pytest.approx(apart, rel=0.01)
    assert shrunk(np.array([2.0]), np.array([0.1])) == pytest.approx([2.0])
