"""The grid of simulated infants, rooms and measuring sets on which accuracy is measured.

Everything follows from the number of a case, so that any figure of the table can be looked into
again: `case_of(17)` is always the same infant on the same measuring set (those of grid.toml).
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import lru_cache
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np

from quietsleep.simulation.centres import Written, deliver, run, write_study_files, write_truth
from quietsleep.simulation.checks import simulate_check_day
from quietsleep.simulation.disturbances import OF_CHECKS, USUAL, Disturbance
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.physiology import Condition, Infant, Setting, draw_infant
from quietsleep.simulation.recordings import USUAL_MANOEUVRES
from quietsleep.simulation.scenario import Planted, Scenario, read_scenario
from quietsleep.simulation.sessions import Slot, simulate_session

LENGTHS_CM = (48.0, 86.0)
RATES_HZ = (200.0, 1000.0, 100.0, 500.0, 125.0, 400.0, 250.0)
CONDITIONS = ("healthy", "obstructed", "severely obstructed", "stiff", "severely stiff")
GOLDEN = 0.6180339887498949
SESSIONS_A_DELIVERY = 20
LEAST_AT_THE_BORDER = 12
# Two faults are states and no verdicts; tests of whole nights see to them.
STATES = ("superseded", "nothing_delivered")
# Faults whose plant is too weak for some infants: the truth says on which items they stand.
STANDS_BY_TRUTH = ("tfe_late_peak", "tfe_not_limited")
# Faults of which some items are left out, and how many more are planted to begin with.
MORE_PLANTED = {"tfe_late_peak": 1.2, "tfe_not_limited": 1.2, "tidal_few_breaths": 1.5}

DESCRIPTION = (
    f"lengths {LENGTHS_CM[0]:g} to {LENGTHS_CM[1]:g} cm spread evenly, both sexes",
    f"{', '.join(CONDITIONS)}, in turn",
    f"sampling at {', '.join(f'{r:g}' for r in sorted(RATES_HZ))} Hz",
    "six forms of device: 12 and 16 bit; mL/s, L/s, L/min and mL/min; kPa, Pa, mbar and cm[H2O]; "
    "either sign; gains from 0.93 to 1.09; offsets; flow recorded as measured or already at BTPS; "
    "csv with either decimal mark, and parquet",
    "flow noise of SD 0.2 to 0.8 mL/s a sample, airway pressure 0.6 to 2.4 Pa, box pressure 5 to "
    "20 mPa, jacket pressure 4 to 16 Pa; a flow offset up to 1 mL/s and a thermal wave of up to "
    "0.5 mL/s; box drift up to 4 mPa/s; heart beats of 0.5 to 1.8 mL/s and 1 to 3 Pa",
    "rooms of 21 to 25 C, 25 to 65 % humidity and 80 to 103 kPa; apparatus of 0.3 to 0.7 kPa.s/L",
    "box factor and half-life are those that the checks of the day measured, not the true ones",
)


@dataclass(frozen=True, slots=True)
class Case:
    """One infant in one room on one measuring set, clean or with the fault that is planted."""

    number: int
    condition: str
    infant: Infant
    scenario: Scenario
    fault: str = ""

    @property
    def label(self) -> str:
        """What the table says of a case."""
        return (
            f"{self.number}: {self.infant.length_cm:.0f} cm, {self.condition}, "
            f"{self.scenario.form.rate_hz:g} Hz, form {self.scenario.centre[-1].upper()}"
        )


@lru_cache(maxsize=1)
def forms() -> tuple[Scenario, ...]:
    """The six measuring sets, each as the scenario of a centre."""
    raw = tomllib.loads(Path(__file__).with_name("grid.toml").read_text("utf-8"))
    return tuple(read_scenario(raw["usual"] | centre) for centre in raw["centres"])


def case_of(number: int) -> Case:
    """One case of the grid. Lengths follow the golden ratio, so that any number of cases is even.

    Conditions, rates and forms come in turn; 5, 7 and 6 have no common factor, so that 210 cases
    hold every combination.
    """
    rng = np.random.default_rng([19, number])
    low, high = LENGTHS_CM
    length = low + (high - low) * ((0.5 + number * GOLDEN) % 1.0)
    condition = CONDITIONS[number % len(CONDITIONS)]
    form = forms()[number % len(forms())]
    louder = float(rng.uniform(0.5, 2.0))
    infant = infant_of(rng, length_cm=round(length, 1), condition=condition)
    setting = setting_of(rng, form.setting)
    disturbance = disturbance_of(rng)
    scenario = replace(
        at_rate(form, RATES_HZ[number % len(RATES_HZ)]),
        sensors=tuple(replace(s, noise=s.noise * louder) for s in form.sensors),
        setting=setting,
        disturbance=disturbance,
        check_disturbance=replace(OF_CHECKS, box_drift_kpa_s=disturbance.box_drift_kpa_s),
    )
    return Case(number, condition, infant, scenario)


def at_rate(form: Scenario, rate_hz: float) -> Scenario:
    """The measuring set at another sampling rate, which makes it another device."""
    name = f"{form.centre}-{rate_hz:g}hz"
    device = form.device | {"device": name, "rate_hz": rate_hz}
    return replace(form, device=device, form=replace(form.form, rate_hz=rate_hz))


def infant_of(rng: np.random.Generator, *, length_cm: float, condition: str) -> Infant:
    """An infant of the simulator; the severe conditions go beyond what it draws by itself."""
    kinds: dict[str, Condition] = {"obstructed": "obstructed", "stiff": "stiff"}
    kind = kinds.get(condition.rpartition(" ")[2], "healthy")
    infant = draw_infant(rng, length_cm=length_cm, condition=kind)
    total = infant.rrs_kpa_s_l + 0.5
    if condition == "severely obstructed":
        return replace(
            infant,
            rrs_kpa_s_l=1.35 * total - 0.5,
            frc_ml=1.12 * infant.frc_ml,
            curve_power=1.8,
            emptying_per_s=0.8 * infant.emptying_per_s,
            braking_s=0.85 * infant.braking_s,
        )
    if condition == "severely stiff":
        return replace(
            infant,
            crs_ml_kpa=0.7 * infant.crs_ml_kpa,
            rrs_kpa_s_l=0.85 * total / 0.7 - 0.5,
            frc_ml=0.85 * infant.frc_ml,
            reserve_ml=0.85 * infant.reserve_ml,
            rate_per_min=1.15 * infant.rate_per_min,
            vt_ml=0.85 * infant.vt_ml,
        )
    return infant


def setting_of(rng: np.random.Generator, usual: Setting) -> Setting:
    """A room and a measuring set, in numbers as a centre writes them down.

    The simulator lets the room differ a little more from day to day.
    """
    return replace(
        usual,
        room_temperature_c=round(float(rng.uniform(21.6, 24.4)), 1),
        room_humidity_pct=float(round(rng.uniform(32.5, 57.5))),
        barometric_pressure_kpa=round(float(rng.uniform(80.75, 102.25)), 2),
        mask_dead_space_ml=round(float(rng.uniform(6.0, 14.0)), 1),
        compressible_dead_space_ml=round(float(rng.uniform(5.0, 12.0)), 1),
        apparatus_resistance_kpa_s_l=round(float(rng.uniform(0.3, 0.7)), 3),
        box_factor_ml_kpa=float(rng.uniform(400.0, 650.0)),
        box_half_life_s=float(rng.uniform(7.3, 10.6)),
    )


def disturbance_of(rng: np.random.Generator) -> Disturbance:
    """Heart beats, offset and drift of one day."""
    heart = float(rng.uniform(0.4, 1.5))
    return replace(
        USUAL,
        heart_flow_ml_s=1.2 * heart,
        heart_pressure_kpa=0.002 * heart,
        heart_rate_per_min=float(rng.uniform(105.0, 155.0)),
        flow_offset_ml_s=float(rng.uniform(-1.0, 1.0)),
        drift_ml_s=float(rng.uniform(0.0, 0.5)),
        box_drift_kpa_s=float(rng.uniform(-4e-6, 4e-6)),
        jacket_share=float(rng.uniform(0.0, 0.003)),
    )


# --- a study of cases ----------------------------------------------------------------------------


def cases(infants: int, planted: int) -> Iterator[Case]:
    """Clean infants, then for each fault as many as give `planted` items to judge."""
    yield from map(case_of, range(infants))
    keys = [key for key in FAULTS if key not in STATES for _ in range(sessions_for(key, planted))]
    yield from (with_fault(case_of(number), key) for number, key in enumerate(keys))


def in_signals(key: str) -> bool:
    """Whether a fault is in signals; those of tables and files are found at the border."""
    return FAULTS[key].owner not in ("session", "delivery")


def sessions_for(key: str, planted: int) -> int:
    """Sessions that give at least `planted` items; at least half as many, for variety.

    Faults of sessions and files cost little, and come in every form of device at the least.
    """
    fault = FAULTS[key]
    if not in_signals(key):
        return max(planted, LEAST_AT_THE_BORDER)
    planted = int(MORE_PLANTED.get(key, 1.0) * planted)
    if fault.level != "trial" or fault.owner == "tidal":
        return planted
    usual = len(USUAL_MANOEUVRES[fault.owner])
    return max(ceil(planted / min(usual, 3)), planted // 2)


def with_fault(case: Case, key: str) -> Case:
    """The case with one fault: what it spoils, the checks that this needs, and nothing else.

    A fault of a file spoils a tidal recording; a channel can only be missed by a technique that
    needs more than flow.
    """
    fault = FAULTS[key]
    techniques, checks = fault_needs(key)
    technique = techniques[0] if techniques and fault.owner in (*techniques, "delivery") else None
    scenario = replace(
        case.scenario,
        techniques=techniques,
        checks=checks,
        planted=(Planted(1, key, None if key == "bad_cell" else technique),),
    )
    return replace(case, scenario=scenario, fault=key)


def fault_needs(key: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The techniques and the checks of a session with a fault."""
    fault = FAULTS[key]
    if fault.owner == "session":
        return (), ()
    if fault.owner == "delivery":
        return ("single_occlusion",) if fault.file == "column" else ("tidal",), ("syringe",)
    if fault.level == "check":
        return (), (fault.owner,)
    if fault.file == "absent":
        return ("tidal",), (fault.owner,)
    box = ("box_decay", "box_pump") if fault.owner == "plethysmography" else ()
    return (fault.owner,), ("syringe", *box)


