"""The entry of a device that an export proposes: units and signs, and how sure each is.

What stands in the file counts first. Else units are told by the size of breaths and occlusions, and
signs by the shape of breaths and by what pressure drives. What nothing tells is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from quietsleep import contract
from quietsleep.contract.unit_words import any_unit_of_word
from quietsleep.contract.units import factor
from quietsleep.errors import QuietsleepError
from quietsleep.intake.propose.columns import (
    BY_SIZE,
    FOLLOWS,
    IN_FILE,
    NOT_KNOWN,
    TOLD,
    NamedColumn,
    assign,
    kind_of_unit,
)
from quietsleep.intake.propose.export import Export
from quietsleep.judge.slips import FAMILIES
from quietsleep.night.device.sign import Signs, signs_of
from quietsleep.records import FloatArray, RawSignal, Recording
from quietsleep.signals.breaths import find_breaths, integrate
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.signals.quantiles import median, percentile
from quietsleep.study.devices import FLOW, ChannelMap, Device, GasState, Positive

# What is told where a session would say it; no number of an infant hangs on it by more than 1 %.
ROOM: Mapping[str, float] = {
    "room_temperature_c": 23.0,
    "room_humidity_pct": 50.0,
    "barometric_pressure_kpa": 101.325,
}
# Highest pressures that are usual, kPa: a closed or inflated airway, a jacket that squeezes. They
# tell kPa from cmH2O and Pa where only one of them fits; no limit of acceptance (from memory).
_USUAL_KPA = {"airway_pressure": (0.2, 5.0), "jacket_pressure": (1.0, 10.0)}
_STILL_SHARE = 0.15  # with a closed airway flow is below this share of the usual ...
_PRESSED_SHARE = 0.5  # ... while pressure is above this share of its highest
_RULE_OF_VOLUME = "tidal.possible_tidal_volume"


class CannotPropose(QuietsleepError):
    """An export cannot be looked at as asked; the message says what is missing."""


@dataclass(frozen=True, slots=True)
class ProposedChannel:
    """One channel as it is proposed, each part with how sure it is; `hint` is what to look at."""

    channel: str
    column: str
    named: str
    unit: str
    unit_sure: str
    positive: Positive
    sign_sure: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class SaidOfExport:
    """What a person says of an export: columns as channels, units and signs by channel or column.

    What is told is not looked for.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    positive: Mapping[str, str] = field(default_factory=dict)
    gas_state: GasState | None = None
    equipment_class: str = ""
    weight_kg: float = float("nan")


@dataclass(frozen=True, slots=True)
class Proposal:
    """The entry of a device that an export proposes; `recording` is its signals by that entry.

    `unread` are columns that are not registered, each with the reason. `asks` are sentences for
    what has to be known before the entry may be written.
    """

    export: Export
    device: Device
    channels: tuple[ProposedChannel, ...]
    recording: Recording | None
    unread: tuple[tuple[str, str], ...]
    asks: tuple[str, ...]

    def channel(self, name: str) -> ProposedChannel | None:
        """Return one channel; None where the export has none."""
        return next((c for c in self.channels if c.channel == name), None)


def propose(
    export: Export, *, told: SaidOfExport, device: str, centre: str, like: Device | None = None
) -> Proposal:
    """Propose the entry of a device from an export; raises CannotPropose.

    `like` is the entry in force, of which what no export tells is taken over.
    """
    _refuse_unknown(export, told)
    found = assign(export.columns, told.columns)
    if FLOW not in found:
        raise CannotPropose(
            "No column of it can be told to be flow. Columns of numbers: "
            f"{', '.join(export.samples)}. Say which it is: --column 'NAME=flow'."
        )
    words = {c.column: c for c in export.columns}
    channels = [
        _with_unit(channel, words[column], sure, told)
        for channel, (column, sure) in found.items()
        if column in export.samples
    ]
    channels = [_sized(c, channels, export, told) for c in channels]
    asks = [_ask_unit(c, export, told) for c in channels if not c.unit and c.channel == FLOW]
    known = [c for c in channels if c.unit]
    entry = _entry(export, known, told, device=device, centre=centre, like=like)
    recording = None
    if not asks:
        known, entry, recording, more = _signed(export, entry, known, told)
        asks += more
    return Proposal(
        export=export,
        device=entry,
        channels=tuple(known) if not asks or recording else tuple(channels),
        recording=recording,
        unread=_unread(export, known),
        asks=tuple(asks),
    )


