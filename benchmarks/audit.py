"""Known holes in what is installed: `python -m benchmarks.audit` (part of `make check`).

pip-audit asks the package index. An index that does not know of holes answers as if there were
none, so an old release with well-known holes is asked for along: unless that one is found, nothing
was audited. This is then said and no error, because work without a network must stay possible;
`--strict` makes it one.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from importlib.metadata import distributions
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

# Holes of this release were published in 2014 and later.
CANARY = ("requests", "2.0.0")
SECONDS = 120


def installed() -> list[tuple[str, str]]:
    """Name and version of everything that is installed here, but this project itself."""
    found = {(d.metadata["Name"], d.version) for d in distributions()}
    return sorted((name, version) for name, version in found if name != "quietsleep")


def ask(packages: list[tuple[str, str]]) -> list[dict[str, Any]]:
    """Ask pip-audit of exact versions; an empty list when it has no answer."""
    with TemporaryDirectory(prefix="quietsleep-audit-") as folder:
        wanted = Path(folder) / "wanted.txt"
        wanted.write_text("".join(f"{n}=={v}\n" for n, v in packages), encoding="utf-8")
        command = [sys.executable, "-m", "pip_audit", "--format", "json", "--no-deps"]
        command += ["--progress-spinner", "off", "--disable-pip", "-r", str(wanted)]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=SECONDS, check=False
            )
            answer: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
        except (subprocess.TimeoutExpired, ValueError, KeyError):
            return []
    return answer


def holes(answer: list[dict[str, Any]]) -> list[str]:
    """One line a known hole."""
    return [
        f"{package['name']} {package['version']}: {hole['id']}, mended in "
        f"{', '.join(hole['fix_versions']) or 'no release yet'}"
        for package in answer
        for hole in package.get("vulns", ())
    ]


def verdict(answer: list[dict[str, Any]], canary: list[dict[str, Any]], n: int) -> tuple[int, str]:
    """Say how the audit ended: 0 nothing known, 1 holes, 2 nothing could be learned."""
    skipped = sum("skip_reason" in package for package in answer)
    if not holes(canary):
        return 2, f"NOT AUDITED: no service told of known holes; {n} packages are unchecked."
    found = holes(answer)
    if found:
        return 1, "\n".join(["Known holes:", *found])
    note = f" {skipped} could not be looked up." if skipped else ""
    return 0, f"{n} packages audited, no known hole.{note}"


def main() -> None:
    parser = argparse.ArgumentParser(description="Audit what is installed for known holes.")
    parser.add_argument("--strict", action="store_true", help="fail when nothing can be learned")
    args = parser.parse_args()
    packages = installed()
    canary = ask([CANARY])
    code, said = verdict(ask(packages) if holes(canary) else [], canary, len(packages))
    print(said)
    sys.exit(code if code == 1 or args.strict else 0)


if __name__ == "__main__":
    main()
