"""Run one night with the embedded orchestrator, which is started only when there is work."""

from __future__ import annotations

import sys
from pathlib import Path

from quietsleep.errors import QuietsleepError, environment_error
from quietsleep.night.night import NightReport, is_idle, open_night
from quietsleep.night.orchestration.embedded import embedded
from quietsleep.night.orchestration.open_nights import offered
from quietsleep.night.stages import check_study, end_idle, run_here, run_open_night


def run_with_prefect(study_path: Path, *, workers: int | None, full: bool) -> NightReport:
    """Run one night; raises NightRunning, and StudyError or ContractError with a sentence.

    An unchanged night ends before the orchestrator is started: it would cost more than the night.
    The night is opened once: no other command can slip in before the flow begins.
    """
    with open_night(study_path, full=full) as night:
        if is_idle(night):
            return end_idle(night)
        check_study(night.study)
        try:
            with offered(night), embedded(night.study.work_path):
                from quietsleep.night.orchestration.nightly import flow_of

                return flow_of(night.study)(str(study_path), workers=workers, full=full)
        except Exception as error:
            if isinstance(error, QuietsleepError) or environment_error(error):
                raise
            # The orchestrator is a convenience; a night does not stand or fall with it.
            print("The orchestrator failed; the night is run without it.", file=sys.stderr)
            from quietsleep.night.orchestration.cluster import pool_of

            night.begin_again()
            return run_open_night(night, run_here, workers=workers, pool=pool_of)
