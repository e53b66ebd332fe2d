"""One value changed by hand, anywhere: nights notice it, and so does the doctor.

What a night reads of a published night it compares by size and times of all files, of the state
likewise; only where these are others, and in the doctor, every byte and row is read. What the study
register says of digests is compared in any case. Of releases and of the pages the doctor alone
reads every byte.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from quietsleep.measure.pool import in_process
from quietsleep.night.doctor import examine, repair
from quietsleep.night.stages import run_night
from quietsleep.study.register_witness import forget
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.release import release_night
from tests.faults.conftest import micro as micro  # noqa: PLC0414  (a fixture)
from tests.shared import made_once

STATE = ("measured", "trials", "trial_values", "deliveries", "delivered", "stats", "nights")


@pytest.fixture(scope="session")
def two_visits(micro: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study of two centres with a visit each, after its night; do not change it."""

    def make(path: Path) -> None:
        shutil.copytree(micro, path, dirs_exist_ok=True)
        assert run_night(path, pool=in_process).published

    return made_once(tmp_path_factory, "two-visits", make)[0]


@pytest.fixture
def study(two_visits: Path, tmp_path: Path) -> Path:
    """A copy of it after a second night, which was idle: this machine knows it."""
    path = shutil.copytree(two_visits, tmp_path / "study", symlinks=True)
    assert run_night(path, pool=in_process).idle
    return path


def outcomes(study: Path) -> list[tuple[object, ...]]:
    with open_current(study) as warehouse:
        return warehouse.execute(
            "SELECT centre, session, outcome, value FROM outcomes ORDER BY ALL"
        ).fetchall()


def in_state(study: Path, sql: str) -> None:
    """Change the state, its time set back afterwards."""
    file = study / "work" / "state.duckdb"
    before = file.stat()
    with closing(duckdb.connect(file)) as state:
        state.execute(sql)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))


ONE_VALUE = "UPDATE trial_values SET value = value * 2 WHERE quantity = 'vt_ml'"


def test_a_value_changed_in_the_state_is_never_published(study: Path) -> None:
    before = outcomes(study)
    in_state(study, ONE_VALUE)
    said = [finding.sentence for finding in examine(load_study(study))]
    assert len(said) == 1 and "was changed by hand in trial_values" in said[0]
    report = run_night(study, pool=in_process)
    assert not report.idle and report.published and report.state != "red"
    assert any("was changed by hand in trial_values" in s for s in report.sentences)
    assert outcomes(study) == before
    assert [*(study / "work").glob("state.aside-*.duckdb")], "kept to be looked at"
    assert run_night(study, pool=in_process).idle


@pytest.mark.parametrize("table", STATE)
def test_a_row_changed_in_any_table_of_the_state_is_seen_by_the_doctor(
    study: Path, table: str
) -> None:
    with closing(duckdb.connect(study / "work" / "state.duckdb")) as state:
        first = state.execute(f"SELECT min(rowid) FROM {table}").fetchall()[0][0]
    column = {"measured": "sentence", "trials": "start_s", "trial_values": "value",
              "deliveries": "sha256", "delivered": "centre", "stats": "sha256",
              "nights": "sentences"}[table]  # fmt: skip
    value = "start_s + 1" if table == "trials" else "1" if table == "trial_values" else "'x'"
    in_state(study, f"UPDATE {table} SET {column} = {value} WHERE rowid = {first}")
    findings = examine(load_study(study))
    assert [f"in {table}." in finding.sentence for finding in findings] == [True]
    told = list(repair(findings))
    assert told[0][1].startswith("Mended") and not (study / "work" / "state.duckdb").exists()


def test_a_state_that_nobody_touched_or_that_was_moved_here_is_sound(study: Path) -> None:
    assert examine(load_study(study)) == []
    moved = shutil.move(study, study.with_name("elsewhere"))
    assert run_night(Path(moved), pool=in_process).idle
    assert examine(load_study(Path(moved))) == []
    os.utime(Path(moved) / "work" / "state.duckdb")
    assert run_night(Path(moved), pool=in_process).idle, "another time alone is no change"


