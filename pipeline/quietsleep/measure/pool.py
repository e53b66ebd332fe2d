"""Processes that measure chunks of recordings: one that dies or hangs costs its own recording.

A chunk on which a process fails is halved until what kills it stands alone.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Future, ProcessPoolExecutor
from concurrent.futures import TimeoutError as FutureTimeout
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Protocol, TypeVar

from quietsleep.measure.plan import Job
from quietsleep.measure.recording import crashed, measure_chunk
from quietsleep.records import Measured
from quietsleep.store.processes import end_processes, kill_processes, new_processes
from quietsleep.study.study import Study

Given = TypeVar("Given")
Made = TypeVar("Made")

# A recording that takes longer than this is taken for hung; a usual one takes milliseconds.
SECONDS_PER_JOB = 5.0
SECONDS_TO_START = 120.0
JOBS_PER_CHUNK = 40


class Pool(Protocol):
    """What measures chunks: processes of this machine, or of others."""

    @property
    def workers(self) -> int:
        """How many chunks are measured at the same time."""

    @property
    def jobs_per_chunk(self) -> int:
        """The most jobs that are worth handing over at once."""

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        """Measure one chunk; safe to call from several threads."""

    def stream(self, work: Callable[[Given], Made], items: Iterable[Given]) -> Iterator[Made]:
        """Do some other work of a night in processes of this machine; results in order."""


class MeasuringPool:
    """Processes that measure chunks; a process that dies or hangs costs its own recording only."""

    jobs_per_chunk = JOBS_PER_CHUNK

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._pool = new_processes(workers)
        self._turn = threading.Lock()
        self._is_closed = False

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        """Measure one chunk in a process of the pool; safe to call from several threads."""
        pool = self._pool
        try:
            return pool.submit(measure_chunk, jobs).result(timeout=patience_s(jobs))
        except (BrokenExecutor, RuntimeError, FutureTimeout, CancelledError):
            # RuntimeError: another thread has replaced this pool in the meantime.
            if self._is_closed:
                raise
            self._replace(pool)
            return measure_apart(jobs)

    def stream(self, work: Callable[[Given], Made], items: Iterable[Given]) -> Iterator[Made]:
        """Do some other work of a night in the processes of the pool; results in order.

        Few items are on their way at any time, so that memory stays that of a few. An item on
        which a process died is done here.
        """
        waiting: deque[tuple[Given, Future[Made]]] = deque()
        for item in items:
            waiting.append((item, self._pool.submit(work, item)))
            if len(waiting) > self.workers:
                yield self._made(work, *waiting.popleft())
        while waiting:
            yield self._made(work, *waiting.popleft())

    def _made(self, work: Callable[[Given], Made], item: Given, future: Future[Made]) -> Made:
        pool = self._pool
        try:
            return future.result()
        except (BrokenExecutor, CancelledError):
            if self._is_closed:
                raise
            self._replace(pool)
            return work(item)

    def _replace(self, pool: ProcessPoolExecutor) -> None:
        with self._turn:
            if self._pool is pool and not self._is_closed:
                self._pool = new_processes(self.workers)
                kill_processes(pool)

    def close(self, *, at_once: bool = False) -> None:
        """End the processes; at once where nobody waits for what they still do."""
        with self._turn:
            self._is_closed = True
        (kill_processes if at_once else end_processes)(self._pool)


@contextmanager
def measuring_pool(workers: int) -> Iterator[MeasuringPool]:
    """Open a pool of `workers` processes and close it at the end of the block."""
    pool = MeasuringPool(workers)
    try:
        yield pool
    except BaseException:
        pool.close(at_once=True)
        raise
    pool.close()


class OnThisMachine:
    """Measures in the processes that a pool has on this machine, wherever else it measures."""

    workers = 1
    jobs_per_chunk = 1_000

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        """Measure one chunk."""
        return next(iter(self._pool.stream(measure_chunk, [jobs])))

    def stream(self, work: Callable[[Given], Made], items: Iterable[Given]) -> Iterator[Made]:
        """Do some other work of a night; results in order."""
        return self._pool.stream(work, items)


class InProcess:
    """Measures in this process: no second process has to start.

    For tests, which can so reach into the measuring and see what was `measured`, and for fuzzing.
    A recording on which the process dies takes the night with it.
    """

    workers = 1
    jobs_per_chunk = JOBS_PER_CHUNK

    def __init__(self, workers: int = 1) -> None:
        """Take what a pool of processes is given."""
        self.measured: list[str] = []

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        """Measure one chunk."""
        self.measured += [job.item for job in jobs]
        return measure_chunk(jobs)

    def stream(self, work: Callable[[Given], Made], items: Iterable[Given]) -> Iterator[Made]:
        """Do some other work of a night; results in order."""
        return map(work, items)

    def close(self) -> None:
        """End nothing."""


@contextmanager
def in_process(study: Study, processes: int, notices: list[str]) -> Iterator[InProcess]:
    """Open what measures here: `run_night(path, pool=in_process)`."""
    yield InProcess()


def measure_apart(jobs: Sequence[Job]) -> list[Measured]:
    """Measure jobs in a process of their own, halving until what kills the process stands alone."""
    pool = new_processes(1)
    try:
        return pool.submit(measure_chunk, jobs).result(timeout=patience_s(jobs))
    except BrokenProcessPool:
        end = "The measuring process died on this recording."
    except FutureTimeout:
        end = "The measuring process did not end on this recording."
    finally:
        kill_processes(pool)
    if len(jobs) == 1:
        return [crashed(jobs[0], end)]
    middle = len(jobs) // 2
    return measure_apart(jobs[:middle]) + measure_apart(jobs[middle:])


def patience_s(jobs: Sequence[Job]) -> float:
    """Return after how many seconds a process that measures these is taken for hung."""
    return SECONDS_TO_START + SECONDS_PER_JOB * len(jobs)