def _refuse_unknown(export: Export, told: SaidOfExport) -> None:
    recorded = [n for n, s in contract.SIGNALS.items() if s.kind != "derived"]
    for column, channel in told.columns.items():
        if column not in export.samples:
            raise CannotPropose(
                f"There is no column {column} of numbers; there are: {', '.join(export.samples)}."
            )
        if channel not in recorded:
            raise CannotPropose(f"There is no channel {channel}; there are: {', '.join(recorded)}.")
    for name in (*told.units, *told.positive):
        if name not in recorded and name not in export.samples:
            raise CannotPropose(f"{name} is neither a channel nor a column of the export.")


def _said(told: Mapping[str, str], channel: str, column: str) -> str | None:
    return told.get(channel) or told.get(column)


def _with_unit(
    channel: str, heading: NamedColumn, sure: str, told: SaidOfExport
) -> ProposedChannel:
    """A channel with the unit that a person or the file says."""
    column, unit, word = heading.column, heading.unit, heading.word
    kind = contract.SIGNALS[channel].kind
    positive: Positive = "inspiration" if channel == FLOW else "above"
    proposed = ProposedChannel(channel, column, sure, "", NOT_KNOWN, positive, NOT_KNOWN)
    if kind == "monitor":
        own = contract.SIGNALS[channel].unit
        return replace(
            proposed, unit=own, unit_sure=IN_FILE if unit else BY_SIZE, sign_sure=IN_FILE
        )
    if (said := _said(told.units, channel, column)) is not None:
        code = any_unit_of_word(said) or said
        factor(code, contract.SIGNALS[channel].unit)
        return replace(proposed, unit=code, unit_sure=TOLD)
    if unit and kind_of_unit(unit) == kind:
        return replace(proposed, unit=unit, unit_sure=IN_FILE)
    hint = f'its heading says "{word}", which is no unit of {kind}' if word else ""
    return replace(proposed, hint=hint)


def _sized(
    channel: ProposedChannel, all_: Sequence[ProposedChannel], export: Export, told: SaidOfExport
) -> ProposedChannel:
    """A channel with the unit that its size tells, where nothing else does."""
    if channel.unit:
        return channel
    flow = next(export.samples[c.column] for c in all_ if c.channel == FLOW)
    if channel.channel == FLOW:
        units = units_of_flow(flow, export.rate_hz, told.weight_kg)
    else:
        units = _units_of_pressure(channel.channel, export.samples[channel.column], flow)
    if len(units) == 1:
        return replace(channel, unit=units[0], unit_sure=BY_SIZE)
    return channel


def units_of_flow(flow: FloatArray, rate_hz: float, weight_kg: float) -> list[str]:
    """Return the units in which the breaths of raw flow (n,) are those of an infant.

    Without a weight, those of any infant whose weight a study may hold.
    """
    volume = raw_tidal_volume(flow, rate_hz)
    low, high = possible_volume_ml(weight_kg)
    return [
        unit
        for unit in FAMILIES["flow"]
        if low <= volume * factor(unit, contract.SIGNALS[FLOW].unit) <= high
    ]


def possible_volume_ml(weight_kg: float) -> tuple[float, float]:
    """Return the tidal volumes that are possible at a weight, or at any weight of an infant."""
    rule = contract.RULES[_RULE_OF_VOLUME]
    weight = next(c for c in contract.TABLES["delivery_sessions"].columns if c.name == "weight_kg")
    lightest, heaviest = (weight_kg, weight_kg) if weight_kg > 0 else (weight.low, weight.high)
    return (rule.low or 0.0) * (lightest or 0.0), (rule.high or np.inf) * (heaviest or np.inf)


def raw_tidal_volume(flow: FloatArray, rate_hz: float) -> float:
    """Median volume of the breaths of raw flow (n,), in the unit of flow times s; NaN without."""
    flow = np.nan_to_num(flow)
    volume = integrate(flow, rate_hz)
    breaths = find_breaths(flow, volume, rate_hz)
    return median(np.abs(volume[breaths.turn] - volume[breaths.start]))


def _units_of_pressure(channel: str, pressure: FloatArray, flow: FloatArray) -> list[str]:
    """Return the units in which the highest raw pressure (n,) is a usual one."""
    usual = _USUAL_KPA.get(channel)
    rest = float(np.nanmedian(pressure))
    away = np.abs(np.nan_to_num(pressure - rest))
    highest = percentile(away, 99.5)
    if usual is None or not highest > 0.0:
        return []
    pressed = away > _PRESSED_SHARE * highest
    moving = percentile(np.abs(np.nan_to_num(flow)), 75.0)
    if channel == "airway_pressure" and not median(np.abs(flow[pressed])) < _STILL_SHARE * moving:
        return []  # the airway was never closed: its pressure is that of the apparatus
    low, high = usual
    return [u for u in FAMILIES["pressure"] if low <= highest * factor(u, "kPa") <= high]


