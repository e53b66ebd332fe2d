"""The grid of simulated infants, rooms and measuring sets on which accuracy is measured.

Everything follows from the number of a case, so that any figure of the table can be looked into
again: `case_of(17)` is always the same infant on the same measuring set.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from quietsleep.simulation.disturbances import USUAL, Disturbance
from quietsleep.simulation.exports import SignalFormat
from quietsleep.simulation.physiology import Infant, Setting, draw_infant
from quietsleep.simulation.scenario import Scenario, load_scenarios
from quietsleep.simulation.sensors import Head, Sensor
from quietsleep.study.study import ChannelMap, Device

LENGTHS_CM = (48.0, 86.0)
RATES_HZ = (200.0, 1000.0, 100.0, 500.0, 125.0, 400.0, 250.0)
CONDITIONS = ("healthy", "obstructed", "severely obstructed", "stiff", "severely stiff")
GOLDEN = 0.6180339887498949

DESCRIPTION = (
    f"lengths {LENGTHS_CM[0]:g} to {LENGTHS_CM[1]:g} cm spread evenly, both sexes",
    f"{', '.join(CONDITIONS)}, in turn",
    f"sampling at {', '.join(f'{r:g}' for r in sorted(RATES_HZ))} Hz",
    "six forms of device: 12 and 16 bit; mL/s, L/s, L/min and mL/min; kPa, Pa, mbar and cm[H2O]; "
    "either sign; gains from 0.93 to 1.09; offsets; flow recorded as measured or already at BTPS",
    "flow noise of SD 0.2 to 0.8 mL/s a sample, airway pressure 0.6 to 2.4 Pa, box pressure 5 to "
    "20 mPa, jacket pressure 4 to 16 Pa; a flow offset up to 1 mL/s and a thermal wave of up to "
    "0.5 mL/s; box drift up to 4 mPa/s; heart beats of 0.5 to 1.8 mL/s and 1 to 3 Pa",
    "rooms of 21 to 25 C, 25 to 65 % humidity and 80 to 103 kPa; apparatus of 0.3 to 0.7 kPa.s/L",
    "box factor and half-life are those that the checks of the day measured, not the true ones",
)


@dataclass(frozen=True, slots=True)
class Form:
    """One form of device: its channels, the gas that it reports, its box."""

    name: str
    sensors: tuple[Sensor, ...]
    head: Head
    box_volume_l: float
    box_calibrated_empty: bool = True


@dataclass(frozen=True, slots=True)
class Case:
    """One infant in one room on one measuring set."""

    number: int
    condition: str
    infant: Infant
    setting: Setting
    form: Form
    rate_hz: float
    disturbance: Disturbance

    def rng(self, *words: int) -> np.random.Generator:
        """A generator that depends on the case and the words only."""
        return np.random.default_rng([20, self.number, *words])

    @property
    def label(self) -> str:
        """What the table says of a case."""
        return (
            f"{self.number}: {self.infant.length_cm:.0f} cm, {self.condition}, "
            f"{self.rate_hz:g} Hz, form {self.form.name}"
        )


def _pressure(channel: str, unit: str, *, noise: float, full_scale: float, **more: Any) -> Sensor:
    return Sensor(channel, f"raw_{channel}", unit, noise=noise, full_scale=full_scale, **more)


def _form(
    name: str,
    flow: Sensor,
    units: tuple[str, str, str],
    *,
    bits: int,
    head: Head,
    gain: float,
    offset: float,
    positive: str,
    box_volume_l: float,
    calibrated_empty: bool = True,
) -> Form:
    """A form whose pressures share resolution, gain, offset and sign, each in a unit of its own."""
    common = {"bits": bits, "gain": gain, "offset": offset, "positive": positive}
    sensors = (
        replace(flow, bits=bits),
        _pressure("airway_pressure", units[0], noise=0.0012, full_scale=6.0, **common),
        # The box amplifier has 16 bit everywhere: with 12 no plethysmograph would be built.
        _pressure("box_pressure", units[1], noise=1e-5, full_scale=0.25, **{**common, "bits": 16}),
        _pressure("jacket_pressure", units[2], noise=0.008, full_scale=15.0, **common),
    )
    return Form(name, sensors, head, box_volume_l, calibrated_empty)


def _flow(unit: str, *, gain: float, offset: float, positive: str, full_scale: float) -> Sensor:
    return Sensor(
        "flow", "raw_flow", unit, gain, offset, positive, noise=0.4, full_scale=full_scale
    )


FORMS = (
    _form(
        "A",
        _flow("L/min", gain=1.02, offset=0.15, positive="expiration", full_scale=2500.0),
        ("cm[H2O]", "Pa", "cm[H2O]"),
        bits=12,
        head=Head("measured", 33.0, 100.0),
        gain=0.98,
        offset=-0.4,
        positive="above",
        box_volume_l=65.0,
    ),
    _form(
        "B",
        _flow("L/s", gain=1.0, offset=0.004, positive="inspiration", full_scale=2500.0),
        ("mbar", "Pa", "kPa"),
        bits=16,
        head=Head("btps"),
        gain=1.0,
        offset=0.3,
        positive="below",
        box_volume_l=58.0,
    ),
    _form(
        "C",
        _flow("mL/s", gain=0.993, offset=-2.4, positive="inspiration", full_scale=3000.0),
        ("kPa", "Pa", "kPa"),
        bits=16,
        head=Head("measured", 34.0, 100.0),
        gain=1.05,
        offset=0.021,
        positive="above",
        box_volume_l=72.0,
        calibrated_empty=False,
    ),
    _form(
        "D",
        _flow("mL/s", gain=1.0, offset=12.0, positive="inspiration", full_scale=3000.0),
        ("kPa", "mbar", "cm[H2O]"),
        bits=12,
        head=Head("measured", 34.0, 100.0),
        gain=1.09,
        offset=-0.05,
        positive="below",
        box_volume_l=80.0,
    ),
    _form(
        "E",
        _flow("mL/min", gain=0.93, offset=300.0, positive="expiration", full_scale=2000.0),
        ("Pa", "Pa", "mbar"),
        bits=16,
        head=Head("measured", 32.0, 90.0),
        gain=1.0,
        offset=4.0,
        positive="above",
        box_volume_l=98.0,
    ),
    _form(
        "F",
        _flow("L/min", gain=1.0, offset=0.0, positive="inspiration", full_scale=2500.0),
        ("cm[H2O]", "kPa", "kPa"),
        bits=16,
        head=Head("btps"),
        gain=0.95,
        offset=0.01,
        positive="above",
        box_volume_l=65.0,
        calibrated_empty=False,
    ),
)


def case_of(number: int) -> Case:
    """One case of the grid. Lengths follow the golden ratio, so that any number of cases is even.

    Conditions, rates and forms come in turn; 5, 7 and 6 have no common factor, so that 210 cases
    hold every combination.
    """
    rng = np.random.default_rng([19, number])
    low, high = LENGTHS_CM
    length = low + (high - low) * ((0.5 + number * GOLDEN) % 1.0)
    condition = CONDITIONS[number % len(CONDITIONS)]
    base = FORMS[number % len(FORMS)]
    louder = float(rng.uniform(0.5, 2.0))
    form = replace(base, sensors=tuple(replace(s, noise=s.noise * louder) for s in base.sensors))
    return Case(
        number=number,
        condition=condition,
        infant=infant_of(rng, length_cm=round(length, 1), condition=condition),
        setting=setting_of(rng, form),
        form=form,
        rate_hz=RATES_HZ[number % len(RATES_HZ)],
        disturbance=disturbance_of(rng),
    )


def infant_of(rng: np.random.Generator, *, length_cm: float, condition: str) -> Infant:
    """An infant of the simulator; the severe conditions go beyond what it draws by itself."""
    kind = condition.removeprefix("severely ")
    infant = draw_infant(rng, length_cm=length_cm, condition=kind)  # type: ignore[arg-type]
    total = infant.rrs_kpa_s_l + 0.5
    if condition == "severely obstructed":
        return replace(
            infant,
            rrs_kpa_s_l=1.35 * total - 0.5,
            frc_ml=1.12 * infant.frc_ml,
            curve_power=1.8,
            emptying_per_s=0.8 * infant.emptying_per_s,
            tptef_te=0.85 * infant.tptef_te,
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
            elevation_ml=0.85 * infant.elevation_ml,
        )
    return infant


def setting_of(rng: np.random.Generator, form: Form) -> Setting:
    """A room and a measuring set; the numbers are rounded as a centre writes them down."""
    return Setting(
        room_temperature_c=round(float(rng.uniform(21.0, 25.0)), 1),
        room_humidity_pct=float(round(rng.uniform(25.0, 65.0))),
        barometric_pressure_kpa=round(float(rng.uniform(80.0, 103.0)), 2),
        mask_dead_space_ml=round(float(rng.uniform(6.0, 14.0)), 1),
        compressible_dead_space_ml=round(float(rng.uniform(5.0, 12.0)), 1),
        apparatus_resistance_kpa_s_l=round(float(rng.uniform(0.3, 0.7)), 3),
        box_volume_l=form.box_volume_l,
        box_factor_ml_kpa=float(rng.uniform(400.0, 650.0)),
        box_half_life_s=float(rng.uniform(7.3, 10.6)),
        box_calibrated_empty=form.box_calibrated_empty,
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


def device_of(case: Case) -> Device:
    """The registered device that undoes the sensors of a case."""
    return Device(
        device=f"form-{case.form.name.lower()}",
        centre="grid",
        equipment_class="grid",
        file_format="parquet",
        rate_hz=case.rate_hz,
        time_column="t_s",
        csv_delimiter=",",
        csv_decimal=".",
        gas_state="btps" if case.form.head.gas_state == "btps" else "measured",
        expired_temperature_c=case.form.head.expired_temperature_c,
        expired_humidity_pct=case.form.head.expired_humidity_pct,
        box_volume_l=case.form.box_volume_l,
        box_calibrated_empty=case.form.box_calibrated_empty,
        channels=tuple(
            ChannelMap(s.channel, s.column, s.unit, s.gain, s.offset, s.positive)  # type: ignore[arg-type]
            for s in case.form.sensors
        ),
    )


def scenario_of(case: Case) -> Scenario:
    """A scenario of the simulator for the equipment checks of a case."""
    return replace(
        _any_scenario(),
        setting=case.setting,
        sensors=case.form.sensors,
        head=case.form.head,
        form=SignalFormat("parquet", case.rate_hz),
    )


@lru_cache(maxsize=1)
def _any_scenario() -> Scenario:
    return load_scenarios()[0]
