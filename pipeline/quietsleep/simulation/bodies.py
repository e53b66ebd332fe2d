"""Bodies: what answers to muscle, airway and jacket pressure, as two-state linear systems.

A body has a state x (2,), gas flow q into it (mL/s) and a pressure at the airway opening

    x' = M x + b q,        Pao = p.x - Pmus + R q,

with Pmus the muscle pressure that pulls inwards (kPa). Every linear body seen from one opening is
such a source behind a resistance (Thevenin), so that what closes it (apparatus, shutter, leak) is a
resistance `outer` to atmosphere, and q = (Pmus - p.x) / (R + outer).

One compartment, two in parallel with unlike time constants (Otis et al., J Appl Physiol
1956;8:427-443), and one with a Maxwell element beside its static elastance, whose pressure relaxes
when flow stops (Bates et al., J Appl Physiol 1985;58:1840-1848). Papers named from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import inf, isinf

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

FINE_HZ = 2000
STEP_S = 1.0 / FINE_HZ
CLOSED = inf
# Share of a two-compartment body's resistance that both compartments breathe through.
COMMON_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Body:
    """One body; resistances in kPa.s/mL, volumes in mL, pressures in kPa.

    `drift` is M by rows, `inflow` b, `recoil` p, `holds` the weights of x in lung volume, and
    `parts_ml_kpa` the compliances of the parts that hold gas.
    """

    kind: str
    drift: tuple[float, float, float, float]
    inflow: tuple[float, float]
    recoil: tuple[float, float]
    holds: tuple[float, float]
    resistance: float
    parts_ml_kpa: tuple[float, ...]

    @property
    def compliance_ml_kpa(self) -> float:
        """Static compliance."""
        return sum(self.parts_ml_kpa)

    def gas(
        self, states: FloatArray, muscle_kpa: FloatArray
    ) -> list[tuple[float, FloatArray, FloatArray]]:
        """Of each part that holds gas: share of C, volume above rest (n,), pressure (n,), kPa."""
        if len(self.parts_ml_kpa) == 1:
            pressure = self.recoil[0] * states[0] + self.recoil[1] * states[1] - muscle_kpa
            return [(1.0, states[0], pressure)]
        whole = self.compliance_ml_kpa
        return [
            (part / whole, volume, volume / part - muscle_kpa)
            for part, volume in zip(self.parts_ml_kpa, states, strict=True)
        ]

    def volume_ml(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Lung volume above relaxation volume."""
        return self.holds[0] * first + self.holds[1] * second

    def matrix(self, outer: float) -> FloatArray:
        """A of x' = A x + B Pmus with the opening behind a resistance `outer`."""
        drift = np.array(self.drift).reshape(2, 2)
        if isinf(outer):
            return drift
        total = self.resistance + outer
        return np.asarray(drift - np.outer(self.inflow, self.recoil) / total)

    def time_constants_s(self, outer: float) -> tuple[float, ...]:
        """Time constants of passive emptying, longest first."""
        rates = np.linalg.eigvals(self.matrix(outer)).real
        return tuple(sorted((-1.0 / float(r) for r in rates if r < -1e-9), reverse=True))


def one_compartment(crs_ml_kpa: float, rrs_kpa_s_ml: float) -> Body:
    """P = V / C + R V'."""
    return Body(
        "one compartment",
        (0.0, 0.0, 0.0, 0.0),
        (1.0, 0.0),
        (1.0 / crs_ml_kpa, 0.0),
        (1.0, 0.0),
        rrs_kpa_s_ml,
        (crs_ml_kpa,),
    )


def two_compartments(
    crs_ml_kpa: float, rrs_kpa_s_ml: float, *, second_share: float, tau_ratio: float
) -> Body:
    """Two compartments behind a common resistance; the second has `second_share` of C.

    `tau_ratio` is R2 C2 / (R1 C1). R is what a sudden flow meets: Rc + R1 R2 / (R1 + R2).
    V_i' = (Pn + Pmus - V_i / C_i) / R_i with Pn at the node.
    """
    first_c, second_c = (1.0 - second_share) * crs_ml_kpa, second_share * crs_ml_kpa
    parallel = (1.0 - COMMON_SHARE) * rrs_kpa_s_ml
    ratio = tau_ratio * first_c / second_c
    first_r, second_r = parallel * (1.0 + ratio) / ratio, parallel * (1.0 + ratio)
    recoil = parallel / (first_r * first_c), parallel / (second_r * second_c)
    return Body(
        "two compartments",
        (
            (recoil[0] - 1.0 / first_c) / first_r,
            recoil[1] / first_r,
            recoil[0] / second_r,
            (recoil[1] - 1.0 / second_c) / second_r,
        ),
        (parallel / first_r, parallel / second_r),
        recoil,
        (1.0, 1.0),
        rrs_kpa_s_ml,
        (first_c, second_c),
    )


