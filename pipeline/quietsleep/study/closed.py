"""What of a study only its owner and group may read: state, warehouse, register; the key its owner.

They hold days from which dates of birth follow, and what readers decided. What is made is closed
from the start, whatever the machine gives new files; what an older version left open is closed by
the next night.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

FOLDER_MODE, FILE_MODE = 0o750, 0o640
OF_OTHERS, OF_GROUP_AND_OTHERS = 0o007, 0o077
# Files of the study folder itself that people and nights write, beside `work` and `warehouse`.
FILES = ("register.jsonl", "access.json")


@contextmanager
def closed_to_others() -> Iterator[None]:
    """Make every new file and folder one that others than owner and group cannot read."""
    before = os.umask(OF_OTHERS)
    os.umask(before | OF_OTHERS)
    try:
        yield
    finally:
        os.umask(before)


def close_to_others(top: Path) -> None:
    """Give a folder and what is in it the modes of a night: read by group, by nobody else."""
    top.chmod(FOLDER_MODE)
    for path in top.rglob("*"):
        path.chmod(FOLDER_MODE if path.is_dir() else FILE_MODE)


def close_study(study_path: Path, work: Path, key: Path) -> None:
    """Put right what an older version left open; what is another user's is left to that user.

    Below a folder that is closed nothing can be reached, so only one that was open is walked.
    Releases are frozen as they are: the folder around them is closed.
    """
    warehouse = study_path / "warehouse"
    for top in (work, warehouse):
        if _take(top, OF_OTHERS):
            for folder, folders, files in os.walk(top):
                if Path(folder) == warehouse and "releases" in folders:
                    folders.remove("releases")
                for name in (*folders, *files):
                    _take(Path(folder) / name, OF_OTHERS)
    for path in (*(study_path / name for name in FILES), *work.glob("*"), warehouse / "releases"):
        _take(path, OF_OTHERS)
    _take(key, OF_GROUP_AND_OTHERS)


def _take(path: Path, bits: int) -> bool:
    """Take bits of its mode from a file or folder; say whether it had any of them."""
    with suppress(OSError):
        mode = path.lstat().st_mode
        if not stat.S_ISLNK(mode) and mode & bits:
            path.chmod(stat.S_IMODE(mode) & ~bits)
            return True
    return False
