"""Find the deliveries of a centre: folders and archives, arrived or still arriving.

Only names, sizes and times are looked at, so an idle night costs a fraction of a second.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from quietsleep.intake.identifiers import BIRTH_DATE, value_identifies
from quietsleep.intake.reference import DeliveryReference, study_words
from quietsleep.intake.store import Address
from quietsleep.records import Problem
from quietsleep.study.study import Study

MANIFEST = "delivery.json"
MOST_FILES = 50_000
MOST_LEVELS = 4
DELIVERY_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,79}")
CLOSED = "folder_not_opened"
# What the templates of tables come with: it says what each column holds.
COLUMNS_EXPLAINED = "columns.csv"
# What file managers leave behind, or people; it is no part of any delivery.
LEFT_BEHIND = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", "__MACOSX", COLUMNS_EXPLAINED})
# What office programs put beside a file while it is open: in it stands who has opened it.
_LOCKED_BY = re.compile(r"~\$.+|\.~lock\..+#|~.+\.tmp", re.I | re.S)


def is_left_behind(path: str) -> bool:
    """Whether a file, or a folder on the way to it, belongs to a program and to no delivery."""
    parts = path.split("/")
    return any(part in LEFT_BEHIND or _LOCKED_BY.fullmatch(part) for part in parts)


@dataclass(frozen=True, slots=True)
class FoundDelivery:
    """A delivery as it lies there.

    `stats` maps the path of each plain file inside it to (bytes, mtime_ns); of an archive, the
    one entry "" is the archive itself. `strange` names entries that are no plain files.
    """

    centre: str
    delivery: str
    path: Path | Address
    is_archive: bool
    state: Literal["arrived", "arriving"]
    stats: Mapping[str, tuple[int, int]]
    strange: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def stat_digest(self) -> str:
        """Digest of paths, sizes and times: equal digests mean that nothing was touched."""
        lines = sorted(f"{path}\0{size}\0{time}" for path, (size, time) in self.stats.items())
        lines += [f"strange\0{path}" for path in sorted(self.strange)]
        joined = "\n".join((self.state, *lines)).encode("utf-8", "surrogateescape")
        return hashlib.sha256(joined).hexdigest()


@dataclass(frozen=True, slots=True)
class DeliveryInventory:
    """What lies among the deliveries: those of each centre, and what belongs to none."""

    found: dict[str, list[FoundDelivery]]
    strays: list[Problem]


def take_inventory(study: Study) -> DeliveryInventory:
    """Look once at everything delivered, in the study's folder or in the store it names."""
    if study.storage.deliveries:
        from quietsleep.intake.find import inventory_of_store

        return inventory_of_store(study)
    found = {centre: find_deliveries(study, centre) for centre in study.centres}
    return DeliveryInventory(found, find_strays(study))


def find_deliveries(study: Study, centre: str) -> list[FoundDelivery]:
    """Find all deliveries of one centre, by name; a centre without any has an empty list.

    What lies in the folder of a code that the centre had before is its own as well.
    """
    found: list[FoundDelivery] = []
    for code in folders_of(study, centre):
        entries = _listing(study.deliveries_path / code)
        folders = {e.name for e in entries if e.is_dir(follow_symlinks=False)}
        for entry in entries:
            if not _is_delivery(entry):
                continue
            name = entry.name[:-4] if entry.is_file(follow_symlinks=False) else entry.name
            if not usable_name(name, study):
                number = 1 + sum(f.delivery.startswith("badly-named-") for f in found)
                found.append(_badly_named(centre, number, Path(entry.path)))
            elif entry.name not in folders and name in folders:
                found.append(twice(centre, f"{name}.zip", Path(entry.path)))
            else:
                found.append(named_apart(found_at(Path(entry.path), centre), code, found))
    return found


def folders_of(study: Study, centre: str) -> tuple[str, ...]:
    """Return the names of the folders that hold deliveries of a centre, that of its code first."""
    return (centre, *study.centres[centre].was)


def named_apart(
    delivery: FoundDelivery, code: str, others: Iterable[FoundDelivery]
) -> FoundDelivery:
    """Put the old code of its folder before a name that is there under the present code too."""
    if all(delivery.delivery != other.delivery for other in others):
        return delivery
    return replace(delivery, delivery=f"{code}.{delivery.delivery}")


def found_at(path: Path, centre: str) -> FoundDelivery:
    """Look at one delivery folder or archive wherever it lies."""
    if path.is_dir():
        stats: dict[str, tuple[int, int]] = {}
        strange: list[str] = []
        _walk(path, "", stats, strange)
        state: Literal["arrived", "arriving"] = "arrived" if MANIFEST in stats else "arriving"
        return FoundDelivery(centre, path.name, path, False, state, stats, tuple(strange))
    return _found_archive(path, centre)


def usable_name(name: str, study: Study) -> bool:
    """Whether a delivery may have this name: a code that names no person; a date is welcome."""
    if not DELIVERY_NAME.fullmatch(name):
        return False
    kind = value_identifies(name, is_code=False, words=study_words(study))
    return kind in {None, BIRTH_DATE}


