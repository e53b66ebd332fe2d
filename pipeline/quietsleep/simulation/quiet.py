"""Quiet breathing and the occlusion techniques, simulated with known truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from quietsleep.simulation.bodies import FINE_HZ, FloatArray
from quietsleep.simulation.breathing import (
    Breath,
    BreathMarks,
    Variation,
    breathe,
    breathe_quietly,
    draw_breath,
    inspire,
    marks_of,
    whole,
)
from quietsleep.simulation.occlusions import (
    Held,
    SimulatedOcclusion,
    bend_of,
    empty,
    late_slope_s,
    occlude,
    release_leak,
)
from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording
from quietsleep.simulation.tape import TIGHT, Stretch, Tape, mean_of, resisting_leak


@dataclass(frozen=True, slots=True)
class Quirks:
    """What else happens in a run of quiet breaths: index of the breath it happens at."""

    sighs: tuple[int, ...] = ()
    apnoeas: tuple[int, ...] = ()


def tidal(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    breaths: int = 34,
    variation: Variation | None = None,
    quirks: Quirks | None = None,
    leak_share: float = 0.0,
    leak_ways: Literal["both", "out", "in"] = "both",
    leak_from_s: float = 0.0,
) -> SimulatedRecording:
    """Quiet tidal breathing; truth holds means over the regular breaths.

    `leak_share` is the share of flow that passes beside the head in the directions `leak_ways`.
    """
    tape, odd = Tape(infant, setting or Setting()), quirks or Quirks()
    leak = resisting_leak(leak_share, tape.setting.apparatus_resistance_kpa_s_l, leak_ways)
    begun: list[int] = []
    for i in range(breaths):
        breath = draw_breath(rng, tape, variation or Variation())
        tape.leak = leak if tape.now_s >= leak_from_s else TIGHT
        begun.append(tape.samples)
        if i in odd.sighs:
            breath = sigh(breath, tape.steady.drive_kpa)
        breathe(tape, breath)
        if i in odd.apnoeas:
            pause = np.full(round(2.6 * infant.ttot_s * FINE_HZ) + 1, tape.tone_kpa)
            tape.write(tape.look(pause))
    gas, volume = tape.whole("gas"), tape.whole("volume")
    marks = marks_of(gas, begun)
    tape.events["breath_start"] = [mark.start / FINE_HZ for mark in marks]
    for name, which in (("sigh", odd.sighs), ("apnoea", odd.apnoeas)):
        found = [marks[i].start / FINE_HZ for i in which if i < len(marks)]
        if found:
            tape.events[name] = found
    irregular = {*odd.sighs, *odd.apnoeas}
    regular = [mark for i, mark in enumerate(marks) if i not in irregular]
    rows = tuple(breath_truth(mark, gas, volume, infant.weight_kg) for mark in regular)
    means = mean_of(rows)
    inspired = sum(float(volume[m.turn] - volume[m.start]) for m in regular)
    expired = sum(float(volume[m.turn] - volume[m.end]) for m in regular)
    truth = means | {
        "minute_ventilation_ml_min": means["vt_ml"] * means["rr_per_min"],
        "n_breaths": float(len(rows)),
        "n_sighs": float(len(odd.sighs)),
        "n_apnoeas": float(len(odd.apnoeas)),
        "n_artefacts": 0.0,
        "volume_imbalance_pct": 100.0 * abs(inspired - expired) / inspired,
    }
    return tape.play("tidal", rate_hz=rate_hz, truth=truth, trials=rows)


def sigh(breath: Breath, drive_kpa: float) -> Breath:
    """A deep breath, which takes longer."""
    ti, te = whole(1.3 * breath.ti_s), whole(1.8 * breath.te_s)
    return Breath(2.4 * drive_kpa, ti, te, breath.braking_s, breath.tonic_kpa)


def breath_truth(
    mark: BreathMarks, gas: FloatArray, volume: FloatArray, weight_kg: float
) -> dict[str, float]:
    """Every tidal quantity of one breath from the integrated equations; VT is (VI + VE) / 2."""
    inspired = float(volume[mark.turn] - volume[mark.start])
    expired = float(volume[mark.turn] - volume[mark.end])
    ti, te = (mark.turn - mark.start) / FINE_HZ, (mark.end - mark.turn) / FINE_HZ
    vt = 0.5 * (inspired + expired)
    return {
        "rr_per_min": 60.0 / (ti + te),
        "vt_ml": vt,
        "vt_ml_kg": vt / weight_kg,
        "ti_s": ti,
        "te_s": te,
        "ti_ttot": ti / (ti + te),
        "tptef_te": (mark.peak - mark.turn) / FINE_HZ / te,
        "vptef_ve": float(volume[mark.turn] - volume[mark.peak]) / expired,
        "ptef_ml_s": -float(gas[mark.peak]),
    }


def listed(manoeuvres: int | Sequence[SimulatedOcclusion]) -> list[SimulatedOcclusion]:
    """So many plain occlusions, or the ones given."""
    return [SimulatedOcclusion()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)


def constants_of(rng: np.random.Generator) -> float:
    """How many time constants the infant stays relaxed after a release."""
    return float(rng.uniform(3.8, 5.2))


def single_occlusion(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[SimulatedOcclusion] = 5,
    variation: Variation | None = None,
    breaths_between: int = 8,
) -> SimulatedRecording:
    """End-inspiratory occlusions, each released into passive expiration."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    rows, facts = [], []
    for occlusion in listed(manoeuvres):
        breathe_quietly(tape, rng, usual, breaths_between, wander=occlusion.wander)
        vt = inspire(tape, draw_breath(rng, tape, usual))
        level = tape.level_ml
        held = occlude(tape, occlusion)
        stop = None
        if occlusion.stop_share is not None:
            stop = level + occlusion.stop_share * infant.vt_ml
        limb = empty(
            tape,
            to_ml=stop,
            constants=constants_of(rng),
            brake=occlusion.brake,
            leak=release_leak(tape, occlusion.lost_share),
        )
        lost = held.lost_ml + lost_in(limb)
        rows.append(single_truth(tape, held, limb, level_ml=level, lost_ml=lost))
        facts.append(facts_of(tape, limb, level_ml=level, vt_ml=vt, lost_ml=lost))
    breathe_quietly(tape, rng, usual, breaths_between)
    trials = tuple(rows)
    return tape.play(
        "single_occlusion", rate_hz=rate_hz, truth=mean_of(trials), trials=trials,
        facts=tuple(facts),
    )  # fmt: skip


