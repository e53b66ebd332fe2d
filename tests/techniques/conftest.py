"""Simulated recordings on simulated devices, read back through the whole of `signals`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from quietsleep.contract import TECHNIQUES
from quietsleep.records import RawSignal, Recording
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.simulation.faults import FAULTS, PlantedFault, Recipe
from quietsleep.simulation.physiology import SimulatedRecording
from quietsleep.simulation.sensors import IDEAL, Head, Sensor, sense
from quietsleep.study.study import ChannelMap, Device

# Noise SD of a usual device, mL/s and kPa.
NOISE = {
    "flow": 0.8,
    "airway_pressure": 0.002,
    "box_pressure": 1e-5,
    "jacket_pressure": 0.01,
}


def faults_of_trials(technique: str, *, asked: tuple[str, ...] = ()) -> dict[str, PlantedFault]:
    """Planted faults that one trial shows to the module of its technique alone.

    They change how a recording is made, and their rule asks what the module measures, or what is
    named in `asked`; or they keep a limit and break no rule. Slips of the registration, cells of
    the tables, clipped manoeuvres and files show in whole nights only: tests/truth/test_faults.py.
    """
    spec = TECHNIQUES[technique]
    known = {*spec.measured(), *asked}
    shown = {rule.key for rule in spec.rules if rule.level == "trial" and rule.quantity in known}
    return {
        key: fault
        for key, fault in FAULTS.items()
        if fault.owner == technique and fault.level == "trial"
        if fault.recipe != Recipe() and not fault.recipe.slips and not fault.cells
        if not fault.expected_rule or fault.expected_rule in shown
    }


def usual_sensors(noise: float) -> list[Sensor]:
    """Sensors in awkward units and signs, with so many times the usual noise."""
    made = []
    for sensor in IDEAL:
        noisy = replace(sensor, noise=noise * NOISE[sensor.channel], bits=16 if noise else 0)
        if sensor.channel == "flow":
            noisy = replace(noisy, unit="L/min", gain=1.02, offset=0.4, positive="expiration")
        if sensor.channel == "airway_pressure":
            noisy = replace(noisy, unit="cm[H2O]", positive="below")
        made.append(noisy)
    return made


def device_of(sensors: list[Sensor], rate_hz: float) -> Device:
    """The registered device that undoes these sensors."""
    return Device(
        device="set-1",
        centre="larch",
        equipment_class="a",
        file_format="parquet",
        rate_hz=rate_hz,
        time_column="t_s",
        csv_delimiter=",",
        csv_decimal=".",
        gas_state="measured",
        expired_temperature_c=34.0,
        expired_humidity_pct=100.0,
        box_volume_l=65.0,
        box_calibrated_empty=True,
        channels=tuple(
            ChannelMap(s.channel, s.column, s.unit, s.gain, s.offset, s.positive)  # type: ignore[arg-type]
            for s in sensors
        ),
    )


def record_on_device(
    simulated: SimulatedRecording, rng: np.random.Generator, noise: float = 1.0
) -> Recording:
    """What the pipeline makes of a simulated recording that a device wrote."""
    sensors = usual_sensors(noise)
    columns = sense(simulated, sensors, head=Head(), rng=rng)
    device = device_of(sensors, simulated.rate_hz)
    needed = TECHNIQUES[simulated.technique].channels
    return assemble(
        calibrate(RawSignal(simulated.time_s, columns), device, needed),
        name="recording",
        technique=simulated.technique,
        device=device,
        context=simulated.context,
    )


@pytest.fixture(scope="session")
def on_device() -> Callable[..., Recording]:
    """`record_on_device(simulated, rng, noise)`."""
    return record_on_device


@pytest.fixture(scope="session")
def usual_device() -> Callable[[float], Device]:
    """A registered device of a given rate, with every channel."""
    return lambda rate_hz: device_of(usual_sensors(1.0), rate_hz)
