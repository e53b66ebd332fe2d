"""Box decay check: how fast a step of box pressure leaks away.

The half-life undoes the thermal leak of the box in plethysmography. Source: Stocks et al., Eur
Respir J 2001;17:302-312; limits are in the contracts.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from quietsleep.contract import CHECKS
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.fits import NAN, Decay, fit_decay, values_of
from quietsleep.signals.occlusions import running_mean
from quietsleep.signals.quantiles import runs
from quietsleep.signals.reasons import give_reasons

SPEC = CHECKS["box_decay"]
SETTINGS = SPEC.settings
REASONS = {
    "half_life_s": "no decay of box pressure could be fitted",
    "fit_r2": "no decay of box pressure could be fitted",
}


def find_trials(recording: Recording) -> list[Trial]:
    """Find the decay after each step of box pressure, or the whole record when it has no step."""
    box = recording.pressures_kpa.get("box_pressure")
    if box is None or box.size < 16:
        return []
    rate = recording.rate_hz
    edges = [0, *_step_ends(box, rate), box.size]
    settle = round(SETTINGS["settle_s"] * rate)
    whole = float(np.ptp(box))
    trials: list[Trial] = []
    for step, following in pairwise(edges):
        start = step + settle if step else 0
        # The rise of the next step begins before the place where it ends.
        end = following - round(SETTINGS["step_s"] * rate) if following < box.size else following
        if end - start < SETTINGS["decay_least_s"] * rate:
            continue
        ends = running_mean(box[start:end], max(1, round(0.1 * rate)))[[0, -1]]
        if abs(float(ends[0] - ends[1])) >= SETTINGS["decay_share"] * whole:
            trials.append(Trial(len(trials) + 1, start, end))
    return trials


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Half-life of one decay, P(t) = P_end + P0 2^(-t / t_half), and r2 of that fit."""
    decay = _decay(recording, trial)
    measures = Measures({"half_life_s": decay.half_life_s, "fit_r2": decay.r2})
    return give_reasons(measures, REASONS)


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Mean half-life of the decays of the check, and the lowest r2 of their fits."""
    half_lives, r2 = values_of(trials, "half_life_s"), values_of(trials, "fit_r2")
    measures = Measures(
        {
            "half_life_s": float(half_lives.mean()) if half_lives.size else NAN,
            "fit_r2": float(r2.min()) if r2.size else NAN,
        }
    )
    return give_reasons(measures, REASONS)


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the fitted exponential, and where it has fallen to one half."""
    decay, rate = _decay(recording, trial), recording.rate_hz
    if not np.isfinite(decay.half_life_s):
        return []
    length_s = (trial.end - trial.start) / rate
    after_s = np.linspace(0.0, length_s, 60)
    fitted = decay.offset + decay.height * np.exp2(-after_s / decay.half_life_s)
    start_s = trial.start / rate
    times = tuple((start_s + after_s).tolist())
    marks = [Mark("box_pressure", "fitted decay", times, tuple(fitted.tolist()), "fit_r2")]
    if decay.half_life_s <= length_s:
        half_s = start_s + decay.half_life_s
        half = decay.offset + 0.5 * decay.height
        marks.append(Mark("box_pressure", "one half", (half_s,), (half,), "half_life_s"))
    return marks


def _decay(recording: Recording, trial: Trial) -> Decay:
    box = recording.pressures_kpa["box_pressure"][trial.start : trial.end]
    return fit_decay(box, recording.rate_hz)


def _step_ends(box_kpa: FloatArray, rate_hz: float) -> list[int]:
    """Samples at which quick changes of box pressure are over.

    Quick is a change over `step_s` of more than `step_share` of the whole range.
    """
    span = max(1, round(SETTINGS["step_s"] * rate_hz))
    smooth = running_mean(box_kpa, max(1, round(0.2 * SETTINGS["step_s"] * rate_hz)))
    change = np.abs(smooth[span:] - smooth[:-span])
    quick = runs(change > SETTINGS["step_share"] * float(np.ptp(smooth)), bridge=span)
    return [end + span // 2 for _, end in quick if end + span // 2 < box_kpa.size]
