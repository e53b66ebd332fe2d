"""The key that seals the study register: where it lies, how it is made, and what to say without it.

A study folder is copied and synchronised; whoever can write there must not be able to seal. So the
key lies outside of it, readable by its owner alone.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import tempfile
from contextlib import suppress
from pathlib import Path

from quietsleep.errors import QuietsleepError, StudyError

KEY_VARIABLE = "QUIETSLEEP_REGISTER_KEY"
BYTES = 32
NEW_KEY = "'quietsleep register STUDY --new-key --by READER --reason ...'"


class KeyMissing(QuietsleepError):
    """The key of the study register is missing or is another one; the message says what to do."""


def key_path_of(study_path: Path, study: str, said: str = "") -> Path:
    """Return where the key of a study lies; StudyError where that is inside the study folder.

    The environment comes first, then what `[register] key` of study.toml says, then a file named
    after the study below the user's folder of settings.
    """
    named = os.environ.get(KEY_VARIABLE) or said
    path = Path(named).expanduser() if named else settings_folder() / f"{study}.key"
    if not path.is_absolute():
        raise StudyError(f"The key of the study register is {path}; give its whole path.")
    if path.resolve().is_relative_to(study_path.resolve()):
        raise StudyError(
            "The key of the study register lies inside the study folder, which is copied and "
            f"synchronised; move it out and name its place in [register] key or {KEY_VARIABLE}."
        )
    return path


def settings_folder() -> Path:
    """Return the user's folder of settings of this program."""
    home = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(home) if home else Path.home() / ".config") / "quietsleep"


def make_key(path: Path) -> bytes:
    """Make a key that only its owner may read, durably; one that lies there already is returned."""
    if path.exists():
        return read_key(path)
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    # Written aside and linked: whoever comes at the same time finds a whole key or none.
    handle, fresh = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_bytes(BYTES).hex() + "\n")
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileExistsError):
            os.link(fresh, path)
    finally:
        Path(fresh).unlink()
    return read_key(path)


def read_key(path: Path) -> bytes:
    """Return the key; KeyMissing with what to do where it is not there or is none."""
    try:
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except FileNotFoundError:
        raise KeyMissing(
            f"The key of the study register is not at {path}. {_what_to_do()}"
        ) from None
    except (ValueError, UnicodeDecodeError):
        key = b""
    if len(key) != BYTES:
        raise KeyMissing(f"{path} holds no key of a study register. {_what_to_do()}")
    return key


def refuse_other_key(path: Path, key: bytes, known: object) -> None:
    """Raise KeyMissing where the register was sealed by another key."""
    if known != id_of_key(key):
        raise KeyMissing(
            f"The key at {path} is not the one that sealed this study register. {_what_to_do()}"
        )


def id_of_key(key: bytes) -> str:
    """Return a name for a key that does not give it away."""
    return hmac.new(key, b"quietsleep study register", hashlib.sha256).hexdigest()[:16]


def _what_to_do() -> str:
    return (
        "Without it nobody can tell whether the register is as it was written, so nothing is run. "
        "Copy it there from the machine that ran the nights or from a backup, or name its place in "
        f"[register] key of study.toml or in {KEY_VARIABLE}. If it is lost for good, {NEW_KEY} "
        "seals the register anew."
    )
