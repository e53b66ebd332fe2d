"""Which night people read: a pointer that is swapped last and resolved once.

`warehouse/current` is a symbolic link to `nights/<night>`. A reader resolves it once and then
stays inside that night's folder, so it never mixes two nights.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from quietsleep.errors import WarehouseError
from quietsleep.study.register_file import sync_folder

FEWEST_NIGHTS_KEPT = 7


def nights_folder(study_path: Path) -> Path:
    """Return the folder that holds the published nights."""
    return study_path / "warehouse" / "nights"


def current_night(study_path: Path) -> Path:
    """Resolve the pointer once; WarehouseError when no night has been published yet."""
    pointer = study_path / "warehouse" / "current"
    try:
        return pointer.resolve(strict=True)
    except FileNotFoundError:
        raise WarehouseError(
            f"{study_path.name} has no published night yet. "
            f"Run: quietsleep nightly {study_path.name}"
        ) from None


def night_facts(night_path: Path) -> dict[str, Any]:
    """Read NIGHT.json of one night."""
    facts: dict[str, Any] = json.loads((night_path / "NIGHT.json").read_text(encoding="utf-8"))
    return facts


def point_at(study_path: Path, night_path: Path) -> None:
    """Swap `current` to that night in one step."""
    swap_pointer(study_path / "warehouse", Path("nights") / night_path.name)


def swap_pointer(folder: Path, target: Path) -> None:
    """Make `current` inside a folder a link to `target`, in one step."""
    fresh = folder / ".current.new"
    fresh.unlink(missing_ok=True)
    fresh.symlink_to(target, target_is_directory=True)
    fresh.replace(folder / "current")
    sync_folder(folder)


def published_nights(study_path: Path) -> list[Path]:
    """Return the published nights still kept, newest first, by following who came after whom.

    A complete folder that no pointer ever reached (a publication killed just before the swap) is
    not among them.
    """
    try:
        night: Path | None = current_night(study_path)
    except WarehouseError:
        return []
    found: list[Path] = []
    while night is not None and night.is_dir():
        found.append(night)
        night = _night_before(night)
    return found


def _night_before(night: Path) -> Path | None:
    """Return the folder of the night before; by name where NIGHT.json can no longer be read."""
    try:
        before = night_facts(night)["previous"]
        return night.parent / before if before else None
    except (OSError, ValueError, KeyError, TypeError):
        earlier = [folder for folder in night.parent.iterdir() if folder.name < night.name]
        return max(earlier, default=None)


def remove_old_nights(
    study_path: Path, *, keep: int, may_stay: Collection[str] | None = None
) -> None:
    """Remove nights beyond the newest `keep`, and complete nights that were never pointed at.

    Where it is said which `may_stay`, all others go as well.
    """
    kept = {
        night
        for night in published_nights(study_path)[:keep]
        if may_stay is None or night.name in may_stay
    }
    for folder in nights_folder(study_path).iterdir():
        if kept and folder.resolve() not in kept:
            shutil.rmtree(folder)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digest_of_lines(digests: Mapping[str, str]) -> str:
    """Return the digest of named digests: the SHA-256 of one line `digest  name` each, by name."""
    lines = "".join(f"{digest}  {name}\n" for name, digest in sorted(digests.items()))
    return hashlib.sha256(lines.encode()).hexdigest()


def sync_tree(top: Path) -> None:
    """Make every file and folder below `top` durable."""
    for folder, _, files in os.walk(top):
        for name in files:
            handle = os.open(Path(folder) / name, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        sync_folder(Path(folder))
