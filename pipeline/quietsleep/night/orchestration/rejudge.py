"""The flow that judges stored measures again; `quietsleep rejudge` calls the same functions plain.

Import this module only after `quietsleep.night.orchestration.embedded.embed`.
"""

from __future__ import annotations

from pathlib import Path

from prefect import flow

from quietsleep.night.rejudge import Rejudged, rejudge_study


@flow(name="rejudge", persist_result=False)
def rejudge(study_path: str) -> Rejudged:
    """Judge again what was measured, by the rules, waivers and decisions of now."""
    return rejudge_study(Path(study_path))
