"""Nights that measure in this process, so that a test can reach into the measuring."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from quietsleep.measure.pool import InProcess


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
