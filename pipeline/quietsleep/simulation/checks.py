"""Equipment checks with known truth, and those of one test day at one centre, plain or faulty.

Syringe strokes move dry-run room air both ways, so that no gas correction belongs to them: flow
here is at room conditions.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np

from quietsleep.simulation.bodies import FINE_HZ, FloatArray
from quietsleep.simulation.disturbances import disturb
from quietsleep.simulation.exports import signal_bytes
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.physiology import SimulatedRecording
from quietsleep.simulation.rows import fault_row, truth_rows
from quietsleep.simulation.scenario import Scenario
from quietsleep.simulation.sensors import sense
from quietsleep.simulation.sessions import Slot, seeded
from quietsleep.simulation.tape import CHANNELS, leaking, through


def _play(
    check: str,
    *,
    rate_hz: float,
    fine: Mapping[str, FloatArray],
    context: Mapping[str, float],
    truth: Mapping[str, float],
    trials: tuple[Mapping[str, float], ...] = (),
) -> SimulatedRecording:
    """Sample fine channels and hand the check over."""
    step = round(FINE_HZ / rate_hz)
    channels = {CHANNELS[name]: values[::step].copy() for name, values in fine.items()}
    n = len(next(iter(channels.values())))
    return SimulatedRecording(
        technique=check,
        rate_hz=float(rate_hz),
        time_s=np.arange(n) / float(rate_hz),
        channels=channels,
        context=dict(context),
        truth=dict(truth),
        trials=trials,
    )


def syringe(
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    volume_ml: float = 100.0,
    flows_ml_s: Sequence[float] = (60.0, 60.0, 120.0, 120.0, 240.0, 240.0),
    gain_inspired: float = 1.0,
    gain_expired: float = 1.0,
    gain_slope_per_l_s: float = 0.0,
    heated_min: float = 45.0,
    cut_share: float = 0.0,
) -> SimulatedRecording:
    """Strokes of a known volume both ways at several mean flows; half sines with pauses.

    A flow head that reads `gain` too high shows that share as error; `gain_slope_per_l_s` adds
    an error that grows with flow: read = flow (gain + slope |flow|). With `cut_share` the recording
    ends, on a whole second, when so much of the time of the last stroke is still to come; that is
    no stroke.
    """
    parts, rows = [np.zeros(FINE_HZ)], []
    for mean in flows_ml_s:
        for inspired in (True, False):
            wanted = mean * (1.0 + 0.03 * float(np.clip(rng.standard_normal(), -2, 2)))
            n = round(volume_ml / wanted * FINE_HZ)
            t = np.arange(n) / n
            true = volume_ml * FINE_HZ / n * 0.5 * np.pi * np.sin(np.pi * t)
            gain = gain_inspired if inspired else gain_expired
            read = true * (gain + gain_slope_per_l_s * true / 1000.0)
            # integral of sin^2: mean of flow^2 is (pi/2)^2 / 2 times the squared mean flow
            slope_ml = gain_slope_per_l_s / 1000.0 * (np.pi**2 / 8.0) * volume_ml**2 * FINE_HZ / n
            stroke = volume_ml * gain + slope_ml
            parts += [read if inspired else -read, np.zeros(round(0.5 * FINE_HZ))]
            rows.append(
                {
                    "stroke_volume_ml": stroke,
                    "stroke_error_pct": 100.0 * (stroke / volume_ml - 1.0),
                    "stroke_flow_ml_s": stroke * FINE_HZ / n,
                    "stroke_inspired": float(inspired),
                }
            )
    if cut_share:
        parts.pop()
        n = len(parts[-1])
        parts[-1] = parts[-1][: n - round(cut_share * n)]
        parts.insert(0, np.zeros(-sum(map(len, parts)) % FINE_HZ))
        rows.pop()
    else:
        parts.append(np.zeros(FINE_HZ))
    errors = {
        side: float(np.mean([r["stroke_error_pct"] for r in rows if r["stroke_inspired"] == flag]))
        for side, flag in (("inspired", 1.0), ("expired", 0.0))
    }
    flows = [r["stroke_flow_ml_s"] for r in rows]
    truth = {
        "n_strokes": float(len(rows)),
        "error_inspired_pct": errors["inspired"],
        "error_expired_pct": errors["expired"],
        "flow_ratio": max(flows) / min(flows),
        "heated_min": heated_min,
    }
    context = {"known_volume_ml": volume_ml, "heated_min": heated_min}
    fine = {"flow": np.concatenate(parts)}
    return _play(
        "syringe",
        rate_hz=rate_hz,
        fine=fine,
        context=context,
        truth=truth,
        trials=tuple(rows),
    )


def shutter_hold(
    *,
    rate_hz: float = 200.0,
    pressure_kpa: float = 3.5,
    fall_pct_per_s: float = 1.0,
    hold_s: float = 3.0,
) -> SimulatedRecording:
    """Pressure pumped up behind the closed shutter and held: P = P0 exp(-k t).

    `fall_pct_per_s` is the share lost in the first second of the hold.
    """
    rise = round(0.4 * FINE_HZ)
    t = np.arange(round(hold_s * FINE_HZ)) / FINE_HZ
    k = -np.log(1.0 - fall_pct_per_s / 100.0)
    up = pressure_kpa * np.sin(0.5 * np.pi * np.arange(rise) / rise) ** 2
    held = pressure_kpa * np.exp(-k * t)
    down = held[-1] * np.exp(-np.arange(FINE_HZ) / FINE_HZ / 0.02)
    airway = np.concatenate([np.zeros(FINE_HZ), up, held, down])
    truth = {"hold_pressure_kpa": pressure_kpa, "pressure_fall_pct": fall_pct_per_s}
    fine = {"airway_pressure": airway, "flow": np.zeros_like(airway)}
    return _play(
        "shutter_hold",
        rate_hz=rate_hz,
        fine=fine,
        context={},
        truth=truth,
        trials=(truth,),
    )


def box_decay(
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    half_life_s: float = 9.0,
    step_kpa: float = 0.1,
    box_volume_l: float = 65.0,
    sway_kpa: float = 0.0,
) -> SimulatedRecording:
    """A step of box pressure that leaks away: P = P0 2^(-t / t_half). `sway_kpa` disturbs it."""
    t = np.arange(round(2.5 * half_life_s * FINE_HZ)) / FINE_HZ
    rise = step_kpa * np.sin(0.5 * np.pi * np.arange(200) / 200) ** 2
    fall = step_kpa * 0.5 ** (t / half_life_s)
    fall = fall + sway_kpa * np.sin(2 * np.pi * (0.31 * t + rng.random()))
    box = np.concatenate([np.zeros(FINE_HZ), rise, fall])
    truth = {"half_life_s": half_life_s}
    context = {"box_volume_l": box_volume_l}
    fine = {"box_pressure": box}
    return _play(
        "box_decay",
        rate_hz=rate_hz,
        fine=fine,
        context=context,
        truth=truth,
        trials=(truth,),
    )


def box_pump(
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    factor_ml_kpa: float = 500.0,
    stroke_ml: float = 10.0,
    frequency_hz: float = 1.0,
    strokes: int = 15,
    half_life_s: float = 9.0,
    stroke_cv: float = 0.004,
    box_volume_l: float = 65.0,
) -> SimulatedRecording:
    """A pump of known peak-to-peak stroke moves the empty box sinusoidally.

    Box pressure = volume / factor with the thermal leak dP/dt = (dV/dt)/factor - P ln2/t_half;
    its amplitude is that without leak over sqrt(1 + (k/w)^2), k = ln2/t_half. `stroke_cv` is the
    coefficient of variation of single strokes.
    """
    n = round(FINE_HZ / frequency_hz)
    draws = np.clip(rng.standard_normal(strokes), -2, 2)
    sizes = stroke_ml * (1.0 + stroke_cv * draws)
    volume = np.concatenate([0.5 * s * np.sin(2 * np.pi * np.arange(n) / n) for s in sizes])
    volume = np.concatenate([np.zeros(FINE_HZ), volume])
    box = leaking(volume, factor_ml_kpa=factor_ml_kpa, half_life_s=half_life_s)
    truth = {
        "box_factor_ml_kpa": factor_ml_kpa,
        "factor_cv_pct": 100.0 * float(np.std(1.0 / (1.0 + stroke_cv * draws), ddof=1)),
        "n_strokes": float(strokes),
    }
    context = {"known_volume_ml": stroke_ml, "box_volume_l": box_volume_l}
    rows = tuple({"pump_factor_ml_kpa": factor_ml_kpa * stroke_ml / float(s)} for s in sizes)
    fine = {"box_pressure": box}
    return _play(
        "box_pump",
        rate_hz=rate_hz,
        fine=fine,
        context=context,
        truth=truth,
        trials=rows,
    )


@dataclass(slots=True)
class CheckDay:
    """Rows, files and truth of one day's checks."""

    day: date
    rows: list[dict[str, str]] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)
    truth_rows: list[dict[str, str]] = field(default_factory=list)
    fault_rows: list[dict[str, str]] = field(default_factory=list)


