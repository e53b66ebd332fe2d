"""Sizes and times of the published night's files, as they were when it was last found whole.

To read every byte of a warehouse costs minutes; to ask for sizes and times, nearly nothing. What
changed since is seen by them even where its time was set back: nobody sets the time of the last
change of a file's own record (ctime). Whoever finds other stamps reads the bytes.
"""

from __future__ import annotations

import json
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
    files = (file for file in night.rglob("*") if file.is_file())
    return {file.relative_to(night).as_posix(): _stamp(file) for file in sorted(files)}


def _stamp(file: Path) -> list[int]:
    info = file.stat()
    return [info.st_size, info.st_mtime_ns, info.st_ctime_ns]
