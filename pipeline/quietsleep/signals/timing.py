"""How far two channels of one device lie apart in time, told from what the infant does.

Unlike filters ahead of the converter delay their channels unlike, which opens a loop as a leak or
a closing larynx does. The three leave different traces in the course of time, so they are told
apart by a fit that holds all of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietsleep.records import FloatArray
from quietsleep.signals.fits import NAN

_GRID_HZ = 200.0  # the courses are compared on this grid; its step is that of the delays tried
_SMOOTHED = 5  # samples of that grid over which both are smoothed
_LEAST_SAMPLES = 60


@dataclass(frozen=True, slots=True)
class Delays:
    """Logarithm of the misfit for each delay tried, s; arrays of shape (n_delays,)."""

    delay_s: FloatArray
    log_misfit: FloatArray


def try_delays(
    driving: FloatArray, following: FloatArray, rate_hz: float, *, most_s: float
) -> Delays | None:
    """Misfit of `following` on `driving` for delays between the two of up to `most_s` either way.

    For a delay d the course is fitted by a + b t + c x(t + d) + e dx/dt(t + d) + f integral of x:
    c is what one wants, e a first-order lag of x (a larynx that throttles), f a leak. Both (n,) at
    `rate_hz`, any units; None when they are too short. Positive: `driving` comes later.
    """
    n = int(driving.size * _GRID_HZ / rate_hz)
    reach = round(most_s * _GRID_HZ)
    inner = n - 2 * reach - _SMOOTHED
    if inner < _LEAST_SAMPLES:
        return None
    at = np.arange(n) * (rate_hz / _GRID_HZ)
    place = np.arange(driving.size, dtype=np.float64)
    even = np.full(_SMOOTHED, 1.0 / _SMOOTHED)
    x, y = (
        np.convolve(np.interp(at, place, each), even, mode="valid") for each in (driving, following)
    )
    moving = np.stack([x, np.gradient(x), np.cumsum(x - x.mean())])
    windows = np.lib.stride_tricks.sliding_window_view(moving, inner, axis=1)
    wanted = y[reach : reach + inner]
    still = np.stack([np.ones(inner), np.linspace(-1.0, 1.0, inner)], axis=1)
    base, _ = np.linalg.qr(still)
    tried = np.moveaxis(windows[:, : 2 * reach + 1], 0, 2)  # (n_delays, inner, 3)
    tried = tried - np.einsum("ik,dkj->dij", base, np.einsum("ik,dij->dkj", base, tried))
    wanted = wanted - base @ (base.T @ wanted)
    gram = np.einsum("dij,dik->djk", tried, tried)
    across = np.einsum("dij,i->dj", tried, wanted)
    scale = np.sqrt(np.maximum(np.einsum("djj->dj", gram), np.finfo(np.float64).tiny))
    gram = gram / (scale[:, :, None] * scale[:, None, :]) + 1e-9 * np.eye(3)
    fitted = np.linalg.solve(gram, (across / scale)[:, :, None])[:, :, 0]
    misfit = float(wanted @ wanted) - np.einsum("dj,dj->d", fitted, across / scale)
    floor = 1e-9 * max(float(wanted @ wanted), np.finfo(np.float64).tiny)
    delay_s = (np.arange(2 * reach + 1) - reach) / _GRID_HZ
    return Delays(delay_s, np.log(np.maximum(misfit, floor)))


def likely_delay_s(tried: list[Delays], *, least_gain: float) -> float:
    """Delay of least misfit over several courses, s; 0 where none does clearly better than that.

    Clearly is a fall of the mean logarithm of the misfit by `least_gain` against no delay. The
    place between two delays tried is that of a parabola through three of them. NaN without any.
    """
    if not tried:
        return NAN
    delay_s = tried[0].delay_s
    mean = np.mean([each.log_misfit for each in tried], axis=0)
    best = int(np.argmin(mean))
    if mean[delay_s.size // 2] - mean[best] < least_gain:
        return 0.0
    if best in (0, delay_s.size - 1):
        return 0.0  # beyond what unlike filters do: no delay explains it
    before, at, after = mean[best - 1 : best + 2]
    bend = before - 2.0 * at + after
    offset = 0.5 * (before - after) / bend if bend > 0.0 else 0.0
    return float(delay_s[best] + offset * (delay_s[1] - delay_s[0]))
