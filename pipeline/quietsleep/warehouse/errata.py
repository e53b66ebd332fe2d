"""What supersedes a release, and the erratum that says what differs.

A release is never changed: that it is superseded is said by the one that takes its place.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from quietsleep.errors import WarehouseError
from quietsleep.store.tables import PLAIN_CODE
from quietsleep.warehouse.proof import whole_digest
from quietsleep.warehouse.publish import read_table

ERRATUM = "ERRATUM.txt"
MOST_NAMED = 1000


def superseded(releases: Path, label: str | None, why: str | None) -> dict[str, str] | None:
    """Return what is to be said of the release that is superseded; WarehouseError if it cannot."""
    if label is None:
        return None
    if not PLAIN_CODE.fullmatch(label) or not (releases / label / "RELEASE.json").is_file():
        raise WarehouseError(f"There is no release {label} that could be superseded.")
    if not (why or "").strip():
        raise WarehouseError(f"Say why release {label} is superseded: --why '...'.")
    reason = (why or "").strip()
    return {"release": label, "digest": whole_digest(releases / label), "reason": reason}


def erratum(earlier: Path, folder: Path, said: Mapping[str, Any]) -> str:
    """Say in words what a release has otherwise than the one that it supersedes."""
    was, now = _outcomes(earlier), _outcomes(folder)
    gone, come = sorted(set(was) - set(now)), sorted(set(now) - set(was))
    other = sorted(key for key in set(was) & set(now) if was[key] != now[key])
    superseded = said["supersedes"]
    return "\n".join(
        [
            f"Erratum to release {superseded['release']} of {said['study']}",
            "",
            f"Release {said['release']} supersedes it. Why: {superseded['reason']}",
            f"Digest of the superseded release: {superseded['digest']}",
            "",
            *_sessions_said("Sessions to be taken out of every copy", gone),
            *_sessions_said("Sessions with other outcomes", other),
            *_sessions_said("Sessions that came to it", come),
        ]
    )


def _sessions_said(title: str, keys: list[tuple[str, str]]) -> list[str]:
    named = [f"  {centre} {session}" for centre, session in keys[:MOST_NAMED]]
    more = [f"  and {len(keys) - MOST_NAMED} more"] if len(keys) > MOST_NAMED else []
    return [f"{title}: {len(keys) or 'none'}", *named, *more, ""]


def _outcomes(folder: Path) -> dict[tuple[str, str], dict[str, Any]]:
    """Return the outcomes of each session of a release, of those without any as well."""
    found: dict[tuple[str, str], dict[str, Any]] = {
        (row["centre"], row["session"]): {}
        for row in read_table(folder, "sessions").select(["centre", "session"]).to_pylist()
    }
    names = ["centre", "session", "outcome", "value", "status"]
    for row in read_table(folder, "outcomes").select(names).to_pylist():
        own = found.setdefault((row["centre"], row["session"]), {})
        own[row["outcome"]] = (row["value"], row["status"])
    return found


def superseded_by(release_path: Path) -> list[str]:
    """Say of each release beside this one that supersedes it so, with the reason."""
    found = []
    for said_in in sorted(release_path.resolve().parent.glob("*/RELEASE.json")):
        with suppress(OSError, ValueError, AttributeError):
            said = json.loads(said_in.read_text(encoding="utf-8"))
            of = said.get("supersedes") or {}
            if of.get("release") == release_path.resolve().name:
                found.append(
                    f"Superseded by release {said['release']}: {of['reason']} "
                    f"See {said['release']}/{ERRATUM}."
                )
    return found
