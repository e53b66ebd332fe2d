"""The invented centres of the demo study, read from scenario/*.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from quietsleep.data import data_folder
from quietsleep.simulation.disturbances import OF_CHECKS, USUAL, Disturbance
from quietsleep.simulation.exports import SignalFormat
from quietsleep.simulation.physiology import Filters, Setting, standard_pressure_kpa
from quietsleep.simulation.sensors import Head, Sensor

_DEVICE_KEYS = (
    "device",
    "equipment_class",
    "file_format",
    "rate_hz",
    "time_column",
    "csv_delimiter",
    "csv_decimal",
    "gas_state",
    "expired_temperature_c",
    "expired_humidity_pct",
    "box_volume_l",
    "box_calibrated_empty",
)
_MAP_KEYS = ("channel", "column", "unit", "gain", "offset", "positive")


@dataclass(frozen=True, slots=True)
class Planted:
    """A fault of the registry planted in one session (counted from 1)."""

    session: int
    fault: str
    technique: str | None = None
    share: Literal["all", "one"] = "all"


@dataclass(frozen=True, slots=True)
class Slip:
    """A result of the centre's own software that is wrong by a factor under a wrong unit."""

    session: int
    outcome: str
    factor: float
    unit: str


@dataclass(frozen=True, slots=True)
class Scenario:
    """One invented centre: where it is, what it measures with, and what goes wrong there."""

    centre: str
    title: str
    altitude_m: float
    delivers: bool
    first_day: date
    days_between: int
    techniques: tuple[str, ...]
    checks: tuple[str, ...]
    setting: Setting
    device: dict[str, Any]
    sensors: tuple[Sensor, ...]
    head: Head
    form: SignalFormat
    zipped: tuple[int, ...]
    planted: tuple[Planted, ...]
    slips: tuple[Slip, ...]
    reported_pressure_unit: str
    box_occlusions_at: Literal["end_inspiration", "end_expiration"] = "end_inspiration"
    disturbance: Disturbance = USUAL
    check_disturbance: Disturbance = OF_CHECKS

    def faults_of(self, session: int, *, cycle: int = 12) -> tuple[Planted, ...]:
        """Faults planted in one session; in larger studies they come round every 12 sessions."""
        return tuple(p for p in self.planted if p.session == (session - 1) % cycle + 1)


def load_scenarios() -> list[Scenario]:
    """All centres of the demo study in alphabetical order."""
    folder = data_folder("demo_centres") / "scenario"
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".toml"))
    return [read_scenario(tomllib.loads((folder / name).read_text("utf-8"))) for name in names]


def read_scenario(raw: dict[str, Any]) -> Scenario:
    """One scenario file as a frozen object."""
    device = raw["device"]
    sensors = tuple(Sensor(**channel) for channel in device["channels"])
    return Scenario(
        centre=raw["centre"],
        title=raw["title"],
        altitude_m=raw["altitude_m"],
        delivers=raw.get("delivers", True),
        first_day=raw["first_day"],
        days_between=raw["days_between"],
        techniques=tuple(raw["techniques"]),
        checks=tuple(raw["checks"]),
        setting=_setting(raw, sensors),
        device=device,
        sensors=sensors,
        head=Head(
            device["gas_state"],
            device.get("expired_temperature_c", 34.0),
            device.get("expired_humidity_pct", 100.0),
        ),
        form=SignalFormat(
            device["file_format"],
            device["rate_hz"],
            device.get("time_column", "t_s"),
            device.get("csv_delimiter", ","),
            device.get("csv_decimal", "."),
        ),
        zipped=tuple(raw.get("zipped", ())),
        planted=tuple(Planted(**fault) for fault in raw.get("faults", ())),
        slips=tuple(Slip(**slip) for slip in raw.get("slips", ())),
        reported_pressure_unit=raw.get("reported_pressure_unit", "kPa"),
        box_occlusions_at=raw.get("box_occlusions_at", "end_inspiration"),
    )


def filters_of(sensors: Sequence[Sensor]) -> Filters:
    """What stands ahead of the converter, by channel."""
    return tuple((s.channel, kept) for s in sensors if (kept := s.channel_filter) is not None)


def _setting(raw: dict[str, Any], sensors: Sequence[Sensor]) -> Setting:
    """Room and set; without a barometric pressure, that of the standard atmosphere."""
    device = raw["device"]
    usual_kpa = round(standard_pressure_kpa(raw["altitude_m"]), 2)
    return Setting(
        room_temperature_c=raw["room_temperature_c"],
        room_humidity_pct=raw["room_humidity_pct"],
        barometric_pressure_kpa=raw.get("barometric_pressure_kpa", usual_kpa),
        apparatus_resistance_kpa_s_l=raw["apparatus_resistance_kpa_s_l"],
        box_volume_l=device.get("box_volume_l", 65.0),
        box_factor_ml_kpa=raw.get("box_factor_ml_kpa", 500.0),
        box_half_life_s=raw.get("box_half_life_s", 9.0),
        box_calibrated_empty=device.get("box_calibrated_empty", True),
        shutter_s=raw.get("shutter_ms", 8.0) / 1000.0,
        filters=filters_of(sensors),
    )


def centre_toml(scenario: Scenario, *more: Scenario) -> str:
    """The centre file that the coordinating centre keeps: registered devices and export maps.

    `more` are scenarios of the same centre, each with one more device.
    """
    lines = [
        f"centre = {_value(scenario.centre)}",
        f"title = {_value(scenario.title)}",
        f"altitude_m = {_value(scenario.altitude_m)}",
    ]
    for device in (each.device for each in (scenario, *more)):
        lines += ["", "[[devices]]"]
        lines += [f"{key} = {_value(device[key])}" for key in _DEVICE_KEYS if key in device]
        for channel in device["channels"]:
            lines += ["", "[[devices.channels]]"]
            lines += [f"{key} = {_value(channel[key])}" for key in _MAP_KEYS]
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    """A TOML value: text, number or yes/no."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else repr(value)
