"""Syringe check: strokes of a known volume through the flow head, both ways, at several flows.

Source: Frey et al., Eur Respir J 2001;17:755-764 (volume within 5 %); the syringe moves room air
both ways, so no gas correction is made.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from quietsleep.contract import CHECKS
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.breaths import integrate
from quietsleep.signals.fits import fit_line, noise_sd, values_of
from quietsleep.signals.quantiles import median, runs

SPEC = CHECKS["syringe"]
SETTINGS = SPEC.settings


def find_trials(recording: Recording) -> list[Trial]:
    """Find every whole stroke of either direction, in order of time.

    A stroke is a stretch of flow in one direction that moves a fair share of the known volume. One
    that the recording cuts off is left out, because its volume is not known: a stroke is whole
    where flow rests, or runs the other way, on both sides of it within the recording. Landmarks
    `rest_before` and `rest_after` lie in those rests; its volume is what moves between them.
    """
    flow, rate = recording.flow_ml_s, recording.rate_hz
    if flow.size < 3:
        return []
    level = flow - zero_flow_ml_s(flow, rate)
    still = _still_ml_s(level)
    volume = integrate(level, rate)
    bridge = round(SETTINGS["hesitation_s"] * rate)
    stretches = sorted(
        stretch
        for moving in (level > still, level < -still)
        for stretch in runs(moving, bridge=bridge)
    )
    known_ml = recording.context.get("known_volume_ml", float("nan"))
    moved = [abs(float(volume[end - 1] - volume[start])) for start, end in stretches]
    least_ml = SETTINGS["least_share"] * (known_ml if known_ml > 0 else max(moved, default=0.0))
    ends = [-1, *(end for _, end in stretches)]
    starts = [*(start for start, _ in stretches), flow.size]
    reach = round(SETTINGS["reach_s"] * rate)
    trials: list[Trial] = []
    for place, (start, end) in enumerate(stretches):
        before, after = ends[place], starts[place + 1]
        first, last = place == 0, place + 1 == len(stretches)
        cut = (first and not _rests(level[:start], bridge)) or (
            last and not _rests(level[end:], bridge)
        )
        if moved[place] < least_ml or cut:
            continue
        marks = {
            "rest_before": max(start - reach, (before + start) // 2, 0),
            "rest_after": min(end + reach, (end + after + 1) // 2, flow.size),
        }
        trials.append(Trial(len(trials) + 1, *_to_rest(level, start, end, reach=bridge), marks))
    return trials


def zero_flow_ml_s(flow_ml_s: FloatArray, rate_hz: float) -> float:
    """Flow (mL/s) that the head shows at rest: mean of the rests between strokes, robustly.

    Rests are stretches of at least `rest_s` within the band of stillness about the median of low
    flows, less a margin on either side. Without any the zero cannot be known and is left as the
    device registered it. flow: (n,), n >= 1. Error: noise over the root of the number of samples
    at rest.
    """
    size = np.abs(flow_ml_s)
    low = flow_ml_s[size <= SETTINGS["low_share"] * size.max()]
    middle = median(low) if low.size else 0.0
    still = np.abs(flow_ml_s - middle) <= _still_ml_s(flow_ml_s - middle)
    margin = round(SETTINGS["margin_s"] * rate_hz)
    rests = [
        flow_ml_s[start + margin : end - margin]
        for start, end in runs(still, bridge=2)
        if end - start >= SETTINGS["rest_s"] * rate_hz
    ]
    if not rests:
        return 0.0
    at_rest = np.concatenate(rests)
    # The slow end of a stroke runs into the rest: only what noise makes of the usual value counts.
    near = np.abs(at_rest - median(at_rest)) <= SETTINGS["rest_noise_sds"] * noise_sd(flow_ml_s)
    return float(at_rest[near].mean()) if near.any() else median(at_rest)


def _still_ml_s(level_ml_s: FloatArray) -> float:
    """Flow below which the syringe rests: a share of the fastest flow, or a multiple of noise."""
    fastest = float(np.abs(level_ml_s).max())
    noise = SETTINGS["still_noise_sds"] * noise_sd(level_ml_s)
    return max(SETTINGS["still_share"] * fastest, noise)


def _rests(level_ml_s: FloatArray, span: int) -> bool:
    """Whether flow (n,) rests somewhere for `span` samples: their mean is zero but for noise.

    The slow end of a stroke lies below what counts as moving, but has not come to rest.
    """
    if level_ml_s.size < span:
        return False
    sums = np.concatenate(([0.0], np.cumsum(level_ml_s)))
    least = float(np.abs(sums[span:] - sums[:-span]).min()) / span
    noise = SETTINGS["rest_noise_sds"] * noise_sd(level_ml_s) / float(np.sqrt(span))
    return least <= max(noise, SETTINGS["rest_ml_s"])


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Volume, signed error, mean flow and direction of one stroke.

    V = integral of (flow - zero) from the rest before the stroke to the rest after it by the
    trapezoid rule, mL, so that the slow end of a stroke counts; error = 100 (V - known) / known, %.
    """
    flow, rate = recording.flow_ml_s, recording.rate_hz
    between = slice(trial.landmarks["rest_before"], trial.landmarks["rest_after"])
    moved_ml = float(integrate(flow[between] - zero_flow_ml_s(flow, rate), rate)[-1])
    # Flow leaves and reaches zero half a sample inside either end, on average.
    seconds = (trial.end - 2 - trial.start) / rate
    measures = Measures(
        {
            "stroke_volume_ml": abs(moved_ml),
            "stroke_flow_ml_s": abs(moved_ml) / seconds,
            "stroke_inspired": float(moved_ml > 0.0),
        }
    )
    known_ml = recording.context.get("known_volume_ml", float("nan"))
    if known_ml > 0:
        measures["stroke_error_pct"] = 100.0 * (abs(moved_ml) - known_ml) / known_ml
    else:
        measures.miss(("stroke_error_pct",), "no known volume")
    heated_min = recording.context.get("heated_min", float("nan"))
    measures["heated_min"] = heated_min
    if np.isnan(heated_min):
        measures.miss(("heated_min",), "not recorded")
    return measures


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Mean error of each direction, range of flows, and how the error goes with flow."""
    measures = Measures({"n_strokes": float(len(trials))})
    for name, inspired in (("error_inspired_pct", 1.0), ("error_expired_pct", 0.0)):
        strokes = [t for t in trials if t.values["stroke_inspired"] == inspired]
        errors = values_of(strokes, "stroke_error_pct")
        if errors.size:
            measures[name] = float(errors.mean())
        else:
            measures.miss((name,), "no usable stroke in this direction")
    flows = values_of(trials, "stroke_flow_ml_s")
    errors = values_of(trials, "stroke_error_pct")
    if flows.size:
        measures["flow_ratio"] = float(flows.max() / flows.min())
    else:
        measures.miss(("flow_ratio",), "no usable stroke")
    slope = fit_line(flows, errors).slope if flows.size == errors.size else float("nan")
    if np.isnan(slope):
        measures.miss(("error_slope_pct",), "too few different flows")
    else:
        measures["error_slope_pct"] = slope * float(np.ptp(flows))
    heated = values_of(trials, "heated_min")
    if heated.size:
        measures["heated_min"] = float(heated[0])
    else:
        measures.miss(("heated_min",), "not recorded")
    return measures


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the stroke and its volume."""
    values = measure_trial(recording, trial)
    span_s = (trial.start / recording.rate_hz, (trial.end - 1) / recording.rate_hz)
    quantity = "error_inspired_pct" if values["stroke_inspired"] else "error_expired_pct"
    return [Mark("flow", "Stroke", span_s, (0.0, 0.0), quantity)]


def _to_rest(level_ml_s: FloatArray, start: int, end: int, *, reach: int) -> tuple[int, int]:
    """Stretch a stroke out to where flow rests or turns, at most `reach` samples on either side."""
    sign = 1.0 if level_ml_s[start:end].sum() > 0.0 else -1.0
    before = np.flatnonzero(sign * level_ml_s[max(start - reach, 0) : start] <= 0.0)
    after = np.flatnonzero(sign * level_ml_s[end : end + reach] <= 0.0)
    first = max(start - reach, 0) + int(before[-1]) if before.size else max(start - reach, 0)
    last = end + int(after[0]) if after.size else min(end + reach, level_ml_s.size) - 1
    return first, last + 1
