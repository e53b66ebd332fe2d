"""What the machine puts in the way: a full disk, closed folders, a clock set back, two at once.

Errors of the operating system are raised at every kind of step of a night in a process of its own;
a small disk of its own is used where one may be mounted. A night then ends in a sentence, the last
good warehouse stays, and the night after the setback ends as if nothing had happened.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline import night as night_module
from pipeline.stages import run_night
from pipeline.warehouse.current import current_night
from tests.faults.conftest import Course
from tests.faults.nights import Nights, content, copy_of, left_over
from tests.faults.reading import read_once
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)

COMMAND = Path(sys.executable).with_name("quietsleep")
STEPS = (
    "stage taking in larch/larch-01", "append stats", "append trial_values", "commit", "link",
    "stage judging", "replace", "symlink", "stage writing pages", "append nights",
)  # fmt: skip


def quietsleep(*words: str, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(COMMAND), *words], capture_output=True, text=True, check=False, **options
    )  # type: ignore[call-overload]


@pytest.mark.parametrize("step", STEPS)
def test_full_disk_from_any_step_on_is_a_sentence_and_passes(
    course: Course, nights: Nights, tmp_path: Path, step: str
) -> None:
    study = copy_of(course.before, tmp_path / "study")
    good = current_night(study).name
    at = course.steps.index(step) + 1
    answer = nights.run(study, step=at, fault="ENOSPC", lasting=True)
    said = [*answer.get("sentences", []), answer.get("setback") or ""]
    assert any("The disk is full" in sentence for sentence in said), answer.get("error", said)
    swapped = at > len(course.steps) - course.steps[::-1].index("symlink") + 1
    assert swapped or read_once(study) == good
    assert nights.run(study)["state"] == "green"
    assert content(study) == course.content and left_over(study) == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 24 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(place)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no disk may be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_disk_that_is_really_full(course: Course, nights: Nights, small_disk: Path) -> None:
    study = copy_of(course.before, small_disk / "study")
    free = shutil.disk_usage(small_disk).free
    ballast = small_disk / "ballast"
    for left in (0, 200_000, 2_000_000):
        ballast.write_bytes(bytes(free - left) if free > left else b"")
        answer = nights.run(study)
        said = [*answer.get("sentences", []), answer.get("setback") or ""]
        assert any("The disk is full" in sentence for sentence in said), answer
        assert read_once(study)
        ballast.unlink()
        free = shutil.disk_usage(small_disk).free
    assert nights.run(study)["state"] == "green" and content(study) == course.content


@pytest.mark.parametrize("fault", ["EACCES", "EROFS"])
def test_folder_that_may_not_be_written_is_a_sentence(
    course: Course, nights: Nights, tmp_path: Path, fault: str
) -> None:
    study = copy_of(course.before, tmp_path / "study")
    answer = nights.run(study, step=course.steps.index("link"), fault=fault, lasting=True)
    assert answer["state"] == "red" and not answer["published"]
    assert nights.run(study)["state"] == "green" and content(study) == course.content


def test_command_line_says_setbacks_in_one_sentence(course: Course, tmp_path: Path) -> None:
    """As a user who may not write the study; root may write anywhere."""
    study = copy_of(course.before, tmp_path / "study")
    shutil.rmtree(study / "work")
    (study / "work").write_text("in the way", encoding="utf-8")
    ended = quietsleep("nightly", str(study))
    assert (ended.returncode, ended.stdout) == (4, "")
    assert len(ended.stderr.splitlines()) == 1 and "Traceback" not in ended.stderr


def test_damaged_pieces_end_every_command_in_a_sentence(course: Course, tmp_path: Path) -> None:
    study = copy_of(course.before, tmp_path / "study")
    (current_night(study) / "study.duckdb").write_bytes(b"no database")
    for words in (("query", "SELECT 1", "--study"), ("why", "larch-s001", "--study"), ("doctor",)):
        ended = quietsleep(*words, str(study))
        assert ended.returncode in (1, 2, 4) and "Traceback" not in ended.stderr, ended.stderr
        assert "damaged" in ended.stdout + ended.stderr


def test_two_nights_at_once_one_works_and_the_other_says_so(course: Course, tmp_path: Path) -> None:
    study = copy_of(course.before, tmp_path / "study")
    both = [
        subprocess.Popen([str(COMMAND), "nightly", str(study), "--workers", "1"],
                         stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for _ in range(2)
    ]  # fmt: skip
    ended = [(*process.communicate(timeout=300), process.returncode) for process in both]
    assert sorted(code for _, _, code in ended) == [0, 3], ended
    assert all("Traceback" not in errors for _, errors, _ in ended)
    (refused,) = (errors for _, errors, code in ended if code == 3)
    assert refused.startswith("Another night of this study is running.")
    assert content(study) == course.content


def test_clock_set_back_changes_names_and_order_of_nothing(
    course: Course, tmp_path: Path, pool: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    class LongAgo(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return datetime(1999, 1, 1, tzinfo=UTC)

    study = copy_of(course.before, tmp_path / "study")
    before = current_night(study).name
    monkeypatch.setattr(night_module, "datetime", LongAgo)
    report = run_night(study)
    assert report.state == "green" and current_night(study).name > before
    assert content(study) == course.content
    assert run_night(study).idle


def test_workers_of_a_killed_night_end(course: Course, tmp_path: Path) -> None:
    """Only the parent is killed; nothing of the night may go on."""
    import signal
    import time

    program = (
        "import os, sys, time\n"
        "from pipeline.measure import MeasuringPool\n"
        "if __name__ == '__main__':\n"
        "    pool = MeasuringPool(2)\n"
        "    futures = [pool._pool.submit(os.getpid) for _ in range(2)]\n"
        "    print(*{f.result() for f in futures}, *pool._pool._processes, flush=True)\n"
        "    time.sleep(60)\n"
    )
    script = tmp_path / "program.py"
    script.write_text(program, encoding="utf-8")
    parent = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    workers = {int(word) for word in parent.stdout.readline().split()}
    assert workers
    os.kill(parent.pid, signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    end = time.monotonic() + 20
    while (alive := {w for w in workers if running(w)}) and time.monotonic() < end:
        time.sleep(0.05)
    assert alive == set()


def running(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text(encoding="utf-8")
    except OSError:
        return False
    return state.rpartition(")")[2].split()[0] != "Z"
