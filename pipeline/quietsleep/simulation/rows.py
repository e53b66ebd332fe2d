"""Cells of the delivery's tables and of the truth beside it, for a visit that keeps every rule."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import numpy as np

from quietsleep.simulation.faults import PlantedFault
from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording

OPERATORS = ("op1", "op2", "op3")


def session_row(
    visit: Mapping[str, str], *, infant: Infant, setting: Setting, rng: np.random.Generator
) -> dict[str, str]:
    """Cells of the visit table for a visit that keeps every rule; `visit` holds the first ones."""
    sedated = infant.age_days > 100
    return {
        **visit,
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
    made: SimulatedRecording, *, name: str, session: str, path: str, started: datetime
) -> dict[str, str]:
    """Cells of the recording table."""

    def cell(key: str, digits: int) -> str:
        return f"{made.context[key]:.{digits}f}" if key in made.context else ""

    boxed = "box_pressure_kpa" in made.channels
    return {
        "recording": name,
        "session": session,
        "technique": made.technique,
        "file": path,
        "started_at": started.isoformat(),
        "sleep_state": "quiet",
        "mask_dead_space_ml": cell("mask_dead_space_ml", 1),
        "compressible_dead_space_ml": cell("compressible_dead_space_ml", 1),
        "apparatus_resistance_kpa_s_l": cell("apparatus_resistance_kpa_s_l", 3),
        "jacket_pressure_set_kpa": cell("jacket_pressure_set_kpa", 2),
        "inflation_pressure_set_kpa": cell("inflation_pressure_set_kpa", 2),
        "box_closed_s": cell("box_closed_s", 0) if boxed else "",
        "operator_accepts": "yes",
    }


def truth_rows(made: SimulatedRecording, recording: str) -> list[dict[str, str]]:
    """Long rows of truth: trial 0 is the recording, 1 onwards its manoeuvres in order."""
    per_trial: list[tuple[int, Mapping[str, float]]] = [(0, made.truth)]
    if made.technique != "tidal":
        per_trial += list(enumerate(made.trials, start=1))
    return [
        {
            "recording": recording,
            "technique": made.technique,
            "trial": str(trial),
            "quantity": quantity,
            "value": repr(float(value)),
        }
        for trial, values in per_trial
        for quantity, value in values.items()
    ]


def changed_cell(old: str, new: str) -> str:
    """A cell as the fault wants it; "+25" adds to the number that is there."""
    return f"{float(old) + float(new):.1f}" if new.startswith("+") else new


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
