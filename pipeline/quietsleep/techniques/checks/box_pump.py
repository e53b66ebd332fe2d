"""Box pump check: box pressure for a pump stroke of known volume.

Source: Stocks et al., Eur Respir J 2001;17:302-312; limits are in the contracts.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from quietsleep.contract import CHECKS
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.fits import (
    NAN,
    Sine,
    cv_pct,
    dominant_frequency_hz,
    fit_line,
    fit_sine,
    noise_sd,
    values_of,
)
from quietsleep.signals.occlusions import running_mean
from quietsleep.signals.quantiles import percentile
from quietsleep.signals.reasons import give_reasons

SPEC = CHECKS["box_pump"]
SETTINGS = SPEC.settings
REASONS = {
    "pump_factor_ml_kpa": "no known volume, or no sine in box pressure",
    "box_factor_ml_kpa": "no pump stroke gave a factor",
    "factor_cv_pct": "fewer than two pump strokes",
}


def find_trials(recording: Recording) -> list[Trial]:
    """Find each pump stroke: one period of box pressure, from one rise through its middle on."""
    box, rate = recording.pressures_kpa.get("box_pressure"), recording.rate_hz
    if box is None:
        return []
    frequency = dominant_frequency_hz(
        box, rate, low_hz=SETTINGS["slowest_hz"], high_hz=SETTINGS["fastest_hz"]
    )
    if not np.isfinite(frequency):
        return []
    period = rate / frequency
    edges = _rises(box, period=period)
    if edges and box.size - edges[-1] >= 0.98 * period:
        edges.append(min(edges[-1] + round(period), int(box.size)))
    trials: list[Trial] = []
    for rise, end in pairwise(edges):
        # Before the pump runs there is no rise: its first stroke is the period before the second.
        start = max(rise, end - round(period)) if rise < end - 1.1 * period else rise
        if abs((end - start) / period - 1.0) <= SETTINGS["period_share"]:
            trials.append(Trial(len(trials) + 1, start, end))
    return trials


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Box factor of one stroke: known volume / (2 amplitude of the sine), mL/kPa.

    The thermal leak lowers the amplitude by 1 - (ln2 / (2 pi f t_half))^2 / 2, below 0.1 % above
    0.3 Hz; it is left as it is.
    """
    sine = _sine(recording, trial)
    known_ml = recording.context.get("known_volume_ml", NAN)
    factor = known_ml / (2.0 * sine.amplitude) if sine.amplitude > 0 else NAN
    return give_reasons(Measures({"pump_factor_ml_kpa": factor}), REASONS)


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Mean factor of the strokes, their coefficient of variation and number."""
    factors = values_of(trials, "pump_factor_ml_kpa")
    measures = Measures(
        {
            "box_factor_ml_kpa": float(factors.mean()) if factors.size else NAN,
            "factor_cv_pct": cv_pct(factors),
            "n_strokes": float(factors.size),
        }
    )
    return give_reasons(measures, REASONS)


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the fitted sine of the stroke."""
    sine = _sine(recording, trial)
    if not np.isfinite(sine.amplitude):
        return []
    box = recording.pressures_kpa["box_pressure"][trial.start : trial.end]
    time = np.linspace(0.0, box.size / recording.rate_hz, 40)
    wave = sine.amplitude * np.sin(2 * np.pi * sine.frequency_hz * time + sine.phase_rad)
    fitted = tuple((float(box.mean()) + wave).tolist())
    times = tuple((trial.start / recording.rate_hz + time).tolist())
    return [Mark("box_pressure", "fitted sine", times, fitted, "pump_factor_ml_kpa")]


def _sine(recording: Recording, trial: Trial) -> Sine:
    box = recording.pressures_kpa["box_pressure"][trial.start : trial.end]
    frequency = recording.rate_hz / (trial.end - trial.start)
    return fit_sine(box, recording.rate_hz, frequency_hz=frequency)


def _rises(box_kpa: FloatArray, *, period: float) -> list[int]:
    """Samples at which box pressure rises through its middle, one for each stroke.

    A rise counts when pressure goes from well below the middle, or from rest, to well above it.
    """
    level = box_kpa - _middle(box_kpa, period)
    level = running_mean(level, max(1, round(0.02 * period)))
    size = percentile(np.abs(level), 90)
    far = max(0.3 * size, 4.0 * noise_sd(box_kpa))
    state = np.where(level > far, 1, np.where(level < -far, -1, 0))
    held = np.flatnonzero(state)
    if held.size == 0:
        return []
    turned = np.concatenate(([True], np.diff(state[held]) != 0)) & (state[held] == 1)
    rises = []
    for place in held[turned].tolist():
        below = np.flatnonzero(level[:place] <= 0)
        rises.append(int(below[-1]) + 1 if below.size else 0)
    return rises


def _middle(box_kpa: FloatArray, period: float) -> FloatArray:
    """Straight line through the means over one period where the pump runs, shape (n,)."""
    whole = round(period)
    means = running_mean(box_kpa, whole)
    size = running_mean(np.abs(box_kpa - means), whole)
    runs_there = np.flatnonzero(size > 0.8 * percentile(size, 90))
    line = fit_line(runs_there.astype(np.float64), means[runs_there])
    slope = line.slope if np.isfinite(line.slope) else 0.0
    level = float(means[runs_there].mean())
    return np.asarray(
        level + slope * (np.arange(box_kpa.size) - runs_there.mean()), dtype=np.float64
    )
