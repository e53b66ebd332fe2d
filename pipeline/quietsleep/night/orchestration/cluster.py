"""Measure on the machines of a Dask cluster, by configuration alone.

The flow stays as it is: its stages run here, and a chunk that is to be measured is handed to the
cluster by a thread of its task, which waits for the measures. No frame and no signal travels.

The connection is prefect-dask's task runner, but what it is given to run is the plain function
`measure_chunk`, not a task: a task on a worker needs an orchestration server that
this worker can reach, and where there is none every worker starts one of its own (measured, see
docs/cluster.md). The task of the chunk runs here, where the server is.
"""

from __future__ import annotations

import logging
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from time import monotonic
from typing import Any

from quietsleep.measure.plan import Job
from quietsleep.measure.pool import (
    JOBS_PER_CHUNK,
    Given,
    Made,
    MeasuringPool,
    measure_apart,
    measuring_pool,
    patience_s,
)
from quietsleep.night.orchestration.cluster_worker import (
    WorkerFacts,
    WorkerReply,
    ask_worker,
    measure_there,
    own_facts,
)
from quietsleep.night.stage import MOST_THREADS
from quietsleep.records import Measured
from quietsleep.study.study import Study

# About ten seconds of work: a killed worker costs no more, and handing over is not felt.
JOBS_PER_CLUSTER_CHUNK = 250
CHUNKS_A_WORKER = 2
# Threads of a night only wait, so there may be many: enough for 64 workers at two chunks each.
MOST_CHUNKS = 128
SECONDS_TO_CONNECT = 10
SECONDS_FOR_A_WORKER = 30.0
_SECONDS_A_LOOK = 2.0


def threads_of(study: Study) -> int:
    """Return how many items of a stage are worth waiting for at the same time."""
    return MOST_CHUNKS if study.storage.scheduler else MOST_THREADS


class ClusterPool:
    """Hands chunks to the workers of a cluster; whatever fails there is measured here.

    The cluster is asked for only when there is something to measure. `notices` takes the
    sentences a person has to read of it.
    """

    jobs_per_chunk = JOBS_PER_CLUSTER_CHUNK

    def __init__(self, study: Study, processes: int, notices: list[str]) -> None:
        self._address = study.storage.scheduler
        self._root = study.storage.deliveries or str(study.deliveries_path.resolve())
        self._here = MeasuringPool(processes)
        # A chunk that waits long for its turn would be taken for one that hangs.
        self._turn_here = threading.Semaphore(2 * processes)
        self._notices = notices
        self._turn = threading.Lock()
        self._runner: Any = None
        self._is_given_up = False
        self._slots = 0
        self._in_flight = threading.Semaphore(1)
        self._refused: set[str] = set()
        self.measured_by: dict[str, int] = {}

    @property
    def workers(self) -> int:
        """How many chunks are measured at the same time; asks the cluster, the first time."""
        return self._slots if self._connected() else self._here.workers

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        """Measure one chunk on the cluster, or here where the cluster cannot."""
        if not self._connected():
            return self._measure_here(jobs)
        with self._in_flight:
            return self._measure_there(jobs)

    def stream(self, work: Callable[[Given], Made], items: Iterable[Given]) -> Iterator[Made]:
        """Do some other work of a night: what touches this machine's files stays here."""
        return self._here.stream(work, items)

    def close(self) -> None:
        """Leave the cluster, and end the processes of this machine."""
        if self._runner is not None:
            with suppress(Exception):
                self._runner.__exit__(None, None, None)
        self._here.close()

    def _measure_here(self, jobs: Sequence[Job]) -> list[Measured]:
        """Measure in the processes of this machine, in portions that suit them."""
        measured: list[Measured] = []
        for at in range(0, len(jobs), JOBS_PER_CHUNK):
            with self._turn_here:
                measured += self._here.measure(jobs[at : at + JOBS_PER_CHUNK])
        return measured

    def _measure_there(self, jobs: Sequence[Job]) -> list[Measured]:
        from distributed import KilledWorker

        while not self._is_given_up:
            try:
                answer = self._answer(jobs)
            except KilledWorker:
                # It took several workers with it: one process here, halving until it stands alone.
                return measure_apart(jobs)
            except TimeoutError:
                self._notices.append("A chunk on the cluster did not end and was measured here.")
                return measure_apart(jobs)
            except (Exception, CancelledError) as error:
                self._give_up(f"was lost ({type(error).__name__})")
                break
            if not answer.refused:
                with self._turn:
                    before = self.measured_by.get(answer.worker, 0)
                    self.measured_by[answer.worker] = before + len(jobs)
                return answer.measured
            self._refuse({answer.worker: answer.refused})
        return self._measure_here(jobs)

    def _answer(self, jobs: Sequence[Job]) -> WorkerReply:
        """Submit a chunk and wait; TimeoutError when it hangs, ConnectionError without workers."""
        client = self._runner.client
        allowed = self._usable(client)
        future = client.submit(
            measure_there, jobs, own_facts(), self._root, workers=allowed, pure=False
        )
        end = monotonic() + (1 + CHUNKS_A_WORKER) * patience_s(jobs)
        bare_since: float | None = None
        try:
            while not future.done():
                with suppress(TimeoutError):
                    future.result(timeout=_SECONDS_A_LOOK)
                if monotonic() > end:
                    self._free(client, future.key)
                    raise TimeoutError
                bare_since = self._bare_since(client, bare_since)
            answer: WorkerReply = future.result(timeout=SECONDS_TO_CONNECT)
            return answer
        finally:
            with suppress(Exception):
                future.cancel()

    def _bare_since(self, client: Any, since: float | None) -> float | None:
        """Return since when no usable worker is there; ConnectionError when that lasts."""
        if client.status not in {"running", "connecting"}:
            raise ConnectionError("the client is closed")
        if self._workers(client) - self._refused:
            return None
        since = monotonic() if since is None else since
        if monotonic() - since > SECONDS_FOR_A_WORKER:
            raise ConnectionError("no workers are left")
        return since

    @staticmethod
    def _workers(client: Any) -> set[str]:
        return set(client.scheduler_info(n_workers=-1)["workers"])

    def _usable(self, client: Any) -> list[str] | None:
        """Return the workers a chunk may go to; None for any, those that come later too."""
        if not self._refused:
            return None
        usable = sorted(self._workers(client) - self._refused)
        if not usable:
            raise ConnectionError("no worker may measure")
        return usable

    @staticmethod
    def _free(client: Any, key: str) -> None:
        """Have the worker that hangs on a chunk started again by its nanny, if it has one."""
        with suppress(Exception):
            hung = [w for w, keys in client.processing().items() if key in map(str, keys)]
            client.restart_workers(hung, timeout=SECONDS_TO_CONNECT, raise_for_error=False)

    def _refuse(self, refused: Mapping[str, str]) -> None:
        with self._turn:
            for worker, why in refused.items():
                if worker not in self._refused:
                    self._refused.add(worker)
                    self._notices.append(
                        f"The worker {worker} {why}: it measured nothing. Install there what runs "
                        "here, see that it can read the deliveries, and start it again."
                    )

    def _give_up(self, why: str) -> None:
        with self._turn:
            if not self._is_given_up:
                self._is_given_up = True
                self._notices.append(
                    f"The cluster at {self._address} {why}: what it had not measured was measured "
                    "on this machine."
                )

    def _count_slots(self, refused: Mapping[str, str]) -> int:
        workers = self._runner.client.scheduler_info(n_workers=-1)["workers"]
        return sum(info["nthreads"] for worker, info in workers.items() if worker not in refused)

    def _connected(self) -> bool:
        with self._turn:
            if self._runner is not None or self._is_given_up:
                return not self._is_given_up
            refused: dict[str, str] = {}
            try:
                self._runner, said = _connect(self._address, own_facts(), self._root)
                refused = {worker: why for worker, why in said.items() if why}
                self._slots = self._count_slots(refused)
                self._in_flight = threading.Semaphore(max(1, CHUNKS_A_WORKER * self._slots))
                why = "" if self._slots else "has no worker that may measure"
            except Exception as error:
                why = f"cannot be used ({_short(error)})"
        self._refuse(refused)
        if why:
            self._give_up(why)
        return not why


