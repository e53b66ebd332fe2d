"""Rows of the delivery's tables, of the centre's own results, and of the truth beside them.

Without a fault every row keeps every rule; the centre's own results are near the truth, in the
centre's units, with planted slips.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from quietsleep.simulation.faults import PlantedFault
from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording
from quietsleep.simulation.scenario import Scenario

OPERATORS = ("op1", "op2", "op3")


def session_row(
    first: Mapping[str, str], *, infant: Infant, setting: Setting, rng: np.random.Generator
) -> dict[str, str]:
    """Cells of the session table for a session that keeps every rule; `first` are the first."""
    sedated = infant.age_days > 100
    return {
        **first,
        "sex": infant.sex,
        "age_days": f"{infant.age_days:.0f}",
        "weight_kg": f"{infant.weight_kg:.2f}",
        "length_cm": f"{infant.length_cm:.1f}",
        "room_temperature_c": f"{setting.room_temperature_c:.1f}",
        "room_humidity_pct": f"{setting.room_humidity_pct:.0f}",
        "barometric_pressure_kpa": f"{setting.barometric_pressure_kpa:.2f}",
        "sedation": "chloral_hydrate" if sedated else "none",
        "sedation_mg_per_kg": f"{rng.integers(60, 95)}" if sedated else "",
        "sedation_to_sleep_min": f"{rng.integers(20, 60)}" if sedated else "",
        "days_since_respiratory_infection": f"{rng.integers(24, 120)}",
        "noisy_breathing": "no",
        "staff_present": "2",
        "resuscitation_equipment_checked": "yes",
        "consent": "yes",
        "spo2_min_pct": f"{rng.integers(93, 99)}",
        "operator": str(rng.choice(OPERATORS)),
        "feed_given": "yes" if rng.random() < 0.7 else "no",
        "followup_call_done": "yes",
    }


def recording_row(
    made: SimulatedRecording,
    *,
    name: str,
    session: str,
    path: str,
    started: datetime,
    mask_on_min: float,
) -> dict[str, str]:
    """Cells of the recording table."""
    ended = started + timedelta(seconds=made.lasts_s)

    def cell(key: str, digits: int) -> str:
        return f"{made.context[key]:.{digits}f}" if key in made.context else ""

    boxed = "box_pressure_kpa" in made.channels
    return {
        "recording": name,
        "session": session,
        "technique": made.technique,
        "file": path,
        "started_at": started.isoformat(),
        "ended_at": ended.isoformat(timespec="milliseconds"),
        "sleep_state": "quiet",
        "mask_dead_space_ml": cell("mask_dead_space_ml", 1),
        "compressible_dead_space_ml": cell("compressible_dead_space_ml", 1),
        "apparatus_resistance_kpa_s_l": cell("apparatus_resistance_kpa_s_l", 3),
        "jacket_pressure_set_kpa": cell("jacket_pressure_set_kpa", 2),
        "inflation_pressure_set_kpa": cell("inflation_pressure_set_kpa", 2),
        "box_closed_s": cell("box_closed_s", 0) if boxed else "",
        "operator_accepts": "yes",
        "mask_on_min": f"{mask_on_min:.0f}",
    }


def truth_rows(made: SimulatedRecording, recording: str) -> list[dict[str, str]]:
    """Long rows of truth: trial 0 is the recording, 1 onwards its manoeuvres in order.

    `at_s` is when a manoeuvre begins (shutter closed, jacket filled); empty for the recording and
    for the parts of a check.
    """
    per_trial: list[tuple[int, str, Mapping[str, float]]] = [(0, "", made.truth)]
    if made.technique != "tidal":
        times = next((made.events[e] for e in ("closed", "squeeze") if e in made.events), ())
        each = max(len(times) // max(len(made.trials), 1), 1)
        begun = [f"{at_s:.4f}" for at_s in times[::each]] or [""] * len(made.trials)
        numbers = range(1, len(made.trials) + 1)
        per_trial += list(zip(numbers, begun, made.trials, strict=True))
    return [
        {
            "recording": recording,
            "technique": made.technique,
            "trial": str(trial),
            "at_s": at_s,
            "quantity": quantity,
            "value": repr(float(value)),
        }
        for trial, at_s, values in per_trial
        for quantity, value in values.items()
    ]


def breath_rows(made: SimulatedRecording, recording: str) -> list[dict[str, str]]:
    """One row of truth for each regular breath of quiet breathing, with its beginning and end."""
    if made.technique != "tidal":
        return []
    irregular = {*made.events.get("sigh", ()), *made.events.get("apnoea", ())}
    starts = [at_s for at_s in made.events["breath_start"] if at_s not in irregular]
    return [
        {
            "recording": recording,
            "start_s": f"{start_s:.4f}",
            "end_s": f"{start_s + 60.0 / breath['rr_per_min']:.4f}",
            **{quantity: repr(float(value)) for quantity, value in breath.items()},
        }
        for start_s, breath in zip(starts, made.trials, strict=True)
    ]


def changed_cell(old: str, new: str) -> str:
    """A cell as the fault wants it; "+25" adds to the number that is there, "*1.1" multiplies."""
    if new.startswith("+"):
        return f"{float(old) + float(new):.1f}"
    if new.startswith("*"):
        return f"{float(old) * float(new[1:]):.4g}"
    return new


def fact_rows(made: SimulatedRecording, recording: str) -> list[dict[str, str]]:
    """Long rows of what no contract asks of the manoeuvres of a recording, 1 onwards."""
    return [
        {
            "recording": recording,
            "technique": made.technique,
            "trial": str(trial),
            "fact": fact,
            "value": repr(float(value)),
        }
        for trial, facts in enumerate(made.facts, start=1)
        for fact, value in facts.items()
    ]


def short(technique: str) -> str:
    """Short code of a technique for file names."""
    codes = {
        "tidal": "tid",
        "single_occlusion": "sot",
        "double_occlusion": "dot",
        "plethysmography": "ple",
        "tidal_forced_expiration": "tfe",
        "raised_volume": "rvt",
    }
    return codes[technique]


def fault_row(
    key: str, fault: PlantedFault, *, item: str, kind: str, session: str, share: str = "all"
) -> dict[str, str]:
    """A planted fault and what should be said of it."""
    return {
        "fault": key,
        "item_kind": kind,
        "item": item,
        "session": session,
        "share": share,
        "expected_rule": fault.expected_rule,
        "level": fault.level,
        "verdict": fault.verdict,
        "meaning": fault.meaning,
    }


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
    slips = [s for s in scenario.slips if s.session == (number - 1) % 12 + 1]
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