@dataclass(frozen=True, slots=True)
class DeliveryJob:
    """One delivery of cases, with the place of each among those of its centre."""

    cases: tuple[tuple[int, Case], ...]
    folder: Path


def write_grid_study(path: Path, *, infants: int, planted: int, processes: int = 2) -> Path:
    """Write a study of cases, one session a day in each of six centres, and its truth beside it.

    `truth/cases.csv` says which session is which case.
    """
    sets = [at_rate(form, rate_hz) for form in forms() for rate_hz in RATES_HZ]
    write_study_files(path, sets, seed=0)
    by_centre: dict[str, list[Case]] = {}
    for case in cases(infants, planted):
        by_centre.setdefault(case.scenario.centre, []).append(case)
    jobs, rows = [], []
    for centre, own in by_centre.items():
        placed = tuple(enumerate(own))
        rows += [case_row(case, slot_of(case, place)) for place, case in placed]
        for number, first in enumerate(range(0, len(own), SESSIONS_A_DELIVERY), start=1):
            folder = path / "deliveries" / centre / f"{centre}-{number:02d}"
            jobs.append(DeliveryJob(placed[first : first + SESSIONS_A_DELIVERY], folder))
    write_truth(path / "truth", (), run(deliver_cases, jobs, processes))
    with (path / "truth" / "cases.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def deliver_cases(job: DeliveryJob) -> Written:
    """Simulate and write one delivery."""
    sessions, days = [], []
    for place, case in job.cases:
        slot, seed = slot_of(case, place), seed_of(case)
        sessions.append(simulate_session(case.scenario, slot, seed=seed, infant=case.infant))
        days.append(simulate_check_day(case.scenario, slot, seed=seed))
    last, centre = sessions[-1].slot.tested_at.date(), job.folder.parent.name
    return deliver(sessions, days, centre=centre, folder=job.folder, last=last)


def seed_of(case: Case) -> int:
    """A seed of its own for each infant and fault."""
    return 100 * case.number + (1 + list(FAULTS).index(case.fault) if case.fault else 0)


def slot_of(case: Case, place: int) -> Slot:
    """The session of a case; every session of a centre has a day and an infant of its own."""
    centre, day = case.scenario.centre, case.scenario.first_day + timedelta(days=place)
    return Slot(
        number=1,  # the case's plants stand in the first session of its scenario
        session=f"{centre}-s{place + 1:04d}",
        infant=f"{centre}-i{place + 1:04d}",
        infant_number=place + 1,
        visit="v1",
        age_days=case.infant.age_days,
        tested_at=datetime.combine(day, time(9, 30), UTC),
    )


def case_row(case: Case, slot: Slot) -> dict[str, Any]:
    """Which session, and which day of checks, is which case."""
    day = f"{case.scenario.centre}-{slot.tested_at:%Y%m%d}"
    return {"session": slot.session, "day": day, "fault": case.fault, "label": case.label}
