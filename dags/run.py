"""Run one night with the embedded orchestrator, which is started only when there is work."""

from __future__ import annotations

from pathlib import Path

from dags.embedded import embed
from pipeline.night import NightReport, close_idle, is_idle, open_night
from pipeline.stages import check_study


def run_with_prefect(study_path: Path, *, workers: int | None, full: bool) -> NightReport:
    """Run one night; raises NightRunning, and StudyError or ContractError with a sentence.

    An unchanged night ends before the orchestrator is started: it would cost more than the night.
    """
    with open_night(study_path, workers=workers, full=full) as night:
        if is_idle(night):
            return close_idle(night)
        check_study(night.study)
    embed(night.study.work_path)
    from dags.nightly import nightly

    return nightly(str(study_path), workers=workers, full=full)
