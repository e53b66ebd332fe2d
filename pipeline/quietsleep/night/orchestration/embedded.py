"""Settings of the orchestrator for a study: embedded, quiet, no analytics, files in the study."""

from __future__ import annotations

import os
from pathlib import Path

from quietsleep.night.orchestration.orphans import OWNER, end_orphans, own_name


def embed(work: Path) -> None:
    """Keep the orchestrator inside the study's work folder; call before it is imported.

    Nothing is written to the home directory, nothing is sent anywhere, and its own result cache
    stays off: what is measured is kept under content keys in the state. A server that a killed
    night of this study has left running is ended.
    """
    home = work / "prefect"
    home.mkdir(parents=True, exist_ok=True)
    end_orphans(home)
    os.environ[OWNER] = own_name()
    os.environ.update(
        PREFECT_HOME=str(home),
        PREFECT_PROFILES_PATH=str(home / "profiles.toml"),
        PREFECT_SERVER_ANALYTICS_ENABLED="false",
        DO_NOT_TRACK="1",
        PREFECT_RESULTS_PERSIST_BY_DEFAULT="false",
        PREFECT_LOGGING_TO_API_ENABLED="false",
        PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS="120",
    )
    os.environ.setdefault("PREFECT_LOGGING_LEVEL", "CRITICAL")
    os.environ.setdefault("PREFECT_SERVER_LOGGING_LEVEL", "CRITICAL")
