"""How far the values of several trials lie apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from quietsleep.records import FloatArray, MeasuredTrial
from quietsleep.signals.fits import NAN


def values_of(trials: Sequence[MeasuredTrial], quantity: str) -> FloatArray:
    """Values of one quantity over the trials that have it; shape (n,), NaN left out."""
    values = np.array([trial.values.get(quantity, NAN) for trial in trials], dtype=np.float64)
    return values[np.isfinite(values)]


def cv_pct(values: FloatArray) -> float:
    """Coefficient of variation, 100 SD / |mean| with n - 1; NaN for fewer than two values."""
    if values.size < 2 or values.mean() == 0:
        return NAN
    return float(100.0 * values.std(ddof=1) / abs(values.mean()))
