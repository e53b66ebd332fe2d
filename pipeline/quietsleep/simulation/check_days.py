"""Equipment checks of one test day at one centre, plain or with a planted fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np

from quietsleep.simulation.checks import box_decay, box_pump, shutter_hold, syringe
from quietsleep.simulation.disturbances import Disturbance, disturb
from quietsleep.simulation.exports import signal_bytes
from quietsleep.simulation.physiology import SimulatedRecording
from quietsleep.simulation.rows import fault_row, truth_rows
from quietsleep.simulation.scenario import Scenario
from quietsleep.simulation.sensors import sense
from quietsleep.simulation.site_faults import FAULTS
from quietsleep.simulation.visits import Slot, seeded


@dataclass(slots=True)
class CheckDay:
    """Rows, files and truth of one day's checks."""

    day: date
    rows: list[dict[str, str]] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)
    truth_rows: list[dict[str, str]] = field(default_factory=list)
    fault_rows: list[dict[str, str]] = field(default_factory=list)


def simulate_check_day(scenario: Scenario, slot: Slot, *, seed: int) -> CheckDay:
    """All checks of the day on which `slot` is the first visit."""
    day = CheckDay(slot.tested_at.date())
    planted = {FAULTS[p.fault].owner: p.fault for p in scenario.faults_of(slot.number)}
    done = datetime.combine(day.day, time(8, 0), UTC)
    for kind in scenario.checks:
        done += timedelta(minutes=9)
        key = planted.get(kind)
        fault = FAULTS[key] if key else None
        name = f"{scenario.centre}-{day.day:%Y%m%d}-{kind}"
        if fault and key:
            day.fault_rows.append(
                fault_row(key, fault, item=name, kind="check", session=slot.session)
            )
            if fault.file == "absent":
                continue
        made = MAKERS[kind](scenario, seeded(seed, name), dict(fault.options) if fault else {})
        write_check(day, scenario, made, name=name, done=done, seed=seed)
    return day


def write_check(
    day: CheckDay,
    scenario: Scenario,
    made: SimulatedRecording,
    *,
    name: str,
    done: datetime,
    seed: int,
) -> None:
    """Add signal file, row and truth of one check to the day."""
    path = f"signals/{name}/{name}.{scenario.form.file_format}"
    steady = disturb(made, Disturbance(flow_offset_ml_s=0.1), seeded(seed, name, "steady"))
    columns = sense(steady, scenario.sensors, head=scenario.head, rng=seeded(seed, name, "noise"))
    day.files[path] = signal_bytes(
        columns, made.time_s, form=scenario.form, sensors=scenario.sensors
    )
    boxed = made.technique in ("box_decay", "box_pump")

    def cell(key: str, digits: int) -> str:
        return f"{made.context[key]:.{digits}f}" if key in made.context else ""

    day.rows.append(
        {
            "check": name,
            "device": scenario.device["device"],
            "kind": made.technique,
            "done_at": done.isoformat(),
            "file": path,
            "heated_min": cell("heated_min", 0),
            "known_volume_ml": cell("known_volume_ml", 1),
            "box_volume_l": f"{scenario.setting.box_volume_l:.1f}" if boxed else "",
        }
    )
    day.truth_rows += truth_rows(made, name)


def _syringe(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    """A flow head within 0.6 % unless the fault says otherwise."""
    near = 1.0 + 0.003 * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    both = options.get("both", near)
    flows = {"even": (120.0,) * 6, "few": (60.0,)}.get(
        options.get("flows", ""), (60.0, 60.0, 120.0, 120.0, 240.0, 240.0)
    )
    return syringe(
        rng=rng,
        rate_hz=scenario.form.rate_hz,
        flows_ml_s=flows,
        gain_inspired=both,
        gain_expired=options.get("expired", both),
        gain_slope_per_l_s=options.get("slope", 0.0),
        heated_min=options.get("heated", float(rng.integers(35, 70))),
    )


def _shutter_hold(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    usual = {"fall_pct_per_s": float(rng.uniform(0.3, 2.0)), "pressure_kpa": 3.6}
    return shutter_hold(rate_hz=scenario.form.rate_hz, **(usual | options))


def _box_decay(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    usual = {"half_life_s": scenario.setting.box_half_life_s}
    return box_decay(
        rng=rng,
        rate_hz=scenario.form.rate_hz,
        box_volume_l=scenario.setting.box_volume_l,
        **(usual | options),
    )


def _box_pump(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    return box_pump(
        rng=rng,
        rate_hz=scenario.form.rate_hz,
        factor_ml_kpa=scenario.setting.box_factor_ml_kpa,
        half_life_s=scenario.setting.box_half_life_s,
        box_volume_l=scenario.setting.box_volume_l,
        **options,
    )


MAKERS: Mapping[
    str, Callable[[Scenario, np.random.Generator, dict[str, Any]], SimulatedRecording]
] = {
    "syringe": _syringe,
    "shutter_hold": _shutter_hold,
    "box_decay": _box_decay,
    "box_pump": _box_pump,
}
