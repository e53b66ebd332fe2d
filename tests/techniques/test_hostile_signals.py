"""Signals that no infant makes: every stage must stay calm (warnings are errors here)."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest

from quietsleep.contract import CHECKS, TECHNIQUES
from quietsleep.records import FloatArray, MeasuredTrial, RawSignal
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.study.study import Device
from quietsleep.techniques import raised_volume, tidal
from quietsleep.techniques.checks import syringe

RATE_HZ = 100.0
N = 3000
VISIT = {
    "room_temperature_c": 23.0,
    "room_humidity_pct": 40.0,
    "barometric_pressure_kpa": 101.325,
    "weight_kg": 6.0,
    "known_volume_ml": 100.0,
}
Make = Callable[[np.random.Generator], FloatArray]


def with_holes(rng: np.random.Generator) -> FloatArray:
    values = np.cumsum(rng.normal(0, 5, N))
    values[rng.integers(0, N, 900)] = np.nan
    values[:300] = np.inf
    return values


SIGNALS: dict[str, Make] = {
    "nothing": lambda rng: np.zeros(N),
    "constant": lambda rng: np.full(N, 73.0),
    "negative": lambda rng: np.full(N, -20.0),
    "missing": lambda rng: np.full(N, np.nan),
    "holes": with_holes,
    "noise": lambda rng: rng.normal(0, 40, N),
    "walk": lambda rng: np.cumsum(rng.normal(0, 5, N)),
    "steps": lambda rng: np.repeat(rng.normal(0, 100, N // 50), 50),
    "spikes": lambda rng: np.where(rng.random(N) > 0.98, rng.normal(0, 1e4, N), 0.0),
    "two levels": lambda rng: np.where(rng.random(N) > 0.5, 100.0, -100.0),
    "ramp": lambda rng: np.linspace(-300, 300, N),
    "one breath": lambda rng: np.r_[np.zeros(N - 200), 80 * np.sin(np.arange(200) / 31.4)],
    "huge": lambda rng: 1e12 * rng.normal(0, 1, N),
    "tiny": lambda rng: 1e-12 * np.sin(np.arange(N) / 16.0),
    "four samples": lambda rng: rng.normal(0, 1, 4),
    "one sample": lambda rng: np.ones(1),
}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", list(SIGNALS))
@pytest.mark.parametrize("module", [tidal, raised_volume, syringe], ids=lambda m: m.SPEC.key)
def test_any_signal_is_measured_or_left_alone(
    module: ModuleType, name: str, seed: int, usual_device: Callable[[float], Device]
) -> None:
    rng = np.random.default_rng(seed)
    flow = SIGNALS[name](rng)
    others = list(SIGNALS)
    device = usual_device(RATE_HZ)
    columns = {"flow": flow}
    for column in ("airway", "box", "jacket"):
        drawn = SIGNALS[others[rng.integers(len(others))]](rng)
        columns[column] = np.resize(drawn, flow.size) / 20.0
    time_s = np.arange(flow.size) / RATE_HZ
    key = module.SPEC.key
    spec = TECHNIQUES.get(key) or CHECKS[key]
    channels = calibrate(RawSignal(time_s, columns), device, spec.channels)
    recording = assemble(channels, name="r", technique=key, device=device, context=VISIT)
    trials = module.find_trials(recording)
    stored = []
    for trial in trials:
        values = module.measure_trial(recording, trial)
        assert 0 <= trial.start < trial.end <= flow.size + 1
        assert set(values) == set(spec.measured())
        assert not np.isinf(list(values.values())).any()
        assert all(np.isnan(values[q]) for q in values.reasons)
        module.mark_trial(recording, trial)
        stored.append(MeasuredTrial(1, 0.0, 1.0, values, values.reasons))
    assert not np.isinf(list(module.measure_test(stored).values())).any()
