"""Median and percentiles of short arrays, without the overhead of the general functions.

A recording asks for some fifty of them. The general functions of numpy accept any axis, weights
and eleven definitions, which costs more than the numbers themselves; these give the same bits.
"""

from __future__ import annotations

import numpy as np

from quietsleep.records import BoolArray, FloatArray, IntArray

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


def edges_of(mask: BoolArray) -> IntArray:
    """Where stretches of true values (n,) begin and end, in turn: start, end, start, end ..."""
    padded = np.zeros(mask.size + 2, dtype=bool)
    padded[1:-1] = mask
    return np.flatnonzero(padded[1:] != padded[:-1])


def runs(mask: BoolArray, *, bridge: int = 0) -> list[tuple[int, int]]:
    """Stretches [start, end) where the mask holds; gaps of up to `bridge` samples are closed."""
    edges = edges_of(mask)
    starts, ends = edges[::2], edges[1::2]
    if bridge > 0 and starts.size > 1:
        apart = starts[1:] - ends[:-1] > bridge
        starts = starts[np.concatenate(([True], apart))]
        ends = ends[np.concatenate((apart, [True]))]
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def longest_run(mask: BoolArray) -> int:
    """Length of the longest stretch of true values in a mask (n,)."""
    edges = edges_of(mask)
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0
