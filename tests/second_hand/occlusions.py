"""Compliance by occlusion: mouth pressure where nothing flows, and volume.

Gappa et al., Eur Respir J 2001;17:141-148. Single occlusion: Crs = (V_occ - V0) / P, where V0 is
where the straight line of flow on volume of the passive expiration meets zero flow; its slope is
-1/tau, and Rrs = tau / Crs - R of the apparatus. Double occlusion: Crs = (V1 - V2) / (P1 - P2), and
Rrs = P2 / flow just before, less the apparatus.
True flow behind a closed shutter is 0: what the flow head shows then is its zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.second_hand.signals import Floats, Record, integral, open_pressure_kpa

PLATEAU_S = 0.1
# The shutter moves, and filters ring, for so long at either end.
EDGE_S = 0.03
# Of the expired volume the line takes this part: after the opening, before the next effort.
LINE_FROM, LINE_TO = 0.4, 0.9


@dataclass(frozen=True, slots=True)
class Single:
    """One single occlusion."""

    crs_ml_kpa: float
    rrs_kpa_s_l: float
    tau_s: float


def _closed(pressure: Floats) -> list[tuple[int, int]]:
    """Give first and last sample above half of the highest pressure, stretch by stretch."""
    high = np.concatenate([[False], pressure > 0.5 * pressure.max(), [False]])
    edges = np.flatnonzero(np.diff(high.astype(int)))
    return [(int(a), int(b) - 1) for a, b in edges.reshape(-1, 2)]


def _plateau(pressure: Floats, rate_hz: float) -> float:
    """Give the mean of the steadiest tenth of a second."""
    width = max(3, round(PLATEAU_S * rate_hz))
    windows = np.lib.stride_tricks.sliding_window_view(pressure, width)
    return float(windows[int(np.argmin(windows.std(axis=1)))].mean())


def single(signal: Record, start_s: float, end_s: float, apparatus_kpa_s_l: float) -> Single:
    """Measure a single occlusion that lies within a span (s)."""
    rate = signal.rate_hz
    rest = open_pressure_kpa(signal, start_s - 10.0, start_s)
    first, last = signal.at(start_s), signal.at(end_s)
    pressure = signal.airway[first:last] - rest
    begin, end = max(_closed(pressure), key=lambda stretch: stretch[1] - stretch[0])
    edge = round(EDGE_S * rate)
    kpa = _plateau(pressure[begin + edge : end - edge + 1], rate)
    flow = signal.flow[first:last]
    flow = flow - flow[begin + edge : end - edge + 1].mean()
    limb = flow[end - edge :]
    volume = integral(limb, rate)
    share = volume / volume.min()
    part = slice(int(np.argmax(share > LINE_FROM)), int(np.argmax(share > LINE_TO)))
    slope, intercept = np.polyfit(volume[part], limb[part], 1)
    crs = float(intercept / slope) / kpa
    tau = -1.0 / float(slope)
    return Single(crs, 1000.0 * tau / crs - apparatus_kpa_s_l, tau)


@dataclass(frozen=True, slots=True)
class Double:
    """One expiration with two or more brief occlusions."""

    crs_ml_kpa: float
    rrs_kpa_s_l: float


def double(signal: Record, start_s: float, end_s: float, apparatus_kpa_s_l: float) -> Double:
    """Measure an expiration within a span (s) that two or more brief occlusions interrupt."""
    rate = signal.rate_hz
    rest = open_pressure_kpa(signal, start_s - 10.0, start_s)
    first, last = signal.at(start_s), signal.at(end_s)
    pressure = signal.airway[first:last] - rest
    edge = round(EDGE_S * rate)
    found = [
        (begin + edge, end - edge)
        for begin, end in _rests(signal.flow[first:last])
        if (end - begin) / rate > PLATEAU_S + 2.0 * EDGE_S
        and pressure[begin + edge : end - edge].mean() > 0.3 * pressure.max()
    ]
    assert len(found) > 1, "fewer than two occlusions"
    zero = np.mean(np.concatenate([signal.flow[first + a : first + b] for a, b in found]))
    flow = signal.flow[first:last] - zero
    volume = integral(flow, rate)
    points = np.array([[volume[a:b].mean(), _plateau(pressure[a:b], rate)] for a, b in found])
    crs = float(np.polyfit(points[:, 1], points[:, 0], 1)[0])
    total = [
        points[n + 1, 1] / -_flow_at(flow[a:b], volume[a:b], points[n + 1, 0])
        for n, (a, b) in enumerate(
            (before[1] + 2 * edge, after[0] - 2 * edge) for before, after in pairwise(found)
        )
    ]
    return Double(crs, 1000.0 * float(np.mean(total)) - apparatus_kpa_s_l)


def _flow_at(flow: Floats, volume: Floats, at_ml: float) -> float:
    """Carry the line of flow on volume on to a volume; shutters and filters are left out of it."""
    slope, intercept = np.polyfit(volume, flow, 1)
    return float(slope * at_ml + intercept)


def _rests(flow: Floats) -> list[tuple[int, int]]:
    """Give the stretches in which next to nothing flows."""
    still = np.concatenate([[False], np.abs(flow) < 0.05 * np.abs(flow).max(), [False]])
    edges = np.flatnonzero(np.diff(still.astype(int)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def predicted_crs_ml_kpa(length_cm: float) -> float:
    """Give compliance of a healthy infant (Bull Eur Physiopathol Respir 1985;21:411-416)."""
    return float(1.58e-4 * length_cm**3.13)
