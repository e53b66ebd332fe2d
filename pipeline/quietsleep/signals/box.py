"""The box of a plethysmograph: from its pressure to the volume that the chest moved.

Source: Stocks et al., Eur Respir J 2001;17:302-312.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from quietsleep.records import FloatArray
from quietsleep.signals.fits import NAN


def box_factor_ml_kpa(context: Mapping[str, float], *, body_density_kg_l: float) -> float:
    """Box factor with the infant inside, mL of chest movement per kPa of box pressure.

    A box that was calibrated empty holds less gas with an infant in it:
    factor * (V_box - weight / density) / V_box, volumes in L, weight in kg. NaN where the factor,
    or a number the correction needs, is missing.
    """
    factor = context.get("box_factor_ml_kpa", NAN)
    if context.get("box_calibrated_empty", NAN) == 0.0:
        return factor
    box_l = context.get("box_volume_l", NAN)
    body_l = context.get("weight_kg", NAN) / body_density_kg_l
    return factor * (box_l - body_l) / box_l if box_l > body_l else NAN


def undo_leak(volume_ml: FloatArray, *, half_life_s: float, rate_hz: float) -> FloatArray:
    """Volume that the chest moved from the volume that a leaking box shows.

    The box loses pressure as dP/dt = -P ln2 / t_half, so V_true = V + (ln2 / t_half) integral V dt
    from the first sample on. volume mL: shape (n,), zero at atmospheric box pressure; an offset
    of the box channel turns into a straight line in time, which is removed later.
    """
    steps = 0.5 * (volume_ml[1:] + volume_ml[:-1]) / rate_hz
    lost = np.concatenate(([0.0], np.cumsum(steps)))
    return np.asarray(volume_ml + np.log(2.0) / half_life_s * lost, dtype=np.float64)
