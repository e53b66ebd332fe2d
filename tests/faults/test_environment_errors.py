"""What the machine puts in the way: a full disk, closed folders, a clock set back, two at once.

Errors of the operating system are raised at every kind of step of a night in a process of its own;
a small disk of its own is used where one may be mounted. A night then ends in a sentence, the last
good warehouse stays, and the night after it ends as if nothing had happened.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from subprocess import DEVNULL, PIPE
from typing import Any

import pytest

from quietsleep.night import night as night_module
from quietsleep.night.stages import run_night
from quietsleep.store.state import State
from quietsleep.study import register as register_module
from quietsleep.warehouse.current import current_night
from tests.faults.conftest import Course
from tests.faults.nights import Nights, content, copy_of, left_over, open_kinds, processes_of
from tests.faults.reading import read_once
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)

COMMAND = Path(sys.executable).with_name("quietsleep")
# What goes wrong in one study, night after night; what lasts goes wrong from that step on. Files
# are replaced before publishing, too: notes of a night at work, which it can do without.
FAULTS: tuple[dict[str, Any], ...] = (
    {"fault": "ENOSPC", "name": "append stats", "lasting": True},
    {"fault": "EROFS", "name": "stage measuring recordings", "lasting": True},
    {"fault": "ENOSPC", "name": "link", "lasting": True},
    {"fault": "EACCES", "name": "symlink", "lasting": True},
    {"fault": "EIO", "name": "replace", "after": "stage publishing"},
    {"fault": "ENOSPC", "name": "append nights", "lasting": True},
)


def quietsleep(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(COMMAND), *words], capture_output=True, text=True, check=False)


def test_environment_errors_at_any_step_are_sentences_and_pass(
    course: Course, nights: Nights, tmp_path: Path
) -> None:
    def nights_of(half: int) -> None:
        study = copy_of(course.before, tmp_path / f"study-{half}")
        for fault in FAULTS[half::2]:
            answer = nights.run(study, nth=1, **fault)
            said = [*answer.get("sentences", []), answer.get("environment_error") or ""]
            assert answer.get("state") == "red" or answer.get("environment_error"), (fault, answer)
            if fault["fault"] == "ENOSPC":
                assert any("The disk is full" in sentence for sentence in said), (fault, said)
            assert read_once(study), fault
        assert nights.run(study)["state"] == "green"
        assert content(study) == course.content and left_over(study) == []

    nights.side_by_side(nights_of, range(2))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 24 MB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(place)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no disk may be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_disk_that_is_really_full(course: Course, nights: Nights, small_disk: Path) -> None:
    study = copy_of(course.before, small_disk / "study")
    free = shutil.disk_usage(small_disk).free
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(free - 400_000))
    answer = nights.run(study)
    said = [*answer.get("sentences", []), answer.get("environment_error") or ""]
    assert any("The disk is full" in sentence for sentence in said), answer
    assert read_once(study)
    ballast.unlink()
    again = nights.run(study)
    assert again["state"] == "green", again["sentences"]
    assert content(study) == course.content


def test_command_line_says_environment_errors_in_one_sentence(
    course: Course, tmp_path: Path
) -> None:
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
    for words in (("sql", "SELECT 1", "--study"), ("why", "larch-s001", "--study"), ("doctor",)):
        ended = quietsleep(*words, str(study))
        assert ended.returncode in (1, 2, 4) and "Traceback" not in ended.stderr, ended.stderr
        said = ended.stdout + ended.stderr
        assert "damaged" in said or "study.duckdb of night n000001 was changed" in said


def test_second_night_at_once_says_so_with_its_own_code(course: Course) -> None:
    with State(course.before / "work"):
        ended = quietsleep("nightly", str(course.before))
    assert ended.returncode == 3 and ended.stderr.startswith("Another night of this study is")


@pytest.mark.soak
@pytest.mark.parametrize("after_s", [3.0, 8.0, 12.0, 16.0])
def test_two_killed_commands_and_two_at_once(
    course: Course, tmp_path: Path, after_s: float
) -> None:
    """`quietsleep nightly`, orchestrator and all: only the command is killed, not what it began."""
    study = copy_of(course.before, tmp_path / "study")
    command = [str(COMMAND), "nightly", str(study), "--workers", "1"]
    for _ in range(2):
        process = subprocess.Popen(command, stdout=DEVNULL, stderr=DEVNULL)
        time.sleep(after_s)
        process.kill()
        process.wait()
        assert read_once(study)
    both = [subprocess.Popen(command, stdout=PIPE, stderr=PIPE, text=True) for _ in range(2)]
    ended = [(*process.communicate(timeout=300), process.returncode) for process in both]
    assert {0} <= {code for _, _, code in ended} <= {0, 3}, ended
    assert processes_of(study) == []
    assert all("Traceback" not in errors for _, errors, _ in ended), ended
    assert content(study) == course.content and left_over(study) == []


def test_clock_set_back_changes_names_and_order_of_nothing(
    course: Course, tmp_path: Path, pool: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    class LongAgo(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return datetime(1999, 1, 1, tzinfo=UTC)

    study = copy_of(course.before, tmp_path / "study")
    before = current_night(study).name
    for module in (night_module, register_module):
        monkeypatch.setattr(module, "datetime", LongAgo)
    report = run_night(study)
    assert report.state == "amber" and current_night(study).name > before
    assert open_kinds(study) == ["night_notice"]
    (said,) = report.sentences
    assert said.startswith("The clock of this machine says an earlier time than 20")
    kept = [name for name in course.content if "/queries/" not in name]
    assert all(content(study)[name] == course.content[name] for name in kept)
    assert run_night(study).idle


def test_workers_of_a_killed_night_end(course: Course, tmp_path: Path) -> None:
    """Only the parent is killed; nothing of the night may go on."""
    program = (
        "import os, sys, time\n"
        "from quietsleep.measure.pool import MeasuringPool\n"
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


def test_night_is_not_held_by_a_process_that_does_not_end(tmp_path: Path) -> None:
    """A measuring process hangs on something else than a recording while the pool is closed."""
    program = (
        "import time\n"
        "from quietsleep.measure.pool import measuring_pool\n"
        "from quietsleep.store import processes\n"
        "if __name__ == '__main__':\n"
        "    processes.SECONDS_TO_END = 1.0\n"
        "    with measuring_pool(2) as pool:\n"
        "        pool._pool.submit(abs, -1).result()\n"
        "        hangs = pool._pool.submit(time.sleep, 600)\n"
        "        while not hangs.running():\n"
        "            time.sleep(0.01)\n"
    )
    script = tmp_path / "program.py"
    script.write_text(program, encoding="utf-8")
    subprocess.run([sys.executable, str(script)], timeout=300, check=True)
