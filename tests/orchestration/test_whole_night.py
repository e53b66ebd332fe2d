"""A night on a store and a cluster is the night of one machine: the same flow and bytes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from quietsleep.intake.delivery import read_delivery
from quietsleep.intake.find import take_inventory
from quietsleep.night.night import NightReport
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.integrity import damage, database_damage
from tests.orchestration.services import ROOT, Store, Workers, add_to_study, conservation, parts


@pytest.fixture(scope="session")
def delivered(small_deliveries: Path) -> Path:
    """Every technique and every format of a file; do not change it."""
    return small_deliveries


@pytest.fixture(scope="session")
def one_machine(small_night: tuple[Path, NightReport]) -> Path:
    """The same study after a night on one machine, out of a folder; do not change it."""
    return small_night[0]


def command(*words: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(ROOT / "pipeline")}
    return subprocess.run(
        [sys.executable, "-c", "from quietsleep.cli.main import app; app()", *words],
        capture_output=True, text=True, env=environment, check=False,
    )  # fmt: skip


def test_night_on_store_and_cluster_gives_the_bytes_of_one_machine(
    stored: Path, one_machine: Path, workers: Workers, s3: Store, tmp_path: Path
) -> None:
    add_to_study(stored, ["[cluster]", f'scheduler = "{workers.address}"'])
    before = workers.times_asked()
    ended = command("nightly", str(stored))
    assert (ended.returncode, ended.stderr) == (0, ""), ended.stderr
    assert parts(stored) == parts(one_machine)
    assert conservation(stored) == conservation(one_machine)
    chunks = {w: n - before[w] - 1 for w, n in workers.times_asked().items()}
    assert len(chunks) == 2 and all(n > 0 for n in chunks.values()), chunks
    # Each once to look through it, once to measure it, some once more for their picture.
    assert set(s3.signals_read().values()) <= {1, 2, 3} and len(s3.signals_read()) > 50
    print("first night:", dict(s3.counts()), "signals", len(s3.signals_read()))
    assert not (stored / "work" / "unpacked").exists()

    s3.forget()
    again = command("nightly", str(stored))
    assert again.returncode == 0 and "nothing has changed" in again.stdout
    counts, centres = s3.counts(), len(load_study(stored).centres)
    assert set(counts) <= {"LIST", "GET"}, counts
    # One for each centre that delivered, the root, the nights by name and by what they hold.
    assert counts["LIST"] <= centres + 3 and counts["GET"] == 2, counts

    address = load_study(stored).storage.warehouse
    fetched = command("fetch", address, str(tmp_path / "fetched"))
    assert fetched.returncode == 0, fetched.stderr
    night = (tmp_path / "fetched" / "current").resolve()
    assert night.name == current_night(stored).name and str(night) in fetched.stdout
    assert damage(night) == [] and database_damage(night) == []
    with open_night(night) as warehouse:
        row = warehouse.execute("SELECT count(*) > 0 FROM clean_outcomes").fetchone()
    assert row == (True,)


def test_deliveries_are_found_in_a_store_as_in_a_folder(
    stored: Path, delivered: Path, s3: Store
) -> None:
    here, there = load_study(delivered), load_study(stored)
    local, remote = take_inventory(here), take_inventory(there)
    for centre in here.centres:
        found = {f.delivery: f for f in local.found[centre]}
        assert [f.delivery for f in remote.found[centre]] == list(found)
        for other in remote.found[centre]:
            one = found[other.delivery]
            assert (other.state, other.is_archive) == (one.state, one.is_archive)
            sizes = {path: size for path, (size, _) in one.stats.items()}
            assert {path: size for path, (size, _) in other.stats.items()} == sizes
    assert take_inventory(there) == remote


def test_change_is_seen_by_the_contents_tag(stored: Path, s3: Store) -> None:
    """The store's time has whole seconds, and the size is the same."""
    study = load_study(stored)
    root = f"{study.storage.deliveries}/larch/larch-01"
    path = next(p for p in s3.files.find(root) if p.endswith(".csv") and "tid" in p)
    before = next(f for f in take_inventory(study).found["larch"] if f.delivery == "larch-01")
    data = s3.files.cat_file(path)
    s3.files.pipe_file(path, data[:-2] + bytes([data[-2] ^ 1]) + data[-1:])
    after = next(f for f in take_inventory(study).found["larch"] if f.delivery == "larch-01")
    inside = path.rpartition("/larch-01/")[2]
    assert after.stats[inside][0] == before.stats[inside][0]
    assert after.stats[inside] != before.stats[inside]
    assert after.stat_digest != before.stat_digest
    result = read_delivery(study, after)
    assert [p.kind for p in result.problems if p.where == inside] == ["changed_file"]
