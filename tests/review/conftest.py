"""Decisions made up for tests, and one small night that tests copy."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from quietsleep.measure.pool import in_process
from quietsleep.night.stages import run_night
from quietsleep.study.review_log import Review
from tests.shared import made_once

Maker = Callable[..., Review]


def make_review(**changed: Any) -> Review:
    given: dict[str, Any] = {
        "review": "", "centre": "larch", "trial": "larch-s1-sot1#2",
        "technique": "single_occlusion",
        "file_sha256": "f" * 64, "start_s": 10.0, "end_s": 12.0, "reader": "reader-1",
        "decided_at": "2026-04-01T09:00:00+00:00", "decision": "accept",
        "reason": "sound_manoeuvre", "note": "", "blind": False, "machine": "rejected",
        "overrules": ("single_occlusion.long_fit",),
    }  # fmt: skip
    return Review(**(given | changed))


@pytest.fixture
def review() -> Maker:
    """Make a decision, with changes."""
    return make_review


@pytest.fixture(scope="session")
def judged_study(small_deliveries: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small study after its first night; do not change it."""

    def make(path: Path) -> None:
        shutil.copytree(small_deliveries, path, dirs_exist_ok=True)
        for centre in path.glob("deliveries/*"):
            if centre.name not in ("larch", "willow"):
                shutil.rmtree(centre)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("quietsleep.night.stages.write_site", lambda *given: None)
            report = run_night(path, pool=in_process)
        assert report.published, report.sentences

    return made_once(tmp_path_factory, "judged", make)[0]


@pytest.fixture
def study_path(judged_study: Path, tmp_path: Path) -> Path:
    """A copy of the judged study that a test may change."""
    path = tmp_path / "demo"
    shutil.copytree(judged_study, path, symlinks=True)
    return path
