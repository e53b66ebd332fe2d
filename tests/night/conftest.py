"""Nights that measure in this process, so that a test can reach into the measuring."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import TypeVar, cast

import pytest

from quietsleep.measure.plan import Job
from quietsleep.measure.pool import InProcess
from quietsleep.measure.recording import measure_chunk
from quietsleep.night.night import NightReport
from quietsleep.records import Measured
from quietsleep.simulation.centres import write_demo_study
from tests.shared import made_once

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
