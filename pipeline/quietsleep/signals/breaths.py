"""Volume from flow, breaths, end-expiratory level (EEL), and the drift of that level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietsleep.records import BoolArray, Breaths, FloatArray, IntArray
from quietsleep.signals.drift import (
    drift_slope_ml_s,
    shrunk,
    uneven_share,
    wave_between_zeros_ml_s,
    weighted_median,
)
from quietsleep.signals.fits import fit_line, noise_sd
from quietsleep.signals.quantiles import edges_of, median, percentile, runs
from quietsleep.signals.recovery import settled_levels

# How breaths are recognised. None of these judges a trial. They follow Bates et al., Eur Respir J
# 2000;16:1180-1192 in kind (a least volume and a least time); the figures are this study's own.
_NOISE_SDS = 4.0  # a direction counts once flow exceeds this many SDs of its noise ...
_FLOW_SHARE = 0.06  # ... and this share of mean |flow|
_STRONG_SHARE = 0.2  # an inspiration is under way at this share of its peak flow
_LEAST_VOLUME_SHARE = 0.1  # least phase, as a share of the typical phase volume
_LEAST_PHASE_S = 0.08
# Pressures beyond these (from their resting value) mark an occlusion, inflation or squeeze.
AIRWAY_BUSY_KPA = 0.12
_AIRWAY_BUSY_S = 0.05
_JACKET_BUSY_KPA = 0.3
_CLOSED_LEAST_S = 0.04  # shortest part of an occlusion that shows the zero of the flow head
_RINGS_S = 0.12  # a steep filter of 25 Hz rings no more so long after a step ...
_LATE_S = 0.06  # ... and is later than another by less than this
_STILL_SHARE = 0.1  # flow stands still while its scatter is below this share of mean |flow|
_REST_STRIDE = 4  # resting pressures are quantiles; every fourth sample tells them as well
AIRWAY_NEAR_KPA = 0.3  # airway pressures that can be rest with a transducer a little off zero
_NO_ZEROS = np.zeros(0, dtype=np.int64), np.zeros(0)
# A breath is regular within these multiples of the median volume and duration.
_REGULAR_LOW, _REGULAR_HIGH = 0.5, 1.7


def integrate(flow_ml_s: FloatArray, rate_hz: float) -> FloatArray:
    """Volume (n,) in mL of flow (n,) in mL/s by the trapezoid rule; starts at 0."""
    volume_ml = np.zeros(flow_ml_s.size)
    np.cumsum(flow_ml_s[1:] + flow_ml_s[:-1], out=volume_ml[1:])
    volume_ml *= 0.5 / rate_hz
    return volume_ml


def smooth(samples: FloatArray, rate_hz: float, *, window_s: float) -> FloatArray:
    """Samples (n,) after a local parabola over a window of `window_s`, never longer.

    Each sample stands for one sampling period, and counts by the share of it that the window
    holds: with shares c_i and S_k = sum c_i i^k the weights are c_i (S4 - S2 i^2) / (S0 S4 - S2^2),
    which keep level, slope and curvature. The ends are extended by their own value. Unchanged when
    the window holds three periods or fewer, because a parabola goes through three samples.
    Source: Savitzky A, Golay MJE, Anal Chem 1964;36:1627-1639, whose weights these are where the
    window holds an odd number of whole periods.
    """
    weights = _smoothing_weights(window_s * rate_hz)
    if weights.size < 5 or samples.size == 0:
        return samples
    half = weights.size // 2
    ends = np.full(half, samples[0]), np.full(half, samples[-1])
    return np.convolve(np.concatenate((ends[0], samples, ends[1])), weights, mode="valid")


def noise_left(rate_hz: float, *, window_s: float) -> float:
    """SD of white noise after `smooth` over its SD before."""
    weights = _smoothing_weights(window_s * rate_hz)
    return float(np.sqrt(weights @ weights))


@lru_cache(maxsize=64)
def _smoothing_weights(periods: float) -> FloatArray:
    """Weights of `smooth` for a window of so many sampling periods; odd in number."""
    half = max(int(np.ceil(0.5 * periods - 0.5 - 1e-9)), 0)
    if half < 2:
        return np.ones(1)
    place = np.arange(-half, half + 1, dtype=np.float64)
    share = np.minimum(np.maximum(0.5 * periods + 0.5 - np.abs(place), 0.0), 1.0)
    sums = [float((share * place**power).sum()) for power in (0, 2, 4)]
    weights = share * (sums[2] - sums[1] * place**2) / (sums[0] * sums[2] - sums[1] ** 2)
    weights.flags.writeable = False
    return np.asarray(weights, dtype=np.float64)


def find_breaths(flow_ml_s: FloatArray, volume_ml: FloatArray, rate_hz: float) -> Breaths:
    """Cut a recording into whole breaths; arrays of shape (n_breaths,), possibly empty.

    Flow (mL/s, inspiration positive) has a direction once it leaves a noise-aware band about
    zero. Inspiration starts at the first positive sample after flow last was not positive;
    expiration turns at the first sample that is not positive, so a pause or an occlusion belongs
    to the expiration. Phases of too little volume or time are merged into their surroundings.
    `start` and `turn` are the first samples after the crossing.
    """
    noise_ml_s = noise_sd(flow_ml_s)
    direction = _directions(flow_ml_s, noise_ml_s)
    held = np.flatnonzero(direction)
    if held.size == 0:
        return _no_breaths(noise_ml_s)
    change = np.flatnonzero(np.diff(direction[held]))
    before, after = held[change], held[change + 1]
    inward = direction[after] > 0
    zero = _NotPositive(np.flatnonzero(flow_ml_s <= 0.0), flow_ml_s.size)
    edges = np.where(inward, zero.last(after) + 1, zero.following(before))
    edges, inward = _merge_small(edges, inward, volume_ml, rate_hz)
    if edges.size and not inward[0]:
        edges = edges[1:]
    whole = (edges.size - 1) // 2
    if whole < 1:
        return _no_breaths(noise_ml_s)
    strong, weak = _strong_span(flow_ml_s, edges[: 2 * whole + 1])
    starts, turns = zero.last(strong) + 1, zero.following(weak)
    return Breaths(
        start=starts[:-1],
        turn=turns[:whole],
        end=starts[1:],
        eel_ml=volume_ml[starts[:-1]],
        noise_ml_s=noise_ml_s,
    )


@dataclass(frozen=True, slots=True)
class _NotPositive:
    """Samples of a flow of `n` samples that are not above zero, in order."""

    samples: IntArray
    n: int

    def last(self, until: IntArray) -> IntArray:
        """Return the last of them until each sample, that sample included; -1 where none is."""
        place = np.searchsorted(self.samples, until, side="right")
        return np.concatenate(([-1], self.samples))[place]

    def following(self, since: IntArray) -> IntArray:
        """Return the first of them from each sample on, that sample included; `n` for none."""
        return np.append(self.samples, self.n)[np.searchsorted(self.samples, since)]


def _strong_span(flow_ml_s: FloatArray, edges: IntArray) -> tuple[IntArray, IntArray]:
    """First and last sample of each inspiration with a fair share of its peak flow.

    `edges` are starts of inspiration and expiration in turn, from and to one of inspiration;
    the last one runs to the end of the signal. Ringing of a valve or heart beats before a breath
    are not part of it, and a dip in the middle of one does not end it.
    """
    least = _STRONG_SHARE * np.maximum.reduceat(flow_ml_s, edges)
    least[1::2] = np.inf  # expirations
    ends = np.append(edges[1:], flow_ml_s.size)
    strong = edges[0] + np.flatnonzero(flow_ml_s[edges[0] :] >= np.repeat(least, ends - edges))
    return strong[np.searchsorted(strong, edges[::2])], strong[
        np.searchsorted(strong, ends[::2]) - 1
    ]


def regular_breaths(
    breaths: Breaths, volume_ml: FloatArray, busy: BoolArray | None = None
) -> BoolArray:
    """Which breaths (n_breaths,) have a usual volume and duration and lie outside `busy` (n,).

    Usual is within 0.5 to 1.7 times the median of the breaths outside `busy`; volume is the
    larger of inspired and expired, so that a leak does not make a breath irregular.
    """
    if breaths.start.size == 0:
        return np.zeros(0, dtype=bool)
    free: BoolArray = np.ones(breaths.start.size, dtype=bool)
    if busy is not None and busy.any():
        passed = _counted(busy)
        free = passed[breaths.end] == passed[breaths.start]
        if not free.any():
            return free
    top = volume_ml[breaths.turn]
    tidal_ml = np.maximum(top - volume_ml[breaths.start], top - volume_ml[breaths.end])
    regular = free
    for size in (tidal_ml, (breaths.end - breaths.start).astype(np.float64)):
        usual = median(size[free])
        regular = regular & (size >= _REGULAR_LOW * usual) & (size <= _REGULAR_HIGH * usual)
    return regular


def manoeuvres(
    pressures_kpa: Mapping[str, FloatArray], flow_ml_s: FloatArray, rate_hz: float
) -> BoolArray:
    """Mask (n,) of samples in an occlusion, an inflation or a squeeze, by the pressures (kPa).

    True where airway or jacket pressure is away from rest: for the airway the median of pressures
    near atmosphere, since inflations can fill half of a recording, less what flow (n,) through
    the apparatus makes of it; for the jacket the lower quartile. Airway pressure that is away for
    less than 50 ms is what filters of pressure and flow make of one another.
    """
    n = flow_ml_s.size
    busy = np.zeros(n, dtype=bool)
    airway = pressures_kpa.get("airway_pressure")
    if airway is not None and n:
        near = np.abs(airway) < AIRWAY_NEAR_KPA
        airway = airway - _apparatus_kpa_s_ml(airway, flow_ml_s, near) * flow_ml_s
        rest_kpa = median(airway[near]) if near.any() else 0.0
        away = np.abs(airway - rest_kpa) > AIRWAY_BUSY_KPA
        for start, end in runs(away):
            busy[start:end] = end - start >= _AIRWAY_BUSY_S * rate_hz
    jacket = pressures_kpa.get("jacket_pressure")
    if jacket is not None and n:
        busy |= jacket - percentile(jacket[::_REST_STRIDE], 25.0) > _JACKET_BUSY_KPA
    return busy


def _apparatus_kpa_s_ml(airway_kpa: FloatArray, flow_ml_s: FloatArray, near: BoolArray) -> float:
    """Slope of airway pressure on flow with the shutter open, kPa.s/mL; never positive."""
    fast = near & (np.abs(flow_ml_s) > 0.3 * percentile(np.abs(flow_ml_s), 90.0))
    if not fast.any():
        return 0.0
    slope = fit_line(flow_ml_s[fast], airway_kpa[fast]).slope
    return min(slope, 0.0) if np.isfinite(slope) else 0.0


def level_volume(
    flow_ml_s: FloatArray,
    volume_ml: FloatArray,
    breaths: Breaths,
    busy: BoolArray,
    rate_hz: float,
    *,
    has_shutter: bool = False,
) -> tuple[FloatArray, Breaths]:
    """Volume (n,) in mL less its drift, and the breaths with their levels on it.

    0 is the median level of regular breaths; each counts with the level it would settle at
    (`settled_levels`), so that the recovery after a manoeuvre is no drift. Behind a closed shutter
    the flow head shows its zero: with a shutter, drift is that zero, how it moves between two
    readings (`wave_between_zeros_ml_s`), and what inspired volume adds (`uneven_share`). Without,
    its slope is that of `drift_slope_ml_s`, from breaths that have no manoeuvre between them, and
    from where one inflation after the other begins. Without regular breaths the first sample is
    zero.
    """
    regular = regular_breaths(breaths, volume_ml, busy)
    chosen = np.flatnonzero(regular)
    if chosen.size == 0:
        return _with_levels(volume_ml - float(volume_ml[:1].sum()), breaths, chosen, np.zeros(0))
    end, stretch = breaths.end[chosen], _stretch_of(breaths.end[chosen], busy)
    closed, zeros_ml_s = closed_zeros(flow_ml_s, busy, rate_hz) if has_shutter else _NO_ZEROS
    zero_ml_s = np.interp(np.arange(volume_ml.size), closed, zeros_ml_s) if closed.size else None
    if zero_ml_s is not None:
        volume_ml = volume_ml - integrate(zero_ml_s, rate_hz)
    level_ml = volume_ml[end]
    if busy.any():
        level_ml = settled_levels(breaths, chosen, stretch, volume_ml, rate_hz)
    if zero_ml_s is not None:
        inspired_ml = integrate(np.maximum(flow_ml_s - zero_ml_s, 0.0), rate_hz)
        drift_ml = uneven_share(inspired_ml[end], level_ml, stretch) * inspired_ml
        slope_ml_s = wave_between_zeros_ml_s(
            end, level_ml - drift_ml[end], stretch, closed, n=volume_ml.size, rate_hz=rate_hz
        )
        drift_ml = drift_ml + integrate(slope_ml_s, rate_hz)
    else:
        sample, known_ml, part = _known_points(breaths, regular, busy, volume_ml, level_ml)
        slope_ml_s = drift_slope_ml_s(sample, known_ml, part, n=volume_ml.size, rate_hz=rate_hz)
        drift_ml = integrate(slope_ml_s, rate_hz)
    level_ml = level_ml - drift_ml[end]
    middle_ml = median(level_ml)
    return _with_levels(volume_ml - drift_ml - middle_ml, breaths, chosen, level_ml - middle_ml)


def _known_points(
    breaths: Breaths,
    regular: BoolArray,
    busy: BoolArray,
    volume_ml: FloatArray,
    level_ml: FloatArray,
) -> tuple[IntArray, FloatArray, IntArray]:
    """Samples in order at which the level is known, that level, and the stretch of each.

    The ends of regular breaths with `level_ml`, the starts that no regular breath ends at, and,
    after all of these, where one inflation after the other begins.
    """
    end = breaths.end[regular]
    begun, relaxed = _first_points(breaths, regular, busy), _relaxed_points(breaths, busy)
    sample = np.concatenate((end, begun))
    known_ml = np.concatenate((level_ml, volume_ml[begun]))
    order = np.argsort(sample)
    return (
        np.concatenate((sample[order], relaxed[0])),
        np.concatenate((known_ml[order], volume_ml[relaxed[0]])),
        np.concatenate((_stretch_of(sample[order], busy), relaxed[1])),
    )


def _with_levels(
    volume_ml: FloatArray, breaths: Breaths, chosen: IntArray, level_ml: FloatArray
) -> tuple[FloatArray, Breaths]:
    settled_ml = np.full(breaths.start.size, np.nan)
    settled_ml[chosen] = level_ml
    return volume_ml, replace(breaths, eel_ml=volume_ml[breaths.start], settled_ml=settled_ml)


def closed_zeros(
    flow_ml_s: FloatArray, busy: BoolArray, rate_hz: float
) -> tuple[IntArray, FloatArray]:
    """Samples (k,) at which a closed shutter shows the zero of the flow head, and that zero, mL/s.

    The mean over each manoeuvre in which flow stands still, once a filter that rings when the
    shutter closes has settled, and before a pressure channel that is late lets the release in. The
    zeros are drawn to their mean as far as their scatter is that of noise.
    """
    usual = float(np.abs(flow_ml_s).sum()) / max(flow_ml_s.size, 1)
    samples, zeros, errors = [], [], []
    for start, end in runs(busy):
        first = start + min(round(_RINGS_S * rate_hz), (end - start) * 9 // 20)
        last = end - min(round(_LATE_S * rate_hz), (end - start) // 4)
        part = flow_ml_s[first:last]
        if part.size < _CLOSED_LEAST_S * rate_hz:
            continue
        zero = float(part.mean())
        scatter = float(np.abs(part - zero).mean())
        if scatter <= _STILL_SHARE * usual and abs(zero) <= 0.3 * usual:
            samples.append((first + last) // 2)
            zeros.append(zero)
            errors.append(1.5708 * scatter**2 / part.size)  # variance of the mean of normal noise
    return np.array(samples, dtype=np.int64), shrunk(np.array(zeros), np.array(errors))


def _stretch_of(point: IntArray, busy: BoolArray) -> IntArray:
    """Stretch between manoeuvres in which each sample of `point` lies, counted from 0."""
    begun = edges_of(busy)[::2]
    return np.searchsorted(begun, point, side="left") - np.searchsorted(begun, 0, "right")


def _first_points(breaths: Breaths, regular: BoolArray, busy: BoolArray) -> IntArray:
    """Starts of regular breaths that no regular breath ends at.

    The start of the first breath after a manoeuvre is no breathing level: it is where the relaxed
    lung emptied to.
    """
    passed = _counted(busy)
    after_free = np.concatenate(([True], passed[breaths.end[:-1]] == passed[breaths.start[:-1]]))
    after_regular = np.concatenate(([False], regular[:-1]))
    return breaths.start[regular & after_free & ~after_regular]


def _relaxed_points(breaths: Breaths, busy: BoolArray) -> tuple[IntArray, IntArray]:
    """Samples where inflations of one series begin, but the first, and the series of each.

    Between inflations the relaxed lung empties to the same volume each time. A series is told by
    manoeuvres in one breath after the other, none of which lasts into the next breath, as that of
    a squeeze does; it is numbered below zero.
    """
    passed = _counted(busy)
    held = passed[breaths.end] > passed[breaths.start]
    empty = ~busy[np.maximum(breaths.start - 1, 0)]
    after = np.flatnonzero(held[1:] & held[:-1] & empty[1:]) + 1
    begins = np.diff(after, prepend=after[:1]) > 1
    return breaths.start[after], -1 - np.cumsum(begins)


def _counted(mask: BoolArray) -> IntArray:
    """How many samples of a mask (n,) hold before each sample, shape (n + 1,)."""
    counted = np.zeros(mask.size + 1, dtype=np.int64)
    np.cumsum(mask, out=counted[1:])
    return counted


def _directions(flow_ml_s: FloatArray, noise_ml_s: float) -> NDArray[np.int8]:
    usual = float(np.abs(flow_ml_s).sum()) / max(flow_ml_s.size, 1)
    band = max(_NOISE_SDS * noise_ml_s, _FLOW_SHARE * usual)
    return (flow_ml_s > band).view(np.int8) - (flow_ml_s < -band).view(np.int8)


def _merge_small(
    edges: IntArray, inward: BoolArray, volume_ml: FloatArray, rate_hz: float
) -> tuple[IntArray, BoolArray]:
    """Drop pairs of edges about phases that are too small or too short to be a breath.

    A last phase that is small when the signal ends may be a ripple as well as a breath cut off:
    its edge goes too.
    """
    while edges.size > 1:
        moved = np.abs(np.diff(volume_ml[edges]))
        least_ml = _LEAST_VOLUME_SHARE * weighted_median(moved, moved)
        small = (moved < least_ml) | (np.diff(edges) < _LEAST_PHASE_S * rate_hz)
        if small.any():
            at = int(np.argmin(np.where(small, moved, np.inf)))
            # A small phase at either end has a neighbour on one side only: its outer edge goes.
            gone = [0] if at == 0 else [at + 1] if at == moved.size - 1 else [at, at + 1]
        else:
            rest_ml = volume_ml[edges[-1] :]
            begun_ml = rest_ml.max() - rest_ml[0] if inward[-1] else rest_ml[0] - rest_ml.min()
            if begun_ml >= least_ml:
                break
            gone = [edges.size - 1]
        edges, inward = np.delete(edges, gone), np.delete(inward, gone)
    return edges, inward


def _no_breaths(noise_ml_s: float) -> Breaths:
    none = np.zeros(0, dtype=np.int64)
    return Breaths(none, none, none, np.zeros(0), noise_ml_s)


@dataclass(frozen=True, slots=True)
class BreathShapes:
    """One value a breath; arrays of shape (n_breaths,).

    `begin`, `turn`, `end` and `peak` are samples with their fraction: zero flow before
    inspiration, before expiration, before the next breath, and peak expiratory flow. The volumes
    are read at those times. `roughness` is the way flow moves up and down in the breath over the
    least way that reaches its extremes: 1 for a breath without ripples.
    """

    begin: FloatArray
    turn: FloatArray
    end: FloatArray
    peak: FloatArray
    begin_ml: FloatArray
    turn_ml: FloatArray
    end_ml: FloatArray
    peak_ml: FloatArray
    peak_flow_ml_s: FloatArray
    roughness: FloatArray


def shape_breaths(
    breaths: Breaths,
    flow_ml_s: FloatArray,
    volume_ml: FloatArray,
    rate_hz: float,
    *,
    smoothing_s: float,
) -> BreathShapes:
    """Measure the shape of every breath; flow (mL/s, inspiration positive) and volume (mL): (n,).

    Zero flow by a straight line between the samples on either side; peak expiratory flow by
    `peak_flows` after smoothing over `smoothing_s`. Errors on simulated breaths with 0.8 mL/s of
    noise, an offset and heart beats: times 7 ms, peak flow 0.5 %, its time 1 % of expiration.
    """
    begin, turn, end = (
        _crossing(flow_ml_s, edges) for edges in (breaths.start, breaths.turn, breaths.end)
    )
    out_ml_s = -smooth(flow_ml_s, rate_hz, window_s=smoothing_s)
    peak_ml_s, peak = peak_flows(out_ml_s, breaths.turn, breaths.end)
    samples = np.arange(volume_ml.size, dtype=np.float64)
    begin_ml, turn_ml, end_ml, peak_ml = (
        np.interp(at, samples, volume_ml) for at in (begin, turn, end, peak)
    )
    return BreathShapes(
        begin=begin,
        turn=turn,
        end=end,
        peak=peak,
        begin_ml=begin_ml,
        turn_ml=turn_ml,
        end_ml=end_ml,
        peak_ml=peak_ml,
        peak_flow_ml_s=peak_ml_s,
        roughness=_roughness(out_ml_s, breaths),
    )


def peak_flows(
    out_ml_s: FloatArray, starts: IntArray, ends: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Largest flow of each stretch [start, end) and its sample with fraction, by a parabola.

    Through the largest sample and its neighbours: offset = (a - c) / (2 (a - 2 b + c)) and
    top = b - (a - c) offset / 4. out_ml_s: (n,); starts, ends: (k,); stretches are not empty.
    """
    top = np.array(
        [s + int(np.argmax(out_ml_s[s:e])) for s, e in zip(starts, ends, strict=True)],
        dtype=np.int64,
    )
    top = np.clip(top, 1, max(out_ml_s.size - 2, 1))
    before, at, after = out_ml_s[top - 1], out_ml_s[top], out_ml_s[top + 1]
    bend = before - 2.0 * at + after
    bent = bend < 0.0
    offset = np.where(bent, 0.5 * (before - after) / np.where(bent, bend, 1.0), 0.0)
    offset = np.clip(offset, -0.5, 0.5)
    return at - 0.25 * (before - after) * offset, top.astype(np.float64) + offset


