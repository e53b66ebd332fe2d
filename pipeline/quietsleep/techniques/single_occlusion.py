"""Single occlusion: compliance and resistance from one end-inspiratory occlusion and its release.

Behind the closed shutter the infant relaxes and airway pressure settles to a plateau; after the
release expiration is passive, so flow falls on a straight line with volume. Source of the method:
Gappa et al., Eur Respir J 2001;17:141-148.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from quietsleep.contract import TECHNIQUES
from quietsleep.records import Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.end_expiratory_level import eel_shift_pct, lost_pct
from quietsleep.signals.fits import NAN, Line, certain_size, cv_pct, values_of
from quietsleep.signals.occlusions import (
    Occlusion,
    OpenAirway,
    Plateau,
    airway_before,
    find_plateau,
    held_until,
    pressure_fall_kpa,
)
from quietsleep.signals.passive_limb import PassiveLimb, passive_limb, release_delay_s
from quietsleep.signals.reasons import give_reasons
from quietsleep.signals.shutter_trials import find_shutter_trials, levels_around

SPEC = TECHNIQUES["single_occlusion"]
SETTINGS = SPEC.settings
REASONS = {
    "plateau_s": "the occlusion is too short to hold a plateau",
    "plateau_pressure_kpa": "the occlusion is too short to hold a plateau",
    "plateau_sd_kpa": "the occlusion is too short to hold a plateau",
    "plateau_fall_pct": "the occlusion is too short to hold a plateau",
    "plateau_loss_pct": "no compliance, no plateau, or too few breaths before or after",
    "release_delay_s": "no flow after the release",
    "fit_r2": "the expiration after the release is too short to fit",
    "fit_share_pct": "the expiration after the release is too short to fit",
    "fit_curvature_pct": "the expiration after the release is too short to fit",
    "fit_bent_pct": "the expiration after the release is too short to fit",
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
class _Held:
    """Pressure behind the closed shutter, kPa, and the sample at which it falls at the release."""

    airway: OpenAirway
    plateau: Plateau
    fall_kpa: float
    until: float

    @property
    def level_kpa(self) -> float:
        """Plateau pressure from its value at zero flow with the shutter open."""
        return self.plateau.pressure_kpa - self.airway.zero_kpa


def find_trials(recording: Recording) -> list[Trial]:
    """Find each closed shutter; a trial holds the inspiration before and the expiration after."""
    return find_shutter_trials(recording, SETTINGS)


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Measure one occlusion and the passive expiration after it."""
    held, limb = _held(recording, trial), _limb(recording, trial)
    before, after = levels_around(recording, trial, SETTINGS)
    measures = mechanics(
        occlusion_volume_ml=limb.held_ml,
        plateau_pressure_kpa=held.level_kpa,
        fit=limb.late.line,
        apparatus_resistance_kpa_s_l=recording.context.get("apparatus_resistance_kpa_s_l", NAN),
        weight_kg=recording.context.get("weight_kg", NAN),
    )
    measures["plateau_s"] = held.plateau.length_s
    measures["plateau_pressure_kpa"] = held.level_kpa
    measures["plateau_sd_kpa"] = held.plateau.sd_kpa
    measures["plateau_fall_pct"] = 100.0 * held.fall_kpa / held.level_kpa
    measures["plateau_loss_pct"] = lost_pct(
        before, after, fallen_ml=held.fall_kpa * measures["crs_ml_kpa"]
    )
    measures["release_delay_s"] = release_delay_s(
        limb.flow_ml_s,
        limb.start,
        recording.rate_hz,
        pressure_falls=held.until,
        lag_s=held.airway.lag_s,
    )
    measures["fit_r2"] = limb.late.line.r2
    measures["fit_share_pct"] = limb.fit_share_pct
    measures["fit_curvature_pct"] = limb.late.curvature_pct
    measures["fit_bent_pct"] = limb.late.certain_pct
    measures["occlusion_volume_ml"] = limb.held_ml - before.eel_ml
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
            "curvature_pct": certain_size(values_of(trials, "fit_curvature_pct")),
        }
    )
    return give_reasons(measures, dict.fromkeys(measures, "fewer than two accepted trials"))


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the plateau, the fitted line on the flow-volume loop, the levels and the release."""
    held, limb = _held(recording, trial), _limb(recording, trial)
    plateau, line = held.plateau, limb.late.line
    before, after = levels_around(recording, trial, SETTINGS)
    rate = recording.rate_hz
    span_s = (trial.start / rate, trial.end / rate)
    release_s, held_ml = trial.landmarks["released"] / rate, (limb.held_ml,) * 2
    shut_s = (trial.landmarks["closed"] / rate, release_s)
    opened_s = held.until / rate
    # From the fall of pressure to the start of flow: what a closed glottis draws out.
    waited_s = (opened_s, release_s) if opened_s < release_s else (release_s,)
    marks = [
        _span("airway_pressure", "plateau", plateau, recording, (plateau.start, plateau.end)),
        _span(
            "airway_pressure",
            "quietest window",
            plateau,
            recording,
            (plateau.quiet_start, plateau.quiet_end),
        ),
        Mark("flow", "release", waited_s, (0.0,) * len(waited_s), "release_delay_s"),
        Mark("volume", "end-expiratory level before", span_s, (before.eel_ml,) * 2, "eel_sd_pct"),
        Mark("volume", "end-expiratory level after", span_s, (after.eel_ml,) * 2, "eel_shift_pct"),
        Mark("volume", "shutter closed", shut_s, held_ml, "occlusion_volume_ml"),
        _fall(held, recording, trial),
    ]
    if line.slope < 0:
        fitted = limb.volume_ml[line.start : line.end]
        volumes = (float(fitted.max()), float(fitted.min()))
        flows = tuple(line.intercept + line.slope * v for v in volumes)
        also = ("fit_share_pct", "fit_bent_pct", "crs_ml_kpa_kg", "rrs_kpa_s_l")
        marks.append(Mark("loop", "fitted line", volumes, flows, "fit_r2", also))
        zero_ml = -line.intercept / line.slope
        marks.append(Mark("loop", "zero flow", (zero_ml,), (0.0,), "intercept_volume_ml"))
    return marks


def _fall(held: _Held, recording: Recording, trial: Trial) -> Mark:
    """Pressure behind the shutter, from where it would have begun to where it is let off."""
    times = (trial.landmarks["closed"] / recording.rate_hz, held.until / recording.rate_hz)
    last = held.plateau.pressure_kpa
    return Mark(
        "airway_pressure",
        "fall of pressure behind the shutter",
        times,
        (last + held.fall_kpa, last),
        "plateau_fall_pct",
        ("plateau_loss_pct",),
    )


def _span(
    axis: str, label: str, plateau: Plateau, recording: Recording, span: tuple[int, int]
) -> Mark:
    quantity = "plateau_s" if label == "plateau" else "plateau_sd_kpa"
    times = (span[0] / recording.rate_hz, (span[1] - 1) / recording.rate_hz)
    return Mark(axis, label, times, (plateau.pressure_kpa,) * 2, quantity)


def _occlusion(trial: Trial) -> Occlusion:
    return Occlusion(trial.landmarks["closed"], trial.landmarks["released"])


def _held(recording: Recording, trial: Trial) -> _Held:
    airway, rate = recording.pressures_kpa["airway_pressure"], recording.rate_hz
    occlusion = _occlusion(trial)
    breaths = int(SETTINGS["eel_breaths_most"])
    is_open = airway_before(recording, occlusion, airway, breaths=breaths)
    until = held_until(recording.flow_ml_s, airway, occlusion, rate, airway=is_open)
    plateau = find_plateau(
        airway,
        Occlusion(occlusion.start, min(occlusion.end, math.ceil(until))),
        rate,
        window_s=SETTINGS["plateau_window_s"],
        band_kpa=SETTINGS["plateau_band_kpa"],
    )
    fall_kpa = pressure_fall_kpa(airway, occlusion, rate, until=until)
    return _Held(is_open, plateau, fall_kpa, until)


def _limb(recording: Recording, trial: Trial) -> PassiveLimb:
    return passive_limb(recording, _occlusion(trial), trial.landmarks["expired"], SETTINGS)
