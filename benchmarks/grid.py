"""The grid of simulated infants, rooms and measuring sets on which accuracy is measured.

Everything follows from the number of a case, so that any figure of the table can be looked into
again: `case_of(17)` is always the same infant on the same measuring set (those of grid.toml).
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import lru_cache
from math import ceil
from pathlib import Path
from typing import Any, Literal

import numpy as np

from quietsleep.simulation.centres import Written, deliver, run, write_study_files, write_truth
from quietsleep.simulation.checks import simulate_check_day
from quietsleep.simulation.disturbances import OF_CHECKS, USUAL, Disturbance
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.physiology import (
    BodyKind,
    Condition,
    Infant,
    Setting,
    draw_infant,
)
from quietsleep.simulation.recordings import USUAL_MANOEUVRES
from quietsleep.simulation.scenario import Planted, Scenario, filters_of, read_scenario
from quietsleep.simulation.sensors import Sensor
from quietsleep.simulation.sessions import Slot, simulate_session

LENGTHS_CM = (48.0, 86.0)
RATES_HZ = (200.0, 1000.0, 100.0, 500.0, 125.0, 400.0, 250.0)
CONDITIONS = ("healthy", "obstructed", "severely obstructed", "stiff", "severely stiff")
BODY_SHARES: Mapping[BodyKind, float] = {
    "linear": 0.6,
    "two compartments": 0.2,
    "viscoelastic": 0.2,
}
HIGHEST_ELEVATION = 0.40  # share of VT
FASTEST_PER_MIN = 80.0
# What of the grid its tables are told by.
CLASSES = ("elevation", "rate", "filter", "body", "altitude", "occlusion in the box")
GOLDEN = 0.6180339887498949
SESSIONS_A_DELIVERY = 20
LEAST_AT_THE_BORDER = 12
HIGH_M = 600.0  # a centre above it has an air pressure that sea level has not
YOUNGEST_AGAIN_D = 90  # a second visit is long after birth
# Faults that show against another visit of the infant.
OF_SECOND_VISITS = ("length_misread", "age_mistyped")
# Two faults are states and no verdicts; tests of whole nights see to them.
STATES = ("superseded", "nothing_delivered")
# Faults whose plant is too weak for some infants: the truth says on which items they stand.
STANDS_BY_TRUTH = (
    "tidal_shallow", "double_close_points", "tfe_late_peak", "tfe_early_breath", "tfe_not_limited",
    "raised_not_alike",
)  # fmt: skip
# The same by a fact of the manoeuvre: which, and how much of it makes the fault.
STANDS_BY_FACT: Mapping[str, tuple[str, float]] = {
    "single_mask_slips": ("lost_pct", 12.0),
    "double_mask_slips": ("lost_pct", 12.0),
    "pleth_mask_slips": ("lost_pct", 12.0),
    "pleth_leak_held": ("lost_pct", 12.0),
    "tfe_leak": ("lost_pct", 18.0),
    "raised_leak": ("lost_pct", 12.0),
    "single_clipped": ("clipped_s", 0.02),
    "double_clipped": ("clipped_s", 0.02),
    "pleth_clipped": ("clipped_s", 0.02),
    "tfe_clipped": ("clipped_s", 0.02),
    "raised_clipped": ("clipped_s", 0.02),
}
# Faults of which some items are left out, and how many more are planted to begin with.
MORE_PLANTED = {"tfe_late_peak": 1.2, "tfe_not_limited": 1.2}

DESCRIPTION = (
    f"lengths {LENGTHS_CM[0]:g} to {LENGTHS_CM[1]:g} cm spread evenly, both sexes",
    f"{', '.join(CONDITIONS)}, in turn",
    "breathing driven by a muscle over a body of one compartment (60 %), two unlike compartments "
    "in parallel (20 %) or with stress relaxation (20 %)",
    f"end-expiratory level 1 to {100 * HIGHEST_ELEVATION:.0f} % of VT above relaxation volume; it "
    f"follows from rate (up to {FASTEST_PER_MIN:g}/min), time constant and braking",
    "tidal volume varies by 7 to 12 % from breath to breath, timing by 5 to 9 %",
    f"sampling at {', '.join(f'{r:g}' for r in sorted(RATES_HZ))} Hz behind filters of 2 to 8 "
    "poles at 25 to 100 Hz, Bessel or Butterworth, and delays up to 4 ms between channels",
    "shutters that close in 2 to 20 ms",
    "six forms of device: 12 and 16 bit; mL/s, L/s, L/min and mL/min; kPa, Pa, mbar and cm[H2O]; "
    "either sign; gains from 0.93 to 1.09; offsets; flow recorded as measured or already at BTPS; "
    "csv with either decimal mark, parquet and EDF",
    "flow noise of SD 0.2 to 0.8 mL/s a sample, airway pressure 0.6 to 2.4 Pa, box pressure 5 to "
    "20 mPa, jacket pressure 4 to 16 Pa; a flow offset up to 1 mL/s and a thermal wave of up to "
    "0.5 mL/s; box drift up to 4 mPa/s; heart beats of 0.5 to 1.8 mL/s and 1 to 3 Pa",
    "rooms of 21 to 25 C and 25 to 65 % humidity, centres at 0, 300, 700, 1,400, 2,000 and "
    "2,500 m; apparatus of 0.3 to 0.7 kPa.s/L",
    "occlusions in the box at end-inspiration or at end-expiration, in turn",
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
            f"{self.infant.body_kind}, elevation {100 * self.elevation:.0f} % of VT, "
            f"{self.scenario.form.rate_hz:g} Hz, form {self.scenario.centre[-1].upper()}"
        )

    @property
    def elevation(self) -> float:
        """End-expiratory level above relaxation volume, share of VT."""
        apparatus = self.scenario.setting.apparatus_resistance_kpa_s_l
        return self.infant.elevation_ml(apparatus) / self.infant.vt_ml

    @property
    def classes(self) -> dict[str, str]:
        """The class of the case in each of CLASSES."""
        flow = self.scenario.sensors[0]
        poles = "2 to 4 poles" if flow.filter_order <= 4 else "6 or 8 poles"
        corner = "below 45 Hz" if flow.corner_hz < 45.0 else "45 Hz and above"
        return {
            "elevation": class_of(100.0 * self.elevation, (5.0, 15.0, 25.0), "% of VT"),
            "rate": f"{self.scenario.form.rate_hz:g} Hz",
            "filter": f"{poles}, {corner}",
            "body": self.infant.body_kind,
            "occlusion in the box": self.scenario.box_occlusions_at.replace("_", "-"),
            "altitude": class_of(self.scenario.altitude_m, (500.0, 1500.0), "m"),
        }


def class_of(value: float, borders: Sequence[float], unit: str) -> str:
    """The class of a value between borders."""
    below = [border for border in borders if border <= value]
    if not below:
        return f"below {borders[0]:g} {unit}"
    if len(below) == len(borders):
        return f"{borders[-1]:g} {unit} and above"
    return f"{below[-1]:g} to {borders[len(below)]:g} {unit}"


@lru_cache(maxsize=1)
def forms() -> tuple[Scenario, ...]:
    """The six measuring sets, each as the scenario of a centre."""
    raw = tomllib.loads(Path(__file__).with_name("grid.toml").read_text("utf-8"))
    return tuple(read_scenario(raw["usual"] | centre) for centre in raw["centres"])


@lru_cache(maxsize=1024)
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
    setting = setting_of(rng, form)
    infant = infant_of(rng, length_cm=round(length, 1), condition=condition)
    apparatus = setting.apparatus_resistance_kpa_s_l
    infant = elevated(infant, float(rng.uniform(0.01, HIGHEST_ELEVATION)), apparatus)
    disturbance = disturbance_of(rng)
    sensors = filtered(rng, [replace(s, noise=s.noise * louder) for s in form.sensors])
    scenario = replace(
        at_rate(form, RATES_HZ[number % len(RATES_HZ)]),
        sensors=sensors,
        setting=replace(setting, filters=filters_of(sensors)),
        box_occlusions_at="end_inspiration" if number % 2 else "end_expiration",
        disturbance=disturbance,
        check_disturbance=replace(OF_CHECKS, box_drift_kpa_s=disturbance.box_drift_kpa_s),
    )
    return Case(number, condition, infant, scenario)


def filtered(rng: np.random.Generator, sensors: Sequence[Sensor]) -> tuple[Sensor, ...]:
    """The sensors behind the filters of one device: one kind, corners near each other, delays."""
    kind: Literal["bessel", "butterworth"] = "bessel" if rng.random() < 0.5 else "butterworth"
    order, corner = int(rng.choice((2, 3, 4, 6, 8))), float(rng.uniform(28.0, 90.0))
    return tuple(
        replace(
            sensor,
            filter_kind=kind,
            filter_order=order,
            corner_hz=round(corner * float(rng.uniform(0.9, 1.1)), 1),
            delay_ms=round(float(rng.uniform(0.0, 4.0)), 1) if sensor.channel != "flow" else 0.0,
        )
        for sensor in sensors
    )


def elevated(infant: Infant, share: float, apparatus_kpa_s_l: float) -> Infant:
    """The infant breathing faster or slower, its airways narrower or wider, at an elevation.

    Both go together along a line that is searched by halving; who cannot reach the elevation
    within a rate of 80 /min and 1.8 times the resistance comes as near as that.
    """
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        tried = hurried(infant, middle, apparatus_kpa_s_l)
        if tried.elevation_ml(apparatus_kpa_s_l) < share * tried.vt_ml:
            low = middle
        else:
            high = middle
    return hurried(infant, high, apparatus_kpa_s_l)


def hurried(infant: Infant, place: float, apparatus_kpa_s_l: float) -> Infant:
    """The infant at a place (0 to 1) between slow and wide and fast and narrow."""
    slowest = 0.8 * infant.rate_per_min
    fastest = min(2.0 * infant.rate_per_min, FASTEST_PER_MIN)
    rate = slowest * (fastest / slowest) ** place
    total = (infant.rrs_kpa_s_l + apparatus_kpa_s_l) * 0.75 * (1.8 / 0.75) ** place
    return replace(
        infant,
        rate_per_min=rate,
        rrs_kpa_s_l=max(total - apparatus_kpa_s_l, 0.8),
        braking_s=infant.braking_s * infant.rate_per_min / rate,
    )


def at_rate(form: Scenario, rate_hz: float) -> Scenario:
    """The measuring set at another sampling rate, which makes it another device."""
    name = f"{form.centre}-{rate_hz:g}hz"
    device = form.device | {"device": name, "rate_hz": rate_hz}
    return replace(form, device=device, form=replace(form.form, rate_hz=rate_hz))


def infant_of(rng: np.random.Generator, *, length_cm: float, condition: str) -> Infant:
    """An infant of the simulator; the severe conditions go beyond what it draws by itself."""
    kinds: dict[str, Condition] = {"obstructed": "obstructed", "stiff": "stiff"}
    kind = kinds.get(condition.rpartition(" ")[2], "healthy")
    body: BodyKind = str(rng.choice(list(BODY_SHARES), p=list(BODY_SHARES.values())))  # type: ignore[assignment]
    infant = draw_infant(rng, length_cm=length_cm, condition=kind, body_kind=body)
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


def setting_of(rng: np.random.Generator, form: Scenario) -> Setting:
    """A room and a measuring set, in numbers as a centre writes them down.

    The simulator lets the room differ a little more from day to day.
    """
    return replace(
        form.setting,
        room_temperature_c=round(float(rng.uniform(21.6, 24.4)), 1),
        room_humidity_pct=float(round(rng.uniform(32.5, 57.5))),
        barometric_pressure_kpa=round(
            form.setting.barometric_pressure_kpa + float(rng.uniform(-1.2, 1.2)), 2
        ),
        mask_dead_space_ml=round(float(rng.uniform(6.0, 14.0)), 1),
        compressible_dead_space_ml=round(float(rng.uniform(5.0, 12.0)), 1),
        apparatus_resistance_kpa_s_l=round(float(rng.uniform(0.3, 0.7)), 3),
        box_factor_ml_kpa=float(rng.uniform(400.0, 650.0)),
        box_half_life_s=float(rng.uniform(7.3, 10.6)),
        shutter_s=float(rng.uniform(0.002, 0.02)),
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
    number = 0
    for key in keys:
        while not suits(case_of(number), key):
            number += 1
        yield with_fault(case_of(number), key)
        number += 1


def is_edf(case: Case) -> bool:
    """Whether the device writes a format without a clock, with units in its header."""
    return case.scenario.form.file_format == "edf"


def is_wide(case: Case) -> bool:
    """Whether an apparatus resistance ten times too large is more than the infant's total."""
    apparatus = case.scenario.setting.apparatus_resistance_kpa_s_l
    return case.infant.rrs_kpa_s_l < 9.0 * apparatus and case.infant.body_kind == "linear"


