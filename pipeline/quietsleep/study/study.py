"""A study folder: its centres, devices, export maps, signed changes of limits and waivers.

Everything here is written by the coordinating centre, so a mistake stops the night with one plain
sentence (`StudyError`). What centres deliver is read by `quietsleep.intake`, which never raises.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pydantic.dataclasses import dataclass as model

from quietsleep import contract
from quietsleep.contract import toml
from quietsleep.contract.model import Limit, Rule, limit_refusal
from quietsleep.contract.toml import CONFIG, Code, Day, Entry, Text
from quietsleep.errors import ContractError, StudyError
from quietsleep.study.devices import Centre, ChannelMap, Device, read_centre
from quietsleep.study.storage import Cluster, Storage, StorageSettings, storage_of

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


# How items are called whose codes may come again in another session or on another day.
WHOLE_NAMES = {"trial": "session/recording#number", "check": "device/day/code"}
# What a file of an earlier form is called now; left where it is, it would silently not count.
RENAMED = {"decisions.toml": "limits.toml"}


@model(frozen=True, slots=True, config=CONFIG)
class LimitChange:
    """A limit that the study changed, dated and signed; two numbers where the rule says between."""

    rule: str
    limit: Limit
    valid_from: Day
    reason: Text
    signed_by: Code
    signed_on: Day


@model(frozen=True, slots=True, config=CONFIG)
class Waiver:
    """A signed exception: one rule does not count against one item.

    In waivers.toml a waiver and who signed it are plain codes. One that readers' decisions make
    names the decision and the rule, and all readers.
    """

    waiver: Text
    centre: str
    item_kind: ItemKind
    item: Text
    rule: str
    reason: Text
    signed_by: Text
    signed_on: Day


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
    register_key: str = ""

    @property
    def deliveries_path(self) -> Path:
        """Folder with one folder a centre, each with its deliveries; `storage` may name another."""
        return self.path / "deliveries"

    @property
    def work_path(self) -> Path:
        """Folder that belongs to the nights: state, lock, unpacked archives."""
        return self.path / "work"


@model(frozen=True, slots=True, config=CONFIG)
class RegisterTable:
    """The table [register] of study.toml: where the key of the study register lies."""

    key: Text


@model(frozen=True, slots=True, config=CONFIG)
class _StudyFile:
    """What study.toml may say; `seed` and `demo` are read by who wrote an invented study."""

    study: Code
    title: Text
    contract: Text
    seed: object = None
    demo: object = None
    storage: Storage | None = None
    cluster: Cluster | None = None
    register: RegisterTable | None = None


def load_study(path: Path) -> Study:
    """Read a study folder; raises StudyError with a plain sentence when it cannot stand."""
    if not (path / "study.toml").is_file():
        raise StudyError(f"{path.name or path} holds no study.toml, so it is not a study folder.")
    entry = toml.read(path, "study.toml", StudyError)
    if "places" in entry.table:
        entry.refuse("[places] is called [storage] now; rename it.")
    said, known = entry.build(_StudyFile), contract.CONTRACT_VERSIONS_READ
    if said.contract not in known:
        entry.refuse_unknown("contract", said.contract, known)
    for old, new in RENAMED.items():
        if (path / old).exists():
            raise StudyError(
                f"{old}: this file is called {new} now; rename it, so that what it says counts."
            )
    centres = _centres(path)
    return Study(
        path=path,
        name=said.study,
        title=said.title,
        centres=centres,
        limit_changes=tuple(_limit_change(e) for e in _list_file(path, "limits")),
        waivers=_waivers(path, centres),
        reference_files=tuple(sorted((path / "references").glob("*.toml"))),
        devices={key: d for c in centres.values() for key, d in c.devices.items()},
        storage=storage_of(said.storage, said.cluster),
        register_key=said.register.key if said.register else "",
    )


def _list_file(folder: Path, table: str) -> list[Entry]:
    """Entries of an optional file that holds one list of tables and is named by it."""
    if not (folder / f"{table}.toml").exists():
        return []
    whole = toml.read(folder, f"{table}.toml", StudyError)
    entries = whole.entries(table)
    for key in whole.table:
        whole.refuse_unknown("a table", key, [table])
    return entries


def _centres(path: Path) -> dict[str, Centre]:
    files = sorted((path / "centres").glob("*.toml"))
    if not files:
        raise StudyError("centres/ holds no .toml file; a study needs at least one centre.")
    centres: dict[str, Centre] = {}
    owner: dict[str, str] = {}
    for file in files:
        entry = toml.read(path, f"centres/{file.name}", StudyError)
        centre = read_centre(entry, file.stem)
        for device in centre.devices:
            if device in owner:
                entry.refuse(
                    f"device {device} is registered at {owner[device]} too; give each device of "
                    "the study its own code."
                )
            owner[device] = centre.centre
        centres[centre.centre] = centre
    return centres


def _rule_of(entry: Entry, key: str) -> Rule:
    rules: Mapping[str, Rule] = contract.RULES
    if key not in rules:
        entry.refuse_unknown("rule", key, rules)
    return rules[key]


def _limit_change(entry: Entry) -> LimitChange:
    change = entry.build(LimitChange)
    if refusal := limit_refusal(_rule_of(entry, change.rule).operator, change.limit):
        entry.refuse(refusal)
    return change


def _waivers(path: Path, centres: Mapping[str, Centre]) -> tuple[Waiver, ...]:
    waivers = tuple(_waiver(entry, centres) for entry in _list_file(path, "waivers"))
    if (twice := toml.first_twice(w.waiver for w in waivers)) is not None:
        raise StudyError(f"waivers.toml: waiver {twice} is given twice.")
    return waivers


def _waiver(entry: Entry, centres: Mapping[str, Centre]) -> Waiver:
    waiver = entry.build(Waiver)
    entry.refuse_other_than_code("waiver")
    entry.refuse_other_than_code("signed_by")
    rule = _rule_of(entry, waiver.rule)
    if waiver.centre not in centres:
        entry.refuse_unknown("centre", waiver.centre, centres)
    whole = WHOLE_NAMES.get(waiver.item_kind)
    if whole and "/" not in waiver.item:
        entry.refuse(
            f"item is {waiver.item}; a {waiver.item_kind} is called {whole}, for a code may come "
            "again. The pages name it so."
        )
    if waiver.item_kind != rule.level:
        entry.refuse(f"rule {rule.key} judges a {rule.level}, not a {waiver.item_kind}.")
    return waiver


def check_units(study: Study) -> None:
    """Raise StudyError for a channel whose unit is unknown or of the wrong dimension.

    Reading the UCUM grammar takes most of a second, so `load_study` leaves this to the night.
    """
    from quietsleep.contract.units import factor

    for device in study.devices.values():
        for mapped in device.channels:
            try:
                factor(mapped.unit, contract.SIGNALS[mapped.channel].unit)
            except ContractError as error:
                raise StudyError(
                    f"centres/{device.centre}.toml (device {device.device}, channel "
                    f"{mapped.channel}): {error}."
                ) from None
