"""Resting level around a manoeuvre: end-expiratory level and tidal volume of nearby breaths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietsleep.records import BoolArray, Breaths, FloatArray, IntArray, Recording
from quietsleep.signals.fits import NAN

_RECOVERY_BREATHS = 2  # breaths after a manoeuvre that are left out where there are enough others
_LEAST_SETTLED = 2


@dataclass(frozen=True, slots=True)
class RestingLevel:
    """End-expiratory level (mean, SD, how many) and mean tidal volume of breaths, mL.

    `settled_ml` is the mean level that these breaths would settle at, once they have recovered
    from a manoeuvre before them.
    """

    eel_ml: float
    settled_ml: float
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

    `since` is where an earlier manoeuvre ended, 0 without one: what lies before it is left out, and
    so is the start of the inspiration at `since` itself, where the relaxed lung has emptied to. The
    next two count with the level they would settle at. Tidal volume is taken from the breaths that
    also end before the sample. NaN when fewer than `least_breaths` are left.
    """
    breaths = recording.breaths
    usable = (breaths.start <= sample) & (breaths.start >= since)
    if since > 0:
        usable &= breaths.start != since
    places = np.flatnonzero(usable)
    recovered = (
        int(places[_RECOVERY_BREATHS])
        if places.size > _RECOVERY_BREATHS
        else recording.breaths.start.size
    )
    chosen = places[-most_breaths:]
    if chosen.size < least_breaths:
        chosen = chosen[:0]
    whole = chosen[breaths.end[chosen] <= sample]
    told = np.flatnonzero((breaths.end <= sample) & (breaths.start >= since))
    return _level(
        recording, chosen, whole, (chosen < recovered) & (since > 0), told[-most_breaths:]
    )


def level_after(
    recording: Recording, sample: int, *, most_breaths: int, until: int | None = None
) -> RestingLevel:
    """Level of the first breaths whose inspiration starts at or after a sample.

    They end by `until`, where the next manoeuvre begins, and are those that have recovered where
    there are enough of them.
    """
    breaths = recording.breaths
    usable = breaths.start >= sample
    if until is not None:
        usable &= breaths.end <= until
    places = np.flatnonzero(usable)
    late = places[min(_RECOVERY_BREATHS, max(places.size - _LEAST_SETTLED, 0)) :][:most_breaths]
    return _level(recording, late, late, np.ones(late.size, dtype=bool), late)


def eel_shift_pct(before: RestingLevel, after: RestingLevel) -> float:
    """Size of the shift of the end-expiratory level, percent of the tidal volume before.

    Levels that breathing settles at are compared, so that the recovery after a manoeuvre, over
    several breaths where the level stands above relaxation volume, is no shift.
    """
    if not before.tidal_volume_ml > 0:
        return NAN
    return 100.0 * abs(after.settled_ml - before.settled_ml) / before.tidal_volume_ml


def lost_pct(before: RestingLevel, after: RestingLevel, *, fallen_ml: float) -> float:
    """Gas that leaked away behind the closed shutter, percent of the tidal volume before.

    Two things must say so: the level, which stands higher afterwards by what went out unseen, and
    the fall of pressure, `fallen_ml` = Crs * fall. The smaller of the two counts: stress relaxation
    lets pressure fall too, but the level returns. Never below 0.
    """
    if not before.tidal_volume_ml > 0:
        return NAN
    risen_ml = after.settled_ml - before.settled_ml
    if not math.isfinite(risen_ml + fallen_ml):
        return NAN
    return 100.0 * max(min(risen_ml, fallen_ml), 0.0) / before.tidal_volume_ml


def drift_ml_s(recording: Recording, start: int = 0, end: int | None = None) -> float:
    """Offset of flow that was taken out of volume as drift, mL/s; its mean over [start, end)."""
    flow, volume = recording.flow_ml_s[start:end], recording.volume_ml[start:end]
    if flow.size < 2:
        return 0.0
    integral = float(flow.sum() - 0.5 * (flow[0] + flow[-1])) / recording.rate_hz
    return (integral - float(volume[-1] - volume[0])) / ((flow.size - 1) / recording.rate_hz)


def _level(
    recording: Recording,
    chosen: IntArray,
    whole: IntArray,
    recovering: BoolArray,
    told: IntArray,
) -> RestingLevel:
    """Level at the starts of `chosen`, those `recovering` by what the breath before settles at."""
    breaths = recording.breaths
    if chosen.size == 0:
        return RestingLevel(NAN, NAN, NAN, 0, NAN)
    settled_ml = _settled_ml(breaths)
    eel_ml = breaths.eel_ml[chosen]
    before_ml = settled_ml[np.maximum(chosen - 1, 0)]
    eel_ml = np.where(recovering & np.isfinite(before_ml), before_ml, eel_ml).tolist()
    depth = (recording.volume_ml[breaths.turn[whole]] - breaths.eel_ml[whole]).tolist()
    levels = [level for level in settled_ml[told].tolist() if math.isfinite(level)]
    return RestingLevel(
        _mean(eel_ml), _mean(levels or eel_ml), _sd(eel_ml), len(eel_ml), _mean(depth)
    )


def _settled_ml(breaths: Breaths) -> FloatArray:
    """Level each breath settles at; that at its end where nobody asked."""
    if breaths.settled_ml.size == breaths.start.size:
        return breaths.settled_ml
    return np.append(breaths.eel_ml[1:], breaths.eel_ml[-1:])


def _mean(values: Sequence[float]) -> float:
    """Mean over the few breaths about a manoeuvre; NaN without any."""
    return sum(values) / len(values) if values else NAN


def _sd(values: Sequence[float]) -> float:
    """SD (n - 1) over the few breaths about a manoeuvre; NaN below two."""
    if len(values) < 2:
        return NAN
    mean = _mean(values)
    return math.sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))
