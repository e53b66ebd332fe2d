"""Where the code behind a published number comes from: package, commit, libraries, fingerprints.

A fingerprint alone says that code differs; with this whoever reads it years later can fetch the
package and the libraries of that night and work the fingerprint out anew.
"""

from __future__ import annotations

import json
import platform
import shutil
import subprocess
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, version
from typing import Any

from quietsleep import contract
from quietsleep.measure.fingerprint import (
    NAME,
    PACKAGE,
    code_behind,
    code_fingerprint,
    measuring_code,
    measuring_fingerprint,
    version_of,
)

# What judges measures and makes tables of them; what measures is found technique by technique.
JUDGING = (f"{NAME}.judge.study", f"{NAME}.warehouse.tables", f"{NAME}.warehouse.publish")
SECONDS_TO_ANSWER = 10.0


def code_said() -> dict[str, Any]:
    """Return what NIGHT.json says of the code: package, version, commit, libraries, fingerprints.

    `commit` is null where it is not known; `libraries` are all that can change a number, with their
    versions; `fingerprints` are those of the code that measures each technique and check, as in the
    tables recordings and checks.
    """
    return {
        "package": NAME,
        "version": version(NAME),
        "commit": commit(),
        "python": platform.python_version(),
        "libraries": libraries(),
        "fingerprint": code_fingerprint(),
        "fingerprints": {name: measuring_fingerprint(name) for name in _measured()},
    }


def libraries() -> dict[str, str]:
    """Return the version of every library behind a number, by the name it is imported by."""
    found = set(code_behind(JUDGING).libraries)
    for name in _measured():
        found |= measuring_code(name).libraries
    return {name: version_of(name) for name in sorted(found)}


def columns_of(said: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was said of the code as the columns of the table nights."""
    versions = {"python": said["python"], **said["libraries"]}
    return {
        "package_version": said["version"],
        "package_commit": said["commit"],
        "libraries": ", ".join(f"{name} {number}" for name, number in versions.items()),
    }


def _measured() -> list[str]:
    return sorted([*contract.TECHNIQUES, *contract.CHECKS])


@cache
def commit() -> str | None:
    """Return the commit that the package was installed from or lies in; None where unknown.

    Files that differ from the commit are said behind it: "1f2e3d... and 3 changed files".
    """
    return _installed_from() or _lies_in()


def _installed_from() -> str | None:
    """Return the commit that the installer wrote down (PEP 610)."""
    with suppress(PackageNotFoundError, ValueError, KeyError, TypeError):
        said = json.loads(distribution(NAME).read_text("direct_url.json") or "{}")
        return str(said["vcs_info"]["commit_id"])
    return None


def _lies_in() -> str | None:
    """Ask git for the commit of the tree in which the package is kept; None where it is not."""
    # A repository around an installed package, such as that of a study, does not hold it.
    if _git("ls-files", "--error-unmatch", str(PACKAGE / "__init__.py")) is None:
        return None
    found = _git("rev-parse", "HEAD")
    changed = _git("status", "--porcelain", "--", ".", ":/contracts")
    if not found or not changed:
        return found or None
    n_changed = len(changed.splitlines())
    return f"{found} and {n_changed} changed file{'' if n_changed == 1 else 's'}"


def _git(*words: str) -> str | None:
    git = shutil.which("git")
    if git is None:
        return None
    with suppress(OSError, subprocess.TimeoutExpired):
        answer = subprocess.run(
            [git, "-C", str(PACKAGE), "--no-optional-locks", *words],
            capture_output=True, text=True, check=False, timeout=SECONDS_TO_ANSWER,
        )  # fmt: skip
        return answer.stdout.strip() if answer.returncode == 0 else None
    return None
