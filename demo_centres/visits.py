"""One simulated visit: the infant, its recordings, its table rows, and what is true of it."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from typing import Literal

import numpy as np

from demo_centres.exports import Cells, signal_bytes
from demo_centres.faults import Fault
from demo_centres.physiology import (
    Condition,
    Infant,
    Setting,
    SimulatedRecording,
    draw_infant,
    usual_length_cm,
)
from demo_centres.recordings import Share, manoeuvres_of, record
from demo_centres.reported import reported_rows
from demo_centres.scenario import Planted, Scenario
from demo_centres.sensors import sense
from demo_centres.site_faults import FAULTS

OPERATORS = ("op1", "op2", "op3")
PRESSURE_OF = {
    "plethysmography": "box_pressure",
    "tidal_forced_expiration": "jacket_pressure",
    "raised_volume": "jacket_pressure",
}


@dataclass(frozen=True, slots=True)
class Slot:
    """Where a visit stands in the study: which one, which infant, when."""

    number: int
    session: str
    infant: str
    infant_number: int
    visit: str
    age_days: float
    tested_at: datetime


@dataclass(slots=True)
class Visit:
    """Everything that one visit gives."""

    slot: Slot
    session_row: dict[str, str]
    recording_rows: list[dict[str, str]] = field(default_factory=list)
    reported_rows: list[dict[str, str]] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)
    spoiled: dict[str, bytes | None] = field(default_factory=dict)
    truth_rows: list[dict[str, str]] = field(default_factory=list)
    fault_rows: list[dict[str, str]] = field(default_factory=list)
    infant_row: dict[str, str] = field(default_factory=dict)


def seeded(seed: int, *words: str | int) -> np.random.Generator:
    """A generator that depends on nothing but the seed and the words."""
    keys = [zlib.crc32(str(word).encode()) for word in words]
    return np.random.default_rng([seed, *keys])


def slots_of(scenario: Scenario, *, seed: int, sessions: int) -> list[Slot]:
    """Visits spread over about half a year; four infants in twelve come twice."""
    spacing = scenario.days_between * 12 / sessions
    slots = []
    for number in range(1, sessions + 1):
        block, place = divmod(number - 1, 12)
        twice = place >= 8  # visits 9 to 12 are second visits of the infants of visits 1 to 4
        infant_number = block * 8 + (place - 8 if twice else place) + 1
        first_age = float(seeded(seed, scenario.centre, "age", infant_number).uniform(50.0, 330.0))
        gap = spacing * 8 if twice else 0.0
        day = scenario.first_day + timedelta(days=int((number - 1) * spacing))
        before = [s for s in slots[-12:] if s.tested_at.date() == day]
        start = datetime.combine(day, time(9, 30), UTC) + timedelta(minutes=8 * len(before))
        slots.append(
            Slot(
                number=number,
                session=f"{scenario.centre}-s{number:03d}",
                infant=f"{scenario.centre}-i{infant_number:03d}",
                infant_number=infant_number,
                visit="v2" if twice else "v1",
                age_days=round(first_age + gap),
                tested_at=start,
            )
        )
    return slots


def planted(scenario: Scenario, slot: Slot) -> tuple[Planted, ...]:
    """Faults of one visit; those of files and cells come in the first twelve visits only."""
    faults = scenario.faults_of(slot.number)
    if slot.number <= 12:
        return faults
    return tuple(p for p in faults if FAULTS[p.fault].owner != "delivery")


def infant_of(scenario: Scenario, slot: Slot, *, seed: int) -> tuple[Infant, dict[str, str]]:
    """The infant of a visit; the same draws at each age, so that one infant grows as one."""
    rng = seeded(seed, scenario.centre, "infant", slot.infant_number)
    tall = float(np.clip(rng.standard_normal(), -1.8, 1.8)) * 2.0
    luck = rng.random()
    condition: Condition = "healthy"
    if luck < 0.25:
        condition = "obstructed" if luck < 0.15 else "stiff"
    sex: Literal["female", "male"] = "female" if rng.random() < 0.5 else "male"
    weeks = 40 - abs(float(rng.standard_normal())) * 1.8
    birth_kg = 3.4 - 0.15 * (40 - weeks) + 0.25 * float(np.clip(rng.standard_normal(), -2, 2))
    length = float(np.clip(usual_length_cm(slot.age_days) + tall, 48.0, 86.0))
    infant = draw_infant(
        rng, length_cm=length, condition=condition, sex=sex, age_days=slot.age_days
    )
    birth = {"gestation_weeks": f"{max(weeks, 28):.1f}", "birth_weight_kg": f"{birth_kg:.2f}"}
    return infant, birth


def simulate_visit(scenario: Scenario, slot: Slot, *, seed: int) -> Visit:
    """Simulate every recording of one visit with the faults planted in it."""
    infant, birth = infant_of(scenario, slot, seed=seed)
    rng = seeded(seed, scenario.centre, "visit", slot.number)
    setting = today(scenario, rng)
    row = session_row(scenario, slot, infant=infant, setting=setting, rng=rng) | birth
    visit = Visit(slot, row)
    visit.infant_row = {"session": slot.session} | {k: str(v) for k, v in asdict(infant).items()}
    faults = [(p, FAULTS[p.fault]) for p in planted(scenario, slot)]
    for plan, fault in faults:
        if plan.technique is None and fault.level == "session":
            row.update({k: changed_cell(row[k], v) for k, v in fault.cells.items()})
        if fault.owner in ("session", "delivery") and plan.technique is None:
            note_fault(visit, plan.fault, fault, item=slot.session, kind="session")
    clock = slot.tested_at
    for technique in scenario.techniques:
        mine = next(((p, f) for p, f in faults if p.technique == technique), None)
        share: Share = mine[0].share if mine else "all"
        fault = mine[1] if mine else None
        truths = []
        for n, given in enumerate(recordings_of(technique, fault, share), start=1):
            clock += timedelta(minutes=4)
            name = f"{slot.session}-{short(technique)}{n}"
            faulty = fault if share == "all" or n == 1 else None
            made = record(
                technique,
                infant,
                rng=seeded(seed, name),
                rate_hz=scenario.form.rate_hz,
                setting=replace(setting, box_closed_s=180.0 + 20.0 * (slot.number % 4)),
                fault=faulty,
                share=share,
                manoeuvres=given,
            )
            noise = seeded(seed, name, "noise")
            write_recording(
                visit, scenario, made, name=name, started=clock, fault=faulty, rng=noise
            )
            truths += [made.truth] if technique == "tidal" else list(made.trials)
            if mine and faulty:
                note_fault(visit, mine[0].fault, faulty, item=name, kind="recording", share=share)
        visit.reported_rows += reported_rows(
            scenario, slot.number, session=slot.session, technique=technique, trials=truths, rng=rng
        )
    return visit


def recordings_of(
    technique: str, fault: Fault | None, share: Share
) -> list[Sequence[object] | None]:
    """Manoeuvres by recording: raised volume makes a recording of each, the others one in all."""
    if technique == "tidal":
        return [None]
    manoeuvres = manoeuvres_of(technique, fault, share)
    if technique == "raised_volume":
        return [[one] for one in manoeuvres]
    return [manoeuvres]


def today(scenario: Scenario, rng: np.random.Generator) -> Setting:
    """Room and weather of one day around those of the centre."""
    draws = np.clip(rng.standard_normal(3), -1.5, 1.5)
    return replace(
        scenario.setting,
        room_temperature_c=round(scenario.setting.room_temperature_c + 0.4 * draws[0], 1),
        room_humidity_pct=round(scenario.setting.room_humidity_pct + 5.0 * draws[1]),
        barometric_pressure_kpa=round(scenario.setting.barometric_pressure_kpa + 0.5 * draws[2], 2),
    )


def session_row(
    scenario: Scenario,
    slot: Slot,
    *,
    infant: Infant,
    setting: Setting,
    rng: np.random.Generator,
) -> dict[str, str]:
    """Cells of the visit table for a visit that keeps every rule."""
    sedated = infant.age_days > 100
    return {
        "session": slot.session,
        "infant": slot.infant,
        "visit": slot.visit,
        "tested_at": slot.tested_at.isoformat(),
        "device": scenario.device["device"],
        "sex": infant.sex,
        "gestation_weeks": "",
        "birth_weight_kg": "",
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
        "operator": f"{scenario.centre}-{OPERATORS[int(rng.integers(len(OPERATORS)))]}",
        "feed_given": "yes" if rng.random() < 0.7 else "no",
        "followup_call_done": "yes",
    }


def write_recording(
    visit: Visit,
    scenario: Scenario,
    made: SimulatedRecording,
    *,
    name: str,
    started: datetime,
    fault: Fault | None,
    rng: np.random.Generator,
) -> None:
    """Add signal file, table row and truth of one recording to the visit."""
    path = f"signals/{visit.slot.session}/{name}.{scenario.form.file_format}"
    columns = sense(made, scenario.sensors, head=scenario.head, rng=rng)
    if fault and fault.file == "column":
        lost = PRESSURE_OF.get(made.technique, "airway_pressure")
        columns.pop(next(s.column for s in scenario.sensors if s.channel == lost))
    data = signal_bytes(columns, made.time_s, form=scenario.form, sensors=scenario.sensors)
    visit.files[path] = data
    if fault and fault.file in ("cut", "absent"):
        visit.spoiled[path] = data[: len(data) // 2] if fault.file == "cut" else None
    row = recording_row(made, name=name, session=visit.slot.session, path=path, started=started)
    if fault:
        row.update(fault.cells)
    visit.recording_rows.append(row)
    visit.truth_rows += truth_rows(made, name)


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


def truth_rows(made: SimulatedRecording, recording: str) -> list[Cells]:
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


def note_fault(
    visit: Visit, key: str, fault: Fault, *, item: str, kind: str, share: Share = "all"
) -> None:
    """Remember a planted fault and what should be said of it."""
    visit.fault_rows.append(
        {
            "fault": key,
            "item_kind": kind,
            "item": item,
            "session": visit.slot.session,
            "share": share,
            "expected_rule": fault.expected_rule,
            "level": fault.level,
            "verdict": fault.verdict,
            "meaning": fault.meaning,
        }
    )


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
