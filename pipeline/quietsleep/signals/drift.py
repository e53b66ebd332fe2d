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
    middles, slopes, errors = _own_slopes(
        time_s, level_ml - common * time_s, stretch, pairs, common
    )
    if middles.size < 2:
        return np.full(n, common)
    between = median(slopes**2) / _MEDIAN_OF_SQUARES - np.mean(errors**2)
    own = slopes * between / (between + errors**2) if between > 0.0 else np.zeros_like(slopes)
    order = np.argsort(middles)
    return common + np.interp(np.arange(n) / rate_hz, middles[order], own[order])


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
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middle (s), slope beside the common one (mL/s) and its standard error, by stretch.

    `level_ml` is the level less the common drift. Stretches that are too short are left out.
    """
    middles, slopes, spreads = [], [], []
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
    scatter = squares / max(free, 1)
    return np.array(middles), np.array(slopes), np.sqrt(scatter / np.array(spreads))


def weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """Value (n,) at which half of the weight (n,) is reached; n >= 1."""
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(reached, 0.5 * reached[-1])]])
