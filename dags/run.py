"""Run one night with the embedded orchestrator, which is started only when there is work."""

from __future__ import annotations

from pathlib import Path

from dags.embedded import embed
from pipeline.night import NightReport, close_idle, is_idle, open_night


def run_with_prefect(study_path: Path, *, workers: int | None, full: bool) -> NightReport:
    """Run one night; raises NightRunning when another night of the study is at work.

    An unchanged night ends before the orchestrator is started: it would cost more than the night.
    """
    with open_night(study_path, workers=workers, full=full) as night:
        if is_idle(night):
            return close_idle(night)
    embed(night.study.work_path)
    from dags.nightly import nightly

    return nightly(str(study_path), workers=workers, full=full)
