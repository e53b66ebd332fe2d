"""A mechanical test lung of labelled compliance, and breath counts against neurokit2.

Test lung: bench recordings (100 Hz, pressure cmH2O, volume mL, net flow mL/s) of the
RespiraWorks ventilator project, Apache License 2.0, commit
718bce04b057355dfa2d07d054d4cf412ec41643, folder of the run of 2020-06-21. They are not part of
this repository. Compliance as labelled on the test lung; its resistance label is not reliable.
Breath counts: neurokit2 (MIT), an independent library for respiration signals.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest

from quietsleep.records import FloatArray, RawSignal, Recording
from quietsleep.signals.breaths import integrate
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.signals.fits import fit_plane
from quietsleep.simulation.physiology import draw_infant
from quietsleep.simulation.recordings import record
from quietsleep.simulation.sensors import IDEAL, Head, sense
from quietsleep.study.study import ChannelMap, Device

PROJECT = Path(__file__).parents[2]
FOLDER = PROJECT.parent / "shared" / "data" / "test_lung" / "20200621-RunForRecord2-AIR"
NOT_HERE = (
    "recordings of a mechanical test lung with labelled compliance, bench volume and breath "
    "counts; they belong beside the project, in ../shared/data/test_lung"
)
# Labelled compliance of the eight runs, mL/cm[H2O].
LABELLED = {1: 50.0, 2: 50.0, 3: 20.0, 4: 20.0, 5: 20.0, 6: 20.0, 7: 10.0, 8: 10.0}
KPA_PER_CMH2O = 0.0980665  # conventional centimetre of water, by definition


def device(rate_hz: float, channels: tuple[ChannelMap, ...]) -> Device:
    return Device(
        device="bench",
        centre="bench",
        equipment_class="bench",
        file_format="csv",
        rate_hz=rate_hz,
        time_column="t_s",
        csv_delimiter=",",
        csv_decimal=".",
        gas_state="btps",
        expired_temperature_c=34.0,
        expired_humidity_pct=100.0,
        box_volume_l=65.0,
        box_calibrated_empty=True,
        channels=channels,
    )


def bench_run(number: int) -> tuple[Recording, FloatArray]:
    """One run through our signal chain, with the bench's own volume (mL)."""
    path = FOLDER / f"covent_pc_{number}.dat"
    if not path.exists():
        pytest.skip(NOT_HERE)
    time_s, _, pressure, volume_ml, net_flow = np.loadtxt(path, skiprows=4).T
    channels = (
        ChannelMap("flow", "net_flow", "mL/s", 1.0, 0.0, "inspiration"),
        ChannelMap("airway_pressure", "pressure", "cm[H2O]", 1.0, 0.0, "above"),
    )
    bench = device(100.0, channels)
    raw = RawSignal(time_s, {"net_flow": net_flow, "pressure": pressure})
    recording = assemble(
        calibrate(raw, bench, ("flow", "airway_pressure")),
        name=f"run {number}",
        technique="tidal",
        device=bench,
        context={},
    )
    return recording, volume_ml


@pytest.mark.parametrize("number", LABELLED)
def test_multiple_linear_regression_recovers_the_labelled_compliance(number: int) -> None:
    recording, _ = bench_run(number)
    pressure = recording.pressures_kpa["airway_pressure"]
    (_, elastance, _), r2 = fit_plane(pressure, recording.volume_ml, recording.flow_ml_s)
    compliance_ml_cmh2o = KPA_PER_CMH2O / elastance
    assert compliance_ml_cmh2o == pytest.approx(LABELLED[number], rel=0.10)
    assert r2 > 0.95


@pytest.mark.parametrize("number", LABELLED)
def test_integrated_net_flow_is_the_volume_of_the_bench(number: int) -> None:
    recording, volume_ml = bench_run(number)
    ours = integrate(recording.flow_ml_s, recording.rate_hz)
    breaths = recording.breaths
    for start, turn in zip(breaths.start, breaths.turn, strict=True):
        theirs = volume_ml[turn] - volume_ml[start]
        assert ours[turn] - ours[start] == pytest.approx(theirs, rel=0.01)


@pytest.mark.parametrize("number", LABELLED)
def test_integral_of_the_whole_run_keeps_the_scale_of_the_volume(number: int) -> None:
    recording, volume_ml = bench_run(number)
    ours = integrate(recording.flow_ml_s, recording.rate_hz)
    assert np.polyfit(volume_ml, ours, 1)[0] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("number", LABELLED)
def test_breaths_come_as_often_as_the_ventilator_sets_them(number: int) -> None:
    recording, _ = bench_run(number)
    wanted = np.loadtxt(FOLDER / f"covent_pc_{number}.dat", skiprows=4).T[1]
    high = wanted > 0.5 * (wanted.min() + wanted.max())
    cycle = float(np.median(np.diff(np.flatnonzero(np.diff(high.astype(int)) > 0))))
    breaths = recording.breaths
    assert np.median(breaths.end - breaths.start) == pytest.approx(cycle, rel=0.02)


def neurokit_count(volume_ml: FloatArray, rate_hz: float) -> int:
    """Number of breaths that neurokit2 finds in a volume signal."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        neurokit2 = pytest.importorskip("neurokit2")
        clean = neurokit2.rsp_clean(volume_ml, sampling_rate=int(rate_hz), method="khodadad2018")
        found = neurokit2.rsp_findpeaks(clean, sampling_rate=int(rate_hz), method="khodadad2018")
    return len(found["RSP_Peaks"])


@pytest.mark.parametrize("number", LABELLED)
def test_breath_count_of_the_bench_agrees_with_neurokit2(number: int) -> None:
    """It leaves out a breath at either end of a record, ours keeps every whole one."""
    recording, _ = bench_run(number)
    count = neurokit_count(recording.volume_ml, recording.rate_hz)
    assert 0 <= recording.breaths.start.size - count <= 2


@pytest.mark.parametrize("length_cm", [49.0, 60.0, 72.0, 85.0])
def test_breath_count_of_simulated_infants_agrees_with_neurokit2(length_cm: float) -> None:
    rng = np.random.default_rng(round(length_cm))
    simulated = record("tidal", draw_infant(rng, length_cm=length_cm), rng=rng)
    maps = tuple(ChannelMap(s.channel, s.column, s.unit, s.gain, s.offset, s.positive)  # type: ignore[arg-type]
                 for s in IDEAL)  # fmt: skip
    lab = device(simulated.rate_hz, maps)
    columns = sense(simulated, IDEAL, head=Head(gas_state="btps"), rng=rng)
    recording = assemble(
        calibrate(RawSignal(simulated.time_s, columns), lab, ("flow",)),
        name="quiet",
        technique="tidal",
        device=lab,
        context=simulated.context,
    )
    count = neurokit_count(recording.volume_ml, recording.rate_hz)
    # No breath in ends the last of them.
    assert recording.breaths.start.size == len(simulated.trials) - 1
    assert abs(count - recording.breaths.start.size) <= 1
