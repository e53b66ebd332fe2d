"""Sizes and times of the published night's files, as they were when it was last found whole.

To read every byte of a warehouse costs minutes; to ask for sizes and times, nearly nothing. What
changed since is seen by them even where its time was set back: nobody sets the time of the last
change of a file's own record (ctime). Whoever finds other stamps reads the bytes.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path

FILE = "stamps.json"
Stamps = dict[str, list[int]]


def keep_stamps(study_path: Path, night: Path) -> None:
    """Keep the stamps of a night that is whole; where that cannot be, it is read again."""
    file = study_path / "warehouse" / FILE
    fresh = file.with_name(f".{FILE}.new")
    with suppress(OSError):
        said = {"night": night.name, "files": _stamps(night)}
        fresh.write_text(json.dumps(said), encoding="utf-8")
        fresh.replace(file)


def are_kept(study_path: Path, night: Path, *names: str) -> bool:
    """Say whether files of a night have the stamps that were kept, all of them unless named."""
    try:
        said = json.loads((study_path / "warehouse" / FILE).read_text(encoding="utf-8"))
        known: Stamps = said["files"]
        if said["night"] != night.name:
            return False
        if not names:
            return _stamps(night) == known
        return all(_stamp(night / name) == known[name] for name in names)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _stamps(night: Path) -> Stamps:
    """Return the stamps of all files of a night; one look a file, as every night takes it."""
    found: Stamps = {}
    above = len(str(night)) + 1
    for folder, _, files in os.walk(night):
        for name in files:
            file = f"{folder}/{name}"
            found[file[above:]] = _stamp(file)
    return found


def _stamp(file: Path | str) -> list[int]:
    info = os.stat(file)  # noqa: PTH116 - thousands of files, and paths of text are not parsed
    return [info.st_size, info.st_mtime_ns, info.st_ctime_ns]
