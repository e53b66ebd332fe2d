"""Fits on lines, limbs, decays and sines that are written down here."""

import numpy as np
import pytest

from quietsleep.records import FloatArray
from quietsleep.signals import fits


def rng() -> np.random.Generator:
    return np.random.default_rng(20)


def test_line_of_exact_points() -> None:
    x = np.array([0.0, 1.0, 2.0, 5.0])
    line = fits.fit_line(x, 3.0 - 0.5 * x)
    assert (line.slope, line.intercept, line.r2) == pytest.approx((-0.5, 3.0, 1.0))


def test_line_without_spread_is_nan() -> None:
    assert np.isnan(fits.fit_line(np.ones(5), np.arange(5.0)).slope)
    assert np.isnan(fits.fit_line(np.ones(1), np.ones(1)).r2)


def test_noisy_in_both_recovers_a_slope_that_least_squares_flattens() -> None:
    noise = rng()
    true_x = np.sin(np.linspace(0, 20, 4000))
    x = true_x + noise.normal(0, 0.3, 4000)
    y = -2.0 * true_x + noise.normal(0, 0.6, 4000)
    assert abs(fits.fit_line(x, y).slope) < 1.75
    assert fits.fit_both_noisy(x, y).slope == pytest.approx(-2.0, rel=0.02)
    assert fits.fit_both_noisy(x, y, x_noise=0.3, y_noise=0.6).slope == pytest.approx(
        -2.0, rel=0.02
    )


def test_noisy_in_both_uses_the_ratio_of_noises() -> None:
    noise = rng()
    true_x = np.sin(np.linspace(0, 20, 4000))
    x, y = true_x + noise.normal(0, 0.02, 4000), 2.0 * true_x + noise.normal(0, 0.6, 4000)
    known = fits.fit_both_noisy(x, y, x_noise=0.02, y_noise=0.6).slope
    assert known == pytest.approx(2.0, rel=0.02)
    assert fits.fit_both_noisy(x, y).slope > 2.05


def test_noisy_in_both_is_the_same_whichever_variable_comes_first() -> None:
    noise = rng()
    x = np.linspace(0, 1, 300) + noise.normal(0, 0.05, 300)
    y = 4 * np.linspace(0, 1, 300) + noise.normal(0, 0.3, 300)
    there, back = fits.fit_both_noisy(x, y).slope, fits.fit_both_noisy(y, x).slope
    assert there * back == pytest.approx(1.0)


STRAIGHT = fits.Straightness(r2_floor=0.99, straight_pct=5.0, least_share=0.4, least_s=0.08)


def limb(
    tau_s: tuple[float, ...] = (0.3,),
    parts_ml: tuple[float, ...] = (60.0,),
    *,
    rate_hz: float = 200.0,
    until: float = 0.05,
) -> tuple[FloatArray, FloatArray]:
    """Volume and flow of compartments that empty side by side, until so much is left."""
    time = np.arange(0, 12 * max(tau_s), 1 / rate_hz)
    volume = sum(v * np.exp(-time / t) for v, t in zip(parts_ml, tau_s, strict=True))
    flow = sum(-v / t * np.exp(-time / t) for v, t in zip(parts_ml, tau_s, strict=True))
    inside = np.asarray(volume) > until * sum(parts_ml)
    return np.asarray(volume)[inside], np.asarray(flow)[inside]


def late(volume: FloatArray, flow: FloatArray, rate_hz: float = 200.0) -> fits.LatePart:
    return fits.late_line(
        volume, flow, rate_hz, whole=float(volume[0] - volume[-1]),
        opening=round(0.02 * rate_hz), end_slack=round(0.1 * rate_hz), straight=STRAIGHT,
    )  # fmt: skip


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize("tau_s", [0.12, 0.3, 0.6])
def test_one_compartment_is_straight_over_its_whole(tau_s: float, rate_hz: float) -> None:
    volume, flow = limb((tau_s,), rate_hz=rate_hz)
    part = late(volume, flow + rng().normal(0, 0.5, flow.size), rate_hz)
    assert part.line.start <= 0.1 * flow.size and part.line.end == flow.size
    assert -1 / part.line.slope == pytest.approx(tau_s, rel=0.02)
    assert part.certain_pct <= 1.0


def test_a_bent_beginning_is_left_out() -> None:
    volume, flow = limb()
    flow[:20] *= np.linspace(0.3, 1.0, 20)
    part = late(volume, flow)
    assert 15 <= part.line.start <= 45
    assert -1 / part.line.slope == pytest.approx(0.3, rel=0.01)


def test_the_rounding_by_a_next_effort_is_left_out() -> None:
    volume, flow = limb()
    flow[-12:] *= np.linspace(1.0, -2.0, 12)
    part = late(volume, flow)
    assert flow.size - 14 <= part.line.end <= flow.size - 9
    assert -1 / part.line.slope == pytest.approx(0.3, rel=0.01)


