"""Checks, gas and sensors of the simulator: what a device writes and what is true behind it."""

from __future__ import annotations

import io
from dataclasses import replace

import edfio
import numpy as np
import pytest

from quietsleep.simulation.checks import MAKERS, box_decay, box_pump, shutter_hold, syringe
from quietsleep.simulation.disturbances import USUAL, Disturbance, disturb
from quietsleep.simulation.exports import SignalFormat, signal_bytes
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.physiology import SimulatedRecording, draw_infant
from quietsleep.simulation.quiet import Quirks, tidal
from quietsleep.simulation.recordings import record
from quietsleep.simulation.rows import breath_rows
from quietsleep.simulation.scenario import load_scenarios
from quietsleep.simulation.sensors import (
    IDEAL,
    Head,
    Sensor,
    head_volume_share,
    raw_column,
    read_back,
    sense,
    slipped,
    vapour_kpa,
)

# CRC Handbook of Chemistry and Physics 1992-93, saturated vapour pressure of water, kPa.
VAPOUR = {15: 1.7056, 20: 2.3388, 25: 3.1690, 30: 4.2455, 37: 6.2795}
# Factors ATPS to BTPS at 101.325 kPa: printed for 20 and 22 C, computed from the table for 26 C.
TO_BTPS = {20: 1.102, 22: 1.091, 26: 1.069, 37: 1.0}


def quiet(rate_hz: float = 200.0) -> SimulatedRecording:
    infant = draw_infant(np.random.default_rng(2), length_cm=66.0)
    return tidal(infant, rng=np.random.default_rng(3), rate_hz=rate_hz)


@pytest.mark.parametrize(("celsius", "kpa"), VAPOUR.items())
def test_vapour_pressure_agrees_with_the_handbook(celsius: int, kpa: float) -> None:
    assert vapour_kpa(celsius) == pytest.approx(kpa, rel=1e-3)


@pytest.mark.parametrize(("celsius", "factor"), TO_BTPS.items())
def test_volume_at_the_head_is_btps_undone(celsius: int, factor: float) -> None:
    assert 1.0 / head_volume_share(celsius, 100.0, 101.325) == pytest.approx(factor, abs=6e-4)


def test_the_head_sees_less_inspired_than_expired_volume() -> None:
    made = quiet()
    seen = sense(made, IDEAL, head=Head(), rng=np.random.default_rng(1))["flow"]
    share = seen[seen > 0].sum() / -seen[seen < 0].sum()
    # room 23 C, 40 % against 34 C, saturated: 0.8985 / 0.9705, from vapour pressures above
    assert share == pytest.approx(0.899 / 0.967, abs=0.01)
    as_is = sense(made, IDEAL, head=Head(gas_state="btps"), rng=np.random.default_rng(1))["flow"]
    assert np.array_equal(as_is, made.channels["flow_ml_s"])


@pytest.mark.parametrize("bits", [12, 16])
def test_raw_columns_read_back_within_half_a_step(bits: int) -> None:
    sensor = Sensor("flow", "f", "L/min", 1.02, 0.15, "expiration", full_scale=1000.0, bits=bits)
    true = quiet().channels["flow_ml_s"]
    raw = raw_column(true, sensor, np.random.default_rng(1))
    step = 2000.0 / 2**bits
    assert np.abs(read_back(raw, sensor) - true).max() <= step / 2 * 1.0001
    assert len(np.unique(np.round(read_back(raw, sensor) / step, 6))) < 2**bits
    assert np.corrcoef(raw, true)[0, 1] < -0.99


def test_units_of_raw_columns() -> None:
    one = np.ones(1)
    rng = np.random.default_rng(1)
    assert raw_column(one, Sensor("flow", "f", "L/min", bits=0), rng)[0] == pytest.approx(0.06)
    pressure = Sensor("airway_pressure", "p", "cm[H2O]", positive="above", bits=0)
    assert raw_column(one, pressure, rng)[0] == pytest.approx(10.19716, rel=1e-6)


def test_a_small_flow_head_writes_flat_tops() -> None:
    infant = draw_infant(np.random.default_rng(2), length_cm=66.0)
    rng = np.random.default_rng(3)
    made = record("tidal", infant, rng=rng, fault=FAULTS["tidal_clipped"])
    seen = sense(made, IDEAL, head=Head(gas_state="btps"), rng=rng)["flow"]
    assert (seen == seen.max()).mean() > 0.01


