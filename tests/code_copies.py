"""Copies of the program that a test may break or add to, and nights run by them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from quietsleep.measure.fingerprint import NAME, PACKAGE

ROOT = Path(__file__).parents[1]


def copy_code(target: Path) -> Path:
    """Copy the package with its data, as in a wheel; return the folder of the package."""
    ignored = shutil.ignore_patterns("__pycache__", "simulation")
    shutil.copytree(PACKAGE, target / NAME, ignore=ignored)
    for data in ("contracts", "demo_centres"):
        shutil.copytree(ROOT / data, target / NAME / data)
    return target / NAME


def run_with(package: Path, code: str, *words: str) -> str:
    """Run Python with a copy of the program and return what it printed."""
    ended = subprocess.run(
        [sys.executable, "-c", code, *words],
        capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": str(package.parent)},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    return ended.stdout.strip()