def _short(error: Exception) -> str:
    return "no worker came" if isinstance(error, _NoWorkers) else type(error).__name__


class _NoWorkers(Exception):
    """A scheduler without workers."""


def _connect(address: str, expected: WorkerFacts, root: str) -> tuple[Any, dict[str, str]]:
    """Open the runner and ask every worker there; returns why each must not measure, or ""."""
    for name in ("distributed", "distributed.client", "prefect.task_runner.dask"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    # What differs between the versions of Dask itself changes no number.
    warnings.filterwarnings("ignore", message="\nMismatched versions", module="distributed")
    from prefect_dask.task_runners import DaskTaskRunner

    runner: Any = DaskTaskRunner(address=address, client_kwargs={"timeout": SECONDS_TO_CONNECT})
    runner.__enter__()
    try:
        client = runner.client
        try:
            client.wait_for_workers(1, timeout=SECONDS_FOR_A_WORKER)
        except TimeoutError:
            raise _NoWorkers from None
        said = client.run(ask_worker, expected, root, on_error="return")
    except BaseException:
        with suppress(Exception):
            runner.__exit__(None, None, None)
        raise
    unable = "cannot run this version's code"
    return runner, {w: s if isinstance(s, str) else unable for w, s in said.items()}


@contextmanager
def cluster_pool(study: Study, processes: int, notices: list[str]) -> Iterator[ClusterPool]:
    """Open what measures a study on its cluster."""
    pool = ClusterPool(study, processes, notices)
    try:
        yield pool
    finally:
        pool.close()


@contextmanager
def pool_of(
    study: Study, processes: int, notices: list[str]
) -> Iterator[ClusterPool | MeasuringPool]:
    """Open what measures a study: the cluster it names, else processes of this machine."""
    opener = cluster_pool(study, processes, notices)
    with opener if study.storage.scheduler else measuring_pool(processes) as pool:
        yield pool
