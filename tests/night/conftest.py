"""Nights that measure in this process, so that a test can reach into the measuring."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TypeVar, cast

import pytest

from quietsleep.measure.plan import Job
from quietsleep.measure.pool import InProcess, in_process
from quietsleep.measure.recording import measure_chunk
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.records import Measured
from quietsleep.simulation.centres import write_demo_study
from tests.shared import copy_of_one, made_once

Given = TypeVar("Given")
Made = TypeVar("Made")


class Remembering(InProcess):
    """Measures here what it did not measure in a night before, of whatever study.

    For many nights on the same recordings, whose claims are not about measuring what is sound:
    all that a measure hangs on moves its key, except for what a test does to the program.
    """

    def __init__(self, known: Iterable[Measured] = ()) -> None:
        super().__init__()
        self.known = {each.key: each for each in known}

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        found = super().measure([job for job in jobs if job.key not in self.known])
        now = self.known | {each.key: each for each in found}
        self.known |= {each.key: each for each in found if each.state != "crashed"}
        return [now[job.key] for job in jobs]

    def stream(self, work: Callable[[Given], Made], items: Iterable[Given]) -> Iterator[Made]:
        measures = cast("Callable[[Given], Made]", self.measure)
        return map(measures if work is measure_chunk else work, items)


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


@pytest.fixture(scope="session")
def night_of_one(
    small_deliveries: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, NightReport]:
    """Two sessions of one centre, delivered together, after their first night; do not change it."""

    def make(path: Path) -> NightReport:
        path.rmdir()
        return run_night(copy_of_one(small_deliveries, path, centre="sedge"), pool=in_process)

    return made_once(tmp_path_factory, "one-centre", make)


@pytest.fixture
def one_after(night_of_one: tuple[Path, NightReport], tmp_path: Path) -> Path:
    """A copy of the study of one centre after its first night, for what comes next."""
    path = tmp_path / "demo"
    shutil.copytree(night_of_one[0], path, symlinks=True)
    return path


def keep_two_centres(path: Path, source: Path) -> None:
    shutil.copytree(source, path, dirs_exist_ok=True)
    for folder in ("deliveries", "centres"):
        for entry in (path / folder).iterdir():
            if entry.stem not in ("larch", "juniper"):
                shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
    (path / "waivers.toml").unlink()


@pytest.fixture(scope="session")
def published_two(tmp_path_factory: pytest.TempPathFactory, small_deliveries: Path) -> Path:
    """Two centres of two sessions each after their first night; do not change it."""

    def make(path: Path) -> None:
        keep_two_centres(path, small_deliveries)
        report = run_night(path, pool=in_process)
        assert report.published and report.state != "red", report.sentences

    return made_once(tmp_path_factory, "two-centres", make)[0]


@pytest.fixture
def two_after(published_two: Path, tmp_path: Path) -> Path:
    """A copy of the two centres after their first night, for what comes next."""
    path = tmp_path / "demo"
    shutil.copytree(published_two, path, symlinks=True)
    return path