def bad_name(place: DeliveryReference) -> Problem:
    """The name of the delivery cannot be used."""
    return place.problem(
        "delivery_name",
        "deliveries",
        "The name of the delivery is no code of letters, digits, '-', '_' and '.', or could name "
        "a person.",
        expected="a name such as 2026-03-02",
        remedy="Rename the folder or archive, and write the same name into delivery.json.",
    )


def find_strays(study: Study) -> list[Problem]:
    """Name what lies among the deliveries and belongs to none, so that nothing is lost silently."""
    folders = [(DeliveryReference("", ""), study.deliveries_path)]
    folders += [
        (DeliveryReference(centre, ""), study.deliveries_path / code)
        for centre in study.centres
        for code in folders_of(study, centre)
    ]
    problems = [p for place, folder in folders if (p := _closed(place, folder))]
    for entry in _listing(study.deliveries_path):
        if not entry.is_dir(follow_symlinks=False):
            continue
        centre = study.code_now(entry.name)
        if centre not in study.centres:
            problems.append(stray_folder())
            continue
        loose = sum(not _is_delivery(e) for e in _listing(Path(entry.path)))
        if loose:
            problems.append(loose_entries(centre, loose))
    return problems


def stray_folder() -> Problem:
    """A folder of deliveries of nobody who is registered."""
    return _stray(
        DeliveryReference("", ""), "a folder of deliveries", "belongs to no registered centre"
    )


def loose_entries(centre: str, loose: int) -> Problem:
    """Entries among the deliveries of a centre that are no deliveries."""
    where = f"{loose} {'entry' if loose == 1 else 'entries'} beside the deliveries"
    return _stray(DeliveryReference(centre, ""), where, "no folder and no .zip archive")


def _stray(place: DeliveryReference, what: str, why: str) -> Problem:
    return place.problem(
        "stray",
        "deliveries",
        f"There is {what}: {why}; nothing of it was read.",
        expected="deliveries/<centre>/<delivery>, a folder or a .zip",
        remedy="Move it into a delivery of a registered centre, or take it away.",
    )


def _closed(place: DeliveryReference, folder: Path) -> Problem | None:
    """Name a folder of deliveries that is there and cannot be looked into: no silent absence."""
    try:
        os.scandir(folder).close()
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        return closed(place, error)
    return None


def closed(place: DeliveryReference, error: OSError) -> Problem:
    """A folder of deliveries, or the store it lies in, cannot be looked into."""
    of_whom = f"of {place.centre}" if place.centre else "of all centres"
    return place.problem(
        CLOSED,
        "deliveries",
        f"The folder of deliveries {of_whom} cannot be opened: {error.strerror}.",
        expected="a folder that the night may read",
        remedy="Let the user who runs the night read the folder.",
    )


