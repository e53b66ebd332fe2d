"""The centre's own results: near the truth, in the centre's units, with planted slips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from quietsleep.simulation.scenario import Scenario

KPA_PER_CMH2O = 0.0980665

# technique -> outcome -> (quantity, unit, how trials become one number)
_OUTCOMES: Mapping[str, Mapping[str, tuple[str, str, str]]] = {
    "tidal": {
        "rr_per_min": ("rr_per_min", "/min", "mean"),
        "vt_ml": ("vt_ml", "mL", "mean"),
        "tptef_te": ("tptef_te", "1", "mean"),
    },
    "single_occlusion": {
        "crs_single_ml_kpa": ("crs_ml_kpa", "mL/kPa", "mean"),
        "rrs_single_kpa_s_l": ("rrs_kpa_s_l", "kPa.s/L", "mean"),
    },
    "double_occlusion": {
        "crs_double_ml_kpa": ("crs_ml_kpa", "mL/kPa", "mean"),
        "rrs_double_kpa_s_l": ("rrs_kpa_s_l", "kPa.s/L", "mean"),
    },
    "plethysmography": {"frc_pleth_ml": ("frc_ml", "mL", "mean")},
    "tidal_forced_expiration": {"vmaxfrc_ml_s": ("vmaxfrc_ml_s", "mL/s", "highest")},
    "raised_volume": {
        "fvc_ml": ("fvc_ml", "mL", "best"),
        "fev0_5_ml": ("fev0_5_ml", "mL", "best"),
        "fef75_ml_s": ("fef75_ml_s", "mL/s", "best"),
    },
}


def reported_rows(
    scenario: Scenario,
    number: int,
    *,
    session: str,
    technique: str,
    trials: Sequence[Mapping[str, float]],
    rng: np.random.Generator,
) -> list[dict[str, str]]:
    """One row per outcome: truth times a scatter of 0.7 %, in the centre's unit."""
    slips = [s for s in scenario.slips if s.visit == (number - 1) % 12 + 1]
    rows = []
    for outcome, (quantity, usual_unit, how) in _OUTCOMES[technique].items():
        true = summed_up(trials, quantity, how)
        if not np.isfinite(true):
            continue
        slip = next((s for s in slips if s.outcome == outcome), None)
        near = true * (1.0 + 0.007 * rng.standard_normal())
        pressure = scenario.reported_pressure_unit
        value, unit = in_centre_unit(near, usual_unit, pressure)
        if slip:
            value, unit = true * slip.factor, slip.unit
        rows.append(
            {
                "session": session,
                "technique": technique,
                "outcome": outcome,
                "value": f"{value:.4g}",
                "unit": unit,
                "conditions": "BTPS",
            }
        )
    return rows


def summed_up(trials: Sequence[Mapping[str, float]], quantity: str, how: str) -> float:
    """Mean of all, mean of the five highest, or the value in the trial of largest volumes."""
    values = [trial[quantity] for trial in trials if np.isfinite(trial[quantity])]
    if not values:
        return float("nan")
    if how == "best":
        sums = [trial["fvc_ml"] + np.nan_to_num(trial["fev0_5_ml"]) for trial in trials]
        return float(trials[int(np.argmax(sums))][quantity])
    if how == "highest":
        return float(np.mean(sorted(values)[-5:]))
    return float(np.mean(values))


def in_centre_unit(value: float, unit: str, pressure_unit: str) -> tuple[float, str]:
    """Compliance and resistance in cm[H2O] where the centre reports so."""
    if pressure_unit == "kPa" or "kPa" not in unit:
        return value, unit
    factor = KPA_PER_CMH2O if unit == "mL/kPa" else 1.0 / KPA_PER_CMH2O
    return value * factor, unit.replace("kPa", pressure_unit)
