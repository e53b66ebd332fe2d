"""Gas conditions of the simulated flow heads, with a vapour formula of their own.

Saturated vapour over water: Buck, J Appl Meteorol 1981;20:1527-1532,
p = 0.61121 exp(17.502 T / (240.97 + T)) kPa, T in C.
"""

from __future__ import annotations

import math

import numpy as np

from quietsleep.simulation.physiology import FloatArray


def vapour_kpa(temperature_c: float) -> float:
    """Saturated vapour pressure, kPa."""
    return 0.61121 * math.exp(17.502 * temperature_c / (240.97 + temperature_c))


def head_volume_share(
    temperature_c: float, humidity_pct: float, barometric_pressure_kpa: float
) -> float:
    """Volume at the flow head of gas that fills 1 mL in the lung (37 C, saturated).

    Ideal gas at one ambient pressure: the dry part keeps its amount,
    V_head / V_lung = (T_head / 310.15) (PB - p37) / (PB - p_head), T in K.
    """
    vapour = humidity_pct / 100.0 * vapour_kpa(temperature_c)
    kelvin = temperature_c + 273.15
    dry = (barometric_pressure_kpa - vapour_kpa(37.0)) / (barometric_pressure_kpa - vapour)
    return kelvin / 310.15 * dry


def flow_at_head(
    flow_ml_s: FloatArray, *, inspired_share: float, expired_share: float
) -> FloatArray:
    """Lung flow (BTPS) to flow as it passes the head, per direction."""
    return np.where(flow_ml_s > 0.0, flow_ml_s * inspired_share, flow_ml_s * expired_share)