def viscoelastic(
    crs_ml_kpa: float, rrs_kpa_s_ml: float, *, relaxing_share: float, relaxing_s: float
) -> Body:
    """P = V / C + R V' + Pv with Pv' = Ev V' - Pv / T, Ev = `relaxing_share` / C."""
    return Body(
        "viscoelastic",
        (0.0, 0.0, 0.0, -1.0 / relaxing_s),
        (1.0, relaxing_share / crs_ml_kpa),
        (1.0 / crs_ml_kpa, 1.0),
        (1.0, 0.0),
        rrs_kpa_s_ml,
        (crs_ml_kpa,),
    )


@dataclass(frozen=True, slots=True)
class Modes:
    """The exact step of x' = A x + B u for u linear between samples, by eigenvectors."""

    vectors: FloatArray
    inverse: FloatArray
    keep: FloatArray
    before: FloatArray
    after: FloatArray

    def run(self, start: tuple[float, float], muscle_kpa: FloatArray) -> FloatArray:
        """States (2, n) at the n samples of the muscle pressure; the first is `start`."""
        from scipy.signal import lfilter

        at = self.inverse @ np.array(start)
        modes = np.empty((2, len(muscle_kpa)))
        for i in range(2):
            taps = [self.after[i], self.before[i]]
            held = np.array([at[i] - self.after[i] * muscle_kpa[0]])
            modes[i], _ = lfilter(taps, [1.0, -self.keep[i]], muscle_kpa, zi=held)
        return np.asarray(self.vectors @ modes)


@lru_cache(maxsize=256)
def modes_of(body: Body, outer: float) -> Modes:
    """Modes of a body behind one outer resistance; all its rates are real and not positive."""
    rates, vectors = np.linalg.eig(body.matrix(outer))
    rates, vectors = rates.real, vectors.real
    inverse = np.linalg.inv(vectors)
    total = body.resistance + outer
    gain = inverse @ (np.array(body.inflow) / total)
    a = rates * STEP_S
    keep = np.exp(a)
    still = np.abs(a) < 1e-12
    safe = np.where(still, 1.0, a)
    whole = np.where(still, 1.0, np.expm1(a) / safe) * STEP_S
    rising = np.where(still, 0.5, (np.expm1(a) - a) / safe**2) * STEP_S
    return Modes(vectors, inverse, keep, gain * (whole - rising), gain * rising)


def march(
    body: Body,
    start: tuple[float, float],
    muscle_kpa: FloatArray,
    inner: FloatArray,
    outer: FloatArray,
) -> FloatArray:
    """States (2, n) while resistances change: fourth-order Runge-Kutta, a fine sample a step.

    `inner` (n,) is added to the body's resistance (the larynx), `outer` (n,) stands before the
    opening (apparatus, moving shutter, leak beside them); infinite where nothing passes.
    """
    a11, a12, a21, a22 = body.drift
    b1, b2 = body.inflow
    p1, p2 = body.recoil
    conductance = 1.0 / (body.resistance + inner + outer)
    half_muscle = 0.5 * (muscle_kpa[1:] + muscle_kpa[:-1])
    half_conductance = 0.5 * (conductance[1:] + conductance[:-1])
    states = np.empty((2, len(muscle_kpa)))
    x, y = start
    states[:, 0] = x, y
    h = STEP_S
    rows = zip(
        muscle_kpa[:-1].tolist(), half_muscle.tolist(), muscle_kpa[1:].tolist(),
        conductance[:-1].tolist(), half_conductance.tolist(), conductance[1:].tolist(),
        strict=True,
    )  # fmt: skip
    for i, (u0, um, u1, g0, gm, g1) in enumerate(rows, start=1):
        q = g0 * (u0 - p1 * x - p2 * y)
        kx, ky = a11 * x + a12 * y + b1 * q, a21 * x + a22 * y + b2 * q
        x2, y2 = x + 0.5 * h * kx, y + 0.5 * h * ky
        q = gm * (um - p1 * x2 - p2 * y2)
        lx, ly = a11 * x2 + a12 * y2 + b1 * q, a21 * x2 + a22 * y2 + b2 * q
        x3, y3 = x + 0.5 * h * lx, y + 0.5 * h * ly
        q = gm * (um - p1 * x3 - p2 * y3)
        mx, my = a11 * x3 + a12 * y3 + b1 * q, a21 * x3 + a22 * y3 + b2 * q
        x4, y4 = x + h * mx, y + h * my
        q = g1 * (u1 - p1 * x4 - p2 * y4)
        nx, ny = a11 * x4 + a12 * y4 + b1 * q, a21 * x4 + a22 * y4 + b2 * q
        x += h / 6.0 * (kx + 2.0 * lx + 2.0 * mx + nx)
        y += h / 6.0 * (ky + 2.0 * ly + 2.0 * my + ny)
        states[0, i], states[1, i] = x, y
    return states
