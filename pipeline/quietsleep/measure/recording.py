"""Measure one recording or check: read, calibrate, find trials, measure each; guarded.

A file that cannot be read is quarantined with its problem. A mistake of ours is caught here, per
recording, and kept with its traceback: the night turns red and the healthy rest is published.
"""

from __future__ import annotations

import os
import threading
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Future, ProcessPoolExecutor
from concurrent.futures import TimeoutError as FutureTimeout
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess
from typing import Protocol, TypeVar

from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.measure.fingerprint import Job
from quietsleep.records import (
    Measured,
    MeasuredTrial,
    Problem,
    Recording,
    RecordingState,
    Trial,
)
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.techniques.interface import Technique, technique_of

Given = TypeVar("Given")
Made = TypeVar("Made")

# A recording that takes longer than this is taken for hung; a usual one takes milliseconds.
SECONDS_PER_JOB = 5.0
SECONDS_TO_START = 120.0
JOBS_PER_CHUNK = 40


def load_recording(job: Job) -> Recording:
    """Read the signal file of a job into a recording; raises Unreadable with its problem."""
    spec = technique_of(job.technique).SPEC
    raw = read_signal(
        job.path,
        job.device,
        spec.channels,
        delivery=job.delivery,
        where=job.file,
        sha256=job.file_sha256,
    )
    channels = calibrate(raw, job.device, spec.channels)
    return assemble(
        channels, name=job.item, technique=job.technique, device=job.device, context=job.context
    )


def measure_job(job: Job) -> Measured:
    """Measure one recording or check; never raises."""
    try:
        return _measure(job)
    except Unreadable as error:
        problem = error.problem
        return _unmeasured(job, "quarantined", problem.sentence, problems=(problem,))
    except Exception:
        return crashed(job, traceback.format_exc())


def crashed(job: Job, trace: str) -> Measured:
    """Return the record of a recording on which our own code failed."""
    sentence = "The pipeline failed on this recording; the coordinating centre has the details."
    return _unmeasured(job, "crashed", sentence, trace=trace)


def _unmeasured(
    job: Job,
    state: RecordingState,
    sentence: str,
    *,
    problems: tuple[Problem, ...] = (),
    trace: str = "",
) -> Measured:
    return Measured(
        key=job.key,
        item=job.item,
        technique=job.technique,
        state=state,
        rate_hz=float("nan"),
        duration_s=float("nan"),
        problems=problems,
        sentence=sentence,
        traceback=trace,
    )


def _measure(job: Job) -> Measured:
    technique = technique_of(job.technique)
    recording = load_recording(job)
    duration_s = recording.flow_ml_s.size / recording.rate_hz
    trials: list[Trial] = []
    if duration_s >= technique.SPEC.shortest_s:
        trials = technique.find_trials(recording)
    measured = tuple(_measure_trial(technique, recording, trial) for trial in trials)
    is_check = technique.SPEC.kind == "check"
    return Measured(
        key=job.key,
        item=job.item,
        technique=job.technique,
        state="measured" if trials else "no_trial",
        rate_hz=recording.rate_hz,
        duration_s=duration_s,
        trials=measured,
        test_values=technique.measure_test(measured) if is_check else {},
        sentence="" if trials else _nothing_found(technique, duration_s),
    )


def _measure_trial(technique: Technique, recording: Recording, trial: Trial) -> MeasuredTrial:
    measures = technique.measure_trial(recording, trial)
    if technique.SPEC.kind == "technique":
        measures["gap_s"] = recording.gap_s
        measures["clipped_share_pct"] = recording.clipped_share_pct
    return MeasuredTrial(
        index=trial.index,
        start_s=trial.start / recording.rate_hz,
        end_s=trial.end / recording.rate_hz,
        values=dict(measures),
        reasons=measures.reasons,
    )


def _nothing_found(technique: Technique, duration_s: float) -> str:
    spec = technique.SPEC
    if duration_s < spec.shortest_s:
        return (
            f"The recording lasts {duration_s:.1f} s; {spec.title.lower()} needs "
            f"at least {spec.shortest_s:g} s."
        )
    return f"No manoeuvre of {spec.title.lower()} was found in {duration_s:.0f} s of signal."


def measure_chunk(jobs: Sequence[Job]) -> list[Measured]:
    """Measure the jobs of one chunk, in this process."""
    return [measure_job(job) for job in jobs]


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
        self._pool = _new_pool(workers)
        self._turn = threading.Lock()

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        """Measure one chunk in a process of the pool; safe to call from several threads."""
        pool = self._pool
        try:
            return pool.submit(measure_chunk, jobs).result(timeout=patience_s(jobs))
        except (BrokenExecutor, RuntimeError, FutureTimeout, CancelledError):
            # RuntimeError: another thread has replaced this pool in the meantime.
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
            self._replace(pool)
            return work(item)

    def _replace(self, pool: ProcessPoolExecutor) -> None:
        with self._turn:
            if self._pool is pool:
                self._pool = _new_pool(self.workers)
                _kill(pool)

    def close(self) -> None:
        """End the processes."""
        self._pool.shutdown(wait=True, cancel_futures=True)


@contextmanager
def measuring_pool(workers: int) -> Iterator[MeasuringPool]:
    """Open a pool of `workers` processes and close it at the end of the block."""
    pool = MeasuringPool(workers)
    try:
        yield pool
    finally:
        pool.close()


def _new_pool(workers: int) -> ProcessPoolExecutor:
    # Spawned, not forked: the parent runs threads and an open database.
    return ProcessPoolExecutor(
        max_workers=workers, mp_context=get_context("spawn"), initializer=_end_with_parent
    )


def _end_with_parent() -> None:
    """Watch the parent from a process of the pool: a killed night leaves nothing running."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _kill(pool: ProcessPoolExecutor) -> None:
    """End a pool whose process died or hangs; waiting for it could last for ever."""
    for process in list((pool._processes or {}).values()):
        process.kill()
    pool.shutdown(wait=False, cancel_futures=True)


def measure_apart(jobs: Sequence[Job]) -> list[Measured]:
    """Measure jobs in a process of their own, halving until what kills the process stands alone."""
    pool = _new_pool(1)
    try:
        return pool.submit(measure_chunk, jobs).result(timeout=patience_s(jobs))
    except BrokenProcessPool:
        end = "The measuring process died on this recording."
    except FutureTimeout:
        end = "The measuring process did not end on this recording."
    finally:
        _kill(pool)
    if len(jobs) == 1:
        return [crashed(jobs[0], end)]
    middle = len(jobs) // 2
    return measure_apart(jobs[:middle]) + measure_apart(jobs[middle:])


def patience_s(jobs: Sequence[Job]) -> float:
    """Return after how many seconds a process that measures these is taken for hung."""
    return SECONDS_TO_START + SECONDS_PER_JOB * len(jobs)
