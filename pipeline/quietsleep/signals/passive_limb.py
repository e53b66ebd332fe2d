"""Expiration after a release: volume, flow, its straight late part, and how promptly it begins.

Relaxed, flow falls on a straight line with volume. A filter delays flow and the volume made of it
alike, and keeps the area under every edge, so neither bends or moves that line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from quietsleep.records import FloatArray, Recording
from quietsleep.signals.fits import NAN, LatePart, Straightness, late_line
from quietsleep.signals.occlusions import Occlusion, running_mean, settled_half
from quietsleep.signals.quantiles import median

_PEAK_SHARE = 0.8  # flow has begun once it reaches this share of its peak
_AFTER_PEAK_S = 0.03
_SETTLES_S = 0.1  # a steep filter of 25 Hz has stopped ringing by then
_SLOPE_SPREAD = 0.1  # share by which flow on volume may be steeper or flatter before a closure
_FEW = 3


@dataclass(frozen=True, slots=True)
class PassiveLimb:
    """Samples from `start` on: volume mL on the recording's scale, flow mL/s less its zero.

    `held_ml` is the volume behind the closed shutter, `late` the line of flow on volume.
    """

    start: int
    volume_ml: FloatArray
    flow_ml_s: FloatArray
    held_ml: float
    late: LatePart

    @property
    def expired_ml(self) -> float:
        """Volume that came out from the release to the end of the limb."""
        return self.held_ml - float(self.volume_ml[-1]) if self.volume_ml.size else NAN

    @property
    def fit_share_pct(self) -> float:
        """Share of the expired volume that the fitted part spans."""
        fitted = self.volume_ml[self.late.line.start : self.late.line.end]
        expired = self.expired_ml
        return 100.0 * float(np.ptp(fitted)) / expired if fitted.size and expired > 0 else NAN


def volume_of(
    recording: Recording, start: int, end: int, *, held: slice
) -> tuple[FloatArray, FloatArray]:
    """Volume (mL) and flow (mL/s) over [start, end), from where the shutter is shut.

    Flow less its mean over the samples `held`, where it is zero; volume by the trapezoid rule
    through opening and closing edges, equal to that of the recording over `held`. Empty where the
    end does not come after `held`: an expiration that ended before the release.
    """
    if end < held.stop:
        return np.empty(0), np.empty(0)
    first = min(start, held.start)
    flow = recording.flow_ml_s[first:end] - float(recording.flow_ml_s[held].mean())
    volume = np.zeros(flow.size)
    np.cumsum(0.5 * (flow[1:] + flow[:-1]) / recording.rate_hz, out=volume[1:])
    still = slice(held.start - first, held.stop - first)
    volume += float(recording.volume_ml[held].mean() - volume[still].mean())
    return volume[start - first :], flow[start - first :]


def passive_limb(
    recording: Recording, occlusion: Occlusion, expired: int, settings: Mapping[str, float]
) -> PassiveLimb:
    """Follow the expiration from a release to the sample `expired` and fit its straight late part.

    The part before peak flow, and a little after it, belongs to the opening shutter.
    """
    rate, held = recording.rate_hz, settled_half(occlusion)
    start = occlusion.end - 1
    volume, flow = volume_of(recording, start, expired, held=held)
    held_ml = float(recording.volume_ml[held].mean())
    peak = int(np.argmin(running_mean(flow, max(1, round(0.01 * rate))))) if flow.size else 0
    first = min(peak + round(settings["opening_s"] * rate), flow.size)
    straight = Straightness(
        r2_floor=settings["fit_r2_floor"],
        straight_pct=settings["fit_straight_pct"],
        least_share=0.01 * settings["fit_least_share_pct"],
        least_s=settings["fit_least_s"],
    )
    late = late_line(
        volume[first:],
        flow[first:],
        rate,
        whole=held_ml - float(volume[-1]) if volume.size else NAN,
        opening=first - peak,
        end_slack=round(settings["fit_end_slack_s"] * rate),
        straight=straight,
    )
    return PassiveLimb(start, volume, flow, held_ml, late.moved(first))


def release_delay_s(
    flow_ml_s: FloatArray, start: int, rate_hz: float, *, pressure_falls: float, lag_s: float
) -> float:
    """Time from the fall of airway pressure at a release to the beginning of flow, s.

    Flow (n,) mL/s less its zero, from the sample `start`, where the shutter is still shut, on.
    `pressure_falls` is the sample (with fraction) as `held_until` says, `lag_s` what the pressure
    channel is later than the flow channel, so that the shutter and the filters cancel. Flow has
    begun at 80 % of its peak. NaN without flow.
    """
    out = -running_mean(flow_ml_s, max(1, round(0.01 * rate_hz)))
    if out.size < 2 or not out.max() > 0.0:
        return NAN
    level = _PEAK_SHARE * float(out.max())
    at = int(np.argmax(out >= level))
    step = float(out[at] - out[at - 1]) if at else 0.0
    begins = start + at - ((float(out[at]) - level) / step if step > 0.0 else 0.0)
    return (begins - pressure_falls) / rate_hz + lag_s


def undisturbed_flow_ml_s(
    volume_ml: FloatArray,
    flow_ml_s: FloatArray,
    limb: PassiveLimb,
    *,
    at_ml: float,
    rate_hz: float,
) -> float:
    """Expiratory flow at a volume, mL/s, positive, from a limb that the shutter cuts off.

    volume, flow (n,): from the release before to the closure. How long the shutter and the filter
    take is seen at the last release, whose `limb` is not cut off: there flow is off its line from
    leaving zero until it has settled. That much is left out after the release before; before the
    moment at which flow has fallen to half, as long as it takes from half to the whole there. The
    line through the rest, its slope held near that of `limb` as far as the points are few, is read
    at `at_ml`, where flow would have been on with the shutter open. NaN where nothing is left.
    """
    usual = limb.late.line.slope
    flowing = np.flatnonzero(flow_ml_s <= 0.5 * _middle(flow_ml_s))
    if not usual < 0.0 or flowing.size == 0:
        return NAN
    opening = _opening(limb, rate_hz)
    end = int(flowing[-1]) + 1 - opening.half_to_whole
    part = slice(max(min(opening.settled, end - _FEW), opening.whole), end)
    volume, flow = volume_ml[part], flow_ml_s[part]
    if volume.size == 0:
        return NAN
    middle = float(volume.mean())
    off = volume - middle
    # What still rings within the 2 % that count as undisturbed is noise for a slope.
    noise_ml_s = max(opening.noise_ml_s, -0.02 * float(flow.mean()))
    held = (noise_ml_s / (_SLOPE_SPREAD * usual)) ** 2
    slope = (float(off @ flow) + held * usual) / max(float(off @ off) + held, 1e-300)
    out = -(float(flow.mean()) + slope * (at_ml - middle))
    return out if out > 0.0 else NAN


def _middle(flow_ml_s: FloatArray) -> float:
    """Median flow of a limb between two closed shutters, of what is at least half of its peak."""
    out = flow_ml_s[flow_ml_s <= 0.5 * float(flow_ml_s.min())] if flow_ml_s.size else flow_ml_s
    return median(out) if out.size else 0.0


@dataclass(frozen=True, slots=True)
class _Opening:
    """Samples from a release until flow is whole and until it is undisturbed, from its half to its
    whole, and the noise of flow after that."""

    whole: int
    settled: int
    half_to_whole: int
    noise_ml_s: float


def _opening(limb: PassiveLimb, rate_hz: float) -> _Opening:
    """See how long the shutter and the filter take at the release of a limb.

    Flow is compared with a parabola of volume through the limb, which a curved one follows too. It
    is whole once it first comes within 2 % of that, undisturbed once it stays there, or within its
    noise.
    """
    line, flow = limb.late.line, limb.flow_ml_s
    first = min(int(np.argmin(flow)) + round(_AFTER_PEAK_S * rate_hz), line.start)
    share = limb.volume_ml / max(abs(limb.held_ml), 1.0)
    share = share - float(share[line.start : line.end].mean())
    powers = np.stack([np.ones_like(share), share, share * share])
    inside = powers[:, first : line.end]
    normal = inside @ inside.T + 1e-12 * np.eye(3)
    expected = np.linalg.solve(normal, inside @ flow[first : line.end]) @ powers
    off = flow - expected
    noise_ml_s = float(off[line.start : line.end].std())
    reached = np.flatnonzero(off <= -0.02 * expected)
    whole = int(reached[0]) if reached.size else first
    half = int(np.argmax(off <= -0.5 * expected))
    last = min(whole + round(_SETTLES_S * rate_hz), line.end)
    allowed = np.maximum(3.0 * noise_ml_s, -0.02 * expected[:last])
    moving = np.flatnonzero(np.abs(off[:last]) > allowed)
    settled = int(moving[-1]) + 1 if moving.size else whole
    return _Opening(whole, max(settled, whole), max(whole - half, 0) + 1, noise_ml_s)
