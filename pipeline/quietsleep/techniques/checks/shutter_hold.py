"""Shutter hold check: pressure pumped up behind the closed shutter and held.

Source: Frey et al., Eur Respir J 2000;16:731-740 (equipment); limits are in the contracts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from quietsleep.contract import CHECKS
from quietsleep.records import Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.fits import NAN, noise_sd
from quietsleep.signals.occlusions import running_mean
from quietsleep.signals.quantiles import runs
from quietsleep.signals.reasons import give_reasons

SPEC = CHECKS["shutter_hold"]
SETTINGS = SPEC.settings
REASONS = {
    "hold_pressure_kpa": "no hold of pressure was found",
    "pressure_fall_pct": "the hold is shorter than the time the fall is taken over",
}


def find_trials(recording: Recording) -> list[Trial]:
    """Find each stretch of raised pressure; `held` is where it stops rising.

    Raised is above the middle between the lowest and the highest pressure of the recording.
    """
    airway = recording.pressures_kpa.get("airway_pressure")
    if airway is None or airway.size < 8:
        return []
    rate = recording.rate_hz
    span = max(1, round(SETTINGS["reading_s"] * rate))
    smooth, noise = running_mean(airway, span), noise_sd(airway) / np.sqrt(span)
    low, high = float(smooth.min()), float(smooth.max())
    if not high - low > 10.0 * noise:
        return []
    trials: list[Trial] = []
    for start, end in runs(smooth > 0.5 * (low + high)):
        if end - start < SETTINGS["hold_least_s"] * rate:
            continue
        top = float(smooth[start:end].max()) - 3.0 * noise
        held = start + int(np.argmax(smooth[start:end] >= top)) + span // 2
        trials.append(Trial(len(trials) + 1, start, end, {"held": min(held, end - 1)}))
    return trials


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Pressure at the start of the hold and its fall, 100 (P(0) - P(1 s)) / P(0), percent.

    Both pressures are means over the same short time; relative error of the fall: about
    sqrt(2) noise / sqrt(samples) over P(0).
    """
    start, later = _pressure(recording, trial, 0.0), _pressure(recording, trial, _fall_s())
    fall = 100.0 * (start - later) / start if start > 0 else NAN
    measures = Measures({"hold_pressure_kpa": start, "pressure_fall_pct": fall})
    return give_reasons(measures, REASONS)


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Take the last hold of the check."""
    last = trials[-1].values if trials else {}
    measures = Measures({name: last.get(name, NAN) for name in REASONS})
    return give_reasons(measures, REASONS)


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the pressure at the start of the hold and after the time the fall is taken over."""
    marks = []
    for after_s, quantity in ((0.0, "hold_pressure_kpa"), (_fall_s(), "pressure_fall_pct")):
        pressure = _pressure(recording, trial, after_s)
        if np.isfinite(pressure):
            place_s = trial.landmarks["held"] / recording.rate_hz + after_s
            label = "start of hold" if after_s == 0 else f"{after_s:g} s later"
            marks.append(Mark("airway_pressure", label, (place_s,), (pressure,), quantity))
    return marks


def _fall_s() -> float:
    return SETTINGS["fall_time_s"]


def _pressure(recording: Recording, trial: Trial, after_s: float) -> float:
    """Mean pressure over a short time, so long after the start of the hold; NaN beyond its end."""
    rate = recording.rate_hz
    start = trial.landmarks["held"] + round(after_s * rate)
    end = start + max(1, round(SETTINGS["reading_s"] * rate))
    if end > trial.end:
        return NAN
    return float(recording.pressures_kpa["airway_pressure"][start:end].mean())
