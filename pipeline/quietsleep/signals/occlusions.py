"""Occlusions of the airway: where the shutter is closed, and where pressure behind it is level.

Source of the method: Gappa et al., Eur Respir J 2001;17:141-148; limits are in the contracts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from quietsleep.records import Breaths, FloatArray, Recording
from quietsleep.signals.fits import NAN, fit_line
from quietsleep.signals.quantiles import median, percentile, runs

_SEARCHED_S = 6.0  # the next breath is looked for here first, and then in all that follows
_ALIKE = 1e-12  # share of the usual variance within which two windows are quiet alike


@dataclass(frozen=True, slots=True)
class Occlusion:
    """Samples [start, end) during which the shutter is closed; `end` is the release."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Plateau:
    """Level part of the pressure behind a closed shutter, samples [start, end).

    `pressure_kpa` and `sd_kpa` belong to the quietest window, `quiet_start` to `quiet_end`.
    """

    start: int
    end: int
    quiet_start: int
    quiet_end: int
    length_s: float
    pressure_kpa: float
    sd_kpa: float


@dataclass(frozen=True, slots=True)
class ShutterSettings:
    """How a closed shutter is told from a pause.

    A closed shutter lasts `least_s`, holds flow below `flow_share` of the usual flow or
    `noise_multiple` times the noise, whichever is larger, and moves pressure by `pressure_kpa` for
    a quarter of its time.
    """

    least_s: float
    flow_share: float
    noise_multiple: float
    pressure_kpa: float


def shutter_settings(settings: Mapping[str, float]) -> ShutterSettings:
    """Take the settings of a technique that tell a closed shutter."""
    return ShutterSettings(
        least_s=settings["shutter_least_s"],
        flow_share=settings["shutter_flow_share"],
        noise_multiple=settings["shutter_noise_multiple"],
        pressure_kpa=settings["shutter_pressure_kpa"],
    )


def find_occlusions(
    flow_ml_s: FloatArray,
    airway_pressure_kpa: FloatArray,
    rate_hz: float,
    settings: ShutterSettings,
    *,
    limit_ml_s: float,
) -> list[Occlusion]:
    """Find where flow stays near zero while airway pressure moves, in order of time.

    flow mL/s and pressure kPa: shape (n,); `limit_ml_s` as `flow_limit_ml_s` says. A pause in
    breathing has no flow either, but its airway pressure stays where it is at zero flow.
    """
    pressure = airway_pressure_kpa - open_pressure_kpa(flow_ml_s, airway_pressure_kpa)
    span = max(1, round(0.01 * rate_hz))
    closed = np.abs(running_mean(flow_ml_s, span)) <= limit_ml_s
    found = []
    for start, end in runs(closed, bridge=round(0.015 * rate_hz)):
        if end - start < settings.least_s * rate_hz:
            continue
        if percentile(np.abs(pressure[start:end]), 75) >= settings.pressure_kpa:
            found.append(_sharpened(flow_ml_s, start, end, limit=limit_ml_s, reach=span))
    return found


def flow_limit_ml_s(
    flow_ml_s: FloatArray, settings: ShutterSettings, *, noise_ml_s: float
) -> float:
    """Flow below which the airway counts as shut: share of the usual flow, or multiple of noise."""
    usual = percentile(np.abs(flow_ml_s), 90) if flow_ml_s.size else 0.0
    return max(settings.flow_share * usual, settings.noise_multiple * noise_ml_s)


def open_pressure_kpa(flow_ml_s: FloatArray, airway_pressure_kpa: FloatArray) -> float:
    """Airway pressure at zero flow with the shutter open, kPa: the zero of the transducer.

    Intercept of pressure on flow over samples that flow, robust to a manoeuvre among them. Shape
    (n,) each; 0 where nothing flows.
    """
    if flow_ml_s.size < 16:
        return 0.0
    fast = np.abs(flow_ml_s) > 0.2 * percentile(np.abs(flow_ml_s), 90)
    if fast.sum() < 16:
        return 0.0
    flow, pressure = flow_ml_s[fast], airway_pressure_kpa[fast]
    line = fit_line(flow, pressure)
    off = np.abs(pressure - line.slope * flow - line.intercept)
    near = off <= 5.0 * median(off)
    return fit_line(flow[near], pressure[near]).intercept


