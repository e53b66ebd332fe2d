"""Finds the browsers that the tests of pages look with, or brings them.

`python -m tests.browser.find_browser` is run by `make test`: it prints nothing when both are
there, says what it installs, and ends with one sentence for each that cannot be had and code 1.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

LEFT_OUT = "QUIETSLEEP_NO_BROWSER"
SECONDS_TO_ANSWER = 60.0
WHERE_KEPT = """
from playwright.sync_api import sync_playwright
with sync_playwright() as play:
    print(play.chromium.executable_path)
"""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of browser: how its program may be called, and how its package is called."""

    title: str
    names: tuple[str, ...]
    package: str
    by_playwright: bool

    @property
    def needed(self) -> str:
        """What to do where it is not here and could not be fetched."""
        return (
            f"The tests of pages need a {self.title} browser, and none is here or could be "
            f"fetched: install one (Debian: 'apt-get install {self.package}'), or set "
            f"{LEFT_OUT}=1 to leave these tests out, loudly."
        )


CHROMIUM = Kind("Chromium", ("chromium", "chromium-browser", "google-chrome"), "chromium", True)
# What playwright keeps is a Firefox of its own; the tests look with the one that people have.
FIREFOX = Kind("Firefox", ("firefox-esr", "firefox"), "firefox-esr", False)
KINDS = (CHROMIUM, FIREFOX)


def is_left_out() -> bool:
    """Say whether whoever runs the tests wants no browser to look."""
    return os.environ.get(LEFT_OUT) == "1"


def find_browser(kind: Kind = CHROMIUM) -> Path | None:
    """Return a browser that starts: one of this machine, or the one that playwright keeps."""
    return next((path for path in _candidates(kind) if _starts(path)), None)


def bring_browser(kind: Kind = CHROMIUM) -> Path | None:
    """Fetch a browser by playwright, or by the system's packages where root may; else None."""
    ways: list[tuple[str, Sequence[Sequence[str]]]] = []
    if kind.by_playwright:
        ways.append(
            ("by playwright", [(sys.executable, "-m", "playwright", "install", kind.package)])
        )
    if shutil.which("apt-get") and os.geteuid() == 0:
        commands = (
            ("apt-get", "update", "-qq"),
            ("apt-get", "install", "-y", "-qq", "--no-install-recommends", kind.package),
        )
        ways.append(("by the system's packages", commands))
    for way, steps in ways:
        print(f"Installing {kind.package} {way}, for the tests of pages ...", flush=True)
        if all(_succeeds(command) for command in steps) and (found := find_browser(kind)):
            return found
    return None


def _candidates(kind: Kind) -> Iterator[Path]:
    yield from (Path(found) for name in kind.names if (found := shutil.which(name)))
    if not kind.by_playwright:
        return
    # In a process of its own: a test may be driving a browser in this one.
    asked = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", WHERE_KEPT],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    kept = Path(asked.stdout.strip() or os.devnull)
    if kept.is_file():
        yield kept


def _starts(path: Path) -> bool:
    """Say whether a browser answers; one that lacks a library of the system does not."""
    return _succeeds((str(path), "--version"), seconds=SECONDS_TO_ANSWER)


def _succeeds(command: Sequence[str], *, seconds: float | None = None) -> bool:
    quiet = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    try:
        ended = subprocess.run(
            command, capture_output=True, env=quiet, timeout=seconds, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return ended.returncode == 0


if __name__ == "__main__" and not is_left_out():
    lacking = [kind.needed for kind in KINDS if not (find_browser(kind) or bring_browser(kind))]
    if lacking:
        sys.exit("\n".join(lacking))
