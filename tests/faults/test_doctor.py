"""After a mishap: what the doctor finds, what it mends, and what the next night makes of it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from quietsleep.night.doctor import Finding, examine, repair
from quietsleep.night.night import NightReport
from quietsleep.store.state import NightRunning, State
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night
from tests.faults.conftest import Course
from tests.faults.nights import Nights, content, copy_of, touch

# A database with damaged headers does not open; damage behind them shows only when it is read.
HEADERS_BYTES = 3 * 4096


@pytest.fixture(scope="module")
def settled(course: Course) -> Path:
    """A study after two nights, with nothing to do; do not change it."""
    return course.after


def flip(file: Path, *, after: int = 0) -> None:
    """Damage a file in many places beyond `after`; much of a database is empty room."""
    body = bytearray(file.read_bytes())
    for place in range(after + 50, len(body), 700):
        body[place] ^= 0xFF
    file.write_bytes(body)


def damaged_state(study: Path) -> None:
    flip(study / "work" / "state.duckdb", after=HEADERS_BYTES)


def empty_state(study: Path) -> None:
    (study / "work" / "state.duckdb").write_bytes(b"")


def no_pointer(study: Path) -> None:
    (study / "warehouse" / "current").unlink()


def night_gone(study: Path) -> None:
    shutil.rmtree(current_night(study))


def damaged_part(study: Path) -> None:
    flip(max(current_night(study).glob("tables/trial_values/*/*"), key=lambda p: p.stat().st_size))


def damaged_database(study: Path) -> None:
    flip(current_night(study) / "study.duckdb", after=HEADERS_BYTES)


def damaged_facts(study: Path) -> None:
    (current_night(study) / "NIGHT.json").write_text("{", encoding="utf-8")


def left_of_a_kill(study: Path) -> None:
    (study / "warehouse" / ".aside" / "n000009").mkdir(parents=True)


MISHAPS: tuple[Callable[[Path], None], ...] = (
    damaged_state, empty_state, no_pointer, night_gone, damaged_part, damaged_database,
    damaged_facts, left_of_a_kill,
)  # fmt: skip


@pytest.mark.parametrize("mishap", MISHAPS, ids=lambda m: m.__name__)
def test_what_can_be_made_again_is_mended(
    settled: Path, tmp_path: Path, mishap: Callable[[Path], None]
) -> None:
    path = copy_of(settled, tmp_path / "study")
    study = load_study(path)
    mishap(path)
    found = examine(study)
    assert found, "the doctor saw nothing"
    told = list(repair(found))
    assert all(outcome.startswith("Mended") for _, outcome in told), told


def test_nights_after_the_doctor_end_as_undisturbed_ones(
    settled: Path, course: Course, nights: Nights, tmp_path: Path
) -> None:
    def recovered(mishap: Callable[[Path], None]) -> tuple[str, bool, list[Finding]]:
        path = copy_of(settled, tmp_path / mishap.__name__)
        mishap(path)
        list(repair(examine(load_study(path))))
        state = nights.run(path)["state"]
        return state, content(path) == course.content, examine(load_study(path))

    tried = (night_gone, damaged_database)
    assert nights.side_by_side(recovered, tried) == [("green", True, [])] * len(tried)


def test_nights_recover_without_the_doctor_too(
    settled: Path, course: Course, nights: Nights, tmp_path: Path
) -> None:
    def recovered(mishap: Callable[[Path], None]) -> tuple[str, str, bool]:
        path = copy_of(settled, tmp_path / mishap.__name__)
        mishap(path)
        touch(path)
        state = nights.run(path)["state"]
        return mishap.__name__, state, content(path) == course.content

    tried = MISHAPS[2:-1]
    expected = [(mishap.__name__, "green", True) for mishap in tried]
    assert nights.side_by_side(recovered, tried) == expected


def test_state_damaged_inside_is_set_aside_and_made_again(
    settled: Path, course: Course, nights: Nights, tmp_path: Path
) -> None:
    path = copy_of(settled, tmp_path / "study")
    touch(path)
    damaged_state(path)
    first = nights.run(path)
    second = first if first.get("state") == "green" else nights.run(path)
    assert second["state"] == "green" and content(path) == course.content
    assert list((path / "work").glob("state.aside-*.duckdb"))


def test_sound_study_has_no_finding_even_after_a_kill(
    settled: Path, course: Course, nights: Nights, tmp_path: Path
) -> None:
    assert examine(load_study(settled)) == []
    path = copy_of(course.before, tmp_path / "killed")
    assert nights.run(path, step=course.steps.index("stage judging") + 1)["killed"]
    assert examine(load_study(path)) == []


def test_bytes_that_changed_under_the_same_time_are_found_and_taken_in_anew(
    settled: Path, nights: Nights, tmp_path: Path
) -> None:
    path = copy_of(settled, tmp_path / "study")
    file = next((path / "deliveries" / "larch").glob("*/signals/*/*sot1*"))
    before = file.stat()
    flip(file)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert nights.run(path)["state"] == "green"  # nothing that a look at size and time can see
    found = examine(load_study(path))
    assert len(found) == 1 and "larch-s001-sot1" in found[0].sentence
    assert all(outcome.startswith("Mended") for _, outcome in repair(found))
    night = nights.run(path)
    assert night["state"] == "amber"
    assert any("larch-s001-sot1 is held." in sentence for sentence in night["sentences"])


def test_doctor_waits_for_no_night_and_disturbs_none(settled: Path, tmp_path: Path) -> None:
    path = copy_of(settled, tmp_path / "study")
    study = load_study(path)
    with State(study.work_path), pytest.raises(NightRunning):
        examine(study)


def test_little_room_is_said(settled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage: Any = shutil.disk_usage(settled)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=5 * 1024**2))
    (finding,) = examine(load_study(settled))
    assert finding.sentence.startswith("5 MB are free") and finding.mend is None


def test_stored_measures_that_nothing_refers_to_are_dropped(
    settled: Path, nights: Nights, tmp_path: Path
) -> None:
    path = copy_of(settled, tmp_path / "study")
    before = stored_keys(path)
    centre = path / "centres" / "larch.toml"
    text = centre.read_text(encoding="utf-8")
    centre.write_text(text.replace("gain = 1.0\n", "gain = 0.999\n"), encoding="utf-8")
    assert nights.run(path)["measured"] > 0
    after = stored_keys(path)
    assert len(after) == len(before) and after != before


def stored_keys(study: Path) -> set[str]:
    """The keys under which values are stored; they are those of the recordings and no more."""
    with duckdb.connect(study / "work" / "state.duckdb", read_only=True) as state:
        keys = {row[0] for row in state.execute("SELECT content_key FROM measured").fetchall()}
        held = state.execute("SELECT DISTINCT content_key FROM trial_values").fetchall()
    assert {row[0] for row in held} <= keys
    return keys


def test_what_the_next_night_unpacks_or_says_is_no_mishap(
    small_night: tuple[Path, NightReport], tmp_path: Path
) -> None:
    """An archive to unpack again, a delivery that is gone, a folder under an old name."""
    study = copy_of(small_night[0], tmp_path / "demo")
    shutil.rmtree(study / "work" / "unpacked")
    shutil.rmtree(study / "deliveries" / "larch" / "larch-01")
    file = study / "centres" / "willow.toml"
    text = file.read_text(encoding="utf-8").replace('"willow"', '"osier"', 1)
    file.with_name("osier.toml").write_text('was = ["willow"]\n' + text, encoding="utf-8")
    file.unlink()
    found = [f.sentence for f in examine(load_study(study)) if "cannot be read" in f.sentence]
    assert found == []
