"""Drift of a flow head, as seen in the end-expiratory level of quiet breaths.

An offset of flow turns into a slope of volume. It is told from the levels of breaths that have no
manoeuvre between them, so that a step of the level at a manoeuvre stays visible.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from quietsleep.records import FloatArray, IntArray
from quietsleep.signals.quantiles import median

_LEAST_DRIFT_S = 4.0  # shortest distance of end-expiratory points that can show a drift
_LEAST_POINTS = 3  # fewest end-expiratory points of a stretch with a slope of its own
_RECOVERING = 2  # points after a manoeuvre that may still be on their way
_MEDIAN_OF_SQUARES = 0.4549  # median of the square of a standard normal number


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Pairs of points: the stretch of both, the slope between them, and how far they lie apart."""

    stretch: IntArray
    slope_ml_s: FloatArray
    apart_s: FloatArray


def drift_slope_ml_s(
    sample: IntArray, level_ml: FloatArray, stretch: IntArray, *, n: int, rate_hz: float
) -> FloatArray:
    """Slope of volume by drift at each of `n` samples, mL/s, shape (n,).

    `sample`, `level_ml` and `stretch`, shape (n_points,), are the end-expiratory points and the
    stretch between manoeuvres in which each lies. The common slope is the weighted median of the
    slopes between any two points of one stretch (Theil 1950, Sen 1968; weight = distance in
    time). A flow head that warms and cools has another slope in each stretch: the deviations from
    the common one are shrunk by t^2 / (t^2 + e^2), e the standard error of a deviation by the
    scatter of the levels and t what their spread exceeds e by, and joined by straight lines
    between the middles of the stretches (shrinkage: Efron & Morris, J Am Stat Assoc
    1975;70:311-319, from memory). Levels that scatter without drift leave the common slope.
    Without two points of one stretch at least 4 s apart the slope is 0.
    """
    time_s = sample / rate_hz
    pairs = _pairs(time_s, level_ml, stretch)
    common = weighted_median(pairs.slope_ml_s, pairs.apart_s) if pairs.stretch.size else 0.0
    middles, slopes, errors, _ = _own_slopes(
        time_s, level_ml - common * time_s, stretch, pairs, common
    )
    if middles.size < 2:
        return np.full(n, common)
    between = median(slopes**2) / _MEDIAN_OF_SQUARES - np.mean(errors**2)
    own = slopes * between / (between + errors**2) if between > 0.0 else np.zeros_like(slopes)
    order = np.argsort(middles)
    return common + np.interp(np.arange(n) / rate_hz, middles[order], own[order])


def uneven_share(inspired_ml: FloatArray, level_ml: FloatArray, stretch: IntArray) -> float:
    """Share of inspired volume by which the level of each breath stands above the one before.

    `inspired_ml`, `level_ml` and `stretch`, shape (n_points,): volume inspired since the beginning,
    the level at each end-expiration, in order, and the stretch between manoeuvres in which each
    lies. Flow that is read a little high one way, or a mask that leaks one way, lifts the level
    breath by breath, within a stretch and across manoeuvres alike. A recovery rises at the
    beginning of each stretch only, gas lost in manoeuvres between them only. So the slope within
    stretches, without their first two points where there are enough others, counts as far as the
    slope over the whole recording (weighted median over pairs of points: Theil 1950, Sen 1968)
    goes the same way. It is shrunk by b^2 / (b^2 + e^2), e its standard error. 0 where no stretch
    has three points.
    """
    late = _rank(stretch) >= _RECOVERING
    numbers, counts = np.unique(stretch[late], return_counts=True)
    late &= np.isin(stretch, numbers[counts >= 2])
    part = stretch[late]
    if part.size - np.unique(part).size < 2:
        return 0.0
    x, y = _less_mean(inspired_ml[late], part), _less_mean(level_ml[late], part)
    spread = float(x @ x)
    if not spread > 0.0:
        return 0.0
    within = float(x @ y) / spread
    free = part.size - np.unique(part).size - 1
    error_squared = float(((y - within * x) ** 2).sum()) / max(free, 1) / spread
    within *= within**2 / (within**2 + error_squared) if within else 0.0
    first, second = _two_of(inspired_ml.size)
    apart = inspired_ml[second] - inspired_ml[first]
    usable = apart > 0.0
    slope = (level_ml[second] - level_ml[first])[usable] / apart[usable]
    overall = weighted_median(slope, apart[usable])
    return min(max(within, min(overall, 0.0)), max(overall, 0.0))


