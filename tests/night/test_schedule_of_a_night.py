"""A night with a schedule: the day alone makes a centre late, and wakes a night that is idle."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import pytest

from quietsleep.measure.pool import InProcess
from quietsleep.night import night as night_module
from quietsleep.night.stages import run_night
from quietsleep.warehouse.database import open_current
from tests.handmade import deliveries_of
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)

SCHEDULE = """
[schedule]
deliveries_every_days = 14
delivery_grace_days = 2
followup_call_within_days = 3

[[schedule.visits]]
visit = "{visit}"
age_days = {age}
earliest_age_days = 0
latest_age_days = 1200
techniques = ["tidal", "double_occlusion"]

[[schedule.visits]]
visit = "Last visit"
age_days = {later}
earliest_age_days = {later}
latest_age_days = {later}
"""


def asked(study: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_current(study) as warehouse:
        return warehouse.execute(sql).fetchall()


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[timedelta]:
    """How far the night's clock is ahead."""
    ahead = [timedelta()]

    class Ahead(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Ahead:
            return super().now(tz) + ahead[0]

    monkeypatch.setattr(night_module, "datetime", Ahead)
    return ahead


def test_without_a_schedule_nothing_is_expected(study_after: Path) -> None:
    assert asked(study_after, "SELECT * FROM expected") == []
    assert asked(study_after, "SELECT DISTINCT state FROM centres ORDER BY state") == [
        ("delivered",),
        ("nothing",),
    ]


def test_a_silent_centre_becomes_late_by_the_date_alone(
    study_after: Path, pool: InProcess, clock: list[timedelta]
) -> None:
    (delivery, *_) = deliveries_of(study_after, "larch")
    row = delivery.rows("sessions")[0]
    age = int(float(row["age_days"]))
    schedule = SCHEDULE.format(visit=row["visit"], age=age, later=age + 1)
    file = study_after / "study.toml"
    file.write_text(file.read_text(encoding="utf-8") + schedule, encoding="utf-8")
    first = run_night(study_after)
    said = " ".join(first.sentences)
    assert first.n_measured == 0 and "is late" not in said
    assert "larch: " in said and "not attempted" in said and "visits are missing" in said
    assert run_night(study_after).idle
    clock[0] = timedelta(days=14)
    assert not run_night(study_after).idle  # due, and not yet late
    clock[0] = timedelta(days=16)
    assert run_night(study_after).idle
    clock[0] = timedelta(days=17)
    report = run_night(study_after)
    late = [s for s in report.sentences if "is late" in s]
    assert report.state == "amber" and len(late) == 4  # all but the one that never began
    assert (
        "larch is late: nothing has arrived for 17 days; a delivery is expected every 14 days."
        in (late)
    )
    assert asked(study_after, "SELECT state FROM centres WHERE centre = 'larch'") == [("late",)]
    page = (study_after / "pages" / "larch" / "index.html").read_text(encoding="utf-8")
    assert "Late:" in page and "The next delivery is late" in page
    assert run_night(study_after).idle
    delivery.seal(note="again")  # touched, but no new delivery
    assert "larch is late" in " ".join(run_night(study_after).sentences)


def test_a_centre_that_left_is_never_late(
    study_after: Path, pool: InProcess, clock: list[timedelta]
) -> None:
    file = study_after / "study.toml"
    text = "\n[schedule]\ndeliveries_every_days = 14\n"
    file.write_text(file.read_text(encoding="utf-8") + text, encoding="utf-8")
    larch = study_after / "centres" / "larch.toml"
    said = larch.read_text(encoding="utf-8").replace(
        "altitude_m", "retired_on = 2026-06-30\naltitude_m"
    )
    larch.write_text(said, encoding="utf-8")
    clock[0] = timedelta(days=100)
    report = run_night(study_after)
    assert not any("larch" in s for s in report.sentences) and len(report.sentences) >= 3
    assert asked(study_after, "SELECT state FROM centres WHERE centre = 'larch'") == [("retired",)]
