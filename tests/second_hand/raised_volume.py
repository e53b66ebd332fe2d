"""Forced volumes from a raised volume.

ATS/ERS, Am J Respir Crit Care Med 2005;172:1463-1471: time zero is where the steepest part of the
volume curve, carried back, meets full inflation; FEV0.5 is what is out half a second later, FVC
what is out when flow turns. The best trial has the largest FVC + FEV0.5; all numbers are its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.second_hand.signals import Levels, Record, smooth

# Peak forced flow is reached within 0.03 s.
FLOW_SMOOTHING_S = 0.004


@dataclass(frozen=True, slots=True)
class Forced:
    """Volumes (mL) and flows (mL/s) of one forced expiration."""

    fvc_ml: float
    fev0_4_ml: float
    fev0_5_ml: float
    fef50_ml_s: float
    fef75_ml_s: float
    fef25_75_ml_s: float

    @property
    def fev0_5_fvc(self) -> float:
        """Give FEV0.5 over FVC."""
        return self.fev0_5_ml / self.fvc_ml


def measure(signal: Record, levels: Levels, span: tuple[float, float]) -> Forced:
    """Measure the squeeze within a span (s)."""
    rate = signal.rate_hz
    first, last = signal.at(span[0]), signal.at(span[1])
    jacket = signal.jacket[first:last] - signal.jacket[max(0, first - 500) : first].mean()
    squeeze = first + int(np.argmax(jacket > 0.5 * jacket.max()))
    around = round(0.15 * rate)
    top = squeeze - around + int(np.argmax(levels.volume[squeeze - around : squeeze + around]))
    after = slice(top, last + around)
    out = levels.volume[top] - levels.volume[after]
    flow = -smooth(levels.flow, rate, FLOW_SMOOTHING_S)[after]
    peak = int(np.argmax(flow))
    zero_s = peak / rate - out[peak] / flow[peak]
    end = peak + int(np.argmax(out[peak:]))
    time = np.arange(end + 1) / rate

    def timed(seconds: float) -> float:
        there = time[-1] >= zero_s + seconds
        return float(np.interp(zero_s + seconds, time, out[: end + 1])) if there else float("nan")

    # FEF25-75 = half of FVC over the time it takes; volume only rises from the peak of flow on.
    fvc = out[end]
    rising = np.maximum.accumulate(out[: end + 1])
    quarter, half, three = np.interp([0.25 * fvc, 0.5 * fvc, 0.75 * fvc], rising, time)
    return Forced(
        float(fvc),
        timed(0.4),
        timed(0.5),
        float(np.interp(half, time, flow[: end + 1])),
        float(np.interp(three, time, flow[: end + 1])),
        float(0.5 * fvc / (three - quarter)),
    )


def best(trials: Sequence[Forced]) -> Forced:
    """Give the trial with the largest sum of FVC and FEV0.5."""
    return max(trials, key=lambda trial: trial.fvc_ml + trial.fev0_5_ml)
