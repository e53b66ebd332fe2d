"""Seal a delivery: write delivery.json, with the size and the SHA-256 of every file, last.

Whoever hands files over never hashes by hand: the upload page and the command line seal alike.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from quietsleep import contract
from quietsleep.intake.find import MANIFEST, is_left_behind


@dataclass(frozen=True, slots=True)
class Seal:
    """What was sealed: number and bytes of the files, and the SHA-256 of delivery.json."""

    n_files: int
    n_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class _ListedFile:
    path: str
    bytes: int
    sha256: str


def seal_delivery(
    folder: Path, *, centre: str, delivery: str, note: str = "", replaces: Sequence[str] = ()
) -> Seal:
    """Write delivery.json into a delivery folder, by its present files; replaces an earlier one.

    `replaces` are the sessions that the delivery replaces whole. Raises OSError.
    """
    paths = sorted(path for path in _plain_files(folder) if path != MANIFEST)
    files = [_listed(folder, path) for path in paths]
    said = {
        "contract": contract.CONTRACT_VERSION,
        "centre": centre,
        "delivery": delivery,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "files": [asdict(file) for file in files],
    }
    said |= {"note": note} if note else {}
    said |= {"replaces": [*replaces]} if replaces else {}
    data = (json.dumps(said, indent=1) + "\n").encode()
    fresh = folder / f".{MANIFEST}.new"
    with fresh.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(folder / MANIFEST)
    return Seal(len(files), sum(f.bytes for f in files), hashlib.sha256(data).hexdigest())


def seal_of(folder: Path) -> Seal:
    """Say what a folder holds that was sealed before; raises OSError."""
    sizes = [(folder / path).stat().st_size for path in _plain_files(folder) if path != MANIFEST]
    digest = hashlib.sha256((folder / MANIFEST).read_bytes()).hexdigest()
    return Seal(len(sizes), sum(sizes), digest)


def _plain_files(folder: Path) -> list[str]:
    found = []
    for place, _, names in os.walk(folder):
        for name in names:
            path = Path(place, name)
            inside = path.relative_to(folder).as_posix()
            hidden = any(part.startswith(".") for part in inside.split("/"))
            if path.is_file() and not path.is_symlink() and not hidden:
                found.append(inside)
    return [path for path in found if not is_left_behind(path)]


def _listed(folder: Path, path: str) -> _ListedFile:
    with (folder / path).open("rb") as file:
        digest = hashlib.file_digest(file, "sha256")
        return _ListedFile(path, file.tell(), digest.hexdigest())