@pytest.mark.parametrize("noise", [0.0, 0.5])
def test_two_compartments_are_curved_and_say_so(noise: float) -> None:
    """Late slopes alone reach r2 of 0.99 and read a time constant a sixth too short."""
    volume, flow = limb((0.22, 0.6), (50.0, 50.0))
    part = late(volume, flow + rng().normal(0, noise, flow.size))
    assert part.certain_pct > 8.0
    assert part.curvature_pct > 0.0
    most = volume < 0.8 * volume[0]
    line = fits.fit_line(volume[most], flow[most])
    assert line.r2 > 0.99
    assert -1 / line.slope < 0.85 * 0.6


def test_where_the_fast_part_is_over_the_rest_is_straight() -> None:
    volume, flow = limb((0.04, 0.5), (15.0, 60.0), until=0.03)
    part = late(volume, flow)
    assert part.certain_pct <= 5.0
    assert -1 / part.line.slope == pytest.approx(0.5, rel=0.04)


def test_a_dip_in_the_middle_leaves_a_short_straight_part() -> None:
    volume, flow = limb()
    flow *= 1.0 - 0.75 * np.exp(-(((volume / 60.0 - 0.33) / 0.1) ** 2))
    part = late(volume, flow)
    assert part.line.r2 >= 0.99
    assert np.ptp(volume[part.line.start : part.line.end]) < 0.4 * (volume[0] - volume[-1])


def test_beats_of_the_heart_are_no_certain_bend() -> None:
    sure = []
    for seed in range(40):
        volume, flow = limb((0.3,), (25.0,))
        time = np.arange(flow.size) / 200.0
        phase = np.random.default_rng(seed).uniform(0, 2 * np.pi)
        beat = 1.2 * np.sin(2 * np.pi * 2.1 * time + phase)
        noise = np.random.default_rng(seed).normal(0, 0.5, flow.size)
        sure.append(late(volume, flow + beat + noise).certain_pct)
    assert np.mean(np.array(sure) > 8.0) <= 0.05


def test_too_short_a_limb_is_no_number() -> None:
    part = late(np.array([3.0, 2.0, 1.0]), np.array([-3.0, -2.0, -1.0]))
    assert np.isnan([part.line.slope, part.curvature_pct]).all()
    still = late(np.ones(200), -np.ones(200))
    assert np.isnan(still.line.r2)


def test_plane_recovers_compliance_resistance_and_offset() -> None:
    time = np.linspace(0, 10, 1000)
    volume, flow = 50 * np.sin(time), 50 * np.cos(time)
    pressure = 0.4 + volume / 90.0 + 0.002 * flow
    solution, r2 = fits.fit_plane(pressure, volume, flow)
    assert solution == pytest.approx([0.4, 1 / 90.0, 0.002])
    assert r2 == pytest.approx(1.0)


@pytest.mark.parametrize("half_life_s", [3.0, 7.0, 9.0, 14.0])
def test_decay_half_life_with_noise_and_offset(half_life_s: float) -> None:
    time = np.arange(0, 20, 0.01)
    clean = 0.03 + 0.4 * 2 ** (-time / half_life_s)
    decay = fits.fit_decay(clean + rng().normal(0, 0.002, time.size), 100.0)
    assert decay.half_life_s == pytest.approx(half_life_s, rel=0.02)
    assert decay.offset == pytest.approx(0.03, abs=0.004)
    assert decay.r2 > 0.99


def test_decay_of_a_flat_record_is_nan() -> None:
    assert np.isnan(fits.fit_decay(np.ones(100), 100.0).half_life_s)


def test_sine_amplitude_and_frequency() -> None:
    time = np.arange(0, 6.3, 1 / 200)
    y = 0.2 + 0.05 * time + 0.8 * np.sin(2 * np.pi * 1.37 * time + 0.4)
    y = y + rng().normal(0, 0.02, y.size)
    assert fits.dominant_frequency_hz(y, 200.0, low_hz=0.3, high_hz=5.0) == pytest.approx(
        1.37, rel=0.002
    )
    y = y - 0.05 * time
    hz = fits.dominant_frequency_hz(y, 200.0, low_hz=0.3, high_hz=5.0)
    sine = fits.fit_sine(y, 200.0, frequency_hz=hz)
    assert hz == pytest.approx(1.37, rel=0.002)
    assert sine.amplitude == pytest.approx(0.8, rel=0.005)
    assert sine.phase_rad == pytest.approx(0.4, abs=0.03)


def test_noise_sd_ignores_slow_movement_and_knows_quantisation() -> None:
    slow = 50 * np.sin(np.linspace(0, 30, 6000))
    assert fits.noise_sd(slow + rng().normal(0, 0.2, 6000)) == pytest.approx(0.2, rel=0.1)
    assert fits.noise_sd(np.round(slow / 4) * 4) == pytest.approx(4 / np.sqrt(12), rel=0.01)


@pytest.mark.parametrize("n", [0, 1])
def test_a_robust_line_through_too_few_points_is_no_number(n: int) -> None:
    line = fits.robust_line(np.ones(n), np.ones(n))
    assert np.isnan([line.slope, line.intercept]).all()
