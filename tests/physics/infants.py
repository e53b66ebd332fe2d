"""Infants, manoeuvres and devices drawn over the whole range that sleeping infants show."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tests.physics.bodies import Bodies, Floats, Manoeuvres, Pattern
from tests.physics.sensors import Channel, Head

BodyKind = Literal["linear", "compartments", "stress"]
RATES_HZ = (100.0, 125.0, 200.0, 250.0, 500.0, 1000.0)


@dataclass(frozen=True, slots=True)
class DeviceOf:
    """Device of one infant."""

    rate_hz: float
    flow: Channel
    pressure: Channel
    head: Head


@dataclass(frozen=True, slots=True)
class Ward:
    """Infants side by side, with their devices; `kind` and `elevation` (share of VT) as drawn."""

    bodies: Bodies
    pattern: Pattern
    plan: Manoeuvres
    devices: tuple[DeviceOf, ...]
    kind: tuple[BodyKind, ...]
    elevation: Floats


def draw_ward(
    rng: np.random.Generator,
    n: int,
    *,
    kinds: tuple[BodyKind, ...] = ("linear",),
    double: bool = False,
    count: int = 5,
) -> Ward:
    """Draw infants of 3 to 12 kg whose breathing level stands 0 to 40 % of VT above relaxation."""
    kind: tuple[BodyKind, ...] = tuple(kinds[i % len(kinds)] for i in range(n))
    weight = rng.uniform(3.0, 12.0, n)
    compliance = weight * rng.uniform(7.0, 16.0, n)
    vt = weight * rng.uniform(6.0, 9.0, n)
    elevation: Floats = np.asarray((np.arange(n) * 0.6180339887) % 1.0 * 0.4, dtype=np.float64)
    tau, brake, te = _times(rng, elevation)
    apparatus = np.minimum(rng.uniform(0.2, 0.8, n) * 1e-3, 0.5 * tau / compliance)
    bodies = _bodies(rng, kind, compliance, tau=tau, apparatus=apparatus, weight=weight)
    ti = te * rng.uniform(0.55, 0.85, n)
    pattern = Pattern(
        vt_ml=vt,
        ti_s=np.clip(ti, 0.3, 1.2),
        te_s=te,
        brake=brake,
        lets_go_s=rng.uniform(0.02, 0.05, n),
        heart_kpa=rng.uniform(0.0, 1.2, n) * tau / compliance,  # up to 1.2 mL/s of flow
        heart_hz=rng.uniform(1.7, 2.7, n),
        vt_cv=rng.uniform(0.07, 0.12, n),
        time_cv=rng.uniform(0.02, 0.06, n),
    )
    plan = _plan(rng, n, count, double=double)
    devices = tuple(_device(rng, i) for i in range(n))
    return Ward(bodies, pattern, plan, devices, kind, elevation)


def _times(rng: np.random.Generator, elevation: Floats) -> tuple[Floats, Floats, Floats]:
    """Time constant, braking and expiratory time that leave that elevation: 18 to 70 /min."""
    n = elevation.size
    keep = np.maximum(elevation, 0.004) / (1.0 + np.maximum(elevation, 0.004))
    tau, brake, te = np.empty(n), np.empty(n), np.empty(n)
    for i in range(n):
        while True:
            tau[i], brake[i] = rng.uniform(0.12, 0.5), rng.uniform(1.0, 1.8)
            te[i] = -np.log(keep[i]) * tau[i] * brake[i]
            if 0.45 <= te[i] <= 2.2:
                break
    return tau, brake, te


def _bodies(
    rng: np.random.Generator,
    kind: tuple[BodyKind, ...],
    compliance: Floats,
    *,
    tau: Floats,
    apparatus: Floats,
    weight: Floats,
) -> Bodies:
    n = compliance.size
    total = tau / compliance - apparatus
    split = np.array([k == "compartments" for k in kind])
    share = np.where(split, rng.uniform(0.25, 0.5, n), 0.5)
    ratio = np.where(split, rng.uniform(1.3, 5.0, n), 1.0)
    c1, c2 = compliance * (1.0 - share), compliance * share
    inner = 0.4 * total
    # Branch resistances in parallel make `inner`; time constants of the branches differ by ratio.
    r1 = inner * (1.0 + c2 / c1 / ratio)
    r2 = r1 * ratio * c1 / c2
    stressed = np.array([k == "stress" for k in kind])
    return Bodies(
        c1=c1,
        c2=c2,
        r0=0.6 * total,
        r1=r1,
        r2=r2,
        stress_kpa_ml=np.where(stressed, rng.uniform(0.1, 0.35, n) / compliance, 0.0),
        stress_s=rng.uniform(0.25, 1.0, n),
        apparatus=apparatus,
        mask_ml_kpa=rng.uniform(0.05, 0.3, n),
        weight_kg=weight,
    )


def _plan(rng: np.random.Generator, n: int, count: int, *, double: bool) -> Manoeuvres:
    shares = np.ones((n, 1))
    hold = rng.uniform(0.4, 0.9, n)
    if double:
        shares = np.column_stack([rng.uniform(0.82, 1.0, n), rng.uniform(0.35, 0.52, n)])
        hold = rng.uniform(0.25, 0.5, n)
    return Manoeuvres(
        count=count,
        shares=shares,
        hold_s=hold,
        relax_s=rng.uniform(0.02, 0.045, n),
        moving_s=rng.uniform(0.002, 0.02, n),
        between=rng.integers(4, 9, (n, count)),
        early_share=rng.uniform(0.02, 0.1, n),
        leak=np.zeros(n),
        leak_always=np.zeros(n),
        glottis_s=np.zeros(n),
        dip=np.zeros(n),
        effort_kpa=np.zeros(n),
    )


def _device(rng: np.random.Generator, number: int) -> DeviceOf:
    rate = RATES_HZ[number % len(RATES_HZ)]

    def channel(noise: float, step: float) -> Channel:
        corner = float(rng.uniform(25.0, min(100.0, 0.45 * rate)))
        family: Literal["bessel", "butter"] = "bessel" if rng.uniform() < 0.5 else "butter"
        order = int(rng.integers(2, 9))
        delay = float(rng.uniform(0.0, 0.004))
        return Channel(family, order, corner, delay, noise, step)

    flow = channel(float(rng.uniform(0.2, 0.8)), 0.15)
    pressure = channel(float(rng.uniform(0.0005, 0.002)), 0.0005)
    head = Head(
        offset_ml_s=float(rng.uniform(-2.0, 2.0)),
        trend_ml_s_s=float(rng.uniform(-0.01, 0.01)),
        wave_ml_s=float(rng.uniform(0.0, 0.4)),
        wave_s=float(rng.uniform(60.0, 150.0)),
    )
    return DeviceOf(rate, flow, replace(pressure, offset=float(rng.uniform(-0.02, 0.02))), head)
