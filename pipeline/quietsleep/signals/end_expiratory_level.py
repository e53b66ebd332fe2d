"""Resting level around a manoeuvre: end-expiratory level and tidal volume of nearby breaths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietsleep.records import IntArray, Recording
from quietsleep.signals.fits import NAN

_NEAR_BREATHS = 3


@dataclass(frozen=True, slots=True)
class RestingLevel:
    """End-expiratory level (mean, SD, how many) and mean tidal volume of breaths, mL.

    `near_ml` is the mean level of the three that lie nearest to the manoeuvre.
    """

    eel_ml: float
    near_ml: float
    sd_ml: float
    n_breaths: int
    tidal_volume_ml: float

    @property
    def sd_pct(self) -> float:
        """SD of the end-expiratory level as percent of tidal volume."""
        return 100.0 * self.sd_ml / self.tidal_volume_ml if self.tidal_volume_ml > 0 else NAN


def level_before(
    recording: Recording, sample: int, *, since: int, least_breaths: int, most_breaths: int
) -> RestingLevel:
    """Level of the last breaths whose inspiration starts at or before a sample.

    Breaths that start before `since`, where an earlier manoeuvre ended, are left out. Tidal volume
    is taken from the breaths that also end before the sample. NaN when fewer than `least_breaths`
    are left.
    """
    breaths = recording.breaths
    usable = (breaths.start <= sample) & (breaths.start >= since)
    chosen = np.flatnonzero(usable)[-most_breaths:]
    if chosen.size < least_breaths:
        chosen = chosen[:0]
    whole = chosen[breaths.end[chosen] <= sample]
    return _level(recording, chosen, whole, near=slice(-_NEAR_BREATHS, None))


def level_after(recording: Recording, sample: int, *, most_breaths: int) -> RestingLevel:
    """Level of the first breaths whose inspiration starts at or after a sample."""
    chosen = np.flatnonzero(recording.breaths.start >= sample)[:most_breaths]
    return _level(recording, chosen, chosen, near=slice(_NEAR_BREATHS))


def eel_shift_pct(before: RestingLevel, after: RestingLevel) -> float:
    """Size of the shift of the end-expiratory level, percent of the tidal volume before.

    The last breaths before and the first after, `near_ml` of each, are compared: the closer they
    are, the less does slow drift count as a shift.
    """
    if not before.tidal_volume_ml > 0:
        return NAN
    return 100.0 * abs(after.near_ml - before.near_ml) / before.tidal_volume_ml


def drift_ml_s(recording: Recording, start: int = 0, end: int | None = None) -> float:
    """Offset of flow that was taken out of volume as drift, mL/s; its mean over [start, end)."""
    flow, volume = recording.flow_ml_s[start:end], recording.volume_ml[start:end]
    if flow.size < 2:
        return 0.0
    integral = float(flow.sum() - 0.5 * (flow[0] + flow[-1])) / recording.rate_hz
    return (integral - float(volume[-1] - volume[0])) / ((flow.size - 1) / recording.rate_hz)


def _level(recording: Recording, chosen: IntArray, whole: IntArray, *, near: slice) -> RestingLevel:
    breaths = recording.breaths
    if chosen.size == 0:
        return RestingLevel(NAN, NAN, NAN, 0, NAN)
    eel = breaths.eel_ml[chosen].tolist()
    depth = (recording.volume_ml[breaths.turn[whole]] - breaths.eel_ml[whole]).tolist()
    return RestingLevel(_mean(eel), _mean(eel[near]), _sd(eel), len(eel), _mean(depth))


def _mean(values: Sequence[float]) -> float:
    """Mean over the few breaths about a manoeuvre; NaN without any."""
    return sum(values) / len(values) if values else NAN


def _sd(values: Sequence[float]) -> float:
    """SD (n - 1) over the few breaths about a manoeuvre; NaN below two."""
    if len(values) < 2:
        return NAN
    mean = _mean(values)
    return math.sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))
