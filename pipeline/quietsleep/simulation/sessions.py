"""One simulated session: the infant, its recordings, its table rows, and what is true of it."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from typing import Any, Literal

import numpy as np

from quietsleep.simulation.exports import signal_bytes
from quietsleep.simulation.faults import FAULTS, PlantedFault
from quietsleep.simulation.physiology import (
    Condition,
    Infant,
    Setting,
    SimulatedRecording,
    draw_infant,
    usual_length_cm,
)
from quietsleep.simulation.recordings import Share, manoeuvres_of, record
from quietsleep.simulation.rows import (
    breath_rows,
    changed_cell,
    fact_rows,
    fault_row,
    recording_row,
    reported_rows,
    session_row,
    short,
    truth_rows,
)
from quietsleep.simulation.scenario import Planted, Scenario
from quietsleep.simulation.sensors import sense, slipped

PRESSURE_OF = {
    "plethysmography": "box_pressure",
    "tidal_forced_expiration": "jacket_pressure",
    "raised_volume": "jacket_pressure",
}


@dataclass(frozen=True, slots=True)
class Slot:
    """Where a session stands in the study: which one, which infant, when."""

    number: int
    session: str
    infant: str
    infant_number: int
    visit: str
    age_days: float
    tested_at: datetime


@dataclass(slots=True)
class SimulatedSession:
    """One session in the making, and everything that it gives."""

    scenario: Scenario
    slot: Slot
    infant: Infant
    setting: Setting
    seed: int
    session_row: dict[str, str]
    clock: datetime
    recording_rows: list[dict[str, str]] = field(default_factory=list)
    reported_rows: list[dict[str, str]] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)
    spoiled: dict[str, bytes | None] = field(default_factory=dict)
    truth_rows: list[dict[str, str]] = field(default_factory=list)
    breath_rows: list[dict[str, str]] = field(default_factory=list)
    fact_rows: list[dict[str, str]] = field(default_factory=list)
    fault_rows: list[dict[str, str]] = field(default_factory=list)

    @property
    def infant_row(self) -> dict[str, str]:
        """True body and mechanics of the infant in this session."""
        return {"session": self.slot.session} | {
            name: str(value) for name, value in asdict(self.infant).items()
        }


def seeded(seed: int, *words: str | int) -> np.random.Generator:
    """A generator that depends on nothing but the seed and the words."""
    keys = [zlib.crc32(str(word).encode()) for word in words]
    return np.random.default_rng([seed, *keys])


def slots_of(scenario: Scenario, *, seed: int, sessions: int) -> list[Slot]:
    """Sessions spread over about half a year; four infants in twelve come twice."""
    spacing = scenario.days_between * 12 / sessions
    slots: list[Slot] = []
    for number in range(1, sessions + 1):
        block, place = divmod(number - 1, 12)
        twice = place >= 8  # sessions 9 to 12: second visits of the infants of 1 to 4
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
    """Faults of one session; those of files and cells come in the first twelve only."""
    faults = scenario.faults_of(slot.number)
    if slot.number <= 12:
        return faults
    return tuple(p for p in faults if FAULTS[p.fault].owner != "delivery")


def infant_of(scenario: Scenario, slot: Slot, *, seed: int) -> tuple[Infant, dict[str, str]]:
    """The infant of a session; the same draws at each age, so that one infant grows as one."""
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


def simulate_session(
    scenario: Scenario, slot: Slot, *, seed: int, infant: Infant | None = None
) -> SimulatedSession:
    """Simulate every recording of one session with the faults planted in it.

    The infant is drawn unless it is given.
    """
    drawn, birth = infant_of(scenario, slot, seed=seed)
    infant = infant or drawn
    rng = seeded(seed, scenario.centre, "visit", slot.number)
    setting = today(scenario, rng)
    setting = replace(setting, box_closed_s=180.0 + 20.0 * (slot.number % 4))
    row = session_row(first_cells(scenario, slot), infant=infant, setting=setting, rng=rng) | birth
    session = SimulatedSession(scenario, slot, infant, setting, seed, row, clock=slot.tested_at)
    faults = planted(scenario, slot)
    for each in faults:
        plant_in_session(session, each)
    for technique in scenario.techniques:
        plan = next((p for p in faults if p.technique == technique), None)
        trials = simulate_technique(session, technique, plan)
        session.reported_rows += reported_rows(
            scenario, slot.number, session=slot.session, technique=technique, trials=trials, rng=rng
        )
    return session


def plant_in_session(session: SimulatedSession, plan: Planted) -> None:
    """Change cells of the session as a fault of the session says, and remember it."""
    fault = FAULTS[plan.fault]
    if plan.technique is not None or fault.owner not in ("session", "delivery"):
        return
    row, code = session.session_row, session.slot.session
    row.update({name: changed_cell(row[name], cell) for name, cell in fault.cells.items()})
    session.fault_rows.append(fault_row(plan.fault, fault, item=code, kind="session", session=code))


def simulate_technique(
    session: SimulatedSession, technique: str, plan: Planted | None
) -> list[Mapping[str, float]]:
    """Simulate the recordings of one technique, plain or faulty; returns truth by trial."""
    code = session.slot.session
    share: Share = plan.share if plan else "all"
    fault = FAULTS[plan.fault] if plan else None
    trials: list[Mapping[str, float]] = []
    for n, usual in enumerate(recordings_of(technique, fault, share), start=1):
        given = usual
        if technique == "plethysmography" and usual is not None:
            given = [placed(effort, session.scenario.box_occlusions_at) for effort in usual]
        name = f"{code}-{short(technique)}{n}"
        faulty = fault if share == "all" or n == 1 else None
        made = record(
            technique,
            session.infant,
            rng=seeded(session.seed, name),
            rate_hz=session.scenario.form.rate_hz,
            setting=session.setting,
            fault=faulty,
            share=share,
            manoeuvres=given,
            usual=session.scenario.disturbance,
        )
        write_recording(session, made, name=name, fault=faulty)
        trials += [made.truth] if technique == "tidal" else list(made.trials)
        if plan and faulty:
            session.fault_rows.append(
                fault_row(plan.fault, faulty, item=name, kind="recording", session=code)
                | {"share": share}
            )
    return trials


def placed(effort: Any, at: Literal["end_inspiration", "end_expiration"]) -> Any:
    """An effort where the centre occludes; a leak at the release wants gas to be let out."""
    return effort if effort.lost_share else replace(effort, at=at)


def first_cells(scenario: Scenario, slot: Slot) -> dict[str, str]:
    """What the session table says of the session itself."""
    return {
        "session": slot.session,
        "infant": slot.infant,
        "visit": slot.visit,
        "tested_at": slot.tested_at.isoformat(),
        "device": scenario.device["device"],
    }


def recordings_of(
    technique: str, fault: PlantedFault | None, share: Share
) -> list[Sequence[Any] | None]:
    """Manoeuvres by recording: raised volume makes a recording of each, tidal breathing is recorded
    twice, the others once."""
    if technique == "tidal":
        return [None] * (fault.options.get("recordings", 2) if fault else 2)
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


def write_recording(
    session: SimulatedSession, made: SimulatedRecording, *, name: str, fault: PlantedFault | None
) -> None:
    """Add signal file, table row and truth of one recording to the session."""
    scenario, code = session.scenario, session.slot.session
    path = f"signals/{code}/{name}.{scenario.form.file_format}"
    rng = seeded(session.seed, name, "noise")
    slips = fault.recipe.slips if fault else {}
    if fault and fault.file == "header":
        slips = {"flow": "unit"}
    sensors = [slipped(s, slips[s.channel]) if s.channel in slips else s for s in scenario.sensors]
    columns = sense(made, sensors, head=scenario.head, rng=rng)
    if fault and fault.file == "column":
        lost = PRESSURE_OF.get(made.technique, "airway_pressure")
        columns.pop(next(s.column for s in scenario.sensors if s.channel == lost))
    says = {} if fault and fault.file == "header" else {s.column: s.unit for s in scenario.sensors}
    data = signal_bytes(
        columns, made.time_s, form=scenario.form, sensors=sensors, header_units=says
    )
    session.files[path] = data
    if fault and fault.file in ("cut", "absent"):
        session.spoiled[path] = data[: len(data) // 2] if fault.file == "cut" else None
    session.clock += timedelta(minutes=4)
    masked = (session.clock - session.slot.tested_at).total_seconds() / 60.0 - 4.0
    row = recording_row(
        made,
        name=name,
        session=code,
        path=path,
        started=session.clock,
        mask_on_min=session.setting.mask_on_min + masked,
    )
    cells = fault.cells if fault else {}
    session.recording_rows.append(
        row | {cell: changed_cell(row[cell], new) for cell, new in cells.items()}
    )
    session.truth_rows += truth_rows(made, name)
    session.breath_rows += breath_rows(made, name)
    session.fact_rows += fact_rows(made, name)
