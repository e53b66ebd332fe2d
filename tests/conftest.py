"""The demo study and whole nights on it, made once for all tests and processes of a run."""

from __future__ import annotations

import gc
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from quietsleep.measure.pool import in_process
from quietsleep.night import stages
from quietsleep.night.known_answers import KnownAnswer, told
from quietsleep.night.night import NightReport
from quietsleep.night.stages import Opener, run_night
from quietsleep.simulation.centres import write_demo_study
from quietsleep.study.register_key import KEY_VARIABLE
from quietsleep.warehouse.release import make_release
from tests.evidence import pytest_configure as pytest_configure  # noqa: PLC0414
from tests.evidence import pytest_terminal_summary as pytest_terminal_summary  # noqa: PLC0414
from tests.shared import made_once

# Files that take longest, longest first: of two processes none then waits long for the other.
SLOW_FIRST = (
    "night/test_amendments.py", "weeks/test_by_hand.py", "weeks/test_histories.py",
    "faults/test_known_answers.py", "night/test_registration.py",
    "night/test_queries_of_a_night.py",
    "faults/test_crashes.py", "orchestration/test_workers.py", "orchestration/test_store.py",
    "night/test_damage.py", "faults/test_doctor.py", "faults/test_environment_errors.py",
    "review/test_rejudge.py", "orchestration/test_whole_night.py", "night/test_demo_night.py",
    "night/test_idle_and_again.py", "night/test_flow.py", "browser/test_pages_in_a_browser.py",
    "faults/test_moving_deliveries.py", "warehouse/test_publish.py",
    "hostile/test_hostile_input.py", "hostile/test_scheduler.py", "hostile/test_privacy_walk.py",
    "truth/test_accuracy.py", "night/test_blocks.py", "warehouse/test_other_readers.py",
    "warehouse/test_planted.py", "warehouse/test_privacy.py", "warehouse/test_release.py",
    "warehouse/test_changes.py", "browser/test_desk.py", "browser/test_report.py",
    "test_wheel.py",
)  # fmt: skip
HERE = Path(__file__).parent
# How long an example takes is the machine's; speed is measured in benchmarks.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


@pytest.fixture(scope="session", autouse=True)
def register_key(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """One key for the registers of all studies and processes of a run, away from the user's own."""
    run = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        run = run.parent
    path = run / "register.key"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(KEY_VARIABLE, str(path))
        yield path


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the slow files first; the order of tests within a file stays."""
    place = {HERE / name: n for n, name in enumerate(SLOW_FIRST)}
    if gone := [path for path in place if not path.exists()]:
        raise pytest.UsageError(f"SLOW_FIRST names files that are not there: {gone}")
    items.sort(key=lambda item: place.get(item.path, len(place)))


def pytest_collection_finish() -> None:
    """Set aside what was made until here: it stays, and is not garbage to be looked for again."""
    gc.collect()
    gc.freeze()


def checked_night(path: Path, pool: Opener | None = None) -> NightReport:
    """Run a night whose frames are held against the contract on their way, cell by cell."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QUIETSLEEP_CHECK_FRAMES", "1")
        return run_night(path, pool=pool)


ANSWER = KnownAnswer("tidal", "vt_ml", "an item", "truth", 60.0, 0.6, 60.1)
# Here the known answers are asked in earnest. Nights that tests share are made before this
# fixture, and those of another process outside it: they ask them too.
ASKS = HERE / "faults" / "test_known_answers.py"


def answers_stand(patch: pytest.MonkeyPatch) -> None:
    """Let the known answers stand unasked, also in nights that live longer than a test."""
    patch.setattr(stages, "answers_that_stand", lambda night, run: told([ANSWER]))


@pytest.fixture(autouse=True)
def known_answers_stand(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the known answers stand unasked: asking them costs a night ten seconds."""
    if request.path != ASKS:
        answers_stand(monkeypatch)


@pytest.fixture(scope="session")
def demo_night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, NightReport]:
    """The demo study after its first night, and the report of that night; do not change it."""

    def make(path: Path) -> NightReport:
        write_demo_study(path)
        return checked_night(path)

    return made_once(tmp_path_factory, "demo", make)


@pytest.fixture(scope="session")
def demo_release(
    demo_night: tuple[Path, NightReport], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A release of the demo night; do not change it, nor what lies beside it."""

    def make(path: Path) -> None:
        shutil.copytree(demo_night[0] / "warehouse", path / "warehouse", symlinks=True)
        make_release(path, "r1", secret=b"the same days every time")

    folder, _ = made_once(tmp_path_factory, "demo-release", make)
    return folder / "warehouse" / "releases" / "r1"


@pytest.fixture(scope="session")
def small_deliveries(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study of the same centres with two sessions each; do not change it."""

    def make(path: Path) -> None:
        write_demo_study(path, sessions_per_centre=2)

    return made_once(tmp_path_factory, "small", make)[0]


@pytest.fixture(scope="session")
def small_night(
    small_deliveries: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, NightReport]:
    """The small study after its first night, and the report of that night; do not change it."""

    def make(path: Path) -> NightReport:
        shutil.copytree(small_deliveries, path, dirs_exist_ok=True)
        return checked_night(path, pool=in_process)

    return made_once(tmp_path_factory, "small-night", make)
