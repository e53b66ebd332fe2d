"""The nightly flow: the stages of `night.stages` in their order, one task an item of a stage.

Import this module only inside `embedded.embedded`. Tasks are given ids, never frames. What a night
was is read from the ledger, never from the states of tasks. The flow that judges stored measures
again runs the same plain functions as the command line.
"""

from __future__ import annotations

import os
import sys
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any

from prefect import Flow, flow, task
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

from quietsleep.errors import RED_NIGHT, QuietsleepError
from quietsleep.night.closing import print_closing
from quietsleep.night.night import NightReport, is_idle
from quietsleep.night.orchestration import open_nights
from quietsleep.night.orchestration.cluster import MOST_THREADS, pool_of
from quietsleep.night.rejudge import Rejudged, rejudge_study
from quietsleep.night.stages import Stage, end_idle, run_open_night
from quietsleep.study.study import Study


@task(name="one item of a stage", task_run_name="{stage} {number}")
def run_item(night: str, stage: str, number: int) -> None:
    """Do the work of the stage that a night is at on one of its items."""
    open_nights.AT_WORK[night].run(number)


# The study whose nights a server may ask this machine for.
STUDY_VARIABLE = "QUIETSLEEP_STUDY"
# Threads only hand chunks to our own processes, so a few more than cores keep all cores busy.
THREADS: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=8)
# To the workers of a cluster, which may be many.
MORE_THREADS: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=MOST_THREADS)


@flow(name="night", task_runner=THREADS, persist_result=False)
def nightly(study_path: str, workers: int | None = None, full: bool = False) -> NightReport:
    """Run one night of the study in a folder and return its report."""
    with open_nights.night_of(_allowed(study_path), full=full) as night:
        if is_idle(night):
            return _told(end_idle(night))
        with NightProgress() as progress:
            run = partial(_run_as_tasks, progress=progress)
            return _told(run_open_night(night, run, workers=workers, pool=pool_of))


def _allowed(study_path: str) -> Path:
    """Return the folder of a study; to a server, only the one that this machine names.

    Whoever reaches an operator's server may ask a deployment for any folder.
    """
    path, own = Path(study_path), os.environ.get(STUDY_VARIABLE, "")
    if deployment.id and not (own and path.resolve() == Path(own).resolve()):
        raise StudyRefused(
            f"A server asks for the study in {path}, which {STUDY_VARIABLE} in the environment of "
            "this process does not name: nothing is run. Set it to the folder of the study."
        )
    return path


class StudyRefused(QuietsleepError):
    """A server asked for a study that this machine does not run; the message names the variable."""


class RedNight(QuietsleepError):
    """A scheduled night that ended red; the message is its sentences."""

    exit_code = RED_NIGHT


def _told(report: NightReport) -> NightReport:
    """Where a schedule runs the night, print its closing, and let a red one fail on the server.

    A single night is printed by the command that ran it.
    """
    if deployment.id:
        print_closing(report)
        sys.stdout.flush()
    if deployment.id and report.state == "red":
        raise RedNight(" ".join(report.sentences))
    return report


# The same night; only more chunks are waited for at the same time.
nightly_on_cluster = nightly.with_options(name="night on a cluster", task_runner=MORE_THREADS)


def flow_of(study: Study) -> Flow[..., NightReport]:
    """Return the flow that suits where a study is measured."""
    return nightly_on_cluster if study.storage.scheduler else nightly


def _run_as_tasks(stage: Stage, *, progress: NightProgress) -> None:
    """Run a stage, one task an item.

    A stage records its own failures in the night; here only a task that never reached its stage
    is added to them.
    """
    night, numbers = stage.night, range(len(stage.items))
    progress.begin(stage.word, len(numbers))
    open_nights.AT_WORK[night.name] = stage
    try:
        tasks = [run_item.submit(night.name, stage.word, number) for number in numbers]
        for future in as_completed(tasks):
            future.wait()
            if not future.state.is_completed():
                night.failures.append(f"{stage.word} was not carried out: {future.state.message}")
            progress.advance()
    finally:
        del open_nights.AT_WORK[night.name]


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
    return rejudge_study(_allowed(study_path))