# Faults that stand only on some devices, at some centres or in some infants.
STANDS_ON: Mapping[str, Callable[[Case], bool]] = {
    "header_unit": is_edf,
    "tidal_samples_lost": is_edf,
    "tidal_gap": lambda case: not is_edf(case),
    # faster, nine breaths last less than the technique asks, and the night says that instead
    "tidal_few_breaths": lambda case: case.infant.rate_per_min < 45.0,
    "sea_level_pressure": lambda case: case.scenario.altitude_m > HIGH_M,
    "single_apparatus_slip": is_wide,
    "double_apparatus_slip": is_wide,
    # there is no unit of flow smaller than mL/min that it could be mistaken for
    "tfe_flow_unit": lambda case: case.scenario.sensors[0].unit != "mL/min",
    **dict.fromkeys(OF_SECOND_VISITS, lambda case: case.infant.age_days > YOUNGEST_AGAIN_D),
}


def suits(case: Case, key: str) -> bool:
    """Whether a fault can stand on this case; single occlusions want a straight limb."""
    if key in STANDS_ON:
        return STANDS_ON[key](case)
    return FAULTS[key].owner != "single_occlusion" or case.infant.body_kind == "linear"


def in_signals(key: str) -> bool:
    """Whether a fault is in signals; those of tables and files are found at the border."""
    return FAULTS[key].owner not in ("session", "delivery")