def test_a_log_of_writes_put_beside_the_state_is_read(study: Path, tmp_path: Path) -> None:
    """The database takes in what waits beside its file: no size or time of the file tells."""
    work = study / "work"
    with closing(duckdb.connect(work / "state.duckdb")) as state:
        state.execute("PRAGMA disable_checkpoint_on_shutdown")
        state.execute("SET wal_autocheckpoint = '1GB'")
        state.execute("SELECT 1")
    forget(study)
    assert run_night(study, pool=in_process).idle
    before = (work / "state.duckdb").read_bytes(), (work / "state.duckdb").stat()
    with closing(duckdb.connect(work / "state.duckdb")) as state:
        state.execute("PRAGMA disable_checkpoint_on_shutdown")
        state.execute(ONE_VALUE)
    assert (work / "state.duckdb.wal").exists()
    assert (work / "state.duckdb").read_bytes() == before[0]
    report = run_night(study, pool=in_process)
    assert any("was changed by hand in trial_values" in s for s in report.sentences)


def one_value_of_a_part(study: Path) -> None:
    """Write a part anew with one value changed, of the same size to the byte where it can be."""
    part = max(current_night(study).glob("tables/trial_values/*/*"), key=lambda p: p.stat().st_size)
    table = pq.read_table(part)
    place = table.schema.get_field_index("value")
    values = pc.if_else(pa.array([n == 0 for n in range(len(table))]), 1.5, table["value"])
    pq.write_table(table.set_column(place, table.schema.field(place), values), part)


def one_value_of_the_database(study: Path) -> None:
    with closing(duckdb.connect(current_night(study) / "study.duckdb")) as warehouse:
        warehouse.execute("UPDATE outcomes SET value = value + 1 WHERE rowid = 0")


@pytest.mark.parametrize("change", [one_value_of_a_part, one_value_of_the_database])
def test_one_value_of_the_published_night_is_noticed_and_published_anew(
    study: Path, change: Callable[[Path], None]
) -> None:
    before = outcomes(study)
    change(study)
    (found,) = (f.sentence for f in examine(load_study(study)) if "earlier" not in f.sentence)
    assert "The published night is not as it was published" in found
    report = run_night(study, pool=in_process)
    assert report.published and not report.idle and report.n_measured == 0
    assert outcomes(study) == before


def test_one_figure_of_a_release_is_noticed_by_the_doctor(study: Path) -> None:
    folder = release_night(load_study(study), "spring")
    assert examine(load_study(study)) == []
    file = max(folder.rglob("*.csv"), key=lambda path: path.stat().st_size)
    content = file.read_bytes()
    place = next(n for n in range(len(content) // 2, len(content)) if content[n : n + 1].isdigit())
    digit = b"1" if content[place : place + 1] != b"1" else b"2"
    file.chmod(0o640)
    file.write_bytes(content[:place] + digit + content[place + 1 :])
    (found,) = examine(load_study(study))
    assert "Release spring is not as it was released" in found.sentence
    assert file.relative_to(folder).as_posix() in found.sentence


def test_one_figure_of_a_page_is_noticed_and_the_page_written_anew(study: Path) -> None:
    page = study / "pages" / "larch" / "index.html"
    before = page.read_bytes()
    place = next(n for n in range(len(before) // 2, len(before)) if before[n : n + 1].isdigit())
    digit = b"1" if before[place : place + 1] != b"1" else b"2"
    page.write_bytes(before[:place] + digit + before[place + 1 :])
    (found,) = examine(load_study(study))
    assert "pages/larch/index.html is not as it was written" in found.sentence
    list(repair([found]))
    assert not page.exists()
    assert run_night(study, pool=in_process).published
    assert page.is_file() and examine(load_study(study)) == []
