"""Single occlusion: compliance and resistance from one end-inspiratory occlusion and its release.

Behind the closed shutter the infant relaxes and airway pressure settles to a plateau; after the
release expiration is passive, so flow falls on a straight line with volume. Source of the method:
Gappa et al., Eur Respir J 2001;17:141-148.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from quietsleep.contract import TECHNIQUES
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.end_expiratory_level import eel_shift_pct
from quietsleep.signals.fits import NAN, Line, cv_pct, longest_late_line, robust_line, values_of
from quietsleep.signals.occlusions import (
    Occlusion,
    Plateau,
    find_plateau,
    running_mean,
    volume_from,
    zero_flow_ml_s,
    zero_pressure_kpa,
)
from quietsleep.signals.reasons import give_reasons
from quietsleep.signals.shutter_trials import find_shutter_trials, levels_around

SPEC = TECHNIQUES["single_occlusion"]
SETTINGS = SPEC.settings
REASONS = {
    "plateau_s": "the occlusion is too short to hold a plateau",
    "plateau_pressure_kpa": "the occlusion is too short to hold a plateau",
    "plateau_sd_kpa": "the occlusion is too short to hold a plateau",
    "fit_r2": "the expiration after the release is too short to fit",
    "fit_share_pct": "the expiration after the release is too short to fit",
    "tau_s": "flow does not fall with volume after the release",
    "crs_ml_kpa": "no passive expiration or no plateau pressure above zero",
    "crs_ml_kpa_kg": "no compliance or no body weight",
    "rrs_kpa_s_l": "no compliance or no apparatus resistance",
    "occlusion_volume_ml": "too few breaths before the occlusion",
    "intercept_volume_ml": "no passive expiration or too few breaths before the occlusion",
    "eel_sd_pct": "too few breaths before the occlusion",
    "eel_shift_pct": "too few breaths before or after the occlusion",
}


@dataclass(frozen=True, slots=True)
class _Limb:
    """Expiration after the release: samples from `start`, volume and flow with its zero undone."""

    start: int
    volume_ml: FloatArray
    flow_ml_s: FloatArray
    fit: Line


def find_trials(recording: Recording) -> list[Trial]:
    """Find each closed shutter; a trial holds the inspiration before and the expiration after."""
    return find_shutter_trials(recording, SETTINGS)


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Measure one occlusion and the passive expiration after it."""
    plateau, limb = _plateau(recording, trial), _passive_limb(recording, trial)
    before, after = levels_around(recording, trial, SETTINGS)
    airway = recording.pressures_kpa["airway_pressure"]
    breaths = int(SETTINGS["eel_breaths_most"])
    zero = zero_pressure_kpa(recording, _occlusion(trial), airway, breaths=breaths)
    occluded_ml = float(limb.volume_ml[0])
    expired_ml = occluded_ml - float(limb.volume_ml[-1])
    fitted = limb.volume_ml[limb.fit.start : limb.fit.end]
    fitted_ml = float(np.ptp(fitted)) if fitted.size else NAN
    measures = mechanics(
        occlusion_volume_ml=occluded_ml,
        plateau_pressure_kpa=plateau.pressure_kpa - zero,
        fit=limb.fit,
        apparatus_resistance_kpa_s_l=recording.context.get("apparatus_resistance_kpa_s_l", NAN),
        weight_kg=recording.context.get("weight_kg", NAN),
    )
    measures["plateau_s"] = plateau.length_s
    measures["plateau_pressure_kpa"] = plateau.pressure_kpa - zero
    measures["plateau_sd_kpa"] = plateau.sd_kpa
    measures["fit_r2"] = limb.fit.r2
    measures["fit_share_pct"] = 100.0 * fitted_ml / expired_ml if expired_ml else NAN
    measures["occlusion_volume_ml"] = occluded_ml - before.eel_ml
    measures["intercept_volume_ml"] -= before.eel_ml
    measures["eel_sd_pct"] = before.sd_pct
    measures["eel_shift_pct"] = eel_shift_pct(before, after)
    return give_reasons(measures, REASONS)


