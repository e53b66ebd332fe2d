"""Run one night with the embedded orchestrator, which is started only when there is work."""

from __future__ import annotations

import sys
from pathlib import Path

from quietsleep.errors import environment_error
from quietsleep.night.night import NightReport, is_idle, open_night
from quietsleep.night.orchestration.embedded import embed
from quietsleep.night.stages import check_study, end_idle, run_night
from quietsleep.store.state import NightRunning
from quietsleep.study.study import StudyError


def run_with_prefect(study_path: Path, *, workers: int | None, full: bool) -> NightReport:
    """Run one night; raises NightRunning, and StudyError or ContractError with a sentence.

    An unchanged night ends before the orchestrator is started: it would cost more than the night.
    """
    with open_night(study_path, workers=workers, full=full) as night:
        if is_idle(night):
            return end_idle(night)
        check_study(night.study)
    try:
        embed(night.study.work_path)
        from quietsleep.night.orchestration.nightly import flow_of

        return flow_of(night.study)(str(study_path), workers=workers, full=full)
    except Exception as error:
        if isinstance(error, NightRunning | StudyError) or environment_error(error):
            raise
        # The orchestrator is a convenience; a night does not stand or fall with it.
        print("The orchestrator failed; the night is run without it.", file=sys.stderr)
        from quietsleep.night.orchestration.cluster import pool_of

        return run_night(study_path, workers=workers, full=full, pool=pool_of)
