"""Double occlusion: compliance and resistance from brief occlusions of one expiration.

Each occlusion gives a volume and the recoil pressure that belongs to it; the flow just before a
later occlusion gives the resistance. Source of the method: Gappa et al., Eur Respir J
2001;17:141-148. Resistance is about 20 % lower than by single occlusion (Goetz et al., Eur Respir
J 2001;17:449-455).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from quietsleep.contract import TECHNIQUES
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.end_expiratory_level import (
    RestingLevel,
    eel_shift_pct,
    level_after,
    level_before,
    lost_pct,
)
from quietsleep.signals.fits import NAN, Line, cv_pct, fit_line, values_of
from quietsleep.signals.occlusions import (
    Occlusion,
    OpenAirway,
    Plateau,
    airway_before,
    breath_start,
    expiration_end,
    find_occlusions,
    find_plateau,
    flow_limit_ml_s,
    held_until,
    pressure_fall_kpa,
    settled_half,
    shutter_settings,
)
from quietsleep.signals.passive_limb import (
    PassiveLimb,
    passive_limb,
    release_delay_s,
    undisturbed_flow_ml_s,
    volume_of,
)
from quietsleep.signals.reasons import give_reasons
from quietsleep.signals.shutter_trials import until_next

SPEC = TECHNIQUES["double_occlusion"]
SETTINGS = SPEC.settings
REASONS = {
    "plateau_s": "an occlusion is too short to hold a plateau",
    "plateau_sd_kpa": "an occlusion is too short to hold a plateau",
    "plateau_fall_pct": "an occlusion is too short to hold a plateau",
    "plateau_loss_pct": "no compliance, no plateau, or too few breaths before or after",
    "release_delay_s": "no flow after a release",
    "volume_between_pct": "fewer than two occlusions, or no breaths before them",
    "crs_ml_kpa": "fewer than two occlusions at different pressures",
    "intercept_volume_ml": "fewer than two occlusions, or too few breaths before them",
    "rrs_kpa_s_l": "no expiratory flow just before a later occlusion, or no apparatus resistance",
    "eel_sd_pct": "too few breaths before the occlusions",
    "eel_shift_pct": "too few breaths before or after the occlusions",
}


@dataclass(frozen=True, slots=True)
class _Points:
    """Occlusions of one expiration, one element each; volume mL on the recording's scale.

    `flow_ml_s` is expiratory flow just before the occlusion, positive; NaN for the first.
    `until` is the sample at which pressure falls at the release, `fall_kpa` its fall before that.
    """

    airway: OpenAirway
    plateaus: tuple[Plateau, ...]
    pressure_kpa: FloatArray
    volume_ml: FloatArray
    flow_ml_s: FloatArray
    fall_kpa: FloatArray
    until: FloatArray
    limb: PassiveLimb


def find_trials(recording: Recording) -> list[Trial]:
    """Find expirations with a closed shutter; all occlusions of one expiration are one trial."""
    airway = recording.pressures_kpa.get("airway_pressure")
    if airway is None:
        return []
    flow, rate, shutter = recording.flow_ml_s, recording.rate_hz, shutter_settings(SETTINGS)
    limit = flow_limit_ml_s(flow, shutter, noise_ml_s=recording.breaths.noise_ml_s)
    trials: list[Trial] = []
    expired, marks = -1, {}
    for occlusion in find_occlusions(flow, airway, rate, shutter, limit_ml_s=limit):
        if occlusion.start >= expired:
            free = max(expired, 0)
            expired = expiration_end(recording.breaths, occlusion.end, n=flow.size)
            marks = {"expired": expired, "free": free}
            start = breath_start(recording.breaths, occlusion.start)
            trials.append(Trial(len(trials) + 1, start, expired, marks))
        number = len(marks) // 2
        marks[f"closed_{number}"], marks[f"released_{number}"] = occlusion.start, occlusion.end
    return until_next(trials, n=flow.size)


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Measure the occlusions of one expiration."""
    points = _points(recording, trial)
    before, after = _levels(recording, trial)
    line = compliance_line(points.volume_ml, points.pressure_kpa)
    span_ml = float(np.ptp(points.volume_ml)) if points.volume_ml.size > 1 else NAN
    resistance = resistance_kpa_s_l(
        points.pressure_kpa,
        points.flow_ml_s,
        apparatus_kpa_s_l=recording.context.get("apparatus_resistance_kpa_s_l", NAN),
    )
    fallen_kpa = float(points.fall_kpa.sum())
    measures = Measures(
        {
            "n_points": float(points.volume_ml.size),
            "plateau_s": min(p.length_s for p in points.plateaus),
            "plateau_sd_kpa": max(p.sd_kpa for p in points.plateaus),
            "plateau_fall_pct": 100.0 * float((points.fall_kpa / points.pressure_kpa).max()),
            "plateau_loss_pct": lost_pct(before, after, fallen_ml=fallen_kpa * line.slope),
            "release_delay_s": _release_delay_s(recording, trial, points),
            "volume_between_pct": 100.0 * span_ml / before.tidal_volume_ml,
            "crs_ml_kpa": line.slope,
            "intercept_volume_ml": line.intercept - before.eel_ml,
            "rrs_kpa_s_l": resistance,
            "eel_sd_pct": before.sd_pct,
            "eel_shift_pct": eel_shift_pct(before, after),
        }
    )
    return give_reasons(measures, REASONS)


