import numpy as np
import pytest

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


def test_longest_late_line_leaves_out_the_bent_beginning() -> None:
    x = np.linspace(100.0, 0.0, 400)
    y = -3.0 * x
    y[:100] = -225.0 + 20 * (x[:100] - 75.0)
    line = fits.longest_late_line(x, y, r2_floor=0.9999, least_points=20)
    assert line.end == 400
    assert 95 <= line.start <= 101
    assert line.slope == pytest.approx(-3.0, rel=0.01)


def test_longest_late_line_may_drop_a_last_rounding() -> None:
    x = np.linspace(100.0, 0.0, 400)
    y = -3.0 * x
    y[380:] = -60.0 * np.linspace(1, -3, 20)
    assert fits.longest_late_line(x, y, r2_floor=0.995, least_points=20).end == 400
    line = fits.longest_late_line(x, y, r2_floor=0.9999, least_points=20, end_slack=40)
    assert line.start == 0
    assert line.end in range(360, 382)


def test_longest_late_line_agrees_with_trying_every_part() -> None:
    noise = rng()
    x = np.cumsum(noise.normal(1, 1, 80))
    y = 2 * x + noise.normal(0, 6, 80)
    floor = 0.95
    lengths = [80 - k for k in range(70) if fits.fit_line(x[k:], y[k:]).r2 >= floor]
    line = fits.longest_late_line(x, y, r2_floor=floor, least_points=10)
    assert line.end - line.start == max(lengths)


def test_longest_late_line_without_a_straight_part_says_so_in_r2() -> None:
    noise = rng()
    line = fits.longest_late_line(
        noise.normal(size=200), noise.normal(size=200), r2_floor=0.99, least_points=50
    )
    assert line.r2 < 0.5
    assert np.isnan(fits.longest_late_line(np.ones(3), np.ones(3), r2_floor=0.9, least_points=9).r2)


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
