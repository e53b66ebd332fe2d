"""The nightly flow: the stages of `quietsleep.night.night` in order, one task per centre or chunk.

Import this module only after `embedded.embed`. The flow passes ids, never frames. What a night was
is read from the ledger, never from the states of tasks.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from prefect import Flow, Task, flow, task
from prefect.futures import as_completed
from prefect.runtime import deployment
from prefect.task_runners import TaskRunner, ThreadPoolTaskRunner
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)

from quietsleep.night import stages
from quietsleep.night.night import Night, NightReport, close_night, is_idle, open_night
from quietsleep.night.orchestration import open_nights
from quietsleep.night.orchestration.cluster import MOST_THREADS, pool_of
from quietsleep.night.rejudge import Rejudged, rejudge_study
from quietsleep.study.study import Study


@task(name="take in one centre")
def take_in(night: str, centre: str) -> None:
    """Take in what one centre delivered."""
    stages.ingest_centre(open_nights.BY_NAME[night], centre)


@task(name="measure one chunk")
def measure(night: str, chunk: int) -> None:
    """Measure one chunk of recordings or checks and store the measures."""
    stages.measure_chunk(open_nights.BY_NAME[night], chunk)


@task(name="judge")
def judge(night: str, _: str) -> None:
    """Judge everything measured, by the rules in force."""
    stages.judge_night(open_nights.BY_NAME[night])


@task(name="publish")
def publish(night: str, _: str) -> None:
    """Publish the warehouse of this night."""
    stages.publish_night(open_nights.BY_NAME[night])


@task(name="carry to the store")
def carry(night: str, _: str) -> None:
    """Carry the published nights to the store that the study names."""
    stages.upload_night(open_nights.BY_NAME[night])


@task(name="write pages")
def write_pages(night: str, _: str) -> None:
    """Write the pages of every centre."""
    stages.write_night_pages(open_nights.BY_NAME[night])


# Threads only hand chunks to our own processes, so a few more than cores keep all cores busy.
THREADS: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=8)
# To the workers of a cluster, which may be many.
MORE_THREADS: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=MOST_THREADS)


@flow(name="night", task_runner=THREADS, persist_result=False)
def nightly(study_path: str, workers: int | None = None, full: bool = False) -> NightReport:
    """Run one night of the study in a folder and return its report."""
    with open_night(Path(study_path), workers=workers, full=full, pool=pool_of) as night:
        if is_idle(night):
            return _told(stages.end_idle(night))
        stages.check_study(night.study)
        open_nights.BY_NAME[night.name] = night
        try:
            with NightProgress() as progress:
                _run_stages(night, progress)
            return _told(close_night(night))
        finally:
            del open_nights.BY_NAME[night.name]


class RedNight(RuntimeError):
    """A scheduled night that ended red; the message is its sentences."""


def _told(report: NightReport) -> NightReport:
    """Let a red night fail where a server shows it: there, nobody reads what a command prints."""
    if deployment.id and report.state == "red":
        raise RedNight(" ".join(report.sentences))
    return report


# The same night; only more chunks are waited for at the same time.
nightly_on_cluster = nightly.with_options(name="night on a cluster", task_runner=MORE_THREADS)


def flow_of(study: Study) -> Flow[..., NightReport]:
    """Return the flow that suits where a study is measured."""
    return nightly_on_cluster if study.storage.scheduler else nightly


def _run_stages(night: Night, progress: NightProgress) -> None:
    whole = [night.study.name]
    _run(take_in, night, list(night.study.centres), progress=progress, word="taking in")
    checks = stages.plan_measuring(night, "check")
    _run(measure, night, checks, progress=progress, word="measuring checks")
    recordings = stages.plan_measuring(night, "recording")
    _run(measure, night, recordings, progress=progress, word="measuring recordings")
    _run(judge, night, whole, progress=progress, word="judging")
    _run(publish, night, whole, progress=progress, word="publishing")
    if night.study.storage.warehouse:
        _run(carry, night, whole, progress=progress, word="carrying to the store")
    _run(write_pages, night, whole, progress=progress, word="writing pages")


def _run(
    stage: Task[Any, None],
    night: Night,
    items: Sequence[str] | Sequence[int],
    *,
    progress: NightProgress,
    word: str,
) -> None:
    """Run one stage over its items.

    A stage records its own failures in the night; here only a task that never reached its stage
    is added to them.
    """
    progress.begin(word, len(items))
    for future in as_completed([stage.submit(night.name, item) for item in items]):
        future.wait()
        if not future.state.is_completed():
            night.failures.append(f"{word} was not carried out: {future.state.message}")
        progress.advance()


class NightProgress:
    """One bar per stage on standard error; silent where that is no terminal."""

    def __init__(self) -> None:
        console = Console(stderr=True)
        self._bars = Progress(
            TextColumn("{task.description:<22}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=console,
            disable=not console.is_terminal,
        )
        self._stage: TaskID | None = None

    def __enter__(self) -> NightProgress:
        self._bars.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._bars.stop()

    def begin(self, stage: str, total: int) -> None:
        """Start the bar of a stage."""
        self._stage = self._bars.add_task(stage, total=total)

    def advance(self) -> None:
        """Move the bar of the stage by one."""
        if self._stage is not None:
            self._bars.advance(self._stage)


@flow(name="rejudge", persist_result=False)
def rejudge(study_path: str) -> Rejudged:
    """Judge again what was measured, by the rules, waivers and decisions of now."""
    return rejudge_study(Path(study_path))
