"""Run one night with the embedded orchestrator, which is started only when there is work."""

from __future__ import annotations

import sys
from pathlib import Path

from dags.embedded import embed
from pipeline.night import NightReport, is_idle, open_night
from pipeline.setbacks import setback
from pipeline.stages import check_study, end_idle, run_night
from pipeline.state import NightRunning
from pipeline.study import StudyError


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
        from dags.nightly import flow_of

        return flow_of(night.study)(str(study_path), workers=workers, full=full)
    except Exception as error:
        if isinstance(error, NightRunning | StudyError) or setback(error):
            raise
        # The orchestrator is a convenience; a night does not stand or fall with it.
        print("The orchestrator failed; the night is run without it.", file=sys.stderr)
        from dags.cluster import pool_of

        return run_night(study_path, workers=workers, full=full, pool=pool_of)
