"""All outcomes doubled in the published database by hand: nobody takes them for measured ones."""

from __future__ import annotations

import os
from pathlib import Path

import duckdb
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.measure.pool import in_process
from quietsleep.night.doctor import examine, repair
from quietsleep.night.stages import run_night
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_current

VALUES = "SELECT centre, session, outcome, value FROM outcomes ORDER BY ALL"
ASK = "SELECT count(*) FROM clean_outcomes"


def double_outcomes(study: Path) -> None:
    """Double every outcome, in the table and in what views show; the file keeps its time."""
    file = current_night(study) / "study.duckdb"
    before = file.stat()
    with duckdb.connect(file) as connection:
        connection.execute("UPDATE outcomes SET value = 2 * value")
        connection.execute("UPDATE stored.clean_outcomes SET value = 2 * value")
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))


def values(study: Path) -> list[tuple[object, ...]]:
    with open_current(study) as warehouse:
        return warehouse.execute(VALUES).fetchall()


def test_a_night_finds_out_that_its_database_was_changed_and_publishes_anew(
    two_after: Path,
) -> None:
    before = values(two_after)
    assert run_night(two_after, pool=in_process).idle
    double_outcomes(two_after)
    assert values(two_after) != before
    asked = CliRunner().invoke(app, ["sql", "--study", str(two_after), ASK])
    assert asked.exit_code != 0 and "was changed since it was published" in asked.stderr
    found = [finding.sentence for finding in examine(load_study(two_after))]
    assert len(found) == 1 and "holds other rows than published in outcomes" in found[0]
    report = run_night(two_after, pool=in_process)
    assert not report.idle and report.published and report.n_measured == 0
    assert any("holds other rows than published in outcomes" in s for s in report.sentences)
    assert values(two_after) == before
    assert run_night(two_after, pool=in_process).idle
    assert (
        examine(load_study(two_after)) == []
        or "earlier night" in examine(load_study(two_after))[0].sentence
    )


def test_the_doctor_has_it_published_anew(two_after: Path) -> None:
    before = values(two_after)
    double_outcomes(two_after)
    told = list(repair(examine(load_study(two_after))))
    assert told and all(outcome.startswith("Mended") for _, outcome in told)
    report = run_night(two_after, pool=in_process)
    assert report.published and values(two_after) == before


def test_a_dry_run_leaves_what_is_kept_of_the_night_alone(two_after: Path) -> None:
    from quietsleep.night.dry_run import dry_run

    assert run_night(two_after, pool=in_process).idle
    stamps = (two_after / "warehouse" / "stamps.json").read_bytes()
    assert dry_run(load_study(two_after), workers=1).report.idle
    assert (two_after / "warehouse" / "stamps.json").read_bytes() == stamps
