"""Deliveries that change while a night reads them: nothing is measured that was not taken in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb
import pytest

from quietsleep.intake.find import find_strays
from quietsleep.measure.plan import Plan, plan_checks
from quietsleep.measure.pool import InProcess
from quietsleep.measure.roster import Roster
from quietsleep.night import stages
from quietsleep.night.stages import run_night
from quietsleep.simulation.exports import relist
from quietsleep.study.study import Study, load_study
from quietsleep.warehouse.database import open_current
from tests.faults.conftest import Course
from tests.faults.nights import copy_of, open_kinds, touch
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)


def a_signal(study: Path, kind: str) -> Path:
    return next((study / "deliveries" / "larch").glob(f"*/signals/*/*{kind}*"))


def state_of(study: Path, recording: str) -> tuple[str, str]:
    with open_current(study) as warehouse:
        sql = "SELECT state, why FROM recordings WHERE recording = ?"
        row = warehouse.execute(sql, [recording]).fetchone()
    assert row is not None
    return row


def between(monkeypatch: pytest.MonkeyPatch, act: Callable[[], object]) -> None:
    """Do something to the deliveries once, after taking in and before measuring."""

    def planned(roster: Roster, study: Study) -> Plan:
        act()
        return plan_checks(roster, study)

    monkeypatch.setattr(stages, "plan_checks", planned)


def test_files_replaced_or_taken_away_while_they_are_read_are_not_measured(
    course: Course, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = copy_of(course.before, tmp_path / "study")
    file, gone = a_signal(study, "tid1"), a_signal(study, "sot1")

    def disturb() -> None:
        lines = file.read_bytes().splitlines(keepends=True)
        file.write_bytes(b"".join(lines[:-100]))
        relist(file.parents[2], file)
        gone.rename(tmp_path / "away")

    with monkeypatch.context() as patched:
        between(patched, disturb)
        report = run_night(study)
    assert report.state == "amber" and report.conservation["balances"].all()
    state, why = state_of(study, "larch-s001-tid1")
    assert state == "quarantined" and "not the file any more that was taken in" in why
    assert state_of(study, "larch-s001-sot1")[0] == "quarantined"
    (tmp_path / "away").rename(gone)
    after = run_night(study)
    assert not after.idle and after.state == "amber" and after.n_measured == 2
    assert open_kinds(study) == ["delivery_edited"]
    assert state_of(study, "larch-s001-tid1")[0] == "measured"
    assert run_night(study).idle


def test_delivery_that_grows_during_the_night_is_for_the_next_one(
    course: Course, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What arrives after a night began must not be taken for unchanged by the next."""
    study = tmp_path / "study"
    shutil.copytree(course.before, study, symlinks=True)
    later = tmp_path / "larch-01"
    shutil.move(study / "deliveries" / "larch" / "larch-01", later)
    touch(study)
    with monkeypatch.context() as patched:
        between(patched, lambda: shutil.move(later, study / "deliveries" / "larch"))
        first = run_night(study)
    assert first.n_measured == 0
    assert any(s.startswith("larch has delivered nothing.") for s in first.sentences)
    second = run_night(study)
    assert second.state == "green" and second.n_measured > 0


def test_file_that_cannot_be_opened_once_is_tried_again(
    course: Course, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing about the files changes: their sizes and times are those of the night before.

    One cannot be opened when it is taken in, the other when it is measured.
    """
    from quietsleep.intake import source
    from quietsleep.intake.files import read

    study = copy_of(course.before, tmp_path / "study")
    real = read.read_bounded

    def refusing(name: str) -> Callable[..., bytes]:
        def refused(path: Path, most_bytes: int = read.MOST_BYTES) -> bytes:
            if path.name == name:
                raise PermissionError(13, "Permission denied", str(path))
            return real(path, most_bytes)

        return refused

    with monkeypatch.context() as patched:
        patched.setattr(source, "read_bounded", refusing(a_signal(study, "tid1").name))
        patched.setattr(read, "read_bounded", refusing(a_signal(study, "sot1").name))
        held = run_night(study)
    assert held.state == "amber" and not held.idle
    for kind in ("tid1", "sot1"):
        state, why = state_of(study, f"larch-s001-{kind}")
        assert state == "quarantined" and "Permission denied" in why
    assert run_night(study).state == "green"


def test_folder_that_cannot_be_opened_is_no_silent_centre(
    course: Course, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.scandir

    def refused(path: Path | str) -> Iterator[os.DirEntry[str]]:
        if str(path).endswith("larch"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", refused)
    (problem,) = find_strays(load_study(course.before))
    assert problem.sentence.endswith("deliveries of larch cannot be opened: Permission denied.")


def test_study_that_is_moved_finds_its_deliveries(course: Course, tmp_path: Path) -> None:
    """A copy elsewhere, with deliveries known by another path: only what is new is measured."""
    moved = course.after
    new = list((moved / "deliveries" / "larch").glob("*/signals/*/*"))
    assert course.measured == len(new)
    kept = shutil.copy(moved / "work" / "state.duckdb", tmp_path)  # others look at the study too
    with duckdb.connect(kept, read_only=True) as state:
        paths = [path for (path,) in state.execute("SELECT path FROM deliveries").fetchall()]
    assert len(paths) == 2 and all(Path(path).is_relative_to(moved) for path in paths)
