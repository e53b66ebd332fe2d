"""Quiet breathing and the occlusion techniques, simulated with known truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording
from quietsleep.simulation.tape import (
    FINE_HZ,
    Breath,
    Tape,
    Variation,
    draw_breath,
    expiration_areas,
    mean_of,
    whole,
)

VALVE_S = 0.012  # time constant of the opening shutter, s


@dataclass(frozen=True, slots=True)
class Quirks:
    """What else happens in a run of quiet breaths: index of the breath it happens at."""

    sighs: tuple[int, ...] = ()
    apnoeas: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class SimulatedOcclusion:
    """One occlusion: how long, how well the infant relaxes, and what goes wrong.

    `effort_kpa` is a breathing effort against the shutter, `brake` the share of flow that the
    larynx holds back halfway through expiration, `lost_share` the share of VT that escapes past
    the mask unseen at release, `stop_share` where (share of VT above EEL) an early breath ends
    it, `wander` the share of VT by which EEL swings before it.
    """

    duration_s: float = 0.7
    relaxation_s: float = 0.05
    effort_kpa: float = 0.0
    brake: float = 0.0
    lost_share: float = 0.0
    stop_share: float = 0.0
    wander: float = 0.0


def tidal(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    breaths: int = 34,
    variation: Variation | None = None,
    quirks: Quirks | None = None,
) -> SimulatedRecording:
    """Quiet tidal breathing; truth holds means over the regular breaths."""
    tape, odd = Tape(infant, setting or Setting()), quirks or Quirks()
    rows: list[dict[str, float]] = []
    for i in range(breaths):
        breath = draw_breath(rng, infant, variation or Variation())
        tape.note("breath_start")
        if i in odd.sighs:
            breath = Breath(infant.vt_ml * 2.6, breath.ti_s * 1.3, breath.te_s * 1.6, 0.3)
            breath = Breath(breath.vt_ml, whole(breath.ti_s), whole(breath.te_s), 0.3)
            tape.note("sigh")
        else:
            rows.append(tidal_truth(breath, tape.volume_ml, infant.weight_kg))
        tape.breathe(breath)
        if i in odd.apnoeas:
            tape.note("apnoea")
            tape.rest(whole(2.6 * infant.ttot_s))
    means = mean_of(tuple(rows))
    truth = means | {
        "minute_ventilation_ml_min": means["vt_ml"] * means["rr_per_min"],
        "n_breaths": float(len(rows)),
        "n_sighs": float(len(odd.sighs)),
        "n_apnoeas": float(len(odd.apnoeas)),
        "n_artefacts": 0.0,
        "volume_imbalance_pct": 0.0,
    }
    return tape.play("tidal", rate_hz=rate_hz, truth=truth, trials=tuple(rows))


def tidal_truth(breath: Breath, from_ml: float, weight_kg: float) -> dict[str, float]:
    """Every tidal quantity of one breath from its parameters; VT is (VI + VE) / 2."""
    expired = from_ml + breath.vt_ml - breath.end_ml
    vt = (breath.vt_ml + expired) / 2.0
    before, after = expiration_areas(breath.te_s, breath.tptef_te)
    ttot = breath.ti_s + breath.te_s
    return {
        "rr_per_min": 60.0 / ttot,
        "vt_ml": vt,
        "vt_ml_kg": vt / weight_kg,
        "ti_s": breath.ti_s,
        "te_s": breath.te_s,
        "ti_ttot": breath.ti_s / ttot,
        "tptef_te": breath.tptef_te,
        "vptef_ve": before / (before + after),
        "ptef_ml_s": expired / (before + after),
    }


def passive_expiration(
    tape: Tape, *, to_ml: float, brake: float = 0.0, settle: bool = True
) -> None:
    """Let the relaxed lung empty to a volume above EEL: V' = -m(t) (V - V_rest) / tau.

    m(t) rises as the valve opens, 1 - exp(-t / 12 ms), and may be held back by the larynx. A
    second compartment of the infant empties in parallel with its own time constant. `settle`
    lets flow fall to zero within 30 ms at the end.
    """
    infant = tape.infant
    tau = infant.tau_s(tape.setting.apparatus_resistance_kpa_s_l)
    span = whole(12.0 * tau * max(infant.second_tau_ratio, 1.0))
    t = np.arange(round(span * FINE_HZ) + 1) / FINE_HZ
    opening = 1.0 - np.exp(-t / VALVE_S)
    opening *= 1.0 - brake * np.exp(-(((t - 1.1 * tau) / (0.35 * tau)) ** 2))
    passed = np.concatenate([[0.0], np.cumsum((opening[1:] + opening[:-1]) / 2.0)]) / FINE_HZ
    above = tape.volume_ml + infant.elevation_ml
    volume, flow = np.zeros_like(t), np.zeros_like(t)
    share = infant.second_share
    for part, part_tau in ((1.0 - share, tau), (share, tau * infant.second_tau_ratio)):
        left = part * above * np.exp(-passed / part_tau)
        volume += left
        flow -= opening * left / part_tau
    volume -= infant.elevation_ml
    stop = max(int(np.searchsorted(-volume, -to_ml)), 2)
    tape.add(flow[:stop], volume_ml=float(volume[stop - 1] + flow[stop - 1] / FINE_HZ / 2))
    if settle:
        n = round(0.03 * FINE_HZ)
        fall = flow[stop - 1] * (1.0 - np.arange(1, n + 1) / n)
        tape.add(fall, volume_ml=tape.volume_ml + float(fall.sum()) / FINE_HZ)


def elastic_pressure_kpa(tape: Tape) -> float:
    """Recoil pressure of the relaxed system at the present volume."""
    return (tape.volume_ml + tape.infant.elevation_ml) / tape.infant.crs_ml_kpa


def occlude(tape: Tape, occlusion: SimulatedOcclusion, *, from_kpa: float) -> float:
    """Close the shutter: Pao relaxes exponentially to the recoil pressure, which is returned."""
    t = np.arange(round(occlusion.duration_s * FINE_HZ)) / FINE_HZ
    recoil = elastic_pressure_kpa(tape)
    airway = recoil + (from_kpa - recoil) * np.exp(-t / occlusion.relaxation_s)
    airway = airway - occlusion.effort_kpa * np.sin(np.pi * t / 0.2) ** 2
    total = tape.infant.frc_ml + tape.volume_ml + tape.setting.compressible_dead_space_ml
    chest = -total * airway / dry_pressure_kpa(tape.setting)
    tape.note("closed")
    tape.add(np.zeros_like(t), volume_ml=tape.volume_ml, airway_kpa=airway, chest_ml=chest)
    tape.note("opened")
    return recoil


def dry_pressure_kpa(setting: Setting) -> float:
    """Barometric pressure less water vapour at 37 C (6.28 kPa)."""
    return setting.barometric_pressure_kpa - 6.28


def breathe_quietly(
    tape: Tape, rng: np.random.Generator, variation: Variation, count: int, *, wander: float = 0.0
) -> None:
    """A few quiet breaths; `wander` sends EEL up and down by that share of VT in turn."""
    for i in range(count):
        breath = draw_breath(rng, tape.infant, variation)
        if wander:
            share = wander * rng.uniform(0.8, 1.0) * (1.0 if i % 2 else -1.0)
            breath = replace(breath, end_ml=share * tape.infant.vt_ml)
        tape.breathe(breath)


def listed(manoeuvres: int | Sequence[SimulatedOcclusion]) -> list[SimulatedOcclusion]:
    """So many plain occlusions, or the ones given."""
    return [SimulatedOcclusion()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)


def single_occlusion(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[SimulatedOcclusion] = 5,
    variation: Variation | None = None,
    breaths_between: int = 5,
) -> SimulatedRecording:
    """End-inspiratory occlusions, each released into passive expiration."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    rows = []
    for occlusion in listed(manoeuvres):
        breathe_quietly(tape, rng, usual, breaths_between, wander=occlusion.wander)
        breath = draw_breath(rng, infant, usual)
        tape.inspire(tape.volume_ml + breath.vt_ml, breath.ti_s)
        volume = tape.volume_ml
        plateau = occlude(tape, occlusion, from_kpa=0.0)
        tape.volume_ml -= occlusion.lost_share * infant.vt_ml
        stop = occlusion.stop_share * infant.vt_ml
        passive_expiration(tape, to_ml=stop, brake=occlusion.brake)
        rows.append(single_truth(tape, volume_ml=volume, plateau_kpa=plateau))
    breathe_quietly(tape, rng, usual, breaths_between)
    trials = tuple(rows)
    return tape.play("single_occlusion", rate_hz=rate_hz, truth=mean_of(trials), trials=trials)