def sessions_for(key: str, planted: int) -> int:
    """Sessions that give at least `planted` items; at least a quarter as many, for variety.

    A session has two recordings of breathing and several manoeuvres of the other techniques.
    Faults of sessions and files cost little, and come in every form of device at the least.
    """
    fault = FAULTS[key]
    of_tidal = fault.owner in ("tidal", "delivery") and fault.level in ("trial", "recording")
    if not in_signals(key):
        return max(ceil(planted / 2) if of_tidal else planted, LEAST_AT_THE_BORDER)
    planted = int(MORE_PLANTED.get(key, 1.0) * planted)
    if of_tidal:
        return ceil(planted / 2)
    if fault.level != "trial":
        return planted
    usual = len(USUAL_MANOEUVRES[fault.owner])
    return max(ceil(planted / min(usual, 5)), ceil(planted / 4))


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
        if case.fault in OF_SECOND_VISITS:
            slot, first = replace(slot, visit="v2"), first_visit(case, slot)
            plain = replace(case.scenario, techniques=(), planted=())
            younger = replace(case.infant, age_days=first.age_days)
            sessions.append(simulate_session(plain, first, seed=seed, infant=younger))
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


def first_visit(case: Case, slot: Slot) -> Slot:
    """A visit of the same infant three days before, of which the fault is nothing."""
    return replace(
        slot,
        session=f"{slot.session}b",
        visit="v1",
        age_days=slot.age_days - 3,
        tested_at=slot.tested_at - timedelta(days=3),
    )


def case_row(case: Case, slot: Slot) -> dict[str, Any]:
    """Which session, and which day of checks, is which case."""
    day = f"{case.scenario.centre}-{slot.tested_at:%Y%m%d}"
    row = {"session": slot.session, "day": day, "fault": case.fault, "label": case.label}
    return row | case.classes
