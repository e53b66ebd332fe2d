"""Drift of a flow head, as seen in the end-expiratory level of quiet breaths.

An offset of flow turns into a slope of volume. It is told from the levels of breaths that have no
manoeuvre between them, so that a step of the level at a manoeuvre stays visible.
"""

from __future__ import annotations

import numpy as np

from pipeline.records import FloatArray, IntArray

_LEAST_DRIFT_S = 4.0  # shortest distance of end-expiratory points that can show a drift
_LEAST_POINTS = 3  # fewest end-expiratory points of a stretch with a slope of its own
_MEDIAN_OF_SQUARES = 0.4549  # median of the square of a standard normal number


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
    common = paired_slope(time_s, level_ml, stretch)
    middles, slopes, errors = _own_slopes(time_s, level_ml - common * time_s, stretch)
    if middles.size < 2:
        return np.full(n, common)
    between = np.median(slopes**2) / _MEDIAN_OF_SQUARES - np.mean(errors**2)
    own = slopes * between / (between + errors**2) if between > 0.0 else np.zeros_like(slopes)
    order = np.argsort(middles)
    return common + np.interp(np.arange(n) / rate_hz, middles[order], own[order])


def _own_slopes(
    time_s: FloatArray, level_ml: FloatArray, stretch: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middle (s), slope (mL/s) and its standard error for each stretch that is long enough."""
    middles, slopes, spreads = [], [], []
    squares, free = 0.0, 0
    for number in np.unique(stretch):
        inside = stretch == number
        at, level = time_s[inside], level_ml[inside]
        if at.size < _LEAST_POINTS or at[-1] - at[0] < _LEAST_DRIFT_S:
            continue
        slope = paired_slope(at, level, stretch[inside])
        residual = level - slope * at
        squares += float(((residual - residual.mean()) ** 2).sum())
        free += at.size - 2
        middles.append(float(at.mean()))
        slopes.append(slope)
        spreads.append(float(((at - at.mean()) ** 2).sum()))
    scatter = squares / max(free, 1)
    return np.array(middles), np.array(slopes), np.sqrt(scatter / np.array(spreads))


def paired_slope(time_s: FloatArray, level_ml: FloatArray, stretch: IntArray) -> float:
    """Weighted median of the slopes between points of one stretch, mL/s; 0 without any."""
    first, second = np.triu_indices(time_s.size, k=1)
    apart_s = time_s[second] - time_s[first]
    usable = (stretch[first] == stretch[second]) & (apart_s >= _LEAST_DRIFT_S)
    if not usable.any():
        return 0.0
    apart_s = apart_s[usable]
    slopes = (level_ml[second] - level_ml[first])[usable] / apart_s
    return weighted_median(slopes, apart_s)


def weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """Value (n,) at which half of the weight (n,) is reached; n >= 1."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(reached, 0.5 * reached[-1])]])