def compliance_line(volume_ml: FloatArray, pressure_kpa: FloatArray) -> Line:
    """Line of volume on recoil pressure: slope Crs (mL/kPa), volume at zero pressure (mL).

    Shape (n_points,) each; the difference quotient for two points, NaN for one. Relative error of
    Crs for two points: sqrt(2) SD(P) / (P1 - P2).
    Source: Gappa et al., Eur Respir J 2001;17:141-148.
    """
    return fit_line(pressure_kpa, volume_ml)


def resistance_kpa_s_l(
    pressure_kpa: FloatArray, flow_ml_s: FloatArray, *, apparatus_kpa_s_l: float
) -> float:
    """Resistance without the apparatus: sum P / sum flow * 1000 - R_apparatus, kPa.s/L.

    Plateau pressures (kPa) of the later occlusions and expiratory flow (mL/s, positive) just before
    each, shape (n_points,), NaN where there is none. The ratio of sums weights by flow, whose noise
    is the larger. Relative error: SD(flow) / flow.
    Source: Gappa et al., Eur Respir J 2001;17:141-148.
    """
    usable = np.isfinite(flow_ml_s) & (flow_ml_s > 0)
    if not usable.any():
        return NAN
    ratio = 1000.0 * float(pressure_kpa[usable].sum()) / float(flow_ml_s[usable].sum())
    return ratio - apparatus_kpa_s_l


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Count the accepted trials and measure how far their numbers lie apart."""
    measures = Measures(
        {
            "n_accepted": float(len(trials)),
            "crs_cv_pct": cv_pct(values_of(trials, "crs_ml_kpa")),
            "rrs_cv_pct": cv_pct(values_of(trials, "rrs_kpa_s_l")),
        }
    )
    return give_reasons(measures, dict.fromkeys(measures, "fewer than two accepted trials"))


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the plateaus, the points of volume and flow, and the end-expiratory levels."""
    points, rate = _points(recording, trial), recording.rate_hz
    before, after = _levels(recording, trial)
    span_s = (trial.start / rate, trial.end / rate)
    marks = [
        Mark("volume", "end-expiratory level before", span_s, (before.eel_ml,) * 2, "eel_sd_pct"),
        Mark("volume", "end-expiratory level after", span_s, (after.eel_ml,) * 2, "eel_shift_pct"),
    ]
    for number, occlusion in enumerate(_occlusions(trial)):
        plateau, name = points.plateaus[number], f"occlusion {number + 1}"
        level = (plateau.pressure_kpa,) * 2
        whole = (plateau.start / rate, (plateau.end - 1) / rate)
        quiet = (plateau.quiet_start / rate, (plateau.quiet_end - 1) / rate)
        closed_s, opened_s = occlusion.start / rate, occlusion.end / rate
        volume, flow = float(points.volume_ml[number]), float(points.flow_ml_s[number])
        marks.append(Mark("airway_pressure", f"plateau, {name}", whole, level, "plateau_s"))
        marks.append(
            Mark("airway_pressure", f"quietest window, {name}", quiet, level, "plateau_sd_kpa")
        )
        shut = f"shutter closed, {name}"
        held = Mark("volume", shut, (closed_s, opened_s), (volume,) * 2, "volume_between_pct")
        marks += [held, *_release_marks(points, number, rate, name=name, opened_s=opened_s)]
        if np.isfinite(flow):
            marks.append(Mark("flow", f"flow before {name}", (closed_s,), (-flow,), "rrs_kpa_s_l"))
        marks.append(Mark("loop", name, level[:1], (volume,), "crs_ml_kpa"))
    line = compliance_line(points.volume_ml, points.pressure_kpa)
    if np.isfinite(line.slope):
        # The loop shows pressure as recorded, the line is measured from the transducer's zero.
        zero = points.plateaus[0].pressure_kpa - float(points.pressure_kpa[0])
        ends = (0.0, float(points.pressure_kpa.max()))
        pressures = tuple(zero + end for end in ends)
        volumes = tuple(line.intercept + line.slope * end for end in ends)
        also = ("crs_ml_kpa_kg",)
        marks.append(Mark("loop", "compliance line", pressures, volumes, "crs_ml_kpa", also))
    return marks


