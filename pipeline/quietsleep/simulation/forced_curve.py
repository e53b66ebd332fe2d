"""One forced expiration: what the jacket does, what the flow limit allows, and what goes wrong.

Flow is the smaller of what the driving pressure could push through the total resistance and of
the infant's flow limit at that volume, joined smoothly, and integrated at 2 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from quietsleep.simulation.physiology import FloatArray, Infant, Setting
from quietsleep.simulation.tape import FINE_HZ, inspiration_flow


@dataclass(frozen=True, slots=True)
class SimulatedSqueeze:
    """One jacket inflation and what goes wrong with it.

    `jacket_tau_s`: time constant of the pressure rise (10-90 % rise = tau ln 9). `opening_s`: how
    slowly the airway opens to the flow head (a valve that sticks). `late_share`:
    share of VT breathed out before the squeeze. `stop_share`: an early breath ends the forced
    expiration when this share of the volume is still in. `glottis`: at this share the larynx
    closes and a short breath comes in. Shares are of the volume above EEL for squeezes from
    end-inspiration, of the volume above residual volume for those from a raised volume.
    `transmission`: share of jacket pressure that reaches the chest.
    """

    pressure_kpa: float = 6.0
    jacket_tau_s: float = 0.02
    opening_s: float = 0.008
    late_share: float = 0.0
    stop_share: float | None = None
    glottis: float | None = None
    transmission: float = 0.7
    flow_scatter: float = 0.012
    inflation_kpa: float = 3.0
    inflations: int = 4


@dataclass(frozen=True, slots=True)
class ForcedCurve:
    """Noiseless fine-grained forced expiration: flow out is positive here."""

    flow_ml_s: FloatArray
    out_ml: FloatArray
    jacket_kpa: FloatArray


def force_out(
    infant: Infant, setting: Setting, squeeze: SimulatedSqueeze, *, from_ml: float, end_share: float
) -> ForcedCurve:
    """Integrate dV/dt = -min(drive / R, limit(V)) until flow is below `end_share` of its peak.

    drive = recoil + transmission * jacket pressure; R = Rrs + R_app; the two flows join as
    (a^-8 + b^-8)^(-1/8). All from the volume `from_ml` above EEL.
    """
    resistance = infant.rrs_kpa_s_l + setting.apparatus_resistance_kpa_s_l
    volume = start = from_ml + infant.reserve_ml
    floor = (squeeze.stop_share or 0.0) * start
    stop_flow, glottis_at = 0.0, -1.0 if squeeze.glottis is None else squeeze.glottis * start
    flows, jackets, peak, step = [], [], 0.0, 1.0 / FINE_HZ
    decay = np.exp(-step / squeeze.jacket_tau_s)
    jacket = 0.0
    for i in range(4 * FINE_HZ):
        recoil = (volume - infant.reserve_ml + infant.elevation_ml) / infant.crs_ml_kpa
        drive = max(recoil + squeeze.transmission * jacket, 1e-6) * 1000.0 / resistance
        limit = max(infant.maximal_flow_ml_s(volume), 1e-6)
        flow = (drive**-8 + limit**-8) ** -0.125 * (1.0 - np.exp(-i * step / squeeze.opening_s))
        peak, stop_flow = max(peak, flow), end_share * peak
        if i * step > 0.12 and (flow < stop_flow or volume < floor):
            break
        flows.append(float(flow))
        jackets.append(jacket)
        volume -= flow * step
        jacket = squeeze.pressure_kpa + (jacket - squeeze.pressure_kpa) * decay
        if volume < glottis_at:
            gasp = inspiration_flow(0.05 * infant.vt_ml, 0.1)
            flows += list(-gasp)
            jackets += [jacket] * len(gasp)
            volume += 0.05 * infant.vt_ml
            glottis_at = -1.0
    fall = round(0.02 * FINE_HZ)
    flows += list(flows[-1] * (1.0 - np.arange(1, fall + 1) / fall))
    jackets += [jackets[-1]] * fall
    flow_array = np.asarray(flows)
    out = np.concatenate([[0.0], np.cumsum((flow_array[1:] + flow_array[:-1]) / 2.0)]) * step
    return ForcedCurve(flow_array, out, np.asarray(jackets))


def above_rv(infant: Infant, squeeze: SimulatedSqueeze, *, above_ml: float) -> SimulatedSqueeze:
    """Shares of the volume above EEL, as shares of the volume above residual volume."""

    def moved(share: float | None) -> float | None:
        if share is None:
            return None
        return (infant.reserve_ml + share * above_ml) / (infant.reserve_ml + above_ml)

    return replace(squeeze, stop_share=moved(squeeze.stop_share), glottis=moved(squeeze.glottis))
