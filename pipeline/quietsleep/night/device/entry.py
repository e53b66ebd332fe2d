"""The entry of a device as it stands in a centre file, and adding it there.

Nothing that stands in the file is changed: the entry is put below, and the file is read as a night
reads it before it takes the place of the old one.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

from quietsleep.contract.toml import Entry
from quietsleep.errors import StudyError
from quietsleep.night.device.propose import Proposal
from quietsleep.study.devices import Device, read_centre
from quietsleep.study.study import Study, load_study

# In the order of a centre file; what is as it would be without it is left out.
_ALWAYS = ("device", "equipment_class", "file_format", "rate_hz", "time_column",
           "gas_state")  # fmt: skip
_OPTIONAL = ("valid_from", "time_format", "csv_delimiter", "csv_decimal", "csv_encoding",
             "csv_skip_lines", "csv_units_row", "file_names", "ignored_columns",
             "expired_temperature_c", "expired_humidity_pct", "box_volume_l",
             "box_calibrated_empty")  # fmt: skip
_WIDE = 40


def entry_text(proposal: Proposal, device: Device) -> str:
    """Return an entry as TOML, with a remark beside what nothing in the export tells."""
    order = ("device", "valid_from", *_ALWAYS[1:], *_OPTIONAL[1:])
    said = {name: getattr(device, name) for name in order}
    defaults = {f.name: f.default for f in fields(Device)}
    remarks = {
        "gas_state": 'or "btps": ask' if device.gas_state == "measured" else "",
        "equipment_class": "say which: norms go by it"
        if device.equipment_class == "not told"
        else "",
    }
    lines = ["[[devices]]"]
    lines += [
        _line(name, value, remarks.get(name, ""))
        for name, value in said.items()
        if value is not None and (name in _ALWAYS or value != defaults[name])
    ]
    lines += _channel_lines(proposal, device)
    return "\n".join(lines) + "\n"


def _channel_lines(proposal: Proposal, device: Device) -> Iterator[str]:
    for mapped in device.channels:
        proposed = proposal.channel(mapped.channel)
        yield ""
        yield "[[devices.channels]]"
        yield _line("channel", mapped.channel)
        yield _line("column", mapped.column)
        yield _line("unit", mapped.unit, proposed.unit_sure if proposed else "")
        yield _line("gain", mapped.gain)
        yield _line("offset", mapped.offset)
        yield _line("positive", mapped.positive, proposed.sign_sure if proposed else "")


def _line(key: str, value: object, remark: str = "") -> str:
    text = f"{key} = {toml_value(value)}"
    return f"{text.ljust(_WIDE)} # {remark}" if remark else text


def toml_value(value: object) -> str:
    """Return a value as TOML writes it; texts with any character in them."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        escaped = "".join(_escaped(c) for c in value)
        return f'"{escaped}"'
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, float):
        return str(int(value)) if value == int(value) else repr(value)
    return str(value)


def _escaped(c: str) -> str:
    if c in {'"', "\\"}:
        return f"\\{c}"
    named: Mapping[str, str] = {"\t": "\\t", "\n": "\\n", "\r": "\\r"}
    if c in named:
        return named[c]
    return c if c.isprintable() else f"\\u{ord(c):04x}"


def dated(device: Device, valid_from: date) -> Device:
    """Return an entry that holds from a day on."""
    return replace(device, valid_from=valid_from)


def add_entry(study: Study, centre: str, text: str) -> Path:
    """Put an entry below what stands in a centre's file; return the file.

    StudyError, and nothing is changed, where the study could not be read with it.
    """
    file = study.path / "centres" / f"{centre}.toml"
    try:
        before = file.read_bytes()
    except OSError as error:
        raise StudyError(f"centres/{centre}.toml cannot be read: {error.strerror}.") from None
    end = b"" if before.endswith(b"\n") or not before else b"\n"
    line_end = b"\r\n" if b"\r\n" in before else b"\n"
    after = before + (end + b"\n" + text.encode("utf-8")).replace(b"\n", line_end)
    try:
        table = tomllib.loads(after.decode("utf-8-sig"))
    except (UnicodeDecodeError, ValueError) as error:
        raise StudyError(
            f"centres/{centre}.toml cannot be read with the new entry: {error}."
        ) from None
    read_centre(Entry(table, f"centres/{centre}.toml", StudyError), centre)
    fresh = file.with_name(f".{file.name}.new")
    fresh.write_bytes(after)
    fresh.replace(file)
    try:
        load_study(study.path)
    except StudyError:
        fresh.write_bytes(before)
        fresh.replace(file)
        raise
    return file
