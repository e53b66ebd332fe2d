"""Maximal flow at functional residual capacity.

Sly et al., Eur Respir J 2000;16:741-748: forced flow where volume passes the end-expiratory level
of the breaths before the squeeze; reported is the mean of the three to five highest.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.second_hand.signals import Levels, Record, level_before, smooth

FLOW_SMOOTHING_S = 0.008


def vmaxfrc_ml_s(signal: Record, levels: Levels, span: tuple[float, float]) -> float:
    """Measure one squeeze within a span (s)."""
    first, last = signal.at(span[0]), signal.at(span[1])
    jacket = signal.jacket[first:last] - np.median(signal.jacket[max(0, first - 500) : first])
    squeeze = first + int(np.argmax(jacket > 0.1 * jacket.max()))
    level = level_before(signal, levels, span[0] + 0.1)
    flow = smooth(levels.flow, signal.rate_hz, FLOW_SMOOTHING_S)
    below = squeeze + int(np.argmax(levels.volume[squeeze:] < level))
    high, low = levels.volume[below - 1], levels.volume[below]
    share = (high - level) / (high - low)
    return float(-(flow[below - 1] + share * (flow[below] - flow[below - 1])))


def of_test(trials: Sequence[float]) -> float:
    """Give the mean of the five highest, or of all where there are fewer."""
    return float(np.mean(sorted(trials, reverse=True)[:5]))


def z_score(flow_ml_s: float, sex: str, length_cm: float) -> float:
    """Give z of V'maxFRC (Hoo et al., Am J Respir Crit Care Med 2002;165:1084-1092).

    Boys sqrt = 4.22 + 0.00210 L^2, residual SD 3.01; girls sqrt = -1.23 + 0.242 L, 2.72.
    """
    if sex == "male":
        return float((np.sqrt(flow_ml_s) - (4.22 + 0.00210 * length_cm**2)) / 3.01)
    return float((np.sqrt(flow_ml_s) - (-1.23 + 0.242 * length_cm)) / 2.72)
