"""Deliveries that change while a night reads them: nothing is measured that was not taken in."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from pipeline import stages
from pipeline.night import Night
from pipeline.stages import run_night
from pipeline.warehouse.query import open_current
from tests.faults.conftest import Course
from tests.faults.nights import copy_of, touch
from tests.night.conftest import InProcess
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)


def a_signal(study: Path) -> Path:
    return next((study / "deliveries" / "larch").glob("*/signals/*/*tid1*"))


def state_of(study: Path, recording: str) -> tuple[str, str]:
    with open_current(study) as warehouse:
        sql = "SELECT state, why FROM recordings WHERE recording = ?"
        row = warehouse.execute(sql, [recording]).fetchone()
    assert row is not None
    return row


def between(monkeypatch: pytest.MonkeyPatch, act: object) -> None:
    """Do something to the deliveries once, after taking in and before measuring."""
    plan = stages.plan_measuring

    def planned(night: Night, kind: stages.Kind) -> list[int]:
        if kind == "check":
            act()  # type: ignore[operator]
        return plan(night, kind)

    monkeypatch.setattr(stages, "plan_measuring", planned)


def relisted(delivery: Path, file: Path) -> None:
    manifest = delivery / "delivery.json"
    content = json.loads(manifest.read_text(encoding="utf-8"))
    body = file.read_bytes()
    for entry in content["files"]:
        if entry["path"] == file.relative_to(delivery).as_posix():
            entry |= {"bytes": len(body), "sha256": hashlib.sha256(body).hexdigest()}
    manifest.write_text(json.dumps(content), encoding="utf-8")


def test_file_replaced_between_taking_in_and_measuring_is_not_measured(
    course: Course, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = copy_of(course.before, tmp_path / "study")
    file = a_signal(study)

    def replace() -> None:
        lines = file.read_bytes().splitlines(keepends=True)
        file.write_bytes(b"".join([*lines[:200], *lines[300:]]))
        relisted(file.parents[2], file)

    with monkeypatch.context() as patched:
        between(patched, replace)
        report = run_night(study)
    assert report.state == "amber" and report.conservation["balances"].all()
    state, why = state_of(study, "larch-s001-tid1")
    assert state == "quarantined" and "not the file any more that was taken in" in why
    after = run_night(study)
    assert not after.idle and after.state == "green" and after.n_measured == 1
    assert state_of(study, "larch-s001-tid1")[0] == "measured"
    assert run_night(study).idle


def test_file_that_vanishes_and_comes_back_is_measured_then(
    course: Course, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = copy_of(course.before, tmp_path / "study")
    file = a_signal(study)
    with monkeypatch.context() as patched:
        between(patched, lambda: file.rename(tmp_path / "away"))
        report = run_night(study)
    assert report.state == "amber"
    assert state_of(study, "larch-s001-tid1")[0] == "quarantined"
    (tmp_path / "away").rename(file)
    assert run_night(study).state == "green"
    assert state_of(study, "larch-s001-tid1")[0] == "measured"


def test_delivery_that_grows_during_the_night_is_for_the_next_one(
    course: Course, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What arrives after a night began must not be taken for unchanged by the next."""
    study = tmp_path / "study"
    shutil.copytree(course.before, study, symlinks=True)
    later = tmp_path / "larch-01"
    shutil.move(study / "deliveries" / "larch" / "larch-01", later)
    with monkeypatch.context() as patched:
        between(patched, lambda: shutil.move(later, study / "deliveries" / "larch"))
        first = run_night(study)
    assert first.idle or "larch has delivered nothing." in first.sentences
    second = run_night(study)
    assert second.state == "green" and second.n_measured > 0


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_delivery_cut_while_it_is_written_is_held_and_read_when_whole(
    course: Course, tmp_path: Path, pool: InProcess, share: float
) -> None:
    study = copy_of(course.before, tmp_path / "study")
    file = a_signal(study)
    body = file.read_bytes()
    file.write_bytes(body[: int(share * len(body))])
    first = run_night(study)
    assert first.state == "amber" and state_of(study, "larch-s001-tid1")[0] == "quarantined"
    file.write_bytes(body)
    assert run_night(study).state == "green"


def test_file_that_cannot_be_opened_once_is_tried_again(
    course: Course, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing about the file changes: its size and time are those of the night before."""
    from pipeline.intake import read, source

    study = copy_of(course.before, tmp_path / "study")
    name = a_signal(study).name
    real = read.read_bounded

    def refused(path: Path, most_bytes: int = read.MOST_BYTES) -> bytes:
        if path.name == name:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, most_bytes)

    for module in (read, source):
        with monkeypatch.context() as patched:
            patched.setattr(module, "read_bounded", refused)
            held = run_night(study, full=module is source)
        assert held.state == "amber"
        state, why = state_of(study, "larch-s001-tid1")
        assert state == "quarantined" and "Permission denied" in why
        assert run_night(study).state == "green"


def test_study_that_is_moved_finds_its_deliveries(
    course: Course, tmp_path: Path, pool: InProcess
) -> None:
    study = copy_of(course.before, tmp_path / "study")
    assert run_night(study).state == "green"
    moved = study.rename(tmp_path / "moved")
    touch(moved)
    pool.measured.clear()
    assert run_night(moved).state == "green" and pool.measured == []
    with stages.open_night(moved) as night:
        paths = night.state.frame("SELECT path FROM deliveries")["path"]
    assert all(Path(path).is_relative_to(moved) for path in paths)
