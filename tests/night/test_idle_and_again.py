"""A second night: idle when nothing changed, and no more work than what changed."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from quietsleep.measure.pool import InProcess, in_process
from quietsleep.night.night import Night, NightReport
from quietsleep.night.orchestration.run import run_orchestrated
from quietsleep.night.stages import run_night
from quietsleep.simulation.exports import relist
from quietsleep.store.state import NightRunning, State
from quietsleep.warehouse.current import current_night
from tests.faults.nights import touch


def digests(night: Path) -> dict[str, str]:
    """Digest of every parquet file of a published night, but for those that name the night."""
    of_the_night = {"nights", "ledger", "conservation", "problems", "changes", "deliveries",
                    "session_changes", "briefing"}  # fmt: skip
    return {
        str(file.relative_to(night)): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(night.glob("tables/**/*.parquet"))
        if file.relative_to(night).parts[1] not in of_the_night
    }


def test_unchanged_night_is_idle_and_leaves_the_warehouse(
    night_of_one: tuple[Path, NightReport], one_after: Path, pool: InProcess
) -> None:
    first = night_of_one[1]
    published = current_night(one_after)
    second = run_night(one_after)
    assert first.n_measured > 0 and pool.measured == []
    assert (second.idle, second.n_measured, second.state) == (True, 0, first.state)
    assert second.sentences == first.sentences
    assert current_night(one_after) == published


def test_looking_at_everything_again_gives_the_same_bytes(one_after: Path, pool: InProcess) -> None:
    first = digests(current_night(one_after))
    again = run_night(one_after, full=True)
    assert not again.idle
    assert pool.measured == []
    assert digests(current_night(one_after)) == first and len(first) > 30


def test_losing_the_work_folder_costs_a_night_and_nothing_else(
    small_night: tuple[Path, NightReport], study_after: Path, pool: InProcess
) -> None:
    """Of all centres: each way in which files are delivered is read anew."""
    first = digests(current_night(study_after))
    shutil.rmtree(study_after / "work")
    again = run_night(study_after)
    assert again.n_measured == len(pool.measured) > 0
    assert digests(current_night(study_after)) == first
    # Its name goes on from what the warehouse remembers.
    assert (small_night[1].night, again.night) == ("n000001", "n000002")


def test_one_changed_weight_measures_one_session(one_after: Path, pool: InProcess) -> None:
    delivery = one_after / "deliveries" / "sedge" / "sedge-01"
    table = delivery / "sessions.csv"
    rows = table.read_text(encoding="utf-8").splitlines()
    cells = rows[1].split(",")
    at = rows[0].split(",").index("weight_kg")
    cells[at] = str(round(float(cells[at]) + 0.1, 2))
    table.write_text("\n".join([rows[0], ",".join(cells), *rows[2:]]) + "\n", encoding="utf-8")
    relist(delivery, table)
    report = run_night(one_after)
    assert report.state != "red"
    assert pool.measured and all(item.startswith(cells[0]) for item in pool.measured)


def test_second_night_at_the_same_time_says_so_and_stops(one_after: Path) -> None:
    with State(one_after / "work"), pytest.raises(NightRunning, match="Another night"):
        run_night(one_after)


def test_changed_program_wakes_the_night_and_rules_are_named(
    one_after: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run_night(one_after).idle
    monkeypatch.setattr("quietsleep.night.night.program_fingerprint", lambda: "another style")
    woken = run_night(one_after)
    assert not woken.idle and woken.published and woken.n_measured == 0
    with State(one_after / "work") as state:
        versions = state.frame("SELECT rules_version FROM nights")["rules_version"]
    assert versions.str.len().gt(0).all() and versions.nunique() == 1


def test_no_other_command_slips_in_between_the_first_look_and_the_stages(
    one_after: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lock of the night that looked is the lock of the night that works."""
    refused = []

    def check(night: Night) -> None:
        with pytest.raises(NightRunning):
            State(night.study.work_path)
        refused.append(night.study.name)

    monkeypatch.setattr("quietsleep.night.stages.check_study", check)
    monkeypatch.setattr("quietsleep.night.orchestration.run.pool_of", in_process)
    touch(one_after)
    report = run_orchestrated(one_after, workers=1, full=False)
    assert report.published and len(refused) == 1
