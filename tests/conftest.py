"""The demo study and whole nights on it, made once for all tests and processes of a run."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from quietsleep.measure.pool import in_process
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.simulation.centres import write_demo_study
from tests.evidence import pytest_terminal_summary as pytest_terminal_summary  # noqa: PLC0414
from tests.shared import made_once


@pytest.fixture(scope="session")
def demo_night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, NightReport]:
    """The demo study after its first night, and the report of that night; do not change it."""

    def make(path: Path) -> NightReport:
        write_demo_study(path)
        return run_night(path)

    return made_once(tmp_path_factory, "demo", make)


@pytest.fixture(scope="session")
def small_deliveries(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study of the same centres with two sessions each; do not change it."""

    def make(path: Path) -> None:
        write_demo_study(path, sessions_per_centre=2)

    return made_once(tmp_path_factory, "small", make)[0]


@pytest.fixture(scope="session")
def small_night(
    small_deliveries: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, NightReport]:
    """The small study after its first night, and the report of that night; do not change it."""

    def make(path: Path) -> NightReport:
        shutil.copytree(small_deliveries, path, dirs_exist_ok=True)
        return run_night(path, pool=in_process)

    return made_once(tmp_path_factory, "small-night", make)
