"""Mishaps without a sentence, or with harm: memory, exit codes, what is left or lost."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest

from quietsleep.errors import ENVIRONMENT, RED_NIGHT, WarehouseError, environment_error
from quietsleep.intake.store import Address
from quietsleep.measure.pool import in_process
from quietsleep.night import stages
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.store import engine
from quietsleep.store.engine import SPILL, frugal_engine, sweep_spills
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.upload import LIST, fetch, upload
from tests.faults.nights import SECOND
from tests.shared import copy_of_one
from tests.warehouse.conftest import make_study

NO_MEMORY = "Out of Memory Error: failed to allocate data of size 256.0 KiB (285.9 MiB/286.1 MiB)"


@pytest.mark.parametrize(
    "error",
    [duckdb.OutOfMemoryException(NO_MEMORY), MemoryError(), OSError(12, "Cannot allocate memory"),
     duckdb.Error("could not allocate block of size 256 KB")],
    ids=["database", "python", "system", "block"],
)  # fmt: skip
def test_no_memory_is_one_sentence_wherever_it_shows(error: Exception) -> None:
    said = environment_error(error)
    assert said is not None and said.startswith("The machine has too little memory")


def test_the_database_without_memory_says_so_itself() -> None:
    with (
        duckdb.connect(config={"memory_limit": "20MB", "temp_directory": ""}) as connection,
        pytest.raises(duckdb.Error) as raised,
    ):
        connection.execute(
            "CREATE TABLE t AS SELECT i, hash(i) AS h FROM range(9000000) AS r(i) ORDER BY h"
        )
    assert environment_error(raised.value) is not None


STOPPED: dict[str, tuple[Exception, int]] = {
    "no memory": (duckdb.OutOfMemoryException(NO_MEMORY), ENVIRONMENT),
    "full disk": (OSError(28, "No space left on device"), ENVIRONMENT),
    "closed folder": (PermissionError(13, "Permission denied", "a folder"), ENVIRONMENT),
    "mistake": (ValueError("a mistake of ours"), RED_NIGHT),
}


@pytest.fixture(scope="module")
def stopped(micro: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, NightReport]:
    """Nights of one study, one after the other, each stopped by its error while it judged."""
    study = copy_of_one(micro, tmp_path_factory.mktemp("stopped") / "study", centre=SECOND)

    def night(error: Exception) -> NightReport:
        def fail(*_: object, **__: object) -> None:
            raise error

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(stages, "judge", fail)
            return run_night(study, pool=in_process)

    return {name: night(error) for name, (error, _) in STOPPED.items()}


@pytest.mark.parametrize("name", STOPPED)
def test_a_night_that_the_machine_stopped_has_the_exit_code_of_the_machine(
    stopped: dict[str, NightReport], name: str
) -> None:
    report, (_, code) = stopped[name], STOPPED[name]
    assert (report.state, report.published, report.exit_code) == ("red", False, code)
    (said,) = [s for s in report.sentences if s.startswith("judging failed")]
    assert "Traceback" not in said and "\n" not in said


KILLED_AT_WORK = """
import sys, time
from pathlib import Path
from quietsleep.store.engine import frugal_engine
with frugal_engine(Path(sys.argv[1])):
    print("open", flush=True)
    time.sleep(600)
"""


def test_what_a_killed_engine_left_is_swept_and_what_one_works_in_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_work, killed = (
        subprocess.Popen([sys.executable, "-c", KILLED_AT_WORK, str(tmp_path)],
                         stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    )  # fmt: skip
    for each in (at_work, killed):
        assert each.stdout is not None and each.stdout.readline() == "open\n"
    try:
        killed.send_signal(signal.SIGKILL)
        killed.wait()
        spills = sorted(tmp_path.glob(f"{SPILL}*"))
        assert len(spills) == 2
        sweep_spills(tmp_path)
        assert sorted(tmp_path.glob(f"{SPILL}*")) == spills  # too young to judge
        old = time.time() - 2 * engine.SECONDS_TO_LOCK
        for spill in spills:
            os.utime(spill, (old, old))
        sweep_spills(tmp_path, tmp_path / "not there")
        assert len(list(tmp_path.glob(f"{SPILL}*"))) == 1
    finally:
        at_work.send_signal(signal.SIGTERM)
        at_work.wait()
        for each in (at_work, killed):
            assert each.stdout is not None
            each.stdout.close()
    with frugal_engine(tmp_path) as own:
        own.execute("SELECT 1")


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store on this machine with a published night."""
    study = tmp_path_factory.mktemp("published")
    make_study().publish(study, "n000001")
    store = tmp_path_factory.mktemp("store")
    upload(study, Address(store.as_uri()))
    return store


