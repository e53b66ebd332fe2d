"""A small study of the accuracy grid after one night, joined with its truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.figures import Joined
from benchmarks.grid import write_grid_study
from quietsleep.measure.pool import in_process
from quietsleep.night import stages
from quietsleep.night.stages import run_night
from tests.conftest import answers_stand
from tests.shared import made_once

INFANTS = 35  # all lengths, conditions, rates and forms of device


def make_grid_night(path: Path) -> None:
    """Write the study and run its night, of which the warehouse is read and no page."""
    write_grid_study(path / "study", infants=INFANTS, planted=1, processes=1)
    with pytest.MonkeyPatch.context() as patch:
        answers_stand(patch)
        patch.setattr(stages, "write_site", lambda *given: None)
        report = run_night(path / "study", pool=in_process)
    assert report.published and report.state != "red", report.sentences


@pytest.fixture(scope="session")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Joined:
    return Joined(made_once(tmp_path_factory, "grid", make_grid_night)[0] / "study")
