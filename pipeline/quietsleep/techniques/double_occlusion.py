"""Double occlusion: compliance and resistance from brief occlusions of one expiration.

Each occlusion gives a volume and the recoil pressure that belongs to it; the flow just before a
later occlusion gives the resistance. Source of the method: Gappa et al., Eur Respir J
2001;17:141-148. Resistance is about 20 % lower than by single occlusion (Goetz et al., Eur Respir
J 2001;17:449-455).
"""

from __future__ import annotations

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
)
from quietsleep.signals.fits import NAN, Line, cv_pct, fit_line, values_of
from quietsleep.signals.occlusions import (
    Occlusion,
    Plateau,
    breath_start,
    closure_lag_s,
    expiration_end,
    find_occlusions,
    find_plateau,
    flow_limit_ml_s,
    shutter_settings,
    volume_from,
    zero_flow_ml_s,
    zero_pressure_kpa,
)
from quietsleep.signals.reasons import give_reasons

SPEC = TECHNIQUES["double_occlusion"]
SETTINGS = SPEC.settings
REASONS = {
    "plateau_s": "an occlusion is too short to hold a plateau",
    "plateau_sd_kpa": "an occlusion is too short to hold a plateau",
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
    """

    plateaus: tuple[Plateau, ...]
    pressure_kpa: FloatArray
    volume_ml: FloatArray
    flow_ml_s: FloatArray


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
            expired = expiration_end(flow, occlusion.end, limit_ml_s=limit, rate_hz=rate)
            marks = {"expired": expired, "free": free}
            start = breath_start(recording.breaths, occlusion.start)
            trials.append(Trial(len(trials) + 1, start, expired, marks))
        number = len(marks) // 2
        marks[f"closed_{number}"], marks[f"released_{number}"] = occlusion.start, occlusion.end
    return trials


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
    measures = Measures(
        {
            "n_points": float(points.volume_ml.size),
            "plateau_s": min(p.length_s for p in points.plateaus),
            "plateau_sd_kpa": max(p.sd_kpa for p in points.plateaus),
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
    """Count the accepted trials and measure how far their compliance lies apart."""
    measures = Measures(
        {
            "n_accepted": float(len(trials)),
            "crs_cv_pct": cv_pct(values_of(trials, "crs_ml_kpa")),
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
        closed_s = occlusion.start / rate
        volume, flow = float(points.volume_ml[number]), float(points.flow_ml_s[number])
        marks.append(Mark("airway_pressure", f"plateau, {name}", whole, level, "plateau_s"))
        marks.append(
            Mark("airway_pressure", f"quietest window, {name}", quiet, level, "plateau_sd_kpa")
        )
        marks.append(Mark("volume", name, (closed_s,), (volume,), "volume_between_pct"))
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
        marks.append(Mark("loop", "compliance line", pressures, volumes, "crs_ml_kpa"))
    return marks


def _occlusions(trial: Trial) -> list[Occlusion]:
    marks, count = trial.landmarks, len(trial.landmarks) // 2 - 1
    return [Occlusion(marks[f"closed_{i}"], marks[f"released_{i}"]) for i in range(1, count + 1)]


def _levels(recording: Recording, trial: Trial) -> tuple[RestingLevel, RestingLevel]:
    least, most = int(SETTINGS["eel_breaths_least"]), int(SETTINGS["eel_breaths_most"])
    closed = trial.landmarks["closed_1"]
    before = level_before(
        recording, closed, since=trial.landmarks["free"], least_breaths=least, most_breaths=most
    )
    released = _occlusions(trial)[-1].end
    return before, level_after(recording, released, most_breaths=least)


def _points(recording: Recording, trial: Trial) -> _Points:
    occlusions, rate = _occlusions(trial), recording.rate_hz
    airway = recording.pressures_kpa["airway_pressure"]
    breaths = int(SETTINGS["eel_breaths_most"])
    zero = zero_pressure_kpa(recording, occlusions[0], airway, breaths=breaths)
    plateaus = tuple(
        find_plateau(
            airway,
            occlusion,
            rate,
            window_s=SETTINGS["plateau_window_s"],
            band_kpa=SETTINGS["plateau_band_kpa"],
        )
        for occlusion in occlusions
    )
    first, last = occlusions[0], occlusions[-1]
    offset = zero_flow_ml_s(recording.flow_ml_s, occlusions)
    flow = recording.flow_ml_s[first.start : last.end] - offset
    held_ml = float(recording.volume_ml[first.start : first.end].mean())
    volume = volume_from(flow, rate, start_ml=held_ml)
    for occlusion, plateau in zip(occlusions, plateaus, strict=True):
        lag_s = closure_lag_s(airway, occlusion, rate, level_kpa=plateau.pressure_kpa)
        closing_ml_s = float(recording.flow_ml_s[max(occlusion.start - 1, 0)]) - offset
        # The trapezoid rule takes half a period of flow between the last open sample and closure.
        volume[occlusion.start - first.start :] += closing_ml_s * (0.5 / rate - lag_s)
    at = [slice(o.start - first.start, o.end - first.start) for o in occlusions]
    flows = [NAN]
    for earlier, later in pairwise(at):
        flows.append(_flow_before(volume, flow, earlier.stop, later.start, rate))
    return _Points(
        plateaus,
        np.array([p.pressure_kpa - zero for p in plateaus]),
        np.array([volume[part].mean() for part in at]),
        np.array(flows),
    )


def _flow_before(
    volume_ml: FloatArray, flow_ml_s: FloatArray, released: int, closed: int, rate_hz: float
) -> float:
    """Expiratory flow at the moment of closure, mL/s, positive.

    Flow of a passive expiration is a straight line of volume: the line through the last window
    before closure is read at the volume of the closure.
    """
    opened = released + round(SETTINGS["opening_s"] * rate_hz)
    start = max(opened, closed - round(SETTINGS["flow_window_s"] * rate_hz))
    if closed - start < 3:
        return NAN
    line = fit_line(volume_ml[start:closed], flow_ml_s[start:closed])
    return -(line.intercept + line.slope * float(volume_ml[closed]))
