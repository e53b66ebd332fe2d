"""Drift of the flow head told from end-expiratory levels, by levels of known slope."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.signals.drift import drift_slope_ml_s

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
