"""The study register held against what was published: every night and release knew how far it went.

Also the other way: the register keeps the digest of every night that was published.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from quietsleep.errors import WarehouseError
from quietsleep.study.register import Register, RegisterHead, head_said
from quietsleep.study.register_key import key_path_of
from quietsleep.study.review_log import take_over_old_file
from quietsleep.study.study import Study
from quietsleep.warehouse.current import current_night, night_facts, nights_folder


def open_register(
    study: Study, *, also: Iterable[RegisterHead] = (), with_new_key: bool = False
) -> Register:
    """Open and verify the register against every kept night and release, and `also` other heads.

    A file of decisions of an earlier form is taken over. Raises KeyMissing and ReviewError.
    """
    register = Register(
        study.path,
        study.work_path,
        study=study.name,
        key_path=key_path_of(study.path, study.name, study.register_key),
        heads=[*published_heads(study.path), *also],
        with_new_key=with_new_key,
    )
    if not register.broken and not with_new_key:
        take_over_old_file(register, study.path, study.work_path)
    return register


def published_heads(study_path: Path) -> Iterator[RegisterHead]:
    """Yield how far the register went by each kept night and release that can still be read."""
    for word, folder in (("night", nights_folder(study_path)), ("release", _releases(study_path))):
        for path in sorted(folder.glob("*/NIGHT.json")):
            with suppress(OSError, ValueError, AttributeError):
                head = head_said(
                    night_facts(path.parent).get("register"), f"{word} {path.parent.name}"
                )
                if head is not None:
                    yield head


def _releases(study_path: Path) -> Path:
    return study_path / "warehouse" / "releases"


def note_published(register: Register, study_path: Path) -> None:
    """Write the current night down, with the digest of its facts, unless that was done already.

    A night that was killed between publishing and this is noted by the next.
    """
    try:
        night = current_night(study_path)
        sha256 = facts_digest(night)
    except (WarehouseError, OSError):
        return
    known = [entry.body for entry in register.of("published")[-1:]]
    said = {"night": night.name, "sha256": sha256}
    if known != [said]:
        register.append("published", said)


def facts_digest(night: Path) -> str:
    """Return the digest of NIGHT.json, which holds the digest of every part of the night."""
    return hashlib.sha256((night / "NIGHT.json").read_bytes()).hexdigest()
