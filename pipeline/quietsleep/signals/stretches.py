"""Stretches of samples in which something holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietsleep.records import IntArray


def edges_of(mask: NDArray[np.bool_]) -> IntArray:
    """Where stretches of true values (n,) begin and end, in turn: start, end, start, end ..."""
    padded = np.zeros(mask.size + 2, dtype=bool)
    padded[1:-1] = mask
    return np.flatnonzero(padded[1:] != padded[:-1])


def runs(mask: NDArray[np.bool_], *, bridge: int = 0) -> list[tuple[int, int]]:
    """Stretches [start, end) where the mask holds; gaps of up to `bridge` samples are closed."""
    edges = edges_of(mask)
    starts, ends = edges[::2], edges[1::2]
    if bridge > 0 and starts.size > 1:
        apart = starts[1:] - ends[:-1] > bridge
        starts = starts[np.concatenate(([True], apart))]
        ends = ends[np.concatenate((apart, [True]))]
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def longest_run(mask: NDArray[np.bool_]) -> int:
    """Length of the longest stretch of true values in a mask (n,)."""
    edges = edges_of(mask)
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0
