"""Nights that measure in this process, so that a test can reach into the measuring."""

from __future__ import annotations

import shutil
from contextlib import nullcontext
from pathlib import Path

import pytest

from quietsleep.measure.pool import InProcess
from quietsleep.night.night import NightReport
from quietsleep.simulation.centres import write_demo_study
from tests.shared import made_once


@pytest.fixture
def pool(monkeypatch: pytest.MonkeyPatch) -> InProcess:
    """Measure in this process for the length of a test."""
    stand_in = InProcess()
    monkeypatch.setattr(
        "quietsleep.night.stages.measuring_pool", lambda workers: nullcontext(stand_in)
    )
    return stand_in


@pytest.fixture
def small_study(small_deliveries: Path, tmp_path: Path) -> Path:
    """A copy of the small study that a test may damage."""
    path = tmp_path / "demo"
    shutil.copytree(small_deliveries, path)
    return path


@pytest.fixture(scope="session")
def tiny_deliveries(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study of the same centres with one session each; do not change it."""

    def make(path: Path) -> None:
        write_demo_study(path, sessions_per_centre=1)

    return made_once(tmp_path_factory, "tiny", make)[0]


@pytest.fixture
def tiny_study(tiny_deliveries: Path, tmp_path: Path) -> Path:
    """A copy of the tiny study that a test may damage."""
    path = tmp_path / "demo"
    shutil.copytree(tiny_deliveries, path)
    return path


@pytest.fixture
def study_after(small_night: tuple[Path, NightReport], tmp_path: Path) -> Path:
    """A copy of the small study after its first night, for what comes next."""
    path = tmp_path / "demo"
    shutil.copytree(small_night[0], path, symlinks=True)
    return path