def find_plateau(
    pressure_kpa: FloatArray,
    occlusion: Occlusion,
    rate_hz: float,
    *,
    window_s: float,
    band_kpa: float,
) -> Plateau:
    """Find the quietest window of an occlusion and how long pressure stays level around it.

    pressure kPa: shape (n,). The quietest window has `window_s` (or the whole occlusion when that
    is shorter) and the least SD, n - 1 in the denominator and no smoothing before; the plateau is
    the stretch around it whose 20 ms running mean stays within `band_kpa` of its mean.
    NaN for fewer than three samples.
    """
    part = pressure_kpa[occlusion.start : occlusion.end]
    if part.size < 3:
        return Plateau(
            occlusion.start, occlusion.end, occlusion.start, occlusion.end, NAN, NAN, NAN
        )
    window = min(max(3, round(window_s * rate_hz)), int(part.size))
    quiet = _quietest(part, window)
    held = part[quiet : quiet + window]
    level = float(held.sum()) / window
    smooth = running_mean(part, max(1, round(0.02 * rate_hz)))
    near = np.abs(smooth - level) <= band_kpa
    near[quiet + window // 2] = True
    start, end = next((a, b) for a, b in runs(near) if a <= quiet + window // 2 < b)
    first = occlusion.start
    return Plateau(
        first + start,
        first + end,
        first + quiet,
        first + quiet + window,
        (end - start) / rate_hz,
        level,
        math.sqrt(float(((held - level) ** 2).sum()) / (window - 1)),
    )


def _quietest(samples: FloatArray, window: int) -> int:
    """Where the window of least variance begins; prefix sums make it O(n)."""
    about = samples - samples.mean()
    sums = np.zeros((2, samples.size + 1))
    np.cumsum(about, out=sums[0, 1:])
    np.cumsum(about * about, out=sums[1, 1:])
    total, squares = sums[:, window:] - sums[:, :-window]
    variance = squares - total * total / window
    # Of windows that are quiet alike, as with coarse converters, the first: rounding never chooses.
    return int(np.argmax(variance <= variance.min() + _ALIKE * variance.mean()))


def closure_lag_s(
    pressure_kpa: FloatArray, occlusion: Occlusion, rate_hz: float, *, level_kpa: float
) -> float:
    """Time from the moment of closure to the first sample of an occlusion, s, within one period.

    Pressure leaves its open value at the moment of closure and nears `level_kpa` exponentially; the
    straight line through log |level - P(t)|, weighted by its square, is followed back to the open
    value. Half a period where pressure settles too fast or too oddly to tell.
    """
    period = 1.0 / rate_hz
    if occlusion.start < 1:
        return 0.5 * period
    reach = occlusion.start + max(3, round(0.06 * rate_hz))
    part = pressure_kpa[occlusion.start - 1 : min(reach, occlusion.end)]
    share = (level_kpa - part) / (level_kpa - part[0]) if level_kpa != part[0] else part * 0.0
    settled = np.flatnonzero(share[1:] < 0.1)
    share = share[1 : 1 + int(settled[0])] if settled.size else share[1:]
    if share.size < 2:
        return 0.5 * period
    time = np.arange(share.size) / rate_hz
    weight, log_share = share**2, np.log(share)
    mid = float(weight @ time / weight.sum())
    slope = float(weight @ ((time - mid) * log_share) / (weight @ (time - mid) ** 2))
    if slope >= 0:
        return 0.5 * period
    at_start = float(weight @ log_share / weight.sum()) - slope * mid
    return float(np.clip(at_start / slope, 0.0, period))


def running_mean(y: FloatArray, span: int) -> FloatArray:
    """Centred running mean over `span` samples, shorter at the ends; shape (n,)."""
    if span <= 1 or y.size == 0:
        return y
    n, before, after = y.size, span // 2, span - span // 2
    sums = np.zeros(n + 1)
    np.cumsum(y, out=sums[1:])
    if n <= span:
        place = np.arange(n)
        low, high = np.maximum(place - before, 0), np.minimum(place + after, n)
        return np.asarray((sums[high] - sums[low]) / (high - low), dtype=np.float64)
    mean = np.empty(n)
    mean[before : n - after + 1] = (sums[span:] - sums[:-span]) / span
    mean[:before] = sums[after:span] / np.arange(after, span)
    mean[n - after + 1 :] = (sums[n] - sums[n - span + 1 : n - before]) / np.arange(
        span - 1, before, -1
    )
    return mean


def _sharpened(
    flow_ml_s: FloatArray, start: int, end: int, *, limit: float, reach: int
) -> Occlusion:
    """Move the edges of a stretch, blurred by smoothing, to where raw flow crosses the limit.

    Flow in the first quarter belongs to the breath before: it crosses zero before closure.
    """
    quarter = max((end - start) // 4, 1)
    low, high = max(start - reach, 0), min(end + reach, flow_ml_s.size)
    first = end - quarter
    before = np.flatnonzero(np.abs(flow_ml_s[low : start + quarter]) > limit)
    after = np.flatnonzero(np.abs(flow_ml_s[first:high]) > limit)
    return Occlusion(
        low + int(before[-1]) + 1 if before.size else start,
        first + int(after[0]) if after.size else end,
    )


def zero_pressure_kpa(
    recording: Recording, occlusion: Occlusion, airway_pressure_kpa: FloatArray, *, breaths: int
) -> float:
    """Airway pressure at zero flow over the last breaths before an occlusion, kPa."""
    starts = recording.breaths.start
    before = starts[starts <= occlusion.start][-breaths:]
    part = slice(int(before[0]) if before.size else 0, occlusion.start)
    return open_pressure_kpa(recording.flow_ml_s[part], airway_pressure_kpa[part])


def zero_flow_ml_s(flow_ml_s: FloatArray, occlusions: Sequence[Occlusion]) -> float:
    """Reading of the flow head behind a closed shutter, mL/s: its zero. 0 without occlusions."""
    still = [flow_ml_s[o.start : o.end] for o in occlusions]
    return float(np.concatenate(still).mean()) if still else 0.0


def volume_from(flow_ml_s: FloatArray, rate_hz: float, *, start_ml: float) -> FloatArray:
    """Volume (n,) in mL by the trapezoid rule from flow (n,) in mL/s, `start_ml` at the start."""
    steps = 0.5 * (flow_ml_s[1:] + flow_ml_s[:-1]) / rate_hz
    return start_ml + np.concatenate(([0.0], np.cumsum(steps)))


def expiration_end(flow_ml_s: FloatArray, start: int, *, limit_ml_s: float, rate_hz: float) -> int:
    """Sample at which the next inspiration begins after `start`; the end of the record if none.

    Inspiration counts once the 20 ms mean of flow exceeds the limit; it begins at the zero
    crossing before that.
    """
    span, n = max(1, round(0.02 * rate_hz)), flow_ml_s.size - start
    for searched in (min(round(_SEARCHED_S * rate_hz), n), n):
        smooth = running_mean(flow_ml_s[start : start + searched + span], span)[:searched]
        inward = np.flatnonzero(smooth > limit_ml_s)
        if inward.size:
            break
    else:
        return int(flow_ml_s.size)
    outward = np.flatnonzero(smooth[: inward[0]] <= 0)
    return start + (int(outward[-1]) + 1 if outward.size else int(inward[0]))


def breath_start(breaths: Breaths, sample: int) -> int:
    """Start of the last inspiration at or before a sample; 0 where there is none."""
    before = breaths.start[breaths.start <= sample]
    return int(before[-1]) if before.size else 0
