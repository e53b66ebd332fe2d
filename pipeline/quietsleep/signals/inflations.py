"""Inflations before a squeeze: what they gave, and what came back past the flow head.

Gas that leaves under the rim of the mask is missing in what comes back. Source of the manoeuvre:
ATS/ERS statement on raised volume forced expirations, Am J Respir Crit Care Med
2005;172:1463-1471; the balance itself is this study's. Limits are in the contracts.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from quietsleep.records import FloatArray, IntArray, Recording
from quietsleep.signals.breaths import integrate
from quietsleep.signals.fits import NAN, fit_line
from quietsleep.signals.quantiles import median, runs

_SHORTEST_S = 0.15  # a pressure held for less is no inflation
_LEAST_LEVELS = 4  # fewest levels of free breathing that tell the zero of the flow head ...
_ZERO_ML_S = 0.6  # ... which is expected within this much
_LATE_SHARE = 0.4  # of the expired volume, from which the relaxed volume is extrapolated
_FURTHEST_SHARE = 0.5  # of the expired volume; beyond it nothing is extrapolated
_NEAR_S = 0.2  # breaths that begin so near to an inflation or the end of the squeeze are theirs
_RECOVERING = 2  # first breaths after a squeeze, whose level is on its way back


@dataclass(frozen=True, slots=True)
class Balance:
    """Gas given and gas that came back, mL; NaN where it is not known.

    `leaks_ml` and `given_ml`: of each inflation that is let out passively, shape (n,), in order.
    `squeeze_leak_ml`: of the last inflation and the squeeze.
    """

    leaks_ml: FloatArray
    given_ml: FloatArray
    squeeze_leak_ml: float

    def largest_pct(self, *, forced_ml: float) -> float:
        """Largest share of what was given that did not come back, percent; NaN without any.

        What was given before the squeeze is what came out under it and what did not.
        """
        given = np.append(self.given_ml, forced_ml + self.squeeze_leak_ml)
        leaks = np.append(self.leaks_ml, self.squeeze_leak_ml)
        known = np.isfinite(leaks) & (given > 0.0)
        return float(100.0 * (leaks[known] / given[known]).max()) if known.any() else NAN


@dataclass(frozen=True, slots=True)
class Span:
    """Samples of one raised-volume manoeuvre: free breathing from `free`, until `until`.

    `free` is 0 or the end of the squeeze before.
    """

    free: int
    onset: int
    forced_end: int
    until: int


def find_inflations(
    airway_kpa: FloatArray, rate_hz: float, span: Span, *, least_kpa: float
) -> list[tuple[int, int]]:
    """Stretches [start, end) in which the airway is held above `least_kpa` before the squeeze.

    airway pressure kPa: shape (n,). The last of them ends where the jacket begins to fill.
    """
    held = airway_kpa[span.free : span.onset + 1] > least_kpa
    bridge = round(_SHORTEST_S * rate_hz)
    return [
        (span.free + start, span.free + end)
        for start, end in runs(held, bridge=bridge)
        if end - start >= _SHORTEST_S * rate_hz
    ]


def resting_zero_ml_s(recording: Recording, span: Span, inflations: list[tuple[int, int]]) -> float:
    """Zero of the flow head by the levels of free breathing around a manoeuvre, mL/s; NaN if few.

    What leaks during inflations is no drift, so levels between inflations are not asked; nor are
    those on their way back from a squeeze, of this manoeuvre or of the one before it.
    """
    before, after = _free_breaths(recording, span, inflations)
    if span.free > 0:
        before = before[_RECOVERING:]
    volume = integrate(recording.flow_ml_s[span.free : span.until], recording.rate_hz)
    parts = [before - span.free, after[_RECOVERING:] - span.free]
    return _level_slope_ml_s(volume, recording.rate_hz, parts)


def balance_gas(
    recording: Recording,
    span: Span,
    inflations: list[tuple[int, int]],
    *,
    zero_ml_s: float,
    most_breaths: int,
) -> Balance:
    """Compare what each inflation gave with what came back.

    Between inflations the relaxed lungs empty to one volume, which is found where their late flow
    on volume reaches zero: it rises from one inflation to the next by what leaked. Breathing that
    has resumed after the squeeze stands at its level of before, plus all that leaked; what the
    earlier inflations lost is taken off that. The first inflation begins at the breathing level,
    which stands above the relaxed volume by an unknown amount, so its own leak is known from below
    only, and is that of the others where these tell the loss under the squeeze.
    """
    first = span.free
    before, after = (each - first for each in _free_breaths(recording, span, inflations))
    flow = recording.flow_ml_s[first : span.until] - zero_ml_s
    volume = integrate(flow, recording.rate_hz)
    level_ml = float(volume[before[-most_breaths:]].mean()) if before.size > 1 else NAN
    settled = after[1:] if after.size > 2 else after
    resumed_ml = median(volume[settled[:most_breaths]]) if after.size > 1 else NAN
    leaks, given = [], []
    relaxed_ml = level_ml
    held = [(start - first, end - first) for start, end in inflations]
    for (start, end), (following, _) in pairwise(held):
        begun = float(volume[_lowest(volume, start, recording.rate_hz)])
        low = _lowest(volume, following, recording.rate_hz)
        emptied_ml = _relaxed_ml(flow[end : low + 1], volume[end : low + 1])
        given.append(float(volume[start : low + 1].max()) - begun)
        leaks.append(emptied_ml - relaxed_ml)
        relaxed_ml = emptied_ml
    later = np.array(leaks[1:])
    mean_ml = float(later.mean()) if later.size else 0.0
    lost_ml = (mean_ml if leaks else 0.0) + float(later.sum())
    return Balance(np.array(leaks), np.array(given), resumed_ml - level_ml - lost_ml)


def _lowest(volume_ml: FloatArray, start: int, rate_hz: float) -> int:
    """Sample of least volume within the half second before pressure rises."""
    first = max(start - round(0.5 * rate_hz), 0)
    return first + int(np.argmin(volume_ml[first : start + 1]))


def _relaxed_ml(flow_ml_s: FloatArray, volume_ml: FloatArray) -> float:
    """Volume at which a passive expiration would end, from the line of its late flow on volume."""
    if volume_ml.size < 4:
        return NAN
    last, expired = float(volume_ml[-1]), float(volume_ml.max() - volume_ml[-1])
    late = (volume_ml <= last + _LATE_SHARE * expired) & (flow_ml_s < 0.0)
    line = fit_line(volume_ml[late], flow_ml_s[late])
    if not line.slope < 0.0:
        return last
    left_ml = last + line.intercept / line.slope
    return last - min(max(left_ml, 0.0), _FURTHEST_SHARE * expired)


def _free_breaths(
    recording: Recording, span: Span, inflations: list[tuple[int, int]]
) -> tuple[IntArray, IntArray]:
    """Starts of inspiration before the first inflation, and once breathing has resumed."""
    starts = recording.breaths.start
    first = inflations[0][0] if inflations else span.onset
    near = round(_NEAR_S * recording.rate_hz)
    begun = span.free + near if span.free > 0 else 0
    before = starts[(starts >= begun) & (starts < first - near)]
    after = starts[(starts > span.forced_end + near) & (starts < span.until - near)]
    return before, after


def _level_slope_ml_s(volume_ml: FloatArray, rate_hz: float, stretches: list[IntArray]) -> float:
    """Slope of the levels within stretches, mL/s: the zero of the flow head.

    Least squares with one slope and a level of each stretch, shrunk by what the scatter of the
    levels leaves unknown of it against `_ZERO_ML_S`; NaN below four levels.
    """
    parts = [starts for starts in stretches if starts.size > 1]
    if sum(starts.size for starts in parts) < _LEAST_LEVELS:
        return NAN
    time_s = np.concatenate([(starts - starts.mean()) / rate_hz for starts in parts])
    level_ml = np.concatenate([volume_ml[starts] - volume_ml[starts].mean() for starts in parts])
    spread = float(time_s @ time_s)
    slope = float(time_s @ level_ml) / spread
    free = time_s.size - len(parts) - 1
    scatter = float(((level_ml - slope * time_s) ** 2).sum()) / max(free, 1)
    return slope * spread / (spread + scatter / _ZERO_ML_S**2)