def test_fetch_leaves_folders_that_it_did_not_make(stored: Path, tmp_path: Path) -> None:
    address = Address(stored.as_uri())
    own = tmp_path / "n000001" / "my notes.txt"
    own.parent.mkdir()
    own.write_text("mine", encoding="utf-8")
    with pytest.raises(WarehouseError, match=r"is left as it is\. Move it away"):
        fetch(address, tmp_path)
    assert own.read_text(encoding="utf-8") == "mine"

    other = tmp_path / "other"
    aside = other / ".aside" / "mine"
    aside.parent.mkdir(parents=True)
    aside.write_text("mine", encoding="utf-8")
    night = fetch(address, other)
    assert aside.read_text(encoding="utf-8") == "mine"

    # A copy of its own that was damaged is put right; with something of the user in it, it stays.
    (night / "NIGHT.json").write_text("{}", encoding="utf-8")
    assert json.loads((fetch(address, other) / "NIGHT.json").read_text())["night"] == "n000001"
    (night / "NIGHT.json").write_text("{}", encoding="utf-8")
    (night / "mine").write_text("mine", encoding="utf-8")
    with pytest.raises(WarehouseError, match="is left as it is"):
        fetch(address, other)
    assert (night / "mine").exists()

    third = tmp_path / "third"
    third.mkdir()
    (third / "current").write_text("mine", encoding="utf-8")
    with pytest.raises(WarehouseError, match="current is no copy"):
        fetch(address, third)
    assert (third / "current").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("pointer", ["n000001" + " " * 9_993, "n000001\n" * 1_250, "n000009\n", ""])
def test_fetch_trusts_no_pointer_but_a_name(stored: Path, tmp_path: Path, pointer: str) -> None:
    said = (stored / "current").read_bytes()
    (stored / "current").write_text(pointer, encoding="utf-8")
    try:
        with pytest.raises((WarehouseError, FileNotFoundError)):
            fetch(Address(stored.as_uri()), tmp_path / "fetched")
    finally:
        (stored / "current").write_bytes(said)
    assert not (tmp_path / "fetched" / "n000001").exists()


def test_fetch_holds_what_a_list_says_against_what_the_night_says(
    stored: Path, tmp_path: Path
) -> None:
    """Both a file and its line in the list are changed: the night's own digests are not."""
    night = stored / "nights" / "n000001"
    listed = json.loads((night / LIST).read_text(encoding="utf-8"))
    path = next(name for name in listed["files"] if name.startswith("tables/"))
    kept = (night / path).read_bytes(), (night / LIST).read_bytes()
    changed = kept[0] + b"!"
    (night / path).write_bytes(changed)
    digest = hashlib.sha256(changed).hexdigest()
    listed["files"][path] = {"bytes": len(changed), "sha256": digest}
    (night / LIST).write_text(json.dumps(listed), encoding="utf-8")
    try:
        with pytest.raises(WarehouseError, match="is not what that night says of itself"):
            fetch(Address(stored.as_uri()), tmp_path / "fetched")
    finally:
        (night / path).write_bytes(kept[0])
        (night / LIST).write_bytes(kept[1])
    assert list((tmp_path / "fetched").glob("*")) == []


def test_problems_are_those_of_the_night_in_which_they_came_also_after_the_state_was_lost(
    micro: Path, tmp_path: Path
) -> None:
    study = copy_of_one(micro, tmp_path / "study", centre=SECOND)
    delivery = next((study / "deliveries").glob("*/*"))
    (delivery / "a file that nobody asked for.txt").write_text("x", encoding="utf-8")
    run_night(study, pool=in_process)
    before = _problems(study)
    assert before and {night for night, *_ in before} == {"n000001"}
    for path in (study / "work").glob("state.duckdb*"):
        path.unlink()
    run_night(study, pool=in_process)
    assert current_night(study).name == "n000002"
    assert _problems(study) == before


def _problems(study: Path) -> list[tuple[object, ...]]:
    with open_current(study) as warehouse:
        return warehouse.execute("SELECT night, problem, * FROM problems ORDER BY ALL").fetchall()
