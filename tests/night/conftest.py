"""Nights that measure in this process, so that a test can reach into the measuring."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from quietsleep.measure.plan import Job
from quietsleep.measure.recording import measure_chunk
from quietsleep.records import Measured


class InProcess:
    """Stands for the pool; remembers what was measured."""

    workers = 1
    jobs_per_chunk = 40

    def __init__(self) -> None:
        self.measured: list[str] = []

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        self.measured += [job.item for job in jobs]
        return measure_chunk(jobs)

    def stream(self, work: Callable[[Any], Any], items: Iterable[Any]) -> Iterator[Any]:
        return map(work, items)


@pytest.fixture
def pool(monkeypatch: pytest.MonkeyPatch) -> InProcess:
    """Measure in this process for the length of a test."""
    stand_in = InProcess()

    @contextmanager
    def opened(workers: int) -> Iterator[InProcess]:
        yield stand_in

    monkeypatch.setattr("quietsleep.night.stages.measuring_pool", opened)
    return stand_in


@pytest.fixture
def small_study(small_deliveries: Path, tmp_path: Path) -> Path:
    """A copy of the small study that a test may damage."""
    path = tmp_path / "demo"
    shutil.copytree(small_deliveries, path)
    return path
