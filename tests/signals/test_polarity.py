"""Direction of flow, against lungs of one compartment that are stepped here from their pressures.

Nothing of the simulator and nothing of the analysis is in these lungs: flow is what pressure drives
through a resistance, with a shutter, a jacket and an apparatus in front of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, lfilter

from quietsleep.contract import TECHNIQUES
from quietsleep.measure.recording import measure_recording
from quietsleep.records import Channels, FloatArray, Recording
from quietsleep.signals.channels import assemble
from quietsleep.signals.polarity import flow_polarity

STEP_S = 0.0005


@dataclass(frozen=True)
class Lung:
    """kPa, mL and s; `apparatus` is the resistance between airway opening and room, kPa.s/mL."""

    compliance: float = 45.0
    resistance: float = 0.0035
    apparatus: float = 0.0005
    rate_per_min: float = 36.0
    muscle_kpa: float = 1.3
    inspired_share: float = 0.42


def breathe(
    lung: Lung,
    *,
    seconds: float = 30.0,
    shut: tuple[tuple[float, float], ...] = (),
    squeezed: tuple[tuple[float, float], ...] = (),
) -> dict[str, FloatArray]:
    """Flow (inspiration positive), airway and jacket pressure of a lung that a muscle drives.

    `shut` and `squeezed` are (breath, duration): from the end of the inspiration of that breath.
    """
    n = round(seconds / STEP_S)
    cycle_s = 60.0 / lung.rate_per_min
    time = np.arange(n) * STEP_S
    phase = np.mod(time, cycle_s) / cycle_s
    active = phase < lung.inspired_share
    muscle = np.where(active, lung.muscle_kpa * np.sin(np.pi * phase / lung.inspired_share), 0.0)
    top = [cycle_s * (breath + 0.8 * lung.inspired_share) for breath, _ in (*shut, *squeezed)]
    closed, jacket = np.zeros(n, dtype=bool), np.zeros(n)
    for (_, duration), at in zip(shut, top, strict=False):
        held = (time >= at) & (time < at + duration)
        closed |= held
        muscle[time >= at] *= np.where((time[time >= at] < at + duration + 1.0), 0.0, 1.0)
    for (_, duration), at in zip(squeezed, top[len(shut) :], strict=True):
        rise = np.clip((time - at) / 0.05, 0.0, 1.0) * np.clip((at + duration - time) / 0.1, 0, 1)
        jacket += 4.0 * rise
    flow, airway = np.zeros(n), np.zeros(n)
    volume = 0.0
    for i in range(n):
        driving = muscle[i] - volume / lung.compliance - 0.6 * jacket[i]
        if closed[i]:
            airway[i] = -driving
            continue
        flow[i] = driving / (lung.resistance + lung.apparatus)
        airway[i] = -lung.apparatus * flow[i]
        volume += flow[i] * STEP_S
    return {"flow_ml_s": flow, "airway_pressure_kpa": airway, "jacket_pressure_kpa": jacket}


def recorded(
    signals: Mapping[str, FloatArray],
    *channels: str,
    rate_hz: float = 200.0,
    noise: float = 1.0,
    turned: str = "",
    late_s: float = 0.0,
) -> Recording:
    """What a device with a filter of second order at 40 Hz writes, one channel turned or late."""
    rng = np.random.default_rng(3)
    sizes = {"flow_ml_s": 0.8, "airway_pressure_kpa": 0.002, "jacket_pressure_kpa": 0.01}
    every = round(1.0 / STEP_S / rate_hz)
    b, a = butter(2, 40.0 * 2.0 * STEP_S)
    values = {}
    for name in ("flow", *channels):
        key = "flow_ml_s" if name == "flow" else f"{name}_kpa"
        samples = np.asarray(lfilter(b, a, signals[key]), dtype=np.float64)
        if name == "airway_pressure":
            samples = np.roll(samples, round(late_s / STEP_S))
        samples = samples[::every] * (-1.0 if name == turned else 1.0)
        values[key] = samples + noise * sizes[key] * rng.standard_normal(samples.size)
    return assemble(
        Channels(rate_hz, values, 0.0, 0.0), name="r", technique="tidal", device=None, context={}
    )


SHUT = tuple((breath, 0.5) for breath in range(4, 17, 4))
SQUEEZED = tuple((breath, 0.7) for breath in range(4, 17, 4))
LUNGS = {
    "usual": Lung(),
    "stiff and fast": Lung(compliance=18.0, rate_per_min=58.0, muscle_kpa=2.2),
    "large and slow": Lung(compliance=120.0, resistance=0.002, rate_per_min=24.0),
    "obstructed": Lung(resistance=0.012, muscle_kpa=2.4, rate_per_min=30.0),
    "no resistance in front": Lung(apparatus=0.0),
}


@pytest.mark.parametrize("rate_hz", [100.0, 250.0, 1000.0])
@pytest.mark.parametrize("name", LUNGS)
def test_releases_tell_which_way_flow_runs(name: str, rate_hz: float) -> None:
    signals = breathe(LUNGS[name], shut=SHUT)
    for late_s in (-0.01, 0.0, 0.01):
        plain = recorded(signals, "airway_pressure", rate_hz=rate_hz, late_s=late_s)
        turned = recorded(signals, "airway_pressure", rate_hz=rate_hz, late_s=late_s, turned="flow")
        assert (flow_polarity(plain), flow_polarity(turned)) == (1.0, 0.0), late_s


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
@pytest.mark.parametrize("name", LUNGS)
def test_squeezes_tell_which_way_flow_runs(name: str, rate_hz: float) -> None:
    signals = breathe(LUNGS[name], squeezed=SQUEEZED)
    plain = recorded(signals, "jacket_pressure", rate_hz=rate_hz)
    turned = recorded(signals, "jacket_pressure", rate_hz=rate_hz, turned="flow")
    assert (flow_polarity(plain), flow_polarity(turned)) == (1.0, 0.0)


def test_an_open_airway_behind_a_resistance_tells_it_without_any_manoeuvre() -> None:
    signals = breathe(Lung())
    assert flow_polarity(recorded(signals, "airway_pressure")) == 1.0
    assert flow_polarity(recorded(signals, "airway_pressure", turned="flow")) == 0.0


def test_a_turned_pressure_contradicts_flow_as_well() -> None:
    signals = breathe(Lung(), shut=SHUT)
    assert flow_polarity(recorded(signals, "airway_pressure", turned="airway_pressure")) == 0.0


def test_a_jacket_and_a_turned_airway_pressure_leave_it_open() -> None:
    signals = breathe(Lung(), shut=SHUT[:2], squeezed=tuple((b, 0.7) for b in (12, 15)))
    both = ("airway_pressure", "jacket_pressure")
    assert flow_polarity(recorded(signals, *both)) == 1.0
    assert np.isnan(flow_polarity(recorded(signals, *both, turned="airway_pressure")))


def test_without_pressure_the_shape_of_breaths_tells_it() -> None:
    signals = breathe(Lung(inspired_share=0.38))
    assert flow_polarity(recorded(signals)) == 1.0
    assert flow_polarity(recorded(signals, turned="flow")) == 0.0


def test_breaths_of_even_phases_leave_it_open() -> None:
    even = {"flow_ml_s": 60.0 * np.sin(2 * np.pi * 0.6 * np.arange(60_000) * STEP_S)}
    assert np.isnan(flow_polarity(recorded(even)))


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    n=st.integers(0, 900),
    kind=st.sampled_from(["noise", "zero", "level", "ramp", "spikes"]),
)
def test_any_signal_gives_one_of_three_answers(seed: int, n: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    made = {
        "noise": rng.standard_normal(n) * 50.0,
        "zero": np.zeros(n),
        "level": np.full(n, 12.5),
        "ramp": np.linspace(-80.0, 80.0, n),
        "spikes": np.where(rng.random(n) > 0.98, 900.0, 0.0),
    }
    values = {"flow_ml_s": made[kind]}
    for key in ("airway_pressure_kpa", "jacket_pressure_kpa"):
        values[key] = made[str(rng.choice(list(made)))] / 50.0
    recording = assemble(
        Channels(200.0, values, 0.0, 0.0), name="r", technique="tidal", device=None, context={}
    )
    found = flow_polarity(recording)
    assert found in (0.0, 1.0) or np.isnan(found)


def test_a_turned_recording_without_a_manoeuvre_is_one_trial_of_which_nothing_is_known() -> None:
    signals = breathe(Lung(), squeezed=SQUEEZED)
    channels = ("airway_pressure", "jacket_pressure")
    quiet = recorded(signals, *channels)
    turned = recorded(signals, *channels, turned="flow")
    for recording, value in ((quiet, 1.0), (turned, 0.0)):
        named = replace(recording, technique="raised_volume")
        measured = measure_recording(named, key="")
        assert {t.values["flow_polarity"] for t in measured.trials} == {value}
    empty = replace(turned, technique="single_occlusion")
    (trial,) = measure_recording(empty, key="").trials
    assert (trial.start_s, trial.end_s) == (0.0, 30.0)
    assert set(trial.reasons) == set(TECHNIQUES["single_occlusion"].measured())
    brief = recorded(breathe(Lung(), seconds=4.0), "airway_pressure", turned="flow")
    short = replace(brief, technique="single_occlusion")
    assert flow_polarity(short) == 0.0
    assert measure_recording(short, key="").state == "no_trial"
