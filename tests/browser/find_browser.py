"""Finds the browser that the tests of pages look with, or brings one.

`python -m tests.browser.find_browser` is run by `make test`: it prints nothing when a browser is
there, says what it installs, and ends with one sentence and code 1 where none can be had.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome")
LEFT_OUT = "QUIETSLEEP_NO_BROWSER"
NEEDED = (
    "The tests of pages need a Chromium browser, and none is here or could be fetched: install one "
    f"(Debian: 'apt-get install chromium'), or set {LEFT_OUT}=1 to leave these tests out, loudly."
)
SECONDS_TO_ANSWER = 60.0
WHERE_KEPT = """
from playwright.sync_api import sync_playwright
with sync_playwright() as play:
    print(play.chromium.executable_path)
"""
OF_THE_SYSTEM: tuple[tuple[str, ...], ...] = (
    ("apt-get", "update", "-qq"),
    ("apt-get", "install", "-y", "-qq", "--no-install-recommends", "chromium"),
)


def is_left_out() -> bool:
    """Say whether whoever runs the tests wants no browser to look."""
    return os.environ.get(LEFT_OUT) == "1"


def find_browser() -> Path | None:
    """Return a browser that starts: one of this machine, or the one that playwright keeps."""
    return next((path for path in _candidates() if _starts(path)), None)


def bring_browser() -> Path | None:
    """Fetch a browser by playwright, or by the system's packages where root may; else None."""
    ways: list[tuple[str, Sequence[Sequence[str]]]] = [
        ("by playwright", [(sys.executable, "-m", "playwright", "install", "chromium")])
    ]
    if shutil.which("apt-get") and os.geteuid() == 0:
        ways.append(("by the system's packages", OF_THE_SYSTEM))
    for way, commands in ways:
        print(f"Installing chromium {way}, for the tests of pages ...", flush=True)
        if all(_succeeds(command) for command in commands) and (found := find_browser()):
            return found
    return None


def _candidates() -> Iterator[Path]:
    yield from (Path(found) for name in NAMES if (found := shutil.which(name)))
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


if __name__ == "__main__" and not (is_left_out() or find_browser() or bring_browser()):
    sys.exit(NEEDED)
