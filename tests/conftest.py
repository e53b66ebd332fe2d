"""The demo study and one whole night on it, made once for all tests that need them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.simulation.centres import write_demo_study
from tests.evidence import pytest_terminal_summary as pytest_terminal_summary  # noqa: PLC0414


@pytest.fixture(scope="session")
def demo_deliveries(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo study as delivered, before any night."""
    path = tmp_path_factory.mktemp("delivered") / "demo"
    write_demo_study(path)
    return path


@pytest.fixture(scope="session")
def demo_night(
    demo_deliveries: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, NightReport]:
    """The demo study after its first night, and the report of that night; do not change it."""
    path = tmp_path_factory.mktemp("night") / "demo"
    shutil.copytree(demo_deliveries, path)
    return path, run_night(path)


@pytest.fixture(scope="session")
def small_deliveries(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study of the same centres with two visits each, quick to run nights on."""
    path = tmp_path_factory.mktemp("small") / "demo"
    write_demo_study(path, sessions_per_centre=2)
    return path
