"""Median and percentiles of short arrays, without the overhead of the general functions.

A recording asks for some fifty of them. The general functions of numpy accept any axis, weights
and eleven definitions, which costs more than the numbers themselves; these give the same bits.
"""

from __future__ import annotations

import numpy as np

from quietsleep.records import FloatArray

NAN = float("nan")


def median(values: FloatArray) -> float:
    """Return the median of values (n,); NaN where there is none, or one of them is NaN."""
    n = values.size
    if n == 0:
        return NAN
    half = n // 2
    sorted_there = np.partition(values, (half - 1, half, n - 1) if n > 1 else 0)
    if np.isnan(sorted_there[-1]):
        return NAN
    if n % 2:
        return float(sorted_there[half])
    return 0.5 * float(sorted_there[half - 1] + sorted_there[half])


def percentile(values: FloatArray, pct: float) -> float:
    """Return the percentile of values (n,) by a straight line between the two that are nearest.

    NaN where there is none, or one of them is NaN. Source: definition 7 of Hyndman RJ, Fan Y, Am
    Stat 1996;50:361-365.
    """
    n = values.size
    if n == 0:
        return NAN
    place = (n - 1) * (pct / 100.0)
    low = int(place)
    high, share = min(low + 1, n - 1), place - low
    sorted_there = np.partition(values, (low, high, n - 1))
    if np.isnan(sorted_there[-1]):
        return NAN
    below, above = float(sorted_there[low]), float(sorted_there[high])
    if share >= 0.5:
        return above - (above - below) * (1.0 - share)
    return below + (above - below) * share
