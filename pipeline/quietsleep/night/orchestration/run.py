"""Run one night; the orchestrator is started only for a stage that is worth it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from quietsleep.errors import QuietsleepError, environment_error
from quietsleep.night.night import NightReport, is_idle, open_night
from quietsleep.night.orchestration.cluster import pool_of, threads_of
from quietsleep.night.orchestration.embedded import ADDRESS, embedded
from quietsleep.night.progress import shown_progress
from quietsleep.night.stage import Stage, run_in_threads
from quietsleep.night.stages import end_idle, run_open_night


def run_orchestrated(study_path: Path, *, workers: int | None, full: bool) -> NightReport:
    """Run one night; raises NightRunning, and StudyError or ContractError with a sentence.

    A server of our own costs more than a small night, so it is started for large stages alone;
    one that an operator names is told of every stage.
    """
    with open_night(study_path, full=full) as night:
        if is_idle(night):
            return end_idle(night)
        with shown_progress() as night.progress:
            return run_open_night(night, _Runner(), workers=workers, pool=pool_of)


class _Runner:
    """Runs stages, as tasks of the orchestrator where they are large enough, until it fails."""

    def __init__(self) -> None:
        self.is_given_up = False

    def __call__(self, stage: Stage) -> None:
        """Run one stage; what the orchestrator left of it when it failed is run without."""
        if not self.is_given_up and (stage.is_large or os.environ.get(ADDRESS)):
            self._run_as_tasks(stage)
        run_in_threads(stage, most=threads_of(stage.night.study))

    def _run_as_tasks(self, stage: Stage) -> None:
        try:
            with embedded(stage.night.study.work_path):
                from quietsleep.night.orchestration.nightly import run_in_flow

                run_in_flow(stage)
        except Exception as error:
            if isinstance(error, QuietsleepError) or environment_error(error):
                raise
            # The orchestrator is a convenience; a night does not stand or fall with it.
            print("The orchestrator failed; the night goes on without it.", file=sys.stderr)
            self.is_given_up = True
