"""Quiet breathing with the truth of every breath, read from the fine motion itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tests.physics_forced.lungs import FINE_HZ, Body, Course

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Quiet:
    """Fine flow, and the means over all whole breaths."""

    flow: Array
    truth: Mapping[str, float]
    elevation: float


def record_quiet(body: Body, rng: np.random.Generator, *, breaths: int = 24) -> Quiet:
    """Breathe quietly for a while."""
    course = Course(body, rng)
    course.breathe(4)
    begins = course.n
    course.breathe(breaths)
    flow, volume = course.whole("flow")[begins:], course.whole("volume")[begins:]
    rises = np.flatnonzero((flow[1:] > 0) & (flow[:-1] <= 0)) + 1
    # A pause at the end of a breath may cross zero more than once: breaths are far apart.
    rises = rises[np.concatenate(([True], np.diff(rises) > 0.4 * body.cycle_s * FINE_HZ))]
    rows = []
    for start, end in pairwise(rises.tolist()):
        turn = start + int(np.argmax(volume[start:end]))
        peak = turn + int(np.argmin(flow[turn:end]))
        ti, te = (turn - start) / FINE_HZ, (end - turn) / FINE_HZ
        expired = float(volume[turn] - volume[end])
        rows.append(
            {
                "rr_per_min": 60.0 / (ti + te),
                "vt_ml": 0.5 * (expired + float(volume[turn] - volume[start])),
                "ti_s": ti,
                "te_s": te,
                "tptef_te": (peak - turn) / (end - turn),
                "vptef_ve": float(volume[turn] - volume[peak]) / expired,
                "ptef_ml_s": -float(flow[peak]),
            }
        )
    truth = {name: float(np.mean([row[name] for row in rows])) for name in rows[0]}
    return Quiet(flow, truth, float(np.mean(volume[rises])) / body.tidal_ml)
