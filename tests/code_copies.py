"""Copies of the program that a test may break or add to, and nights run by them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from benchmarks.breakage import copy_program


def copy_code(target: Path) -> Path:
    """Copy all of the package that runs a night, with its data; return its folder."""
    return copy_program(target, without=("simulation",))


def run_with(package: Path, code: str, *words: str) -> str:
    """Run Python with a copy of the program and return what it printed."""
    ended = subprocess.run(
        [sys.executable, "-c", code, *words],
        capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": str(package.parent)},
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    return ended.stdout.strip()
