"""A study folder: its centres, devices, export maps, changes of limits, confirmations, waivers.

Everything here is written by the coordinating centre, so a mistake stops the night with one plain
sentence (`StudyError`). What centres deliver is read by `quietsleep.intake`, which never raises.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Literal, Self

from pydantic import model_validator
from pydantic.dataclasses import dataclass as model

from quietsleep import contract
from quietsleep.contract import toml
from quietsleep.contract.model import Limit, Rule, limit_refusal
from quietsleep.contract.toml import CONFIG, Code, Day, Entry, Text
from quietsleep.errors import ContractError, StudyError
from quietsleep.study.devices import Centre, ChannelMap, Device, read_centre
from quietsleep.study.dialect import TableDialect
from quietsleep.study.door_limits import DoorLimits
from quietsleep.study.schedule import Schedule
from quietsleep.study.storage import Cluster, Storage, StorageSettings, storage_of
from quietsleep.study.telling import Telling, Timetable
from quietsleep.study.upload_limits import UploadLimits

__all__ = [
    "Centre",
    "ChannelMap",
    "Confirmation",
    "Device",
    "LimitChange",
    "StorageSettings",
    "Study",
    "StudyError",
    "Waiver",
    "check_units",
    "load_study",
    "remember_centres",
]

ItemKind = Literal["trial", "test", "check", "session"]


# How items are called whose codes may come again in another session or on another day.
WHOLE_NAMES = {"trial": "session/recording#number", "check": "device/day/code"}
# What a file of an earlier form is called now; left where it is, it would silently not count.
RENAMED = {"decisions.toml": "limits.toml"}
# The database would open another file, or none, in a folder whose path holds one of these.
NOT_IN_PATHS = frozenset("\\?")


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


@model(frozen=True, slots=True, config=CONFIG)
class Confirmation:
    """A limit that somebody of the coordinating centre compared with a printed standard.

    It holds for this limit and no other: where the contract changes it, it has to be confirmed
    again. `rule` may be ``*.name`` for a rule that every technique has.
    """

    rule: Text
    limit: Limit
    by: Code
    on: Day
    printed_in: Text
    note: str = ""

    def holds_for(self, rule: Rule) -> bool:
        """Say whether it confirms a rule with the limit that the rule has."""
        every = self.rule.startswith("*.") and rule.owner in contract.TECHNIQUES
        named = self.rule == (f"*.{rule.name}" if every else rule.key)
        return named and self.limit == rule.limit


@model(frozen=True, slots=True, config=CONFIG)
class Privacy:
    """The table [privacy] of study.toml: whether days leave the study, which has to be signed."""

    dates: Literal["quarter", "exact"] = "quarter"
    reason: Text | None = None
    signed_by: Code | None = None
    signed_on: Day | None = None

    @model_validator(mode="after")
    def _signed(self) -> Self:
        if self.dates == "exact" and None in (self.reason, self.signed_by, self.signed_on):
            raise ValueError(
                'dates = "exact" lets dates of birth follow from every release; it needs reason, '
                "signed_by and signed_on."
            )
        return self


@dataclass(frozen=True, slots=True)
class Study:
    """A study as its folder describes it; `contract` is the version that it began under.

    `devices` are the newest entries of all devices. `vanished` are centres whose file is gone
    although they were never retired: they stand as the last night knew them. `due` is the cron
    schedule of its nights, empty where it has none.
    """

    path: Path
    name: str
    title: str
    centres: Mapping[str, Centre]
    limit_changes: tuple[LimitChange, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    reference_files: tuple[Path, ...] = ()
    devices: Mapping[str, Device] = field(default_factory=dict)
    storage: StorageSettings = field(default_factory=StorageSettings)
    confirmations: tuple[Confirmation, ...] = ()
    contract: str = contract.CONTRACT_VERSION
    schedule: Schedule | None = None
    tables: TableDialect | None = None
    vanished: tuple[str, ...] = ()
    register_key: str = ""
    upload_limits: UploadLimits = field(default_factory=UploadLimits)
    door_limits: DoorLimits = field(default_factory=DoorLimits)
    tell: Telling | None = None
    due: str = ""
    privacy: Privacy = field(default_factory=Privacy)

    @property
    def renamed(self) -> dict[str, str]:
        """Codes that centres had before, each with the code that its centre has now."""
        return {old: c.centre for c in self.centres.values() for old in c.was}

    def code_now(self, centre: str) -> str:
        """Return the code that a centre has now, by this one or one that it had before."""
        return self.renamed.get(centre, centre)

    def device_on(self, code: str, day: date | None) -> Device | None:
        """Return the entry of a device in force on a local day; None where there is none."""
        known = self.devices.get(code)
        return None if known is None else self.centres[known.centre].device_on(code, day)

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
class StudyFile:
    """What study.toml may say; `seed` and `demo` are read by who wrote an invented study."""

    study: Code
    title: Text
    contract: Text
    seed: object = None
    demo: object = None
    storage: Storage | None = None
    cluster: Cluster | None = None
    schedule: Schedule | None = None
    tables: TableDialect | None = None
    register: RegisterTable | None = None
    desk: UploadLimits | None = None
    door: DoorLimits | None = None
    tell: Telling | None = None
    nightly: Timetable | None = None
    privacy: Privacy | None = None


def load_study(path: Path) -> Study:
    """Read a study folder; raises StudyError with a plain sentence when it cannot stand."""
    if not (path / "study.toml").is_file():
        raise StudyError(f"{path.name or path} holds no study.toml, so it is not a study folder.")
    if odd := sorted(NOT_IN_PATHS & set(str(path.resolve()))):
        raise StudyError(
            f"The path of the study holds {' and '.join(odd)}, which a database takes for "
            f"something else: move or rename the folder {path.resolve()}."
        )
    entry = toml.read(path, "study.toml", StudyError)
    if "places" in entry.table:
        entry.refuse("[places] is called [storage] now; rename it.")
    said, known = entry.build(StudyFile), contract.READABLE_VERSIONS
    if said.contract not in known:
        listed = " and ".join(f'"{version}"' for version in known)
        entry.refuse(f'contract is "{said.contract}"; this program knows {listed}.')
    for old, new in RENAMED.items():
        if (path / old).exists():
            raise StudyError(
                f"{old}: this file is called {new} now; rename it, so that what it says counts."
            )
    centres, vanished = _centres(path)
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
        confirmations=_confirmations(path),
        contract=said.contract,
        schedule=said.schedule,
        tables=said.tables,
        vanished=vanished,
        register_key=said.register.key if said.register else "",
        upload_limits=said.desk or UploadLimits(),
        door_limits=said.door or DoorLimits(),
        tell=_told_centres(entry, said.tell, centres),
        due=said.nightly.every if said.nightly else "",
        privacy=said.privacy or Privacy(),
    )


def _told_centres(
    entry: Entry, tell: Telling | None, centres: Mapping[str, Centre]
) -> Telling | None:
    """Refuse mailboxes of a centre that the study does not know: nobody would ever be told."""
    if tell is not None and tell.mail is not None:
        for code in tell.mail.centres:
            if code not in centres:
                entry.refuse_unknown("[tell.mail.centres]: centre", code, centres)
    return tell


def _list_file(folder: Path, table: str) -> list[Entry]:
    """Entries of an optional file that holds one list of tables and is named by it."""
    if not (folder / f"{table}.toml").exists():
        return []
    whole = toml.read(folder, f"{table}.toml", StudyError)
    entries = whole.entries(table)
    for key in whole.table:
        whole.refuse_unknown("a table", key, [table])
    return entries


# Copies of the centre files as nights last read them, below the folder of a study.
REMEMBERED = "work/centres"


def remember_centres(study: Study) -> None:
    """Keep a copy of each centre file, so that one that vanishes takes nothing with it."""
    folder = study.path / REMEMBERED
    folder.mkdir(parents=True, exist_ok=True)
    for centre in study.centres:
        file = study.path / "centres" / f"{centre}.toml"
        copy = folder / file.name
        if file.is_file() and not (copy.is_file() and copy.read_bytes() == file.read_bytes()):
            fresh = copy.with_suffix(".new")
            fresh.write_bytes(file.read_bytes())
            fresh.replace(copy)
    for old in study.renamed:
        (folder / f"{old}.toml").unlink(missing_ok=True)


def _centres(path: Path) -> tuple[dict[str, Centre], tuple[str, ...]]:
    """Read all centre files, and those that vanished as they were; returns the codes of these."""
    files = sorted(file.name for file in (path / "centres").glob("*.toml"))
    if not files:
        raise StudyError("centres/ holds no .toml file; a study needs at least one centre.")
    centres: dict[str, Centre] = {}
    owner: dict[str, Centre] = {}
    for name in files:
        _add_centre(toml.read(path, f"centres/{name}", StudyError), centres, owner)
    _refuse_old_codes(centres)
    kept = sorted(file.name for file in (path / REMEMBERED).glob("*.toml"))
    before = {old for centre in centres.values() for old in centre.was}
    gone = [n for n in kept if n not in files and n.removesuffix(".toml") not in before]
    for name in gone:
        _add_centre(toml.read(path, f"{REMEMBERED}/{name}", StudyError), centres, owner)
    return dict(sorted(centres.items())), tuple(name.removesuffix(".toml") for name in gone)


def _add_centre(entry: Entry, centres: dict[str, Centre], owner: dict[str, Centre]) -> None:
    centre = read_centre(entry, Path(entry.place).stem)
    for device in centre.devices:
        if device in owner:
            entry.refuse(
                f"device {device} is registered at {owner[device].centre} too; give each device "
                "of the study its own code."
            )
        owner[device] = centre
    centres[centre.centre] = centre


def _refuse_old_codes(centres: Mapping[str, Centre]) -> None:
    """Refuse a code that one centre had before and that another has, or had as well."""
    had: dict[str, str] = {}
    for centre in centres.values():
        for old in centre.was:
            place = f"centres/{centre.centre}.toml"
            if old in centres:
                raise StudyError(
                    f"{place}: was names {old}, but centres/{old}.toml is there too; one code is "
                    "one centre, so take that file away or take the code out of was."
                )
            if old in had:
                raise StudyError(f"{place}: was names {old}, and so does that of {had[old]}.")
            had[old] = centre.centre


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


def _confirmations(path: Path) -> tuple[Confirmation, ...]:
    found = tuple(_confirmation(entry) for entry in _list_file(path, "confirmations"))
    named = (f"{c.rule}, limit {toml.shown(c.limit)}," for c in found)
    if (twice := toml.first_twice(named)) is not None:
        raise StudyError(f"confirmations.toml: {twice} is confirmed twice.")
    return found


def _confirmation(entry: Entry) -> Confirmation:
    confirmation = entry.build(Confirmation)
    owner, _, name = confirmation.rule.partition(".")
    for key in contract.TECHNIQUES if owner == "*" else (owner,):
        rule = _rule_of(entry, f"{key}.{name}")
        if refusal := limit_refusal(rule.operator, confirmation.limit):
            entry.refuse(refusal)
    return confirmation


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
    renamed = {old: c.centre for c in centres.values() for old in c.was}
    waiver = replace(waiver, centre=renamed.get(waiver.centre, waiver.centre))
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
    from quietsleep.contract.unit_words import unit_of_word
    from quietsleep.contract.units import factor

    earlier = (d for centre in study.centres.values() for d in centre.earlier_devices)
    for device in (*study.devices.values(), *earlier):
        for mapped in device.channels:
            try:
                factor(mapped.unit, contract.SIGNALS[mapped.channel].unit)
            except ContractError as error:
                meant = unit_of_word(mapped.unit)
                hint = f" Write {meant} for it." if meant not in (None, mapped.unit) else ""
                raise StudyError(
                    f"centres/{device.centre}.toml (device {device.device}, channel "
                    f"{mapped.channel}): {str(error).removesuffix('.')}.{hint}"
                ) from None