def simulate_check_day(scenario: Scenario, slot: Slot, *, seed: int) -> CheckDay:
    """All checks of the day on which `slot` is the first session."""
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
    steady = disturb(made, scenario.check_disturbance, seeded(seed, name, "steady"))
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


def behind_filters(made: SimulatedRecording, scenario: Scenario) -> SimulatedRecording:
    """A check at the fine rate as the scenario's device records it."""
    step, filters = round(FINE_HZ / scenario.form.rate_hz), dict(scenario.setting.filters)
    channels = {
        CHANNELS[name]: through(made.channels[CHANNELS[name]], filters.get(name))[::step].copy()
        for name in CHANNELS
        if CHANNELS[name] in made.channels
    }
    return replace(
        made,
        rate_hz=scenario.form.rate_hz,
        time_s=made.time_s[::step].copy(),
        channels=channels,
    )


def _syringe(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    """A flow head within 0.6 % unless the fault says otherwise."""
    near = 1.0 + 0.003 * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    both = options.get("both", near)
    flows = {"even": (120.0,) * 6, "few": (60.0,)}.get(
        options.get("flows", ""), (60.0, 60.0, 120.0, 120.0, 240.0, 240.0)
    )
    made = syringe(
        rng=rng,
        rate_hz=FINE_HZ,
        flows_ml_s=flows,
        gain_inspired=both,
        gain_expired=options.get("expired", both),
        gain_slope_per_l_s=options.get("slope", 0.0),
        heated_min=options.get("heated", float(rng.integers(35, 70))),
        cut_share=options.get("cut_share", 0.0),
    )
    return behind_filters(made, scenario)


def _shutter_hold(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    usual = {"fall_pct_per_s": float(rng.uniform(0.3, 2.0)), "pressure_kpa": 3.6}
    return behind_filters(shutter_hold(rate_hz=FINE_HZ, **(usual | options)), scenario)


def _box_decay(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    usual = {"half_life_s": scenario.setting.box_half_life_s}
    made = box_decay(
        rng=rng,
        rate_hz=FINE_HZ,
        box_volume_l=scenario.setting.box_volume_l,
        **(usual | options),
    )
    return behind_filters(made, scenario)


def _box_pump(
    scenario: Scenario, rng: np.random.Generator, options: dict[str, Any]
) -> SimulatedRecording:
    made = box_pump(
        rng=rng,
        rate_hz=FINE_HZ,
        factor_ml_kpa=scenario.setting.box_factor_ml_kpa,
        half_life_s=scenario.setting.box_half_life_s,
        box_volume_l=scenario.setting.box_volume_l,
        **options,
    )
    return behind_filters(made, scenario)


MAKERS: Mapping[
    str, Callable[[Scenario, np.random.Generator, dict[str, Any]], SimulatedRecording]
] = {
    "syringe": _syringe,
    "shutter_hold": _shutter_hold,
    "box_decay": _box_decay,
    "box_pump": _box_pump,
}
