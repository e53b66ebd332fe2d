"""Invented signals behind invented trials: quiet breathing with one sharp fault per trial."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np

from quietsleep import contract
from quietsleep.records import Breaths, Mark, Recording, Trial

RATE_HZ = 200.0
FAULT_AT_S = 2.5
PEAK_ML_S = 987.0


class Loader:
    """Stands for the lead's `load_recording`; counts what was read."""

    def __init__(self, trials: dict[str, int], technique: dict[str, str]) -> None:
        self.trials, self.technique = trials, technique
        self.read: list[str] = []

    def __call__(
        self, centre: str, recording: str
    ) -> tuple[Recording, Any, Sequence[Trial]] | None:
        assert recording.startswith(centre)
        self.read.append(recording)
        n, technique = self.trials[recording], self.technique[recording]
        signals = breathing(recording, technique, n)
        trials = [
            Trial(k, int(6 * k * RATE_HZ), int((6 * k + 5) * RATE_HZ)) for k in range(1, n + 1)
        ]
        return signals, SimpleNamespace(mark_trial=mark_trial), trials


def loader_of(rows: Sequence[dict[str, Any]]) -> Loader:
    """Return a loader for the rows of an invented table of recordings."""
    return Loader(
        {r["recording"]: r["n_trials"] for r in rows},
        {r["recording"]: r["technique"] for r in rows},
    )


def breathing(name: str, technique: str, n_trials: int) -> Recording:
    """Return a recording of quiet breathing with a spike of flow in every trial."""
    t = np.arange(int((6 * n_trials + 8) * RATE_HZ)) / RATE_HZ
    flow = 70 * np.sin(2 * np.pi * t / 1.7)
    volume = np.cumsum(flow) / RATE_HZ
    for k in range(1, n_trials + 1):
        flow[int((6 * k + FAULT_AT_S) * RATE_HZ)] = PEAK_ML_S
    channels = contract.TECHNIQUES[technique].channels
    pressures = {
        c: 0.4 + 0.3 * np.sin(2 * np.pi * t / 1.7 + i)
        for i, c in enumerate(channels)
        if c != "flow"
    }
    none = np.array([], dtype=np.int64)
    breaths = Breaths(none, none, none, np.array([], dtype=np.float64), 0.0)
    return Recording(name, technique, RATE_HZ, flow, volume, pressures, breaths,
                     {"box_factor_ml_kpa": 300.0})  # fmt: skip


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the spike with the first rule-bound quantity of the technique, and a line beside it."""
    at = trial.start / RATE_HZ + FAULT_AT_S
    rules = [
        r for r in contract.RULES.values() if r.owner == recording.technique and r.level == "trial"
    ]
    marks = [
        Mark("flow", f"where {r.quantity} was found", (at,), (PEAK_ML_S,), r.quantity)
        for r in rules
    ]
    marks.append(
        Mark("volume", "end-expiratory level", (at - 2, at + 1), (0.0, 0.0), "eel_shift_pct")
    )
    marks.append(Mark("loop", "fitted line", (0.0, 20.0), (0.0, 30.0), "fit_r2"))
    return marks
