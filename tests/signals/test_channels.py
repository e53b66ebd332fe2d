"""From raw samples to calibrated channels: gain, sign, time base, gaps, clipping."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from quietsleep.records import FloatArray, RawSignal, SampleRun
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.signals.clipping import (
    clipped_share_pct,
    find_clipped,
    held_by,
    longest_clipped_s,
)
from quietsleep.signals.gas import btps_factor
from quietsleep.signals.quantiles import longest_run
from quietsleep.study.study import ChannelMap, Device

RATE_HZ = 200.0
TIME_S = np.arange(4000) / RATE_HZ
FLOW_ML_S = 80.0 * np.sin(2 * np.pi * 0.6 * TIME_S)
VISIT = {
    "room_temperature_c": 23.0,
    "room_humidity_pct": 40.0,
    "barometric_pressure_kpa": 101.325,
}


def mapped(channel: str, unit: str, **other: Any) -> ChannelMap:
    positive = "inspiration" if channel == "flow" else "above"
    entry = {"gain": 1.0, "offset": 0.0, "positive": positive, **other}
    return ChannelMap(channel=channel, column=f"raw_{channel}", unit=unit, **entry)


def device(*channels: ChannelMap, rate_hz: float = RATE_HZ, gas_state: Any = "btps") -> Device:
    return Device(
        device="set-1",
        centre="larch",
        equipment_class="a",
        file_format="csv",
        rate_hz=rate_hz,
        time_column="t",
        csv_delimiter=",",
        csv_decimal=".",
        gas_state=gas_state,
        expired_temperature_c=34.0,
        expired_humidity_pct=100.0,
        box_volume_l=65.0,
        box_calibrated_empty=True,
        channels=channels or (mapped("flow", "mL/s"),),
    )


def raw(flow: FloatArray, time_s: FloatArray = TIME_S, **others: FloatArray) -> RawSignal:
    columns: Mapping[str, FloatArray] = {"raw_flow": flow, **others}
    return RawSignal(time_s, columns)


def flow_of(signal: RawSignal, registered: Device | None = None) -> FloatArray:
    return calibrate(signal, registered or device(), ("flow",)).values["flow_ml_s"]


@pytest.mark.parametrize(
    ("unit", "per_unit"), [("mL/s", 1.0), ("L/min", 1000.0 / 60.0), ("L/s", 1000.0)]
)
def test_gain_offset_sign_and_unit_of_flow(unit: str, per_unit: float) -> None:
    entry = mapped("flow", unit, gain=0.5, offset=3.0, positive="expiration")
    got = flow_of(raw(-FLOW_ML_S / per_unit / 0.5 + 3.0), device(entry))
    assert got == pytest.approx(FLOW_ML_S, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "kpa"),
    # 1 cm[H2O] = 0.0980665 kPa (conventional), 1 mm[Hg] = 0.1333224 kPa: both printed in
    # NIST Special Publication 811 (2008), appendix B.
    [("kPa", 1.0), ("cm[H2O]", 0.0980665), ("mm[Hg]", 0.1333224), ("Pa", 0.001)],
)
def test_units_of_pressure(unit: str, kpa: float) -> None:
    entries = (mapped("flow", "mL/s"), mapped("airway_pressure", unit, positive="below"))
    signal = raw(FLOW_ML_S, raw_airway_pressure=np.full(TIME_S.size, -5.0))
    channels = calibrate(signal, device(*entries), ("flow", "airway_pressure"))
    assert channels.values["airway_pressure_kpa"] == pytest.approx(5.0 * kpa, rel=1e-6)


def test_clean_time_base_is_left_alone() -> None:
    channels = calibrate(raw(FLOW_ML_S), device(), ("flow",))
    assert channels.rate_hz == RATE_HZ
    assert channels.gap_s == 0.0
    assert channels.clipped_share_pct == 0.0
    assert (channels.values["flow_ml_s"] == FLOW_ML_S).all()


def test_rounded_times_are_not_jitter() -> None:
    rate_hz = 128.0
    time_s = np.round(np.arange(2000) / rate_hz, 4)
    flow = np.sin(time_s)
    channels = calibrate(raw(flow, time_s), device(rate_hz=rate_hz), ("flow",))
    assert channels.rate_hz == rate_hz
    assert (channels.values["flow_ml_s"] == flow).all()


def test_jittered_times_are_resampled() -> None:
    jitter = np.random.default_rng(5).uniform(-0.4, 0.4, TIME_S.size) / RATE_HZ
    jitter[[0, -1]] = 0.0
    time_s = TIME_S + jitter
    got = flow_of(raw(80.0 * np.sin(2 * np.pi * 0.6 * time_s), time_s))
    assert got == pytest.approx(FLOW_ML_S, abs=0.05)


def test_a_gap_is_measured_and_bridged_in_time() -> None:
    kept = (TIME_S < 5.0) | (TIME_S >= 5.1)
    channels = calibrate(raw(FLOW_ML_S[kept], TIME_S[kept]), device(), ("flow",))
    assert channels.gap_s == pytest.approx(0.1, abs=1e-9)
    (lost,) = channels.lost
    assert (lost.start, lost.end) == (round(5.0 * RATE_HZ), round(5.1 * RATE_HZ))
    assert channels.values["flow_ml_s"].size == TIME_S.size
    assert channels.values["flow_ml_s"][kept] == pytest.approx(FLOW_ML_S[kept], abs=1e-9)


def test_missing_values_are_a_gap_and_bridged() -> None:
    flow = FLOW_ML_S.copy()
    flow[1000:1030] = np.nan
    channels = calibrate(raw(flow), device(), ("flow",))
    assert channels.gap_s == pytest.approx(30 / RATE_HZ)
    assert channels.lost == (SampleRun(1000, 1030, "flow"),)
    assert np.isfinite(channels.values["flow_ml_s"]).all()


def test_missing_values_of_a_channel_that_is_not_needed_are_no_gap() -> None:
    entries = (mapped("flow", "mL/s"), mapped("spo2", "%"))
    signal = raw(FLOW_ML_S, raw_spo2=np.full(TIME_S.size, np.nan))
    assert calibrate(signal, device(*entries), ("flow",)).gap_s == 0.0


def test_repeated_and_backward_times_are_left_out_and_count_as_a_gap() -> None:
    time_s, flow = TIME_S.copy(), FLOW_ML_S.copy()
    time_s[2000:2040] -= 0.5  # the clock steps back for 0.2 s
    time_s[100] = time_s[99]
    flow[[100, *range(2000, 2040)]] = 999.0
    channels = calibrate(raw(flow, time_s), device(), ("flow",))
    assert channels.gap_s == pytest.approx(40 / RATE_HZ, abs=1e-9)
    assert channels.lost == (SampleRun(100, 101), SampleRun(2000, 2040))
    assert channels.values["flow_ml_s"].max() < 81.0


def test_unreadable_times_are_left_out() -> None:
    time_s = TIME_S.copy()
    time_s[[0, 700]] = np.nan
    channels = calibrate(raw(FLOW_ML_S, time_s), device(), ("flow",))
    assert channels.values["flow_ml_s"].size == TIME_S.size - 1
    assert channels.gap_s == pytest.approx(1 / RATE_HZ)


def test_a_file_at_another_rate_than_registered_keeps_its_own() -> None:
    channels = calibrate(raw(FLOW_ML_S[::2], TIME_S[::2]), device(), ("flow",))
    assert channels.rate_hz == pytest.approx(100.0)
    assert channels.gap_s == 0.0


@pytest.mark.parametrize("n", [0, 1, 2])
def test_next_to_no_samples(n: int) -> None:
    channels = calibrate(raw(FLOW_ML_S[:n], TIME_S[:n]), device(), ("flow",))
    recording = assemble(channels, name="r", technique="tidal", device=device(), context=VISIT)
    assert recording.volume_ml.size == n
    assert recording.breaths.start.size == 0


def test_a_channel_without_a_number_is_one_long_gap() -> None:
    channels = calibrate(raw(np.full(4000, np.nan)), device(), ("flow",))
    assert channels.gap_s == pytest.approx(20.0)
    assert not channels.values["flow_ml_s"].any()


def share_pct(samples: FloatArray, channel: str = "flow") -> float:
    return clipped_share_pct(find_clipped(samples, held=held_by(channel, (channel,))), samples.size)


def test_clipped_share_counts_flat_ends_only() -> None:
    clipped = np.minimum(FLOW_ML_S, 60.0)
    assert share_pct(clipped) == pytest.approx(100.0 * np.mean(FLOW_ML_S >= 60.0))
    assert share_pct(FLOW_ML_S) == 0.0


def test_a_jacket_at_rest_is_not_clipped() -> None:
    jacket = np.zeros(4000)
    jacket[2000:2200] = 5.0 + 0.01 * np.sin(np.arange(200))
    assert share_pct(jacket, "jacket_pressure") == 0.0
    assert share_pct(np.full(100, 4.0), "jacket_pressure") == 0.0


def test_a_pressure_held_level_on_a_coarse_scale_is_not_clipped_and_a_rail_is() -> None:
    rng = np.random.default_rng(3)
    held = np.concatenate([np.linspace(0.0, 3.0, 500), np.full(1500, 3.0), np.zeros(2000)])
    held = held + 0.002 * rng.standard_normal(held.size)
    code_kpa = 0.003
    assert share_pct(np.round(held / code_kpa) * code_kpa, "airway_pressure") == 0.0
    cut = np.minimum(np.round(held / code_kpa) * code_kpa, 2.9)
    share = 100.0 * np.mean(held >= 2.9)
    assert share_pct(cut, "airway_pressure") == pytest.approx(share, abs=0.1)


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize("noise_codes", [0.0, 0.1, 0.3, 0.5])
@pytest.mark.parametrize("channel", ["airway_pressure", "jacket_pressure"])
def test_a_pressure_held_level_without_noise_is_not_clipped(
    bits: int, noise_codes: float, channel: str
) -> None:
    """Sharp corners and all: a valve that opens at once and a pressure that does not move."""
    code_kpa = 10.0 / 2**bits
    held = np.zeros(4000)
    held[500:900], held[2000:2300] = 5.021, 5.021
    held += noise_codes * code_kpa * np.random.default_rng(bits).standard_normal(held.size)
    assert share_pct(np.round(held / code_kpa) * code_kpa, channel) == 0.0


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize("bits", [10, 12, 16])
def test_the_rounded_peak_of_a_coarse_flow_is_not_clipped(rate_hz: float, bits: int) -> None:
    """Zero behind a shutter for long, no noise, peaks of one height."""
    time_s = np.arange(round(20 * rate_hz)) / rate_hz
    flow = 80.0 * np.sin(2 * np.pi * 0.6 * time_s) * (np.sin(2 * np.pi * 0.1 * time_s) > 0.0)
    code = 3000.0 / 2**bits
    assert share_pct(np.round(flow / code) * code) == 0.0


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0, 1000.0])
@pytest.mark.parametrize("noise_ml_s", [0.0, 0.05, 0.8, 3.0])
@pytest.mark.parametrize("bits", [12, 16])
@pytest.mark.parametrize("cut_share", [0.6, 0.9])
def test_one_clipped_forced_expiration_is_found_wherever_it_lies(
    rate_hz: float, noise_ml_s: float, bits: int, cut_share: float
) -> None:
    """Half a minute of quiet breathing and one peak of 600 mL/s: a small share, and all of it."""
    rng = np.random.default_rng(7)
    time_s = np.arange(round(30 * rate_hz)) / rate_hz
    flow = 60.0 * np.sin(2 * np.pi * 0.6 * time_s)
    after_s = np.maximum(time_s - 20.0, 0.0)
    forced = 600.0 * np.exp(-after_s / 0.25) * (1.0 - np.exp(-after_s / 0.02)) / 0.72
    flow = np.where((time_s > 20.0) & (time_s < 21.5), -forced, flow)
    code = 2000.0 / 2**bits
    coded = np.round((flow + noise_ml_s * rng.standard_normal(flow.size)) / code) * code
    rail = round(-cut_share * 600.0 / code) * code
    cut = np.maximum(coded, rail)
    true_s = float(np.count_nonzero(flow <= rail)) / rate_hz
    runs = find_clipped(cut, held="nothing")
    manoeuvre = [(round(19.5 * rate_hz), round(22 * rate_hz))]
    assert longest_clipped_s(runs, manoeuvre, rate_hz) == pytest.approx(true_s, abs=0.025)
    assert longest_clipped_s(runs, [(0, round(19 * rate_hz))], rate_hz) == 0.0
    assert find_clipped(coded, held="nothing") == []


@pytest.mark.parametrize("noise_codes", [0.25, 0.5, 0.7])
@pytest.mark.parametrize("seed", range(6))
def test_a_short_rail_between_steep_flanks_is_found_at_a_low_rate(
    noise_codes: float, seed: int
) -> None:
    """A few samples, in a channel whose noise is about one code: chance alone could leave them."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(3000) / 100.0
    after_s = np.maximum(time_s - 20.0, 0.0)
    shape = np.exp(-after_s / 0.25) * (1.0 - np.exp(-after_s / 0.01))
    forced = (time_s > 20.0) & (time_s < 21.5)
    codes = np.where(forced, -1230.0 * shape / shape.max(), 123.0 * np.sin(3.77 * time_s))
    coded = np.round(codes + noise_codes * rng.standard_normal(codes.size))
    assert find_clipped(coded, held="nothing") == []
    cut = np.maximum(coded, -1045.0)
    (run,) = find_clipped(cut, held="nothing")
    assert run[1] - run[0] == np.count_nonzero(coded <= -1045.0)


