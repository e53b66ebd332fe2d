"""What breathes: mechanics, pattern of breathing and manoeuvres of many infants side by side.

Every field is an array of shape (n,), one element an infant, so that all breathe in one loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bodies:
    """Two compartments in parallel behind common airways, each elastic and viscous.

    P_j = V_j / c_j + P_stress for each compartment; airways `r1`, `r2` of the compartments meet,
    `r0` leads to the mask, `apparatus` from there to the room. Stress of the tissue relaxes:
    dP_stress/dt = stiffness * flow - P_stress / stress_s. A linear body has all of its compliance
    in the first compartment (c2 tiny and alike) and no stress.
    """

    c1: Floats
    c2: Floats
    r0: Floats
    r1: Floats
    r2: Floats
    stress_kpa_ml: Floats
    stress_s: Floats
    apparatus: Floats
    mask_ml_kpa: Floats
    weight_kg: Floats

    @property
    def compliance(self) -> Floats:
        return self.c1 + self.c2

    @property
    def resistance(self) -> Floats:
        """Flow resistance of the infant with both compartments flowing freely, kPa.s/mL."""
        return self.r0 + 1.0 / (1.0 / self.r1 + 1.0 / self.r2)

    def slow_s(self) -> Floats:
        """Slowest time constant of passive emptying through the apparatus, stress aside.

        Of the two that two compartments have; of one compartment its own.
        """
        slow = []
        for i in range(self.c1.size):
            outer = self.r0[i] + self.apparatus[i]
            ohm = np.array([[self.r1[i] + outer, outer], [outer, self.r2[i] + outer]])
            rates = np.linalg.eigvals(
                np.linalg.solve(ohm, np.diag([1 / self.c1[i], 1 / self.c2[i]]))
            )
            alike = abs(self.c1[i] * self.r1[i] - self.c2[i] * self.r2[i]) < 1e-12
            tau = (self.c1[i] + self.c2[i]) * (self.resistance[i] + self.apparatus[i])
            slow.append(float(tau) if alike else float(1.0 / rates.real.min()))
        return np.array(slow)


@dataclass(frozen=True, slots=True)
class Pattern:
    """Quiet breathing; standard deviations as shares.

    `brake` multiplies all resistance in expiration, `lets_go_s` is how fast the muscle relaxes
    there. The heart adds a pleural pressure of `heart_kpa` at `heart_hz`, with a harmonic.
    """

    vt_ml: Floats
    ti_s: Floats
    te_s: Floats
    brake: Floats
    lets_go_s: Floats
    heart_kpa: Floats
    heart_hz: Floats
    vt_cv: Floats
    time_cv: Floats


@dataclass(frozen=True, slots=True)
class Manoeuvres:
    """Occlusions, and what goes wrong with them.

    `shares` (n, k): volume above rest, as a share of that at end-inspiration, at which the shutter
    closes; the first of a single occlusion closes at end-inspiration (share 1).
    `leak` (mL/s per root kPa) is an orifice beside the mask that opens with the shutter's closing
    (`leak_always` 0) or stands open (1). `glottis_s` holds flow back after the last release;
    `early_share` is where the next inspiration cuts the passive expiration, as a share of the
    volume at release.
    """

    count: int
    shares: Floats
    hold_s: Floats
    relax_s: Floats
    moving_s: Floats
    between: NDArray[np.int64]
    early_share: Floats
    leak: Floats
    leak_always: Floats
    glottis_s: Floats
    dip: Floats
    effort_kpa: Floats
