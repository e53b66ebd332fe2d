"""The centres and devices of a study: which raw column of an export is which channel, and how."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator
from pydantic.dataclasses import dataclass

from quietsleep import contract
from quietsleep.contract.toml import (
    CONFIG,
    Code,
    Entry,
    Number,
    Text,
    YesNo,
    between,
    first_twice,
    shown,
)

FileFormat = Literal["csv", "parquet", "edf"]
GasState = Literal["measured", "btps"]
Positive = Literal["inspiration", "expiration", "above", "below"]

FLOW = "flow"
# Folders of pages that belong to no centre.
TAKEN_CODES = ("overview", "dictionary")


def _above_zero(gain: float) -> float:
    if gain <= 0:
        raise ValueError(
            f"is {gain:g}; it must be above 0. Say which direction is positive with `positive`."
        )
    return gain


def _free(code: str) -> str:
    if code.lower() in TAKEN_CODES:
        raise ValueError(f"is {shown(code)}; no centre can be called {code}, choose another code.")
    return code


@dataclass(frozen=True, slots=True, config=CONFIG)
class ChannelMap:
    """Which raw column is which channel; value = (raw - offset) * gain in `unit`, then the sign.

    `header_unit` is a unit that the header of the export names and that is known to be wrong.
    """

    channel: Text
    column: Text
    unit: Text
    gain: Annotated[Number, AfterValidator(_above_zero)]
    offset: Number
    positive: Positive
    header_unit: Text | None = None


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Device:
    """One registered measuring set and the map of its export."""

    device: Code
    centre: str
    equipment_class: Text
    file_format: FileFormat
    rate_hz: Annotated[Number, between(50.0, 20_000.0)]
    time_column: Text | None = None
    csv_delimiter: Literal[",", ";", "\t", "|"] = ","
    csv_decimal: Literal[".", ","] = "."
    gas_state: GasState
    expired_temperature_c: Annotated[Number, between(15, 40)] = 34.0
    expired_humidity_pct: Annotated[Number, between(0, 100)] = 100.0
    box_volume_l: Annotated[Number, between(5, 1000)] | None = None
    box_calibrated_empty: YesNo = False
    channels: tuple[ChannelMap, ...]

    def channel(self, name: str) -> ChannelMap | None:
        """Return the map of one channel; None when the device does not have it."""
        return next((c for c in self.channels if c.channel == name), None)


@dataclass(frozen=True, slots=True, config=CONFIG)
class Centre:
    """One participating laboratory; `devices` by their codes.

    Without an altitude, barometric pressures cannot be held against it.
    """

    centre: Annotated[Code, AfterValidator(_free)]
    title: Text
    altitude_m: Annotated[Number, between(-500.0, 5000.0)] | None
    devices: Mapping[str, Device]


def read_centre(entry: Entry, stem: str) -> Centre:
    """Read one centre file; `stem` is the name of the file, which must be the code."""
    code = entry.table.get("centre", stem)
    if code != stem:
        entry.refuse(f"centre is {shown(code)}, but the file is called {stem}.toml.")
    devices = [_device(each, stem) for each in entry.entries("devices")]
    if (twice := first_twice(d.device for d in devices)) is not None:
        entry.refuse(f"device {twice} is registered twice.")
    if not devices:
        entry.refuse("no device is registered; add a [[devices]] entry.")
    entry.table.setdefault("altitude_m", None)
    return entry.build(Centre, devices={d.device: d for d in devices})


def _device(entry: Entry, centre: str) -> Device:
    channels = tuple(_channel(each) for each in entry.entries("channels"))
    if entry.table.get("file_format") == "edf":
        entry.table.pop("time_column", None)
    device = entry.build(Device, centre=centre, channels=channels)
    if device.file_format != "edf" and device.time_column is None:
        entry.refuse(f"time_column is missing; an export as {device.file_format} needs one.")
    if device.csv_delimiter == device.csv_decimal:
        entry.refuse("csv_delimiter and csv_decimal are the same character.")
    for what in ("channel", "column"):
        twice = first_twice(getattr(channel, what) for channel in channels)
        if twice is not None:
            entry.refuse(f"{what} {twice} is registered twice.")
    if device.time_column in {c.column for c in channels}:
        entry.refuse("the time column is also registered as a channel.")
    if device.channel(FLOW) is None:
        entry.refuse("no column is registered for the channel flow.")
    return device


def _channel(entry: Entry) -> ChannelMap:
    defaults: dict[str, object] = {"gain": 1.0, "offset": 0.0}
    recorded = {n: s.kind for n, s in contract.SIGNALS.items() if s.kind != "derived"}
    if recorded.get(str(entry.table.get("channel"))) == "monitor":
        defaults["positive"] = "above"
    entry.table = defaults | entry.table
    mapped = entry.build(ChannelMap)
    if mapped.channel not in recorded:
        entry.refuse_unknown("channel", mapped.channel, recorded)
    allowed = ("inspiration", "expiration") if mapped.channel == FLOW else ("above", "below")
    if mapped.positive not in allowed:
        entry.refuse_unknown("positive", mapped.positive, allowed)
    return mapped
