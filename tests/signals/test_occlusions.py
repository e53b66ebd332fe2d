"""Occlusions and plateaus on small hand-made signals."""

from dataclasses import replace

import numpy as np
import pytest

from quietsleep.contract import TECHNIQUES
from quietsleep.records import Breaths, Channels, FloatArray, Recording
from quietsleep.signals import end_expiratory_level as levels
from quietsleep.signals import occlusions
from quietsleep.signals.channels import assemble
from quietsleep.signals.fits import noise_sd
from quietsleep.signals.occlusions import Occlusion, ShutterSettings
from quietsleep.signals.passive_limb import passive_limb
from quietsleep.signals.quantiles import runs

SHUTTER = ShutterSettings(least_s=0.08, flow_share=0.05, noise_multiple=6.0, pressure_kpa=0.1)


def find(flow: FloatArray, pressure: FloatArray, rate_hz: float) -> list[Occlusion]:
    limit = occlusions.flow_limit_ml_s(flow, SHUTTER, noise_ml_s=noise_sd(flow))
    return occlusions.find_occlusions(flow, pressure, rate_hz, SHUTTER, limit_ml_s=limit)


def breathing_with_occlusions(
    rate_hz: float,
    *,
    held: tuple[tuple[float, float], ...] = ((4.0, 4.5), (9.0, 9.15)),
    noise: float = 0.0,
    offset: float = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sine breathing of 0.5 Hz and 100 mL/s; no flow and 0.6 kPa where the shutter is shut."""
    time = np.arange(0, 14, 1 / rate_hz)
    flow = 100 * np.sin(np.pi * time)
    pressure = -0.0005 * flow + 0.03
    for start, end in held:
        shut = (time >= start) & (time < end)
        flow[shut] = 0.0
        pressure[shut] = 0.03 + 0.6 * (1 - np.exp(-(time[shut] - start) / 0.03))
    random = np.random.default_rng(3)
    flow = flow + offset + random.normal(0, noise, time.size)
    return time, flow, pressure + random.normal(0, noise / 1000, time.size)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0, 1000.0])
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_occlusions_are_found_to_the_sample(rate_hz: float, noise: float) -> None:
    held = ((4.2, 4.7), (8.5, 8.75))
    _, flow, pressure = breathing_with_occlusions(rate_hz, held=held, noise=noise)
    found = find(flow, pressure, rate_hz)
    assert len(found) == 2
    for occlusion, (start, end) in zip(found, held, strict=True):
        assert occlusion.start / rate_hz == pytest.approx(start, abs=1.01 / rate_hz)
        assert occlusion.end / rate_hz == pytest.approx(end, abs=1.01 / rate_hz)


def test_a_pause_in_breathing_is_no_occlusion() -> None:
    time, flow, pressure = breathing_with_occlusions(200.0, held=((4.2, 4.7),))
    pause = (time >= 8.0) & (time < 8.6)
    flow[pause], pressure[pause] = 0.0, 0.03
    assert len(find(flow, pressure, 200.0)) == 1


def test_breathing_without_a_shutter_has_no_occlusion() -> None:
    _, flow, pressure = breathing_with_occlusions(200.0, held=(), noise=1.0)
    assert find(flow, pressure, 200.0) == []
    nothing = np.zeros(400)
    assert find(nothing, nothing, 200.0) == []


def test_occlusions_are_found_where_pressure_is_registered_ten_times_too_small() -> None:
    _, flow, pressure = breathing_with_occlusions(200.0)
    found = find(flow, pressure, 200.0)
    assert len(found) == 2
    assert find(flow, 0.1 * pressure, 200.0) == found


def test_a_pressure_that_flow_itself_makes_is_no_occlusion_however_small_it_is() -> None:
    time, flow, pressure = breathing_with_occlusions(200.0, held=())
    pause = (time >= 8.0) & (time < 8.6)
    flow[pause], pressure[pause] = 0.0, 0.03 + 0.09
    assert find(flow, pressure, 200.0) == []


def test_no_limb_follows_an_expiration_that_ended_before_the_release() -> None:
    _, flow, pressure = breathing_with_occlusions(200.0)
    recording = assemble(
        Channels(200.0, {"flow_ml_s": flow, "airway_pressure_kpa": pressure}, 0.0, 0.0),
        name="r",
        technique="single_occlusion",
        device=None,
        context={},
    )
    settings = TECHNIQUES["single_occlusion"].settings
    for expired in (0, 500, 850):
        limb = passive_limb(recording, Occlusion(800, 900), expired, settings)
        assert limb.volume_ml.size == 0
        assert np.isnan([limb.expired_ml, limb.fit_share_pct, limb.late.line.slope]).all()


def test_pressure_at_zero_flow_is_the_zero_of_the_transducer() -> None:
    _, flow, pressure = breathing_with_occlusions(200.0, noise=1.0)
    airway = occlusions.open_airway(flow, pressure, 200.0)
    assert airway.zero_kpa == pytest.approx(0.03, abs=0.002)
    assert airway.slope_kpa_s_ml == pytest.approx(-0.0005, rel=0.02)
    assert airway.lag_s == pytest.approx(0.0, abs=0.002)


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
@pytest.mark.parametrize("lag_s", [-0.004, 0.012, 0.03])
def test_a_late_pressure_channel_is_told_from_breathing(rate_hz: float, lag_s: float) -> None:
    time = np.arange(0, 20, 1 / rate_hz)
    flow = 100 * np.sin(np.pi * time)
    pressure = 0.03 - 0.05 * np.sin(np.pi * (time - lag_s))
    pressure += np.random.default_rng(2).normal(0, 0.001, time.size)
    airway = occlusions.open_airway(flow, pressure, rate_hz)
    assert airway.lag_s == pytest.approx(lag_s, abs=0.002)


@pytest.mark.parametrize("rate_hz", [100.0, 250.0, 1000.0])
def test_ringing_of_a_steep_filter_is_one_occlusion(rate_hz: float) -> None:
    """Flow of 120 mL/s shut off through a filter that rings at 28 Hz, 16 % of the step."""
    time = np.arange(0, 14, 1 / rate_hz)
    flow = 60.0 * np.sin(np.pi * time)
    pressure = -0.0005 * flow
    shut = (time >= 4.3) & (time < 4.7)
    since = time[shut] - 4.3
    step = np.exp(-34.0 * since) * np.cos(2 * np.pi * 28.0 * since)
    flow[(time >= 4.0) & (time < 4.3)] = -120.0
    flow[shut] = -120.0 * np.where(since < 0.01, 1.0 - since / 0.01, 0.16 * step)
    pressure[shut] = 0.6 * (1.0 - np.exp(-since / 0.012))
    found = find(flow, pressure, rate_hz)
    assert len(found) == 1
    assert found[0].start / rate_hz == pytest.approx(4.31, abs=0.012)
    assert found[0].end / rate_hz == pytest.approx(4.7, abs=1.01 / rate_hz)


def test_pressure_falls_when_the_shutter_opens_whatever_flow_does() -> None:
    rate = 500.0
    time = np.arange(0, 2.0, 1 / rate)
    flow, pressure = np.zeros(time.size), np.zeros(time.size)
    held = (time >= 0.5) & (time < 1.1)
    pressure[held] = 0.4 * (1.0 - np.exp(-(time[held] - 0.5) / 0.02))
    late = time >= 1.25  # the glottis opens 150 ms later; flow through the apparatus lifts pressure
    flow[late] = -300.0 * np.exp(-(time[late] - 1.25) / 0.3)
    pressure[late] = -0.0008 * flow[late]
    occlusion = Occlusion(round(0.5 * rate), round(1.25 * rate))
    airway = occlusions.OpenAirway(0.0, -0.0008, 0.0)
    until = occlusions.held_until(flow, pressure, occlusion, rate, airway=airway)
    assert until / rate == pytest.approx(1.1, abs=2 / rate)


@pytest.mark.parametrize("tau_s", [1.0, 3.0])
def test_fall_of_pressure_is_that_of_the_whole_time_the_shutter_is_closed(tau_s: float) -> None:
    rate = 200.0
    time = np.arange(0, 0.6, 1 / rate)
    noise = np.random.default_rng(3).normal(0, 0.002, time.size)
    pressure = 0.6 * np.exp(-time / tau_s) * (1.0 - np.exp(-time / 0.03)) + noise
    whole = Occlusion(0, time.size)
    fall = occlusions.pressure_fall_kpa(pressure, whole, rate, until=float(time.size))
    assert fall == pytest.approx(0.6 * (1.0 - np.exp(-0.6 / tau_s)), rel=0.25)
    rising = 0.6 * (1.0 - np.exp(-time / 0.3))
    assert occlusions.pressure_fall_kpa(rising, whole, rate, until=float(time.size)) < 0.0
    short = Occlusion(0, 4)
    assert np.isnan(occlusions.pressure_fall_kpa(pressure, short, rate, until=4.0))


def test_an_expiration_ends_where_the_next_breath_begins() -> None:
    breaths = Breaths(np.array([0, 100]), np.array([40, 140]), np.array([100, 210]),
                      np.zeros(2), 0.0)  # fmt: skip
    assert occlusions.expiration_end(breaths, 60, n=300) == 100
    assert occlusions.expiration_end(breaths, 150, n=300) == 210
    assert occlusions.expiration_end(breaths, 220, n=300) == 300


def test_plateau_pressure_sd_and_length() -> None:
    rate = 500.0
    time = np.arange(0, 0.6, 1 / rate)
    noise = np.random.default_rng(1).normal(0, 0.004, time.size)
    pressure = 0.6 * (1 - np.exp(-time / 0.04)) + noise
    plateau = occlusions.find_plateau(
        pressure, Occlusion(0, time.size), rate, window_s=0.1, band_kpa=0.02
    )
    assert plateau.pressure_kpa == pytest.approx(0.6, abs=0.004)
    assert plateau.sd_kpa == pytest.approx(0.004, rel=0.35)
    assert plateau.length_s == pytest.approx(0.6 - 0.04 * np.log(0.6 / 0.02), abs=0.04)
    window = pressure[plateau.quiet_start : plateau.quiet_end]
    assert plateau.sd_kpa == pytest.approx(np.std(window, ddof=1))
    assert window.size == 50


def test_pressure_that_keeps_moving_has_a_short_plateau() -> None:
    time = np.arange(0, 0.5, 0.005)
    plateau = occlusions.find_plateau(
        1.2 * time, Occlusion(0, time.size), 200.0, window_s=0.1, band_kpa=0.02
    )
    assert plateau.length_s < 0.1
    assert plateau.sd_kpa > 0.03


def test_an_occlusion_shorter_than_the_window_is_measured_as_it_is() -> None:
    pressure = np.full(100, 0.5)
    plateau = occlusions.find_plateau(
        pressure, Occlusion(50, 58), 200.0, window_s=0.1, band_kpa=0.02
    )
    assert plateau.length_s == pytest.approx(0.04)
    assert np.isnan(
        occlusions.find_plateau(
            pressure, Occlusion(50, 52), 200.0, window_s=0.1, band_kpa=0.02
        ).pressure_kpa
    )


def test_runs_and_bridged_gaps() -> None:
    mask = np.array([0, 1, 1, 0, 1, 0, 0, 0, 1], dtype=bool)
    assert runs(mask) == [(1, 3), (4, 5), (8, 9)]
    assert runs(mask, bridge=1) == [(1, 5), (8, 9)]
    assert runs(np.zeros(4, dtype=bool)) == []


def test_running_mean_keeps_a_line_and_shape() -> None:
    line = np.arange(50.0)
    assert occlusions.running_mean(line, 5)[5:-5] == pytest.approx(line[5:-5])
    assert occlusions.running_mean(line, 5).shape == line.shape


def recording_with_levels(eel_ml: list[float]) -> Recording:
    starts = np.arange(len(eel_ml)) * 100
    volume = np.zeros(100 * len(eel_ml) + 1)
    for start, eel in zip(starts, eel_ml, strict=True):
        volume[start : start + 100] = eel + 50 * np.sin(np.linspace(0, np.pi, 100))
    breaths = Breaths(starts, starts + 50, starts + 100, np.array(eel_ml, dtype=float), 0.0)
    return Recording("r", "t", 100.0, np.gradient(volume), volume, {}, breaths, {})


def test_level_before_and_after() -> None:
    recording = recording_with_levels([0.0, 2.0, 4.0, 2.0, 12.0, 12.0])
    before = levels.level_before(recording, 350, since=0, least_breaths=3, most_breaths=3)
    assert before.eel_ml == pytest.approx(8 / 3) and before.n_breaths == 3
    assert before.tidal_volume_ml == pytest.approx(50, rel=0.01)
    assert before.sd_pct == pytest.approx(100 * np.std([2, 4, 2], ddof=1) / 50, rel=0.01)
    after = levels.level_after(recording, 380, most_breaths=3)
    assert (after.eel_ml, after.n_breaths) == (12.0, 2)
    shift = levels.eel_shift_pct(before, after)
    assert shift == pytest.approx(100 * (12 - 8 / 3) / 50, rel=0.01)


def test_breaths_before_an_earlier_manoeuvre_are_left_out() -> None:
    recording = recording_with_levels([-30.0, 2.0, 4.0, 2.0, 12.0, 12.0])
    before = levels.level_before(recording, 350, since=60, least_breaths=3, most_breaths=5)
    assert before.eel_ml == pytest.approx(8 / 3) and before.n_breaths == 3
    few = levels.level_before(recording, 350, since=160, least_breaths=3, most_breaths=5)
    assert np.isnan(few.eel_ml)


def test_where_the_lung_has_emptied_to_is_no_breathing_level() -> None:
    """The breath that starts where the trial before ended begins 25 mL below the level."""
    recording = recording_with_levels([0.0, -25.0, 1.0, 0.0, 2.0, 0.0])
    before = levels.level_before(recording, 550, since=100, least_breaths=3, most_breaths=5)
    assert before.n_breaths == 4
    assert before.eel_ml == pytest.approx(0.75)
    kept = levels.level_before(recording, 550, since=99, least_breaths=3, most_breaths=5)
    assert kept.eel_ml == pytest.approx(-22.0 / 5)


def test_shift_compares_what_breathing_settles_at() -> None:
    recording = recording_with_levels([0.0, 0.0, 0.0, -20.0, -8.0, -3.0, -1.0, 0.0])
    told = replace(recording.breaths, settled_ml=np.array([0, 0, np.nan, 1, 0, 1, 0, 0.5]))
    recording = replace(recording, breaths=told)
    before = levels.level_before(recording, 250, since=0, least_breaths=2, most_breaths=5)
    after = levels.level_after(recording, 290, most_breaths=5)
    assert levels.eel_shift_pct(before, after) == pytest.approx(100 * 0.5 / 50, rel=0.02)
    assert after.n_breaths == 3  # the first two after the release are still on their way
    few = levels.level_after(recording, 290, most_breaths=5, until=510)
    assert few.n_breaths == 2


def test_gas_is_lost_only_where_pressure_and_level_say_so() -> None:
    before = levels.RestingLevel(0.0, 0.0, 1.0, 5, 50.0)
    after = levels.RestingLevel(6.0, 6.0, 1.0, 5, 50.0)
    assert levels.lost_pct(before, after, fallen_ml=10.0) == pytest.approx(12.0)
    assert levels.lost_pct(before, after, fallen_ml=2.0) == pytest.approx(4.0)
    assert levels.lost_pct(after, before, fallen_ml=10.0) == 0.0
    assert levels.lost_pct(before, after, fallen_ml=-3.0) == 0.0
    assert np.isnan(levels.lost_pct(before, after, fallen_ml=np.nan))


def test_level_without_breaths_is_nan() -> None:
    recording = recording_with_levels([0.0, 2.0])
    nothing = levels.level_after(recording, 900, most_breaths=3)
    assert nothing.n_breaths == 0
    assert np.isnan(nothing.eel_ml)
    assert np.isnan(levels.eel_shift_pct(nothing, nothing))
