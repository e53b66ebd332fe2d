"""Functional residual capacity in the box, by Boyle's law.

Stocks et al., Eur Respir J 2001;17:302-312; DuBois et al., J Clin Invest 1956;35:322-326. Behind
the shutter (K + P)(V + dV) = K V with K = PB - PH2O(37 C), P above ambient, V the gas at ambient
pressure; so dV = -V P / (K + P), and V is a straight-line fit. FRC = V - volume above the
end-expiratory level - compressible dead space.

The box: dV = factor x pressure, where the factor of the empty box (pump stroke over its
peak-to-peak pressure) goes with the gas in it, less weight / 1.05 (kg/L) with the infant inside;
gas leaks and cools with one time constant, V' = p' + p / tau, undone by adding its integral.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.second_hand.signals import (
    BODY_C,
    Floats,
    Record,
    integral,
    level_before,
    levelled,
    open_pressure_kpa,
    smooth,
    vapour_pressure_kpa,
)

BODY_KG_L = 1.05
# Ends of an occlusion left out: shutter and filters.
EDGE_S = 0.08


def box_factor_ml_kpa(box: Record, stroke_ml: float) -> float:
    """Give stroke over peak-to-peak pressure (mL/kPa), the sine found by its Fourier line.

    Amplitude and frequency between the lines by least squares; only while the pump runs.
    """
    course = np.abs(box.box - np.median(box.box))
    running = np.flatnonzero(course > 0.5 * course.max())[[0, -1]]
    rate = 50.0
    time = np.arange(running[0] / box.rate_hz, running[1] / box.rate_hz, 1.0 / rate)
    pressure = np.interp(time, box.time, smooth(box.box, box.rate_hz, 0.001))
    window = np.hanning(pressure.size)
    lines = np.abs(np.fft.rfft((pressure - pressure.mean()) * window))
    steps = np.fft.rfftfreq(pressure.size, 1.0 / rate)
    lines[(steps < 0.3) | (steps > 5.0)] = 0.0
    top = float(steps[int(np.argmax(lines))])
    best = (np.inf, 0.0)
    for hertz in top + np.linspace(-1.0, 1.0, 201) * float(steps[1]):
        phase = 2.0 * np.pi * hertz * time
        columns = np.stack([np.sin(phase), np.cos(phase), np.ones_like(time), time], axis=1)
        terms, left, _, _ = np.linalg.lstsq(columns, pressure, rcond=None)
        best = min(best, (float(left[0]), float(np.hypot(terms[0], terms[1]))))
    return stroke_ml / (2.0 * best[1])


def half_life_s(box: Record) -> float:
    """Give the half-life of the decay that follows the largest step of pressure.

    P = P_end + P0 2^(-t / half-life): for each half-life on a fine grid the other two by least
    squares; the grid's best by a parabola.
    """
    course = smooth(box.box, box.rate_hz, 0.02)
    ahead = round(0.2 * box.rate_hz)
    step = int(np.argmax(np.abs(course[ahead:] - course[:-ahead]))) + ahead
    every = max(1, round(box.rate_hz / 50.0))
    part = course[step + ahead :: every]
    time = np.arange(part.size) * every / box.rate_hz
    grid = np.linspace(4.0, 16.0, 241)
    misfit = []
    for half in grid:
        columns = np.stack([2.0 ** (-time / half), np.ones_like(time)], axis=1)
        misfit.append(float(np.linalg.lstsq(columns, part, rcond=None)[1][0]))
    low = int(np.clip(np.argmin(misfit), 1, grid.size - 2))
    bend, slope, _ = np.polyfit(grid[low - 1 : low + 2] - grid[low], misfit[low - 1 : low + 2], 2)
    return float(grid[low] - slope / (2.0 * bend))


@dataclass(frozen=True, slots=True)
class Box:
    """What a session's box does: factor with the infant inside, half-life, ambient pressure."""

    factor_ml_kpa: float
    half_life_s: float
    barometric_kpa: float
    dead_space_ml: float


def factor_with_infant(empty_ml_kpa: float, box_volume_l: float, weight_kg: float) -> float:
    """Give the factor of a box that holds an infant, from that of the empty box."""
    return empty_ml_kpa * (box_volume_l - weight_kg / BODY_KG_L) / box_volume_l


def frc_ml(
    signal: Record, box: Box, span: tuple[float, float], spans: list[tuple[float, float]]
) -> float:
    """Measure one occlusion within a span (s); `spans` are all of the recording."""
    rate = signal.rate_hz
    first, last = signal.at(span[0]), signal.at(span[1])
    levels = levelled(signal, spans)
    begin, end = _longest_rest(smooth(signal.flow[first:last], rate, 0.01))
    edge = round(EDGE_S * rate)
    part = slice(first + begin + edge, first + end - edge)
    kpa = signal.airway[part] - open_pressure_kpa(signal, span[0] - 8.0, span[0])
    ambient = box.barometric_kpa - vapour_pressure_kpa(BODY_C)
    raw = box.factor_ml_kpa * signal.box
    volume = (raw + np.log(2.0) / box.half_life_s * integral(raw, rate))[part]
    time = np.arange(kpa.size) / rate
    columns = np.stack([kpa / (ambient + kpa), np.ones_like(kpa), time], axis=1)
    terms = np.linalg.lstsq(columns, volume, rcond=None)[0]
    closure = levels.volume[first + begin : part.start].mean()
    above = closure - level_before(signal, levels, span[0] + 0.1)
    return abs(float(terms[0])) - float(above) - box.dead_space_ml


def _longest_rest(flow: Floats) -> tuple[int, int]:
    still = np.abs(flow) < 0.05 * np.abs(flow).max()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(int)))
    runs = edges.reshape(-1, 2)
    begin, end = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    return int(begin), int(end)
