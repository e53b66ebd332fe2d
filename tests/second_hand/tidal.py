"""Tidal breathing by own integration and zero crossings.

Bates et al., Eur Respir J 2000;16:1180-1192: a breath runs from one begin of inspiration to the
next; VT = (VI + VE) / 2; rate = 60 / tTOT; tPTEF/tE from the begin of expiration to its peak flow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.second_hand.signals import SLACK_S, Breath, Floats, Record, breaths, levelled, smooth

# Flow is smoothed by this SD before its peak is looked for: peak tidal flow is flat, and what is
# read off one sample is noise and heart beats.
PEAK_SMOOTHING_S = 0.01


@dataclass(frozen=True, slots=True)
class Tidal:
    """Means over the regular breaths of one recording."""

    vt_ml: float
    rr_per_min: float
    ti_s: float
    te_s: float
    tptef_te: float
    vptef_ve: float
    ptef_ml_s: float
    n: int

    @property
    def minute_ventilation_ml_min(self) -> float:
        """Give volume a minute, from the means of volume and rate."""
        return self.vt_ml * self.rr_per_min


def _peak(course: Floats, rate_hz: float, breath: Breath) -> tuple[float, float]:
    """Give time (s) and size (mL/s) of peak expiratory flow, between samples by a parabola."""
    first, last = round(breath.turn_s * rate_hz), round(breath.end_s * rate_hz)
    part = -course[first:last]
    top = int(np.argmax(part[1:-1])) + 1
    left, middle, right = part[top - 1 : top + 2]
    bend = left - 2.0 * middle + right
    between = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float((first + top + between) / rate_hz), float(middle)


def _regular(values: Floats) -> npt.NDArray[np.bool_]:
    usual = np.median(values)
    return np.asarray((values > 0.6 * usual) & (values < 2.0 * usual))


def measure(signal: Record, start_s: float, end_s: float) -> Tidal:
    """Measure the breaths that lie whole within a span (s)."""
    rate = signal.rate_hz
    levels = levelled(signal, [])
    flow, volume = levels.flow, levels.volume
    whole = [
        each
        for each in breaths(flow, rate)
        if each.start_s >= start_s - SLACK_S and each.end_s <= end_s + SLACK_S
    ]
    at = np.array([[each.start_s, each.turn_s, each.end_s] for each in whole])
    low, top, back = np.interp(at, signal.time, volume).T
    vt = ((top - low) + (top - back)) / 2.0
    total = at[:, 2] - at[:, 0]
    regular = _regular(top - low) & _regular(top - back) & _regular(total)
    # A swallow cuts a breath in pieces, the first or last of which may look like a small breath.
    regular[:-1] &= _regular(total)[1:]
    regular[1:] &= _regular(total)[:-1]
    course = smooth(flow, rate, PEAK_SMOOTHING_S)
    peak_s, peak = np.array([_peak(course, rate, each) for each in whole]).T
    expired = top - back

    def mean(values: Floats) -> float:
        return float(values[regular].mean())

    return Tidal(
        mean(vt),
        mean(60.0 / total),
        mean(at[:, 1] - at[:, 0]),
        mean(at[:, 2] - at[:, 1]),
        mean((peak_s - at[:, 1]) / (at[:, 2] - at[:, 1])),
        mean((top - np.interp(peak_s, signal.time, volume)) / expired),
        mean(peak),
        int(regular.sum()),
    )
