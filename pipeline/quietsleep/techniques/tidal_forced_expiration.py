"""Tidal forced expiration: maximal flow at the end-expiratory level by a jacket squeeze.

The jacket inflates at the end of a quiet inspiration; flow is read where the forced expiration
passes the end-expiratory level. Source of the method: Sly et al., Eur Respir J 2000;16:741-748.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietsleep.contract import TECHNIQUES
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.breaths import smooth
from quietsleep.signals.end_expiratory_level import RestingLevel, drift_ml_s, level_before
from quietsleep.signals.fits import NAN, cv_pct, fit_line, values_of
from quietsleep.signals.occlusions import breath_start
from quietsleep.signals.quantiles import median
from quietsleep.signals.reasons import give_reasons
from quietsleep.signals.squeezes import (
    Forced,
    find_reversals,
    find_squeezes,
    follow_forced,
    held_and_rise,
    smoothed_noise_ml_s,
)

SPEC = TECHNIQUES["tidal_forced_expiration"]
SETTINGS = SPEC.settings
_NO_EEL = "too few breaths before the squeeze"
_NO_JACKET = "no jacket pressure was recorded"
REASONS = {
    "eel_sd_pct": _NO_EEL,
    "passes_eel": _NO_EEL,
    "vmaxfrc_ml_s": "the forced expiration does not pass a known end-expiratory level",
    "peak_flow_volume_pct": "no inspiration before the squeeze",
    "squeeze_onset_pct": "no inspiration before the squeeze",
    "jacket_pressure_kpa": _NO_JACKET,
    "jacket_rise_s": "the rise of jacket pressure is not in the recording",
    "squeeze_leak_pct": "too few breaths before or after the squeeze",
}


@dataclass(frozen=True, slots=True)
class _Curve:
    """Forced expiration of one squeeze, with what it is measured against, mL.

    `crossing` is the sample of `forced` at which the end-expiratory level is passed, -1 where it
    is not; `vmaxfrc_ml_s` the flow there.
    """

    forced: Forced
    before: RestingLevel
    top_ml: float
    inspired_ml: float
    crossing: int
    vmaxfrc_ml_s: float


def find_trials(recording: Recording) -> list[Trial]:
    """Find each jacket squeeze that drives an expiration.

    Without jacket pressure the expirations are taken that are much faster than the others and go
    far below the end-expiratory level.
    """
    trials: list[Trial] = []
    found: list[dict[str, int]] = []
    for marks in _squeezes(recording):
        forced = _forced(recording, marks["onset"])
        if forced is None:
            continue
        start = min(breath_start(recording.breaths, marks["onset"]), forced.start)
        marks |= {"forced_start": forced.start, "peak": forced.peak, "forced_end": forced.end}
        # The breath that follows a squeeze starts far below the end-expiratory level.
        settle = round(SETTINGS["early_breath_s"] * recording.rate_hz)
        marks["free"] = trials[-1].end + settle if trials else 0
        trials.append(Trial(len(trials) + 1, start, forced.end + 1, marks))
        found.append(marks)
    following = [marks["onset"] for marks in found[1:]]
    for marks, until in zip(found, [*following, recording.flow_ml_s.size], strict=bool(found)):
        marks["until"] = until
    return trials


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Measure one squeeze."""
    curve, rate = _curve(recording, trial), recording.rate_hz
    forced, marks = curve.forced, trial.landmarks
    known = np.isfinite(curve.before.eel_ml)
    start_ml = float(recording.volume_ml[forced.start])
    out_at_peak = curve.top_ml - start_ml + forced.peak_out_ml
    out_at_onset = curve.top_ml - float(recording.volume_ml[marks["onset"]])
    drawn = curve.inspired_ml if curve.inspired_ml > 0 else NAN
    measures = Measures(
        {
            "eel_sd_pct": curve.before.sd_pct,
            "vmaxfrc_ml_s": curve.vmaxfrc_ml_s,
            "peak_flow_ml_s": forced.peak_flow_ml_s,
            "peak_flow_volume_pct": 100.0 * out_at_peak / drawn,
            "passes_eel": float(curve.crossing >= 0) if known else NAN,
            "flow_reversals": float(len(_reversals(recording, curve))),
            "squeeze_onset_pct": 100.0 * out_at_onset / drawn,
            "squeeze_leak_pct": squeeze_leak_pct(
                curve.before, _levels_after_ml(recording, trial, forced)
            ),
            "jacket_pressure_kpa": NAN,
            "jacket_rise_s": NAN,
        }
    )
    jacket = recording.pressures_kpa.get("jacket_pressure")
    if jacket is None or "jacket_full" not in marks:
        measures.miss(("jacket_pressure_kpa", "jacket_rise_s", "squeeze_onset_pct"), _NO_JACKET)
    else:
        measures |= _jacket(jacket, trial, rate)
    return give_reasons(measures, REASONS)


