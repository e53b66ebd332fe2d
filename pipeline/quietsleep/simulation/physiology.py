"""Simulated infants: what is true of one infant, one room and one measuring set.

Nothing here is analysis. Every technique module of this package takes an `Infant`, lets its
mechanics run and returns a `SimulatedRecording` whose truth comes from the parameters and the
integrated equations. Volumes and flows are at BTPS, inspiration is positive, airway and jacket
pressures are relative to atmosphere.

Central values over body length follow published regressions where one is named; the rest are
round figures of usual infants, from memory, and stand for plausibility only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np

from quietsleep.simulation.bodies import (
    FINE_HZ,
    Body,
    FloatArray,
    modes_of,
    one_compartment,
    two_compartments,
    viscoelastic,
)

Condition = Literal["healthy", "obstructed", "stiff"]

# Median length against age and weight against length: round figures, from memory.
_AGE_DAYS = (0.0, 30.0, 61.0, 91.0, 137.0, 183.0, 274.0, 365.0, 548.0, 730.0)
_LENGTH_CM = (49.5, 54.2, 57.8, 60.6, 64.2, 66.7, 71.0, 74.9, 81.5, 87.0)
_LENGTH_OF_WEIGHT_CM = (45.0, 50.0, 55.0, 60.0, 65.0, 70.0, 75.0, 80.0, 88.0)
_WEIGHT_KG = (2.5, 3.4, 4.5, 5.9, 7.2, 8.4, 9.4, 10.5, 12.2)


BodyKind = Literal["linear", "two compartments", "viscoelastic"]
BODIES: tuple[BodyKind, ...] = ("linear", "two compartments", "viscoelastic")


def standard_pressure_kpa(altitude_m: float) -> float:
    """Barometric pressure of the standard atmosphere below 11 km, kPa.

    p = 101.325 (1 - L h / T0)^(g M / (R L)), T0 = 288.15 K, L = 6.5 K/km (International Standard
    Atmosphere, ISO 2533:1975).
    """
    exponent = 9.80665 * 0.0289644 / (8.314462 * 0.0065)
    return float(101.325 * (1.0 - 0.0065 * altitude_m / 288.15) ** exponent)


@dataclass(frozen=True, slots=True)
class Infant:
    """True body and breathing of one infant; what follows from them is computed, not given.

    `crs_ml_kpa` is static compliance and `rrs_kpa_s_l` what a sudden flow meets, both seen from the
    airway opening, so that the little that gas gives way is part of compliance. `frc_ml` is gas at
    the mean end-expiratory level, `reserve_ml` how far that lies above residual volume. `vt_ml`
    and `rate_per_min` are what the muscles aim at; `braking_s` is the time in which they let go
    after inspiration, `relaxation_s` the time constant of letting go behind a closed shutter.
    Two compartments: the second has `second_share` of compliance and `second_tau_ratio` times the
    time constant. Viscoelastic: `relaxing_share` / C of elastance relaxes with `relaxing_s`.
    """

    length_cm: float
    weight_kg: float
    age_days: float
    sex: Literal["female", "male"]
    crs_ml_kpa: float
    rrs_kpa_s_l: float
    frc_ml: float
    rate_per_min: float
    vt_ml: float
    ti_ttot: float
    reserve_ml: float
    emptying_per_s: float
    braking_s: float = 0.3
    relaxation_s: float = 0.035
    vt_cv: float = 0.09
    timing_cv: float = 0.07
    curve_power: float = 1.0
    body_kind: BodyKind = "linear"
    second_share: float = 0.35
    second_tau_ratio: float = 3.0
    relaxing_share: float = 0.1
    relaxing_s: float = 0.6

    @property
    def ttot_s(self) -> float:
        """Mean duration of a breath, s."""
        return 60.0 / self.rate_per_min

    @property
    def body(self) -> Body:
        """The mechanics as a linear system."""
        crs, rrs = self.crs_ml_kpa, self.rrs_kpa_s_l / 1000.0
        if self.body_kind == "two compartments":
            return two_compartments(
                crs, rrs, second_share=self.second_share, tau_ratio=self.second_tau_ratio
            )
        if self.body_kind == "viscoelastic":
            return viscoelastic(
                crs, rrs, relaxing_share=self.relaxing_share, relaxing_s=self.relaxing_s
            )
        return one_compartment(crs, rrs)

    def tau_s(self, apparatus_resistance_kpa_s_l: float = 0.0) -> float:
        """Slowest passive time constant, s: of one compartment (Rrs + R_app) C."""
        return self.body.time_constants_s(apparatus_resistance_kpa_s_l / 1000.0)[0]

    def elevation_ml(self, apparatus_resistance_kpa_s_l: float = 0.5) -> float:
        """Mean end-expiratory level above relaxation volume in steady breathing."""
        return steady_breathing(self, apparatus_resistance_kpa_s_l).elevation_ml

    def raised_volume_ml(
        self, pressure_kpa: float, apparatus_resistance_kpa_s_l: float = 0.5
    ) -> float:
        """Volume above EEL of the relaxed system at an inflation pressure."""
        return self.crs_ml_kpa * pressure_kpa - self.elevation_ml(apparatus_resistance_kpa_s_l)

    def maximal_flow_ml_s(self, above_rv_ml: FloatArray | float) -> FloatArray:
        """Flow limit at a volume above residual volume: k * v_ref * (v / v_ref)^n.

        n = 1 is a straight descending limb; n > 1 bends it towards the volume axis, as in
        obstruction. `v_ref` is the volume at 3 kPa, so that n leaves the flow there unchanged.
        """
        reference_ml = self.reserve_ml + 3.0 * self.crs_ml_kpa
        share = np.maximum(above_rv_ml, 0.0) / reference_ml
        return np.asarray(self.emptying_per_s * reference_ml * share**self.curve_power)

    @property
    def vmaxfrc_ml_s(self) -> float:
        """Flow limit at EEL: volume above RV equals the expiratory reserve."""
        return float(self.maximal_flow_ml_s(self.reserve_ml))


@dataclass(frozen=True, slots=True)
class Steady:
    """Breathing that repeats itself: what it takes and where it ends.

    `drive_kpa` is the peak of muscle pressure that moves the infant's VT, `state` that of the body
    where the muscles begin to pull.
    """

    drive_kpa: float
    state: tuple[float, float]
    elevation_ml: float


def muscle_pull(drive_kpa: float, ti_s: float, whole_s: float, braking_s: float) -> FloatArray:
    """Muscle pressure of one breath at the fine samples, its last sample that of the next.

    A quarter sine up to `drive_kpa` within tI; then half a cosine down to nothing in `braking_s`,
    the activity after inspiration that brakes expiration.
    """
    t = np.arange(round(whole_s * FINE_HZ) + 1) / FINE_HZ
    up = np.sin(0.5 * np.pi * np.minimum(t / ti_s, 1.0))
    down = 0.5 + 0.5 * np.cos(np.pi * np.clip((t - ti_s) / braking_s, 0.0, 1.0))
    return np.asarray(drive_kpa * up * down)


@lru_cache(maxsize=512)
def steady_breathing(infant: Infant, apparatus_resistance_kpa_s_l: float) -> Steady:
    """The periodic solution: x0 = (I - F)^-1 x(unit breath from rest), scaled to VT."""
    body, outer = infant.body, apparatus_resistance_kpa_s_l / 1000.0
    pull = muscle_pull(1.0, infant.ttot_s * infant.ti_ttot, infant.ttot_s, infant.braking_s)
    modes = modes_of(body, outer)
    once = modes.run((0.0, 0.0), pull)[:, -1]
    own = modes.vectors @ np.diag(modes.keep ** (len(pull) - 1)) @ modes.inverse
    if body.kind == "one compartment":
        first = (once[0] / (1.0 - own[0, 0]), 0.0)
    else:
        solved = np.linalg.solve(np.eye(2) - own, once)
        first = (float(solved[0]), float(solved[1]))
    volume = body.volume_ml(*modes.run(first, pull))
    drive = infant.vt_ml / float(volume.max() - volume.min())
    state = float(first[0]) * drive, float(first[1]) * drive
    return Steady(drive, state, float(volume.min()) * drive)


@dataclass(frozen=True, slots=True)
class ChannelFilter:
    """What stands between a channel and the converter: a low-pass and a delay."""

    kind: Literal["bessel", "butterworth"] = "bessel"
    order: int = 2
    corner_hz: float = 100.0
    delay_s: float = 0.0


Filters = tuple[tuple[str, ChannelFilter], ...]


@dataclass(frozen=True, slots=True)
class Setting:
    """Room and measuring set in which an infant is studied.

    `shutter_s` is the time the shutter takes from open to closed; `filters` stand ahead of the
    converter, by channel.
    """

    room_temperature_c: float = 23.0
    room_humidity_pct: float = 40.0
    barometric_pressure_kpa: float = 101.325
    mask_dead_space_ml: float = 10.0
    compressible_dead_space_ml: float = 8.0
    apparatus_resistance_kpa_s_l: float = 0.5
    box_volume_l: float = 65.0
    box_factor_ml_kpa: float = 500.0
    box_half_life_s: float = 9.0
    box_calibrated_empty: bool = True
    box_closed_s: float = 180.0
    shutter_s: float = 0.008
    mask_on_min: float = 8.0
    filters: Filters = ()

    def box_factor_with_infant_ml_kpa(self, weight_kg: float) -> float:
        """mL of chest movement per kPa of box pressure with the infant (1.05 kg/L) inside."""
        if not self.box_calibrated_empty:
            return self.box_factor_ml_kpa
        return self.box_factor_ml_kpa * (self.box_volume_l - weight_kg / 1.05) / self.box_volume_l


@dataclass(frozen=True, slots=True)
class SimulatedRecording:
    """Channels in lung-truth units and what is true of them.

    `truth` holds one value per contract quantity (the mean over the trials where there are
    several), `trials` the same per manoeuvre, `events` times in s from the start. `facts` holds,
    per manoeuvre, what no contract asks and the study of accuracy wants to know. `open_share` (n,)
    is how far the shutter stands open. An instrument that is set too small shows no more than its
    value in `ranges` either way, by channel.
    """

    technique: str
    rate_hz: float
    time_s: FloatArray
    channels: Mapping[str, FloatArray]
    context: Mapping[str, float]
    truth: Mapping[str, float]
    trials: tuple[Mapping[str, float], ...] = ()
    events: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    ranges: Mapping[str, float] = field(default_factory=dict)
    facts: tuple[Mapping[str, float], ...] = ()
    open_share: FloatArray | None = None

    @property
    def lasts_s(self) -> float:
        """How long the device recorded, s, whether or not samples were lost."""
        return float(self.time_s[-1] + 1.0 / self.rate_hz)


def context_of(infant: Infant, setting: Setting) -> dict[str, float]:
    """The numbers of visit, recording, device and checks that an analysis may know."""
    return {
        "weight_kg": infant.weight_kg,
        "length_cm": infant.length_cm,
        "age_days": infant.age_days,
        "room_temperature_c": setting.room_temperature_c,
        "room_humidity_pct": setting.room_humidity_pct,
        "barometric_pressure_kpa": setting.barometric_pressure_kpa,
        "mask_dead_space_ml": setting.mask_dead_space_ml,
        "compressible_dead_space_ml": setting.compressible_dead_space_ml,
        "apparatus_resistance_kpa_s_l": setting.apparatus_resistance_kpa_s_l,
        "box_closed_s": setting.box_closed_s,
        "box_factor_ml_kpa": setting.box_factor_ml_kpa,
        "box_half_life_s": setting.box_half_life_s,
        "box_volume_l": setting.box_volume_l,
        "box_calibrated_empty": float(setting.box_calibrated_empty),
    }


def usual_length_cm(age_days: float) -> float:
    """Usual length at an age."""
    return float(np.interp(age_days, _AGE_DAYS, _LENGTH_CM))


def usual_weight_kg(length_cm: float) -> float:
    """Usual weight at a length."""
    return float(np.interp(length_cm, _LENGTH_OF_WEIGHT_CM, _WEIGHT_KG))


def draw_infant(
    rng: np.random.Generator,
    *,
    length_cm: float,
    condition: Condition = "healthy",
    sex: Literal["female", "male"] | None = None,
    age_days: float | None = None,
    body_kind: BodyKind = "linear",
) -> Infant:
    """Draw one infant of 48 to 86 cm.

    Crs = 1.58e-4 L^3.13 mL/kPa (Bull Eur Physiopathol Respir 1985;21:411-416);
    ln FRC = -5.465 + 2.49 ln L (Pediatr Pulmonol 1993;15:357-361); V'maxFRC after Hoo et al.,
    AJRCCM 2002;165:1084-1092, which fixes the expiratory reserve; respiratory rate 44 to 26 /min
    (Fleming et al., Lancet 2011;377:1011-1018). From memory: a time constant of about 0.26 s, the
    muscles' letting go within a tenth to a third of a second, and how much stress relaxes.
    """
    if not 45.0 <= length_cm <= 90.0:
        raise ValueError(f"length {length_cm} cm lies outside 45 to 90 cm")
    chosen: Literal["female", "male"] = sex or ("female" if rng.random() < 0.5 else "male")

    def scatter(sd: float) -> float:
        """A log-normal factor around 1, kept within two SD."""
        return float(np.exp(sd * np.clip(rng.standard_normal(), -2.0, 2.0)))

    age = float(np.interp(length_cm, _LENGTH_CM, _AGE_DAYS)) if age_days is None else age_days
    weight = usual_weight_kg(length_cm) * scatter(0.07)
    crs = 1.58e-4 * length_cm**3.13 * scatter(0.12)
    tau = 0.26 * scatter(0.12)
    vt = 8.6 * weight * scatter(0.06)
    frc = float(np.exp(-5.465 + 2.49 * np.log(length_cm))) * scatter(0.1)
    rate = float(np.interp(age, (0.0, 90.0, 365.0, 730.0), (44.0, 38.0, 30.0, 26.0)))
    root = 4.22 + 0.0021 * length_cm**2 if chosen == "male" else -1.23 + 0.242 * length_cm
    emptying, power, braking = 3.6 * scatter(0.07), 1.0, scatter(0.15)
    reserve = min(root**2 / emptying * scatter(0.12), 0.45 * frc)
    if condition == "obstructed":
        tau, frc, power, braking, rate = tau * 1.35, frc * 1.2, 1.45, braking * 0.5, rate * 1.1
    if condition == "stiff":
        crs, tau, frc, rate, vt = crs * 0.65, tau * 0.75, frc * 0.8, rate * 1.3, vt * 0.9
        reserve = min(reserve, 0.45 * frc)
    rate, ti_ttot = rate * scatter(0.08), 0.37 * scatter(0.05)
    return Infant(
        length_cm=round(length_cm, 1),
        weight_kg=round(weight, 2),
        age_days=round(age),
        sex=chosen,
        crs_ml_kpa=crs,
        rrs_kpa_s_l=max(tau / crs * 1000.0 - 0.5, 1.0),
        frc_ml=frc,
        rate_per_min=rate,
        vt_ml=vt,
        ti_ttot=ti_ttot,
        reserve_ml=reserve,
        emptying_per_s=emptying,
        braking_s=0.5 * braking * (60.0 / rate) * (1.0 - ti_ttot),
        relaxation_s=0.035 * scatter(0.2),
        vt_cv=float(rng.uniform(0.07, 0.12)),
        timing_cv=float(rng.uniform(0.05, 0.09)),
        curve_power=power,
        body_kind=body_kind,
        second_share=float(rng.uniform(0.25, 0.45)),
        second_tau_ratio=float(rng.uniform(2.0, 5.0)),
        relaxing_share=float(rng.uniform(0.06, 0.16)),
        relaxing_s=float(rng.uniform(0.12, 0.8)),
    )
