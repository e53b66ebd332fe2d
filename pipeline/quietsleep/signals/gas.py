"""Gas conditions: saturated vapour pressure, and flow at the flow head to flow at BTPS.

BTPS is body temperature (37 C), ambient pressure, saturated with water vapour.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np

from quietsleep.records import FloatArray

ZERO_CELSIUS_K = 273.15
BODY_C = 37.0

# Critical point of water, and coefficients (a, exponent of tau) of the saturation line.
_CRITICAL_K = 647.096
_CRITICAL_KPA = 22_064.0
_SATURATION = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)


@dataclass(frozen=True, slots=True)
class GasFactors:
    """Volume at BTPS over volume at the flow head (1), for inspired and for expired gas."""

    inspired: float
    expired: float


AS_MEASURED = GasFactors(inspired=1.0, expired=1.0)


def saturated_vapour_kpa(temperature_c: float) -> float:
    """Pressure of saturated water vapour, kPa, at a temperature in C; NaN in, NaN out.

    ln(p/pc) = (Tc/T) * sum(a_i * tau^n_i), tau = 1 - T/Tc, T in K. Good within 0.05 % from 0 C
    to the critical point. Raises ValueError below 0 K and above the critical point.
    Source: Wagner W, Pruss A, J Phys Chem Ref Data 1993;22:783-787 (the saturation line that
    IAPWS-95 keeps).
    """
    kelvin = temperature_c + ZERO_CELSIUS_K
    if kelvin <= 0.0 or kelvin > _CRITICAL_K:
        raise ValueError(f"no saturation line at {temperature_c} C")
    tau = 1.0 - kelvin / _CRITICAL_K
    terms = sum(a * tau**power for a, power in _SATURATION)
    return _CRITICAL_KPA * exp(terms * _CRITICAL_K / kelvin)


def btps_factor(temperature_c: float, humidity_pct: float, barometric_pressure_kpa: float) -> float:
    """Volume at BTPS over volume of the same gas as it is at the flow head (1).

    310.15/(273.15 + T) * (PB - RH*PH2O(T))/(PB - PH2O(37)), T in C, RH in % of saturation,
    pressures in kPa. The ideal gas law, dry gas conserved: Frey et al., Eur Respir J
    2000;16:1016-1022. NaN where any argument is NaN.
    """
    vapour_kpa = humidity_pct / 100.0 * saturated_vapour_kpa(temperature_c)
    warming = (ZERO_CELSIUS_K + BODY_C) / (ZERO_CELSIUS_K + temperature_c)
    dry_head_kpa = barometric_pressure_kpa - vapour_kpa
    dry_body_kpa = barometric_pressure_kpa - saturated_vapour_kpa(BODY_C)
    return warming * dry_head_kpa / dry_body_kpa


def gas_factors(
    *,
    room_temperature_c: float,
    room_humidity_pct: float,
    expired_temperature_c: float,
    expired_humidity_pct: float,
    barometric_pressure_kpa: float,
) -> GasFactors:
    """Return the factors of one session on one device: room air in, registered gas out."""
    return GasFactors(
        inspired=btps_factor(room_temperature_c, room_humidity_pct, barometric_pressure_kpa),
        expired=btps_factor(expired_temperature_c, expired_humidity_pct, barometric_pressure_kpa),
    )


def flow_at_btps(flow_head_ml_s: FloatArray, factors: GasFactors) -> FloatArray:
    """Flow (n,) at the flow head, inspiration positive, to flow (n,) at BTPS; both mL/s.

    Each sample takes the factor of its own direction, so the result stays continuous at zero.
    """
    if factors == AS_MEASURED:
        return flow_head_ml_s
    factor = np.where(flow_head_ml_s > 0.0, factors.inspired, factors.expired)
    return flow_head_ml_s * factor