def wave_between_zeros_ml_s(
    sample: IntArray,
    level_ml: FloatArray,
    stretch: IntArray,
    zeros: IntArray,
    *,
    n: int,
    rate_hz: float,
) -> FloatArray:
    """Slope of volume by a zero that moves between two readings of it, mL/s, shape (n,).

    `zeros` are the samples at which the zero was read behind a closed shutter: there the slope is
    0. `sample`, `level_ml`, `stretch` as for `drift_slope_ml_s`. Between, a triangle whose mean is
    the slope of the levels of that stretch less the usual one, shrunk by t^2 / (t^2 + e^2) as
    there; before the first and after the last reading a straight line to its end.
    """
    time_s = sample / rate_hz
    pairs = _pairs(time_s, level_ml, stretch)
    middles, slopes, errors, lengths = _own_slopes(time_s, level_ml, stretch, pairs, 0.0)
    if middles.size < 2:
        return np.zeros(n)
    slopes = slopes - median(slopes)
    between = float(np.mean(slopes**2) - np.mean(errors**2))
    if not between > 0.0:
        return np.zeros(n)
    own = slopes * between / (between + errors**2)
    at_s, end_s = zeros / rate_hz, n / rate_hz
    knots, heights = [*at_s.tolist()], [0.0] * zeros.size
    for middle, slope, length in zip(middles.tolist(), own.tolist(), lengths.tolist(), strict=True):
        place = int(np.searchsorted(at_s, middle))
        if 0 < place < at_s.size:
            # The mean of a triangle over the middle share w of its base is 1 - w / 2 of its peak.
            share = min(length / float(at_s[place] - at_s[place - 1]), 1.0)
            knots.append(middle)
            heights.append(slope / (1.0 - 0.5 * share))
        else:
            # A straight line from the reading on has the slope at the middle of the stretch.
            reading, edge = (float(at_s[0]), 0.0) if place == 0 else (float(at_s[-1]), end_s)
            knots.append(edge)
            heights.append(slope * (edge - reading) / (middle - reading or 1.0))
    order = np.argsort(knots)
    at, slope_ml_s = np.array(knots)[order], np.array(heights)[order]
    return np.asarray(np.interp(np.arange(n) / rate_hz, at, slope_ml_s))


def shrunk(values: FloatArray, errors_squared: FloatArray) -> FloatArray:
    """Values (k,) drawn to their mean as far as their scatter is that of their errors.

    Deviations shrink by t^2 / (t^2 + e^2), t^2 what their mean square exceeds that of the errors by
    (Efron & Morris, J Am Stat Assoc 1975;70:311-319, from memory).
    """
    if values.size < 2:
        return values
    middle = float(values.mean())
    between = max(float(values.var(ddof=1)) - float(errors_squared.mean()), 0.0)
    share = between / np.maximum(between + errors_squared, 1e-300)
    return np.asarray(middle + (values - middle) * share)


def _rank(stretch: IntArray) -> IntArray:
    """How many points of the same stretch come before each; stretches lie in order."""
    first = np.concatenate(([True], stretch[1:] != stretch[:-1]))
    begins = np.flatnonzero(first)
    return np.asarray(np.arange(stretch.size) - begins[np.cumsum(first) - 1])


def _less_mean(values: FloatArray, stretch: IntArray) -> FloatArray:
    """Values (n,) less the mean of their stretch."""
    _, place, counts = np.unique(stretch, return_inverse=True, return_counts=True)
    return np.asarray(values - (np.bincount(place, weights=values) / counts)[place])


@lru_cache(maxsize=256)
def _two_of(n: int) -> tuple[IntArray, IntArray]:
    """Every pair of n places; recordings have some dozen breaths, so the same few come again."""
    return np.triu_indices(n, k=1)


def _pairs(time_s: FloatArray, level_ml: FloatArray, stretch: IntArray) -> _Pairs:
    """Pairs of points of one stretch that are far enough apart to show a drift."""
    first, second = _two_of(time_s.size)
    apart_s = time_s[second] - time_s[first]
    usable = (stretch[first] == stretch[second]) & (apart_s >= _LEAST_DRIFT_S)
    first, second, apart_s = first[usable], second[usable], apart_s[usable]
    return _Pairs(stretch[first], (level_ml[second] - level_ml[first]) / apart_s, apart_s)


def _own_slopes(
    time_s: FloatArray, level_ml: FloatArray, stretch: IntArray, pairs: _Pairs, common: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Middle (s), slope beside the common one (mL/s), its standard error and length, by stretch.

    `level_ml` is the level less the common drift. Stretches that are too short are left out.
    """
    middles, slopes, spreads, lengths = [], [], [], []
    squares, free = 0.0, 0
    for number in np.unique(pairs.stretch):
        at, level = time_s[stretch == number], level_ml[stretch == number]
        if at.size < _LEAST_POINTS:
            continue
        own = pairs.stretch == number
        slope = weighted_median(pairs.slope_ml_s[own], pairs.apart_s[own]) - common
        middle = float(at.sum()) / at.size
        residual = level - slope * at
        residual -= residual.sum() / at.size
        squares += float((residual * residual).sum())
        free += at.size - 2
        middles.append(middle)
        slopes.append(slope)
        spreads.append(float(((at - middle) ** 2).sum()))
        lengths.append(float(at[-1] - at[0]))
    scatter = squares / max(free, 1)
    errors = np.sqrt(scatter / np.array(spreads))
    return np.array(middles), np.array(slopes), errors, np.array(lengths)


def weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """Value (n,) at which half of the weight (n,) is reached; n >= 1."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(reached, 0.5 * reached[-1])]])
