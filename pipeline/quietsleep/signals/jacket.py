"""Pressure of the squeezing jacket: what it holds and how quickly it gets there.

Source: Sly et al., Eur Respir J 2000;16:741-748.
"""

from __future__ import annotations

import numpy as np

from quietsleep.records import FloatArray
from quietsleep.signals.fits import NAN
from quietsleep.signals.quantiles import median


def held_and_rise(
    jacket_kpa: FloatArray,
    rate_hz: float,
    *,
    onset: int,
    full: int,
    last: int,
    rise_pct: tuple[float, float],
) -> tuple[float, float]:
    """Pressure above rest while held, kPa, and the time of its rise between two shares of it, s.

    jacket pressure kPa: shape (n,). Rest is the median of the half second before `onset`; held is
    the mean over [full, last). The crossings are interpolated between samples; the error of the
    rise is about a tenth of a sample period. NaN rise where it is not in the recording.
    """
    rest = median(jacket_kpa[max(0, onset - round(0.5 * rate_hz)) : onset + 1])
    held = float(jacket_kpa[full:last].mean()) - rest
    rise = jacket_kpa[max(onset - 1, 0) : last] - rest
    low_s, high_s = (_crossing_s(rise, share / 100.0 * held, rate_hz) for share in rise_pct)
    return held, high_s - low_s


def _crossing_s(values: FloatArray, level: float, rate_hz: float) -> float:
    """Time from the first sample at which values rise through a level, interpolated, s."""
    above = np.flatnonzero(values >= level)
    if above.size == 0 or above[0] == 0:
        return NAN
    place = int(above[0])
    low, high = float(values[place - 1]), float(values[place])
    return (place - 1 + (level - low) / (high - low)) / rate_hz
