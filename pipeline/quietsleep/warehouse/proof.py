"""The digest of the whole of a release, by which everybody can tell it from another.

It covers every file but two: RELEASE.json, which holds it and can so be cited, and the list of
checksums, in which RELEASE.json is listed. Who changes files and checksums together changes it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from quietsleep.warehouse.current import digest_of_lines, sha256_of

RELEASE, SUMS = "RELEASE.json", "SHA256SUMS"


@dataclass(frozen=True, slots=True)
class Noted:
    """What the study register keeps of a release: the digest of the whole, and of RELEASE.json."""

    digest: str
    said: str


@dataclass(frozen=True, slots=True)
class Proof:
    """What of a release is not as it was released, and who vouches for the digest of the whole.

    `by` is empty where nobody does: then files and checksums agree, and may both have been changed.
    """

    differences: tuple[str, ...]
    digest: str
    by: str


def files_below(folder: Path) -> list[str]:
    """Return every file below a folder but the checksums, as relative paths in order."""
    found = (path for path in folder.rglob("*") if path.is_file() or path.is_symlink())
    return sorted(p.relative_to(folder).as_posix() for p in found if p.name != SUMS)


def whole_digest(folder: Path) -> str:
    """Return the digest of the whole: the SHA-256 of all checksums but that of RELEASE.json."""
    return digest_of_lines(
        {path: sha256_of(folder / path) for path in files_below(folder) if path != RELEASE}
    )


def verify_files(release: Path) -> list[str]:
    """Say of each file that is missing, changed or not listed so; an intact release has none."""
    sums = release / SUMS
    if not sums.is_file():
        return [f"{SUMS} is missing, so nothing can be checked."]
    lines = sums.read_text(encoding="utf-8").splitlines()
    listed = {path: digest for digest, _, path in (line.partition("  ") for line in lines)}
    present = set(files_below(release))
    found = [f"{path} is missing." for path in sorted(set(listed) - present)]
    found += [f"{path} is not listed." for path in sorted(present - set(listed))]
    found += [
        f"{path} is not the file that was released."
        for path in sorted(present & set(listed))
        if sha256_of(release / path) != listed[path]
    ]
    return found


def prove(release: Path, *, digest: str = "", known: Noted | None = None) -> Proof:
    """Hold a release against its checksums, and its digest of the whole against others.

    These are the one that RELEASE.json holds, the one that somebody gives (`digest`, as it is
    cited), and what the study register keeps (`known`).
    """
    found, now = verify_files(release), whole_digest(release)
    given = digest.strip().lower()
    if (said := _said(release)) and said != now:
        found.append(f"RELEASE.json names another digest of the whole, {said}.")
    if given and given != now:
        found.append(f"The digest of the whole is {now}, not the one given, {given}.")
    if known is not None and known.digest != now:
        found.append(f"The digest of the whole is {now}; the study register knows {known.digest}.")
    elif known is not None and sha256_of(release / RELEASE) != known.said:
        found.append("RELEASE.json is not the one that the study register knows.")
    by = ["the study register"] if known is not None else []
    by += ["the digest given"] if given else []
    return Proof(tuple(found), now, " and ".join(by))


def _said(release: Path) -> str:
    """Return the digest that a release says it has; older releases say none."""
    try:
        said = json.loads((release / RELEASE).read_text(encoding="utf-8")).get("digest")
    except (OSError, ValueError, AttributeError):
        return ""
    return said if isinstance(said, str) else ""
