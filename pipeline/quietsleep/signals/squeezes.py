"""Jacket squeezes and the forced expirations they drive.

Sources: Sly et al., Eur Respir J 2000;16:741-748; ATS/ERS statement on raised volume forced
expirations, Am J Respir Crit Care Med 2005;172:1463-1471. Limits are in the contracts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietsleep.records import FloatArray, Recording
from quietsleep.signals.breaths import noise_left, peak_flows, smooth
from quietsleep.signals.fits import NAN
from quietsleep.signals.quantiles import median, percentile, runs

_ONSET_SHARE = 0.05  # jacket pressure has left rest at this share of its level
_FULL_SHARE = 0.9
_SHORTEST_S = 0.05
_NOISE_SDS = 4.0
_FLAT_SHARE = 0.01  # forced flow within this share of its peak is at its peak
_STILL_SHARE = 0.02  # forced flow below this share of its peak stands still ...
_LONGEST_S = 8.0  # a forced expiration of an infant is over by then
_BEGUN_SHARE = 0.2  # ripples before this share of the volume is out are no breath
_GOES_ON = 3.0  # ... if it later exceeds this many times that flow again


@dataclass(frozen=True, slots=True)
class Squeeze:
    """One jacket inflation: the last sample at rest, the first and the last while it is full.

    `pressure_kpa` is the median above rest while full.
    """

    onset: int
    full: int
    release: int
    pressure_kpa: float


@dataclass(frozen=True, slots=True)
class Forced:
    """One forced expiration: samples of its start, its peak flow and its end [start, end].

    `flow_out_ml_s` and `out_ml` are expired flow (lightly smoothed) and volume from `start` to
    `end`, both included, positive out. Peak flow lies between samples: `peak_at` is its place
    counted from `start`, with fraction; `peak_flow_ml_s` and `peak_out_ml` are flow and volume
    there.
    """

    start: int
    peak: int
    end: int
    flow_out_ml_s: FloatArray
    out_ml: FloatArray
    peak_at: float
    peak_flow_ml_s: float
    peak_out_ml: float


def find_squeezes(jacket_kpa: FloatArray, rate_hz: float, *, least_kpa: float) -> list[Squeeze]:
    """Find every jacket inflation of at least `least_kpa` above rest, in order of time.

    jacket pressure kPa: shape (n,); rest is its lower quartile.
    """
    if jacket_kpa.size == 0:
        return []
    above = jacket_kpa - percentile(jacket_kpa, 25.0)
    found = []
    for start, end in runs(above > least_kpa, bridge=round(_SHORTEST_S * rate_hz)):
        if end - start < _SHORTEST_S * rate_hz:
            continue
        level = percentile(above[start:end], 75.0)
        before = np.flatnonzero(above[:start] <= _ONSET_SHARE * level)
        filled = np.flatnonzero(above[start:end] >= _FULL_SHARE * level)
        full, last = start + int(filled[0]), start + int(filled[-1])
        pressure = median(above[full : last + 1])
        onset = int(before[-1]) if before.size else 0
        found.append(Squeeze(onset, full, last, pressure))
    return found


def follow_forced(
    flow_ml_s: FloatArray,
    volume_ml: FloatArray,
    rate_hz: float,
    *,
    onset: int,
    least_breath_share: float,
    smoothing_s: float,
) -> Forced | None:
    """Follow the expiration that a squeeze drives; None when no flow comes out.

    Flow (mL/s, inspiration positive) and volume (mL): shape (n,). The start is the last sample
    without expired flow before the peak. The end is where the first breath begins that brings
    back `least_breath_share` of the volume expired until then: less is a closing glottis, which
    is a flow reversal inside the forced expiration.
    """
    first = _last_not_out(flow_ml_s, onset)
    last = first + round(_LONGEST_S * rate_hz)
    end = _forced_end(volume_ml[:last], first, least_breath_share)
    out = -smooth(flow_ml_s[first : end + 1], rate_hz, window_s=smoothing_s)
    if out.size < 3 or out.max() <= 0.0:
        return None
    top_ml_s, top = _peak_of(out)
    peak = first + round(top)
    start = max(_last_not_out(flow_ml_s, peak), first)
    out_ml = volume_ml[start] - volume_ml[start : end + 1]
    peak_at = top + first - start
    return Forced(
        start=start,
        peak=peak,
        end=end,
        flow_out_ml_s=out[start - first :],
        out_ml=out_ml,
        peak_at=peak_at,
        peak_flow_ml_s=top_ml_s,
        peak_out_ml=float(np.interp(peak_at, np.arange(out_ml.size), out_ml)),
    )


def _peak_of(out_ml_s: FloatArray) -> tuple[float, float]:
    """Peak of flow out (n,), mL/s, and its sample with fraction.

    Where flow stays near its peak for a while, noise and the ringing of a filter choose a sample
    of that while: its middle is taken.
    """
    (top_ml_s,), (top,) = peak_flows(out_ml_s, np.array([0]), np.array([out_ml_s.size]))
    near = np.flatnonzero(out_ml_s >= (1.0 - _FLAT_SHARE) * top_ml_s)
    if near.size > 2:
        top = 0.5 * float(near[0] + near[-1])
    return float(top_ml_s), float(top)


def find_reversals(
    flow_out_ml_s: FloatArray, *, peak: int, noise_ml_s: float
) -> list[tuple[int, int]]:
    """Find where forced flow (n,), positive out, stops or turns after its peak: [start, end).

    Flow below 2 % of its peak, or below four SDs of its noise, stands still; that counts when
    flow turns inward beyond it or later comes back to three times as much, so that the slow end
    of an expiration does not count.
    """
    after = flow_out_ml_s[peak:]
    if after.size == 0:
        return []
    still = max(_STILL_SHARE * float(after[0]), _NOISE_SDS * noise_ml_s)
    later = np.maximum.accumulate(after[::-1])[::-1]
    return [
        (peak + start, peak + end)
        for start, end in runs(after < still)
        if after[start:end].min() < -still or later[end - 1] > _GOES_ON * still
    ]


def count_reversals(flow_out_ml_s: FloatArray, *, peak: int, noise_ml_s: float) -> int:
    """Count how often forced flow stops or turns after its peak; see `find_reversals`."""
    return len(find_reversals(flow_out_ml_s, peak=peak, noise_ml_s=noise_ml_s))


def smoothed_noise_ml_s(recording: Recording, *, smoothing_s: float) -> float:
    """SD of the noise that is left in the flow of a recording after smoothing, mL/s."""
    return recording.breaths.noise_ml_s * noise_left(recording.rate_hz, window_s=smoothing_s)


def _last_not_out(flow_ml_s: FloatArray, sample: int) -> int:
    """Last sample up to `sample` whose flow does not go out; the first sample if all do."""
    inward = np.flatnonzero(flow_ml_s[: sample + 1] >= 0.0)
    return int(inward[-1]) if inward.size else 0


def _forced_end(volume_ml: FloatArray, first: int, least_breath_share: float) -> int:
    """Sample of least volume before the first breath of the given share of what came out."""
    after = volume_ml[first:]
    lowest = np.minimum.accumulate(after)
    expired = after[0] - lowest
    begun = expired > _BEGUN_SHARE * expired[-1]
    breath = np.flatnonzero(begun & (after - lowest > least_breath_share * expired))
    return first + int(np.argmin(after[: int(breath[0]) + 1] if breath.size else after))


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
