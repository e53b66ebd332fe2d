"""The flows: a whole night for an operator's server, one large stage of a night for our own.

Import this module only inside `embedded.embedded`. One task an item of a stage. Tasks are given
ids, never frames. What a night was is read from the ledger, never from the states of tasks. The
flow that judges stored measures again runs the same plain functions as the command line.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

from prefect import flow, task
from prefect.futures import as_completed
from prefect.runtime import deployment
from prefect.task_runners import TaskRunner, ThreadPoolTaskRunner

from quietsleep.errors import RED_NIGHT, QuietsleepError
from quietsleep.night.closing import print_closing
from quietsleep.night.night import NightReport, is_idle, open_night
from quietsleep.night.orchestration import stages_at_work
from quietsleep.night.orchestration.cluster import MOST_CHUNKS, pool_of, threads_of
from quietsleep.night.progress import shown_progress
from quietsleep.night.rejudge import Rejudged, rejudge_study
from quietsleep.night.stage import MOST_THREADS, Stage
from quietsleep.night.stages import end_idle, run_open_night


@task(name="one item of a stage", task_run_name="{stage} {number}")
def run_item(night: str, stage: str, number: int) -> None:
    """Do the work of the stage that a night is at on one of its items."""
    stages_at_work.AT_WORK[night].run(number)


# The study whose nights a server may ask this machine for.
STUDY_VARIABLE = "QUIETSLEEP_STUDY"
THREADS: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=MOST_THREADS)
# To the workers of a cluster, which may be many.
MORE_THREADS: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=MOST_CHUNKS)


@flow(name="night", task_runner=THREADS, persist_result=False)
def nightly(study_path: str, workers: int | None = None, full: bool = False) -> NightReport:
    """Run one night of the study in a folder and return its report."""
    with open_night(_allowed(study_path), full=full) as night:
        if is_idle(night):
            return _told(end_idle(night))
        with shown_progress() as night.progress:
            return _told(run_open_night(night, _run_as_tasks, workers=workers, pool=pool_of))


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


@flow(name="stage of a night", task_runner=THREADS, persist_result=False)
def stage_of_night(night: str) -> None:
    """Run the stage that a night of this process is at."""
    _submit(stages_at_work.AT_WORK[night])


def run_in_flow(stage: Stage) -> None:
    """Run one stage in a flow of its own, with as many threads as suit where it is measured."""
    runner: TaskRunner[Any] = ThreadPoolTaskRunner(max_workers=threads_of(stage.night.study))
    with stages_at_work.at_work(stage):
        stage_of_night.with_options(task_runner=runner)(stage.night.name)


def _run_as_tasks(stage: Stage) -> None:
    """Run one stage in the flow of its night."""
    with stages_at_work.at_work(stage):
        _submit(stage)


def _submit(stage: Stage) -> None:
    """Run what is left of a stage, one task an item.

    A stage records its own failures in the night; here only a task that never reached its stage
    is added to them.
    """
    night = stage.night
    tasks = [run_item.submit(night.name, stage.word, number) for number in stage.left()]
    for future in as_completed(tasks):
        future.wait()
        if not future.state.is_completed():
            night.failures.append(f"{stage.word} was not carried out: {future.state.message}")


@flow(name="rejudge", persist_result=False)
def rejudge(study_path: str) -> Rejudged:
    """Judge again what was measured, by the rules, waivers and decisions of now."""
    return rejudge_study(_allowed(study_path))