def flow_at_level_ml_s(
    flow_out_ml_s: FloatArray, out_ml: FloatArray, *, level_ml: float, window_ml: float
) -> tuple[int, float]:
    """Sample before which expired volume passes a level, and the expired flow there, mL/s.

    Flow (mL/s) and volume (mL) out: shape (n,). Flow is read off the straight line of flow on
    volume through the samples within `window_ml` of the level, and straight between the two
    neighbours where these are fewer than four. (-1, NaN) where volume does not pass the level.
    Error: noise of flow / sqrt(samples in the window).
    Source: Sly et al., Eur Respir J 2000;16:741-748.
    """
    beyond = np.flatnonzero(out_ml > level_ml)
    if beyond.size == 0 or beyond[0] == 0:
        return -1, NAN
    passed = int(beyond[0])
    away = np.abs(out_ml - level_ml) > window_ml
    far_before, far_after = np.flatnonzero(away[:passed]), np.flatnonzero(away[passed:])
    start = int(far_before[-1]) + 1 if far_before.size else 0
    end = passed + int(far_after[0]) if far_after.size else int(out_ml.size)
    if end - start < 4:
        start, end = passed - 1, passed + 1
    line = fit_line(out_ml[start:end], flow_out_ml_s[start:end])
    return passed, line.intercept + line.slope * level_ml


