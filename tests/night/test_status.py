"""When a night looked, what was due since, and what traces of killed ones count for."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.night.looks import (
    AT_WORK,
    EVERY,
    LOOKED,
    Look,
    at_work,
    begun_at,
    kept_schedule,
    last_look,
    note_look,
    schedule_kept,
)
from quietsleep.night.night import NightReport
from quietsleep.night.status import LATE, status_of
from quietsleep.study.study import Study, load_study

AT = datetime(2026, 3, 2, 2, 0, 20, tzinfo=UTC)
HOURLY = "0 * * * *"


def looked(work: Path, began: datetime = AT, took: timedelta = timedelta(minutes=5)) -> None:
    ended = (began + took).isoformat()
    note_look(work, Look("n000007", began.isoformat(), ended, "amber", True, False))


@pytest.fixture
def study(tmp_path: Path) -> Study:
    """A study with a schedule, and nothing that any night has left."""
    (tmp_path / "work").mkdir()
    return Study(tmp_path, "nights", "Nights", {}, due=HOURLY)


def test_study_that_nobody_looked_at_is_missed(study: Study) -> None:
    status = status_of(study, now=AT)
    assert status.is_missed and status.missed == 0 and status.looked_at is None
    assert status.next_due == datetime(2026, 3, 2, 3, tzinfo=UTC)


@pytest.mark.parametrize(
    ("later", "missed"),
    [
        (timedelta(minutes=50), 0),
        (timedelta(hours=1, minutes=10), 0),  # a timer need not be exact
        (timedelta(minutes=59, seconds=40) + LATE - timedelta(seconds=1), 0),
        (timedelta(minutes=59, seconds=40) + LATE, 1),
        (timedelta(hours=3) + LATE, 3),
    ],
)
def test_nights_are_missed_that_were_due_and_did_not_look(
    study: Study, later: timedelta, missed: int
) -> None:
    looked(study.work_path)
    status = status_of(study, now=AT + later)
    assert (status.missed, status.is_missed) == (missed, missed > 0)
    assert (status.looked_night, status.looked_idle, status.schedule_by) == (
        "n000007", True, "study.toml",
    )  # fmt: skip


def test_what_was_due_while_a_night_was_at_work_is_not_missed(study: Study) -> None:
    looked(study.work_path, AT, timedelta(hours=2, minutes=30))
    assert status_of(study, now=AT + timedelta(hours=2, minutes=50)).missed == 0
    looked(study.work_path)
    with at_work(study.work_path):
        status = status_of(study, now=datetime.now(UTC))
        assert status.at_work_since is not None and status.missed > 0  # since then, none looked
    assert begun_at(study.work_path) is None and not (study.work_path / AT_WORK).exists()


def test_night_that_was_killed_is_at_work_no_more(study: Study) -> None:
    (study.work_path / AT_WORK).write_text(
        '{"owner": "1-0", "began_at": "2026-03-02T02:00:00+00:00"}', encoding="utf-8"
    )
    assert begun_at(study.work_path) is None


def test_schedule_of_a_process_counts_and_one_that_was_killed_is_said(study: Study) -> None:
    looked(study.work_path)
    with schedule_kept(study.work_path, "30 2 * * *"):
        status = status_of(study, now=AT)
        assert (status.schedule, status.schedule_by) == ("30 2 * * *", "running")
    assert kept_schedule(study.work_path) is None
    killed = {
        "cron": "30 2 * * *",
        "owner": "1-0",
        "began_at": (AT - timedelta(days=9)).isoformat(),
    }
    (study.work_path / EVERY).write_text(json.dumps(killed), encoding="utf-8")
    assert status_of(study, now=AT).schedule_by == "study.toml"
    alone = Study(study.path, "nights", "Nights", {})
    status = status_of(alone, now=AT + timedelta(days=2))
    assert (status.schedule_by, status.missed) == ("stopped", 2)


def test_what_was_due_before_a_schedule_began_is_not_missed(study: Study) -> None:
    looked(study.work_path)
    alone = Study(study.path, "nights", "Nights", {})
    with schedule_kept(study.work_path, HOURLY):
        assert status_of(alone, now=datetime.now(UTC) + timedelta(minutes=10)).missed == 0
        later = status_of(alone, now=datetime.now(UTC) + timedelta(hours=3, minutes=20))
        assert 3 <= later.missed <= 4  # by the minute at which this test runs


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"night": 1}', "{"])
def test_trace_that_cannot_be_read_is_no_trace(study: Study, text: str) -> None:
    for name in (LOOKED, AT_WORK, EVERY):
        (study.work_path / name).write_text(text, encoding="utf-8")
    assert last_look(study.work_path) is None and begun_at(study.work_path) is None
    assert status_of(study, now=AT).schedule == HOURLY


def test_status_of_a_study_with_a_night(small_night: tuple[Path, NightReport]) -> None:
    path, report = small_night
    status = status_of(load_study(path))
    assert (status.looked_night, status.published_night) == (report.night, report.night)
    assert (status.queries_open, status.missed, status.next_due) == (report.n_open, 0, None)
    ages = {each.centre: each.age_days for each in status.centres}
    assert ages["rowan"] is None and ages["larch"] == 0
    said = CliRunner().invoke(app, ["status", str(path)])
    assert said.exit_code == 0 and "Last looked" in said.stdout and "rowan: none yet" in said.stdout


def test_missed_night_ends_the_command_with_one(
    study: Study, small_deliveries: Path, tmp_path: Path
) -> None:
    toml = (small_deliveries / "study.toml").read_text(encoding="utf-8")
    every = f'\n[nightly]\nevery = "{HOURLY}"\n'
    (tmp_path / "study.toml").write_text(toml + every, encoding="utf-8")
    shutil.copytree(small_deliveries / "centres", tmp_path / "centres")
    looked(study.work_path)
    ended = CliRunner().invoke(app, ["status", str(tmp_path)])
    assert ended.exit_code == 1, ended.output
    assert "Missed: " in ended.stdout and "nobody looked" in ended.stdout