def unlike_breaths(rate_hz: float, *, seed: int) -> FloatArray:
    """A minute of breaths whose depth varies by 8 %, peak about 1."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(60 * rate_hz)) / rate_hz
    depth = 1.0 + 0.08 * rng.standard_normal(61)
    return np.asarray(depth[time_s.astype(int)] * np.sin(2 * np.pi * time_s))


@pytest.mark.parametrize("rate_hz", [100.0, 500.0, 1000.0])
@pytest.mark.parametrize("noise_codes", [0.0, 0.1, 0.3, 0.5])
@pytest.mark.parametrize("seed", range(4))
def test_breaths_that_all_end_in_one_code_are_at_a_rail_however_slow_they_are(
    rate_hz: float, noise_codes: float, seed: int
) -> None:
    """Many samples in a code and no jump: only that all breaths end alike tells it."""
    codes = 40.0 * unlike_breaths(rate_hz, seed=seed)
    codes += noise_codes * np.random.default_rng(seed).standard_normal(codes.size)
    assert find_clipped(np.round(codes), held="nothing") == []
    cut = np.minimum(np.round(codes), 30.0)
    assert clipped_share_pct(find_clipped(cut, held="nothing"), cut.size) == pytest.approx(
        100.0 * np.mean(np.round(codes) >= 30.0), abs=0.5
    )


@pytest.mark.parametrize("noise_codes", [0.0, 0.1, 0.3])
def test_a_shutter_holds_another_breath_each_time_and_a_valve_the_same(noise_codes: float) -> None:
    rng = np.random.default_rng(2)
    time_s = np.arange(12000) / 200.0
    held = np.repeat(150.0 * (1.0 + 0.08 * rng.standard_normal(6)), 2000)
    flow = 9.0 * np.sin(4.0 * time_s)
    codes = np.asarray(np.where((time_s + 8.0) % 10.0 < 0.6, held, flow), dtype=np.float64)
    codes += noise_codes * rng.standard_normal(codes.size)
    assert find_clipped(np.round(codes), held="shutter") == []
    cut = np.minimum(np.round(codes), 120.0)
    assert len(find_clipped(cut, held="shutter")) >= 6
    assert find_clipped(cut, held="valve") == []


def test_what_can_hold_a_channel_level_follows_from_what_is_recorded_with_it() -> None:
    assert held_by("airway_pressure", ("flow", "airway_pressure")) == "shutter"
    assert held_by("airway_pressure", ("flow", "airway_pressure", "jacket_pressure")) == "valve"
    assert held_by("jacket_pressure", ("flow", "jacket_pressure")) == "valve"
    assert held_by("box_pressure", ("flow", "box_pressure", "airway_pressure")) == "nothing"


def test_where_a_signal_is_clipped_is_known_after_jitter_is_resampled() -> None:
    jitter = np.random.default_rng(5).uniform(-0.4, 0.4, TIME_S.size) / RATE_HZ
    time_s = TIME_S + jitter
    flow = 80.0 * np.sin(2 * np.pi * 0.6 * time_s)
    cut = np.where((time_s > 10.0) & (time_s < 11.6), np.minimum(flow, 60.0), flow / 2.0)
    channels = calibrate(raw(cut, time_s), device(), ("flow",))
    (run,) = channels.clipped
    grid_s = time_s[0] + np.arange(channels.values["flow_ml_s"].size) / channels.rate_hz
    at_rail = time_s[np.flatnonzero(cut == 60.0)[[0, -1]]]
    assert run.channel == "flow"
    assert grid_s[[run.start, run.end - 1]] == pytest.approx(at_rail, abs=1.0 / RATE_HZ)


def test_longest_run() -> None:
    assert longest_run(np.array([True, False, True, True, False])) == 2
    assert longest_run(np.zeros(3, dtype=bool)) == 0


def test_assembling_applies_btps_unless_the_device_has_or_it_is_a_check() -> None:
    channels = calibrate(raw(FLOW_ML_S), device(), ("flow",))

    def peak(technique: str, gas_state: str) -> float:
        registered = device(gas_state=gas_state)
        made = assemble(channels, name="r", technique=technique, device=registered, context=VISIT)
        return float(made.flow_ml_s.max())

    assert peak("tidal", "btps") == pytest.approx(80.0, rel=1e-3)
    assert peak("syringe", "measured") == pytest.approx(80.0, rel=1e-3)
    expected = 80.0 * btps_factor(23.0, 40.0, 101.325)
    assert peak("tidal", "measured") == pytest.approx(expected, rel=1e-3)