def _listing(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            found = [e for e in entries if not is_left_behind(e.name) and e.name[0] != "."]
    except OSError:
        return []
    return sorted(found, key=lambda e: e.name)


def _is_delivery(entry: os.DirEntry[str]) -> bool:
    if entry.is_dir(follow_symlinks=False):
        return True
    return entry.name.lower().endswith(".zip") and entry.is_file(follow_symlinks=False)


def _badly_named(centre: str, number: int, path: Path) -> FoundDelivery:
    """A delivery whose own name cannot be used; it is not repeated, for it may name a person."""
    name = f"badly-named-{number}"
    problem = bad_name(DeliveryReference(centre, name))
    return FoundDelivery(centre, name, path, path.is_file(), "arrived", {}, (), (problem,))


def twice(centre: str, name: str, path: Path | Address) -> FoundDelivery:
    """An archive beside a folder of the same name; the folder is the one that is read."""
    problem = DeliveryReference(centre, name).problem(
        "delivery_twice",
        name,
        f"There is a folder of the same name beside the archive {name}; only the folder is read.",
        expected="either a folder or an archive of one name",
        remedy="Take the one away that is not wanted.",
    )
    return FoundDelivery(centre, name, path, True, "arrived", {}, (), (problem,))


def _found_archive(path: Path, centre: str) -> FoundDelivery:
    name = path.name[:-4] if path.name.lower().endswith(".zip") else path.name
    try:
        info = path.stat()
        complete = zipfile.is_zipfile(path)
    except OSError:
        return FoundDelivery(centre, name, path, True, "arriving", {})
    stats = {"": (info.st_size, info.st_mtime_ns)}
    if complete:
        return FoundDelivery(centre, name, path, True, "arrived", stats)
    problem = DeliveryReference(centre, name).problem(
        "archive_incomplete",
        f"{name}.zip",
        f"The archive {name}.zip has no end yet: it is still arriving, or was cut short.",
        expected="a complete .zip archive",
        remedy="Wait for the transfer to end; if it has ended, send the archive again.",
    )
    return FoundDelivery(centre, name, path, True, "arriving", stats, (), (problem,))


def _walk(root: Path, inside: str, stats: dict[str, tuple[int, int]], strange: list[str]) -> None:
    """Fill `stats` with the plain files below root/inside; links are named, never followed."""
    try:
        with os.scandir(root / inside) as entries:
            found = [e for e in entries if not is_left_behind(e.name)]
    except OSError:
        strange.append(inside or ".")
        return
    for entry in found:
        path = f"{inside}/{entry.name}" if inside else entry.name
        if len(stats) + len(strange) > MOST_FILES:
            return
        try:
            info = entry.stat(follow_symlinks=False)
        except OSError:
            strange.append(path)
            continue
        if stat.S_ISREG(info.st_mode):
            stats[path] = (info.st_size, info.st_mtime_ns)
        elif stat.S_ISDIR(info.st_mode) and path.count("/") + 1 < MOST_LEVELS:
            _walk(root, path, stats, strange)
        else:
            strange.append(path)


Stats = dict[str, tuple[int, int]]


def inventory_of_store(study: Study) -> DeliveryInventory:
    """Look at everything delivered; an address that cannot be listed becomes a problem."""
    root = Address(study.storage.deliveries)
    nothing: dict[str, list[FoundDelivery]] = {centre: [] for centre in study.centres}
    try:
        children = root.children()
    except OSError as error:
        return DeliveryInventory(nothing, [closed(DeliveryReference("", ""), error)])
    folders = sorted(n for n, is_folder in children.items() if is_folder and not _is_hidden(n))
    inventory = DeliveryInventory(
        nothing, [stray_folder() for n in folders if study.code_now(n) not in study.centres]
    )
    places = [(centre, code) for centre in study.centres for code in folders_of(study, centre)]
    for centre, code in places:
        if code not in folders:
            continue
        try:
            listed = (root / code).listed()
        except FileNotFoundError:
            continue
        except OSError as error:
            inventory.strays.append(closed(DeliveryReference(centre, ""), error))
            continue
        found, strays = _of_centre(study, centre, root / code, listed)
        others = inventory.found[centre]
        others += [named_apart(each, code, others) for each in found]
        inventory.strays.extend(strays)
    return inventory


@dataclass(slots=True)
class _Lying:
    """What lies in the folder of a centre, by the first part of each name."""

    folders: dict[str, Stats] = field(default_factory=dict)
    strange: dict[str, set[str]] = field(default_factory=dict)
    archives: Stats = field(default_factory=dict)
    loose: int = 0


def _of_centre(
    study: Study, centre: str, root: Address, listed: Mapping[str, tuple[int, int]]
) -> tuple[list[FoundDelivery], list[Problem]]:
    lying = _sorted_out(listed)
    found: list[FoundDelivery] = []
    for name in sorted({*lying.folders, *lying.archives}):
        is_archive = name not in lying.folders
        delivery = name[:-4] if is_archive else name
        if not usable_name(delivery, study):
            number = 1 + sum(f.delivery.startswith("badly-named-") for f in found)
            hidden = f"badly-named-{number}"
            said = (bad_name(DeliveryReference(centre, hidden)),)
            found.append(
                FoundDelivery(centre, hidden, root / "-", is_archive, "arrived", {}, (), said)
            )
        elif is_archive and delivery in lying.folders:
            found.append(twice(centre, f"{delivery}.zip", root / name))
        elif is_archive:
            stats = {"": lying.archives[name]}
            found.append(FoundDelivery(centre, delivery, root / name, True, "arrived", stats))
        else:
            found.append(_folder(centre, root / name, lying))
    return found, [loose_entries(centre, lying.loose)] if lying.loose else []


def _folder(centre: str, address: Address, lying: _Lying) -> FoundDelivery:
    stats = lying.folders[address.name]
    strange = tuple(sorted(lying.strange.get(address.name, ())))
    state = "arrived" if MANIFEST in stats else "arriving"
    return FoundDelivery(centre, address.name, address, False, state, stats, strange)  # type: ignore[arg-type]


def _sorted_out(listed: Mapping[str, tuple[int, int]]) -> _Lying:
    lying = _Lying()
    for path in sorted(listed):
        name, _, inside = path.partition("/")
        if _is_hidden(name):
            continue
        if not inside or not name:
            if name.lower().endswith(".zip"):
                lying.archives[name] = listed[path]
            else:
                lying.loose += 1
            continue
        stats = lying.folders.setdefault(name, {})
        parts = inside.split("/")
        strange = lying.strange.setdefault(name, set())
        if is_left_behind(inside) or len(stats) + len(strange) > MOST_FILES:
            continue
        if len(parts) > MOST_LEVELS or {"", ".", ".."} & {*parts}:
            strange.add("/".join(parts[:MOST_LEVELS]))
        else:
            stats[inside] = listed[path]
    return lying


def _is_hidden(name: str) -> bool:
    return is_left_behind(name) or name.startswith(".")
