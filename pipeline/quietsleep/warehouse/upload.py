"""Carry published nights to an address, and fetch the one people read from there.

    <address>/nights/<night>/...            the files of a night as they are in the warehouse
    <address>/nights/<night>/uploaded.json   written after them: each file with its size and digest
    <address>/current                       written last: the name of the night people read

Killed at any moment, `current` still names a night that is there whole, and the next upload goes
on from what lies there already. A file that another night there holds is copied inside the store.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietsleep.errors import WarehouseError
from quietsleep.intake.store import Address
from quietsleep.study.closed import close_to_others
from quietsleep.warehouse.current import (
    FEWEST_NIGHTS_KEPT,
    night_facts,
    published_nights,
    sha256_of,
    swap_pointer,
)

CURRENT = "current"
LIST = "uploaded.json"
NIGHT_NAME = re.compile(r"n[0-9]{6}")
_INSIDE = re.compile(r"(?:[A-Za-z0-9_][A-Za-z0-9_.=-]*/){0,4}[A-Za-z0-9_][A-Za-z0-9_.-]*")
MOST_LIST_BYTES = 64 * 1024**2


@dataclass(slots=True)
class Uploaded:
    """What an upload did, in numbers of files."""

    nights: list[str] = field(default_factory=list)
    uploaded: int = 0
    copied: int = 0
    lay_there: int = 0
    removed: int = 0


def nights_uploaded(address: str) -> list[str]:
    """Return the names of nights at an address; none where it cannot be asked just now.

    Only for giving tonight a name of its own: `upload` says it when the store does not answer, and
    refuses a night of the same name that is another one.
    """
    if not address:
        return []
    try:
        children = (Address(address) / "nights").children()
    except OSError:
        return []
    return [name for name in children if NIGHT_NAME.fullmatch(name)]


def upload(
    study_path: Path, address: Address, *, may_stay: Collection[str] | None = None
) -> Uploaded:
    """Carry every published night that is not there yet; raises OSError and WarehouseError.

    Where it is said which nights `may_stay` there, all others are removed: they hold what was
    withdrawn since.
    """
    done = Uploaded()
    nights = published_nights(study_path)
    if not nights:
        return done
    newest, lying, pointed = nights[0], _lying(address), _pointed(address)
    whole = {name for name, files in lying.items() if LIST in files}
    if newest.name in whole and _list_there(address, newest.name) != _list_of(newest):
        raise WarehouseError(
            f"The store holds another night called {newest.name}; the next night gets a new name."
        )
    if pointed and pointed in whole and pointed > newest.name:
        raise WarehouseError(
            f"The store's current night {pointed} is later than {newest.name}, the last of this "
            "study folder; the next night continues after it."
        )
    for night in reversed(nights):
        if night.name not in whole:
            _upload_night(night, address, lying, done)
    if pointed != newest.name:
        (address / CURRENT).write(f"{newest.name}\n".encode())
    here = {night.name for night in nights}
    _remove_old(address, lying, here, done, may_stay=may_stay)
    return done


def _lying(address: Address) -> dict[str, dict[str, int]]:
    """Return night -> path inside it -> bytes, of all that lies at an address."""
    nights: dict[str, dict[str, int]] = {}
    try:
        listed = (address / "nights").listed()
    except FileNotFoundError:
        return nights
    for path, (size, _) in listed.items():
        night, _, inside = path.partition("/")
        if NIGHT_NAME.fullmatch(night):
            nights.setdefault(night, {})[inside] = size
    return nights


def _pointed(address: Address) -> str:
    try:
        said = (address / CURRENT).read(MOST_LIST_BYTES).decode("ascii", "replace")
    except FileNotFoundError:
        return ""
    # Nothing but a name: what is longer was not written by an upload.
    name = said.removesuffix("\n")
    return name if NIGHT_NAME.fullmatch(name) else ""


def _upload_night(
    night: Path, address: Address, lying: dict[str, dict[str, int]], done: Uploaded
) -> None:
    files = _list_of(night)
    there, known = lying.get(night.name, {}), _known(night, address, lying)
    to_put, to_copy = dict[str, Path](), dict[str, Address]()
    for path, (size, sha256) in files.items():
        # Parts never change once named; what names the night itself is small and sent again.
        if path.startswith("tables/") and there.get(path) == size:
            done.lay_there += 1
        elif sha256 in known:
            to_copy[path] = known[sha256]
        else:
            to_put[path] = night / path
    _refuse_damaged(night, to_put, files)
    target = address / "nights" / night.name
    target.copy(to_copy)
    target.put(to_put)
    content = {path: {"bytes": size, "sha256": digest} for path, (size, digest) in files.items()}
    (target / LIST).write(json.dumps({"night": night.name, "files": content}, indent=1).encode())
    lying[night.name] = {LIST: 0} | {path: size for path, (size, _) in files.items()}
    done.nights.append(night.name)
    done.copied += len(to_copy)
    done.uploaded += len(to_put)


def _list_of(night: Path) -> dict[str, tuple[int, str]]:
    """Return path -> (bytes, sha256) of all files of a night; of parts as NIGHT.json says."""
    parts = {p["path"]: (p["bytes"], p["file_sha256"]) for p in night_facts(night)["parts"]}
    others = (p for p in night.rglob("*") if p.is_file() and not p.is_symlink())
    names = sorted(str(file.relative_to(night)) for file in others)
    return {name: parts[name] if name in parts else _stamp(night / name) for name in names}


def _stamp(file: Path) -> tuple[int, str]:
    return file.stat().st_size, sha256_of(file)


def _refuse_damaged(
    night: Path, to_put: Mapping[str, Path], files: Mapping[str, tuple[int, str]]
) -> None:
    for path, file in to_put.items():
        if _stamp(file) != files[path]:
            raise WarehouseError(
                f"{night.name}: {path} was changed since it was published; nothing of this night "
                "was uploaded. Run 'quietsleep doctor STUDY'."
            )


def _known(
    night: Path, address: Address, lying: Mapping[str, Mapping[str, int]]
) -> dict[str, Address]:
    """Return digest -> where it lies already, of the parts of other nights that are there whole."""
    known: dict[str, Address] = {}
    for name, there in lying.items():
        folder = night.parent / name
        if name == night.name or LIST not in there or not folder.is_dir():
            continue
        for part in night_facts(folder)["parts"]:
            if there.get(part["path"]) == part["bytes"]:
                known[part["file_sha256"]] = address / "nights" / name / part["path"]
    return known


def _remove_old(
    address: Address,
    lying: Mapping[str, Mapping[str, int]],
    kept_here: set[str],
    done: Uploaded,
    *,
    may_stay: Collection[str] | None = None,
) -> None:
    """Remove nights that are not kept here any more, but for the newest that are there whole."""
    newest = set(sorted(n for n, files in lying.items() if LIST in files)[-FEWEST_NIGHTS_KEPT:])
    if may_stay is not None:
        newest &= {*may_stay}
    for name in sorted(set(lying) - kept_here - newest):
        # Its list goes first: a night half removed is never taken for a whole one.
        night, files = address / "nights" / name, lying[name]
        night.remove([LIST] if LIST in files else [])
        night.remove([path for path in files if path != LIST])
        done.removed += len(files)


def _list_there(address: Address, night: str) -> dict[str, tuple[int, str]]:
    """Read and judge the list of a night at an address; it decides where files are written."""
    broken = WarehouseError(f"The list of night {night} at {address} cannot be used.")
    try:
        content: Any = json.loads((address / "nights" / night / LIST).read(MOST_LIST_BYTES))
        files = {str(p): (int(f["bytes"]), str(f["sha256"])) for p, f in content["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        raise broken from None
    if not files or not all(_INSIDE.fullmatch(path) for path in files):
        raise broken
    return files


def fetch(address: Address, folder: Path) -> Path:
    """Copy the current night at an address to `folder/<night>`, whole or not at all.

    `current` is resolved once, and every file is compared with its digest; `folder/current` then
    leads to the night. What lies in the folder and is no copy of a night stays: WarehouseError
    says what is in the way. Raises OSError too.
    """
    night = _pointed(address)
    if not night:
        raise WarehouseError(f"There is no published night at {address}.")
    files, final = _list_there(address, night), folder / night
    pointer = folder / CURRENT
    if pointer.exists() and not pointer.is_symlink():
        raise _in_the_way(pointer)
    if not (final.is_dir() and all(_is_same(final / path, s) for path, s in files.items())):
        aside = folder / f".{night}.fetching"
        for own in (final, aside):
            if not _is_copy(own, files):
                raise _in_the_way(own)
        shutil.rmtree(aside, ignore_errors=True)
        try:
            for path, stamp in files.items():
                target = aside / path
                target.parent.mkdir(parents=True, exist_ok=True)
                (address / "nights" / night / path).fetch(target)
                if not _is_same(target, stamp):
                    raise WarehouseError(f"{path} of night {night} is not as it was published.")
            _refuse_unlike(aside, night, files)
            close_to_others(aside)
            shutil.rmtree(final, ignore_errors=True)
            aside.replace(final)
        finally:
            shutil.rmtree(aside, ignore_errors=True)
    swap_pointer(folder, Path(night))
    return final


def _is_copy(folder: Path, files: Mapping[str, tuple[int, str]]) -> bool:
    """Say whether a folder is not there, or a copy of that night and nothing else, whole or not."""
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        return False
    found = [path for path in folder.rglob("*") if not path.is_dir() or path.is_symlink()]
    return all(str(path.relative_to(folder)) in files for path in found)


def _in_the_way(path: Path) -> WarehouseError:
    return WarehouseError(
        f"{path} is no copy of the night that is fetched, and is left as it is. Move it away, or "
        "fetch into another folder."
    )


def _refuse_unlike(copy: Path, night: str, files: Mapping[str, tuple[int, str]]) -> None:
    """Raise WarehouseError where what the night says of itself is not what lies there under it."""
    wrong = WarehouseError(
        f"What lies at the address as night {night} is not what that night says of itself; nothing "
        "was copied. Let the study upload it anew."
    )
    try:
        facts = night_facts(copy)
        said = {p["path"]: (p["bytes"], p["file_sha256"]) for p in facts["parts"]}
        beside = facts.get("files", {}).items()
        said |= {name: (file["bytes"], file["sha256"]) for name, file in beside}
        if facts["night"] != night or any(files.get(path) != s for path, s in said.items()):
            raise wrong
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise wrong from None


def _is_same(file: Path, stamp: tuple[int, str]) -> bool:
    return file.is_file() and _stamp(file) == stamp
