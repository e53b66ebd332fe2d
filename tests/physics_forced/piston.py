"""A syringe pushed by hand: bell-shaped strokes of a known volume, both ways, at several speeds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
PISTON_HZ = 2000.0


def push(
    rng: np.random.Generator,
    *,
    volume_ml: float = 100.0,
    strokes: int = 5,
    rest_s: float = 0.5,
    slow_end: bool = False,
) -> tuple[Array, list[tuple[int, int]]]:
    """Flow, and the samples [start, end) of each stroke: in and out in turn, `strokes` of each.

    A hand starts and stops smoothly: flow is a raised power of a sine, or, with `slow_end`, dies
    away over the second half of the stroke.
    """
    parts = [np.zeros(round(rest_s * PISTON_HZ))]
    spans: list[tuple[int, int]] = []
    n = parts[0].size
    for number in range(2 * strokes):
        seconds = float(rng.choice([0.4, 0.8, 1.6])) * float(rng.uniform(0.9, 1.1))
        share = (np.arange(round(seconds * PISTON_HZ)) + 0.5) / round(seconds * PISTON_HZ)
        shape = np.sin(np.pi * share) ** float(rng.uniform(0.7, 1.6))
        if slow_end:
            shape = share * np.exp(-7.0 * share) * np.minimum(1.0, 20.0 * (1.0 - share))
        sign = 1.0 if number % 2 == 0 else -1.0
        parts.append(sign * volume_ml * shape / (shape.sum() / PISTON_HZ))
        spans.append((n, n + shape.size))
        parts.append(np.zeros(round(rest_s * float(rng.uniform(0.7, 1.3)) * PISTON_HZ)))
        n += shape.size + parts[-1].size
    return np.concatenate(parts), spans
