"""The centres and devices of a study: which raw column of an export is which channel, and how.

What is registered of a device is dated: several entries may stand for one device, each from its
`valid_from` on, and the one in force on the local day of a test is the one that counts. A new
calibration is a new entry, so it never changes what was measured before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator
from pydantic.dataclasses import dataclass

from quietsleep import contract
from quietsleep.contract.toml import (
    CONFIG,
    Code,
    Day,
    Entry,
    Number,
    Text,
    Whole,
    YesNo,
    between,
    first_twice,
    nearest_known,
    shown,
)
from quietsleep.study.dialect import TableDialect

FileFormat = Literal["csv", "parquet", "edf"]
TimeFormat = Literal["seconds", "milliseconds", "clock", "date_time"]
GasState = Literal["measured", "btps"]
Positive = Literal["inspiration", "expiration", "above", "below"]

FLOW = "flow"
# Folders of pages that belong to no centre.
TAKEN_CODES = ("overview", "dictionary")
# An entry without a day holds from here on; no delivery may hold an earlier one.
FIRST_DAY = date(1990, 1, 1)


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


def _known_zone(name: str) -> str:
    zones = available_timezones()
    if name not in zones:
        known = sorted(zone for zone in zones if "/" in zone)
        hint = nearest_known(name, known) or 'write one such as "Europe/Lisbon".'
        raise ValueError(f"is {shown(name)}, which is no IANA time zone; {hint}")
    return name


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
    """One entry of a registered measuring set and the map of its export, from `valid_from` on.

    A csv export has `csv_skip_lines` lines above its heading and, with `csv_units_row`, a row of
    units below it. Its time column holds what `time_format` says. With `file_names` "free" the
    path in the table of recordings is all that says which file is which; otherwise it is the codes
    of session and recording. `ignored_columns` are neither read nor told of.
    """

    device: Code
    centre: str
    equipment_class: Text
    file_format: FileFormat
    rate_hz: Annotated[Number, between(50.0, 20_000.0)]
    time_column: Text | None = None
    csv_delimiter: Literal[",", ";", "\t", "|"] = ","
    csv_decimal: Literal[".", ","] = "."
    csv_encoding: Literal["utf-8", "utf-16", "latin-1"] = "utf-8"
    csv_skip_lines: Annotated[Whole, between(0, 1000)] = 0
    csv_units_row: YesNo = False
    time_format: TimeFormat = "seconds"
    file_names: Literal["by_code", "free"] = "by_code"
    ignored_columns: tuple[Text, ...] = ()
    gas_state: GasState
    expired_temperature_c: Annotated[Number, between(15, 40)] = 34.0
    expired_humidity_pct: Annotated[Number, between(0, 100)] = 100.0
    box_volume_l: Annotated[Number, between(5, 1000)] | None = None
    box_calibrated_empty: YesNo = False
    channels: tuple[ChannelMap, ...]
    valid_from: Day = FIRST_DAY

    def channel(self, name: str) -> ChannelMap | None:
        """Return the map of one channel; None when the device does not have it."""
        return next((c for c in self.channels if c.channel == name), None)


@dataclass(frozen=True, slots=True, config=CONFIG)
class Centre:
    """One participating laboratory; `devices` are the newest entries by the codes of the devices.

    Without an altitude, barometric pressures cannot be held against it. `earlier_devices` are the
    entries that newer ones have followed. Local days are those of `time_zone`; without one, of the
    offset that stands beside each time. `was` are codes that the centre had before: what was
    delivered under them is its own. A centre that has left says since when with `retired_on`.
    `tables` is what is registered of how it writes its tables.
    """

    centre: Annotated[Code, AfterValidator(_free)]
    title: Text
    altitude_m: Annotated[Number, between(-500.0, 5000.0)] | None
    devices: Mapping[str, Device]
    earlier_devices: tuple[Device, ...] = ()
    time_zone: Annotated[Text, AfterValidator(_known_zone)] | None = None
    was: tuple[Annotated[Code, AfterValidator(_free)], ...] = ()
    retired_on: Day | None = None
    tables: TableDialect | None = None

    @property
    def zone(self) -> ZoneInfo | None:
        """The time zone of local days; None where each time brings its own offset."""
        return ZoneInfo(self.time_zone) if self.time_zone else None

    def device_on(self, code: str, day: date | None) -> Device | None:
        """Return the entry of a device in force on a local day; None where there was none yet.

        Without a day it is the newest entry. None for a device that is not registered.
        """
        newest = self.devices.get(code)
        if newest is None or day is None or newest.valid_from <= day:
            return newest
        before = (d for d in self.earlier_devices if d.device == code and d.valid_from <= day)
        return max(before, key=lambda d: d.valid_from, default=None)


def read_centre(entry: Entry, stem: str) -> Centre:
    """Read one centre file; `stem` is the name of the file, which must be the code."""
    code = entry.table.get("centre", stem)
    if code != stem:
        entry.refuse(f"centre is {shown(code)}, but the file is called {stem}.toml.")
    listed = entry.entries("devices")
    dated = ["valid_from" in each.table for each in listed]
    devices = [_device(each, stem) for each in listed]
    _refuse_disorder(zip(listed, devices, dated, strict=True))
    if not devices:
        entry.refuse("no device is registered; add a [[devices]] entry.")
    if stem in entry.table.get("was", ()):
        entry.refuse(f"was names {stem} itself; it lists the codes that the centre had before.")
    entry.table.setdefault("altitude_m", None)
    newest = {d.device: d for d in devices}
    earlier = tuple(d for d in devices if newest[d.device] is not d)
    return entry.build(Centre, devices=newest, earlier_devices=earlier)


def _refuse_disorder(listed: Iterable[tuple[Entry, Device, bool]]) -> None:
    """Refuse entries of one device that do not follow each other in time."""
    last: dict[str, Device] = {}
    for entry, device, is_dated in listed:
        before = last.get(device.device)
        last[device.device] = device
        if before is None:
            continue
        if not is_dated:
            entry.refuse(
                f"device {device.device} is registered twice; give each further entry the day "
                "from which it holds, valid_from."
            )
        if device.valid_from == before.valid_from:
            entry.refuse(
                f"two entries of device {device.device} hold from {device.valid_from}; only one "
                "can be in force on a day."
            )
        if device.valid_from < before.valid_from:
            entry.refuse(
                f"valid_from is {device.valid_from}, but the entry before it holds from "
                f"{before.valid_from}; put the entries of a device in order of time."
            )


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