def _release_marks(
    points: _Points, number: int, rate_hz: float, *, name: str, opened_s: float
) -> list[Mark]:
    """Where pressure falls behind the shutter, and how long flow waits once it is let off."""
    until_s, plateau = float(points.until[number]) / rate_hz, points.plateaus[number]
    last, times = plateau.pressure_kpa, (plateau.start / rate_hz, until_s)
    falling = (last + float(points.fall_kpa[number]), last)
    loss = ("plateau_loss_pct",)
    waited_s = (until_s, opened_s) if until_s < opened_s else (opened_s,)
    return [
        Mark("airway_pressure", f"fall, {name}", times, falling, "plateau_fall_pct", loss),
        Mark("flow", f"release, {name}", waited_s, (0.0,) * len(waited_s), "release_delay_s"),
    ]


def _occlusions(trial: Trial) -> list[Occlusion]:
    marks, count = trial.landmarks, (len(trial.landmarks) - 3) // 2
    return [Occlusion(marks[f"closed_{i}"], marks[f"released_{i}"]) for i in range(1, count + 1)]


def _levels(recording: Recording, trial: Trial) -> tuple[RestingLevel, RestingLevel]:
    least, most = int(SETTINGS["eel_breaths_least"]), int(SETTINGS["eel_breaths_most"])
    closed = trial.landmarks["closed_1"]
    before = level_before(
        recording, closed, since=trial.landmarks["free"], least_breaths=least, most_breaths=most
    )
    released = _occlusions(trial)[-1].end
    until = trial.landmarks["until"]
    return before, level_after(recording, released, most_breaths=most, until=until)


def _points(recording: Recording, trial: Trial) -> _Points:
    occlusions, rate = _occlusions(trial), recording.rate_hz
    airway = recording.pressures_kpa["airway_pressure"]
    breaths = int(SETTINGS["eel_breaths_most"])
    is_open = airway_before(recording, occlusions[0], airway, breaths=breaths)
    until = [held_until(recording.flow_ml_s, airway, o, rate, airway=is_open) for o in occlusions]
    plateaus = tuple(
        find_plateau(
            airway,
            Occlusion(occlusion.start, min(occlusion.end, math.ceil(falls))),
            rate,
            window_s=SETTINGS["plateau_window_s"],
            band_kpa=SETTINGS["plateau_band_kpa"],
        )
        for occlusion, falls in zip(occlusions, until, strict=True)
    )
    falls_kpa = [
        pressure_fall_kpa(airway, occlusion, rate, until=falls)
        for occlusion, falls in zip(occlusions, until, strict=True)
    ]
    limb = passive_limb(recording, occlusions[-1], trial.landmarks["expired"], SETTINGS)
    volumes, flows = _volumes_and_flows(recording, occlusions, limb)
    return _Points(
        airway=is_open,
        plateaus=plateaus,
        pressure_kpa=np.array([p.pressure_kpa - is_open.zero_kpa for p in plateaus]),
        volume_ml=volumes,
        flow_ml_s=flows,
        fall_kpa=np.array(falls_kpa),
        until=np.array(until),
        limb=limb,
    )


def _volumes_and_flows(
    recording: Recording, occlusions: Sequence[Occlusion], limb: PassiveLimb
) -> tuple[FloatArray, FloatArray]:
    """Volume behind each closed shutter and expiratory flow just before each later closure.

    Volume is counted on through every edge, so that the gas of a closing shutter, smeared by the
    filter, counts in full: it is that of the plateau and not of the first still sample.
    """
    held, rate = [settled_half(o) for o in occlusions], recording.rate_hz
    volumes, flows = [float(recording.volume_ml[held[0]].mean())], [NAN]
    for (earlier, later), (still, next_still) in zip(
        pairwise(occlusions), pairwise(held), strict=True
    ):
        volume, flow = volume_of(recording, still.start, next_still.stop, held=still)
        volume += volumes[-1] - float(volume[: still.stop - still.start].mean())
        volumes.append(float(volume[next_still.start - still.start :].mean()))
        between = slice(earlier.end - 1 - still.start, later.start + 1 - still.start)
        flows.append(
            undisturbed_flow_ml_s(
                volume[between], flow[between], limb, at_ml=volumes[-1], rate_hz=rate
            )
        )
    return np.array(volumes), np.array(flows)


def _release_delay_s(recording: Recording, trial: Trial, points: _Points) -> float:
    """Longest time from the fall of pressure to the beginning of flow over the releases."""
    occlusions, delays = _occlusions(trial), []
    ends = [o.start for o in occlusions[1:]] + [trial.landmarks["expired"]]
    for occlusion, end, falls in zip(occlusions, ends, points.until.tolist(), strict=True):
        start = occlusion.end - 1
        zero = float(recording.flow_ml_s[settled_half(occlusion)].mean())
        delays.append(
            release_delay_s(
                recording.flow_ml_s[start:end] - zero,
                start,
                recording.rate_hz,
                pressure_falls=falls,
                lag_s=points.airway.lag_s,
            )
        )
    return float(np.max(delays))
