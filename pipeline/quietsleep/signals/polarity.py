"""In which direction flow runs: as it is registered, or turned, told by what pressure drives.

Air leaves a lung under pressure and enters one under suction once the shutter opens; a jacket that
is squeezed drives air out; with the shutter open, pressure at the airway opening stands against
flow through whatever lies between it and the room. None of these asks which breath is an
inspiration. Where no pressure is recorded the shape of breaths tells it, weakly. Nothing is turned.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from quietsleep.records import BoolArray, FloatArray, Recording
from quietsleep.signals.breaths import (
    AIRWAY_BUSY_KPA,
    AIRWAY_NEAR_KPA,
    regular_breaths,
    smooth,
)
from quietsleep.signals.quantiles import NAN, median, percentile, runs
from quietsleep.signals.squeezes import find_squeezes

AS_REGISTERED, TURNED = 1.0, 0.0
Span = tuple[int, int]

# How the evidence is read; no limit of acceptance. All figures are this study's own.
_STILL_SHARE = 0.08  # flow below this share of the usual flow stands still ...
_STILL_NOISE_SDS = 5.0  # ... or below this many SDs of its noise
_CLOSED_KPA = 0.1  # a closed airway shows at least this much pressure
_CLOSED_S = 0.05
_BRIDGED_S = 0.02  # noise breaks no closed stretch
_OPENING_S = 0.1  # flow has begun so soon after the release
_STEADY_SHARE = 0.5  # pressure that changes by more of itself before the release is an effort
_AROUND_S = 0.1  # left out on either side of a closed airway
_LEAST_R = 0.4  # correlation of pressure with flow below this tells nothing
_SQUEEZE_KPA = 0.5
_DRIVEN_SHARE = 0.5  # a squeeze drives more than this share of the usual flow
_SQUEEZE_S = 0.15  # flow is read from the onset of a squeeze until so long after it is full
_READ_HZ = 100.0  # what is read of a faster recording
_AGREE = 0.5  # mean of votes (-1 to 1) that decides
_FEWEST_BREATHS = 5
_LONGER = 1.05  # one phase is longer than the other by more than this


def flow_polarity(recording: Recording) -> float:
    """Return 1 where flow runs as registered, 0 where it is turned, NaN where nothing tells.

    Each kind of evidence has one voice: releases of a closed airway, squeezes, and pressure against
    flow with the airway open. Kinds that contradict each other, as a turned pressure makes them,
    leave it open. Breaths are asked only where no pressure was recorded. Never raises.
    """
    if recording.flow_ml_s.size < recording.rate_hz or not np.ptp(recording.flow_ml_s) > 0.0:
        return NAN
    # Signs need no fine time: a tenth of a second is read in ten samples.
    every = max(1, int(recording.rate_hz // _READ_HZ))
    rate = recording.rate_hz / every
    flow = recording.flow_ml_s[::every]
    airway, jacket = (
        None if pressure is None else pressure[::every]
        for pressure in map(recording.pressures_kpa.get, ("airway_pressure", "jacket_pressure"))
    )
    if airway is None and jacket is None:
        return _decided([_breath_votes(recording)])
    usual = percentile(np.abs(flow), 90.0)
    kinds: list[Sequence[float]] = []
    if jacket is not None:
        kinds.append(_squeeze_votes(flow, jacket, rate, usual_ml_s=usual))
    if airway is not None:
        pressure = airway - _rest_kpa(airway)
        still = max(_STILL_SHARE * usual, _STILL_NOISE_SDS * recording.breaths.noise_ml_s)
        closed = _closed_stretches(flow, pressure, rate, still_ml_s=still)
        kinds.append(_release_votes(flow, pressure, closed, rate, still_ml_s=still))
        if jacket is None:  # lungs that are inflated through the same airway would tell it wrongly
            kinds.append(_open_votes(flow, pressure, closed, rate, still_ml_s=still))
    return _decided(kinds)


def breath_polarity(recording: Recording) -> float:
    """Return what the shape of breaths alone tells: 1 as registered, 0 turned, NaN nothing."""
    if recording.flow_ml_s.size < recording.rate_hz or not np.ptp(recording.flow_ml_s) > 0.0:
        return NAN
    return _decided([_breath_votes(recording)])


def _decided(kinds: Sequence[Sequence[float]]) -> float:
    """Let each kind of evidence speak with one voice; NaN where they are split or silent."""
    means = [float(np.mean(votes)) for votes in kinds if len(votes)]
    voices = [np.sign(mean) for mean in means if abs(mean) >= _AGREE]
    total = float(np.sum(voices)) if voices else 0.0
    return NAN if total == 0.0 else AS_REGISTERED if total > 0.0 else TURNED


def _rest_kpa(airway_kpa: FloatArray) -> float:
    """Usual pressure of the open airway, kPa: the zero of the transducer, near enough for signs."""
    near = airway_kpa[np.abs(airway_kpa) < AIRWAY_NEAR_KPA]
    return median(near) if near.size else 0.0


def _closed_stretches(
    flow_ml_s: FloatArray, pressure_kpa: FloatArray, rate_hz: float, *, still_ml_s: float
) -> list[Span]:
    """Find where flow (n,) stands still while pressure (n,) is away from its open value."""
    still = np.abs(flow_ml_s) <= still_ml_s
    pressed = np.abs(pressure_kpa) >= _CLOSED_KPA
    found = runs(still & pressed, bridge=round(_BRIDGED_S * rate_hz))
    return [(start, end) for start, end in found if end - start >= _CLOSED_S * rate_hz]


def _release_votes(
    flow_ml_s: FloatArray,
    pressure_kpa: FloatArray,
    closed: Sequence[Span],
    rate_hz: float,
    *,
    still_ml_s: float,
) -> list[float]:
    """Vote for each release: air goes down the pressure that stood behind the shutter.

    The first flow counts, for muscles may turn it at once. Where an infant makes efforts against
    the shutter until it opens, the release tells nothing.
    """
    last = round(_OPENING_S * rate_hz)
    votes = []
    for start, end in closed:
        held = pressure_kpa[max(start, end - last) : end]
        behind = median(held)
        after = flow_ml_s[end : end + last + 1] - float(flow_ml_s[start:end].mean())
        begun = after[np.abs(after) >= 2.0 * still_ml_s]
        if abs(behind) < max(_CLOSED_KPA, float(np.ptp(held)) / _STEADY_SHARE) or begun.size == 0:
            continue
        votes.append(-float(np.sign(behind * begun[0])))
    return votes


def _squeeze_votes(
    flow_ml_s: FloatArray, jacket_kpa: FloatArray, rate_hz: float, *, usual_ml_s: float
) -> list[float]:
    """Vote for each squeeze: what it adds to flow goes out, below zero."""
    votes = []
    for squeeze in find_squeezes(jacket_kpa, rate_hz, least_kpa=_SQUEEZE_KPA):
        driven = flow_ml_s[squeeze.onset : squeeze.full + round(_SQUEEZE_S * rate_hz) + 1]
        farthest = float(driven[int(np.argmax(np.abs(driven)))])
        if abs(farthest) > _DRIVEN_SHARE * usual_ml_s:
            votes.append(-float(np.sign(farthest)))
    return votes


def _open_votes(
    flow_ml_s: FloatArray,
    pressure_kpa: FloatArray,
    closed: Sequence[Span],
    rate_hz: float,
    *,
    still_ml_s: float,
) -> list[float]:
    """Vote once: pressure at the open airway stands against flow through the apparatus."""
    free: BoolArray = np.abs(pressure_kpa) < AIRWAY_BUSY_KPA
    around = round(_AROUND_S * rate_hz)
    for start, end in closed:
        free[max(start - around, 0) : end + around] = False
    free &= np.abs(flow_ml_s) > still_ml_s
    if free.sum() < rate_hz:
        return []
    flow, pressure = flow_ml_s[free], pressure_kpa[free]
    if not (np.ptp(flow) > 0.0 and np.ptp(pressure) > 0.0):
        return []
    r = float(np.corrcoef(flow, pressure)[0, 1])
    return [-float(np.sign(r))] if abs(r) >= _LEAST_R else []


def _breath_votes(recording: Recording) -> list[float]:
    """Vote by the shape of breaths: expiration lasts longer than inspiration and peaks earlier.

    Both must say the same; infants who breathe fast or brake may do neither.
    Source of the shape: Bates et al., Eur Respir J 2000;16:1180-1192 (from memory).
    """
    breaths = recording.breaths
    regular = regular_breaths(breaths, recording.volume_ml)
    if int(regular.sum()) < _FEWEST_BREATHS:
        return []
    flow = smooth(recording.flow_ml_s, recording.rate_hz, window_s=0.05)
    longer, earlier = [], []
    for start, turn, end in zip(
        breaths.start[regular], breaths.turn[regular], breaths.end[regular], strict=True
    ):
        peaks = [
            (int(np.argmax(np.abs(flow[a:b]))) + 0.5) / (b - a)
            for a, b in pairwise((start, turn, end))
        ]
        longer.append((end - turn) / (turn - start))
        earlier.append(peaks[0] - peaks[1])
    duration, place = median(np.array(longer)), median(np.array(earlier))
    if duration > _LONGER and place > 0.0:
        return [1.0]
    if duration < 1.0 / _LONGER and place < 0.0:
        return [-1.0]
    return []