def mechanics(
    *,
    occlusion_volume_ml: float,
    plateau_pressure_kpa: float,
    fit: Line,
    apparatus_resistance_kpa_s_l: float,
    weight_kg: float,
) -> Measures:
    """Compliance, time constant and resistance from a plateau and a line of flow on volume.

    tau = -1 / slope (s), V0 = -intercept / slope (mL), Crs = (V_occ - V0) / P (mL/kPa),
    Rrs = 1000 tau / Crs - R_apparatus (kPa.s/L). NaN where expiration does not slow with volume or
    pressure is not positive. Relative error of Crs: that of (V_occ - V0) plus that of P.
    Source: Gappa et al., Eur Respir J 2001;17:141-148.
    """
    measures = Measures()
    tau_s = -1.0 / fit.slope if fit.slope < 0 else NAN
    zero_ml = fit.intercept * tau_s
    positive = plateau_pressure_kpa > 0
    crs = (occlusion_volume_ml - zero_ml) / plateau_pressure_kpa if positive else NAN
    measures["tau_s"] = tau_s
    measures["intercept_volume_ml"] = zero_ml
    measures["crs_ml_kpa"] = crs
    measures["crs_ml_kpa_kg"] = crs / weight_kg if weight_kg > 0 else NAN
    resistance = 1000.0 * tau_s / crs if crs > 0 else NAN
    measures["rrs_kpa_s_l"] = resistance - apparatus_resistance_kpa_s_l
    return measures


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Count the accepted trials and measure how far they lie apart."""
    measures = Measures(
        {
            "n_accepted": float(len(trials)),
            "crs_cv_pct": cv_pct(values_of(trials, "crs_ml_kpa")),
            "rrs_cv_pct": cv_pct(values_of(trials, "rrs_kpa_s_l")),
        }
    )
    return give_reasons(measures, dict.fromkeys(measures, "fewer than two accepted trials"))


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the plateau, the fitted line on the flow-volume loop, the levels and the release."""
    plateau, limb = _plateau(recording, trial), _passive_limb(recording, trial)
    before, after = levels_around(recording, trial, SETTINGS)
    rate = recording.rate_hz
    span_s = (trial.start / rate, trial.end / rate)
    release_s, released_ml = trial.landmarks["released"] / rate, float(limb.volume_ml[0])
    marks = [
        _span("airway_pressure", "plateau", plateau, recording, (plateau.start, plateau.end)),
        _span(
            "airway_pressure",
            "quietest window",
            plateau,
            recording,
            (plateau.quiet_start, plateau.quiet_end),
        ),
        Mark("flow", "release", (release_s,), (0.0,)),
        Mark("volume", "end-expiratory level before", span_s, (before.eel_ml,) * 2, "eel_sd_pct"),
        Mark("volume", "end-expiratory level after", span_s, (after.eel_ml,) * 2, "eel_shift_pct"),
        Mark("volume", "occlusion", (release_s,), (released_ml,), "occlusion_volume_ml"),
    ]
    if limb.fit.slope < 0:
        fitted = limb.volume_ml[limb.fit.start : limb.fit.end]
        volumes = (float(fitted.max()), float(fitted.min()))
        flows = tuple(limb.fit.intercept + limb.fit.slope * v for v in volumes)
        marks.append(Mark("loop", "fitted line", volumes, flows, "fit_r2"))
        zero_ml = -limb.fit.intercept / limb.fit.slope
        marks.append(Mark("loop", "zero flow", (zero_ml,), (0.0,), "intercept_volume_ml"))
    return marks


def _span(
    axis: str, label: str, plateau: Plateau, recording: Recording, span: tuple[int, int]
) -> Mark:
    quantity = "plateau_s" if label == "plateau" else "plateau_sd_kpa"
    times = (span[0] / recording.rate_hz, (span[1] - 1) / recording.rate_hz)
    return Mark(axis, label, times, (plateau.pressure_kpa,) * 2, quantity)


def _occlusion(trial: Trial) -> Occlusion:
    return Occlusion(trial.landmarks["closed"], trial.landmarks["released"])


def _plateau(recording: Recording, trial: Trial) -> Plateau:
    return find_plateau(
        recording.pressures_kpa["airway_pressure"],
        _occlusion(trial),
        recording.rate_hz,
        window_s=SETTINGS["plateau_window_s"],
        band_kpa=SETTINGS["plateau_band_kpa"],
    )


def _passive_limb(recording: Recording, trial: Trial) -> _Limb:
    """Volume and flow from the release on, and the line through their longest straight late part.

    The closed shutter gives the zero of the flow head. The part before peak flow, and a little
    after it, belongs to the opening shutter.
    """
    rate, occlusion = recording.rate_hz, _occlusion(trial)
    start = occlusion.end - 1
    flow = recording.flow_ml_s[start : trial.landmarks["expired"]]
    flow = flow - zero_flow_ml_s(recording.flow_ml_s, [occlusion])
    held_ml = float(recording.volume_ml[occlusion.start : occlusion.end].mean())
    volume = volume_from(flow, rate, start_ml=held_ml)
    peak = int(np.argmin(running_mean(flow, max(1, round(0.01 * rate))))) if flow.size else 0
    first = min(peak + round(SETTINGS["opening_s"] * rate), flow.size)
    late = longest_late_line(
        volume[first:],
        flow[first:],
        r2_floor=SETTINGS["fit_r2_floor"],
        least_points=max(8, round(SETTINGS["fit_least_s"] * rate)),
        end_slack=round(SETTINGS["fit_end_slack_s"] * rate),
    )
    part = slice(first + late.start, first + late.end)
    line = robust_line(volume[part], flow[part])
    return _Limb(
        start, volume, flow, Line(line.slope, line.intercept, late.r2, part.start, part.stop)
    )
