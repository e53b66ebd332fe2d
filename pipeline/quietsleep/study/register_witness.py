"""What this machine remembers outside of study folders: registers, states, known answers.

Whoever can write into a study folder can put back an older register together with its copy, the
state and the nights, or name a key of their own in study.toml. What a machine remembers beside the
user's settings, or beside the key that the environment names, does not go back with them.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from quietsleep.study.register_key import KEY_VARIABLE, settings_folder

FOLDER, ANSWERS = "registers", "known_answers.json"


def remembered(study_path: Path) -> tuple[int, str] | None:
    """Return the number of entries and the last seal that were seen here; None where none were."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        said = json.loads(_file(study_path).read_text(encoding="utf-8"))
        return int(said["entries"]), str(said["seal"])
    return None


def remember(study_path: Path, entries: int, seal: str) -> None:
    """Remember how far a register goes; where that cannot be written, nights go on without."""
    said = {"study": str(study_path.resolve()), "entries": entries, "seal": seal}
    _write(_file(study_path), said)


def remembered_state(study_path: Path) -> dict[str, Any]:
    """Return what was said of the state when it was last closed; empty where nothing was."""
    with suppress(OSError, ValueError):
        said = json.loads(_file(study_path, "state").read_text(encoding="utf-8"))
        return said if isinstance(said, dict) else {}
    return {}


def remember_state(study_path: Path, said: Mapping[str, Any]) -> None:
    """Remember what is said of the state; where that cannot be written, nights go on without."""
    _write(_file(study_path, "state"), said)


def forget_state(study_path: Path) -> None:
    """Forget a state that is none any more."""
    with suppress(OSError):
        _file(study_path, "state").unlink(missing_ok=True)


def remembered_answers() -> dict[str, Any]:
    """Return what was said of the known answers when they last stood; empty where nothing was."""
    with suppress(OSError, ValueError):
        said = json.loads(_folder().joinpath(ANSWERS).read_text(encoding="utf-8"))
        return said if isinstance(said, dict) else {}
    return {}


def remember_answers(said: Mapping[str, Any]) -> None:
    """Remember of the known answers, for all studies, what is said of them; an empty one: nothing.

    Where that cannot be written, the next night asks them again.
    """
    _write(_folder() / ANSWERS, said)


def forget(study_path: Path) -> None:
    """Forget the register of a folder in which a study begins anew, or was no more than a copy."""
    with suppress(OSError):
        _file(study_path).unlink(missing_ok=True)
    forget_state(study_path)


def _write(file: Path, said: Mapping[str, Any]) -> None:
    fresh = file.with_name(f"{file.name}.{os.getpid()}.new")
    with suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        fresh.write_text(json.dumps(said), encoding="utf-8")
        fresh.replace(file)


def _file(study_path: Path, of: str = "register") -> Path:
    place = hashlib.sha256(os.fsencode(study_path.resolve())).hexdigest()[:16]
    return _folder() / f"{place}.{of}.json"


def _folder() -> Path:
    # Not beside a key that study.toml names: who writes there could lead to a place of their own.
    named = os.environ.get(KEY_VARIABLE)
    return (Path(named).expanduser().parent if named else settings_folder()) / FOLDER