def single_truth(tape: Tape, *, volume_ml: float, plateau_kpa: float) -> dict[str, float]:
    """What one single occlusion should give. V0 lies `elevation_ml` below EEL."""
    infant = tape.infant
    return {
        "crs_ml_kpa": infant.crs_ml_kpa,
        "crs_ml_kpa_kg": infant.crs_ml_kpa / infant.weight_kg,
        "rrs_kpa_s_l": infant.rrs_kpa_s_l,
        "tau_s": infant.tau_s(tape.setting.apparatus_resistance_kpa_s_l),
        "plateau_pressure_kpa": plateau_kpa,
        "occlusion_volume_ml": volume_ml,
        "intercept_volume_ml": -infant.elevation_ml,
        "eel_shift_pct": 0.0,
    }


def double_occlusion(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[SimulatedOcclusion] = 5,
    shares: Sequence[float] = (0.85, 0.4),
    variation: Variation | None = None,
    breaths_between: int = 5,
) -> SimulatedRecording:
    """Passive expirations interrupted by brief occlusions at `shares` of VT above EEL."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    rows = []
    plain = [SimulatedOcclusion(duration_s=0.3, relaxation_s=0.012)]
    chosen = plain * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    for occlusion in chosen:
        breathe_quietly(tape, rng, usual, breaths_between)
        breath = draw_breath(rng, infant, usual)
        tape.inspire(tape.volume_ml + breath.vt_ml, breath.ti_s)
        points = []
        for share in shares:
            passive_expiration(tape, to_ml=share * infant.vt_ml, settle=False)
            before = float(tape.parts[-1][1][-1])
            points.append((tape.volume_ml, occlude(tape, occlusion, from_kpa=before)))
        tape.volume_ml -= occlusion.lost_share * infant.vt_ml
        passive_expiration(tape, to_ml=0.0)
        rows.append(double_truth(tape, points=points, vt_ml=breath.vt_ml))
    breathe_quietly(tape, rng, usual, breaths_between)
    trials = tuple(rows)
    return tape.play("double_occlusion", rate_hz=rate_hz, truth=mean_of(trials), trials=trials)


def double_truth(
    tape: Tape, *, points: Sequence[tuple[float, float]], vt_ml: float
) -> dict[str, float]:
    """What one double occlusion should give; the line V = Crs P + V0 has V0 = -elevation."""
    infant = tape.infant
    return {
        "n_points": float(len(points)),
        "crs_ml_kpa": infant.crs_ml_kpa,
        "rrs_kpa_s_l": infant.rrs_kpa_s_l,
        "intercept_volume_ml": -infant.elevation_ml,
        "volume_between_pct": 100.0 * (points[0][0] - points[-1][0]) / vt_ml,
        "eel_shift_pct": 0.0,
    }