@pytest.mark.parametrize(
    ("technique", "key", "channel"),
    [
        ("single_occlusion", "single_clipped", "airway_pressure_kpa"),
        ("raised_volume", "raised_clipped", "flow_ml_s"),
    ],
)
def test_an_instrument_too_small_for_the_manoeuvre_clips_there_only(
    technique: str, key: str, channel: str
) -> None:
    infant = draw_infant(np.random.default_rng(2), length_cm=66.0)
    made = record(technique, infant, rng=np.random.default_rng(3), fault=FAULTS[key])
    column = {"airway_pressure_kpa": "airway", "flow_ml_s": "flow"}[channel]
    rng = np.random.default_rng(1)
    seen = sense(made, IDEAL, head=Head(gas_state="btps"), rng=rng)[column]
    clipped = np.flatnonzero(np.abs(seen) == np.abs(seen).max())
    parts = ("closed",) if technique == "single_occlusion" else ("inflation", "squeeze")
    starts = [at for part in parts for at in made.events[part]]
    since = [min(abs(i / made.rate_hz - at) for at in starts) for i in clipped]
    assert len(clipped) > 5
    assert max(since) < 1.7
    assert all(fact["clipped_s"] > 0.02 for fact in made.facts)


def test_a_slip_of_the_registration_makes_another_number_of_the_same_signal() -> None:
    rng = np.random.default_rng(1)
    pressure = Sensor("airway_pressure", "p", "kPa", positive="above", bits=0)
    true = np.linspace(0.0, 1.0, 50)
    raw = raw_column(true, slipped(pressure, "unit"), rng)
    assert read_back(raw, pressure)[-1] == pytest.approx(10.197, rel=1e-4)
    flow = Sensor("flow", "f", "L/min", offset=0.2, bits=0)
    turned = read_back(raw_column(true, slipped(flow, "sign"), rng), flow)
    assert turned == pytest.approx(-true, abs=1e-12)
    wrong = read_back(raw_column(true, slipped(flow, "unit"), rng), replace(flow, offset=0.0))
    assert wrong[-1] - wrong[0] == pytest.approx(1000.0 / 60.0)


def test_edf_headers_say_the_registered_unit_unless_the_fault_is_theirs() -> None:
    sensors = [Sensor("flow", "V", "L/s")]
    columns = {"V": np.linspace(-0.1, 0.1, 400)}
    form = SignalFormat("edf", 200.0)
    told = signal_bytes(
        columns, np.arange(400) / 200.0, form=form, sensors=sensors, header_units={"V": "mL/s"}
    )
    assert edfio.read_edf(io.BytesIO(told)).signals[0].physical_dimension == "mL/s"
    plain = signal_bytes(columns, np.arange(400) / 200.0, form=form, sensors=sensors)
    assert edfio.read_edf(io.BytesIO(plain)).signals[0].physical_dimension == "L/s"


def test_a_cut_stroke_is_no_stroke_and_ends_on_a_whole_second() -> None:
    whole = syringe(rng=np.random.default_rng(1), rate_hz=2000.0)
    cut = syringe(rng=np.random.default_rng(1), rate_hz=2000.0, cut_share=0.35)
    assert len(cut.trials) == len(whole.trials) - 1
    assert len(cut.time_s) % 2000 == 0
    flow = cut.channels["flow_ml_s"]
    lacking = whole.channels["flow_ml_s"].clip(max=0.0).sum() - flow.clip(max=0.0).sum()
    # the share of a half sine that is still to come after 65 % of its time
    assert -lacking / 2000.0 == pytest.approx(50.0 * (1.0 + np.cos(np.pi * 0.65)), rel=1e-2)
    assert flow[-1] < -50.0


def test_checks_stand_behind_the_filters_of_the_device() -> None:
    scenario = next(s for s in load_scenarios() if s.centre == "larch")
    made = MAKERS["syringe"](scenario, np.random.default_rng(1), {})
    bare = MAKERS["syringe"](
        replace(scenario, setting=replace(scenario.setting, filters=())),
        np.random.default_rng(1),
        {},
    )
    seen, true = made.channels["flow_ml_s"], bare.channels["flow_ml_s"]
    lag = int(np.argmax(np.correlate(seen, true, "full"))) - len(true) + 1
    # eight poles at 28 Hz: group delay 5.126 / (2 pi 28) s
    assert lag / 100.0 == pytest.approx(5.126 / (2.0 * np.pi * 28.0), abs=0.006)
    assert seen.sum() / 100.0 == pytest.approx(true.sum() / 100.0, abs=0.03)


def test_heart_beats_do_not_pass_a_closed_shutter() -> None:
    infant = draw_infant(np.random.default_rng(2), length_cm=66.0)
    made = record("single_occlusion", infant, rng=np.random.default_rng(3), usual=Disturbance())
    beats = disturb(made, Disturbance(heart_flow_ml_s=2.0), np.random.default_rng(4))
    added = beats.channels["flow_ml_s"] - made.channels["flow_ml_s"]
    assert made.open_share is not None
    assert not added[made.open_share == 0.0].any()
    assert np.abs(added).max() > 1.5


