"""Workers that die, kill, run other code, or are not there: a night ends with the same bytes."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from quietsleep.measure.plan import Job
from quietsleep.measure.pool import InProcess, measure_apart
from quietsleep.night import stages
from quietsleep.night.night import NightReport
from quietsleep.night.orchestration import cluster
from quietsleep.night.orchestration.cluster import ClusterPool, cluster_pool
from quietsleep.night.stages import run_night
from quietsleep.records import Measured
from quietsleep.study.study import Study, load_study
from tests.orchestration.services import (
    LOOPBACK,
    ROOT,
    Store,
    Workers,
    add_to_study,
    free_port,
    parts,
    wait_until,
)

# Ends the process that reads this recording, as a fault of a library would.
KILLER = """
import os, s3fs
real = s3fs.S3FileSystem.cat_file
def cat_file(self, path, *args, **kwargs):
    if "larch-s001-tid1" in path:
        os._exit(9)
    return real(self, path, *args, **kwargs)
s3fs.S3FileSystem.cat_file = cat_file
"""


def night_on(
    address: str, study: Path, chunk_sizes: list[int] | None = None
) -> tuple[NightReport, ClusterPool]:
    """Run a night in this process on the cluster at an address."""
    pools: list[ClusterPool] = []

    @contextmanager
    def opened(of: Study, processes: int, notices: list[str]) -> Iterator[ClusterPool]:
        with cluster_pool(of, processes, notices) as pool:
            pools.append(pool)
            if chunk_sizes is not None:
                measure = pool.measure
                pool.measure = lambda jobs: chunk_sizes.append(len(jobs)) or measure(jobs)  # type: ignore[func-returns-value, method-assign]
            yield pool

    add_to_study(study, ["[cluster]", f'scheduler = "{address}"'])
    return run_night(study, workers=1, pool=opened), pools[0]


@pytest.fixture
def own_cluster(s3: Store, tmp_path: Path) -> Iterator[Workers]:
    """A cluster that a test may spoil."""
    cluster_of_test = Workers(tmp_path)
    try:
        yield cluster_of_test
    finally:
        cluster_of_test.stop()


def measured(s3: Store) -> int:
    """How many recordings were read again after they were looked through, checks left out."""
    return sum(n > 1 for path, n in s3.signals_read().items() if "/larch-s0" in path)


def test_killed_worker_costs_its_chunk_again_and_no_byte(
    stored: Path, one_machine: Path, workers: Workers, s3: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(s3, "delay_s", 0.01)
    # The pages read some recordings once more for their pictures.
    monkeypatch.setattr(stages, "write_site", lambda *given: None)
    killed: list[int] = []

    def kill_amid_a_chunk() -> None:
        with workers.client() as client:
            processes = client.run(os.getpid)
            # Both workers are amid the first of their chunks then, which hold six recordings each.
            wait_until(lambda: measured(s3) >= 5)
            busy = [w for w, keys in client.processing().items() if keys]
            os.kill(processes[busy[0]], signal.SIGKILL)
            killed.append(processes[busy[0]])

    killer = threading.Thread(target=kill_amid_a_chunk)
    killer.start()
    sizes: list[int] = []
    report, _ = night_on(workers.address, stored, sizes)
    killer.join()
    assert max(sizes) == 6
    assert len(killed) == 1
    assert report.conservation["balances"].all() and parts(stored) == parts(one_machine)
    assert not any("cluster" in sentence or "worker" in sentence for sentence in report.sentences)
    again = sum(n - 2 for n in s3.signals_read().values() if n > 2)
    print(f"killed worker: {again} recordings measured again, the largest chunk held {max(sizes)}")
    assert 0 < again <= max(sizes)
    workers.wait(2)


def test_recording_that_kills_every_worker_costs_only_itself(
    stored: Path,
    one_machine: Path,
    own_cluster: Workers,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES", "0")
    (tmp_path / "killer").mkdir()
    (tmp_path / "killer" / "sitecustomize.py").write_text(KILLER)
    own_cluster.start(0)
    own_cluster.add_worker("k0", code=f"{tmp_path / 'killer'}:{ROOT / 'pipeline'}")
    own_cluster.wait(1)
    apart: list[int] = []

    def noted(jobs: Sequence[Job]) -> list[Measured]:
        apart.append(len(jobs))
        return measure_apart(jobs)

    monkeypatch.setattr(cluster, "measure_apart", noted)
    report, pool = night_on(own_cluster.address, stored)
    # Here the recording kills nobody, so its numbers are those of one machine.
    assert parts(stored) == parts(one_machine) and report.state != "red"
    assert pool.measured_by and len(apart) == 1


def test_worker_of_other_code_measures_nothing(
    stored: Path, own_cluster: Workers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "MeasuringPool", InProcess)
    for package in ("pipeline", "contracts"):
        shutil.copytree(ROOT / package, tmp_path / "other" / package)
    with (tmp_path / "other" / "pipeline" / "quietsleep" / "signals" / "gas.py").open("a") as file:
        file.write("\n# Another version.\n")
    own_cluster.start(0)
    own_cluster.add_worker("u0", code=str(tmp_path / "other" / "pipeline"))
    own_cluster.wait(1)
    add_to_study(stored, ["[cluster]", f'scheduler = "{own_cluster.address}"'])
    notices: list[str] = []
    with cluster_pool(load_study(stored), 1, notices) as pool:
        assert pool.workers == 1 and pool.measure([]) == [] and not pool.measured_by
    said = " ".join(notices)
    assert "runs other code (fingerprint" in said and "no worker that may measure" in said


def test_scheduler_that_is_not_there_costs_no_night(
    stored: Path, one_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "SECONDS_TO_CONNECT", 1)
    monkeypatch.setattr(cluster, "MeasuringPool", InProcess)
    report, pool = night_on(f"tcp://{LOOPBACK}:{free_port()}", stored)
    assert report.state == "amber" and not pool.measured_by
    (said,) = [s for s in report.sentences if s.startswith("The cluster at tcp://127.0.0.1:")]
    assert "was measured on this machine" in said and "(query " in said
    found, wanted = parts(stored), parts(one_machine)
    (asks,) = found.keys() - wanted.keys()
    (nobody_asked,) = wanted.keys() - found.keys()  # the part of a table without rows
    assert "/queries/" in asks and nobody_asked == "tables/queries/part.parquet"
    assert found | {nobody_asked: wanted[nobody_asked]} == wanted | {asks: found[asks]}


def test_worker_that_hangs_and_scheduler_that_goes_are_not_waited_for(
    stored: Path, own_cluster: Workers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The hung worker's chunk is measured apart, what comes after the end of the cluster here."""
    apart: list[str] = []

    def measured_apart(jobs: Sequence[Job]) -> list[Measured]:
        apart.append("apart")
        return []

    monkeypatch.setattr(cluster, "MeasuringPool", InProcess)
    monkeypatch.setattr(cluster, "SECONDS_FOR_A_WORKER", 5.0)
    monkeypatch.setattr(cluster, "measure_apart", measured_apart)
    own_cluster.start(1)
    own_cluster.wait(1)
    (worker,) = own_cluster.processes().values()
    add_to_study(stored, ["[cluster]", f'scheduler = "{own_cluster.address}"'])
    notices: list[str] = []
    with cluster_pool(load_study(stored), 1, notices) as pool:
        assert pool.workers == 1 and pool.measure([]) == [] and notices == apart == []
        monkeypatch.setattr(cluster, "patience_s", lambda jobs: 0.5)
        os.kill(worker, signal.SIGSTOP)
        assert pool.measure([]) == [] and apart == ["apart"]
        assert "did not end and was measured here" in notices[0]
        # Its nanny has started another in its place.
        wait_until(lambda: [*own_cluster.processes().values()] not in ([], [worker]))
        own_cluster.stop()
        monkeypatch.setattr(cluster, "patience_s", lambda jobs: 60.0)
        begun = time.monotonic()
        assert pool.measure([]) == [] and apart == ["apart"]
        print("lost scheduler noticed after", time.monotonic() - begun, "s")
        assert "was lost" in notices[1] and "measured on this machine" in notices[1]
        assert pool.measure([]) == [] and len(notices) == 2
