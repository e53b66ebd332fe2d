"""A small study of the accuracy grid after one night, joined with its truth."""

from __future__ import annotations

import pytest

from benchmarks.figures import Joined
from benchmarks.grid import write_grid_study
from quietsleep.night.stages import run_night

INFANTS = 35  # all lengths, conditions, rates and forms of device


@pytest.fixture(scope="session")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Joined:
    study = tmp_path_factory.mktemp("grid") / "study"
    write_grid_study(study, infants=INFANTS, planted=1)
    report = run_night(study, workers=2)
    assert report.published and report.state != "red", report.sentences
    return Joined(study)
