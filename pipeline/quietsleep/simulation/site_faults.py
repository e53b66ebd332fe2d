"""Faults of visits, of equipment checks and of files, and the registry of all faults."""

from __future__ import annotations

from quietsleep.simulation.faults import (
    DOUBLE,
    PLETHYSMOGRAPHY,
    SINGLE,
    TIDAL,
    PlantedFault,
    Verdict,
)
from quietsleep.simulation.forced_faults import RAISED, TIDAL_FORCED


def _visit(meaning: str, rule: str, verdict: Verdict = "reject", **cells: str) -> PlantedFault:
    return PlantedFault("session", meaning, f"session.{rule}", verdict, "session", cells=cells)


def _check(
    kind: str, meaning: str, rule: str, verdict: Verdict = "reject", **options: object
) -> PlantedFault:
    return PlantedFault(kind, meaning, f"{kind}.{rule}", verdict, "check", options=options)


VISITS = {
    "recent_infection": _visit(
        "Ten days after a respiratory infection.",
        "well_for_three_weeks",
        days_since_respiratory_infection="10",
    ),
    "noisy_breathing": _visit(
        "Breathing is noisy on the day.", "no_noisy_breathing", noisy_breathing="yes"
    ),
    "no_consent": _visit("Consent is not on file.", "consent", consent="no"),
    "one_member_of_staff": _visit(
        "One member of staff in the room.", "enough_staff", "alert", staff_present="1"
    ),
    "trolley_not_checked": _visit(
        "Resuscitation equipment was not checked.",
        "resuscitation_equipment",
        "alert",
        resuscitation_equipment_checked="no",
    ),
    "cool_room": _visit(
        "The room is at 19.5 C.", "room_temperature", "flag", room_temperature_c="19.5"
    ),
    "late_sleep": _visit(
        "Sleep came two hours after sedation.",
        "time_to_sleep",
        "flag",
        sedation="chloral_hydrate",
        sedation_mg_per_kg="75",
        sedation_to_sleep_min="120",
    ),
    "low_saturation": _visit("SpO2 fell to 87 %.", "saturation", "alert", spo2_min_pct="87"),
    "length_slip": _visit("Length typed 25 cm too long.", "length_plausible", length_cm="+25"),
    "call_not_made": _visit(
        "The follow-up call was not made.", "followup_call", "flag", followup_call_done="no"
    ),
}

CHECKS = {
    "syringe_reads_high": _check(
        "syringe", "The flow head reads 4 % high.", "inspired_volume", both=1.04
    ),
    "syringe_one_way": _check(
        "syringe", "The flow head reads 3.5 % low on expiration.", "expired_volume", expired=0.965
    ),
    "syringe_one_speed": _check(
        "syringe", "All strokes at one speed.", "range_of_flows", "flag", flows="even"
    ),
    "syringe_few_strokes": _check("syringe", "Two strokes only.", "enough_strokes", flows="few"),
    "syringe_slope": _check(
        "syringe", "The error grows with flow.", "even_over_flows", "flag", slope=0.12, both=0.975
    ),
    "head_cold": _check(
        "syringe", "The head had been heating for 10 min.", "head_heated", "flag", heated=10.0
    ),
    "shutter_low": _check(
        "shutter_hold", "Tested at 2 kPa only.", "pressure_high_enough", pressure_kpa=2.0
    ),
    "shutter_leaks": _check(
        "shutter_hold", "Pressure falls 12 % in 1 s.", "shutter_tight", "flag", fall_pct_per_s=12.0
    ),
    "box_leaks": _check("box_decay", "Half-life 4.5 s.", "half_life", half_life_s=4.5),
    "box_sways": _check(
        "box_decay", "Someone leans on the box.", "clean_decay", "flag", sway_kpa=0.02
    ),
    "pump_uneven": _check(
        "box_pump", "Pump strokes are uneven.", "factor_repeatable", "flag", stroke_cv=0.06
    ),
    "no_syringe_check": PlantedFault(
        "syringe", "No syringe check that day.", "tidal.syringe_check", level="test", file="absent"
    ),
}


def _file(meaning: str, kind: str, file: str, *, level: str = "recording") -> PlantedFault:
    return PlantedFault("delivery", meaning, kind, "quarantined", level, file=file)  # type: ignore[arg-type]


FILES = {
    "cut_short_file": _file("A signal file lost its second half on the way.", "cut_short", "cut"),
    "missing_file": _file(
        "A signal file named in the table is not there.", "missing_file", "absent"
    ),
    "missing_channel": _file(
        "The device wrote no column for a channel the technique needs.", "column_missing", "column"
    ),
    "bad_cell": PlantedFault(
        "delivery",
        "A cell of the visit table is not a number.",
        "bad_cell",
        "quarantined",
        "session",
        cells={"weight_kg": "7,4"},
    ),
    "superseded": PlantedFault(
        "delivery",
        "The session was delivered again with the weight corrected.",
        "superseded",
        "accepted",
        "session",
        file="again",
    ),
    "nothing_delivered": PlantedFault(
        "delivery", "The centre delivered nothing.", "nothing", "accepted", "delivery", file="none"
    ),
}

FAULTS: dict[str, PlantedFault] = {
    **TIDAL,
    **SINGLE,
    **DOUBLE,
    **PLETHYSMOGRAPHY,
    **TIDAL_FORCED,
    **RAISED,
    **VISITS,
    **CHECKS,
    **FILES,
}
