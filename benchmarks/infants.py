"""What one simulated visit and its day of checks give: clean, or with one planted fault."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from benchmarks.chain import Sent, send
from benchmarks.grid import Case, case_of, scenario_of
from quietsleep.simulation.checks import MAKERS
from quietsleep.simulation.disturbances import Disturbance, disturb
from quietsleep.simulation.faults import FAULTS, PlantedFault
from quietsleep.simulation.recordings import TECHNIQUES, record
from quietsleep.simulation.sessions import recordings_of

CHECKS = ("syringe", "shutter_hold", "box_decay", "box_pump")
CHECK_DISTURBANCE = Disturbance(flow_offset_ml_s=0.1)


@dataclass(frozen=True, slots=True)
class Visit:
    """Recordings and checks of one visit; `fault` is empty for a clean one."""

    name: str
    case: Case
    fault: str
    sent: tuple[Sent, ...]
    checks: tuple[Sent, ...]


def clean_visit(number: int) -> Visit:
    """Every technique and every check on one infant of the grid."""
    case = case_of(number)
    checks = tuple(one_check(case, kind) for kind in CHECKS)
    sent = [
        each
        for technique in TECHNIQUES
        for each in one_technique(case, technique, context=measured_box(checks))
    ]
    return Visit(f"clean-{number:04d}", case, "", tuple(sent), checks)


def faulty_visit(key: str, number: int) -> Visit:
    """One visit with one fault: the technique or the check that it spoils, and nothing else."""
    case, fault = case_of(number), FAULTS[key]
    name = f"{key}-{number:04d}"
    if fault.owner not in TECHNIQUES:
        made = () if fault.file == "absent" else (one_check(case, fault.owner, fault),)
        sent = one_technique(case, "tidal") if fault.file == "absent" else []
        return Visit(name, case, key, tuple(sent), made)
    needed = ("box_decay", "box_pump") if fault.owner == "plethysmography" else ()
    checks = tuple(one_check(case, kind) for kind in needed)
    sent = one_technique(case, fault.owner, fault=fault, context=measured_box(checks))
    return Visit(name, case, key, tuple(sent), checks)


def one_technique(
    case: Case,
    technique: str,
    *,
    fault: PlantedFault | None = None,
    context: Mapping[str, float] | None = None,
) -> list[Sent]:
    """All recordings of one technique of a visit, through the chain."""
    word = list(TECHNIQUES).index(technique)
    sent = []
    for part, manoeuvres in enumerate(recordings_of(technique, fault, "all")):
        made = record(
            technique,
            case.infant,
            rng=case.rng(word, 2, part),
            rate_hz=case.rate_hz,
            setting=case.setting,
            fault=fault,
            manoeuvres=manoeuvres,
            usual=case.disturbance,
        )
        sent.append(send(made, case, 100 * word + part, context=context))
    return sent


def one_check(case: Case, kind: str, fault: PlantedFault | None = None) -> Sent:
    """One equipment check through the chain."""
    word = 50 + CHECKS.index(kind)
    options: dict[str, Any] = dict(fault.options) if fault else {}
    made = MAKERS[kind](scenario_of(case), case.rng(word, 2), options)
    drift = replace(CHECK_DISTURBANCE, box_drift_kpa_s=case.disturbance.box_drift_kpa_s)
    return send(disturb(made, drift, case.rng(word, 3)), case, 100 * word)


def measured_box(checks: Sequence[Sent]) -> dict[str, float]:
    """Box factor and half-life as the checks of the day measured them."""
    by_kind = {check.technique: check.test_values for check in checks}
    measured = {}
    if "box_pump" in by_kind:
        measured["box_factor_ml_kpa"] = by_kind["box_pump"]["box_factor_ml_kpa"]
    if "box_decay" in by_kind:
        measured["box_half_life_s"] = by_kind["box_decay"]["half_life_s"]
    return measured