def test_a_gap_leaves_samples_out() -> None:
    infant = draw_infant(np.random.default_rng(2), length_cm=66.0)
    made = record("tidal", infant, rng=np.random.default_rng(3), fault=FAULTS["tidal_gap"])
    assert np.diff(made.time_s).max() == pytest.approx(0.405, abs=1e-6)
    assert len(made.time_s) == len(made.channels["flow_ml_s"])


def test_disturbances_stay_small_and_leave_truth_alone() -> None:
    made = quiet()
    noisy = disturb(made, USUAL, np.random.default_rng(4))
    difference = noisy.channels["flow_ml_s"] - made.channels["flow_ml_s"]
    assert 0.3 < np.abs(difference).max() < 3.0
    assert noisy.truth == made.truth
    assert np.array_equal(
        disturb(made, Disturbance(), np.random.default_rng(4)).channels["flow_ml_s"],
        made.channels["flow_ml_s"],
    )


def test_a_leak_takes_expired_flow_only_and_only_from_its_time_on() -> None:
    made = quiet()
    leak = Disturbance(leak_share=0.2, leak_from_s=10.0)
    flow = disturb(made, leak, np.random.default_rng(4)).channels["flow_ml_s"]
    true, late = made.channels["flow_ml_s"], made.time_s >= 10.0
    assert np.array_equal(flow[~late], true[~late])
    assert np.allclose(flow[late & (true < 0)], 0.8 * true[late & (true < 0)])
    assert np.array_equal(flow[true > 0], true[true > 0])


def test_syringe_strokes_hold_their_volume() -> None:
    made = syringe(rng=np.random.default_rng(1), rate_hz=2000.0, gain_expired=0.97)
    flow = made.channels["flow_ml_s"]
    inspired, expired = flow[flow > 0].sum() / 2000.0, -flow[flow < 0].sum() / 2000.0
    assert inspired / 6 == pytest.approx(100.0, rel=1e-4)
    assert expired / 6 == pytest.approx(97.0, rel=1e-4)
    assert made.truth["error_expired_pct"] == pytest.approx(-3.0)
    assert made.truth["flow_ratio"] > 3.0


def test_a_slope_of_the_flow_head_makes_fast_strokes_larger() -> None:
    made = syringe(
        rng=np.random.default_rng(1), rate_hz=2000.0, gain_slope_per_l_s=0.1, flows_ml_s=(200.0,)
    )
    flow = made.channels["flow_ml_s"]
    measured = flow[flow > 0].sum() / 2000.0
    assert measured == pytest.approx(made.trials[0]["stroke_volume_ml"], rel=1e-4)
    assert measured > 102.0


def test_shutter_hold_falls_by_its_share_in_a_second() -> None:
    made = shutter_hold(rate_hz=1000.0, fall_pct_per_s=6.0)
    top = int(np.argmax(made.channels["airway_pressure_kpa"]))
    pressure = made.channels["airway_pressure_kpa"]
    assert pressure[top + 1000] / pressure[top] == pytest.approx(0.94, abs=1e-4)


def test_box_decay_halves_in_its_half_life() -> None:
    made = box_decay(rng=np.random.default_rng(1), rate_hz=1000.0, half_life_s=7.5)
    box = made.channels["box_pressure_kpa"]
    top = int(np.argmax(box))
    assert box[top + 7500] / box[top] == pytest.approx(0.5, abs=1e-4)


def test_box_pump_shows_its_factor_through_a_leaking_box() -> None:
    made = box_pump(
        rng=np.random.default_rng(1), rate_hz=2000.0, factor_ml_kpa=480.0, stroke_cv=0.0
    )
    box = made.channels["box_pressure_kpa"][-8000:]
    seen = box.max() - box.min()
    leak = np.log(2.0) / 9.0 / (2.0 * np.pi)
    assert 10.0 / seen / np.hypot(1.0, leak) == pytest.approx(480.0, rel=2e-3)


def test_rows_of_breaths_leave_sighs_and_pauses_out() -> None:
    infant = draw_infant(np.random.default_rng(2), length_cm=66.0)
    quirks = Quirks(sighs=(4,), apnoeas=(8,))
    made = tidal(infant, rng=np.random.default_rng(3), breaths=14, quirks=quirks)
    rows = breath_rows(made, "r")
    odd = {f"{made.events[name][0]:.4f}" for name in ("sigh", "apnoea")}
    assert len(rows) == 12
    assert not odd & {row["start_s"] for row in rows}