def _ask_unit(channel: ProposedChannel, export: Export, told: SaidOfExport) -> str:
    flow = export.samples[channel.column]
    volume = raw_tidal_volume(flow, export.rate_hz)
    named = ", ".join(
        f"{unit} (VT {volume * factor(unit, 'mL/s'):.3g} mL)" for unit in FAMILIES["flow"]
    )
    more = "" if told.weight_kg > 0 else " The weight of the infant may tell: --weight-kg."
    return (
        f"The unit of flow (column {channel.column}) does not stand in the file, and its size "
        f"does not tell it: {named}. Say it: --unit flow=mL/s.{more}"
    )


def _entry(
    export: Export,
    channels: Sequence[ProposedChannel],
    told: SaidOfExport,
    *,
    device: str,
    centre: str,
    like: Device | None,
) -> Device:
    gas_state: GasState = told.gas_state or (like.gas_state if like else "measured")
    equipment_class = told.equipment_class or (like.equipment_class if like else "not told")
    entry = Device(
        device=device,
        centre=centre,
        equipment_class=equipment_class,
        file_format=export.file_format,
        rate_hz=export.rate_hz,
        time_column=export.time_column,
        time_format=export.time_format,
        gas_state=gas_state,
        channels=_maps(channels),
        valid_from=date.today(),
        ignored_columns=tuple(column for column, _ in _unread(export, channels) if column),
        **export.layout,
    )
    if like is None:
        return entry
    return replace(
        entry,
        expired_temperature_c=like.expired_temperature_c,
        expired_humidity_pct=like.expired_humidity_pct,
        box_volume_l=like.box_volume_l,
        box_calibrated_empty=like.box_calibrated_empty,
        file_names=like.file_names,
    )


def _maps(channels: Sequence[ProposedChannel]) -> tuple[ChannelMap, ...]:
    return tuple(
        ChannelMap(c.channel, c.column, c.unit, 1.0, 0.0, c.positive) for c in channels if c.unit
    )


def _signed(
    export: Export, entry: Device, channels: Sequence[ProposedChannel], told: SaidOfExport
) -> tuple[list[ProposedChannel], Device, Recording, list[str]]:
    """Tell the signs of the channels; returns them, the entry and the recording by them, asks."""
    recording = recording_of(export, entry)
    signs = signs_of(recording)
    signed = [_with_sign(c, signs, told) for c in channels]
    entry = replace(entry, channels=_maps(signed))
    asks = [
        " ".join(
            (
                "Nothing in the recording tells in which direction flow runs.",
                *([signs.hint] if signs.hint else []),
                "A recording with an occlusion may tell it. Or say it: --positive flow=inspiration "
                "or --positive flow=expiration.",
            )
        )
        for c in signed
        if c.channel == FLOW and c.sign_sure == NOT_KNOWN
    ]
    return signed, entry, recording_of(export, entry), asks


def _with_sign(channel: ProposedChannel, signs: Signs, told: SaidOfExport) -> ProposedChannel:
    said = _said(told.positive, channel.channel, channel.column)
    words = ("inspiration", "expiration") if channel.channel == FLOW else ("above", "below")
    if said is not None:
        if said not in words:
            raise CannotPropose(f"--positive {channel.channel} is {' or '.join(words)}.")
        return replace(channel, positive=said, sign_sure=TOLD)  # type: ignore[arg-type]
    if channel.channel not in signs.turned:
        return channel
    is_turned, sure = signs.turned[channel.channel]
    return replace(channel, positive=words[is_turned], sign_sure=sure)  # type: ignore[arg-type]


def recording_of(export: Export, entry: Device) -> Recording:
    """Return the signals of an export as a tidal recording, by an entry."""
    n = next(iter(export.samples.values())).size
    raw = RawSignal(np.arange(n) / export.rate_hz, dict(export.samples))
    return assemble(
        calibrate(raw, entry, (FLOW,)),
        name=export.path.name,
        technique="tidal",
        device=entry,
        context={**ROOM, "weight_kg": float("nan")},
    )


def _unread(export: Export, channels: Sequence[ProposedChannel]) -> tuple[tuple[str, str], ...]:
    """Columns that are not read, each with the reason."""
    read = {c.column for c in channels if c.unit}
    reasons = []
    for column in export.columns:
        if column.column in read or not column.column:
            continue
        if column.column in export.unread:
            is_edf = export.file_format == "edf"
            why = "it has another rate" if is_edf else "it holds no numbers"
        elif column.channel == FOLLOWS or kind_of_unit(column.unit) == "volume":
            why = "volume is computed from flow"
        elif column.channel in contract.SIGNALS:
            why = "its unit is not known: say it with --unit"
        else:
            why = "its name tells no channel"
        reasons.append((column.column, why))
    return tuple(reasons)
