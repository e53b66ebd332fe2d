"""Occlusions with breathing efforts in a closed box, simulated with known truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from quietsleep.simulation.bodies import FINE_HZ, FloatArray
from quietsleep.simulation.breathing import Variation, breathe_quietly, draw_breath, inspire
from quietsleep.simulation.occlusions import closed_leak, empty, gate, open_shutter, release_leak
from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording
from quietsleep.simulation.quiet import lost_in
from quietsleep.simulation.tape import WATER_VAPOUR_37C_KPA, Tape, mean_of


@dataclass(frozen=True, slots=True)
class Effort:
    """Breathing efforts against the closed shutter.

    `lag_s` delays the pressure at the airway opening against alveolar pressure (a narrow glottis
    before a soft upper airway: a loop opens), `passed_on` is the share of alveolar swings that
    reaches it (0 with a closed glottis). `lost_share` of VT escapes past the mask at release,
    `leak_tau_s` is the time constant of a leak behind the closed shutter.
    """

    count: int = 4
    swing_kpa: float = 1.2
    at: Literal["end_expiration", "end_inspiration"] = "end_inspiration"
    lag_s: float = 0.0
    passed_on: float = 1.0
    lost_share: float = 0.0
    leak_tau_s: float = 0.0


def effort_pressure_kpa(rng: np.random.Generator, infant: Infant, effort: Effort) -> FloatArray:
    """Muscle pressure of efforts: inspiratory half sines, each followed by a weak push out.

    At the fine samples (n,); it starts and ends at zero.
    """
    parts = [np.zeros(round(0.05 * FINE_HZ))]
    for _ in range(effort.count):
        swing = effort.swing_kpa * (1.0 + 0.12 * np.clip(rng.standard_normal(), -2, 2))
        pull = np.arange(round(0.45 * infant.ttot_s * FINE_HZ)) / FINE_HZ
        push = np.arange(round(0.4 * infant.ttot_s * FINE_HZ)) / FINE_HZ
        parts.append(swing * np.sin(np.pi * pull / (0.45 * infant.ttot_s)))
        parts.append(-0.25 * swing * np.sin(np.pi * push / (0.4 * infant.ttot_s)))
    parts.append(np.zeros(round(0.05 * FINE_HZ)))
    return np.concatenate(parts)


def lagged(pressure_kpa: FloatArray, lag_s: float) -> FloatArray:
    """First-order lag: tau dP/dt = P_in - P."""
    if lag_s <= 0:
        return pressure_kpa
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / (lag_s * FINE_HZ))
    start = np.array([keep * pressure_kpa[0]])
    lagging, _ = lfilter([1.0 - keep], [1.0, -keep], pressure_kpa, zi=start)
    return np.asarray(lagging, dtype=np.float64)


@dataclass(slots=True)
class Shown:
    """Where mask pressure is not what the lung makes: from a sample on, these values instead."""

    start: int
    airway_kpa: FloatArray


def occlude_in_box(
    tape: Tape, rng: np.random.Generator, effort: Effort, *, level_ml: float
) -> tuple[dict[str, float], Shown]:
    """Close the shutter, make efforts, open. The muscles let go of the breath beneath them."""
    infant, setting = tape.infant, tape.setting
    leak = closed_leak(tape, effort.leak_tau_s, orifice=False)
    moving = gate(tape, opens=False)
    tape.note("closed")
    seconds = (len(moving) - 1) / FINE_HZ
    tape.write(tape.look_through(tape.relaxing(seconds, infant.relaxation_s), moving))
    volume = tape.volume_ml
    swings = effort_pressure_kpa(rng, infant, effort)
    muscle = tape.relaxing((len(swings) - 1) / FINE_HZ, infant.relaxation_s) + swings
    start = tape.samples
    held = tape.write(tape.look(muscle, closed=True, leak=leak))
    shown = Shown(start, lagged(held.airway + (1.0 - effort.passed_on) * swings, effort.lag_s))
    lost = volume - tape.volume_ml
    tape.note("opened")
    open_shutter(tape, glottis_s=0.0, relaxation_s=infant.relaxation_s)
    total = tape.gas_at_rest_ml + volume + setting.compressible_dead_space_ml
    dry = setting.barometric_pressure_kpa - WATER_VAPOUR_37C_KPA
    frc = tape.gas_at_rest_ml + level_ml
    row = {
        "n_efforts": float(effort.count),
        "slope_ml_kpa": total / dry,
        "tgv_ml": total,
        "volume_above_eel_ml": volume - level_ml,
        "frc_ml": frc,
        "frc_ml_kg": frc / infant.weight_kg,
        "box_closed_s": setting.box_closed_s,
        "eel_shift_pct": 100.0 * lost / infant.vt_ml,
        "eel_sd_pct": tape.level_sd_pct,
    }
    return row, shown


def plethysmography(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[Effort] = 4,
    variation: Variation | None = None,
    breaths_between: int = 8,
) -> SimulatedRecording:
    """Occlusions in the box; the box signal carries leak and pump factor of `setting`."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    efforts = [Effort()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    rows, facts, shown = [], [], []
    for effort in efforts:
        breathe_quietly(tape, rng, usual, breaths_between)
        vt = infant.vt_ml
        if effort.at == "end_inspiration":
            vt = inspire(tape, draw_breath(rng, tape, usual))
        level = tape.level_ml
        row, seen = occlude_in_box(tape, rng, effort, level_ml=level)
        if effort.at == "end_inspiration":
            limb = empty(tape, leak=release_leak(tape, effort.lost_share))
            row["eel_shift_pct"] += 100.0 * lost_in(limb) / infant.vt_ml
        rows.append(row)
        shown.append(seen)
        elevation = 100.0 * level / infant.vt_ml
        facts.append(
            {"elevation_pct": elevation, "lost_pct": row["eel_shift_pct"], "inspired_ml": vt}
        )
    breathe_quietly(tape, rng, usual, breaths_between)
    airway = tape.whole("airway")
    for seen in shown:
        airway[seen.start : seen.start + len(seen.airway_kpa)] = seen.airway_kpa
    trials = tuple(rows)
    return tape.play(
        "plethysmography",
        rate_hz=rate_hz,
        truth=mean_of(trials),
        trials=trials,
        facts=tuple(facts),
        channels=("flow", "airway_pressure", "box_pressure"),
        airway_kpa=airway,
    )
