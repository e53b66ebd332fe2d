"""How far the register of a study went, remembered by this machine outside the study folder.

Whoever can write into a study folder can put back an older register together with its copy, the
state and the nights, or name a key of their own in study.toml. What a machine remembers beside the
user's settings, or beside the key that the environment names, does not go back with them.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path

from quietsleep.study.register_key import KEY_VARIABLE, settings_folder

FOLDER = "registers"


def remembered(study_path: Path) -> tuple[int, str] | None:
    """Return the number of entries and the last seal that were seen here; None where none were."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        said = json.loads(_file(study_path).read_text(encoding="utf-8"))
        return int(said["entries"]), str(said["seal"])
    return None


def remember(study_path: Path, entries: int, seal: str) -> None:
    """Remember how far a register goes; where that cannot be written, nights go on without."""
    file = _file(study_path)
    fresh = file.with_name(f"{file.name}.{os.getpid()}.new")
    said = {"study": str(study_path.resolve()), "entries": entries, "seal": seal}
    with suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        fresh.write_text(json.dumps(said), encoding="utf-8")
        fresh.replace(file)


def forget(study_path: Path) -> None:
    """Forget the register of a folder in which a study begins anew, or was no more than a copy."""
    with suppress(OSError):
        _file(study_path).unlink(missing_ok=True)


def _file(study_path: Path) -> Path:
    # Not beside a key that study.toml names: who writes there could lead to a place of their own.
    named = os.environ.get(KEY_VARIABLE)
    folder = Path(named).expanduser().parent if named else settings_folder()
    place = hashlib.sha256(os.fsencode(study_path.resolve())).hexdigest()[:16]
    return folder / FOLDER / f"{place}.json"
