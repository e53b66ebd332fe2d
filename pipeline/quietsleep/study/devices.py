"""The centres and devices of a study: which raw column of an export is which channel, and how."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

from quietsleep.study.entry import CODE, Entry, StudyError

FileFormat = Literal["csv", "parquet", "edf"]
GasState = Literal["measured", "btps"]
Positive = Literal["inspiration", "expiration", "above", "below"]

FLOW = "flow"
PRESSURES = ("airway_pressure", "box_pressure", "jacket_pressure")
MONITORS = ("spo2", "heart_rate")
# Channel -> a unit of the right dimension, in which `signals.channels` works.
CHANNEL_UNITS = {
    FLOW: "mL/s",
    **dict.fromkeys(PRESSURES, "kPa"),
    "spo2": "%",
    "heart_rate": "/min",
}
LOWEST_RATE_HZ = 50.0
# Folders of pages that belong to no centre.
TAKEN_CODES = ("overview", "dictionary")


@dataclass(frozen=True, slots=True)
class ChannelMap:
    """Which raw column is which channel; value = (raw - offset) * gain in `unit`, then the sign."""

    channel: str
    column: str
    unit: str
    gain: float
    offset: float
    positive: Positive


@dataclass(frozen=True, slots=True)
class Device:
    """One registered measuring set and the map of its export."""

    device: str
    centre: str
    equipment_class: str
    file_format: FileFormat
    rate_hz: float
    time_column: str | None
    csv_delimiter: str
    csv_decimal: str
    gas_state: GasState
    expired_temperature_c: float
    expired_humidity_pct: float
    box_volume_l: float | None
    box_calibrated_empty: bool
    channels: tuple[ChannelMap, ...]

    def channel(self, name: str) -> ChannelMap | None:
        """Return the map of one channel; None when the device does not have it."""
        return next((c for c in self.channels if c.channel == name), None)


@dataclass(frozen=True, slots=True)
class Centre:
    """One participating laboratory."""

    centre: str
    title: str
    altitude_m: float
    devices: Mapping[str, Device]


def read_centre(entry: Entry, stem: str) -> Centre:
    """Read one centre file; `stem` is the name of the file, which must be the code."""
    code = entry.text("centre", pattern=CODE)
    if code != stem:
        raise StudyError(f"{entry.place}: centre is {code}, but the file is called {stem}.toml.")
    if code.lower() in TAKEN_CODES:
        raise StudyError(f"{entry.place}: no centre can be called {code}; choose another code.")
    devices: dict[str, Device] = {}
    for item in entry.entries("devices"):
        device = _device(item, code)
        if device.device in devices:
            raise StudyError(f"{entry.place}: device {device.device} is registered twice.")
        devices[device.device] = device
    if not devices:
        raise StudyError(f"{entry.place}: no device is registered; add a [[devices]] entry.")
    centre = Centre(
        centre=code,
        title=entry.text("title"),
        altitude_m=entry.number("altitude_m", default=0.0, low=-500.0, high=5000.0),
        devices=devices,
    )
    entry.finish()
    return centre


def _device(entry: Entry, centre: str) -> Device:
    code = entry.text("device", pattern=CODE)
    entry.place = f"{entry.place} (device {code})"
    file_format = cast(FileFormat, entry.text("file_format", choices=("csv", "parquet", "edf")))
    device = Device(
        device=code,
        centre=centre,
        equipment_class=entry.text("equipment_class"),
        file_format=file_format,
        rate_hz=entry.number("rate_hz", low=LOWEST_RATE_HZ, high=20_000.0),
        time_column=None if file_format == "edf" else entry.text("time_column"),
        csv_delimiter=entry.text("csv_delimiter", default=",", choices=(",", ";", "\t", "|")),
        csv_decimal=entry.text("csv_decimal", default=".", choices=(".", ",")),
        gas_state=cast(GasState, entry.text("gas_state", choices=("measured", "btps"))),
        expired_temperature_c=entry.number("expired_temperature_c", default=34.0, low=15, high=40),
        expired_humidity_pct=entry.number("expired_humidity_pct", default=100.0, low=0, high=100),
        box_volume_l=entry.number("box_volume_l", low=5, high=1000)
        if "box_volume_l" in entry
        else None,
        box_calibrated_empty=entry.yes_no("box_calibrated_empty", default=False),
        channels=_channels(entry),
    )
    entry.allow("time_column")
    entry.finish()
    if device.csv_delimiter == device.csv_decimal:
        raise StudyError(f"{entry.place}: csv_delimiter and csv_decimal are the same character.")
    if device.time_column in {c.column for c in device.channels}:
        raise StudyError(f"{entry.place}: the time column is also registered as a channel.")
    return device


def _channels(entry: Entry) -> tuple[ChannelMap, ...]:
    channels = tuple(_channel(item) for item in entry.entries("channels"))
    for what in ("channel", "column"):
        seen: set[str] = set()
        for name in (getattr(channel, what) for channel in channels):
            if name in seen:
                raise StudyError(f"{entry.place}: {what} {name} is registered twice.")
            seen.add(name)
    if FLOW not in {c.channel for c in channels}:
        raise StudyError(f"{entry.place}: no column is registered for the channel flow.")
    return channels


def _channel(entry: Entry) -> ChannelMap:
    channel = entry.text("channel", choices=tuple(CHANNEL_UNITS))
    entry.place = f"{entry.place} (channel {channel})"
    positive: tuple[str, ...] = (
        ("inspiration", "expiration")
        if channel == FLOW
        else (
            "above",
            "below",
        )
    )
    default = "above" if channel in MONITORS else None
    mapped = ChannelMap(
        channel=channel,
        column=entry.text("column"),
        unit=entry.text("unit"),
        gain=entry.number("gain", default=1.0),
        offset=entry.number("offset", default=0.0),
        positive=cast(Positive, entry.text("positive", default=default, choices=positive)),
    )
    entry.finish()
    if mapped.gain <= 0:
        raise StudyError(
            f"{entry.place}: gain is {mapped.gain:g}; it must be above 0. "
            "Say which direction is positive with `positive`."
        )
    return mapped
