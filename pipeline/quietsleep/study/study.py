"""A study folder: its centres, devices, export maps, signed changes of limits and waivers.

Everything here is written by the coordinating centre, so a mistake stops the night with one plain
sentence (`StudyError`). What centres deliver is read by `quietsleep.intake`, which never raises.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal, cast

from quietsleep import contract
from quietsleep.contract.model import Rule
from quietsleep.study.devices import CHANNEL_UNITS, Centre, ChannelMap, Device, read_centre
from quietsleep.study.entry import CODE, Entry, StudyError
from quietsleep.study.storage import StorageSettings, read_storage

__all__ = [
    "Centre",
    "ChannelMap",
    "Device",
    "LimitChange",
    "StorageSettings",
    "Study",
    "StudyError",
    "Waiver",
    "check_units",
    "load_study",
]

ItemKind = Literal["trial", "test", "check", "session"]


@dataclass(frozen=True, slots=True)
class LimitChange:
    """A limit that the study changed, dated and signed; two numbers where the rule says between."""

    rule: str
    limit: tuple[float, ...]
    valid_from: date
    reason: str
    signed_by: str
    signed_on: date


@dataclass(frozen=True, slots=True)
class Waiver:
    """A signed exception: one rule does not count against one item."""

    waiver: str
    centre: str
    item_kind: ItemKind
    item: str
    rule: str
    reason: str
    signed_by: str
    signed_on: date


@dataclass(frozen=True, slots=True)
class Study:
    """A study as its folder describes it."""

    path: Path
    name: str
    title: str
    centres: Mapping[str, Centre]
    limit_changes: tuple[LimitChange, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    reference_files: tuple[Path, ...] = ()
    devices: Mapping[str, Device] = field(default_factory=dict)
    storage: StorageSettings = field(default_factory=StorageSettings)

    @property
    def deliveries_path(self) -> Path:
        """Folder with one folder a centre, each with its deliveries; `storage` may name another."""
        return self.path / "deliveries"

    @property
    def work_path(self) -> Path:
        """Folder that belongs to the nights: state, lock, unpacked archives."""
        return self.path / "work"


def load_study(path: Path) -> Study:
    """Read a study folder; raises StudyError with a plain sentence when it cannot stand."""
    if not (path / "study.toml").is_file():
        raise StudyError(f"{path.name or path} holds no study.toml, so it is not a study folder.")
    entry = _read_toml(path, "study.toml")
    name, title = entry.text("study", pattern=CODE), entry.text("title")
    version, known = entry.text("contract"), contract.CONTRACT_VERSION
    if version != known:
        raise StudyError(f'study.toml: contract is "{version}"; this program knows "{known}".')
    entry.allow("seed", "demo")
    storage = read_storage(entry)
    entry.finish()
    centres = _centres(path)
    return Study(
        path=path,
        name=name,
        title=title,
        centres=centres,
        limit_changes=tuple(_limit_change(e) for e in _list_file(path, "limits.toml", "limits")),
        waivers=_waivers(path, centres),
        reference_files=tuple(sorted((path / "references").glob("*.toml"))),
        devices={key: d for c in centres.values() for key, d in c.devices.items()},
        storage=storage,
    )


def _read_toml(folder: Path, name: str) -> Entry:
    try:
        return Entry(tomllib.loads((folder / name).read_text(encoding="utf-8-sig")), name)
    except UnicodeDecodeError:
        raise StudyError(f"{name}: the file is not UTF-8 text; save it as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise StudyError(f"{name}: the file is not valid TOML: {error}.") from None
    except OSError as error:
        raise StudyError(f"{name}: the file cannot be read ({error.strerror}).") from None


def _list_file(folder: Path, name: str, table: str) -> list[Entry]:
    """Entries of an optional file that holds one list of tables."""
    if not (folder / name).exists():
        return []
    whole = _read_toml(folder, name)
    entries = whole.entries(table)
    whole.finish()
    return entries


def _centres(path: Path) -> dict[str, Centre]:
    files = sorted((path / "centres").glob("*.toml"))
    if not files:
        raise StudyError("centres/ holds no .toml file; a study needs at least one centre.")
    centres: dict[str, Centre] = {}
    owner: dict[str, str] = {}
    for file in files:
        centre = read_centre(_read_toml(path, f"centres/{file.name}"), file.stem)
        for device in centre.devices:
            if device in owner:
                raise StudyError(
                    f"centres/{file.name}: device {device} is registered at {owner[device]} too; "
                    "give each device of the study its own code."
                )
            owner[device] = centre.centre
        centres[centre.centre] = centre
    return centres


def _known_rule(entry: Entry) -> Rule:
    rules: Mapping[str, Rule] = contract.RULES
    return rules[entry.text("rule", choices=tuple(rules))]


def _limit_change(entry: Entry) -> LimitChange:
    rule = _known_rule(entry)
    entry.place = f"{entry.place} (rule {rule.key})"
    change = LimitChange(
        rule=rule.key,
        limit=entry.limit("limit", count=2 if rule.operator == "between" else 1),
        valid_from=entry.day("valid_from"),
        reason=entry.text("reason"),
        signed_by=entry.text("signed_by", pattern=CODE),
        signed_on=entry.day("signed_on"),
    )
    entry.finish()
    return change


def _waivers(path: Path, centres: Mapping[str, Centre]) -> tuple[Waiver, ...]:
    waivers: dict[str, Waiver] = {}
    for entry in _list_file(path, "waivers.toml", "waivers"):
        waiver = _waiver(entry, centres)
        if waiver.waiver in waivers:
            raise StudyError(f"waivers.toml: waiver {waiver.waiver} is given twice.")
        waivers[waiver.waiver] = waiver
    return tuple(waivers.values())


def _waiver(entry: Entry, centres: Mapping[str, Centre]) -> Waiver:
    code = entry.text("waiver", pattern=CODE)
    entry.place = f"{entry.place} (waiver {code})"
    kinds = ("trial", "test", "check", "session")
    rule = _known_rule(entry)
    waiver = Waiver(
        waiver=code,
        centre=entry.text("centre", choices=tuple(centres)),
        item_kind=cast(ItemKind, entry.text("item_kind", choices=kinds)),
        item=entry.text("item"),
        rule=rule.key,
        reason=entry.text("reason"),
        signed_by=entry.text("signed_by", pattern=CODE),
        signed_on=entry.day("signed_on"),
    )
    entry.finish()
    if waiver.item_kind != rule.level:
        raise StudyError(
            f"{entry.place}: rule {rule.key} judges a {rule.level}, not a {waiver.item_kind}."
        )
    return waiver


def check_units(study: Study) -> None:
    """Raise StudyError for a channel whose unit is unknown or of the wrong dimension.

    Reading the UCUM grammar takes most of a second, so `load_study` leaves this to the night.
    """
    from quietsleep.contract.units import factor

    for device in study.devices.values():
        for mapped in device.channels:
            try:
                factor(mapped.unit, CHANNEL_UNITS[mapped.channel])
            except contract.ContractError as error:
                raise StudyError(
                    f"centres/{device.centre}.toml (device {device.device}, channel "
                    f"{mapped.channel}): {error}."
                ) from None