def lost_in(stretch: Stretch) -> float:
    """Gas that left the infant and not through the head, mL."""
    return float((stretch.flow - stretch.gas).sum()) / FINE_HZ


def facts_of(
    tape: Tape, limb: Stretch, *, level_ml: float, vt_ml: float, lost_ml: float
) -> dict[str, float]:
    """What no contract asks: elevation, the bend of the limb, gas lost, static compliance."""
    usual = tape.infant.vt_ml
    return {
        "elevation_pct": 100.0 * level_ml / usual,
        "limb_bend": bend_of(limb),
        "lost_pct": 100.0 * lost_ml / usual,
        "crs_static_ml_kpa": tape.infant.crs_ml_kpa,
        "inspired_ml": vt_ml,
    }


def single_truth(
    tape: Tape, held: Held, limb: Stretch, *, level_ml: float, lost_ml: float
) -> dict[str, float]:
    """What one single occlusion should give.

    One compartment: its parameters. Else Crs is volume above relaxation volume over the pressure
    at the end of the occlusion, and Rrs what follows from it and tau: the slow time constant of two
    compartments; of a viscoelastic body, which creeps and has no one constant, the mean slope of
    the exact limb over its late part.
    """
    infant, apparatus = tape.infant, tape.setting.apparatus_resistance_kpa_s_l
    tau = infant.tau_s(apparatus)
    if infant.body_kind == "viscoelastic":
        tau = late_slope_s(limb)
    crs, rrs = infant.crs_ml_kpa, infant.rrs_kpa_s_l
    if infant.body_kind != "linear":
        crs = (held.volume_ml - held.lost_ml) / held.plateau_kpa
        rrs = 1000.0 * tau / crs - apparatus
    return {
        "crs_ml_kpa": crs,
        "crs_ml_kpa_kg": crs / infant.weight_kg,
        "rrs_kpa_s_l": rrs,
        "tau_s": tau,
        "plateau_pressure_kpa": held.plateau_kpa,
        "occlusion_volume_ml": held.volume_ml - level_ml,
        "intercept_volume_ml": -level_ml,
        "eel_shift_pct": 100.0 * lost_ml / infant.vt_ml,
        "eel_sd_pct": tape.level_sd_pct,
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
    breaths_between: int = 8,
) -> SimulatedRecording:
    """Expirations interrupted by brief occlusions, at `shares` of what was breathed in above EEL.

    The first comes early in expiration and makes the infant relax; the rest is passive.
    """
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    rows, facts = [], []
    plain = [SimulatedOcclusion(duration_s=0.3)]
    chosen = plain * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    for occlusion in chosen:
        breathe_quietly(tape, rng, usual, breaths_between, wander=occlusion.wander)
        late = max(1.0 - shares[0], 0.0)
        vt = inspire(tape, draw_breath(rng, tape, usual), late_share=late)
        level, points = tape.level_ml, []
        points.append(occlude(tape, occlusion))
        for share in shares[1:]:
            empty(tape, to_ml=level + share * vt)
            points.append(occlude(tape, occlusion))
        leak = release_leak(tape, occlusion.lost_share)
        limb = empty(tape, constants=constants_of(rng), leak=leak)
        lost = sum(point.lost_ml for point in points) + lost_in(limb)
        rows.append(double_truth(tape, points, level_ml=level, lost_ml=lost))
        facts.append(facts_of(tape, limb, level_ml=level, vt_ml=vt, lost_ml=lost))
    breathe_quietly(tape, rng, usual, breaths_between)
    trials = tuple(rows)
    return tape.play(
        "double_occlusion", rate_hz=rate_hz, truth=mean_of(trials), trials=trials,
        facts=tuple(facts),
    )  # fmt: skip


