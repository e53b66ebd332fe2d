"""A study may lie in a folder of any name: a night in it is like a night anywhere else."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from quietsleep.errors import StudyError
from quietsleep.measure.pool import InProcess
from quietsleep.night.stages import run_night
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.integrity import damage
from quietsleep.warehouse.release import release_night
from tests.faults.nights import copy_of, left_over
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)

AWKWARD = 'l\'étude [2] "x"; -- 100% *'


def test_a_night_a_change_and_a_release_in_a_folder_of_an_awkward_name(
    micro: Path, tmp_path: Path, pool: InProcess
) -> None:
    study = copy_of(micro, tmp_path / AWKWARD)
    # What the name would mean as a pattern lies beside it and must not be read.
    shutil.copytree(study, tmp_path / AWKWARD.replace("[2]", "2").replace("*", "y"))
    first = run_night(study, workers=1)
    assert first.published and first.state != "red", first.sentences
    (study / "waivers.toml").write_text("", encoding="utf-8")
    second = run_night(study, workers=1, full=True)
    assert second.published and second.state != "red", second.sentences
    assert damage(current_night(study)) == []
    with open_current(study) as warehouse:
        assert warehouse.execute("SELECT count(*) FROM sessions").fetchall()[0][0] == 2
    release = release_night(load_study(study), "first")
    assert (release / "study.duckdb").is_file() and left_over(study) == []


@pytest.mark.parametrize("sign", ["?", "\\"])
def test_a_name_that_no_database_opens_is_said_before_anything_is_done(
    micro: Path, tmp_path: Path, sign: str
) -> None:
    study = copy_of(micro, tmp_path / f"a{sign}b")
    with pytest.raises(StudyError, match="move or rename the folder"):
        load_study(study)
    assert not (study / "work").exists()
