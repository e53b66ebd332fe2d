"""The study register held against what was published: every night and release knew how far it went.

Also the other way: the register keeps the digest of every night that was published.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from quietsleep.errors import WarehouseError
from quietsleep.study.register import (
    Body,
    Register,
    RegisterHead,
    bodies_as_they_lie,
    head_said,
)
from quietsleep.study.register_key import key_path_of
from quietsleep.warehouse.current import current_night, night_facts, nights_folder, sha256_of
from quietsleep.warehouse.proof import RELEASE, Noted, whole_digest

if TYPE_CHECKING:
    from quietsleep.study.study import Study


def open_register(
    study: Study, *, also: Iterable[RegisterHead] = (), with_new_key: bool = False
) -> Register:
    """Open and verify the register against every kept night and release, and `also` other heads.

    A file of decisions of an earlier form is taken over. Raises KeyMissing and ReviewError.
    """
    from quietsleep.study.review_log import take_over_old_file

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


def note_published(register: Register, study_path: Path, *, just_now: bool = False) -> None:
    """Write the current night down with its digests, unless that was done already.

    A night that was killed between publishing and this is noted by the next. One that is known by
    another digest was changed since, and is not written down as if it had been published so; only
    a night that was published `just_now` can have the name of one that was lost.
    """
    try:
        night = current_night(study_path)
        said = {
            "night": night.name,
            "sha256": facts_digest(night),
            "contents": night_facts(night).get("contents_sha256"),
        }
    except (WarehouseError, OSError, ValueError):
        return
    known = [e.body for e in register.of("published") if e.body["night"] == night.name]
    if not known or (just_now and known[-1]["sha256"] != said["sha256"]):
        register.append("published", said)


def facts_digest(night: Path) -> str:
    """Return the digest of NIGHT.json, which holds the digest of every part of the night."""
    return sha256_of(night / "NIGHT.json")


def facts_said(study_path: Path, night: str) -> str | None:
    """Return the digest of NIGHT.json that the study register keeps of a night, None if none.

    The register is read as it lies there: its key may be elsewhere. Whoever opens it with its key
    finds out whether the seal holds.
    """
    found = None
    for body in bodies_as_they_lie(study_path, "published"):
        if body.get("night") == night:
            found = str(body.get("sha256"))
    return found


def note_release(register: Register, release: Path) -> None:
    """Write a release down that stands in its place: the digest of the whole, and of what it says.

    Raises RegisterError where the register is broken.
    """
    facts = night_facts(release)
    register.append(
        "released",
        {
            "release": release.name,
            "night": facts["night"],
            "digest": whole_digest(release),
            "said": sha256_of(release / RELEASE),
        },
    )


def release_noted(register: Register, release: Path) -> Noted | None:
    """Return what was written down of a release when it was made; None where nothing was."""
    bodies = (entry.body for entry in register.of("released"))
    return _noted(body for body in bodies if body.get("release") == release.name)


def release_said(release: Path) -> Noted | None:
    """Return the same from the register of the study in which a release lies, read without its key.

    None where it lies in no study, or in one that knows no such release.
    """
    place = release.resolve()
    study_path = place.parent.parent.parent
    if _releases(study_path) != place.parent:
        return None
    bodies = bodies_as_they_lie(study_path, "released")
    return _noted(body for body in bodies if body.get("release") == place.name)


def _noted(bodies: Iterable[Body]) -> Noted | None:
    found = None
    for body in bodies:
        found = Noted(str(body.get("digest")), str(body.get("said")))
    return found
