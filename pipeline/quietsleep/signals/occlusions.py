"""Occlusions of the airway: where the shutter is closed, and where pressure behind it is level.

Source of the method: Gappa et al., Eur Respir J 2001;17:141-148; limits are in the contracts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from quietsleep.records import BoolArray, Breaths, FloatArray, Recording
from quietsleep.signals.fits import NAN, fit_line, fit_plane
from quietsleep.signals.quantiles import median, percentile, runs

_STRIDE = 3  # every third sample tells the apparatus as well
_LONGEST_LAG_S = 0.06  # filters of 25 Hz and eight poles are 33 ms late
_LOOK_AFTER_S = 0.1
_FALLING_S = 0.03  # a steep filter of 25 Hz falls within this time
_RINGS = (
    5.0  # flow of a closed shutter rings up to so many times the limit (order 8: 16 % of a step)
)
_PRESSURE_SHARE = 0.1  # of the largest pressure held, where that is small all along
_PRESSURE_TIMES = 4.0  # what a shutter holds up is so many times what flow makes with it open
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


@dataclass(frozen=True, slots=True)
class OpenAirway:
    """Airway pressure with the shutter open: zero_kpa + slope_kpa_s_ml * flow, `lag_s` later.

    The slope is that of the apparatus, never above zero; the lag is what filters and delays of the
    pressure channel have more than those of the flow channel.
    """

    zero_kpa: float
    slope_kpa_s_ml: float
    lag_s: float


def open_airway(flow_ml_s: FloatArray, pressure_kpa: FloatArray, rate_hz: float) -> OpenAirway:
    """Tell what airway pressure (kPa) flow (mL/s) makes while the shutter is open; (n,) each.

    Least squares of pressure on flow and its rate of change, P = zero + slope * (q - lag * q'),
    over samples that flow, once more without those far off it: a closed shutter has no flow.
    """
    usual = percentile(np.abs(flow_ml_s[::_STRIDE]), 90) if flow_ml_s.size else 0.0
    fast = np.flatnonzero(np.abs(flow_ml_s[1:-1]) > 0.2 * usual)[::_STRIDE] + 1
    if fast.size < 16:
        return OpenAirway(0.0, 0.0, 0.0)
    flow, pressure = flow_ml_s[fast], pressure_kpa[fast]
    change = (flow_ml_s[fast + 1] - flow_ml_s[fast - 1]) * (0.5 * rate_hz)
    line = fit_line(flow, pressure)
    off = np.abs(pressure - line.intercept - line.slope * flow)
    near = off <= 5.0 * median(off)
    (zero, slope, rest), _ = fit_plane(pressure[near], flow[near], change[near])
    if not slope < 0.0:
        return OpenAirway(float(zero), 0.0, 0.0)
    lag_s = float(np.clip(-rest / slope, -_LONGEST_LAG_S, _LONGEST_LAG_S))
    return OpenAirway(float(zero), float(slope), lag_s)


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
    breathing has no flow either, but its airway pressure stays where it is at zero flow. A steep
    filter rings when the shutter closes: flow beyond the limit still counts as none while pressure
    is not what that flow makes of it with the shutter open. Where pressure is small in every
    stretch, yet many times what flow makes of it with the shutter open (a wrong unit), a tenth of
    the largest is enough, so that rules can name the slip.
    """
    if flow_ml_s.size < 3:
        return []
    airway = open_airway(flow_ml_s, airway_pressure_kpa, rate_hz)
    made = airway.slope_kpa_s_ml * _later(flow_ml_s, airway.lag_s * rate_hz)
    held = np.abs(airway_pressure_kpa - airway.zero_kpa - made)
    span = max(1, round(0.01 * rate_hz))
    slow = np.abs(running_mean(flow_ml_s, span))
    least, bridge = settings.least_s * rate_hz, round(0.015 * rate_hz)

    def held_in(still: BoolArray) -> dict[tuple[int, int], float]:
        stretches = [(a, b) for a, b in runs(still, bridge=bridge) if b - a >= least]
        return {(a, b): percentile(held[a:b], 75) for a, b in stretches}

    still = slow <= limit_ml_s
    largest = max(held_in(still).values(), default=0.0)
    moved_kpa = settings.pressure_kpa
    if _PRESSURE_SHARE * largest < moved_kpa:
        open_kpa = -airway.slope_kpa_s_ml * percentile(np.abs(flow_ml_s), 90)
        if 0.0 < _PRESSURE_TIMES * open_kpa <= largest:
            moved_kpa = _PRESSURE_SHARE * largest
    shut = held >= moved_kpa
    stretches = held_in(still | (shut & (slow <= _RINGS * limit_ml_s)))
    return [
        _sharpened(flow_ml_s, shut, start, end, limit=limit_ml_s, reach=span)
        for (start, end), kpa in stretches.items()
        if kpa >= moved_kpa
    ]


def flow_limit_ml_s(
    flow_ml_s: FloatArray, settings: ShutterSettings, *, noise_ml_s: float
) -> float:
    """Flow below which the airway counts as shut: share of the usual flow, or multiple of noise."""
    usual = percentile(np.abs(flow_ml_s), 90) if flow_ml_s.size else 0.0
    return max(settings.flow_share * usual, settings.noise_multiple * noise_ml_s)


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
    flow_ml_s: FloatArray, shut: BoolArray, start: int, end: int, *, limit: float, reach: int
) -> Occlusion:
    """Move the edges of a stretch, blurred by smoothing, to where raw flow crosses the limit.

    `shut` (n,) says where pressure is that of a closed shutter. Flow in the first quarter before
    pressure is held belongs to the breath before: it crosses zero before closure. Flow while
    pressure is held is ringing: it begins where flow passes zero or the limit for the first time.
    """
    quarter = max((end - start) // 4, 1)
    low, high = max(start - reach, 0), min(end + reach, flow_ml_s.size)
    part = flow_ml_s[low:high]
    flows = np.abs(part) > limit
    before = np.flatnonzero((flows & ~shut[low:high])[: start + quarter - low])
    first = int(before[-1]) + 1 if before.size else 0
    still = ~flows[first : end - low]
    still[1:] |= part[first + 1 : end - low] * part[first : end - low - 1] < 0.0
    closed = np.flatnonzero(still)
    late = end - quarter - low
    last = np.flatnonzero(~flows[late:])
    return Occlusion(
        low + first + int(closed[0]) if closed.size else start,
        low + late + int(last[-1]) + 1 if last.size else end,
    )


def _later(samples: FloatArray, lag: float) -> FloatArray:
    """Samples (n,) moved to later by `lag` samples, with its fraction; the ends are held."""
    whole = math.floor(lag)
    place = np.clip(np.arange(samples.size) - whole, 1, samples.size - 1)
    share = lag - whole
    return np.asarray((1.0 - share) * samples[place] + share * samples[place - 1])


def settled_half(occlusion: Occlusion) -> slice:
    """Second half of an occlusion, but its last tenth: filters have settled, nothing has opened."""
    length = occlusion.end - occlusion.start
    return slice(occlusion.start + length // 2, occlusion.end - length // 10)


def airway_before(
    recording: Recording, occlusion: Occlusion, airway_pressure_kpa: FloatArray, *, breaths: int
) -> OpenAirway:
    """Airway pressure with the shutter open, from the last breaths before an occlusion.

    Flow is counted from what the head reads behind the closed shutter.
    """
    starts = recording.breaths.start
    before = starts[starts <= occlusion.start][-breaths:]
    part = slice(int(before[0]) if before.size else 0, occlusion.start)
    flow = recording.flow_ml_s[part] - float(recording.flow_ml_s[settled_half(occlusion)].mean())
    return open_airway(flow, airway_pressure_kpa[part], recording.rate_hz)


def held_until(
    flow_ml_s: FloatArray,
    pressure_kpa: FloatArray,
    occlusion: Occlusion,
    rate_hz: float,
    *,
    airway: OpenAirway,
) -> float:
    """Sample, with its fraction, at which pressure falls for good when the shutter opens.

    flow mL/s and pressure kPa: shape (n,). Last passing of half of the usual pressure of the
    occlusion (its upper quartile), less what flow makes of it with the shutter open; looked for
    until 0.1 s after its end: the pressure channel may be late.
    """
    last = min(occlusion.end + round(_LOOK_AFTER_S * rate_hz), pressure_kpa.size)
    whole = slice(occlusion.start, last)
    made = airway.zero_kpa + airway.slope_kpa_s_ml * _later(
        flow_ml_s[whole], airway.lag_s * rate_hz
    )
    part = np.abs(pressure_kpa[whole] - made)
    half = 0.5 * percentile(part[: occlusion.end - occlusion.start], 75)
    above = np.flatnonzero(part >= half)
    if above.size == 0 or int(above[-1]) + 1 >= part.size:
        return float(occlusion.end)
    at = int(above[-1])
    step = float(part[at] - part[at + 1])
    return occlusion.start + at + (float(part[at]) - half) / step


def pressure_fall_kpa(
    pressure_kpa: FloatArray, occlusion: Occlusion, rate_hz: float, *, until: float
) -> float:
    """Fall of pressure behind the closed shutter, kPa, had it fallen all the time as it does late.

    Slope of pressure (n,) over the second half of the occlusion, up to `until` (as `held_until`
    says) less what a filter needs to fall, times how long the shutter is closed: while the infant
    still relaxes pressure rises and hides what leaves. Negative where it rises to the end; NaN for
    fewer than four samples.
    """
    half = settled_half(occlusion)
    end = min(half.stop, math.floor(until) - round(_FALLING_S * rate_hz))
    part = pressure_kpa[half.start : max(end, half.start)]
    if part.size < 4:
        return NAN
    closed_s = (until - occlusion.start) / rate_hz
    return -fit_line(np.arange(part.size) / rate_hz, part).slope * closed_s


def expiration_end(breaths: Breaths, start: int, *, n: int) -> int:
    """Sample at which the next inspiration begins after `start`; `n`, the end, where none does.

    Breaths are whole, so that the ringing of a shutter is no inspiration.
    """
    later = int(np.searchsorted(breaths.start, start, side="right"))
    if later < breaths.start.size:
        return int(breaths.start[later])
    return int(breaths.end[-1]) if breaths.end.size and breaths.end[-1] > start else n


def breath_start(breaths: Breaths, sample: int) -> int:
    """Start of the last inspiration at or before a sample; 0 where there is none."""
    before = breaths.start[breaths.start <= sample]
    return int(before[-1]) if before.size else 0