def squeeze_leak_pct(before: RestingLevel, after_ml: FloatArray) -> float:
    """Volume that left past the flow head under a squeeze, percent of tidal volume.

    What a mask loses under the squeeze is missing in expired volume only, so the measured level of
    the breaths that follow stands higher by it for good. `after_ml`: levels of those breaths, mL,
    shape (n,), in order; the lungs come back from below over the first of them, or from above after
    a deep breath, and the median of all is hardly moved by one. NaN where they are too few.
    """
    if after_ml.size < SETTINGS["leak_breaths_least"] or not before.tidal_volume_ml > 0:
        return NAN
    return 100.0 * (median(after_ml) - before.eel_ml) / before.tidal_volume_ml


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Count the accepted trials, measure their agreement and the gain between jacket steps."""
    flows = np.sort(values_of(trials, "vmaxfrc_ml_s"))[::-1]
    spread = float(flows[0] - flows[2]) if flows.size >= 3 else NAN
    measures = Measures(
        {
            "n_accepted": float(len(trials)),
            "vmaxfrc_spread_pct": 100.0 * spread / float(flows[0]) if flows.size else NAN,
            "vmaxfrc_spread_ml_s": spread,
            "flow_gain_pct": _flow_gain_pct(trials),
            "vmaxfrc_cv_pct": cv_pct(flows),
        }
    )
    reasons = {
        "vmaxfrc_spread_pct": "fewer than three accepted squeezes",
        "vmaxfrc_spread_ml_s": "fewer than three accepted squeezes",
        "flow_gain_pct": "no accepted squeezes at two jacket steps",
        "vmaxfrc_cv_pct": "fewer than two accepted squeezes",
    }
    return give_reasons(measures, reasons)


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the level, its crossing, the peak, the jacket and where the squeeze began."""
    curve, rate = _curve(recording, trial), recording.rate_hz
    forced, eel = curve.forced, curve.before.eel_ml
    onset = trial.landmarks["onset"]
    peak_flow, peak_s = -forced.peak_flow_ml_s, (forced.start + forced.peak_at) / rate
    peak_ml = float(recording.volume_ml[forced.start]) - forced.peak_out_ml
    end_ml, end_s = float(recording.volume_ml[forced.end]), forced.end / rate
    span_s = (trial.start / rate, trial.end / rate)
    onset_point = (float(recording.volume_ml[onset]),)
    marks = [
        Mark("volume", "end-expiratory level before", span_s, (eel,) * 2, "eel_sd_pct"),
        Mark("volume", "squeeze begins", (onset / rate,), onset_point, "squeeze_onset_pct"),
        Mark("volume", "end of forced expiration", (end_s,), (end_ml,), "passes_eel"),
        Mark("flow", "peak flow", (peak_s,), (peak_flow,), "peak_flow_volume_pct"),
        Mark("loop", "peak flow", (peak_ml,), (peak_flow,), "peak_flow_volume_pct"),
    ]
    after_ml = _levels_after_ml(recording, trial, forced)
    if after_ml.size:
        later_s, level = (end_s, trial.landmarks["until"] / rate), (median(after_ml),) * 2
        label = "end-expiratory level after"
        marks.append(Mark("volume", label, later_s, level, "squeeze_leak_pct"))
    if curve.crossing >= 0:
        passed_s, flow = (forced.start + curve.crossing) / rate, -curve.vmaxfrc_ml_s
        marks.append(Mark("flow", "V'maxFRC", (passed_s,), (flow,), "vmaxfrc_ml_s"))
        also = ("vmaxfrc_frc_per_s",)
        marks.append(Mark("loop", "V'maxFRC", (eel,), (flow,), "vmaxfrc_ml_s", also))
    for begin, stop in _reversals(recording, curve):
        span = ((forced.start + begin) / rate, (forced.start + stop) / rate)
        marks.append(Mark("flow", "flow stops or turns", span, (0.0, 0.0), "flow_reversals"))
        marks.append(_reversal_on_loop(recording, forced.start + begin, forced.start + stop))
    jacket = recording.pressures_kpa.get("jacket_pressure")
    if jacket is not None and "jacket_full" in trial.landmarks:
        full, last = trial.landmarks["jacket_full"], trial.landmarks["jacket_release"] - 1
        for label, place in (("jacket begins to fill", onset), ("jacket full", full)):
            point = (float(jacket[place]),)
            marks.append(Mark("jacket_pressure", label, (place / rate,), point, "jacket_rise_s"))
        held = (float(jacket[full]), float(jacket[last]))
        times = (full / rate, last / rate)
        marks.append(Mark("jacket_pressure", "held", times, held, "jacket_pressure_kpa"))
    return marks


def _squeezes(recording: Recording) -> list[dict[str, int]]:
    """Landmarks of each squeeze: where it begins and, where known, the jacket's own."""
    jacket = recording.pressures_kpa.get("jacket_pressure")
    if jacket is not None:
        found = find_squeezes(jacket, recording.rate_hz, least_kpa=SETTINGS["squeeze_least_kpa"])
        return [
            {"onset": s.onset, "jacket_full": s.full, "jacket_release": s.release} for s in found
        ]
    breaths, volume = recording.breaths, recording.volume_ml
    if breaths.start.size < 4:
        return []
    flow_out = np.array(
        [
            -recording.flow_ml_s[turn:end].min()
            for turn, end in zip(breaths.turn, breaths.end, strict=True)
        ]
    )
    depth = median(volume[breaths.turn] - breaths.eel_ml)
    fast = flow_out > SETTINGS["forced_flow_ratio"] * median(flow_out)
    deep = volume[breaths.end] < breaths.eel_ml - SETTINGS["forced_depth_share"] * depth
    return [{"onset": int(turn)} for turn in breaths.turn[fast & deep]]


def _forced(recording: Recording, onset: int) -> Forced | None:
    return follow_forced(
        recording.flow_ml_s - _drift_ml_s(recording, onset),
        recording.volume_ml,
        recording.rate_hz,
        onset=onset,
        least_breath_share=SETTINGS["breath_share"],
        smoothing_s=SETTINGS["smoothing_s"],
    )


def _drift_ml_s(recording: Recording, onset: int) -> float:
    """Zero of the flow head at a squeeze, mL/s: its drift over the second from the onset on."""
    return drift_ml_s(recording, onset, onset + round(recording.rate_hz))


