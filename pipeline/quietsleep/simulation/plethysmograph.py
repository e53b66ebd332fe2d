"""Occlusions with breathing efforts in a closed box, simulated with known truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from quietsleep.simulation.physiology import FloatArray, Infant, Setting, SimulatedRecording
from quietsleep.simulation.quiet import (
    breathe_quietly,
    dry_pressure_kpa,
    elastic_pressure_kpa,
    passive_expiration,
)
from quietsleep.simulation.tape import FINE_HZ, Tape, Variation, draw_breath, mean_of


@dataclass(frozen=True, slots=True)
class Effort:
    """Breathing efforts against the closed shutter.

    `lag_s` delays the pressure at the airway opening against alveolar pressure (a loop opens),
    `passed_on` is the share of alveolar swings that reaches the airway opening (0 with a closed
    glottis), `lost_share` the share of VT that escapes past the mask unseen at release.
    """

    count: int = 4
    swing_kpa: float = 1.2
    at: Literal["end_expiration", "end_inspiration"] = "end_inspiration"
    lag_s: float = 0.0
    passed_on: float = 1.0
    lost_share: float = 0.0


def effort_pressure_kpa(
    rng: np.random.Generator, infant: Infant, effort: Effort
) -> tuple[FloatArray, int]:
    """Muscle pressure swings: inspiratory half sines, each followed by a weak push out.

    Returns the pressure at 2 kHz and the number of efforts; it starts and ends at zero.
    """
    parts = [np.zeros(round(0.05 * FINE_HZ))]
    for _ in range(effort.count):
        swing = effort.swing_kpa * (1.0 + 0.12 * np.clip(rng.standard_normal(), -2, 2))
        pull = np.arange(round(0.45 * infant.ttot_s * FINE_HZ)) / FINE_HZ
        push = np.arange(round(0.4 * infant.ttot_s * FINE_HZ)) / FINE_HZ
        parts.append(-swing * np.sin(np.pi * pull / (0.45 * infant.ttot_s)))
        parts.append(0.25 * swing * np.sin(np.pi * push / (0.4 * infant.ttot_s)))
    parts.append(np.zeros(round(0.05 * FINE_HZ)))
    return np.concatenate(parts), effort.count


def lagged(pressure_kpa: FloatArray, lag_s: float) -> FloatArray:
    """First-order lag: tau dP/dt = P_in - P."""
    if lag_s <= 0:
        return pressure_kpa
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / (lag_s * FINE_HZ))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], pressure_kpa), dtype=np.float64)


def occlude_in_box(tape: Tape, rng: np.random.Generator, effort: Effort) -> dict[str, float]:
    """Close the shutter, make efforts, open: dV = -(FRC + V_occ + dead) dP / (PB - PH2O).

    At end-inspiration the system first relaxes onto its recoil pressure, which moves the chest
    by the same law.
    """
    infant, setting = tape.infant, tape.setting
    swings, count = effort_pressure_kpa(rng, infant, effort)
    t = np.arange(len(swings)) / FINE_HZ
    recoil = elastic_pressure_kpa(tape) * (1.0 - np.exp(-t / 0.05))
    alveolar = swings + recoil
    total = infant.frc_ml + tape.volume_ml + setting.compressible_dead_space_ml
    chest = -total * alveolar / dry_pressure_kpa(setting)
    airway = lagged(recoil + effort.passed_on * swings, effort.lag_s)
    tape.note("closed")
    above = tape.volume_ml
    tape.add(np.zeros_like(t), volume_ml=above, airway_kpa=airway, chest_ml=chest)
    tape.note("opened")
    return {
        "n_efforts": float(count),
        "slope_ml_kpa": total / dry_pressure_kpa(setting),
        "tgv_ml": total,
        "volume_above_eel_ml": above,
        "frc_ml": infant.frc_ml,
        "frc_ml_kg": infant.frc_ml / infant.weight_kg,
        "box_closed_s": setting.box_closed_s,
        "eel_shift_pct": 0.0,
    }


def plethysmography(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[Effort] = 4,
    variation: Variation | None = None,
    breaths_between: int = 6,
) -> SimulatedRecording:
    """Occlusions in the box; the box signal carries leak and pump factor of `setting`."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    efforts = [Effort()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    rows = []
    for effort in efforts:
        breathe_quietly(tape, rng, usual, breaths_between)
        breath = draw_breath(rng, infant, usual)
        if effort.at == "end_inspiration":
            tape.inspire(tape.volume_ml + breath.vt_ml, breath.ti_s)
        rows.append(occlude_in_box(tape, rng, effort))
        tape.volume_ml -= effort.lost_share * infant.vt_ml
        if effort.at == "end_inspiration":
            passive_expiration(tape, to_ml=0.0)
    breathe_quietly(tape, rng, usual, breaths_between)
    trials = tuple(rows)
    return tape.play(
        "plethysmography",
        rate_hz=rate_hz,
        truth=mean_of(trials),
        trials=trials,
        channels=("flow", "airway_pressure", "box_pressure"),
    )
