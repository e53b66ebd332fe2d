"""From raw samples to calibrated channels: gain, sign, time base, gaps, clipping."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from quietsleep.records import FloatArray, RawSignal
from quietsleep.signals.channels import assemble, calibrate, clipped_share_pct
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
    assert channels.values["flow_ml_s"].size == TIME_S.size
    assert channels.values["flow_ml_s"][kept] == pytest.approx(FLOW_ML_S[kept], abs=1e-9)


def test_missing_values_are_a_gap_and_bridged() -> None:
    flow = FLOW_ML_S.copy()
    flow[1000:1030] = np.nan
    channels = calibrate(raw(flow), device(), ("flow",))
    assert channels.gap_s == pytest.approx(30 / RATE_HZ)
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


def test_clipped_share_counts_flat_ends_only() -> None:
    clipped = np.minimum(FLOW_ML_S, 60.0)
    share = 100.0 * np.mean(FLOW_ML_S >= 60.0)
    assert clipped_share_pct(clipped) == pytest.approx(share)
    assert clipped_share_pct(FLOW_ML_S) == 0.0


def test_a_jacket_at_rest_is_not_clipped() -> None:
    jacket = np.zeros(4000)
    jacket[2000:2200] = 5.0 + 0.01 * np.sin(np.arange(200))
    assert clipped_share_pct(jacket) == 0.0
    assert clipped_share_pct(np.full(100, 4.0)) == 0.0


def test_a_pressure_held_level_on_a_coarse_scale_is_not_clipped_and_a_rail_is() -> None:
    rng = np.random.default_rng(3)
    held = np.concatenate([np.linspace(0.0, 3.0, 500), np.full(1500, 3.0), np.zeros(2000)])
    held = held + 0.002 * rng.standard_normal(held.size)
    code_kpa = 0.003
    assert clipped_share_pct(np.round(held / code_kpa) * code_kpa) == 0.0
    cut = np.minimum(np.round(held / code_kpa) * code_kpa, 2.9)
    assert clipped_share_pct(cut) == pytest.approx(100.0 * np.mean(held >= 2.9), abs=0.1)


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