def _curve(recording: Recording, trial: Trial) -> _Curve:
    forced = _forced(recording, trial.landmarks["onset"])
    if forced is None:
        raise ValueError("a trial without a forced expiration")
    before = level_before(
        recording,
        min(trial.landmarks["onset"], forced.start),
        since=trial.landmarks["free"],
        least_breaths=int(SETTINGS["eel_breaths_least"]),
        most_breaths=int(SETTINGS["eel_breaths_most"]),
    )
    volume = recording.volume_ml
    top = float(volume[trial.start : forced.peak + 1].max())
    crossing, flow = flow_at_level_ml_s(
        forced.flow_out_ml_s,
        forced.out_ml,
        level_ml=float(volume[forced.start]) - before.eel_ml,
        window_ml=SETTINGS["level_window_share"] * before.tidal_volume_ml,
    )
    return _Curve(forced, before, top, top - float(volume[trial.start]), crossing, flow)


def _levels_after_ml(recording: Recording, trial: Trial, forced: Forced) -> FloatArray:
    """End-expiratory levels of the breaths after a squeeze and before what follows, mL.

    The first inspiration after it starts where the squeeze left the lungs, and is none of them.
    """
    breaths = recording.breaths
    settle = round(SETTINGS["early_breath_s"] * recording.rate_hz)
    after = (breaths.start > forced.end + settle) & (breaths.start <= trial.landmarks["until"])
    return breaths.eel_ml[after][: int(SETTINGS["leak_breaths_most"])]


def _reversal_on_loop(recording: Recording, begin: int, stop: int) -> Mark:
    last = min(stop, recording.volume_ml.size - 1)
    at = (float(recording.volume_ml[begin]), float(recording.volume_ml[last]))
    return Mark("loop", "flow stops or turns", at, (0.0, 0.0), "flow_reversals")


def _reversals(recording: Recording, curve: _Curve) -> list[tuple[int, int]]:
    """Stops and turns of forced flow before the level; a breath that ends it early is one."""
    forced, rate = curve.forced, recording.rate_hz
    smoothing_s = SETTINGS["smoothing_s"]
    beyond = 0 if curve.crossing >= 0 else round(SETTINGS["early_breath_s"] * rate)
    flow = recording.flow_ml_s[forced.start : forced.end + 1 + beyond]
    flow = flow - _drift_ml_s(recording, forced.start)
    until = curve.crossing + 1 if curve.crossing >= 0 else flow.size
    return find_reversals(
        -smooth(flow, rate, window_s=smoothing_s)[:until],
        peak=forced.peak - forced.start,
        noise_ml_s=smoothed_noise_ml_s(recording, smoothing_s=smoothing_s),
    )


def _jacket(jacket_kpa: FloatArray, trial: Trial, rate_hz: float) -> dict[str, float]:
    """Jacket pressure during the forced expiration after its rise, and the time of the rise."""
    full = trial.landmarks["jacket_full"]
    held, rise_s = held_and_rise(
        jacket_kpa,
        rate_hz,
        onset=trial.landmarks["onset"],
        full=full,
        last=max(min(trial.landmarks["jacket_release"], trial.landmarks["forced_end"]), full + 1),
        rise_pct=(SETTINGS["rise_low_pct"], SETTINGS["rise_high_pct"]),
    )
    return {"jacket_pressure_kpa": held, "jacket_rise_s": rise_s}


def _flow_gain_pct(trials: Sequence[MeasuredTrial]) -> float:
    """Gain of mean V'maxFRC from the second highest to the highest jacket step, percent."""
    pairs = sorted(
        (trial.values.get("jacket_pressure_kpa", NAN), trial.values.get("vmaxfrc_ml_s", NAN))
        for trial in trials
    )
    known = np.array([pair for pair in pairs if np.isfinite(pair).all()]).reshape(-1, 2)
    edges = np.flatnonzero(np.diff(known[:, 0]) > SETTINGS["jacket_step_kpa"]) + 1
    steps = [float(part.mean()) for part in np.split(known[:, 1], edges)] if known.size else []
    return 100.0 * (steps[-1] / steps[-2] - 1.0) if len(steps) > 1 else NAN