def double_truth(
    tape: Tape, points: Sequence[Held], *, level_ml: float, lost_ml: float
) -> dict[str, float]:
    """What one double occlusion should give.

    One compartment: its parameters. Else Crs is the difference quotient of volume and pressure of
    the first and last occlusion, Rrs the mean of pressure over flow before, of the later ones, with
    the pressure that the gas would have held up which still left while the shutter closed.
    Volumes are in per cent of the usual tidal volume, as the contract defines them, not of the
    breath that was interrupted.
    """
    infant, first, last = tape.infant, points[0], points[-1]
    apparatus = tape.setting.apparatus_resistance_kpa_s_l
    crs, rrs, intercept = infant.crs_ml_kpa, infant.rrs_kpa_s_l, -level_ml
    if infant.body_kind != "linear" and len(points) > 1:
        crs = (first.volume_ml - last.volume_ml) / (first.plateau_kpa - last.plateau_kpa)
        held = [p.plateau_kpa + (p.before_ml - p.volume_ml) / crs for p in points[1:]]
        flows = [p.flow_before_ml_s / 1000.0 for p in points[1:]]
        rrs = float(np.mean([p / f for p, f in zip(held, flows, strict=True)])) - apparatus
        intercept = first.volume_ml - crs * first.plateau_kpa - level_ml
    return {
        "n_points": float(len(points)),
        "crs_ml_kpa": crs,
        "rrs_kpa_s_l": rrs,
        "intercept_volume_ml": intercept,
        "volume_between_pct": 100.0 * (first.volume_ml - last.volume_ml) / infant.vt_ml,
        "eel_shift_pct": 100.0 * lost_ml / infant.vt_ml,
        "eel_sd_pct": tape.level_sd_pct,
    }
