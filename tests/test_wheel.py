"""The wheel: one name, data and all, and a demo night from it outside the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that holds what the wheel brings, and nothing of the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT, check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "installed")
    return folder / "installed"


def test_wheel_brings_exactly_one_name(unpacked: Path) -> None:
    names = {entry.name for entry in unpacked.iterdir()}
    assert {name for name in names if not name.endswith(".dist-info")} == {"quietsleep"}
    package = unpacked / "quietsleep"
    assert (package / "py.typed").exists() and (package / "contracts" / "units.toml").exists()
    kept = {p.suffix for p in package.rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    assert {".py", ".toml", ".sql", ".jinja", ".css", ".js"} <= kept


def test_demo_runs_from_the_wheel_outside_the_checkout(unpacked: Path, tmp_path: Path) -> None:
    """With two sessions a centre instead of twelve: what the demo needs is the same."""
    code = (
        "import quietsleep, sys; assert 'installed' in quietsleep.__file__, quietsleep.__file__; "
        "from functools import partial; from quietsleep.simulation import centres; "
        "few = partial(centres.write_demo_study, sessions_per_centre=2); "
        "centres.write_demo_study = few; "
        "from quietsleep.cli.main import app; app()"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code, "demo", "demo"],
        cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(unpacked)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert "the counts add up" in ended.stdout and "State amber" in ended.stdout
    assert (tmp_path / "demo" / "warehouse" / "current" / "study.duckdb").exists()
