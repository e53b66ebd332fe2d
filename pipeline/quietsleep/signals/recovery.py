"""Where breathing is on its way to: the end-expiratory level that a breath would settle at.

The level of quiet breathing stands above the relaxation volume where expiration has no time to
end. A manoeuvre empties the lung to that volume, and the level then comes back over some breaths:
each expiration leaves the same share of what it began with. The share is told from the breaths
themselves, so that neither a recovery nor an uneven breath is taken for drift or for a leak.
"""

from __future__ import annotations

import math

import numpy as np

from quietsleep.records import Breaths, FloatArray, IntArray
from quietsleep.signals.quantiles import median

_MOST_KEPT = 0.6  # share of a volume that an expiration leaves: an elevation of 1.5 VT
_LEAST_FREE = 4  # fewest breaths beyond what is fitted


def settled_levels(
    breaths: Breaths, chosen: IntArray, stretch: IntArray, volume_ml: FloatArray, rate_hz: float
) -> FloatArray:
    """Level that breathing would settle at, told from each of the chosen breaths, mL (k,).

    `chosen` and `stretch` (k,) are regular breaths and the stretch between manoeuvres that each
    lies in; volume (n,) in mL. A passive expiration from volume T during tE ends at
    E = R + (T - R) k, k = exp(-tE / tau), R where it would rest. About the mean breath that is
    dE = k dT - c dtE: k and c come from least squares within the stretches, a straight line in
    time beside them, and the level is (E - k (T - E - VT) + c (tE - mean tE)) solved for dE = dT:
    L = (E - k (T - VT) + c (tE - mean tE)) / (1 - k). Without enough breaths L is E.
    """
    end_ml, top_ml = volume_ml[breaths.end[chosen]], volume_ml[breaths.turn[chosen]]
    te_s = (breaths.end[chosen] - breaths.turn[chosen]) / rate_hz
    kept, per_s = _memory(end_ml, top_ml, te_s, breaths.end[chosen] / rate_hz, stretch)
    if kept == 0.0:
        return end_ml
    tidal_ml = median(top_ml - volume_ml[breaths.start[chosen]])
    uneven = kept * (top_ml - tidal_ml) - per_s * (te_s - median(te_s))
    return np.asarray((end_ml - uneven) / (1.0 - kept))


def _memory(
    end_ml: FloatArray, top_ml: FloatArray, te_s: FloatArray, at_s: FloatArray, stretch: IntArray
) -> tuple[float, float]:
    """Share k of its volume that an expiration leaves, and what each s more of it takes, mL/s.

    k is shrunk by k^2 / (k^2 + e^2), e its standard error; c is at most twice what the exponential
    says, VT k ln(1/k) / ((1 - k) tE).
    """
    numbers, place, counts = np.unique(stretch, return_inverse=True, return_counts=True)
    free = end_ml.size - numbers.size - 3
    if free < _LEAST_FREE:
        return 0.0, 0.0
    columns = np.column_stack([top_ml, te_s, at_s, end_ml])
    sums = np.zeros((numbers.size, 4))
    np.add.at(sums, place, columns)
    columns -= (sums / counts[:, None])[place]
    product = columns.T @ columns
    try:
        inverse = np.linalg.inv(product[:3, :3])
    except np.linalg.LinAlgError:
        return 0.0, 0.0
    kept, per_s, _ = (inverse @ product[:3, 3]).tolist()
    residual = columns[:, 3] - columns[:, :3] @ (inverse @ product[:3, 3])
    error_squared = float(residual @ residual) / free * float(inverse[0, 0])
    if not 0.0 < kept < math.inf:
        return 0.0, 0.0
    kept = min(kept * kept**2 / (kept**2 + error_squared), _MOST_KEPT)
    depth_ml, te = median(top_ml - end_ml), median(te_s)
    most = 2.0 * depth_ml * kept * -math.log(kept) / ((1.0 - kept) * te)
    return kept, min(max(-per_s, 0.0), most)