def _roughness(flow_ml_s: FloatArray, breaths: Breaths) -> FloatArray:
    """Total variation of flow over twice its range, breath by breath."""
    if breaths.start.size == 0:
        return np.zeros(0)
    way = np.zeros(flow_ml_s.size)
    np.cumsum(np.abs(flow_ml_s[1:] - flow_ml_s[:-1]), out=way[1:])
    pairs = np.column_stack([breaths.start, breaths.end]).ravel()
    highest = np.maximum.reduceat(flow_ml_s, pairs)[::2]
    lowest = np.minimum.reduceat(flow_ml_s, pairs)[::2]
    span: FloatArray = np.maximum(highest - lowest, np.finfo(np.float64).tiny)
    ratio: FloatArray = (way[breaths.end] - way[breaths.start]) / (2.0 * span)
    return ratio


def _crossing(flow_ml_s: FloatArray, after: IntArray) -> FloatArray:
    """Sample, with fraction, at which flow passes zero before each sample of `after`."""
    before = np.maximum(after - 1, 0)
    low, high = flow_ml_s[before], flow_ml_s[after]
    step = high - low
    share: FloatArray = np.where(step != 0.0, -low / np.where(step != 0.0, step, 1.0), 1.0)
    return before.astype(np.float64) + np.minimum(np.maximum(share, 0.0), 1.0)
